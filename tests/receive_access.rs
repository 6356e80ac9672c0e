//! Who may send to the receiver in whose name: a token or a certificate speaks for one trailer, and what it says in the
//! name of another is refused, counted and raised.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/receiver.rs"]
#[expect(dead_code, reason = "other tests say more to it")]
mod receiver;

use pintle::config::{Broker, Proof, Receiver as Target};
use pintle::io::http::{Client, Post, PostError, content_digest};
use pintle::io::tls::TlsTime;
use pintle::receive::tokens::new_token;
use pintle_core::forward::answer::NoAnswer;
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair, SanType};
use receiver::{Batch, Event, GENERATION, Receiver, SOURCE, outcome};
use serde_json::Value;
use std::path::{Path, PathBuf};

#[test]
fn a_token_used_for_another_source_is_refused_counted_and_raised() {
    let folder = tempfile::tempdir().unwrap();
    let (ours, ours_line) = new_token("heron-3").unwrap();
    let (theirs, theirs_line) = new_token("heron-4").unwrap();
    let tokens = folder.path().join("tokens");
    std::fs::write(&tokens, format!("{ours_line}\n{theirs_line}\n")).unwrap();
    let reader = folder.path().join("reader");
    std::fs::write(&reader, "a-token-for-reading-accounts").unwrap();
    let receiver = Receiver::start(&["--tokens", tokens.to_str().unwrap(), "--token-file", reader.to_str().unwrap()]);
    let batch = Batch::of(&[Event::read(1)]);
    let with = |token: &str| batch.clone().header("authorization", &format!("Bearer {token}"));

    assert_eq!(receiver.post(&with(&ours)).status, 200);
    for _ in 0..2 {
        let told = receiver.post(&Batch::of(&[Event::read(2)]).header("authorization", &format!("Bearer {theirs}")));
        assert_eq!((told.status, told.json()["type"].as_str()), (403, Some("urn:pintle:problem:token-source")));
    }
    assert_eq!(receiver.post(&with("a-token-for-reading-accounts")).status, 403, "it reads only");
    assert_eq!(receiver.post(&with("none-of-these-at-all")).status, 401);
    assert_eq!(receiver.post(&batch).status, 401);
    assert_eq!(receiver.count("SELECT count(*) FROM reads"), 1, "nothing in a wrong name is stored");

    let (exit, account) = report(receiver.data());
    assert_eq!(exit, Some(2), "raised");
    assert_eq!(account["misuse"][1]["owner"], "urn:pintle:trailer:heron-4");
    assert_eq!(account["misuse"][1]["source"], SOURCE);
    assert_eq!(account["misuse"][1]["times"], 2);

    // Somebody has looked at it: it stays in the record, and is raised anew when it comes again.
    let data = receiver.data().to_str().unwrap();
    let settle = |what: &[&str]| {
        let said = ["--by", "R. Oyelaran", "--why", "a probe of the network team", "--data", data];
        outcome(&[&["receive", "settle"], what, &said].concat())
    };
    assert_eq!(settle(&["conflicts"]).code, 2, "nothing like that is raised");
    assert_eq!(settle(&["misuse", "--trailer", "No good"]).code, 64);
    let done = settle(&["misuse", "--trailer", "heron-4"]);
    assert!(done.code == 0 && done.out.contains("urn:pintle:trailer:heron-4"), "{}{}", done.out, done.err);
    let (exit, account) = report(receiver.data());
    assert_eq!((exit, &account["misuse"][1]["unsettled"]), (Some(2), &0.into()), "the reader's is open still");
    assert_eq!(settle(&["misuse"]).code, 0);
    let (exit, account) = report(receiver.data());
    assert_eq!((exit, account["misuse"].as_array().unwrap().len()), (Some(0), 2), "{account}");
    assert_eq!(account["settled"][0]["why"], "a probe of the network team");
    let text = outcome(&["receive", "--report", "--data", data]).out;
    assert!(text.contains("by R. Oyelaran: a probe of the network team") && !text.contains("RAISED"), "{text}");
    let audit = std::fs::read_to_string(receiver.data().join("audit/audit.ndjson")).unwrap();
    assert!(audit.contains(r#""act":"settle""#) && audit.contains("R. Oyelaran"), "{audit}");
    receiver.post(&Batch::of(&[Event::read(2)]).header("authorization", &format!("Bearer {theirs}")));
    let (exit, account) = report(receiver.data());
    assert_eq!((exit, &account["misuse"][1]["unsettled"]), (Some(2), &1.into()), "once more is raised anew");

    // Names are free: an owner has so many rows and no more.
    for number in 0..30 {
        let batch =
            batch.clone().without("pintle-source").header("pintle-source", &format!("urn:pintle:trailer:x-{number}"));
        assert_eq!(receiver.post(&batch.header("authorization", &format!("Bearer {theirs}"))).status, 403);
    }
    let of = "SELECT count(*) FROM misuse WHERE owner = 'urn:pintle:trailer:heron-4'";
    assert_eq!(receiver.count(of), 21);
    assert_eq!(receiver.count(&format!("{} AND source = 'further names'", of.replace("count(*)", "times"))), 11);
}

fn report(data: &Path) -> (Option<i32>, Value) {
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_pintle"))
        .args(["receive", "--report", "--json", "--data"])
        .arg(data)
        .output()
        .unwrap();
    (output.status.code(), serde_json::from_slice(&output.stdout).unwrap())
}

/// An authority, and what it signed for a name.
struct Authority(CertifiedIssuer<'static, KeyPair>);

impl Authority {
    fn new() -> Self {
        let mut params = CertificateParams::new(Vec::new()).unwrap();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        Self(CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap())
    }

    /// Writes certificate and key of `name` into the folder.
    fn sign(&self, folder: &Path, name: &str, san: SanType) -> (PathBuf, PathBuf) {
        let mut params = CertificateParams::new(Vec::new()).unwrap();
        params.subject_alt_names.push(san);
        let key = KeyPair::generate().unwrap();
        let certificate = params.signed_by(&key, &self.0).unwrap();
        let (cert_path, key_path) = (folder.join(format!("{name}.pem")), folder.join(format!("{name}.key")));
        std::fs::write(&cert_path, certificate.pem()).unwrap();
        std::fs::write(&key_path, key.serialize_pem()).unwrap();
        (cert_path, key_path)
    }
}

async fn send(url: &str, ca: &Path, client: Option<&(PathBuf, PathBuf)>, source: &str) -> Result<u16, NoAnswer> {
    let target = Target {
        url: url.to_owned(),
        proof: Proof::Receipts,
        ca_file: Some(ca.to_owned()),
        token_file: None,
        client_cert_file: client.map(|(cert, _)| cert.clone()),
        client_key_file: client.map(|(_, key)| key.clone()),
        batch_reads_max: 100,
        batch_bytes_max: 1 << 20,
        answer_wait_ms: 8000,
        retry_ms_max: 1000,
        broker: Broker::default(),
    };
    let post = Post {
        key: "0190a000-0000-7000-8000-0000000000ff",
        source,
        generation: GENERATION,
        accepted_up_to: 0,
        relayed: false,
        sent_at: None,
        body: b"[]".to_vec(),
        answer_bytes_max: 10_000,
    };
    match Client::open(&target, &TlsTime::of_host()).await.unwrap().post(post).await {
        Ok(answer) => Ok(answer.view().status),
        Err(PostError::NoAnswer(why)) => Err(why),
        Err(PostError::Own(error)) => panic!("{error}"),
    }
}

#[tokio::test]
async fn a_certificate_speaks_for_the_trailer_that_it_names_and_for_no_other() {
    assert_eq!(content_digest(b"[]").len(), "sha-256=::".len() + 44);
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let authority = Authority::new();
    let ca = at.join("ca.pem");
    std::fs::write(&ca, authority.0.pem()).unwrap();
    let server = authority.sign(at, "server", SanType::IpAddress([127, 0, 0, 1].into()));
    let uri = |text: &str| SanType::URI(text.to_owned().try_into().unwrap());
    let ours = authority.sign(at, "ours", uri(SOURCE));
    let nobody = authority.sign(at, "nobody", uri("urn:other:thing"));
    let forged = Authority::new().sign(at, "forged", uri(SOURCE));
    let path = |path: &Path| path.to_str().unwrap().to_owned();
    let (cert, key, ca_text) = (path(&server.0), path(&server.1), path(&ca));
    let receiver = Receiver::start(&["--tls-cert", &cert, "--tls-key", &key, "--client-ca", &ca_text]);
    let url = receiver.url.clone();

    assert_eq!(send(&url, &ca, Some(&ours), SOURCE).await, Ok(200));
    assert_eq!(send(&url, &ca, Some(&ours), "urn:pintle:trailer:heron-4").await, Ok(403));
    assert_eq!(send(&url, &ca, Some(&nobody), SOURCE).await, Ok(403));
    for client in [Some(&forged), None] {
        let refused = send(&url, &ca, client, SOURCE).await;
        assert!(matches!(refused, Err(NoAnswer::ClientCertificate | NoAnswer::Broken)), "{refused:?}");
    }
    let (exit, account) = report(receiver.data());
    assert_eq!((exit, account["misuse"].as_array().unwrap().len()), (Some(2), 2));
}

/// All that people read, and no trailer may: the stream's answer has no end, so only its status is looked at.
const READ_BY_PEOPLE: [&str; 7] =
    ["/v1/stream", "/v1/fleet", "/v1/survey", "/survey", "/v1/metrics", "/v1/completeness", "/v1/summary"];

/// Status of each of those paths for a certificate and, if given, a token; 403 must be said for the right reason.
async fn read_all(url: &str, ca: &Path, client: &(PathBuf, PathBuf), token: Option<&str>) -> Vec<u16> {
    let pem = [std::fs::read(&client.0).unwrap(), std::fs::read(&client.1).unwrap()].concat();
    let trusted = reqwest::Certificate::from_pem(&std::fs::read(ca).unwrap()).unwrap();
    let shown = reqwest::Identity::from_pem(&pem).unwrap();
    let client = reqwest::Client::builder().tls_certs_only([trusted]).identity(shown).no_proxy().build().unwrap();
    let mut told = Vec::new();
    for path in READ_BY_PEOPLE {
        let mut request = client.get(url.replace("/v1/events", path));
        if let Some(token) = token {
            request = request.bearer_auth(token);
        }
        let answer = request.send().await.unwrap();
        told.push(answer.status().as_u16());
        if answer.status() == 403 {
            let problem: Value = serde_json::from_str(&answer.text().await.unwrap()).unwrap();
            assert_eq!(problem["type"], "urn:pintle:problem:token-account", "{path}");
        }
    }
    told
}

#[tokio::test]
async fn no_trailer_reads_what_people_read_whatever_it_shows() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let authority = Authority::new();
    let ca = at.join("ca.pem");
    std::fs::write(&ca, authority.0.pem()).unwrap();
    let server = authority.sign(at, "server", SanType::IpAddress([127, 0, 0, 1].into()));
    let uri = |text: &str| SanType::URI(text.to_owned().try_into().unwrap());
    let ours = authority.sign(at, "ours", uri(SOURCE));
    let nobody = authority.sign(at, "nobody", uri("urn:other:thing"));
    let path = |path: &Path| path.to_str().unwrap().to_owned();
    let (cert, key, ca_text) = (path(&server.0), path(&server.1), path(&ca));
    let tls = ["--tls-cert", &cert, "--tls-key", &key, "--client-ca", &ca_text];
    let (token, line) = new_token("heron-3").unwrap();
    let (tokens, reader) = (at.join("tokens"), at.join("reader"));
    std::fs::write(&tokens, line).unwrap();
    std::fs::write(&reader, "a-token-for-reading-accounts").unwrap();
    let (tokens, reader) = (path(&tokens), path(&reader));
    let of_people = Some("a-token-for-reading-accounts");

    // With certificates alone nobody is known as a person: any certificate of the authority may be a trailer's.
    let alone = Receiver::start(&tls);
    for shown in [&ours, &nobody] {
        assert_eq!(read_all(&alone.url, &ca, shown, None).await, [403; 7]);
        assert_eq!(read_all(&alone.url, &ca, shown, of_people).await, [403; 7], "no such token is set");
    }
    // One token for all beside them: every trailer has it, so its certificate says that it is one.
    let shared = Receiver::start(&[&tls[..], &["--token-file", &reader]].concat());
    assert_eq!(read_all(&shared.url, &ca, &ours, of_people).await, [403; 7]);
    assert_eq!(read_all(&shared.url, &ca, &nobody, of_people).await, [200; 7]);
    assert_eq!(read_all(&shared.url, &ca, &nobody, None).await, [401; 7]);
    // Tokens of their own: the token says who reads.
    let each = Receiver::start(&[&tls[..], &["--token-file", &reader, "--tokens", &tokens]].concat());
    for shown in [&ours, &nobody] {
        assert_eq!(read_all(&each.url, &ca, shown, Some(&token)).await, [403; 7]);
        assert_eq!(read_all(&each.url, &ca, shown, of_people).await, [200; 7]);
        assert_eq!(read_all(&each.url, &ca, shown, None).await, [401; 7]);
    }
}
