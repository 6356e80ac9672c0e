//! `pintle page` as a browser, a curious person and a foreign page see it: the real binary on a free loopback port.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::{clock, show};
use pintle_core::health::{Memory, snapshot};
use pintle_core::sim::scene::Scene;
use pintle_core::wire::health::HealthBody;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

struct Page {
    child: Child,
    address: String,
    folder: tempfile::TempDir,
}

impl Page {
    fn start(scene: Scene) -> Self {
        let folder = tempfile::tempdir().unwrap();
        write(folder.path(), scene);
        let mut child = Command::new(env!("CARGO_BIN_EXE_pintle"))
            .args(["page", "--listen", "127.0.0.1:0", "--health"])
            .arg(folder.path())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let address = line.trim().trim_start_matches("page on http://").trim_end_matches('/').to_owned();
        Self { child, address, folder }
    }

    /// Sends `head` as it stands and gives back the whole answer.
    fn say(&self, head: &str) -> String {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
        stream.write_all(head.as_bytes()).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        String::from_utf8(answer).unwrap()
    }

    fn ask(&self, method: &str, path: &str, host: &str) -> String {
        self.say(&format!("{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"))
    }

    fn get(&self, path: &str) -> String {
        self.ask("GET", path, &self.address)
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

fn write(folder: &Path, mut scene: Scene) {
    scene.now.utc = clock::utc();
    let told = snapshot(&scene.observations(), &mut Memory::default());
    for (name, text) in show::health_files(&HealthBody::new(&scene.observations(), &told, 1)).unwrap() {
        std::fs::write(folder.join(name), text).unwrap();
    }
}

#[test]
fn browser_gets_the_page_of_now_with_a_strict_policy() {
    let page = Page::start(Scene::standing());
    let answer = page.get("/").to_lowercase();
    assert!(answer.starts_with("http/1.1 200"), "{answer}");
    assert!(answer.contains("content-security-policy: default-src 'none'; style-src 'sha256-"));
    assert!(answer.contains("frame-ancestors 'none'") && answer.contains("cache-control: no-store"));
    assert!(answer.contains(">fine</h1>") && !answer.contains("<body class=\"is-stale\""));
    write(page.folder.path(), Scene::after_tow());
    assert!(page.get("/").contains(">Act</h1>"), "the next load shows the next state");
}

#[test]
fn nobody_gets_out_of_the_folder_or_changes_anything() {
    let page = Page::start(Scene::standing());
    std::fs::write(page.folder.path().join("secret"), "hidden away").unwrap();
    for path in ["/secret", "/../secret", "/%2e%2e/secret", "//secret", "/./secret", "/index.html/../secret"] {
        let answer = page.get(path);
        assert!(answer.starts_with("HTTP/1.1 404") && !answer.contains("hidden away"), "{path}: {answer}");
    }
    for method in ["POST", "PUT", "DELETE", "OPTIONS"] {
        let answer = page.ask(method, "/", &page.address).to_lowercase();
        assert!(answer.starts_with("http/1.1 405") && answer.contains("allow: get, head"), "{method}: {answer}");
    }
}

#[test]
fn page_of_another_name_that_points_here_learns_nothing() {
    let page = Page::start(Scene::standing());
    let answer = page.ask("GET", "/health.json", "trailer.example");
    assert!(answer.starts_with("HTTP/1.1 421") && !answer.contains("heron-3"), "{answer}");
}

#[test]
fn missing_files_are_told_with_what_to_do() {
    let page = Page::start(Scene::standing());
    std::fs::remove_file(page.folder.path().join("index.html")).unwrap();
    let answer = page.get("/");
    assert!(answer.starts_with("HTTP/1.1 503") && answer.contains("Is the agent running"), "{answer}");
}

#[test]
fn page_listens_nowhere_but_on_this_computer() {
    let run = Command::new(env!("CARGO_BIN_EXE_pintle")).args(["page", "--listen", "0.0.0.0:0"]).output().unwrap();
    assert_eq!(run.status.code(), Some(64));
    let told = String::from_utf8(run.stderr).unwrap();
    assert!(told.contains("0.0.0.0:0 is not a loopback address") && told.contains("SSH tunnel"), "{told}");
}
