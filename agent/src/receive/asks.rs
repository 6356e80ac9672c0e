//! What people at the agency ask of a trailer: `pintle receive ask` signs it and lays it down, the receiver sends it
//! along with its receipts until the trailer's answer has come or its time is over.
//!
//! One file for each request, `asked/<trailer>/<number>.asked` beside the database; an answered one ends with `.done`.

use super::check::{Event, Incoming};
use crate::audit::{AuditError, Entry, Log, Who};
use crate::clock;
use crate::io::signed::{ASKED_MAGIC, SignedError, Signer, write_whole};
use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use pintle_core::afar::{BYTES_MAX, Kind, RESEND_MAX, VALID_MS_MAX, is_right_range};
use pintle_core::ids::{BadName, CameraId, SiteId, TrailerId, printable};
use pintle_core::moment::Utc;
use pintle_core::position::places::{LineMeant, PlaceLine};
use pintle_core::queue::EventKind;
use pintle_core::wire::asked::AskedBody;
use pintle_core::wire::receipt::Resend;
use serde::Deserialize;
use std::fs::File;
use std::io::{self, Read as _, Write};
use std::path::{Path, PathBuf};

/// Folder beside the database.
const FOLDER: &str = "asked";
/// The agency's private key for requests, made at the first one.
const KEY_NAME: &str = "asked.key";
/// Requests that one answer carries at most (our own limit: people are slow).
const SENT_MAX: usize = 8;
/// Files of one trailer that are looked at (our own limit).
const LISTED_MAX: usize = 1000;

/// Ask a trailer for something with the next receipts: signed, carried out once, answered with a notice.
#[derive(Clone, Debug, clap::Args)]
pub struct AskArgs {
    /// Folder of the receiver's database.
    #[arg(long, value_name = "FOLDER")]
    data: PathBuf,
    /// Print the public key that goes to the trailers, and end.
    #[arg(long, exclusive = false)]
    public: bool,
    /// Which trailer (`trailer.id`).
    #[arg(long, value_name = "NAME", required_unless_present = "public")]
    trailer: Option<String>,
    /// Who asks.
    #[arg(long, value_name = "NAME", required_unless_present = "public")]
    by: Option<String>,
    /// For how many hours it may wait for the trailer.
    #[arg(long, value_name = "HOURS", default_value_t = 24, value_parser = clap::value_parser!(i64).range(1..=168))]
    hours: i64,
    #[command(subcommand)]
    what: Option<AskWhat>,
}

#[derive(Clone, Debug, clap::Subcommand)]
enum AskWhat {
    /// Send the state of health now.
    Health,
    /// Send a test alert through the real way.
    TestAlert,
    /// Confirm a camera's place line: somebody who knows the place says that it is right there. Site and line are those
    /// that the trailer's state shows now; if it stands elsewhere by then, or its line reads otherwise, it refuses.
    ConfirmLine {
        /// Which camera.
        camera: String,
        /// Number of the site.
        #[arg(value_parser = clap::value_parser!(u64).range(1..))]
        site: u64,
        /// The whole line as the state shows it, like "Quernstone Road at Brackwater Lane, northbound".
        line: String,
    },
    /// Send events once more.
    Resend {
        /// Generation, as the report names it.
        generation: String,
        /// First number.
        from: u64,
        /// Last number, itself included.
        to: u64,
    },
}

/// Why nothing was asked.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// What was given can't be meant so.
    #[error("{0}")]
    Asked(String),
    /// The key.
    #[error(transparent)]
    Key(#[from] SignedError),
    /// The audit.
    #[error(transparent)]
    Audit(#[from] AuditError),
    /// The folder.
    #[error("the request can't be laid down: {0}")]
    File(#[from] io::Error),
}

impl From<BadName> for AskError {
    fn from(bad: BadName) -> Self {
        Self::Asked(bad.to_string())
    }
}

impl AskError {
    /// Next step, one sentence.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Asked(_) => "see `pintle receive ask --help`",
            Self::Key(_) | Self::Audit(_) | Self::File(_) => {
                "run it as the receiver's user, and look at the folder and its disk"
            }
        }
    }
}

/// Lays a request down, or prints the public key.
///
/// # Errors
/// [`AskError`]
pub fn ask(args: &AskArgs, out: &mut dyn Write) -> Result<(), AskError> {
    let folder = args.data.join(FOLDER);
    let signer = Signer::ready(&folder.join(KEY_NAME))?;
    if args.public {
        return Ok(writeln!(out, "{}", signer.public())?);
    }
    let wanted = |what: &str| AskError::Asked(format!("{what} is missing"));
    let trailer = TrailerId::new(args.trailer.as_deref().ok_or_else(|| wanted("--trailer"))?)?;
    let by = args.by.clone().filter(|by| !by.trim().is_empty()).ok_or_else(|| wanted("--by"))?;
    let what = args.what.as_ref().ok_or_else(|| wanted("what to ask for"))?;
    let now = clock::utc();
    let until = now.plus_ms((args.hours * 3_600_000).min(VALID_MS_MAX));
    let meant = Meant::of(what)?;
    let folder = folder.join(trailer.as_str());
    // Numbers rise for ever, also when the clock was set back in between.
    let before = names(&folder).into_iter().map(|(number, _)| number).max().unwrap_or(0);
    let after = before.checked_add(1).ok_or_else(|| AskError::Asked("no number is left in its folder".to_owned()))?;
    let number = u64::try_from(now.0).unwrap_or(0).max(after);
    let body = AskedBody {
        number,
        trailer: trailer.as_str().to_owned(),
        made_at: now.to_rfc3339(),
        until: until.to_rfc3339(),
        by: by.clone(),
        what: meant.kind.word().to_owned(),
        camera: meant.line.as_ref().map(|(camera, _)| camera.as_str().to_owned()),
        site: meant.line.as_ref().map(|(_, line)| line.site.0),
        line: meant.line.map(|(_, line)| line.line),
        resend: meant.resend,
    };
    let kind = meant.kind;
    let signed = signer.sign_as(ASKED_MAGIC, &body.to_bytes());
    if BYTES_MAX < signed.len() {
        return Err(AskError::Asked("the request is too long".to_owned()));
    }
    let entry = Entry::new(Who::caller(Some(&by)), "ask", "done").with("what", kind.word());
    Log::at(args.data.join("audit")).append(entry.with("trailer", trailer.as_str()).with("number", number))?;
    write_whole(&folder, &format!("{number}.asked"), &signed)?;
    writeln!(
        out,
        "request {number} ({}) waits for {} until {}; its answer comes as a notice",
        kind.word(),
        trailer.as_str(),
        until.to_rfc3339()
    )?;
    Ok(())
}

/// What is asked for, as the arguments say it.
struct Meant {
    kind: Kind,
    line: Option<(CameraId, LineMeant)>,
    resend: Option<Resend>,
}

impl Meant {
    /// What a trailer could only refuse is refused here.
    fn of(what: &AskWhat) -> Result<Self, AskError> {
        let refused = |why: String| Err(AskError::Asked(why));
        let bare = |kind| Self { kind, line: None, resend: None };
        Ok(match what {
            AskWhat::Health => bare(Kind::Health),
            AskWhat::TestAlert => bare(Kind::TestAlert),
            AskWhat::ConfirmLine { camera, site, line } => {
                let (line, max) = (line.trim(), PlaceLine::CHARS_MAX);
                if line.is_empty() || printable(line, max) != line {
                    return refused(format!("the line is empty, longer than {max} characters or can't be printed"));
                }
                let meant = LineMeant { site: SiteId(*site), line: line.to_owned() };
                Self { line: Some((CameraId::new(camera)?, meant)), ..bare(Kind::ConfirmLine) }
            }
            AskWhat::Resend { generation, from, to } => {
                let resend = Resend { generation: generation.clone(), from: *from, to: *to };
                if !is_right_range(&resend) {
                    return refused(format!("the range is empty, begins at 0 or is longer than {RESEND_MAX}"));
                }
                Self { resend: Some(resend), ..bare(Kind::Resend) }
            }
        })
    }
}

/// Numbers and paths of all requests to one trailer, answered ones too.
fn names(folder: &Path) -> Vec<(u64, PathBuf)> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries.filter_map(|entry| Some((entry.path().file_stem()?.to_str()?.parse().ok()?, entry.path()))).collect()
}

/// What waits for the trailer called `source`, oldest first, as it goes into an answer.
#[must_use]
pub fn waiting(data: &Path, source: &str, now: Utc) -> Vec<String> {
    let folder = data.join(FOLDER).join(crate::io::target::name_of(source));
    let mut found = names(&folder);
    found.retain(|(_, path)| path.extension().is_some_and(|end| end == "asked"));
    found.sort();
    // The newest of them: what nobody answered stays, and must not keep new ones out.
    let found = found.split_off(found.len().saturating_sub(LISTED_MAX));
    let signed = found.into_iter().filter_map(|(_, path)| read_short(&path)).filter(|signed| {
        let content = signed.splitn(2, |byte| *byte == b'\n').nth(1);
        let until = content.and_then(AskedBody::parse).and_then(|body| Utc::parse_rfc3339(&body.until));
        until.is_some_and(|until| now <= until)
    });
    signed.take(SENT_MAX).map(|signed| BASE64_STANDARD.encode(signed)).collect()
}

/// A file of at most the length that a request may have.
fn read_short(path: &Path) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    File::open(path).ok()?.take(BYTES_MAX as u64 + 1).read_to_end(&mut bytes).ok()?;
    (bytes.len() <= BYTES_MAX).then_some(bytes)
}

/// The part of a notice that names the request that it answers.
#[derive(Deserialize)]
struct Answers {
    asked: Option<u64>,
}

/// Numbers of the requests that these events answer.
#[must_use]
pub fn answered(events: &[Incoming]) -> Vec<u64> {
    let notice = |incoming: &Incoming| match incoming {
        Incoming::Good(event) if event.kind == EventKind::Notice => number_of(event),
        _ => None,
    };
    events.iter().filter_map(notice).collect()
}

fn number_of(event: &Event) -> Option<u64> {
    serde_json::from_str::<Answers>(&event.data).ok()?.asked
}

/// These requests need not be sent any more.
pub fn close(data: &Path, source: &str, numbers: &[u64]) {
    let folder = data.join(FOLDER).join(crate::io::target::name_of(source));
    for number in numbers {
        let from = folder.join(format!("{number}.asked"));
        // A number that is not ours, or one that is answered again, finds no file.
        if let Err(error) = std::fs::rename(&from, from.with_extension("done")) {
            tracing::debug!(%error, number, "an answer to no waiting request");
        }
    }
}
