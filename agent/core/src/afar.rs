//! Requests that the agency sends along with its receipts: which are heard, and what is answered. Pure; the signature
//! is checked before, by whoever holds the keys.
//!
//! A trailer behind a carrier's address translation can't be called. What it is asked comes with the answers to its own
//! sends, is signed by the agency, and is one of a few harmless things that the owner has allowed.

use crate::ids::{CameraId, TrailerId, printable};
use crate::moment::{Moment, Utc};
use crate::wire::asked::{AskedBody, WHAT_CONFIRM, WHAT_HEALTH, WHAT_RESEND, WHAT_TEST};
use crate::wire::receipt::Resend;

/// A request is carried out within so long after it was made, ms, at most (our own limit: a trailer that was cut off
/// for longer gets it anew from a person who knows more by then).
pub const VALID_MS_MAX: i64 = 7 * 86_400_000;
/// The trailer's clock may be behind the agency's by so much, ms (our own limit).
pub const AHEAD_MS_MAX: i64 = 600_000;
/// Longest signed request, bytes.
pub const BYTES_MAX: usize = 4096;
/// Longest name of the person who asks, characters: with "(from afar)" behind it, it must fit where a name goes.
const BY_CHARS_MAX: usize = 60;
/// Most numbers that one request may ask for again (our own limit: a day of a busy trailer).
const RESEND_MAX: u64 = 100_000;

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
    /// Confirm this camera's place line.
    ConfirmLine(CameraId),
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

/// Why a request that is signed rightly is not carried out.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// It can't be read.
    #[error("it can't be read")]
    Form,
    /// It is for another trailer.
    #[error("it is for another trailer")]
    OtherTrailer,
    /// Its number was heard before.
    #[error("its number was heard before")]
    Repeated,
    /// Its time has passed.
    #[error("its time has passed")]
    Expired,
    /// It claims to be valid for too long.
    #[error("it claims to be valid for over seven days")]
    TooLong,
    /// It was made in the future, or nobody knows what time it is; it may be right later.
    #[error("the trailer's clock can't judge it yet")]
    Later,
    /// The owner has not allowed it.
    #[error("the configuration of the trailer does not allow it")]
    NotAllowed,
}

impl Refusal {
    /// True if the number is used up by it, so that it is told once and not heard again.
    #[must_use]
    pub fn is_final(&self) -> bool {
        !matches!(self, Self::Repeated | Self::Later | Self::OtherTrailer | Self::Form)
    }
}

/// Judges the content of a request whose signature was found right. `heard` is the highest number heard so far. Answers
/// the number, if it has one, beside the refusal.
///
/// # Errors
/// [`Refusal`]
pub fn judge(
    content: &[u8],
    trailer: &TrailerId,
    cameras: &[CameraId],
    allowed: &[Kind],
    heard: u64,
    now: &Moment,
) -> Result<Request, (Option<u64>, Refusal)> {
    if BYTES_MAX < content.len() {
        return Err((None, Refusal::Form));
    }
    let body = AskedBody::parse(content).ok_or((None, Refusal::Form))?;
    let refused = |refusal: Refusal| (Some(body.number), refusal);
    if body.trailer != trailer.as_str() {
        return Err(refused(Refusal::OtherTrailer));
    }
    if body.number <= heard {
        return Err(refused(Refusal::Repeated));
    }
    let times = (Utc::parse_rfc3339(&body.made_at), Utc::parse_rfc3339(&body.until));
    let (Some(made), Some(until)) = times else { return Err(refused(Refusal::Form)) };
    if VALID_MS_MAX < until.since_ms(made) || until < made {
        return Err(refused(Refusal::TooLong));
    }
    if !now.utc_trust.is_trusted() || AHEAD_MS_MAX < made.since_ms(now.utc) {
        return Err(refused(Refusal::Later));
    }
    if until < now.utc {
        return Err(refused(Refusal::Expired));
    }
    let kind = Kind::of_word(&body.what).ok_or(refused(Refusal::NotAllowed))?;
    if !allowed.contains(&kind) {
        return Err(refused(Refusal::NotAllowed));
    }
    let wanted = match kind {
        Kind::Health => Wanted::Health,
        Kind::TestAlert => Wanted::TestAlert,
        Kind::ConfirmLine => {
            let camera = body.camera.as_deref().and_then(|name| CameraId::new(name).ok());
            let known = camera.filter(|camera| cameras.contains(camera));
            Wanted::ConfirmLine(known.ok_or(refused(Refusal::Form))?)
        }
        Kind::Resend => {
            let asked = body.resend.clone().filter(|one| one.from <= one.to && one.to - one.from < RESEND_MAX);
            Wanted::Resend(asked.ok_or(refused(Refusal::Form))?)
        }
    };
    Ok(Request { number: body.number, by: printable(&body.by, BY_CHARS_MAX), wanted })
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
            resend: None,
        };
        change(&mut body);
        body.to_bytes()
    }

    fn judged(content: &[u8], allowed: &[Kind], heard: u64, trust: UtcTrust) -> Result<Request, Refusal> {
        let now = Moment { mono: Mono(5), utc: Utc(T + 60_000), utc_trust: trust };
        let cameras = [CameraId::new("north").unwrap()];
        judge(content, &TrailerId::new("heron-3").unwrap(), &cameras, allowed, heard, &now).map_err(|(_, why)| why)
    }

    fn usual(content: &[u8]) -> Result<Request, Refusal> {
        judged(content, &Kind::ALL, 6, UtcTrust::Gps)
    }

    #[test]
    fn what_is_allowed_new_and_in_time_is_carried_out() {
        let request = usual(&body(|_| {})).unwrap();
        assert_eq!(request.wanted, Wanted::ConfirmLine(CameraId::new("north").unwrap()));
        assert_eq!((request.number, request.by.as_str()), (7, "technician 7"));
        assert_eq!(usual(&body(|body| body.what = "health".to_owned())).unwrap().wanted, Wanted::Health);
        assert_eq!(usual(&body(|body| body.what = "test-alert".to_owned())).unwrap().wanted, Wanted::TestAlert);
        let again = Resend { generation: "g".to_owned(), from: 3, to: 9 };
        let asked = body(|body| (body.what, body.resend) = ("resend".to_owned(), Some(again.clone())));
        assert_eq!(usual(&asked).unwrap().wanted, Wanted::Resend(again));
    }

    #[test]
    fn everything_else_is_refused_with_its_reason() {
        let cases: [(Vec<u8>, Refusal); 12] = [
            (b"{".to_vec(), Refusal::Form),
            (vec![b' '; BYTES_MAX + 1], Refusal::Form),
            (body(|body| body.trailer = "heron-4".to_owned()), Refusal::OtherTrailer),
            (body(|body| body.number = 6), Refusal::Repeated),
            (body(|body| body.made_at = "yesterday".to_owned()), Refusal::Form),
            (body(|body| body.until = Utc(T + 8 * 86_400_000).to_rfc3339()), Refusal::TooLong),
            (body(|body| body.until = Utc(T - 1).to_rfc3339()), Refusal::TooLong),
            (body(|body| body.until = Utc(T + 59_000).to_rfc3339()), Refusal::Expired),
            (body(|body| body.made_at = Utc(T + 700_000).to_rfc3339()), Refusal::Later),
            (body(|body| body.what = "reboot".to_owned()), Refusal::NotAllowed),
            (body(|body| body.camera = Some("south".to_owned())), Refusal::Form),
            (body(|body| body.what = "resend".to_owned()), Refusal::Form),
        ];
        for (content, refusal) in cases {
            assert_eq!(usual(&content), Err(refusal));
        }
        // Off unless the owner says so, and never by a clock that nobody trusts.
        assert_eq!(judged(&body(|_| {}), &[], 6, UtcTrust::Gps), Err(Refusal::NotAllowed));
        assert_eq!(judged(&body(|_| {}), &[Kind::Health], 6, UtcTrust::Gps), Err(Refusal::NotAllowed));
        assert_eq!(judged(&body(|_| {}), &Kind::ALL, 6, UtcTrust::Unset), Err(Refusal::Later));
        let wild = Resend { generation: "g".to_owned(), from: 1, to: u64::MAX };
        let asked = body(|body| (body.what, body.resend) = ("resend".to_owned(), Some(wild.clone())));
        assert_eq!(usual(&asked), Err(Refusal::Form));
    }

    #[test]
    fn only_what_can_never_become_right_uses_its_number_up() {
        assert!([Refusal::Expired, Refusal::TooLong, Refusal::NotAllowed].iter().all(Refusal::is_final));
        let open = [Refusal::Repeated, Refusal::Later, Refusal::OtherTrailer, Refusal::Form];
        assert!(!open.iter().any(Refusal::is_final));
    }
}
