//! `pintle receive hold`: keeps reads at the receiver past their age limit for a case. It writes into the database
//! itself, also beside a running receiver, which looks at the holds before each clean-up.

use super::held;
use super::lived::lived_ms;
use super::retain::{HOLDS, put, read_holds};
use super::schema::{DatabaseError, FILE_NAME, open_reader, open_writer};
use crate::audit::{AuditError, Entry, Log, Who};
use crate::clock;
use crate::show;
use pintle_core::ids::{CameraId, printable};
use pintle_core::moment::{Moment, Utc, UtcTrust};
use pintle_core::queue::holds::{HOLD_S_MAX, HOLDS_MAX, Hold, HoldAsked, HoldChange, Holds, window};
use pintle_core::span::{seconds_up_to, when};
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
        /// Captured from here on: 2026-11-25T12:00:00Z, or how long ago: 2h, 3d.
        #[arg(long, value_name = "TIME", value_parser = point)]
        from: Utc,
        /// Captured up to here; it may lie ahead. Without it up to now.
        #[arg(long, value_name = "TIME", value_parser = point)]
        to: Option<Utc>,
        /// For which case: a number, no plate; the audit tells it.
        #[arg(long, value_name = "TEXT")]
        case: String,
        /// How long it holds, at most 365d.
        #[arg(long = "for", value_name = "TIME", value_parser = length)]
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
        #[arg(long = "for", value_name = "TIME", value_parser = length)]
        for_s: u64,
        /// Who says so.
        #[arg(long, value_name = "NAME")]
        by: String,
    },
    /// Say that all holds are made anew, after they could not be read: until then nothing is let go, and from then on
    /// what no hold of `list` keeps goes.
    Anew {
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
    /// A trailer, camera or site that is not here, and what is.
    #[error("{0}")]
    Unknown(String),
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
            Self::Unknown(_) => "nothing was changed; name one of those, or look into `pintle receive --report`",
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
    let change = change(&args.verb, now.utc)?;
    let by = match &args.verb {
        HoldVerb::Add { by, .. } | HoldVerb::Renew { by, .. } | HoldVerb::End { by, .. } | HoldVerb::Anew { by } => {
            by.trim()
        }
        HoldVerb::List => "",
    };
    let told = |error: rusqlite::Error| DatabaseError::from_sqlite(&folder.join(FILE_NAME), &error);
    // A wrong folder is told before anything is made there.
    let reader = open_reader(folder)?;
    if let Some(HoldChange::Add(asked)) = &change
        && let Some(what) = held::unknown(&reader, asked, now.utc).map_err(told)?
    {
        return Err(HoldError::Unknown(what));
    }
    let (holds, lived_ms, number) = work(folder, change.as_ref().map(|change| (change, by)), &now)?;
    let (reads, is_whole) = held::count(&reader, holds.active()).map_err(told)?;
    let row = |hold: &Hold| HoldBody {
        reads: reads.get(&hold.number).copied(),
        reads_at_least: !is_whole,
        ..HoldBody::shown(hold, hold.left_ms(lived_ms), now.utc)
    };
    let rows: Vec<HoldBody> = holds.active().map(row).collect();
    if args.json {
        writeln!(out, "{}", serde_json::to_string(&rows).map_err(io::Error::other)?)?;
    } else {
        if holds.unreadable {
            out.write_all(show::HOLDS_LOST.as_bytes())?;
        } else if matches!(change, Some(HoldChange::Anew)) {
            out.write_all(show::HOLDS_ANEW.as_bytes())?;
        }
        let number = number.filter(|_| !matches!(change, Some(HoldChange::Anew)));
        out.write_all(show::hold_text(&rows, number, now.utc).as_bytes())?;
    }
    Ok(out.flush()?)
}

fn change(verb: &HoldVerb, now: Utc) -> Result<Option<HoldChange>, HoldError> {
    let asked = |text: String| HoldError::Asked(text);
    let text = |name: &str, text: &str, max: usize| {
        let trimmed = text.trim();
        if trimmed.is_empty() || max < trimmed.chars().count() || printable(trimmed, max) != trimmed {
            return Err(asked(format!("{name} needs a plain text of 1 to {max} characters")));
        }
        Ok(trimmed.to_owned())
    };
    Ok(Some(match verb {
        HoldVerb::List => return Ok(None),
        HoldVerb::Add { trailer, camera, place, from, to, case, for_s, by } => {
            if trailer.is_none() && camera.is_none() {
                return Err(asked("a hold needs --trailer or --camera".to_owned()));
            }
            let wrong = |what: &str| asked(format!("{what} must be 1 to 40 of a-z, 0-9 and -"));
            let camera = camera.as_deref().map(CameraId::new).transpose().map_err(|_| wrong("--camera"))?;
            let source = trailer.as_ref().map(|name| format!("urn:pintle:trailer:{name}"));
            if source.as_deref().is_some_and(|source| !super::check::is_source(source)) {
                return Err(wrong("--trailer"));
            }
            let (from, to) = window(*from, *to, now).map_err(|(what, advice)| asked(format!("{what}; {advice}")))?;
            let (case, by) = (text("--case", case, CASE_CHARS_MAX)?, text("--by", by, BY_CHARS_MAX)?);
            HoldChange::Add(HoldAsked { source, camera, site: *place, from, to, case, by, for_s: *for_s })
        }
        HoldVerb::Renew { number, for_s, by } => {
            HoldChange::Renew { number: *number, for_s: *for_s, by: text("--by", by, BY_CHARS_MAX)? }
        }
        HoldVerb::End { number, by } => {
            text("--by", by, BY_CHARS_MAX)?;
            HoldChange::End { number: *number }
        }
        HoldVerb::Anew { by } => {
            text("--by", by, BY_CHARS_MAX)?;
            HoldChange::Anew
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
            HoldChange::Anew => "no hold was lost".to_owned(),
        })
    })?;
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
        HoldChange::Anew => "hold.anew",
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
        HoldChange::End { .. } | HoldChange::Anew => entry,
    }
}

fn point(text: &str) -> Result<Utc, String> {
    when(text, clock::utc())
}

fn length(text: &str) -> Result<u64, String> {
    seconds_up_to(text, HOLD_S_MAX, "renew it before it ends")
}
