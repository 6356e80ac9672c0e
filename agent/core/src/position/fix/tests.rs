use super::*;
use proptest::prelude::*;

const DAY: &str = "2026-11-25T00:00:00Z";

fn reference() -> DateReference {
    DateReference::around(Utc::parse_rfc3339(DAY).unwrap_or(Utc(0)))
}

fn seal(text: &str) -> String {
    format!("${text}*{:02X}\r\n", text.bytes().fold(0, |sum, c| sum ^ c))
}

/// What becomes of these sentences, in order; each arrives 10 ms after the one before.
fn epochs(sentences: &[&str]) -> (Vec<Epoch>, EpochCounts) {
    let mut line = BytesToEpochs::new(reference());
    let mut out = Vec::new();
    let mut now = Mono(0);
    for sentence in sentences {
        line.on_bytes(seal(sentence).as_bytes(), now, &mut out);
        now = now.plus_ms(10);
    }
    line.on_end(now, &mut out);
    (out, line.assembler().counts().clone())
}

fn only(sentences: &[&str]) -> Result<Fix, Refusal> {
    let (epochs, _) = epochs(sentences);
    assert_eq!(epochs.len(), 1, "{epochs:?}");
    epochs[0].outcome
}

#[test]
fn all_sentences_of_one_instant_make_one_fix() {
    let (epochs, counts) = epochs(&[
        "GNRMC,120001.00,A,4430.60,N,03007.50,W,9.72,270.0,251126,,,A",
        "GNGGA,120001.00,4430.6000,N,03007.5000,W,1,09,0.8,3.0,M,,M,,",
        "GNGSA,A,3,02,05,12,,,,,,,,,,1.6,0.9,1.2",
        "GNGST,120001.00,1.0,,,,2.1,3.4,5.0",
        "GNRMC,120002.00,A,4430.60,N,03007.50,W,,,251126,,,A",
        "GNVTG,270.0,T,,M,,N,36.0,K,A",
    ]);
    assert_eq!((epochs.len(), counts.used, counts.refused_in_all()), (2, 2, 0));
    let first = epochs[0].outcome.unwrap_or_else(|why| unreachable!("{why:?}"));
    assert_eq!(first.utc.map(Utc::to_rfc3339).as_deref(), Some("2026-11-25T12:00:01.000Z"));
    assert_eq!((first.position.lat_deg(), first.position.lon_deg()), (44.51, -30.125));
    assert_eq!(first.at, Mono(10), "its last witness");
    assert_eq!((first.hdop, first.satellites), (Some(0.8), Some(9)));
    assert_eq!(first.sigma_m, Some(f64::from(3.4_f32)), "the crate reads deviations in 32 bits");
    assert!(first.speed_mps.is_some_and(|speed| (speed - 9.72 * 1852.0 / 3600.0).abs() < 1e-9));
    let second = epochs[1].outcome.unwrap_or_else(|why| unreachable!("{why:?}"));
    assert!(second.speed_mps.is_some_and(|speed| (speed - 10.0).abs() < 1e-9));
    assert_eq!((second.hdop, second.satellites), (Some(0.8), Some(9)), "quality is remembered");
    assert_eq!(second.sigma_m, None, "an error estimate is for its own instant only");
}

#[test]
fn every_reason_for_no_fix_is_told_apart() {
    let place = "4430.60,N,03007.50,W";
    let refused = |why: Refusal, sentence: &str| assert_eq!(only(&[sentence]), Err(why), "{sentence}");
    refused(Refusal::StatusVoid, &format!("GPRMC,120001,V,{place},0,0,251126,,,N"));
    refused(Refusal::StatusVoid, "GPRMC,,V,,,,,,,,,,N");
    refused(Refusal::QualityZero, &format!("GPRMC,120001,A,{place},0,0,251126,,,N"));
    refused(Refusal::DeadReckoning, &format!("GPRMC,120001,A,{place},0,0,251126,,,E"));
    refused(Refusal::Manual, &format!("GPGLL,{place},120001,A,M"));
    refused(Refusal::Simulator, &format!("GPGGA,120001,{place},8,09,0.8,,M,,M,,"));
    refused(Refusal::Simulator, &format!("GPRMC,120001,S,{place},0,0,251126,,,S"));
    refused(Refusal::QualityZero, &format!("GPGGA,120001,{place},0,09,0.8,,M,,M,,"));
    refused(Refusal::QualityZero, &format!("GPGGA,120001,{place},,09,0.8,,M,,M,,"));
    refused(Refusal::UnknownMode, &format!("GPGGA,120001,{place},12,09,0.8,,M,,M,,"));
    refused(Refusal::QualityZero, &format!("GNGNS,120001,{place},NN,09,0.8,,,,"));
    refused(Refusal::DeadReckoning, &format!("GNGNS,120001,{place},NE,09,0.8,,,,"));
    refused(Refusal::NoPosition, "GPRMC,120001,A,,,,,0,0,251126,,,A");
    refused(Refusal::BadPosition, "GPRMC,120001,A,9930.60,N,03007.50,W,0,0,251126,,,A");
    refused(Refusal::NoHemisphere, "GPRMC,120001,A,4430.60,,03007.50,W,0,0,251126,,,A");
    refused(Refusal::ZeroZero, "GPRMC,120001,A,0000.000,N,00000.000,E,0,0,251126,,,A");
    refused(Refusal::NoTime, &format!("GPRMC,,A,{place},0,0,251126,,,A"));
    refused(Refusal::NoTime, &format!("GPRMC,250001,A,{place},0,0,251126,,,A"));
}

#[test]
fn witnesses_that_contradict_each_other_spoil_the_epoch() {
    let rmc = "GPRMC,120001,A,4430.60,N,03007.50,W,0,0,251126,,,A";
    assert_eq!(only(&[rmc, "GPGGA,120001,4430.60,N,03007.50,W,0,00,,,M,,M,,"]), Err(Refusal::Disagree));
    assert_eq!(only(&[rmc, "GPGGA,120001,4430.60,S,03007.50,W,1,09,0.8,,M,,M,,"]), Err(Refusal::Disagree));
    assert_eq!(only(&[rmc, "GPGGA,120001,0000.00,N,00000.00,E,1,09,0.8,,M,,M,,"]), Err(Refusal::ZeroZero));
    assert!(only(&[rmc, "GPGLL,4430.61,N,03007.50,W,120001,A,A"]).is_ok(), "18.5 m is the last digit");
}

#[test]
fn a_wrong_date_costs_the_date_and_never_the_position() {
    for date in ["050180", "2208-1", "310226", "", "9", "251199", "ddmmyy", "010160"] {
        let fix = only(&[&format!("GPRMC,120001,A,4430.60,N,03007.50,W,0,0,{date},,,A")]);
        assert_eq!(fix.map(|fix| fix.utc), Ok(None), "{date}");
    }
    let (epochs, counts) = epochs(&["GPRMC,120001,A,4430.60,N,03007.50,W,0,0,110407,,,A"]);
    assert_eq!(epochs[0].utc().map(Utc::to_rfc3339).as_deref(), Some("2026-11-25T12:00:01.000Z"));
    assert_eq!(counts.dates_mended, 1);
}

#[test]
fn a_date_comes_only_from_its_own_instant() {
    let gga = |time: &str| format!("GPGGA,{time},4430.60,N,03007.50,W,1,09,0.8,,M,,M,,");
    let (epochs, _) = epochs(&[&gga("120001"), "GPZDA,120001,25,11,2026,,", &gga("120002"), &gga("120003")]);
    let dated: Vec<_> = epochs.iter().map(|epoch| epoch.utc().is_some()).collect();
    assert_eq!(dated, [true, false, false]);
}

#[test]
fn repeated_and_backward_epochs_are_refused_and_midnight_is_neither() {
    let rmc = |time: &str| format!("GPRMC,{time},A,4430.60,N,03007.50,W,0,0,,,,A");
    let outcomes = |times: &[&str]| -> Vec<Option<Refusal>> {
        let sentences: Vec<String> = times.iter().map(|time| rmc(time)).collect();
        let sentences: Vec<&str> = sentences.iter().map(String::as_str).collect();
        epochs(&sentences).0.iter().map(|epoch| epoch.outcome.err()).collect()
    };
    let (back, again) = (Some(Refusal::Backward), Some(Refusal::Repeated));
    assert_eq!(outcomes(&["120002", "120001", "120002", "120003"]), [None, back, again, None]);
    assert_eq!(outcomes(&["235959", "235960", "000001", "235959"]), [None, None, None, back]);
    assert_eq!(
        outcomes(&["150000", "120001", "120002", "120003", "120004", "120005", "120006"]),
        [None, back, back, back, back, None, None],
        "a clock that was wrong and is right now is believed after a while"
    );
    assert_eq!(
        outcomes(&["120001", "120000", "120002", "120001", "120003", "120002", "120004", "120003", "120005", "120004"])
            .iter()
            .flatten()
            .count(),
        5,
        "two receivers on one line: the later one counts"
    );
}

#[test]
fn the_larger_satellite_count_of_two_constellations_counts() {
    let fix = only(&[
        "GPGGA,120001,4430.60,N,03007.50,W,1,08,0.8,,M,,M,,",
        "GLGGA,120001,4430.60,N,03007.50,W,1,02,3.8,,M,,M,,",
    ]);
    assert_eq!(fix.map(|fix| (fix.satellites, fix.hdop)), Ok((Some(8), Some(0.8))));
}

#[test]
fn unknown_quality_is_not_zero() {
    let fix = only(&["GPGGA,120001,4430.60,N,03007.50,W,1,00,99.9,,M,,M,,"]);
    assert_eq!(fix.map(|fix| (fix.satellites, fix.hdop)), Ok((None, None)));
    let fix = only(&["GPGGA,120001,4430.60,N,03007.50,W,1,00,0.0,,M,,M,,", "GPGSA,A,3,1,2,3,,,,,,,,,,2.0,1.5,2.1"]);
    assert_eq!(fix.map(|fix| (fix.satellites, fix.hdop)), Ok((Some(3), Some(1.5))));
}

#[test]
fn a_quiet_line_ends_the_epoch() {
    let mut line = BytesToEpochs::new(reference());
    let mut out = Vec::new();
    line.on_bytes(seal("GPRMC,120001,A,4430.60,N,03007.50,W,0,0,,,,A").as_bytes(), Mono(1000), &mut out);
    assert_eq!(line.assembler().deadline(), Some(Mono(1000 + QUIET_MS)));
    line.assembler_mut().end_if_quiet(Mono(1000 + QUIET_MS - 1), &mut out);
    assert_eq!(out.len(), 0);
    line.assembler_mut().end_if_quiet(Mono(1000 + QUIET_MS), &mut out);
    assert_eq!(out.len(), 1);
    assert_eq!(line.assembler().deadline(), None);
}

proptest! {
    #[test]
    fn damaged_sentences_with_right_checksums_never_stop_the_line(
        cuts in prop::collection::vec(
            (
                "(RMC|GGA|GLL|GNS|VTG|GSA|GST|ZDA)",
                prop::collection::vec("[-0-9.]{0,12}|[A-Z]{0,3}|[ -)+-~]{0,9}", 0..22),
            ),
            1..30,
        )
    ) {
        let mut line = BytesToEpochs::new(reference());
        let mut out = Vec::new();
        for (at, (kind, fields)) in cuts.iter().enumerate() {
            let now = Mono(u64::try_from(at).unwrap_or(0) * 100);
            line.on_bytes(seal(&format!("GP{kind},{}", fields.join(","))).as_bytes(), now, &mut out);
        }
        out.clear();
        let good = "GPRMC,120001,A,4430.60,N,03007.50,W,0,0,251126,,,A";
        let later = Mono(ORDER_KEPT_MS * 2);
        line.on_bytes(seal(good).as_bytes(), later, &mut out);
        line.on_end(later, &mut out);
        prop_assert!(out.last().is_some_and(|epoch| epoch.outcome.is_ok()));
    }
}

#[test]
fn a_gll_that_ends_before_its_status_says_nothing_and_an_empty_status_denies() {
    let place = "4430.60,N,03007.50,W";
    let rmc = format!("GPRMC,120001,A,{place},0,0,251126,,,A");
    for short in [format!("GPGLL,{place}"), format!("GPGLL,{place},120001")] {
        for order in [[&rmc, &short], [&short, &rmc]] {
            let got = only(&order.map(String::as_str));
            assert_eq!(got.map(|fix| fix.position.lat_deg()), Ok(44.51), "{order:?}");
        }
        assert_eq!(epochs(&[&short]).0, [], "alone it is no epoch: the receiver sends no sentence that affirms a fix");
    }
    let denied = format!("GPGLL,{place},120001,");
    assert_eq!(only(&[&rmc, &denied]), Err(Refusal::Disagree));
    assert_eq!(only(&[&denied]), Err(Refusal::StatusVoid));
}
