//! Small file systems of a test's own. They need root, loop devices and mkfs.ext4.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A mounted file system that goes with the test.
pub(crate) struct Mount(PathBuf);

impl Mount {
    pub(crate) fn new(at: &Path, args: &[&str]) -> Option<Self> {
        std::fs::create_dir_all(at).unwrap();
        run(Command::new("mount").args(args).arg(at)).then(|| Self(at.to_owned()))
    }

    /// An ext4 of `mib` MiB in the sparse file `image`.
    pub(crate) fn ext4(at: &Path, image: &Path, mib: u64) -> Option<Self> {
        std::fs::File::create(image).unwrap().set_len(mib << 20).unwrap();
        let image = image.to_str().unwrap();
        run(Command::new("mkfs.ext4").args(["-q", "-E", "lazy_itable_init=1,nodiscard", image]))
            .then(|| Self::new(at, &["-o", "loop", image]))?
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        // A lazy one is the last resort: a loop device that lives on would write beside the next mount of its image.
        let _gone = run(Command::new("umount").arg(&self.0)) || run(Command::new("umount").arg("-l").arg(&self.0));
    }
}

pub(crate) fn run(command: &mut Command) -> bool {
    command.stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok_and(|status| status.success())
}

/// Says that the rig is missing; fails where all rigs must be there.
pub(crate) fn not_run() {
    assert_ne!(std::env::var("PINTLE_RIGS").as_deref(), Ok("all"), "needs root, loop mounts and mkfs.ext4");
    drop(writeln!(std::io::stderr(), "not run: needs root, loop mounts and mkfs.ext4"));
}
