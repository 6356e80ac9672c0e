//! From what was heard of one trailer to its line in the survey.

use super::{Standing, Trailer};
use crate::geo::LatLon;
use crate::health::visit::{SILENT, Visit, visit};
use crate::health::{Freshness, wording};
use crate::ids::printable;
use crate::moment::Utc;
use crate::wire::health::HealthBody;
use crate::wire::told::Told;

/// What was heard.
#[derive(Clone, Debug)]
pub struct Heard {
    /// How it was asked for: path or address.
    pub source: String,
    /// What it said, or why nothing was heard: one sentence, and what to do.
    pub told: Result<Told, (String, String)>,
    /// The clock of the computer that handed it out (the `Date` of its answer), if it told one. It is the trailer's own
    /// for a trailer's page, so an age by it needs no agreement with ours.
    pub their_now: Option<Utc>,
}

/// A clock that differs by more than this is told, ms (common practice, no source).
const CLOCK_APART_MS: i64 = 60_000;

/// Judges what was heard against `now`, our own clock.
#[must_use]
pub fn judge(heard: Heard, now: Utc) -> Trailer {
    let Heard { source, told, their_now } = heard;
    let source = printable(&source, 300);
    let told = match told {
        Ok(told) => told,
        Err((why, how)) => return unheard(source, &why, how),
    };
    let at_now = their_now.unwrap_or(now);
    let times = told.times();
    let freshness = times.map(|(written, until)| Freshness::of(written, until, at_now));
    let mut trailer = match &told {
        Told::Health(body) => from_health(body),
        Told::Public(public) => Trailer {
            id: String::new(),
            label: printable(&public.label, 60),
            standing: standing(&public.word),
            why: "Only its public word can be read here.".to_owned(),
            how: "Ask with a token, or read its folder health, to learn why.".to_owned(),
            ..nobody()
        },
    };
    if trailer.standing == Standing::Fine {
        trailer.why = String::new();
        trailer.how = String::new();
    }
    trailer.source = source;
    if let Some(Freshness::Good { age_ms, .. } | Freshness::Stale { age_ms }) = freshness {
        trailer.age_ms = Some(age_ms);
    }
    let reproach = match (freshness, times) {
        (Some(Freshness::Good { .. }), Some(_)) => None,
        (Some(Freshness::Stale { age_ms }), Some((written, _))) => {
            let at = wording::clock(written, at_now);
            Some((format!("Silent for {}, last heard at {at} UTC.", wording::span(age_ms)), written))
        }
        (Some(Freshness::ClockFault { ahead_ms }), Some(_)) => {
            let ahead = wording::span(ahead_ms);
            Some((
                format!("Clock fault: its word was written {ahead} from now, so its age is unknown."),
                Utc::default(),
            ))
        }
        _ => Some(("Its times can't be read, so its age is unknown.".to_owned(), Utc::default())),
    };
    if let Some((why, written)) = reproach {
        let was = match trailer.standing {
            Standing::Fine => "It was fine then.".to_owned(),
            _ => format!("It said then: {}", trailer.why),
        };
        let clock_fault = matches!(freshness, Some(Freshness::ClockFault { .. }));
        trailer.why = format!("{why} {was}");
        trailer.how = if clock_fault {
            "Set the clock of the trailer and of this computer, then ask again.".to_owned()
        } else {
            "Ask again; if it stays silent, somebody must go there.".to_owned()
        };
        trailer.standing = Standing::Stale;
        trailer.since = (!clock_fault && written != Utc::default()).then_some(written);
        trailer.by = None;
        take(&mut trailer, SILENT);
    } else if let Some(apart_ms) = their_now.map(|theirs| theirs.since_ms(now))
        && CLOCK_APART_MS < apart_ms.abs()
    {
        let side = if 0 < apart_ms { "ahead of" } else { "behind" };
        let apart = wording::span(apart_ms.unsigned_abs());
        let told = format!("Its clock is {apart} {side} the one of this computer.");
        trailer.why = if trailer.why.is_empty() { told } else { format!("{} {told}", trailer.why) };
        if trailer.standing == Standing::Fine {
            trailer.standing = Standing::Look;
            "Find out which of the two clocks is wrong, and set it.".clone_into(&mut trailer.how);
        }
    }
    trailer
}

fn standing(word: &str) -> Standing {
    match word {
        "fine" => Standing::Fine,
        "act" => Standing::Act,
        // A word that this program does not know is never taken for fine.
        _ => Standing::Look,
    }
}

fn from_health(body: &HealthBody) -> Trailer {
    let mut trailer = Trailer {
        id: printable(&body.trailer.id, 80),
        label: printable(&body.trailer.label, 60),
        standing: standing(&body.word),
        why: printable(&body.sentence, 300),
        more: body.needs.len().saturating_sub(1),
        at: place(body),
        ..nobody()
    };
    if trailer.label.is_empty() {
        trailer.label.clone_from(&trailer.id);
    }
    if let Some(need) = body.needs.first() {
        let sentence = |text: &str| wording::sentence(&printable(text, 300));
        trailer.why = format!("{} {}", sentence(&need.what), printable(&need.why, 300));
        // May begin with a command, so it is not written as a sentence.
        trailer.how = printable(&need.how, 300);
        trailer.since = need.since.as_deref().and_then(Utc::parse_rfc3339);
        trailer.by = need.by.as_deref().and_then(Utc::parse_rfc3339);
    }
    for need in &body.needs {
        take(&mut trailer, visit(&need.code));
    }
    trailer
}

fn place(body: &HealthBody) -> Option<LatLon> {
    let site = body.place.site.as_ref().map(|site| (site.lat, site.lon));
    let fix = body.place.fix.as_ref().map(|fix| (fix.lat, fix.lon));
    // A trailer under way is where its newest fix is, not where it stood.
    let underway = body.place.state == "underway";
    let (lat, lon) = if underway { fix.or(site) } else { site.or(fix) }?;
    LatLon::new(lat, lon)
}

/// Adds what a visit needs, each thing once.
fn take(trailer: &mut Trailer, visit: Visit) {
    trailer.drive |= visit.drive;
    for thing in visit.bring {
        if !trailer.bring.iter().any(|known| known == thing) {
            trailer.bring.push((*thing).to_owned());
        }
    }
}

fn nobody() -> Trailer {
    Trailer {
        id: String::new(),
        label: String::new(),
        standing: Standing::Stale,
        why: String::new(),
        how: String::new(),
        more: 0,
        since: None,
        by: None,
        drive: false,
        bring: Vec::new(),
        at: None,
        age_ms: None,
        source: String::new(),
    }
}

fn unheard(source: String, why: &str, how: String) -> Trailer {
    // A folder or a host is mostly named after its trailer.
    let label = match source.split_once("://") {
        // One of a receiver's list: its name stands behind the list's address.
        Some((_, address)) if address.contains('#') => address.rsplit('#').next().unwrap_or_default(),
        Some((_, address)) => address.split('/').next().unwrap_or_default(),
        None => source.trim_end_matches('/').rsplit('/').next().unwrap_or_default(),
    };
    let label = if label.is_empty() { source.clone() } else { label.to_owned() };
    let mut trailer = Trailer { label, why: printable(why, 300), how, source, ..nobody() };
    take(&mut trailer, SILENT);
    trailer
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::health::{Memory, snapshot};
    use crate::sim::scene::Scene;

    fn heard(scene: &Scene) -> Heard {
        let told = snapshot(&scene.observations(), &mut Memory::default());
        let body = HealthBody::new(&scene.observations(), &told, 7);
        Heard { source: "a".to_owned(), told: Ok(Told::Health(Box::new(body))), their_now: None }
    }

    fn judged(scene: &Scene, later_ms: i64) -> Trailer {
        judge(heard(scene), scene.now.utc.plus_ms(later_ms))
    }

    #[test]
    fn fresh_word_is_believed_with_its_reason_place_and_what_to_bring() {
        let fine = judged(&Scene::standing(), 1000);
        assert_eq!((fine.standing, fine.why.as_str(), fine.drive), (Standing::Fine, "", false));
        assert!(fine.at.is_some() && fine.age_ms == Some(1000));
        let act = judged(&Scene::after_tow(), 1000);
        assert_eq!(act.standing, Standing::Act);
        assert!(act.why.starts_with("Confirm the place lines of Camera 1 and Camera 2."), "{}", act.why);
        assert!(!act.drive && act.bring.is_empty(), "the crew is there: {:?}", act.bring);
    }

    #[test]
    fn word_past_its_time_is_stale_and_says_how_it_was() {
        let stale = judged(&Scene::standing(), 9_600_000);
        assert_eq!(stale.standing, Standing::Stale);
        assert!(
            stale.why.starts_with("Silent for 2 h 40 min, last heard at ") && stale.why.ends_with("It was fine then."),
            "{}",
            stale.why
        );
        assert_eq!(stale.since, Some(Scene::standing().now.utc));
        assert_eq!(stale.bring, SILENT.bring);
    }

    #[test]
    fn word_from_the_future_is_a_clock_fault_and_has_no_age() {
        let fault = judged(&Scene::standing(), -60_000);
        assert_eq!((fault.standing, fault.age_ms, fault.since), (Standing::Stale, None, None));
        assert!(fault.why.starts_with("Clock fault"), "{}", fault.why);
    }

    #[test]
    fn age_is_told_by_the_clock_that_wrote_it_and_a_clock_that_is_apart_is_named() {
        let scene = Scene::standing();
        let theirs = scene.now.utc.plus_ms(5000);
        let told = Heard { their_now: Some(theirs), ..heard(&scene) };
        let trailer = judge(told, theirs.plus_ms(3_600_000));
        assert_eq!((trailer.standing, trailer.age_ms), (Standing::Look, Some(5000)));
        assert_eq!(trailer.why, "Its clock is 60 min behind the one of this computer.");
    }

    #[test]
    fn trailer_that_was_never_heard_keeps_its_address_and_the_reason() {
        let told = Heard {
            source: "https://heron.example/".to_owned(),
            told: Err(("It does not answer.".to_owned(), "Is it on?".to_owned())),
            their_now: None,
        };
        let trailer = judge(told, Utc(0));
        assert_eq!((trailer.standing, trailer.label.as_str()), (Standing::Stale, "heron.example"));
        assert_eq!(trailer.source, "https://heron.example/");
        assert_eq!((trailer.why.as_str(), trailer.drive), ("It does not answer.", true));
    }

    #[test]
    fn public_word_is_told_with_the_way_to_learn_more() {
        let scene = Scene::after_tow();
        let public = crate::wire::told::Public {
            label: "Heron 3".to_owned(),
            word: "act".to_owned(),
            written: scene.now.utc.to_rfc3339(),
            valid_until: scene.now.utc.plus_ms(120_000).to_rfc3339(),
        };
        let told = Heard { source: "a".to_owned(), told: Ok(Told::Public(public)), their_now: None };
        let trailer = judge(told, scene.now.utc);
        assert_eq!(trailer.standing, Standing::Act);
        assert!(trailer.how.contains("token"));
    }

    #[test]
    fn word_that_is_not_known_is_never_taken_for_fine() {
        assert_eq!(standing("splendid"), Standing::Look);
    }
}
