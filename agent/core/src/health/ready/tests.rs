use super::*;
use crate::position::places::SiteLines;
use crate::sim::scene::Scene;

fn all_ticked(site: SiteId) -> TickBook {
    let mut book = TickBook::default();
    for tick in Tick::ALL {
        book.set(site, tick, Some(Ticked { by: "T. Wray".to_owned(), at: Utc(1_000) }));
    }
    book
}

/// A trailer that has arrived seven minutes ago and of which all is proven.
fn arrived() -> Scene {
    let mut scene = Scene::after_tow();
    let places = std::sync::Arc::make_mut(&mut scene.position.places);
    for held in places.sites.values_mut().flat_map(SiteLines::values_mut) {
        held.state = LineState::Confirmed;
    }
    scene.test_alert = Some(TestAlert { sent: scene.ago(70_000).1, answered: Some(scene.ago(63_000).1) });
    scene.ticks = all_ticked(SiteId(13));
    scene
}

fn missing_of(scene: &Scene) -> Vec<&'static str> {
    ready(&scene.observations().ready_seen()).missing().map(|part| part.code).collect()
}

#[test]
fn all_that_holds_makes_it_ready_and_the_test_alert_says_when_it_arrived() {
    let scene = arrived();
    let answer = ready(&scene.observations().ready_seen());
    assert_eq!(missing_of(&scene), Vec::<&str>::new());
    assert!(answer.is_ready() && answer.fresh);
    assert_eq!(answer.word(), "READY");
    let alert = answer.parts.iter().find(|part| part.code == "test_alert").map(|part| part.seen.clone());
    assert_eq!(alert, Some(format!("Arrived at {}.", wording::clock_seconds(scene.ago(63_000).1))));
    assert!(answer.sentence().contains(TICK_CAUTION));
}

#[test]
fn after_a_tow_what_is_missing_comes_in_the_order_in_which_it_is_done() {
    let scene = Scene::after_tow();
    assert_eq!(missing_of(&scene), ["lines", "test_alert", "overhead", "stabilisers", "mast", "locks", "markers"]);
    let answer = ready(&scene.observations().ready_seen());
    assert!(answer.fresh && !answer.is_ready());
    let lines = answer.missing().next().map(|part| part.seen.clone());
    assert_eq!(lines.as_deref(), Some("Not confirmed here: Camera 1 and Camera 2."));
    assert!(answer.parts.iter().filter(|part| part.by_person).all(|part| part.how.starts_with("Look yourself")));
}

#[test]
fn each_single_fault_keeps_it_from_being_ready() {
    type Break = fn(&mut Scene);
    let faults: [(&str, Break); 10] = [
        ("reads", |scene| scene.life = crate::health::Life::Stopped),
        ("position", |scene| scene.position.verified_since_start = false),
        ("position", |scene| scene.facts.gps_fitted = false),
        ("reads", |scene| scene.intake.cameras[1].last_read = None),
        ("reads", |scene| scene.intake.cameras[2].last_read = Some(scene.ago(421_000))),
        ("link", |scene| scene.link = LinkView::Absent { looked_for: "usb0".to_owned() }),
        ("link", |scene| scene.forward.failing_since = Some(scene.ago(1000))),
        ("link", |scene| scene.forward.last_receipt = Some(scene.ago(421_000))),
        ("test_alert", |scene| {
            scene.test_alert = Some(TestAlert { sent: scene.ago(900_000).1, answered: Some(scene.ago(890_000).1) });
        }),
        ("mast", |scene| scene.ticks.set(SiteId(13), Tick::Mast, None)),
    ];
    for (code, fault) in faults {
        let mut scene = arrived();
        fault(&mut scene);
        assert_eq!(missing_of(&scene), [code]);
    }
}

#[test]
fn ticks_belong_to_a_site_and_go_with_a_move() {
    let mut scene = arrived();
    scene.ticks = all_ticked(SiteId(12));
    assert_eq!(missing_of(&scene).len(), 5, "ticks of the site before count for nothing here");
    assert!(scene.ticks.follow(&scene.position));
    assert_eq!(scene.ticks, TickBook::default());
    let mut book = all_ticked(SiteId(12));
    book.set(SiteId(13), Tick::Locks, Some(Ticked { by: "T. Wray".to_owned(), at: Utc(5) }));
    assert_eq!(book.ticks.len(), 1, "the first tick at a new site begins a new book");
    let standing = Scene::standing();
    let mut book = all_ticked(SiteId(12));
    assert!(!book.follow(&standing.position), "standing still keeps them");
    let mut leaving = standing.position.clone();
    leaving.adrift = Some(Utc(9));
    assert!(book.follow(&leaving), "a return to the same place needs a new look");
}

#[test]
fn on_the_move_nothing_is_ready_and_nothing_of_before_counts() {
    let mut scene = Scene::underway();
    scene.ticks = all_ticked(SiteId(12));
    let answer = ready(&scene.observations().ready_seen());
    assert!(!answer.is_ready() && answer.site.is_none());
    assert!(answer.parts.iter().filter(|part| part.by_person).all(|part| !part.holds));
    assert_eq!(answer.word(), "NOT READY");
}

#[test]
fn long_after_the_arrival_it_no_longer_stands_first() {
    assert!(!ready(&Scene::standing().observations().ready_seen()).fresh);
}

#[test]
fn trailer_that_has_just_started_knows_nothing() {
    let answer = ready(&Scene::empty().observations().ready_seen());
    assert!(!answer.is_ready());
    assert_eq!(answer.missing().count(), 10);
}
