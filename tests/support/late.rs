//! A hit that is late when it is handed over, although its bytes were fixed when it was fresh.
#![expect(clippy::unwrap_used, reason = "tests")]

use pintle::clock;
use pintle::config::Queue;
use pintle::store::{NewEvent, Settled, open};
use pintle_core::ids::{CameraId, EventId};
use pintle_core::moment::{Moment, UtcTrust};
use pintle_core::queue::{EventKind, Lane};
use std::path::Path;

/// How long ago the hit was captured and first sent, s.
pub(crate) const AGO_S: i64 = 7200;

/// A queue with a hit that was sent a second after its capture, two hours ago, and answered by nobody.
pub(crate) async fn sent_long_ago(folder: &Path) {
    let now = clock::moment(UtcTrust::Network);
    let then = Moment { utc: now.utc.plus_ms(-AGO_S * 1000), ..now };
    let limits =
        Queue { waiting_keep_s: 2_592_000, hit_waiting_keep_s: 2_592_000, disk_free_min_mib: 0, ..Queue::PLAIN };
    let store = open(folder, &limits, then).unwrap();
    let hit = r#""hit":{"list":"demo","list_time":"2026-11-25T00:00:00Z","entry":"E1"}"#;
    let body = format!(
        r#"{{"id":"{}","camera":"north","captured_at":"{}","plate":"QX1","plate_state":"read",{hit}}}"#,
        EventId([9; 16]),
        then.utc.to_rfc3339(),
    );
    let stamp = r#"{"stamp_revision":1,"clock":{"trust":"gps"},
        "place":{"spot":"unknown","state":"none","line":"x","line_state":"missing"}}"#;
    let hit = NewEvent {
        id: EventId([9; 16]),
        kind: EventKind::Read,
        lane: Lane::Urgent,
        camera: Some(CameraId::new("north").unwrap()),
        happened_at: then.utc,
        body: body.into_bytes(),
        stamp: Some(stamp.as_bytes().to_vec()),
        hit: true,
        stamp_open: false,
        images: Vec::new(),
    };
    store.accept(vec![hit], then).await.unwrap();
    let soon = Moment { utc: then.utc.plus_ms(1000), mono: then.mono.plus_ms(1000), ..then };
    let leased = store.lease(Lane::Urgent, 100, 1 << 20, soon).await.unwrap();
    let read = leased.iter().find(|event| event.kind == EventKind::Read).unwrap();
    assert_eq!(read.sent_at, soon.utc);
    store.settle(leased.iter().map(|event| (event.sequence, Settled::Released)).collect(), soon).await.unwrap();
    store.close().await.unwrap();
}
