//! The rules: what of all that is seen needs a person, and how urgently. `docs/HEALTH.md` holds them as a table; a test
//! compares the two. Waiting times are common practice without a source unless said otherwise: long enough that a thing
//! which mends itself is not told, short enough that nobody finds out before the page does.

mod intake;
mod place;

use super::{Life, Memory, Need, Observations, Word, wording};
use crate::moment::{Utc, UtcTrust};
use crate::position::ReceiverState;
use crate::position::clock_feed::ClockFeed;
use crate::queue::holds::HoldsView;

const S: u64 = 1000;
const MIN: u64 = 60 * S;
const HOUR: u64 = 60 * MIN;

/// Every rule, by its code: (code, section). Holds the documentation to account.
pub(super) const RULES: [(&str, u8); 54] = [
    ("agent.stopped", 9),
    ("agent.safe_mode", 9),
    ("agent.restarts", 9),
    ("audit.trouble", 9),
    ("queue.trouble", 3),
    ("queue.ledger", 3),
    ("images.missing", 3),
    ("queue.expiring", 3),
    ("queue.disk", 3),
    ("hold.ending", 3),
    ("hold.lost", 3),
    ("intake.trouble", 3),
    ("intake.closed", 3),
    ("intake.spool", 3),
    ("intake.refusing", 3),
    ("intake.conflicts", 3),
    ("intake.panics", 3),
    ("place.unsafe", 8),
    ("place.moving", 1),
    ("place.doubtful", 1),
    ("place.unverified", 1),
    ("place.unsettled", 1),
    ("place.unknown", 1),
    ("lines.unconfirmed", 2),
    ("lines.missing", 2),
    ("receiver.failing", 3),
    ("receiver.none", 3),
    ("receiver.refusing", 3),
    ("gps.absent", 1),
    ("gps.silent", 1),
    ("gps.no_sentences", 1),
    ("gps.no_fix", 1),
    ("link.absent", 4),
    ("link.charging", 4),
    ("link.down", 4),
    ("link.address", 4),
    ("link.route", 4),
    ("link.gateway", 4),
    ("link.names", 4),
    ("link.portal", 4),
    ("link.blocked", 4),
    ("link.clock", 4),
    ("link.tls", 4),
    ("link.large", 4),
    ("link.slow", 4),
    ("link.plan", 4),
    ("link.lever", 4),
    ("hits.late", 4),
    ("camera.silent", 6),
    ("clock.unset", 9),
    ("clock.wrong", 9),
    ("clock.feed", 9),
    ("host.hot", 9),
    ("host.memory", 9),
];

/// The rules that a finding of the link watcher may ask by.
const LINK_RULES: [&str; 13] = [
    "link.absent",
    "link.charging",
    "link.down",
    "link.address",
    "link.route",
    "link.gateway",
    "link.names",
    "link.portal",
    "link.blocked",
    "link.clock",
    "link.tls",
    "link.large",
    "link.slow",
];

/// What people must do, most urgent first; within one urgency in the order of [`RULES`], which is the order in which a
/// technician would do them.
pub(super) fn needs(seen: &Observations<'_>, memory: &mut Memory) -> Vec<Need> {
    let mut judge = Judge { seen, memory, needs: Vec::new() };
    match seen.life {
        // Nothing has reported yet: a need now would only be a guess.
        Life::Starting => {}
        Life::Stopped => judge.stopped(),
        Life::Running => judge.running(),
    }
    let mut needs = judge.needs;
    seen.duty.mark(&mut needs);
    let rank = |need: &Need| RULES.iter().position(|(code, _)| *code == need.code);
    needs.sort_by_key(|need| (need.ack.is_some(), std::cmp::Reverse(need.urgency), rank(need)));
    needs
}

struct Judge<'a, 'm> {
    seen: &'a Observations<'a>,
    memory: &'m mut Memory,
    needs: Vec<Need>,
}

impl Judge<'_, '_> {
    fn running(&mut self) {
        self.agent();
        self.queue();
        self.intake();
        self.gps();
        self.place();
        self.lines();
        self.receiver();
        self.link();
        self.cameras();
        self.clock();
        self.host();
    }

    fn ask(&mut self, code: &'static str, urgency: Word, since: Option<Utc>, told: [String; 3]) {
        let section = RULES.iter().find(|(rule, _)| *rule == code).map_or(9, |(_, section)| *section);
        let [what, why, how] = told;
        self.needs.push(Need { code, section, urgency, what, why, how, since, by: None, ack: None });
    }

    /// Asks when `condition` has held for `wait_ms`, and with more urgency from `act_ms` on.
    fn ask_after(&mut self, code: &'static str, condition: bool, wait_ms: u64, act_ms: u64, told: [String; 3]) {
        if let Some((for_ms, since)) = self.memory.holds(code, &self.seen.now, condition)
            && wait_ms <= for_ms
        {
            let urgency = if act_ms <= for_ms { Word::Act } else { Word::Look };
            self.ask(code, urgency, Some(since), told);
        }
    }

    fn stopped(&mut self) {
        let told = [
            "start the agent again".to_owned(),
            "The agent was stopped, so nothing is watched and no read is taken in.".to_owned(),
            "systemctl start pintle".to_owned(),
        ];
        self.ask("agent.stopped", Word::Look, Some(self.seen.now.utc), told);
    }

    fn agent(&mut self) {
        let life = self.seen.lifecycle;
        if let Some(why) = &life.safe_mode {
            let told = [
                "find out why the agent keeps failing".to_owned(),
                format!("Only intake and queue run: {why}"),
                "Reads are kept. journalctl -u pintle tells what failed; pintle check tells what is wrong.".to_owned(),
            ];
            self.ask("agent.safe_mode", Word::Act, None, told);
        }
        // A part that fell over once and runs again is history, not a need.
        let down = life.stumbles.iter().find(|part| !part.running || 3 <= part.restarts);
        if let Some(part) = down {
            let told = [
                format!("look at the part \"{}\" of the agent", part.actor),
                format!("It was started again {} times; last because {}", part.restarts, part.reason),
                format!("journalctl -u pintle | grep {}", part.actor),
            ];
            let (urgency, at) = (if part.running { Word::Look } else { Word::Act }, part.at);
            self.ask("agent.restarts", urgency, Some(at), told);
        }
        if let Some((since, why)) = &life.audit_trouble {
            // Source: CJIS AU-5, people are told within an hour; here at once.
            let told = [
                "make the audit writable again".to_owned(),
                wording::sentence(why),
                "Until then nothing that must be audited is done for people. Free space on the data disk, or look at \
                 the rights of the folder audit in the state folder."
                    .to_owned(),
            ];
            self.ask("audit.trouble", Word::Act, Some(*since), told);
        }
    }

    fn queue(&mut self) {
        let queue = match self.seen.queue {
            Ok(queue) => queue,
            Err(why) => {
                let told =
                    ["look at the queue".to_owned(), format!("The queue gives no figures: {why}"), self.restart()];
                self.ask_after("queue.trouble", true, 10 * S, 10 * S, told);
                return;
            }
        };
        let trouble = queue.trouble.clone();
        self.ask_after(
            "queue.trouble",
            trouble.is_some(),
            0,
            0,
            [
                "make the queue take reads again".to_owned(),
                trouble.map_or_else(String::new, |why| wording::sentence(&why)),
                "Until then the engine is told to try again; nothing accepted is lost.".to_owned(),
            ],
        );
        let open = queue.counts.not_accounted();
        self.ask_after(
            "queue.ledger",
            open != 0,
            0,
            0,
            [
                "keep a copy of the queue and call the maker".to_owned(),
                format!("The ledger does not close: {open} events are in no account."),
                "Stop the agent, copy the state folder, start it again.".to_owned(),
            ],
        );
        self.ask_after(
            "images.missing",
            0 < queue.images_missing,
            0,
            0,
            [
                "look at the data disk".to_owned(),
                format!(
                    "{} of accepted reads are not on the disk any more.",
                    wording::amount(queue.images_missing, "picture")
                ),
                "Their reads are safe. Have the disk checked, and see who else may write into the state folder."
                    .to_owned(),
            ],
        );
        if let Some((by, urgent)) = queue.first_expiry {
            let left_ms = u64::try_from(by.since_ms(self.seen.now.utc)).unwrap_or(0);
            let told = [
                "get the waiting reads delivered".to_owned(),
                format!(
                    "The oldest of {} waiting expires in {}.",
                    wording::count(queue.counts.waiting),
                    wording::span(left_ms)
                ),
                "Mend the way to the receiver, or fetch the queue by hand before then.".to_owned(),
            ];
            self.ask("queue.expiring", if urgent { Word::Act } else { Word::Look }, None, told);
            if let Some(need) = self.needs.last_mut() {
                need.by = Some(by);
            }
        }
        self.holds(queue.holds);
        let low = self.seen.facts.disk_free_min_mib.saturating_mul(2 << 20);
        let used = queue.disk_bytes.saturating_sub(queue.disk_free_bytes);
        let warn = self.seen.facts.disk_warn_percent;
        let filling = warn < 100 && u128::from(queue.disk_bytes) * u128::from(warn) < u128::from(used) * 100;
        self.ask_after(
            "queue.disk",
            0 < queue.disk_bytes && (queue.disk_free_bytes < low || filling),
            0,
            u64::MAX,
            [
                "free space on the data disk".to_owned(),
                format!(
                    "It is {} % full; {} are free, and below {} new reads are refused.",
                    used.saturating_mul(100) / queue.disk_bytes.max(1),
                    wording::bytes(queue.disk_free_bytes),
                    wording::bytes(low / 2)
                ),
                "Remove what is not Pintle's from that disk, or get waiting reads delivered.".to_owned(),
            ],
        );
    }

    /// A hold that ends unseen takes with it what a case needs. Never what it is about: these files are read by many.
    fn holds(&mut self, holds: HoldsView) {
        if holds.unreadable {
            let told = [
                "make the lost holds anew".to_owned(),
                "They can't be read any more, so everything is kept past its age limit.".to_owned(),
                "The audit tells which there were; make all of them anew, then call pintle hold anew.".to_owned(),
            ];
            self.ask("hold.lost", Word::Act, None, told);
        }
        let Some(left_ms) = holds.ending else { return };
        let told = [
            "renew a hold, or let it end".to_owned(),
            format!("The next of {} ends in {}.", wording::amount(holds.count, "hold"), wording::span(left_ms)),
            "pintle hold list shows its case; pintle hold renew NUMBER keeps it.".to_owned(),
        ];
        let urgency = if left_ms <= 24 * HOUR { Word::Act } else { Word::Look };
        self.ask("hold.ending", urgency, None, told);
        if let Some(need) = self.needs.last_mut() {
            need.by = holds.next_end;
        }
    }

    fn gps(&mut self) {
        let state = &self.seen.position.receiver;
        let because =
            |why: &str| if why.is_empty() { "It can't be opened.".to_owned() } else { wording::sentence(why) };
        let absent = match state {
            ReceiverState::Absent(why) => Some(because(why)),
            _ => None,
        };
        self.ask_after(
            "gps.absent",
            absent.is_some(),
            10 * S,
            u64::MAX,
            [
                "plug in the GPS receiver".to_owned(),
                absent.unwrap_or_default(),
                "Look at its cable and its name in the configuration; it is tried again by itself.".to_owned(),
            ],
        );
        self.ask_after(
            "gps.silent",
            *state == ReceiverState::Silent,
            30 * S,
            u64::MAX,
            [
                "look at the GPS receiver".to_owned(),
                "It is plugged in but sends nothing.".to_owned(),
                "Take its plug out and put it back; if it stays silent, replace it.".to_owned(),
            ],
        );
        self.ask_after(
            "gps.no_sentences",
            *state == ReceiverState::NoSentences,
            30 * S,
            u64::MAX,
            [
                "set the speed of the GPS receiver's line".to_owned(),
                "It sends bytes that are no sentences.".to_owned(),
                if self.seen.position.gps_rates_in_vain {
                    "All usual speeds were tried. Set the receiver to NMEA 0183, or write its speed into gps.baud."
                } else {
                    "Try gps.baud 4800, 9600, 38400 or 115200, or set the receiver to NMEA."
                }
                .to_owned(),
            ],
        );
        let no_fix = match state {
            ReceiverState::NoFix(why) => Some(because(why)),
            _ => None,
        };
        // A cold start takes a receiver a minute or two, a first one with a new almanac 12.5 minutes (source: length of
        // the GPS navigation message, IS-GPS-200); the second is rare enough to be told.
        self.ask_after(
            "gps.no_fix",
            no_fix.is_some(),
            3 * MIN,
            u64::MAX,
            [
                "give the GPS antenna a view of the sky".to_owned(),
                no_fix.unwrap_or_default(),
                "Look for metal, snow or a branch over the antenna, and at its cable.".to_owned(),
            ],
        );
    }

    fn receiver(&mut self) {
        let forward = self.seen.forward;
        if !self.seen.facts.receiver_fitted {
            let told = [
                "name a receiver".to_owned(),
                "No receiver is configured, so reads wait here and expire in the end.".to_owned(),
                "Write [receiver] in the configuration and run pintle check.".to_owned(),
            ];
            self.ask("receiver.none", Word::Look, None, told);
            return;
        }
        if let Some((mono, utc)) = forward.failing_since {
            let failing_ms = self.seen.now.mono.since_ms(mono);
            let urgent_waits = self.seen.queue.is_ok_and(|queue| 0 < queue.waiting_urgent);
            // A hit that waits ten minutes is past its use at the roadside; reads can wait an hour.
            let act = (urgent_waits && 10 * MIN <= failing_ms) || 60 * MIN <= failing_ms;
            if act || 5 * MIN <= failing_ms {
                let why = forward.trouble.as_deref().map_or_else(String::new, wording::sentence);
                let relay = forward.relay.as_ref().map_or("", |relay| match relay.failing_since {
                    None => " Hits and alarms go to the second receiver meanwhile.",
                    Some(_) => " The second receiver does not take hits and alarms either.",
                });
                let told = [
                    "get reads through to the receiver again".to_owned(),
                    format!("Nothing has been delivered for {}.{relay} {why}", wording::span(failing_ms))
                        .trim_end()
                        .to_owned(),
                    "Look at the link in section 4, then ask the receiver's keeper. It is tried again by itself."
                        .to_owned(),
                ];
                self.ask("receiver.failing", if act { Word::Act } else { Word::Look }, Some(utc), told);
            }
        }
        let refused = self.seen.queue.map_or(forward.refused, |queue| queue.counts.refused);
        self.ask_after(
            "receiver.refusing",
            0 < refused,
            0,
            u64::MAX,
            [
                "ask the receiver's keeper why it refuses".to_owned(),
                format!("The receiver has refused {}; they are set aside here.", wording::amount(refused, "event")),
                "The answers are in the queue's refused list; the agent sends everything else on.".to_owned(),
            ],
        );
    }

    fn link(&mut self) {
        let need = super::link::need(self.seen);
        for code in LINK_RULES {
            let told = need.as_ref().filter(|(of, _, _)| *of == code);
            let (wait_ms, words) =
                told.map_or((0, Default::default()), |(_, wait_ms, words)| (*wait_ms, words.clone()));
            self.ask_after(code, told.is_some(), wait_ms, u64::MAX, words);
        }
        let plan = super::link::plan_need(self.seen);
        self.ask_after("link.plan", plan.is_some(), 0, u64::MAX, plan.unwrap_or_default());
        let lever = super::link::lever_need(self.seen);
        self.ask_after("link.lever", lever.is_some(), 0, u64::MAX, lever.unwrap_or_default());
        let late = super::link::late_need(self.seen);
        self.ask_after("hits.late", late.is_some(), 30 * MIN, u64::MAX, late.unwrap_or_default());
    }

    fn clock(&mut self) {
        let position = self.seen.position;
        let unset = position.utc_trust == UtcTrust::Unset;
        self.ask_after(
            "clock.unset",
            self.seen.facts.gps_fitted && unset,
            10 * MIN,
            u64::MAX,
            [
                "see to the clock".to_owned(),
                "Neither the GPS receiver nor a time server has confirmed the time since the start.".to_owned(),
                "Reads are kept with the time as the computer has it, and marked.".to_owned(),
            ],
        );
        let offset_ms = position.clock_offset.map_or(0, |(offset_ms, _)| offset_ms);
        let off = wording::span(offset_ms.unsigned_abs());
        let way = if offset_ms < 0 { "behind" } else { "ahead of" };
        // Two seconds is a car's length at a walk and fifty metres on a road; a minute spoils evidence.
        let act_ms = if 60_000 <= offset_ms.unsigned_abs() { 0 } else { u64::MAX };
        self.ask_after(
            "clock.wrong",
            2000 <= offset_ms.unsigned_abs(),
            60 * S,
            act_ms,
            [
                "set the computer's clock".to_owned(),
                format!("It is {off} {way} the GPS receiver's time."),
                "Let a time service follow the GPS receiver; each read carries the offset meanwhile.".to_owned(),
            ],
        );
        let unheard = match &position.clock_feed {
            ClockFeed::Unheard(why) => Some(why.clone()),
            _ => None,
        };
        self.ask_after(
            "clock.feed",
            unheard.is_some(),
            5 * MIN,
            u64::MAX,
            [
                "see to chrony".to_owned(),
                "Nobody takes the time that the GPS receiver gives for the computer's clock.".to_owned(),
                unheard.map_or_else(String::new, |why| format!("{}.", wording::capital(&why))),
            ],
        );
    }

    fn host(&mut self) {
        let computer = self.seen.host;
        let hot = computer.temperature_c.filter(|c| 85.0 <= *c);
        let act_ms = if hot.is_some_and(|c| 95.0 <= c) { MIN } else { u64::MAX };
        self.ask_after(
            "host.hot",
            hot.is_some(),
            MIN,
            act_ms,
            [
                "cool the computer".to_owned(),
                hot.map_or_else(String::new, |c| format!("Its hottest sensor says {c:.0} °C.")),
                "Look at fan, filter and sun on the cabinet.".to_owned(),
            ],
        );
        let short = match (computer.memory_bytes, computer.memory_free_bytes) {
            (Some(all), Some(free)) if free < all / 20 => Some(free),
            _ => None,
        };
        self.ask_after(
            "host.memory",
            short.is_some(),
            5 * MIN,
            u64::MAX,
            [
                "see what fills the computer's memory".to_owned(),
                short.map_or_else(String::new, |free| format!("Only {} are free.", wording::bytes(free))),
                "Restart the recognition engine if it has grown.".to_owned(),
            ],
        );
    }

    fn restart(&self) -> String {
        format!(
            "Look at the disk of {}, then systemctl restart pintle.",
            crate::ids::printable(&self.seen.facts.label, 40)
        )
    }
}
