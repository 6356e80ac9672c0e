//! Sentences per second on one core: from bytes to checked sentences, to fixes, and to a site.
//!
//! `cargo bench -p pintle-core`. The bar of the position issue is 2,000,000 sentences a second from bytes to site.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use pintle_core::moment::{Mono, Utc};
use pintle_core::position::fix::BytesToEpochs;
use pintle_core::position::fix::date::DateReference;
use pintle_core::position::keeper::KeeperLimits;
use pintle_core::position::nmea::Reader;
use pintle_core::position::recording::Recording;
use std::fmt::Write as _;
use std::hint::black_box;

/// An hour of a standing receiver at 1 Hz, the usual set of sentences.
fn hour() -> (String, u64) {
    let mut text = String::new();
    let mut count = 0;
    let mut put = |sentence: &str| {
        let sum = sentence.bytes().fold(0, |sum, c| sum ^ c);
        write!(text, "${sentence}*{sum:02X}\r\n").expect("a string takes everything");
        count += 1;
    };
    for second in 0..3600_u32 {
        let time = format!("10{:02}{:02}.00", second / 60, second % 60);
        let (north, east) = (second * 7919 % 31, second * 6007 % 23);
        put(&format!("GNRMC,{time},A,4430.60{north:02},N,03000.00{east:02},W,0.04,,251126,,,A"));
        put("GNVTG,,T,,M,0.04,N,0.07,K,A");
        put(&format!("GNGGA,{time},4430.60{north:02},N,03000.00{east:02},W,1,11,0.8,3.0,M,20.0,M,,"));
        put("GNGSA,A,3,02,05,07,09,13,15,,,,,,,1.5,0.8,1.2");
        for number in 1..=3 {
            put(&format!("GPGSV,3,{number},12,02,45,120,41,05,12,300,33,07,66,210,44,09,30,080,39"));
        }
        put(&format!("GNGLL,4430.60{north:02},N,03000.00{east:02},W,{time},A,A"));
    }
    (text, count)
}

fn bytes_to_fixes(criterion: &mut Criterion) {
    let (text, count) = hour();
    let mut group = criterion.benchmark_group("an_hour_at_1_hz");
    group.throughput(Throughput::Elements(count));
    group.bench_function("bytes_to_sentences", |bencher| {
        bencher.iter(|| {
            let mut reader = Reader::default();
            reader.feed(black_box(text.as_bytes()), &mut |sentence| {
                black_box(sentence);
            });
            reader.counts().valid
        });
    });
    group.bench_function("bytes_to_fixes", |bencher| {
        bencher.iter(|| {
            let mut line = BytesToEpochs::new(DateReference::around(Utc(1_795_600_000_000)));
            let mut epochs = Vec::new();
            line.on_bytes(black_box(text.as_bytes()), Mono(0), &mut epochs);
            epochs.len()
        });
    });
    group.bench_function("bytes_to_site", |bencher| {
        bencher.iter(|| {
            let mut recording = Recording::new(KeeperLimits::default(), Utc(1_795_600_000_000));
            recording.on_bytes(black_box(text.as_bytes()), &mut |_, action| {
                black_box(action);
            });
            assert!(recording.keeper().site().is_some());
        });
    });
    group.finish();
}

criterion_group!(benches, bytes_to_fixes);
criterion_main!(benches);
