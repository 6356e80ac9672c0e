//! Section 4: the way to the receiver, with its figures, and what people must do about it.

use super::sections::{not_fitted, row, section};
use super::{Observations, Section, wording};
use crate::ids::printable;
use crate::link::outages::Sum;
use crate::link::rung::{Finding, Rung};
use crate::link::usage::Saving;
use crate::link::words::{Told, told};
use crate::link::{LadderShown, LinkView};

const MIN_MS: u64 = 60_000;
/// Hits that a day, or some days together, must have had before their pace is judged (our own limit: one slow hit is no
/// pace).
const HITS_MIN: u64 = 5;
/// Over several days so many must have been late, and more than one in twenty (our own limit: an outage in which a hit
/// or two came is told by itself).
const LATE_MIN: u64 = 3;

/// The finding, or what the coarse state says of it before there is one.
pub(super) fn finding(seen: &Observations<'_>) -> Option<Finding> {
    if let Some(finding) = &seen.link_report.shown.finding {
        return Some(finding.clone());
    }
    match seen.link {
        LinkView::NotFitted => None,
        LinkView::Absent { looked_for } => Some(Finding::new(Rung::Absent, looked_for.clone())),
        LinkView::Down { why, .. } => Some(Finding::new(Rung::NoCarrier, why.clone())),
        LinkView::Up { .. } => Some(Finding::bare(Rung::Unproven)),
    }
}

/// The finding in words.
pub(super) fn in_words(seen: &Observations<'_>) -> Option<Told> {
    let interface = match seen.link {
        LinkView::Down { interface, .. } | LinkView::Up { interface } => printable(interface, 40),
        LinkView::NotFitted | LinkView::Absent { .. } => String::new(),
    };
    finding(seen).map(|finding| told(&finding, &interface))
}

pub(super) fn link(seen: &Observations<'_>) -> Section {
    let Some(told) = in_words(seen) else {
        let mut section = not_fitted(4, "link", "Link");
        hits(seen, &mut section);
        return section;
    };
    let (shown, report) = (&seen.link_report.shown, seen.link_report);
    if shown.finding.is_none() {
        return before_the_first_look(seen, told);
    }
    let receipt = seen.forward.last_receipt.map(|(mono, utc)| (seen.age(mono), seen.when(utc)));
    let proof =
        receipt.as_ref().map_or_else(|| "No receipt yet.".to_owned(), |(age, _)| format!("Last receipt {age} ago."));
    let mut section = section(4, "link", "Link", [told.short.to_owned(), proof, told.sentence]);
    let since = shown.since.map_or_else(String::new, |(mono, _)| format!("for {}", seen.age(mono)));
    let interface = match seen.link {
        LinkView::Absent { looked_for } => format!("{} not there", printable(looked_for, 40)),
        LinkView::Down { interface, .. } | LinkView::Up { interface } => printable(interface, 40),
        LinkView::NotFitted => String::new(),
    };
    section.rows.push(row("Interface", interface, since));
    section.rows.push(match receipt {
        Some((age, when)) => row("Last receipt", format!("{age} ago"), when),
        None => row("Last receipt", "none yet", ""),
    });
    if let Some(ms) = shown.rtt_ms {
        let pace = shown.bytes_per_s.map_or_else(String::new, |pace| format!("{} kbit/s up", pace * 8 / 1000));
        section.rows.push(row("Round trip", format!("{ms} ms"), pace));
    }
    section.rows.push(row(
        "Outages",
        outages(report.day, " in 24 h"),
        format!("30 days: {}", outages(report.month, "")),
    ));
    if 0 < shown.breaks {
        let note = if shown.unsteady { "it breaks again and again" } else { "since the start" };
        section.rows.push(row("Breaks", shown.breaks.to_string(), note));
    }
    if let Some(data) = &report.data {
        let plan = report.plan.map(|plan| plan.bytes);
        let of = plan.map_or_else(String::new, |bytes| format!(" of {}", megabytes(bytes)));
        let note = match (data.runs_out, data.ends) {
            (Some(out), _) if plan.is_some() => format!("runs out {}", seen.when(out)),
            (_, Some(ends)) => format!("today {}; anew {}", megabytes(data.today), seen.when(ends)),
            _ => String::new(),
        };
        section.rows.push(row("Data this month", format!("{}{of}", megabytes(data.used)), note));
        if data.saving != Saving::None {
            section.rows.push(row("Saving", data.saving.word(), "because of the plan"));
        }
    }
    if let Some(shown) = &report.ladder {
        ladder(seen, shown, &mut section);
    }
    hits(seen, &mut section);
    section
}

/// What the agent does against it by itself.
fn ladder(seen: &Observations<'_>, shown: &LadderShown, section: &mut Section) {
    let resets = format!("{} left today", wording::amount(shown.left.resets as u64, "reset"));
    let next = match (shown.running, shown.next) {
        (Some(step), _) => format!("{} runs now", step.word()),
        (None, Some((step, at))) if seen.now.utc < at => {
            let wait_ms = u64::try_from(at.since_ms(seen.now.utc)).unwrap_or(0);
            format!("{} in {}", step.word(), wording::span(wait_ms))
        }
        (None, Some((step, _))) => format!("{}, when nothing moves", step.word()),
        (None, None) => "nothing".to_owned(),
    };
    section.rows.push(row("Next step", next, resets));
    if let Some(last) = &shown.last {
        let helped = match last.helped {
            Some(true) => "it helped",
            Some(false) => "it did not help",
            None => "not known yet whether it helped",
        };
        section.rows.push(row("Last step", format!("{}: {helped}", last.step.word()), seen.when(last.at)));
    }
}

/// The lever does not do what the ladder asks for.
pub(super) fn lever_need(seen: &Observations<'_>) -> Option<[String; 3]> {
    let [why, advice] = seen.link_report.ladder.as_ref()?.trouble.as_ref()?;
    Some(["look at the lever".to_owned(), wording::sentence(why), wording::sentence(advice)])
}

/// The interface alone, as long as nobody has looked farther.
fn before_the_first_look(seen: &Observations<'_>, told: Told) -> Section {
    let receipt = seen.forward.last_receipt.map(|(mono, utc)| (seen.age(mono), seen.when(utc)));
    let proof =
        receipt.as_ref().map_or_else(|| "No receipt yet.".to_owned(), |(age, _)| format!("Last receipt {age} ago."));
    let (short, sentence, interface) = match seen.link {
        LinkView::Absent { looked_for } => {
            (told.short, told.sentence, format!("{} not there", printable(looked_for, 40)))
        }
        LinkView::Down { interface, why } => {
            ("Down", format!("The tether is down: {why}."), format!("{}, {why}", printable(interface, 40)))
        }
        LinkView::Up { interface } => {
            let sentence = "The tether's interface is up; whether anything gets through, the last receipt says.";
            ("Up", sentence.to_owned(), format!("{}, up", printable(interface, 40)))
        }
        LinkView::NotFitted => (told.short, told.sentence, String::new()),
    };
    let mut section = section(4, "link", "Link", [short.to_owned(), proof, sentence]);
    section.rows.push(row("Interface", interface, ""));
    section.rows.push(match receipt {
        Some((age, when)) => row("Last receipt", format!("{age} ago"), when),
        None => row("Last receipt", "none yet", ""),
    });
    hits(seen, &mut section);
    section
}

/// Capture to receipt, in the link's section: it is the way that takes the time.
fn hits(seen: &Observations<'_>, section: &mut Section) {
    let report = seen.link_report;
    for (label, hits) in [("Hits today", report.hits_today), ("Hits, 30 days", report.hits_month)] {
        if 0 < hits.count {
            let note = format!(
                "p50 {}, p99 {}; {}",
                seconds(hits.p50_ms),
                seconds(hits.p99_ms),
                target(report.hits_target_ms)
            );
            section.rows.push(row(label, format!("p95 {}", seconds(hits.p95_ms)), note));
        }
    }
    let unsure = report.hits_month.unsure;
    if 0 < unsure {
        let note = format!("of 30 days, {} today: a clock was wrong", wording::count(report.hits_today.unsure));
        section.rows.push(row("Hits without a time", wording::count(unsure), note));
    }
    if let Some(test) = &seen.forward.last_test {
        let took = u64::try_from(test.received.since_ms(test.made)).unwrap_or(0);
        section.rows.push(row("Test alert", format!("received after {}", seconds(took)), seen.when(test.received)));
    }
}

fn within(days: u64) -> String {
    if days <= 1 { "all of today".to_owned() } else { format!("in {}", wording::amount(days, "day")) }
}

fn target(ms: u64) -> String {
    format!("target {}", seconds(ms))
}

fn seconds(ms: u64) -> String {
    format!("{}.{} s", ms / 1000, ms % 1000 / 100)
}

fn megabytes(bytes: u64) -> String {
    format!("{} MB", bytes / 1_000_000)
}

fn outages(sum: Sum, within: &str) -> String {
    if sum.count == 0 {
        return format!("none{within}");
    }
    format!("{}{within}, {} in all", wording::amount(sum.count, "outage"), wording::span(sum.total_ms))
}

/// What the finding asks for: the rule, how long it must have held, ms, and the words. A receiver's own fault is told
/// by the rules for the receiver.
pub(super) fn need(seen: &Observations<'_>) -> Option<(&'static str, u64, [String; 3])> {
    let told = in_words(seen)?;
    let rung = finding(seen)?.rung;
    let wait_ms = match rung {
        Rung::ReceiverSilent | Rung::ReceiverRefuses | Rung::Unproven | Rung::Up => return None,
        Rung::Slow => 10 * MIN_MS,
        _ => MIN_MS,
    };
    Some((told.code, wait_ms, [told.what.to_owned(), told.sentence, told.how.to_owned()]))
}

/// The plan is nearly used up, or will be before it begins anew.
pub(super) fn plan_need(seen: &Observations<'_>) -> Option<[String; 3]> {
    let (data, plan) = seen.link_report.data.zip(seen.link_report.plan)?;
    if data.saving == Saving::None && data.runs_out.is_none() {
        return None;
    }
    let saved = match data.saving {
        Saving::None => "",
        Saving::Thumbnails => " Thumbnails go, the pictures themselves wait.",
        Saving::NoImages => " Pictures wait; reads go.",
        Saving::UrgentOnly => " Hits and alarms go; all else waits until the plan begins anew.",
    };
    let out = data.runs_out.map_or_else(String::new, |out| format!(", and it runs out {}", out.to_rfc3339()));
    Some([
        "see to the data plan".to_owned(),
        format!("{} of {} are used{out}.{saved}", megabytes(data.used), megabytes(plan.bytes)),
        "Have the plan enlarged, or lower images.budget_mb_day.".to_owned(),
    ])
}

/// Hits are late, today or over some days.
pub(super) fn late_need(seen: &Observations<'_>) -> Option<[String; 3]> {
    let (today, recent) = (seen.link_report.hits_today, seen.link_report.hits_recent);
    let target_ms = seen.link_report.hits_target_ms;
    let enough = |count: u64| HITS_MIN <= count;
    let which = if enough(today.count) && target_ms < today.p95_ms {
        let which = format!("Of today's {} 95 in 100", wording::amount(today.count, "hit"));
        format!("{which} took up to {}", seconds(today.p95_ms))
    } else if enough(recent.count) && LATE_MIN <= recent.late && recent.count < 20 * recent.late {
        let all = format!("Of the last {}, {}", wording::amount(recent.count, "hit"), within(recent.days));
        format!("{all}, {} came late, and 95 in 100 took up to {}", wording::count(recent.late), seconds(recent.p95_ms))
    } else {
        return None;
    };
    Some([
        "find out why hits are late".to_owned(),
        format!("{which} from capture to receipt; the target is {}.", seconds(target_ms)),
        "Look at outages and round trip in this section, and whether the engine hands hits over late.".to_owned(),
    ])
}

#[cfg(test)]
mod tests {
    use super::super::{Memory, snapshot};
    use crate::link::LinkReport;
    use crate::link::latency::{Percentiles, Recent};
    use crate::link::outages::Sum;
    use crate::link::rung::{Finding, Rung};
    use crate::link::usage::{Plan, Saving, Standing};
    use crate::link::watch::Shown;
    use crate::sim::scene::Scene;

    fn scene(rung: Rung) -> Scene {
        let mut scene = Scene::standing();
        let finding = Some(Finding::new(rung, "detail"));
        scene.link_report = LinkReport { shown: Shown { finding, ..Shown::default() }, ..LinkReport::default() };
        scene
    }

    fn codes(scene: &mut Scene, wait_ms: u64) -> Vec<&'static str> {
        let mut memory = Memory::default();
        drop(snapshot(&scene.observations(), &mut memory));
        scene.pass(wait_ms);
        snapshot(&scene.observations(), &mut memory).needs.iter().map(|need| need.code).collect()
    }

    #[test]
    fn a_broken_rung_is_a_need_of_its_own_after_a_minute_and_a_receiver_that_refuses_is_not_the_links() {
        for (rung, code) in [
            (Rung::ChargingOnly, "link.charging"),
            (Rung::GatewaySilent, "link.gateway"),
            (Rung::Portal, "link.portal"),
            (Rung::TcpBlocked, "link.blocked"),
            (Rung::LargeLost, "link.large"),
        ] {
            assert!(!codes(&mut scene(rung), 50_000).contains(&code), "{rung:?}");
            assert!(codes(&mut scene(rung), 61_000).contains(&code), "{rung:?}");
        }
        for rung in [Rung::ReceiverSilent, Rung::ReceiverRefuses, Rung::Up] {
            assert!(!codes(&mut scene(rung), 61_000).iter().any(|code| code.starts_with("link.")), "{rung:?}");
        }
    }

    #[test]
    fn outages_and_the_plan_are_told_with_their_span_in_times_that_people_read() {
        let mut scene = scene(Rung::Up);
        let now = scene.now.utc;
        scene.link_report.month = Sum { count: 3, total_ms: 2_499_000, longest_ms: 2_400_000 };
        scene.link_report.data = Some(Standing {
            used: 2_100_000_000,
            today: 90_000_000,
            ends: Some(now.plus_ms(9 * 86_400_000)),
            runs_out: None,
            saving: Saving::None,
        });
        let told = snapshot(&scene.observations(), &mut Memory::default());
        let section = told.sections.iter().find(|section| section.no == 4);
        let rows = section.map(|section| section.rows.as_slice()).unwrap_or_default();
        let said = |label: &str| {
            let row = rows.iter().find(|row| row.label == label);
            row.map_or_else(String::new, |row| format!("{}; {}", row.value, row.note))
        };
        assert_eq!(said("Outages"), "none in 24 h; 30 days: 3 outages, 41 min in all");
        let anew = super::wording::clock(now.plus_ms(9 * 86_400_000), now);
        assert_eq!(said("Data this month"), format!("2100 MB; today 90 MB; anew {anew}"));
    }

    #[test]
    fn late_hits_and_a_plan_that_runs_out_are_needs() {
        let mut late = scene(Rung::Up);
        late.link_report.hits_target_ms = 12_000;
        late.link_report.hits_today = Percentiles { count: 40, p50_ms: 900, p95_ms: 20_000, p99_ms: 30_000, unsure: 0 };
        assert!(!codes(&mut late, 60_000).contains(&"hits.late"));
        assert!(codes(&mut late, 1_801_000).contains(&"hits.late"));
        let mut thin = scene(Rung::Up);
        thin.link_report.plan = Some(Plan { bytes: 1 << 30, from_day: 1, hard: true });
        thin.link_report.data = Some(Standing { used: 1 << 30, saving: Saving::UrgentOnly, ..Standing::default() });
        assert!(codes(&mut thin, 1000).contains(&"link.plan"));
    }

    #[test]
    fn hits_that_are_late_day_after_day_are_told_with_their_figure_and_the_target() {
        let told = |scene: &mut Scene| {
            let mut memory = Memory::default();
            drop(snapshot(&scene.observations(), &mut memory));
            scene.pass(1_801_000);
            let needs = snapshot(&scene.observations(), &mut memory).needs;
            needs.into_iter().find(|need| need.code == "hits.late").map(|need| need.why)
        };
        let with = |today: Percentiles, recent: Recent| {
            let mut scene = scene(Rung::Up);
            scene.link_report.hits_target_ms = 12_000;
            (scene.link_report.hits_today, scene.link_report.hits_recent) = (today, recent);
            scene
        };
        let three = Percentiles { count: 3, p50_ms: 20_000, p95_ms: 21_000, p99_ms: 21_000, unsure: 0 };
        let recent = Recent { count: 6, late: 6, p95_ms: 21_500, days: 2 };
        assert_eq!(
            told(&mut with(three, recent)).as_deref(),
            Some(
                "Of the last 6 hits, in 2 days, 6 came late, and 95 in 100 took up to 21.5 s from capture to receipt; \
                 the target is 12.0 s."
            )
        );
        assert_eq!(told(&mut with(three, Recent { count: 3, late: 3, ..recent })), None, "three are no pace");
        assert_eq!(told(&mut with(three, Recent { count: 19, late: 2, ..recent })), None, "one outage is no pace");
        assert_eq!(told(&mut with(three, Recent { count: 60, late: 3, ..recent })), None, "one in twenty may be");
        let today = Percentiles { count: 40, p50_ms: 900, p95_ms: 20_000, p99_ms: 30_000, unsure: 0 };
        assert_eq!(
            told(&mut with(today, Recent::default())).as_deref(),
            Some("Of today's 40 hits 95 in 100 took up to 20.0 s from capture to receipt; the target is 12.0 s.")
        );
    }

    #[test]
    fn hits_without_a_time_are_counted_where_people_look() {
        let mut scene = scene(Rung::Up);
        scene.link_report.hits_today.unsure = 2;
        scene.link_report.hits_month.unsure = 9;
        let told = snapshot(&scene.observations(), &mut Memory::default());
        let section = told.sections.iter().find(|section| section.no == 4);
        let row = section.and_then(|section| section.rows.iter().find(|row| row.label == "Hits without a time"));
        let said = row.map(|row| (row.value.as_str(), row.note.as_str()));
        assert_eq!(said, Some(("9", "of 30 days, 2 today: a clock was wrong")));
    }
}
