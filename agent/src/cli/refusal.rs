//! What the agent refused, said in the words of the command line: the socket speaks of arguments, people of options.

use super::complain;
use pintle_core::wire::control::VERBS;
use pintle_core::wire::problem::Problem;
use serde_json::Value;
use std::io::Write as _;

/// Says on stderr why the request was refused and what to do. Problems say "what is wrong; what to do".
pub(super) fn refused(answer: Value, request: &Value) {
    let Ok(problem) = serde_json::from_value::<Problem>(answer) else {
        complain(&"the agent's answer can't be read", "take the agent and this command from the same version");
        return;
    };
    // Nobody is left to tell if stderr is gone.
    drop(std::io::stderr().lock().write_all(text(&problem, request["do"].as_str().unwrap_or_default()).as_bytes()));
}

fn text(problem: &Problem, verb: &str) -> String {
    let told = |detail: &str, before: &str| {
        let detail = in_options(detail, verb);
        match detail.split_once("; ") {
            Some((cause, advice)) => format!("{before}{cause}\n  what to do: {advice}\n"),
            None => format!("{before}{detail}\n"),
        }
    };
    if problem.problems.is_empty() {
        return told(&problem.detail, &format!("pintle: {}: ", problem.title));
    }
    let all: Vec<String> = problem.problems.iter().map(|fault| told(&fault.detail, "  ")).collect();
    format!("pintle: {}:\n{}", problem.title, all.concat())
}

/// The text with names of arguments and verbs as the command line has them.
fn in_options(detail: &str, verb: &str) -> String {
    let parts = detail.split('`').enumerate().map(|(at, part)| match (at % 2, part.strip_prefix("args.")) {
        (1, Some(name)) => option(verb, name),
        (1, None) if part == "by" => "--by".to_owned(),
        (1, None) if part.contains('.') && VERBS.contains(&part) => format!("pintle {}", part.replace('.', " ")),
        _ => part.to_owned(),
    });
    parts.collect::<Vec<_>>().join("`").replace("; send ", "; give ")
}

/// What an argument of a verb is called on the command line.
fn option(verb: &str, name: &str) -> String {
    match (verb, name) {
        (_, "for_s") => "--for".to_owned(),
        ("place.set" | "place.confirm", "camera") => "CAMERA".to_owned(),
        ("hold.renew" | "hold.end", "hold") | (_, "sequence") => "NUMBER".to_owned(),
        ("need.ack", "need") => "NEED".to_owned(),
        (_, name) => format!("--{}", name.replace('_', "-")),
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::ids::CameraId;
    use pintle_core::wire::control::parse;
    use serde_json::json;

    fn told(request: &Value) -> String {
        let cameras = [CameraId::new("north").unwrap()];
        let problem = parse(request.to_string().as_bytes(), &cameras).unwrap_err();
        text(&problem, request["do"].as_str().unwrap())
    }

    #[test]
    fn refusals_name_options_and_keep_cause_and_advice_apart() {
        let long = "x".repeat(300);
        for (request, wanted) in [
            (
                json!({"do": "place.set", "by": "x", "args": {"camera": "north", "road": long}}),
                "pintle: The request is not right: `--road` is too long\n  what to do: give at most 160 characters\n",
            ),
            (
                json!({"do": "place.set", "by": "x", "args": {"camera": "nroth", "road": "x"}}),
                "pintle: The request is not right: there is no such camera\n  what to do: did you mean north?\n",
            ),
            (
                json!({"do": "place.confirm", "by": "\u{7}", "args": {}}),
                "pintle: The request is not right: `--by` holds characters that can't be printed\n  what to do: give \
                 plain text\n",
            ),
            (
                json!({"do": "hold.end", "by": "x", "args": {"hold": 0}}),
                "pintle: The request is not right: `NUMBER` must be a number as `pintle hold list` shows it\n",
            ),
        ] {
            assert_eq!(told(&request), wanted);
        }
        let two = json!({"do": "place.set", "by": "x", "args": {"camera": "north", "road": "", "cross_street": long}});
        assert_eq!(
            told(&two),
            "pintle: The request is not right:\n  `--road` is empty\n  what to do: give a text of 1 to 160 characters\n  \
             `--cross-street` is too long\n  what to do: give at most 160 characters\n"
        );
    }

    #[test]
    fn no_verb_answers_a_person_in_the_words_of_the_socket() {
        let long = "x".repeat(300);
        for verb in VERBS {
            for by in ["x", long.as_str(), ""] {
                let args = json!({
                    "camera": long, "road": long, "cross_street": long, "direction": long, "for_s": 0, "extend": 3,
                    "reason": long, "sequence": 0, "why": long, "tick": long, "undo": 3, "need": long, "hold": 0,
                    "place": 0, "from": "x", "to": "x", "case": long, "reveal": 3,
                });
                let request = json!({"do": verb, "by": by, "args": args}).to_string();
                let mut problem = parse(request.as_bytes(), &[CameraId::new("north").unwrap()]).unwrap_err();
                // This command line never sends a name that the verb does not have.
                problem.problems.retain(|fault| !fault.detail.starts_with("there is no field"));
                if problem.problems.is_empty() {
                    continue;
                }
                let said = text(&problem, verb);
                for word in ["args.", "for_s", "cross_street", "send ", "`by`", ".list`"] {
                    assert!(!said.contains(word), "{verb}: {word}: {said}");
                }
            }
        }
    }
}
