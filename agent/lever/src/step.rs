//! The five words.

use serde::{Deserialize, Serialize};

/// What may be asked for, gentlest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Step {
    /// Ask for a new address.
    Renew,
    /// Switch the interface off and on.
    Cycle,
    /// Take the USB device's permission away and give it back: as if it were plugged in anew.
    Usb,
    /// The owner's own command.
    Command,
    /// Start the computer again.
    Reboot,
}

impl Step {
    /// All of them, gentlest first.
    pub const ALL: [Self; 5] = [Self::Renew, Self::Cycle, Self::Usb, Self::Command, Self::Reboot];

    /// The word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Renew => "renew",
            Self::Cycle => "cycle",
            Self::Usb => "usb",
            Self::Command => "command",
            Self::Reboot => "reboot",
        }
    }

    /// The step that a caller's line asks for: the word and the end of the line, nothing else.
    #[must_use]
    pub fn asked(line: &[u8]) -> Option<Self> {
        let word = line.strip_suffix(b"\n")?;
        Self::ALL.into_iter().find(|step| step.word().as_bytes() == word)
    }

    /// True if the cellular device begins anew by it.
    #[must_use]
    pub fn is_reset(self) -> bool {
        matches!(self, Self::Cycle | Self::Usb | Self::Command)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_five_words_are_heard() {
        for step in Step::ALL {
            assert_eq!(Step::asked(format!("{}\n", step.word()).as_bytes()), Some(step));
        }
        for other in
            ["", "\n", "renew", "renew \n", " renew\n", "Renew\n", "renew\n\n", "renew usb0\n", "halt\n", "renew\0\n"]
        {
            assert_eq!(Step::asked(other.as_bytes()), None, "{other:?}");
        }
        assert_eq!(Step::asked(b"\xff\xfe\n"), None);
    }
}
