//! From the bytes of a body to reads: synchronous, so that a panic in it can be caught and costs one request.

use super::Shared;
use crate::store::NewImage;
use aws_lc_rs::hmac;
use pintle_core::ids::CameraId;
use pintle_core::images::ImageIn;
use pintle_core::read::Read;
use pintle_core::wire::problem::{Fault, Problem};
use pintle_core::wire::read_in::{self, Refusal};
use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Mutex, PoisonError};
use tracing::error;

/// Faults listed in one problem (our own: a person mends the first ones first).
const FAULTS_LISTED_MAX: usize = 20;
/// Bodies that made the handling panic and are not tried again (our own).
const SET_ASIDE_MAX: usize = 64;

/// Form of a body.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    /// One JSON object.
    One,
    /// One JSON object a line.
    Lines,
}

/// A read and the line of the body that it stood on.
#[derive(Debug)]
pub(super) struct Taken {
    pub(super) line: Option<u64>,
    pub(super) read: Read,
    /// Pictures as the engine names them, until they are fetched.
    pub(super) images: Vec<ImageIn>,
    /// Their files, once they are on the disk.
    pub(super) kept: Vec<NewImage>,
}

/// How a body becomes reads; a function of the actor so that a test can put one there that panics.
pub(super) type Prepare = fn(&[u8], Form, &[CameraId], usize, &Ids) -> Result<Vec<Taken>, Box<Problem>>;

/// Where reads without an id get one.
pub(super) struct Ids {
    /// The key of the hash that one is derived by.
    pub(super) key: hmac::Key,
    /// True where reads are sealed: then the engine must give it, since whoever has the key from the disk could try all
    /// plates against a derived one.
    pub(super) needed: bool,
}

/// Keyed hashes of bodies whose handling panicked.
#[derive(Default)]
pub(super) struct SetAside(Mutex<VecDeque<Vec<u8>>>);

/// Runs the preparation; a panic in it is counted, its body set aside by its keyed hash, and answered 500.
pub(super) fn guarded(shared: &Shared, body: &[u8], form: Form) -> Result<Vec<Taken>, Box<Problem>> {
    if shared.set_aside.is_empty() || !shared.set_aside.has(&tag(shared, body)) {
        let prepared = catch_unwind(AssertUnwindSafe(|| {
            (shared.prepare)(body, form, &shared.cameras, shared.limits.batch_reads_max as usize, &shared.ids)
        }));
        if let Ok(prepared) = prepared {
            return prepared;
        }
        let tag = tag(shared, body);
        let short = u64::from_be_bytes(tag.first_chunk().copied().unwrap_or_default());
        error!(
            body = format!("{short:016x}"),
            bytes = body.len(),
            "a request made the intake panic; its body is set aside"
        );
        shared.set_aside.add(tag);
        shared.tally(|view| view.panics += 1);
    }
    Err(Problem::new(
        "internal",
        500,
        "The intake failed on this request",
        "this is a fault of the agent, not of the sender; nothing was accepted. It stands in the log with the hash of the \
         body; the same body is not tried again until the agent restarts",
    ))
}

fn tag(shared: &Shared, body: &[u8]) -> Vec<u8> {
    hmac::sign(&shared.ids.key, body).as_ref().to_vec()
}

impl SetAside {
    fn is_empty(&self) -> bool {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).is_empty()
    }

    fn has(&self, tag: &[u8]) -> bool {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).iter().any(|known| known == tag)
    }

    fn add(&self, tag: Vec<u8>) {
        let mut tags = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if tags.len() == SET_ASIDE_MAX {
            tags.pop_front();
        }
        tags.push_back(tag);
    }
}

/// All reads of a body, or a problem with every fault of every line: a request is accepted wholly or not at all.
pub(super) fn prepare(
    body: &[u8],
    form: Form,
    cameras: &[CameraId],
    reads_max: usize,
    ids: &Ids,
) -> Result<Vec<Taken>, Box<Problem>> {
    let lines = lines_of(body, form);
    if lines.is_empty() {
        return Err(malformed(vec![fault("the body is empty; send one read as a JSON object")]));
    }
    if reads_max < lines.len() {
        return Err(Problem::new(
            "too-many-reads",
            413,
            "Too many reads in one request",
            format!("{} reads were sent; at most {reads_max} are taken at once. Send them in parts", lines.len()),
        ));
    }
    let keyed_hash = |body: &[u8]| {
        let mut hash = [0_u8; 32];
        hash.copy_from_slice(hmac::sign(&ids.key, body).as_ref());
        hash
    };
    let (mut reads, mut faults, mut any_malformed, mut left_out) =
        (Vec::with_capacity(lines.len()), Vec::new(), false, 0);
    for (line, text) in lines {
        let refused = match read_in::parse(text, cameras) {
            Ok(read) if ids.needed && !read.has_id() => {
                let detail = "`id` is missing, and reads are sealed here: send a UUID of your own with each read";
                vec![Fault { field: Some("id".to_owned()), ..fault(detail) }]
            }
            Ok(mut read) => {
                let images = read.take_images();
                reads.push(Taken { line, read: read.into_read(keyed_hash), images, kept: Vec::new() });
                continue;
            }
            Err(Refusal::Malformed(fault)) => {
                any_malformed = true;
                vec![fault]
            }
            Err(Refusal::Invalid(faults)) => faults,
        };
        for fault in refused {
            if faults.len() < FAULTS_LISTED_MAX {
                faults.push(Fault { line, ..fault });
            } else {
                left_out += 1;
            }
        }
    }
    if 0 < left_out {
        faults.push(fault(format!("and {left_out} more; mend these first")));
    }
    match (faults.is_empty(), any_malformed) {
        (true, _) => Ok(reads),
        (false, true) => Err(malformed(faults)),
        (false, false) => {
            Err(Problem::new("invalid-read", 422, "A read breaks the contract", "nothing was accepted")
                .with_faults(faults))
        }
    }
}

fn malformed(faults: Vec<Fault>) -> Box<Problem> {
    Problem::new("malformed", 400, "The body can't be read", "nothing was accepted").with_faults(faults)
}

fn fault(detail: impl Into<String>) -> Fault {
    Fault { line: None, field: None, nearest: None, detail: detail.into() }
}

/// The texts of a body with their line numbers; blank lines are left out.
fn lines_of(body: &[u8], form: Form) -> Vec<(Option<u64>, &[u8])> {
    let blank = |text: &[u8]| text.iter().all(u8::is_ascii_whitespace);
    match form {
        Form::One if blank(body) => Vec::new(),
        Form::One => vec![(None, body)],
        Form::Lines => (1..)
            .zip(body.split(|byte| *byte == b'\n'))
            .filter(|(_, text)| !blank(text))
            .map(|(line, text)| (Some(line), text))
            .collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use aws_lc_rs::hmac::HMAC_SHA256;

    const LINE: &str =
        r#"{"camera":"north","captured_at":"2026-11-25T12:00:00Z","plate":"QTZ 481","plate_state":"read"}"#;

    fn prepared(body: &str, form: Form) -> Result<Vec<Taken>, Box<Problem>> {
        let cameras: Vec<CameraId> = ["north"].iter().filter_map(|name| CameraId::new(name).ok()).collect();
        let ids = Ids { key: hmac::Key::new(HMAC_SHA256, &[7; 32]), needed: false };
        prepare(body.as_bytes(), form, &cameras, 3, &ids)
    }

    #[test]
    fn lines_are_counted_with_the_blank_ones_and_all_or_nothing_is_taken() {
        assert_eq!(prepared(&format!("{LINE}\r\n\r\n{LINE}\n"), Form::Lines).map(|reads| reads.len()).ok(), Some(2));
        let bad = LINE.replace("north", "south").replace("read\"}", "read\",\"lane\":0}");
        let problem = prepared(&format!("{LINE}\n\n{bad}\n{{"), Form::Lines).err();
        let problem = problem.as_ref();
        assert_eq!(problem.map(|p| (p.status, p.line, p.field.as_deref())), Some((400, Some(3), Some("camera"))));
        let lines: Vec<_> = problem.into_iter().flat_map(|p| &p.problems).filter_map(|f| f.line).collect();
        assert_eq!(lines, [3, 3, 4]);
    }

    #[test]
    fn more_reads_than_allowed_are_refused_before_any_is_looked_at() {
        let problem = prepared(&"x\n".repeat(4), Form::Lines).err();
        assert_eq!(
            problem.map(|p| (p.status, p.detail)).map(|(s, d)| (s, d.starts_with("4 reads"))),
            Some((413, true))
        );
    }

    #[test]
    fn an_empty_body_is_told_as_such() {
        for (body, form) in [("", Form::One), (" \n", Form::One), ("\n\r\n", Form::Lines)] {
            assert_eq!(prepared(body, form).err().map(|p| p.status), Some(400));
        }
    }

    #[test]
    fn a_long_list_of_faults_is_cut_and_says_so() {
        let bad = r#"{"a":1,"b":2,"c":3,"d":4,"e":5,"f":6,"g":7}"#;
        let problem = prepared(&format!("{bad}\n{bad}\n{bad}"), Form::Lines).err();
        let last = problem.as_ref().and_then(|p| p.problems.last()).map(|f| f.detail.clone());
        assert_eq!(problem.map(|p| p.problems.len()), Some(21));
        assert_eq!(last.as_deref(), Some("and 13 more; mend these first"));
    }

    #[test]
    fn without_the_key_nobody_can_guess_a_derived_id() {
        let id = |key: u8| {
            let cameras: Vec<CameraId> = ["north"].iter().filter_map(|name| CameraId::new(name).ok()).collect();
            let ids = Ids { key: hmac::Key::new(HMAC_SHA256, &[key; 32]), needed: false };
            prepare(LINE.as_bytes(), Form::One, &cameras, 1, &ids).ok().map(|reads| reads[0].read.id)
        };
        assert_eq!(id(1), id(1));
        assert_ne!(id(1), id(2));
    }

    #[test]
    fn where_reads_are_sealed_the_engine_must_give_the_id() {
        let cameras: Vec<CameraId> = ["north"].iter().filter_map(|name| CameraId::new(name).ok()).collect();
        let ids = Ids { key: hmac::Key::new(HMAC_SHA256, &[7; 32]), needed: true };
        let problem = prepare(LINE.as_bytes(), Form::One, &cameras, 3, &ids).err();
        assert_eq!(problem.map(|p| (p.status, p.field.as_deref() == Some("id"))), Some((422, true)));
        let with_id = LINE.replacen('{', r#"{"id":"0190a000-0000-7000-8000-000000000001","#, 1);
        assert!(prepare(with_id.as_bytes(), Form::One, &cameras, 3, &ids).is_ok());
    }
}
