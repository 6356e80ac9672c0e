//! The serial line of the GPS receiver: opening, reading, and in plain words why not.

use nix::unistd::{Gid, Group, Uid, User, geteuid};
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use tokio::io::AsyncReadExt as _;
use tokio_serial::{ClearBuffer, ErrorKind, SerialPort as _, SerialPortBuilderExt as _, SerialStream};

/// An open serial line, held exclusively. It is closed when dropped.
#[derive(Debug)]
pub struct Port {
    stream: SerialStream,
    device: u64,
}

/// Why a serial line can't be opened. Every text names the path.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PortError {
    /// Nothing is at the path.
    #[error("{} is not there", .path.display())]
    NotThere {
        /// Which path.
        path: PathBuf,
    },
    /// The user of this process may not open it.
    #[error("user {user} may not open {}, which belongs to user {owner} and group {group}", .path.display())]
    NotPermitted {
        /// Which path.
        path: PathBuf,
        /// Who asks.
        user: String,
        /// Whose it is.
        owner: String,
        /// The group that may use it.
        group: String,
    },
    /// Another program holds it.
    #[error("{} is held by another program", .path.display())]
    Busy {
        /// Which path.
        path: PathBuf,
    },
    /// It is something else than a serial line.
    #[error("{} is no serial device", .path.display())]
    NotSerial {
        /// Which path.
        path: PathBuf,
    },
    /// Anything else; the system's own words.
    #[error("{} can't be opened: {detail}", .path.display())]
    Other {
        /// Which path.
        path: PathBuf,
        /// What the system said.
        detail: String,
    },
}

impl PortError {
    /// Next step for a technician, one sentence.
    #[must_use]
    pub fn advice(&self) -> String {
        match self {
            Self::NotThere { .. } => {
                "plug the GPS receiver in and look at its cable; `ls -l /dev/serial/by-id` shows what is there"
                    .to_owned()
            }
            Self::NotPermitted { path, user, group, .. } => {
                if user == "root" {
                    format!("see `ls -l {}` and the unit's device settings", path.display())
                } else {
                    format!("put user {user} into group {group} (`usermod -aG {group} {user}`) and start again")
                }
            }
            Self::Busy { path } => {
                format!("`fuser -v {}` names it; stop it, often it is a modem manager or a GPS service", path.display())
            }
            Self::NotSerial { .. } => {
                "write the path of the GPS receiver into gps.device; `ls -l /dev/serial/by-id` shows what is there"
                    .to_owned()
            }
            Self::Other { .. } => "plug it out and in again; if that does not help, try another one".to_owned(),
        }
    }
}

impl Port {
    /// Opens `path` (links are followed anew each time) at `baud` bit/s, 8 data bits, no parity, and takes an exclusive
    /// lock. What lies in the input already is thrown away: nobody knows how old it is.
    ///
    /// # Errors
    /// [`PortError`] says why, in words for a technician.
    pub fn open(path: &Path, baud: u32) -> Result<Self, PortError> {
        let device = fs::metadata(path).map_err(|error| of_io(path, &error))?.rdev();
        let builder = tokio_serial::new(path.to_string_lossy(), baud);
        let stream = builder.open_native_async().map_err(|error| match error.kind {
            // The crate says "no device" for one that is locked.
            ErrorKind::NoDevice => PortError::Busy { path: path.to_owned() },
            ErrorKind::Io(kind) => of_io(path, &io::Error::new(kind, error.description.clone())),
            ErrorKind::InvalidInput | ErrorKind::Unknown => other(path, &error.description),
        })?;
        let port = Self { stream, device };
        port.drain();
        Ok(port)
    }

    /// Reads what has come. `Ok(0)` means that the device has gone. Cancel safe.
    ///
    /// # Errors
    /// What the system says; the device has gone then, too.
    pub async fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.stream.read(buffer).await
    }

    /// Sets another speed, bit/s, and throws away what came at the old one.
    ///
    /// # Errors
    /// What the system says; the device has gone, or can't do that speed.
    pub fn set_rate(&mut self, baud: u32) -> io::Result<()> {
        self.stream.set_baud_rate(baud)?;
        self.drain();
        Ok(())
    }

    /// The speed that the line is set to, bit/s, as the system says.
    #[must_use]
    pub fn rate(&self) -> Option<u32> {
        self.stream.baud_rate().ok()
    }

    /// Throws away what has come and was not read.
    pub fn drain(&self) {
        if let Err(error) = self.stream.clear(ClearBuffer::Input) {
            // A device that has just gone says so at the next read.
            tracing::debug!(%error, "the input of the GPS receiver could not be emptied");
        }
    }

    /// True if `path` leads to another device by now, or to none.
    #[must_use]
    pub fn is_elsewhere(&self, path: &Path) -> bool {
        fs::metadata(path).map_or(true, |found| found.rdev() != self.device)
    }
}

fn of_io(path: &Path, error: &io::Error) -> PortError {
    match error.kind() {
        io::ErrorKind::NotFound => PortError::NotThere { path: path.to_owned() },
        io::ErrorKind::PermissionDenied => not_permitted(path),
        io::ErrorKind::ResourceBusy => PortError::Busy { path: path.to_owned() },
        _ => other(path, &error.to_string()),
    }
}

fn other(path: &Path, detail: &str) -> PortError {
    use std::os::unix::fs::FileTypeExt as _;
    match fs::metadata(path) {
        Ok(found) if !found.file_type().is_char_device() => PortError::NotSerial { path: path.to_owned() },
        _ => PortError::Other { path: path.to_owned(), detail: detail.to_owned() },
    }
}

fn not_permitted(path: &Path) -> PortError {
    let user_name = |uid: Uid| match User::from_uid(uid) {
        Ok(Some(user)) => user.name,
        _ => uid.to_string(),
    };
    let group_name = |gid: Gid| match Group::from_gid(gid) {
        Ok(Some(group)) => group.name,
        _ => gid.to_string(),
    };
    let user = user_name(geteuid());
    let (owner, group) = match fs::metadata(path) {
        Ok(found) => (user_name(Uid::from_raw(found.uid())), group_name(Gid::from_raw(found.gid()))),
        // Not even its folder may be looked into.
        Err(_) => ("unknown".to_owned(), "unknown".to_owned()),
    };
    PortError::NotPermitted { path: path.to_owned(), user, owner, group }
}
