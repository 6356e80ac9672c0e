//! Holds: what a case needs stays past its age limit, until the hold ends. Never longer than a year without somebody
//! renewing it (source: North Carolina § 20-183.32, such a request lapses after 1 year unless renewed).

use crate::ids::CameraId;
use crate::moment::Utc;

/// A hold ends at the latest after this, s: 365 days. Source: the same.
pub const HOLD_S_MAX: u64 = 365 * 86_400;
/// Holds at a time (our own limit: each is looked at for each event that is due).
pub const HOLDS_MAX: usize = 64;
/// From so long before its end on a hold is told as ending, ms: a week (our own), or a quarter of its length if that is
/// shorter.
pub const ENDING_MS: u64 = 7 * 86_400_000;

/// The window that a person gave; without `to` it ends now.
///
/// # Errors
/// What is wrong with it, in the words of the command line, and what to do.
pub fn window(from: Utc, to: Option<Utc>, now: Utc) -> Result<(Utc, Utc), (&'static str, &'static str)> {
    match to {
        Some(to) if to < from => Err(("--to is before --from", "give the earlier time as --from")),
        None if now < from => {
            Err(("--from lies ahead, and without --to the window ends now", "give its end with --to, too"))
        }
        _ => Ok((from, to.unwrap_or(now))),
    }
}

/// What is asked to be held.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HoldAsked {
    /// At a receiver: reads of this trailer only. On a trailer always `None`.
    pub source: Option<String>,
    /// Reads of this camera only.
    pub camera: Option<CameraId>,
    /// Reads whose stamp names this site only.
    pub site: Option<u64>,
    /// Captured from here on.
    pub from: Utc,
    /// Captured up to here.
    pub to: Utc,
    /// For which case.
    pub case: String,
    /// Who says so.
    pub by: String,
    /// For how long from now on, s, 1 to [`HOLD_S_MAX`].
    pub for_s: u64,
}

/// One hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hold {
    /// Its number, from 1, never given twice.
    pub number: u64,
    /// What it holds, and as it was asked last.
    pub asked: HoldAsked,
    /// When it was made, by the host's clock.
    pub made_at: Utc,
    /// When it ends, by the age of the store, ms: a step of the clock ends no hold.
    pub ends_ms: i64,
    /// The end that people were told when it was made or renewed last, by the host's clock of then. `None` in a file
    /// that was written before this was kept.
    pub told_end: Option<Utc>,
    /// True once it has ended by itself and the audit has not told of it yet.
    pub ended: bool,
}

impl HoldAsked {
    /// Whether a read of this camera, site and capture time is held.
    #[must_use]
    pub fn covers(&self, camera: Option<&str>, site: Option<u64>, captured: Utc) -> bool {
        let camera_fits = self.camera.as_ref().is_none_or(|wanted| camera == Some(wanted.as_str()));
        let site_fits = self.site.is_none_or(|wanted| site == Some(wanted));
        (self.from..=self.to).contains(&captured) && camera_fits && site_fits
    }
}

impl Hold {
    /// How long it still holds, ms.
    #[must_use]
    pub fn left_ms(&self, lived_ms: i64) -> u64 {
        u64::try_from(self.ends_ms.saturating_sub(lived_ms)).unwrap_or(0)
    }

    /// Its end as people read it: the one they were told, and by today's clock where none was kept.
    #[must_use]
    pub fn ends(&self, now: Utc, lived_ms: i64) -> Utc {
        self.told_end.unwrap_or_else(|| now.plus_ms(i64::try_from(self.left_ms(lived_ms)).unwrap_or(i64::MAX)))
    }

    /// Whether its end is near.
    #[must_use]
    pub fn is_ending(&self, lived_ms: i64) -> bool {
        self.left_ms(lived_ms) <= ENDING_MS.min(self.asked.for_s.saturating_mul(1000) / 4)
    }
}

/// What a person changes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HoldChange {
    /// A new one.
    Add(HoldAsked),
    /// It ends this long from now on, s.
    Renew {
        /// Which.
        number: u64,
        /// For how long, s.
        for_s: u64,
        /// Who says so.
        by: String,
    },
    /// It ends now, or the audit has told that it ended.
    End {
        /// Which.
        number: u64,
    },
    /// All that were lost with a damaged part of the disk are made anew, so what is listed is all there is.
    Anew,
}

/// All holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Holds {
    /// By number.
    pub list: Vec<Hold>,
    /// The highest number given.
    pub last: u64,
    /// True if what was on the disk can't be read: then everything is held, whatever is made since, until somebody says
    /// that all are made anew ([`HoldChange::Anew`]).
    pub unreadable: bool,
}

impl Holds {
    /// Whether nothing at all is held.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        !self.unreadable && self.active().next().is_none()
    }

    /// How many are kept on the disk, lost ones counted as one.
    #[must_use]
    pub fn kept(&self) -> u64 {
        self.list.len() as u64 + u64::from(self.unreadable)
    }

    /// Those that hold.
    pub fn active(&self) -> impl Iterator<Item = &Hold> {
        self.list.iter().filter(|hold| !hold.ended)
    }

    /// Whether a read of this camera, site and capture time is held. `site` is asked for only if a hold wants it.
    pub fn covers(&self, camera: Option<&str>, captured: Utc, site: impl FnOnce() -> Option<u64>) -> bool {
        if self.unreadable {
            return true;
        }
        let mut near =
            self.active().filter(|hold| HoldAsked { site: None, ..hold.asked.clone() }.covers(camera, None, captured));
        let Some(first) = near.next() else { return false };
        let all: Vec<&Hold> = std::iter::once(first).chain(near).collect();
        if all.iter().any(|hold| hold.asked.site.is_none()) {
            return true;
        }
        let site = site();
        all.iter().any(|hold| hold.asked.covers(camera, site, captured))
    }

    /// Makes a change at the store's age `lived_ms`; the number of the hold (of [`HoldChange::Anew`] the highest given,
    /// at least 1), or `None` if there is none of that number, there are too many, or none was lost.
    pub fn change(&mut self, change: &HoldChange, now: Utc, lived_ms: i64) -> Option<u64> {
        let span_ms = |for_s: u64| i64::try_from(for_s.clamp(1, HOLD_S_MAX).saturating_mul(1000)).unwrap_or(i64::MAX);
        let ends = |for_s| lived_ms.saturating_add(span_ms(for_s));
        let told = |for_s| now.plus_ms(span_ms(for_s));
        match change {
            HoldChange::Add(asked) => {
                if HOLDS_MAX <= self.list.len() {
                    return None;
                }
                self.last += 1;
                let ends_ms = ends(asked.for_s);
                let told_end = Some(told(asked.for_s));
                let asked = asked.clone();
                let hold = Hold { number: self.last, asked, made_at: now, ends_ms, told_end, ended: false };
                self.list.push(hold);
                Some(self.last)
            }
            HoldChange::Renew { number, for_s, by } => {
                let hold = self.list.iter_mut().find(|hold| hold.number == *number && !hold.ended)?;
                (hold.asked.for_s, hold.ends_ms, hold.told_end) = (*for_s, ends(*for_s), Some(told(*for_s)));
                hold.asked.by.clone_from(by);
                Some(*number)
            }
            HoldChange::End { number } => {
                let at = self.list.iter().position(|hold| hold.number == *number)?;
                self.list.remove(at);
                Some(*number)
            }
            HoldChange::Anew => {
                let lost = std::mem::take(&mut self.unreadable);
                lost.then_some(self.last.max(1))
            }
        }
    }

    /// Ends those whose time is over; true if there were any.
    pub fn expire(&mut self, lived_ms: i64) -> bool {
        let over = self.list.iter_mut().filter(|hold| !hold.ended && hold.ends_ms <= lived_ms);
        over.map(|hold| hold.ended = true).count() != 0
    }

    /// What may be told to everybody who reads the health files: how many, and when the next one ends.
    #[must_use]
    pub fn view(&self, now: Utc, lived_ms: i64) -> HoldsView {
        let next = self.active().min_by_key(|hold| hold.ends_ms);
        HoldsView {
            count: self.active().count() as u64,
            unreadable: self.unreadable,
            next_end: next.map(|hold| hold.ends(now, lived_ms)),
            ending: next.filter(|hold| hold.is_ending(lived_ms)).map(|hold| hold.left_ms(lived_ms)),
            ..HoldsView::default()
        }
    }
}

/// Holds without what they are about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct HoldsView {
    /// How many hold.
    pub count: u64,
    /// True if some were lost with a damaged part of the disk: then everything is held.
    pub unreadable: bool,
    /// When the next one ends.
    pub next_end: Option<Utc>,
    /// Left of it, ms, if its end is near.
    pub ending: Option<u64>,
    /// Reads past their age limit that a hold keeps.
    pub kept: u64,
    /// Of those, how many lie outside all windows and are kept only since their content key opens reads within.
    pub over_kept: u64,
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn asked(camera: Option<&str>, site: Option<u64>) -> HoldAsked {
        HoldAsked {
            source: None,
            camera: camera.map(|name| CameraId::new(name).unwrap()),
            site,
            from: Utc(1000),
            to: Utc(2000),
            case: "case 17".to_owned(),
            by: "T. Wray".to_owned(),
            for_s: 100,
        }
    }

    fn held(one: HoldAsked) -> Holds {
        let mut holds = Holds::default();
        assert_eq!(holds.change(&HoldChange::Add(one), Utc(0), 0), Some(1));
        holds
    }

    #[test]
    fn a_hold_covers_its_camera_or_place_within_its_window_and_nothing_else() {
        let camera = held(asked(Some("north"), None));
        let place = held(asked(None, Some(4)));
        let both = held(asked(Some("north"), Some(4)));
        let table = [
            ("north", Some(4), 1000, [true, true, true]),
            ("north", Some(5), 2000, [true, false, false]),
            ("south", Some(4), 1500, [false, true, false]),
            ("north", None, 1500, [true, false, false]),
            ("north", Some(4), 999, [false, false, false]),
            ("north", Some(4), 2001, [false, false, false]),
        ];
        for (name, site, at, want) in table {
            let covers = |holds: &Holds| holds.covers(Some(name), Utc(at), || site);
            assert_eq!([covers(&camera), covers(&place), covers(&both)], want, "{name} {site:?} {at}");
        }
        assert!(!camera.covers(None, Utc(1500), || None));
        assert!(Holds { unreadable: true, ..Holds::default() }.covers(None, Utc(0), || None), "rather too much");
    }

    #[test]
    fn a_hold_ends_by_the_age_of_the_store_can_be_renewed_and_its_number_is_never_given_again() {
        let mut holds = held(asked(Some("north"), None));
        assert!(!holds.expire(99_999) && !holds.is_empty());
        let renew = |number| HoldChange::Renew { number, for_s: 50, by: "R. Oyelaran".to_owned() };
        assert_eq!(holds.change(&renew(1), Utc(0), 90_000), Some(1));
        assert_eq!(holds.change(&renew(2), Utc(0), 90_000), None);
        assert_eq!((holds.list[0].ends_ms, holds.list[0].asked.by.as_str()), (140_000, "R. Oyelaran"));
        assert!(!holds.expire(139_999));
        assert!(holds.expire(140_000) && holds.is_empty());
        assert!(!holds.covers(Some("north"), Utc(1500), || None));
        assert_eq!(holds.change(&renew(1), Utc(0), 150_000), None, "what has ended is made anew, not renewed");
        assert_eq!(holds.change(&HoldChange::End { number: 1 }, Utc(0), 0), Some(1));
        assert_eq!(holds.change(&HoldChange::Add(asked(None, Some(1))), Utc(0), 0), Some(2));
    }

    #[test]
    fn the_view_tells_the_next_end_and_warns_a_week_or_a_quarter_before() {
        let mut holds = held(HoldAsked { for_s: HOLD_S_MAX, ..asked(None, Some(1)) });
        let week = i64::try_from(ENDING_MS).unwrap();
        let year = i64::try_from(HOLD_S_MAX).unwrap() * 1000;
        assert_eq!(holds.view(Utc(0), year - week - 1).ending, None);
        assert_eq!(holds.view(Utc(0), year - week).ending, Some(ENDING_MS));
        holds.change(&HoldChange::Add(HoldAsked { for_s: 4000, ..asked(None, Some(2)) }), Utc(0), 0);
        let view = holds.view(Utc(7), 0);
        assert_eq!((view.count, view.next_end, view.ending), (2, Some(Utc(4_000_000)), None), "as it was told");
        assert_eq!(holds.view(Utc(7), 3_000_000).ending, Some(1_000_000));
        holds.list[1].told_end = None;
        assert_eq!(holds.view(Utc(7), 0).next_end, Some(Utc(4_000_007)), "a hold of an older file");
        let renew = HoldChange::Renew { number: 2, for_s: 60, by: "R. Oyelaran".to_owned() };
        holds.change(&renew, Utc(9), 5);
        assert_eq!(holds.view(Utc(77), 50).next_end, Some(Utc(60_009)));
    }

    #[test]
    fn a_window_ends_now_unless_its_end_is_given_and_never_before_it_begins() {
        let now = Utc(5000);
        assert_eq!(window(Utc(1000), None, now), Ok((Utc(1000), now)));
        assert_eq!(window(Utc(6000), Some(Utc(9000)), now), Ok((Utc(6000), Utc(9000))));
        assert!(window(Utc(2000), Some(Utc(1000)), now).unwrap_err().0.contains("--to is before --from"));
        assert!(window(Utc(6000), None, now).unwrap_err().1.contains("--to"));
    }

    #[test]
    fn holds_that_were_lost_hold_everything_until_somebody_says_that_all_are_made_anew() {
        let mut holds = Holds { unreadable: true, ..Holds::default() };
        let covers_all = |holds: &Holds| holds.covers(Some("south"), Utc(9_000_000), || None);
        assert_eq!(holds.change(&HoldChange::Add(asked(Some("north"), None)), Utc(0), 0), Some(1));
        assert_eq!(holds.change(&HoldChange::Add(asked(None, Some(4))), Utc(0), 0), Some(2));
        assert_eq!(holds.change(&HoldChange::End { number: 2 }, Utc(0), 0), Some(2));
        assert!(covers_all(&holds) && holds.view(Utc(0), 0).unreadable, "the first hold is not all of them");
        assert!(!holds.expire(100_001) || !holds.is_empty(), "they end, and everything is held all the same");
        assert_eq!(holds.change(&HoldChange::Anew, Utc(0), 0), Some(2));
        assert!(!covers_all(&holds) && !holds.view(Utc(0), 0).unreadable);
        assert_eq!(holds.change(&HoldChange::Anew, Utc(0), 0), None, "none is lost any more");
    }

    #[test]
    fn there_are_only_so_many() {
        let mut holds = Holds::default();
        for _ in 0..HOLDS_MAX {
            assert!(holds.change(&HoldChange::Add(asked(None, Some(1))), Utc(0), 0).is_some());
        }
        assert_eq!(holds.change(&HoldChange::Add(asked(None, Some(1))), Utc(0), 0), None);
    }
}
