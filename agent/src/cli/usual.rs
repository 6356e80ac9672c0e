//! The configuration that a command goes by, and where things lie if it may not be read. People who operate a trailer
//! are in the group of its control socket and not in that of its configuration, so what only asks does without it.

use super::CONFIG_PATH;
use crate::config::{self, Config, ConfigError};
use std::path::{Path, PathBuf};

/// Where the agent writes what people read if the configuration says nothing else; a test holds it to the keys.
pub(super) const RUNTIME_DIR: &str = "/run/pintle";
/// The same for what outlives a restart.
const STATE_DIR: &str = "/var/lib/pintle";

/// What a command goes by.
#[derive(Debug)]
pub(super) enum Found {
    /// The configuration.
    Read(Box<Config>),
    /// Nobody named one, and the usual one can't be read: the usual places.
    Usual(ConfigError),
}

/// The configuration that was named, or the usual one.
///
/// # Errors
/// [`ConfigError`] if the one that was named can't be read, or if there are mistakes in either.
pub(super) fn find(given: Option<&Path>) -> Result<Found, ConfigError> {
    find_at(given, Path::new(CONFIG_PATH))
}

fn find_at(given: Option<&Path>, usual: &Path) -> Result<Found, ConfigError> {
    match (config::read(given.unwrap_or(usual)), given) {
        (Ok(config), _) => Ok(Found::Read(Box::new(config))),
        (Err(error @ ConfigError::Unreadable { .. }), None) => Ok(Found::Usual(error)),
        (Err(error), _) => Err(error),
    }
}

impl Found {
    /// Where the agent writes what people read.
    pub(super) fn runtime_dir(&self) -> PathBuf {
        match self {
            Self::Read(config) => config.trailer.runtime_dir.clone(),
            Self::Usual(_) => PathBuf::from(RUNTIME_DIR),
        }
    }

    /// Where the agent keeps what outlives a restart.
    pub(super) fn state_dir(&self) -> PathBuf {
        match self {
            Self::Read(config) => config.trailer.state_dir.clone(),
            Self::Usual(_) => PathBuf::from(STATE_DIR),
        }
    }

    /// Where the agent is asked.
    pub(super) fn socket(&self) -> PathBuf {
        match self {
            Self::Read(config) => config.control.socket.clone(),
            Self::Usual(_) => self.runtime_dir().join("control.sock"),
        }
    }

    /// What to add to an advice, because the usual place was taken unread; empty if the configuration was read.
    pub(super) fn doubt(&self, instead: &str) -> String {
        match self {
            Self::Read(_) => String::new(),
            Self::Usual(why) => format!("; {why}, so the usual place was taken: name another with {instead}"),
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    const LEAST: &str = "[trailer]\nid = \"a\"\n[[camera]]\nid = \"a\"\n[queue]\nseal = \"none\"\n";

    #[test]
    fn the_usual_places_are_those_of_a_configuration_that_names_none() {
        let config = config::parse(LEAST).unwrap();
        let usual = Found::Usual(config::read(Path::new("/nowhere/pintle.toml")).unwrap_err());
        assert_eq!(usual.runtime_dir(), config.trailer.runtime_dir);
        assert_eq!(usual.state_dir(), config.trailer.state_dir);
        assert_eq!(usual.socket(), config.control.socket);
        assert!(usual.doubt("--socket PATH").contains("name another with --socket PATH"));
    }

    #[test]
    fn only_the_usual_configuration_may_be_unreadable_and_none_may_be_wrong() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("pintle.toml");
        let (usual, none) = (file.as_path(), Path::new("/nowhere/pintle.toml"));
        assert!(matches!(find_at(None, usual), Ok(Found::Usual(ConfigError::Unreadable { .. }))));
        assert!(matches!(find_at(Some(none), usual), Err(ConfigError::Unreadable { .. })));
        std::fs::write(usual, LEAST.replace("id = \"a\"", "id = \"a\"\nruntime_dir = \"/run/other\"")).unwrap();
        assert!(find_at(None, usual).is_err(), "a camera has no such key");
        std::fs::write(usual, LEAST.replace("seal", "sael")).unwrap();
        assert!(matches!(find_at(None, usual), Err(ConfigError::Mistakes { .. })));
        std::fs::write(usual, LEAST.replacen("id = \"a\"", "id = \"a\"\nruntime_dir = \"/run/other\"", 1)).unwrap();
        let found = find_at(None, usual).unwrap();
        assert_eq!(found.socket(), Path::new("/run/other/control.sock"));
        assert_eq!(found.doubt("--socket PATH"), "");
        assert!(matches!(find_at(Some(none), usual), Err(ConfigError::Unreadable { .. })));
    }
}
