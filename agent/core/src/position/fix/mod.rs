//! Sentences of one UTC instant → one [`Fix`], or the [`Refusal`] that says why not.
//!
//! An epoch is everything that the GPS receiver says of one time of day: RMC, GGA, GLL and GNS carry that time and are
//! its witnesses; GST and ZDA join by their time; VTG and GSA carry none and belong to the epoch they follow. It ends
//! with the first witness of another time, or after [`QUIET_MS`] without a sentence.
//!
//! Every witness must affirm the fix, and their positions must agree. Epochs that repeat or go back (two receivers on
//! one line, sentences read late) are refused and never reordered.

pub mod date;
pub mod log_clock;
mod plausible;
mod refusal;
mod witness;

pub use refusal::Refusal;
pub use witness::{WITNESSES_APART_MAX_M, Witness};

use super::Fix;
use super::nmea::fields::Fields;
use super::nmea::{Kind, Reader, Sentence, by_crate};
use crate::moment::{Mono, Utc};
use date::{DateReference, DateVerdict};
use plausible::Plausible;
use witness::{agreed_position, known_hdop};

/// An epoch ends when the line has been quiet for so long, ms: at 4,800 bit/s one character takes 2 ms, and receivers
/// send their set in one go (our own limit).
pub const QUIET_MS: u64 = 300;

/// Quality that is not sent in every epoch is remembered for so long, ms: a recorded handheld sends GGA every fifth
/// second (our own limit).
pub const QUALITY_KEPT_MS: u64 = 10_000;

/// After so many rising epochs in a row that lie before the last fix, with none after it between, the receiver's clock
/// has stepped back and they are believed (our own limit).
pub const BACKWARD_RUN: u32 = 5;

/// Without a fix for so long, ms, the time of day alone does not tell before from after.
const ORDER_KEPT_MS: u64 = 11 * 3_600_000;

const DAY_MS: i64 = 86_400_000;

/// One epoch, decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Epoch {
    /// When its last witness arrived.
    pub at: Mono,
    /// Its time of day by the receiver, ms, 0 to 86 400 999; `None` if it carried none.
    pub time_of_day_ms: Option<u32>,
    /// What became of its date.
    pub date: DateVerdict,
    /// The fix, or why there is none.
    pub outcome: Result<Fix, Refusal>,
}

impl Epoch {
    /// Its UTC, if time and date are there and believed. A receiver without a fix may tell the right time, or not.
    #[must_use]
    pub fn utc(&self) -> Option<Utc> {
        Some(Utc(self.date.day()? * DAY_MS + i64::from(self.time_of_day_ms?)))
    }
}

/// Epochs by their outcome, and what was told of their dates.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EpochCounts {
    /// Epochs that became fixes.
    pub used: u64,
    refused: [u64; Refusal::ALL.len()],
    /// RMC sentences that affirm a fix and have a complete position, whatever became of their epoch.
    pub affirmed_rmc: u64,
    /// The same for GGA.
    pub affirmed_gga: u64,
    /// The same for GLL.
    pub affirmed_gll: u64,
    /// Epochs whose date was mended by whole rollovers.
    pub dates_mended: u64,
    /// Epochs whose date was none yet, or impossible.
    pub dates_refused: u64,
    /// Times that the receiver's clock stepped back and was believed after a while.
    pub clock_steps_back: u64,
}

impl EpochCounts {
    /// Epochs refused for one reason.
    #[must_use]
    pub fn refused(&self, why: Refusal) -> u64 {
        self.refused[why.index()]
    }

    /// Epochs refused for any reason.
    #[must_use]
    pub fn refused_in_all(&self) -> u64 {
        self.refused.iter().sum()
    }
}

/// The epoch that is being collected.
#[derive(Clone, Copy, Debug)]
struct Open {
    time_of_day_ms: Option<u32>,
    at: Mono,
    /// RMC, GGA, GNS, GLL: the order in which their positions are preferred among equally fine ones.
    witnesses: [Option<Witness>; 4],
    rmc_speed_mps: Option<f64>,
    vtg_speed_mps: Option<f64>,
    date: Option<(u32, u32, u32)>,
    date_unreadable: bool,
    gsa_satellites: u8,
    gsa_hdop: Option<f64>,
}

impl Open {
    fn new(time_of_day_ms: Option<u32>, at: Mono) -> Self {
        Self {
            time_of_day_ms,
            at,
            witnesses: [None; 4],
            rmc_speed_mps: None,
            vtg_speed_mps: None,
            date: None,
            date_unreadable: false,
            gsa_satellites: 0,
            gsa_hdop: None,
        }
    }
}

/// The newest fix: what later epochs are ordered against.
#[derive(Clone, Copy, Debug, Default)]
struct Order {
    last: Option<(u32, Mono)>,
    backward: Option<(u32, u32)>,
}

/// Collects sentences into epochs and decides each.
#[derive(Clone, Debug)]
pub struct Assembler {
    dates: DateReference,
    counts: EpochCounts,
    open: Option<Open>,
    heard: Mono,
    order: Order,
    hdop: Option<(f64, Mono)>,
    satellites: Option<(u8, Mono)>,
    /// Date by time of day, from ZDA.
    zda: Option<(u32, (u32, u32, u32))>,
    /// Standard deviation by time of day, from GST.
    gst: Option<(u32, f64)>,
    plausible: Plausible,
}

impl Assembler {
    /// `dates` is what the receiver's dates are held against.
    #[must_use]
    pub fn new(dates: DateReference) -> Self {
        Self {
            dates,
            counts: EpochCounts::default(),
            open: None,
            heard: Mono(0),
            order: Order::default(),
            hdop: None,
            satellites: None,
            zda: None,
            gst: None,
            plausible: Plausible::default(),
        }
    }

    /// Epochs so far.
    #[must_use]
    pub fn counts(&self) -> &EpochCounts {
        &self.counts
    }

    /// Holds later dates against another reference, for example once the host's clock was set.
    pub fn judge_dates_by(&mut self, dates: DateReference) {
        self.dates = dates;
    }

    /// When [`Self::end_if_quiet`] should be called, if nothing comes before.
    #[must_use]
    pub fn deadline(&self) -> Option<Mono> {
        self.open.map(|_| self.heard.plus_ms(QUIET_MS))
    }

    /// Ends the open epoch if the line has been quiet for [`QUIET_MS`] at `now`.
    pub fn end_if_quiet(&mut self, now: Mono, out: &mut Vec<Epoch>) {
        if self.deadline().is_some_and(|deadline| deadline <= now) {
            self.end(out);
        }
    }

    /// Ends the open epoch, whatever the time (end of a file, device gone).
    pub fn end(&mut self, out: &mut Vec<Epoch>) {
        let Some(open) = self.open.take() else { return };
        let Some(epoch) = self.decide(&open) else { return };
        match epoch.outcome {
            Ok(_) => self.counts.used += 1,
            Err(why) => self.counts.refused[why.index()] += 1,
        }
        out.push(epoch);
    }

    /// Takes one sentence that arrived at `at`.
    pub fn take(&mut self, sentence: &Sentence<'_>, at: Mono, out: &mut Vec<Epoch>) {
        self.heard = at;
        if sentence.kind == Kind::Other {
            return;
        }
        let fields = sentence.fields();
        match sentence.kind {
            Kind::Rmc => {
                let witness = Witness::of_rmc(&fields);
                self.counts.affirmed_rmc += u64::from(witness.is_complete());
                self.bear_witness(0, witness, at, out);
                self.take_speed_and_date(&fields);
            }
            Kind::Gga => {
                let witness = Witness::of_gga(&fields);
                self.counts.affirmed_gga += u64::from(witness.is_complete());
                self.bear_witness(1, witness, at, out);
            }
            Kind::Gns => self.bear_witness(2, Witness::of_gns(&fields), at, out),
            Kind::Gll => {
                let Some(witness) = Witness::of_gll(&fields) else { return };
                self.counts.affirmed_gll += u64::from(witness.is_complete());
                self.bear_witness(3, witness, at, out);
            }
            Kind::Vtg => self.take_vtg(sentence, &fields),
            Kind::Gsa => self.take_gsa(sentence),
            Kind::Gst => {
                let sigma_m = by_crate::sigma_m(sentence).filter(|sigma_m| 0.0 < *sigma_m);
                self.gst = fields.time_of_day_ms(1).zip(sigma_m);
            }
            Kind::Zda => {
                let date = fields.whole(4).zip(fields.whole(3)).zip(fields.whole(2));
                self.zda = fields.time_of_day_ms(1).zip(date.map(|((year, month), day)| (year, month, day)));
            }
            Kind::Other => {}
        }
    }

    fn take_speed_and_date(&mut self, fields: &Fields<'_>) {
        let Some(open) = &mut self.open else { return };
        if open.rmc_speed_mps.is_none() {
            open.rmc_speed_mps = speed_mps(fields.number(7), 1852.0 / 3600.0);
        }
        let text = fields.text(9);
        if open.date.is_none() && !text.is_empty() {
            open.date = fields
                .whole(9)
                .filter(|_| text.len() == 6)
                .map(|ddmmyy| (ddmmyy % 100, ddmmyy / 100 % 100, ddmmyy / 10_000));
            open.date_unreadable = open.date.is_none();
        }
    }

    fn take_vtg(&mut self, sentence: &Sentence<'_>, fields: &Fields<'_>) {
        let Some(open) = &mut self.open else { return };
        // The crate reads neither the mode nor, where knots are missing, the speed in km/h.
        if open.vtg_speed_mps.is_none() && fields.letter(9) != Some(b'N') {
            open.vtg_speed_mps = speed_mps(by_crate::speed_knots(sentence), 1852.0 / 3600.0)
                .or_else(|| speed_mps(fields.number(7), 1.0 / 3.6));
        }
    }

    fn take_gsa(&mut self, sentence: &Sentence<'_>) {
        let Some(open) = &mut self.open else { return };
        let Some((used, hdop)) = by_crate::satellites_and_hdop(sentence) else { return };
        open.gsa_satellites = open.gsa_satellites.saturating_add(used);
        open.gsa_hdop = open.gsa_hdop.or(known_hdop(hdop));
    }

    /// Adds a witness to its epoch; opens that epoch, and ends the one before, if need be.
    fn bear_witness(&mut self, slot: usize, witness: Witness, at: Mono, out: &mut Vec<Epoch>) {
        let joins = self.open.as_ref().is_some_and(|open| match witness.time_of_day_ms {
            Some(_) => open.time_of_day_ms == witness.time_of_day_ms,
            // Without a time it can only be told from the epoch at hand by being there twice.
            None => open.witnesses[slot].is_none(),
        });
        if !joins {
            self.end(out);
        }
        let open = self.open.get_or_insert_with(|| Open::new(witness.time_of_day_ms, at));
        open.at = at;
        // RMC and GLL speak for the whole receiver: one that denies the fix is not outvoted by another of the same
        // time.
        let whole = slot == 0 || slot == 3;
        match &mut open.witnesses[slot] {
            Some(held) if whole => {
                if witness.verdict.is_err() && held.verdict.is_ok() {
                    *held = witness;
                }
            }
            // Receivers send one GGA per constellation: the one with more satellites counts, not the later.
            Some(held) if (witness.verdict.is_ok(), witness.satellites) <= (held.verdict.is_ok(), held.satellites) => {}
            slot => *slot = Some(witness),
        }
    }

    fn decide(&mut self, open: &Open) -> Option<Epoch> {
        if open.witnesses.iter().all(Option::is_none) {
            return None;
        }
        let date = self.judge_date(open);
        match date {
            DateVerdict::Mended { .. } => self.counts.dates_mended += 1,
            DateVerdict::NotYet | DateVerdict::Impossible => self.counts.dates_refused += 1,
            DateVerdict::Good { .. } | DateVerdict::Missing => {}
        }
        let mut epoch = Epoch { at: open.at, time_of_day_ms: open.time_of_day_ms, date, outcome: Err(Refusal::NoTime) };
        epoch.outcome = self.fix(open, epoch.utc());
        Some(epoch)
    }

    fn judge_date(&self, open: &Open) -> DateVerdict {
        let zda = self.zda.filter(|(time, _)| Some(*time) == open.time_of_day_ms).map(|(_, date)| date);
        match zda.or(open.date) {
            Some((year, month, day)) => self.dates.judge(year, month, day),
            None if open.date_unreadable => DateVerdict::Impossible,
            None => DateVerdict::Missing,
        }
    }

    fn fix(&mut self, open: &Open, utc: Option<Utc>) -> Result<Fix, Refusal> {
        let position = agreed_position(&open.witnesses)?;
        let time_of_day_ms = open.time_of_day_ms.ok_or(Refusal::NoTime)?;
        self.keep_order(time_of_day_ms, open.at)?;
        let of_witnesses = || open.witnesses.iter().flatten();
        if let Some(hdop) = of_witnesses().find_map(|witness| witness.hdop).or(open.gsa_hdop) {
            self.hdop = Some((hdop, open.at));
        }
        let gsa_satellites = Some(open.gsa_satellites).filter(|count| 0 < *count);
        if let Some(count) = of_witnesses().filter_map(|witness| witness.satellites).max().or(gsa_satellites) {
            self.satellites = Some((count, open.at));
        }
        let sigma_m = self.gst.filter(|(time, _)| *time == time_of_day_ms).map(|(_, sigma_m)| sigma_m);
        let fix = Fix {
            at: open.at,
            utc,
            position,
            speed_mps: open.rmc_speed_mps.or(open.vtg_speed_mps),
            hdop: fresh(self.hdop, open.at),
            satellites: fresh(self.satellites, open.at),
            sigma_m,
        };
        self.plausible.judge(&fix, time_of_day_ms)?;
        Ok(fix)
    }

    fn keep_order(&mut self, time_of_day_ms: u32, at: Mono) -> Result<(), Refusal> {
        if let Some((last_ms, last_at)) = self.order.last
            && at.since_ms(last_at) < ORDER_KEPT_MS
        {
            let step_ms = step_ms(last_ms, time_of_day_ms);
            if step_ms == 0 {
                return Err(Refusal::Repeated);
            }
            if step_ms < 0 {
                let run = match self.order.backward {
                    Some((before_ms, run)) if 0 < self::step_ms(before_ms, time_of_day_ms) => run + 1,
                    _ => 1,
                };
                self.order.backward = Some((time_of_day_ms, run));
                if run < BACKWARD_RUN {
                    return Err(Refusal::Backward);
                }
                self.counts.clock_steps_back += 1;
            }
        }
        self.order = Order { last: Some((time_of_day_ms, at)), backward: None };
        Ok(())
    }
}

/// From one time of day to another the short way round, ms: a drop of over 12 h is midnight.
#[must_use]
pub fn step_ms(from_ms: u32, to_ms: u32) -> i64 {
    let step = i64::from(to_ms) - i64::from(from_ms);
    if step < -DAY_MS / 2 {
        step + DAY_MS
    } else if DAY_MS / 2 < step {
        step - DAY_MS
    } else {
        step
    }
}

fn fresh<T: Copy>(remembered: Option<(T, Mono)>, now: Mono) -> Option<T> {
    remembered.filter(|(_, at)| now.since_ms(*at) <= QUALITY_KEPT_MS).map(|(value, _)| value)
}

fn speed_mps(value: Option<f64>, unit_mps: f64) -> Option<f64> {
    value.filter(|value| 0.0 <= *value).map(|value| value * unit_mps)
}

/// The whole way from bytes to epochs.
#[derive(Clone, Debug)]
pub struct BytesToEpochs {
    reader: Reader,
    assembler: Assembler,
}

impl BytesToEpochs {
    /// `dates` is what the receiver's dates are held against.
    #[must_use]
    pub fn new(dates: DateReference) -> Self {
        Self { reader: Reader::default(), assembler: Assembler::new(dates) }
    }

    /// Takes the bytes that arrived at `now`; epochs that are decided by them are appended to `out`.
    pub fn on_bytes(&mut self, bytes: &[u8], now: Mono, out: &mut Vec<Epoch>) {
        let Self { reader, assembler } = self;
        reader.feed(bytes, &mut |sentence| assembler.take(sentence, now, out));
    }

    /// Ends what is unfinished: the file is at its end, or the device has gone.
    pub fn on_end(&mut self, now: Mono, out: &mut Vec<Epoch>) {
        let Self { reader, assembler } = self;
        reader.finish(&mut |sentence| assembler.take(sentence, now, out));
        assembler.end(out);
    }

    /// The reader, for its counts.
    #[must_use]
    pub fn reader(&self) -> &Reader {
        &self.reader
    }

    /// The assembler, for its counts.
    #[must_use]
    pub fn assembler(&self) -> &Assembler {
        &self.assembler
    }

    /// The assembler, to end epochs and to change its reference.
    pub fn assembler_mut(&mut self) -> &mut Assembler {
        &mut self.assembler
    }
}

#[cfg(test)]
mod tests;
