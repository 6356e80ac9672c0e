//! What is known of the computer itself. A figure that can't be read is `None` and told as "unknown", never as zero.

use crate::moment::{Mono, Utc};

/// What the host watcher publishes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct HostView {
    /// When it was measured; `None` before the first time.
    pub measured: Option<(Mono, Utc)>,
    /// Mean number of runnable tasks over one minute.
    pub load1: Option<f64>,
    /// Processors that share that load.
    pub cpus: Option<u32>,
    /// Memory in all, bytes.
    pub memory_bytes: Option<u64>,
    /// Memory that can be had without swapping, bytes.
    pub memory_free_bytes: Option<u64>,
    /// Memory that this program itself holds, bytes.
    pub own_bytes: Option<u64>,
    /// The hottest sensor, degrees Celsius.
    pub temperature_c: Option<f64>,
    /// Seconds since the computer was started.
    pub uptime_s: Option<u64>,
}
