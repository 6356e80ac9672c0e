//! The account in plain language.

use super::account::{Account, GenerationAccount, Numbers};
use super::settle::{Raising, What};
use pintle_core::ids::printable;
use std::fmt;

/// Runs named in one line; the rest is counted (our own limit: a line that a person reads).
const RUNS_NAMED: usize = 6;

/// Settled things named; the older ones are counted (our own limit).
const SETTLED_NAMED: usize = 20;

/// Shows an account as a person reads it, at most 100 columns but for long names.
pub struct Report<'a>(pub &'a Account);

impl fmt::Display for Report<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let account = self.0;
        writeln!(f, "Account of {}", account.written)?;
        if account.generations.is_empty() && account.misuse.is_empty() {
            return writeln!(f, "\nNo trailer has sent anything yet.");
        }
        for generation in &account.generations {
            one(f, generation)?;
        }
        for misuse in account.misuse.iter().filter(|misuse| 0 < misuse.unsettled) {
            writeln!(
                f,
                "\nRAISED: {} was used in the name of {}: {} times, last at {}; nothing of it is stored. Give that \
                 trailer a new one.",
                misuse.owner, misuse.source, misuse.unsettled, misuse.last
            )?;
        }
        settled(f, account)?;
        let verdict = match (account.complete, account.is_raised()) {
            (true, _) => "Complete: every number is here or explained by the trailer's ledger.",
            (false, true) => "In doubt: look at what is raised above.",
            (false, false) => {
                "Not complete. Missing numbers may still wait on their trailer: look at its queue before you call\n\
                 them lost."
            }
        };
        writeln!(f, "\n{verdict}")
    }
}

fn one(out: &mut fmt::Formatter<'_>, account: &GenerationAccount) -> fmt::Result {
    writeln!(out, "\n{}", account.source)?;
    let state = if account.closed { "ended" } else { "open" };
    writeln!(out, "  queue {} ({state})", account.generation)?;
    writeln!(out, "  heard from {} to {}", account.first_heard, account.last_heard)?;
    writeln!(out, "    numbers given out  {:>10}", account.up_to)?;
    writeln!(out, "    here               {:>10}", account.here.count)?;
    if 0 < account.let_go.count {
        writeln!(out, "      of them let go   {:>10}   at their age limit here", account.let_go.count)?;
    }
    for explained in &account.explained_by {
        let Numbers { count, .. } = explained.numbers;
        writeln!(out, "    {:<18} {count:>10}   {}", explained.word, runs(&explained.numbers))?;
    }
    let missing = runs(&account.missing);
    let space = if missing.is_empty() { "" } else { "   " };
    writeln!(out, "    missing            {:>10}{space}{missing}", account.missing.count)?;
    if 0 < account.relayed {
        writeln!(
            out,
            "    relayed            {:>10}   urgent copies; what is complete is judged at the first receiver",
            account.relayed
        )?;
    }
    writeln!(out, "    came again         {:>10}", account.duplicates)?;
    let images = &account.images;
    if 0 < images.announced {
        writeln!(
            out,
            "    pictures here      {:>10}   of {} announced, {} missing",
            images.received, images.announced, images.missing
        )?;
    }
    for (word, count) in &images.never_by {
        writeln!(out, "    pictures {word:<9} {count:>10}   they will not come, says the trailer's ledger")?;
    }
    let blocks = &account.blocks;
    if 0 < blocks.equal + blocks.asked {
        writeln!(out, "    blocks proven      {:>10}   equal to the trailer's, byte for byte", blocks.equal)?;
    }
    if 0 < blocks.asked {
        writeln!(out, "    blocks asked for   {:>10}   they differ; the trailer sends them again", blocks.asked)?;
    }
    if 0 < account.refused {
        writeln!(out, "    refused here       {:>10}   (table refusal says why)", account.refused)?;
    }
    account.raised.iter().try_for_each(|raising| raised(out, raising))
}

fn raised(out: &mut fmt::Formatter<'_>, raising: &Raising) -> fmt::Result {
    let (times, numbers) = (raising.times, Numbers::from(&raising.numbers));
    match raising.what {
        What::Misuse => Ok(()),
        What::Conflicts => writeln!(
            out,
            "    RAISED: {times} times a known id came with another content; both are kept (table conflict)"
        ),
        What::Differs => writeln!(
            out,
            "    RAISED: events differ from the trailer's though they were sent again, in the numbers {}",
            runs(&numbers)
        ),
        What::Purged => writeln!(
            out,
            "    RAISED: {times} events were lost here after their receipt, and the trailer has let them go"
        ),
        What::Unreadable => {
            writeln!(out, "    RAISED: {times} events were lost with damaged parts of the trailer's queue")
        }
        What::Doubled => writeln!(
            out,
            "    RAISED: {times} numbers were given to more than one event: {}; is a copy of the trailer's queue in use?",
            runs(&numbers)
        ),
    }
}

/// What people have settled, the newest last.
fn settled(out: &mut fmt::Formatter<'_>, account: &Account) -> fmt::Result {
    let left_off = account.settled.len().saturating_sub(SETTLED_NAMED);
    for one in account.settled.iter().skip(left_off) {
        let (source, about) = (printable(&one.source, 100), printable(&one.about, 100));
        let (by, why) = (printable(&one.by, 80), printable(&one.why, 400));
        writeln!(out, "\nSettled: {}, {source}, {about}: {} until {}\n  by {by}: {why}", one.what, one.times, one.at)?;
    }
    if 0 < left_off {
        writeln!(out, "\nand {left_off} older ones (table settled)")?;
    }
    Ok(())
}

fn runs(numbers: &Numbers) -> String {
    let all = numbers.runs.len() + numbers.runs_left_off;
    let mut named: Vec<String> = numbers
        .runs
        .iter()
        .take(RUNS_NAMED)
        .map(|run| if run.from == run.to { run.from.to_string() } else { format!("{}-{}", run.from, run.to) })
        .collect();
    if RUNS_NAMED < all {
        named.push(format!("and {} more runs", all - RUNS_NAMED));
    }
    named.join(", ")
}
