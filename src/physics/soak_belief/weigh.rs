//! The hole, weighed by what a soak showed.
//!
//! Behind every member the deepest vacuum is known for each hole; what was seen says where it must have come to. An
//! edge says: less than the closing point some time ago, that much now. No edge says: never that much. A pressure
//! says: so much and no more. The closing point is not drawn for this, but summed over its whole range, so that 64
//! members give smooth beliefs; what is left of the model's error is a share of each vacuum.
//!
//! The deepest vacuum is one number of a whole night, and so a weak witness on purpose: hundreds of pressures of one
//! night share the errors of one model, and taken one by one they would pick a single member and call it certain.

use super::{HOLE_HIGH_MM, HOLE_LOW_MM, HOLES, SoakBelief};
use crate::physics::posterior::{CELLS, Posterior, Prior, cell_mm};

/// What was seen since the [`mark`](SoakBelief::mark).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shown {
    /// The switch, open until then, closes now.
    Closes,
    /// The switch was open all the time.
    StaysOpen,
    /// The tank's deepest vacuum.
    Deepest {
        /// Gauge pressure, Pa.
        pa: f64,
        /// Half-width of the error of its zero, Pa.
        zero_error_pa: f64,
    },
}

/// What the members leave of the model's error: one standard deviation, as a share of a vacuum, and at least, Pa. At
/// the closing point, whose range is summed over besides, half as much.
const MODEL_SHARE: f64 = 0.1;
const MODEL_LEAST_PA: f64 = 10.0;
/// An edge may come so much later than the model says, s; and by at least this share of the vacuum.
const LATE_S: f64 = 600.0;
const LATE_SHARE: f64 = 0.05;
/// A proof that no such hole can be is taken to be worth odds of 500:1: it may rest on a wrong number itself.
const LN_PROOF_IN_DOUBT: f64 = -6.2;
/// Points of the switch's range over which its closing point is summed.
const POINTS: usize = 8;

/// The deepest vacuum behind every member and hole at some moments of the past.
#[derive(Debug, Clone, Default)]
pub(super) struct Earlier {
    at_s: f64,
    before: Vec<[f64; HOLES]>,
    last: Vec<[f64; HOLES]>,
}

impl Earlier {
    /// Begins anew at `now_s`.
    pub(super) fn begin(now_s: f64, deepest: impl Iterator<Item = [f64; HOLES]>) -> Earlier {
        let last: Vec<_> = deepest.collect();
        Earlier { at_s: now_s, before: last.clone(), last }
    }

    /// Takes a picture when the last one is old enough; so `before` is [`LATE_S`] to twice that old.
    pub(super) fn pass(&mut self, now_s: f64, deepest: impl Iterator<Item = [f64; HOLES]>) {
        if !self.last.is_empty() && now_s - self.at_s >= LATE_S {
            self.at_s = now_s;
            self.before = std::mem::replace(&mut self.last, deepest.collect());
        }
    }
}

impl SoakBelief {
    /// What is to be believed of the hole now. `proved_below_mm`: from this size on no hole can be, by a proof that
    /// rests on none of the members; what [`stood`](SoakBelief::stood) proves is taken in anyway.
    pub fn posterior(&self, prior: &Prior, shown: Shown, proved_below_mm: Option<f64>) -> Posterior {
        let closing = Closing::new(self.closes_pa);
        let open = (shown == Shown::StaysOpen).then(|| StaysOpen::new(&closing));
        let places: Vec<(usize, f64)> = (0..CELLS).map(place).collect();
        let mut log_like = Vec::with_capacity(self.members.len() * CELLS);
        for (i, m) in self.members.iter().enumerate() {
            let up_to = m.air.up_to_mm(m.tank.volume_m3, m.tank.cd).unwrap_or(f64::INFINITY);
            let since = Vacuums::new(&m.deepest_since_pa);
            let before = self.earlier.before.get(i).map(Vacuums::new);
            for (cell, at) in places.iter().enumerate() {
                let now = since.at(*at);
                let ln = match shown {
                    Shown::StaysOpen => open.as_ref().map_or(0.0, |open| open.ln(now)),
                    Shown::Closes => {
                        let before = before.as_ref().map_or(now, |row| row.at(*at));
                        closing.ln_between(before.min(now - LATE_SHARE * now.abs() - 5.0), now)
                    }
                    Shown::Deepest { pa, zero_error_pa } => {
                        let model = MODEL_SHARE * now.abs().max(pa.abs()) + MODEL_LEAST_PA;
                        let variance = model * model + zero_error_pa * zero_error_pa / 3.0;
                        -0.5 * (now + pa) * (now + pa) / variance - 0.5 * libm::log(variance)
                    }
                };
                let mm = cell_mm(cell);
                let excluded = mm > up_to || proved_below_mm.is_some_and(|most| mm >= most);
                log_like.push(ln + if excluded { LN_PROOF_IN_DOUBT } else { 0.0 });
            }
        }
        Posterior::gather(prior, &log_like, |_, _| false, shown == Shown::Closes)
    }
}

/// Where a cell of the posterior lies in the row of holes: at or after which one, and how far to the next. Beyond the
/// row a larger hole does no less than the largest one.
fn place(cell: usize) -> (usize, f64) {
    let mm = cell_mm(cell);
    if mm < HOLE_LOW_MM {
        return (0, 0.0);
    }
    let x = 1.0 + (HOLES - 2) as f64 * libm::log(mm / HOLE_LOW_MM) / libm::log(HOLE_HIGH_MM / HOLE_LOW_MM);
    let at = (x as usize).min(HOLES - 1);
    (at, if at == HOLES - 1 { 0.0 } else { x - at as f64 })
}

/// The vacuums behind a row of holes.
struct Vacuums<'a> {
    pa: &'a [f64; HOLES],
    /// Logarithm of the next one over each, where both are vacuums.
    ln_next: [Option<f64>; HOLES],
}

impl Vacuums<'_> {
    fn new(pa: &[f64; HOLES]) -> Vacuums<'_> {
        let mut ln_next = [None; HOLES];
        for (ln, pair) in ln_next.iter_mut().zip(pa.windows(2)) {
            *ln = (pair[0] > 1.0 && pair[1] > 1.0).then(|| libm::log(pair[1] / pair[0]));
        }
        Vacuums { pa, ln_next }
    }

    /// Between two of the row: in steady cooling it goes as a power of the hole.
    fn at(&self, (at, part): (usize, f64)) -> f64 {
        let a = self.pa[at];
        if part == 0.0 {
            return a;
        }
        self.ln_next[at].map_or_else(|| a + (self.pa[at + 1] - a) * part, |ln| a * libm::exp(part * ln))
    }
}

/// The closing point: evenly in its range, and unsure by the model's error.
struct Closing {
    points: [f64; POINTS],
    sigma_pa: f64,
}

impl Closing {
    fn new((low, high): (f64, f64)) -> Closing {
        let step = (high - low) / POINTS as f64;
        let points = std::array::from_fn(|i| low + step * (i as f64 + 0.5));
        Closing { points, sigma_pa: 0.5 * (MODEL_SHARE * 0.5 * (low + high) + MODEL_LEAST_PA) }
    }

    /// Probability that a vacuum of `pa` is more than the closing point (`sign` 1), or less (-1).
    fn share(&self, pa: f64, sign: f64) -> f64 {
        let z = |c: f64| sign * (pa - c) / self.sigma_pa;
        let sum: f64 = self.points.iter().map(|c| 0.5 * libm::erfc(-z(*c) * std::f64::consts::FRAC_1_SQRT_2)).sum();
        sum / POINTS as f64
    }

    fn ln_not_by(&self, pa: f64) -> f64 {
        ln(self.share(pa, -1.0))
    }

    /// Closed between the vacuum `before` and the one `now`; the smaller of two tails keeps its digits.
    fn ln_between(&self, before: f64, now: f64) -> f64 {
        let below = self.share(now, 1.0);
        if below < 0.5 {
            ln(below - self.share(before, 1.0))
        } else {
            ln(self.share(before, -1.0) - self.share(now, -1.0))
        }
    }
}

/// [`Closing::ln_not_by`] in a table, since it is asked for each of thousands of cells: straight lines between points of
/// 1 Pa, good to 0.0005.
struct StaysOpen {
    from_pa: f64,
    ln: Vec<f64>,
}

const TABLE_PA: f64 = 1.0;

impl StaysOpen {
    fn new(closing: &Closing) -> StaysOpen {
        // Below it is certain to the last digit, above it is as good as never.
        let from_pa = closing.points[0] - 8.5 * closing.sigma_pa;
        let to_pa = closing.points[POINTS - 1] + 38.0 * closing.sigma_pa;
        let count = ((to_pa - from_pa) / TABLE_PA) as usize + 2;
        StaysOpen { from_pa, ln: (0..count).map(|i| closing.ln_not_by(from_pa + TABLE_PA * i as f64)).collect() }
    }

    fn ln(&self, pa: f64) -> f64 {
        let x = (pa - self.from_pa) / TABLE_PA;
        if x <= 0.0 {
            return 0.0;
        }
        let at = (x as usize).min(self.ln.len() - 2);
        let part = (x - at as f64).min(1.0);
        self.ln[at] + (self.ln[at + 1] - self.ln[at]) * part
    }
}

fn ln(p: f64) -> f64 {
    libm::log(p.max(1e-300))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_the_formula() {
        for range in [(200.0, 300.0), (249.0, 249.0), (100.0, 400.0)] {
            let closing = Closing::new(range);
            let open = StaysOpen::new(&closing);
            for i in 0..30_000 {
                let pa = -500.0 + 0.1 * f64::from(i);
                let (table, formula) = (open.ln(pa), closing.ln_not_by(pa));
                // Beyond e⁻⁵⁰ nothing is weighed.
                assert!((table - formula).abs() < 5e-4 || formula.max(table) < -50.0, "{pa}: {table}, {formula}");
            }
        }
    }
}
