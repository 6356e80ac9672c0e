//! A full disk at each step of acceptance: the nth write, new file or sync below the state folder says "no space left",
//! and every one after it, until there is room again. Whatever step that is, the answer is true: a read that was
//! answered 202 is there once, with its picture, and one that was refused is taken as soon as there is room.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/pictures.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod pictures;
#[path = "support/trailer.rs"]
mod trailer;

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use pictures::jpeg;
use pintle::store::blobs::address_of;
use serde_json::{Value, json};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};
use trailer::{PATIENCE, Trailer};

/// Loaded before the system's own library. It counts only while the file `PINTLE_SHIM_ARMED` exists, and leaves a file
/// beside it once it has said no.
const SHIM: &str = r#"
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>
static int full(const char *path) {
    static long seen;
    char fired[4096];
    const char *armed = getenv("PINTLE_SHIM_ARMED"), *under = getenv("PINTLE_SHIM_UNDER");
    const char *nth = getenv("PINTLE_SHIM_NTH");
    if (!armed || !under || !nth || strncmp(path, under, strlen(under)) || access(armed, F_OK)) return 0;
    if (__sync_add_and_fetch(&seen, 1) < atol(nth)) return 0;
    snprintf(fired, sizeof fired, "%s.fired", armed);
    long fd = syscall(SYS_openat, AT_FDCWD, fired, O_CREAT | O_WRONLY, 0600);
    if (0 <= fd) syscall(SYS_close, fd);
    errno = ENOSPC;
    return 1;
}
static int full_fd(int fd) {
    char link[64], path[4096];
    int before = errno;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t len = readlink(link, path, sizeof path - 1);
    errno = before;
    if (len < 0) return 0;
    path[len] = 0;
    return full(path);
}
#define NEXT(name, type) ((type)dlsym(RTLD_NEXT, name))
ssize_t write(int fd, const void *bytes, size_t count) {
    return full_fd(fd) ? -1 : NEXT("write", ssize_t (*)(int, const void *, size_t))(fd, bytes, count);
}
ssize_t pwrite(int fd, const void *bytes, size_t count, off_t at) {
    return full_fd(fd) ? -1 : NEXT("pwrite", ssize_t (*)(int, const void *, size_t, off_t))(fd, bytes, count, at);
}
ssize_t pwrite64(int fd, const void *bytes, size_t count, off64_t at) {
    return full_fd(fd) ? -1 : NEXT("pwrite64", ssize_t (*)(int, const void *, size_t, off64_t))(fd, bytes, count, at);
}
int fsync(int fd) { return full_fd(fd) ? -1 : NEXT("fsync", int (*)(int))(fd); }
int fdatasync(int fd) { return full_fd(fd) ? -1 : NEXT("fdatasync", int (*)(int))(fd); }
static int opened(const char *name, const char *path, int flags, mode_t mode) {
    struct stat there;
    if ((flags & O_CREAT) && stat(path, &there) && full(path)) return -1;
    return NEXT(name, int (*)(const char *, int, ...))(path, flags, mode);
}
int open(const char *path, int flags, ...) {
    va_list more;
    va_start(more, flags);
    mode_t mode = va_arg(more, int);
    va_end(more);
    return opened("open", path, flags, mode);
}
int open64(const char *path, int flags, ...) {
    va_list more;
    va_start(more, flags);
    mode_t mode = va_arg(more, int);
    va_end(more);
    return opened("open64", path, flags, mode);
}
"#;

fn library(within: &Path) -> Option<PathBuf> {
    let (source, library) = (within.join("full.c"), within.join("full.so"));
    std::fs::write(&source, SHIM).unwrap();
    let built = Command::new("cc").args(["-shared", "-fPIC", "-w", "-o"]).arg(&library).arg(&source).status();
    built.is_ok_and(|status| status.success()).then_some(library)
}

/// A read with its id and a picture of its own.
fn body(id: &str, picture: &[u8]) -> String {
    json!({
        "id": id, "camera": "north", "captured_at": "2026-11-26T04:00:00Z", "plate": "QZ 481", "plate_state": "read",
        "images": [{"role": "overview", "data": BASE64_STANDARD.encode(picture)}],
    })
    .to_string()
}

/// Hands in the same read until it is taken.
fn insist(trailer: &Trailer, body: &str, when: &str) {
    let began = Instant::now();
    loop {
        let (status, said) = trailer.post("application/json", body);
        if status == 202 {
            return;
        }
        assert!(began.elapsed() < PATIENCE, "{when}: there is room, and still {status}: {said}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// One life of an agent whose disk is full from the nth step on. Answers what the engine was told, or `None` if the
/// read was through before there were so many steps.
fn life(library: &Path, nth: u32) -> Option<u16> {
    let mut trailer = Trailer::new("");
    let (armed, when) = (trailer.folder().join("armed"), format!("step {nth}"));
    trailer.environment("LD_PRELOAD", &library.display().to_string());
    trailer.environment("PINTLE_SHIM_NTH", &nth.to_string());
    trailer.environment("PINTLE_SHIM_ARMED", &armed.display().to_string());
    trailer.environment("PINTLE_SHIM_UNDER", &trailer.state_dir().display().to_string());
    trailer.start();
    let reads = [(jpeg(64, 36, 1), 1), (jpeg(64, 36, 2 + nth), 2), (jpeg(64, 36, 1_000_000), 3)]
        .map(|(picture, n)| (format!("0190a000-0000-7000-8000-00000000000{n}"), picture));
    let [before, during, after] = reads.each_ref().map(|(id, picture)| body(id, picture));
    insist(&trailer, &before, &when);
    std::fs::write(&armed, "").unwrap();
    let (status, said) = trailer.post("application/json", &during);
    std::fs::remove_file(&armed).unwrap();
    let fired = trailer.folder().join("armed.fired").exists();
    if status != 202 {
        assert!(fired, "{when}: {status} without a cause: {said}");
        let problem: Value = serde_json::from_str(&said).unwrap();
        assert_eq!((status, &problem["status"]), (503, &json!(503)), "{when}: {said}");
        assert!(problem["detail"].as_str().is_some_and(|detail| !detail.is_empty()), "{when}: {said}");
        assert!(!said.contains("QZ 481"), "{when}: the answer tells the plate");
    }
    // An engine that was refused tries again, and one that was not may have missed the answer.
    insist(&trailer, &during, &when);
    insist(&trailer, &after, &when);
    assert_eq!(trailer.stop().code(), Some(0), "{when}: {}", trailer.log());
    assert!(!trailer.log().contains("QZ 481"), "{when}: the log tells the plate");
    let queue = rusqlite::Connection::open(trailer.state_dir().join("queue.db")).unwrap();
    let verdict: String = queue.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(verdict, "ok", "{when}");
    let kept: i64 =
        queue.query_row("SELECT count(*) FROM events WHERE camera IS NOT NULL", [], |row| row.get(0)).unwrap();
    assert_eq!(kept, 3, "{when}: each read is there once");
    for (_, picture) in &reads {
        let address = address_of(picture).to_string();
        let file = std::fs::read(trailer.state_dir().join("images").join(&address)).unwrap_or_default();
        assert!(file == *picture, "{when}: the picture of an accepted read is not there or not whole");
    }
    fired.then_some(status)
}

#[test]
fn whichever_step_of_acceptance_finds_the_disk_full_the_answer_is_true() {
    let tools = tempfile::tempdir().unwrap();
    let Some(library) = library(tools.path()) else {
        assert_ne!(std::env::var("PINTLE_RIGS").as_deref(), Ok("all"), "needs cc");
        drop(writeln!(std::io::stderr(), "not run: needs cc"));
        return;
    };
    let told: Vec<u16> = (1..=100).map_while(|nth| life(&library, nth)).collect();
    let refused = told.iter().filter(|status| **status == 503).count();
    drop(writeln!(std::io::stderr(), "full disk at each of {} steps: {refused} refused", told.len()));
    // A picture is made and synced, and a commit writes two pages of the log with their heads and syncs.
    assert!((6..100).contains(&told.len()), "{told:?}");
    assert!(4 <= refused, "{told:?}");
}
