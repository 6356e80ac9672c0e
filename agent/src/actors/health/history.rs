//! The history of the last 90 days: a line is appended and synced each quarter of an hour; once a day too many have
//! gathered, the file is replaced as a whole.

use crate::io::files::{FilesError, Folder};
use pintle_core::moment::{Mono, Utc};
use pintle_core::wire::health::HealthBody;
use pintle_core::wire::history::{EVERY_MS, HistoryRow, ROWS_MAX, whole_lines};
use std::collections::VecDeque;

/// Its name in both folders.
pub(super) const NAME: &str = "history.ndjson";
/// The file may have this many lines too many before it is replaced: a day's.
const SLACK: usize = 96;

/// The lines, oldest first.
pub(super) struct History {
    rows: VecDeque<String>,
    last: Option<Mono>,
    /// Whether the file may end in the middle of a line, or hold lines that are none of ours.
    torn: bool,
}

impl History {
    /// Takes up what an earlier process kept. What can't be read costs the history, never the start.
    pub(super) fn resume(kept: &Folder) -> Self {
        let text = std::fs::read(kept.path().join(NAME)).unwrap_or_default();
        let text = String::from_utf8_lossy(&text);
        let rows: VecDeque<String> = whole_lines(&text).into_iter().map(str::to_owned).collect();
        let whole = rows.iter().map(|row| row.len() + 1).sum::<usize>() == text.len();
        let mut history = Self { rows, last: None, torn: !whole };
        history.drop_oldest();
        history
    }

    /// Whether a line is due. After a start the newest line of the earlier process counts, so that many starts are not
    /// many lines.
    pub(super) fn is_due(&self, now: Mono, utc: Utc) -> bool {
        if let Some(at) = self.last {
            return EVERY_MS <= now.since_ms(at);
        }
        let newest = self.rows.back().and_then(|row| serde_json::from_str::<HistoryRow>(row).ok());
        let every = i64::try_from(EVERY_MS).unwrap_or(i64::MAX);
        newest.and_then(|row| row.at()).is_none_or(|at| !(0..every).contains(&utc.since_ms(at)))
    }

    /// Adds the line of `body`, and writes both files.
    ///
    /// # Errors
    /// [`FilesError`]: the line is kept in memory and written with the next one.
    pub(super) fn add(
        &mut self,
        body: &HealthBody,
        now: Mono,
        kept: &Folder,
        shown: &Folder,
    ) -> Result<(), FilesError> {
        // A row is made of strings and numbers; it can always be written.
        let Ok(row) = serde_json::to_string(&HistoryRow::of(body)) else { return Ok(()) };
        self.rows.push_back(row);
        self.last = Some(now);
        let too_many = ROWS_MAX + SLACK < self.rows.len();
        self.drop_oldest_beyond(SLACK);
        shown.replace(NAME, self.text().as_bytes())?;
        let written = if self.torn || too_many {
            self.drop_oldest();
            kept.replace(NAME, self.text().as_bytes())
        } else {
            let line = self.rows.back().map(|row| format!("{row}\n")).unwrap_or_default();
            kept.append(NAME, line.as_bytes())
        };
        // After a failed append nobody knows how the file ends: the next writing replaces it.
        self.torn = written.is_err();
        written
    }

    fn drop_oldest(&mut self) {
        self.drop_oldest_beyond(0);
    }

    fn drop_oldest_beyond(&mut self, slack: usize) {
        while ROWS_MAX + slack < self.rows.len() {
            self.rows.pop_front();
        }
    }

    fn text(&self) -> String {
        let skip = self.rows.len().saturating_sub(ROWS_MAX);
        let mut text = String::new();
        for row in self.rows.iter().skip(skip) {
            text.push_str(row);
            text.push('\n');
        }
        text
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::health::{Memory, snapshot};
    use pintle_core::sim::scene::Scene;

    struct Rig {
        _base: tempfile::TempDir,
        kept: Folder,
        shown: Folder,
    }

    fn rig() -> Rig {
        let base = tempfile::tempdir().unwrap();
        let folder = |name: &str| Folder::ready(base.path().join(name), 0o750, 0o640, None).unwrap();
        Rig { kept: folder("kept"), shown: folder("shown"), _base: base }
    }

    fn body(at: Utc) -> HealthBody {
        let mut scene = Scene::standing();
        scene.now.utc = at;
        let told = snapshot(&scene.observations(), &mut Memory::default());
        HealthBody::new(&scene.observations(), &told, 1)
    }

    fn lines(folder: &Folder) -> usize {
        std::fs::read_to_string(folder.path().join(NAME)).unwrap().lines().count()
    }

    const START: Utc = Utc(1_800_000_000_000);

    fn quarter(n: u64) -> (Mono, Utc) {
        (Mono(n * EVERY_MS), START.plus_ms(i64::try_from(n * EVERY_MS).unwrap()))
    }

    #[test]
    fn line_is_due_each_quarter_and_many_starts_are_not_many_lines() {
        let rig = rig();
        let mut history = History::resume(&rig.kept);
        let (now, utc) = quarter(1);
        assert!(history.is_due(now, utc));
        history.add(&body(utc), now, &rig.kept, &rig.shown).unwrap();
        assert!(!history.is_due(now.plus_ms(EVERY_MS - 1), utc) && history.is_due(now.plus_ms(EVERY_MS), utc));
        let again = History::resume(&rig.kept);
        assert!(!again.is_due(Mono(5), utc.plus_ms(60_000)), "started a minute later");
        assert!(again.is_due(Mono(5), utc.plus_ms(900_000)));
        assert!(again.is_due(Mono(5), utc.plus_ms(-60_000)), "the clock went back: nobody knows, so tell");
    }

    #[test]
    fn ninety_days_are_kept_and_the_file_stays_bounded() {
        let rig = rig();
        let template = serde_json::to_string(&HistoryRow::of(&body(START))).unwrap();
        let full: String = format!("{template}\n").repeat(ROWS_MAX + 200);
        rig.kept.replace(NAME, full.as_bytes()).unwrap();
        let mut history = History::resume(&rig.kept);
        for n in 1..=200 {
            let (now, utc) = quarter(n);
            history.add(&body(utc), now, &rig.kept, &rig.shown).unwrap();
            assert!(lines(&rig.kept) <= ROWS_MAX + 200 + SLACK, "{}", lines(&rig.kept));
        }
        assert!(lines(&rig.kept) <= ROWS_MAX + SLACK && lines(&rig.shown) == ROWS_MAX);
        let newest = std::fs::read_to_string(rig.kept.path().join(NAME)).unwrap();
        assert!(newest.lines().last().unwrap().contains(&quarter(200).1.to_rfc3339()));
    }

    #[test]
    fn file_that_a_power_cut_tore_is_mended_with_the_next_line() {
        let rig = rig();
        let line = serde_json::to_string(&HistoryRow::of(&body(START))).unwrap();
        rig.kept.replace(NAME, format!("{line}\n{}", &line[..30]).as_bytes()).unwrap();
        let mut history = History::resume(&rig.kept);
        let (now, utc) = quarter(4);
        history.add(&body(utc), now, &rig.kept, &rig.shown).unwrap();
        let text = std::fs::read_to_string(rig.kept.path().join(NAME)).unwrap();
        assert_eq!((text.lines().count(), whole_lines(&text).len()), (2, 2));
    }
}
