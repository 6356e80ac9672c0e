//! What may be asked for, and the answer to it. A path is a name on a short list or nothing: there is no way out of the
//! folder because no path is ever made from what was asked.

use crate::clock;
use crate::show;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use pintle_core::health::Freshness;
use pintle_core::moment::Utc;
use std::io::Read;
use std::path::Path;

/// More than this is no health file of ours.
const BYTES_MAX: u64 = 4 << 20;

/// Names and media types of the files that are shown.
const FILES: [(&str, &str); 7] = [
    ("index.html", "text/html; charset=utf-8"),
    ("health.txt", "text/plain; charset=utf-8"),
    ("health.json", "application/json"),
    ("metrics.prom", "text/plain; version=0.0.4; charset=utf-8"),
    ("sites.geojson", "application/geo+json"),
    ("notices.ndjson", "application/x-ndjson"),
    ("history.ndjson", "application/x-ndjson"),
];

/// One answer.
#[derive(Debug)]
pub(super) struct Answer {
    pub(super) status: u16,
    pub(super) media_type: &'static str,
    pub(super) policy: String,
    pub(super) body: Vec<u8>,
}

/// Answers a GET of `asked` (the path of the request) from `folder`.
pub(super) fn answer(folder: &Path, asked: &str) -> Answer {
    let name = if asked == "/" { "index.html" } else { asked.strip_prefix('/').unwrap_or_default() };
    let Some((name, media_type)) = FILES.iter().find(|(known, _)| *known == name) else {
        return told(404, "There is no such page. The trailer's page is at /.\n");
    };
    match read(&folder.join(name)) {
        Ok(bytes) if *name == "index.html" => index(&bytes),
        Ok(body) => Answer { status: 200, media_type, policy: policy(&[], &[]), body },
        Err(_) => told(
            503,
            "There are no health files to show. Is the agent running, and may the page's user read its folder?\n",
        ),
    }
}

/// An answer in one sentence.
pub(super) fn told(status: u16, text: &str) -> Answer {
    Answer { status, media_type: "text/plain; charset=utf-8", policy: policy(&[], &[]), body: text.as_bytes().to_vec() }
}

/// The page with the time that is left by this computer's clock.
fn index(bytes: &[u8]) -> Answer {
    let page = String::from_utf8_lossy(bytes);
    let times = attribute(&page, "data-written").zip(attribute(&page, "data-until"));
    let left_s = match times.map(|(written, until)| Freshness::of(written, until, clock::utc())) {
        Some(Freshness::Good { left_ms, .. }) => Some(left_ms / 1000),
        // A page whose age is unknown is shown as one that tells the past.
        Some(Freshness::Stale { .. } | Freshness::ClockFault { .. }) | None => None,
    };
    let page = show::remaining(&page, left_s);
    let policy = policy(&blocks(&page, "style"), &blocks(&page, "script"));
    Answer { status: 200, media_type: FILES[0].1, policy, body: page.into_bytes() }
}

fn attribute(page: &str, name: &str) -> Option<Utc> {
    let (_, after) = page.split_once(&format!("{name}=\""))?;
    Utc::parse_rfc3339(after.split('"').next()?)
}

/// Contents of all elements of one kind.
fn blocks<'a>(page: &'a str, element: &str) -> Vec<&'a str> {
    let (open, close) = (format!("<{element}>"), format!("</{element}>"));
    page.split(&open).skip(1).filter_map(|after| after.split(&close).next()).collect()
}

/// A content security policy that allows these blocks by their hash and nothing else. Source: W3C CSP level 3.
fn policy(styles: &[&str], scripts: &[&str]) -> String {
    let list = |blocks: &[&str]| {
        let hashes = blocks.iter().map(|block| {
            let hash = aws_lc_rs::digest::digest(&aws_lc_rs::digest::SHA256, block.as_bytes());
            format!("'sha256-{}'", STANDARD.encode(hash))
        });
        let hashes: Vec<String> = hashes.collect();
        if hashes.is_empty() { "'none'".to_owned() } else { hashes.join(" ") }
    };
    format!(
        "default-src 'none'; style-src {}; script-src {}; connect-src 'self'; img-src data:; base-uri 'none'; \
         form-action 'none'; frame-ancestors 'none'",
        list(styles),
        list(scripts)
    )
}

fn read(path: &Path) -> std::io::Result<Vec<u8>> {
    if !std::fs::metadata(path)?.is_file() {
        return Err(std::io::ErrorKind::InvalidInput.into());
    }
    let mut bytes = Vec::new();
    std::fs::File::open(path)?.take(BYTES_MAX).read_to_end(&mut bytes)?;
    Ok(bytes)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::health::{Memory, snapshot};
    use pintle_core::sim::scene::Scene;
    use pintle_core::wire::health::HealthBody;

    fn folder(ago_ms: i64) -> tempfile::TempDir {
        let mut scene = Scene::standing();
        scene.now.utc = clock::utc().plus_ms(-ago_ms);
        let told = snapshot(&scene.observations(), &mut Memory::default());
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in show::health_files(&HealthBody::new(&scene.observations(), &told, 1)).unwrap() {
            std::fs::write(folder.path().join(name), text).unwrap();
        }
        folder
    }

    #[test]
    fn page_is_served_with_the_time_that_is_left_and_a_policy_that_fits_it() {
        let folder = folder(60_000);
        let answer = answer(folder.path(), "/");
        let page = String::from_utf8(answer.body).unwrap();
        assert_eq!(answer.status, 200);
        assert!(["{--good-for:60s}", "{--good-for:59s}"].iter().any(|rule| page.contains(rule)));
        for block in [blocks(&page, "style"), blocks(&page, "script")].concat() {
            let hash = aws_lc_rs::digest::digest(&aws_lc_rs::digest::SHA256, block.as_bytes());
            assert!(answer.policy.contains(&STANDARD.encode(hash)));
        }
        assert!(!answer.policy.contains("unsafe"));
    }

    #[test]
    fn page_past_its_time_or_from_the_future_is_served_as_stale() {
        for ago_ms in [121_000, -60_000] {
            let folder = folder(ago_ms);
            let page = String::from_utf8(answer(folder.path(), "/index.html").body).unwrap();
            assert!(page.contains("<body class=\"is-stale\""), "written {ago_ms} ms ago");
        }
    }

    #[test]
    fn nothing_but_the_listed_files_is_ever_read() {
        let outer = folder(0);
        std::fs::write(outer.path().join("secret.txt"), "x").unwrap();
        let inner = outer.path().join("inner");
        std::fs::create_dir(&inner).unwrap();
        for asked in
            ["/secret.txt", "/../secret.txt", "/..%2fhealth.json", "//health.json", "/inner/../health.json", "", "x"]
        {
            assert_eq!(answer(outer.path(), asked).status, 404, "{asked}");
        }
        assert_eq!(answer(&inner, "/health.json").status, 503, "an empty folder");
        for (name, _) in FILES.iter().filter(|(name, _)| *name != "history.ndjson") {
            assert_eq!(answer(outer.path(), &format!("/{name}")).status, 200, "{name}");
        }
    }
}
