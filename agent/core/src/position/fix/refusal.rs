//! Why an epoch is no fix, in a word for files and in a sentence for people.

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

    pub(super) fn index(self) -> usize {
        Self::ALL.iter().position(|other| *other == self).unwrap_or(0)
    }
}
