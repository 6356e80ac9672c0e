//! Invented cars in front of simulated cameras.

use super::random::Random;

/// One car that a camera reads.
#[derive(Clone, PartialEq, Eq)]
pub struct Car {
    /// When, ms of the script.
    pub at_ms: u64,
    /// Number of the camera, from 0.
    pub camera: usize,
    /// Invented characters; `None`: seen but not read.
    pub plate: Option<String>,
    /// Whether the engine finds it on its invented hot list.
    pub hit: bool,
}

/// All cars of a script, in order of time. `per_s` is the mean rate of all cameras together.
#[must_use]
pub fn cars(seed: u64, cameras: usize, until_ms: u64, per_s: f64, hit_share: f64) -> Vec<Car> {
    let mut random = Random::new(seed ^ 0x0c0f_fee0);
    let mut cars = Vec::new();
    let mut at_ms = 0.0;
    let cameras = u32::try_from(cameras.max(1)).unwrap_or(1);
    loop {
        at_ms += random.exponential(1000.0 / per_s);
        let whole_ms = std::time::Duration::from_secs_f64(at_ms / 1000.0).as_millis();
        let Some(at) = u64::try_from(whole_ms).ok().filter(|at| *at < until_ms) else {
            return cars;
        };
        let camera = usize::try_from(random.below(cameras)).unwrap_or(0);
        let unread = random.chance(0.04);
        cars.push(Car {
            at_ms: at,
            camera,
            plate: (!unread).then(|| plate(&mut random)),
            hit: !unread && random.chance(hit_share),
        });
    }
}

/// `Q`, two letters, four digits: a form chosen so that it is nobody's (no issuer is known to use it; from memory).
fn plate(random: &mut Random) -> String {
    const LETTERS: &[u8] = b"ABCDEFGHJKLMNPRSTUVWXYZ";
    let mut text = String::from("Q");
    for _ in 0..2 {
        let at = usize::try_from(random.below(23)).unwrap_or(0);
        text.push(char::from(LETTERS.get(at).copied().unwrap_or(b'A')));
    }
    for _ in 0..4 {
        text.push(char::from(b'0' + u8::try_from(random.below(10)).unwrap_or(0)));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_cars_at_about_the_wanted_rate() {
        let first = cars(5, 3, 600_000, 4.0, 0.1);
        assert!(first == cars(5, 3, 600_000, 4.0, 0.1));
        assert!(first != cars(6, 3, 600_000, 4.0, 0.1));
        // 2,400 expected, deviation 49: five deviations either way.
        assert!((2155..2645).contains(&first.len()), "{}", first.len());
        assert!(first.is_sorted_by_key(|car| car.at_ms));
        assert!(first.iter().all(|car| car.camera < 3 && !(car.hit && car.plate.is_none())));
    }
}
