//! `pintle check`: what a technician is told, run as the real program.
#![expect(clippy::unwrap_used, reason = "tests")]

use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const PINTLE: &str = env!("CARGO_BIN_EXE_pintle");

/// A configuration of a trailer that can start, below `folder`.
fn good(folder: &Path) -> String {
    format!(
        "[trailer]\nid = \"heron-3\"\nstate_dir = \"{0}/state\"\nruntime_dir = \"{0}/run\"\n[[camera]]\nid = \
         \"north\"\n[queue]\nseal = \"none\"\ndisk_free_min_mib = 1\n",
        folder.display()
    )
}

fn write(folder: &Path, text: &str) -> PathBuf {
    let path = folder.join("pintle.toml");
    std::fs::write(&path, text).unwrap();
    path
}

fn check(config: &Path, more: &[&str]) -> Output {
    Command::new(PINTLE).arg("check").arg("--config").arg(config).args(more).output().unwrap()
}

fn text(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

#[test]
fn a_trailer_that_can_start_ends_with_0() {
    let folder = tempfile::tempdir().unwrap();
    let output = check(&write(folder.path(), &good(folder.path())), &[]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
    assert!(text(&output).ends_with("This trailer can start.\n"), "{}", text(&output));
    assert!(text(&output).contains("is not there yet and can be made"), "{}", text(&output));
    let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left, ["pintle.toml"], "a check leaves nothing behind");
}

#[test]
fn a_wrong_configuration_ends_with_78_and_all_its_mistakes() {
    let folder = tempfile::tempdir().unwrap();
    let config = write(folder.path(), &good(folder.path()).replace("seal", "sael").replace("state_dir", "state_dri"));
    let output = check(&config, &[]);
    assert_eq!(output.status.code(), Some(78));
    let text = text(&output);
    assert!(text.contains("line 3: [trailer] has no key `state_dri`\n         did you mean `state_dir`?"), "{text}");
    assert!(text.contains("line 8: [queue] has no key `sael`\n         did you mean `seal`?"), "{text}");
    assert!(text.contains("missing: `queue.seal`, how waiting reads are protected"), "{text}");
    assert!(text.ends_with("Not ready: 3 things must be mended.\n"), "{text}");
}

#[test]
fn a_configuration_that_is_not_there_ends_with_78() {
    let output = check(Path::new("/nowhere/pintle.toml"), &["--json"]);
    assert_eq!(output.status.code(), Some(78));
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(report["ready"], false);
    assert_eq!(
        report["findings"][0]["found"],
        "the configuration /nowhere/pintle.toml can't be read: No such file or directory (os error 2)"
    );
}

#[test]
fn everything_that_the_configuration_names_is_opened_and_told() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path().display();
    std::fs::write(folder.path().join("empty"), "").unwrap();
    std::fs::write(folder.path().join("two-words"), "abc def\n").unwrap();
    std::fs::set_permissions(folder.path().join("two-words"), PermissionsExt::from_mode(0o644)).unwrap();
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let text_of_file = format!(
        "{}[gps]\ndevice = \"{at}/gps\"\n[intake]\nlisten = \"{}\"\n[receiver]\nurl = \
         \"https://receiver.example/\"\nca_file = \"{at}/empty\"\ntoken_file = \"{at}/two-words\"\nclient_cert_file = \
         \"{at}/none.pem\"\nclient_key_file = \"{at}/empty\"\n[link]\ninterface = \"usb0\"\nsysfs_dir = \
         \"{at}\"\n[health]\ngroup = \"no-such-group\"\n[control]\nsocket = \"{at}/empty\"\n",
        good(folder.path()),
        taken.local_addr().unwrap()
    );
    let output = check(&write(folder.path(), &text_of_file), &["--json"]);
    assert_eq!(output.status.code(), Some(2), "{}", text(&output));
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let found: Vec<String> = report["findings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|finding| finding["verdict"] == "wrong")
        .map(|finding| {
            assert_ne!(finding["do"].as_str(), None, "each wrong thing says what to do: {finding}");
            format!("{}: {}", finding["about"].as_str().unwrap(), finding["found"].as_str().unwrap())
        })
        .collect();
    assert_eq!(
        found,
        [
            format!("control.socket: {at}/empty is there and is no socket"),
            format!("intake.listen: {} can't be used: Address already in use", taken.local_addr().unwrap()),
            "health.group: there is no group no-such-group".to_owned(),
            format!("receiver.ca_file: {at}/empty holds no certificate"),
            format!("receiver.client_cert_file: {at}/none.pem can't be read: No such file or directory"),
            format!("receiver.client_key_file: {at}/empty holds no private key that can be read"),
            format!("receiver.token_file: {at}/two-words holds spaces, line breaks or other signs within the token"),
        ]
    );
    let looks = || report["findings"].as_array().unwrap().iter().filter(|finding| finding["verdict"] == "look");
    assert!(looks().any(|finding| finding["do"] == format!("take that right away: `chmod o= {at}/two-words`")));
    // What is not plugged in may come later: the agent starts without it.
    for about in ["gps.device", "link.interface"] {
        assert!(looks().any(|finding| finding["about"] == about && finding["do"].is_string()), "{about}");
    }
}

#[test]
fn the_documented_install_is_ready_before_its_first_start_and_before_anything_is_plugged_in() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path().display();
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("../config/example-systemd.toml");
    // The folders and groups of an install are not on this computer.
    let group = nix::unistd::Group::from_gid(nix::unistd::getegid()).unwrap().unwrap().name;
    let text_of_file = std::fs::read_to_string(shipped)
        .unwrap()
        .replacen("[trailer]\n", &format!("[trailer]\nstate_dir = \"{at}/state\"\nruntime_dir = \"{at}/run\"\n"), 1)
        .replacen("seal = \"none\"\n", "seal = \"none\"\ndisk_free_min_mib = 1\n", 1)
        .replace("pintle-read", &group)
        .replace("pintle-operate", &group);
    let more = "client_key_file = \"/run/credentials/pintle.service/trailer-key\"\nclient_cert_file = \
                \"/run/credentials/pintle.service/trailer-cert\"\n";
    let text_of_file = text_of_file.replacen("[link]", &format!("{more}[link]"), 1);
    let output = check(&write(folder.path(), &text_of_file), &[]);
    let text = text(&output);
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(text.contains("look   gps.device: /dev/pintle-gps is not there"), "{text}");
    for (key, name) in [("token_file", "receiver-token"), ("client_key_file", "trailer-key")] {
        let path = format!("/run/credentials/pintle.service/{name}");
        assert!(text.contains(&format!("look   receiver.{key}: {path} is a credential")), "{text}");
        let advice = format!("`systemctl cat pintle.service` loads it: LoadCredential={name}:FILE");
        assert!(text.contains(&advice), "{text}");
    }
    assert!(text.ends_with("This trailer can start.\n"), "{text}");
    let disk =
        text_of_file.replacen("\"none\"", "\"disk\"\nseal_key_file = \"/run/credentials/pintle.service/disk-key\"", 1);
    let told = self::text(&check(&write(folder.path(), &disk), &[]));
    assert!(told.contains("look   queue.seal_key_file: /run/credentials/pintle.service/disk-key is a"), "{told}");
    assert!(told.ends_with("This trailer can start.\n"), "{told}");
}

#[test]
fn the_public_key_of_an_agency_is_no_secret_but_must_be_one_that_nobody_else_can_replace() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path().display();
    let key = folder.path().join("agency.pub");
    let config = format!(
        "{}[receiver]\nurl = \"file://{at}/stick\"\ncredentials_file = \"{at}/agency.pub\"\n",
        good(folder.path())
    );
    let config = write(folder.path(), &config);
    for (text_of_key, mode, exit, wanted) in [
        ("ed25519:MDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDA=\n", 0o644, 0, "holds the agency's public key"),
        ("ed25519:MDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDAwMDA=\n", 0o666, 0, "others may write to"),
        ("something else\n", 0o644, 2, "holds no public key of a courier"),
    ] {
        std::fs::write(&key, text_of_key).unwrap();
        std::fs::set_permissions(&key, PermissionsExt::from_mode(mode)).unwrap();
        let output = check(&config, &[]);
        let text = text(&output);
        assert_eq!(output.status.code(), Some(exit), "{text}");
        assert!(text.contains(wanted) && !text.contains("everybody on this computer may read"), "{wanted}: {text}");
    }
}

#[test]
fn a_key_file_that_is_none_is_told_without_asking_for_the_private_one() {
    let folder = tempfile::tempdir().unwrap();
    let file = write(folder.path(), "root:x:0:0\n");
    let output = Command::new(PINTLE).args(["key", "show"]).arg(&file).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.code() == Some(2) && said.contains("but a public or private seal key is needed"), "{said}");
}

#[test]
fn a_folder_that_everybody_may_write_to_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let config = write(folder.path(), &good(folder.path()));
    let state = pintle::config::read(&config).unwrap().trailer.state_dir;
    std::fs::create_dir_all(&state).unwrap();
    std::fs::set_permissions(&state, PermissionsExt::from_mode(0o777)).unwrap();
    let output = check(&config, &[]);
    let told = format!("look   trailer.state_dir: everybody on this computer may write to {}", state.display());
    assert!(text(&output).contains(&told), "{}", text(&output));
    std::fs::set_permissions(&state, PermissionsExt::from_mode(0o750)).unwrap();
    assert!(!text(&check(&config, &[])).contains("everybody"), "nothing to complain of");
}

#[test]
fn a_file_that_is_no_serial_device_is_not_taken_for_one() {
    let folder = tempfile::tempdir().unwrap();
    let config = write(folder.path(), &format!("{}[gps]\ndevice = \"/dev/null\"\n", good(folder.path())));
    let output = check(&config, &[]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output).contains("WRONG  gps.device: /dev/null is no serial device"), "{}", text(&output));
}

#[test]
fn a_disk_with_too_little_space_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let config = good(folder.path()).replace("disk_free_min_mib = 1\n", "disk_free_min_mib = 1048576\n");
    let output = check(&write(folder.path(), &config), &[]);
    let text = text(&output);
    // A machine with more than a TiB free proves nothing here.
    if output.status.code() != Some(0) {
        assert_eq!(output.status.code(), Some(2));
        assert!(text.contains("MiB are free, less than the 1048576 MiB below which reads are refused"), "{text}");
    }
}

#[test]
fn a_device_without_permission_names_the_group_that_would_help() {
    if !nix::unistd::geteuid().is_root() {
        assert_ne!(std::env::var("PINTLE_RIGS").as_deref(), Ok("all"), "this test needs root");
        drop(std::io::Write::write_fmt(
            &mut std::io::stderr(),
            format_args!("not run: needs root, to become another user\n"),
        ));
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    // The other user must be able to run the program and to read the configuration.
    let program = folder.path().join("pintle");
    std::fs::copy(PINTLE, &program).unwrap();
    std::fs::set_permissions(&program, PermissionsExt::from_mode(0o755)).unwrap();
    std::fs::set_permissions(folder.path(), PermissionsExt::from_mode(0o755)).unwrap();
    let open_to_all = tempfile::tempdir().unwrap();
    std::fs::set_permissions(open_to_all.path(), PermissionsExt::from_mode(0o777)).unwrap();
    // A device of our own: a pseudo-terminal that only root and the group 5 may open.
    let port = nix::pty::openpty(None, None).unwrap();
    let device = nix::unistd::ttyname(&port.slave).unwrap();
    nix::unistd::chown(&device, Some(0.into()), Some(5.into())).unwrap();
    std::fs::set_permissions(&device, PermissionsExt::from_mode(0o660)).unwrap();
    let text_of_file = format!("{}[gps]\ndevice = \"{}\"\n", good(open_to_all.path()), device.display());
    let config = write(folder.path(), &text_of_file);

    let mut command = Command::new(&program);
    command.args(["check", "--config"]).arg(&config).uid(65534).gid(65534);
    // Another test that starts a program at this moment holds the copy open for writing until its own has begun.
    let output = loop {
        match command.output() {
            Err(error) if error.kind() == std::io::ErrorKind::ExecutableFileBusy => std::thread::yield_now(),
            output => break output.unwrap(),
        }
    };
    let text = text(&output);
    assert_eq!(output.status.code(), Some(2), "{text}");
    let group = nix::unistd::Group::from_gid(5.into()).unwrap().unwrap().name;
    let user = nix::unistd::User::from_uid(65534.into()).unwrap().unwrap().name;
    let expected = format!("WRONG  gps.device: {} can't be opened by user {user}: Permission denied", device.display());
    assert!(text.contains(&expected), "{text}");
    let expected = format!(
        "it belongs to root:{group} with mode 0660: add the agent's user to the group (`usermod -aG {group} pintle`)"
    );
    assert!(text.contains(&expected), "{text}");
    assert!(text.ends_with("Not ready: 1 thing must be mended.\n"), "{text}");
}

#[test]
fn files_in_the_spool_folder_that_the_agent_may_not_read_are_counted_and_not_named() {
    if !nix::unistd::geteuid().is_root() {
        assert_ne!(std::env::var("PINTLE_RIGS").as_deref(), Ok("all"), "this test needs root");
        drop(std::io::Write::write_fmt(
            &mut std::io::stderr(),
            format_args!("not run: needs root, to become another user\n"),
        ));
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let mode = |path: &Path, mode| std::fs::set_permissions(path, PermissionsExt::from_mode(mode)).unwrap();
    std::fs::copy(PINTLE, at("pintle")).unwrap();
    std::fs::create_dir(at("spool")).unwrap();
    for (path, bits) in [(at("pintle"), 0o755), (folder.path().to_owned(), 0o777), (at("spool"), 0o777)] {
        mode(&path, bits);
    }
    let config =
        write(folder.path(), &format!("{}[spool]\npath = \"{}\"\n", good(folder.path()), at("spool").display()));
    mode(&config, 0o644);
    let checked = || {
        let mut command = Command::new(at("pintle"));
        command.args(["check", "--config"]).arg(&config).uid(65534).gid(65534);
        // Another test that starts a program at this moment holds the copy open for writing until its own has begun.
        let output = loop {
            match command.output() {
                Err(error) if error.kind() == std::io::ErrorKind::ExecutableFileBusy => std::thread::yield_now(),
                output => break output.unwrap(),
            }
        };
        (output.status.code(), text(&output))
    };
    for (name, bits) in [("QX1.json", 0o600), ("QX2.json", 0o640), ("open.json", 0o644), ("being-written.part", 0o600)]
    {
        std::fs::write(at("spool").join(name), "{}").unwrap();
        mode(&at("spool").join(name), bits);
    }
    let (code, told) = checked();
    let user = nix::unistd::User::from_uid(65534.into()).unwrap().unwrap().name;
    let expected = format!(
        "look   spool.path: 2 files in {} can't be read as user {user} and will not be taken: Permission denied",
        at("spool").display()
    );
    assert!(told.contains(&expected) && told.contains("UMask=0027") && !told.contains("QX"), "{told}");
    assert_eq!(code, Some(0), "it can start, and takes all others: {told}");
    for name in ["QX1.json", "QX2.json"] {
        mode(&at("spool").join(name), 0o644);
    }
    assert!(!checked().1.contains("will not be taken"));
}

#[test]
fn only_the_file_is_looked_at_on_request() {
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("../config/pintle.toml");
    let output = check(&config, &["--only-file"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
    assert!(text(&output).ends_with("The configuration is right; nothing that it names was opened.\n"));
}

#[test]
fn a_call_that_is_not_understood_ends_with_64() {
    for call in [&["chek"][..], &["check", "--confg", "x"], &[]] {
        let output = Command::new(PINTLE).args(call).output().unwrap();
        assert_eq!(output.status.code(), Some(64), "{call:?}");
        assert!(output.stdout.is_empty() && !output.stderr.is_empty(), "{call:?}");
    }
    assert_eq!(Command::new(PINTLE).arg("--help").output().unwrap().status.code(), Some(0));
}

#[test]
fn each_way_to_the_agency_is_spoken_of_in_its_own_words() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    std::fs::write(at.join("agency.pub"), "ed25519:AAAA\n").unwrap();
    for (receiver, wanted) in [
        ("url = \"mqtts://broker.example\"".to_owned(), "images are not carried by an MQTT broker"),
        ("url = \"tls://a.example\"".to_owned(), "one server of a NATS cluster named"),
        ("url = \"tls://a.example,b.example,c.example\"".to_owned(), "3 servers of a NATS cluster"),
        ("url = \"tls://a.example\"\nproof = \"ack\"".to_owned(), "delivery is unproven"),
        (
            format!("url = \"file://{0}/stick\"\ncredentials_file = \"{0}/agency.pub\"", at.display()),
            "there is no courier's stick on",
        ),
    ] {
        let told = text(&check(&write(at, &format!("{}[receiver]\n{receiver}\n", good(at))), &[]));
        assert!(told.contains(wanted), "{receiver}: {told}");
    }
    let without = text(&check(&write(at, &format!("{}[receiver]\nurl = \"file:///media/stick\"\n", good(at))), &[]));
    assert!(without.contains("receiver.credentials_file"), "{without}");
}

#[test]
fn key_files_of_the_wrong_kind_open_to_others_or_on_the_same_disk_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let made = Command::new(PINTLE).args(["key", "new"]).arg(at("county")).args(["--name", "County"]).output().unwrap();
    assert!(made.status.success());
    let sealed = |keys: &str| good(folder.path()).replace("seal = \"none\"", keys);
    let told = |text: &str| {
        let output = check(&write(folder.path(), text), &[]);
        (output.status.code(), self::text(&output))
    };
    let keys = |name: &str| format!("seal = \"receiver\"\nseal_keys = [\"{}\"]", at(name).display());
    let (code, text) = told(&sealed(&keys("county.pub")));
    assert!(code == Some(0) && text.contains("is the key \"County\", "), "{text}");
    assert!(!text.contains("in clear"), "{text}");
    let (code, text) = told(&sealed(&keys("county.key")));
    assert!(code == Some(2) && text.contains("is a private seal key, but a public seal key is needed here"), "{text}");
    std::fs::set_permissions(at("county.pub"), std::fs::Permissions::from_mode(0o666)).unwrap();
    let (code, text) = told(&sealed(&keys("county.pub")));
    assert!(code == Some(0) && text.contains("put a key of their own in its place"), "{text}");

    std::fs::write(at("disk"), [0xa5; 40]).unwrap();
    std::fs::set_permissions(at("disk"), std::fs::Permissions::from_mode(0o644)).unwrap();
    std::fs::create_dir_all(at("state")).unwrap();
    let (code, text) = told(&sealed(&format!("seal = \"disk\"\nseal_key_file = \"{}\"", at("disk").display())));
    assert_eq!(code, Some(0), "{text}");
    for wanted in ["others than its owner may read", "whoever takes the disk takes the key", "pictures are not taken"] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    std::fs::write(at("disk"), [0xa5; 10]).unwrap();
    let (code, text) = told(&sealed(&format!("seal = \"disk\"\nseal_key_file = \"{}\"", at("disk").display())));
    assert!(code == Some(2) && text.contains("is too short"), "{text}");

    for (url, way) in [("mqtt://127.0.0.1:1883", "an MQTT broker"), ("file:///media/courier", "a courier's stick")] {
        let (_, text) =
            told(&format!("{}[receiver]\nurl = \"{url}\"\ncredentials_file = \"/x\"\n", good(folder.path())));
        assert!(text.contains(&format!("images are not carried by {way}")), "{text}");
    }
}

#[test]
fn a_private_key_that_others_may_read_opens_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    Command::new(PINTLE).args(["key", "new"]).arg(at("county")).args(["--name", "County"]).output().unwrap();
    std::fs::set_permissions(at("county.key"), std::fs::Permissions::from_mode(0o640)).unwrap();
    let output = Command::new(PINTLE)
        .args(["receive", "--listen", "127.0.0.1:0", "--data"])
        .arg(at("data"))
        .arg("--key")
        .arg(at("county.key"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.code() == Some(78) && said.contains("others than its owner may read"), "{said}");
}
