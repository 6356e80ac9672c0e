//! Two looks before a word: what a probe puts together from several questions (a name, then a connection, then somebody
//! else's) is named once a second look, begun after the first was over, says the same.
//!
//! The world may change between two questions of one probe: a name that was found before the name server fell silent
//! and a connection that was tried after it look like a blocked way. One change can't make two looks wrong that don't
//! overlap.

use super::rung::Rung;
use crate::moment::Mono;

/// Looks that may begin at once because the one before them has to be confirmed, one after the other, until something
/// gets through or is named (our own limit: a look that the change itself cut in two, and two that agree).
const AGAIN_MAX: u8 = 3;

/// What a look is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum About {
    /// Whether a connection comes about.
    Way,
    /// What gets through a connection that stands.
    Size,
}

/// A row of looks that said the same.
#[derive(Clone, Copy, Debug)]
struct Row {
    saw: (About, Rung),
    began: Mono,
    at: Mono,
}

/// What was seen once and waits for a second look.
#[derive(Clone, Copy, Debug, Default)]
pub struct Looks {
    row: Option<Row>,
    again: u8,
}

impl Looks {
    /// A look from `began` to `at` saw this. Answers since when it has been seen if an earlier look agrees; else it is
    /// remembered.
    pub fn agree(&mut self, saw: (About, Rung), (began, at): (Mono, Mono)) -> Option<Mono> {
        if let Some(row) = self.row.filter(|row| row.saw == saw && row.at <= began) {
            self.row = Some(Row { at, ..row });
            return Some(row.began);
        }
        self.row = Some(Row { saw, began, at });
        self.again = self.again.saturating_add(1);
        None
    }

    /// What was seen is over, explained or named.
    pub fn forget(&mut self) {
        *self = Self::default();
    }

    /// The last look saw something else, which needs no second one.
    pub fn other(&mut self) {
        self.row = None;
    }

    /// A connection stands; what gets through it was not looked at.
    pub fn connected(&mut self) {
        self.row.take_if(|row| row.saw.0 == About::Way);
    }

    /// Whether something waits for a second look.
    #[must_use]
    pub fn waits(&self) -> bool {
        self.row.is_some()
    }

    /// Whether that look may begin at once, whatever was looked into a short while ago.
    #[must_use]
    pub fn at_once(&self) -> bool {
        self.waits() && self.again <= AGAIN_MAX
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLOCKED: (About, Rung) = (About::Way, Rung::TcpBlocked);
    const SILENT: (About, Rung) = (About::Way, Rung::ReceiverSilent);

    #[test]
    fn second_look_that_began_after_the_first_was_over_and_says_the_same_is_believed() {
        let mut looks = Looks::default();
        assert_eq!(looks.agree(BLOCKED, (Mono(0), Mono(5000))), None);
        assert!(looks.waits() && looks.at_once());
        assert_eq!(looks.agree(BLOCKED, (Mono(4000), Mono(9000))), None, "they overlap");
        assert_eq!(looks.agree(BLOCKED, (Mono(9000), Mono(14_000))), Some(Mono(4000)));
        let mut looks = Looks::default();
        assert_eq!(looks.agree(BLOCKED, (Mono(0), Mono(5000))), None);
        assert_eq!(looks.agree(SILENT, (Mono(5000), Mono(9000))), None, "something else");
        looks.other();
        assert_eq!(looks.agree(SILENT, (Mono(9000), Mono(14_000))), None, "something came between them");
        let mut looks = Looks::default();
        assert_eq!(looks.agree(SILENT, (Mono(0), Mono(5000))), None);
        assert_eq!(looks.agree((About::Size, Rung::ReceiverSilent), (Mono(5000), Mono(9000))), None, "seen otherwise");
        looks.connected();
        assert!(looks.waits(), "a connection alone says nothing of what gets through it");
        assert_eq!(looks.agree(SILENT, (Mono(9000), Mono(9100))), None);
        looks.connected();
        assert!(!looks.waits());
    }

    #[test]
    fn way_that_changes_all_the_time_gets_no_more_than_a_few_looks_at_once() {
        let (mut looks, mut at_once) = (Looks::default(), 0);
        for n in 0..100 {
            let saw = if n % 2 == 0 { BLOCKED } else { SILENT };
            assert_eq!(looks.agree(saw, (Mono(n * 1000), Mono(n * 1000 + 900))), None);
            at_once += u32::from(looks.at_once());
        }
        assert_eq!(at_once, 3);
        looks.forget();
        assert_eq!(looks.agree(BLOCKED, (Mono(0), Mono(1))), None);
        assert!(looks.at_once());
    }
}
