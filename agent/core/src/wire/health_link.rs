//! The tether's part of `health.json`.

use crate::health::Observations;
use crate::ids::printable;
use crate::link::LadderShown;
use crate::link::latency::Percentiles;
use crate::link::outages::Sum;
use crate::link::words::told;
use crate::moment::Utc;
use serde::{Deserialize, Serialize};

/// The tether, and the way to the receiver.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LinkBody {
    /// `not fitted`, `absent`, `down` or `up`.
    pub state: String,
    /// The first broken rung, or `up`, `slow`, `unproven`; absent before the first look.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rung: Option<String>,
    /// What that means, one sentence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sentence: Option<String>,
    /// Since when, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<String>,
    /// Present name of the interface.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interface: Option<String>,
    /// It breaks so often that its being up means little.
    #[serde(default)]
    pub unsteady: bool,
    /// Breaks since the start.
    #[serde(default)]
    pub breaks: u64,
    /// Round trip as last seen, ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rtt_ms: Option<u64>,
    /// Bytes a second of the last large sends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bytes_per_s: Option<u64>,
    /// Bytes that probes have cost today.
    #[serde(default)]
    pub probe_bytes: u64,
    /// Outages that began within the last 24 hours.
    #[serde(default, skip_serializing_if = "nothing")]
    pub outages_day: OutagesBody,
    /// Outages that began within the last 30 days.
    #[serde(default, skip_serializing_if = "nothing")]
    pub outages_month: OutagesBody,
    /// The newest outages that are over, oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub outages: Vec<OutageBody>,
    /// Data used; absent if no interface is watched.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub data: Option<DataBody>,
    /// How long hits took.
    #[serde(default, skip_serializing_if = "nothing")]
    pub hits: HitsBody,
    /// The newest test alert that got its receipt.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub test_alert: Option<TestAlertBody>,
    /// The recovery ladder; absent if nothing is done by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ladder: Option<LadderBody>,
}

/// The recovery ladder.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LadderBody {
    /// Steps in the last 24 hours.
    pub steps_day: usize,
    /// Steps of any kind that may still be taken in this hour.
    pub hour_left: usize,
    /// Resets that may still be made today.
    pub resets_left: usize,
    /// Restarts of the computer that may still be made today.
    pub reboots_left: usize,
    /// The step that comes next; absent if nothing is broken that a step could help, or nothing more is allowed now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
    /// When at the soonest, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_at: Option<String>,
    /// The step that runs now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub running: Option<String>,
    /// The last step.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<LastStepBody>,
    /// Why the last step could not be taken, and what to do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trouble: Option<String>,
}

/// One step of the ladder.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastStepBody {
    /// `renew`, `cycle`, `usb`, `command` or `reboot`.
    pub step: String,
    /// Against which rung.
    pub rung: String,
    /// When, RFC 3339.
    pub at: String,
    /// Whether the way was whole soon after; absent: not known yet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub helped: Option<bool>,
}

/// Absent in the file while there is nothing to tell.
fn nothing<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

/// Outages of a span.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutagesBody {
    /// How many.
    pub count: u64,
    /// Their length in all, s.
    pub total_s: u64,
    /// The longest, s.
    pub longest_s: u64,
}

/// One outage.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutageBody {
    /// When it began, RFC 3339.
    pub began: String,
    /// How long it lasted, s.
    pub length_s: u64,
    /// Where the way was broken for the longest part of it.
    pub rung: String,
}

/// Data used, both ways.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DataBody {
    /// In this billing month, bytes.
    pub used_bytes: u64,
    /// Today (UTC), bytes.
    pub today_bytes: u64,
    /// The plan, bytes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plan_bytes: Option<u64>,
    /// When the next billing month begins, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ends: Option<String>,
    /// When the plan runs out at the pace of the last days, if before that, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub runs_out: Option<String>,
    /// `none`, `thumbnails`, `no-images` or `urgent-only`.
    pub saving: String,
}

/// How long hits took from capture to receipt.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct HitsBody {
    /// Within this a hit should have its receipt, ms.
    pub target_ms: u64,
    /// Today (UTC).
    pub today: PercentilesBody,
    /// The last 30 days.
    pub month: PercentilesBody,
}

/// Percentiles.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PercentilesBody {
    /// How many hits.
    pub count: u64,
    /// Half took no longer, ms.
    pub p50_ms: u64,
    /// 95 of 100 took no longer, ms.
    pub p95_ms: u64,
    /// 99 of 100 took no longer, ms.
    pub p99_ms: u64,
    /// Hits beside them that took nobody knows how long: a clock was wrong. Left out if there are none.
    #[serde(default, skip_serializing_if = "nothing")]
    pub unsure: u64,
}

/// A test alert that got through.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TestAlertBody {
    /// Its number in the queue.
    pub sequence: u64,
    /// When it was made, RFC 3339.
    pub made: String,
    /// When its receipt came, RFC 3339.
    pub received: String,
}

impl From<Sum> for OutagesBody {
    fn from(sum: Sum) -> Self {
        Self { count: sum.count, total_s: sum.total_ms / 1000, longest_s: sum.longest_ms / 1000 }
    }
}

impl From<Percentiles> for PercentilesBody {
    fn from(of: Percentiles) -> Self {
        Self { count: of.count, p50_ms: of.p50_ms, p95_ms: of.p95_ms, p99_ms: of.p99_ms, unsure: of.unsure }
    }
}

pub(super) fn link(seen: &Observations<'_>) -> LinkBody {
    let (report, shown) = (seen.link_report, &seen.link_report.shown);
    let interface = shown.interface.as_deref().map(|name| printable(name, 40));
    LinkBody {
        state: crate::health::link_word(seen.link).to_owned(),
        rung: shown.finding.as_ref().map(|finding| finding.rung.word().to_owned()),
        sentence: shown
            .finding
            .as_ref()
            .map(|finding| printable(&told(finding, interface.as_deref().unwrap_or_default()).sentence, 300)),
        since: shown.since.map(|(_, utc)| utc.to_rfc3339()),
        interface,
        unsteady: shown.unsteady,
        breaks: shown.breaks,
        rtt_ms: shown.rtt_ms,
        bytes_per_s: shown.bytes_per_s,
        probe_bytes: shown.probe_bytes,
        outages_day: report.day.into(),
        outages_month: report.month.into(),
        outages: report
            .recent
            .iter()
            .map(|one| OutageBody {
                began: one.began.to_rfc3339(),
                length_s: one.length_ms / 1000,
                rung: one.rung.word().to_owned(),
            })
            .collect(),
        data: report.data.map(|data| DataBody {
            used_bytes: data.used,
            today_bytes: data.today,
            plan_bytes: report.plan.map(|plan| plan.bytes),
            ends: data.ends.map(Utc::to_rfc3339),
            runs_out: data.runs_out.map(Utc::to_rfc3339),
            saving: data.saving.word().to_owned(),
        }),
        hits: HitsBody {
            target_ms: report.hits_target_ms,
            today: report.hits_today.into(),
            month: report.hits_month.into(),
        },
        test_alert: seen.forward.last_test.map(|test| TestAlertBody {
            sequence: test.sequence,
            made: test.made.to_rfc3339(),
            received: test.received.to_rfc3339(),
        }),
        ladder: report.ladder.as_ref().map(ladder),
    }
}

fn ladder(shown: &LadderShown) -> LadderBody {
    LadderBody {
        steps_day: shown.day,
        hour_left: shown.left.hour,
        resets_left: shown.left.resets,
        reboots_left: shown.left.reboots,
        next: shown.next.map(|(step, _)| step.word().to_owned()),
        next_at: shown.next.map(|(_, at)| at.to_rfc3339()),
        running: shown.running.map(|step| step.word().to_owned()),
        last: shown.last.map(|one| LastStepBody {
            step: one.step.word().to_owned(),
            rung: one.rung.word().to_owned(),
            at: one.at.to_rfc3339(),
            helped: one.helped,
        }),
        trouble: shown.trouble.as_ref().map(|[why, advice]| format!("{why}; {advice}")),
    }
}
