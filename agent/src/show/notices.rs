//! `notices.ndjson`: what changed lately, a line each, newest last. The first line says which snapshot it belongs to.

use super::ShowError;
use pintle_core::wire::health::HealthBody;
use serde::Serialize;
use std::fmt::Write;

#[derive(Serialize)]
struct Head<'a> {
    format: &'static str,
    generation: u64,
    trailer: &'a str,
    written: &'a str,
    valid_until: &'a str,
    notices: usize,
}

pub(super) fn notices(body: &HealthBody) -> Result<String, ShowError> {
    let head = Head {
        format: "pintle.notices.v1",
        generation: body.generation,
        trailer: &body.trailer.id,
        written: &body.written,
        valid_until: &body.valid_until,
        notices: body.changes.len(),
    };
    let mut out = serde_json::to_string(&head)?;
    for change in &body.changes {
        // Writing into a string can't fail.
        let _infallible = write!(out, "\n{}", serde_json::to_string(change)?);
    }
    out.push('\n');
    Ok(out)
}
