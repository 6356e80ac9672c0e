//! Physical quantities at module borders. Inside a function plain numbers with a unit in their name are used.

/// A value outside the range that its unit allows.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{value} {unit} is outside {min} to {max} {unit}")]
pub struct OutOfRange {
    /// What was given.
    pub value: f64,
    /// Lowest value allowed.
    pub min: f64,
    /// Highest value allowed.
    pub max: f64,
    /// Unit of all three.
    pub unit: &'static str,
}

fn within(value: f64, min: f64, max: f64, unit: &'static str) -> Result<f64, OutOfRange> {
    if min <= value && value <= max { Ok(value) } else { Err(OutOfRange { value, min, max, unit }) }
}

/// Length or distance, metres; finite, 0 to 4.1e7 (once round the Earth; source: our own limit).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Metres(f64);

impl Metres {
    /// # Errors
    /// [`OutOfRange`] if `value_m` is negative, over 4.1e7 or not a number.
    pub fn new(value_m: f64) -> Result<Self, OutOfRange> {
        within(value_m, 0.0, 4.1e7, "m").map(Self)
    }

    /// The length in metres.
    #[must_use]
    pub fn m(self) -> f64 {
        self.0
    }
}

/// Speed over ground, metres a second; finite, 0 to 1,000 (source: our own limit).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct MetresPerSecond(f64);

impl MetresPerSecond {
    /// One knot in metres a second: 1852 m / 3600 s, exact (international nautical mile).
    pub const KNOT_MPS: f64 = 1852.0 / 3600.0;

    /// # Errors
    /// [`OutOfRange`] if `value_mps` is negative, over 1,000 or not a number.
    pub fn new(value_mps: f64) -> Result<Self, OutOfRange> {
        within(value_mps, 0.0, 1000.0, "m/s").map(Self)
    }

    /// The speed in metres a second.
    #[must_use]
    pub fn mps(self) -> f64 {
        self.0
    }
}
