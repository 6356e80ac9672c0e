//! How a command ends. One enum, so that the numbers mean the same everywhere.

use std::process::{ExitCode, Termination};

/// Exit codes of `pintle`. 0 to 3 are our own (design), 64, 69 and 78 follow `sysexits.h` (BSD).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Exit {
    /// Done, or `status`: fine.
    #[default]
    Good,
    /// `status`: somebody should look; `demo`: the judge found a fault.
    Look,
    /// `status`: somebody must act; other commands: it could not be done, the message says what to do.
    Act,
    /// `status`: what was found is too old to be believed, or can't be read.
    Stale,
    /// The command line was not understood (`EX_USAGE`).
    Usage,
    /// No agent is running, or it does not answer (`EX_UNAVAILABLE`).
    NoAgent,
    /// The configuration is not right (`EX_CONFIG`).
    Config,
}

impl Exit {
    /// The number that the shell sees.
    #[must_use]
    pub fn code(self) -> u8 {
        match self {
            Self::Good => 0,
            Self::Look => 1,
            Self::Act => 2,
            Self::Stale => 3,
            Self::Usage => 64,
            Self::NoAgent => 69,
            Self::Config => 78,
        }
    }
}

impl Termination for Exit {
    fn report(self) -> ExitCode {
        ExitCode::from(self.code())
    }
}
