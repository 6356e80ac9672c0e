//! Counts crashes of the process across its restarts, so that a fault that kills it again and again does not keep it
//! from its first duty: to take reads and keep them.
//!
//! A start that finds the mark of a run that never ended on purpose counts a crash, but only within the same boot of
//! the computer: a power cut is no crash.

use pintle_core::moment::Mono;
use serde::{Deserialize, Serialize};
use std::fs::OpenOptions;
use std::io::{self, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

/// Crashes are counted over this span (design: five in 10 min).
pub const SPAN_MS: u64 = 600_000;
/// Safe mode ends by itself after this: the trailer is far from anybody who could end it (our own choice: the span of
/// the count, after which it would be forgotten anyway).
pub const SAFE_MODE_MS: u64 = SPAN_MS;

const FILE: &str = "crashes.json";

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Record {
    /// The kernel's id of the boot.
    boot: String,
    /// Whether the run ended without saying so.
    running: bool,
    /// Starts that found a crash, ms on the boot-time clock.
    crashes_ms: Vec<u64>,
}

impl Record {
    /// The record of the run that begins now.
    fn begin(self, boot: &str, now: Mono) -> Self {
        let same_boot = self.boot == boot && !boot.is_empty();
        let mut crashes_ms = if same_boot { self.crashes_ms } else { Vec::new() };
        if same_boot && self.running {
            crashes_ms.push(now.0);
        }
        crashes_ms.retain(|at| now.since_ms(Mono(*at)) <= SPAN_MS);
        Self { boot: boot.to_owned(), running: true, crashes_ms }
    }
}

/// The count of this run; tells when it ends on purpose.
#[derive(Debug)]
pub struct Crashes {
    path: PathBuf,
    record: Record,
}

impl Crashes {
    /// Reads what the run before left, and marks this one. A file that can't be read or written costs the count, never
    /// the start.
    #[must_use]
    pub fn begin(state_dir: &Path, now: Mono) -> Self {
        let path = state_dir.join(FILE);
        let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
        let before: Record =
            std::fs::read(&path).ok().and_then(|bytes| serde_json::from_slice(&bytes).ok()).unwrap_or_default();
        let crashes = Self { path, record: before.begin(boot.trim(), now) };
        crashes.keep();
        crashes
    }

    /// Crashes within the last 10 min, this start's own among them.
    #[must_use]
    pub fn count(&self) -> usize {
        self.record.crashes_ms.len()
    }

    /// This run ends on purpose: somebody is looking after it, so its earlier crashes are forgotten too.
    pub fn end(mut self) {
        self.record.running = false;
        self.record.crashes_ms.clear();
        self.keep();
    }

    fn keep(&self) {
        if let Err(error) = self.write() {
            tracing::warn!(%error, "crashes can't be counted");
        }
    }

    /// Not synced: only the same boot ever reads it.
    fn write(&self) -> io::Result<()> {
        let beside = self.path.with_extension("new");
        // What lies there is left by a killed run, or is a link that somebody laid; neither is written through.
        match std::fs::remove_file(&beside) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let mut options = OpenOptions::new();
        options.create_new(true).write(true).mode(0o600);
        options.open(&beside)?.write_all(&serde_json::to_vec(&self.record)?)?;
        std::fs::rename(&beside, &self.path)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn started(record: Record, boot: &str, s: u64) -> Record {
        record.begin(boot, Mono(s * 1000))
    }

    fn ended(record: Record) -> Record {
        Record { running: false, ..record }
    }

    #[test]
    fn runs_that_end_on_purpose_are_no_crashes() {
        let mut record = Record::default();
        for s in 0..20 {
            record = ended(started(record, "a", s));
        }
        assert_eq!(record.crashes_ms, [0_u64; 0]);
    }

    #[test]
    fn crashes_of_one_boot_count_for_ten_minutes() {
        let mut record = Record::default();
        for s in [0, 10, 20, 30] {
            record = started(record, "a", s);
        }
        assert_eq!(record.crashes_ms, [10_000, 20_000, 30_000], "the first start found no crash");
        assert_eq!(started(ended(record.clone()), "a", 625).crashes_ms, [30_000]);
        assert_eq!(started(record, "a", 631).crashes_ms, [631_000]);
    }

    #[test]
    fn a_power_cut_is_no_crash() {
        let mut record = Record::default();
        for boot in ["a", "b", "c", "d", "e", "f"] {
            record = started(record, boot, 5);
        }
        assert_eq!(record.crashes_ms, [0_u64; 0]);
    }

    #[test]
    fn a_link_in_its_place_is_replaced_and_not_followed() {
        let folder = tempfile::tempdir().expect("a folder");
        let other = folder.path().join("precious");
        std::fs::write(&other, "x").expect("a file");
        for name in ["crashes.new", FILE] {
            std::os::unix::fs::symlink(&other, folder.path().join(name)).expect("a link");
        }
        assert_eq!(Crashes::begin(folder.path(), Mono(5)).count(), 0);
        assert_eq!(std::fs::read(&other).expect("the file"), b"x");
        assert_eq!(Crashes::begin(folder.path(), Mono(6)).count(), 1, "the record itself was written");
    }

    #[test]
    fn a_record_that_cannot_be_read_costs_only_the_count() {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join(FILE), b"\xff not ours").expect("a file");
        assert_eq!(Crashes::begin(folder.path(), Mono(5)).count(), 0);
        assert_eq!(Crashes::begin(folder.path(), Mono(6)).count(), 1, "the first run of this test never ended");
        assert_eq!(Crashes::begin(Path::new("/nowhere"), Mono(7)).count(), 0);
    }
}
