//! Reads for a case, as a file: with purpose, case and name, written into the audit before the first read is taken out.
//!
//! What a spreadsheet, a terminal or a browser could take for more than text is defused: every field of a CSV is
//! quoted, a leading sign that begins a formula gets an apostrophe before it, control and direction marks are taken
//! out; in NDJSON they and angle brackets are escaped, so that the text stays what it was for a program.

use super::retain::HOUR_MS;
use super::schema::{DatabaseError, FILE_NAME, open_reader};
use crate::audit::{AuditError, Entry, Log, Who};
use pintle_core::moment::Utc;
use rusqlite::Row;
use serde::Deserialize;
use serde_json::value::RawValue;
use std::fmt::Write as _;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// What is wanted, and why.
#[derive(Clone, Debug, clap::Args)]
pub struct ExportArgs {
    /// Folder of the receiver's database.
    #[arg(long, value_name = "FOLDER")]
    pub data: PathBuf,
    /// File to write: .ndjson or .csv. One that is there already is not touched.
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
    /// What for, in words.
    #[arg(long, value_name = "TEXT")]
    pub purpose: String,
    /// Number of the case.
    #[arg(long, value_name = "ID")]
    pub case: String,
    /// Who wants it.
    #[arg(long, value_name = "NAME")]
    pub by: String,
    /// Captured at this instant or later, RFC 3339.
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Captured before this instant, RFC 3339.
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Of this camera only.
    #[arg(long, value_name = "CAMERA")]
    pub camera: Option<String>,
    /// Sealed reads that nobody opened here are left out, and that is known: exit 0 with them, not 1. They are counted
    /// all the same.
    #[arg(long)]
    pub without_sealed: bool,
}

/// What an export came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Exported {
    /// Reads in the file.
    pub reads: u64,
    /// Sealed reads that may fit and can't be opened here. Of these only camera and hour are known.
    pub sealed: u64,
    /// Reads that can't be understood; whether they fit can't be told.
    pub unreadable: u64,
}

impl Exported {
    /// Whether the file has all that fits.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.sealed + self.unreadable == 0
    }
}

/// Why there is no export. No text of it holds anything of a read.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// A reason is missing or a time is none.
    #[error("{0}")]
    Asked(&'static str),
    /// The file.
    #[error("{path} can't be written: {source}")]
    File {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The audit: what can't be written down is not done.
    #[error(transparent)]
    Audit(#[from] AuditError),
    /// The database.
    #[error(transparent)]
    Database(#[from] DatabaseError),
}

impl ExportError {
    /// Next step, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Asked(_) => {
                "give --purpose, --case and --by in words, times like 2026-11-25T12:00:00Z, and a file .csv or .ndjson"
            }
            Self::File { .. } => "choose a new file in a folder that you may write to, with room on its disk",
            Self::Audit(error) => error.advice(),
            Self::Database(error) => error.advice(),
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Form {
    Csv,
    Ndjson,
}

/// Columns of the CSV, in their order.
const COLUMNS: [&str; 21] = [
    "source",
    "id",
    "sequence",
    "generation",
    "captured_at",
    "received_at",
    "camera",
    "plate",
    "plate_state",
    "jurisdiction",
    "hit_list",
    "hit_entry",
    "lat",
    "lon",
    "radius95_m",
    "place",
    "place_state",
    "stamp_revision",
    "clock_trust",
    "relayed",
    "late_s",
];

/// Writes the reads that fit; answers how many, and what it had to leave out.
///
/// # Errors
/// [`ExportError`]; what was begun is taken away again.
pub fn export(args: &ExportArgs) -> Result<Exported, ExportError> {
    if [&args.purpose, &args.case, &args.by].iter().any(|text| text.trim().is_empty()) {
        return Err(ExportError::Asked("an export needs a purpose, a case and a name"));
    }
    let time = |text: &Option<String>| match text {
        None => Ok(None),
        Some(text) => Utc::parse_rfc3339(text).map(Some).ok_or(ExportError::Asked("--from or --to is no time")),
    };
    let window = (time(&args.from)?, time(&args.to)?);
    let form = match args.out.extension().and_then(|ending| ending.to_str()) {
        Some("csv") => Form::Csv,
        Some("ndjson") => Form::Ndjson,
        _ => return Err(ExportError::Asked("the file ends in neither .csv nor .ndjson")),
    };
    let log = Log::at(args.data.join("audit"));
    let entry = |outcome: &str| {
        let all = || "all".to_owned();
        Entry::new(Who::caller(Some(&args.by)), "export", outcome)
            .with("purpose", &args.purpose)
            .with("case", &args.case)
            .with("from", args.from.clone().unwrap_or_else(all))
            .with("to", args.to.clone().unwrap_or_else(all))
            .with("camera", args.camera.clone().unwrap_or_else(all))
            .with("file", args.out.display())
    };
    // Opened before it is written down, so that a wrong folder leaves no audit there.
    drop(open_reader(&args.data)?);
    log.append(entry("begun"))?;
    let done = written(args, form, window);
    match &done {
        Ok(done) => {
            let entry = entry("done").with("reads", done.reads);
            log.append(entry.with("sealed_left_out", done.sealed).with("unreadable_left_out", done.unreadable))?
        }
        Err(_) => log.append(entry("failed"))?,
    };
    done
}

fn written(args: &ExportArgs, form: Form, window: (Option<Utc>, Option<Utc>)) -> Result<Exported, ExportError> {
    let failed = |source: io::Error| ExportError::File { path: args.out.clone(), source };
    let folder = args.out.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    // For its owner's eyes only, and whole or not there.
    let mut new = tempfile::NamedTempFile::new_in(folder).map_err(failed)?;
    let done = {
        let mut out = BufWriter::new(new.as_file_mut());
        let done = rows(args, form, window, &mut out)?;
        out.flush().map_err(failed)?;
        done
    };
    new.as_file().sync_all().map_err(failed)?;
    new.persist_noclobber(&args.out).map_err(|error| failed(error.error))?;
    Ok(done)
}

#[derive(Deserialize)]
struct Data<'a> {
    #[serde(borrow)]
    read: &'a RawValue,
}

#[derive(Deserialize)]
struct SealedData {
    sealed: Sealed,
}

/// What of a sealed read is in clear.
#[derive(Deserialize)]
struct Sealed {
    camera: String,
}

#[derive(Deserialize)]
struct Read {
    camera: String,
    captured_at: String,
    plate: Option<String>,
    plate_state: String,
    jurisdiction: Option<Jurisdiction>,
    hit: Option<Hit>,
}

#[derive(Deserialize)]
struct Jurisdiction {
    code: Option<String>,
}

#[derive(Deserialize)]
struct Hit {
    list: Option<String>,
    entry: Option<serde_json::Value>,
}

fn rows(
    args: &ExportArgs,
    form: Form,
    (from, to): (Option<Utc>, Option<Utc>),
    out: &mut impl Write,
) -> Result<Exported, ExportError> {
    let told = |error: rusqlite::Error| DatabaseError::from_sqlite(&args.data.join(FILE_NAME), &error);
    let failed = |source: io::Error| ExportError::File { path: args.out.clone(), source };
    let connection = open_reader(&args.data)?;
    let mut statement = connection
        .prepare(
            "SELECT source, id, sequence, generation, received_at, data, lat, lon, radius95_m, line, state, revision,
               clock_trust, relayed, late_s, time FROM reads ORDER BY source, generation, sequence",
        )
        .map_err(told)?;
    let mut found = statement.query([]).map_err(told)?;
    if form == Form::Csv {
        writeln!(out, "{}\r", COLUMNS.map(|name| format!("\"{name}\"")).join(",")).map_err(failed)?;
    }
    let mut done = Exported::default();
    while let Some(row) = found.next().map_err(told)? {
        let data: String = row.get(5).map_err(told)?;
        let parts = serde_json::from_str::<Data<'_>>(&data).ok();
        let Some(read) = parts.and_then(|data| serde_json::from_str::<Read>(data.read.get()).ok()) else {
            match serde_json::from_str::<SealedData>(&data) {
                Ok(SealedData { sealed }) => {
                    let hour = Utc::parse_rfc3339(&row.get::<_, String>(15).map_err(told)?);
                    let fits = hour.is_none_or(|hour| may_be_within(hour, (from, to)));
                    done.sealed +=
                        u64::from(fits && args.camera.as_ref().is_none_or(|camera| *camera == sealed.camera));
                }
                // A read without its form was refused when it came; should one be here, it is no reason to stop.
                Err(_) => done.unreadable += 1,
            }
            continue;
        };
        let captured = Utc::parse_rfc3339(&read.captured_at);
        let in_window = from.is_none_or(|from| captured.is_some_and(|at| from <= at))
            && to.is_none_or(|to| captured.is_some_and(|at| at < to));
        if !in_window || args.camera.as_ref().is_some_and(|camera| *camera != read.camera) {
            continue;
        }
        let line = match form {
            Form::Csv => csv(row, &read).map_err(told)?,
            Form::Ndjson => ndjson(row, &data).map_err(told)?,
        };
        out.write_all(line.as_bytes()).map_err(failed)?;
        done.reads += 1;
    }
    Ok(done)
}

/// Whether a sealed read may have been captured in the window: in clear stands its hour.
fn may_be_within(time: Utc, (from, to): (Option<Utc>, Option<Utc>)) -> bool {
    let hour = Utc(time.0.div_euclid(HOUR_MS) * HOUR_MS);
    from.is_none_or(|from| from < hour.plus_ms(HOUR_MS)) && to.is_none_or(|to| hour < to)
}

fn csv(row: &Row<'_>, read: &Read) -> rusqlite::Result<String> {
    let text = |text: Option<&str>| cell(text.unwrap_or_default());
    let own = |at: usize| row.get::<_, Option<String>>(at).map(|value| cell(&value.unwrap_or_default()));
    // Numbers are ours: a minus before a digit is no formula.
    let number = |at: usize| {
        row.get::<_, Option<f64>>(at).map(|value| format!("\"{}\"", value.map_or_else(String::new, |n| n.to_string())))
    };
    let whole = |at: usize| {
        row.get::<_, Option<i64>>(at).map(|value| format!("\"{}\"", value.map_or_else(String::new, |n| n.to_string())))
    };
    let hit = read.hit.as_ref();
    let entry = hit.and_then(|hit| hit.entry.as_ref()).map(|entry| match entry {
        serde_json::Value::String(text) => text.clone(),
        other => other.to_string(),
    });
    let cells = [
        own(0)?,
        own(1)?,
        whole(2)?,
        own(3)?,
        cell(&read.captured_at),
        cell(&Utc(row.get(4)?).to_rfc3339()),
        cell(&read.camera),
        text(read.plate.as_deref()),
        cell(&read.plate_state),
        text(read.jurisdiction.as_ref().and_then(|j| j.code.as_deref())),
        text(hit.and_then(|hit| hit.list.as_deref())),
        text(entry.as_deref()),
        number(6)?,
        number(7)?,
        number(8)?,
        own(9)?,
        own(10)?,
        whole(11)?,
        own(12)?,
        whole(13)?,
        whole(14)?,
    ];
    Ok(format!("{}\r\n", cells.join(",")))
}

/// One field: quoted always, without control and direction marks, and never a formula.
fn cell(text: &str) -> String {
    let plain: String = text.chars().map(|c| if is_mark(c) { ' ' } else { c }).collect();
    let formula = plain.trim_start().starts_with(['=', '+', '-', '@', '\u{ff1d}', '\u{ff0b}', '\u{ff0d}', '\u{ff20}']);
    // A tab or a line break at the beginning was a sign of the same trick, though it is a blank by now.
    let tricky = formula || text.starts_with(['\t', '\r', '\n']);
    format!("\"{}{}\"", if tricky { "'" } else { "" }, plain.replace('"', "\"\""))
}

/// Control characters, and marks that change the direction of what stands around them or can't be seen.
/// Source: Unicode, general categories Cc and Cf as far as they steer text.
fn is_mark(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{ad}' | '\u{61c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}')
        || matches!(c, '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}')
}

fn ndjson(row: &Row<'_>, data: &str) -> rusqlite::Result<String> {
    let (source, id, generation): (String, String, String) = (row.get(0)?, row.get(1)?, row.get(3)?);
    let sequence: i64 = row.get(2)?;
    let received_at = Utc(row.get(4)?).to_rfc3339();
    let late = row.get::<_, Option<i64>>(14)?.map_or_else(String::new, |late_s| format!(r#","late_s":{late_s}"#));
    // Said of those alone that it is true of: all others came from the trailer's own receiver.
    let relayed = if row.get(13)? { r#","relayed":true"# } else { "" };
    let at = format!(r#""received_at":"{received_at}""#);
    // All of these are ours, checked when they came; data is JSON already.
    let line = format!(
        r#"{{"source":"{source}","id":"{id}","generation":"{generation}","sequence":{sequence},{at}{relayed}{late},"data":{data}}}"#
    );
    let mut out = String::with_capacity(line.len() + 1);
    for c in line.chars() {
        match c {
            // Outside of texts JSON has no such signs but line breaks and tabs, which are blanks there.
            '\n' | '\r' | '\t' => out.push(' '),
            c if is_mark(c) || matches!(c, '<' | '>' | '&') => {
                // Writing to a text can't fail.
                write!(out, "\\u{:04x}", u32::from(c)).ok();
            }
            c => out.push(c),
        }
    }
    out.push('\n');
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_is_quoted_always_and_never_a_formula() {
        for (text, wanted) in [
            ("QX7", "\"QX7\""),
            ("=1+1", "\"'=1+1\""),
            ("  @SUM(A1)", "\"'  @SUM(A1)\""),
            ("\t=1", "\"' =1\""),
            ("\rX", "\"' X\""),
            ("a\"b,c", "\"a\"\"b,c\""),
            ("\u{ff1d}1", "\"'\u{ff1d}1\""),
            ("\u{202e}-1", "\"' -1\""),
            ("", "\"\""),
        ] {
            assert_eq!(cell(text), wanted, "{text:?}");
        }
    }
}
