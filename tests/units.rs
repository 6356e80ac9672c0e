//! The systemd units, users, folders and device rules: verified by systemd's own tools on a staged tree, and held to
//! the program that they start.
#![expect(clippy::unwrap_used, reason = "tests")]

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const PINTLE: &str = env!("CARGO_BIN_EXE_pintle");
const PAGE: &str = env!("CARGO_BIN_EXE_pintle-page");
const SERVICES: [&str; 3] = ["pintle.service", "pintle-page.service", "pintle-receive.service"];
/// The lever: a socket, and a process for each connection.
const LEVER: [&str; 2] = ["pintle-lever.socket", "pintle-lever@.service"];

fn units() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../systemd")
}

fn read(name: &str) -> String {
    fs::read_to_string(units().join(name)).unwrap()
}

/// All values of a setting, in their order.
fn settings<'t>(unit: &'t str, name: &str) -> Vec<&'t str> {
    unit.lines().filter_map(|line| line.strip_prefix(name)?.strip_prefix('=')).collect()
}

/// Runs a tool of systemd; `None`, said aloud, where it isn't installed.
fn tool(name: &str, args: &[&str]) -> Option<Output> {
    let output = Command::new(name).args(args).env("SYSTEMD_COLORS", "0").output().ok();
    if output.is_none() {
        assert_ne!(std::env::var("PINTLE_RIGS").as_deref(), Ok("all"), "this test needs {name}");
        drop(std::io::Write::write_fmt(&mut std::io::stderr(), format_args!("not run: needs {name}\n")));
    }
    output
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// A tree as an installed trailer has it: our files, the host's own units and users, and the program.
fn staged() -> tempfile::TempDir {
    let tree = tempfile::tempdir().unwrap();
    let at = |path: &str| tree.path().join(path);
    let ours = [
        ("pintle-lever.socket", "usr/lib/systemd/system/pintle-lever.socket"),
        ("pintle-lever@.service", "usr/lib/systemd/system/pintle-lever@.service"),
        ("pintle.service", "usr/lib/systemd/system/pintle.service"),
        ("pintle-page.service", "usr/lib/systemd/system/pintle-page.service"),
        ("pintle-receive.service", "usr/lib/systemd/system/pintle-receive.service"),
        ("pintle-receive.sysusers.conf", "usr/lib/sysusers.d/pintle-receive.conf"),
        ("pintle.sysusers.conf", "usr/lib/sysusers.d/pintle.conf"),
        ("pintle.tmpfiles.conf", "usr/lib/tmpfiles.d/pintle.conf"),
    ];
    for (from, to) in ours {
        fs::create_dir_all(at(to).parent().unwrap()).unwrap();
        fs::copy(units().join(from), at(to)).unwrap();
    }
    for entry in fs::read_dir("/usr/lib/systemd/system").into_iter().flatten() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|end| end == "target" || end == "slice" || end == "service") {
            let to = at("usr/lib/systemd/system").join(path.file_name().unwrap());
            if path.is_file() && !to.exists() {
                fs::copy(&path, to).unwrap();
            }
        }
    }
    fs::create_dir_all(at("usr/bin")).unwrap();
    fs::copy(PINTLE, at("usr/bin/pintle")).unwrap();
    fs::copy(PAGE, at("usr/bin/pintle-page")).unwrap();
    // The check only looks whether a program is there.
    fs::copy(PINTLE, at("usr/bin/pintle-lever")).unwrap();
    fs::create_dir_all(at("etc")).unwrap();
    fs::write(at("etc/group"), "root:x:0:\ndialout:x:20:\n").unwrap();
    fs::write(at("etc/passwd"), "root:x:0:0::/root:/bin/sh\n").unwrap();
    symlink("usr/lib", at("lib")).unwrap();
    tree
}

#[test]
fn the_units_pass_systemds_own_check_on_a_staged_tree() {
    let tree = staged();
    let root = format!("--root={}", tree.path().display());
    for service in SERVICES.into_iter().chain(["pintle-lever.socket", "pintle-lever@1.service"]) {
        let Some(output) = tool("systemd-analyze", &["verify", "--man=no", &root, service]) else { return };
        let ours: Vec<String> =
            said(&output).lines().filter(|line| line.contains("pintle")).map(str::to_owned).collect();
        assert_eq!(ours, Vec::<String>::new(), "{service}");
        assert!(output.status.success(), "{service}: {}", said(&output));
    }
}

#[test]
fn systemds_check_of_the_units_notices_a_mistake() {
    let tree = staged();
    let path = tree.path().join("usr/lib/systemd/system/pintle.service");
    let wrong = fs::read_to_string(&path).unwrap().replace("WatchdogSec=30s", "WatchdogSec=thirty");
    fs::write(&path, wrong).unwrap();
    let root = format!("--root={}", tree.path().display());
    let Some(output) = tool("systemd-analyze", &["verify", "--man=no", &root, "pintle.service"]) else { return };
    let told = said(&output).lines().filter(|line| line.contains("pintle.service:") && line.contains("thirty")).count();
    assert_eq!(told, 1, "the check above would not see it: {}", said(&output));
}

#[test]
fn the_sandbox_leaves_little_open() {
    let tree = staged();
    let root = format!("--root={}", tree.path().display());
    // systemd's own scale: 0.0 is closed, 10.0 is open; a service without any hardening has 9.6.
    for (service, worst) in [
        ("pintle.service", 20),
        ("pintle-page.service", 20),
        ("pintle-receive.service", 20),
        ("pintle-lever@1.service", 40),
    ] {
        let limit = format!("--threshold={worst}");
        let args = ["security", "--offline=true", "--no-pager", &root, &limit, service];
        let Some(output) = tool("systemd-analyze", &args) else { return };
        assert!(output.status.success(), "{service} is more open than {worst} tenths: {}", said(&output));
    }
}

#[test]
fn users_and_groups_are_made_as_the_units_and_the_example_name_them() {
    let tree = staged();
    let root = format!("--root={}", tree.path().display());
    let both = [root.as_str(), "pintle.conf", "pintle-receive.conf"];
    let Some(output) = tool("systemd-sysusers", &both) else { return };
    assert!(output.status.success(), "{}", said(&output));
    let column = |file: &str| -> BTreeSet<String> {
        let text = fs::read_to_string(tree.path().join(file)).unwrap();
        text.lines().map(|line| line.split(':').next().unwrap().to_owned()).collect()
    };
    let (users, groups) = (column("etc/passwd"), column("etc/group"));
    for service in SERVICES {
        let unit = read(service);
        for user in settings(&unit, "User") {
            assert!(users.contains(user), "{service}: no user {user}");
        }
        for group in settings(&unit, "Group").into_iter().chain(settings(&unit, "SupplementaryGroups")) {
            for group in group.split(' ') {
                assert!(groups.contains(group), "{service}: no group {group}");
            }
        }
    }
    let example = units().join("../config/example-systemd.toml");
    let config = pintle::config::read(&example).unwrap();
    for group in [config.health.group.unwrap(), config.control.group.unwrap()] {
        assert!(groups.contains(&group), "no group {group}");
        let agent = settings(&read("pintle.service"), "SupplementaryGroups").concat();
        assert!(agent.split(' ').any(|one| one == group), "the agent gives files to {group}, so must be in it");
    }
}

#[test]
fn folders_are_made_where_the_program_looks_for_them() {
    let tree = staged();
    let root = format!("--root={}", tree.path().display());
    if !nix::unistd::geteuid().is_root() {
        assert_ne!(std::env::var("PINTLE_RIGS").as_deref(), Ok("all"), "this test needs root");
        drop(std::io::Write::write_fmt(
            &mut std::io::stderr(),
            format_args!("not run: needs root, to give folders away\n"),
        ));
        return;
    }
    let Some(made) = tool("systemd-sysusers", &[&root, "pintle.conf"]) else { return };
    assert!(made.status.success(), "{}", said(&made));
    let Some(output) = tool("systemd-tmpfiles", &["--create", &root, "pintle.conf"]) else { return };
    assert!(output.status.success(), "{}", said(&output));
    let config =
        pintle::config::parse("[trailer]\nid = \"a\"\n[[camera]]\nid = \"a\"\n[queue]\nseal = \"none\"\n").unwrap();
    let others = ["/etc/pintle", "/var/lib/pintle-spool", "/media/courier"].map(PathBuf::from);
    for folder in [config.trailer.state_dir, config.trailer.runtime_dir].iter().chain(&others) {
        let inside = tree.path().join(folder.strip_prefix("/").unwrap());
        assert!(inside.is_dir(), "no {}", folder.display());
    }
}

/// Folders that a unit may write to, by what it says itself.
fn writable(unit: &str) -> Vec<PathBuf> {
    let below = |name: &str, parent: &str| -> Vec<PathBuf> {
        settings(unit, name)
            .iter()
            .flat_map(|names| names.split(' '))
            .map(|name| Path::new(parent).join(name))
            .collect()
    };
    let mut folders = [below("StateDirectory", "/var/lib"), below("RuntimeDirectory", "/run")].concat();
    let named = settings(unit, "ReadWritePaths");
    let named = named.iter().flat_map(|paths| paths.split(' '));
    folders.extend(named.map(|path| PathBuf::from(path.trim_start_matches('-'))));
    folders
}

#[test]
fn each_path_that_a_shipped_configuration_lets_the_agent_write_to_is_open_in_its_unit() {
    let unit = read("pintle.service");
    assert_eq!(settings(&unit, "ProtectSystem"), ["strict"], "everything else is closed");
    let open = writable(&unit);
    let mut looked_at = BTreeSet::new();
    for entry in fs::read_dir(units().join("../config")).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        // The bench is started by hand and not by the unit.
        if path.extension().is_none_or(|end| end != "toml") || name == "example-bench.toml" {
            continue;
        }
        let config = pintle::config::read(&path).unwrap();
        let mut writes = vec![config.trailer.state_dir, config.trailer.runtime_dir, config.control.socket];
        writes.extend(config.intake.socket);
        writes.extend(config.spool.map(|spool| spool.path));
        let stick = config.receiver.as_ref().and_then(|receiver| receiver.url.strip_prefix("file://"));
        writes.extend(stick.map(PathBuf::from));
        for path in writes {
            assert!(open.iter().any(|folder| path.starts_with(folder)), "{name}: {} is read-only", path.display());
            looked_at.insert(path);
        }
    }
    for path in ["/var/lib/pintle-spool", "/media/courier"] {
        assert!(looked_at.contains(Path::new(path)), "no configuration names {path}: is it still needed?");
    }
}

#[test]
fn the_page_and_the_lever_may_write_to_the_folders_that_they_are_told_to_keep_things_in_and_nowhere_else() {
    let page = read("pintle-page.service");
    let joined = page.replace("\\\n", "");
    let [start] = settings(&joined, "ExecStart")[..] else { panic!("it starts one thing") };
    let state = start.split(' ').skip_while(|word| *word != "--state").nth(1).unwrap();
    assert_eq!(writable(&page), [Path::new(state)]);
    let lever = read("pintle-lever@.service");
    let told = read("pintle-lever.toml");
    let state = told.lines().find_map(|line| line.strip_prefix("# state_dir = ")).unwrap();
    assert_eq!(writable(&lever), [Path::new(state.trim_matches('"'))]);
    for unit in [page, lever] {
        assert_eq!(settings(&unit, "ProtectSystem"), ["strict"]);
    }
}

#[test]
fn the_install_by_hand_takes_a_configuration_that_lets_the_page_read_and_people_act() {
    let text = fs::read_to_string(units().join("../docs/OPERATIONS.md")).unwrap();
    let line = text.lines().find(|line| line.starts_with("install ") && line.ends_with(" /etc/pintle/pintle.toml"));
    let file = line.unwrap().split(' ').find(|word| word.starts_with("config/")).unwrap();
    let config = pintle::config::read(&units().join("..").join(file)).unwrap();
    let page = settings(&read("pintle-page.service"), "SupplementaryGroups").concat();
    for group in [config.health.group.unwrap(), config.control.group.unwrap()] {
        assert!(page.split(' ').any(|one| one == group), "the page is not in {group}");
    }
}

#[test]
fn the_units_start_commands_that_the_program_knows() {
    for service in SERVICES {
        let unit = read(service);
        let unit = unit.replace("\\\n", "");
        let [start] = settings(&unit, "ExecStart")[..] else { panic!("{service} starts one thing") };
        let mut words = start.split_whitespace();
        let help = match words.next() {
            Some("/usr/bin/pintle") => Command::new(PINTLE).args([words.next().unwrap(), "--help"]).output().unwrap(),
            Some("/usr/bin/pintle-page") => Command::new(PAGE).arg("--help").output().unwrap(),
            other => panic!("{service} starts {other:?}"),
        };
        assert!(help.status.success(), "{service}: {start}: there is no such command");
        for option in words.filter(|word| word.starts_with("--")) {
            assert!(said(&help).contains(option), "{service}: {start}: there is no option {option}");
        }
    }
    // What an agency must not leave out: a token for each trailer, a certificate, age limits.
    let receive = read("pintle-receive.service");
    for option in ["--tokens ", "--token-file ", "--tls-cert ", "--tls-key ", "--keep ", "--hit-keep "] {
        assert!(receive.contains(option), "the receiver is started without {option}");
    }
    let agent = read("pintle.service");
    for (name, value) in [("Type", "notify"), ("Restart", "always"), ("StartLimitIntervalSec", "0")] {
        assert_eq!(settings(&agent, name), [value]);
    }
    assert_ne!(settings(&agent, "WatchdogSec"), Vec::<&str>::new());
}

#[test]
fn the_lever_is_reached_by_its_socket_only_and_by_the_agents_group_only() {
    let [socket, service] = LEVER.map(read);
    let only = |unit: &str, name: &str| settings(unit, name).concat();
    assert_eq!(only(&socket, "SocketMode"), "0660");
    assert_eq!(only(&socket, "SocketGroup"), only(&read("pintle.service"), "Group"));
    assert_eq!((only(&socket, "Accept"), only(&socket, "MaxConnections")), ("yes".to_owned(), "1".to_owned()));
    assert_eq!(only(&service, "ExecStart"), "/usr/bin/pintle-lever", "nothing of the caller's stands in its arguments");
    assert_eq!(only(&service, "StandardInput"), "socket");
    assert_eq!(only(&service, "CapabilityBoundingSet"), "CAP_NET_ADMIN");
    assert!(!service.contains("[Install]"), "nothing else starts it");
    // The agent needs no right for any of this.
    assert_eq!(only(&read("pintle.service"), "CapabilityBoundingSet"), "");
}

#[test]
fn the_kernels_settings_that_a_need_names_are_shipped_and_known_to_linux() {
    let text = read("70-pintle-sysctl.conf");
    let keys: Vec<&str> = text.lines().filter_map(|line| line.split_once(" = ").map(|(key, _)| key)).collect();
    assert_eq!(keys.len(), 5);
    for key in keys {
        let path = Path::new("/proc/sys").join(key.replace('.', "/"));
        // A computer without IPv6 has none of its settings.
        let family = path.ancestors().find(|folder| folder.ends_with("ipv4") || folder.ends_with("ipv6")).unwrap();
        assert!(path.exists() || !family.exists(), "this kernel knows no {key}");
    }
}

#[test]
fn the_device_rules_are_whole_and_agree_with_the_example() {
    let rules = read("70-pintle-gps.rules");
    let lines: Vec<&str> = rules.lines().filter(|line| !line.starts_with('#') && !line.is_empty()).collect();
    assert_eq!(lines.iter().map(|line| line.matches("\"0000\"").count()).sum::<usize>(), 4, "as its head says");
    for line in &lines {
        for part in line.split(", ") {
            let whole = part.ends_with('"') && part.matches('"').count() == 2 && part.contains('=');
            assert!(whole, "`{part}` is no `KEY==\"value\"`");
        }
    }
    assert!(rules.contains("SYMLINK+=\"pintle-gps\""));
    let example = fs::read_to_string(units().join("../config/example-systemd.toml")).unwrap();
    assert!(example.contains("device = \"/dev/pintle-gps\""));
}
