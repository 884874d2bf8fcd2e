//! Levels: the median of any number of voltages or currents in constant memory.

/// A histogram of 10 mV (or 10 mA) steps from −5 to 36.
#[derive(Debug, Clone, Default)]
pub struct Levels {
    bins: Vec<u32>,
    count: u32,
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
        self.bins[i] = self.bins[i].saturating_add(1);
        self.count = self.count.saturating_add(1);
    }

    /// How many values.
    pub fn count(&self) -> u32 {
        self.count
    }

    /// The median, to 10 mV.
    pub fn median(&self) -> Option<f64> {
        let mut left = self.count.div_ceil(2);
        if left == 0 {
            return None;
        }
        for (i, n) in self.bins.iter().enumerate() {
            if *n >= left {
                return Some(LOW + i as f64 * STEP);
            }
            left -= n;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_is_the_middle_value() {
        let mut l = Levels::default();
        assert_eq!(l.median(), None);
        for v in [0.1, 4.9, 0.2, 0.3, 5.0] {
            l.add(v);
        }
        assert!((l.median().unwrap() - 0.3).abs() < 0.006);
    }
}
