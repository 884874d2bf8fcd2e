//! How large a leak is, from one sealed pull by purge and the decay after it.
//!
//! Each member of the ensemble is one guess at everything that is not measured (volume, fuel, heat, switch points);
//! for each and for each hole of a row the pull is solved so that the switch closes when it was seen to close, and the
//! decay is followed from there. What was seen of the decay then weighs members and holes.
//!
//! *Prior of the hole*: tight with [`PRIOR_TIGHT`], else evenly in the logarithm from [`HOLE_LOW_MM`] to
//! [`HOLE_HIGH_MM`]. *Not modelled, and allowed for* by an error on the effective area and on the times: vapour that
//! condenses, flow that is not sharp-edged, slosh. Members are a Latin hypercube drawn from PCG-64 with the profile's
//! seed.

mod member;
mod posterior;
#[cfg(test)]
mod tests;

pub use posterior::Posterior;

use super::sampling::{Hypercube, quantile_sorted};
use member::{FIRST_STEP_S, Member, STEP_GROWTH, State, reopens_after, start_of_decay};
use posterior::{CELLS, FINE, cell_mm, cell_place, prior};

/// Members of the ensemble.
pub const MEMBERS: usize = 192;
/// Holes behind each member: tight, then evenly in the logarithm.
pub const HOLES: usize = 60;
/// Smallest hole of the row after "tight", mm.
pub const HOLE_LOW_MM: f64 = 0.05;
/// Largest hole of the row, mm.
pub const HOLE_HIGH_MM: f64 = 6.0;
/// Prior probability of a tight system: holes below the row cannot be told from it.
pub const PRIOR_TIGHT: f64 = 0.25;
/// No decay is followed longer than this, s.
pub const HORIZON_S: f64 = 900.0;

/// What is known before. Ranges are (lowest, highest); equal ends switch a spread off.
#[derive(Debug, Clone, PartialEq)]
pub struct DecaySpec {
    /// Vapour volume, m³.
    pub volume_m3: f64,
    /// Half-width of its uncertainty (90 %), as a share of it.
    pub volume_spread: f64,
    /// Discharge coefficient to which sizes refer.
    pub cd: f64,
    /// Half-width of the model's error on the effective flow area, as a share of it; 0.1 is usual.
    pub area_error: f64,
    /// One standard deviation of the model's error on a time or a fall of pressure, as a share of it; 0.05 is usual.
    pub model_error: f64,
    /// Barometer, Pa absolute.
    pub baro_pa: f64,
    /// Gas, K.
    pub gas_k: f64,
    /// Reid vapour pressure, psi; (0, 0) is a dry headspace.
    pub rvp_psi: (f64, f64),
    /// Fuel, K.
    pub fuel_k: (f64, f64),
    /// Vacuum at which the switch closes, Pa, positive.
    pub closes_pa: (f64, f64),
    /// Vacuum at which it re-opens, Pa, positive.
    pub reopens_pa: (f64, f64),
    /// Opening of the vacuum relief, Pa, positive.
    pub relief_vacuum_pa: (f64, f64),
    /// Ratio of specific heats of the gas when it is drawn quickly; (1, 1) switches its cooling off.
    pub gamma: (f64, f64),
    /// Time constant of the gas re-warming at the wall, s.
    pub rewarming_s: (f64, f64),
    /// Time constant of evaporation, s.
    pub evaporation_s: (f64, f64),
    /// Steady drift, Pa/s: up by fuel that warms or splashes, down (negative) by fuel that cools and charcoal that
    /// takes vapour.
    pub vapour_rise_pa_per_s: (f64, f64),
    /// Fuel that the running engine draws, m³/s: the vapour volume grows by it, and the pressure falls.
    pub fuel_draw_m3_per_s: (f64, f64),
    /// Seed of the ensemble.
    pub seed: u64,
}

/// The pull: how the vacuum came about. Times are seconds of capture time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Pull {
    /// Purge began to draw on the sealed system; `None` if that was not seen.
    pub began_s: Option<f64>,
    /// The switch closed (its uncertainty in `edge_error_s`); `None` if that was not seen.
    pub closed_s: Option<f64>,
    /// Purge ended; the decay begins here.
    pub off_s: f64,
    /// Half-width of the uncertainty of the three times, s: the sampling interval.
    pub edge_error_s: f64,
    /// Relative strength of purge: (time from which it holds, strength); empty: constant.
    pub strength: Vec<(f64, f64)>,
    /// Gauge pressure at purge-off, Pa (negative), where there is a pressure channel.
    pub pressure_at_off_pa: Option<f64>,
    /// Half-width of the uncertainty of that pressure (zero error of the sensor), Pa.
    pub pressure_error_pa: f64,
}

/// What has been seen of the decay so far.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Seen<'a> {
    /// The switch re-opened at this capture time; the edge lies within `error_s` either way.
    Reopened {
        /// When.
        at_s: f64,
        /// Half-width, s.
        error_s: f64,
    },
    /// The switch was still closed at this capture time.
    StillClosed {
        /// Until when.
        until_s: f64,
    },
    /// A pressure trace after purge-off: (capture time, gauge pressure Pa), thinned to at most [`TRACE_MOST`] points.
    Trace {
        /// The points, oldest first.
        points: &'a [(f64, f64)],
        /// Noise of one point, standard deviation, Pa.
        noise_pa: f64,
    },
}

/// A trace with more points is thinned to this many.
pub const TRACE_MOST: usize = 48;

/// Tempered further than this a likelihood would let in what cannot be.
const LEAST_HEAT: f64 = 0.35;
/// A belief must rest on at least so many members; else the likelihood is tempered until it does.
const LEAST_MEMBERS: f64 = 6.0;

/// A pull, followed for every member and hole; built once at purge-off, asked as often as wanted.
#[derive(Debug, Clone)]
pub struct DecayBelief {
    spec: DecaySpec,
    off_s: f64,
    pressure_error_pa: f64,
    members: Vec<Member>,
    /// State at purge-off, `[member][hole]`.
    starts: Vec<State>,
    /// Seconds from purge-off to re-opening, `[member][hole]`; infinite beyond the horizon.
    reopen_s: Vec<f64>,
    holes_mm: Vec<f64>,
}

/// Holes that are stepped side by side.
const LANES: usize = 6;
const _: () = assert!(HOLES.is_multiple_of(LANES));
/// A system below this counts as nearly tight, mm.
const NEARLY_TIGHT_MM: f64 = 0.25;
/// A trace's points share their model error: together they count as this many.
const TRACE_WORTH: f64 = 8.0;
/// Log-likelihood below which nothing fits: five standard deviations.
const FITS_NOTHING: f64 = -12.5;

impl DecayBelief {
    /// Follows the pull for every member and hole. Costs some tens of milliseconds.
    pub fn new(spec: &DecaySpec, pull: &Pull) -> DecayBelief {
        let mut holes_mm = vec![0.0; HOLES];
        let step = libm::log(HOLE_HIGH_MM / HOLE_LOW_MM) / (HOLES - 2) as f64;
        for (i, mm) in holes_mm.iter_mut().enumerate().skip(1) {
            *mm = HOLE_LOW_MM * libm::exp(step * (i - 1) as f64);
        }
        let cube = Hypercube::new(MEMBERS, 20, spec.seed);
        let members: Vec<Member> = (0..MEMBERS).map(|m| Member::new(spec, cube.row(m))).collect();
        let mut starts = Vec::with_capacity(MEMBERS * HOLES);
        let mut reopen_s = Vec::with_capacity(MEMBERS * HOLES);
        for member in &members {
            let mut guess = None;
            for mm in &holes_mm {
                let (k, k_out) = (member.rate_mm2 * mm * mm, member.rate_out_mm2 * mm * mm);
                let start = start_of_decay(member, pull, k, k_out, &mut guess);
                starts.push(start);
                reopen_s.push(reopens_after(member, start, k, k_out));
            }
        }
        DecayBelief {
            spec: spec.clone(),
            off_s: pull.off_s,
            pressure_error_pa: pull.pressure_error_pa,
            members,
            starts,
            reopen_s,
            holes_mm,
        }
    }

    /// What is to be believed of the hole after all of `seen`.
    pub fn posterior(&self, seen: &[Seen<'_>]) -> Posterior {
        let mut log_like = vec![0.0; MEMBERS * CELLS];
        for s in seen {
            match s {
                Seen::Reopened { at_s, error_s } => {
                    let at = at_s - self.off_s;
                    let sigma = self.sigma_s(at, *error_s);
                    self.weigh_times(&mut log_like, |t| {
                        if t.is_finite() { -0.5 * square((t - at) / sigma) } else { f64::NEG_INFINITY }
                    });
                }
                Seen::StillClosed { until_s } => {
                    let until = (until_s - self.off_s).clamp(0.0, HORIZON_S);
                    let sigma = self.sigma_s(until, 0.0);
                    self.weigh_times(&mut log_like, |t| {
                        if t.is_finite() { ln_normal_share((t - until) / sigma) } else { 0.0 }
                    });
                }
                Seen::Trace { points, noise_pa } => self.weigh_trace(&mut log_like, points, *noise_pa),
            }
        }
        let mut posterior = self.gather(&log_like);
        posterior.bounds_above = !seen.is_empty() && seen.iter().all(|s| matches!(s, Seen::StillClosed { .. }));
        posterior
    }

    /// Seconds from purge-off after which the switch re-opens behind a hole of `mm`, in a share `share` of the members;
    /// `None` if not within the horizon.
    pub fn reopens_after_s(&self, mm: f64, share: f64) -> Option<f64> {
        let hole = self.holes_mm.iter().rposition(|&h| h <= mm).unwrap_or(0);
        let next = (hole + 1).min(HOLES - 1);
        let part = if hole == 0 || next == hole {
            0.0
        } else {
            libm::log(mm / self.holes_mm[hole]) / libm::log(self.holes_mm[next] / self.holes_mm[hole])
        };
        let mut times: Vec<f64> =
            self.reopen_s.chunks_exact(HOLES).map(|row| between(row[hole], row[next], part.clamp(0.0, 1.0))).collect();
        times.sort_unstable_by(f64::total_cmp);
        Some(quantile_sorted(&times, share)).filter(|t| t.is_finite())
    }

    fn sigma_s(&self, t: f64, error_s: f64) -> f64 {
        // An even error of half-width e has the standard deviation e/√3.
        let model = self.spec.model_error.max(0.01) * t.max(0.0);
        (model * model + error_s * error_s / 3.0 + 1e-4).sqrt()
    }

    /// Adds `ln_like` of each re-opening time (s from purge-off) to every member and fine cell.
    fn weigh_times(&self, log_like: &mut [f64], ln_like: impl Fn(f64) -> f64) {
        for m in 0..MEMBERS {
            let times = &self.reopen_s[m * HOLES..(m + 1) * HOLES];
            let row = &mut log_like[m * CELLS..(m + 1) * CELLS];
            row[0] += ln_like(times[0]);
            for (c, cell) in row.iter_mut().enumerate().skip(1) {
                let (hole, part) = cell_place(c);
                let (a, b) = (times[hole], times[(hole + 1).min(HOLES - 1)]);
                let t = between(a, b, part);
                *cell += ln_like(t);
            }
        }
    }

    fn weigh_trace(&self, log_like: &mut [f64], points: &[(f64, f64)], noise_pa: f64) {
        let stride = points.len().div_ceil(TRACE_MOST).max(1);
        let points: Vec<(f64, f64)> = points
            .iter()
            .step_by(stride)
            .map(|&(t, p)| (t - self.off_s, p))
            .filter(|&(t, _)| (0.0..=HORIZON_S).contains(&t))
            .collect();
        let Some(&(_, first)) = points.first() else { return };
        let worth = (TRACE_WORTH / points.len() as f64).min(1.0);
        // Worst where the trace has moved most.
        let per_sigma: Vec<f64> = points
            .iter()
            .map(|&(_, p)| 1.0 / (square(noise_pa) + square(self.spec.model_error * (p - first)) + 1.0).sqrt())
            .collect();
        let n = points.len();
        let (mut traces, mut before) = (vec![0.0; HOLES * n], vec![0.0; HOLES * n]);
        for (m, member) in self.members.iter().enumerate() {
            let zero = self.pressure_error_pa * member.zero;
            let row = &mut log_like[m * CELLS..(m + 1) * CELLS];
            for (lanes, into) in traces.chunks_exact_mut(LANES * n).enumerate() {
                self.traces_of(member, m, lanes * LANES, &points, into);
            }
            for hole in 0..HOLES {
                let large = &traces[hole * n..(hole + 1) * n];
                let small = match hole {
                    0 => &before[(HOLES - 1) * n..],
                    _ => &traces[(hole - 1) * n..hole * n],
                };
                // All parts of the way from hole to hole at once: each sum has its own order, and none waits.
                let parts: [f64; FINE] = match hole {
                    0 | 1 => [1.0; FINE],
                    _ => std::array::from_fn(|i| (i + 1) as f64 / FINE as f64),
                };
                let mut sums = [0.0; FINE];
                for i in 0..n {
                    for (sum, part) in sums.iter_mut().zip(parts) {
                        let p = small[i] + (large[i] - small[i]) * part + zero;
                        *sum += square((points[i].1 - p) * per_sigma[i]);
                    }
                }
                match hole {
                    0 | 1 => row[hole] += -0.5 * worth * sums[0],
                    _ => {
                        let cells = &mut row[2 + (hole - 2) * FINE..2 + (hole - 1) * FINE];
                        cells.iter_mut().zip(sums).for_each(|(cell, sum)| *cell += -0.5 * worth * sum);
                    }
                }
            }
            std::mem::swap(&mut traces, &mut before);
        }
    }

    /// Predicted pressures at the points' times, for [`LANES`] holes from `hole` on, one after the other. They are
    /// stepped side by side: each step waits for a root and two divisions, and meanwhile the others go on.
    fn traces_of(&self, member: &Member, m: usize, hole: usize, points: &[(f64, f64)], into: &mut [f64]) {
        let mm2: [f64; LANES] = std::array::from_fn(|l| self.holes_mm[hole + l] * self.holes_mm[hole + l]);
        let mut states: [State; LANES] = std::array::from_fn(|l| self.starts[m * HOLES + hole + l]);
        let (k, k_out) = (mm2.map(|a| member.rate_mm2 * a), mm2.map(|a| member.rate_out_mm2 * a));
        let mut at = 0.0;
        for (i, &(t, _)) in points.iter().enumerate() {
            while at < t {
                let dt = (FIRST_STEP_S + at * (STEP_GROWTH - 1.0)).min(t - at).max(1e-6);
                for l in 0..LANES {
                    states[l] = member.step(states[l], dt, 0.0, k[l], k_out[l]);
                }
                at += dt;
            }
            states.iter().enumerate().for_each(|(l, s)| into[l * points.len() + i] = s.pressure());
        }
    }

    fn sums(&self, log_like: &[f64], most: f64, heat: f64) -> Sums {
        let mut sums = Sums { cells: vec![0.0; CELLS], total: 0.0, squares: 0.0, rebound: 0.0 };
        if !most.is_finite() {
            return sums;
        }
        for m in 0..MEMBERS {
            let mut weight = 0.0;
            for c in 0..CELLS {
                let w = prior(c) * libm::exp(heat * (log_like[m * CELLS + c] - most));
                sums.cells[c] += w;
                weight += w;
                if cell_mm(c) < NEARLY_TIGHT_MM && self.reopen_s[m * HOLES + cell_place(c).0].is_finite() {
                    sums.rebound += w;
                }
            }
            sums.total += weight;
            sums.squares += weight * weight;
        }
        sums
    }

    fn gather(&self, log_like: &[f64]) -> Posterior {
        let most = log_like.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut heat = 1.0;
        let mut sums = self.sums(log_like, most, heat);
        // A belief that rests on a few members knows only that the others were drawn badly: let more of them speak.
        while sums.effective() < LEAST_MEMBERS && heat > LEAST_HEAT {
            heat *= 0.7;
            sums = self.sums(log_like, most, heat);
        }
        let effective = sums.effective();
        let Sums { mut cells, total, rebound, .. } = sums;
        if total <= 0.0 {
            let cells = (0..CELLS).map(prior).collect();
            return Posterior {
                cells,
                information_nats: 0.0,
                effective_members: 0.0,
                explained_by_rebound: 0.0,
                unexplained: true,
                bounds_above: false,
            };
        }
        let mut information = 0.0;
        for (c, p) in cells.iter_mut().enumerate() {
            *p /= total;
            if *p > 0.0 {
                information += *p * libm::log(*p / prior(c));
            }
        }
        Posterior {
            cells,
            information_nats: information.max(0.0),
            effective_members: effective,
            explained_by_rebound: rebound / total,
            unexplained: most < FITS_NOTHING,
            bounds_above: false,
        }
    }
}

/// The weights of all members and cells, added up.
struct Sums {
    cells: Vec<f64>,
    total: f64,
    squares: f64,
    rebound: f64,
}

impl Sums {
    fn effective(&self) -> f64 {
        if self.squares > 0.0 { self.total * self.total / self.squares } else { MEMBERS as f64 }
    }
}

/// A re-opening time between those of two neighbouring holes: times go as a power of the hole.
fn between(a: f64, b: f64, part: f64) -> f64 {
    if part == 0.0 {
        a
    } else if a.is_finite() && b.is_finite() {
        libm::exp(libm::log(a.max(1e-3)) * (1.0 - part) + libm::log(b.max(1e-3)) * part)
    } else if part < 0.5 {
        a
    } else {
        b
    }
}

fn square(x: f64) -> f64 {
    x * x
}

/// Logarithm of the share of a normal distribution below `z`.
fn ln_normal_share(z: f64) -> f64 {
    libm::log((0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2)).max(1e-300))
}
