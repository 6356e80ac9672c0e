//! The last word of a trailer whose health files can't be written any more: one line in a block that was taken from the
//! disk beforehand, so that neither a full disk nor a lost runtime folder silences it. Fault 96.

use pintle_core::health::Change;
use pintle_core::ids::printable;
use pintle_core::moment::Utc;
use pintle_core::wire::health::HealthBody;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::{self, Write as _};
use std::os::unix::fs::{FileExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use tracing::{info, warn};

/// Its name in the state folder's `health/`.
const NAME: &str = "last-gasp";
/// One block of the usual file systems, bytes. It is written over in place, which takes no new block (ext4 and XFS; a
/// file system that never writes in place may still refuse it on a full disk).
const BYTES: usize = 4096;
/// Longest reason, characters: with the sentence it fits into the block, whatever it is made of.
const WHY_CHARS_MAX: usize = 300;

/// The line.
#[derive(Debug, PartialEq, Serialize, Deserialize)]
struct Gasp {
    format: String,
    /// When the health files could not be written, RFC 3339.
    written: String,
    /// The word by then.
    word: String,
    /// The sentence by then.
    sentence: String,
    /// Why they could not be written, with what to do.
    why: String,
}

const FORMAT: &str = "pintle.last-gasp.v1";

/// The block.
#[derive(Clone, Debug)]
pub(super) struct LastGasp {
    path: PathBuf,
}

impl LastGasp {
    /// Takes the block in `folder`, and gives what an earlier process said in it. A disk that gives none is told in the
    /// log: all else goes on.
    pub(super) fn ready(folder: &Path) -> (Self, Option<Change>) {
        let gasp = Self { path: folder.join(NAME) };
        let earlier = gasp.read().ok().flatten();
        if let Err(error) = gasp.take_block() {
            warn!(%error, "no block for a last word can be taken; free space on the data disk");
        }
        let change = earlier.and_then(|earlier| {
            Some(Change {
                at: Utc::parse_rfc3339(&earlier.written)?,
                code: "agent.health".to_owned(),
                urgent: false,
                text: printable(&format!("Health files could not be written: {}", earlier.why), 499),
            })
        });
        if let Some(change) = &change {
            info!(since = change.at.to_rfc3339(), "an earlier process could not write its health files");
        }
        (gasp, change)
    }

    /// Says what could not be said elsewhere. Blocks for one synced write.
    pub(super) fn say(&self, body: &HealthBody, why: &str) {
        let gasp = Gasp {
            format: FORMAT.to_owned(),
            written: body.written.clone(),
            word: body.word.clone(),
            sentence: printable(&body.sentence, WHY_CHARS_MAX),
            why: printable(why, WHY_CHARS_MAX),
        };
        let line = serde_json::to_vec(&gasp).unwrap_or_default();
        if let Err(error) = self.put(&line) {
            warn!(%error, "the last word can't be written either");
        }
    }

    /// It was not the last one.
    pub(super) fn take_back(&self) {
        if let Err(error) = self.put(b"") {
            warn!(%error, "the last word can't be taken back");
        }
    }

    fn take_block(&self) -> io::Result<()> {
        let mut options = File::options();
        let mut file = options.write(true).create(true).truncate(true).mode(0o640).open(&self.path)?;
        file.write_all(&[b' '; BYTES])?;
        file.sync_all()
    }

    /// Over the block, never beside it: a renamed file would need a new one.
    fn put(&self, line: &[u8]) -> io::Result<()> {
        let mut block = [b' '; BYTES];
        let length = line.len().min(BYTES - 1);
        block[..length].copy_from_slice(&line[..length]);
        block[BYTES - 1] = b'\n';
        let file = File::options().write(true).open(&self.path)?;
        file.write_all_at(&block, 0)?;
        file.sync_data()
    }

    fn read(&self) -> io::Result<Option<Gasp>> {
        let mut block = [0; BYTES];
        let read = File::open(&self.path)?.read_at(&mut block, 0)?;
        let gasp: Option<Gasp> = serde_json::from_slice(&block[..read]).ok();
        Ok(gasp.filter(|gasp| gasp.format == FORMAT))
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use pintle_core::health::{Memory, snapshot};
    use pintle_core::sim::scene::Scene;

    #[test]
    fn what_was_said_last_is_told_once_by_the_next_start_and_the_block_never_grows() {
        let folder = tempfile::tempdir().unwrap();
        let (gasp, earlier) = LastGasp::ready(folder.path());
        assert!(earlier.is_none());
        let mut scene = Scene::standing();
        scene.facts.label = "\u{1f698}".repeat(60);
        let told = snapshot(&scene.observations(), &mut Memory::default());
        let mut body = HealthBody::new(&scene.observations(), &told, 7);
        body.sentence = "\u{1f698}".repeat(4000);
        gasp.say(&body, &format!("no space; {}", "\u{1f698}".repeat(4000)));
        assert_eq!(std::fs::metadata(folder.path().join(NAME)).unwrap().len(), 4096);
        let (again, earlier) = LastGasp::ready(folder.path());
        let earlier = earlier.unwrap();
        assert_eq!((earlier.at.to_rfc3339(), earlier.code.as_str()), (body.written.clone(), "agent.health"));
        assert!(earlier.text.starts_with("Health files could not be written: no space; "), "{}", earlier.text);
        again.say(&body, "no space");
        again.take_back();
        assert!(LastGasp::ready(folder.path()).1.is_none(), "what was taken back is not told");
    }
}
