//! The log has a bound: a line that comes again and again is left out beyond so many a minute, and how many that were
//! is told with the next one. A part that fails in a loop then neither fills a disk nor drowns the reason of it.

use crate::clock;
use pintle_core::moment::Mono;
use std::collections::HashMap;
use std::io::{self, Write};
use std::sync::{Arc, Mutex, PoisonError};
use tracing::Metadata;
use tracing::callsite::Identifier;
use tracing_subscriber::fmt::MakeWriter;

/// Lines of one place in the program that are written in a minute (our own limit: at 150 bytes a line one place writes
/// 2.7 MB an hour; the bar of fault 78 is 20 MB for all). Nothing that a person needs comes more often.
pub const LINES_MAX: u32 = 300;
/// The minute, ms.
const WINDOW_MS: u64 = 60_000;
/// Places that are known (our own limit, far above what the program has).
const PLACES_MAX: usize = 4096;

#[derive(Clone, Copy)]
struct Window {
    began: Mono,
    lines: u32,
    left_out: u64,
}

/// Who counts.
#[derive(Clone, Default)]
struct Counts {
    places: Arc<Mutex<HashMap<Identifier, Window>>>,
}

/// What to do with a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Judged {
    /// Write it.
    Write,
    /// Write it, and before it that so many like it were left out.
    After(u64),
    /// Leave it out.
    Leave,
}

impl Counts {
    fn judge(&self, place: Identifier, now: Mono) -> Judged {
        let mut places = self.places.lock().unwrap_or_else(PoisonError::into_inner);
        if PLACES_MAX <= places.len() {
            places.clear();
        }
        let window = places.entry(place).or_insert(Window { began: now, lines: 0, left_out: 0 });
        let mut before = 0;
        if WINDOW_MS <= now.since_ms(window.began) {
            before = window.left_out;
            *window = Window { began: now, lines: 0, left_out: 0 };
        }
        if LINES_MAX <= window.lines {
            window.left_out += 1;
            return Judged::Leave;
        }
        window.lines += 1;
        if before == 0 { Judged::Write } else { Judged::After(before) }
    }
}

/// Makes writers that leave out what comes too often; the inner one writes.
#[derive(Clone)]
pub struct Bounded<M> {
    inner: M,
    counts: Counts,
}

impl<M> Bounded<M> {
    /// Bounds what `inner` writes.
    #[must_use]
    pub fn new(inner: M) -> Self {
        Self { inner, counts: Counts::default() }
    }
}

impl<'a, M: MakeWriter<'a>> MakeWriter<'a> for Bounded<M> {
    type Writer = Line<M::Writer>;

    fn make_writer(&'a self) -> Self::Writer {
        Line { inner: Some(self.inner.make_writer()), before: None }
    }

    fn make_writer_for(&'a self, meta: &Metadata<'_>) -> Self::Writer {
        let inner = || Some(self.inner.make_writer_for(meta));
        match self.counts.judge(meta.callsite(), clock::mono()) {
            Judged::Write => Line { inner: inner(), before: None },
            Judged::After(left_out) => {
                let before = format!(
                    "{:>5} {}: {left_out} lines like the next one were left out\n",
                    meta.level().as_str(),
                    meta.target()
                );
                Line { inner: inner(), before: Some(before) }
            }
            Judged::Leave => Line { inner: None, before: None },
        }
    }
}

/// Writes one line, or leaves it out.
pub struct Line<W> {
    inner: Option<W>,
    before: Option<String>,
}

impl<W: Write> Write for Line<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let Some(inner) = &mut self.inner else { return Ok(bytes.len()) };
        if let Some(before) = self.before.take() {
            inner.write_all(before.as_bytes())?;
        }
        inner.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.as_mut().map_or(Ok(()), Write::flush)
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use tracing_subscriber::layer::SubscriberExt as _;

    #[derive(Clone, Default)]
    struct Kept(Arc<Mutex<Vec<u8>>>);

    impl Write for Kept {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.lock().unwrap().extend_from_slice(bytes);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn fault_78_a_line_that_comes_a_hundred_thousand_times_is_written_300_times_a_minute_and_drowns_no_other() {
        let kept = Kept::default();
        let writer = kept.clone();
        let layer = tracing_subscriber::fmt::layer()
            .without_time()
            .with_ansi(false)
            .with_writer(Bounded::new(move || writer.clone()));
        tracing::subscriber::with_default(tracing_subscriber::registry().with(layer), || {
            for number in 0..100_000 {
                tracing::warn!(number, "the same fault again");
                if number == 99_000 {
                    tracing::error!("the reason of it");
                }
            }
        });
        let text = String::from_utf8(kept.0.lock().unwrap().clone()).unwrap();
        // A slow machine may have seen a second minute begin.
        let lines = text.lines().filter(|line| line.contains("the same fault")).count();
        assert!((300..=3000).contains(&lines), "{lines}");
        assert_eq!(text.lines().filter(|line| line.contains("the reason of it")).count(), 1);
        assert!(text.starts_with(" WARN"), "{text:.80}");
    }

    #[test]
    fn fault_78_how_many_lines_were_left_out_is_told_with_the_next_one() {
        let counts = Counts::default();
        // Any place will do: each span has one.
        let place = tracing_subscriber::registry();
        let place =
            tracing::subscriber::with_default(place, || tracing::info_span!("a place").metadata().unwrap().callsite());
        let at = |ms: u64| counts.judge(place.clone(), Mono(ms));
        for _ in 0..LINES_MAX {
            assert_eq!(at(1000), Judged::Write);
        }
        for _ in 0..7 {
            assert_eq!(at(2000), Judged::Leave);
        }
        assert_eq!(at(60_999), Judged::Leave);
        assert_eq!(at(61_000), Judged::After(8));
        assert_eq!(at(61_001), Judged::Write);
    }
}
