//! Kinds and classes of queued events, their order, their ages, and the arithmetic of the ledger.

pub mod blocks;
pub mod holds;
pub mod lived;
pub mod order;
pub mod page;
pub mod ranges;
pub mod retention;

/// What an event tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EventKind {
    /// A plate read.
    Read,
    /// A later stamp of a read that was already sent.
    Stamp,
    /// A site was found, refined or left.
    Site,
    /// A track point underway.
    Track,
    /// Something worth telling about the trailer.
    Notice,
    /// The ledger says what became of accepted events (expired, evicted, a generation closed).
    Ledger,
    /// Counts and roots of blocks of events, for the receiver to compare with its own.
    Digest,
}

impl EventKind {
    /// All kinds, in the order of their codes.
    pub const ALL: [Self; 7] =
        [Self::Read, Self::Stamp, Self::Site, Self::Track, Self::Notice, Self::Ledger, Self::Digest];

    /// `CloudEvents` type.
    #[must_use]
    pub fn event_type(self) -> &'static str {
        match self {
            Self::Read => "pintle.read.v1",
            Self::Stamp => "pintle.stamp.v1",
            Self::Site => "pintle.site.v1",
            Self::Track => "pintle.track.v1",
            Self::Notice => "pintle.notice.v1",
            Self::Ledger => "pintle.ledger.v1",
            Self::Digest => "pintle.digest.v1",
        }
    }

    /// Small number for the store.
    #[must_use]
    pub fn code(self) -> u8 {
        match self {
            Self::Read => 0,
            Self::Stamp => 1,
            Self::Site => 2,
            Self::Track => 3,
            Self::Notice => 4,
            Self::Ledger => 5,
            Self::Digest => 6,
        }
    }

    /// The kind of a store code.
    #[must_use]
    pub fn from_code(code: u8) -> Option<Self> {
        Self::ALL.get(usize::from(code)).copied()
    }
}

/// Which road an event takes: hits, alarms and test alerts are urgent, all else is not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Lane {
    /// Own connection, never behind anything else.
    Urgent,
    /// Fresh and backlog.
    Bulk,
}

/// What became of the events of one generation. `accepted = waiting + delivered + expired + evicted + refused` always.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LedgerCounts {
    /// Events ever accepted in this generation; also the highest sequence.
    pub accepted: u64,
    /// Waiting for a receipt (sent or not).
    pub waiting: u64,
    /// With a receipt "stored" or "duplicate".
    pub delivered: u64,
    /// Went at their age limit without a receipt.
    pub expired: u64,
    /// Went for space without a receipt.
    pub evicted: u64,
    /// The receiver said "refused"; set aside.
    pub refused: u64,
}

impl LedgerCounts {
    /// Events that are in none of the accounts: must be zero.
    #[must_use]
    pub fn not_accounted(&self) -> i128 {
        let known = [self.waiting, self.delivered, self.expired, self.evicted, self.refused];
        i128::from(self.accepted) - known.iter().map(|n| i128::from(*n)).sum::<i128>()
    }
}

/// Why a picture that was accepted never went to the receiver.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Never {
    /// It reached its age limit before its turn came.
    Expired,
    /// It went for space.
    Evicted,
    /// The receiver does not take it.
    Refused,
    /// The way to the receiver carries none.
    NotCarried,
    /// Its file was gone or cut on this trailer.
    Lost,
}

/// Where each file of a picture stands that was accepted with a read. A file that two reads name counts twice.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PictureCounts {
    /// Ever accepted in this generation, thumbnails among them.
    pub kept: u64,
    /// The receiver has them.
    pub sent: u64,
    /// See [`Never::Expired`].
    pub expired: u64,
    /// See [`Never::Evicted`].
    pub evicted: u64,
    /// See [`Never::Refused`].
    pub refused: u64,
    /// See [`Never::NotCarried`].
    pub not_carried: u64,
    /// See [`Never::Lost`].
    pub lost: u64,
}

impl PictureCounts {
    /// The account of one reason.
    pub fn of_mut(&mut self, never: Never) -> &mut u64 {
        match never {
            Never::Expired => &mut self.expired,
            Never::Evicted => &mut self.evicted,
            Never::Refused => &mut self.refused,
            Never::NotCarried => &mut self.not_carried,
            Never::Lost => &mut self.lost,
        }
    }

    /// Files that never went and never will.
    #[must_use]
    pub fn never(&self) -> u64 {
        self.expired + self.evicted + self.refused + self.not_carried + self.lost
    }

    /// Files that are in no other account: they still may go.
    #[must_use]
    pub fn waiting(&self) -> u64 {
        self.kept.saturating_sub(self.sent).saturating_sub(self.never())
    }
}
