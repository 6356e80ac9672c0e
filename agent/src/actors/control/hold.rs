//! The verbs of holds: what is kept past its age limit for a case, and how many reads that are now.

use super::ControlSetup;
use crate::clock;
use crate::store::StoreError;
use pintle_core::queue::holds::{HOLDS_MAX, HoldAsked, HoldChange};
use pintle_core::wire::control::Verb;
use pintle_core::wire::hold::HoldBody;
use pintle_core::wire::problem::Problem;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// Reads are counted for so long at most, ms (our own limit: well within what a command waits for its answer); then it
/// is said that there are at least so many.
const COUNT_MS: u64 = 3000;
/// Sites that are named to whoever asked for another (our own limit: a line of a terminal).
const SITES_NAMED: usize = 20;

pub(super) async fn answer(setup: &ControlSetup, verb: &Verb) -> Result<Value, Box<Problem>> {
    let changed = match verb {
        Verb::Hold(change) => Some(changed(setup, change).await?),
        _ => None,
    };
    let holds = setup.store.holds().await.map_err(|error| no_queue(&error))?;
    let now = clock::utc();
    let mut rows: Vec<HoldBody> = holds
        .iter()
        .filter(|(hold, _)| !hold.ended)
        .map(|(hold, left_ms)| HoldBody::shown(hold, *left_ms, now))
        .collect();
    if !rows.is_empty() {
        // What was done is done, whether or not it can be counted.
        if let Ok((reads, is_whole)) = count(setup).await {
            for row in &mut rows {
                (row.reads, row.reads_at_least) = (Some(reads.get(&row.hold).copied().unwrap_or(0)), !is_whole);
            }
        }
    }
    // What can't be read is told with every answer: nothing is let go before all holds are made anew.
    let unreadable = setup.store.figures().await.is_ok_and(|figures| figures.holds.unreadable);
    Ok(match (changed, verb) {
        (Some(_), Verb::Hold(HoldChange::Anew)) => json!({ "anew": true, "holds": rows, "unreadable": unreadable }),
        (Some(number), _) => json!({ "hold": number, "holds": rows, "unreadable": unreadable }),
        (None, _) => json!({ "holds": rows, "unreadable": unreadable }),
    })
}

/// How many reads each hold keeps now, and whether all events were looked at.
async fn count(setup: &ControlSetup) -> Result<(BTreeMap<u64, u64>, bool), StoreError> {
    let (began, mut reads, mut after) = (clock::mono(), BTreeMap::new(), 0);
    loop {
        let part = setup.store.held(after).await?;
        for (hold, more) in part.reads {
            *reads.entry(hold).or_default() += more;
        }
        match part.next {
            None => return Ok((reads, true)),
            Some(_) if COUNT_MS <= clock::mono().since_ms(began) => return Ok((reads, false)),
            Some(next) => after = next,
        }
    }
}

async fn changed(setup: &ControlSetup, change: &HoldChange) -> Result<u64, Box<Problem>> {
    if let HoldChange::Add(HoldAsked { site: Some(site), .. }) = change {
        site_is_known(setup, *site).await?;
    }
    let now = clock::moment(setup.position.borrow().utc_trust);
    let number = setup.store.hold(change.clone(), now).await.map_err(|error| no_queue(&error))?;
    number.ok_or_else(|| match change {
        HoldChange::Add(_) => {
            let detail = format!("there are {HOLDS_MAX} holds; end those that no case needs any more");
            Problem::new("too-many-holds", 409, "There are too many holds", detail)
        }
        HoldChange::Renew { number, .. } | HoldChange::End { number } => {
            let detail = format!("there is no hold with the number {number}; `pintle hold list` shows them");
            Problem::new("no-such-hold", 404, "There is no such hold", detail)
        }
        HoldChange::Anew => {
            let detail = "all holds can be read; `pintle hold list` shows them".to_owned();
            Problem::new("no-hold-lost", 409, "No hold was lost", detail)
        }
    })
}

/// A hold of a site where the trailer never stood would keep nothing and look like a success. A site is known as long
/// as a read names it or the site keeper remembers it.
async fn site_is_known(setup: &ControlSetup, site: u64) -> Result<(), Box<Problem>> {
    let mut known: BTreeSet<u64> = setup.store.sites().await.map_err(|error| no_queue(&error))?;
    {
        let position = setup.position.borrow();
        known.extend(position.site.iter().map(|site| site.id.0));
        known.extend(position.history.iter().map(|site| site.id.0));
        known.extend(position.places.sites.keys().map(|site| site.0));
    }
    if known.contains(&site) {
        return Ok(());
    }
    let newest: Vec<String> = known.iter().rev().take(SITES_NAMED).map(u64::to_string).collect();
    let detail = if newest.is_empty() {
        format!("there is no site {site}; this trailer knows none yet, so hold the reads of a camera")
    } else {
        format!("there is no site {site}; there are, newest first, {}", newest.join(", "))
    };
    let mut problem = Problem::new("no-such-site", 404, "There is no such site", detail);
    problem.field = Some("args.place".to_owned());
    Err(problem)
}

fn no_queue(error: &StoreError) -> Box<Problem> {
    Problem::new("queue", 503, "The queue can't do that now", format!("{error}; {}", error.advice()))
}
