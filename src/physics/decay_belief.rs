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

use super::fuel::Gasoline;
use super::sampling::{Hypercube, even, even_log, quantile_sorted};
use super::{gas, orifice};

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
    /// Steady rise by fuel that warms or splashes, Pa/s.
    pub vapour_rise_pa_per_s: (f64, f64),
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

/// Holes and their probabilities.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// Share of "tight", then per fine cell of the row.
    cells: Vec<f64>,
    /// Information gained about the hole against the prior, nats.
    pub information_nats: f64,
    /// Effective number of members behind it, at most [`MEMBERS`].
    pub effective_members: f64,
    /// Probability that a nearly tight system (below 0.25 mm) re-opened the switch by re-warming and evaporation.
    pub explained_by_rebound: f64,
    /// No member with any hole comes near what was seen: the model or the record is wrong.
    pub unexplained: bool,
}

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

/// Fine cells between two holes of the row.
const FINE: usize = 8;
/// Holes that are stepped side by side.
const LANES: usize = 6;
const _: () = assert!(HOLES.is_multiple_of(LANES));
/// A system below this counts as nearly tight, mm.
const NEARLY_TIGHT_MM: f64 = 0.25;
/// Below this a posterior is as good as the prior, nats.
const UNINFORMED_NATS: f64 = 0.1;
/// Steps of a pull between its events, at least.
const PULL_STEPS: f64 = 24.0;
/// First step of a decay, s, and its growth.
const FIRST_STEP_S: f64 = 0.02;
const STEP_GROWTH: f64 = 1.07;
/// A trace's points share their model error: together they count as this many.
const TRACE_WORTH: f64 = 8.0;
/// How long a pull may have lasted whose begin was not seen, s.
const UNSEEN_PULL_S: (f64, f64) = (1.0, 30.0);
/// Logarithmic half-width by which purge may have changed after the switch closed: where its strength is told, and not.
const PURGE_CHANGE: (f64, f64) = (0.1, 0.3);
/// Log-likelihood below which nothing fits: five standard deviations.
const FITS_NOTHING: f64 = -12.5;

#[derive(Debug, Clone, Copy)]
struct Member {
    /// Cd·A/V·√… of a hole of 1 mm: the leak's rate, √Pa/s per mm².
    rate_mm2: f64,
    rate_out_mm2: f64,
    closes_pa: f64,
    reopens_pa: f64,
    relief_pa: f64,
    gamma: f64,
    rewarming_s: f64,
    evaporation_s: f64,
    rise: f64,
    /// Vapour pressure over the barometer, times the part of it that the fuel's surface gives back within a hold.
    vapour_share: f64,
    edge: [f64; 3],
    start: f64,
    unseen: f64,
    purge_change: f64,
    zero: f64,
}

/// Pressures, Pa: of the moles, of the gas being cooler than the wall, of the vapour missing to saturation.
#[derive(Debug, Clone, Copy, Default)]
struct State {
    moles: f64,
    heat: f64,
    vapour: f64,
}

impl State {
    fn pressure(&self) -> f64 {
        self.moles + self.heat
    }
}

impl Member {
    fn new(spec: &DecaySpec, u: &[f64]) -> Member {
        let both = |u: f64| 2.0 * u - 1.0;
        let volume = spec.volume_m3 * (1.0 + spec.volume_spread / 0.9 * both(u[0])).max(0.05);
        let area = 1.0 + spec.area_error * both(u[1]);
        let closes_pa = even(spec.closes_pa, u[2]);
        let vapour = Gasoline::new(even(spec.rvp_psi, u[4])).pressure(even(spec.fuel_k, u[5]));
        let vapour_share = (vapour / spec.baro_pa).clamp(0.0, 0.9);
        let air = gas::air_density(spec.baro_pa, spec.gas_k);
        let mixture = gas::density(gas::mixture_molar(vapour_share), spec.baro_pa, spec.gas_k);
        Member {
            rate_mm2: orifice::leak_rate(spec.cd * area, 1.0, volume, spec.baro_pa, air),
            rate_out_mm2: orifice::leak_rate(spec.cd * area, 1.0, volume, spec.baro_pa, mixture),
            closes_pa,
            // A switch re-opens below its closing point, whatever the two ranges say.
            reopens_pa: even(spec.reopens_pa, u[3]).min(0.95 * closes_pa),
            relief_pa: even(spec.relief_vacuum_pa, u[6]).max(1.05 * closes_pa),
            gamma: even(spec.gamma, u[7]),
            rewarming_s: even_log(spec.rewarming_s, u[8]),
            evaporation_s: even_log(spec.evaporation_s, u[9]),
            // Small rises are likelier than large ones.
            rise: even(spec.vapour_rise_pa_per_s, u[10] * u[10]),
            vapour_share: vapour_share * if spec.rvp_psi.0 < spec.rvp_psi.1 { (2.0 * u[18]).min(1.0) } else { 1.0 },
            edge: [both(u[11]), both(u[12]), both(u[13])],
            start: u[14],
            zero: both(u[15]),
            unseen: u[16],
            purge_change: both(u[17]),
        }
    }

    /// One step: `draw` is purge as a rate of pressure (Pa/s), `k` the leak inward and `k_out` outward (√Pa/s).
    #[inline]
    fn step(&self, s: State, dt: f64, draw: f64, k: f64, k_out: f64) -> State {
        let vapour = (s.vapour + self.vapour_share * draw * dt) / (1.0 + dt / self.evaporation_s);
        let evaporated = vapour / self.evaporation_s * dt;
        let warm = 1.0 / (1.0 + dt / self.rewarming_s);
        let gain = 1.0 + (self.gamma - 1.0) * warm;
        let still = s.moles + evaporated + self.rise * dt + s.heat * warm;
        let kappa = gain * k * dt;
        let before = -s.pressure();
        // The leak counts half at the begin and half at the end of the step, which is exact for a pure decay; where
        // that would overshoot, wholly at the end, which is stable.
        let root = if before > 0.0 { before.sqrt() } else { 0.0 };
        let drawn = still - gain * draw * dt;
        let pressure = if kappa < root {
            orifice::implicit_leak(drawn + 0.5 * kappa * root, 0.5 * gain * k_out * dt, 0.5 * kappa)
        } else {
            orifice::implicit_leak(drawn, gain * k_out * dt, kappa)
        };
        let pressure = pressure.max(-self.relief_pa);
        let flow = (pressure - still) / gain;
        State {
            moles: s.moles + evaporated + self.rise * dt + flow,
            heat: (s.heat + (self.gamma - 1.0) * flow) * warm,
            vapour,
        }
    }
}

impl DecayBelief {
    /// Follows the pull for every member and hole. Costs some tens of milliseconds.
    pub fn new(spec: &DecaySpec, pull: &Pull) -> DecayBelief {
        let mut holes_mm = vec![0.0; HOLES];
        let step = libm::log(HOLE_HIGH_MM / HOLE_LOW_MM) / (HOLES - 2) as f64;
        for (i, mm) in holes_mm.iter_mut().enumerate().skip(1) {
            *mm = HOLE_LOW_MM * libm::exp(step * (i - 1) as f64);
        }
        let cube = Hypercube::new(MEMBERS, 19, spec.seed);
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
        self.gather(&log_like)
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

    /// The 90 % interval, mm.
    pub fn interval(&self) -> (f64, f64) {
        (self.quantile(0.05), self.quantile(0.95))
    }

    /// Whether what was seen says anything. If not, this is the prior, and no verdict may rest on it.
    pub fn informed(&self) -> bool {
        self.information_nats >= UNINFORMED_NATS && !self.unexplained
    }
}

/// Fine cells in all: tight, then the row.
const CELLS: usize = 2 + (HOLES - 2) * FINE;

/// The hole of the row at or below a fine cell, and how far it is to the next.
fn cell_place(cell: usize) -> (usize, f64) {
    if cell == 0 { (0, 0.0) } else { (1 + (cell - 1) / FINE, ((cell - 1) % FINE) as f64 / FINE as f64) }
}

/// Diameter at a place along the fine cells (1 is the first after tight).
fn edge_mm(place: f64) -> f64 {
    let step = libm::log(HOLE_HIGH_MM / HOLE_LOW_MM) / (CELLS - 2) as f64;
    HOLE_LOW_MM * libm::exp(step * (place - 1.0))
}

fn cell_mm(cell: usize) -> f64 {
    if cell == 0 { 0.0 } else { edge_mm(cell as f64) }
}

fn prior(cell: usize) -> f64 {
    if cell == 0 { PRIOR_TIGHT } else { (1.0 - PRIOR_TIGHT) / (CELLS - 1) as f64 }
}

/// The state at purge-off: the pull is solved for the strength of purge that brings the pressure seen at the time seen.
fn start_of_decay(m: &Member, pull: &Pull, k: f64, k_out: f64, guess: &mut Option<f64>) -> State {
    let off = pull.off_s + m.edge[2] * pull.edge_error_s;
    // What must be reached, and when.
    let (target_pa, target_s) = match (pull.pressure_at_off_pa, pull.closed_s) {
        (Some(p), _) => (p - m.zero * pull.pressure_error_pa, off),
        (None, Some(s)) => (-m.closes_pa, (s + m.edge[1] * pull.edge_error_s).min(off)),
        // Somewhere between the closing point and the relief.
        (None, None) => (-even((m.closes_pa, m.relief_pa), m.start), off),
    };
    let begin = match pull.began_s {
        Some(s) => (s + m.edge[0] * pull.edge_error_s).min(target_s - 0.02),
        None => target_s - even_log(UNSEEN_PULL_S, m.unseen),
    };
    // A vacuum that was measured is below the relief, whatever this member had thought of it.
    let m = &Member { relief_pa: m.relief_pa.max(-1.02 * target_pa), ..*m };
    let run = |draw: f64, from: State, t0: f64, t1: f64| {
        let dt = (t1 - t0) / PULL_STEPS;
        let mut s = from;
        if dt > 0.0 {
            for i in 0..PULL_STEPS as u32 {
                s = m.step(s, dt, draw * pull.strength_at(t0 + (f64::from(i) + 0.5) * dt), k, k_out);
            }
        }
        s
    };
    let miss = |draw: f64| run(draw, State::default(), begin, target_s).pressure() - target_pa;
    let mut a = guess.unwrap_or(-target_pa / (target_s - begin)).max(1e-6);
    let mut fa = miss(a);
    let mut b = (a * 1.1).max(1e-6);
    for _ in 0..12 {
        let fb = miss(b);
        let next = b - fb * (b - a) / (fb - fa);
        let done = fb.abs() < 1e-3 * target_pa.abs() + 0.05;
        (a, fa) = (b, fb);
        if done || !next.is_finite() {
            break;
        }
        b = next.clamp(0.2 * a, 5.0 * a);
    }
    *guess = Some(a);
    if fa.abs() > 0.05 * target_pa.abs() + 1.0 {
        // No strength brings it (relief, or purge said to be off): take the pressure as it must have been.
        return State { moles: target_pa, ..State::default() };
    }
    let change = if pull.strength.is_empty() { PURGE_CHANGE.1 } else { PURGE_CHANGE.0 };
    let later = a * libm::exp(change * m.purge_change);
    run(later, run(a, State::default(), begin, target_s), target_s, off)
}

impl Pull {
    fn strength_at(&self, t: f64) -> f64 {
        if self.strength.is_empty() {
            return 1.0;
        }
        // In order of time; before the first it was as at the first.
        let after = self.strength.partition_point(|(from, _)| *from <= t);
        self.strength[after.saturating_sub(1)].1
    }
}

/// Seconds from purge-off until the switch re-opens; infinite beyond the horizon.
fn reopens_after(m: &Member, start: State, k: f64, k_out: f64) -> f64 {
    let mut s = start;
    let mut vacuum = -s.pressure();
    if vacuum <= m.reopens_pa {
        return 0.0;
    }
    let (mut at, mut dt) = (0.0, FIRST_STEP_S);
    while at < HORIZON_S {
        s = m.step(s, dt, 0.0, k, k_out);
        let next = -s.pressure();
        if next <= m.reopens_pa {
            return at + dt * (vacuum - m.reopens_pa) / (vacuum - next);
        }
        (vacuum, at) = (next, at + dt);
        dt *= STEP_GROWTH;
    }
    f64::INFINITY
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

#[cfg(test)]
mod tests {
    use super::*;

    fn certain() -> DecaySpec {
        DecaySpec {
            volume_m3: 0.040,
            volume_spread: 0.0,
            cd: 0.6,
            area_error: 0.0,
            model_error: 0.01,
            baro_pa: 101_325.0,
            gas_k: 293.15,
            rvp_psi: (0.0, 0.0),
            fuel_k: (293.15, 293.15),
            closes_pa: (249.0, 249.0),
            reopens_pa: (125.0, 125.0),
            relief_vacuum_pa: (1500.0, 1500.0),
            gamma: (1.0, 1.0),
            rewarming_s: (20.0, 20.0),
            evaporation_s: (100.0, 100.0),
            vapour_rise_pa_per_s: (0.0, 0.0),
            seed: 1,
        }
    }

    #[test]
    fn the_closed_form_s_decays_give_their_holes_back() {
        // Trade facts: 500 to 125 Pa in 58.0, 14.5, 3.6 s through 0.5, 1 and 2 mm (40 L, Cd 0.6, ρ 1.2).
        for (mm, t) in [(0.5, 58.0), (1.0, 14.5), (2.0, 3.6)] {
            let pull = Pull { began_s: Some(90.0), off_s: 100.0, pressure_at_off_pa: Some(-500.0), ..Pull::default() };
            let belief = DecayBelief::new(&certain(), &pull);
            let p = belief.posterior(&[Seen::Reopened { at_s: 100.0 + t, error_s: 0.01 }]);
            let (low, high) = p.interval();
            assert!((p.best() / mm - 1.0).abs() < 0.02, "{mm} mm: {}", p.best());
            assert!(low < mm && mm < high && high / low < 1.06, "{mm} mm: {low} to {high}");
            assert!(p.informed());
        }
    }

    /// Ranges as a profile would give them.
    fn usual() -> DecaySpec {
        DecaySpec {
            volume_spread: 0.15,
            area_error: 0.1,
            model_error: 0.05,
            rvp_psi: (7.0, 13.0),
            fuel_k: (290.0, 296.0),
            closes_pa: (200.0, 300.0),
            reopens_pa: (100.0, 200.0),
            relief_vacuum_pa: (750.0, 1800.0),
            gamma: (1.0, 1.4),
            rewarming_s: (5.0, 60.0),
            evaporation_s: (20.0, 600.0),
            vapour_rise_pa_per_s: (0.0, 0.5),
            ..certain()
        }
    }

    fn seen_pull() -> Pull {
        Pull { began_s: Some(0.0), closed_s: Some(2.0), off_s: 6.0, edge_error_s: 0.05, ..Pull::default() }
    }

    #[test]
    fn a_tight_tank_gives_back_29_percent_of_a_quick_pull() {
        // Trade facts, from the adiabatic relation with γ = 1.4: 1 − 1/1.4.
        let spec = DecaySpec { gamma: (1.4, 1.4), rewarming_s: (60.0, 60.0), reopens_pa: (1.0, 1.0), ..certain() };
        let pull = Pull { began_s: Some(0.0), off_s: 0.1, pressure_at_off_pa: Some(-1000.0), ..Pull::default() };
        let belief = DecayBelief::new(&spec, &pull);
        let (member, mut state) = (&belief.members[0], belief.starts[0]);
        for _ in 0..6000 {
            state = member.step(state, 0.1, 0.0, 0.0, 0.0);
        }
        assert!((state.pressure() + 1000.0 / 1.4).abs() < 2.0, "{}", state.pressure());
    }

    #[test]
    fn nothing_seen_is_the_prior_and_says_so() {
        let p = DecayBelief::new(&usual(), &Pull { off_s: 6.0, ..Pull::default() }).posterior(&[]);
        assert!(!p.informed() && p.information_nats < 1e-9);
        assert!((p.p_at_least(HOLE_LOW_MM * 1.001) - (1.0 - PRIOR_TIGHT)).abs() < 0.01);
        // Even in the logarithm: half of the row lies below its geometric mean.
        let middle = (HOLE_LOW_MM * HOLE_HIGH_MM).sqrt();
        assert!((p.p_at_least(middle) / (1.0 - PRIOR_TIGHT) - 0.5).abs() < 0.01);
        assert!((p.quantile(1.0 - p.p_at_least(1.0)) - 1.0).abs() < 1e-6, "a quantile undoes its probability");
    }

    #[test]
    fn a_switch_that_stays_closed_rules_holes_out_one_after_another() {
        let belief = DecayBelief::new(&usual(), &seen_pull());
        let mut last = 1.0;
        for until_s in [8.0, 16.0, 36.0, 66.0, 126.0] {
            let p = belief.posterior(&[Seen::StillClosed { until_s }]);
            let leak = p.p_at_least(0.508);
            assert!(leak < last && p.informed(), "{until_s} s: {leak}");
            last = leak;
        }
        assert!(last < 0.005, "{last}");
    }

    #[test]
    fn a_late_reopening_may_be_rebound_and_an_early_one_may_not() {
        let belief = DecayBelief::new(&usual(), &seen_pull());
        let early = belief.posterior(&[Seen::Reopened { at_s: 11.0, error_s: 0.05 }]);
        assert!(early.p_at_least(0.508) > 0.995 && early.explained_by_rebound < 0.01);
        let late = belief.posterior(&[Seen::Reopened { at_s: 300.0, error_s: 0.05 }]);
        assert!(late.p_at_least(0.508) < 0.005 && late.explained_by_rebound > 0.5);
        assert!(late.interval().0 < 0.15, "a nearly tight one is not ruled out: {:?}", late.interval());
    }

    #[test]
    fn a_trace_tells_more_than_the_switch() {
        // The pressure through 0.508 mm by the closed form of the isothermal decay (40 L, Cd 0.6), seen with a zero
        // error of 20 Pa.
        let k = orifice::leak_rate(0.6, 0.508, 0.040, 101_325.0, gas::air_density(101_325.0, 293.15));
        let points: Vec<(f64, f64)> = (0..120)
            .map(|i| {
                let t = f64::from(i) * 0.5;
                (6.0 + t, -square((800.0_f64.sqrt() - 0.5 * k * t).max(0.0)) + 20.0)
            })
            .collect();
        let pull = Pull { pressure_at_off_pa: Some(-780.0), pressure_error_pa: 50.0, ..seen_pull() };
        let spec = DecaySpec { gamma: (1.0, 1.05), rvp_psi: (0.0, 0.0), vapour_rise_pa_per_s: (0.0, 0.0), ..usual() };
        let belief = DecayBelief::new(&spec, &pull);
        let p = belief.posterior(&[Seen::Trace { points: &points, noise_pa: 10.0 }]);
        let (low, high) = p.interval();
        assert!(low < 0.508 && 0.508 < high && high / low < 1.4 && p.informed(), "{low} to {high}");
        let tight: Vec<(f64, f64)> = points.iter().map(|&(t, _)| (t, -780.0)).collect();
        let p = belief.posterior(&[Seen::Trace { points: &tight, noise_pa: 10.0 }]);
        assert!(p.quantile(0.995) < 0.2, "{}", p.quantile(0.995));
    }

    #[test]
    fn what_no_hole_explains_is_called_so() {
        // The pressure stands far below what any hole could bring back, then rises by itself beyond the outside.
        let points: Vec<(f64, f64)> =
            (0..60).map(|i| (6.0 + f64::from(i), if i % 20 < 10 { -780.0 } else { 900.0 })).collect();
        let pull = Pull { pressure_at_off_pa: Some(-780.0), pressure_error_pa: 20.0, ..seen_pull() };
        let p = DecayBelief::new(&usual(), &pull).posterior(&[Seen::Trace { points: &points, noise_pa: 10.0 }]);
        assert!(p.unexplained && !p.informed());
    }
}
