//! Row 40 of the catalogue of faults: what a plate holds is text, and nothing more, wherever it goes.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod receiver;
#[path = "support/trailer.rs"]
mod trailer;

use receiver::{Batch, Event, Receiver, outcome};
use serde_json::{Value, json};
use std::path::Path;

/// 200 texts that some reader takes for more than text.
fn hostile() -> Vec<String> {
    let cores = [
        "=1+1",
        "+1+1",
        "-1+1",
        "@SUM(A1)",
        "=cmd|' /C calc'!A0",
        "=HYPERLINK(\"http://x.example\",\"y\")",
        "<script>alert(1)</script>",
        "<img src=x onerror=alert(1)>",
        "\"><svg onload=alert(1)>",
        "&lt;b&gt;",
        "\u{1b}[31mred\u{1b}[0m",
        "\u{1b}]0;title\u{7}",
        "a\r\nINFO forged line",
        "a\u{0}b",
        "\u{202e}gnp.exe",
        "../../etc/passwd",
        "/etc/passwd",
        "..\\..\\x",
        "%2e%2e%2fx",
        "${jndi:ldap://x.example}",
        "{{7*7}}",
        "'; DROP TABLE event; --",
        "\u{ff1d}1+1",
        "\u{feff}=1",
        "\u{85}x",
    ];
    let frames = ["", " ", "\t", "\r", "\n", "\u{a0}", "\u{200b}", "\""];
    let all: Vec<String> = cores.iter().flat_map(|core| frames.map(|frame| format!("{frame}{core}"))).collect();
    assert_eq!(all.len(), 200);
    all
}

fn no_control_bytes(text: &str, what: &str) {
    let bad = |c: char| {
        (c.is_control() && c != '\n' && c != '\r') || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    assert!(!text.contains(bad), "{what} holds a control or direction mark");
}

/// Fields of a CSV line whose every field is quoted. Source: RFC 4180 section 2.
fn fields(line: &str) -> Vec<String> {
    let mut fields = Vec::new();
    let mut rest = line;
    loop {
        rest = rest.strip_prefix('"').expect("every field is quoted");
        let mut field = String::new();
        loop {
            let (part, after) = rest.split_once('"').expect("a closing quote");
            field.push_str(part);
            rest = after;
            match rest.strip_prefix('"') {
                Some(more) => {
                    field.push('"');
                    rest = more;
                }
                None => break,
            }
        }
        fields.push(field);
        match rest.strip_prefix(',') {
            Some(more) => rest = more,
            None => break,
        }
    }
    assert_eq!(rest, "");
    fields
}

#[test]
fn row_40_hostile_plate_text_exports() {
    let mut receiver = Receiver::start(&[]);
    let texts = hostile();
    let events: Vec<Event> = (1..)
        .zip(&texts)
        .map(|(number, text)| Event {
            read_body: json!({"camera": "north", "captured_at": "2026-11-25T12:00:00Z", "plate": text,
                "plate_state": "read", "jurisdiction": {"code": text},
            })
            .to_string(),
            ..Event::read(number)
        })
        .collect();
    assert_eq!(receiver.post(&Batch::of(&events)).status, 200);
    let data = receiver.data().display().to_string();
    let folder = tempfile::tempdir().unwrap();
    let export = |name: &str, more: &[&str]| {
        let out = folder.path().join(name);
        let told = outcome(
            &[
                &["receive", "export", "--data", &data, "--out", out.to_str().unwrap()][..],
                &["--purpose", "a test", "--case", "26-1", "--by", "Desk 4"],
                more,
            ]
            .concat(),
        );
        (told, std::fs::read_to_string(&out).unwrap_or_default())
    };

    let (told, csv) = export("a.csv", &[]);
    assert_eq!((told.code, told.out.contains("200 reads")), (0, true), "{}", told.err);
    no_control_bytes(&csv, "the CSV");
    let lines: Vec<&str> = csv.split("\r\n").filter(|line| !line.is_empty()).collect();
    assert_eq!(lines.len(), 201, "one line for each read, and the head");
    for line in &lines {
        assert!(!line.contains(['\n', '\r']));
        let fields = fields(line);
        assert_eq!(fields.len(), 21, "{line}");
        for field in fields.iter().filter(|field| field.parse::<f64>().is_err()) {
            let first = field.trim_start().chars().next().unwrap_or(' ');
            assert!(!"=+-@\u{ff1d}\t\r".contains(first), "a formula: {field}");
        }
    }

    let (told, ndjson) = export("a.ndjson", &[]);
    assert_eq!(told.code, 0, "{}", told.err);
    no_control_bytes(&ndjson, "the NDJSON");
    assert!(!ndjson.contains(['<', '>']), "no markup");
    let plates: Vec<String> = ndjson
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap()["data"]["read"]["plate"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(plates, texts, "for a program the text is what it was");

    // What is told of it: no plate, and in the audit who and why.
    assert_eq!(export("a.csv", &[]).0.code, 2, "another file is never overwritten");
    assert_eq!(export("b.csv", &["--camera", "south"]).1.lines().count(), 1);
    assert_eq!(export("c.csv", &["--to", "2026-11-25T12:00:00Z"]).1.lines().count(), 1);
    assert_eq!(export("d.csv", &["--from", "2026-11-25T12:00:00Z"]).1.lines().count(), 201);
    let blank = outcome(&[
        "receive",
        "export",
        "--data",
        &data,
        "--out",
        "x.csv",
        "--purpose",
        " ",
        "--case",
        "1",
        "--by",
        "me",
    ]);
    assert_eq!(blank.code, 64, "{}", blank.err);
    let audit = receiver.data().join("audit");
    assert_eq!(outcome(&["audit", "verify", audit.to_str().unwrap()]).code, 0);
    let listed = outcome(&["audit", "list", audit.to_str().unwrap()]).out;
    assert!(listed.contains("26-1") && listed.contains("Desk 4") && !listed.contains("alert("), "{listed}");
    let report = receiver.report(&[]).out + &receiver.stop();
    no_control_bytes(&report, "report and log");
    assert!(!report.contains("alert(") && !report.contains("forged"), "{report}");
}

#[test]
fn row_40_hostile_plate_text_on_the_trailer() {
    let mut trailer = trailer::Trailer::new("");
    trailer.start();
    let now = pintle::clock::utc().to_rfc3339();
    for text in hostile() {
        let read = json!({"camera": "north", "captured_at": now, "plate": text, "plate_state": "read"});
        let (status, answer) = trailer.post("application/json", &read.to_string());
        assert!(status == 202 || status == 422, "{status}");
        assert!(!answer.contains("alert(") && !answer.contains("forged"), "{answer}");
    }
    // One read beyond doubt: once it is counted, the health files were written after all the others.
    assert_eq!(trailer.read("QX7"), 202);
    trailer.wait_health(|health| health["cameras"][0]["reads"].as_u64().is_some_and(|reads| 0 < reads));
    let mut files = Vec::new();
    for folder in ["health", "public"] {
        walk(&trailer.runtime_dir().join(folder), &mut files);
    }
    assert!(4 < files.len());
    let texts = files.iter().map(|path| std::fs::read_to_string(path).unwrap());
    for text in texts.chain([trailer.log()]) {
        no_control_bytes(&text, "a health file or the log");
        for trace in ["alert(", "INFO forged", "=cmd|", "DROP TABLE", "jndi", "passwd"] {
            assert!(!text.contains(trace), "{trace}");
        }
    }
    // No text became a name of a file.
    let mut all = Vec::new();
    walk(trailer.folder(), &mut all);
    for path in all {
        let name = path.file_name().unwrap().to_str().unwrap();
        let plain = name.chars().all(|c| c.is_ascii_alphanumeric() || "._-".contains(c));
        assert!(plain && !name.contains("passwd"), "{name}");
    }
}

#[test]
fn row_40_hostile_plate_text_as_names_in_the_spool() {
    let mut trailer = trailer::Trailer::new("");
    let spool = trailer.folder().join("spool");
    std::fs::create_dir(&spool).unwrap();
    trailer.configure("", &format!("[spool]\npath = \"{}\"\npatience_s = 2\n", spool.display()));
    let now = pintle::clock::utc().to_rfc3339();
    for (text, number) in hostile().iter().zip(0_u32..) {
        // A file system takes every name but these two characters and the names of folders.
        let name = format!("{number}{}.json", text.replace(['/', '\0'], "\u{2215}"));
        let id = uuid::Uuid::from_u128(u128::from(number) + 1).to_string();
        let read = json!({"id": id, "camera": "north", "captured_at": now, "plate": "QX7", "plate_state": "read"});
        std::fs::write(spool.join("beside.part"), read.to_string()).unwrap();
        std::fs::rename(spool.join("beside.part"), spool.join(name)).unwrap();
    }
    trailer.start();
    let began = std::time::Instant::now();
    let left =
        || std::fs::read_dir(&spool).unwrap().filter(|one| one.as_ref().unwrap().file_name() != "refused").count();
    while 0 < left() {
        assert!(began.elapsed() < trailer::PATIENCE, "{} are left\n{}", left(), trailer.log());
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    assert_eq!(trailer.read("QX7"), 202);
    trailer.wait_health(|health| health["cameras"][0]["reads"].as_u64().is_some_and(|reads| 0 < reads));
    trailer.stop();
    let mut all = Vec::new();
    walk(trailer.folder(), &mut all);
    let refused = spool.join("refused");
    for path in all.iter().filter(|path| !path.starts_with(&refused)) {
        let name = path.file_name().unwrap().to_str().unwrap();
        assert!(
            name.chars().all(|c| c.is_ascii_alphanumeric() || "._-".contains(c)),
            "{name:?} lies outside the spool"
        );
        assert!(!["passwd", "alert", "script"].iter().any(|part| name.contains(part)), "{name}");
    }
    let mut texts = vec![("the log".to_owned(), trailer.log())];
    for folder in [trailer.runtime_dir().join("health"), trailer.runtime_dir().join("public"), refused] {
        let mut files = Vec::new();
        walk(&folder, &mut files);
        texts.extend(files.iter().map(|path| (path.display().to_string(), std::fs::read_to_string(path).unwrap())));
    }
    assert!(100 < texts.len(), "most of these names are refused, each with its reason: {}", texts.len());
    for (what, text) in texts {
        no_control_bytes(&text, &what);
        assert!(!text.contains("<script>alert") && !text.contains("\nINFO forged"), "{what}: {text}");
    }
}

fn walk(folder: &Path, found: &mut Vec<std::path::PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() { walk(&path, found) } else { found.push(path) }
    }
}
