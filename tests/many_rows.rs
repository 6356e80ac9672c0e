//! The share of the figures that runs with every change: a hundred thousand rows, and the plans by which ten million
//! cost no more each. `cargo run --release --example figures` measures the rest (`docs/BENCHMARKS.md`).
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::clock;
use pintle::config::Queue;
use pintle::receive::schema::open_writer;
use pintle::store::{NewEvent, Settled, StoreHandle, open};
use pintle_core::ids::CameraId;
use pintle_core::moment::{Moment, UtcTrust};
use pintle_core::queue::{EventKind, Lane};

const ROWS: u64 = 100_000;
/// What a waiting read of 1 kB may take on the disk, bytes.
const DISK_BYTES_MAX: u64 = 1600;

fn now() -> Moment {
    clock::moment(UtcTrust::Network)
}

/// A read of 1,000 bytes, with one of eleven stamps of 330.
fn read(n: u64) -> NewEvent {
    let id = StoreHandle::new_event_id();
    let padded = |text: String, fill: &str, len: usize, end: &str| {
        let filler = fill.repeat(len - text.len() - end.len());
        (text + &filler + end).into_bytes()
    };
    NewEvent {
        id,
        kind: EventKind::Read,
        lane: Lane::Bulk,
        camera: CameraId::new("north").ok(),
        happened_at: clock::utc(),
        body: padded(format!("{{\"id\":\"{id}\",\"extra\":\""), "x", 1000, "\"}"),
        stamp: Some(padded(format!("{{\"stamp_revision\":1,\"age\":{},\"line\":\"", n % 11), "y", 330, "\"}")),
        hit: false,
        stamp_open: false,
        images: Vec::new(),
    }
}

#[tokio::test]
async fn a_hundred_thousand_waiting_reads_take_their_room_and_no_more_and_go_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let limits = Queue { disk_free_min_mib: 0, ballast_mib: 0, ..Queue::PLAIN };
    let store = open(folder.path(), &limits, now()).unwrap();
    for first in (0..ROWS).step_by(2000) {
        store.accept((first..first + 2000).map(read).collect(), now()).await.unwrap();
    }
    store.close().await.unwrap();
    let each = std::fs::metadata(folder.path().join("queue.db")).unwrap().len() / ROWS;
    assert!(each <= DISK_BYTES_MAX, "{each} bytes a read");
    let store = open(folder.path(), &limits, now()).unwrap();
    store.accept(vec![read(ROWS)], now()).await.unwrap();
    let mut last = 0;
    for _ in 0..20 {
        let leased = store.lease(Lane::Bulk, 100, 1 << 20, now()).await.unwrap();
        let outcomes: Vec<_> = leased.iter().map(|event| (event.sequence, Settled::Delivered)).collect();
        assert_eq!(outcomes.len(), 100);
        // The fresh one comes first among them, and each batch goes by number.
        for (sequence, _) in &outcomes {
            assert!(last < *sequence || ROWS <= last, "{sequence} after {last}");
            last = *sequence;
        }
        if ROWS <= last {
            last = outcomes[outcomes.len() - 2].0;
        }
        store.settle(outcomes, now()).await.unwrap();
    }
    let counts = store.figures().await.unwrap().counts;
    // The opening of the generation is an event too, and blocks are told in events of their own.
    assert!(ROWS + 2 <= counts.accepted && counts.delivered == 2000, "{counts:?}");
    assert_eq!(counts.not_accounted(), 0, "{counts:?}");
    store.close().await.unwrap();
}

#[test]
fn our_receiver_finds_reads_by_id_and_by_number_without_a_scan() {
    let folder = tempfile::tempdir().unwrap();
    let conn = open_writer(folder.path()).unwrap();
    let source = "source = 'urn:pintle:trailer:heron-3'";
    let table = [
        // A unique key of its own: `sqlite_autoindex_event_1`.
        ("SELECT no FROM event WHERE trailer = 1 AND id = 'x'".to_owned(), "(trailer=? AND id=?)"),
        (
            "SELECT 1 FROM stamp WHERE trailer = 1 AND read_id = 'x' AND revision = 1".to_owned(),
            "(trailer=? AND read_id=? AND revision=?)",
        ),
        (format!("SELECT data FROM reads WHERE {source} AND id = 'x'"), "(trailer=? AND id=?)"),
        (
            format!("SELECT data FROM reads WHERE {source} AND generation = 'g' AND sequence = 5"),
            "event_number (generation=? AND sequence=?)",
        ),
    ];
    for (sql, want) in table {
        let mut plan = Vec::new();
        let mut statement = conn.prepare(&format!("EXPLAIN QUERY PLAN {sql}")).unwrap();
        let mut rows = statement.raw_query();
        while let Some(row) = rows.next().unwrap() {
            plan.push(row.get::<_, String>("detail").unwrap());
        }
        assert!(plan.iter().any(|step| step.contains(want)), "{sql}: {plan:?}");
        assert!(plan.iter().all(|step| !step.starts_with("SCAN")), "{sql}: {plan:?}");
    }
}
