//! Holes and their probabilities.

use super::{HOLE_HIGH_MM, HOLE_LOW_MM, HOLES, PRIOR_TIGHT};

/// Holes and their probabilities.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// Share of "tight", then per fine cell of the row.
    pub(super) cells: Vec<f64>,
    /// Information gained about the hole against the prior, nats.
    pub information_nats: f64,
    /// Effective number of members behind it, at most [`MEMBERS`].
    pub effective_members: f64,
    /// Probability that a nearly tight system (below 0.25 mm) re-opened the switch by re-warming and evaporation.
    pub explained_by_rebound: f64,
    /// No member with any hole comes near what was seen: the model or the record is wrong.
    pub unexplained: bool,
    /// Only that the switch was still closed was seen: that bounds a hole from above and tells smaller ones not apart.
    pub bounds_above: bool,
}

/// Fine cells between two holes of the row.
pub(super) const FINE: usize = 8;
/// Below this a posterior is as good as the prior, nats.
const UNINFORMED_NATS: f64 = 0.1;

impl Posterior {
    /// The hole, mm, below which a share `q` (0 to 1) of the belief lies; 0 is tight.
    pub fn quantile(&self, q: f64) -> f64 {
        let mut below = self.cells[0];
        if q <= below {
            return 0.0;
        }
        for c in 1..CELLS {
            let p = self.cells[c];
            if below + p >= q && p > 0.0 {
                return edge_mm(c as f64 - 0.5 + (q - below) / p);
            }
            below += p;
        }
        HOLE_HIGH_MM
    }

    /// Belief, 0 to 1, that the hole is `mm` or more.
    pub fn p_at_least(&self, mm: f64) -> f64 {
        if mm <= 0.0 {
            return 1.0;
        }
        let mut sum = 0.0;
        for c in (1..CELLS).rev() {
            let (low, high) = (edge_mm(c as f64 - 0.5), edge_mm(c as f64 + 0.5));
            if low >= mm {
                sum += self.cells[c];
            } else if high > mm {
                sum += self.cells[c] * libm::log(high / mm) / libm::log(high / low);
            }
        }
        sum.min(1.0)
    }

    /// The middle of the belief, mm: as likely larger as smaller.
    pub fn best(&self) -> f64 {
        self.quantile(0.5)
    }

    /// The 90 % interval, mm. Where what was seen only bounds the hole from above, the belief in all the smaller holes
    /// comes from the prior, and would shut out a hole that might well have done the same. The interval then reaches
    /// at least to the hole behind which one tank in ten would have done so: a confidence bound of 90 %.
    pub fn interval(&self) -> (f64, f64) {
        let high = self.quantile(0.95);
        (self.quantile(0.05), if self.bounds_above { high.max(self.as_likely_as(0.1)) } else { high })
    }

    /// The largest hole, mm, that is at least `share` times as likely to bring what was seen as the likeliest.
    fn as_likely_as(&self, share: f64) -> f64 {
        let likelihood = |c: usize| self.cells[c] / prior(c);
        let most = (0..CELLS).map(likelihood).fold(0.0, f64::max);
        (0..CELLS).rev().find(|c| likelihood(*c) >= share * most).map_or(0.0, cell_mm)
    }

    /// Whether what was seen says anything. If not, this is the prior, and no verdict may rest on it.
    pub fn informed(&self) -> bool {
        self.information_nats >= UNINFORMED_NATS && !self.unexplained
    }
}

/// Fine cells in all: tight, then the row.
pub(super) const CELLS: usize = 2 + (HOLES - 2) * FINE;

/// The hole of the row at or below a fine cell, and how far it is to the next.
pub(super) fn cell_place(cell: usize) -> (usize, f64) {
    if cell == 0 { (0, 0.0) } else { (1 + (cell - 1) / FINE, ((cell - 1) % FINE) as f64 / FINE as f64) }
}

/// Diameter at a place along the fine cells (1 is the first after tight).
pub(super) fn edge_mm(place: f64) -> f64 {
    let step = libm::log(HOLE_HIGH_MM / HOLE_LOW_MM) / (CELLS - 2) as f64;
    HOLE_LOW_MM * libm::exp(step * (place - 1.0))
}

pub(super) fn cell_mm(cell: usize) -> f64 {
    if cell == 0 { 0.0 } else { edge_mm(cell as f64) }
}

pub(super) fn prior(cell: usize) -> f64 {
    if cell == 0 { PRIOR_TIGHT } else { (1.0 - PRIOR_TIGHT) / (CELLS - 1) as f64 }
}
