//! In the steady state nothing is allocated for a sentence: memory of a trailer that runs for months does not depend on
//! what comes over the line.

use pintle_core::moment::{Mono, Utc};
use pintle_core::position::fix::BytesToEpochs;
use pintle_core::position::fix::date::DateReference;
use pintle_core::position::keeper::KeeperLimits;
use pintle_core::position::recording::Recording;
use std::fmt::Write as _;

/// So many seconds of the usual set of sentences, from second `from` of the day, and how many sentences.
fn seconds(from: u32, count: u32) -> (String, u64) {
    let (mut text, mut sentences) = (String::new(), 0);
    let mut put = |body: &str| {
        let sum = body.bytes().fold(0, |sum, c| sum ^ c);
        write!(text, "${body}*{sum:02X}\r\n").expect("a string takes everything");
        sentences += 1;
    };
    for second in from..from + count {
        let time = format!("{:02}{:02}{:02}.00", second / 3600, second / 60 % 60, second % 60);
        put(&format!("GNRMC,{time},A,4430.6007,N,03000.0003,W,0.04,,251126,,,A"));
        put("GNVTG,,T,,M,0.04,N,0.07,K,A");
        put(&format!("GNGGA,{time},4430.6007,N,03000.0003,W,1,11,0.8,3.0,M,20.0,M,,"));
        put("GNGSA,A,3,02,05,07,09,13,15,,,,,,,1.5,0.8,1.2");
        put("GNGSA,A,3,7,8,10,16,18,20,21,26,27,30,69,70,71,75,77,85,86,,,,1.221,0.653,1.031");
        put("GNGSA,A,3,2,5,,,,,,,,,,,2,1,1");
        put("GPGSV,3,1,12,02,45,120,41,05,12,300,33,07,66,210,44,09,30,080,39");
        put(&format!("GNGLL,4430.6007,N,03000.0003,W,{time},A,A"));
        put(&format!("GNGST,{time},1.0,,,,2.1,3.4,5.0"));
        put(&format!("GNGST,{time},1.0,x,,,2.1,3.4,5.0"));
        put(&format!("GNZDA,{time},25,11,2026,00,00"));
        put("GPRMC,99,A,x");
    }
    (text, sentences)
}

#[test]
fn nothing_is_allocated_for_a_sentence() {
    let mut line = BytesToEpochs::new(DateReference::around(Utc(1_795_600_000_000)));
    // The caller empties this list after each read, as the actor does; it grows to the most of one read.
    let mut epochs = Vec::with_capacity(64);
    let (warm, _) = seconds(0, 10);
    line.on_bytes(warm.as_bytes(), Mono(0), &mut epochs);
    let (text, sentences) = seconds(10, 3600);
    let (valid, used) = (line.reader().counts().valid, line.assembler().counts().used);
    let allocated = allocation_counter::measure(|| {
        // Odd cuts, so that the buffer for cut sentences is used as well.
        for chunk in text.as_bytes().chunks(997) {
            epochs.clear();
            line.on_bytes(chunk, Mono(0), &mut epochs);
        }
    });
    assert_eq!(line.reader().counts().valid - valid, sentences);
    assert!(3500 < line.assembler().counts().used - used, "they became fixes");
    assert_eq!((allocated.count_total, allocated.bytes_total), (0, 0), "{sentences} sentences");
    let counter = allocation_counter::measure(|| drop(std::hint::black_box(vec![0_u8; 9])));
    assert_eq!(counter.count_total, 1, "the counter counts");
}

#[test]
fn a_standing_trailer_allocates_nothing_for_a_sentence_all_the_way_to_its_site() {
    let mut recording = Recording::new(KeeperLimits::default(), Utc(1_795_600_000_000));
    let (warm, _) = seconds(0, 3 * 3600);
    recording.on_bytes(warm.as_bytes(), &mut |_, _| {});
    assert!(recording.keeper().site().is_some());
    let (text, sentences) = seconds(3 * 3600, 3600);
    let mut told = 0_u64;
    let allocated = allocation_counter::measure(|| recording.on_bytes(text.as_bytes(), &mut |_, _| told += 1));
    // A refined site carries the text of how it was found: one allocation, twice an hour here, whatever the sentences.
    assert!(allocated.count_total <= told && told < 10, "{sentences} sentences, {told} actions: {allocated:?}");
}
