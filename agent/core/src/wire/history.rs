//! `history.ndjson`: one line for each quarter of an hour, so that a technician sees how it came to this. No plate.

use super::health::HealthBody;
use crate::moment::Utc;
use serde::{Deserialize, Serialize};

/// A line is written this often, ms.
pub const EVERY_MS: u64 = 15 * 60_000;
/// How many lines are kept: 90 days. Counted, not dated: a wrong clock must not empty the history.
pub const ROWS_MAX: usize = 90 * 96;
/// Needs that one line names; the rest is counted by `needs_more`.
const NEEDS_MAX: usize = 8;

/// One quarter of an hour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HistoryRow {
    /// When it was written, RFC 3339.
    pub at: String,
    /// `fine`, `look` or `act`.
    pub word: String,
    /// Codes of the needs, most urgent first.
    pub needs: Vec<String>,
    /// How many needs more there were.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub needs_more: usize,
    /// State of the site keeper.
    pub place: String,
    /// Number of the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<u64>,
    /// State of the link.
    pub link: String,
    /// Accepted, delivered and waiting events, from the ledger.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ledger: Option<[u64; 3]>,
    /// Reads of each camera since the start of the process, in the order of the configuration.
    pub reads: Vec<u64>,
    /// Where the computer's time comes from.
    pub clock: String,
    /// Free bytes of the disk with the queue.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub disk_free_bytes: Option<u64>,
    /// Memory that can be had, bytes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub memory_free_bytes: Option<u64>,
    /// Hottest sensor, degrees Celsius.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands over a reference")]
fn is_zero(n: &usize) -> bool {
    *n == 0
}

impl HistoryRow {
    /// The line that one snapshot is worth.
    #[must_use]
    pub fn of(body: &HealthBody) -> Self {
        Self {
            at: body.written.clone(),
            word: body.word.clone(),
            needs: body.needs.iter().take(NEEDS_MAX).map(|need| need.code.clone()).collect(),
            needs_more: body.needs.len().saturating_sub(NEEDS_MAX),
            place: body.place.state.clone(),
            site: body.place.site.as_ref().map(|site| site.id),
            link: body.link.state.clone(),
            ledger: body.ledger.as_ref().map(|ledger| [ledger.accepted_up_to, ledger.delivered, ledger.waiting]),
            reads: body.cameras.iter().map(|camera| camera.reads).collect(),
            clock: body.computer.clock_trust.clone(),
            disk_free_bytes: body.ledger.as_ref().map(|ledger| ledger.disk_free_bytes),
            memory_free_bytes: body.computer.memory_free_bytes,
            temperature_c: body.computer.temperature_c,
        }
    }

    /// When it was written; `None` if that is no time.
    #[must_use]
    pub fn at(&self) -> Option<Utc> {
        Utc::parse_rfc3339(&self.at)
    }
}

/// The whole lines of a file that may end in the middle of one; a line that is none of ours is left out.
#[must_use]
pub fn whole_lines(text: &str) -> Vec<&str> {
    let whole = |line: &&str| serde_json::from_str::<HistoryRow>(line).is_ok();
    text.split_inclusive('\n').filter_map(|line| line.strip_suffix('\n')).filter(whole).collect()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::health::{Memory, snapshot};
    use crate::sim::scene::Scene;

    fn row(scene: &Scene) -> HistoryRow {
        let told = snapshot(&scene.observations(), &mut Memory::default());
        HistoryRow::of(&HealthBody::new(&scene.observations(), &told, 1))
    }

    #[test]
    fn line_tells_the_word_the_needs_and_the_figures_in_few_bytes() {
        let row = row(&Scene::after_tow());
        assert_eq!((row.word.as_str(), row.needs[0].as_str()), ("act", "lines.unconfirmed"));
        let line = serde_json::to_string(&row).unwrap();
        assert!(line.len() < 450, "90 days stay under 4 MB: {}", line.len());
        assert_eq!(serde_json::from_str::<HistoryRow>(&line).unwrap(), row);
    }

    #[test]
    fn torn_end_and_foreign_lines_are_left_out() {
        let line = serde_json::to_string(&row(&Scene::standing())).unwrap();
        let text = format!("{line}\n{{\"x\":1}}\n{line}\n{}", &line[..40]);
        assert_eq!(whole_lines(&text), [line.as_str(), line.as_str()]);
        assert_eq!(whole_lines(&line), Vec::<&str>::new(), "no line end, so the power may have gone in it");
    }
}
