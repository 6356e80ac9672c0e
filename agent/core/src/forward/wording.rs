//! The sentences of the forwarder: what came back, and after the colon what to do. No word of a foreign answer gets in.

use super::answer::NoAnswer;

pub(super) const OTHER_BATCH: &str = "the receiver answered 200 with receipts for another batch, so nothing counts as delivered: \
     look for a cache or a proxy between the trailer and the receiver";

pub(super) fn status(status: u16) -> String {
    let (what, advice) = match status {
        300..=399 => (
            "a redirect, which is never followed",
            "put the final address into receiver.url; if it is a network's sign-in page, sign the network in",
        ),
        200..=299 => (
            "success without receipts",
            "check receiver.url; set receiver.proof to \"status\" only if the endpoint can't give receipts",
        ),
        400 | 422 => (
            "that the batch can't be read",
            "smaller batches are tried to find the event; if it says so of every event, check receiver.url and its version",
        ),
        401 => ("that it does not know this trailer", "put the token that the agency gave into receiver.token_file"),
        403 => ("that this trailer may not deliver", "ask the agency to allow this trailer's token or certificate"),
        404 | 405 | 410 => ("that nothing takes reads there", "check the path of receiver.url with the agency"),
        407 => ("a proxy's wish for a sign-in", "ask for a way to the receiver without a proxy"),
        413 => (
            "that the batch is too large",
            "smaller batches are tried; lower receiver.batch_bytes_max to save the tries",
        ),
        408 | 425 | 429 => ("that it is too busy", "nothing, it is tried again when the receiver asks for it"),
        415 => {
            ("that it takes no CloudEvents batches", "check receiver.url; its other end must take version 1 batches")
        }
        426 | 505 => ("that it wants another version of HTTP", "ask the agency for an HTTP/1.1 address"),
        451 => ("that the law forbids it", "ask the agency"),
        501 => ("that it can't do this", "check receiver.url; its other end must take version 1 batches"),
        511 => ("a network's wish for a sign-in", "sign the cellular device in, or change its plan"),
        500..=599 => ("that it has failed", "nothing, it is tried again; if it lasts, tell the agency"),
        _ => ("something that fits no delivery", "check receiver.url with the agency"),
    };
    format!("the receiver answered {status}, {what}: {advice}")
}

pub(super) fn no_answer(why: NoAnswer) -> &'static str {
    match why {
        NoAnswer::Name => {
            "the receiver's name can't be resolved: check the tether and its name server; if others resolve, check receiver.url"
        }
        NoAnswer::Unreachable => "there is no way to the receiver: check the tether (cable, signal, plan)",
        NoAnswer::Refused => {
            "the receiver's host refuses the connection: it is tried again; if it lasts, tell the agency"
        }
        NoAnswer::ConnectTimeout => {
            "no connection to the receiver in time: check the tether's signal; if it is good, tell the agency"
        }
        NoAnswer::AnswerTimeout => {
            "the receiver gave no whole answer in time: smaller batches are tried; check the tether's signal"
        }
        NoAnswer::Broken => {
            "the connection broke before the answer was whole: it is tried again; check the tether's signal"
        }
        NoAnswer::CertificateExpired => {
            "the receiver's certificate has expired by this trailer's clock: check the clock, then ask the agency to renew it"
        }
        NoAnswer::CertificateNotYetValid => {
            "the receiver's certificate is not valid yet by this trailer's clock: the clock is most likely wrong, check it first"
        }
        NoAnswer::CertificateName => {
            "the receiver's certificate is for another name: check the host in receiver.url, or sign the network in"
        }
        NoAnswer::CertificateAuthority => {
            "the receiver's certificate is signed by nobody trusted here: put the agency's authority into receiver.ca_file"
        }
        NoAnswer::ClientCertificate => {
            "the receiver does not take this trailer's certificate: check receiver.client_cert_file and client_key_file with the agency"
        }
        NoAnswer::Tls => {
            "no secure connection to the receiver came about: check that receiver.url names an HTTPS address"
        }
        NoAnswer::NotHttp => {
            "what answered does not speak HTTP as a receiver would: check receiver.url and the network between"
        }
        NoAnswer::OwnFile => {
            "a file named under [receiver] can't be used (token, authority, certificate or key): run \"pintle check\", it says which"
        }
        NoAnswer::NotLetIn => {
            "the broker does not let this trailer in: check receiver.credentials_file or token_file with its owner"
        }
        NoAnswer::NoRight => {
            "the broker refuses this trailer a right that it needs: ask its owner for the rights that docs/RECEIVER.md lists"
        }
        NoAnswer::NoStream => {
            "the broker has no stream, or no session of a consumer, that keeps what this trailer sends: ask its owner for one"
        }
        NoAnswer::BrokerFull => "the broker has no room: tell its owner; it is tried again",
        NoAnswer::NoFolder => {
            "the courier's stick is not plugged in, or is none that `pintle receive --courier-init` made: reads wait for it"
        }
        NoAnswer::FolderFull => "the courier's stick is full: take it to the agency, or plug in another one",
        NoAnswer::FolderBroken => {
            "the courier's stick was pulled or fails: plug it in again; what is not whole on it is written once more"
        }
    }
}

pub(super) fn no_receipts(content_type: Option<&str>) -> String {
    let kind = content_type.map(str::to_ascii_lowercase).unwrap_or_default();
    let what = if kind.contains("html") {
        "a web page"
    } else if kind.contains("json") {
        "JSON without receipts"
    } else {
        "no receipts"
    };
    format!(
        "the receiver answered 200 with {what}, so nothing counts as delivered: check receiver.url; \
         if a network's sign-in page answers in its place, sign the network in"
    )
}

pub(super) fn missing(missing: usize, sent: usize) -> String {
    format!(
        "the receiver gave no clear receipt for {missing} of {sent} events: they are sent again; if it lasts, tell the agency"
    )
}

pub(super) fn unanswered(count: u64, wait_s: u64) -> String {
    format!(
        "{count} events were handed over, and no receipt came within {wait_s} s: they are handed over again; \
         look whether the agency's consumer runs"
    )
}

pub(super) fn put_off(later: usize, sent: usize) -> String {
    format!("the receiver put off {later} of {sent} events: they are sent again; if it lasts, tell the agency")
}
