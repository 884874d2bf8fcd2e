//! What is learnt on the way: the pressure sensor's zero and noise, the settled fuel level, the spacing of rows.

use crate::time::Stamp;

/// The pressure sensor's zero: what it reads with the tank open to the air, in stretches of ten seconds.
///
/// A vent that was commanded open is not always open. So a stretch counts only near the zero that a sensor can have
/// at all, and when the next one agrees with it; and too many that do not make the zero unknown again.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Zero {
    begin: Stamp,
    last: Stamp,
    sum: f64,
    n: u32,
    before: Option<f64>,
    mean: Option<f64>,
    agreed: u32,
    refused: u32,
    /// Furthest steady stretch that could not be believed to be the zero, Pa either way.
    pub refused_pa: f64,
}

/// Length of a stretch, seconds.
const ZERO_STRETCH_S: f64 = 10.0;
/// Two stretches agree within this, Pa.
const ZERO_AGREES_PA: f64 = 15.0;

impl Zero {
    pub fn see(&mut self, v: f64, at: Stamp, most_pa: f64) {
        if at <= self.last && self.last != Stamp::ZERO {
            return;
        }
        if self.n > 0 && at.since(self.last) > ZERO_STRETCH_S {
            self.n = 0;
        }
        self.last = at;
        if self.n == 0 {
            self.begin = at;
            self.sum = 0.0;
        }
        self.sum += v;
        self.n += 1;
        if at.since(self.begin) < ZERO_STRETCH_S || self.n < 3 {
            return;
        }
        let mean = self.sum / f64::from(self.n);
        self.n = 0;
        let steady = self.before.is_some_and(|b| (b - mean).abs() <= ZERO_AGREES_PA);
        self.before = Some(mean);
        let known = self.mean.is_none_or(|m| (m - mean).abs() <= 2.0 * ZERO_AGREES_PA);
        if steady && known && mean.abs() <= most_pa {
            self.agreed += 1;
            // A drifting zero: the last minutes count.
            let weight = 1.0 / f64::from(self.agreed.min(20));
            self.mean = Some(self.mean.map_or(mean, |m| m + (mean - m) * weight));
        } else {
            self.refused += 1;
            if steady {
                self.refused_pa = self.refused_pa.max(mean.abs());
            }
        }
    }

    /// Stands far from nothing with the vent open, again and again.
    pub fn off_pa(&self) -> Option<f64> {
        self.before.filter(|_| self.mean().is_none() && self.refused >= 4 && self.refused_pa > 0.0)
    }

    pub fn mean(&self) -> Option<f64> {
        self.mean.filter(|_| self.refused < 4 || self.agreed > 2 * self.refused)
    }
}

/// Noise of a trace, from the second differences of neighbouring samples: a slope does not count.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Noise {
    last: Stamp,
    before: [f64; 2],
    n: u32,
    mean_square: f64,
    /// Every test asks for it at every row.
    sigma: f64,
}

impl Noise {
    pub fn see(&mut self, v: f64, at: Stamp) {
        if at <= self.last && self.n > 0 {
            return;
        }
        self.last = at;
        if self.n >= 2 {
            // A step of the pressure itself (a vent that opens) is no noise: it is let in only a little.
            let d =
                (v - 2.0 * self.before[1] + self.before[0]).abs().min(3.0 * self.sigma() * SECOND_DIFFERENCE + 20.0);
            let gain = (1.0 / f64::from(self.n)).max(0.005);
            self.mean_square += (d * d - self.mean_square) * gain;
        }
        self.before = [self.before[1], v];
        self.n = self.n.saturating_add(1);
        self.sigma = if self.n < 50 { 0.0 } else { self.mean_square.sqrt() / SECOND_DIFFERENCE };
    }

    pub fn sigma(&self) -> f64 {
        self.sigma
    }
}

/// A second difference of independent samples spreads √6 times as far as they do.
const SECOND_DIFFERENCE: f64 = 2.449_489_742_783_178;

/// The fuel level, once a second, while the vehicle stands.
#[derive(Debug, Clone, Default)]
pub(super) struct Level {
    last: Option<Stamp>,
    stood_since: Option<Stamp>,
    ring: Vec<f64>,
    next: usize,
    /// `settled` is the median of the ring as it is.
    of_ring: bool,
    /// The level when it last stood still, percent.
    pub settled: Option<f64>,
}

impl Level {
    pub fn see(&mut self, t: Stamp, level: f64, moving: bool) {
        if self.last.is_some_and(|l| t.since(l) < 1.0) {
            return;
        }
        self.last = Some(t);
        if moving {
            self.stood_since = None;
            self.ring.clear();
            self.next = 0;
            self.of_ring = false;
            return;
        }
        let since = *self.stood_since.get_or_insert(t);
        if self.ring.len() < 30 {
            self.ring.push(level);
            self.of_ring = false;
        } else {
            let oldest = &mut self.ring[self.next % 30];
            // A level that stands still, hour after hour, is not sorted again.
            self.of_ring &= oldest.to_bits() == level.to_bits();
            *oldest = level;
        }
        self.next += 1;
        if !self.of_ring && self.ring.len() >= 10 && (t.since(since) >= 15.0 || self.settled.is_none()) {
            let mut s = self.ring.clone();
            let middle = s.len() / 2;
            self.settled = Some(*s.select_nth_unstable_by(middle, f64::total_cmp).1);
            self.of_ring = true;
        }
    }
}

/// How far rows lie apart; a silence much longer than the last ones is a gap, unless it is the new habit.
#[derive(Debug, Clone, Default)]
pub(super) struct RowSpacing {
    last: [f32; 8],
    n: usize,
    pending: Option<(Stamp, Stamp)>,
}

impl RowSpacing {
    /// A row at `t` after one at `last`. Returns the gap found, one row late.
    pub fn see(&mut self, last: Stamp, t: Stamp, gap_s: f64) -> Option<(Stamp, Stamp)> {
        let d = t.since(last);
        if d <= 0.0 {
            return None;
        }
        let mut found = None;
        if let Some((from, to)) = self.pending.take() {
            if d < 0.5 * to.since(from) {
                found = Some((from, to));
            } else {
                self.push(to.since(from));
            }
        }
        let widest = self.last.iter().fold(0f32, |a, b| a.max(*b));
        if self.n > 0 && d > gap_s.max(5.0 * f64::from(widest)) {
            self.pending = Some((last, t));
        } else {
            self.push(d);
        }
        found
    }

    pub fn push(&mut self, d: f64) {
        self.last[self.n % 8] = d as f32;
        self.n += 1;
    }
}
