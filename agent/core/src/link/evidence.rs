//! What is known of the way to the receiver, and from where: the kernel's facts, the outcomes of our own traffic, and
//! the reports of our own probes.

use super::usage::Counters;
use crate::forward::answer::NoAnswer;
use crate::moment::Mono;
use crate::queue::Lane;

/// What the kernel tells of the tether at one instant.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Facts {
    /// What was looked for, for people.
    pub looked_for: String,
    /// The interface, if it is there.
    pub interface: Option<Interface>,
    /// The device is on the USB bus, and no interface belongs to it.
    pub device_without_interface: bool,
    /// The way to the receiver's address, if that address is known.
    pub way: Way,
}

/// The interface of the tether.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
#[expect(clippy::struct_excessive_bools, reason = "five facts that hold or not, each independent of the others")]
pub struct Interface {
    /// Its present name.
    pub name: String,
    /// Its number; a new one after each plugging in. `None`: it could not be read.
    pub index: Option<u32>,
    /// Switched on.
    pub on: bool,
    /// It has a carrier.
    pub carrier: bool,
    /// It has an IPv4 address that may be used beyond the cable.
    pub v4: bool,
    /// It has an IPv6 address that may be used beyond the cable.
    pub v6: bool,
    /// It has a default route.
    pub default_route: bool,
    /// Another interface whose default route is preferred, if any.
    pub outdone_by: Option<String>,
    /// The next hop.
    pub gateway: Gateway,
    /// How long ago the next hop last proved that it is there, ms.
    pub gateway_heard_ms: Option<u64>,
    /// Bytes received since the interface was made; `None`: the counter could not be read.
    pub received: Option<u64>,
    /// Bytes sent since the interface was made; `None`: the counter could not be read.
    pub sent: Option<u64>,
}

impl Interface {
    /// Its counters, for the account of the data used; `None` if the look was not complete. An interface that vanishes
    /// while it is looked at leaves such a look.
    #[must_use]
    pub fn counters(&self, boot: &str) -> Option<Counters> {
        let bytes = self.received?.saturating_add(self.sent?);
        Some(Counters { boot: boot.to_owned(), index: self.index?, bytes })
    }
}

/// What the kernel's neighbour table says of the next hop.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Gateway {
    /// Nothing certain: not asked, or being asked.
    #[default]
    Unknown,
    /// There is none: what is sent goes into the cable, and nobody answers for it.
    NotThere,
    /// It has answered.
    Answers,
    /// It was asked after a send, and did not answer.
    Failed,
}

/// The route that the kernel would take to the receiver.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Way {
    /// The receiver's address is not known.
    #[default]
    Unknown,
    /// Over the tether.
    Ours,
    /// Over another interface.
    Other(String),
    /// There is none.
    None,
}

/// What the forwarder tells of its own traffic.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Traffic {
    /// A request of this lane began.
    Began(Lane),
    /// It ended.
    Ended(Lane, Attempt),
    /// Hits got their receipts, so many ms after their capture; `None`: nobody knows.
    Hits(Vec<Option<u64>>),
}

/// How one request of the forwarder ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// The receiver took at least one event, or refused one alone.
    Receipt,
    /// It answered with this status, or with 200 and no receipts, and took nothing.
    Status(u16),
    /// No answer.
    NoAnswer(NoAnswer),
}

/// One request of the forwarder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Attempt {
    /// When it began.
    pub began: Mono,
    /// When it ended.
    pub at: Mono,
    /// Bytes of its body.
    pub bytes: u64,
    /// How.
    pub ended: Ended,
}

/// What asking for the receiver's name brought.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Names {
    /// Not asked: the address is a number, or it was found a short while ago.
    #[default]
    NotAsked,
    /// At least one address.
    Found,
    /// The name server says that there is no such name.
    NotFound,
    /// No answer in time.
    Silent,
}

/// What a connection to the receiver brought.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Tcp {
    /// Not tried.
    #[default]
    NotTried,
    /// It stands; how long it took, ms.
    Connected(u64),
    /// The other end, or somebody in its name, refused at once.
    Refused,
    /// Nothing came back in time.
    Silent,
    /// The computer itself, or a router, says that there is no way.
    Unreachable,
}

/// What one probe brought. Whatever was not asked says nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Probe {
    /// When it began.
    pub began: Mono,
    /// When it was over.
    pub at: Mono,
    /// The receiver's name.
    pub names: Names,
    /// Whether a name that can't exist got an address: somebody answers for everybody.
    pub names_lie: Option<bool>,
    /// A connection to the receiver.
    pub tcp: Tcp,
    /// Whether one of the owner's other addresses took a connection; `None`: none is configured, or none was asked.
    pub others_answer: Option<bool>,
    /// Whether a web address over plain HTTP was answered by somebody else.
    pub portal: Option<bool>,
    /// Whether an answer came to a large first packet.
    pub large_passes: Option<bool>,
    /// Whether an answer came to the same bytes in small packets.
    pub small_passes: Option<bool>,
    /// It looked for a connection only, and not for whoever may stand in its way.
    pub plain: bool,
    /// Bytes that it cost, both ways, headers included (an estimate from above).
    pub cost: u64,
}

/// What a probe shall find out beside name and connection.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[expect(clippy::struct_excessive_bools, reason = "four questions, each asked or not")]
pub struct Ask {
    /// Whether names lie, other addresses answer, and a web page comes from a stranger.
    pub strangers: bool,
    /// Whether large packets pass.
    pub sizes: bool,
    /// Of sizes the large one alone: that small packets pass is known.
    pub large_alone: bool,
    /// Ask for the name even if it was found a short while ago.
    pub names_anew: bool,
}
