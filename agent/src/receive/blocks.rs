//! Compares blocks of events with what the trailer tells of them, and says what must be sent once more.

use super::check::what_is_wrong;
use crate::proof;
use pintle_core::moment::Utc;
use pintle_core::queue::blocks::{BLOCK, HASH_BYTES, Leaf, block_of, first_of, from_hex, last_of};
use pintle_core::queue::ranges::RangeSet;
use pintle_core::wire::digest::{BlockBody, DigestBody, VERSION};
use pintle_core::wire::receipt::Resend;
use rusqlite::{Connection, OptionalExtension, Result, params};

/// Blocks in one digest (our own limit: a trailer tells at most a hundred at once).
const BLOCKS_MAX: usize = 1000;

/// A block that differs is asked for at most so often (our own limit); then the difference is raised and stays.
pub const ROUNDS_MAX: i64 = 3;

/// What a digest event tells.
pub struct Digest {
    /// Generation that it is about.
    pub generation: String,
    /// Its blocks.
    pub blocks: Vec<Told>,
}

/// One block as the trailer has it.
pub struct Told {
    first: u64,
    last: u64,
    root: [u8; HASH_BYTES],
    count: u64,
    /// Numbers of it that count: all but those that the trailer names as having no leaf.
    with: RangeSet,
}

/// Reads `data` of a digest event.
///
/// # Errors
/// What is wrong, one sentence.
pub(super) fn digest(data: &str) -> std::result::Result<Digest, String> {
    let seen: DigestBody = serde_json::from_str(data).map_err(|error| what_is_wrong("data of a digest", &error))?;
    if seen.v != VERSION {
        return Err(format!("data.v is a version that this receiver does not know; it knows {VERSION}"));
    }
    if BLOCKS_MAX < seen.blocks.len() {
        return Err(format!("data.blocks has more than {BLOCKS_MAX} blocks"));
    }
    let blocks: Option<Vec<Told>> = seen.blocks.iter().map(told).collect();
    let wanted = "data.blocks: each needs first 1, 1001, 2001 …, last in the same block, runs of not in between, and the \
                  count that follows from them";
    Ok(Digest { generation: seen.generation, blocks: blocks.ok_or(wanted)? })
}

fn told(body: &BlockBody) -> Option<Told> {
    let block = block_of(body.first);
    let in_block = first_of(block) == body.first && (body.first..=last_of(block)).contains(&body.last);
    if !in_block || i64::try_from(body.last).is_err() || BLOCK < body.not.len() as u64 {
        return None;
    }
    let mut not = RangeSet::default();
    for run in &body.not {
        if run.from < body.first || run.to < run.from || body.last < run.to {
            return None;
        }
        not.insert_run(run.from, run.to);
    }
    let with = not.gaps(body.first, body.last);
    (with.len() == body.count).then_some(())?;
    Some(Told { first: body.first, last: body.last, root: from_hex(&body.root)?, count: body.count, with })
}

/// Compares each block of a digest with the events here, writes the verdict down, and lists what is to be sent again.
/// `again`: the digest itself was here before, so that the answer to it was lost; that is no new round.
pub(super) fn compare(
    work: &Connection,
    generation: i64,
    digest: &Digest,
    again: bool,
    now: Utc,
) -> Result<Vec<Resend>> {
    let mut wanted = Vec::new();
    for block in &digest.blocks {
        for (from, to) in one(work, generation, &digest.generation, (block, again), now)?.runs() {
            wanted.push(Resend { generation: digest.generation.clone(), from, to });
        }
    }
    Ok(wanted)
}

fn one(work: &Connection, generation: i64, name: &str, (told, again): (&Told, bool), now: Utc) -> Result<RangeSet> {
    let known: Option<(i64, [u8; HASH_BYTES], String, i64)> = work
        .prepare_cached("SELECT last, root, verdict, rounds FROM block WHERE generation = ? AND first = ?")?
        .query_row([generation, signed(told.first)], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))
        .optional()?;
    if let Some((last, root, verdict, _)) = &known {
        if signed(told.last) < *last {
            return Ok(RangeSet::default()); // an older telling, overtaken on its way
        }
        if *last == signed(told.last) && *root == told.root && verdict == "equal" {
            return Ok(RangeSet::default()); // what was proven once stays so, also after the events have gone here
        }
    }
    let here = leaves(work, generation, told)?;
    let given_up = known.as_ref().is_some_and(|(_, _, verdict, _)| verdict == "differs");
    let rounds = known.map_or(0, |(_, _, _, rounds)| rounds);
    let (verdict, rounds, wanted) = if here.len() as u64 == told.count && proof::root(name, &here) == told.root {
        ("equal", 0, RangeSet::default())
    } else if if again { given_up } else { ROUNDS_MAX <= rounds } {
        ("differs", rounds, RangeSet::default())
    } else {
        let have: RangeSet = here.iter().map(|(sequence, _)| *sequence).collect();
        let missing = told.with.without(&have);
        // All numbers are here, so one of them holds something else; which one, only sending them again can show.
        ("asked", rounds + i64::from(!again), if missing.is_empty() { told.with.clone() } else { missing })
    };
    if verdict == "equal" {
        work.prepare_cached("DELETE FROM gone_leaf WHERE generation = ?1 AND sequence BETWEEN ?2 AND ?3")?
            .execute([generation, signed(told.first), signed(told.last)])?;
    }
    work.prepare_cached(
        "INSERT INTO block (generation, first, last, count, root, verdict, rounds, told_at)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
         ON CONFLICT (generation, first) DO UPDATE SET last = excluded.last, count = excluded.count,
           root = excluded.root, verdict = excluded.verdict, rounds = excluded.rounds, told_at = excluded.told_at",
    )?
    .execute(params![
        generation,
        signed(told.first),
        signed(told.last),
        signed(told.count),
        told.root,
        verdict,
        rounds,
        now.0
    ])?;
    Ok(wanted)
}

/// Number and leaf of the events here that count in the block, rising, one for each number.
fn leaves(work: &Connection, generation: i64, told: &Told) -> Result<Vec<(u64, Leaf)>> {
    let mut rows = work.prepare_cached(
        "SELECT sequence, leaf FROM event WHERE generation = ?1 AND sequence BETWEEN ?2 AND ?3 AND leaf IS NOT NULL
         UNION SELECT sequence, leaf FROM renumbered WHERE generation = ?1 AND sequence BETWEEN ?2 AND ?3
           AND leaf IS NOT NULL
         UNION SELECT sequence, leaf FROM gone_leaf WHERE generation = ?1 AND sequence BETWEEN ?2 AND ?3
         ORDER BY sequence",
    )?;
    let rows = rows.query_map([generation, signed(told.first), signed(told.last)], |row| {
        Ok((u64::try_from(row.get::<_, i64>(0)?).unwrap_or(0), row.get::<_, Leaf>(1)?))
    })?;
    let mut leaves = Vec::new();
    for row in rows {
        let (sequence, leaf) = row?;
        // A second event under one number has a leaf of its own, and the roots differ, as they should.
        if told.with.contains(sequence) {
            leaves.push((sequence, leaf));
        }
    }
    Ok(leaves)
}

/// A number for the database; those past its range were refused before.
fn signed(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn a_digest_whose_numbers_do_not_fit_together_is_refused() {
        let data = |first: u64, last: u64, count: u64, not: &str| {
            let root = "0".repeat(64);
            format!(
                r#"{{"v":1,"generation":"0190a000-0000-7000-8000-00000000000a",
                    "blocks":[{{"first":{first},"last":{last},"count":{count},"root":"{root}"{not}}}]}}"#
            )
        };
        let good = digest(&data(1001, 1010, 8, r#","not":[{"from":1003,"to":1004}]"#)).unwrap();
        assert_eq!(good.blocks[0].with.runs().collect::<Vec<_>>(), [(1001, 1002), (1005, 1010)]);
        for bad in [
            data(2, 10, 9, ""),
            data(1, 1001, 1001, ""),
            data(1001, 1000, 0, ""),
            data(1, 10, 9, ""),
            data(1, 10, 9, r#","not":[{"from":11,"to":11}]"#),
            data(1, 10, 10, r#","not":[{"from":3,"to":2}]"#),
            data(1, 10, 10, "").replace(&"0".repeat(64), "00"),
            data(1, 10, 10, "").replace("\"v\":1", "\"v\":2"),
        ] {
            assert!(digest(&bad).is_err(), "{bad}");
        }
    }
}
