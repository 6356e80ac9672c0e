//! The rungs of evidence, from the plug to the receipt. The first broken one is the finding.

/// How far a packet gets. In the order in which a packet meets them: the smaller one is found first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Rung {
    /// No such interface and no such device.
    Absent,
    /// The device is on the USB bus without an interface: it is charging, nothing else.
    ChargingOnly,
    /// The interface is there, but switched off or without carrier.
    NoCarrier,
    /// No address that could be used.
    NoAddress,
    /// An address, but no way out.
    NoRoute,
    /// The way out leads over another interface.
    OtherRoute,
    /// The next hop does not answer, though something was sent.
    GatewaySilent,
    /// Names don't resolve.
    NamesFail,
    /// Somebody on the way answers in the receiver's place.
    Portal,
    /// Names resolve, no connection comes about to anybody.
    TcpBlocked,
    /// The receiver's certificate and the trailer's clock disagree, and it is the clock.
    ClockWrong,
    /// No secure connection comes about.
    TlsFails,
    /// Small packets pass, large ones don't.
    LargeLost,
    /// The internet answers, the receiver does not.
    ReceiverSilent,
    /// The receiver answers and does not take what is sent.
    ReceiverRefuses,
    /// Everything gets through, but slowly.
    Slow,
    /// Nothing was tried yet.
    Unproven,
    /// Receipts come.
    Up,
}

impl Rung {
    /// All of them, in their order.
    pub const ALL: [Self; 18] = [
        Self::Absent,
        Self::ChargingOnly,
        Self::NoCarrier,
        Self::NoAddress,
        Self::NoRoute,
        Self::OtherRoute,
        Self::GatewaySilent,
        Self::NamesFail,
        Self::Portal,
        Self::TcpBlocked,
        Self::ClockWrong,
        Self::TlsFails,
        Self::LargeLost,
        Self::ReceiverSilent,
        Self::ReceiverRefuses,
        Self::Slow,
        Self::Unproven,
        Self::Up,
    ];

    /// The word used in files and metrics.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Absent => "absent",
            Self::ChargingOnly => "charging-only",
            Self::NoCarrier => "no-carrier",
            Self::NoAddress => "no-address",
            Self::NoRoute => "no-route",
            Self::OtherRoute => "other-route",
            Self::GatewaySilent => "gateway-silent",
            Self::NamesFail => "names-fail",
            Self::Portal => "portal",
            Self::TcpBlocked => "tcp-blocked",
            Self::ClockWrong => "clock-wrong",
            Self::TlsFails => "tls-fails",
            Self::LargeLost => "large-lost",
            Self::ReceiverSilent => "receiver-silent",
            Self::ReceiverRefuses => "receiver-refuses",
            Self::Slow => "slow",
            Self::Unproven => "unproven",
            Self::Up => "up",
        }
    }

    /// The rung with that word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|rung| rung.word() == word)
    }

    /// Its place in [`Self::ALL`].
    #[must_use]
    pub fn number(self) -> usize {
        Self::ALL.iter().position(|rung| *rung == self).unwrap_or(0)
    }

    /// True if nothing can be delivered.
    #[must_use]
    pub fn broken(self) -> bool {
        !matches!(self, Self::Slow | Self::Unproven | Self::Up)
    }

    /// True if the fault is seen by the kernel alone, without sending anything.
    #[must_use]
    pub fn by_kernel(self) -> bool {
        self <= Self::OtherRoute
    }

    /// True if it is our own link that is broken, and nothing beyond it.
    #[must_use]
    pub fn ours(self) -> bool {
        self <= Self::TcpBlocked || self == Self::LargeLost
    }
}

/// What was found, with what makes it this and no other.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// The first broken rung.
    pub rung: Rung,
    /// A few words: a name of an interface, "switched off", "no answer". At most 80 characters, no plate.
    pub detail: String,
}

impl Finding {
    /// A finding with its detail.
    #[must_use]
    pub fn new(rung: Rung, detail: impl Into<String>) -> Self {
        let detail: String = detail.into();
        Self { rung, detail: detail.chars().take(80).collect() }
    }

    /// A finding that needs no detail.
    #[must_use]
    pub fn bare(rung: Rung) -> Self {
        Self::new(rung, "")
    }
}
