//! What can be wrong with a configuration file, said so that one reading mends it all.

use std::fmt;
use std::path::{Path, PathBuf};

/// One mistake: where, what, and what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// Line in the file, from 1; `None` if something is missing altogether.
    pub line: Option<usize>,
    /// The key in the form `table.name`, or the table; empty if the file can't be read that far.
    pub key: String,
    /// What is wrong, one clause. Never repeats a text value of the file: it may be a secret in the wrong place.
    pub what: String,
    /// What to do, one clause.
    pub advice: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "line {line}: ")?,
            None => f.write_str("missing: ")?,
        }
        write!(f, "{}; {}", self.what, self.advice)
    }
}

/// Why there is no configuration.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ConfigError {
    /// The file can't be read at all.
    #[error("the configuration {path} can't be read: {detail}", path = path.display())]
    Unreadable {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        detail: String,
        /// Next step.
        advice: String,
    },
    /// The file was read; all its mistakes.
    #[error("{}", listed(path, mistakes))]
    Mistakes {
        /// Which file.
        path: PathBuf,
        /// In the order of the lines; what is missing comes last.
        mistakes: Vec<Mistake>,
    },
}

impl ConfigError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> &str {
        match self {
            Self::Unreadable { advice, .. } => advice,
            Self::Mistakes { .. } => {
                "correct these lines, then try `pintle check`; every key is explained in config/pintle.toml"
            }
        }
    }
}

fn listed(path: &Path, mistakes: &[Mistake]) -> String {
    let count = match mistakes.len() {
        1 => "1 mistake".to_owned(),
        n => format!("{n} mistakes"),
    };
    let lines: Vec<String> = mistakes.iter().map(|mistake| format!("\n  {mistake}")).collect();
    format!("{count} in the configuration {}:{}", path.display(), lines.concat())
}
