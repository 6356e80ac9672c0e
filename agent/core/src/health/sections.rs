//! Each part of the trailer in people's words. Nothing here decides; the marks come from the needs.

use super::ready::{Ready, TICK_CAUTION};
use super::{Need, Observations, Row, Section, SectionState, Word, wording};
use crate::cameras::SpoolView;
use crate::forward::relay::RelayView;
use crate::ids::printable;
use crate::inputs::InputState;
use crate::link::LinkView;
use crate::moment::{Mono, Utc};
use crate::position::clock_feed::ClockFeed;
use crate::position::places::LineState;
use crate::position::{KeeperState, ReceiverState, Site};

/// What is written where a part is not configured or comes with a later release.
pub(super) const NOT_FITTED: &str = "not fitted";
const UNKNOWN: &str = "unknown";

/// All twelve sections, by number.
pub(super) fn sections(seen: &Observations<'_>, needs: &[Need], ready: &Ready) -> Vec<Section> {
    let mut sections = vec![
        place(seen),
        lines(seen),
        reads(seen),
        super::link::link(seen),
        not_fitted(5, "batteries", "Batteries"),
        cameras(seen),
        not_fitted(7, "lists", "Hot lists"),
        mast(seen),
        clock(seen),
        changes(),
        walk(ready),
        not_fitted(12, "do", "Do"),
    ];
    if seen.lifecycle.safe_mode.is_some() {
        sections.iter_mut().for_each(unwatched);
    }
    for section in &mut sections {
        let worst = needs.iter().filter(|need| need.section == section.no).map(|need| need.urgency).max();
        if let Some(worst) = worst {
            section.state = SectionState::Known(worst);
        }
    }
    sections
}

/// In safe mode only intake and queue run: what nobody watches is unknown, and never fine.
fn unwatched(of: &mut Section) {
    match of.key {
        "place" | "lines" | "link" | "mast" | "walk" => {
            let told = [
                "Not watched now".to_owned(),
                "Safe mode: only intake and queue run.".to_owned(),
                "Nobody watches this in safe mode; it is watched again when safe mode ends.".to_owned(),
            ];
            *of = Section { state: SectionState::Unknown, ..section(of.no, of.key, of.title, told) };
        }
        "reads" => {
            "Kept here, nothing is sent".clone_into(&mut of.answer);
            of.sentence = format!("Safe mode: reads are taken and kept; sending goes on when it ends. {}", of.sentence);
        }
        _ => {}
    }
}

/// The place in one short line without figures that change by themselves: a new text is a change worth telling.
pub(super) fn place_in_short(seen: &Observations<'_>) -> String {
    match (seen.position.state, &seen.position.site) {
        (_, Some(site)) if !seen.position.verified_since_start => format!("Last at {}, not verified", site.id),
        (KeeperState::Anchored, Some(site)) => format!("Standing at {}", site.id),
        (KeeperState::Doubtful, Some(site)) => format!("Perhaps leaving {}", site.id),
        (KeeperState::Anchored | KeeperState::Doubtful, None) => "Standing".to_owned(),
        (KeeperState::Settling, _) if seen.position.adrift.is_some() => "Halted on the way".to_owned(),
        (KeeperState::Settling, _) => "Standing, measuring a new site".to_owned(),
        (KeeperState::Underway, _) => "On the move".to_owned(),
        (KeeperState::Searching, _) if seen.position.adrift.is_some() => "On the way, position unknown".to_owned(),
        (KeeperState::Searching, _) => "Position unknown".to_owned(),
    }
}

/// The link in one or two words.
#[must_use]
pub fn link_in_short(link: &LinkView) -> &'static str {
    match link {
        LinkView::NotFitted => NOT_FITTED,
        LinkView::Absent { .. } => "absent",
        LinkView::Down { .. } => "down",
        LinkView::Up { .. } => "up",
    }
}

pub(super) fn section(
    no: u8,
    key: &'static str,
    title: &'static str,
    [answer, detail, sentence]: [String; 3],
) -> Section {
    Section { no, key, title, state: SectionState::Known(Word::Fine), answer, detail, sentence, rows: Vec::new() }
}

pub(super) fn not_fitted(no: u8, key: &'static str, title: &'static str) -> Section {
    let told = [wording::capital(NOT_FITTED), String::new(), String::new()];
    Section { state: SectionState::NotFitted, ..section(no, key, title, told) }
}

pub(super) fn row(label: &str, value: impl Into<String>, note: impl Into<String>) -> Row {
    Row { label: label.to_owned(), value: value.into(), note: note.into() }
}

impl Observations<'_> {
    pub(super) fn age(&self, at: Mono) -> String {
        wording::span(self.now.mono.since_ms(at))
    }

    pub(super) fn when(&self, at: Utc) -> String {
        self.facts.zone.clock(at, self.now.utc)
    }

    fn label(&self) -> String {
        printable(&self.facts.label, 60)
    }
}

fn place(seen: &Observations<'_>) -> Section {
    let position = seen.position;
    let label = seen.label();
    let fix =
        position.last_fix.map_or_else(|| "No fix yet.".to_owned(), |fix| format!("Fix {} old.", seen.age(fix.at)));
    let stands =
        |site: &Site| format!("{}, since {}. {fix}", wording::capital(&site.id.to_string()), seen.when(site.arrived));
    let told = match (position.state, &position.site) {
        _ if !seen.facts.gps_fitted => {
            return not_fitted(1, "place", "Place");
        }
        (_, Some(site)) if !position.verified_since_start => [
            "Not verified since the start".to_owned(),
            stands(site),
            format!("{label} stood at {} before the start; no fix has agreed yet.", site.id),
        ],
        (KeeperState::Anchored, Some(site)) => [
            "Known, standing still".to_owned(),
            stands(site),
            format!("{label} stands at {} and has not left it since {}.", site.id, seen.when(site.arrived)),
        ],
        (KeeperState::Doubtful, Some(site)) => [
            "Perhaps leaving".to_owned(),
            stands(site),
            format!("{label} may be leaving {}; it is being tested.", site.id),
        ],
        (KeeperState::Settling, _) if position.adrift.is_some() => [
            "Halted on the way".to_owned(),
            format!("No site yet. {fix}"),
            format!("{label} has left its site and stands; whether it has arrived is being measured."),
        ],
        (KeeperState::Settling, _) => [
            "Standing, being measured".to_owned(),
            format!("No site yet. {fix}"),
            match position.estimate {
                Some((_, radius95_m)) => format!(
                    "{label} stands, and its new site is being measured: settling, within {}.",
                    wording::distance(radius95_m)
                ),
                None => format!("{label} stands, and its new site is being measured."),
            },
        ],
        (KeeperState::Underway, _) => [
            "On the move".to_owned(),
            position.since.map_or_else(|| fix.clone(), |(_, utc)| format!("Since {}. {fix}", seen.when(utc))),
            format!("{label} is on the move; its reads carry the live position."),
        ],
        _ => ["Unknown".to_owned(), fix.clone(), format!("Where {label} stands is not known yet.")],
    };
    let mut section = section(1, "place", "Place", told);
    if position.state == KeeperState::Searching {
        section.state = SectionState::Unknown;
    }
    section.rows = place_rows(seen);
    section
}

fn place_rows(seen: &Observations<'_>) -> Vec<Row> {
    let position = seen.position;
    let mut rows = Vec::new();
    match (&position.site, position.last_fix) {
        (Some(site), _) => rows.push(row("Position", wording::position(site.position), "")),
        (None, Some(fix)) => {
            rows.push(row("Live position", wording::position(fix.position), format!("{} old", seen.age(fix.at))));
        }
        (None, None) => rows.push(row("Position", UNKNOWN, "")),
    }
    if let Some((centre, radius95_m)) = position.estimate {
        let note = format!("settling, within {} (95 %)", wording::distance(radius95_m));
        rows.push(row("Position so far", wording::position(centre), note));
    }
    if let Some(site) = &position.site {
        if let Some(fix) = position.last_fix {
            let off = wording::distance(fix.position.distance_m(site.position));
            let limit = format!("{} counts as moved", wording::distance(seen.facts.move_threshold_m));
            rows.push(row("Off centre", off, limit));
        }
        rows.push(row("95 % radius", wording::distance(site.radius95_m), printable(&site.found_by, 120)));
    }
    tow_rows(seen, &mut rows);
    rows.extend(last_move(seen));
    if let Some(fix) = position.last_fix {
        let satellites = fix.satellites.map(|n| format!("{n} satellites"));
        let hdop = fix.hdop.map(|hdop| format!("HDOP {hdop:.1}"));
        let note: Vec<String> = satellites.into_iter().chain(hdop).collect();
        rows.push(row("Fix", format!("{} old", seen.age(fix.at)), note.join(", ")));
    }
    let gps = match &position.receiver {
        ReceiverState::NotFitted if seen.facts.gps_fitted => (UNKNOWN, String::new()),
        ReceiverState::NotFitted => (NOT_FITTED, String::new()),
        ReceiverState::Absent(why) => ("absent", printable(why, 160)),
        ReceiverState::Silent => ("silent", String::new()),
        ReceiverState::NoSentences => ("no sentences", String::new()),
        ReceiverState::NoFix(why) => ("no fix", printable(why, 160)),
        ReceiverState::Fixing => ("gives fixes", String::new()),
    };
    let since = position.receiver_since.map(|(_, utc)| format!("since {}", seen.when(utc)));
    let rate = position.gps_rate_found.map(|rate| format!("{rate} bit/s, found by trying"));
    let note = since.into_iter().chain((!gps.1.is_empty()).then_some(gps.1)).chain(rate).collect::<Vec<_>>().join("; ");
    rows.push(row("GPS receiver", gps.0, note));
    let sentences =
        format!("{} good, {} refused", wording::count(position.sentences), wording::count(position.sentences_refused));
    let fixes = format!(
        "fixes {} used, {} refused",
        wording::count(position.fixes_used),
        wording::count(position.fixes_refused)
    );
    rows.push(row("Sentences", sentences, fixes));
    if !position.reason.is_empty() {
        rows.push(row("Last decision", printable(&position.reason, 160), ""));
    }
    rows
}

/// The switches of mast, axle lock and stabilisers.
fn mast(seen: &Observations<'_>) -> Section {
    let inputs = &seen.inputs.inputs;
    if inputs.is_empty() {
        return not_fitted(8, "mast", "Mast and weather");
    }
    let forbids = seen.inputs.forbids();
    let unknown = inputs.iter().filter(|input| matches!(input.state, InputState::Unknown(_))).count();
    let (answer, sentence) = match (forbids.as_slice(), unknown) {
        ([], 0) => ("Ready to be moved", "Every switch says that the trailer may be moved.".to_owned()),
        ([], _) => ("Not known", "Not every switch can be read; look yourself before moving it.".to_owned()),
        (forbids, _) => ("Set up", wording::sentence(&format!("{}, as a standing trailer is", wording::list(forbids)))),
    };
    let told = [answer.to_owned(), String::new(), sentence];
    let mut section = section(8, "mast", "Mast and weather", told);
    if unknown == inputs.len() {
        section.state = SectionState::Unknown;
    }
    section.rows = inputs
        .iter()
        .map(|input| row(input.kind.label(), input.words(), format!("since {}", seen.when(input.since))))
        .collect();
    section.rows.push(row("Weather", NOT_FITTED, ""));
    section
}

fn tow_rows(seen: &Observations<'_>, rows: &mut Vec<Row>) {
    let position = seen.position;
    if let Some(left) = position.adrift {
        let note = if position.tow.is_some() { "as announced" } else { "nobody has announced it" };
        rows.push(row("Left its site", seen.when(left), note));
    }
    if let Some(view) = &position.tow {
        let left_ms = view.ends.since_ms(seen.now.mono);
        let why = printable(&view.tow.reason, 160);
        let why = if why.is_empty() { String::new() } else { format!("; {why}") };
        let until = format!("until {}, {} left{why}", seen.when(view.tow.until), wording::span(left_ms));
        rows.push(row("Tow", format!("announced by {}", printable(&view.tow.by, 40)), until));
    }
}

/// The move that brought it here, or the one that goes on.
fn last_move(seen: &Observations<'_>) -> Option<Row> {
    let trail = &seen.position.trail;
    let (from, first) = (trail.from?, trail.points().first()?);
    let here = seen.position.site.as_ref().map(|site| site.position).or(seen.position.last_fix.map(|f| f.position))?;
    let ends = match (seen.position.history.iter().rev().find(|site| site.id == from), &seen.position.site) {
        (Some(Site { left: Some(left), .. }), Some(site)) => {
            format!("; left {}, arrived {}", seen.when(*left), seen.when(site.arrived))
        }
        _ => String::new(),
    };
    let along = match (trail.parts().is_empty(), trail.has_gaps()) {
        (true, _) => "the way was not seen".to_owned(),
        (false, false) => format!("{} along the way", wording::distance(trail.seen_m())),
        (false, true) => format!("{} of the way was seen", wording::distance(trail.seen_m())),
    };
    let away = wording::distance(first.position.distance_m(here));
    let what = if trail.to.is_some() { "Last move" } else { "This move" };
    Some(row(what, format!("{away} from {from}"), format!("{along}{ends}")))
}

fn lines(seen: &Observations<'_>) -> Section {
    let position = seen.position;
    let cameras = &seen.intake.cameras;
    let Some(site) = position.site.as_ref().filter(|_| position.state == KeeperState::Anchored) else {
        let told = match position.unverified_site() {
            Some(site) => [
                "Held back".to_owned(),
                format!("{} is not verified since the start.", wording::capital(&site.id.to_string())),
                "Until a fix agrees with the last site, alerts say that its place lines are not verified.".to_owned(),
            ],
            None => [
                "Held back".to_owned(),
                "No site, so alerts give the position only.".to_owned(),
                "Place lines belong to a site; until one is found, alerts give the position only.".to_owned(),
            ],
        };
        let mut section = section(2, "lines", "Place lines", told);
        section.state = SectionState::Unknown;
        return section;
    };
    let of =
        |state: LineState| cameras.iter().filter(|camera| position.places.line(site.id, &camera.id).1 == state).count();
    let (confirmed, all) = (of(LineState::Confirmed), cameras.len());
    let newest =
        cameras.iter().filter_map(|camera| position.places.line(site.id, &camera.id).0).max_by_key(|line| line.at);
    let detail = match (all - confirmed, newest) {
        (0, Some(line)) => format!("By {}, {}.", printable(&line.by, 40), seen.when(line.at)),
        (0, None) => String::new(),
        (1, _) => "One waits for you.".to_owned(),
        (2, _) => "Two wait for you.".to_owned(),
        (3, _) => "Three wait for you.".to_owned(),
        (waiting, _) => format!("{waiting} wait for you."),
    };
    let sentence = if confirmed == all {
        "What an alert calls each camera. All were confirmed at this site.".to_owned()
    } else {
        "What an alert calls each camera. What is not confirmed at this site is held back.".to_owned()
    };
    section(2, "lines", "Place lines", [format!("{confirmed} of {all} confirmed"), detail, sentence])
}

fn reads(seen: &Observations<'_>) -> Section {
    let forward = seen.forward;
    let receipt = forward.last_receipt.map(|(mono, _)| format!("Last receipt {} ago.", seen.age(mono)));
    let queue = match seen.queue {
        Ok(queue) => queue,
        Err(why) => {
            let told = [
                wording::capital(UNKNOWN),
                wording::sentence(why),
                "The queue gives no figures, so nothing is said of reads.".to_owned(),
            ];
            let mut section = section(3, "reads", "Reads and ledger", told);
            section.state = SectionState::Unknown;
            return section;
        }
    };
    let counts = queue.counts;
    let answer = if !seen.facts.receiver_fitted {
        "Kept here, no receiver".to_owned()
    } else if forward.failing_since.is_some() {
        "Not getting through".to_owned()
    } else if forward.last_receipt.is_some() {
        "Getting through".to_owned()
    } else if counts.waiting == 0 {
        "Nothing waits".to_owned()
    } else {
        "Waiting for the first receipt".to_owned()
    };
    let lost = counts.not_accounted();
    let waiting = format!("{} waiting.", wording::capital(&wording::count(counts.waiting)));
    let detail =
        receipt.into_iter().chain([waiting, format!("Not accounted for: {lost}.")]).collect::<Vec<_>>().join(" ");
    let sentence = if lost == 0 {
        "Every event since this queue began is accounted for. None is lost.".to_owned()
    } else {
        format!("{lost} events are in no account.")
    };
    let sentence = match &forward.relay {
        Some(relay) if relay.active && relay.failing_since.is_some() => {
            format!("{sentence} Neither receiver takes hits and alarms now.")
        }
        Some(relay) if relay.active => format!("{sentence} Hits and alarms go to the second receiver meanwhile."),
        _ => sentence,
    };
    let mut section = section(3, "reads", "Reads and ledger", [answer, detail, sentence]);
    let rows = &mut section.rows;
    rows.push(match queue.oldest_waiting {
        Some(at) => {
            let age_ms = u64::try_from(seen.now.utc.since_ms(at)).unwrap_or(0);
            row("Oldest waiting", wording::span(age_ms), format!("{} urgent", wording::count(queue.waiting_urgent)))
        }
        None => row("Oldest waiting", "none waits", ""),
    });
    rows.push(receiver_row(seen));
    rows.extend(forward.relay.as_ref().map(|relay| relay_row(seen, relay)));
    if 0 < forward.images.due {
        let why = if forward.images.budget_spent { "the data of this day is used up; reads go on" } else { "" };
        rows.push(row("Pictures waiting", wording::count(forward.images.due), why));
    }
    let never = queue.pictures.never();
    if 0 < never {
        rows.push(row("Pictures never sent", wording::count(never), "each is told to the receiver; their reads went"));
    }
    if let Some(p95_ms) = percentile_95(&forward.hit_latency_ms) {
        let hits = wording::amount(u64::try_from(forward.hit_latency_ms.len()).unwrap_or(0), "hit");
        let seconds = format!("{}.{} s", p95_ms / 1000, p95_ms % 1000 / 100);
        let elsewhere = match forward.relay.as_ref().map_or(0, |relay| relay.hits_first) {
            0 => String::new(),
            first => format!("; the second receiver had {} first since the start", wording::count(first)),
        };
        rows.push(row("Hit to receipt", seconds, format!("95 of 100 within this, of the last {hits}{elsewhere}")));
    }
    rows.extend(intake_rows(seen));
    let sealed = if seen.facts.seal_none { "in clear on this disk" } else { "sealed" };
    rows.push(row("Kept here", wording::span(seen.facts.waiting_keep_s.saturating_mul(1000)), sealed));
    if 0 < queue.holds.count {
        let next = queue.holds.next_end.map_or_else(String::new, |at| format!("the next ends {}", seen.when(at)));
        let over = match queue.holds.over_kept {
            0 => String::new(),
            over => format!(", {} of them only for their key", wording::count(over)),
        };
        let kept = format!("{} kept past their limit{over}; {next}", wording::amount(queue.holds.kept, "read"));
        rows.push(row("Holds", wording::count(queue.holds.count), kept));
    }
    let disk = format!("{} free of {}", wording::bytes(queue.disk_free_bytes), wording::bytes(queue.disk_bytes));
    rows.push(row("Queue on disk", wording::bytes(queue.bytes_on_disk), disk));
    section
}

/// What the intake refused, and what is wrong with its folder.
fn intake_rows(seen: &Observations<'_>) -> Vec<Row> {
    let intake = seen.intake;
    let last = intake.refusals.last.as_ref();
    let note = last.map_or_else(String::new, |last| format!("; the last: {}", last.title));
    let note = format!("requests since the start{note}");
    let mut rows = vec![row("Refused at intake", wording::count(intake.refused), note)];
    match &intake.spool {
        SpoolView::None | SpoolView::Watched => {}
        SpoolView::Unreadable { files, why } => {
            let value = format!("{} can't be read", wording::amount(*files, "file"));
            let note = format!("{}; what can't be read stays there, all else is taken", printable(why, 80));
            rows.push(row("Spool folder", value, note));
        }
        SpoolView::Failing(why) => rows.push(row("Spool folder", "can't be used", printable(why, 160))),
    }
    if 0 < intake.refused_dropped {
        let note = "let go before their time: there were too many";
        rows.push(row("Refused files", wording::count(intake.refused_dropped), note));
    }
    if 0 < intake.id_conflicts {
        let note = "refused in the life of this queue: their ids were those of earlier reads";
        rows.push(row("Ids used twice", wording::amount(intake.id_conflicts, "read"), note));
    }
    rows
}

fn receiver_row(seen: &Observations<'_>) -> Row {
    let proof = if seen.facts.receiver_proven { "a receipt for each event" } else { "unproven: it gives no receipts" };
    match (seen.facts.receiver_fitted, seen.forward.failing_since, seen.forward.last_receipt) {
        (false, _, _) => row("Receiver", NOT_FITTED, ""),
        (true, Some((mono, _)), _) => {
            let why = seen.forward.trouble.as_deref().map_or_else(String::new, |why| printable(why, 200));
            row("Receiver", format!("fails for {}", seen.age(mono)), why)
        }
        (true, None, _) if 0 < seen.forward.handed_over => {
            let handed = wording::amount(seen.forward.handed_over, "event");
            row("Receiver", format!("{handed} handed over"), "no receipt for them yet")
        }
        (true, None, Some(_)) => row("Receiver", "answers", proof),
        (true, None, None) => row("Receiver", "not known yet", proof),
    }
}

/// The second receiver: whether it is needed now, and what it has got.
fn relay_row(seen: &Observations<'_>, relay: &RelayView) -> Row {
    let relayed = format!("{} relayed", wording::amount(relay.relayed, "urgent event"));
    match (relay.active, relay.failing_since, relay.last_receipt) {
        (true, Some((mono, _)), _) => {
            let why = relay.trouble.as_deref().map_or_else(String::new, |why| printable(why, 200));
            row("Second receiver", format!("fails for {}", seen.age(mono)), why)
        }
        (true, None, Some((_, utc))) => row("Second receiver", relayed, format!("last {}", seen.when(utc))),
        (true, None, None) => row("Second receiver", "stands in", "nothing urgent was waiting"),
        (false, _, Some((_, utc))) => {
            row("Second receiver", "not needed now", format!("{relayed}, last {}", seen.when(utc)))
        }
        (false, _, None) => row("Second receiver", "not needed yet", ""),
    }
}

/// The value that 95 of 100 do not exceed (nearest rank).
fn percentile_95(values_ms: &[u64]) -> Option<u64> {
    let mut sorted = values_ms.to_vec();
    sorted.sort_unstable();
    sorted.get((sorted.len() * 95).div_ceil(100).checked_sub(1)?).copied()
}

fn cameras(seen: &Observations<'_>) -> Section {
    let cameras = &seen.intake.cameras;
    let reads: u64 = cameras.iter().map(|camera| camera.reads).sum();
    let hits: u64 = cameras.iter().map(|camera| camera.hits).sum();
    let reading = cameras.iter().filter(|camera| camera.last_read.is_some()).count();
    let all = cameras.len();
    if all == 0 {
        let told = ["Not known yet", "", "The intake has not told of its cameras yet."].map(str::to_owned);
        return Section { state: SectionState::Unknown, ..section(6, "cameras", "Cameras", told) };
    }
    let told = [
        format!("{reading} of {all} have read"),
        format!(
            "{}, {} since the start.",
            wording::capital(&wording::amount(reads, "read")),
            wording::amount(hits, "hit")
        ),
        if reading == all {
            "Each camera has read since the start.".to_owned()
        } else {
            "Not each camera has read since the start.".to_owned()
        },
    ];
    let mut section = section(6, "cameras", "Cameras", told);
    if let Some(off) = &seen.duty.off {
        let (until, by) = (seen.when(off.span.until), printable(&off.span.by, 40));
        let note = format!("{} ({by}); reads that come all the same are kept and sent", printable(&off.reason, 160));
        section.rows.push(row("Off duty", format!("until {until}"), note));
    }
    for camera in cameras {
        let label = printable(&camera.label, 40);
        let counted = format!("{}, {}", wording::amount(camera.reads, "read"), wording::amount(camera.hits, "hit"));
        section.rows.push(match camera.last_read {
            Some((mono, _)) => row(&label, format!("read {} ago", seen.age(mono)), counted),
            None => row(&label, "not read yet", format!("since {}", seen.when(seen.facts.started.utc))),
        });
    }
    // What is usual at this hour and place has no source yet, so that quiet is judged by silence alone.
    section.rows.push(row("Expected reads", NOT_FITTED, ""));
    section
}

fn clock(seen: &Observations<'_>) -> Section {
    let position = seen.position;
    let (trust, confirmed) = match position.utc_trust {
        crate::moment::UtcTrust::Gps => ("Clock agrees with GPS", "by the GPS receiver"),
        crate::moment::UtcTrust::Network => ("Clock set by a time server", "by a time server"),
        crate::moment::UtcTrust::Holdover => ("Clock was right, runs free", "earlier, runs free now"),
        crate::moment::UtcTrust::Unset => ("Clock not confirmed", "by nobody yet"),
    };
    let host = seen.host;
    let temperature = host.temperature_c.map(|c| format!("{c:.0} °C"));
    let running = host.uptime_s.map(|s| wording::span(s.saturating_mul(1000)));
    let detail = running.as_ref().map_or_else(String::new, |running| format!("Computer up for {running}."));
    let sentence = format!("{trust}; each read says so.");
    let mut section = section(9, "clock", "Clock and computer", [trust.to_owned(), detail, sentence]);
    let known = |value: Option<String>| value.unwrap_or_else(|| UNKNOWN.to_owned());
    let rows = &mut section.rows;
    rows.push(row(
        "Clock",
        format!("confirmed {confirmed}"),
        match position.clock_offset {
            Some((offset_ms, mono)) => format!("{offset_ms} ms from GPS time, {} ago", seen.age(mono)),
            None => "offset from GPS time unknown".to_owned(),
        },
    ));
    if let Some(error_ms) = position.clock_error_ms {
        let scatter = position.true_time.map_or_else(String::new, |told| format!("scatter {} ms", told.jitter_ms));
        rows.push(row("Clock error", format!("up to {} s", error_ms.div_ceil(1000)), scatter));
    }
    if 0 < position.dates_mended {
        let told = "1,024 weeks or a multiple too early: put right in every read; update the GPS receiver";
        rows.push(row("GPS date", "put right", told));
    }
    match &position.clock_feed {
        ClockFeed::NotFitted => {}
        ClockFeed::Waiting(why) => rows.push(row("Time for chrony", "waits", *why)),
        ClockFeed::Given(at) => rows.push(row("Time for chrony", "given", format!("{} ago", seen.age(*at)))),
        ClockFeed::Unheard(why) => rows.push(row("Time for chrony", "not taken", printable(why, 240))),
    }
    rows.push(row("Agent", seen.age(seen.facts.started.mono), format!("Pintle {}", seen.facts.version)));
    rows.push(row("Computer up", known(running), ""));
    let load = host.load1.map(|load| format!("{load:.1}"));
    rows.push(row(
        "Load",
        known(load),
        host.cpus.map_or_else(String::new, |n| format!("of {n} processors, one minute")),
    ));
    let memory = host.memory_free_bytes.zip(host.memory_bytes);
    let memory = memory.map(|(free, all)| format!("{} free of {}", wording::bytes(free), wording::bytes(all)));
    let own = host.own_bytes.map_or_else(String::new, |own| format!("Pintle holds {}", wording::bytes(own)));
    rows.push(row("Memory", known(memory), own));
    rows.push(row("Hottest sensor", known(temperature), ""));
    for part in &seen.lifecycle.stumbles {
        let state = if part.running { "runs again" } else { "down" };
        let times = wording::amount(part.restarts, "restart");
        rows.push(row(&wording::capital(&part.actor), state, format!("{times}; {}", printable(&part.reason, 160))));
    }
    section
}

fn changes() -> Section {
    let told = ["Last changes".to_owned(), String::new(), "The most recent, newest first.".to_owned()];
    section(10, "changes", "Last changes", told)
}

/// What a person ticks on a walk round the trailer.
fn walk(ready: &Ready) -> Section {
    let ticks: Vec<_> = ready.parts.iter().filter(|part| part.by_person).collect();
    let done = ticks.iter().filter(|part| part.holds).count();
    let all = ticks.len();
    let (answer, detail) = match (ready.site, done) {
        (None, _) => ("No site yet".to_owned(), String::new()),
        (Some(_), 0) => ("Nothing ticked here".to_owned(), "Pintle can't see these; look yourself.".to_owned()),
        (Some(_), done) if done == all => ("All ticked".to_owned(), String::new()),
        (Some(_), done) => (format!("{done} of {all} ticked"), "Pintle can't see these; look yourself.".to_owned()),
    };
    let sentence = format!("What only a person can see. Ticks belong to a site and go with a move. {TICK_CAUTION}");
    let mut section = section(11, "walk", "Walk-round", [answer, detail, sentence]);
    if ready.site.is_none() {
        section.state = SectionState::Unknown;
    }
    let row = |part: &&super::ready::Part| {
        if part.holds { row(part.what, "ticked", part.seen.clone()) } else { row(part.what, "look yourself", "") }
    };
    section.rows = ticks.iter().map(row).collect();
    section
}
