//! Recordings of real GPS receivers, as bytes. Their folder is named by `PINTLE_LOGS`; it is no part of this
//! repository.
#![expect(clippy::unwrap_used, reason = "tests")]

use flate2::read::GzDecoder;
use std::collections::BTreeMap;
use std::io::{Read as _, Write as _};
use std::path::PathBuf;

/// All whose names begin with `class`, unpacked; `None`, said aloud, if there is no folder, which fails where all rigs
/// are demanded.
pub(crate) fn recordings(class: &str) -> Option<BTreeMap<String, Vec<u8>>> {
    let Some(folder) = std::env::var_os("PINTLE_LOGS").map(PathBuf::from) else {
        assert!(std::env::var_os("PINTLE_RIGS").is_none_or(|rigs| rigs != "all"), "PINTLE_RIGS=all needs PINTLE_LOGS");
        drop(std::io::stderr().write_all(b"not run: needs PINTLE_LOGS, the folder of recorded GPS lines\n"));
        return None;
    };
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        if !name.starts_with(class) || name.ends_with(".facts.json") || name == "README.md" {
            continue;
        }
        let mut bytes = std::fs::read(&path).unwrap();
        if path.extension().is_some_and(|end| end == "gz") {
            let packed = std::mem::take(&mut bytes);
            GzDecoder::new(&packed[..]).read_to_end(&mut bytes).unwrap();
        }
        found.insert(name, bytes);
    }
    assert!(!found.is_empty(), "PINTLE_LOGS holds no recording of class {class}");
    Some(found)
}
