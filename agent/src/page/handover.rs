//! `pintle page` hands over to `pintle-page`, the small program that lies beside it: the same page out of a quarter of
//! the code (decision 0092).

use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Name of the small program.
const NAME: &str = "pintle-page";

/// One heap for all threads, and what is free at its end goes back. Source: mallopt(3). The unit says the same.
const FRUGAL: [(&str, &str); 2] = [("MALLOC_ARENA_MAX", "1"), ("MALLOC_TRIM_THRESHOLD_", "65536")];

/// Why `pintle page` has to serve the page by itself.
#[derive(Debug, thiserror::Error)]
pub(super) enum Stays {
    #[error("{path} can't be run: {source}", path = path.display())]
    NotThere { path: PathBuf, source: std::io::Error },
    #[error("{path} is of another version than this program", path = path.display())]
    OtherVersion { path: PathBuf },
}

impl Stays {
    pub(super) fn advice(&self) -> &'static str {
        match self {
            Self::NotThere { .. } => "install pintle-page beside pintle (`cargo build` makes both)",
            Self::OtherVersion { .. } => "install pintle-page and pintle of one build, one beside the other",
        }
    }
}

/// Becomes the small program with the words of this call. Comes back only if it can't.
pub(super) fn hand_over() -> Stays {
    match std::env::current_exe() {
        // The first word is this program, the second `page`.
        Ok(own) => become_one(own.with_file_name(NAME), std::env::args_os().skip(2)),
        Err(source) => Stays::NotThere { path: PathBuf::from(NAME), source },
    }
}

fn become_one(path: PathBuf, words: impl Iterator<Item = std::ffi::OsString>) -> Stays {
    match version(&path) {
        Ok(told) if told.trim() == concat!("pintle-page ", env!("CARGO_PKG_VERSION")) => {
            let source = Command::new(&path).args(words).envs(FRUGAL).exec();
            Stays::NotThere { path, source }
        }
        Ok(_) => Stays::OtherVersion { path },
        Err(source) => Stays::NotThere { path, source },
    }
}

/// Half an update leaves two programs that may not agree.
fn version(path: &Path) -> std::io::Result<String> {
    Command::new(path).arg("--version").output().map(|told| String::from_utf8_lossy(&told.stdout).into_owned())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn program_that_is_missing_or_of_another_version_is_told_and_not_become() {
        let folder = tempfile::tempdir().unwrap();
        let told = become_one(folder.path().join(NAME), std::iter::empty()).to_string();
        assert!(told.contains("pintle-page can't be run: No such file"), "{told}");
        let other = PathBuf::from("/bin/echo");
        assert_eq!(
            become_one(other, std::iter::empty()).to_string(),
            "/bin/echo is of another version than this program"
        );
    }
}
