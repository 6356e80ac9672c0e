//! What this GPS receiver's Doppler speed looks like while it stands. Receivers differ by a factor of 15, so a fixed
//! floor would be wrong at both ends.

/// Learned distribution of the standing speed, with slow forgetting.
#[derive(Clone, Debug, PartialEq)]
pub struct StandingNoise {
    bins: [f32; Self::BINS],
    total: f32,
    p50_mps: f64,
    p95_mps: f64,
    since_update: u32,
}

/// What is kept of it over a restart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoiseMemory {
    /// Median while standing, m/s.
    pub p50_mps: f64,
    /// 95th percentile while standing, m/s.
    pub p95_mps: f64,
}

impl Default for StandingNoise {
    fn default() -> Self {
        // Before anything is learned: the median of real receivers (source: six logs, p95 0.05 to 0.50 m/s).
        Self { bins: [0.0; Self::BINS], total: 0.0, p50_mps: 0.0, p95_mps: 0.2, since_update: 0 }
    }
}

impl StandingNoise {
    const BINS: usize = 100;
    const BIN_MPS: f64 = 0.02;
    /// Learned anew with this many samples; at one a second, 20 s.
    const UPDATE_EVERY: u32 = 20;
    /// Samples remembered before old ones fade, about an hour at one a second; our own limit.
    const TOTAL_MAX: f32 = 3600.0;
    /// Fewer samples than this say nothing.
    const TOTAL_MIN: f32 = 40.0;

    /// Noise as kept over a restart.
    #[must_use]
    pub fn restored(memory: NoiseMemory) -> Self {
        Self { p50_mps: memory.p50_mps.clamp(0.0, 2.0), p95_mps: memory.p95_mps.clamp(0.0, 2.0), ..Self::default() }
    }

    /// What to keep.
    #[must_use]
    pub fn memory(&self) -> NoiseMemory {
        NoiseMemory { p50_mps: self.p50_mps, p95_mps: self.p95_mps }
    }

    /// Learns one speed of a standing trailer, m/s.
    pub fn learn(&mut self, speed_mps: f64) {
        let bin = (0..Self::BINS - 1)
            .zip(1_u8..)
            .find(|(_, edge)| speed_mps < f64::from(*edge) * Self::BIN_MPS)
            .map_or(Self::BINS - 1, |(bin, _)| bin);
        self.bins[bin] += 1.0;
        self.total += 1.0;
        self.since_update += 1;
        if self.since_update == Self::UPDATE_EVERY {
            self.since_update = 0;
            self.update();
        }
    }

    fn update(&mut self) {
        if Self::TOTAL_MAX < self.total {
            let keep = 0.9;
            self.bins.iter_mut().for_each(|bin| *bin *= keep);
            self.total *= keep;
        }
        if Self::TOTAL_MIN <= self.total {
            self.p50_mps = self.quantile(0.5);
            self.p95_mps = self.quantile(0.95);
        }
    }

    fn quantile(&self, share: f32) -> f64 {
        let mut sum = 0.0;
        let mut edge_mps = 0.0;
        for bin in self.bins {
            sum += bin;
            if share * self.total <= sum {
                return edge_mps + Self::BIN_MPS / 2.0;
            }
            edge_mps += Self::BIN_MPS;
        }
        edge_mps
    }

    /// Median while standing, m/s; `None` while unknown, or if the receiver holds its speed at zero (static hold),
    /// which
    /// says nothing of its error.
    #[must_use]
    pub fn p50_mps(&self) -> Option<f64> {
        (0.015 < self.p50_mps).then_some(self.p50_mps)
    }

    /// 95th percentile while standing, m/s.
    #[must_use]
    pub fn p95_mps(&self) -> f64 {
        self.p95_mps
    }

    /// Below this a speed is not counted as motion, m/s: 1.5 times the 95th percentile, at least 0.3. Source: a first
    /// probe's best settings.
    #[must_use]
    pub fn floor_mps(&self) -> f64 {
        (1.5 * self.p95_mps).max(0.3)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_receiver_gets_its_own_floor() {
        let mut quiet = StandingNoise::default();
        let mut loud = StandingNoise::default();
        for i in 0..400_u32 {
            quiet.learn(f64::from(i % 10) * 0.005);
            loud.learn(f64::from(i % 10) * 0.05);
        }
        assert!((quiet.floor_mps() - 0.3).abs() < 1e-9);
        assert!((0.6..0.75).contains(&loud.floor_mps()), "{}", loud.floor_mps());
    }
}
