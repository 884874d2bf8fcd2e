//! How large a leak is, from one sealed pull by purge and the decay after it.
//!
//! Each member of the ensemble is one guess at everything that is not measured (volume, fuel, heat, switch points);
//! for each and for each hole of a row the pull is solved so that the switch closes when it was seen to close, and the
//! decay is followed from there. What was seen of the decay then weighs members and holes.
//!
//! *Prior of the hole*: [`Prior`]. *Not modelled, and allowed for* by an error on the effective area and on the times: vapour that
//! condenses, flow that is not sharp-edged, slosh. Members are a Latin hypercube drawn from PCG-64 with the profile's
//! seed.

pub mod known_hole;
mod member;
mod reopenings;
mod row;
#[cfg(test)]
mod tests;
mod trace;

use super::posterior::{CELLS, HOLE_HIGH_MM, HOLE_LOW_MM, Posterior, Prior, ROW, cell_mm, cell_place};
use super::sampling::{Hypercube, quantile_sorted};
use member::Member;
use reopenings::{Reopenings, between};
use row::{Lane, Leaks, Row};
use trace::Trace;

/// Members of the ensemble.
pub const MEMBERS: usize = 192;
/// Holes behind each member: tight, then evenly in the logarithm.
pub const HOLES: usize = ROW;
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
    /// What is believed of the hole before, about the limit.
    pub prior: Prior,
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
    /// Half-width of the uncertainty of the pressure at purge-off alone (noise, timing), Pa.
    pub start_error_pa: f64,
}

/// What the switch has shown of the decay so far.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Seen {
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
}

/// A pull, followed for every member and hole: built once at purge-off, told what was seen, asked as often as wanted.
#[derive(Debug, Clone)]
pub struct DecayBelief {
    spec: DecaySpec,
    off_s: f64,
    pressure_error_pa: f64,
    holes_mm: Lane,
    members: Vec<(Member, Leaks)>,
    /// State at purge-off.
    starts: Vec<Row>,
    trace: Option<Trace>,
    reopenings: Reopenings,
}

/// A system below this counts as nearly tight, mm.
const NEARLY_TIGHT_MM: f64 = 0.25;

impl DecayBelief {
    /// Follows the pull for every member and hole. Costs some milliseconds.
    pub fn new(spec: &DecaySpec, pull: &Pull) -> DecayBelief {
        let step = libm::log(HOLE_HIGH_MM / HOLE_LOW_MM) / (HOLES - 2) as f64;
        let holes_mm: Lane =
            std::array::from_fn(|i| if i == 0 { 0.0 } else { HOLE_LOW_MM * libm::exp(step * (i - 1) as f64) });
        let cube = Hypercube::new(MEMBERS, 20, spec.seed);
        let members: Vec<(Member, Leaks)> = (0..MEMBERS)
            .map(|m| Member::new(spec, cube.row(m)).with_measured(pull))
            .map(|member| (member, Leaks::new(&member, &holes_mm)))
            .collect();
        let starts = members.iter().map(|(m, leaks)| Row::at_purge_off(m, pull, leaks)).collect();
        DecayBelief {
            spec: spec.clone(),
            off_s: pull.off_s,
            pressure_error_pa: pull.pressure_error_pa,
            holes_mm,
            members,
            starts,
            trace: None,
            reopenings: Reopenings::default(),
        }
    }

    /// Takes a mean of the gauge pressure after purge-off, Pa, oldest first: about the capture time `at_s`, over
    /// `lasted_s` seconds; `noise_pa` is the noise of one point, one standard deviation.
    pub fn pressure(&mut self, at_s: f64, pa: f64, lasted_s: f64, noise_pa: f64) {
        let at = at_s - self.off_s;
        if !(0.0..=HORIZON_S).contains(&at) {
            return;
        }
        let trace = self.trace.get_or_insert_with(|| Trace::new(&self.starts, pa));
        trace.follow(&self.members, at);
        let noise = square(noise_pa) + square(self.spec.model_error * trace.moved(pa)) + 1.0;
        trace.weigh(&self.members, self.pressure_error_pa, pa, lasted_s, lasted_s / noise);
    }

    /// Logarithm of the likelihood of all that was seen, `[member][cell]`.
    fn log_like(&mut self, seen: &[Seen]) -> Vec<f64> {
        let all_holes = if seen.is_empty() { self.nearly_tight() } else { HOLES };
        self.reopenings.follow(&self.members, &self.starts, all_holes);
        let mut log_like = vec![0.0; MEMBERS * CELLS];
        if let Some(trace) = &self.trace {
            trace.add_to(&mut log_like);
        }
        for s in seen {
            match *s {
                Seen::Reopened { at_s, error_s } => {
                    let at = at_s - self.off_s;
                    self.reopenings.at(&mut log_like, at, self.sigma_s(at, error_s));
                }
                Seen::StillClosed { until_s } => {
                    let until = (until_s - self.off_s).clamp(0.0, HORIZON_S);
                    self.reopenings.not_until(&mut log_like, until, self.sigma_s(until, 0.0));
                }
            }
        }
        log_like
    }

    /// What is to be believed of the hole after all pressures given and all of `seen`.
    pub fn posterior(&mut self, seen: &[Seen]) -> Posterior {
        let log_like = self.log_like(seen);
        let bounds_above =
            self.trace.is_none() && !seen.is_empty() && seen.iter().all(|s| matches!(s, Seen::StillClosed { .. }));
        let nearly_tight = (0..CELLS).take_while(|c| cell_mm(*c) < NEARLY_TIGHT_MM).count();
        let rebounds = |member: usize, cell: usize| {
            cell < nearly_tight && self.reopenings.of(member)[cell_place(cell).0].is_finite()
        };
        Posterior::gather(&self.spec.prior, &log_like, rebounds, bounds_above)
    }

    /// Seconds from purge-off after which the switch re-opens behind a hole of `mm`, in a share `share` of the members;
    /// `None` if not within the horizon.
    pub fn reopens_after_s(&mut self, mm: f64, share: f64) -> Option<f64> {
        self.reopenings.follow(&self.members, &self.starts, HOLES);
        let hole = self.holes_mm.iter().rposition(|&h| h <= mm).unwrap_or(0);
        let next = (hole + 1).min(HOLES - 1);
        let part = if hole == 0 || next == hole {
            0.0
        } else {
            libm::log(mm / self.holes_mm[hole]) / libm::log(self.holes_mm[next] / self.holes_mm[hole])
        };
        let mut times: Vec<f64> = (0..MEMBERS)
            .map(|m| self.reopenings.of(m))
            .map(|row| between(row[hole], row[next], part.clamp(0.0, 1.0)))
            .collect();
        times.sort_unstable_by(f64::total_cmp);
        Some(quantile_sorted(&times, share)).filter(|t| t.is_finite())
    }

    fn sigma_s(&self, t: f64, error_s: f64) -> f64 {
        // An even error of half-width e has the standard deviation e/√3.
        let model = self.spec.model_error.max(0.01) * t.max(0.0);
        (model * model + error_s * error_s / 3.0 + 1e-4).sqrt()
    }

    /// How many holes of the row are nearly tight.
    fn nearly_tight(&self) -> usize {
        self.holes_mm.iter().take_while(|mm| **mm < NEARLY_TIGHT_MM).count()
    }
}

fn square(x: f64) -> f64 {
    x * x
}
