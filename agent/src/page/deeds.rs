//! What a person may do on the open page: a form becomes one line for the control socket, and its answer one sentence.

use super::form::field;
use crate::clock;
use crate::io::control;
use pintle_core::health::duty::OFF_S_MAX;
use pintle_core::health::ready::Tick;
use pintle_core::health::zone::Zone;
use pintle_core::ids::printable;
use pintle_core::moment::Utc;
use pintle_core::position::keeper::TOW_S_MAX;
use pintle_core::wire::control::{DIRECTION_CHARS_MAX, REASON_CHARS_MAX, ROAD_CHARS_MAX};
use pintle_core::wire::problem::Problem;
use serde_json::{Value, json};
use std::path::Path;
use std::time::Duration;

/// The agent answers within 10 s or not at all (it waits 5 s for its own parts, twice that is patience).
const WAIT: Duration = Duration::from_secs(10);

/// So long the page waits for the receipt of a test alert (our own choice: what a person waits before a button).
const RECEIPT_WAIT_MS: u64 = 12_000;
/// How often it is asked for (our own choice).
const RECEIPT_EVERY: Duration = Duration::from_millis(250);

/// Why a form is no request.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Refused {
    /// The page knows no such deed.
    NoSuchDeed,
    /// What is wrong with it and how to put it right, for the person who sent it.
    Said(String),
}

/// The request that a form stands for, and what is told when it is done.
///
/// # Errors
/// [`Refused`]. The agent judges by itself what the page lets through; the page's own words are for people.
pub(super) fn request(fields: &[(String, String)], who: &str) -> Result<(Value, String), Refused> {
    let text = |name: &str| field(fields, name).trim().to_owned();
    let camera = text("camera");
    let (what, args, done) = match field(fields, "deed") {
        "confirm" if camera.is_empty() => ("place.confirm", json!({}), "All place lines are confirmed.".to_owned()),
        "confirm" => ("place.confirm", json!({ "camera": camera }), "The place line is confirmed.".to_owned()),
        "write" => {
            let (road, cross_street, direction) = (text("road"), text("cross_street"), text("direction"));
            if road.is_empty() {
                return said("The road is missing. Write what the sign at the roadside says.");
            }
            fits("road", &road, ROAD_CHARS_MAX)?;
            fits("cross street", &cross_street, ROAD_CHARS_MAX)?;
            fits("direction", &direction, DIRECTION_CHARS_MAX)?;
            let args = json!({ "camera": camera, "road": road, "cross_street": cross_street, "direction": direction });
            ("place.set", args, "The place line is written.".to_owned())
        }
        "tow" => {
            let for_s = seconds_of(&text("hours"), TOW_S_MAX, "3 or 2.5")?;
            let reason = text("reason");
            fits("reason", &reason, REASON_CHARS_MAX)?;
            let args = json!({ "for_s": for_s, "reason": reason, "extend": text("extend") == "yes" });
            ("tow.begin", args, "The tow is announced: leaving is told, and is no alarm.".to_owned())
        }
        "tow_end" => ("tow.end", json!({}), "The tow is ended.".to_owned()),
        "tick" | "untick" => {
            let undo = field(fields, "deed") == "untick";
            let tick = Tick::of_word(&text("tick")).ok_or(Refused::NoSuchDeed)?;
            let done = format!("{}: {}.", tick.label(), if undo { "no longer ticked" } else { "ticked" });
            ("ready.tick", json!({ "tick": tick.word(), "undo": undo }), done)
        }
        "test" => ("test.alert", json!({}), String::new()),
        "off" => {
            let for_s = seconds_of(&text("hours"), OFF_S_MAX, "6 or 72")?;
            let reason = text("reason");
            if reason.is_empty() {
                return said("The reason is missing. Write why reading is paused; it is told with the account.");
            }
            fits("reason", &reason, REASON_CHARS_MAX)?;
            let args = json!({ "for_s": for_s, "reason": reason });
            ("duty.off", args, "The trailer is off duty. Reads that come all the same are kept and sent.".to_owned())
        }
        "on" => ("duty.on", json!({}), "The trailer is on duty again.".to_owned()),
        "ack" => ("need.ack", json!({ "need": text("need") }), "The need is marked as in hand.".to_owned()),
        "unack" => {
            let args = json!({ "need": text("need"), "undo": true });
            ("need.ack", args, "The need is no longer marked as in hand.".to_owned())
        }
        _ => return Err(Refused::NoSuchDeed),
    };
    Ok((json!({ "do": what, "by": who, "args": args }), done))
}

/// Where a person goes on after this deed: at the section of the form, if more of the same is to be done there. Empty:
/// at the top, where the word stands.
pub(super) fn section(fields: &[(String, String)]) -> &'static str {
    match field(fields, "deed") {
        "confirm" | "write" => "lines",
        "tick" | "untick" => "walk",
        _ => "",
    }
}

fn said<T>(sentence: impl Into<String>) -> Result<T, Refused> {
    Err(Refused::Said(sentence.into()))
}

/// A browser lets nobody write more than this; other programs do.
fn fits(what: &str, text: &str, chars_max: usize) -> Result<(), Refused> {
    let chars = text.chars().count();
    if chars_max < chars {
        return said(format!("The {what} has {chars} characters. Write {chars_max} at most."));
    }
    if printable(text, chars_max) != text {
        return said(format!("The {what} holds characters that can't be shown. Write letters, figures and spaces."));
    }
    Ok(())
}

/// Asks the agent. Answers whether it was done, and a sentence. Blocks.
pub(super) fn ask(socket: &Path, request: &Value, done: &str, who: &str, zone: &Zone) -> (bool, String) {
    let answer = match control::ask(socket, &request.to_string(), WAIT) {
        Ok(answer) => answer,
        Err(error) => return (false, format!("Not done: {error}. What to do: {}.", error.advice())),
    };
    let answer: Value = serde_json::from_slice(&answer).unwrap_or_default();
    if request["do"] == "test.alert" && answer.get("result").is_some() {
        return (true, receipt(socket, answer["result"]["sequence"].as_u64().unwrap_or(u64::MAX), zone));
    }
    if answer.get("result").is_some() {
        return (true, format!("{done} By {}.", printable(who, 80)));
    }
    match serde_json::from_value::<Problem>(answer) {
        Ok(problem) if problem.problems.is_empty() => {
            (false, format!("Not done. {}: {}.", problem.title, printable(problem.detail.trim_end_matches('.'), 400)))
        }
        Ok(problem) => {
            let all: Vec<&str> = problem.problems.iter().map(|fault| fault.detail.as_str()).collect();
            (false, format!("Not done. {}.", printable(&all.join("; "), 400)))
        }
        Err(_) => (false, "Not done: the agent's answer can't be read.".to_owned()),
    }
}

/// Hours as people write them, in s.
fn seconds_of(hours: &str, s_max: u64, like: &str) -> Result<f64, Refused> {
    let hours_max = s_max / 3600;
    let wrong = || Refused::Said(format!("The hours must be a number up to {hours_max}, for example {like}."));
    let number: f64 = hours.replace(',', ".").parse().map_err(|_| wrong())?;
    let s = (number * 3600.0).round();
    let most = u32::try_from(s_max).map_or(f64::INFINITY, f64::from);
    // What is no number is in no range either.
    if (1.0..=most).contains(&s) { Ok(s) } else { Err(wrong()) }
}

/// Waits for the receipt of a test alert and tells when the receiver had it.
fn receipt(socket: &Path, sequence: u64, zone: &Zone) -> String {
    let began = clock::mono();
    while clock::mono().since_ms(began) < RECEIPT_WAIT_MS {
        let answer = control::ask(socket, &json!({ "do": "test.status" }).to_string(), WAIT).unwrap_or_default();
        let answer: Value = serde_json::from_slice(&answer).unwrap_or_default();
        let last = &answer["result"]["last"];
        if last["sequence"].as_u64().is_some_and(|got| sequence <= got) {
            let received = last["received"].as_str().and_then(Utc::parse_rfc3339);
            let at = received.map_or_else(String::new, |at| format!("{} {}", zone.clock_seconds(at), zone.short(at)));
            let took_ms = last["took_ms"].as_u64().unwrap_or(0);
            return format!(
                "The test alert arrived at {at}, {}.{} s after it was sent.",
                took_ms / 1000,
                took_ms % 1000 / 100
            );
        }
        std::thread::sleep(RECEIPT_EVERY);
    }
    let waited_s = RECEIPT_WAIT_MS / 1000;
    format!("The test alert is on its way; no receipt within {waited_s} s. It goes on being tried. Look at the link.")
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn form(pairs: &[(&str, &str)]) -> Vec<(String, String)> {
        pairs.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect()
    }

    #[test]
    fn each_form_becomes_one_request_in_the_name_of_who_opened_the_page() {
        let asked = |pairs: &[(&str, &str)]| request(&form(pairs), "T. Wray").unwrap().0;
        assert_eq!(
            asked(&[("deed", "tow"), ("hours", "2,5"), ("reason", "to the yard"), ("by", "somebody else")]),
            json!({ "do": "tow.begin", "by": "T. Wray",
                    "args": { "for_s": 9000.0, "reason": "to the yard", "extend": false } })
        );
        assert_eq!(
            asked(&[("deed", "tick"), ("tick", "mast")]),
            json!({ "do": "ready.tick", "by": "T. Wray", "args": { "tick": "mast", "undo": false } })
        );
        assert_eq!(asked(&[("deed", "confirm"), ("camera", "north")])["args"], json!({ "camera": "north" }));
        assert_eq!(asked(&[("deed", "write"), ("camera", "north"), ("road", " Brackwater Lane ")])["do"], "place.set");
        assert_eq!(asked(&[("deed", "test")])["do"], "test.alert");
        assert_eq!(
            asked(&[("deed", "off"), ("hours", "6"), ("reason", "road works")])["args"],
            json!({ "for_s": 21_600.0, "reason": "road works" })
        );
        assert_eq!(asked(&[("deed", "ack"), ("need", "lines.missing")])["args"], json!({ "need": "lines.missing" }));
        for none in [&[("deed", "queue.drop")][..], &[("deed", "tick"), ("tick", "wings")], &[]] {
            let refused = request(&form(none), "T. Wray").unwrap_err();
            assert_eq!(refused, Refused::NoSuchDeed, "the page can do nothing else");
        }
    }

    #[test]
    fn nonsense_is_answered_by_how_to_put_it_right() {
        let (long, emoji) = ("r".repeat(161), "\u{1f698}".repeat(161));
        for (pairs, told) in [
            (&[("deed", "write"), ("road", " ")][..], "The road is missing. Write what the sign at the roadside says."),
            (&[("deed", "write"), ("road", &long)], "The road has 161 characters. Write 160 at most."),
            (&[("deed", "write"), ("road", "x"), ("cross_street", &emoji)], "The cross street has 161 characters."),
            (&[("deed", "write"), ("road", "a\u{202e}b")], "The road holds characters that can't be shown."),
            (&[("deed", "write"), ("road", "a\u{7}b")], "The road holds characters that can't be shown."),
            (&[("deed", "write"), ("road", "x"), ("direction", &long)], "The direction has 161 characters. Write 60"),
            (&[("deed", "tow"), ("hours", "soon")], "The hours must be a number up to 12, for example 3 or 2.5."),
            (&[("deed", "tow"), ("hours", "13")], "The hours must be a number up to 12"),
            (&[("deed", "tow"), ("hours", "-1")], "The hours must be"),
            (&[("deed", "tow"), ("hours", "NaN")], "The hours must be"),
            (&[("deed", "tow"), ("hours", "1e999")], "The hours must be"),
            (&[("deed", "tow"), ("hours", "")], "The hours must be"),
            (&[("deed", "tow"), ("hours", "1"), ("reason", &long)], "The reason has 161 characters."),
            (&[("deed", "off"), ("hours", "337"), ("reason", "x")], "The hours must be a number up to 336"),
            (&[("deed", "off"), ("hours", "6"), ("reason", "")], "The reason is missing."),
        ] {
            match request(&form(pairs), "T. Wray") {
                Err(Refused::Said(sentence)) => assert!(sentence.starts_with(told), "{pairs:?}: {sentence}"),
                other => panic!("{pairs:?}: {other:?}"),
            }
        }
    }

    #[test]
    fn without_an_agent_the_sentence_says_what_to_do() {
        let (done, told) = ask(Path::new("/nonexistent/control.sock"), &json!({}), "x", "y", &Zone::default());
        assert!(!done && told.contains("no agent is running") && told.contains("systemctl start pintle"), "{told}");
    }
}
