//! From one snapshot to the files that people and machines read. Pure: imports the wire types and the template crate
//! only.

mod geojson;
mod hold;
mod html;
mod map;
mod metrics;
mod notices;
mod outages;
mod plot;
mod public;
mod ready;
pub mod survey;
mod text;
mod times;
pub mod track;

pub use hold::{HOLDS_ANEW, HOLDS_LOST, hold_text};
pub use html::{Doing, Gate, Told, clock_fault, gate, open_page, page, remaining};
pub use ready::ready_text;
pub use text::text;

use pintle_core::wire::health::HealthBody;

/// Why a file could not be rendered.
#[derive(Debug, thiserror::Error)]
pub enum ShowError {
    /// The snapshot does not fit the format.
    #[error("the snapshot can't be written as JSON")]
    Json(#[from] serde_json::Error),
    /// A template failed.
    #[error("the page can't be written")]
    Page(#[from] askama::Error),
}

impl ShowError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        "this is a fault of the program; keep the state folder and the log, and tell the maker"
    }
}

/// One rendered file.
pub type Rendered = (&'static str, String);

/// The files of the folder `health/`, in the order in which they are written: `health.json` last, so that who waits for
/// its generation finds the others there.
///
/// # Errors
/// [`ShowError`].
pub fn health_files(body: &HealthBody) -> Result<Vec<Rendered>, ShowError> {
    Ok(vec![
        ("notices.ndjson", notices::notices(body)?),
        ("sites.geojson", geojson::sites(body)?),
        ("metrics.prom", metrics::metrics(body)),
        ("health.txt", text(body)),
        ("index.html", page(body)?),
        ("health.json", pretty(body)?),
    ])
}

/// The files of the folder `public/`: word, label, written, valid until, and nothing else.
///
/// # Errors
/// [`ShowError`].
pub fn public_files(body: &HealthBody) -> Result<Vec<Rendered>, ShowError> {
    Ok(vec![
        ("status.txt", public::text(body)),
        ("index.html", html::cover(body)?),
        ("status.json", pretty(&public::status(body))?),
    ])
}

fn pretty(value: &impl serde::Serialize) -> Result<String, ShowError> {
    let mut text = serde_json::to_string_pretty(value)?;
    text.push('\n');
    Ok(text)
}

#[cfg(test)]
mod tests;
