//! The lever as its socket unit starts it: one process for each connection, the connection as standard input.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle_core::link::ladder;
use pintle_lever::act::{CALL_MS_MAX, IP_WAIT_S_MAX, MEND_MS_MAX};
use pintle_lever::answer::{Answer, Outcome};
use pintle_lever::limits::{REBOOTS_PER_DAY_MAX, RENEWS_PER_DAY_MAX, RESETS_PER_DAY_MAX};
use pintle_lever::step::Step;
use std::fmt::Write as _;
use std::fs;
use std::io::{ErrorKind, Read as _, Write as _};
use std::os::fd::OwnedFd;
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const LEVER: &str = env!("CARGO_BIN_EXE_pintle-lever");

/// A computer's files as far as the lever looks at them, and programs that note how they were called.
struct Computer {
    folder: tempfile::TempDir,
    /// Runs the lever within this network namespace.
    namespace: Option<String>,
}

impl Computer {
    fn new() -> Self {
        let computer = Self { folder: tempfile::tempdir().unwrap(), namespace: None };
        let device = computer.at("sys/devices/platform/usb1/1-1/1-1.2");
        fs::create_dir_all(device.join("1-1.2:1.0/net/usb0")).unwrap();
        fs::write(device.join("authorized"), "1").unwrap();
        fs::write(device.join("1-1.2:1.0/net/usb0/address"), "02:00:5e:10:00:01\n").unwrap();
        for folder in ["sys/class/net", "sys/bus/usb/devices"] {
            fs::create_dir_all(computer.at(folder)).unwrap();
        }
        let link = |from: PathBuf, to: &str| std::os::unix::fs::symlink(from, computer.at(to)).unwrap();
        link(device.join("1-1.2:1.0/net/usb0"), "sys/class/net/usb0");
        link(device.join("1-1.2:1.0"), "sys/devices/platform/usb1/1-1/1-1.2/1-1.2:1.0/net/usb0/device");
        link(device, "sys/bus/usb/devices/1-1.2");
        for name in ["renew", "ip", "command", "reboot"] {
            computer.program(name, &format!("echo \"{name} $*\" >> {}", computer.at("called").display()));
        }
        computer
    }

    fn at(&self, path: &str) -> PathBuf {
        self.folder.path().join(path)
    }

    fn program(&self, name: &str, text: &str) {
        fs::write(self.at(name), format!("#!/bin/sh\n{text}\n")).unwrap();
        fs::set_permissions(self.at(name), fs::Permissions::from_mode(0o755)).unwrap();
    }

    /// Writes the lever's file; `more` goes to its end.
    fn configured(&self, user: &str, link: &str, more: &str) -> &Self {
        let at = |path: &str| self.at(path).display().to_string();
        let mut text = format!("user = \"{user}\"\nsteps = [\"renew\", \"cycle\", \"usb\", \"command\", \"reboot\"]\n");
        writeln!(text, "{link}\noff_ms = 400\nsysfs_dir = \"{}\"\nstate_dir = \"{}\"", at("sys"), at("state")).unwrap();
        writeln!(text, "renew = [\"{}\", \"now\", \"{{interface}}\"]\nip = \"{}\"", at("renew"), at("ip")).unwrap();
        writeln!(text, "command = [\"{}\", \"it\"]\nreboot = [\"{}\"]\n{more}", at("command"), at("reboot")).unwrap();
        fs::write(self.at("lever.toml"), text).unwrap();
        fs::set_permissions(self.at("lever.toml"), fs::Permissions::from_mode(0o644)).unwrap();
        self
    }

    /// Connects as the agent does, with the lever started as systemd would.
    fn connected(&self) -> UnixStream {
        self.connected_with_pid().0
    }

    /// As [`Self::connected`], with the number of the lever's process.
    fn connected_with_pid(&self) -> (UnixStream, u32) {
        let path = self.at("socket");
        drop(fs::remove_file(&path));
        let listener = UnixListener::bind(&path).unwrap();
        let caller = UnixStream::connect(&path).unwrap();
        caller.set_read_timeout(Some(Duration::from_mins(1))).unwrap();
        let (accepted, _) = listener.accept().unwrap();
        let mut command = match &self.namespace {
            None => Command::new(LEVER),
            Some(name) => {
                let mut command = Command::new("ip");
                command.args(["netns", "exec", name, LEVER]);
                command
            }
        };
        command.arg("--config").arg(self.at("lever.toml"));
        let fd = OwnedFd::from(accepted);
        let mut child = command.stdin(fd.try_clone().unwrap()).stdout(fd).stderr(Stdio::null()).spawn().unwrap();
        let pid = child.id();
        std::thread::spawn(move || child.wait());
        (caller, pid)
    }

    fn said(&self, line: &[u8]) -> Answer {
        let mut caller = self.connected();
        // A lever that refuses at once may have closed already.
        drop(caller.write_all(line));
        let mut answer = Vec::new();
        // Words that nobody read make the kernel end the connection hard, behind the answer.
        let mut part = [0; 512];
        loop {
            match caller.read(&mut part) {
                // A process that was stopped and goes on. Source: signal(7), sockets with a time limit.
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Ok(0) | Err(_) => break,
                Ok(read) => answer.extend_from_slice(&part[..read]),
            }
        }
        serde_json::from_slice(&answer).unwrap()
    }

    fn pull(&self, step: Step) -> Answer {
        self.said(format!("{}\n", step.word()).as_bytes())
    }

    fn called(&self) -> Vec<String> {
        fs::read_to_string(self.at("called")).unwrap_or_default().lines().map(str::to_owned).collect()
    }
}

fn me() -> String {
    nix::unistd::User::from_uid(nix::unistd::geteuid()).unwrap().unwrap().name
}

const BY_MAC: &str = "mac = \"02:00:5E:10:00:01\"";
const BY_PORT: &str = "usb_port = \"1-1.2\"";

#[test]
fn each_word_does_one_thing_with_what_roots_file_says() {
    let computer = Computer::new();
    computer.configured(&me(), BY_MAC, "reboots_per_day = 1\nsteps_per_hour = 6");
    for step in [Step::Renew, Step::Cycle, Step::Command, Step::Reboot] {
        assert_eq!(computer.pull(step), Answer::done(step));
    }
    let cycle = ["ip link set dev usb0 down", "ip link set dev usb0 up"];
    assert_eq!(computer.called(), ["renew now usb0", cycle[0], cycle[1], "command it", "reboot "]);
}

#[test]
fn the_usb_device_loses_its_permission_and_has_it_back() {
    for link in [BY_MAC, BY_PORT] {
        let computer = Computer::new();
        computer.configured(&me(), link, "");
        let path = computer.at("sys/bus/usb/devices/1-1.2/authorized");
        let watched = path.clone();
        let seen = std::thread::spawn(move || {
            let began = Instant::now();
            while began.elapsed() < Duration::from_secs(30) {
                if fs::read_to_string(&watched).unwrap() == "0" {
                    return true;
                }
                std::thread::sleep(Duration::from_millis(5));
            }
            false
        });
        assert_eq!(computer.pull(Step::Usb), Answer::done(Step::Usb));
        assert!(seen.join().unwrap(), "it was never off");
        assert_eq!(fs::read_to_string(path).unwrap(), "1", "it is on again");
    }
}

#[test]
fn another_user_is_refused_and_nothing_is_done_or_counted() {
    let computer = Computer::new();
    // The caller, this test, is not that user.
    let other = if nix::unistd::geteuid().is_root() { "nobody" } else { "root" };
    computer.configured(other, BY_MAC, "");
    for step in Step::ALL {
        let answer = computer.pull(step);
        assert_eq!(answer.outcome, Outcome::Refused);
        assert_eq!(answer.why.as_deref(), Some("this user may not pull the lever"));
    }
    assert!(computer.called().is_empty());
    assert!(!computer.at("state").exists());
}

#[test]
fn other_words_arguments_and_floods_are_refused() {
    let computer = Computer::new();
    computer.configured(&me(), BY_MAC, "");
    let flood = vec![b'r'; 1 << 20];
    let lines: [&[u8]; 7] =
        [b"\n", b"halt\n", b"renew usb1\n", b"usb 1-2\n", b"renew; reboot\n", b"\xff\xfe\xfd\n", &flood];
    for line in lines {
        let answer = computer.said(line);
        assert_eq!((answer.step, answer.outcome), (None, Outcome::Refused));
        assert!(answer.advice.unwrap().contains("renew, cycle, usb, command, reboot"));
    }
    // One that says nothing is left after a while.
    let mut silent = computer.connected();
    let mut answer = String::new();
    silent.read_to_string(&mut answer).unwrap();
    assert!(answer.contains("none of the words"), "{answer}");
    // Nor may one drip: all of the word in five seconds.
    let (mut dripping, began) = (computer.connected(), Instant::now());
    for byte in b"cycl" {
        dripping.write_all(&[*byte]).unwrap();
        std::thread::sleep(Duration::from_millis(1500));
    }
    let mut answer = String::new();
    dripping.read_to_string(&mut answer).unwrap();
    assert!(answer.contains("none of the words") && began.elapsed() < Duration::from_secs(30), "{answer}");
    assert!(computer.called().is_empty());
}

#[test]
fn limits_hold_over_processes_and_are_noted_before_the_step() {
    let computer = Computer::new();
    computer.configured(&me(), BY_MAC, "steps_per_hour = 6\nresets_per_day = 2");
    let (from, to) = (computer.at("state/steps.ndjson"), computer.at("seen"));
    computer.program("command", &format!("cp {} {}", from.display(), to.display()));
    assert_eq!(computer.pull(Step::Command), Answer::done(Step::Command));
    let noted = fs::read_to_string(to).unwrap();
    assert!(noted.contains("\"command\""), "known on disk before it was done: {noted}");
    assert_eq!(computer.pull(Step::Cycle), Answer::done(Step::Cycle));
    let answer = computer.pull(Step::Command);
    assert_eq!(answer.why.as_deref(), Some("2 resets were made within a day, which is the limit"));
    assert_eq!(computer.pull(Step::Reboot).outcome, Outcome::Refused, "off unless root's file says otherwise");
    for _ in 0..4 {
        assert_eq!(computer.pull(Step::Renew).outcome, Outcome::Done);
    }
    let answer = computer.pull(Step::Renew);
    assert_eq!(answer.why.as_deref(), Some("6 steps were taken within an hour, which is the limit"));
    assert_eq!(computer.called().len(), 2 + 4);
}

#[test]
fn many_callers_at_once_get_no_more_than_the_limit() {
    let computer = Computer::new();
    computer.configured(&me(), BY_MAC, "steps_per_hour = 3");
    let callers: Vec<UnixStream> = (0..12).map(|_| computer.connected()).collect();
    for mut caller in &callers {
        caller.write_all(b"renew\n").unwrap();
    }
    let done = callers.into_iter().filter(|mut caller| {
        let mut answer = String::new();
        caller.read_to_string(&mut answer).unwrap();
        answer.contains("\"done\"")
    });
    assert_eq!(done.count(), 3);
    assert_eq!(computer.called().len(), 3);
}

#[test]
fn what_fails_is_told_and_a_program_that_hangs_is_stopped_with_all_it_started() {
    let computer = Computer::new();
    computer.configured(&me(), "interface = \"usb7\"", "program_wait_s = 1");
    let answer = computer.pull(Step::Renew);
    assert_eq!(answer.outcome, Outcome::Failed);
    assert!(answer.why.unwrap().contains("no interface"));
    let alive = computer.at("alive");
    computer.program("command", &format!("(sleep 3; touch {}) &\nsleep 60", alive.display()));
    let answer = computer.pull(Step::Command);
    assert!(answer.why.unwrap().contains("longer than 1 s and was stopped"));
    computer.program("command", "exit 3");
    let answer = computer.pull(Step::Command);
    assert!(answer.why.unwrap().contains("exit status: 3"));
    std::thread::sleep(Duration::from_secs(3));
    assert!(!alive.exists(), "a child of it lived on");
}

#[test]
fn a_link_that_was_switched_off_is_switched_on_whatever_fails() {
    let computer = Computer::new();
    computer.configured(&me(), BY_MAC, "");
    let (log, count) = (computer.at("called").display().to_string(), computer.at("count").display().to_string());
    // "down" fails, and "up" only works at the third try.
    let text = format!(
        "echo \"ip $*\" >> {log}\n[ \"$5\" = down ] && exit 1\necho x >> {count}\n[ $(wc -l < {count}) -ge 3 ]"
    );
    computer.program("ip", &text);
    let answer = computer.pull(Step::Cycle);
    assert_eq!(answer.outcome, Outcome::Failed, "the failure is told");
    let called = computer.called();
    assert_eq!(called.len(), 4, "{called:?}");
    assert!(called[1..].iter().all(|call| call.ends_with("up")));
}

#[test]
fn a_switch_that_hangs_holds_no_link_off_whatever_the_file_gives_to_programs() {
    let computer = Computer::new();
    computer.configured(&me(), BY_MAC, "program_wait_s = 120");
    let log = computer.at("called").display().to_string();
    computer.program("ip", &format!("echo \"ip $*\" >> {log}\n[ \"$5\" = down ] && sleep 110\nexit 0"));
    let began = Instant::now();
    let answer = computer.pull(Step::Cycle);
    assert!(answer.why.unwrap().contains("longer than 15 s and was stopped"));
    assert!(began.elapsed() < Duration::from_secs(IP_WAIT_S_MAX + 30), "{:?}", began.elapsed());
    assert_eq!(computer.called(), ["ip link set dev usb0 down", "ip link set dev usb0 up"]);
}

#[test]
fn all_tries_from_off_to_on_lie_within_what_the_unit_gives() {
    let unit = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../systemd/pintle-lever@.service");
    let unit = fs::read_to_string(unit).unwrap();
    let ms = |name: &str| {
        let value = unit.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix('=')).unwrap();
        value.strip_suffix("min").unwrap().parse::<u64>().unwrap() * 60_000
    };
    // Ten seconds for starting programs and for syncing on a slow card.
    assert!(CALL_MS_MAX + 10_000 <= ms("RuntimeMaxSec"), "a call takes up to {CALL_MS_MAX} ms");
    assert!(MEND_MS_MAX + 10_000 <= ms("TimeoutStopSec"), "switching on takes up to {MEND_MS_MAX} ms");
    assert!(unit.lines().any(|line| line == "ExecStopPost=/usr/bin/pintle-lever --on"));
}

/// Waits until the lever has called `ip` so.
fn wait_called(computer: &Computer, last: &str) {
    let began = Instant::now();
    while computer.called().last().is_none_or(|call| !call.ends_with(last)) {
        assert!(began.elapsed() < Duration::from_mins(1), "{:?}", computer.called());
        std::thread::sleep(Duration::from_millis(10));
    }
}

#[test]
fn a_lever_that_is_killed_between_off_and_on_is_followed_by_one_that_switches_on() {
    let computer = Computer::new();
    computer.configured(&me(), BY_MAC, "");
    let text = fs::read_to_string(computer.at("lever.toml")).unwrap().replace("off_ms = 400", "off_ms = 30000");
    fs::write(computer.at("lever.toml"), text).unwrap();
    let path = computer.at("lever.toml").display().to_string();
    let killed = |step: Step| {
        let (caller, pid) = computer.connected_with_pid();
        (&caller).write_all(format!("{}\n", step.word()).as_bytes()).unwrap();
        (caller, pid)
    };
    let kill = |pid: u32| {
        let pid = nix::unistd::Pid::from_raw(i32::try_from(pid).unwrap());
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGKILL).unwrap();
    };
    let on = || Command::new(LEVER).args(["--on", "--config", &path]).output().unwrap();
    // As the unit does after a lever that was ended.
    let (mut caller, pid) = killed(Step::Cycle);
    wait_called(&computer, "usb0 down");
    kill(pid);
    let mut nothing = String::new();
    assert_eq!(caller.read_to_string(&mut nothing).unwrap_or(0), 0, "{nothing}");
    assert!(on().status.success());
    assert_eq!(computer.called(), ["ip link set dev usb0 down", "ip link set dev usb0 up"]);
    assert!(on().status.success(), "nothing more to do");
    assert_eq!(computer.called().len(), 2);
    // The device's permission, given back by the next call, whatever that is and whether it is allowed.
    let authorized = computer.at("sys/bus/usb/devices/1-1.2/authorized");
    let (_caller, pid) = killed(Step::Usb);
    let began = Instant::now();
    while fs::read_to_string(&authorized).unwrap() != "0" {
        assert!(began.elapsed() < Duration::from_mins(1));
        std::thread::sleep(Duration::from_millis(10));
    }
    kill(pid);
    assert_eq!(computer.pull(Step::Reboot).outcome, Outcome::Refused);
    assert_eq!(fs::read_to_string(&authorized).unwrap(), "1");
}

#[test]
fn a_link_that_no_try_switched_on_is_tried_again_until_it_is() {
    let computer = Computer::new();
    computer.configured(&me(), BY_MAC, "");
    let log = computer.at("called").display().to_string();
    let (broken, path) = (computer.at("broken"), computer.at("lever.toml").display().to_string());
    fs::write(&broken, "").unwrap();
    let text = format!("echo \"ip $*\" >> {log}\n[ \"$5\" = down ] || [ ! -e {} ]", broken.display());
    computer.program("ip", &text);
    let on = || Command::new(LEVER).args(["--on", "--config", &path]).output().unwrap();
    assert_eq!(computer.pull(Step::Cycle).outcome, Outcome::Failed);
    assert_eq!(computer.called().len(), 1 + 5);
    assert_eq!(on().status.code(), Some(75), "and said so");
    assert_eq!(computer.called().len(), 1 + 10);
    fs::remove_file(&broken).unwrap();
    assert_eq!(computer.pull(Step::Renew), Answer::done(Step::Renew));
    let called = computer.called();
    assert_eq!(called[11..], ["ip link set dev usb0 up", "renew now usb0"], "on first");
    assert_eq!(computer.pull(Step::Renew), Answer::done(Step::Renew));
    assert_eq!(computer.called().len(), 14, "once");
}

#[test]
fn a_step_of_an_earlier_life_is_dated_only_where_a_time_service_left_word_both_times() {
    let computer = Computer::new();
    let mark = computer.at("mark");
    let more = format!("reboots_per_day = 1\nclock_mark = \"{}\"", mark.display());
    computer.configured(&me(), BY_MAC, &more);
    assert_eq!(computer.pull(Step::Reboot), Answer::done(Step::Reboot));
    let file = computer.at("state/steps.ndjson");
    let noted: serde_json::Value = serde_json::from_str(fs::read_to_string(&file).unwrap().trim_end()).unwrap();
    assert_eq!(noted.get("right"), None, "nobody has set the clock: {noted}");
    // As a clock that begins in 1970 would have noted it, in another life; now the time is known.
    let earlier = |right: bool| {
        let line = format!(
            "{{\"step\":\"reboot\",\"utc_ms\":7200000,\"right\":{right},\"boot\":\"earlier\",\"boottime_ms\":7200000}}\n"
        );
        fs::write(&file, line).unwrap();
        computer.pull(Step::Reboot).outcome
    };
    let boottime = nix::time::clock_gettime(nix::time::ClockId::CLOCK_BOOTTIME).unwrap();
    if 86_400 <= boottime.tv_sec() {
        // This life alone is longer than a day, and frees what is older in any case.
        assert_eq!(earlier(false), Outcome::Done);
        return;
    }
    assert_eq!(earlier(false), Outcome::Refused);
    assert_eq!(earlier(true), Outcome::Refused, "the clock is not known to be right now");
    fs::write(&mark, "").unwrap();
    assert_eq!(earlier(false), Outcome::Refused, "it was not then");
    assert_eq!(earlier(true), Outcome::Done);
    let noted: serde_json::Value = serde_json::from_str(fs::read_to_string(&file).unwrap().trim_end()).unwrap();
    assert_eq!(noted["right"], true, "{noted}");
}

#[test]
fn a_file_that_others_may_write_and_a_wrong_start_are_refused() {
    let computer = Computer::new();
    computer.configured(&me(), BY_MAC, "");
    fs::set_permissions(computer.at("lever.toml"), fs::Permissions::from_mode(0o666)).unwrap();
    let answer = computer.pull(Step::Renew);
    assert!(answer.advice.unwrap().contains("pintle-lever --check"));
    let by_hand = |arguments: &[&str]| {
        let output = Command::new(LEVER).args(arguments).stdin(Stdio::null()).output().unwrap();
        (output.status.code().unwrap(), String::from_utf8(output.stderr).unwrap())
    };
    let path = computer.at("lever.toml").display().to_string();
    let (code, text) = by_hand(&["--check", "--config", &path]);
    assert_eq!(code, 78);
    assert!(text.contains("chmod it 0644"), "{text}");
    fs::set_permissions(computer.at("lever.toml"), fs::Permissions::from_mode(0o600)).unwrap();
    assert_eq!(by_hand(&["--check", "--config", &path]).0, 0);
    assert_eq!(by_hand(&["renew"]).0, 64, "words come over the socket only");
    assert_eq!(by_hand(&["--config", &path]).0, 66, "no socket, no step");
    assert!(computer.called().is_empty());
}

#[test]
fn the_agents_ladder_and_the_lever_mean_the_same_by_their_words() {
    let ours: Vec<_> = Step::ALL.iter().map(|step| (step.word(), step.is_reset())).collect();
    let agents: Vec<_> = ladder::Step::ALL.iter().map(|step| (step.word(), step.is_reset())).collect();
    assert_eq!(ours, agents);
    let limits = [ladder::RENEWS_PER_DAY_MAX, ladder::RESETS_PER_DAY_MAX, ladder::REBOOTS_PER_DAY_MAX];
    let ours = [RENEWS_PER_DAY_MAX, RESETS_PER_DAY_MAX, REBOOTS_PER_DAY_MAX];
    assert_eq!(limits.map(u32::try_from), ours.map(Ok));
}

#[test]
fn the_file_that_we_ship_is_in_order_for_a_computer_that_has_the_user() {
    let computer = Computer::new();
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../systemd/pintle-lever.toml");
    let text = fs::read_to_string(shipped).unwrap();
    // With every setting that is commented out put in, too: none of them is misspelt.
    let all: Vec<String> = text
        .lines()
        .filter(|line| !line.starts_with("# mac") && !line.starts_with("# interface"))
        .map(|line| match line.strip_prefix("# ") {
            Some(key) if key.split_once(" = ").is_some_and(|(name, _)| !name.contains(' ')) => key,
            _ => line,
        })
        .map(|line| line.replace("user = \"pintle\"", &format!("user = \"{}\"", me())))
        .collect();
    fs::write(computer.at("lever.toml"), all.join("\n")).unwrap();
    fs::set_permissions(computer.at("lever.toml"), fs::Permissions::from_mode(0o644)).unwrap();
    let path = computer.at("lever.toml").display().to_string();
    let output = Command::new(LEVER).args(["--check", "--config", &path]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let keys = all.iter().filter(|line| !line.starts_with('#') && line.contains(" = ")).count();
    assert_eq!(keys, 16, "as many as are told of");
}

/// Runs `ip` and tells whether it went well.
fn ip(arguments: &str) -> bool {
    let words = arguments.split(' ');
    Command::new("ip")
        .args(words)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}

/// A network namespace, gone at the end.
struct Namespace(String);

impl Drop for Namespace {
    fn drop(&mut self) {
        ip(&format!("netns del {}", self.0));
    }
}

#[test]
fn steps_really_run_in_a_network_namespace_and_the_kernel_counts_them() {
    let name = format!("pintle-lever-{}", std::process::id());
    if !ip(&format!("netns add {name}")) {
        assert_ne!(std::env::var("PINTLE_RIGS").as_deref(), Ok("all"), "this test needs root and network namespaces");
        drop(writeln!(std::io::stderr(), "not run: needs root, iproute2 and network namespaces"));
        return;
    }
    let namespace = Namespace(name.clone());
    assert!(ip(&format!("-n {name} link add usb0 address 02:00:5e:10:00:01 type veth peer name far0")));
    assert!(ip(&format!("-n {name} link set far0 up")) && ip(&format!("-n {name} link set usb0 up")));
    let inside = |file: &str| -> String {
        let file = format!("/sys/class/net/usb0/{file}");
        let output = Command::new("ip").args(["netns", "exec", &name, "cat", &file]).output().unwrap();
        String::from_utf8(output.stdout).unwrap().trim().to_owned()
    };
    let mut computer = Computer::new();
    computer.namespace = Some(name.clone());
    let real_ip =
        ["/usr/sbin/ip", "/sbin/ip", "/usr/bin/ip", "/bin/ip"].into_iter().find(|path| Path::new(path).exists());
    let renew = format!("{} addr replace 192.0.2.7/24 dev $2", real_ip.unwrap());
    computer.program("renew", &renew);
    computer.configured(&me(), BY_MAC, "steps_per_hour = 6");
    let text = fs::read_to_string(computer.at("lever.toml")).unwrap();
    let text: Vec<String> = text
        .lines()
        .filter(|line| !line.starts_with("sysfs_dir") && !line.starts_with("ip ="))
        .map(str::to_owned)
        .chain([format!("ip = \"{}\"", real_ip.unwrap())])
        .collect();
    fs::write(computer.at("lever.toml"), text.join("\n")).unwrap();
    let before: u32 = inside("carrier_down_count").parse().unwrap();
    assert_eq!(computer.pull(Step::Renew), Answer::done(Step::Renew));
    let shown = Command::new("ip").args(["-n", &name, "-brief", "addr", "show", "usb0"]).output().unwrap();
    assert!(String::from_utf8(shown.stdout).unwrap().contains("192.0.2.7/24"));
    for turn in 1..=2 {
        assert_eq!(computer.pull(Step::Cycle), Answer::done(Step::Cycle));
        assert_eq!(inside("carrier_down_count").parse::<u32>().unwrap(), before + turn, "off once each time");
        assert_eq!(inside("operstate"), "up", "and on again");
    }
    drop(namespace);
}
