//! Holds as text, on the trailer and at the receiver.

use pintle_core::health::wording;
use pintle_core::ids::printable;
use pintle_core::moment::Utc;
use pintle_core::wire::hold::HoldBody;
use std::fmt::Write as _;

/// The told end and the store's own clock may differ by this before it is said, ms (our own choice: nobody plans a case
/// by the minute).
const END_SLACK_MS: u64 = 120_000;

/// Said above the holds while some were lost.
pub const HOLDS_LOST: &str = "THE HOLDS WERE LOST with a damaged part of the disk, so everything is kept and nothing is let go.\n\
     The audit tells which there were (hold.add, hold.renew). Make all of them anew, then say so with `hold anew`.\n";
/// Said once all are made anew.
pub const HOLDS_ANEW: &str =
    "All holds are made anew. What has reached its age limit and is in none of these goes within minutes.\n";

/// What became of hold `changed`, if one was, and all holds.
#[must_use]
pub fn hold_text(rows: &[HoldBody], changed: Option<u64>, now: Utc) -> String {
    let mut out = match changed.map(|number| (number, rows.iter().find(|row| row.hold == number))) {
        None => String::new(),
        Some((number, None)) => format!("Hold {number} has ended.\n"),
        Some((_, Some(row))) => became(row, now),
    };
    for row in rows {
        let source = row.source.clone();
        let camera = row.camera.as_ref().map(|camera| format!("camera {camera}"));
        let place = row.place.map(|place| format!("site {place}"));
        let what: Vec<String> = source.into_iter().chain(camera).chain(place).collect();
        let what = if what.is_empty() { "everything".to_owned() } else { printable(&what.join(", "), 160) };
        let reads = count(row).map(|reads| format!("{reads} now; ")).unwrap_or_default();
        // Writing into a string can't fail.
        let _infallible = writeln!(out, "{}  {what}, captured {} to {}", row.hold, row.from, row.to);
        let (case, by) = (printable(&row.case, 200), printable(&row.by, 80));
        let _infallible = writeln!(out, "    {reads}case {case}; by {by}; ends {}", end(row, now));
    }
    if rows.is_empty() {
        out.push_str("Nothing is held.\n");
    }
    out
}

fn became(row: &HoldBody, now: Utc) -> String {
    let number = row.hold;
    let reads = count(row).unwrap_or_else(|| "what lies in its window".to_owned());
    if row.reads != Some(0) || row.reads_at_least {
        return format!("Hold {number} holds {reads} now.\n");
    }
    let ahead = Utc::parse_rfc3339(&row.to).is_some_and(|to| now < to);
    let then = if ahead {
        format!("Reads that come will be kept until {}; if it was meant for earlier ones", row.to)
    } else {
        "If that is not what was meant".to_owned()
    };
    format!(
        "Hold {number} HOLDS NO READ now: none that is here fits.\n{then}, look at camera, site and times, end it with \
         `hold end {number}` and make another.\n"
    )
}

fn count(row: &HoldBody) -> Option<String> {
    // A look that ended before it found one says nothing.
    let reads = row.reads.filter(|reads| 0 < *reads || !row.reads_at_least)?;
    let least = if row.reads_at_least { "at least " } else { "" };
    Some(if reads == 1 { format!("{least}1 read") } else { format!("{least}{} reads", wording::count(reads)) })
}

/// The end as it was told; where the clock was set since then, what is really left as well.
fn end(row: &HoldBody, now: Utc) -> String {
    let told = row.ends.as_deref().unwrap_or("unknown");
    let (Some(ends), Some(left_s)) = (Utc::parse_rfc3339(told), row.left_s) else { return told.to_owned() };
    let left_ms = left_s.saturating_mul(1000);
    let by_clock = now.plus_ms(i64::try_from(left_ms).unwrap_or(i64::MAX));
    if by_clock.since_ms(ends).unsigned_abs() <= END_SLACK_MS {
        return told.to_owned();
    }
    format!("{told} as it was told, really in {} (the clock was set since)", wording::span(left_ms))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::ids::CameraId;
    use pintle_core::queue::holds::{Hold, HoldAsked};

    const NOW: Utc = Utc(1_800_000_000_000);

    fn row(reads: u64, left_ms: u64) -> HoldBody {
        let asked = HoldAsked {
            source: None,
            camera: Some(CameraId::new("north").unwrap()),
            site: Some(4),
            from: NOW.plus_ms(-60_000),
            to: NOW,
            case: "case 17".to_owned(),
            by: "T. Wray".to_owned(),
            for_s: 3600,
        };
        let told_end = Some(NOW.plus_ms(3_600_000));
        let hold = Hold { number: 3, asked, made_at: NOW, ends_ms: 0, told_end, ended: false };
        HoldBody { reads: Some(reads), ..HoldBody::shown(&hold, left_ms, NOW) }
    }

    #[test]
    fn a_hold_says_how_many_reads_it_keeps_and_none_is_no_success() {
        let told = hold_text(&[row(1, 3_600_000)], Some(3), NOW);
        assert_eq!(
            told,
            "Hold 3 holds 1 read now.\n3  camera north, site 4, captured 2027-01-15T07:59:00.000Z to \
             2027-01-15T08:00:00.000Z\n    1 read now; case case 17; by T. Wray; ends 2027-01-15T09:00:00.000Z\n"
        );
        let none = hold_text(&[row(0, 3_600_000)], Some(3), NOW);
        assert!(none.starts_with("Hold 3 HOLDS NO READ now: none that is here fits.\nIf that is not"), "{none}");
        let ahead = hold_text(&[row(0, 3_600_000)], Some(3), NOW.plus_ms(-1));
        assert!(ahead.contains("\nReads that come will be kept until 2027-01-15T08:00:00.000Z; if it"), "{ahead}");
        let many = HoldBody { reads_at_least: true, ..row(5, 3_600_000) };
        assert!(hold_text(&[many], Some(3), NOW).starts_with("Hold 3 holds at least 5 reads now.\n"));
        assert_eq!(hold_text(&[], Some(3), NOW), "Hold 3 has ended.\nNothing is held.\n");
    }

    #[test]
    fn the_end_stays_as_it_was_told_unless_the_clock_was_set() {
        let steady = row(1, 3_599_000);
        assert_eq!(end(&steady, NOW.plus_ms(1400)), "2027-01-15T09:00:00.000Z");
        let set = end(&row(1, 7_200_000), NOW);
        assert_eq!(set, "2027-01-15T09:00:00.000Z as it was told, really in 2 h (the clock was set since)");
    }
}
