//! `pintle receive hold`: keeps reads at the receiver past their age limit for a case. It writes into the database
//! itself, also beside a running receiver, which looks at the holds before each clean-up.

use super::retain::{HOLDS, lived_ms, put, read_holds};
use super::schema::{DatabaseError, FILE_NAME, open_reader, open_writer};
use crate::audit::{AuditError, Entry, Log, Who};
use crate::clock;
use pintle_core::ids::{CameraId, printable};
use pintle_core::moment::{Moment, Utc, UtcTrust};
use pintle_core::queue::holds::{HOLD_S_MAX, HOLDS_MAX, HoldAsked, HoldChange, Holds};
use pintle_core::span::seconds;
use pintle_core::wire::control::{BY_CHARS_MAX, CASE_CHARS_MAX};
use pintle_core::wire::hold::{HoldBody, to_kept};
use rusqlite::TransactionBehavior;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// What is wanted.
#[derive(Clone, Debug, clap::Args)]
pub struct HoldArgs {
    #[command(subcommand)]
    verb: HoldVerb,
    /// Folder of the receiver's database.
    #[arg(long, value_name = "FOLDER", global = true)]
    data: Option<PathBuf>,
    /// One JSON array instead of text.
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Clone, Debug, clap::Subcommand)]
enum HoldVerb {
    /// Keep the reads of a trailer, a camera or a place, captured within a window, until the hold ends.
    Add {
        /// Reads of this trailer (`trailer.id`).
        #[arg(long, value_name = "NAME")]
        trailer: Option<String>,
        /// Reads of this camera.
        #[arg(long, value_name = "NAME")]
        camera: Option<String>,
        /// Reads of this site of the trailer, by its number.
        #[arg(long, value_name = "NUMBER", requires = "trailer")]
        place: Option<u64>,
        /// Captured from here on, RFC 3339.
        #[arg(long, value_name = "TIME")]
        from: String,
        /// Captured up to here, RFC 3339.
        #[arg(long, value_name = "TIME")]
        to: String,
        /// For which case: a number, no plate; the audit tells it.
        #[arg(long, value_name = "TEXT")]
        case: String,
        /// How long it holds, at most 365d.
        #[arg(long = "for", value_name = "TIME", value_parser = seconds)]
        for_s: u64,
        /// Who says so.
        #[arg(long, value_name = "NAME")]
        by: String,
    },
    /// Show all holds, with their cases.
    List,
    /// Let a hold end this long from now on.
    Renew {
        /// Its number.
        number: u64,
        /// How long it holds from now on, at most 365d.
        #[arg(long = "for", value_name = "TIME", value_parser = seconds)]
        for_s: u64,
        /// Who says so.
        #[arg(long, value_name = "NAME")]
        by: String,
    },
    /// End a hold now.
    End {
        /// Its number.
        number: u64,
        /// Who says so.
        #[arg(long, value_name = "NAME")]
        by: String,
    },
}

/// Why nothing was changed.
#[derive(Debug, thiserror::Error)]
pub enum HoldError {
    /// What is asked makes no sense.
    #[error("{0}")]
    Asked(String),
    /// There is no such hold, or there are too many.
    #[error("{0}")]
    Refused(String),
    /// The audit: what can't be written down is not done.
    #[error(transparent)]
    Audit(#[from] AuditError),
    /// The database.
    #[error(transparent)]
    Database(#[from] DatabaseError),
    /// The output.
    #[error("the holds can't be shown: {0}")]
    Output(#[from] io::Error),
}

impl HoldError {
    /// Next step, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Asked(_) => "nothing was changed; call it again with what is asked for",
            Self::Refused(_) => "`pintle receive hold list` shows the holds",
            Self::Audit(error) => error.advice(),
            Self::Database(error) => error.advice(),
            Self::Output(_) => "look at where the output goes",
        }
    }
}

/// Makes the change, if one is asked for, and shows all holds.
///
/// # Errors
/// [`HoldError`]: nothing was changed, unless only the output failed.
pub fn hold(args: &HoldArgs, out: &mut dyn Write) -> Result<(), HoldError> {
    let folder = args.data.as_ref().ok_or_else(|| HoldError::Asked("--data FOLDER is missing".to_owned()))?;
    let now = clock::moment(UtcTrust::Network);
    let change = change(&args.verb)?;
    let by = match &args.verb {
        HoldVerb::Add { by, .. } | HoldVerb::Renew { by, .. } | HoldVerb::End { by, .. } => by.trim(),
        HoldVerb::List => "",
    };
    // A wrong folder is told before anything is made there.
    drop(open_reader(folder)?);
    let (holds, lived_ms, number) = work(folder, change.as_ref().map(|change| (change, by)), &now)?;
    let rows: Vec<HoldBody> = holds
        .active()
        .map(|hold| {
            let ends = now.utc.plus_ms(i64::try_from(hold.left_ms(lived_ms)).unwrap_or(i64::MAX));
            HoldBody { ends: Some(ends.to_rfc3339()), ..HoldBody::from(hold) }
        })
        .collect();
    if args.json {
        writeln!(out, "{}", serde_json::to_string(&rows).map_err(io::Error::other)?)?;
    } else {
        show(&rows, number, out)?;
    }
    Ok(out.flush()?)
}

fn change(verb: &HoldVerb) -> Result<Option<HoldChange>, HoldError> {
    let asked = |text: String| HoldError::Asked(text);
    let for_s = |s: u64| {
        let fits = (1..=HOLD_S_MAX).contains(&s);
        if fits {
            Ok(s)
        } else {
            Err(asked("a hold ends after 365 days at the latest; give --for up to 365d".to_owned()))
        }
    };
    let text = |name: &str, text: &str, max: usize| {
        let trimmed = text.trim();
        if trimmed.is_empty() || max < trimmed.chars().count() || printable(trimmed, max) != trimmed {
            return Err(asked(format!("{name} needs a plain text of 1 to {max} characters")));
        }
        Ok(trimmed.to_owned())
    };
    let time = |name: &str, text: &str| {
        Utc::parse_rfc3339(text)
            .ok_or_else(|| asked(format!("{name} must be a time with offset, like 2026-11-25T12:00:00Z")))
    };
    Ok(Some(match verb {
        HoldVerb::List => return Ok(None),
        HoldVerb::Add { trailer, camera, place, from, to, case, for_s: s, by } => {
            if trailer.is_none() && camera.is_none() {
                return Err(asked("a hold needs --trailer, --camera or --place".to_owned()));
            }
            let wrong = |what: &str| asked(format!("{what} must be 1 to 40 of a-z, 0-9 and -"));
            let camera = camera.as_deref().map(CameraId::new).transpose().map_err(|_| wrong("--camera"))?;
            let source = trailer.as_ref().map(|name| format!("urn:pintle:trailer:{name}"));
            if source.as_deref().is_some_and(|source| !super::check::is_source(source)) {
                return Err(wrong("--trailer"));
            }
            let (from, to) = (time("--from", from)?, time("--to", to)?);
            if to < from {
                return Err(asked("--to is before --from; give the earlier time as --from".to_owned()));
            }
            let (case, by) = (text("--case", case, CASE_CHARS_MAX)?, text("--by", by, BY_CHARS_MAX)?);
            HoldChange::Add(HoldAsked { source, camera, site: *place, from, to, case, by, for_s: for_s(*s)? })
        }
        HoldVerb::Renew { number, for_s: s, by } => {
            HoldChange::Renew { number: *number, for_s: for_s(*s)?, by: text("--by", by, BY_CHARS_MAX)? }
        }
        HoldVerb::End { number, by } => {
            text("--by", by, BY_CHARS_MAX)?;
            HoldChange::End { number: *number }
        }
    }))
}

/// The holds after the change, the age of the store, and the number of the changed one.
fn work(
    folder: &Path,
    change: Option<(&HoldChange, &str)>,
    now: &Moment,
) -> Result<(Holds, i64, Option<u64>), HoldError> {
    let told = |error: rusqlite::Error| DatabaseError::from_sqlite(&folder.join(FILE_NAME), &error);
    let mut connection = open_writer(folder)?;
    let open = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(told)?;
    let mut holds = read_holds(&open).map_err(told)?;
    let lived_ms = lived_ms(&open, now).map_err(told)?;
    let Some((change, by)) = change else { return Ok((holds, lived_ms, None)) };
    let number = holds.change(change, now.utc, lived_ms).ok_or_else(|| {
        HoldError::Refused(match change {
            HoldChange::Add(_) => format!("there are {HOLDS_MAX} holds; end those that no case needs any more"),
            HoldChange::Renew { number, .. } | HoldChange::End { number } => {
                format!("there is no hold with the number {number}")
            }
        })
    })?;
    holds.unreadable = false;
    put(&open, HOLDS, &to_kept(&holds)).map_err(told)?;
    let log = Log::at(folder.join("audit"));
    log.append(entry(change, by, number, "begun"))?;
    let done = open.commit().map_err(told);
    log.append(entry(change, by, number, if done.is_ok() { "done" } else { "failed" }))?;
    done?;
    Ok((holds, lived_ms, Some(number)))
}

fn entry(change: &HoldChange, by: &str, number: u64, outcome: &str) -> Entry {
    let act = match change {
        HoldChange::Add(_) => "hold.add",
        HoldChange::Renew { .. } => "hold.renew",
        HoldChange::End { .. } => "hold.end",
    };
    let entry = Entry::new(Who::caller(Some(by)), act, outcome).with("hold", number);
    match change {
        HoldChange::Add(asked) => entry
            .with("trailer", asked.source.as_deref().unwrap_or("any"))
            .with("camera", asked.camera.as_ref().map_or("any", CameraId::as_str))
            .with("place", asked.site.map_or_else(|| "any".to_owned(), |site| site.to_string()))
            .with("from", asked.from.to_rfc3339())
            .with("to", asked.to.to_rfc3339())
            .with("case", &asked.case)
            .with("for_s", asked.for_s),
        HoldChange::Renew { for_s, .. } => entry.with("for_s", for_s),
        HoldChange::End { .. } => entry,
    }
}

fn show(rows: &[HoldBody], number: Option<u64>, out: &mut dyn Write) -> io::Result<()> {
    if let Some(number) = number {
        let state = if rows.iter().any(|row| row.hold == number) { "holds" } else { "has ended" };
        writeln!(out, "Hold {number} {state}.")?;
    }
    for row in rows {
        let source = row.source.clone();
        let camera = row.camera.as_ref().map(|camera| format!("camera {camera}"));
        let place = row.place.map(|place| format!("site {place}"));
        let what: Vec<String> = source.into_iter().chain(camera).chain(place).collect();
        let what = printable(&what.join(", "), 160);
        writeln!(out, "{}  {what}, captured {} to {}", row.hold, row.from, row.to)?;
        let ends = row.ends.as_deref().unwrap_or("unknown");
        writeln!(out, "    case {}; by {}; ends {ends}", printable(&row.case, 200), printable(&row.by, 80))?;
    }
    if rows.is_empty() {
        writeln!(out, "Nothing is held.")?;
    }
    Ok(())
}
