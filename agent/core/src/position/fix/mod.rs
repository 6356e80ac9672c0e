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

use super::Fix;
use super::nmea::fields::{Coordinates, Fields};
use super::nmea::{Kind, Reader, Sentence, by_crate};
use crate::geo::LatLon;
use crate::moment::{Mono, Utc};
use date::{DateReference, DateVerdict};
use plausible::Plausible;

/// An epoch ends when the line has been quiet for so long, ms: at 4,800 bit/s one character takes 2 ms, and receivers
/// send their set in one go (our own limit).
pub const QUIET_MS: u64 = 300;

/// Two witnesses of one epoch may differ by so much, metres: two decimal places of minutes are 18.5 m (our own limit).
pub const WITNESSES_APART_MAX_M: f64 = 30.0;

/// Quality that is not sent in every epoch is remembered for so long, ms: a recorded handheld sends GGA every fifth
/// second (our own limit).
pub const QUALITY_KEPT_MS: u64 = 10_000;

/// After so many rising epochs in a row that lie before the last fix, with none after it between, the receiver's clock
/// has stepped back and they are believed (our own limit).
pub const BACKWARD_RUN: u32 = 5;

/// Without a fix for so long, ms, the time of day alone does not tell before from after.
const ORDER_KEPT_MS: u64 = 11 * 3_600_000;

const DAY_MS: i64 = 86_400_000;

/// Why an epoch is no fix.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Refusal {
    /// Status V: the receiver warns that it has no fix.
    StatusVoid,
    /// Quality 0 or mode N.
    QualityZero,
    /// Mode E or quality 6: dead reckoning.
    DeadReckoning,
    /// Mode M or quality 7: typed in by hand.
    Manual,
    /// Mode S or quality 8: made up by a simulator.
    Simulator,
    /// A status, mode or quality that we don't know.
    UnknownMode,
    /// Affirmed, but without a position.
    NoPosition,
    /// The numbers are no latitude and longitude.
    BadPosition,
    /// N, S, E or W is missing.
    NoHemisphere,
    /// Exactly 0° N 0° E: an empty field in disguise.
    ZeroZero,
    /// A position without a time of day.
    NoTime,
    /// One sentence affirms the fix and another denies it, or their positions differ.
    Disagree,
    /// The same time of day as the fix before.
    Repeated,
    /// A time before that of the fix before.
    Backward,
    /// The position stands digit for digit while the speed says otherwise.
    Frozen,
    /// From a proven place to one that no vehicle could have reached.
    Leap,
}

impl Refusal {
    /// All of them, in the order of their counts.
    pub const ALL: [Self; 16] = [
        Self::StatusVoid,
        Self::QualityZero,
        Self::DeadReckoning,
        Self::Manual,
        Self::Simulator,
        Self::UnknownMode,
        Self::NoPosition,
        Self::BadPosition,
        Self::NoHemisphere,
        Self::ZeroZero,
        Self::NoTime,
        Self::Disagree,
        Self::Repeated,
        Self::Backward,
        Self::Frozen,
        Self::Leap,
    ];

    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::StatusVoid => "status_void",
            Self::QualityZero => "quality_zero",
            Self::DeadReckoning => "dead_reckoning",
            Self::Manual => "manual",
            Self::Simulator => "simulator",
            Self::UnknownMode => "unknown_mode",
            Self::NoPosition => "no_position",
            Self::BadPosition => "bad_position",
            Self::NoHemisphere => "no_hemisphere",
            Self::ZeroZero => "zero_zero",
            Self::NoTime => "no_time",
            Self::Disagree => "disagree",
            Self::Repeated => "repeated",
            Self::Backward => "backward",
            Self::Frozen => "frozen",
            Self::Leap => "leap",
        }
    }

    /// What it means and what to do, one sentence for a technician.
    #[must_use]
    pub fn reason(self) -> &'static str {
        match self {
            Self::StatusVoid | Self::QualityZero => {
                "it has no fix yet; see that its antenna is connected and has open sky, and give it a few minutes"
            }
            Self::DeadReckoning => "it only guesses onwards from its last fix; see that its antenna has open sky",
            Self::Manual => "its position was typed in by hand; set it back to satellite positioning",
            Self::Simulator => "it is in simulator mode; set it back to satellite positioning",
            Self::UnknownMode => "it reports a status that is in no standard we know; check its settings",
            Self::NoPosition | Self::BadPosition => "it claims a fix without a readable position; restart it",
            Self::NoHemisphere => "its positions lack north/south or east/west; check its settings",
            Self::ZeroZero => "it reports 0 degrees north 0 degrees east, which means no position; restart it",
            Self::NoTime => "its positions carry no time; give it open sky for a few minutes",
            Self::Disagree => {
                "its sentences contradict each other; see that only one GPS receiver is connected to this line"
            }
            Self::Repeated => "it repeats one and the same time; restart it",
            Self::Backward => "its time goes back; see that only one GPS receiver is connected to this line",
            Self::Frozen => "its position stands still, digit for digit, while it reports a speed; restart it",
            Self::Leap => {
                "it leapt to a place that no vehicle could have reached, as under jamming or with a false signal; it is \
                 believed again when it comes back, or after 20 minutes"
            }
        }
    }

    fn index(self) -> usize {
        Self::ALL.iter().position(|other| *other == self).unwrap_or(0)
    }
}

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

/// What one sentence says of the epoch's position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Witness {
    /// Its time of day, ms; `None` if it carries none.
    pub time_of_day_ms: Option<u32>,
    /// Whether its status, mode and quality affirm a fix, or why not.
    pub verdict: Result<(), Refusal>,
    /// Its position fields.
    pub coordinates: Coordinates,
    /// Satellites used; `None` if it does not say.
    pub satellites: Option<u8>,
    /// Horizontal dilution of precision; `None` if it does not say.
    pub hdop: Option<f64>,
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
                let witness = Witness::of_gll(&fields);
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

impl Witness {
    /// What an RMC says.
    #[must_use]
    pub fn of_rmc(fields: &Fields<'_>) -> Self {
        let verdict = status(fields.text(2)).and_then(|()| mode(fields.text(12)));
        Self::new(fields.time_of_day_ms(1), verdict, fields.position(3))
    }

    /// What a GLL says.
    #[must_use]
    pub fn of_gll(fields: &Fields<'_>) -> Self {
        let verdict = status(fields.text(6)).and_then(|()| mode(fields.text(7)));
        Self::new(fields.time_of_day_ms(5), verdict, fields.position(1))
    }

    /// What a GGA says.
    #[must_use]
    pub fn of_gga(fields: &Fields<'_>) -> Self {
        // Quality of GGA: 0 none, 1 to 3 GPS with and without correction, 4 and 5 real-time kinematic, 6 dead
        // reckoning,
        // 7 manual, 8 simulator (NMEA 0183; from memory).
        let verdict = match fields.text(6) {
            [b'1'..=b'5'] => Ok(()),
            b"" | b"0" => Err(Refusal::QualityZero),
            b"6" => Err(Refusal::DeadReckoning),
            b"7" => Err(Refusal::Manual),
            b"8" => Err(Refusal::Simulator),
            _ => Err(Refusal::UnknownMode),
        };
        Self::new(fields.time_of_day_ms(1), verdict, fields.position(2)).with_quality(fields)
    }

    /// What a GNS says.
    #[must_use]
    pub fn of_gns(fields: &Fields<'_>) -> Self {
        // One mode letter for each constellation; a constellation may be unused (N) while another gives the fix.
        let modes = fields.text(6);
        let mut used = modes.iter().filter(|letter| **letter != b'N').peekable();
        let verdict = match used.peek() {
            None => Err(Refusal::QualityZero),
            Some(_) => used.try_for_each(|letter| mode(&[*letter])),
        };
        Self::new(fields.time_of_day_ms(1), verdict, fields.position(2)).with_quality(fields)
    }

    fn new(time_of_day_ms: Option<u32>, verdict: Result<(), Refusal>, coordinates: Coordinates) -> Self {
        Self { time_of_day_ms, verdict, coordinates, satellites: None, hdop: None }
    }

    /// GGA and GNS have satellites and HDOP in the same fields. Some receivers write 00 satellites in every sentence,
    /// with a good fix.
    fn with_quality(self, fields: &Fields<'_>) -> Self {
        let satellites = fields.whole(7).filter(|count| 0 < *count).map(|count| u8::try_from(count).unwrap_or(u8::MAX));
        Self { satellites, hdop: known_hdop(fields.number(8)), ..self }
    }

    /// It affirms a fix and gives a whole position.
    #[must_use]
    pub fn is_complete(&self) -> bool {
        self.verdict.is_ok() && matches!(self.coordinates, Coordinates::At { .. })
    }

    fn position(&self) -> Result<(LatLon, usize), Refusal> {
        match self.coordinates {
            Coordinates::At { lat_deg, lon_deg, places } => {
                // Under a tenth of a metre from the origin, in the sea off Africa, no trailer stands.
                if lat_deg.abs() < 1e-6 && lon_deg.abs() < 1e-6 {
                    return Err(Refusal::ZeroZero);
                }
                LatLon::new(lat_deg, lon_deg).map(|position| (position, places)).ok_or(Refusal::BadPosition)
            }
            Coordinates::NoHemisphere => Err(Refusal::NoHemisphere),
            Coordinates::Unreadable => Err(Refusal::BadPosition),
            Coordinates::Empty => Err(Refusal::NoPosition),
        }
    }
}

/// The finest position among the witnesses, if all affirm it and agree.
fn agreed_position(witnesses: &[Option<Witness>; 4]) -> Result<LatLon, Refusal> {
    let all = || witnesses.iter().flatten();
    let denial = all().find_map(|witness| witness.verdict.err());
    let affirmed = all().any(|witness| witness.verdict.is_ok() && witness.time_of_day_ms.is_some());
    match denial {
        Some(_) if affirmed => return Err(Refusal::Disagree),
        Some(why) => return Err(why),
        None => {}
    }
    let mut best: Option<(LatLon, usize)> = None;
    let mut missing = None;
    for witness in all().filter(|witness| witness.time_of_day_ms.is_some()) {
        match witness.position() {
            Ok((position, places)) => match best {
                Some((held, held_places)) => {
                    if WITNESSES_APART_MAX_M < held.distance_m(position) {
                        return Err(Refusal::Disagree);
                    }
                    if held_places < places {
                        best = Some((position, places));
                    }
                }
                None => best = Some((position, places)),
            },
            // A witness without a position is silent; one with a wrong one spoils the epoch.
            Err(Refusal::NoPosition) => missing = Some(Refusal::NoPosition),
            Err(why) => return Err(why),
        }
    }
    best.map(|(position, _)| position).ok_or(missing.unwrap_or(Refusal::NoTime))
}

fn status(text: &[u8]) -> Result<(), Refusal> {
    match text {
        b"A" => Ok(()),
        b"V" | b"" => Err(Refusal::StatusVoid),
        b"S" => Err(Refusal::Simulator),
        _ => Err(Refusal::UnknownMode),
    }
}

/// Mode indicator of NMEA 0183 2.3 and later (from memory): A autonomous, D differential, F and R real-time kinematic,
/// P precise, E estimated, M manual, S simulator, N none. Older receivers send none.
fn mode(text: &[u8]) -> Result<(), Refusal> {
    match text {
        b"" | b"A" | b"D" | b"F" | b"R" | b"P" => Ok(()),
        b"N" => Err(Refusal::QualityZero),
        b"E" => Err(Refusal::DeadReckoning),
        b"M" => Err(Refusal::Manual),
        b"S" => Err(Refusal::Simulator),
        _ => Err(Refusal::UnknownMode),
    }
}

fn speed_mps(value: Option<f64>, unit_mps: f64) -> Option<f64> {
    value.filter(|value| 0.0 <= *value).map(|value| value * unit_mps)
}

/// Some receivers write 0.0 or 99.9 for an unknown dilution.
fn known_hdop(hdop: Option<f64>) -> Option<f64> {
    hdop.filter(|hdop| 0.0 < *hdop && *hdop < 99.0)
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
