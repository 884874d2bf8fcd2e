//! How large a hole is, from the leak-down of a small closed volume of known size; or the volume, from a known hole.
//!
//! A syringe draws (or presses) and is held. What is measured falls for four reasons, and all four are fitted at once:
//! the hole; the gas, cooled by the stroke, taking its heat back from the wall (within a second or so in a bottle of
//! 2 L), and cooled or warmed again by what flows; the zero of the transducer; a slow drift of temperature.
//!
//! The gas: `m' = −k·√x·(1 − c·x) + drift`, `h' = (γ−1)·m' − h/τ`, `x = m + h`, with x the vacuum (or pressure), m the
//! part of it by moles, h the part by temperature. The first is Bernoulli's equation with the first term of the nozzle's
//! compressibility, the second the energy balance of a gas that is drawn from or let into; both to first order in
//! pressure over barometer. The posterior of the hole is taken on a row of holes, the other four integrated out by
//! Laplace's method at each; the prior is even in the diameter.
//!
//! *Not modelled, and allowed for by `model_error`*: walls of several time constants, a hose's resistance, flow through
//! a hole that is not sharp-edged.

use super::gas::GAMMA_AIR;
use super::{gas, orifice};

/// What is known before. Half-widths are of 90 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeakDownSpec {
    /// Discharge coefficient to which sizes refer.
    pub cd: f64,
    /// Barometer, Pa absolute.
    pub baro_pa: f64,
    /// Air, K.
    pub gas_k: f64,
    /// Half-width of the transducer's zero, Pa.
    pub zero_error_pa: f64,
    /// Time constant in which the gas takes back its heat: shortest and longest, s.
    pub settling_s: (f64, f64),
    /// Half-width of the drift by changing temperature, Pa/s.
    pub drift_pa_per_s: f64,
    /// Half-width of the model's error on the diameter, as a share of it.
    pub model_error: f64,
}

/// The stroke that made the vacuum or pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ramp {
    /// Gauge pressure at its begin, Pa.
    pub from_pa: f64,
    /// Gauge pressure at its end, Pa.
    pub to_pa: f64,
    /// How long it took, s.
    pub seconds: f64,
}

/// A hold as it was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hold<'a> {
    /// (seconds since the syringe came to rest, gauge pressure Pa), oldest first. Points from well after the
    /// transducer's own lag.
    pub points: &'a [(f64, f64)],
    /// Noise of one point, standard deviation, Pa.
    pub noise_pa: f64,
    /// The stroke before it, if it was seen.
    pub stroke: Option<Ramp>,
}

/// Why a hold says nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unfit {
    /// Too few points before the pressure was gone: too large a hole for this volume and sampling.
    TooFast,
    /// Too little pressure against noise and zero.
    TooShallow,
    /// Held for too short a time: the gas was still settling.
    TooShort,
}

/// What a hold says: the rate of leak, with the other unknowns integrated out.
#[derive(Debug, Clone, PartialEq)]
pub struct LeakDown {
    /// Root of the leak's rate constant, (√Pa/s)^½: the diameter over the root of the volume but for a factor.
    roots: Vec<f64>,
    /// Probability below each root.
    below: Vec<f64>,
    mode: f64,
    /// Diameter in mm of root 1 at 1 m³.
    mm_per_root: f64,
    model_error: f64,
    /// Transducer's zero that fits best, Pa.
    pub zero_pa: f64,
    /// Part of the first pressure that was temperature and settled, Pa, positive where it fell away.
    pub settling_pa: f64,
    /// Its time constant, s.
    pub settling_s: f64,
    /// Drift that fits best, Pa/s towards deeper vacuum (or higher pressure).
    pub drift_pa_per_s: f64,
    /// Pressure at the begin, Pa as vacuum or pressure.
    pub from_pa: f64,
    /// Pressure at the end of what was used.
    pub to_pa: f64,
    /// Length of what was used, s.
    pub seconds: f64,
    /// Root mean square of the residuals over what noise would give; far above 1 it was no leak-down.
    pub misfit: f64,
}

/// A size with its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sized {
    /// 5 % point.
    pub low: f64,
    /// Most likely.
    pub best: f64,
    /// 95 % point.
    pub high: f64,
}

/// Cells into which a hold is averaged.
const CELLS: usize = 64;
/// Fewest cells that hold a point.
const LEAST_CELLS: usize = 12;
/// Fewest points in which a leak must fall to a quarter, and the shortest time, s.
const LEAST_POINTS: f64 = 15.0;
const LEAST_FALL_S: f64 = 0.25;
/// The fall is followed to this share of its begin; below, zero and noise say more than the hole.
const FOLLOWED_TO: f64 = 0.1;
/// No settling alone takes it below this share: drawn gas gives back at most 29 % (γ = 1.4).
const SETTLED_TO: f64 = 0.6;
/// Longest stretch that is used, s.
const LONGEST_S: f64 = 120.0;
/// Error of the model on one cell: so many Pa, and such a share.
const CELL_ERROR: (f64, f64) = (0.15, 0.0015);
/// Half-width of 90 % of a normal distribution, in standard deviations.
const NINETY: f64 = 1.644_853_626_951_472;

impl LeakDown {
    /// Fits a hold.
    pub fn fit(hold: &Hold, spec: &LeakDownSpec) -> Result<LeakDown, Unfit> {
        let trace = Trace::new(hold, spec)?;
        let model = Model::new(&trace, hold, spec);
        let roots = model.search();
        let best = roots.iter().max_by(|a, b| a.log.total_cmp(&b.log)).copied().ok_or(Unfit::TooShallow)?;
        let (mut grid, mut below, mut sum, mut before) = (Vec::new(), Vec::new(), 0.0, None::<(f64, f64)>);
        for r in &roots {
            let density = libm::exp(r.log - best.log);
            if let Some((root, d)) = before {
                sum += 0.5 * (d + density) * (r.root - root);
            }
            before = Some((r.root, density));
            grid.push(r.root);
            below.push(sum);
        }
        if sum <= 0.0 || !sum.is_finite() {
            return Err(Unfit::TooShallow);
        }
        for b in &mut below {
            *b /= sum;
        }
        let [_, h0, zero, log_tau, drift] = best.at;
        let rho = gas::air_density(spec.baro_pa, spec.gas_k);
        let rate_of_1_mm = orifice::leak_rate(spec.cd, 1.0, 1.0, spec.baro_pa, rho);
        Ok(LeakDown {
            roots: grid,
            below,
            mode: best.root,
            mm_per_root: 1.0 / rate_of_1_mm.sqrt(),
            model_error: spec.model_error,
            zero_pa: zero * trace.sign,
            settling_pa: h0,
            settling_s: libm::exp(log_tau),
            drift_pa_per_s: drift,
            from_pa: trace.cells[0].x,
            to_pa: trace.cells[trace.cells.len() - 1].x,
            seconds: trace.cells[trace.cells.len() - 1].t,
            misfit: best.misfit,
        })
    }

    /// The equivalent hole in mm behind `volume_m3`, of which `spread` is the half-width of 90 % as a share.
    pub fn hole(&self, volume_m3: f64, spread: f64) -> Sized {
        let scale = self.mm_per_root * volume_m3.sqrt();
        self.sized(0.5 * spread, |root| root * scale)
    }

    /// Probability that the hole is of `mm` or more.
    pub fn p_at_least(&self, mm: f64, volume_m3: f64, spread: f64) -> f64 {
        let root = mm / (self.mm_per_root * volume_m3.sqrt());
        1.0 - self.smeared(root, self.error(0.5 * spread))
    }

    /// The volume in m³ behind a hole of `mm`, whose diameter is known to `tolerance` (half-width of 90 %, a share).
    /// None where the leak cannot be told from none.
    pub fn volume(&self, mm: f64, tolerance: f64) -> Option<Sized> {
        let v = |root: f64| {
            let side = mm / (self.mm_per_root * root);
            side * side
        };
        let s = self.sized(tolerance, |root| root);
        // Root and diameter stand in one error, the volume is their square.
        (s.low > 0.0 && s.best > 0.0).then(|| Sized { low: v(s.high), best: v(s.best), high: v(s.low) })
    }

    /// The leak's rate constant that fits best, √Pa/s.
    pub fn rate(&self) -> f64 {
        self.mode * self.mode
    }

    fn error(&self, of_diameter: f64) -> f64 {
        (of_diameter * of_diameter + self.model_error * self.model_error).sqrt() / NINETY
    }

    fn sized(&self, of_diameter: f64, size: impl Fn(f64) -> f64) -> Sized {
        let sigma = self.error(of_diameter);
        let quantile = |q: f64| {
            let (mut low, mut high) = (0.0, self.roots[self.roots.len() - 1] * libm::exp(SMEAR * sigma));
            for _ in 0..60 {
                let mid = 0.5 * (low + high);
                if self.smeared(mid, sigma) < q {
                    low = mid;
                } else {
                    high = mid;
                }
            }
            0.5 * (low + high)
        };
        let (low, high) = (quantile(0.05), quantile(0.95));
        Sized { low: size(low.min(self.mode)), best: size(self.mode), high: size(high.max(self.mode)) }
    }

    /// Probability below a root when roots are off by a normal error of `sigma` in their logarithm.
    fn smeared(&self, root: f64, sigma: f64) -> f64 {
        let (mut sum, mut weights) = (0.0, 0.0);
        for i in -40..=40 {
            let u = f64::from(i) * (SMEAR / 40.0);
            let w = libm::exp(-0.5 * u * u);
            sum += w * self.at_or_below(root * libm::exp(-u * sigma));
            weights += w;
        }
        sum / weights
    }

    fn at_or_below(&self, root: f64) -> f64 {
        let i = self.roots.partition_point(|r| *r <= root);
        if i == 0 {
            return 0.0;
        }
        if i == self.roots.len() {
            return 1.0;
        }
        let (a, b) = (self.roots[i - 1], self.roots[i]);
        self.below[i - 1] + (self.below[i] - self.below[i - 1]) * (root - a) / (b - a)
    }
}

/// Deviations to which an error is spread.
const SMEAR: f64 = 4.0;

/// The smallest and the largest hole, mm, that a volume can size from `from_pa` (as vacuum or pressure): below, drift
/// looks the same; above, it is empty before it was sampled often enough.
pub fn sizes(spec: &LeakDownSpec, volume_m3: f64, from_pa: f64, interval_s: f64) -> (f64, f64) {
    let rho = gas::air_density(spec.baro_pa, spec.gas_k);
    let rate_of_1_mm = orifice::leak_rate(spec.cd, 1.0, volume_m3, spec.baro_pa, rho);
    let root = from_pa.max(1.0).sqrt();
    let slow = spec.drift_pa_per_s / root;
    let fast = root / readable_s(interval_s).0;
    ((slow / rate_of_1_mm).sqrt(), (fast / rate_of_1_mm).sqrt())
}

/// How long a hole of `mm` takes to leave a quarter of `from_pa` in a volume, seconds: `√p/k` by Bernoulli's law.
pub fn quarter_s(spec: &LeakDownSpec, volume_m3: f64, mm: f64, from_pa: f64) -> f64 {
    let rho = gas::air_density(spec.baro_pa, spec.gas_k);
    from_pa.sqrt() / orifice::leak_rate(spec.cd, mm, volume_m3, spec.baro_pa, rho)
}

/// How long a fall to a quarter must take to be read at this sampling interval, seconds, and in how many samples.
pub fn readable_s(interval_s: f64) -> (f64, f64) {
    let s = (LEAST_POINTS * interval_s).max(LEAST_FALL_S);
    (s, (s / interval_s).ceil())
}

/// Means over short stretches, as vacuum or pressure.
struct Trace {
    cells: Vec<Cell>,
    /// −1 for vacuum: x = sign·p.
    sign: f64,
}

#[derive(Debug, Clone, Copy)]
struct Cell {
    t: f64,
    x: f64,
    sigma: f64,
}

impl Trace {
    fn new(hold: &Hold, spec: &LeakDownSpec) -> Result<Trace, Unfit> {
        let p = hold.points;
        if p.len() < LEAST_CELLS {
            return Err(Unfit::TooFast);
        }
        let mean = |part: &[(f64, f64)]| part.iter().map(|v| v.1).sum::<f64>() / part.len().max(1) as f64;
        let first = mean(&p[..3]);
        let sign = if first < 0.0 { -1.0 } else { 1.0 };
        let start = first.abs();
        let floor = 2.0 * hold.noise_pa + spec.zero_error_pa;
        if start < 4.0 * floor || start <= 0.0 {
            return Err(Unfit::TooShallow);
        }
        let gone = (FOLLOWED_TO * start).max(floor);
        let t0 = p[0].0;
        let mut end = p.partition_point(|v| v.0 - t0 <= LONGEST_S);
        if let Some(i) = p[..end].windows(5).position(|w| sign * mean(w) < gone) {
            end = i + 1;
            if end < LEAST_CELLS {
                return Err(Unfit::TooFast);
            }
        } else if p[end - 1].0 - t0 < 2.0 * spec.settling_s.0
            && sign * mean(&p[end.saturating_sub(3)..end]) > SETTLED_TO * start
        {
            return Err(Unfit::TooShort);
        }
        let p = &p[..end];
        let whole = (p[end - 1].0 - t0).max(1e-9);
        let mut cells: Vec<Cell> = Vec::with_capacity(CELLS);
        let mut from = 0;
        for i in 1..=CELLS {
            // Short cells first, while the gas settles.
            let share = i as f64 / CELLS as f64;
            let to = if i == CELLS { p.len() } else { p.partition_point(|v| v.0 - t0 <= whole * share * share.sqrt()) };
            if to > from {
                let part = &p[from..to];
                let x = sign * mean(part);
                let n = part.len() as f64;
                let model = CELL_ERROR.0 + CELL_ERROR.1 * x.abs();
                let sigma = (hold.noise_pa * hold.noise_pa / n + model * model).sqrt();
                cells.push(Cell { t: part.iter().map(|v| v.0).sum::<f64>() / n, x, sigma });
                from = to;
            }
        }
        if cells.len() < LEAST_CELLS {
            return Err(Unfit::TooFast);
        }
        Ok(Trace { cells, sign })
    }
}

/// What is fitted beside the hole: begin (Pa), its thermal part (Pa), zero (Pa), log of the settling time, drift.
type Others = [f64; 5];

#[derive(Debug, Clone, Copy)]
struct Root {
    root: f64,
    /// Logarithm of the posterior, but for a constant.
    log: f64,
    at: Others,
    misfit: f64,
}

struct Model<'a> {
    trace: &'a Trace,
    /// First term of the compressibility, 1/Pa.
    c: f64,
    zero_sd: f64,
    log_tau: (f64, f64),
    drift_sd: f64,
    /// Size of the stroke and its length; the heat that it took follows from the settling time.
    stroke: Option<(f64, f64)>,
}

/// Largest step of the gas, in settling times; a cell of the trace bounds it too.
const STEP: f64 = 0.7;
/// Logarithm of the posterior below its top at which a root no longer counts.
const COUNTS: f64 = 14.0;

impl Model<'_> {
    fn new<'a>(trace: &'a Trace, hold: &Hold, spec: &LeakDownSpec) -> Model<'a> {
        let gamma = GAMMA_AIR;
        // Upstream of a vacuum is the barometer, upstream of a pressure the volume itself.
        let c = (0.75 / gamma - if trace.sign > 0.0 { 0.5 } else { 0.0 }) / spec.baro_pa;
        let (low, high) = (libm::log(spec.settling_s.0), libm::log(spec.settling_s.1));
        Model {
            trace,
            c,
            zero_sd: (spec.zero_error_pa / NINETY).max(1e-3),
            log_tau: (0.5 * (low + high), (0.5 * (high - low) / NINETY).max(1e-3)),
            drift_sd: (spec.drift_pa_per_s / NINETY).max(1e-6),
            stroke: hold.stroke.map(|s| (trace.sign * (s.to_pa - s.from_pa), s.seconds.max(1e-3))),
        }
    }

    /// The posterior over the rate's root: first coarsely over all, then finely where it is.
    fn search(&self) -> Vec<Root> {
        let cells = &self.trace.cells;
        let (first, last) = (cells[0], cells[cells.len() - 1]);
        let fastest = (6.0 * first.x.sqrt() / (last.t - first.t).max(1e-3)).sqrt();
        let mut others = [first.x, self.heat(self.log_tau.0).0, 0.0, self.log_tau.0, 0.0];
        let mut coarse = Vec::new();
        for i in 0..=28 {
            let root = fastest * f64::from(i) / 28.0;
            coarse.push(self.best_at(root, &mut others));
        }
        let mut roots = coarse;
        // Each pass lays a new row over the stretch that counts, until the top is resolved.
        for _ in 0..5 {
            let top = roots.iter().map(|r| r.log).fold(f64::NEG_INFINITY, f64::max);
            let inside: Vec<usize> = (0..roots.len()).filter(|i| roots[*i].log > top - COUNTS).collect();
            let (Some(a), Some(b)) = (inside.first(), inside.last()) else { break };
            let resolved = inside.len() > 14;
            let (a, b) = (roots[a.saturating_sub(1)], roots[(*b + 1).min(roots.len() - 1)]);
            if resolved || b.root - a.root < 1e-9 * fastest {
                break;
            }
            let mut others = a.at;
            roots =
                (0..=28).map(|i| self.best_at(a.root + (b.root - a.root) * f64::from(i) / 28.0, &mut others)).collect();
        }
        roots
    }

    /// Heat that the stroke took, as pressure at the first point, and its standard deviation.
    fn heat(&self, log_tau: f64) -> (f64, f64) {
        let (g, tau) = (GAMMA_AIR, libm::exp(log_tau));
        let first = self.trace.cells[0];
        match self.stroke {
            Some((size, seconds)) => {
                // Pressure x that rises evenly drags its thermal part along: h' = (γ−1)/γ·x' − h/(γτ).
                let after = libm::exp(-first.t.max(0.0) / tau);
                let h = (g - 1.0) * size / seconds * tau * -libm::expm1(-seconds / (g * tau)) * after;
                (h, 1.0 + 0.1 * (g - 1.0) / g * size.abs())
            }
            None => (0.5 * (g - 1.0) / g * first.x, 0.5 * (g - 1.0) / g * first.x),
        }
    }

    /// Least squares in the others at one root (Levenberg's and Marquardt's way), and Laplace's weight.
    fn best_at(&self, root: f64, others: &mut Others) -> Root {
        let k = root * root;
        let mut at = *others;
        let mut r = self.residuals(k, &at);
        let mut cost = square(&r);
        let mut damp = 1e-3;
        let mut normal = [[0.0; 5]; 5];
        for _ in 0..20 {
            let columns = self.slopes(k, &at, &r);
            let mut right = [0.0; 5];
            for i in 0..5 {
                right[i] = -dot(&columns[i], &r);
                for j in 0..5 {
                    normal[i][j] = dot(&columns[i], &columns[j]);
                }
            }
            let mut gained = 0.0;
            for _ in 0..6 {
                let mut m = normal;
                for (i, row) in m.iter_mut().enumerate() {
                    row[i] *= 1.0 + damp;
                }
                let Some((step, _)) = solve(m, right) else { break };
                let mut next = at;
                for i in 0..5 {
                    next[i] += step[i];
                }
                next[3] = next[3].clamp(self.log_tau.0 - 4.0 * self.log_tau.1, self.log_tau.0 + 4.0 * self.log_tau.1);
                let tried = self.residuals(k, &next);
                let c = square(&tried);
                if c < cost {
                    gained = cost - c;
                    (at, r, cost) = (next, tried, c);
                    damp = (damp * 0.2).max(1e-9);
                    break;
                }
                damp *= 8.0;
            }
            if gained < 1e-3 {
                break;
            }
        }
        let log_det = solve(normal, [0.0; 5]).map_or(0.0, |s| s.1);
        *others = at;
        let n = self.trace.cells.len() as f64;
        let misfit = (r[..self.trace.cells.len()].iter().map(|v| v * v).sum::<f64>() / n).sqrt();
        Root { root, log: -0.5 * (cost + log_det), at, misfit }
    }

    fn slopes(&self, k: f64, at: &Others, r: &[f64]) -> [Vec<f64>; 5] {
        let steps = [0.1, 0.1, 0.05, 1e-3, 1e-4];
        std::array::from_fn(|i| {
            let mut moved = *at;
            moved[i] += steps[i];
            self.residuals(k, &moved).iter().zip(r).map(|(a, b)| (a - b) / steps[i]).collect()
        })
    }

    /// Residuals of the cells in their standard deviations, then those of the priors.
    fn residuals(&self, k: f64, at: &Others) -> Vec<f64> {
        let [x0, h0, zero, log_tau, drift] = *at;
        let cells = &self.trace.cells;
        let tau = libm::exp(log_tau);
        let mut out = Vec::with_capacity(cells.len() + 4);
        let (mut m, mut h, mut t) = (x0 - h0, h0, cells[0].t);
        for cell in cells {
            let span = cell.t - t;
            if span > 0.0 {
                let n = (span / (STEP * tau)).ceil().max(1.0);
                for _ in 0..n as usize {
                    (m, h) = self.step(k, tau, drift, m, h, span / n);
                }
            }
            t = cell.t;
            out.push((cell.x - zero - m - h) / cell.sigma);
        }
        let (heat, sd) = self.heat(log_tau);
        out.push((h0 - heat) / sd);
        out.push(zero / self.zero_sd);
        out.push((log_tau - self.log_tau.0) / self.log_tau.1);
        out.push(drift / self.drift_sd);
        out
    }

    /// One step of Runge and Kutta's fourth order.
    fn step(&self, k: f64, tau: f64, drift: f64, m: f64, h: f64, dt: f64) -> (f64, f64) {
        let slope = |m: f64, h: f64| {
            let x = m + h;
            let flow = k * x.abs().sqrt() * (1.0 - self.c * x.abs());
            let dm = drift - if x < 0.0 { -flow } else { flow };
            (dm, (GAMMA_AIR - 1.0) * dm - h / tau)
        };
        let a = slope(m, h);
        let b = slope(m + 0.5 * dt * a.0, h + 0.5 * dt * a.1);
        let c = slope(m + 0.5 * dt * b.0, h + 0.5 * dt * b.1);
        let d = slope(m + dt * c.0, h + dt * c.1);
        (m + dt / 6.0 * (a.0 + 2.0 * b.0 + 2.0 * c.0 + d.0), h + dt / 6.0 * (a.1 + 2.0 * b.1 + 2.0 * c.1 + d.1))
    }
}

fn square(v: &[f64]) -> f64 {
    dot(v, v)
}

pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Solves a positive definite system by Cholesky's factors; also the logarithm of its determinant.
fn solve(mut a: [[f64; 5]; 5], b: [f64; 5]) -> Option<([f64; 5], f64)> {
    let mut log_det = 0.0;
    for j in 0..5 {
        for i in j..5 {
            let sum = a[i][j] - (0..j).map(|k| a[i][k] * a[j][k]).sum::<f64>();
            if i == j {
                if sum <= 0.0 {
                    return None;
                }
                log_det += libm::log(sum);
                a[j][j] = sum.sqrt();
            } else {
                a[i][j] = sum / a[j][j];
            }
        }
    }
    let mut y = b;
    for i in 0..5 {
        for k in 0..i {
            y[i] -= a[i][k] * y[k];
        }
        y[i] /= a[i][i];
    }
    for i in (0..5).rev() {
        for k in i + 1..5 {
            y[i] -= a[k][i] * y[k];
        }
        y[i] /= a[i][i];
    }
    Some((y, log_det))
}

#[cfg(test)]
mod tests;
