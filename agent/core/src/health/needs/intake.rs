//! What hands in reads: the doors of the intake, the engine behind them, and the cameras.

use super::super::{Word, wording};
use super::{HOUR, Judge, MIN, S};
use crate::cameras::{MINUTES, SpoolView};
use crate::ids::printable;
use crate::moment::Utc;
use crate::position::KeeperState;

/// An id that was used twice is told so long after the last time, ms (our own: a day has each shift once).
const CONFLICT_TOLD_MS: i64 = 86_400_000;

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
        self.spool();
        self.refusing();
        // It ends a day after the last one, by the queue's own age: a wrong date ends nothing, and a restart neither.
        let lived_ms = self.seen.queue.ok().and_then(|queue| queue.lived_ms);
        let lately = |at_ms: i64| lived_ms.is_none_or(|now_ms| now_ms.saturating_sub(at_ms) < CONFLICT_TOLD_MS);
        self.ask_after(
            "intake.conflicts",
            intake.last_conflict_ms.is_some_and(lately),
            0,
            u64::MAX,
            [
                "have the recognition engine number its reads anew".to_owned(),
                format!(
                    "It gave {} the id of an earlier read with another content; they were refused.",
                    wording::amount(intake.id_conflicts, "read")
                ),
                "Tell the engine's maker; each read needs an id of its own. This ends a day after the last one."
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

    fn spool(&mut self) {
        let [what, why, how] = match &self.seen.intake.spool {
            SpoolView::Failing(why) => [
                "give the agent its spool folder".to_owned(),
                format!("No file of reads is taken. {}", wording::sentence(why)),
                "If the queue is in trouble, mend that first. The folder must belong to the agent's user and a \
                 group that the engine is in too, mode 2770, and be mounted; pintle check tells what is missing. Files \
                 that lie there are taken as soon as it can be opened."
                    .to_owned(),
            ],
            SpoolView::Unreadable { files, why } => [
                "let the agent read the files in its spool folder".to_owned(),
                {
                    let (are, them) = if *files == 1 { ("is", "it") } else { ("are", "them") };
                    let (files, why) = (wording::amount(*files, "file"), printable(why, 80));
                    format!("{files} there {are} not taken, since the agent can't read {them}: {why}.")
                },
                "Let the engine write them with mode 0640 (UMask=0027) below the spool folder, so that they have its group; \
                 give those that lie there that group and mode. They are taken by themselves then."
                    .to_owned(),
            ],
            SpoolView::None | SpoolView::Watched => Default::default(),
        };
        self.ask_after("intake.spool", !what.is_empty(), 10 * S, 10 * S, [what, why, how]);
    }

    /// Reads that are refused are lost unless the engine keeps them, and the cameras may read well meanwhile.
    fn refusing(&mut self) {
        let intake = self.seen.intake;
        let mostly = intake.refusals.recent.mostly_refused(self.seen.now.mono);
        // As long as nothing is taken at all the trailer does not do its work.
        let act_ms = if mostly.is_some_and(|(accepted, _)| accepted == 0) { 0 } else { u64::MAX };
        let last = intake.refusals.last_of_engine.clone().unwrap_or_default();
        let about = last.field.map_or_else(String::new, |field| format!(", about its field {field}"));
        let told = mostly.map_or_else(String::new, |(accepted, refused)| {
            let all = wording::amount(accepted + refused, "request");
            let (refused, title) = (wording::count(refused), wording::capital(&last.title));
            format!(
                "{refused} of the last {all}, of {MINUTES} min, were refused. The last: {title} ({}){about}.",
                last.kind
            )
        });
        let how = match (last.kind.as_str(), last.field) {
            ("invalid-read", Some("camera")) => {
                "Compare the camera's name in the engine's settings with [[camera]] in the configuration."
            }
            ("invalid-image", _) => "Compare where the engine puts its pictures with [images] in the configuration.",
            ("malformed" | "invalid-read", _) => {
                "Compare what it sends with docs/INTAKE.md; each answer says what is wrong."
            }
            _ => "Each answer says what is wrong: look at the engine's own log, or at refused/ in the spool folder.",
        };
        let words = ["mend what the recognition engine sends".to_owned(), told, how.to_owned()];
        self.ask_after("intake.refusing", mostly.is_some(), 0, act_ms, words);
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
                silent.push(printable(&camera.label, 40));
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
