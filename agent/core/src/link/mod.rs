//! What is known of the tether. First reading: is the interface up, has it an address, when did the last receipt come.

/// What the link watcher publishes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum LinkView {
    /// The configuration names no interface.
    #[default]
    NotFitted,
    /// No such interface.
    Absent {
        /// Name or rule that was looked for.
        looked_for: String,
    },
    /// There, but without carrier or switched off.
    Down {
        /// Its present name.
        interface: String,
        /// "no carrier" or "switched off".
        why: String,
    },
    /// Up; whether packets get through is said by the last receipt.
    Up {
        /// Its present name.
        interface: String,
    },
}
