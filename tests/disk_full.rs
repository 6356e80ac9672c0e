//! A full disk, on a small file system of its own: reads are refused with what to do, nothing that was accepted is
//! lost, and the service comes back by itself when there is space.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "support/door.rs"]
#[allow(dead_code, unreachable_pub, reason = "each test uses a part of it")]
mod door;
#[path = "support/trailer.rs"]
mod trailer;

use door::{Door, READ};
use pintle_core::queue::Lane;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

/// A mounted file system that goes when it is dropped.
struct SmallDisk(PathBuf);

impl SmallDisk {
    /// 24 MiB of ext4 in a loop-mounted file below `folder`; `None` if this machine doesn't let us.
    fn mount(folder: &Path) -> Option<Self> {
        Self::mount_at(folder, folder.join("disk"))
    }

    fn mount_at(folder: &Path, at: PathBuf) -> Option<Self> {
        let image = folder.join("disk.img");
        std::fs::create_dir(&at).unwrap();
        std::fs::File::create(&image).unwrap().set_len(24 << 20).unwrap();
        let done = |command: &mut Command| command.output().is_ok_and(|output| output.status.success());
        let made = done(Command::new("mkfs.ext4").args(["-q", "-m", "0"]).arg(&image))
            && done(Command::new("mount").args(["-o", "loop"]).arg(&image).arg(&at));
        made.then_some(Self(at))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let unmounted = Command::new("umount").arg("--lazy").arg(&self.0).status();
        assert!(unmounted.is_ok_and(|status| status.success()), "{} stays mounted", self.0.display());
    }
}

fn read(n: u32) -> String {
    let mut read: Value = serde_json::from_str(READ).unwrap();
    read["captured_at"] = format!("2026-11-25T12:{:02}:{:02}.000Z", n / 60 % 60, n % 60).into();
    read["plate"] = format!("Q{n}").into();
    read.to_string()
}

fn not_run() {
    assert!(std::env::var("PINTLE_RIGS").as_deref() != Ok("all"), "needs root, mkfs.ext4 and loop mounts");
    drop(writeln!(std::io::stderr(), "not run: needs root, mkfs.ext4 and loop mounts"));
}

/// The whole agent, ten reads a second; ten minutes without a free byte by `PINTLE_ROW_FULL_S=600`.
#[test]
fn row_05_disk_full_recover_by_itself_and_health_stays_fresh_all_the_while() {
    let full_s = std::env::var("PINTLE_ROW_FULL_S").map_or(2, |text| text.parse().unwrap());
    let mut trailer = trailer::Trailer::new("");
    let Some(disk) = SmallDisk::mount_at(trailer.folder(), trailer.state_dir()) else { return not_run() };
    trailer.start();
    let (pid, mut number, mut taken, mut refused) = (trailer.pid(), 0_u32, Vec::new(), 0_u32);
    let mut hand_in = |trailer: &trailer::Trailer| {
        number += 1;
        let plate = format!("QX {number}");
        let status = trailer.read(&plate);
        match status {
            202 => taken.push(plate),
            503 => refused += 1,
            other => panic!("{other}: {}", trailer.log()),
        }
        std::thread::sleep(Duration::from_millis(100));
        status
    };
    let mut oldest_s = 0;
    let mut look = |trailer: &trailer::Trailer| {
        let written = trailer.health()["written"].as_str().and_then(pintle_core::moment::Utc::parse_rfc3339);
        oldest_s = oldest_s.max(written.map_or(0, |written| pintle::clock::utc().since_ms(written) / 1000));
    };
    for _ in 0..10 {
        assert_eq!(hand_in(&trailer), 202);
    }
    let filler = disk.0.join("filler");
    let mut file = std::fs::File::create(&filler).unwrap();
    for block in [1 << 20, 4096, 1] {
        while file.write_all(&vec![7; block]).is_ok() {}
    }
    let until = Instant::now() + Duration::from_secs(full_s);
    let (mut accepted_full, mut since) = (0, Instant::now());
    while Instant::now() < until {
        accepted_full += u32::from(hand_in(&trailer) == 202);
        look(&trailer);
        // What the agent itself lets go is taken again at once.
        if 1 <= since.elapsed().as_secs() {
            while file.write_all(&[7; 4096]).is_ok() {}
            since = Instant::now();
        }
    }
    drop(file);
    std::fs::remove_file(&filler).unwrap();
    let free = Instant::now();
    while hand_in(&trailer) != 202 {
        assert!(free.elapsed() < Duration::from_mins(1), "not back by itself: {}", trailer.log());
    }
    let back = free.elapsed();
    look(&trailer);
    assert_eq!(trailer.pid(), pid);
    assert!(trailer.stop().success(), "no crash in between");
    let queue = rusqlite::Connection::open(trailer.state_dir().join("queue.db")).unwrap();
    let mut rows = queue.prepare("SELECT CAST(body AS TEXT) FROM events WHERE kind = 0").unwrap();
    let bodies: Vec<String> = rows.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    drop(rows);
    queue.close().unwrap();
    let there = |plate: &String| bodies.iter().any(|body| body.contains(&format!("\"{plate}\"")));
    let lost = taken.iter().filter(|plate| !there(plate)).count();
    let said = format!(
        "row 5: full for {full_s} s: {refused} refused, {accepted_full} taken meanwhile, {lost} of {} accepted lost, health \
         at most {oldest_s} s old, back after {} ms",
        taken.len(),
        back.as_millis()
    );
    drop(writeln!(std::io::stderr(), "{said}"));
    assert!(0 < refused && lost == 0 && oldest_s <= 15 && back < Duration::from_secs(30), "{said}");
}

#[tokio::test]
async fn row_05_disk_full_recover() {
    let folder = tempfile::tempdir().unwrap();
    let Some(disk) = SmallDisk::mount(folder.path()) else {
        return not_run();
    };
    let mut door = Door::open_in(tempfile::tempdir().unwrap(), &disk.0.join("state"), |_, _| {}).await;
    let mut taken = BTreeSet::new();
    let mut take = |answered: &door::Reply| {
        if answered.status == 202 {
            taken.insert(answered.body["accepted"][0]["id"].as_str().unwrap().to_owned());
        }
        answered.status
    };
    for n in 0..20 {
        assert_eq!(take(&door.post_read(&read(n)).await), 202);
    }
    // Fill it to the last byte.
    let filler = disk.0.join("filler");
    let mut file = std::fs::File::create(&filler).unwrap();
    for block in [1 << 20, 4096, 1] {
        while file.write_all(&vec![7; block]).is_ok() {}
    }
    let until = Instant::now() + Duration::from_secs(10);
    let mut n = 20;
    let refused = loop {
        let answered = door.post_read(&read(n)).await;
        n += 1;
        if take(&answered) != 202 {
            break answered;
        }
        assert!(Instant::now() < until, "a full disk took {n} reads");
    };
    assert_eq!((refused.status, &refused.body["type"]), (503, &json!("urn:pintle:problem:not-stored")));
    let detail = refused.body["detail"].as_str().unwrap();
    assert!(detail.ends_with("Nothing was accepted: keep the reads and send them again after Retry-After"), "{detail}");
    assert!(refused.head.contains("retry-after: 5\r\n"));
    assert!(door.view_when(|view| view.trouble.is_some()).await.cameras[0].reads + 1 >= u64::from(n));
    // Space comes back, and nobody restarts anything. The trouble ends without any read having to come.
    drop(file);
    std::fs::remove_file(&filler).unwrap();
    let seen = tokio::time::timeout(Duration::from_secs(15), door.view.wait_for(|view| view.trouble.is_none())).await;
    assert!(seen.is_ok(), "the trouble was never taken back");
    drop(seen);
    let until = Instant::now() + Duration::from_secs(30);
    while take(&door.post_read(&read(n)).await) != 202 {
        assert!(Instant::now() < until, "reads are still refused 30 s after space came back");
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    let waiting = door.waiting(Lane::Bulk).await;
    let kept: BTreeSet<String> = waiting.iter().map(|read| read.id.to_string()).collect();
    assert_eq!(waiting.len(), kept.len());
    assert_eq!(taken, kept, "what waits is what was answered 202, nothing less and nothing more");
    door.stop.cancel();
    door.task.await.unwrap().unwrap();
    door.store.close().await.unwrap();
}
