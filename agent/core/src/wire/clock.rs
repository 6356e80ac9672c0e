//! What is remembered of the host's clock within one boot, as it is stored: JSON. The boot-time clock goes on over a
//! restart of the agent and begins anew with each boot, so a memory of another boot dates nothing.

use crate::moment::{ClockEra, ClockEras, Mono};
use serde::{Deserialize, Serialize};

/// What is remembered.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockMemory {
    /// The kernel's id of the boot; never empty.
    pub boot_id: String,
    /// How many events had been accepted before the agent first started in this boot.
    pub accepted_before: u64,
    /// Whether anybody has confirmed the time in this boot.
    pub dated: bool,
    /// When the clock was looked at last, by the boot-time clock, ms.
    pub looked_ms: u64,
    /// Stretches of the host's clock, oldest first: first instant by the boot-time clock, ms, and UTC less that clock,
    /// ms.
    pub eras: Vec<(u64, i64)>,
}

impl ClockMemory {
    /// The stored form.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        // Only text and numbers, so that this cannot fail.
        serde_json::to_vec(self).unwrap_or_default()
    }

    /// What was stored; `None` if it can't be read, which costs no more than the dates of early reads.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        serde_json::from_slice(bytes).ok()
    }

    /// The steps of the clock that are remembered.
    #[must_use]
    pub fn eras(&self) -> ClockEras {
        let eras = self.eras.iter().map(|(from, offset_ms)| ClockEra { from: Mono(*from), offset_ms: *offset_ms });
        ClockEras::resume(eras, Mono(self.looked_ms))
    }
}
