//! What was done, in a small file that is synced before anything is done.

use crate::limits::{Now, Taken};
use crate::step::Step;
use nix::fcntl::{Flock, FlockArg};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

/// More than this is none of our files, bytes: six thousand steps.
const READ_MAX: u64 = 1 << 20;

/// The open file; nobody else has it meanwhile.
pub struct Ledger {
    path: PathBuf,
    taken: Vec<Taken>,
    _lock: Flock<File>,
}

impl Ledger {
    /// Opens it below `folder`, or waits for whoever has it. A line that can't be read counts as a reset and a restart
    /// made now: a damaged file must not free what the limits forbid.
    ///
    /// # Errors
    /// What the system says.
    pub fn open(folder: &Path, now: &Now) -> io::Result<Self> {
        fs::create_dir_all(folder)?;
        let lock = OpenOptions::new().create(true).truncate(false).write(true).mode(0o600).open(folder.join("lock"))?;
        let lock = Flock::lock(lock, FlockArg::LockExclusive).map_err(|(_, error)| io::Error::from(error))?;
        let path = folder.join("steps.ndjson");
        let mut text = Vec::new();
        match File::open(&path) {
            Ok(file) => {
                file.take(READ_MAX).read_to_end(&mut text)?;
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
        let mut taken = Vec::new();
        for line in text.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
            match serde_json::from_slice::<Taken>(line) {
                Ok(one) => taken.push(one),
                Err(_) => taken.extend([Step::Usb, Step::Reboot].map(|step| Taken::at(step, now))),
            }
        }
        Ok(Self { path, taken, _lock: lock })
    }

    /// What was done, oldest first.
    #[must_use]
    pub fn taken(&self) -> &[Taken] {
        &self.taken
    }

    /// Notes a step and syncs it; what counts for no limit any more goes.
    ///
    /// # Errors
    /// What the system says; then the step must not be taken.
    pub fn note(&mut self, step: Step, now: &Now) -> io::Result<()> {
        self.taken.push(Taken::at(step, now));
        self.keep(now)
    }

    /// As [`Self::keep`], unless that would add next to nothing.
    ///
    /// # Errors
    /// What the system says.
    pub fn refresh(&mut self, now: &Now) -> io::Result<()> {
        if self.taken.iter().all(|one| one.is_fresh(now)) { Ok(()) } else { self.keep(now) }
    }

    /// Writes down and syncs how old each step is now; what counts for no limit any more goes.
    ///
    /// # Errors
    /// What the system says.
    pub fn keep(&mut self, now: &Now) -> io::Result<()> {
        self.taken.retain(|one| !one.is_over(now));
        self.taken = self.taken.iter().map(|one| one.seen(now)).collect();
        let folder = self.path.parent().unwrap_or(Path::new("/"));
        let temporary = folder.join("steps.new");
        let mut file = OpenOptions::new().create(true).truncate(true).write(true).mode(0o600).open(&temporary)?;
        for one in &self.taken {
            let mut line = serde_json::to_vec(one)?;
            line.push(b'\n');
            file.write_all(&line)?;
        }
        file.sync_all()?;
        fs::rename(&temporary, &self.path)?;
        File::open(folder)?.sync_all()
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn now(hours: i64) -> Now {
        Now { utc_ms: hours * 3_600_000, right: false, boot: "a".to_owned(), boottime_ms: hours * 3_600_000 }
    }

    #[test]
    fn steps_are_there_for_the_next_process_and_go_after_a_day() {
        let folder = tempfile::tempdir().unwrap();
        for hour in 0..40 {
            Ledger::open(folder.path(), &now(hour)).unwrap().note(Step::Renew, &now(hour)).unwrap();
        }
        let ledger = Ledger::open(folder.path(), &now(40)).unwrap();
        assert_eq!(ledger.taken().len(), 24);
        assert_eq!(ledger.taken()[0], Taken::at(Step::Renew, &now(16)).seen(&now(39)));
    }

    #[test]
    fn an_old_file_is_read_and_its_clock_is_not_believed() {
        let folder = tempfile::tempdir().unwrap();
        let line = "{\"step\":\"reboot\",\"utc_ms\":5,\"boot\":\"a\",\"boottime_ms\":5}\n";
        fs::write(folder.path().join("steps.ndjson"), line).unwrap();
        let later = Now { utc_ms: 1_795_608_000_000, right: true, boot: "b".to_owned(), boottime_ms: 12 * 3_600_000 };
        let mut ledger = Ledger::open(folder.path(), &later).unwrap();
        assert_eq!(ledger.taken().len(), 1);
        assert!(!ledger.taken()[0].right && !ledger.taken()[0].is_over(&later), "{:?}", ledger.taken());
        // Twelve hours are known of that life once they are written down, the rest of the day is added by the next.
        ledger.refresh(&later).unwrap();
        drop(ledger);
        let next = |hours: i64| Now { boot: "c".to_owned(), boottime_ms: hours * 3_600_000, ..later.clone() };
        let ledger = Ledger::open(folder.path(), &next(0)).unwrap();
        assert!(!ledger.taken()[0].is_over(&next(11)));
        assert!(ledger.taken()[0].is_over(&next(12)));
    }

    #[test]
    fn a_damaged_line_frees_nothing() {
        let folder = tempfile::tempdir().unwrap();
        Ledger::open(folder.path(), &now(0)).unwrap().note(Step::Renew, &now(0)).unwrap();
        let path = folder.path().join("steps.ndjson");
        let mut text = fs::read(&path).unwrap();
        text.extend(b"{\"step\":\"usb\",\"utc_m");
        fs::write(&path, text).unwrap();
        let ledger = Ledger::open(folder.path(), &now(1)).unwrap();
        let steps: Vec<Step> = ledger.taken().iter().map(|one| one.step).collect();
        assert_eq!(steps, [Step::Renew, Step::Usb, Step::Reboot]);
    }
}
