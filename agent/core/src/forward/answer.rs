//! What an answer means for each event of a batch. Whatever is in doubt is not delivered: sending twice costs little,
//! because the receiver knows repeats by (`source`, `id`); believing a stranger's answer costs the event.

use super::retry_after::wait_ms;
use super::wording;
use crate::ids::{EventId, printable};
use crate::moment::Utc;
use crate::wire::read_out::secret_words;
use crate::wire::receipt::{Receipt, ReceiptBody, ReceiptResult, Resend};
use std::collections::HashMap;

/// One event of the batch that was sent. No `Debug`: the body holds the plate.
#[derive(Clone, Copy)]
pub struct Sent<'a> {
    /// Its number.
    pub sequence: u64,
    /// Its id.
    pub id: EventId,
    /// JSON as accepted; asked for the words that an answer may not carry into our files.
    pub body: &'a [u8],
}

/// What counts as delivered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Proof {
    /// A receipt for each event.
    Receipts,
    /// Status 200, 201, 202 or 204.
    Status,
}

/// An HTTP answer, read to its end.
#[derive(Clone, Copy)]
pub struct HttpAnswer<'a> {
    /// Status code.
    pub status: u16,
    /// `Content-Type`, if any.
    pub content_type: Option<&'a str>,
    /// `Retry-After`, if any.
    pub retry_after: Option<&'a str>,
    /// `Date`, if any.
    pub date: Option<&'a str>,
    /// The body, cut at a limit that receipts can't reach.
    pub body: &'a [u8],
}

/// Why there was no answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoAnswer {
    /// The name in the address could not be resolved.
    Name,
    /// No route, network down, host unreachable: there is no connection.
    Unreachable,
    /// The host is there and refuses the connection.
    Refused,
    /// No connection in time.
    ConnectTimeout,
    /// Connected, but no whole answer in time.
    AnswerTimeout,
    /// The connection broke before the whole answer was there.
    Broken,
    /// The certificate is past its end (by the trailer's clock).
    CertificateExpired,
    /// The certificate is not valid yet (by the trailer's clock).
    CertificateNotYetValid,
    /// The certificate is for another name.
    CertificateName,
    /// The certificate is signed by nobody whom the trailer trusts.
    CertificateAuthority,
    /// The receiver refused the trailer's certificate or wants one.
    ClientCertificate,
    /// Any other failure of TLS.
    Tls,
    /// The answer is no HTTP, or longer than any receipt can be.
    NotHttp,
    /// A file that the request needs (token, certificate, key) can't be used.
    OwnFile,
    /// The broker does not let this trailer in.
    NotLetIn,
    /// The broker has let this trailer in and refuses it a right that it needs.
    NoRight,
    /// The broker has nothing that keeps what is sent to it (no stream for the subject).
    NoStream,
    /// The broker or its stream has no room.
    BrokerFull,
    /// The courier's folder is not there: the stick is not plugged in, or is no stick of ours.
    NoFolder,
    /// The courier's folder has no room.
    FolderFull,
    /// The courier's folder broke off: the stick was pulled, or fails.
    FolderBroken,
}

/// What a broker, or the courier's folder, says of one event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ack {
    /// It has it, by its own word durably.
    Taken,
    /// Not, or nobody knows.
    Not(NoAnswer),
    /// It will never take an event of this size.
    TooLarge,
}

impl NoAnswer {
    /// Whether it is sure that no byte of an event has left this host: there was no connection to write one to.
    #[must_use]
    pub fn nothing_left(self) -> bool {
        match self {
            Self::Name
            | Self::Unreachable
            | Self::Refused
            | Self::ConnectTimeout
            | Self::CertificateExpired
            | Self::CertificateNotYetValid
            | Self::CertificateName
            | Self::CertificateAuthority
            | Self::OwnFile
            | Self::NotLetIn
            | Self::NoFolder => true,
            Self::AnswerTimeout
            | Self::Broken
            | Self::ClientCertificate
            | Self::Tls
            | Self::NotHttp
            | Self::NoRight
            | Self::NoStream
            | Self::BrokerFull
            | Self::FolderFull
            | Self::FolderBroken => false,
        }
    }
}

/// What came back for a batch.
#[derive(Clone, Copy)]
pub enum Reply<'a> {
    /// An answer.
    Http(HttpAnswer<'a>),
    /// A broker's word on each event, in the order sent.
    Acks(&'a [Ack]),
    /// None.
    None(NoAnswer),
}

/// What an answer says of one event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Item {
    /// Durable at the receiver.
    Delivered,
    /// Durable at a broker or on the courier's stick; the receipt comes later, by itself.
    HandedOver,
    /// Never to be sent again; the text is the receiver's, without plates, at most 500 characters.
    Refused(String),
    /// Not delivered: no receipt, "later", or a receipt that contradicts itself. It rests while others go on.
    PutOff,
    /// Not delivered, for no fault of its own: it goes again with the next.
    Again,
}

/// Whose outage a failed try points at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Whose {
    /// Could be either.
    #[default]
    Unknown,
    /// The receiver answered for itself (refused the connection, said 5xx or 429).
    Receivers,
    /// Our own link.
    Ours,
}

/// How long to leave the receiver alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pause {
    /// As the back-off says.
    BackOff,
    /// A person has to act: a longer back-off.
    Long,
    /// The receiver said how long, ms, not yet capped.
    Asked(u64),
}

/// What an answer means for the batch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The receiver spoke of the events one by one.
    Items {
        /// One for each event, in the order sent.
        items: Vec<Item>,
        /// What is wrong with the answer, if anything.
        trouble: Option<String>,
        /// What the receiver asks for again.
        resend: Vec<Resend>,
        /// Signed requests of people at the agency, base64, not checked yet.
        asked: Vec<String>,
        /// How long it asks to wait, ms, not yet capped.
        asked_ms: Option<u64>,
    },
    /// Nothing was taken, perhaps because of one event: try with fewer.
    Smaller {
        /// What was answered and what to do.
        trouble: String,
        /// What to write beside an event that is refused alone.
        alone: String,
        /// True if the size of the request is the reason.
        too_large: bool,
    },
    /// Nothing was taken, and no single event is to blame.
    Closed {
        /// What was answered and what to do.
        trouble: String,
        /// How long to wait.
        pause: Pause,
        /// Whose fault it seems.
        whose: Whose,
        /// True if a smaller request could get through where this one did not (it took too long).
        too_slow: bool,
    },
}

/// Judges what came back for the batch named `batch`, at `now`.
#[must_use]
pub fn judge(batch: &str, sent: &[Sent<'_>], reply: &Reply<'_>, proof: Proof, now: Utc) -> Verdict {
    let answer = match reply {
        Reply::None(why) => return no_answer(*why),
        Reply::Acks(acks) => return acknowledged(acks, proof),
        Reply::Http(answer) => answer,
    };
    let asked_ms = answer.retry_after.and_then(|text| wait_ms(text, answer.date, now));
    match (answer.status, proof) {
        (200 | 201 | 202 | 204, Proof::Status) => Verdict::Items {
            items: sent.iter().map(|_| Item::Delivered).collect(),
            trouble: None,
            resend: Vec::new(),
            asked: Vec::new(),
            asked_ms,
        },
        (200, Proof::Receipts) => receipts(batch, sent, answer, asked_ms),
        (413, _) => Verdict::Smaller {
            trouble: wording::status(413),
            alone: "too large for the receiver (413)".to_owned(),
            too_large: true,
        },
        (status @ (400 | 422), _) => Verdict::Smaller {
            trouble: wording::status(status),
            alone: format!("refused by the receiver ({status}) while others were taken"),
            too_large: false,
        },
        (status @ (408 | 425 | 429 | 500 | 502..=504 | 506..=510 | 520..=599), _) => Verdict::Closed {
            trouble: wording::status(status),
            pause: asked_ms.map_or(Pause::BackOff, Pause::Asked),
            whose: Whose::Receivers,
            too_slow: matches!(status, 408 | 504 | 524),
        },
        (status, _) => Verdict::Closed {
            trouble: wording::status(status),
            pause: Pause::Long,
            whose: Whose::Unknown,
            too_slow: false,
        },
    }
}

fn no_answer(why: NoAnswer) -> Verdict {
    let (pause, whose) = match why {
        NoAnswer::Name | NoAnswer::Unreachable => (Pause::BackOff, Whose::Ours),
        // While a cluster elects the leader of a stream, nobody answers for the stream either.
        NoAnswer::Refused | NoAnswer::NoStream | NoAnswer::BrokerFull => (Pause::BackOff, Whose::Receivers),
        // A wrong clock mends itself, and a sign-in page in the way goes: these are tried at the ordinary pace too.
        NoAnswer::ConnectTimeout
        | NoAnswer::AnswerTimeout
        | NoAnswer::Broken
        | NoAnswer::CertificateNotYetValid
        | NoAnswer::Tls
        | NoAnswer::NotHttp
        // What lies on the trailer itself is looked at without any cost.
        | NoAnswer::OwnFile
        | NoAnswer::NoFolder
        | NoAnswer::FolderFull
        | NoAnswer::FolderBroken => (Pause::BackOff, Whose::Unknown),
        NoAnswer::CertificateExpired
        | NoAnswer::CertificateName
        | NoAnswer::CertificateAuthority
        | NoAnswer::ClientCertificate
        | NoAnswer::NotLetIn
        | NoAnswer::NoRight => (Pause::Long, Whose::Unknown),
    };
    let too_slow = matches!(why, NoAnswer::AnswerTimeout | NoAnswer::Broken);
    Verdict::Closed { trouble: wording::no_answer(why).to_owned(), pause, whose, too_slow }
}

/// What a broker's acknowledgements mean. With receipts as the proof they deliver nothing: a broker keeps events for
/// the agency, it is not the agency.
fn acknowledged(acks: &[Ack], proof: Proof) -> Verdict {
    let refusals = acks.iter().filter_map(|ack| if let Ack::Not(why) = ack { Some(*why) } else { None });
    let first = refusals.clone().next();
    if let Some(why) = first
        && refusals.count() == acks.len()
    {
        return no_answer(why);
    }
    let item = |ack: &Ack| match (ack, proof) {
        (Ack::Taken, Proof::Receipts) => Item::HandedOver,
        (Ack::Taken, Proof::Status) => Item::Delivered,
        (Ack::Not(_), _) => Item::Again,
        (Ack::TooLarge, _) => Item::Refused("too large for the broker".to_owned()),
    };
    Verdict::Items {
        items: acks.iter().map(item).collect(),
        trouble: first.map(|why| wording::no_answer(why).to_owned()),
        resend: Vec::new(),
        asked: Vec::new(),
        asked_ms: None,
    }
}

/// What a receipt says that came by itself, some time after the event `body` was handed over; `None` if it says
/// nothing that ends the waiting. Without the body no reason is kept: it could quote the plate.
#[must_use]
pub fn later(receipt: &Receipt, body: Option<&[u8]>) -> Option<Item> {
    match receipt.result {
        ReceiptResult::Stored | ReceiptResult::Duplicate => Some(Item::Delivered),
        ReceiptResult::Refused => Some(Item::Refused(match (body, receipt.problem.as_deref()) {
            (Some(body), problem) => refusal(problem.unwrap_or(""), body),
            (None, Some(_)) => "refused; the receiver's own record says why".to_owned(),
            (None, None) => refusal("", &[]),
        })),
        ReceiptResult::Later => Some(Item::PutOff),
        ReceiptResult::Unknown => None,
    }
}

fn receipts(batch: &str, sent: &[Sent<'_>], answer: &HttpAnswer<'_>, asked_ms: Option<u64>) -> Verdict {
    let stranger = |trouble: String| Verdict::Closed {
        trouble,
        pause: asked_ms.map_or(Pause::BackOff, Pause::Asked),
        whose: Whose::Unknown,
        too_slow: false,
    };
    let Some(body) = ReceiptBody::parse(answer.body) else {
        return stranger(wording::no_receipts(answer.content_type));
    };
    if body.batch != batch {
        return stranger(wording::OTHER_BATCH.to_owned());
    }
    let mut said: HashMap<EventId, Said<'_>> = HashMap::with_capacity(sent.len());
    for receipt in &body.receipts {
        let Some(id) = EventId::parse(&receipt.id) else { continue };
        let now = match receipt.result {
            ReceiptResult::Stored | ReceiptResult::Duplicate => Said::Taken,
            ReceiptResult::Refused => Said::Refused(receipt.problem.as_deref().unwrap_or("")),
            ReceiptResult::Later | ReceiptResult::Unknown => Said::Later,
        };
        said.entry(id).and_modify(|before| *before = before.with(now)).or_insert(now);
    }
    let mut missing = 0_usize;
    let mut later = 0_usize;
    let items: Vec<Item> = sent
        .iter()
        .map(|event| match said.get(&event.id) {
            Some(Said::Taken) => Item::Delivered,
            Some(Said::Refused(problem)) => Item::Refused(refusal(problem, event.body)),
            Some(Said::Later) => {
                later += 1;
                Item::PutOff
            }
            Some(Said::Contradiction) | None => {
                missing += 1;
                Item::PutOff
            }
        })
        .collect();
    let trouble = if 0 < missing {
        Some(wording::missing(missing, sent.len()))
    } else {
        (0 < later).then(|| wording::put_off(later, sent.len()))
    };
    Verdict::Items { items, trouble, resend: body.resend, asked: body.asked, asked_ms }
}

/// What the receipts of one id say together.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Said<'a> {
    Taken,
    Refused(&'a str),
    Later,
    Contradiction,
}

impl Said<'_> {
    /// Two receipts for one id: only if they agree is it said.
    fn with(self, other: Self) -> Self {
        match (self, other) {
            (Self::Taken, Self::Taken) => Self::Taken,
            (Self::Refused(_), Self::Refused(_)) => self,
            (Self::Later, Self::Later) => Self::Later,
            _ => Self::Contradiction,
        }
    }
}

/// The receiver's reason, fit to be kept: printable, at most 500 characters, and withheld as a whole if it quotes the
/// plate or the hot-list entry of the read.
fn refusal(problem: &str, body: &[u8]) -> String {
    if problem.trim().is_empty() {
        return "refused without a reason".to_owned();
    }
    let squashed = squash(problem);
    if secret_words(body).iter().map(|word| squash(word)).any(|word| !word.is_empty() && squashed.contains(&word)) {
        return "refused; the reason is withheld because it quotes the plate".to_owned();
    }
    printable(problem, 499)
}

/// Letters and digits only, so that no spacing hides a plate.
fn squash(text: &str) -> String {
    text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_uppercase).collect()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const NOW: Utc = Utc(1_800_000_000_000);
    const BODY: &[u8] = br#"{"plate":"QX 77-3","hit":{"entry":"E-9912"}}"#;

    fn sent(count: u8) -> Vec<Sent<'static>> {
        (0..count).map(|n| Sent { sequence: u64::from(n) + 1, id: EventId([n; 16]), body: BODY }).collect()
    }

    fn http(status: u16, body: &str) -> Verdict {
        judge("b", &sent(3), &ok(status, body), Proof::Receipts, NOW)
    }

    fn ok(status: u16, body: &str) -> Reply<'_> {
        Reply::Http(HttpAnswer { status, content_type: None, retry_after: None, date: None, body: body.as_bytes() })
    }

    fn receipt(n: u8, result: &str) -> String {
        format!(r#"{{"id":"{}","result":"{result}","problem":"no"}}"#, EventId([n; 16]))
    }

    fn answer(batch: &str, receipts: &[String]) -> String {
        format!(r#"{{"batch":"{batch}","receipts":[{}]}}"#, receipts.join(","))
    }

    fn items(verdict: Verdict) -> (Vec<Item>, Option<String>) {
        match verdict {
            Verdict::Items { items, trouble, .. } => (items, trouble),
            other => unreachable!("{other:?}"),
        }
    }

    #[test]
    fn receipts_count_in_any_order_and_foreign_ids_count_for_nothing() {
        let given = [receipt(2, "stored"), receipt(9, "refused"), receipt(0, "duplicate"), receipt(1, "refused")];
        let (items, trouble) = items(http(200, &answer("b", &given)));
        assert_eq!(items, [Item::Delivered, Item::Refused("no".into()), Item::Delivered]);
        assert_eq!(trouble, None);
    }

    #[test]
    fn an_id_without_a_receipt_is_not_delivered_and_it_is_told() {
        let (items, trouble) = items(http(200, &answer("b", &[receipt(0, "stored"), receipt(1, "sideways")])));
        assert_eq!(items, [Item::Delivered, Item::PutOff, Item::PutOff]);
        assert!(trouble.unwrap().contains("1 of 3"), "one is missing, the word of the other is not known");
    }

    #[test]
    fn contradicting_receipts_deliver_nothing() {
        let given = [receipt(0, "stored"), receipt(0, "refused"), receipt(1, "stored"), receipt(1, "duplicate")];
        let (items, _) = items(http(200, &answer("b", &given)));
        assert_eq!(items, [Item::PutOff, Item::Delivered, Item::PutOff]);
    }

    #[test]
    fn receipts_of_another_batch_html_and_empty_answers_deliver_nothing() {
        let other = answer("c", &[receipt(0, "stored")]);
        for body in [other.as_str(), "<html>welcome</html>", "", "{}", "[]", "null", "{\"batch\":\"b\"}"] {
            let verdict = http(200, body);
            assert!(matches!(verdict, Verdict::Closed { .. }), "{body}: {verdict:?}");
        }
        for status in [201, 202, 203, 204, 206, 207, 226] {
            assert!(matches!(http(status, ""), Verdict::Closed { pause: Pause::Long, .. }), "{status}");
        }
    }

    #[test]
    fn with_proof_by_status_only_plain_success_counts() {
        for status in [200, 201, 202, 204] {
            let verdict = judge("b", &sent(2), &ok(status, "<html>"), Proof::Status, NOW);
            assert_eq!(items(verdict).0, [Item::Delivered, Item::Delivered]);
        }
        for status in [203, 206, 207, 302, 400, 500] {
            let verdict = judge("b", &sent(2), &ok(status, ""), Proof::Status, NOW);
            assert!(!matches!(verdict, Verdict::Items { .. }), "{status}");
        }
    }

    #[test]
    fn a_broker_that_took_an_event_has_not_delivered_it() {
        let acks = [Ack::Taken, Ack::Not(NoAnswer::AnswerTimeout), Ack::TooLarge];
        let (said, trouble) = items(judge("b", &sent(3), &Reply::Acks(&acks), Proof::Receipts, NOW));
        assert_eq!(said, [Item::HandedOver, Item::Again, Item::Refused("too large for the broker".into())]);
        assert!(trouble.is_some());
        let (said, _) = items(judge("b", &sent(3), &Reply::Acks(&acks), Proof::Status, NOW));
        assert_eq!(said[0], Item::Delivered, "if the configuration takes the broker's word for it");
        let none = [Ack::Not(NoAnswer::Refused); 3];
        let verdict = judge("b", &sent(3), &Reply::Acks(&none), Proof::Receipts, NOW);
        assert!(matches!(verdict, Verdict::Closed { whose: Whose::Receivers, .. }), "{verdict:?}");
    }

    #[test]
    fn a_receipt_that_comes_later_says_the_same_and_quotes_no_plate() {
        let of = |result, problem: Option<&str>| Receipt {
            id: EventId([0; 16]).to_string(),
            result,
            late_s: None,
            problem: problem.map(str::to_owned),
        };
        assert_eq!(later(&of(ReceiptResult::Stored, None), None), Some(Item::Delivered));
        assert_eq!(later(&of(ReceiptResult::Duplicate, None), Some(BODY)), Some(Item::Delivered));
        assert_eq!(later(&of(ReceiptResult::Later, None), None), Some(Item::PutOff));
        assert_eq!(later(&of(ReceiptResult::Unknown, None), None), None);
        for (problem, body) in [("saw QX77-3", Some(BODY)), ("saw QX77-3", None)] {
            let Some(Item::Refused(text)) = later(&of(ReceiptResult::Refused, Some(problem)), body) else {
                unreachable!("refused")
            };
            assert!(!text.contains("QX77"), "{text}");
        }
        assert_eq!(later(&of(ReceiptResult::Refused, Some("no")), Some(BODY)), Some(Item::Refused("no".into())));
    }

    #[test]
    fn a_redirect_is_a_finding_that_a_person_must_see_to() {
        for status in [301, 302, 303, 307, 308] {
            let Verdict::Closed { trouble, pause: Pause::Long, .. } = http(status, "") else {
                unreachable!("{status}")
            };
            assert!(trouble.contains("never followed") && trouble.contains("receiver.url"), "{trouble}");
        }
    }

    #[test]
    fn the_receivers_wish_to_wait_is_taken_over() {
        for (status, retry_after) in [(429, "7"), (503, "Fri, 15 Jan 2027 08:00:07 GMT")] {
            let reply = Reply::Http(HttpAnswer {
                status,
                content_type: None,
                retry_after: Some(retry_after),
                date: None,
                body: b"",
            });
            let Verdict::Closed { pause, whose, .. } = judge("b", &sent(1), &reply, Proof::Receipts, NOW) else {
                unreachable!()
            };
            assert_eq!((pause, whose), (Pause::Asked(7000), Whose::Receivers));
        }
    }

    #[test]
    fn a_reason_that_quotes_the_plate_is_withheld() {
        for quote in ["unknown plate qx773", "QX-77 3?", "list entry e9912 is gone"] {
            assert!(!refusal(quote, BODY).contains(quote));
        }
        assert_eq!(refusal("the field \"lane\"\n is 99", BODY), "the field \"lane\"\u{fffd} is 99");
        assert_eq!(refusal(&"a".repeat(9000), BODY).chars().count(), 500);
        assert_eq!(refusal(" ", BODY), "refused without a reason");
    }

    #[test]
    fn every_status_and_every_silence_says_what_to_do() {
        for status in 100..=599 {
            match http(status, "") {
                Verdict::Closed { trouble, .. } | Verdict::Smaller { trouble, .. } => {
                    assert!(trouble.contains(&status.to_string()) && trouble.contains(':'), "{trouble}");
                }
                Verdict::Items { .. } => unreachable!("{status} delivered something"),
            }
        }
    }

    fn any_word() -> impl Strategy<Value = &'static str> {
        prop::sample::select(vec!["stored", "duplicate", "refused", "later", "x"])
    }

    proptest! {
        #[test]
        fn only_what_has_its_own_receipt_is_delivered(given in prop::collection::vec((0_u8..6, any_word()), 0..12)) {
            let texts: Vec<String> = given.iter().map(|(n, result)| receipt(*n, result)).collect();
            let (items, _) = items(judge("b", &sent(4), &ok(200, &answer("b", &texts)), Proof::Receipts, NOW));
            prop_assert_eq!(items.len(), 4);
            for (n, item) in (0_u8..).zip(&items) {
                let of_it: Vec<&str> = given.iter().filter(|(id, _)| *id == n).map(|(_, result)| *result).collect();
                let taken = !of_it.is_empty() && of_it.iter().all(|r| matches!(*r, "stored" | "duplicate"));
                let refused = !of_it.is_empty() && of_it.iter().all(|r| *r == "refused");
                prop_assert_eq!(item == &Item::Delivered, taken);
                prop_assert_eq!(matches!(item, Item::Refused(_)), refused);
            }
        }

        #[test]
        fn any_bytes_are_judged_and_never_delivered(
            status in 0_u16..1000,
            body in prop::collection::vec(any::<u8>(), 0..200),
        ) {
            let answer = HttpAnswer { status, content_type: None, retry_after: None, date: None, body: &body };
            let reply = Reply::Http(answer);
            let verdict = judge("b", &sent(2), &reply, Proof::Receipts, NOW);
            let delivered = matches!(&verdict, Verdict::Items { items, .. } if items.contains(&Item::Delivered));
            prop_assert!(!delivered);
        }
    }
}
