//! What hands in reads: the doors of the intake, the engine behind them, and the cameras.

use super::super::{Word, wording};
use super::{HOUR, Judge, MIN, S};
use crate::moment::Utc;
use crate::position::KeeperState;

impl Judge<'_, '_> {
    pub(super) fn intake(&mut self) {
        let intake = self.seen.intake;
        let trouble = intake.trouble.clone();
        self.ask_after(
            "intake.trouble",
            trouble.is_some(),
            0,
            0,
            [
                "let the cameras hand in reads again".to_owned(),
                trouble.map_or_else(String::new, |why| format!("Every read is refused now: {why}.")),
                "The engine keeps trying; look at the disk first.".to_owned(),
            ],
        );
        self.ask_after(
            "intake.closed",
            !intake.open,
            10 * S,
            10 * S,
            [
                "open the intake for reads".to_owned(),
                "The intake does not listen, so the cameras can't hand in reads.".to_owned(),
                "pintle check tells what is wrong with its socket or port.".to_owned(),
            ],
        );
        self.ask_after(
            "intake.conflicts",
            0 < intake.id_conflicts,
            0,
            u64::MAX,
            [
                "have the recognition engine number its reads anew".to_owned(),
                format!(
                    "It gave {} the id of an earlier read with another content; they were refused.",
                    wording::amount(intake.id_conflicts, "read")
                ),
                "Tell the engine's maker; each read needs an id of its own. A restart of the agent clears this."
                    .to_owned(),
            ],
        );
        self.ask_after(
            "intake.panics",
            0 < intake.panics,
            0,
            u64::MAX,
            [
                "send the maker the agent's log".to_owned(),
                format!("The handling of {} failed inside the agent.", wording::amount(intake.panics, "request")),
                "journalctl -u pintle; those requests were answered 500 and can be repeated.".to_owned(),
            ],
        );
    }

    pub(super) fn cameras(&mut self) {
        // Nobody expects reads off duty; afterwards the cameras have their time again, as after an arrival.
        let Some(on_duty) = self.seen.duty.on_since() else { return };
        let (now, position) = (self.seen.now, self.seen.position);
        let arrived = position.site.as_ref().map(|site| site.arrived);
        // Nor on the road and at a halt, of which nobody knows yet whether it has arrived.
        let on_the_way = match position.state {
            KeeperState::Underway => true,
            KeeperState::Settling => position.adrift.is_some(),
            KeeperState::Searching | KeeperState::Anchored | KeeperState::Doubtful => false,
        };
        if arrived.is_none() && on_the_way {
            return;
        }
        // Since the later of arrival and start: what was read elsewhere proves nothing here, and what was read before
        // the start is not known. Where nobody knows of an arrival (no GPS receiver, or a fix lost for long) it is the
        // start alone: a dead camera must be told there, too.
        let since_start_ms = now.mono.since_ms(self.seen.facts.started.mono.max(on_duty));
        let stood_ms = arrived.map_or(u64::MAX, |at| u64::try_from(now.utc.since_ms(at)).unwrap_or(0));
        let watched_ms = since_start_ms.min(stood_ms);
        let mut silent = Vec::new();
        let mut since: Option<Utc> = None;
        for camera in &self.seen.intake.cameras {
            let quiet_ms = camera.last_read.map_or(u64::MAX, |(mono, _)| now.mono.since_ms(mono));
            let read_here = quiet_ms <= watched_ms;
            let too_quiet = if read_here { 12 * HOUR <= quiet_ms } else { 15 * MIN <= watched_ms };
            if too_quiet {
                silent.push(crate::ids::printable(&camera.label, 40));
                let from = now.utc.plus_ms(-i64::try_from(quiet_ms.min(watched_ms)).unwrap_or(0));
                since = Some(since.map_or(from, |earlier| earlier.min(from)));
            }
        }
        if !silent.is_empty() {
            let began = if arrived.is_some() { "the trailer arrived" } else { "the start" };
            let told = [
                format!("look at {}", wording::list(&silent)),
                format!("No read has come since {began}, or for twelve hours."),
                "Look at lens, aim and cable, then at the recognition engine.".to_owned(),
            ];
            self.ask("camera.silent", Word::Look, since, told);
        }
    }
}
