//! What people must do about where the trailer is, and about what officers are told of it.

use super::{Judge, MIN};
use crate::health::{Word, wording};
use crate::position::KeeperState;
use crate::position::places::LineState;

impl Judge<'_, '_> {
    pub(super) fn place(&mut self) {
        let position = self.seen.position;
        let fitted = self.seen.facts.gps_fitted;
        let reason = if position.reason.is_empty() { String::new() } else { wording::sentence(&position.reason) };
        self.moving(&reason);
        self.unsafe_to_move();
        // A kept site is checked after each start, and until that is done nothing else is known of it.
        let unverified = position.unverified_site().is_some();
        self.ask_after(
            "place.doubtful",
            position.state == KeeperState::Doubtful && !unverified,
            0,
            u64::MAX,
            [
                "see whether the trailer is being moved".to_owned(),
                format!("It may be leaving its site. {reason}").trim_end().to_owned(),
                "It is decided within minutes by itself; reads until then are marked doubtful.".to_owned(),
            ],
        );
        self.ask_after(
            "place.unverified",
            fitted && unverified,
            5 * MIN,
            u64::MAX,
            [
                "check that the trailer stands where it stood".to_owned(),
                "No fix since the start has agreed with its last site.".to_owned(),
                "Give the GPS antenna a view of the sky; until then reads carry the last known place, marked doubtful."
                    .to_owned(),
            ],
        );
        self.ask_after(
            "place.unsettled",
            position.state == KeeperState::Settling,
            15 * MIN,
            u64::MAX,
            [
                "see why no site is found".to_owned(),
                format!("It stands but has not settled. {reason}").trim_end().to_owned(),
                "The antenna may see only part of the sky.".to_owned(),
            ],
        );
        let lost = fitted && position.state == KeeperState::Searching && !unverified;
        self.ask_after(
            "place.unknown",
            lost,
            15 * MIN,
            15 * MIN,
            [
                "find out where the trailer is".to_owned(),
                "Its position is unknown, so alerts carry no place.".to_owned(),
                "See to the GPS receiver first.".to_owned(),
            ],
        );
    }

    /// Under way with the mast up, the axle lock in or the stabilisers down. What is unknown asks for nothing.
    fn unsafe_to_move(&mut self) {
        let position = self.seen.position;
        let forbids = self.seen.inputs.forbids();
        if !position.is_moving() || forbids.is_empty() {
            return;
        }
        let told = [
            "stop the tow where it is safe".to_owned(),
            format!("The trailer is under way, and {}.", wording::list(&forbids)),
            format!("Before it goes on: {}", crate::position::keeper::TOW_CAUTION.join(" ")),
        ];
        self.ask("place.unsafe", Word::Act, position.adrift, told);
    }

    /// From leaving to arrival, halts on the way included. An announcement silences the urgency and nothing else.
    fn moving(&mut self, reason: &str) {
        let position = self.seen.position;
        let underway = position.state == KeeperState::Underway;
        if !underway && position.adrift.is_none() {
            return;
        }
        let since = position.adrift.or(position.since.map(|(_, utc)| utc));
        if let Some(view) = &position.tow {
            let (by, until) = (crate::ids::printable(&view.tow.by, 40), view.tow.until);
            let told = [
                "see the tow to its end".to_owned(),
                format!("The trailer is under way, as {by} announced."),
                "It is over when the trailer has arrived; section 12 of the page, or pintle tow, says otherwise."
                    .to_owned(),
            ];
            self.ask("place.moving", Word::Look, since, told);
            if let Some(need) = self.needs.last_mut() {
                need.by = Some(until);
            }
            return;
        }
        let what = if underway { "It is on the move" } else { "It has left its site and not arrived" };
        let told = [
            "find out who moves the trailer".to_owned(),
            format!("{what}, and nobody has announced a tow. {reason}").trim_end().to_owned(),
            "Call whoever should be with it; its live position is in section 1.".to_owned(),
        ];
        self.ask("place.moving", Word::Act, since, told);
    }

    /// An alert without a road is an alert that nobody drives to.
    pub(super) fn lines(&mut self) {
        let position = self.seen.position;
        let site = position.site.as_ref().filter(|_| position.state == KeeperState::Anchored);
        let with = |wanted: LineState| -> Vec<String> {
            let cameras = self.seen.intake.cameras.iter();
            cameras
                .filter(|camera| site.is_some_and(|site| position.places.line(site.id, &camera.id).1 == wanted))
                .map(|camera| crate::ids::printable(&camera.label, 40))
                .collect()
        };
        let (unconfirmed, missing) = (with(LineState::Unconfirmed), with(LineState::Missing));
        let arrived = site.map(|site| site.arrived);
        let one =
            |cameras: &[String], one: &'static str, many: &'static str| if cameras.len() == 1 { one } else { many };
        if !unconfirmed.is_empty() {
            let told = [
                format!("confirm the place {} of {}", one(&unconfirmed, "line", "lines"), wording::list(&unconfirmed)),
                "Nobody has said at this site that road and direction are right, so alerts give only the position."
                    .to_owned(),
                "Read the signs; confirm or rewrite in section 2 of the page, or by pintle place.".to_owned(),
            ];
            self.ask("lines.unconfirmed", Word::Act, arrived, told);
        }
        if !missing.is_empty() {
            let told = [
                format!("write the place {} of {}", one(&missing, "line", "lines"), wording::list(&missing)),
                "Without road and direction alerts give only the position.".to_owned(),
                "Write what the signs say in section 2 of the page, or by pintle place set CAMERA.".to_owned(),
            ];
            self.ask("lines.missing", Word::Act, arrived, told);
        }
    }
}
