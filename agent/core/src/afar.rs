//! Requests that the agency sends along with its receipts: which are heard, and what is answered. Pure; the signature
//! is checked before, by whoever holds the keys.
//!
//! A trailer behind a carrier's address translation can't be called. What it is asked comes with the answers to its own
//! sends, is signed by the agency, and is one of a few harmless things that the owner has allowed.

mod heard;

pub use heard::Heard;

use crate::ids::{CameraId, SiteId, TrailerId, printable};
use crate::moment::{Moment, Utc};
use crate::position::places::{LineMeant, PlaceLine};
use crate::wire::asked::{AskedBody, AskedHead, WHAT_CONFIRM, WHAT_HEALTH, WHAT_RESEND, WHAT_TEST};
use crate::wire::receipt::Resend;

/// A request is carried out within so long after it was made, ms, at most (our own limit: a trailer that was cut off
/// for longer gets it anew from a person who knows more by then).
pub const VALID_MS_MAX: i64 = 7 * 86_400_000;
/// The trailer's clock may be behind the agency's by so much, ms (our own limit).
pub const AHEAD_MS_MAX: i64 = 600_000;
/// Longest signed request, bytes.
pub const BYTES_MAX: usize = 4096;
/// Longest signed request as it comes, characters of base64.
pub const CHARS_MAX: usize = 2 * BYTES_MAX;
/// Requests of one answer that are looked at (our own limit; the receiver sends fewer).
pub const ASKED_MAX: usize = 16;
/// Longest name of the person who asks, characters: with "(from afar)" behind it, it must fit where a name goes.
const BY_CHARS_MAX: usize = 60;
/// Most numbers that one request may ask for again (our own limit: a day of a busy trailer).
pub const RESEND_MAX: u64 = 100_000;

/// The things that may be asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// Send the state of health now.
    Health,
    /// Confirm a camera's place line for the present site.
    ConfirmLine,
    /// Send a test alert through the real way.
    TestAlert,
    /// Send a range of events once more.
    Resend,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Health, Self::ConfirmLine, Self::TestAlert, Self::Resend];

    /// The word in configuration, requests and audit.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Health => WHAT_HEALTH,
            Self::ConfirmLine => WHAT_CONFIRM,
            Self::TestAlert => WHAT_TEST,
            Self::Resend => WHAT_RESEND,
        }
    }

    /// The kind with that word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// What is asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// Send the state of health now.
    Health,
    /// Confirm this camera's place line, if it is this one at this site.
    ConfirmLine(CameraId, LineMeant),
    /// Send a test alert.
    TestAlert,
    /// Send these once more.
    Resend(Resend),
}

/// A request that is to be carried out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Request {
    /// Its number; each is carried out once.
    pub number: u64,
    /// Who asks, as the agency wrote it.
    pub by: String,
    /// What.
    pub wanted: Wanted,
}

/// Why a request that is signed rightly is not carried out. None of the texts repeats what stood in it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Not even its number and its trailer can be read.
    #[error("it can't be read")]
    Unreadable,
    /// It is for another trailer.
    #[error("it is for another trailer")]
    OtherTrailer,
    /// Its number was heard before.
    #[error("its number was heard before")]
    Repeated,
    /// It was made in the future, or nobody knows what time it is; it may be right later.
    #[error("the trailer's clock can't judge it yet")]
    Later,
    /// A field is missing, not known or of the wrong kind.
    #[error(
        "a field of it is missing, unknown or of the wrong kind; make it with a `pintle receive ask` of this version"
    )]
    Form,
    /// Its times can't be read, or contradict each other.
    #[error("its times can't be read, or it ends before it begins")]
    Times,
    /// Its time has passed.
    #[error("its time has passed")]
    Expired,
    /// It claims to be valid for too long.
    #[error("it claims to be valid for over seven days")]
    TooLong,
    /// It was made before the trailer's count of requests began: nobody can say any more whether it was carried out.
    #[error("it was made before the trailer began to count requests, so it may have been carried out before; ask anew")]
    TooOld,
    /// It does not say who asks.
    #[error("it does not say who asks")]
    Nobody,
    /// There is no such verb.
    #[error("this trailer knows no such request; it knows health, confirm-line, test-alert and resend")]
    UnknownVerb,
    /// The owner has not allowed it.
    #[error("the configuration of the trailer does not allow it")]
    NotAllowed,
    /// There is no such camera.
    #[error("there is no such camera on this trailer; its health files name them")]
    UnknownCamera,
    /// It does not say for which site and which line; so the form of an earlier version.
    #[error("it names no site and no line, so it can't be told for which place it was meant; ask anew with both")]
    NoSite,
    /// The range is empty or too long.
    #[error("its range of numbers is empty, begins at 0 or is longer than {RESEND_MAX}")]
    BadRange,
}

impl Refusal {
    /// True if the number is used up by it, so that it is told once and not heard again.
    #[must_use]
    pub fn is_final(&self) -> bool {
        !matches!(self, Self::Repeated | Self::Later | Self::OtherTrailer | Self::Unreadable)
    }
}

/// The trailer that is asked.
#[derive(Clone, Copy, Debug)]
pub struct Here<'a> {
    /// Which one.
    pub trailer: &'a TrailerId,
    /// Its cameras.
    pub cameras: &'a [CameraId],
    /// What its owner allows.
    pub allowed: &'a [Kind],
}

/// Whether a range may be asked for.
#[must_use]
pub fn is_right_range(range: &Resend) -> bool {
    0 < range.from && range.from <= range.to && range.to - range.from < RESEND_MAX
}

/// What came with an answer, cut to what is looked at: a receiver may send anything.
#[must_use]
pub fn bounded(asked: Vec<String>) -> Vec<String> {
    let cut = |one: String| if one.len() <= CHARS_MAX { one } else { String::new() };
    asked.into_iter().take(ASKED_MAX).map(cut).collect()
}

/// The number of a request whose signature was found right; `None` if it can't be read.
#[must_use]
pub fn number_of(content: &[u8]) -> Option<u64> {
    AskedHead::parse(content).map(|head| head.number)
}

/// Judges the content of a request whose signature was found right. `heard` is the highest number heard so far of this
/// key, `since` the time from which on numbers were counted. Answers the number, if it has one, beside the refusal.
///
/// # Errors
/// [`Refusal`]
pub fn judge(
    content: &[u8],
    here: &Here<'_>,
    heard: u64,
    since: Option<Utc>,
    now: &Moment,
) -> Result<Request, (Option<u64>, Refusal)> {
    let short = content.len() <= BYTES_MAX;
    let head = AskedHead::parse(content).filter(|_| short).ok_or((None, Refusal::Unreadable))?;
    let refused = |refusal: Refusal| (Some(head.number), refusal);
    if head.trailer != here.trailer.as_str() {
        return Err(refused(Refusal::OtherTrailer));
    }
    if head.number <= heard {
        return Err(refused(Refusal::Repeated));
    }
    let body = AskedBody::parse(content).ok_or(refused(Refusal::Form))?;
    let times = Utc::parse_rfc3339(&body.made_at).zip(Utc::parse_rfc3339(&body.until));
    let (made, until) = times.filter(|(made, until)| made <= until).ok_or(refused(Refusal::Times))?;
    if VALID_MS_MAX < until.since_ms(made) {
        return Err(refused(Refusal::TooLong));
    }
    let since = since.filter(|_| now.utc_trust.is_trusted()).ok_or(refused(Refusal::Later))?;
    if AHEAD_MS_MAX < made.since_ms(now.utc) {
        return Err(refused(Refusal::Later));
    }
    if until < now.utc {
        return Err(refused(Refusal::Expired));
    }
    if made < since {
        return Err(refused(Refusal::TooOld));
    }
    let wanted = wanted(&body, here).map_err(refused)?;
    if body.by.trim().is_empty() {
        return Err(refused(Refusal::Nobody));
    }
    Ok(Request { number: body.number, by: printable(&body.by, BY_CHARS_MAX), wanted })
}

fn wanted(body: &AskedBody, here: &Here<'_>) -> Result<Wanted, Refusal> {
    let kind = Kind::of_word(&body.what).ok_or(Refusal::UnknownVerb)?;
    if !here.allowed.contains(&kind) {
        return Err(Refusal::NotAllowed);
    }
    match kind {
        Kind::Health => Ok(Wanted::Health),
        Kind::TestAlert => Ok(Wanted::TestAlert),
        Kind::ConfirmLine => {
            let camera = body.camera.as_deref().and_then(|name| CameraId::new(name).ok());
            let camera = camera.filter(|camera| here.cameras.contains(camera)).ok_or(Refusal::UnknownCamera)?;
            let line = body.line.clone().filter(|line| line.chars().count() <= PlaceLine::CHARS_MAX);
            let (site, line) = body.site.zip(line).ok_or(Refusal::NoSite)?;
            Ok(Wanted::ConfirmLine(camera, LineMeant { site: SiteId(site), line }))
        }
        Kind::Resend => body.resend.clone().filter(is_right_range).map(Wanted::Resend).ok_or(Refusal::BadRange),
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::moment::{Mono, UtcTrust};

    const T: i64 = 1_795_608_000_000;

    fn body(change: impl Fn(&mut AskedBody)) -> Vec<u8> {
        let mut body = AskedBody {
            number: 7,
            trailer: "heron-3".to_owned(),
            made_at: Utc(T).to_rfc3339(),
            until: Utc(T + 86_400_000).to_rfc3339(),
            by: "technician 7".to_owned(),
            what: "confirm-line".to_owned(),
            camera: Some("north".to_owned()),
            site: Some(4),
            line: Some("Quernstone Road, northbound".to_owned()),
            resend: None,
        };
        change(&mut body);
        body.to_bytes()
    }

    fn told(
        content: &[u8],
        allowed: &[Kind],
        since: Option<Utc>,
        trust: UtcTrust,
    ) -> Result<Request, (Option<u64>, Refusal)> {
        let now = Moment { mono: Mono(5), utc: Utc(T + 60_000), utc_trust: trust };
        let (trailer, cameras) = (TrailerId::new("heron-3").unwrap(), [CameraId::new("north").unwrap()]);
        judge(content, &Here { trailer: &trailer, cameras: &cameras, allowed }, 6, since, &now)
    }

    fn judged(content: &[u8], allowed: &[Kind], since: Option<Utc>, trust: UtcTrust) -> Result<Request, Refusal> {
        told(content, allowed, since, trust).map_err(|(_, why)| why)
    }

    fn usual(content: &[u8]) -> Result<Request, Refusal> {
        judged(content, &Kind::ALL, Some(Utc(T)), UtcTrust::Gps)
    }

    #[test]
    fn what_is_allowed_new_and_in_time_is_carried_out() {
        let request = usual(&body(|_| {})).unwrap();
        let line = LineMeant { site: SiteId(4), line: "Quernstone Road, northbound".to_owned() };
        assert_eq!(request.wanted, Wanted::ConfirmLine(CameraId::new("north").unwrap(), line));
        assert_eq!((request.number, request.by.as_str()), (7, "technician 7"));
        assert_eq!(usual(&body(|body| body.what = "health".to_owned())).unwrap().wanted, Wanted::Health);
        assert_eq!(usual(&body(|body| body.what = "test-alert".to_owned())).unwrap().wanted, Wanted::TestAlert);
        let again = Resend { generation: "g".to_owned(), from: 3, to: 9 };
        let asked = body(|body| (body.what, body.resend) = ("resend".to_owned(), Some(again.clone())));
        assert_eq!(usual(&asked).unwrap().wanted, Wanted::Resend(again));
    }

    #[test]
    fn everything_else_is_refused_with_its_reason() {
        let long = |body: &mut AskedBody| body.by = "x".repeat(BYTES_MAX);
        let cases: [(Vec<u8>, Refusal); 19] = [
            (b"{".to_vec(), Refusal::Unreadable),
            (body(long), Refusal::Unreadable),
            (br#"{"number":7.5,"trailer":"heron-3"}"#.to_vec(), Refusal::Unreadable),
            (br#"{"number":7,"number":8,"trailer":"heron-3"}"#.to_vec(), Refusal::Unreadable),
            (br#"{"number":7,"trailer":"heron-3"}"#.to_vec(), Refusal::Form),
            (body(|body| body.trailer = "heron-4".to_owned()), Refusal::OtherTrailer),
            (body(|body| body.number = 6), Refusal::Repeated),
            (body(|body| body.made_at = "yesterday".to_owned()), Refusal::Times),
            (body(|body| body.until = Utc(T - 1).to_rfc3339()), Refusal::Times),
            (body(|body| body.until = Utc(T + 8 * 86_400_000).to_rfc3339()), Refusal::TooLong),
            (body(|body| body.until = Utc(T + 59_000).to_rfc3339()), Refusal::Expired),
            (body(|body| body.made_at = Utc(T + 700_000).to_rfc3339()), Refusal::Later),
            (body(|body| body.made_at = Utc(T - 1).to_rfc3339()), Refusal::TooOld),
            (body(|body| body.by = " ".to_owned()), Refusal::Nobody),
            (body(|body| body.what = "reboot".to_owned()), Refusal::UnknownVerb),
            (body(|body| body.camera = Some("south".to_owned())), Refusal::UnknownCamera),
            // As an earlier version asked.
            (body(|body| (body.site, body.line) = (None, None)), Refusal::NoSite),
            (body(|body| body.line = None), Refusal::NoSite),
            (body(|body| body.what = "resend".to_owned()), Refusal::BadRange),
        ];
        for (content, refusal) in cases {
            assert_eq!(usual(&content), Err(refusal));
        }
        // Off unless the owner says so.
        assert_eq!(judged(&body(|_| {}), &[], Some(Utc(T)), UtcTrust::Gps), Err(Refusal::NotAllowed));
        assert_eq!(judged(&body(|_| {}), &[Kind::Health], Some(Utc(T)), UtcTrust::Gps), Err(Refusal::NotAllowed));
        for (from, to) in [(1, u64::MAX), (9, 3), (0, 3), (1, RESEND_MAX + 1)] {
            let wild = Resend { generation: "g".to_owned(), from, to };
            let asked = body(|body| (body.what, body.resend) = ("resend".to_owned(), Some(wild.clone())));
            assert_eq!(usual(&asked), Err(Refusal::BadRange), "{from} to {to}");
        }
    }

    #[test]
    fn nothing_is_carried_out_or_called_expired_by_a_clock_that_nobody_trusts() {
        let old = body(|body| body.until = Utc(T + 1).to_rfc3339());
        for content in [body(|_| {}), old] {
            assert_eq!(judged(&content, &Kind::ALL, Some(Utc(T)), UtcTrust::Unset), Err(Refusal::Later));
            // Trusted, but when the count began nobody has said yet.
            assert_eq!(judged(&content, &Kind::ALL, None, UtcTrust::Gps), Err(Refusal::Later));
        }
    }

    #[test]
    fn a_request_of_a_later_version_is_refused_under_its_number() {
        let mut later: serde_json::Value = serde_json::from_slice(&body(|_| {})).unwrap();
        later["colour"] = "grey".into();
        let told = told(later.to_string().as_bytes(), &Kind::ALL, Some(Utc(T)), UtcTrust::Gps);
        assert_eq!(told, Err((Some(7), Refusal::Form)));
    }

    #[test]
    fn only_what_may_be_right_later_or_has_no_number_here_leaves_its_number() {
        use Refusal::{
            BadRange, Expired, Form, Later, NoSite, Nobody, NotAllowed, OtherTrailer, Repeated, Times, TooLong, TooOld,
            UnknownCamera, UnknownVerb, Unreadable,
        };
        let closed =
            [Form, Times, Expired, TooLong, TooOld, Nobody, UnknownVerb, NotAllowed, UnknownCamera, NoSite, BadRange];
        assert!(closed.iter().all(Refusal::is_final));
        assert!(![Repeated, Later, OtherTrailer, Unreadable].iter().any(Refusal::is_final));
    }

    #[test]
    fn no_reason_repeats_what_stood_in_the_request() {
        let word = "QXT4417";
        let changes: [fn(&mut AskedBody); 3] = [
            |body| body.what = "QXT4417".to_owned(),
            |body| body.camera = Some("QXT4417".to_owned()),
            |body| body.made_at = "QXT4417".to_owned(),
        ];
        for change in changes {
            let why = usual(&body(change)).unwrap_err();
            assert!(why.is_final() && !why.to_string().contains(word), "{why}");
        }
    }

    #[test]
    fn what_a_receiver_sends_is_cut_before_it_is_kept() {
        let mut asked = vec!["x".repeat(2 << 20), "y".repeat(CHARS_MAX)];
        asked.extend(std::iter::repeat_n("z".to_owned(), 100_000));
        let kept = bounded(asked);
        assert_eq!((kept.len(), kept[0].len(), kept[1].len()), (ASKED_MAX, 0, CHARS_MAX));
    }
}
