//! Measures the receiver's database with few and with many reads in it:
//! `cargo run --release --example receiver_speed -- [EVENTS] [FOLDER]`.
//!
//! Prints what storing, repeats and look-ups cost with 10,000 reads and with EVENTS (10,000,000), side by side, and by
//! which plans the database finds them. The reads go through the code that writes what came by HTTP; each takes about
//! 1 kB of disk.

use anyhow::{Context, ensure};
use pintle::receive::check::{Event, Incoming, check_body};
use pintle::receive::schema::{open_reader, open_writer};
use pintle::receive::store::Batch;
use pintle::receive::write::Writing;
use pintle_core::ids::EventId;
use pintle_core::moment::Utc;
use pintle_core::queue::EventKind;
use pintle_core::wire::event::{EventParts, batch, encode};
use pintle_core::wire::receipt::ReceiptResult;
use rusqlite::Connection;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Instant;

const SOURCE: &str = "urn:pintle:trailer:heron-3";
const GENERATION: &str = "0190a000-0000-7000-8000-00000000000a";
const BEGAN_MS: u64 = 1_795_608_000_000;
/// Events of one request, as a trailer sends them.
const A_REQUEST: u64 = 200;
/// Requests that are measured.
const REQUESTS: u64 = 100;
/// Look-ups that are measured.
const LOOKUPS: u64 = 2000;
/// Filling ends when the disk has less than this, bytes.
const FREE_MIN: u64 = 5 << 30;
const STAMP: &str = r#"{"stamp_revision":1,"place":{"lat":44.51,"lon":-30.19,"radius95_m":4.0,"site":1,"spot":"site",
    "state":"certain","line":"Quernstone Road at Brackwater Lane","line_state":"confirmed"},
    "clock":{"trust":"gps","offset_ms":3}}"#;

/// A number that looks random, the same for the same input (source: `splitmix64`, Vigna, public domain).
fn mixed(n: u64) -> u64 {
    let mut x = n.wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ (x >> 31)
}

/// Time-ordered, as a trailer makes them: twenty reads a second.
fn id(number: u64) -> EventId {
    EventId((u128::from(BEGAN_MS + number * 50) << 80 | u128::from(mixed(number))).to_be_bytes())
}

fn event(number: u64) -> anyhow::Result<Vec<u8>> {
    let body = format!(
        concat!(
            r#"{{"camera":"north","captured_at":"2026-11-25T12:00:00Z","plate":"QX{}","plate_state":"read","#,
            r#""confidence":0.93,"heading":"approaching","lane":2}}"#
        ),
        mixed(number) % 1_000_000
    );
    Ok(encode(&EventParts {
        source: SOURCE,
        generation: GENERATION,
        sequence: number,
        id: id(number),
        kind: EventKind::Read,
        happened_at: Utc(i64::try_from(BEGAN_MS + number * 50)?),
        sent_at: Utc(i64::try_from(BEGAN_MS + number * 50)? + 900),
        salt: Some(&[7; 16]),
        body: body.as_bytes(),
        stamp: Some(STAMP.as_bytes()),
        hit: false,
        sealed: false,
        images: None,
    })?)
}

/// Requests with the numbers `first..first + count`, checked as they would be on their way in.
fn checked(first: u64, count: u64) -> anyhow::Result<Vec<Incoming>> {
    let events = (first..first + count).map(event).collect::<anyhow::Result<Vec<_>>>()?;
    Ok(check_body(SOURCE, &batch(&events))?)
}

fn batch_of(events: Vec<Incoming>, accepted_up_to: u64) -> Batch {
    let generation = GENERATION.to_owned();
    Batch { source: SOURCE.to_owned(), generation, accepted_up_to, relayed: false, received_at: Utc(0), events }
}

/// A checked event under another number: filling ten million through the parser would take an hour more.
fn renumbered(template: &Event, number: u64) -> anyhow::Result<Incoming> {
    let text = id(number).to_string();
    let mut stamp = pintle::receive::content::StampRow {
        read_id: text.clone(),
        revision: 1,
        place: template.stamp.as_ref().context("a read without a stamp")?.place.clone(),
        clock: template.stamp.as_ref().context("a read without a stamp")?.clock.clone(),
    };
    stamp.revision = 1;
    let mut content_hash = [0; 32];
    for (at, part) in content_hash.chunks_mut(8).enumerate() {
        part.copy_from_slice(&mixed(number ^ (at as u64) << 60).to_be_bytes());
    }
    Ok(Incoming::Good(Box::new(Event {
        id: text,
        kind: EventKind::Read,
        generation: GENERATION.to_owned(),
        sequence: number,
        time: template.time.clone(),
        sent_at: None,
        late_told_s: None,
        hit: false,
        content_hash,
        data: template.data.clone(),
        stamp: Some(stamp),
        images: Vec::new(),
        sealed: None,
        ledger: None,
        digest: None,
        leaf: Some(([7; 16], content_hash)),
    })))
}

/// As the receiver's thread does behind its answers: once the log is long.
fn write_back(writing: &Writing) -> anyhow::Result<()> {
    let log = writing.connection();
    if 4000 <= log.query_row("PRAGMA wal_checkpoint(NOOP)", [], |row| row.get::<_, i64>(1))? {
        log.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()))?;
    }
    Ok(())
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn main() -> anyhow::Result<()> {
    let mut args = std::env::args().skip(1);
    let events: u64 = args.next().map_or(Ok(10_000_000), |n| n.parse()).context("EVENTS must be a number")?;
    let within = args.next().map_or_else(|| PathBuf::from("."), PathBuf::from);
    let mut out = std::io::stdout().lock();
    for (last, count) in [(false, 10_000), (true, events)] {
        let folder = tempfile::tempdir_in(&within)?;
        measure(folder.path(), count, last, &mut out)?;
    }
    Ok(())
}

fn measure(folder: &Path, count: u64, tell_plans: bool, out: &mut impl Write) -> anyhow::Result<()> {
    let mut writing = Writing::new(open_writer(folder)?, pintle::receive::lived::LivedClock::default());
    let Some(Incoming::Good(template)) = checked(1, 1)?.pop() else { anyhow::bail!("the event is refused") };
    let began = Instant::now();
    for first in (1..=count).step_by(2000) {
        let numbers = first..(first + 2000).min(count + 1);
        let batch = batch_of(numbers.map(|n| renumbered(&template, n)).collect::<anyhow::Result<_>>()?, count);
        writing.group(&[&batch])?;
        write_back(&writing)?;
        if first % 200_000 == 1 {
            let disk = nix::sys::statvfs::statvfs(folder)?;
            let free = disk.blocks_available() * disk.fragment_size();
            ensure!(FREE_MIN < free, "only {free} bytes are free on this disk: others may need them");
        }
    }
    writeln!(out, "receiver with {count} reads (stored in {:.0} s)", began.elapsed().as_secs_f64())?;
    let bytes = std::fs::metadata(folder.join("receiver.db"))?.len();
    writeln!(out, "  disk per read, bytes                   {:>10}", bytes / count)?;
    let (mut stored_us, mut repeat_us) = (Vec::new(), Vec::new());
    for request in 0..REQUESTS {
        let first = count + 1 + request * A_REQUEST;
        for (us, want) in [(&mut stored_us, ReceiptResult::Stored), (&mut repeat_us, ReceiptResult::Duplicate)] {
            let batch = batch_of(checked(first, A_REQUEST)?, first + A_REQUEST - 1);
            let began = Instant::now();
            let stored = writing.group(&[&batch])?;
            us.push(began.elapsed().as_secs_f64() * 1e6);
            write_back(&writing)?;
            ensure!(stored[0].receipts.iter().all(|receipt| receipt.result == want), "not all are {want:?}");
        }
    }
    writeln!(out, "  storing {A_REQUEST} new reads, synced, µs (median) {:>8.0}", median(stored_us))?;
    writeln!(out, "  {A_REQUEST} repeats of the newest, µs (median)    {:>8.0}", median(repeat_us))?;
    let reader = open_reader(folder)?;
    let (by_id, by_number) = (lookup(&reader, BY_ID, count, true)?, lookup(&reader, BY_NUMBER, count, false)?);
    writeln!(out, "  look-up of any read by id, µs (median)      {by_id:>8.1}")?;
    writeln!(out, "  look-up of any read by number, µs (median)  {by_number:>8.1}")?;
    if tell_plans {
        for (name, sql) in [
            ("is this id known", "SELECT no, content_hash FROM event WHERE trailer = 1 AND id = 'x'"),
            ("by id", BY_ID),
            ("by number", BY_NUMBER),
            ("stamps of a read", "SELECT revision FROM stamp WHERE trailer = 1 AND read_id = 'x'"),
        ] {
            let mut statement = reader.prepare(&format!("EXPLAIN QUERY PLAN {sql}"))?;
            let mut rows = statement.raw_query();
            let mut steps = Vec::new();
            while let Some(row) = rows.next()? {
                steps.push(row.get::<_, String>("detail")?);
            }
            writeln!(out, "  plan, {name}: {}", steps.join("; "))?;
        }
    }
    Ok(())
}

const BY_ID: &str = "SELECT data, line FROM reads WHERE source = 'urn:pintle:trailer:heron-3' AND id = ?1";
const BY_NUMBER: &str = "SELECT data, line FROM reads WHERE source = 'urn:pintle:trailer:heron-3' AND sequence = ?1 \
     AND generation = '0190a000-0000-7000-8000-00000000000a'";

/// Looks reads up that lie anywhere, one after the other, µs each.
fn lookup(reader: &Connection, sql: &str, count: u64, by_id: bool) -> anyhow::Result<f64> {
    let mut statement = reader.prepare(sql)?;
    let mut took_us = Vec::new();
    for n in 0..LOOKUPS {
        let number = 1 + mixed(n) % count;
        let (text, sequence) = (id(number).to_string(), i64::try_from(number)?);
        let began = Instant::now();
        let data: String = if by_id {
            statement.query_row([text], |row| row.get(0))?
        } else {
            statement.query_row([sequence], |row| row.get(0))?
        };
        took_us.push(began.elapsed().as_secs_f64() * 1e6);
        ensure!(data.contains("north"), "another read");
    }
    Ok(median(took_us))
}
