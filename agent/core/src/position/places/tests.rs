#![expect(clippy::unwrap_used, reason = "tests")]
use super::*;
use crate::position::Site;

fn line(road: &str) -> PlaceLine {
    PlaceLine {
        road: road.to_owned(),
        cross_street: "Brackwater Lane".to_owned(),
        direction: "northbound".to_owned(),
        by: "technician 7".to_owned(),
        at: Utc(0),
    }
}

fn east() -> CameraId {
    CameraId::new("east").unwrap()
}

fn west() -> CameraId {
    CameraId::new("west").unwrap()
}

#[test]
fn officers_read_the_line_only_where_a_person_confirmed_it() {
    let here = LatLon::new(44.51, -30.0).unwrap();
    let there = here.moved(45.0, 4200.0);
    let mut table = PlaceTable::default();
    table.offer(SiteId(1), here, &[], None);
    let missing = table.sentence(SiteId(1), here, &east());
    assert_eq!(missing, ("44.51000, -30.00000; no place line written".to_owned(), LineState::Missing));

    table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
    let confirmed = table.sentence(SiteId(1), here, &east());
    assert_eq!(confirmed, ("Quernstone Road at Brackwater Lane, northbound".to_owned(), LineState::Confirmed));

    table.offer(SiteId(2), there, &[], Some(SiteId(1)));
    let (text, state) = table.sentence(SiteId(2), there, &east());
    assert_eq!(state, LineState::Unconfirmed);
    assert!(text.ends_with("; moved 4.2 km north-east of Quernstone Road, direction not confirmed"), "{text}");

    table.offer(SiteId(3), here, &[SiteId(1)], Some(SiteId(2)));
    let (text, state) = table.sentence(SiteId(3), here, &east());
    assert_eq!(state, LineState::Unconfirmed);
    assert_eq!(
        text,
        "44.51000, -30.00000; back at the place of \"Quernstone Road at Brackwater Lane, northbound\", direction \
         not confirmed"
    );
    assert_eq!(table.confirm(SiteId(3), here, None, "technician 7", Utc(5)), Ok(1));
    assert_eq!(table.sentence(SiteId(3), here, &east()).1, LineState::Confirmed);
    assert_eq!(table.changes.iter().map(|c| c.what.as_str()).collect::<Vec<_>>(), ["written", "confirmed"]);
}

#[test]
fn line_that_is_meant_from_afar_fits_only_its_own_site_and_its_own_words() {
    let here = LatLon::new(44.51, -30.0).unwrap();
    let mut table = PlaceTable::default();
    table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
    table.offer(SiteId(2), here.moved(45.0, 4200.0), &[], Some(SiteId(1)));
    let meant = |site, text: &str| LineMeant { site: SiteId(site), line: text.to_owned() };
    let text = line("Quernstone Road").text();
    assert_eq!(table.fits(SiteId(2), &east(), &meant(2, &text)), Ok(()));
    // The words are the same at the site before: only the number tells which place was meant.
    let other = LineProblem::OtherSite { now: SiteId(2), meant: SiteId(1) };
    assert_eq!(table.fits(SiteId(2), &east(), &meant(1, &text)), Err(other));
    let other = LineProblem::OtherLine { camera: east() };
    assert_eq!(table.fits(SiteId(2), &east(), &meant(2, "Quernstone Road, northbound")), Err(other));
    let west = CameraId::new("west").unwrap();
    let none = LineProblem::NothingToConfirm { camera: Some(west.clone()) };
    assert_eq!(table.fits(SiteId(2), &west, &meant(2, &text)), Err(none));
}

#[test]
fn a_line_of_two_moves_ago_is_still_told_from_where_it_was_true() {
    let here = LatLon::new(44.51, -30.0).unwrap();
    let mut table = PlaceTable::default();
    table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
    table.offer(SiteId(2), here.moved(0.0, 1000.0), &[], Some(SiteId(1)));
    let there = here.moved(0.0, 3000.0);
    table.offer(SiteId(3), there, &[], Some(SiteId(2)));
    let (text, _) = table.sentence(SiteId(3), there, &east());
    assert!(text.contains("moved 3.0 km north of Quernstone Road"), "{text}");
}

#[test]
fn a_line_that_was_only_carried_to_a_place_is_never_told_as_that_places_own() {
    let a = LatLon::new(44.51, -30.0).unwrap();
    let (b, c) = (a.moved(0.0, 1000.0), a.moved(0.0, 3000.0));
    let mut table = PlaceTable::default();
    table.set(SiteId(1), a, &east(), line("Quernstone Road")).unwrap();
    table.offer(SiteId(2), b, &[], Some(SiteId(1)));
    table.offer(SiteId(3), c, &[], Some(SiteId(2)));
    table.offer(SiteId(4), b, &[SiteId(2)], Some(SiteId(3)));
    let (text, state) = table.sentence(SiteId(4), b, &east());
    assert_eq!(state, LineState::Unconfirmed);
    assert!(text.ends_with("; moved 1.0 km north of Quernstone Road, direction not confirmed"), "{text}");
}

#[test]
fn of_two_cameras_each_line_is_told_from_where_it_was_true() {
    let here = LatLon::new(44.51, -30.0).unwrap();
    let (second, third) = (here.moved(0.0, 1000.0), here.moved(0.0, 3000.0));
    let mut table = PlaceTable::default();
    table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
    table.set(SiteId(1), here, &west(), line("Quernstone Road")).unwrap();
    table.offer(SiteId(2), second, &[], Some(SiteId(1)));
    table.set(SiteId(2), second, &east(), line("Tallow Row")).unwrap();
    table.offer(SiteId(3), third, &[], Some(SiteId(2)));
    for (camera, told) in [(east(), "2.0 km north of Tallow Row"), (west(), "3.0 km north of Quernstone Road")] {
        let (text, state) = table.sentence(SiteId(3), third, &camera);
        assert_eq!(state, LineState::Unconfirmed);
        assert!(text.ends_with(&format!("; moved {told}, direction not confirmed")), "{text}");
    }
}

#[test]
fn a_return_gives_each_camera_the_newest_line_of_that_place_and_carries_the_rest() {
    let a = LatLon::new(44.51, -30.0).unwrap();
    let (beside, b) = (a.moved(90.0, 20.0), a.moved(0.0, 1000.0));
    let mut table = PlaceTable::default();
    let cameras = [east(), west(), CameraId::new("south").unwrap()];
    let roads = |table: &PlaceTable, site: u64, position: LatLon| {
        cameras.clone().map(|camera| {
            let text = table.sentence(SiteId(site), position, &camera).0;
            text.split_once("; ").map_or(text.clone(), |(_, after)| after.to_owned())
        })
    };
    table.set(SiteId(1), a, &east(), line("Quernstone Road")).unwrap();
    table.set(SiteId(1), a, &west(), line("Quernstone Road")).unwrap();
    table.offer(SiteId(2), b, &[], Some(SiteId(1)));
    table.set(SiteId(2), b, &cameras[2], line("Tallow Row")).unwrap();
    table.offer(SiteId(3), beside, &[SiteId(1)], Some(SiteId(2)));
    table.set(SiteId(3), beside, &west(), line("Osterholt Way")).unwrap();
    table.offer(SiteId(4), b, &[SiteId(2)], Some(SiteId(3)));
    assert_eq!(
        roads(&table, 4, b),
        [
            "moved 1.0 km north of Quernstone Road, direction not confirmed",
            "moved 1.0 km north of Osterholt Way, direction not confirmed",
            "back at the place of \"Tallow Row at Brackwater Lane, northbound\", direction not confirmed",
        ]
    );
    // Nobody confirmed anything at site 4. East was offered at site 3 and not confirmed: it is of site 1 still.
    table.offer(SiteId(5), a, &[SiteId(3), SiteId(1)], Some(SiteId(4)));
    assert_eq!(
        roads(&table, 5, a),
        [
            "back at the place of \"Quernstone Road at Brackwater Lane, northbound\", direction not confirmed",
            "back at the place of \"Osterholt Way at Brackwater Lane, northbound\", direction not confirmed",
            "moved 1.0 km south of Tallow Row, direction not confirmed",
        ]
    );
    let from = cameras.clone().map(|camera| table.held(SiteId(5), &camera).map(|held| held.origin));
    let returned = |from: u64| Some(LineOrigin::Returned { from: SiteId(from) });
    assert_eq!(from, [returned(1), returned(3), Some(LineOrigin::Carried { from: SiteId(2) })]);
    // What was said at a stay counts, and not what was offered there.
    let said = [1, 3, 4, 5].map(|site| table.has_lines_of(SiteId(site), a));
    assert_eq!(said, [true, true, false, false]);
    // One is confirmed: the others stay what they are.
    assert_eq!(table.confirm(SiteId(5), a, Some(&east()), "technician 7", Utc(5)), Ok(1));
    assert_eq!(roads(&table, 5, a)[0], "Quernstone Road at Brackwater Lane, northbound");
    assert_eq!(roads(&table, 5, a)[2], "moved 1.0 km south of Tallow Row, direction not confirmed");
}

#[test]
fn a_place_that_was_returned_to_is_no_longer_told_as_such_after_a_hop() {
    let here = LatLon::new(44.51, -30.0).unwrap();
    let mut table = PlaceTable::default();
    table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
    table.offer(SiteId(3), here, &[SiteId(1)], None);
    table.doubt_lines(SiteId(3));
    let (text, state) = table.sentence(SiteId(3), here.moved(90.0, 30.0), &east());
    assert_eq!(state, LineState::Unconfirmed);
    assert!(text.ends_with("; moved 30 m east of Quernstone Road, direction not confirmed"), "{text}");
}

#[test]
fn a_hop_doubts_the_confirmed_lines_that_were_said_far_away_and_no_other() {
    let here = LatLon::new(44.51, -30.0).unwrap();
    let there = here.moved(90.0, 20.0);
    let mut table = PlaceTable::default();
    assert_eq!(table.confirmed_away_m(SiteId(1), here), None);
    table.set(SiteId(1), here, &east(), line("Quernstone Road")).unwrap();
    table.set(SiteId(1), there, &west(), line("Tallow Row")).unwrap();
    let now = here.moved(90.0, 26.0);
    let away_m = table.confirmed_away_m(SiteId(1), now).unwrap();
    assert!((away_m - 26.0).abs() < 0.1, "{away_m}");
    table.doubt_lines_far(SiteId(1), now, 25.0);
    assert_eq!(table.line(SiteId(1), &east()).1, LineState::Unconfirmed);
    assert_eq!(table.line(SiteId(1), &west()).1, LineState::Confirmed);
    let away_m = table.confirmed_away_m(SiteId(1), now).unwrap();
    assert!((away_m - 6.0).abs() < 0.1, "only what is confirmed counts: {away_m}");
}

#[test]
fn lines_are_taken_only_where_it_is_sure_that_the_trailer_stands() {
    let here = LatLon::new(44.51, -30.0).unwrap();
    let site =
        Site { id: SiteId(1), position: here, radius95_m: 5.0, arrived: Utc(0), left: None, found_by: String::new() };
    let mut view = PositionView::default();
    for state in [KeeperState::Searching, KeeperState::Settling, KeeperState::Underway] {
        view.state = state;
        assert_eq!(site_for_lines(&view), Err(LineProblem::NoSite));
    }
    view.site = Some(site);
    for state in [KeeperState::Searching, KeeperState::Doubtful, KeeperState::Anchored] {
        view.state = state;
        assert_eq!(site_for_lines(&view), Err(LineProblem::NotVerified), "{state:?}");
    }
    view.verified_since_start = true;
    assert_eq!(site_for_lines(&view), Ok((SiteId(1), here)));
    view.state = KeeperState::Doubtful;
    assert_eq!(site_for_lines(&view), Err(LineProblem::InDoubt));
}

#[test]
fn what_a_line_lacks_is_told_while_it_is_confirmed_and_while_it_is_not() {
    let here = LatLon::new(44.51, -30.0).unwrap();
    let mut table = PlaceTable::default();
    let bare = PlaceLine { direction: String::new(), ..line("Quernstone Road") };
    table.set(SiteId(1), here, &east(), bare).unwrap();
    assert_eq!(table.advice(SiteId(1), &east()), "the line of east lacks the direction of travel");
    table.offer(SiteId(2), here.moved(0.0, 900.0), &[], Some(SiteId(1)));
    assert_eq!(
        table.advice(SiteId(2), &east()),
        "rewrite the line of east: the trailer has moved since, and it lacks the direction of travel"
    );
    let barest = PlaceLine { cross_street: String::new(), direction: String::new(), ..line("Quernstone Road") };
    table.set(SiteId(2), here, &east(), barest).unwrap();
    assert_eq!(
        table.advice(SiteId(2), &east()),
        "the line of east lacks the direction of travel and a cross street or landmark"
    );
    table.set(SiteId(2), here, &east(), line("Quernstone Road")).unwrap();
    assert_eq!(table.advice(SiteId(2), &east()), "");
    table.doubt_lines(SiteId(2));
    assert_eq!(table.advice(SiteId(2), &east()), "confirm or rewrite the line of east: the trailer has moved since");
}

#[test]
fn a_line_without_road_or_name_or_with_odd_characters_is_refused() {
    let here = LatLon::new(44.51, -30.0).unwrap();
    let mut table = PlaceTable::default();
    let mut set = |line: PlaceLine| table.set(SiteId(1), here, &east(), line);
    assert_eq!(set(line(" ")), Err(LineProblem::NoRoad));
    assert_eq!(set(PlaceLine { by: String::new(), ..line("A") }), Err(LineProblem::Nobody));
    assert_eq!(set(line(&"x".repeat(161))), Err(LineProblem::Unfit { what: "the road", max: 160 }));
    assert_eq!(set(line("a\u{202e}b")), Err(LineProblem::Unfit { what: "the road", max: 160 }));
    assert_eq!(table.advice(SiteId(1), &east()), "no place line for east: write road, cross street and direction");
}
