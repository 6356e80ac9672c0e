//! Checking a whole audit, or one file of it.

use super::line::{self, Line, ZERO, hex};
use super::log::{CURRENT, closed_files};
use super::{AuditError, LineFault};
use aws_lc_rs::digest::{SHA256, digest};
use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};

/// Faults listed at most (our own limit); the rest is counted.
const FAULTS_LISTED_MAX: usize = 20;

/// What was found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Verdict {
    /// Entries that are whole and in their place.
    pub entries: u64,
    /// Number and time of the first and the last of them.
    pub first: Option<(u64, String)>,
    /// See `first`.
    pub last: Option<(u64, String)>,
    /// Hash of the last: note it elsewhere, and nobody can cut entries off the end unseen.
    pub head: String,
    /// Lines that a power cut has torn, each told by the entry behind it.
    pub torn: u64,
    /// True if the first entry is not the very first: files before it are not here.
    pub begins_later: bool,
    /// What is wrong.
    pub faults: Vec<Fault>,
    /// How many more.
    pub more_faults: u64,
}

/// Something wrong at one line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Which file.
    pub file: PathBuf,
    /// Which line, counted from 1.
    pub line: u64,
    /// What is wrong, one sentence.
    pub what: String,
}

/// Whether there is anything of an audit at `path`, a folder or one file.
///
/// # Errors
/// [`AuditError`] if that can't be told.
pub fn is_there(path: &Path) -> Result<bool, AuditError> {
    Ok(!files(path)?.is_empty())
}

/// The files of an audit, oldest first: those of a folder, or the one that is named. None before the first entry.
fn files(path: &Path) -> Result<Vec<PathBuf>, AuditError> {
    // Where it can't be told whether a file is there, opening it says why.
    let is_missing = |path: &Path| matches!(path.try_exists(), Ok(false));
    if !path.is_dir() {
        return Ok(if is_missing(path) { Vec::new() } else { vec![path.to_owned()] });
    }
    let fail = |source| AuditError::File { doing: "read", path: path.to_owned(), source };
    let mut files: Vec<PathBuf> = closed_files(path).map_err(fail)?.into_iter().map(|(_, file)| file).collect();
    let current = path.join(CURRENT);
    if !is_missing(&current) {
        files.push(current);
    }
    Ok(files)
}

/// Calls `each` with file, line number and bytes of every line.
fn each_line(path: &Path, mut each: impl FnMut(&Path, u64, &[u8], bool)) -> Result<(), AuditError> {
    for file in files(path)? {
        let fail = |source| AuditError::File { doing: "read", path: file.clone(), source };
        let mut reader = BufReader::new(std::fs::File::open(&file).map_err(fail)?);
        let (mut bytes, mut number) = (Vec::new(), 0);
        loop {
            bytes.clear();
            if reader.read_until(b'\n', &mut bytes).map_err(fail)? == 0 {
                break;
            }
            number += 1;
            let whole = bytes.pop_if(|byte| *byte == b'\n').is_some();
            each(&file, number, &bytes, whole);
        }
    }
    Ok(())
}

/// All entries that can be read, oldest first.
///
/// # Errors
/// [`AuditError`] if a file can't be read.
pub fn lines(path: &Path) -> Result<Vec<Line>, AuditError> {
    let mut lines = Vec::new();
    each_line(path, |_, _, bytes, _| lines.extend(line::read(bytes).ok()))?;
    Ok(lines)
}

/// Checks every line against its hash, its number and the line before. `path` is a folder or one file.
///
/// # Errors
/// [`AuditError`] if a file can't be read; what is wrong inside is in the [`Verdict`].
pub fn verify(path: &Path) -> Result<Verdict, AuditError> {
    let mut walk = Walk { verdict: Verdict { head: ZERO.to_owned(), ..Verdict::default() }, torn: None };
    each_line(path, |file, number, bytes, whole| walk.line(file, number, bytes, whole))?;
    walk.end();
    Ok(walk.verdict)
}

/// A line that can't be read, until the next one says that it was torn.
struct Broken {
    at: Fault,
    sha256: String,
}

struct Walk {
    verdict: Verdict,
    torn: Option<Broken>,
}

impl Walk {
    fn line(&mut self, file: &Path, number: u64, bytes: &[u8], whole: bool) {
        let at = |what: String| Fault { file: file.to_owned(), line: number, what };
        if !whole && line::read(bytes).is_err() {
            // The end of the file: the next entry of a running program will tell of it.
            self.end();
            self.verdict.torn += 1;
            return;
        }
        let line = match line::read(bytes) {
            Ok(line) => line,
            Err(fault) => {
                self.end();
                let what = match fault {
                    LineFault::NoLine => "this is no line of an audit",
                    LineFault::Altered => "this line was altered after it was written",
                };
                let sha256 = hex(digest(&SHA256, bytes).as_ref());
                self.torn = Some(Broken { at: at(what.to_owned()), sha256 });
                return;
            }
        };
        if let Some(broken) = self.torn.take() {
            if line.act == "audit.torn" && line.on.get("sha256") == Some(&broken.sha256) {
                self.verdict.torn += 1;
            } else {
                self.fault(broken.at);
            }
        }
        let due = self.verdict.last.as_ref().map_or(1, |(n, _)| n + 1);
        if self.verdict.last.is_none() {
            self.verdict.first = Some((line.n, line.at.clone()));
            self.verdict.begins_later = line.prev != ZERO;
        } else if line.n != due {
            self.fault(at(format!(
                "entry {} stands where entry {due} is due: entries were taken out or put in",
                line.n
            )));
        } else if line.prev != self.verdict.head {
            self.fault(at(format!("entry {} does not follow the entry before it: that one was replaced", line.n)));
        }
        self.verdict.entries += 1;
        self.verdict.last = Some((line.n, line.at));
        self.verdict.head = line.hash;
    }

    fn end(&mut self) {
        if let Some(broken) = self.torn.take() {
            self.fault(broken.at);
        }
    }

    fn fault(&mut self, fault: Fault) {
        if self.verdict.faults.len() < FAULTS_LISTED_MAX {
            self.verdict.faults.push(fault);
        } else {
            self.verdict.more_faults += 1;
        }
    }
}
