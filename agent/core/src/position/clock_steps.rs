//! Steps of the host's clock as news for people: the first at once, a clock that is stepped again and again once a
//! minute, so that it can't fill the queue.

use crate::moment::{Moment, Mono, Utc};

/// After a step was told, further ones are gathered for so long, ms (our own limit).
pub const GATHERED_MS: u64 = 60_000;

/// One or more steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockStep {
    /// By how much the clock was set in all, ms; positive: forward.
    pub size_ms: i64,
    /// How many steps that was.
    pub steps: u32,
    /// What the clock shows after it.
    pub shows: Utc,
}

/// Gathers steps.
#[derive(Clone, Debug, Default)]
pub struct ClockSteps {
    told: Option<Mono>,
    gathered: Option<ClockStep>,
}

impl ClockSteps {
    /// Takes up what was seen at `now`: a step, or none. Returns what is to be told.
    pub fn look(&mut self, step_ms: Option<i64>, now: &Moment) -> Option<ClockStep> {
        if let Some(step_ms) = step_ms {
            let before = self.gathered.unwrap_or(ClockStep { size_ms: 0, steps: 0, shows: now.utc });
            self.gathered = Some(ClockStep {
                size_ms: before.size_ms.saturating_add(step_ms),
                steps: before.steps.saturating_add(1),
                shows: now.utc,
            });
        }
        if self.told.is_some_and(|told| now.mono.since_ms(told) < GATHERED_MS) {
            return None;
        }
        let step = self.gathered.take();
        if step.is_some() {
            self.told = Some(now.mono);
        }
        step
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::UtcTrust;

    #[test]
    fn the_first_step_is_told_at_once_and_those_after_it_once_a_minute() {
        let mut steps = ClockSteps::default();
        let at = |s: u64| Moment { mono: Mono(s * 1000), utc: Utc(77), utc_trust: UtcTrust::Unset };
        assert_eq!(steps.look(None, &at(0)), None);
        assert_eq!(steps.look(Some(-5000), &at(1)), Some(ClockStep { size_ms: -5000, steps: 1, shows: Utc(77) }));
        let mut told = Vec::new();
        for s in 2..200 {
            told.extend(steps.look((s < 100).then_some(2000), &at(s)));
        }
        assert_eq!(
            told.iter().map(|step| (step.size_ms, step.steps)).collect::<Vec<_>>(),
            [(120_000, 60), (76_000, 38)]
        );
    }
}
