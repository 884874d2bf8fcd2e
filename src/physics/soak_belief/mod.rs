//! What a key-off soak can tell: an ensemble of sealed tanks cooled by the measured temperatures.
//!
//! Each member is one guess at everything that is not measured (volume, fuel, lags, switch point, reliefs, barometer,
//! probe error); behind each member stands a row of holes from tight to large. For each of them the deepest vacuum
//! so far is kept, and from that follow two bounds: the largest hole that could still have closed the switch, and the
//! smallest that would have kept it open.
//!
//! Members are a Latin hypercube of 64 points drawn from PCG-64 with the seed of the profile. Time runs on a grid of
//! 20 s of capture time; what is measured is averaged within the grid, and each member smooths it by a time of its own,
//! since a probe's noise and its steps of resolution are not weather.

mod member;
#[cfg(test)]
mod tests;
mod weigh;

pub use weigh::Shown;

use super::sampling::{Hypercube, quantile_sorted};
use super::supply::SupplySpec;
use member::Member;
use weigh::Earlier;

/// Step of the grid, s of capture time.
pub const GRID_S: f64 = 20.0;
/// Members of the ensemble.
pub const MEMBERS: usize = 64;
/// Holes behind each member: tight, then evenly in the logarithm.
pub const HOLES: usize = 20;
/// Smallest hole of the row after "tight", mm.
pub const HOLE_LOW_MM: f64 = 0.03;
/// Largest hole of the row, mm: a bound at this value means "this or more".
pub const HOLE_HIGH_MM: f64 = 1.6;

/// A clock that jumps must not cost a year of steps: no more than this of a silence is followed, s.
const LONGEST_STEP_S: f64 = 7.0 * 86_400.0;
/// A silence longer than this leaves the path between its two ends open.
const GAP_S: f64 = 600.0;
/// How far the weather may have strayed within a silence, K a hour of it, and at most.
const GAP_STRAY_K_PER_H: f64 = 0.5;
const GAP_STRAY_MOST_K: f64 = 3.0;

/// What is known before the soak. Ranges are (lowest, highest); equal ends switch a spread off.
#[derive(Debug, Clone, PartialEq)]
pub struct SoakSpec {
    /// Vapour volume, m³.
    pub volume_m3: f64,
    /// Half-width of its uncertainty (90 %), as a share of it.
    pub volume_spread: f64,
    /// Discharge coefficient to which sizes refer.
    pub cd: f64,
    /// Half-width of the model's error on the effective flow area, as a share of it.
    pub area_error: f64,
    /// Reid vapour pressure, psi; (0, 0) is a dry headspace.
    pub rvp_psi: (f64, f64),
    /// Vacuum at which the switch closes, Pa, positive.
    pub closes_pa: (f64, f64),
    /// Opening of the pressure relief, Pa, positive.
    pub relief_pressure_pa: (f64, f64),
    /// Opening of the vacuum relief, Pa, positive.
    pub relief_vacuum_pa: (f64, f64),
    /// Lag of the gas behind the tank wall, s.
    pub gas_lag_s: (f64, f64),
    /// Lag of tank and fuel behind the outside air, s: where neither wall nor fuel is measured.
    pub fuel_lag_s: (f64, f64),
    /// Lag of the fuel behind a measured wall, s.
    pub fuel_behind_wall_s: (f64, f64),
    /// Time constant of evaporation and condensation, s.
    pub evaporation_s: (f64, f64),
    /// Vapour at the start, share of saturation.
    pub saturation: (f64, f64),
    /// Vacuum left in the tank at the start, Pa, positive is vacuum.
    pub start_vacuum_pa: (f64, f64),
    /// Tank and fuel above the outside air at the start, K: where neither wall nor fuel is measured.
    pub start_above_ambient_k: (f64, f64),
    /// Fuel above a measured wall at the start, K: where the fuel is not measured.
    pub start_above_wall_k: (f64, f64),
    /// Swing of the barometer where it is not measured, Pa/h either way.
    pub baro_unknown_pa_per_h: f64,
    /// Error of a temperature probe, K either way.
    pub temperature_error_k: f64,
    /// Seed of the ensemble.
    pub seed: u64,
}

/// What is measured at one moment; `None` where it is not (or not now: the last value is held).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SoakDrive {
    /// Outside air, K.
    pub ambient_k: Option<f64>,
    /// Tank skin, K.
    pub wall_k: Option<f64>,
    /// Fuel, K.
    pub fuel_k: Option<f64>,
    /// Barometer, Pa absolute; `None` unless it is good to about 10 Pa.
    pub baro_pa: Option<f64>,
}

/// What is measured, for [`SoakBelief::lose`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Probe {
    /// Outside air.
    Ambient = 0,
    /// Tank skin.
    Wall = 1,
    /// Fuel.
    Fuel = 2,
    /// Barometer.
    Baro = 3,
}

const CHANNELS: usize = 4;
const BARO: usize = 3;
/// Barometer assumed where none is measured, Pa: the pressure itself hardly matters, only its change.
const BARO_ASSUMED_PA: f64 = 100_000.0;

impl SoakDrive {
    fn all(&self) -> [Option<f64>; CHANNELS] {
        [self.ambient_k, self.wall_k, self.fuel_k, self.baro_pa]
    }
}

/// Runs through the soak with the record.
#[derive(Debug, Clone)]
pub struct SoakBelief {
    members: Vec<Member>,
    holes_mm: [f64; HOLES],
    /// Last sample: when, and what.
    last: Option<(f64, [Option<f64>; CHANNELS])>,
    /// Weighted sum and weight within the running grid step.
    sum: [(f64, f64); CHANNELS],
    /// Grid steps done since the ensemble was sealed.
    steps: u64,
    began_s: f64,
    now_s: f64,
    sealed: bool,
    baro_lost_s: Option<f64>,
    /// To when a measured pressure is accounted for.
    stood_s: Option<f64>,
    closes_pa: (f64, f64),
    earlier: Earlier,
}

impl SoakBelief {
    /// Before the soak. The first [`advance`](SoakBelief::advance) is the moment of sealing.
    pub fn new(spec: &SoakSpec) -> SoakBelief {
        let mut holes_mm = [0.0; HOLES];
        let step = libm::log(HOLE_HIGH_MM / HOLE_LOW_MM) / (HOLES - 2) as f64;
        for (i, mm) in holes_mm.iter_mut().enumerate().skip(1) {
            *mm = HOLE_LOW_MM * libm::exp(step * (i - 1) as f64);
        }
        let cube = Hypercube::new(MEMBERS, 21, spec.seed);
        let members = (0..MEMBERS).map(|m| Member::new(spec, cube.row(m), &holes_mm)).collect();
        SoakBelief {
            members,
            holes_mm,
            last: None,
            sum: [(0.0, 0.0); CHANNELS],
            steps: 0,
            began_s: 0.0,
            now_s: 0.0,
            sealed: false,
            baro_lost_s: None,
            stood_s: None,
            closes_pa: spec.closes_pa,
            earlier: Earlier::default(),
        }
    }

    /// A probe fell silent for good (a controller that sleeps): from here on its quantity follows the others, or
    /// drifts unknown, instead of standing where it was last seen. Sampled again, it counts again.
    pub fn lose(&mut self, probe: Probe) {
        let c = probe as usize;
        if let Some((_, values)) = &mut self.last {
            values[c] = None;
        }
        self.sum[c] = (0.0, 0.0);
        if c == BARO {
            // The pressure itself is known; only its further way is not.
            if self.members[0].smooth[BARO].is_some() {
                self.baro_lost_s.get_or_insert(self.now_s);
            }
        } else {
            for m in &mut self.members {
                m.smooth[c] = None;
            }
        }
    }

    /// Moves to `to_s` (capture time), where `drive` is measured; in between things moved in a straight line. A call
    /// that goes back in time only replaces the last sample; a value that is no number counts as not measured.
    pub fn advance(&mut self, to_s: f64, drive: &SoakDrive) {
        if !to_s.is_finite() {
            return;
        }
        let mut now = drive.all().map(|v| v.filter(|v| v.is_finite()));
        let Some((from_s, before)) = self.last else {
            self.began_s = to_s;
            self.now_s = to_s;
            self.last = Some((to_s, now));
            return;
        };
        for (now, before) in now.iter_mut().zip(before) {
            *now = now.or(before);
        }
        let long = to_s - from_s;
        let mut at = from_s.max(to_s - LONGEST_STEP_S);
        while at < to_s {
            let grid = (libm::floor(at / GRID_S) + 1.0) * GRID_S;
            let next = grid.min(to_s);
            for c in 0..CHANNELS {
                if let Some(end) = now[c] {
                    let begin = before[c].unwrap_or(end);
                    let middle = begin + (end - begin) * ((at + next) / 2.0 - from_s) / long;
                    self.sum[c].0 += middle * (next - at);
                    self.sum[c].1 += next - at;
                }
            }
            if next == grid {
                let x = (grid - from_s) / long;
                let stray = if long > GAP_S {
                    (GAP_STRAY_K_PER_H * long / 3600.0).min(GAP_STRAY_MOST_K) * 4.0 * x * (1.0 - x)
                } else {
                    0.0
                };
                self.grid_step(grid, stray);
            }
            at = next;
        }
        self.last = Some((to_s, now));
    }

    /// Starts a second record of the deepest vacuum, for `..._since` queries: from when an edge would count.
    pub fn mark(&mut self) {
        for m in &mut self.members {
            for (deepest, cell) in m.deepest_since_pa.iter_mut().zip(&m.cells) {
                *deepest = -cell.pressure_pa;
            }
        }
        self.earlier = Earlier::begin(self.now_s, self.members.iter().map(|m| m.deepest_since_pa));
    }

    /// The tank's pressure stood at `gauge_pa` or above (Pa, the error of its zero already taken off) in the mean since
    /// the last call, or since sealing; to be called after [`advance`](SoakBelief::advance).
    pub fn stood(&mut self, gauge_pa: f64) {
        if !self.sealed {
            return;
        }
        let dt_s = self.now_s - self.stood_s.unwrap_or(self.began_s);
        self.stood_s = Some(self.now_s);
        for m in &mut self.members {
            m.stood(gauge_pa, dt_s);
        }
    }

    /// The largest hole, mm, behind which the pressure could have stood as [`stood`](SoakBelief::stood) says; `None`
    /// while nothing is told.
    pub fn stands_up_to_mm(&self, sure: f64) -> Option<f64> {
        let mm = self.members.iter().map(|m| m.air.up_to_mm(m.tank.volume_m3, m.tank.cd).unwrap_or(f64::INFINITY));
        Some(quantile(mm, sure)).filter(|mm| mm.is_finite())
    }

    /// What each member supposes of a tank whose trace is asked for the supply that a hole would have needed, those
    /// first in which a hole does the least. `drive_before_pa_per_s` is [`SoakBelief::drive_pa_per_s`] of a soak that
    /// this one goes on from.
    pub fn supplies(&self, before: Option<&[f64]>, zero_error_pa: f64, noise_pa: f64) -> Vec<SupplySpec> {
        let mut specs: Vec<SupplySpec> = (self.members.iter().enumerate())
            .map(|(i, m)| {
                let now = m.driven_pa() / self.long_s();
                let then = before.and_then(|b| b.get(i).copied()).unwrap_or(now);
                m.supply((now.min(then), now.max(then)), zero_error_pa, noise_pa)
            })
            .collect();
        specs.sort_by(|a, b| (a.cd / a.volume_m3).total_cmp(&(b.cd / b.volume_m3)));
        specs
    }

    /// Supply to each member's tight tank since sealing by what is measured to warm or cool, in the mean, Pa/s.
    pub fn drive_pa_per_s(&self) -> Vec<f64> {
        self.members.iter().map(|m| m.driven_pa() / self.long_s()).collect()
    }

    fn long_s(&self) -> f64 {
        (self.now_s - self.began_s).max(GRID_S)
    }

    /// Whether a temperature is measured; without one every answer is a guess.
    pub fn driven(&self) -> bool {
        self.members[0].smooth[..BARO].iter().any(Option::is_some)
    }

    /// Capture time to which the ensemble has come.
    pub fn now_s(&self) -> f64 {
        self.now_s
    }

    /// The largest hole, mm, that could still have closed the switch by now: a share `sure` (0.5 to 1) of the members
    /// say that it is no larger. 0: not even a tight one; [`HOLE_HIGH_MM`]: that or more.
    pub fn closes_up_to_mm(&self, sure: f64) -> f64 {
        self.bound(sure, |m| m.closes_pa, false)
    }

    /// The smallest hole, mm, that would have kept the switch open until now: a share `sure` of the members say that
    /// any larger one would have.
    pub fn opens_from_mm(&self, sure: f64) -> f64 {
        self.bound(sure, |m| m.closes_pa, true)
    }

    /// [`closes_up_to_mm`](SoakBelief::closes_up_to_mm) since the [`mark`](SoakBelief::mark).
    pub fn closes_up_to_since_mm(&self, sure: f64) -> f64 {
        self.bound_in(sure, |m| m.closes_pa, false, |m| &m.deepest_since_pa)
    }

    /// [`opens_from_mm`](SoakBelief::opens_from_mm) since the [`mark`](SoakBelief::mark).
    pub fn opens_from_since_mm(&self, sure: f64) -> f64 {
        self.bound_in(sure, |m| m.closes_pa, true, |m| &m.deepest_since_pa)
    }

    /// The largest hole, mm, behind which a vacuum of `vacuum_pa` (positive) could have stood at any time since the
    /// [`mark`](SoakBelief::mark).
    pub fn reach_up_to_mm(&self, vacuum_pa: f64, sure: f64) -> f64 {
        self.bound_in(sure, |_| vacuum_pa, false, |m| &m.deepest_since_pa)
    }

    /// The smallest hole, mm, that would have kept the vacuum below `vacuum_pa` (positive) ever since the
    /// [`mark`](SoakBelief::mark).
    pub fn reach_from_mm(&self, vacuum_pa: f64, sure: f64) -> f64 {
        self.bound_in(sure, |_| vacuum_pa, true, |m| &m.deepest_since_pa)
    }

    /// Share of the members, 0 to 1, in which a tight system would have closed the switch by now.
    pub fn tight_closes_share(&self) -> f64 {
        self.members.iter().filter(|m| m.tight_closed_s.is_some()).count() as f64 / MEMBERS as f64
    }

    /// The deepest vacuum, Pa (positive), that any member's tight system came to since the
    /// [`mark`](SoakBelief::mark).
    pub fn tight_deepest_since_pa(&self) -> f64 {
        self.members.iter().fold(f64::NEG_INFINITY, |a, m| a.max(m.deepest_since_pa[0]))
    }

    /// The deepest vacuum since sealing, Pa (positive): member by member, behind each hole from tight to large.
    pub fn deepest_pa(&self) -> impl Iterator<Item = &[f64; HOLES]> {
        self.members.iter().map(|m| &m.deepest_pa)
    }

    /// Capture time by which a tight system has closed the switch in a share `share` of the members (0.05: early,
    /// 0.5: typical, 0.95: late); `None` while it has not come so far.
    pub fn tight_closes_at(&self, share: f64) -> Option<f64> {
        let times = self.members.iter().map(|m| m.tight_closed_s.unwrap_or(f64::INFINITY));
        Some(quantile(times, share)).filter(|t| t.is_finite())
    }

    /// Gauge pressure, Pa, of a tight system now: 5, 50 and 95 % of the members.
    pub fn tight_pressure_pa(&self) -> (f64, f64, f64) {
        let at = |q| quantile(self.members.iter().map(|m| m.cells[0].pressure_pa), q);
        (at(0.05), at(0.5), at(0.95))
    }

    /// Gauge pressure, Pa, behind a hole of `mm` now: 5, 50 and 95 % of the members.
    pub fn pressure_behind_pa(&self, mm: f64) -> (f64, f64, f64) {
        let next = self.holes_mm.iter().position(|h| *h >= mm).unwrap_or(HOLES - 1).max(1);
        let (small, large) = (self.holes_mm[next - 1], self.holes_mm[next]);
        let part =
            if next == 1 { mm / large } else { libm::log(mm / small) / libm::log(large / small) }.clamp(0.0, 1.0);
        let at = |q| quantile(self.members.iter().map(|m| m.behind_pa(next, part)), q);
        (at(0.05), at(0.5), at(0.95))
    }

    fn bound(&self, sure: f64, level: impl Fn(&Member) -> f64, lower: bool) -> f64 {
        self.bound_in(sure, level, lower, |m| &m.deepest_pa)
    }

    fn bound_in<'a>(
        &'a self,
        sure: f64,
        level: impl Fn(&Member) -> f64,
        lower: bool,
        deepest: impl Fn(&'a Member) -> &'a [f64; HOLES],
    ) -> f64 {
        let edges = self.members.iter().map(|m| edge_mm(&self.holes_mm, deepest(m), level(m)));
        quantile(edges, if lower { 1.0 - sure } else { sure })
    }

    fn grid_step(&mut self, grid_s: f64, stray_k: f64) {
        self.steps += 1;
        let mut mean = [None; CHANNELS];
        for (mean, sum) in mean.iter_mut().zip(&mut self.sum) {
            let (sum, weight) = std::mem::take(sum);
            *mean = (weight > 0.0).then(|| sum / weight);
        }
        if mean[BARO].is_some() {
            self.baro_lost_s = None;
        }
        self.now_s = grid_s;
        let hours = (grid_s - self.began_s) / 3600.0;
        let settled = -libm::expm1(-hours);
        let baro_blind_s = match (self.members[0].smooth[BARO].or(mean[BARO]), self.baro_lost_s) {
            (None, _) => hours * 3600.0,
            (Some(_), Some(lost)) => grid_s - lost,
            (Some(_), None) => 0.0,
        };
        for m in &mut self.members {
            m.listen(&mean, self.steps);
            let outside = m.outside(settled, baro_blind_s, stray_k);
            if self.sealed {
                m.step(grid_s, &outside);
            } else {
                m.seal(&outside);
            }
        }
        self.sealed = true;
        self.earlier.pass(grid_s, self.members.iter().map(|m| m.deepest_since_pa));
    }
}

/// The hole between those that reached `level` and those that did not.
fn edge_mm(holes_mm: &[f64; HOLES], deepest_pa: &[f64; HOLES], level: f64) -> f64 {
    let Some(last) = deepest_pa.iter().rposition(|&v| v >= level) else { return 0.0 };
    if last + 1 == HOLES {
        return HOLE_HIGH_MM;
    }
    let (deep, shallow) = (deepest_pa[last], deepest_pa[last + 1].max(level * 1e-3));
    let part = if deep > shallow { libm::log(deep / level) / libm::log(deep / shallow) } else { 0.0 };
    let (small, large) = (holes_mm[last], holes_mm[last + 1]);
    // In steady cooling vacuum goes as a power of the hole; below the smallest hole there is no logarithm.
    if last == 0 { large * part } else { small * libm::exp(libm::log(large / small) * part) }
}

fn quantile(values: impl Iterator<Item = f64>, q: f64) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_unstable_by(f64::total_cmp);
    quantile_sorted(&sorted, q)
}
