//! Many trailers at one glance: who needs a visit, who is silent, in which order to drive. Pure: the files have been
//! read, the clocks too.

mod judge;
mod trip;

pub use judge::{Heard, judge};
pub use trip::{Stop, Trip, trip};

use crate::geo::LatLon;
use crate::moment::Utc;

/// How a trailer stands in a survey, worst first. A silent trailer ranks behind one that has said what it needs, and
/// before one that can wait: nobody knows how it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Standing {
    /// Somebody is needed now.
    Act,
    /// Not heard, too old, or not to be believed.
    Stale,
    /// Somebody is needed soon.
    Look,
    /// Nothing needs anybody.
    Fine,
}

impl Standing {
    /// All of them, worst first.
    pub const ALL: [Self; 4] = [Self::Act, Self::Stale, Self::Look, Self::Fine];

    /// The word used in files and tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Act => "act",
            Self::Stale => "stale",
            Self::Look => "look",
            Self::Fine => "fine",
        }
    }
}

/// One trailer, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Trailer {
    /// Its name in its own configuration; empty if it was never heard.
    pub id: String,
    /// As painted; what it was asked by, if it was never heard.
    pub label: String,
    /// How it stands.
    pub standing: Standing,
    /// The most urgent reason, one sentence.
    pub why: String,
    /// What to do about it, one or two sentences; empty if nothing.
    pub how: String,
    /// How many more needs it has.
    pub more: usize,
    /// Since when.
    pub since: Option<Utc>,
    /// By when, if it says so.
    pub by: Option<Utc>,
    /// Whether somebody must drive there.
    pub drive: bool,
    /// What to bring, each a few words.
    pub bring: Vec<String>,
    /// Where it was when it was last heard, WGS 84.
    pub at: Option<LatLon>,
    /// How old its word is, ms; unknown without one, or with a wrong clock.
    pub age_ms: Option<u64>,
    /// Where its word was read.
    pub source: String,
}

/// Worst first: by standing, then by the time by which something must be done, then by how long it has lasted; fine
/// ones by name.
pub fn worst_first(trailers: &mut [Trailer]) {
    trailers.sort_by(|a, b| {
        let when = |trailer: &Trailer| {
            let fine = trailer.standing == Standing::Fine;
            let at = |time: Option<Utc>| time.filter(|_| !fine).map_or(i64::MAX, |utc| utc.0);
            (at(trailer.by), at(trailer.since))
        };
        (a.standing, when(a)).cmp(&(b.standing, when(b))).then_with(|| natural(&a.label, &b.label))
    });
}

/// "Heron 9" stands before "Heron 10".
fn natural(a: &str, b: &str) -> std::cmp::Ordering {
    let parts = |text: &str| {
        let digits = text.len() - text.trim_end_matches(|c: char| c.is_ascii_digit()).len();
        let (name, number) = text.split_at(text.len() - digits);
        (name.to_lowercase(), number.parse::<u64>().ok(), text.to_owned())
    };
    parts(a).cmp(&parts(b))
}

/// One trailer may be reached by two ways. Kept is the word that is younger; without an age, the one that was heard.
#[must_use]
pub fn once_each(trailers: Vec<Trailer>) -> Vec<Trailer> {
    let mut kept: Vec<Trailer> = Vec::with_capacity(trailers.len());
    let mut place = std::collections::BTreeMap::new();
    for trailer in trailers {
        if trailer.id.is_empty() {
            kept.push(trailer);
            continue;
        }
        if let Some(&at) = place.get(&trailer.id) {
            let other: &mut Trailer = &mut kept[at];
            if trailer.age_ms.unwrap_or(u64::MAX) < other.age_ms.unwrap_or(u64::MAX) {
                *other = trailer;
            }
        } else {
            place.insert(trailer.id.clone(), kept.len());
            kept.push(trailer);
        }
    }
    kept
}

/// What the whole trip needs, each thing once with its number: "2 × mains charger".
#[must_use]
pub fn pack<'a>(trailers: impl Iterator<Item = &'a Trailer>) -> Vec<String> {
    let mut things: Vec<(String, usize)> = Vec::new();
    for thing in trailers.flat_map(|trailer| trailer.bring.iter()) {
        match things.iter_mut().find(|(known, _)| known == thing) {
            Some((_, n)) => *n += 1,
            None => things.push((thing.clone(), 1)),
        }
    }
    // A tool serves at every stop; what stays at the trailer is counted.
    let stays = |thing: &str| crate::health::visit::STAYS.contains(&thing);
    things.into_iter().map(|(thing, n)| if 1 < n && stays(&thing) { format!("{n} × {thing}") } else { thing }).collect()
}

/// One sentence over all: "Three trailers need somebody now. Two are silent."
#[must_use]
pub fn headline(trailers: &[Trailer]) -> String {
    let count = |standing: Standing| trailers.iter().filter(|trailer| trailer.standing == standing).count();
    let (act, stale, look) = (count(Standing::Act), count(Standing::Stale), count(Standing::Look));
    if trailers.is_empty() {
        return "No trailer was found.".to_owned();
    }
    let are = |n: usize, one: &str, many: &str| match n {
        1 => format!("One trailer {one}."),
        n => format!("{n} trailers {many}."),
    };
    let mut told = Vec::new();
    if 0 < act {
        told.push(are(act, "needs somebody now", "need somebody now"));
    }
    if 0 < stale {
        told.push(are(stale, "is not heard", "are not heard"));
    }
    if 0 < look {
        told.push(are(look, "wants a look soon", "want a look soon"));
    }
    if told.is_empty() {
        told.push("Nothing needs you.".to_owned());
    }
    told.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trailer(label: &str, standing: Standing) -> Trailer {
        Trailer {
            id: label.to_lowercase(),
            label: label.to_owned(),
            standing,
            why: String::new(),
            how: String::new(),
            more: 0,
            since: None,
            by: None,
            drive: false,
            bring: Vec::new(),
            at: None,
            age_ms: Some(1000),
            source: String::new(),
        }
    }

    #[test]
    fn needs_come_before_silence_and_silence_before_what_can_wait() {
        let mut all = [Standing::Fine, Standing::Look, Standing::Act, Standing::Stale].map(|s| trailer("Heron 1", s));
        worst_first(&mut all);
        assert_eq!(all.map(|t| t.standing), Standing::ALL);
    }

    #[test]
    fn within_one_standing_the_earliest_limit_then_the_oldest_trouble_comes_first() {
        let mut all = [
            Trailer { since: Some(Utc(5)), ..trailer("Heron 1", Standing::Act) },
            Trailer { since: Some(Utc(9)), by: Some(Utc(20)), ..trailer("Heron 2", Standing::Act) },
            Trailer { since: Some(Utc(3)), ..trailer("Heron 3", Standing::Act) },
        ];
        worst_first(&mut all);
        assert_eq!(all.map(|t| t.label), ["Heron 2", "Heron 3", "Heron 1"]);
    }

    #[test]
    fn fine_ones_stand_by_name_as_people_count() {
        let mut all = ["Heron 10", "Heron 9", "Avocet 2"].map(|label| trailer(label, Standing::Fine));
        worst_first(&mut all);
        assert_eq!(all.map(|t| t.label), ["Avocet 2", "Heron 9", "Heron 10"]);
    }

    #[test]
    fn trailer_that_is_reached_twice_counts_once_with_its_younger_word() {
        let older = Trailer { age_ms: Some(9000), ..trailer("Heron 1", Standing::Stale) };
        let unheard = Trailer { id: String::new(), ..trailer("Heron 1", Standing::Stale) };
        let kept = once_each(vec![older, trailer("Heron 1", Standing::Fine), unheard.clone(), unheard]);
        assert_eq!(
            kept.iter().map(|t| t.standing).collect::<Vec<_>>(),
            [Standing::Fine, Standing::Stale, Standing::Stale]
        );
    }

    #[test]
    fn headline_counts_in_words_that_can_be_read_aloud() {
        let all = [Standing::Act, Standing::Act, Standing::Stale].map(|s| trailer("Heron 1", s));
        assert_eq!(headline(&all), "2 trailers need somebody now. One trailer is not heard.");
        assert_eq!(headline(&[trailer("Heron 1", Standing::Fine)]), "Nothing needs you.");
        assert_eq!(headline(&[]), "No trailer was found.");
    }

    #[test]
    fn tools_are_packed_once_and_parts_for_each_trailer() {
        let needs = |things: &[&str]| Trailer {
            bring: things.iter().map(|thing| (*thing).to_owned()).collect(),
            ..trailer("Heron 1", Standing::Act)
        };
        let all = [needs(&["laptop", "spare GPS receiver"]), needs(&["laptop", "spare GPS receiver"])];
        assert_eq!(pack(all.iter()), ["laptop", "2 × spare GPS receiver"]);
    }
}
