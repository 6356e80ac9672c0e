//! Seeded random numbers for simulations and tests. Never for secrets.

/// Split-and-mix on 64 bits: G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number generators",
/// OOPSLA
/// 2014; constants as in the public-domain C version by S. Vigna (check value in the tests).
#[derive(Clone, Debug)]
pub struct Random {
    state: u64,
    spare_normal: Option<f64>,
}

impl Random {
    /// The same seed gives the same numbers, always.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self { state: seed, spare_normal: None }
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform, 0 to under 1.
    pub fn unit(&mut self) -> f64 {
        // The upper 53 bits fit a double exactly.
        let upper = u32::try_from(self.bits() >> 38).unwrap_or(0);
        let lower = u32::try_from((self.bits() >> 37) & 0x07ff_ffff).unwrap_or(0);
        (f64::from(upper) + f64::from(lower) / 134_217_728.0) / 67_108_864.0
    }

    /// Uniform, `low` to under `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// True with probability `p`.
    pub fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    /// A whole number, 0 to under `n`; 0 if `n` is 0. The bias is below 2^-40 for the small `n` of a simulation.
    pub fn below(&mut self, n: u32) -> u32 {
        u32::try_from((u128::from(self.bits()) * u128::from(n)) >> 64).unwrap_or(0)
    }

    /// Normal with mean 0 and standard deviation 1, by the polar method (Marsaglia and Bray 1964).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare_normal.take() {
            return spare;
        }
        loop {
            let (u, v) = (2.0 * self.unit() - 1.0, 2.0 * self.unit() - 1.0);
            let s = u * u + v * v;
            if 0.0 < s && s < 1.0 {
                let scale = (-2.0 * s.ln() / s).sqrt();
                self.spare_normal = Some(v * scale);
                return u * scale;
            }
        }
    }

    /// Exponential with the given mean.
    pub fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.unit()).ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bits_are_those_of_the_published_generator() {
        // First output for seed 1234567 of S. Vigna's splitmix64.c, from memory of a public table of its outputs.
        assert_eq!(Random::new(1_234_567).bits(), 6_457_827_717_110_365_317);
    }

    #[test]
    fn normal_numbers_have_mean_zero_and_deviation_one() {
        let mut random = Random::new(7);
        let (mut sum, mut squares) = (0.0, 0.0);
        for _ in 0..100_000 {
            let x = random.normal();
            sum += x;
            squares += x * x;
        }
        assert!((sum / 1e5_f64).abs() < 0.02, "mean {}", sum / 1e5);
        assert!((squares / 1e5_f64 - 1.0).abs() < 0.02, "variance {}", squares / 1e5);
    }

    #[test]
    fn unit_numbers_stay_below_one_and_fill_the_range() {
        let mut random = Random::new(9);
        let numbers: Vec<f64> = (0..10_000).map(|_| random.unit()).collect();
        assert!(numbers.iter().all(|x| (0.0..1.0).contains(x)));
        let share = numbers.iter().filter(|x| **x < 0.25).count();
        assert!((2350..2650).contains(&share), "{share}");
    }
}
