//! What a need asks of people: must somebody drive there, and what to bring. Common practice, no source; the owner's
//! own list of tools goes before it.

/// What one need asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Visit {
    /// Whether somebody must drive there; otherwise it is done from the desk, or by the crew that is there anyway.
    pub drive: bool,
    /// What to bring, each a few words; empty if nothing.
    pub bring: &'static [&'static str],
}

/// What stays at a trailer, so that each trailer of a trip needs its own.
pub const STAYS: [&str; 6] =
    ["spare GPS receiver", "spare GPS antenna", "tether lead", "spare disk", "charged 12 V battery", "spare fan"];

/// For a trailer that is silent: nobody knows why, so bring what its most frequent troubles need.
pub const SILENT: Visit = Visit { drive: true, bring: &["laptop", "tether lead", "charged 12 V battery"] };

const DESK: Visit = Visit { drive: false, bring: &[] };

/// What the need `code` asks. A rule that is not known here (from a newer trailer) asks for a visit with a laptop.
#[must_use]
pub fn visit(code: &str) -> Visit {
    let drive = |bring| Visit { drive: true, bring };
    match code {
        // The receiver's end, its own settings, and what the crew does on its phone.
        "receiver.failing" | "receiver.none" | "receiver.refusing" | "intake.conflicts" | "intake.refusing"
        | "place.moving" | "place.doubtful" | "place.unverified" | "place.unsettled" => DESK,
        "gps.absent" | "gps.silent" | "gps.no_sentences" => drive(&["laptop", "spare GPS receiver"]),
        "gps.no_fix" | "place.unknown" => drive(&["laptop", "spare GPS antenna"]),
        "images.missing" | "queue.trouble" | "queue.disk" | "queue.ledger" => drive(&["laptop", "spare disk"]),
        "queue.expiring" => drive(&["laptop", "tether lead"]),
        "host.hot" => drive(&["cleaning kit", "spare fan"]),
        other => match other.split('.').next() {
            Some("lines" | "tow" | "latency" | "plan") => DESK,
            Some("link") => drive(&["laptop", "tether lead"]),
            Some("camera") => drive(&["mount key", "cleaning kit"]),
            _ => drive(&["laptop"]),
        },
    }
}

/// "Bring: laptop, spare disk." or that nobody needs to drive; ready to show.
#[must_use]
pub fn sentence(visit: Visit) -> String {
    match (visit.drive, visit.bring) {
        (false, _) => "Nobody needs to drive for it.".to_owned(),
        (true, []) => "Somebody must go there; bring nothing special.".to_owned(),
        (true, bring) => format!("Somebody must go there. Bring: {}.", bring.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_rule_says_whether_to_drive_and_a_drive_says_what_to_bring() {
        for (code, _) in crate::health::needs::RULES {
            let visit = visit(code);
            assert_eq!(visit.drive, !visit.bring.is_empty(), "{code}");
        }
    }

    #[test]
    fn alarm_of_a_moving_trailer_sends_nobody_to_the_old_place() {
        assert_eq!(visit("place.moving"), DESK);
    }

    #[test]
    fn what_stays_is_named_as_in_the_lists() {
        let all: Vec<&str> =
            crate::health::needs::RULES.iter().flat_map(|(code, _)| visit(code).bring).copied().collect();
        for thing in STAYS {
            assert!(all.contains(&thing) || SILENT.bring.contains(&thing), "{thing} is never brought");
        }
    }
}
