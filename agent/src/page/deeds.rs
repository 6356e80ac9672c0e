//! What a person may do on the open page: a form becomes one line for the control socket, and its answer one sentence.

use super::form::field;
use crate::clock;
use crate::io::control;
use pintle_core::health::ready::Tick;
use pintle_core::health::zone::Zone;
use pintle_core::ids::printable;
use pintle_core::moment::Utc;
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

/// The request that a form stands for, and what is told when it is done; `None` if there is no such deed.
pub(super) fn request(fields: &[(String, String)], who: &str) -> Option<(Value, String)> {
    let text = |name: &str| field(fields, name).trim().to_owned();
    let camera = text("camera");
    let (what, args, done) = match field(fields, "deed") {
        "confirm" if camera.is_empty() => ("place.confirm", json!({}), "All place lines are confirmed.".to_owned()),
        "confirm" => ("place.confirm", json!({ "camera": camera }), "The place line is confirmed.".to_owned()),
        "write" => {
            let args = json!({
                "camera": camera,
                "road": text("road"),
                "cross_street": text("cross_street"),
                "direction": text("direction"),
            });
            ("place.set", args, "The place line is written.".to_owned())
        }
        "tow" => {
            let hours = text("hours");
            let for_s = seconds_of(&hours);
            let args = json!({ "for_s": for_s, "reason": text("reason"), "extend": text("extend") == "yes" });
            ("tow.begin", args, "The tow is announced: leaving is told, and is no alarm.".to_owned())
        }
        "tow_end" => ("tow.end", json!({}), "The tow is ended.".to_owned()),
        "tick" | "untick" => {
            let undo = field(fields, "deed") == "untick";
            let tick = Tick::of_word(&text("tick"))?;
            let done = format!("{}: {}.", tick.label(), if undo { "no longer ticked" } else { "ticked" });
            ("ready.tick", json!({ "tick": tick.word(), "undo": undo }), done)
        }
        "test" => ("test.alert", json!({}), String::new()),
        "off" => {
            let args = json!({ "for_s": seconds_of(&text("hours")), "reason": text("reason") });
            ("duty.off", args, "The trailer is off duty. Reads that come all the same are kept and sent.".to_owned())
        }
        "on" => ("duty.on", json!({}), "The trailer is on duty again.".to_owned()),
        "ack" => ("need.ack", json!({ "need": text("need") }), "The need is marked as in hand.".to_owned()),
        "unack" => {
            let args = json!({ "need": text("need"), "undo": true });
            ("need.ack", args, "The need is no longer marked as in hand.".to_owned())
        }
        _ => return None,
    };
    Some((json!({ "do": what, "by": who, "args": args }), done))
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

/// Hours as people write them, in s. Outside its range the agent says so.
fn seconds_of(hours: &str) -> f64 {
    let hours = hours.replace(',', ".").parse::<f64>().unwrap_or(0.0);
    (hours.clamp(0.0, 1000.0) * 3600.0).round()
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
            assert!(request(&form(none), "T. Wray").is_none(), "the page can do nothing else");
        }
    }

    #[test]
    fn without_an_agent_the_sentence_says_what_to_do() {
        let (done, told) = ask(Path::new("/nonexistent/control.sock"), &json!({}), "x", "y", &Zone::default());
        assert!(!done && told.contains("no agent is running") && told.contains("systemctl start pintle"), "{told}");
    }
}
