//! Figures of the computer, by sysinfo.

use pintle_core::host::HostView;
use pintle_core::moment::Moment;
use sysinfo::{Components, MemoryRefreshKind, Pid, ProcessRefreshKind, ProcessesToUpdate, System};

/// Keeps what sysinfo needs between two readings.
pub struct Meters {
    system: Option<System>,
    sensors: Option<Components>,
    own: Option<Pid>,
}

impl Meters {
    /// Looks for the sensors once; those that come later are not seen until a restart.
    #[must_use]
    pub fn new() -> Self {
        let sensors = Components::new_with_refreshed_list().ok();
        Self { system: System::new().ok(), sensors, own: sysinfo::get_current_pid().ok() }
    }

    /// Reads all figures. What the system does not tell is `None`.
    pub fn read(&mut self, now: &Moment) -> HostView {
        let told = |n: u64| (0 < n).then_some(n);
        let cpus = std::thread::available_parallelism().ok().and_then(|n| u32::try_from(n.get()).ok());
        let mut view = HostView {
            measured: Some((now.mono, now.utc)),
            load1: System::load_average().ok().map(|load| load.one),
            cpus,
            uptime_s: System::uptime().ok().and_then(told),
            ..HostView::default()
        };
        if let Some(system) = &mut self.system {
            system.refresh_memory_specifics(MemoryRefreshKind::nothing().with_ram());
            view.memory_bytes = told(system.total_memory());
            view.memory_free_bytes = told(system.available_memory());
            if let Some(own) = self.own {
                let what = ProcessRefreshKind::nothing().with_memory();
                system.refresh_processes_specifics(ProcessesToUpdate::Some(&[own]), false, what);
                view.own_bytes = system.process(own).map(sysinfo::Process::memory);
            }
        }
        if let Some(sensors) = &mut self.sensors {
            sensors.refresh(false);
            let temperatures = sensors.iter().filter_map(sysinfo::Component::temperature);
            view.temperature_c = temperatures.filter(|c| c.is_finite()).map(f64::from).reduce(f64::max);
        }
        view
    }
}

impl Default for Meters {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn this_computer_has_memory_and_has_been_started() {
        let view = Meters::new().read(&Moment::default());
        assert!(view.memory_free_bytes.is_some_and(|free| Some(free) <= view.memory_bytes), "{view:?}");
        assert!(view.own_bytes.is_some_and(|own| 1_000_000 < own), "{view:?}");
        assert!(view.uptime_s.is_some_and(|s| 0 < s) && view.cpus.is_some_and(|n| 0 < n), "{view:?}");
    }
}
