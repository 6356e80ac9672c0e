//! What is switched off at this moment, in a file: a lever that is stopped before it has switched it on again leaves
//! word for the next one. A power cut needs none: after it everything begins switched on.

use crate::config::{is_interface, is_usb_port};
use serde::{Deserialize, Serialize};
use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

/// What a lever switches off and on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Thing {
    /// An interface, by its name.
    Interface(String),
    /// The USB device at that port.
    UsbPort(String),
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Note {
    boot: String,
    thing: Thing,
}

/// The file below `folder`.
#[must_use]
pub fn path(folder: &Path) -> PathBuf {
    folder.join("off.json")
}

/// Leaves word, before `thing` is switched off in the life of the computer that is named `boot`.
///
/// # Errors
/// What the system says; then nothing must be switched off.
pub fn note(folder: &Path, boot: &str, thing: &Thing) -> io::Result<()> {
    let text = serde_json::to_vec(&Note { boot: boot.to_owned(), thing: thing.clone() })?;
    let temporary = folder.join("off.new");
    let mut file = OpenOptions::new().create(true).truncate(true).write(true).mode(0o600).open(&temporary)?;
    file.write_all(&text)?;
    fs::rename(&temporary, path(folder))
}

/// What a lever left switched off in this life of the computer. A note that can't be read was never finished, and
/// nothing was switched off after it.
#[must_use]
pub fn left(folder: &Path, boot: &str) -> Option<Thing> {
    let note: Note = serde_json::from_slice(&fs::read(path(folder)).ok()?).ok()?;
    let fits = match &note.thing {
        Thing::Interface(name) => is_interface(name),
        Thing::UsbPort(port) => is_usb_port(port),
    };
    (fits && note.boot == boot).then_some(note.thing)
}

/// It is switched on again, or gone.
pub fn clear(folder: &Path) {
    // What stays costs one more switching on of what is on.
    drop(fs::remove_file(path(folder)));
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn word_is_left_for_this_life_of_the_computer_only_and_names_are_checked() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(left(folder.path(), "a"), None);
        for thing in [Thing::Interface("usb0".to_owned()), Thing::UsbPort("1-1.2".to_owned())] {
            note(folder.path(), "a", &thing).unwrap();
            assert_eq!((left(folder.path(), "a"), left(folder.path(), "b")), (Some(thing), None));
        }
        for bad in [Thing::Interface("../x".to_owned()), Thing::UsbPort("../1-1".to_owned())] {
            note(folder.path(), "a", &bad).unwrap();
            assert_eq!(left(folder.path(), "a"), None, "{bad:?}");
        }
        fs::write(path(folder.path()), "{\"boot\":\"a\",\"thi").unwrap();
        assert_eq!(left(folder.path(), "a"), None);
        clear(folder.path());
        assert!(!path(folder.path()).exists());
    }
}
