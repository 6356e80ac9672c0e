#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;
use crate::cameras::{Refusal, SpoolView};
use crate::forward::relay::RelayView;
use crate::inputs::{InputKind, InputState};
use crate::moment::{Moment, Mono, UtcTrust};
use crate::position::keeper::{KeeperLimits, SiteKeeper, Tow};
use crate::position::places::{LineState, SiteLines};
use crate::position::{Fix, KeeperState, ReceiverState, TowView};
use crate::sim::scene::Scene;
use std::sync::Arc;

fn judged(scene: &Scene) -> Snapshot {
    snapshot(&scene.observations(), &mut Memory::default())
}

/// Codes of the needs after a scene has lasted `ms`.
fn codes_after(scene: &mut Scene, ms: u64) -> Vec<(&'static str, Word)> {
    let mut memory = Memory::default();
    let _first = snapshot(&scene.observations(), &mut memory);
    scene.pass(ms);
    snapshot(&scene.observations(), &mut memory).needs.iter().map(|need| (need.code, need.urgency)).collect()
}

#[test]
fn standing_trailer_that_delivers_is_fine_and_needs_nobody() {
    let snapshot = judged(&Scene::standing());
    assert_eq!(snapshot.needs, []);
    assert_eq!((snapshot.word, snapshot.sentence.as_str()), (Word::Fine, "Nothing needs you."));
    let numbers: Vec<u8> = snapshot.sections.iter().map(|section| section.no).collect();
    assert_eq!(numbers, (1..=12).collect::<Vec<u8>>(), "numbers never move");
    let place = &snapshot.sections[0];
    assert_eq!(place.sentence, "Heron 3 stands at site 12 and has not left it since Thu 7 May 09:12.");
}

#[test]
fn unconfirmed_place_lines_are_one_need_that_asks_for_somebody_now() {
    let snapshot = judged(&Scene::after_tow());
    assert_eq!(snapshot.word, Word::Act);
    assert_eq!(snapshot.sentence, "Confirm the place lines of Camera 1 and Camera 2.");
    assert_eq!(snapshot.needs.iter().map(|need| need.code).collect::<Vec<_>>(), ["lines.unconfirmed"]);
    assert_eq!(snapshot.sections[1].answer, "1 of 3 confirmed");
}

#[test]
fn move_that_nobody_announced_is_told_at_once() {
    let snapshot = judged(&Scene::underway());
    assert_eq!((snapshot.word, snapshot.needs[0].code), (Word::Act, "place.moving"));
    assert_eq!(snapshot.sections[1].state, SectionState::Unknown, "no site, no place lines");
}

#[test]
fn alarm_of_a_move_holds_at_a_halt_and_without_a_fix_until_arrival() {
    for state in [KeeperState::Underway, KeeperState::Settling, KeeperState::Searching] {
        let mut scene = Scene::underway();
        scene.position.state = state;
        scene.position.adrift = Some(scene.ago(600_000).1);
        let need = judged(&scene).needs[0].clone();
        assert_eq!(
            (need.code, need.urgency, need.since),
            ("place.moving", Word::Act, scene.position.adrift),
            "{state:?}"
        );
    }
    let mut scene = Scene::underway();
    scene.position.state = KeeperState::Settling;
    assert_eq!(judged(&scene).needs, [], "it has left no site");
}

#[test]
fn announced_tow_takes_the_urgency_from_a_move_and_nothing_else() {
    let mut scene = Scene::underway();
    scene.position.adrift = Some(scene.ago(600_000).1);
    let until = scene.now.utc.plus_ms(3_600_000);
    let tow = Tow {
        by: "T. Wray".to_owned(),
        reason: "to the yard".to_owned(),
        announced: scene.ago(3_600_000).1,
        until,
        span_ms: 7_200_000,
        dated: true,
    };
    scene.position.tow = Some(TowView { tow, ends: scene.now.mono.plus_ms(3_600_000) });
    let snapshot = judged(&scene);
    let need = &snapshot.needs[0];
    assert_eq!((need.code, need.urgency, need.by), ("place.moving", Word::Look, Some(until)));
    let row = |label: &str| snapshot.sections[0].rows.iter().find(|row| row.label == label).unwrap();
    assert_eq!(row("Tow").value, "announced by T. Wray");
    assert!(row("Tow").note.ends_with("60 min left; to the yard"), "{}", row("Tow").note);
    assert_eq!(row("Left its site").note, "as announced");
}

#[test]
fn mast_that_is_up_on_the_way_is_urgent_also_in_an_announced_tow_and_a_switch_that_is_unknown_is_none() {
    let mut scene = Scene::underway();
    scene.inputs.hear(InputKind::Mast, InputState::Unsafe, scene.now.utc);
    scene.inputs.hear(InputKind::AxleLock, InputState::Unknown("gone".to_owned()), scene.now.utc);
    let snapshot = judged(&scene);
    let need = snapshot.needs.iter().find(|need| need.code == "place.unsafe").unwrap();
    assert_eq!((need.urgency, need.why.as_str()), (Word::Act, "The trailer is under way, and the mast is up."));
    assert!(need.how.contains("Mast down and locked") && need.how.contains("licensed practice decide"), "{}", need.how);
    let mast = snapshot.sections.iter().find(|section| section.key == "mast").unwrap();
    assert_eq!((mast.rows[0].value.as_str(), mast.rows[1].value.as_str()), ("up", "unknown: gone"));
    let mut standing = Scene::standing();
    standing.inputs = scene.inputs.clone();
    assert_eq!(judged(&standing).needs, [], "a trailer that stands has its mast up");
    scene.inputs.hear(InputKind::Mast, InputState::Unknown("wire off".to_owned()), scene.now.utc);
    assert!(judged(&scene).needs.iter().all(|need| need.code != "place.unsafe"));
}

#[test]
fn notices_about_the_place_are_among_the_changes_once_whoever_composes() {
    let mut scene = Scene::standing();
    let at = scene.ago(5000).1;
    Arc::make_mut(&mut scene.position.notices).push(at, "hop", false, "The trailer moved by 30 m.");
    let told = |memory: &mut Memory, scene: &Scene| {
        let changes = snapshot(&scene.observations(), memory).changes;
        changes.iter().filter(|change| change.code == "hop" || change.code == "left").cloned().collect::<Vec<_>>()
    };
    let mut memory = Memory::default();
    assert_eq!(told(&mut memory, &scene).len(), 1);
    Arc::make_mut(&mut scene.position.notices).push(at, "left", true, "The trailer has left.");
    let both = told(&mut memory, &scene);
    assert_eq!((both.len(), both[1].urgent, both[1].text.as_str()), (2, true, "The trailer has left."));
    assert_eq!(told(&mut memory, &scene), both, "each is told once");
    let mut next = Memory::default();
    next.resume(both.clone());
    assert_eq!(told(&mut next, &scene), both, "a composer that starts anew repeats nothing");
}

#[test]
fn waiting_hit_makes_a_silent_receiver_urgent_sooner() {
    let mut scene = Scene::cut_off();
    assert!(codes_after(&mut scene, 61_000).contains(&("receiver.failing", Word::Act)));
    let mut scene = Scene::cut_off();
    if let Ok(queue) = &mut scene.queue {
        queue.waiting_urgent = 0;
    }
    assert_eq!(codes_after(&mut scene, 61_000), [("receiver.failing", Word::Look), ("link.down", Word::Look)]);
    let mut scene = Scene::cut_off();
    scene.forward.failing_since = Some(scene.ago(299_000));
    assert_eq!(judged(&scene).word, Word::Fine, "what mends itself within five minutes is not told");
}

#[test]
fn second_receiver_that_stands_in_is_told_in_the_need_in_the_sentence_and_in_its_row() {
    let told = |relay: RelayView| {
        let mut scene = Scene::cut_off();
        scene.forward.relay = Some(relay);
        let seen = judged(&scene);
        let need = seen.needs.iter().find(|need| need.code == "receiver.failing").map(|need| need.why.clone());
        let section = seen.sections.iter().find(|section| section.no == 3);
        let row = section.and_then(|section| section.rows.iter().find(|row| row.label == "Second receiver"));
        let row = row.map(|row| row.value.clone()).unwrap_or_default();
        (need.unwrap_or_default(), section.map(|section| section.sentence.clone()).unwrap_or_default(), row)
    };
    let at = Scene::cut_off().ago(4000);
    let relay = RelayView { active: true, relayed: 3, last_receipt: Some(at), ..RelayView::default() };
    let (need, sentence, row) = told(relay.clone());
    assert!(need.contains("Hits and alarms go to the second receiver meanwhile."), "{need}");
    assert!(sentence.ends_with("Hits and alarms go to the second receiver meanwhile."), "{sentence}");
    assert_eq!(row, "3 urgent events relayed");
    let (need, sentence, row) = told(RelayView { failing_since: Some(at), ..relay.clone() });
    assert!(need.contains("The second receiver does not take hits and alarms either."), "{need}");
    assert!(sentence.ends_with("Neither receiver takes hits and alarms now."), "{sentence}");
    assert!(row.starts_with("fails for "), "{row}");
    assert_eq!(told(RelayView { active: false, ..relay }).2, "not needed now");
}

#[test]
fn silent_gps_receiver_wants_a_look_after_its_grace_and_only_then() {
    let states = [
        (ReceiverState::Absent("no such device".to_owned()), "gps.absent", 10_000),
        (ReceiverState::Silent, "gps.silent", 30_000),
        (ReceiverState::NoSentences, "gps.no_sentences", 30_000),
        (ReceiverState::NoFix("the sky is covered".to_owned()), "gps.no_fix", 180_000),
    ];
    for (state, code, grace_ms) in states {
        let mut scene = Scene::standing();
        scene.position.receiver = state;
        assert_eq!(codes_after(&mut scene.clone(), grace_ms - 1), [], "{code}");
        assert_eq!(codes_after(&mut scene, grace_ms), [(code, Word::Look)]);
    }
}

#[test]
fn trailer_that_does_not_know_where_it_is_needs_somebody_after_a_quarter_of_an_hour() {
    let mut scene = Scene::standing();
    scene.position.state = KeeperState::Searching;
    scene.position.site = None;
    assert_eq!(codes_after(&mut scene.clone(), 899_000), []);
    assert_eq!(codes_after(&mut scene, 900_000), [("place.unknown", Word::Act)]);
}

/// What the real site keeper says after a start at a place where it stood before, with `fixes` that come then.
fn restarted_keeper(scene: &mut Scene, fixes: u64) -> SiteKeeper {
    let place = scene.position.last_fix.unwrap();
    let moment = |mono: Mono| Moment { mono, ..scene.now };
    let fix = |at: Mono, second: u64| {
        let position = place.position.moved(90.0, f64::from(u32::try_from(second % 5).unwrap()) * 0.3);
        Fix { at, position, speed_mps: Some(0.05), ..place }
    };
    let began = Mono(scene.now.mono.0 - 600_000);
    let mut keeper = SiteKeeper::new(KeeperLimits::default(), None, &moment(began));
    let mut out = Vec::new();
    for second in 0..300 {
        let at = began.plus_ms(second * 1000);
        keeper.on_fix(&fix(at, second), &moment(at), &mut out);
    }
    assert_eq!(keeper.state(), KeeperState::Anchored);
    let mut keeper = SiteKeeper::new(KeeperLimits::default(), Some(keeper.memory()), &scene.now);
    for second in 0..fixes {
        let at = scene.now.mono.plus_ms(second * 1000);
        keeper.on_fix(&fix(at, second), &moment(at), &mut out);
    }
    keeper.fill(&mut scene.position);
    keeper
}

#[test]
fn place_that_no_fix_has_confirmed_since_the_start_is_never_called_known_or_lost() {
    // Without a fix it is searching, with the first ones it is being checked; both are the same to people.
    for (fixes, state) in [(0, KeeperState::Searching), (5, KeeperState::Doubtful)] {
        let mut scene = Scene::standing();
        restarted_keeper(&mut scene, fixes);
        assert_eq!((scene.position.state, scene.position.site.is_some()), (state, true));
        let snapshot = judged(&scene);
        assert_eq!(snapshot.sections[0].answer, "Not verified since the start");
        assert!(snapshot.sections[1].detail.contains("is not verified since the start"));
        assert_eq!(snapshot.needs, [], "a start alone is no reason to look");
        assert_eq!(codes_after(&mut scene.clone(), 299_000), []);
        assert_eq!(codes_after(&mut scene, 300_000), [("place.unverified", Word::Look)]);
        assert_eq!(codes_after(&mut scene, 3_600_000), [("place.unverified", Word::Look)], "its last place is known");
    }
    let mut scene = Scene::standing();
    restarted_keeper(&mut scene, 120);
    assert_eq!((scene.position.state, scene.position.verified_since_start), (KeeperState::Anchored, true));
    assert_eq!(judged(&scene).sections[0].answer, "Known, standing still");
}

#[test]
fn place_that_settles_is_told_with_a_radius_that_shrinks() {
    let mut scene = Scene::standing();
    let place = scene.position.last_fix.unwrap();
    let mut keeper = SiteKeeper::new(KeeperLimits::default(), None, &scene.now);
    let mut radii_m = Vec::new();
    for second in 0..200_u64 {
        let now = Moment { mono: scene.now.mono.plus_ms(second * 1000), ..scene.now };
        let position = place.position.moved(90.0, f64::from(u32::try_from(second % 5).unwrap()) * 0.3);
        keeper.on_fix(&Fix { at: now.mono, position, speed_mps: Some(0.05), ..place }, &now, &mut Vec::new());
        keeper.fill(&mut scene.position);
        assert_eq!(scene.position.estimate.is_some(), keeper.state() == KeeperState::Settling, "{second} s");
        if let Some((centre, radius95_m)) = scene.position.estimate {
            assert!(centre.distance_m(place.position) <= radius95_m);
            let section = judged(&scene).sections[0].clone();
            let wanted = format!("settling, within {}", wording::distance(radius95_m));
            assert!(section.sentence.contains(&wanted), "{}", section.sentence);
            assert!(section.rows.iter().any(|row| row.label == "Position so far" && row.note.contains(&wanted)));
            radii_m.push(radius95_m);
        }
    }
    assert!(100 < radii_m.len(), "from the first fix until the site is found");
    assert!(radii_m.windows(2).all(|pair| pair[1] <= pair[0] + 0.01), "{radii_m:?}");
    assert!(radii_m[radii_m.len() - 1] < 0.95 * radii_m[0], "{radii_m:?}");
    assert!(scene.position.site.is_some() && scene.position.estimate.is_none());
}

#[test]
fn queue_that_takes_nothing_or_does_not_close_needs_somebody_now() {
    let mut scene = Scene::standing();
    if let Ok(queue) = &mut scene.queue {
        queue.trouble = Some("no space left for the queue; free space on the data disk".to_owned());
        queue.counts.delivered -= 1;
    }
    let codes: Vec<_> = judged(&scene).needs.iter().map(|need| (need.code, need.urgency)).collect();
    assert_eq!(codes, [("queue.trouble", Word::Act), ("queue.ledger", Word::Act)]);
    scene.queue = Err("the store has stopped".to_owned());
    assert_eq!(codes_after(&mut scene, 10_000), [("queue.trouble", Word::Act)]);
    assert_eq!(judged(&scene).sections[2].state, SectionState::Unknown);
}

#[test]
fn reads_about_to_expire_are_told_with_the_hour() {
    let mut scene = Scene::cut_off();
    let by = scene.now.utc.plus_ms(30 * 3_600_000);
    for (first_expiry, wanted) in [
        (None, None),
        (Some((by, false)), Some((Word::Look, Some(by)))),
        (Some((by, true)), Some((Word::Act, Some(by)))),
    ] {
        if let Ok(queue) = &mut scene.queue {
            queue.first_expiry = first_expiry;
        }
        let snapshot = judged(&scene);
        let need = snapshot.needs.iter().find(|need| need.code == "queue.expiring");
        assert_eq!(need.map(|need| (need.urgency, need.by)), wanted);
    }
}

#[test]
fn a_hold_that_ends_soon_is_a_need_with_its_end_and_without_its_case() {
    let mut scene = Scene::after_tow();
    let end = scene.now.utc.plus_ms(30 * 3_600_000);
    let hold =
        |ending| HoldsView { count: 2, next_end: Some(end), ending, kept: 1200, over_kept: 3, unreadable: false };
    let mut told = Vec::new();
    for ending in [None, Some(30 * 3_600_000), Some(3_600_000)] {
        if let Ok(queue) = &mut scene.queue {
            queue.holds = hold(ending);
        }
        let snapshot = judged(&scene);
        let need = snapshot.needs.iter().find(|need| need.code == "hold.ending");
        told.push(need.map(|need| (need.urgency, need.by)));
        let rows = &snapshot.sections[2].rows;
        let row = rows.iter().find(|row| row.label == "Holds").map(|row| row.note.clone());
        assert!(row.is_some_and(|note| note.contains("3 of them only for their key")), "{rows:?}");
    }
    assert_eq!(told, [None, Some((Word::Look, Some(end))), Some((Word::Act, Some(end)))]);
    let mut urgencies = Vec::new();
    for unreadable in [false, true] {
        if let Ok(queue) = &mut scene.queue {
            queue.holds = HoldsView { unreadable, ..HoldsView::default() };
        }
        let snapshot = judged(&scene);
        urgencies.push(snapshot.needs.iter().find(|need| need.code == "hold.lost").map(|need| need.urgency));
    }
    assert_eq!(urgencies, [None, Some(Word::Act)], "holds that were lost");
}

#[test]
fn camera_is_silent_only_if_nothing_was_read_since_arrival_and_start() {
    let mut scene = Scene::after_tow();
    scene.intake.cameras[0].last_read = Some(scene.ago(600_000));
    let codes = |scene: &Scene| judged(scene).needs.iter().map(|need| need.code).collect::<Vec<_>>();
    assert_eq!(codes(&scene), ["lines.unconfirmed"], "seven minutes at the new site are too few to judge");
    let minutes_8 = 480_000;
    scene.pass(minutes_8);
    assert_eq!(codes(&scene), ["lines.unconfirmed", "camera.silent"], "what it read elsewhere proves nothing here");
    scene.intake.cameras[0].last_read = Some(scene.ago(1000));
    assert_eq!(codes(&scene), ["lines.unconfirmed"]);
}

#[test]
fn dead_camera_is_told_where_no_site_is_known_too_and_not_on_the_road() {
    let silent = |scene: &Scene| judged(scene).needs.iter().any(|need| need.code == "camera.silent");
    // No GPS receiver: the start is all that there is to count from.
    let mut scene = Scene::standing();
    (scene.facts.gps_fitted, scene.position) = (false, PositionView::default());
    scene.facts.started = Moment { mono: scene.ago(899_000).0, ..scene.now };
    scene.intake.cameras[0].last_read = None;
    assert!(!silent(&scene), "fifteen minutes are its time");
    scene.pass(1000);
    let need = judged(&scene).needs.into_iter().find(|need| need.code == "camera.silent").unwrap();
    assert_eq!((need.what.as_str(), need.urgency), ("look at Camera 1", Word::Look));
    assert_eq!(need.why, "No read has come since the start, or for twelve hours.");
    // A read since then gives it twelve hours from that read.
    scene.intake.cameras.iter_mut().for_each(|camera| camera.last_read = Some((scene.now.mono, scene.now.utc)));
    scene.pass(12 * 3_600_000 - 1);
    assert!(!silent(&scene));
    scene.pass(1);
    assert!(silent(&scene));
    // Back on duty it has its time again.
    scene.duty.back = Some(scene.now.mono);
    assert!(!silent(&scene));
    // On the road nobody expects reads; a fix that was lost for good is no road.
    let mut scene = Scene::underway();
    scene.intake.cameras[0].last_read = None;
    assert!(!silent(&scene));
    scene.position.state = KeeperState::Searching;
    assert!(silent(&scene));
}

#[test]
fn spool_folder_that_cannot_be_used_needs_somebody_now() {
    let mut scene = Scene::standing();
    scene.intake.spool = SpoolView::Failing("the folder of spool.path is not there".to_owned());
    assert_eq!(codes_after(&mut scene.clone(), 9_999), []);
    assert_eq!(codes_after(&mut scene, 10_000), [("intake.spool", Word::Act)]);
    scene.intake.spool = SpoolView::Watched;
    assert_eq!(codes_after(&mut scene, 10_000), []);
    // Others are taken, and these may be hits all the same.
    scene.intake.spool = SpoolView::Unreadable { files: 1, why: "Permission denied".to_owned() };
    let mut memory = Memory::default();
    let _first = snapshot(&scene.observations(), &mut memory);
    scene.pass(10_000);
    let need = snapshot(&scene.observations(), &mut memory).needs.remove(0);
    assert_eq!((need.code, need.urgency), ("intake.spool", Word::Act));
    assert_eq!(need.why, "1 file there is not taken, since the agent can't read it: Permission denied.");
}

#[test]
fn engine_of_whose_requests_most_are_refused_is_told_with_the_last_reason() {
    let mut scene = Scene::standing();
    let refusal =
        Refusal { kind: "invalid-read".to_owned(), title: "A read breaks the contract".to_owned(), field: None };
    scene.intake.refusals.last_of_engine = Some(refusal);
    // The disk was full a moment ago: that is no reason of the engine's.
    let full =
        Refusal { kind: "not-stored".to_owned(), title: "The queue can't take reads now".to_owned(), field: None };
    scene.intake.refusals.last = Some(full);
    (0..5).for_each(|_| scene.intake.refusals.recent.count(false, scene.now.mono));
    let need = judged(&scene).needs.remove(0);
    assert_eq!((need.code, need.urgency), ("intake.refusing", Word::Act));
    let why = "5 of the last 5 requests, of 15 min, were refused. The last: A read breaks the contract (invalid-read).";
    assert_eq!(need.why, why);
    scene.intake.refusals.recent.count(true, scene.now.mono);
    assert_eq!(judged(&scene).needs[0].urgency, Word::Look, "some are taken");
    (0..4).for_each(|_| scene.intake.refusals.recent.count(true, scene.now.mono));
    assert_eq!(judged(&scene).needs, [], "half of them are");
}

#[test]
fn id_used_twice_is_told_for_a_day_of_the_queues_life_whatever_the_date_says() {
    const DAY_MS: i64 = 86_400_000;
    let mut scene = Scene::standing();
    let told = |scene: &Scene| judged(scene).needs.iter().any(|need| need.code == "intake.conflicts");
    scene.intake.id_conflicts = 3;
    assert!(!told(&scene), "it is not known yet when the last one was");
    scene.intake.last_conflict_ms = Some(5000);
    let lived = |scene: &mut Scene, ms: i64| scene.queue.iter_mut().for_each(|queue| queue.lived_ms = Some(ms));
    lived(&mut scene, 5000 + DAY_MS - 1);
    assert!(told(&scene));
    scene.shift(400 * DAY_MS);
    assert!(told(&scene), "a date ends nothing");
    lived(&mut scene, 5000 + DAY_MS);
    assert!(!told(&scene));
    let rows = &judged(&scene).sections[2].rows;
    assert!(rows.iter().any(|row| row.label == "Ids used twice" && row.value == "3 reads"), "the count stays");
    scene.queue = Err("the store does not answer".to_owned());
    assert!(told(&scene), "as long as nobody knows how long ago it was");
}

#[test]
fn clock_that_is_wrong_by_a_minute_needs_somebody_now() {
    let mut scene = Scene::standing();
    scene.position.clock_offset = Some((-61_000, scene.now.mono));
    assert_eq!(codes_after(&mut scene, 60_000), [("clock.wrong", Word::Act)]);
    scene.position.clock_offset = Some((2500, scene.now.mono));
    assert_eq!(codes_after(&mut scene, 60_000), [("clock.wrong", Word::Look)]);
    scene.position.clock_offset = None;
    scene.position.utc_trust = UtcTrust::Unset;
    assert_eq!(codes_after(&mut scene, 600_000), [("clock.unset", Word::Look)]);
}

#[test]
fn trailer_is_never_fine_before_everything_has_reported_or_after_the_end() {
    for life in [Life::Starting, Life::Stopped] {
        let scene = Scene { life, ..Scene::standing() };
        assert_eq!(judged(&scene).word, Word::Look, "{life:?}");
    }
    assert_eq!(judged(&Scene::empty()).sections[2].answer, "Unknown");
}

#[test]
fn act_comes_before_look_and_the_word_is_that_of_the_worst() {
    let mut scene = Scene::after_tow();
    scene.host.temperature_c = Some(90.0);
    scene.facts.receiver_fitted = false;
    let mut memory = Memory::default();
    let _first = snapshot(&scene.observations(), &mut memory);
    scene.pass(60_000);
    let told = snapshot(&scene.observations(), &mut memory);
    let urgencies: Vec<Word> = told.needs.iter().map(|need| need.urgency).collect();
    assert_eq!(urgencies, [Word::Act, Word::Look, Word::Look]);
    assert_eq!(told.word, Word::Act);
    assert!(told.sentence.ends_with("Then 2 more things."), "{}", told.sentence);
}

#[test]
fn changes_are_told_once_when_they_come_and_once_when_they_go() {
    let mut memory = Memory::default();
    let mut scene = Scene::standing();
    let quiet = snapshot(&scene.observations(), &mut memory).changes.len();
    for _ in 0..5 {
        scene.pass(1000);
        assert_eq!(snapshot(&scene.observations(), &mut memory).changes.len(), quiet, "nothing changed");
    }
    let mut towed = Scene::after_tow();
    towed.now = scene.now;
    let codes = |changes: &[Change]| changes.iter().skip(quiet).map(|change| change.code.clone()).collect::<Vec<_>>();
    let told = snapshot(&towed.observations(), &mut memory).changes;
    assert_eq!(codes(&told), ["place", "lines.unconfirmed", "word"]);
    for held in Arc::make_mut(&mut towed.position.places).sites.values_mut().flat_map(SiteLines::values_mut) {
        held.state = LineState::Confirmed;
    }
    let told = snapshot(&towed.observations(), &mut memory).changes;
    assert_eq!(codes(&told)[3..], ["lines.unconfirmed", "word"]);
}

#[test]
fn memory_of_changes_is_bounded() {
    let mut memory = Memory::default();
    let mut scene = Scene::standing();
    for n in 0..2 * Memory::CHANGES_KEPT {
        scene.life = if n % 2 == 0 { Life::Running } else { Life::Starting };
        let _told = snapshot(&scene.observations(), &mut memory);
    }
    assert_eq!(judged_len(&mut memory, &scene), Memory::CHANGES_KEPT);
}

fn judged_len(memory: &mut Memory, scene: &Scene) -> usize {
    snapshot(&scene.observations(), memory).changes.len()
}

#[test]
fn documentation_lists_every_rule_under_its_section() {
    let told = include_str!("../../../../docs/HEALTH.md").split("\n## ").find(|part| part.starts_with("Rules"));
    let told = told.unwrap_or_default();
    for (code, section) in needs::RULES {
        let row = told.lines().find(|line| line.starts_with(&format!("| `{code}` |")));
        let numbered = row.is_some_and(|row| row.contains(&format!("| {section} |")));
        assert!(numbered, "docs/HEALTH.md has no row for {code} with section {section}");
    }
    let rows = told.lines().filter(|line| line.starts_with("| `")).count();
    assert_eq!(rows, needs::RULES.len(), "docs/HEALTH.md tells of a rule that does not exist");
}
