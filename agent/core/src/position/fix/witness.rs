//! What single sentences say of the epoch's position, and whether they agree.

use super::Refusal;
use crate::geo::LatLon;
use crate::position::nmea::fields::{Coordinates, Fields};

/// Two witnesses of one epoch may differ by so much, metres: two decimal places of minutes are 18.5 m (our own limit).
pub const WITNESSES_APART_MAX_M: f64 = 30.0;

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

impl Witness {
    /// What an RMC says.
    #[must_use]
    pub fn of_rmc(fields: &Fields<'_>) -> Self {
        let verdict = status(fields.text(2)).and_then(|()| mode(fields.text(12)));
        Self::new(fields.time_of_day_ms(1), verdict, fields.position(3))
    }

    /// What a GLL says; `None` if it ends before its status: the first receivers sent none (from memory), and what
    /// neither affirms nor denies a fix is no witness.
    #[must_use]
    pub fn of_gll(fields: &Fields<'_>) -> Option<Self> {
        if fields.len() < 6 {
            return None;
        }
        let verdict = status(fields.text(6)).and_then(|()| mode(fields.text(7)));
        Some(Self::new(fields.time_of_day_ms(5), verdict, fields.position(1)))
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
pub(super) fn agreed_position(witnesses: &[Option<Witness>; 4]) -> Result<LatLon, Refusal> {
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

/// Some receivers write 0.0 or 99.9 for an unknown dilution.
pub(super) fn known_hdop(hdop: Option<f64>) -> Option<f64> {
    hdop.filter(|hdop| 0.0 < *hdop && *hdop < 99.0)
}
