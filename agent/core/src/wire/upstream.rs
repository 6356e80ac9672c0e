//! `pintle.health.v1` on its way to the receiver: the newest state of a trailer, cut to what a survey of many needs.
//!
//! It is no record but a state: it is not queued, has no number and no place in the ledger, and only the newest counts.
//! Decision 35.

use super::event::{DATA_CONTENT_TYPE, SPEC_VERSION};
use super::health::{FORMAT, HealthBody};
use super::health_link::{HitsBody, OutagesBody};
use super::told::{NotTold, Told};
use crate::ids::EventId;
use crate::moment::Utc;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

/// `CloudEvents` type; also the name of the format of its data.
pub const EVENT_TYPE: &str = FORMAT;
/// `$id` of the schema of its data.
pub const DATA_SCHEMA: &str = "urn:pintle:schema:health:v1";
/// What it is called within subjects and topics.
pub const WORD: &str = "health";
/// Data longer than this is none of ours, bytes (our own limit: the longest that this program writes has some 9 kB).
pub const BYTES_MAX: usize = 32 * 1024;
/// Needs that go up; the page at the trailer has them all (our own limit).
pub const NEEDS_MAX: usize = 8;
/// A text of a need is cut to this many characters (our own limit: two lines of a table).
const TEXT_MAX: usize = 160;

/// The envelope. It has neither sequence nor generation: the account of the queue does not know it.
#[derive(Serialize)]
struct Envelope<'a> {
    specversion: &'static str,
    id: String,
    source: &'a str,
    r#type: &'static str,
    time: &'a str,
    datacontenttype: &'static str,
    dataschema: &'static str,
    data: &'a HealthBody,
}

/// What of an envelope the receiver looks at.
#[derive(Deserialize)]
struct Seen<'a> {
    specversion: String,
    id: String,
    source: String,
    datacontenttype: String,
    #[serde(borrow)]
    data: &'a RawValue,
}

/// The state cut to what a survey needs, to be believed for `valid_s` seconds. It is still a `health.json`: sections,
/// place lines, former sites and changes are empty, and figures of the intake and the computer are absent.
#[must_use]
pub fn brief(body: &HealthBody, valid_s: u32) -> HealthBody {
    let mut brief = body.clone();
    if let Some(written) = body.written_at() {
        brief.valid_until = written.plus_ms(i64::from(valid_s) * 1000).to_rfc3339();
    }
    brief.needs.truncate(NEEDS_MAX);
    for need in &mut brief.needs {
        for text in [&mut need.what, &mut need.why, &mut need.how] {
            *text = crate::ids::printable(text, TEXT_MAX);
        }
    }
    // What they say that matters to many trailers, the needs say too.
    brief.sections.clear();
    // Where it stands is enough; on the way the newest fix is where it is.
    if brief.place.site.is_some() && brief.place.state != "underway" {
        brief.place.fix = None;
    }
    brief.place.former_sites.clear();
    brief.place.last_move = None;
    brief.place_lines.clear();
    // What the intake refuses is a need, too; the figures are for the trailer's own monitoring.
    brief.intake = None;
    brief.receiver.hit_latency_ms.clear();
    brief.changes.clear();
    // A lack of memory or a load that matters is a need; the figures of a good day are not worth the data plan.
    let computer = &mut brief.computer;
    (computer.load1, computer.memory_bytes, computer.memory_free_bytes, computer.own_bytes) = (None, None, None, None);
    (computer.clock_error_ms, computer.clock_jitter_ms, computer.uptime_s) = (None, None, None);
    brief.ready = None;
    // Whoever reads this was reached: how the way was is told by the finding; its figures stay at the trailer.
    let link = &mut brief.link;
    (link.rtt_ms, link.bytes_per_s, link.probe_bytes, link.test_alert) = (None, None, 0, None);
    (link.outages_month, link.hits) = (OutagesBody::default(), HitsBody::default());
    link.outages.clear();
    link.ladder = None;
    // A switch that matters is a need.
    brief.inputs.clear();
    brief
}

/// What makes a state worth sending before its time.
#[must_use]
pub fn gist(body: &HealthBody) -> Vec<String> {
    let needs = body.needs.iter().map(|need| format!("{}{}", need.code, need.urgency));
    let site = body.place.site.as_ref().map_or(0, |site| site.id);
    [body.life.clone(), body.word.clone(), format!("{}{site}", body.place.state)].into_iter().chain(needs).collect()
}

/// The event as it goes out.
///
/// # Errors
/// What the writer of JSON says.
pub fn encode(source: &str, id: EventId, body: &HealthBody) -> Result<Vec<u8>, serde_json::Error> {
    serde_json::to_vec(&Envelope {
        specversion: SPEC_VERSION,
        id: id.to_string(),
        source,
        r#type: EVENT_TYPE,
        time: &body.written,
        datacontenttype: DATA_CONTENT_TYPE,
        dataschema: DATA_SCHEMA,
        data: body,
    })
}

/// One that came.
#[derive(Clone, Debug)]
pub struct Came {
    /// Lower-case UUID.
    pub id: String,
    /// `data` byte for byte.
    pub data: String,
    /// The same, understood.
    pub body: Box<HealthBody>,
}

/// Looks into an event of the type [`EVENT_TYPE`] that came from `source`.
///
/// # Errors
/// The id if it has one, and what is wrong, one sentence without any value of the event.
pub fn parse(source: &str, text: &str) -> Result<Came, (Option<String>, String)> {
    let seen: Seen<'_> = serde_json::from_str(text).map_err(|error| {
        (None, format!("the event does not fit (line {}, column {})", error.line(), error.column()))
    })?;
    let named = EventId::parse(&seen.id).map(|id| id.to_string()).filter(|id| *id == seen.id);
    let bad = |problem: &str| (named.clone(), problem.to_owned());
    if named.is_none() {
        return Err(bad("id must be a UUID in lower case"));
    }
    if seen.specversion != SPEC_VERSION || seen.datacontenttype != DATA_CONTENT_TYPE {
        return Err(bad("specversion must be \"1.0\" and datacontenttype \"application/json\""));
    }
    if seen.source != source {
        return Err(bad("source must be the one that the header Pintle-Source names"));
    }
    let data = seen.data.get();
    if BYTES_MAX < data.len() {
        return Err(bad("data is longer than 32 kB, so it is no state of a trailer"));
    }
    let body = match Told::parse(data.as_bytes()) {
        Ok(Told::Health(body)) => body,
        Ok(Told::Public(_)) => return Err(bad("data is the public word; send the state")),
        Err(NotTold::OtherVersion { .. }) => return Err(bad("data has a version that this receiver does not know")),
        Err(NotTold::NotOurs { .. }) => return Err(bad("data is no state of a trailer")),
    };
    if Some(body.trailer.id.as_str()) != source.rsplit(':').next() {
        return Err(bad("data.trailer.id is not the trailer that source names"));
    }
    if body.written_at().is_none() || body.valid_until_at().is_none() {
        return Err(bad("data.written and data.valid_until must be RFC 3339 with an offset"));
    }
    Ok(Came { id: seen.id, data: data.to_owned(), body })
}

/// Whether the event `text` is one of these. Looks at its type only.
#[must_use]
pub fn is_one(text: &str) -> bool {
    #[derive(Deserialize)]
    struct Typed {
        r#type: String,
    }
    serde_json::from_str::<Typed>(text).is_ok_and(|typed| typed.r#type == EVENT_TYPE)
}

/// When the next state goes up: at a change, but not twice within a short time, and otherwise now and then. After a
/// failure the pause doubles. Only ever the newest goes, so an outage leaves nothing behind.
#[derive(Clone, Debug)]
pub struct Pace {
    every_ms: u64,
    sent: Option<(u64, Vec<String>)>,
    failures: u32,
    not_before: u64,
}

/// Two states are at least this far apart, ms (our own choice: a flapping need must not use up the data plan).
pub const APART_MS: u64 = 10_000;
/// First pause after a failure, ms (our own choice).
const RETRY_MS: u64 = 5_000;

impl Pace {
    /// A state goes up at least every `every_ms`.
    #[must_use]
    pub fn new(every_ms: u64) -> Self {
        Self { every_ms, sent: None, failures: 0, not_before: 0 }
    }

    /// Whether a state with this gist should go now. `now_ms` is the boot-time clock.
    #[must_use]
    pub fn is_due(&self, gist: &[String], now_ms: u64) -> bool {
        if now_ms < self.not_before {
            return false;
        }
        match &self.sent {
            None => true,
            Some((at, told)) => {
                let ago_ms = now_ms.saturating_sub(*at);
                self.every_ms <= ago_ms || (APART_MS <= ago_ms && told != gist)
            }
        }
    }

    /// It arrived.
    pub fn went(&mut self, gist: Vec<String>, now_ms: u64) {
        self.sent = Some((now_ms, gist));
        self.failures = 0;
        self.not_before = 0;
    }

    /// It did not; `least_ms`: nothing is tried for at least so long.
    pub fn failed(&mut self, least_ms: u64, now_ms: u64) {
        let pause_ms = (RETRY_MS << self.failures.min(10)).min(self.every_ms.max(RETRY_MS));
        self.failures = self.failures.saturating_add(1);
        self.not_before = now_ms.saturating_add(pause_ms.max(least_ms));
    }
}

/// The age of `received_at` in words of a need: "no word from Heron 3 for 17 min".
#[must_use]
pub fn no_word(label: &str, received_at: Utc, now: Utc) -> String {
    let silent_ms = u64::try_from(now.since_ms(received_at)).unwrap_or(0);
    format!("No word from {} for {}.", crate::ids::printable(label, 60), crate::health::wording::span(silent_ms))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::health::{Memory, snapshot};
    use crate::sim::scene::Scene;

    const SOURCE: &str = "urn:pintle:trailer:heron-3";

    fn body(scene: &Scene) -> HealthBody {
        let told = snapshot(&scene.observations(), &mut Memory::default());
        let mut body = HealthBody::new(&scene.observations(), &told, 7);
        "heron-3".clone_into(&mut body.trailer.id);
        body
    }

    #[test]
    fn brief_state_is_read_back_and_says_the_same_to_a_survey() {
        let whole = body(&Scene::after_tow());
        let brief = brief(&whole, 900);
        let bytes = encode(SOURCE, EventId([7; 16]), &brief).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        assert!(is_one(&text));
        let came = parse(SOURCE, &text).unwrap();
        assert_eq!((came.body.word.as_str(), came.body.needs.len()), ("act", whole.needs.len()));
        assert_eq!(came.body.place.site, whole.place.site);
        assert_eq!(gist(&came.body), gist(&whole));
        let lasts_ms = came.body.valid_until_at().unwrap().since_ms(came.body.written_at().unwrap());
        assert_eq!(lasts_ms, 900_000);
    }

    #[test]
    fn state_of_another_trailer_or_version_or_none_at_all_is_refused_without_a_value() {
        let good = String::from_utf8(encode(SOURCE, EventId([7; 16]), &body(&Scene::standing())).unwrap()).unwrap();
        for (from, to, why) in [
            ("\"id\":\"heron-3\"", "\"id\":\"heron-4\"", "not the trailer"),
            ("\"format\":\"pintle.health.v1\"", "\"format\":\"pintle.health.v9\"", "version"),
            ("\"format\":\"pintle.health.v1\"", "\"format\":\"QX77\"", "no state"),
            ("\"specversion\":\"1.0\"", "\"specversion\":\"2\"", "specversion"),
            ("\"source\":\"urn:pintle:trailer:heron-3\"", "\"source\":\"urn:pintle:trailer:x\"", "source must"),
            ("\"written\":\"2", "\"written\":\"x", "written"),
        ] {
            let bad = good.replacen(from, to, 1);
            assert_ne!(bad, good, "{from}");
            let (id, problem) = parse(SOURCE, &bad).unwrap_err();
            assert!(id.is_some() && problem.contains(why) && !problem.contains("QX77"), "{problem}");
        }
        assert!(!is_one("{\"type\":\"pintle.read.v1\"}") && !is_one("[]"));
    }

    #[test]
    fn change_goes_soon_and_the_rest_now_and_then_and_failures_wait_longer() {
        let (a, b) = (vec!["a".to_owned()], vec!["b".to_owned()]);
        let mut pace = Pace::new(300_000);
        assert!(pace.is_due(&a, 0), "the first goes at once");
        pace.went(a.clone(), 0);
        assert!(!pace.is_due(&a, 299_999) && pace.is_due(&a, 300_000));
        assert!(!pace.is_due(&b, APART_MS - 1) && pace.is_due(&b, APART_MS));
        pace.failed(0, 20_000);
        assert!(!pace.is_due(&b, 24_999) && pace.is_due(&b, 25_000));
        pace.failed(0, 25_000);
        assert!(!pace.is_due(&b, 34_999) && pace.is_due(&b, 35_000));
        pace.failed(3_600_000, 35_000);
        assert!(!pace.is_due(&b, 3_000_000), "a receiver that does not know it is left alone");
    }
}
