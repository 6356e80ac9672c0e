//! A person at the page of a real agent: what they do reaches it, stands in its audit with who and when, and shows on
//! the page; what they send that is no sense is answered by how to put it right.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/page.rs"]
mod page;
#[path = "support/trailer.rs"]
mod trailer;

use page::Page;
use pintle_core::moment::Utc;
use serde_json::Value;
use std::time::Instant;
use trailer::{PATIENCE, Trailer};

/// Sends a form and gives the sentence that the page answers with.
fn told(page: &Page, form: &str) -> String {
    let answer = page.post("/do", &format!("csrf={}&{form}", page.csrf()), "");
    assert!(answer.starts_with("HTTP/1.1 303"), "{form}: {answer}");
    let shown = page.get("/");
    let (_, after) = shown.split_once("role=\"status\">").unwrap_or_else(|| panic!("{form}: nothing is told: {shown}"));
    after.split("</p>").next().unwrap().replace("&#39;", "'").replace("&#38;", "&").replace("&#60;", "<")
}

/// Loads the page until it shows `what`.
fn shows(page: &Page, what: &str) {
    let began = Instant::now();
    while !page.get("/").contains(what) {
        assert!(began.elapsed() < PATIENCE, "the page never shows {what}");
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
}

fn audit(trailer: &Trailer) -> Vec<Value> {
    let listed = trailer.command(&["audit", "list", "--json"]);
    String::from_utf8(listed.stdout).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn what_a_person_does_on_the_page_reaches_the_agent_and_stands_in_its_audit_with_who_and_when() {
    let mut trailer = Trailer::new("");
    trailer.start();
    trailer.wait_health(|health| health["life"] == "running");
    let mut page = Page::beside(&trailer.runtime_dir());
    page.open();
    assert!(told(&page, "deed=off&hours=6&reason=road+works").starts_with("The trailer is off duty."));
    shows(&page, "said by T. Wray: road works");
    assert!(told(&page, "deed=ack&need=receiver.none").starts_with("The need is marked as in hand."));
    shows(&page, "T. Wray has it in hand since");
    assert!(told(&page, "deed=unack&need=receiver.none").starts_with("The need is no longer marked"));
    assert!(told(&page, "deed=on").starts_with("The trailer is on duty again."));
    assert!(told(&page, "deed=tow&hours=2,5&reason=to+the+yard").starts_with("The tow is announced"));
    shows(&page, "A tow is announced by T. Wray until");
    assert!(told(&page, "deed=tow_end").starts_with("The tow is ended. By T. Wray."));
    let refused = told(&page, "deed=confirm");
    assert!(refused.starts_with("Not done.") && refused.contains("site"), "no place is known: {refused}");

    let entries = audit(&trailer);
    for act in ["duty.off", "need.ack", "duty.on", "tow.begin", "tow.end", "place.confirm"] {
        let entry = entries.iter().find(|entry| entry["act"] == act).unwrap_or_else(|| panic!("{act}: {entries:#?}"));
        assert!(entry["by"].as_str().unwrap().contains("T. Wray"), "{entry}");
        assert!(Utc::parse_rfc3339(entry["at"].as_str().unwrap()).is_some(), "{entry}");
        assert_eq!(entry["outcome"] == "done", act != "place.confirm", "{entry}");
    }
}

#[test]
fn somebody_bored_gets_a_sentence_to_each_nonsense_and_changes_nothing() {
    let mut trailer = Trailer::new("");
    trailer.start();
    trailer.wait_health(|health| health["life"] == "running");
    let mut page = Page::beside(&trailer.runtime_dir());
    page.open();
    let (long, emoji) = ("r".repeat(4096), "%F0%9F%9A%98".repeat(100));
    for (form, want) in [
        ("deed=tow&hours=soon".to_owned(), "The hours must be a number up to 12, for example 3 or 2.5."),
        ("deed=tow&hours=1e999".to_owned(), "The hours must be a number"),
        ("deed=off&hours=6&reason=".to_owned(), "The reason is missing."),
        (format!("deed=off&hours=6&reason={long}"), "The reason has 4096 characters. Write 160 at most."),
        (format!("deed=write&camera=north&road={long}"), "The road has 4096 characters. Write 160 at most."),
        ("deed=write&camera=north&road=%20%09".to_owned(), "The road is missing."),
        ("deed=write&camera=north&road=a%E2%80%AEb".to_owned(), "The road holds characters that can't be shown."),
        ("deed=write&camera=north&road=a%00b".to_owned(), "The road holds characters that can't be shown."),
        ("deed=write&camera=north&road=a%FFb".to_owned(), "The road is missing."),
        // Text of any script is text; there is just no place that it could be the name of.
        (format!("deed=write&camera=north&road={emoji}"), "site"),
        ("deed=write&camera=north&road=%3Cscript%3Ealert(1)%3C/script%3E".to_owned(), "site"),
        ("deed=write&camera=north&road=%D7%A8%D7%97%D7%95%D7%91".to_owned(), "site"),
        ("deed=write&camera=moon&road=x".to_owned(), "there is no such camera"),
        ("deed=ack&need=world.peace".to_owned(), "need"),
        ("deed=tow_end".to_owned(), "tow"),
        ("deed=on".to_owned(), "duty"),
    ] {
        let sentence = told(&page, &form);
        assert!(sentence.starts_with("Not done.") && sentence.contains(want), "{form:.60}: {sentence}");
        for inside in ["args.", "for_s", "urn:", "null", "<", "{"] {
            assert!(!sentence.contains(inside), "{form:.60} is answered in the words of a machine: {sentence}");
        }
    }
    for form in ["", "deed=", "deed=queue.drop", "deed=tick&tick=wings", "&&&===&"] {
        let answer = page.post("/do", &format!("csrf={}&{form}", page.csrf()), "");
        assert!(answer.starts_with("HTTP/1.1 400") && answer.contains("Load it again"), "{form}: {answer}");
    }
    let (first, again) = (told(&page, "deed=off&hours=6&reason=x"), told(&page, "deed=off&hours=6&reason=x"));
    assert!(first == again, "the same form twice is the same deed: {first} {again}");
    assert!(told(&page, "deed=on").starts_with("The trailer is on duty again."));
    let health = trailer.wait_health(|health| health["off_duty"].is_null());
    assert!(health["place"]["tow"].is_null() && health["place_lines"][0]["state"] == "missing", "{health:#}");
    assert_eq!(trailer.read("KLM 4821"), 202, "and reads go on");
}
