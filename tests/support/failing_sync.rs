//! A library that is loaded before the system's own: the nth sync of a file of a database says EIO and does nothing, or
//! what is written into a file is answered "done" and dropped.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

const SHIM: &str = r#"
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
static int refused(int fd) {
    static long seen;
    char link[64], path[4096];
    const char *nth = getenv("PINTLE_SHIM_NTH"), *of = getenv("PINTLE_SHIM_OF");
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t len = readlink(link, path, sizeof path - 1);
    if (!nth || !of || len < 0) return 0;
    path[len] = 0;
    if (!strstr(path, of)) return 0;
    return __sync_add_and_fetch(&seen, 1) == atol(nth);
}
int fsync(int fd) {
    if (refused(fd)) { errno = EIO; return -1; }
    return ((int (*)(int))dlsym(RTLD_NEXT, "fsync"))(fd);
}
int fdatasync(int fd) {
    if (refused(fd)) { errno = EIO; return -1; }
    return ((int (*)(int))dlsym(RTLD_NEXT, "fdatasync"))(fd);
}
static int dropped(int fd) {
    char link[64], path[4096];
    const char *of = getenv("PINTLE_SHIM_DROP");
    if (!of) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t len = readlink(link, path, sizeof path - 1);
    if (len < (ssize_t)strlen(of)) return 0;
    path[len] = 0;
    return strcmp(path + len - strlen(of), of) == 0;
}
ssize_t write(int fd, const void *bytes, size_t len) {
    if (dropped(fd)) return (ssize_t)len;
    return ((ssize_t (*)(int, const void *, size_t))dlsym(RTLD_NEXT, "write"))(fd, bytes, len);
}
ssize_t pwrite(int fd, const void *bytes, size_t len, off_t at) {
    if (dropped(fd)) return (ssize_t)len;
    return ((ssize_t (*)(int, const void *, size_t, off_t))dlsym(RTLD_NEXT, "pwrite"))(fd, bytes, len, at);
}
ssize_t pwrite64(int fd, const void *bytes, size_t len, off_t at) {
    if (dropped(fd)) return (ssize_t)len;
    return ((ssize_t (*)(int, const void *, size_t, off_t))dlsym(RTLD_NEXT, "pwrite64"))(fd, bytes, len, at);
}
"#;

/// Builds the library in `folder`; `None`, with a word to the reader, where there is no compiler.
pub(crate) fn built_in(folder: &Path) -> Option<PathBuf> {
    let (source, library) = (folder.join("shim.c"), folder.join("shim.so"));
    std::fs::write(&source, SHIM).unwrap();
    let built = Command::new("cc").args(["-shared", "-fPIC", "-o"]).arg(&library).arg(&source).status();
    if built.is_ok_and(|status| status.success()) {
        return Some(library);
    }
    assert_ne!(std::env::var("PINTLE_RIGS").as_deref(), Ok("all"), "needs cc");
    drop(writeln!(std::io::stderr(), "not run: needs cc"));
    None
}

/// Which syncs fail, one a run: all of 1 to 200 by `PINTLE_SHIM_ALL`, a share of them in the usual run. The first are
/// those of the opening.
pub(crate) fn nths() -> Vec<u32> {
    let all = std::env::var_os("PINTLE_SHIM_ALL").is_some();
    if all { (1..=200).collect() } else { vec![1, 4, 30, 110] }
}

/// Lets the nth sync of the files fail whose path has `of` in it.
pub(crate) fn fail<'c>(command: &'c mut Command, library: &Path, of: &str, nth: u32) -> &'c mut Command {
    command.env("LD_PRELOAD", library).env("PINTLE_SHIM_NTH", nth.to_string()).env("PINTLE_SHIM_OF", of)
}
