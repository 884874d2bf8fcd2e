//! Seeded chance: draws for sensors and parts, and smooth noise that is a function of time alone, so that the
//! weather does not depend on the integration step.

use rand_core::Rng;
use rand_pcg::Pcg64;

/// A seeded stream of draws. Streams with different `purpose` are independent, so that a scenario which needs one
/// draw more does not change the rest of the vehicle.
#[derive(Debug, Clone)]
pub struct Dice(Pcg64);

impl Dice {
    /// The stream of `purpose` under `seed`.
    pub fn new(seed: u64, purpose: u64) -> Dice {
        let state = (u128::from(mix(seed)) << 64) | u128::from(mix(seed ^ mix(purpose)));
        Dice(Pcg64::new(state, u128::from(mix(purpose ^ 0x5eed))))
    }

    /// Uniform in [0, 1).
    pub fn unit(&mut self) -> f64 {
        to_unit(self.0.next_u64())
    }

    /// Uniform in [`low`, `high`).
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Near enough normal with mean 0 and deviation 1: the scaled sum of four uniform draws, within ±3.5.
    pub fn normal(&mut self) -> f64 {
        let a = self.0.next_u64();
        let b = self.0.next_u64();
        let part = |v: u64| f64::from((v >> 32) as u32) + f64::from(v as u32);
        ((part(a) + part(b)) / 4_294_967_296.0 - 2.0) * 1.732_050_807_568_877_2
    }
}

/// Noise over time: random knots every `period_s`, joined smoothly; deviation about 0.8 of `size`.
#[derive(Debug, Clone, Copy)]
pub struct Drift {
    seed: u64,
    period_s: f64,
    size: f64,
}

impl Drift {
    /// Knots every `period_s`, values between −`size`·√3 and +`size`·√3.
    pub fn new(seed: u64, purpose: u64, period_s: f64, size: f64) -> Drift {
        Drift { seed: mix(seed ^ mix(purpose.wrapping_add(0xd41f))), period_s, size }
    }

    /// The value at `t` seconds.
    pub fn at(&self, t: f64) -> f64 {
        let x = t / self.period_s;
        let k = x.floor();
        let f = x - k;
        let blend = f * f * (3.0 - 2.0 * f);
        let (a, b) = (self.knot(k as i64), self.knot(k as i64 + 1));
        self.size * (a + (b - a) * blend)
    }

    fn knot(&self, k: i64) -> f64 {
        (to_unit(mix(self.seed.wrapping_add((k as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15)))) - 0.5) * 3.464_101_615
    }
}

fn to_unit(v: u64) -> f64 {
    (v >> 11) as f64 / 9_007_199_254_740_992.0
}

/// A mixing of 64 bits (the finaliser of splitmix64, from memory).
fn mix(v: u64) -> u64 {
    let mut z = v.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_have_the_promised_mean_and_deviation() {
        // A standard normal has mean 0 and variance 1; a uniform draw mean 1/2, variance 1/12.
        let mut d = Dice::new(3, 1);
        let n = 40_000;
        let (mut s, mut s2, mut u) = (0.0, 0.0, 0.0);
        for _ in 0..n {
            let v = d.normal();
            s += v;
            s2 += v * v;
            u += d.unit();
        }
        let n = f64::from(n);
        assert!((s / n).abs() < 0.02 && (s2 / n - 1.0).abs() < 0.03 && (u / n - 0.5).abs() < 0.01);
    }

    #[test]
    fn drift_is_smooth_and_has_no_memory() {
        let d = Drift::new(9, 4, 100.0, 1.0);
        assert_eq!(d.at(512.25), d.at(512.25));
        let worst = (0..10_000).map(|i| (d.at(f64::from(i) + 1.0) - d.at(f64::from(i))).abs()).fold(0.0, f64::max);
        assert!(worst < 0.06, "{worst}");
    }
}
