//! Levels: the median of any number of voltages or currents in constant memory.

/// A histogram of 10 mV (or 10 mA) steps from −5 to 36.
#[derive(Debug, Clone, Default)]
pub struct Levels {
    bins: Vec<u32>,
    count: u32,
    /// The median's step, which moves little from value to value, and how many values lie below it.
    middle: usize,
    below: u32,
}

const LOW: f64 = -5.0;
const STEP: f64 = 0.01;
const BINS: usize = 4100;

impl Levels {
    /// Takes a value; outside the range it counts at the nearest end.
    pub fn add(&mut self, v: f64) {
        if self.bins.is_empty() {
            self.bins = vec![0; BINS];
        }
        // To the nearest; `round` would be a call, and every row asks.
        let steps = (v - LOW) / STEP;
        let below = steps as u32;
        let i = (below.saturating_add(u32::from(steps - f64::from(below) >= 0.5)) as usize).min(BINS - 1);
        // Four thousand million values: years of rows. More of them tell no other median.
        if self.count == u32::MAX {
            return;
        }
        self.bins[i] += 1;
        self.count += 1;
        self.below += u32::from(i < self.middle);
        let half = self.count.div_ceil(2);
        while self.below >= half {
            self.middle -= 1;
            self.below -= self.bins[self.middle];
        }
        while self.below + self.bins[self.middle] < half {
            self.below += self.bins[self.middle];
            self.middle += 1;
        }
    }

    /// How many values.
    pub fn count(&self) -> u32 {
        self.count
    }

    /// The median, to 10 mV.
    pub fn median(&self) -> Option<f64> {
        (self.count > 0).then_some(LOW + self.middle as f64 * STEP)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_median_is_the_middle_value() {
        let mut l = Levels::default();
        assert_eq!(l.median(), None);
        for v in [0.1, 4.9, 0.2, 0.3, 5.0] {
            l.add(v);
        }
        assert!((l.median().unwrap() - 0.3).abs() < 0.006);
    }

    proptest! {
        /// Against sorting them all.
        #[test]
        fn the_median_follows_every_value(all in prop::collection::vec(-600i32..4000, 1..200)) {
            let mut l = Levels::default();
            for n in 1..=all.len() {
                l.add(f64::from(all[n - 1]) * STEP);
                let mut sorted = all[..n].to_vec();
                sorted.sort_unstable();
                let middle = f64::from(sorted[n.div_ceil(2) - 1].clamp(-500, 3599)) * STEP;
                prop_assert!((l.median().unwrap() - middle).abs() < 1e-9, "{:?}", &all[..n]);
            }
        }
    }
}
