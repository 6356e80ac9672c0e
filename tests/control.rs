//! The control socket: who may ask what, the exact answers, and `pintle place` on top of it.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/trailer.rs"]
mod trailer;

use pintle::actors::control::{ControlSetup, DutyDesk, ReadyDesk, run};
use pintle::actors::heartbeat::Heartbeat;
use pintle::actors::messages::{PlaceProblem, PlaceRequest, PlaceRow, PositionRequest, TowRequest};
use pintle::{clock, config, store};
use pintle_core::health::LifecycleView;
use pintle_core::ids::{CameraId, SiteId, TrailerId};
use pintle_core::moment::{Utc, UtcTrust};
use pintle_core::position::keeper::Tow;
use pintle_core::position::places::{LineState, PlaceLine};
use pintle_core::position::{PositionView, TowView};
use serde_json::Value;
use std::io::{BufRead as _, BufReader, Write as _};
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::process::{Command, Output};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;
use trailer::{PINTLE, Trailer};

/// A control actor of its own, before an owner of places that plays its part by `play`.
struct Desk {
    folder: tempfile::TempDir,
    stop: CancellationToken,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Desk {
    fn open(play: fn(PositionRequest)) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let socket = folder.path().join("control.sock");
        let text = format!(
            "[trailer]\nid = \"heron-3\"\n[[camera]]\nid = \"north\"\n[[camera]]\nid = \"south\"\n[queue]\nseal = \
             \"none\"\n[control]\nsocket = \"{}\"\n",
            socket.display()
        );
        let config = config::parse(&text).unwrap();
        let stop = CancellationToken::new();
        let until = stop.clone();
        let state = folder.path().join("state");
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async {
                let store = store::open(&state, &config.queue, clock::moment(UtcTrust::Unset)).unwrap();
                let (owner, mut requests) = mpsc::channel(4);
                tokio::spawn(async move {
                    while let Some(request) = requests.recv().await {
                        play(request);
                    }
                });
                let setup = ControlSetup {
                    control: config.control,
                    trailer: TrailerId::new("heron-3").unwrap(),
                    cameras: config.cameras.into_iter().map(|camera| camera.id).collect(),
                    places: watch::channel(owner).1,
                    position: watch::Sender::default().subscribe(),
                    forward: watch::Sender::default().subscribe(),
                    lifecycle: watch::channel(LifecycleView::default()).1,
                    store,
                    audit: pintle::audit::Log::at(state.join("audit")),
                    ready: ReadyDesk::default(),
                    duty: DutyDesk::default(),
                    heartbeat: Heartbeat::default(),
                };
                run(setup, until).await.unwrap();
            });
        });
        let desk = Self { folder, stop, thread: Some(thread) };
        for _ in 0..500 {
            if desk.socket().exists() {
                return desk;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        panic!("no control socket within 5 s");
    }

    fn socket(&self) -> PathBuf {
        self.folder.path().join("control.sock")
    }

    fn place(&self, args: &[&str]) -> Output {
        self.call("place", args)
    }

    fn call(&self, command: &str, args: &[&str]) -> Output {
        Command::new(PINTLE).arg(command).args(args).arg("--socket").arg(self.socket()).output().unwrap()
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.stop.cancel();
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

fn row(camera: CameraId, line: Option<PlaceLine>, state: LineState) -> PlaceRow {
    let sentence = line.as_ref().map_or_else(|| "44.51000 N 38.19800 E".to_owned(), PlaceLine::text);
    let advice = if line.is_none() { "write its road".to_owned() } else { String::new() };
    PlaceRow { camera, site: Some(SiteId(7)), line, state, sentence, advice }
}

fn line(road: String, cross_street: String, direction: String, by: String) -> PlaceLine {
    PlaceLine { road, cross_street, direction, by, at: Utc(1_795_608_000_000) }
}

/// Answers as the owner of the places would; the camera "south" is refused.
fn obliging(request: PositionRequest) {
    let request = match request {
        PositionRequest::Place(request) => request,
        PositionRequest::Tow(request) => return towing(request),
    };
    let north = CameraId::new("north").unwrap();
    match request {
        PlaceRequest::List { answer } => drop(answer.send(Ok(vec![row(north, None, LineState::Missing)]))),
        PlaceRequest::Set { camera, road, cross_street, direction, by, answer } => {
            let written = line(road, cross_street, direction, by);
            drop(answer.send(Ok(vec![row(camera, Some(written), LineState::Confirmed)])));
        }
        PlaceRequest::Confirm { camera, answer, .. } => {
            let refused = PlaceProblem { detail: "the trailer is underway; confirm it where it stands".to_owned() };
            let south = camera.is_some_and(|camera| camera.as_str() == "south");
            drop(answer.send(if south { Err(refused) } else { Ok(Vec::new()) }));
        }
    }
}

/// Says that a tow is announced, whoever asks for it; nobody may end it.
fn towing(request: TowRequest) {
    match request {
        TowRequest::Begin { for_s, reason, by, answer, .. } => {
            let (announced, span_ms) = (Utc(1_795_608_000_000), for_s * 1000);
            let until = announced.plus_ms(i64::try_from(span_ms).unwrap());
            let tow = Tow { by, reason, announced, until, span_ms, dated: true };
            let tow = Some(TowView { tow, ends: clock::mono().plus_ms(span_ms) });
            drop(answer.send(Ok(Arc::new(PositionView { tow, ..PositionView::default() }))));
        }
        TowRequest::End { answer, .. } => {
            drop(answer.send(Err(PlaceProblem { detail: "no tow is announced; nothing is to be done".to_owned() })));
        }
    }
}

fn texts(output: &Output) -> (Option<i32>, String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

#[test]
fn place_lines_are_listed_written_and_confirmed_by_command() {
    let desk = Desk::open(obliging);
    let (code, out, _) = texts(&desk.place(&["list"]));
    assert_eq!(
        (code, out.as_str()),
        (Some(0), "north (missing at site 7): 44.51000 N 38.19800 E\n    write its road\n")
    );
    let (code, out, err) = texts(&desk.place(&[
        "set",
        "north",
        "--road",
        "Quernstone Road",
        "--cross-street",
        "Brackwater Lane",
        "--direction",
        "northbound",
        "--by",
        "T. Wray",
    ]));
    assert_eq!(code, Some(0), "{err}");
    assert_eq!(
        out,
        "north (confirmed at site 7): Quernstone Road at Brackwater Lane, northbound\n    by T. Wray, \
         2026-11-25T12:00:00.000Z\n"
    );
    let (code, out, _) = texts(&desk.place(&["set", "north", "--road", "Quernstone Road", "--by", "x", "--json"]));
    let body: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(code, Some(0));
    assert_eq!(body["places"][0]["road"], "Quernstone Road");
    assert_eq!(body["places"][0]["state"], "confirmed");
    assert_eq!(body["places"][0]["site"], 7);
    assert_eq!(texts(&desk.place(&["confirm", "--by", "x"])).0, Some(0));
}

#[test]
fn a_tow_is_announced_with_the_caution_and_refused_with_what_to_do() {
    let desk = Desk::open(obliging);
    let begin = ["begin", "--for", "2h30m", "--by", "T. Wray", "--reason", "to the yard"];
    let (code, out, err) = texts(&desk.call("tow", &begin));
    assert_eq!(code, Some(0), "{err}");
    let lines: Vec<&str> = out.lines().collect();
    assert!(lines[0].starts_with("A tow is announced by T. Wray until 2026-11-25T14:30:00.000Z ("), "{out}");
    assert_eq!(lines[1], "    to the yard");
    assert_eq!(lines[2], "  [ ] Mast down and locked, panels stowed, doors shut.");
    assert_eq!(lines[3], "  [ ] Jacks and stabilisers up, axle lock out.");
    assert_eq!(lines[4], "  [ ] Coupler locked, safety chains fitted, lamps working.");
    assert_eq!(lines[5], "  [ ] Local rules and licensed practice decide; Pintle only reports.");
    let (_, out, _) = texts(&desk.call("tow", &[&begin[..], &["--json"]].concat()));
    let body: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((&body["announced"], &body["by"]), (&Value::from(true), &Value::from("T. Wray")));
    assert_eq!(body["caution"].as_array().map(Vec::len), Some(4));
    let (code, _, err) = texts(&desk.call("tow", &["end", "--by", "T. Wray"]));
    assert_eq!(
        (code, err.as_str()),
        (Some(2), "pintle: That can't be done now: no tow is announced\n  what to do: nothing is to be done\n")
    );
    let (code, out, _) = texts(&desk.call("tow", &["status"]));
    assert_eq!((code, out.as_str()), (Some(0), "No tow is announced.\n"));
    let (code, _, err) = texts(&desk.call("tow", &["begin", "--for", "13h", "--by", "x"]));
    assert_eq!(code, Some(64));
    assert!(err.contains("12h is the most; extend it on the way with --extend"), "{err}");
    let (code, _, err) = texts(&desk.call("tow", &["begin", "--for", "3", "--by", "x"]));
    assert_eq!(code, Some(64));
    assert!(err.contains("write it like 90d, 12h or 2h30m"), "{err}");
    let (code, _, err) = texts(&desk.call("duty", &["off", "--for", "15d", "--reason", "road works", "--by", "x"]));
    assert!(code == Some(64) && err.contains("14d is the most"), "{err}");
}

#[test]
fn what_the_agent_refuses_is_told_with_what_to_do() {
    let desk = Desk::open(obliging);
    let (code, out, err) = texts(&desk.place(&["confirm", "south", "--by", "x"]));
    assert_eq!((code, out.as_str()), (Some(2), ""));
    assert_eq!(
        err,
        "pintle: That can't be done now: the trailer is underway\n  what to do: confirm it where it stands\n"
    );
    let (code, _, err) = texts(&desk.place(&["set", "nroth", "--road", "Quernstone Road", "--by", "x"]));
    assert_eq!(code, Some(2));
    assert_eq!(err, "pintle: The request is not right: there is no such camera\n  what to do: did you mean north?\n");
    let (code, _, err) = texts(&desk.place(&["set", "north", "--road", &"x".repeat(200), "--by", "x"]));
    assert_eq!(code, Some(2));
    assert!(err.contains("`--road` is too long\n  what to do: give at most 160 characters"), "{err}");
    let (code, out, _) = texts(&desk.place(&["confirm", "south", "--by", "x", "--json"]));
    let problem: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((code, &problem["type"]), (Some(2), &Value::from("urn:pintle:problem:refused")));
    assert_eq!(problem["status"], 409);
}

#[test]
fn an_owner_that_does_not_answer_costs_the_answer_and_nothing_else() {
    let desk = Desk::open(drop);
    let (code, _, err) = texts(&desk.place(&["list"]));
    assert_eq!(code, Some(2));
    assert!(err.contains("The part that keeps places and tows does not answer"), "{err}");
    assert_eq!(texts(&desk.place(&["list"])).0, Some(2), "the socket still answers");
}

#[test]
fn without_an_agent_commands_say_so_and_end_with_69() {
    let trailer = Trailer::new("");
    let (code, out, err) = texts(&trailer.command(&["place", "list"]));
    assert_eq!((code, out.as_str()), (Some(69), ""));
    assert!(err.starts_with("pintle: no agent is running at "), "{err}");
    assert!(err.contains("what to do: start it (`systemctl start pintle`)"), "{err}");
}

#[test]
fn the_socket_is_for_owner_and_group_and_every_request_is_in_the_audit() {
    let mut trailer = Trailer::new("");
    trailer.start();
    let result = &trailer.ask(r#"{"do":"status","by":"T. Wray"}"#)["result"];
    let mode = std::fs::metadata(trailer.runtime_dir().join("control.sock")).unwrap().permissions().mode();
    assert_eq!(mode & 0o7777, 0o660);
    assert_eq!(result["trailer"], "heron-3");
    assert_eq!(result["pid"], trailer.pid());
    let problem = trailer.ask(r#"{"do":"place.sett","by":"T. Wray"}"#);
    assert_eq!(problem["type"], "urn:pintle:problem:unknown-verb");
    assert_eq!(problem["nearest"], "place.set");
    let uid = nix::unistd::getuid();
    let log = trailer.log();
    let done = format!("audit: command uid={uid} pid={} verb=\"status\" by=\"T. Wray\"", std::process::id());
    assert!(log.contains(&done), "{log}");
    assert!(log.contains(&format!("audit: command refused uid={uid}")), "{log}");
}

#[test]
fn long_and_malformed_lines_are_refused_and_the_next_caller_is_served() {
    let desk = Desk::open(obliging);
    let say = |bytes: &[u8]| -> Value {
        let mut stream = UnixStream::connect(desk.socket()).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
        // The other end may hang up before it has read everything.
        drop(stream.write_all(bytes));
        let mut answer = String::new();
        BufReader::new(stream).read_line(&mut answer).unwrap();
        serde_json::from_str(&answer).unwrap()
    };
    assert_eq!(say(&vec![b'x'; 20_000])["status"], 413);
    assert_eq!(say(b"{]\n")["status"], 400);
    assert_eq!(say(b"\xff\xfe\n")["status"], 400);
    assert_eq!(say(b"{\"do\":\"place.list\",\"do\":\"status\"}\n")["status"], 400);
    assert_eq!(say(b"{\"do\":\"place.list\"}\n")["result"]["places"][0]["camera"], "north");
}

#[test]
fn callers_that_say_nothing_are_sent_away_and_do_not_shut_out_others() {
    let desk = Desk::open(obliging);
    let idle: Vec<UnixStream> = (0..8).map(|_| UnixStream::connect(desk.socket()).unwrap()).collect();
    // All places are taken; the command waits until the first of them is sent away after 5 s.
    assert_eq!(texts(&desk.place(&["list"])).0, Some(0));
    let mut said = String::new();
    BufReader::new(&idle[0]).read_line(&mut said).unwrap();
    assert!(said.contains("no whole line came within 5 s; connect again"), "{said}");
}

#[test]
fn several_lines_of_one_caller_are_answered_in_their_order() {
    let desk = Desk::open(obliging);
    let mut stream = UnixStream::connect(desk.socket()).unwrap();
    stream.write_all(b"{\"do\":\"place.list\"}\n{\"do\":\"nothing\"}\n{\"do\":\"status\"}\n").unwrap();
    let answers: Vec<Value> =
        BufReader::new(stream).lines().take(3).map(|line| serde_json::from_str(&line.unwrap()).unwrap()).collect();
    assert!(answers[0]["result"]["places"].is_array(), "{answers:?}");
    assert_eq!(answers[1]["status"], 404);
    assert_eq!(answers[2]["result"]["trailer"], "heron-3");
}

/// Runs a command as somebody who is in the group of the control socket and in no other, on a computer where the agent
/// was installed as docs/OPERATIONS.md says: namespaces of mounts put the trailer's folders into their usual places.
fn as_operator(trailer: &Trailer, args: &[&str]) -> (Option<i32>, String, String) {
    let (config, run) = (trailer.config(), trailer.runtime_dir());
    let script = format!(
        "set -e\nmount -t tmpfs -o mode=1777 none /run\nmkdir -p /run/pintle /run/etc\nmount --bind '{run}' /run/pintle\n\
         touch /run/program\nmount --bind '{PINTLE}' /run/program\n\
         cp /etc/passwd /etc/group /run/etc/\nmkdir -m 0750 /run/etc/pintle\n\
         install -m 0640 '{config}' /run/etc/pintle/pintle.toml\nmount --bind /run/etc /etc\n\
         mount -t tmpfs none /var/lib\nmkdir -p -m 0750 /var/lib/pintle\ncd /run\n\
         exec setpriv --reuid=65534 --regid=65534 --clear-groups /run/program \"$@\"",
        run = run.display(),
        config = config.display(),
    );
    let mut command = Command::new("unshare");
    command.args(["--mount", "--propagation", "private", "sh", "-c", &script, "sh"]).args(args);
    texts(&command.output().unwrap())
}

#[test]
fn an_operator_who_may_not_read_the_configuration_uses_every_verb_of_a_documented_install() {
    let tried = Command::new("unshare").args(["--mount", "true"]).output();
    let root = nix::unistd::geteuid().is_root() && tried.is_ok_and(|tried| tried.status.success());
    let group = nix::unistd::Group::from_gid(65534.into()).unwrap();
    let Some(group) = group.filter(|_| root) else {
        assert_ne!(std::env::var("PINTLE_RIGS").as_deref(), Ok("all"), "this test needs root and mount namespaces");
        let not_run = format_args!("not run: needs root that may make mount namespaces, and a group 65534\n");
        drop(std::io::stderr().write_fmt(not_run));
        return;
    };
    let mut trailer = Trailer::new(&format!("[control]\ngroup = \"{}\"\n", group.name));
    trailer.start();
    trailer.wait_health(|health| health["word"].is_string());
    trailer.ask(r#"{"do":"status"}"#);
    for args in [
        &["place", "list"][..],
        &["tow", "status"],
        &["duty", "status"],
        &["need", "list"],
        &["hold", "list"],
        &["queue", "list"],
        &["duty", "off", "--for", "2d", "--reason", "road works"],
    ] {
        let (code, _, err) = as_operator(&trailer, args);
        assert_eq!((code, err.as_str()), (Some(0), ""), "{args:?}");
    }
    let (code, _, err) = as_operator(&trailer, &["ready"]);
    assert!(matches!(code, Some(0 | 1)) && err.is_empty(), "{code:?} {err}");
    let (code, out, err) = as_operator(&trailer, &["status", "--test-alert", "--wait", "1"]);
    assert!(code == Some(1) && out.starts_with("No receipt for the test alert within 1 s"), "{code:?} {out} {err}");
    let (code, _, err) = as_operator(&trailer, &["key", "rotate"]);
    assert!(code == Some(2) && err.contains("pintle: That can't be done now"), "nothing is sealed here: {err}");

    // Who may not read the full health files gets the public word, and a bundle that says what it lacks.
    let (code, out, _) = as_operator(&trailer, &["status"]);
    assert!(matches!(code, Some(0..=2)) && out.contains("(group pintle-read)"), "{code:?} {out}");
    let (code, out, err) = as_operator(&trailer, &["bundle", "--out", "/run/bundle.tar.gz"]);
    assert_eq!(code, Some(0), "{err}");
    for wanted in ["may not read /run/pintle/health", "may not read /var/lib/pintle/health", "config.toml: Permission"]
    {
        assert!(out.contains(wanted), "{wanted}: {out}");
    }
    let (code, _, err) = as_operator(&trailer, &["audit", "verify"]);
    assert!(code == Some(3) && err.contains("Permission denied") && err.contains("sudo"), "{code:?} {err}");

    // What was named must be read; nobody is told to become the agent, whose name would stand in the audit.
    for args in [&["place", "list", "--config"][..], &["status", "--config"], &["status", "--test-alert", "--config"]] {
        let (code, _, err) = as_operator(&trailer, &[args, &["/etc/pintle/pintle.toml"]].concat());
        assert_eq!(code, Some(78), "{args:?} {err}");
        assert!(err.contains("leave --config out") && !err.contains("`pintle`\n"), "{err}");
    }
    assert_eq!(trailer.stop().code(), Some(0));
    let (code, _, err) = as_operator(&trailer, &["place", "list"]);
    assert_eq!(code, Some(69));
    assert!(err.contains("/run/pintle/control.sock") && err.contains("name another with --socket PATH"), "{err}");
    let uids = pintle::audit::lines(&trailer.state_dir().join("audit")).unwrap();
    let acts: Vec<_> = uids.iter().filter(|line| line.act == "duty.off").map(|line| line.uid).collect();
    assert_eq!(acts, [Some(65534)], "the person, and not the agent's user");
}
