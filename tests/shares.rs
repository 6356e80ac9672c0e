//! The sample configurations of `config/shares/` with the servers that they are for: real `smbd` and `sshd` on free
//! ports, and real clients. Each server runs in a mount namespace of its own, where users, `/run` and `/srv` are the
//! test's, so that the samples are tried as they are shipped and the computer is left as it was.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::{clock, show};
use pintle_core::health::{Memory, snapshot};
use pintle_core::sim::scene::Scene;
use pintle_core::wire::health::HealthBody;
use serde_json::Value;
use std::fs::Permissions;
use std::io::Write as _;
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::{PermissionsExt as _, chown};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

const PATIENCE: Duration = Duration::from_mins(1);
/// Numbers that no package takes (Debian policy 9.2.2: 60000 to 64999 are handed out one by one).
const TRAILER: u32 = 64_101;
const MEMBER: u32 = 64_102;
const OTHER: u32 = 64_103;
const READERS: u32 = 64_111;
const SHARERS: u32 = 64_112;
const PASSWORD: &str = "Mallow-73-Kestrel";

fn rig(name: &str, there: bool) -> bool {
    if !there {
        assert!(std::env::var("PINTLE_RIGS").as_deref() != Ok("all"), "{name} is missing");
        writeln!(std::io::stderr().lock(), "not run: needs {name}").unwrap();
    }
    there
}

/// The program, wherever Debian puts it; root's path may lack the folder.
fn program(name: &str) -> Option<PathBuf> {
    let folders = ["/usr/sbin", "/usr/bin", "/sbin", "/bin"];
    folders.iter().map(|folder| Path::new(folder).join(name)).find(|path| path.is_file())
}

fn ready(programs: &[&str]) -> bool {
    let own_mounts = || {
        let tried = Command::new("unshare").args(["--mount", "true"]).stderr(Stdio::null()).status();
        tried.is_ok_and(|status| status.success())
    };
    let root = nix::unistd::geteuid().is_root();
    rig("root that may make mount namespaces", root && own_mounts())
        && programs.iter().all(|name| rig(name, program(name).is_some()))
}

/// The folder that an agent would write, and a server that shows it.
struct Share {
    base: tempfile::TempDir,
    port: u16,
    server: Option<Child>,
}

impl Drop for Share {
    fn drop(&mut self) {
        if let Some(mut server) = self.server.take() {
            // The whole group: smbd has a child for each connection.
            let group = nix::unistd::Pid::from_raw(-i32::try_from(server.id()).unwrap());
            // It may have ended by itself.
            let _gone = nix::sys::signal::kill(group, nix::sys::signal::Signal::SIGKILL);
            drop(server.wait());
        }
    }
}

fn body(scene: Scene, generation: u64) -> HealthBody {
    let mut scene = scene;
    scene.now.utc = clock::utc();
    let told = snapshot(&scene.observations(), &mut Memory::default());
    HealthBody::new(&scene.observations(), &told, generation)
}

impl Share {
    fn new() -> Self {
        let base = tempfile::tempdir().unwrap();
        std::fs::set_permissions(base.path(), Permissions::from_mode(0o755)).unwrap();
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let share = Self { base, port, server: None };
        std::fs::create_dir(share.path("run")).unwrap();
        share.write(Scene::after_tow(), 1);
        let add = |file: &str, more: &str| {
            let text = std::fs::read_to_string(Path::new("/etc").join(file)).unwrap();
            std::fs::write(share.path(file), format!("{}\n{more}", text.trim_end())).unwrap();
        };
        add(
            "passwd",
            &format!(
                "pintle:x:{TRAILER}:{TRAILER}::/nonexistent:/usr/sbin/nologin\n\
                 wray:x:{MEMBER}:{MEMBER}::/nonexistent:/usr/sbin/nologin\n\
                 osterholt:x:{OTHER}:{OTHER}::/nonexistent:/usr/sbin/nologin\n"
            ),
        );
        add(
            "group",
            &format!(
                "pintle:x:{TRAILER}:\nwray:x:{MEMBER}:\nosterholt:x:{OTHER}:\n\
                 pintle-read:x:{READERS}:wray,pintle\npintle-share:x:{SHARERS}:wray,osterholt\n"
            ),
        );
        share
    }

    fn path(&self, name: &str) -> PathBuf {
        self.base.path().join(name)
    }

    /// As the agent writes: replaced one by one, with its rights.
    fn write(&self, scene: Scene, generation: u64) {
        let body = body(scene, generation);
        let run = self.path("run");
        chown(&run, Some(TRAILER), None).unwrap();
        let files = [
            ("health", 0o750, 0o640, Some(READERS), show::health_files(&body).unwrap()),
            ("public", 0o755, 0o644, None, show::public_files(&body).unwrap()),
        ];
        for (folder, mode, file_mode, group, files) in files {
            let folder = run.join(folder);
            std::fs::create_dir_all(&folder).unwrap();
            let give = |path: &Path, mode: u32| {
                chown(path, Some(TRAILER), group).unwrap();
                std::fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
            };
            give(&folder, mode);
            for (name, text) in files {
                let beside = folder.join(format!(".{name}.new"));
                std::fs::write(&beside, text).unwrap();
                give(&beside, file_mode);
                std::fs::rename(&beside, folder.join(name)).unwrap();
            }
        }
    }

    /// Starts `script` (a shell's) with the test's users, and waits until somebody listens.
    fn serve(&mut self, script: &str) {
        let base = self.base.path().display();
        let script = format!(
            "set -e\nmount -t tmpfs -o mode=755 none /run\nmkdir -p /run/pintle\nmount --bind {base}/run /run/pintle\n\
             mount --bind {base}/passwd /etc/passwd\nmount --bind {base}/group /etc/group\n{script}"
        );
        let log = std::fs::File::create(self.path("log")).unwrap();
        let mut command = Command::new("unshare");
        command.args(["--mount", "--propagation", "private", "sh", "-c", &script]).stdin(Stdio::null());
        command.stdout(log.try_clone().unwrap()).stderr(log);
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        self.server = Some(command.spawn().unwrap());
        let began = Instant::now();
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            let ended = self.server.as_mut().unwrap().try_wait().unwrap().is_some();
            assert!(!ended && began.elapsed() < PATIENCE, "the server does not start: {}", self.log());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.path("log")).unwrap_or_default()
    }

    fn status(&self, file: &str) -> Option<i32> {
        let mut command = Command::new(env!("CARGO_BIN_EXE_pintle"));
        command.arg("status").arg(self.path(file)).stdout(Stdio::null()).stderr(Stdio::null());
        command.status().unwrap().code()
    }
}

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../config/shares").join(name).canonicalize().unwrap()
}

fn text(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

impl Share {
    fn samba() -> Self {
        let mut share = Self::new();
        let (conf, base, port) = (sample("smb.conf"), share.base.path().to_owned(), share.port);
        // The address of the sample is not one of this computer; it listens on loopback alone, on a free port.
        let script = format!(
            "for folder in /var/lib/samba /var/cache/samba /var/log/samba; do mount -t tmpfs none $folder; done\n\
             mkdir -p /var/lib/samba/private /run/samba\n\
             cp '{conf}' /run/smb.conf\n\
             sed -i 's/^    smb ports = 445$/    smb ports = {port}/' /run/smb.conf\n\
             printf '{PASSWORD}\\n{PASSWORD}\\n' | smbpasswd -c /run/smb.conf -a -s wray\n\
             printf '{PASSWORD}\\n{PASSWORD}\\n' | smbpasswd -c /run/smb.conf -a -s osterholt\n\
             exec {smbd} --foreground --no-process-group --debug-stdout --configfile=/run/smb.conf",
            conf = conf.display(),
            smbd = program("smbd").unwrap().display(),
        );
        std::fs::write(base.join("client.conf"), "[global]\n    client min protocol = SMB3_00\n").unwrap();
        share.serve(&script);
        share
    }

    /// What `smbclient` says to `commands` on a share; `user` "" is the guest.
    fn smb(&self, user: &str, share: &str, commands: &str) -> (bool, String) {
        let mut command = Command::new("smbclient");
        command.arg(format!("//127.0.0.1/{share}")).args(["-p", &self.port.to_string(), "-c", commands]);
        command.arg("-s").arg(self.path("client.conf"));
        self.said(user, command)
    }

    fn smb_list(&self, user: &str) -> String {
        let mut command = Command::new("smbclient");
        command.args(["-L", "127.0.0.1", "-g", "-p", &self.port.to_string(), "-s"]).arg(self.path("client.conf"));
        self.said(user, command).1
    }

    fn said(&self, user: &str, mut command: Command) -> (bool, String) {
        match user {
            "" => command.arg("-N"),
            user => command.args(["-U", &format!("{user}%{PASSWORD}")]),
        };
        let output = command.current_dir(self.base.path()).stdin(Stdio::null()).output().unwrap();
        (output.status.success(), text(&output))
    }
}

#[test]
fn samba_shows_a_guest_what_public_holds_and_a_reader_all_and_takes_nothing() {
    if !ready(&["smbd", "smbclient", "smbpasswd"]) {
        return;
    }
    let share = Share::samba();
    let log = || share.log();

    let guests_list = share.smb_list("");
    assert!(guests_list.contains("Disk|public|") && !guests_list.contains("health"), "{guests_list}\n{}", log());
    let (good, seen) = share.smb("", "public", "ls; get status.json guest.json");
    assert!(good && seen.contains("index.html"), "{seen}\n{}", log());
    assert_eq!(share.status("guest.json"), Some(2), "the word is act");
    let (good, seen) = share.smb("", "health", "ls");
    assert!(!good && seen.contains("NT_STATUS_ACCESS_DENIED"), "a guest: {seen}");
    let (good, seen) = share.smb("osterholt", "health", "ls");
    assert!(!good && seen.contains("NT_STATUS_ACCESS_DENIED"), "somebody who is not in pintle-read: {seen}");

    let readers_list = share.smb_list("wray");
    assert!(readers_list.contains("Disk|health|") && readers_list.contains("Disk|public|"), "{readers_list}");
    let (good, seen) = share.smb("wray", "health", "get health.json mine.json; get health.txt; get index.html");
    assert!(good, "{seen}\n{}", log());
    assert_eq!(share.status("mine.json"), Some(2));
    let original = std::fs::read(share.path("run/health/health.txt")).unwrap();
    assert_eq!(std::fs::read(share.path("health.txt")).unwrap(), original, "byte for byte");

    std::fs::write(share.path("new"), "x").unwrap();
    for (user, name) in [("", "public"), ("wray", "public"), ("wray", "health")] {
        let file = if name == "public" { "status.json" } else { "health.json" };
        for attempt in ["put new new", "mkdir new", &format!("del {file}"), &format!("put new {file}")] {
            let (_, said) = share.smb(user, name, attempt);
            assert!(
                said.contains("NT_STATUS_ACCESS_DENIED") || said.contains("NT_STATUS_MEDIA_WRITE_PROTECTED"),
                "{user} {name}: {attempt}: {said}"
            );
        }
    }
    for (user, name) in [("", "public"), ("wray", "health")] {
        let (_, said) = share.smb(user, name, "get ../health/health.json out; get ..\\..\\etc\\passwd out");
        assert!(!share.path("out").exists(), "out of the folder: {said}");
    }
    assert_eq!(std::fs::read(share.path("run/health/health.txt")).unwrap(), original);
    assert!(!share.path("run/health/new").exists() && !share.path("run/public/new").exists());
}

#[test]
fn fault_92_reader_over_samba_gets_whole_files_and_never_an_older_one_while_they_are_replaced() {
    if !ready(&["smbd", "smbclient", "smbpasswd"]) {
        return;
    }
    let share = Share::samba();
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut generation = 1;
            while !done.load(Ordering::Acquire) {
                generation += 1;
                // Of two lengths, so that a mixture of two files would be seen.
                share.write(if generation % 2 == 0 { Scene::empty() } else { Scene::after_tow() }, generation);
            }
        });
        let (mut last, mut fetched) = (0, 0);
        // One connection, twenty fetches: what a client keeps of a file would show.
        for _ in 0..3 {
            let fetches: Vec<String> = (0..20).map(|n| format!("get health.json f{n}")).collect();
            let (_, said) = share.smb("wray", "health", &fetches.join("; "));
            for n in 0..20 {
                let path = share.path(&format!("f{n}"));
                // A file may be exchanged between the look and the opening; then there is none, and none that is torn.
                let Ok(bytes) = std::fs::read(&path) else { continue };
                std::fs::remove_file(&path).unwrap();
                let state: Value = serde_json::from_slice(&bytes).unwrap_or_else(|_| panic!("half a file: {said}"));
                let generation = state["generation"].as_u64().unwrap();
                assert!(last <= generation, "an older file after a newer one");
                (last, fetched) = (generation, fetched + 1);
            }
        }
        done.store(true, Ordering::Release);
        assert!(30 <= fetched && 1 < last, "{fetched} of 60 files were fetched");
    });
}

impl Share {
    fn sftp_server() -> Self {
        let mut share = Self::new();
        let key = |name: &str| {
            let made = Command::new("ssh-keygen")
                .args(["-q", "-t", "ed25519", "-N", "", "-f"])
                .arg(share.path(name))
                .status()
                .unwrap();
            assert!(made.success());
        };
        for name in ["host", "wray", "osterholt"] {
            key(name);
        }
        let (base, port) = (share.base.path().display().to_string(), share.port);
        let script = format!(
            "mkdir -p /run/sshd /run/etc-ssh/pintle-share\n\
             mount -t tmpfs -o mode=755 none /srv\nmkdir -p /srv/pintle/trailer\n\
             mount --bind /run/pintle /srv/pintle/trailer\nmount -o remount,bind,{options} /srv/pintle/trailer\n\
             mount --bind /run/etc-ssh /etc/ssh\n\
             for name in wray osterholt; do cp {base}/$name.pub /etc/ssh/pintle-share/$name; done\n\
             cp '{conf}' /etc/ssh/pintle-share.conf\n\
             printf 'HostKey {base}/host\\nListenAddress 127.0.0.1\\nInclude /etc/ssh/pintle-share.conf\\n\
             Subsystem sftp /usr/lib/openssh/sftp-server\\n' > /etc/ssh/sshd_config\n\
             exec {sshd} -D -e -p {port} -f /etc/ssh/sshd_config",
            options = mount_options(),
            conf = sample("sshd-pintle.conf").display(),
            sshd = program("sshd").unwrap().display(),
        );
        share.serve(&script);
        share
    }

    fn ssh_options(&self, user: &str) -> Vec<String> {
        let key = self.path(user).display().to_string();
        let known = self.path("known").display().to_string();
        let all = [
            "BatchMode=yes",
            "StrictHostKeyChecking=accept-new",
            "IdentitiesOnly=yes",
            "IdentityAgent=none",
            &format!("IdentityFile={key}"),
            &format!("UserKnownHostsFile={known}"),
            &format!("Port={}", self.port),
        ];
        ["-F", "none"]
            .map(str::to_owned)
            .into_iter()
            .chain(all.iter().flat_map(|one| ["-o".to_owned(), (*one).to_owned()]))
            .collect()
    }

    /// What `sftp` says to `commands`, a line each; a line that begins with - may fail.
    fn sftp(&self, user: &str, commands: &str) -> (bool, String) {
        let mut client = Command::new("sftp")
            .args(self.ssh_options(user))
            .args(["-b", "-", &format!("{user}@127.0.0.1")])
            .current_dir(self.base.path())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        client.stdin.take().unwrap().write_all(commands.as_bytes()).unwrap();
        let output = client.wait_with_output().unwrap();
        (output.status.success(), text(&output))
    }
}

/// The options of the mount unit, without the type of the mount.
fn mount_options() -> String {
    let unit = std::fs::read_to_string(sample("srv-pintle-trailer.mount")).unwrap();
    let options = unit.lines().find_map(|line| line.strip_prefix("Options=bind,")).unwrap();
    assert!(options.split(',').any(|option| option == "ro"), "{options}");
    assert!(unit.contains("\nWhat=/run/pintle\nWhere=/srv/pintle/trailer\n"), "{unit}");
    options.to_owned()
}

#[test]
fn sftp_shows_each_user_what_the_rights_give_and_neither_a_way_out_nor_a_shell_nor_a_write() {
    if !ready(&["sshd", "sftp", "ssh", "ssh-keygen"]) {
        return;
    }
    let share = Share::sftp_server();
    let log = || share.log();

    let (good, said) =
        share.sftp("wray", "pwd\nls -1\nget health/health.json mine.json\nget public/status.json word.json\n");
    assert!(
        good && said.contains("/trailer") && said.contains("health") && said.contains("public"),
        "{said}\n{}",
        log()
    );
    assert_eq!((share.status("mine.json"), share.status("word.json")), (Some(2), Some(2)));
    let (good, said) =
        share.sftp("osterholt", "get public/status.json theirs.json\n-get health/health.json none.json\n");
    assert!(good && said.contains("health/health.json") && !share.path("none.json").exists(), "{said}");
    assert_eq!(share.status("theirs.json"), Some(2));

    // Locked in: the root that they see holds the trailer's folder and nothing else.
    let (_, said) =
        share.sftp("wray", "-ls -1 /\n-ls -1 ../..\n-get /etc/passwd passwd.got\n-get ../../etc/passwd passwd.got\n");
    assert!(!share.path("passwd.got").exists() && !said.contains("etc\n") && !said.contains("home"), "{said}");

    let original = std::fs::read(share.path("run/health/health.json")).unwrap();
    std::fs::write(share.path("new"), "x").unwrap();
    for attempt in [
        "put new public/new",
        "put new health/health.json",
        "rm public/status.json",
        "mkdir public/new",
        "rename public/status.json public/gone",
        "chmod 777 public/status.json",
        "symlink /etc/passwd public/link",
    ] {
        let (good, said) = share.sftp("wray", &format!("{attempt}\n"));
        assert!(!good, "{attempt}: {said}");
    }
    assert_eq!(std::fs::read(share.path("run/health/health.json")).unwrap(), original);

    let shell = Command::new("ssh")
        .args(share.ssh_options("wray"))
        .args(["wray@127.0.0.1", "id"])
        .stdin(Stdio::null())
        .output();
    assert!(!text(&shell.unwrap()).contains("uid="), "a shell");

    // The next snapshot is seen through the same mount.
    share.write(Scene::empty(), 2);
    let (good, said) = share.sftp("wray", "get health/health.json mine.json\n");
    assert!(good, "{said}");
    assert_eq!(share.status("mine.json"), Some(1), "the newest file");
}
