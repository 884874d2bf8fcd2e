//! What is believed of a hole: before anything was seen, and after an ensemble was weighed by what was.
//!
//! Both beliefs, of a soak and of a decay, put their ensemble's likelihoods on this one row of fine cells: tight, then
//! evenly in the logarithm from [`HOLE_LOW_MM`] to [`HOLE_HIGH_MM`].

/// Holes in the coarse row for which a decay is followed: tight, then evenly in the logarithm.
pub const ROW: usize = 60;
/// Smallest hole of the row after "tight", mm: smaller ones cannot be told from tight.
pub const HOLE_LOW_MM: f64 = 0.05;
/// Largest hole of the row, mm.
pub const HOLE_HIGH_MM: f64 = 6.0;

/// What is believed of a hole before anything was seen: as likely below the limit as at or above it. Below, half of
/// it is tight, the rest lies evenly in the logarithm from [`HOLE_LOW_MM`] to the limit; above, evenly in the
/// logarithm up to [`HOLE_HIGH_MM`]. No survey of hole sizes is known: own choice, which favours neither verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct Prior {
    cells: Vec<f64>,
    limit_mm: f64,
}

impl Prior {
    /// About the limit `limit_mm`.
    pub fn new(limit_mm: f64) -> Prior {
        let limit_mm = limit_mm.clamp(2.0 * HOLE_LOW_MM, 0.5 * HOLE_HIGH_MM);
        let ln_edge = |place: f64| libm::log(edge_mm(place));
        let (first, last, limit) = (ln_edge(0.5), ln_edge(CELLS as f64 - 0.5), libm::log(limit_mm));
        let mut cells = vec![0.5 * TIGHT_OF_BELOW; CELLS];
        for (c, cell) in cells.iter_mut().enumerate().skip(1) {
            let (low, high) = (ln_edge(c as f64 - 0.5), ln_edge(c as f64 + 0.5));
            let below = (high.min(limit) - low).max(0.0) / (limit - first);
            let above = (high - low.max(limit)).max(0.0) / (last - limit);
            *cell = 0.5 * (1.0 - TIGHT_OF_BELOW) * below + 0.5 * above;
        }
        Prior { cells, limit_mm }
    }

    /// Of a fine cell.
    pub(super) fn of(&self, cell: usize) -> f64 {
        self.cells[cell]
    }

    /// Belief, 0 to 1, that the hole is `mm` or more, before anything was seen.
    pub fn p_at_least(&self, mm: f64) -> f64 {
        p_at_least(&self.cells, mm)
    }

    /// In words, with its source.
    pub fn words(&self) -> String {
        format!(
            "odds 1:1 at {:.3} mm; below it half tight, half evenly in the logarithm from {HOLE_LOW_MM} mm; above it evenly in the logarithm to {HOLE_HIGH_MM:.0} mm (own choice, no survey of sizes is known)",
            self.limit_mm
        )
    }
}

/// Prior share of "tight" among all that is below the limit.
const TIGHT_OF_BELOW: f64 = 0.5;

/// Holes and their probabilities.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// Share of "tight", then per fine cell of the row.
    cells: Vec<f64>,
    prior: Vec<f64>,
    /// Information gained about the hole against the prior, nats.
    pub information_nats: f64,
    /// Effective number of members behind it.
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

/// Tempered further than this a likelihood would let in what cannot be.
const LEAST_HEAT: f64 = 0.35;
/// A belief must rest on at least so many members; else the likelihood is tempered until it does.
const LEAST_MEMBERS: f64 = 6.0;
/// Log-likelihood below which nothing fits: five standard deviations.
const FITS_NOTHING: f64 = -12.5;
/// So far below the likeliest a cell adds nothing: exp(-45) is less than the last digit of the sum.
const NEGLIGIBLE: f64 = -45.0;

impl Posterior {
    /// From the logarithms of the likelihood, `[member][cell]`; `rebounds` tells of a member and a cell whether its
    /// nearly tight system re-opens the switch.
    pub(super) fn gather(
        prior: &Prior,
        log_like: &[f64],
        rebounds: impl Fn(usize, usize) -> bool,
        bounds_above: bool,
    ) -> Posterior {
        let prior = &prior.cells;
        let most = log_like.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut heat = 1.0;
        let mut sums = Sums::new(prior, log_like, most, heat, &rebounds);
        // A belief that rests on a few members knows only that the others were drawn badly: let more of them speak.
        while sums.effective() < LEAST_MEMBERS && heat > LEAST_HEAT {
            heat *= 0.7;
            sums = Sums::new(prior, log_like, most, heat, &rebounds);
        }
        let effective_members = sums.effective();
        let Sums { mut cells, total, rebound, .. } = sums;
        if total <= 0.0 {
            return Posterior {
                cells: prior.clone(),
                prior: prior.clone(),
                information_nats: 0.0,
                effective_members: 0.0,
                explained_by_rebound: 0.0,
                unexplained: true,
                bounds_above,
            };
        }
        let mut information = 0.0;
        for (c, p) in cells.iter_mut().enumerate() {
            *p /= total;
            if *p > 0.0 {
                information += *p * libm::log(*p / prior[c]);
            }
        }
        Posterior {
            cells,
            prior: prior.clone(),
            information_nats: information.max(0.0),
            effective_members,
            explained_by_rebound: rebound / total,
            unexplained: most < FITS_NOTHING,
            bounds_above,
        }
    }

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
        p_at_least(&self.cells, mm)
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
        let likelihood = |c: usize| self.cells[c] / self.prior[c];
        let most = (0..CELLS).map(likelihood).fold(0.0, f64::max);
        (0..CELLS).rev().find(|c| likelihood(*c) >= share * most).map_or(0.0, cell_mm)
    }

    /// Whether what was seen says anything. If not, this is the prior, and no verdict may rest on it.
    pub fn informed(&self) -> bool {
        self.information_nats >= UNINFORMED_NATS && !self.unexplained
    }
}

fn p_at_least(cells: &[f64], mm: f64) -> f64 {
    if mm <= 0.0 {
        return 1.0;
    }
    let mut sum = 0.0;
    for c in (1..CELLS).rev() {
        let (low, high) = (edge_mm(c as f64 - 0.5), edge_mm(c as f64 + 0.5));
        if low >= mm {
            sum += cells[c];
        } else if high > mm {
            sum += cells[c] * libm::log(high / mm) / libm::log(high / low);
        }
    }
    sum.min(1.0)
}

/// Fine cells in all: tight, then the row.
pub(super) const CELLS: usize = 2 + (ROW - 2) * FINE;

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

/// The weights of all members and cells, added up.
struct Sums {
    cells: Vec<f64>,
    total: f64,
    squares: f64,
    rebound: f64,
}

impl Sums {
    fn new(prior: &[f64], log_like: &[f64], most: f64, heat: f64, rebounds: &impl Fn(usize, usize) -> bool) -> Sums {
        let mut sums = Sums { cells: vec![0.0; CELLS], total: 0.0, squares: 0.0, rebound: 0.0 };
        if !most.is_finite() {
            return sums;
        }
        // Where a switch was still closed, most cells have one of two likelihoods.
        let (mut last, mut share) = (0.0, 1.0);
        for (m, row) in log_like.chunks_exact(CELLS).enumerate() {
            let mut weight = 0.0;
            for (c, ln) in row.iter().enumerate() {
                let below = heat * (ln - most);
                if below < NEGLIGIBLE {
                    continue;
                }
                if below != last {
                    (last, share) = (below, libm::exp(below));
                }
                let w = prior[c] * share;
                sums.cells[c] += w;
                weight += w;
                if rebounds(m, c) {
                    sums.rebound += w;
                }
            }
            sums.total += weight;
            sums.squares += weight * weight;
        }
        sums
    }

    fn effective(&self) -> f64 {
        if self.squares > 0.0 { self.total * self.total / self.squares } else { f64::INFINITY }
    }
}
