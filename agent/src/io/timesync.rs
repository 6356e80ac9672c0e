//! What the host says of a time server: the file that systemd-timesyncd touches at each answer it takes.
//!
//! Other time services leave no such word: a host whose clock chrony keeps is trusted once the GPS receiver agrees with
//! it. The kernel's own flag can be asked only by a call that needs unsafe code.

use pintle_core::moment::Utc;
use std::fs;
use std::path::Path;
use std::time::UNIX_EPOCH;

/// Touched by systemd-timesyncd whenever it has set the clock by a server (source: systemd-timesyncd.service(8)).
pub const MARKER: &str = "/run/systemd/timesync/synchronized";

/// When the clock was set last, by that clock; `None` if no service has left word.
#[must_use]
pub fn last_set(marker: &Path) -> Option<Utc> {
    let touched = fs::metadata(marker).ok()?.modified().ok()?;
    let since = touched.duration_since(UNIX_EPOCH).ok()?;
    i64::try_from(since.as_millis()).ok().map(Utc)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn the_word_of_a_time_service_is_when_its_marker_was_touched() {
        let folder = tempfile::tempdir().unwrap();
        let marker = folder.path().join("synchronized");
        assert_eq!(last_set(&marker), None);
        let file = fs::File::create(&marker).unwrap();
        file.set_modified(UNIX_EPOCH + Duration::from_millis(1_795_608_000_250)).unwrap();
        assert_eq!(last_set(&marker), Some(Utc(1_795_608_000_250)));
    }
}
