#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;

#[test]
fn changes_of_an_earlier_process_are_taken_up_and_a_damaged_copy_costs_only_them() {
    let base = tempfile::tempdir().unwrap();
    let kept = Folder::ready(base.path().join("health"), 0o750, 0o640, None).unwrap();
    assert_eq!(earlier_changes(&kept), []);
    let change = r#"{"at":"2026-05-21T10:14:00.000Z","code":"place","urgent":false,"text":"Standing at site 13"}"#;
    kept.replace("health.json", format!("{{\"changes\":[{change}]}}").as_bytes()).unwrap();
    let texts: Vec<String> = earlier_changes(&kept).into_iter().map(|change| change.text).collect();
    assert_eq!(texts, ["Standing at site 13"]);
    kept.replace("health.json", &format!("{{\"changes\":[{change}]}}").into_bytes()[..60]).unwrap();
    assert_eq!(earlier_changes(&kept), []);
}
