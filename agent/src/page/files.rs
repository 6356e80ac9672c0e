//! What is shown, and how it is told. A path is a name on a short list or nothing: there is no way out of the
//! folder because no path is ever made from what was asked.

use crate::clock;
use crate::show::{self, Doing, Gate};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use pintle_core::health::Freshness;
use pintle_core::health::zone::Zone;
use pintle_core::moment::Utc;
use pintle_core::wire::health::{FORMAT, HealthBody};
use pintle_core::wire::history::{HistoryRow, whole_lines};
use serde::Deserialize;
use std::fs::File;
use std::io::{Read, Seek as _, SeekFrom};
use std::path::Path;

/// What is read as a whole is never longer (a page has under 120 kB); the history is longer, and sent piece by piece.
const BYTES_MAX: u64 = 1 << 20;
/// Files up to this length are read as a whole, longer ones in pieces of this length, so that the server needs no more
/// memory for 90 days of history than for the page (our own choice).
const PIECE_BYTES: u64 = 64 * 1024;

/// Lines of a day and one more, and the bytes that hold them: a line has under 450 (a test holds it).
const ROWS_OF_A_DAY: usize = 98;
const TAIL_BYTES: u64 = 98 * 450;

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

/// Names and media types of the files that anybody may see.
const PUBLIC_FILES: [(&str, &str); 2] =
    [("status.txt", "text/plain; charset=utf-8"), ("status.json", "application/json")];

/// One answer.
#[derive(Debug)]
pub(super) struct Answer {
    pub(super) status: u16,
    pub(super) media_type: &'static str,
    pub(super) policy: String,
    pub(super) body: Body,
    /// More headers.
    pub(super) more: Vec<(&'static str, String)>,
}

/// What is sent.
#[derive(Debug)]
pub(super) enum Body {
    /// All of it.
    Whole(Vec<u8>),
    /// A file that is sent while it is read.
    Long(Long),
}

/// What is left of a long file. A file that is replaced meanwhile is read to its end as it was.
#[derive(Debug)]
pub(super) struct Long {
    file: File,
    /// Bytes that are still to come.
    pub(super) left: u64,
}

impl Long {
    /// The next piece; `None` after the last. Blocks.
    ///
    /// # Errors
    /// What reading says; a file that has become shorter is an unexpected end.
    pub(super) fn piece(mut self) -> std::io::Result<Option<(Vec<u8>, Self)>> {
        if self.left == 0 {
            return Ok(None);
        }
        let mut bytes = Vec::new();
        (&self.file).take(self.left.min(PIECE_BYTES)).read_to_end(&mut bytes)?;
        if bytes.is_empty() {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
        self.left = self.left.saturating_sub(u64::try_from(bytes.len()).unwrap_or(u64::MAX));
        Ok(Some((bytes, self)))
    }
}

/// Answers a GET of `asked` (the path of the request) from the health folder, for who may see it.
pub(super) fn answer(folder: &Path, asked: &str) -> Answer {
    let name = if asked == "/" { "index.html" } else { asked.strip_prefix('/').unwrap_or_default() };
    let Some((name, media_type)) = FILES.iter().find(|(known, _)| *known == name) else {
        return told(404, "There is no such page. The trailer's page is at /.\n");
    };
    let path = folder.join(name);
    if *name == "index.html" {
        return read(&path).map_or_else(|_| none(), |bytes| page(200, &String::from_utf8_lossy(&bytes)));
    }
    open(&path).map_or_else(|_| none(), |body| file(media_type, body))
}

/// `health.json` as it lies there.
pub(super) fn health(folder: &Path) -> Option<Vec<u8>> {
    read(&folder.join("health.json")).ok()
}

/// The page with what a person may do, made from `health.json`. A file of another version is shown as the agent wrote
/// its page; so is a stale one, which offers no deeds.
pub(super) fn open_page(folder: &Path, health: Option<&[u8]>, doing: &Doing) -> Answer {
    let body = health.and_then(|bytes| serde_json::from_slice::<HealthBody>(bytes).ok());
    let fresh = |body: &HealthBody| {
        let times = body.written_at().zip(body.valid_until_at());
        let fresh = times.map(|(written, until)| Freshness::of(written, until, clock::utc()));
        body.format == FORMAT && matches!(fresh, Some(Freshness::Good { .. }))
    };
    match body.filter(fresh).and_then(|body| show::open_page(&body, doing, &last_day(folder)).ok()) {
        Some(text) => page(200, &text),
        None => answer(folder, "/"),
    }
}

/// The page of an earlier `health.json`, while the folder hangs: it offers nothing to do, and turns stale at its time.
pub(super) fn remembered(health: &[u8]) -> Option<Answer> {
    let body = serde_json::from_slice::<HealthBody>(health).ok().filter(|body| body.format == FORMAT)?;
    show::page(&body).ok().map(|text| page(200, &text))
}

/// While the folder hangs and nothing was read before.
pub(super) fn hangs() -> Answer {
    told(503, "The folder of the health files does not answer. Is it on a share whose server is gone? Load again.\n")
}

/// The newest lines of the history: a day's, and not the 90 days that lie before.
fn last_day(folder: &Path) -> Vec<HistoryRow> {
    let tail = || -> std::io::Result<Vec<u8>> {
        let mut file = File::open(folder.join("history.ndjson"))?;
        let length = file.metadata()?.len();
        file.seek(SeekFrom::Start(length.saturating_sub(TAIL_BYTES)))?;
        let mut bytes = Vec::new();
        file.take(TAIL_BYTES).read_to_end(&mut bytes)?;
        Ok(bytes)
    };
    let bytes = tail().unwrap_or_default();
    let text = String::from_utf8_lossy(&bytes);
    let rows: Vec<HistoryRow> =
        whole_lines(&text).into_iter().filter_map(|line| serde_json::from_str(line).ok()).collect();
    rows.into_iter().rev().take(ROWS_OF_A_DAY).rev().collect()
}

/// What anybody may see, byte for byte.
pub(super) fn public(folder: &Path, asked: &str) -> Answer {
    let name = asked.strip_prefix('/').unwrap_or_default();
    if let Some((name, media_type)) = PUBLIC_FILES.iter().find(|(known, _)| *known == name) {
        return read(&folder.join(name)).map_or_else(|_| none(), |body| file(media_type, Body::Whole(body)));
    }
    if FILES.iter().any(|(known, _)| *known == name) {
        return told(401, "This needs the PIN of the trailer's page, or a token. The page is at /.\n");
    }
    told(404, "There is no such page. The trailer's page is at /.\n")
}

/// The cover as `public/` holds it.
pub(super) fn cover_file(folder: &Path) -> Option<String> {
    read(&folder.join("index.html")).ok().map(|bytes| String::from_utf8_lossy(&bytes).into_owned())
}

/// The cover with the time that is left, and the form for the PIN.
pub(super) fn cover(cover: &str, status: u16, gate: &Gate<'_>) -> Answer {
    let form = show::gate(gate).unwrap_or_default();
    page(status, &cover.replacen("</main>", &format!("{form}</main>"), 1))
}

/// Number of the snapshot that lies there now.
pub(super) fn generation(folder: &Path) -> Option<u64> {
    #[derive(Deserialize)]
    struct Head {
        generation: u64,
    }
    let bytes = read(&folder.join("health.json")).ok()?;
    serde_json::from_slice::<Head>(&bytes).ok().map(|head| head.generation)
}

/// The zone of the place, for the times of answers; UTC if it can't be read.
pub(super) fn zone(folder: &Path) -> Zone {
    let bytes = read(&folder.join("health.json")).unwrap_or_default();
    let body = serde_json::from_slice::<HealthBody>(&bytes).ok();
    body.and_then(|body| body.trailer.zone).map(|zone| zone.zone()).unwrap_or_default()
}

/// An answer in one sentence.
pub(super) fn told(status: u16, text: &str) -> Answer {
    Answer { status, ..file("text/plain; charset=utf-8", Body::Whole(text.as_bytes().to_vec())) }
}

/// Back to the page, so that loading it again sends no form again.
pub(super) fn see_other() -> Answer {
    see_section("")
}

/// The same, at one of its sections.
pub(super) fn see_section(key: &str) -> Answer {
    let place = if key.is_empty() { "/".to_owned() } else { format!("/#{key}") };
    Answer { more: vec![("location", place)], ..told(303, "The page is at /.\n") }
}

/// Nothing lies there.
pub(super) fn none() -> Answer {
    told(503, "There are no health files to show. Is the agent running, and may the page's user read its folder?\n")
}

fn file(media_type: &'static str, body: Body) -> Answer {
    Answer { status: 200, media_type, policy: policy(&[], &[], false), body, more: Vec::new() }
}

/// A page with the time that is left by this computer's clock.
fn page(status: u16, page: &str) -> Answer {
    let times = attribute(page, "data-written").zip(attribute(page, "data-until"));
    let page = match times.map(|(written, until)| Freshness::of(written, until, clock::utc())) {
        Some(Freshness::Good { left_ms, .. }) => show::remaining(page, Some(left_ms / 1000)),
        Some(Freshness::ClockFault { .. }) => show::clock_fault(page),
        // A page whose age is unknown is shown as one that tells the past.
        Some(Freshness::Stale { .. }) | None => show::remaining(page, None),
    };
    let policy = policy(&blocks(&page, "style"), &blocks(&page, "script"), true);
    Answer { status, media_type: FILES[0].1, policy, body: Body::Whole(page.into_bytes()), more: Vec::new() }
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
fn policy(styles: &[&str], scripts: &[&str], forms: bool) -> String {
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
         form-action {}; frame-ancestors 'none'",
        list(styles),
        list(scripts),
        if forms { "'self'" } else { "'none'" }
    )
}

fn read(path: &Path) -> std::io::Result<Vec<u8>> {
    whole(regular(path)?)
}

fn whole(file: File) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.take(BYTES_MAX).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// A short file as a whole, a long one to be read while it is sent.
fn open(path: &Path) -> std::io::Result<Body> {
    let file = regular(path)?;
    let left = file.metadata()?.len();
    if PIECE_BYTES < left { Ok(Body::Long(Long { file, left })) } else { whole(file).map(Body::Whole) }
}

/// Opening a pipe would wait for its writer.
fn regular(path: &Path) -> std::io::Result<File> {
    if !std::fs::metadata(path)?.is_file() {
        return Err(std::io::ErrorKind::InvalidInput.into());
    }
    File::open(path)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::health::{Memory, snapshot};
    use pintle_core::sim::scene::Scene;
    use pintle_core::wire::health::HealthBody;

    /// The whole body, and in how many pieces it came.
    fn body(answer: Answer) -> (String, usize) {
        let (mut bytes, mut pieces) = (Vec::new(), 0);
        match answer.body {
            Body::Whole(whole) => (bytes, pieces) = (whole, 1),
            Body::Long(mut long) => {
                while let Some((piece, rest)) = long.piece().unwrap() {
                    assert!(piece.len() <= usize::try_from(PIECE_BYTES).unwrap());
                    bytes.extend(piece);
                    (pieces, long) = (pieces + 1, rest);
                }
            }
        }
        (String::from_utf8(bytes).unwrap(), pieces)
    }

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
        let (status, policy) = (answer.status, answer.policy.clone());
        let (page, _) = body(answer);
        assert_eq!(status, 200);
        assert!(["{--good-for:60s}", "{--good-for:59s}"].iter().any(|rule| page.contains(rule)));
        for block in [blocks(&page, "style"), blocks(&page, "script")].concat() {
            let hash = aws_lc_rs::digest::digest(&aws_lc_rs::digest::SHA256, block.as_bytes());
            assert!(policy.contains(&STANDARD.encode(hash)));
        }
        assert!(!policy.contains("unsafe"));
    }

    #[test]
    fn page_past_its_time_or_from_the_future_is_served_as_stale() {
        for ago_ms in [121_000, -60_000] {
            let folder = folder(ago_ms);
            let (page, _) = body(answer(folder.path(), "/index.html"));
            assert!(page.contains("<body class=\"is-stale\""), "written {ago_ms} ms ago");
            assert_eq!(page.contains("id=\"strip\">Clock fault"), ago_ms < 0, "written {ago_ms} ms ago");
        }
    }

    #[test]
    fn long_history_is_read_in_pieces_and_comes_as_it_was_when_it_was_asked_for() {
        let folder = folder(0);
        let path = folder.path().join("history.ndjson");
        let lines = (0..20_000).map(|n| n.to_string()).collect::<Vec<_>>().join("\n");
        std::fs::write(&path, &lines).unwrap();
        let asked = answer(folder.path(), "/history.ndjson");
        std::fs::write(folder.path().join("new"), "x").unwrap();
        std::fs::rename(folder.path().join("new"), &path).unwrap();
        let (told, pieces) = body(asked);
        assert!(told == lines && pieces == lines.len().div_ceil(64 * 1024), "{pieces} pieces");
        assert_eq!(body(answer(folder.path(), "/history.ndjson")), ("x".to_owned(), 1));
        std::fs::write(&path, &lines).unwrap();
        let Body::Long(long) = answer(folder.path(), "/history.ndjson").body else { panic!("it is long") };
        std::fs::write(&path, "").unwrap();
        assert!(long.piece().is_err(), "who is promised more than there is learns of it");
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
