//! Recordings that are damaged, cut, mixed and repeated, as bytes, through reader, epochs and site keeper: nothing of
//! it may crash, make a site, or look like leaving one, and each refusal has its reason.
//!
//! The folder of recordings is named by `PINTLE_LOGS`; it is no part of this repository.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/recordings.rs"]
mod recordings;

use pintle_core::moment::{Moment, Mono, Utc, UtcTrust};
use pintle_core::position::fix::date::DateReference;
use pintle_core::position::fix::{BytesToEpochs, step_ms};
use pintle_core::position::keeper::{KeeperAction, KeeperLimits, SiteKeeper};
use pintle_core::sim::random::Random;
use recordings::recordings;
use std::collections::BTreeMap;

/// A line is cut here at the latest; a binary stretch has no ends of lines.
const PIECE_BYTES_MAX: usize = 512;
/// Recordings of class c that stand long enough for one right site. Source: README of the recordings.
const ONE_SITE: [&str; 2] = ["c-sim33-host-stamped.txt", "c-quectel-l76k-dual.log"];

type Piece = Vec<u8>;

fn logs(class: &str) -> Option<BTreeMap<String, Vec<Piece>>> {
    Some(recordings(class)?.into_iter().map(|(name, bytes)| (name, pieces(&bytes))).collect())
}

fn pieces(bytes: &[u8]) -> Vec<Piece> {
    let lines = bytes.split_inclusive(|byte| *byte == b'\n');
    lines.flat_map(|line| line.chunks(PIECE_BYTES_MAX)).map(<[u8]>::to_vec).collect()
}

/// The time of day that a line says, ms, if it says one.
fn time_of(line: &[u8]) -> Option<u32> {
    let text = String::from_utf8_lossy(line);
    let mut fields = text.split(',');
    let word = fields.next()?;
    let field = match word.get(word.len().checked_sub(3)?..)? {
        "RMC" | "GGA" | "GNS" => fields.next()?,
        _ => return None,
    };
    let digits = |from: usize| field.get(from..from + 2)?.parse::<u32>().ok();
    let (hour, minute, second) = (digits(0)?, digits(2)?, digits(4)?);
    (hour < 24 && minute < 60 && second < 60).then_some(((hour * 60 + minute) * 60 + second) * 1000)
}

/// What became of some bytes.
#[derive(Debug, Default, PartialEq)]
struct Told {
    found: Vec<u64>,
    left: Vec<(u64, String)>,
    fixes: u64,
    /// How many epochs were refused, by the word for the reason.
    refused: BTreeMap<&'static str, u64>,
}

/// Plays pieces at the pace that their times of day say; where they say none, or one that can't be, a second each.
fn play<'a>(pieces: impl IntoIterator<Item = &'a Piece>) -> Told {
    let around = DateReference::around(Utc::parse_rfc3339("2024-01-01T00:00:00Z").unwrap());
    let mut line = BytesToEpochs::new(around);
    let moment = |at: Mono| Moment {
        mono: at,
        utc: Utc(1_800_000_000_000 + i64::try_from(at.0).unwrap()),
        utc_trust: UtcTrust::Gps,
    };
    let mut at = Mono(1000);
    let mut keeper = SiteKeeper::new(KeeperLimits::default(), None, &moment(at));
    let (mut last, mut epochs, mut actions) = (None, Vec::new(), Vec::new());
    let mut told = Told::default();
    for piece in pieces {
        if let Some(now) = time_of(piece) {
            let step = last.map_or(0, |last| step_ms(last, now));
            at = at.plus_ms(if step == 0 {
                0
            } else {
                u64::try_from(step).ok().filter(|ms| *ms <= 10_000).unwrap_or(1000)
            });
            last = Some(now);
        }
        line.on_bytes(piece, at, &mut epochs);
        for epoch in epochs.drain(..) {
            let fix = match epoch.outcome {
                Ok(fix) => fix,
                Err(why) => {
                    assert!(why.reason().len() > 10, "each refusal says why");
                    *told.refused.entry(why.word()).or_default() += 1;
                    continue;
                }
            };
            told.fixes += 1;
            keeper.on_fix(&fix, &moment(fix.at), &mut actions);
            for action in actions.drain(..) {
                match action {
                    KeeperAction::Left { reason, .. } | KeeperAction::MovedWhileOff { reason, .. } => {
                        told.left.push((fix.at.0 / 1000, reason));
                    }
                    KeeperAction::SiteFound { .. } => told.found.push(fix.at.0 / 1000),
                    _ => {}
                }
            }
        }
    }
    told
}

/// The first `minutes` of an hour of a standing receiver at one line a message, some three thousand pieces.
fn standing(minutes: u32) -> Option<Vec<Piece>> {
    let park = logs("a-park-hour3")?.remove("a-park-hour3.nmea.gz").unwrap();
    let first = park.iter().find_map(|piece| time_of(piece)).unwrap();
    let until = i64::from(minutes) * 60_000;
    Some(park.into_iter().take_while(|piece| time_of(piece).is_none_or(|now| step_ms(first, now) < until)).collect())
}

#[test]
fn damaged_recordings_alone_make_no_site_and_no_leaving_and_say_why() {
    let Some(logs) = logs("c-") else { return };
    let mut silent = Vec::new();
    for (name, pieces) in &logs {
        let told = play(pieces);
        assert_eq!(told.left, [], "{name}");
        assert!(told.found.len() <= usize::from(ONE_SITE.contains(&name.as_str())), "{name}: {:?}", told.found);
        if told.fixes == 0 && told.refused.is_empty() {
            silent.push(name.as_str());
        }
        // Twice and five times over: what repeats itself is no standing trailer.
        let told = play(std::iter::repeat_n(pieces, 5).flatten());
        assert_eq!(told.left, [], "{name}, five times");
    }
    // These hold not one whole epoch, or a language that is none of ours: the reader counts what it passes over.
    for name in &silent {
        let mut line = BytesToEpochs::new(DateReference::around(Utc(1_700_000_000_000)));
        let mut epochs = Vec::new();
        for piece in &logs[*name] {
            line.on_bytes(piece, Mono(0), &mut epochs);
        }
        eprintln!("{name}: {:?}", line.reader().counts());
    }
}

#[test]
fn a_damaged_recording_in_the_middle_of_a_standing_one_moves_nothing() {
    let Some(park) = standing(30) else { return };
    let logs = logs("c-").unwrap();
    let alone = play(&park);
    assert_eq!((alone.found.len(), alone.left.len()), (1, 0), "{alone:?}");
    let mut random = Random::new(61);
    for (name, damaged) in &logs {
        // Once between two lines, and once within a line, where the receiver was unplugged in the middle of a word.
        for within in [false, true] {
            let at = park.len() / 2 + usize::try_from(random.bits() % 500).unwrap();
            let mut mixed: Vec<Piece> = park[..at].to_vec();
            let mut tail = park[at..].to_vec();
            if within {
                let cut = tail[0].len() / 2;
                mixed.push(tail[0][..cut].to_vec());
                tail[0].drain(..cut);
            }
            mixed.extend(damaged.iter().cloned());
            mixed.extend(tail);
            let told = play(&mixed);
            if ONE_SITE.contains(&name.as_str()) {
                // Two minutes of good fixes elsewhere are no damage: whoever believes them is not wrong.
                continue;
            }
            assert_eq!(told.left, [], "{name}, within a line: {within}");
            assert_eq!(told.found, alone.found, "{name}, within a line: {within}");
        }
    }
}

#[test]
fn damaged_recordings_shuffled_into_a_standing_one_move_nothing() {
    let Some(park) = standing(30) else { return };
    let logs = logs("c-").unwrap();
    for (name, damaged) in &logs {
        let mut random = Random::new(62);
        let mut rest = damaged.iter();
        let mut mixed = Vec::with_capacity(park.len() + damaged.len());
        for piece in &park {
            // One strange line for every three of our own, from somebody else on the same wire.
            if random.bits().is_multiple_of(4) {
                mixed.extend(rest.next().cloned());
            }
            mixed.push(piece.clone());
        }
        let told = play(&mixed);
        assert_eq!(told.left, [], "{name}");
        assert!(told.found.len() <= 1, "{name}: {:?}", told.found);
    }
}

#[test]
fn losing_or_repeating_any_run_of_lines_makes_neither_site_nor_leaving() {
    let Some(park) = standing(25) else { return };
    let alone = play(&park);
    assert_eq!((alone.found.len(), alone.left.len()), (1, 0));
    let mut random = Random::new(63);
    let mut draw = |below: usize| usize::try_from(random.bits() % u64::try_from(below).unwrap()).unwrap();
    for turn in 0..150 {
        let length = 1 + draw(if turn % 3 == 0 { 2000 } else { 60 });
        let from = draw(park.len() - length);
        let (run, mut changed) = (from..from + length, park.clone());
        let what = if turn % 2 == 0 {
            changed.drain(run.clone());
            "lost"
        } else {
            let again = park[run.clone()].to_vec();
            let times = 1 + draw(4);
            for _ in 0..times {
                changed.splice(run.end..run.end, again.iter().cloned());
            }
            "repeated"
        };
        let told = play(&changed);
        assert_eq!(told.left, [], "{what} {run:?}");
        assert!(told.found.len() <= 1, "{what} {run:?}: {:?}", told.found);
    }
    // Also every third line, every sort of line but one, and all lines twice.
    let third: Vec<Piece> = park.iter().enumerate().filter(|(at, _)| at % 3 != 0).map(|(_, one)| one.clone()).collect();
    let twice: Vec<Piece> = park.iter().flat_map(|one| [one.clone(), one.clone()]).collect();
    for (what, changed) in [("every third line lost", third), ("all lines twice", twice)] {
        let told = play(&changed);
        assert_eq!((told.left.len(), told.found.len()), (0, 1), "{what}");
    }
}

#[test]
fn bytes_flipped_at_random_move_nothing() {
    let Some(park) = standing(25) else { return };
    let mut random = Random::new(64);
    for one_in in [20, 200, 2000] {
        let mut noisy = park.clone();
        for byte in noisy.iter_mut().flatten() {
            if random.bits().is_multiple_of(one_in) {
                *byte = random.bits().to_le_bytes()[0];
            }
        }
        let told = play(&noisy);
        assert_eq!(told.left, [], "one byte of {one_in}");
        assert!(told.found.len() <= 1, "one byte of {one_in}: {:?}", told.found);
        assert!(one_in < 2000 || told.found.len() == 1, "few errors cost no site");
    }
}

#[test]
fn what_is_told_does_not_depend_on_how_the_bytes_are_cut() {
    let Some(logs) = logs("") else { return };
    let mut random = Random::new(65);
    for (name, pieces) in &logs {
        let bytes: Vec<u8> = pieces.concat().into_iter().take(200_000).collect();
        let epochs = |cuts: &mut dyn FnMut() -> usize| {
            let mut line = BytesToEpochs::new(DateReference::around(Utc(1_700_000_000_000)));
            let (mut rest, mut out) = (&bytes[..], Vec::new());
            while !rest.is_empty() {
                let (part, more) = rest.split_at(cuts().clamp(1, rest.len()));
                line.on_bytes(part, Mono(1000), &mut out);
                rest = more;
            }
            line.on_end(Mono(1000), &mut out);
            format!("{out:?} {:?} {:?}", line.reader().counts(), line.assembler().counts())
        };
        let whole = epochs(&mut || usize::MAX);
        assert!(whole == epochs(&mut || 1), "{name}: byte by byte");
        assert!(whole == epochs(&mut || usize::try_from(random.bits() % 97).unwrap()), "{name}: at random");
    }
}
