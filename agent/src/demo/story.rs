//! Tells what happens, in plain lines, as it happens.

use pintle_core::moment::Mono;
use std::collections::BTreeSet;
use std::io::Write;

/// Writes lines with the seconds since the script began; with `--json` they go to standard error, so that standard
/// output holds
/// nothing but the summary.
pub(super) struct Story {
    began: Mono,
    json: bool,
    told: BTreeSet<String>,
}

impl Story {
    /// A story that begins at `began`.
    pub(super) fn new(began: Mono, json: bool) -> Self {
        Self { began, json, told: BTreeSet::new() }
    }

    /// Tells a line.
    pub(super) fn tell(&self, text: &str) {
        let past = std::time::Duration::from_millis(crate::clock::mono().since_ms(self.began)).as_secs_f64();
        self.write(&format!("{past:6.1} s  {text}"));
    }

    /// Tells a line once, however often it is asked for.
    pub(super) fn tell_once(&mut self, text: &str) {
        if self.told.insert(text.to_owned()) {
            self.tell(text);
        }
    }

    /// A line without a time.
    pub(super) fn say(&self, text: &str) {
        self.write(text);
    }

    fn write(&self, line: &str) {
        // A reader that went away is no reason to stop the trailer.
        if self.json {
            drop(writeln!(std::io::stderr().lock(), "{line}"));
        } else {
            drop(writeln!(std::io::stdout().lock(), "{line}"));
        }
    }
}
