//! What the spool folder has refused, as it lies in `refused/`: a reason for each, and the file itself where reads are
//! kept in clear. It goes at its age limit by the store's own clock, which a wrong date can't push, and the oldest go
//! earlier when there are too many.

use crate::clock;
use crate::io::beneath::Beneath;
use pintle_core::moment::Mono;
use pintle_core::wire::problem::Problem;
use serde_json::{Value, json};
use std::collections::HashMap;
use std::ffi::{OsStr, OsString};
use std::io;

/// How many are kept (our own: who mends an engine looks at a few; an engine that errs all day must not fill the disk).
const COUNT_MAX: usize = 1000;
/// How much they may take together, bytes (our own).
const BYTES_MAX: u64 = 64 << 20;
/// What a reason's name ends with.
const REASON: &str = ".reason.json";
/// What the name ends with under which a reason is written before it takes the place of an older one.
const PART: &str = ".reason.part";
/// A reason is no larger (our own: a problem lists twenty faults).
const REASON_BYTES_MAX: u64 = 64 << 10;

/// The age of the queue: which generation, and how long it has lived.
#[derive(Clone, Debug)]
pub(super) struct Age {
    pub(super) generation: String,
    /// How long it had lived at `at`, ms.
    pub(super) lived_ms: i64,
    pub(super) at: Mono,
}

impl Age {
    fn now_ms(&self) -> i64 {
        self.lived_ms.saturating_add(i64::try_from(clock::mono().since_ms(self.at)).unwrap_or(i64::MAX))
    }
}

/// One refused file.
#[derive(Debug, Default)]
struct Entry {
    /// The age of the queue when it was refused, ms; `None`: not known yet.
    at_ms: Option<i64>,
    /// What is there of it.
    names: Vec<OsString>,
    bytes: u64,
}

/// All of them, by the hash that names them.
#[derive(Debug)]
pub(super) struct Refused {
    folder: Beneath,
    age: Age,
    entries: HashMap<OsString, Entry>,
}

impl Refused {
    /// Looks through the folder. What says nothing of its age, or counts by another queue's, counts from now on: that
    /// is written beside it, so that a restart does not make it young again.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn open(folder: Beneath, age: Age) -> io::Result<Self> {
        let mut refused = Self { folder, age, entries: HashMap::new() };
        for found in refused.folder.list()? {
            if found.name.as_encoded_bytes().ends_with(PART.as_bytes()) {
                refused.folder.remove(&found.name)?;
            } else if !found.folder {
                let entry = refused.entries.entry(key(&found.name)).or_default();
                entry.bytes += found.bytes;
                entry.names.push(found.name);
            }
        }
        let keys: Vec<OsString> = refused.entries.keys().cloned().collect();
        let now_ms = refused.age.now_ms();
        let mut dated = Vec::new();
        for key in keys {
            let reason = refused.reason(&key);
            let own = reason["generation"] == refused.age.generation.as_str();
            let known = reason["lived_ms"].as_i64().filter(|at_ms| own && *at_ms <= now_ms);
            if let Some(entry) = refused.entries.get_mut(&key) {
                entry.at_ms = Some(known.unwrap_or(now_ms));
            }
            if known.is_none() {
                dated.extend(refused.date(key, reason, now_ms));
            }
        }
        refused.keep(dated);
        refused.folder.sync()?;
        Ok(refused)
    }

    /// The queue's age as it is told now; the time that the computer was off is added to it late. Answers false if it
    /// is another queue's: then the folder must be looked through anew.
    pub(super) fn observe(&mut self, age: Age) -> bool {
        let same = self.age.generation == age.generation;
        self.age = age;
        same
    }

    /// Writes the reason, then moves the file `name` of `spool` here; without `plaintext` it is deleted. A folder stays
    /// where it is. Answers false if it was refused before.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn take(
        &mut self,
        spool: &Beneath,
        (hash, name): (&str, &OsStr),
        bytes: Option<usize>,
        problem: &Problem,
        plaintext: bool,
    ) -> io::Result<bool> {
        let Some(found) = spool.look(name) else { return Ok(false) };
        let now_ms = self.age.now_ms();
        let reason = json!({
            "hash": hash, "bytes": bytes, "at": clock::utc().to_rfc3339(), "problem": problem,
            "generation": self.age.generation, "lived_ms": now_ms,
        });
        let (key, reason_name) = (OsString::from(hash), format!("{hash}{REASON}"));
        let text = format!("{reason:#}\n");
        let new = match self.folder.create(&reason_name, text.as_bytes()) {
            Ok(()) => {
                let entry = self.entries.entry(key.clone()).or_default();
                entry.at_ms = Some(now_ms);
                entry.bytes += text.len() as u64;
                entry.names.push(reason_name.into());
                true
            }
            // The same bytes were refused before: they keep their age.
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => false,
            Err(error) => return Err(error),
        };
        if found.folder {
            return Ok(new);
        }
        if plaintext {
            let kept = OsString::from(format!("{hash}.json"));
            spool.rename(name, &self.folder, &format!("{hash}.json"))?;
            let entry = self.entries.entry(key).or_default();
            if !entry.names.contains(&kept) {
                entry.bytes += found.bytes;
                entry.names.push(kept);
            }
        } else {
            spool.remove(name)?;
        }
        self.folder.sync()?;
        Ok(new)
    }

    /// Lets go what has been here for longer than `keep_s`, and the oldest beyond [`COUNT_MAX`] and [`BYTES_MAX`];
    /// answers how many of the latter.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn purge(&mut self, keep_s: u64) -> io::Result<u64> {
        self.purge_to(keep_s, COUNT_MAX, BYTES_MAX)
    }

    fn purge_to(&mut self, keep_s: u64, count_max: usize, bytes_max: u64) -> io::Result<u64> {
        let before_ms =
            self.age.now_ms().saturating_sub(i64::try_from(keep_s.saturating_mul(1000)).unwrap_or(i64::MAX));
        let is_old = |entry: &Entry| entry.at_ms.is_some_and(|at_ms| at_ms < before_ms);
        let old: Vec<OsString> = self.entries.iter().filter(|(_, e)| is_old(e)).map(|(key, _)| key.clone()).collect();
        for key in &old {
            self.remove(key)?;
        }
        let mut bytes: u64 = self.entries.values().map(|entry| entry.bytes).sum();
        let mut over = 0;
        if count_max < self.entries.len() || bytes_max < bytes {
            let mut by_age: Vec<(Option<i64>, OsString)> =
                self.entries.iter().map(|(key, entry)| (entry.at_ms, key.clone())).collect();
            by_age.sort();
            for (_, key) in by_age {
                if self.entries.len() <= count_max && bytes <= bytes_max {
                    break;
                }
                bytes = bytes.saturating_sub(self.entries.get(&key).map_or(0, |entry| entry.bytes));
                self.remove(&key)?;
                over += 1;
            }
        }
        if 0 < over || !old.is_empty() {
            self.folder.sync()?;
        }
        Ok(over)
    }

    /// The file first: a reason without its file tells more than a file without its reason.
    fn remove(&mut self, key: &OsStr) -> io::Result<()> {
        let Some(entry) = self.entries.get(key) else { return Ok(()) };
        let (reasons, files): (Vec<&OsString>, Vec<&OsString>) = entry.names.iter().partition(|name| is_reason(name));
        for name in files.into_iter().chain(reasons) {
            self.folder.remove(name)?;
        }
        self.entries.remove(key);
        Ok(())
    }

    fn reason(&self, key: &OsStr) -> Value {
        let name = key.to_str().map(|key| format!("{key}{REASON}"));
        let bytes = name.and_then(|name| self.folder.read(&[&name], REASON_BYTES_MAX).ok());
        bytes.and_then(|bytes| serde_json::from_slice(&bytes).ok()).unwrap_or(Value::Null)
    }

    /// Writes the age into a copy of a reason, or makes one; answers its key and size. What can't be written counts
    /// from each start on.
    fn date(&self, key: OsString, reason: Value, now_ms: i64) -> Option<(OsString, u64)> {
        let mut reason = if reason.is_object() { reason } else { json!({ "bytes": null, "problem": null }) };
        reason["generation"] = self.age.generation.as_str().into();
        reason["lived_ms"] = now_ms.into();
        let text = format!("{reason:#}\n");
        self.folder.create_unsynced(&format!("{}{PART}", key.to_str()?), text.as_bytes()).ok()?;
        Some((key, text.len() as u64))
    }

    /// Puts what was dated into its place. An older version may have left thousands here, and reads wait meanwhile: one
    /// sync serves them all. Nothing takes the place of an older reason before.
    fn keep(&mut self, dated: Vec<(OsString, u64)>) {
        if dated.is_empty() || self.folder.sync_files().is_err() {
            return;
        }
        for (key, bytes) in dated {
            let Some(stem) = key.to_str() else { continue };
            let (part, name) = (format!("{stem}{PART}"), format!("{stem}{REASON}"));
            if self.folder.rename(OsStr::new(&part), &self.folder, &name).is_ok()
                && let Some(entry) = self.entries.get_mut(&key)
                && !entry.names.iter().any(|known| *known == *name)
            {
                entry.bytes += bytes;
                entry.names.push(name.into());
            }
        }
    }
}

fn is_reason(name: &OsStr) -> bool {
    name.as_encoded_bytes().ends_with(REASON.as_bytes())
}

/// What files of one entry have in common.
fn key(name: &OsStr) -> OsString {
    let text = name.to_str().unwrap_or_default();
    let stem = text.strip_suffix(REASON).or_else(|| text.strip_suffix(".json")).filter(|stem| !stem.is_empty());
    stem.map_or_else(|| name.to_owned(), OsString::from)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use std::fs;
    use std::path::Path;

    const HOUR_MS: i64 = 3_600_000;

    struct Rig {
        base: tempfile::TempDir,
        spool: Beneath,
    }

    impl Rig {
        fn new() -> Self {
            let base = tempfile::tempdir().unwrap();
            let spool = Beneath::open(base.path()).unwrap();
            spool.folder("refused").unwrap();
            Self { base, spool }
        }

        fn at(&self) -> std::path::PathBuf {
            self.base.path().join("refused")
        }

        fn open(&self, generation: &str, lived_ms: i64) -> Refused {
            Refused::open(self.spool.folder("refused").unwrap(), age(generation, lived_ms)).unwrap()
        }

        fn refuse(&self, refused: &mut Refused, hash: &str) {
            fs::write(self.base.path().join("x.json"), "{}").unwrap();
            let problem = Problem::new("invalid-read", 422, "A read breaks the contract", "x");
            refused.take(&self.spool, (hash, OsStr::new("x.json")), Some(2), &problem, true).unwrap();
        }

        fn names(&self) -> Vec<String> {
            let mut names: Vec<String> = fs::read_dir(self.at())
                .unwrap()
                .map(|entry| entry.unwrap().file_name().into_string().unwrap())
                .collect();
            names.sort();
            names
        }
    }

    fn age(generation: &str, lived_ms: i64) -> Age {
        Age { generation: generation.to_owned(), lived_ms, at: clock::mono() }
    }

    fn json_of(path: &Path) -> Value {
        serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
    }

    #[test]
    fn what_was_refused_goes_at_its_age_by_the_queues_clock_over_restarts_and_whatever_a_file_says_of_its_date() {
        let rig = Rig::new();
        let mut refused = rig.open("g", 5 * HOUR_MS);
        rig.refuse(&mut refused, "aa");
        assert_eq!(rig.names(), ["aa.json", "aa.reason.json"]);
        // Its date is of 1970: by the wall clock it would be older than any limit.
        fs::File::open(rig.at().join("aa.json")).unwrap().set_modified(std::time::UNIX_EPOCH).unwrap();
        assert_eq!((refused.purge(3600).unwrap(), rig.names().len()), (0, 2));
        let mut refused = rig.open("g", 6 * HOUR_MS - 60_000);
        refused.purge(3600).unwrap();
        assert_eq!(rig.names().len(), 2, "59 minutes, with a restart between");
        assert!(refused.observe(age("g", 6 * HOUR_MS + 60_000)));
        assert_eq!((refused.purge(3600).unwrap(), rig.names().len()), (0, 0), "gone by age, and not counted as over");
    }

    #[test]
    fn what_says_nothing_of_its_age_counts_from_when_it_was_first_seen() {
        let rig = Rig::new();
        fs::write(rig.at().join("bb.json"), "{}").unwrap();
        fs::write(rig.at().join("bb.reason.json"), r#"{"hash": "bb", "at": "2020-01-01T00:00:00Z"}"#).unwrap();
        fs::write(rig.at().join("cc.json"), "{}").unwrap();
        fs::write(rig.at().join("notes.txt"), "x").unwrap();
        // As after a power cut in the middle of this.
        for part in [PART, "bb.reason.part"] {
            fs::write(rig.at().join(part), "x").unwrap();
        }
        drop(rig.open("g", 9 * HOUR_MS));
        let reason = json_of(&rig.at().join("bb.reason.json"));
        assert_eq!((&reason["hash"], reason["at"].as_str()), (&json!("bb"), Some("2020-01-01T00:00:00Z")));
        assert!(reason["lived_ms"].as_i64().is_some_and(|at_ms| (9 * HOUR_MS..10 * HOUR_MS).contains(&at_ms)));
        assert_eq!(
            rig.names(),
            ["bb.json", "bb.reason.json", "cc.json", "cc.reason.json", "notes.txt", "notes.txt.reason.json"]
        );
        let mut refused = rig.open("g", 10 * HOUR_MS - 60_000);
        refused.purge(3600).unwrap();
        assert_eq!(rig.names().len(), 6);
        // Another queue has another clock: what its predecessor wrote says nothing.
        let mut other = rig.open("h", 10 * HOUR_MS + 60_000);
        other.purge(3600).unwrap();
        assert_eq!(rig.names().len(), 6);
        assert!(!refused.observe(age("h", 0)));
        let mut other = rig.open("h", 12 * HOUR_MS);
        other.purge(3600).unwrap();
        assert_eq!(rig.names(), [""; 0]);
    }

    #[test]
    fn oldest_go_when_there_are_too_many_or_too_large_ones_and_are_counted() {
        let rig = Rig::new();
        let mut refused = rig.open("g", 0);
        for (hours, hash) in [(1, "aa"), (2, "bb"), (3, "cc"), (4, "dd")] {
            refused.observe(age("g", hours * HOUR_MS));
            rig.refuse(&mut refused, hash);
        }
        assert_eq!(refused.purge_to(u64::MAX, 3, u64::MAX).unwrap(), 1);
        assert!(!rig.names().iter().any(|name| name.starts_with("aa")) && rig.names().len() == 6);
        let two = refused.entries.values().map(|entry| entry.bytes).sum::<u64>() * 2 / 3 + 1;
        assert_eq!(refused.purge_to(u64::MAX, 3, two).unwrap(), 1);
        assert_eq!(rig.names(), ["cc.json", "cc.reason.json", "dd.json", "dd.reason.json"]);
        // The same bytes again are the same entry, at its old age.
        rig.refuse(&mut refused, "cc");
        assert_eq!(refused.purge_to(u64::MAX, 1, u64::MAX).unwrap(), 1);
        assert_eq!(rig.names(), ["dd.json", "dd.reason.json"]);
    }
}
