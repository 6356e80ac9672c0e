//! A share that hangs, without a share.
#![expect(clippy::unwrap_used, reason = "tests")]

use std::io::{BufRead as _, BufReader, Write as _};
use std::process::{Child, Command, Stdio};

/// Opening these files hangs until this is dropped, as on a share whose server is gone: a lease on each is not given
/// back, and the kernel lets whoever opens it wait (45 s, fcntl(2)).
pub(crate) struct Hanging(Child);

impl Hanging {
    pub(crate) fn over(files: &[String]) -> Option<Self> {
        let script = "import fcntl, signal, sys, time\n\
            signal.signal(signal.SIGIO, signal.SIG_IGN)\n\
            held = [open(path, 'r+') for path in sys.argv[1:]]\n\
            for file in held:\n    fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_WRLCK)\n\
            print('ready', flush=True)\ntime.sleep(600)\n";
        let started = Command::new("python3").args(["-c", script]).args(files).stdout(Stdio::piped()).spawn();
        let mut said = String::new();
        let holder = started.ok().map(Self).and_then(|mut holder| {
            BufReader::new(holder.0.stdout.take()?).read_line(&mut said).ok()?;
            Some(holder)
        });
        if holder.is_none() || said.trim() != "ready" {
            assert!(std::env::var("PINTLE_RIGS").as_deref() != Ok("all"), "python3 or leases on this file system");
            writeln!(std::io::stderr().lock(), "not run: needs python3 and a file system with leases").unwrap();
            return None;
        }
        holder
    }
}

impl Drop for Hanging {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}
