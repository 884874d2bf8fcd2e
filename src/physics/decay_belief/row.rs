//! One member's tank behind every hole of the row, stepped side by side: [`crate::physics::tank::Headspace`] to first
//! order in pressure over barometer, in a climate that stands still. A test holds it to [`crate::physics::tank::Tank`].
//!
//! All that depends on the member and the length of the step alone is worked out once a step; what is left for a hole
//! is a root and some products, in loops that the compiler turns into vector instructions.

use super::member::Member;
use super::{HOLES, HORIZON_S, Pull};

/// Steps of a pull between its events.
const PULL_STEPS: u32 = 24;
/// First step of a decay, s, and its growth.
const FIRST_STEP_S: f64 = 0.02;
const STEP_GROWTH: f64 = 1.07;

/// One number a hole.
pub(super) type Lane = [f64; HOLES];

/// A member's leak behind every hole, inward and outward, √Pa/s.
#[derive(Debug, Clone)]
pub(super) struct Leaks {
    inward: Lane,
    outward: Lane,
}

impl Leaks {
    pub(super) fn new(m: &Member, holes_mm: &Lane) -> Leaks {
        Leaks { inward: holes_mm.map(|mm| m.rate_mm2 * mm * mm), outward: holes_mm.map(|mm| m.rate_out_mm2 * mm * mm) }
    }
}

/// The state behind every hole, Pa: gauge pressure, the part of it by gas cooler than the wall, the vapour missing to
/// saturation; and the root of the vacuum, which the next step needs.
#[derive(Debug, Clone)]
pub(super) struct Row {
    pub(super) pressure: Lane,
    heat: Lane,
    vapour: Lane,
    root: Lane,
}

impl Row {
    /// Outside pressure.
    fn still() -> Row {
        Row { pressure: [0.0; HOLES], heat: [0.0; HOLES], vapour: [0.0; HOLES], root: [0.0; HOLES] }
    }

    /// The first `lanes` holes one step on; `purge` is a rate of pressure (Pa/s) for each, times `strength`.
    fn step(&mut self, m: &Member, leaks: &Leaks, lanes: usize, dt: f64, purge: &Lane, strength: f64) {
        let unevaporated = 1.0 / (1.0 + dt / m.evaporation_s);
        let evaporates = dt / m.evaporation_s;
        let warm = 1.0 / (1.0 + dt / m.rewarming_s);
        let cooling = m.gamma - 1.0;
        let gain = 1.0 + cooling * warm;
        let (inverse_gain, gain_dt) = (1.0 / gain, gain * dt);
        let (rise, missing, relief_root) = (m.rise * dt, m.vapour_share * dt, m.relief_pa.sqrt());
        let lanes = lanes.min(HOLES);
        let (pressure, heat) = (&mut self.pressure[..lanes], &mut self.heat[..lanes]);
        let (vapour, root) = (&mut self.vapour[..lanes], &mut self.root[..lanes]);
        let (inward, outward, purge) = (&leaks.inward[..lanes], &leaks.outward[..lanes], &purge[..lanes]);
        for i in 0..lanes {
            let draw = purge[i] * strength + m.fuel_draw;
            // Cooler gas holds more moles of vapour at the pressure of saturation.
            let held = m.vapour_share * heat[i];
            let missed = (vapour[i] + missing * draw + held * evaporates) * unevaporated;
            let still = pressure[i] - heat[i] + (missed - held) * evaporates + rise + heat[i] * warm;
            let kappa = gain_dt * inward[i];
            // The leak counts half at the begin and half at the end of the step, which is exact for a pure decay;
            // where that would overshoot, wholly at the end, which is stable.
            let halved = kappa < root[i];
            let part = if halved { 0.5 } else { 1.0 };
            let first = if halved { 0.5 * kappa * root[i] } else { 0.0 };
            let target = still - gain_dt * draw + first;
            let sucks = target < 0.0;
            let k = part * if sucks { kappa } else { gain_dt * outward[i] };
            // The root of x² + kx = |target|.
            let x = 0.5 * ((k * k + 4.0 * target.abs()).sqrt() - k);
            let x_in = if x < relief_root { x } else { relief_root };
            let p = if sucks { -x_in * x_in } else { x * x };
            heat[i] = (heat[i] + cooling * (p - still) * inverse_gain) * warm;
            vapour[i] = missed;
            root[i] = if sucks { x_in } else { 0.0 };
            pressure[i] = p;
        }
    }

    /// The state at purge-off: behind each hole the pull is solved for the strength of purge that brings the pressure
    /// seen at the time seen.
    pub(super) fn at_purge_off(m: &Member, pull: &Pull, leaks: &Leaks) -> Row {
        let course = m.course(pull);
        let (target, length_s) = (course.target_pa, course.target_s - course.begin_s);
        let mean = pull.mean_strength(course.begin_s, course.target_s).max(1e-9);
        let root = (-target).max(0.0).sqrt();
        // First guess: purge draws the vacuum and what the leak lets in meanwhile.
        let mut purge: Lane =
            std::array::from_fn(|i| ((-target / length_s + leaks.inward[i] * root * (2.0 / 3.0)) / mean).max(1e-6));
        // How the pressure answers to purge; a leak takes part of it back.
        let mut slope: Lane =
            std::array::from_fn(|i| -length_s * mean / (1.0 + leaks.inward[i] * length_s / (2.0 * root.max(1.0))));
        let pulled = |purge: &Lane| {
            let mut row = Row::still();
            row.pull(m, leaks, pull, purge, (course.begin_s, course.target_s));
            row
        };
        let mut row = pulled(&purge);
        let mut miss = row.pressure.map(|p| p - target);
        let close = 1e-3 * target.abs() + 0.05;
        for _ in 0..12 {
            if miss.iter().all(|miss| miss.abs() < close) {
                break;
            }
            let before = purge;
            for i in (0..HOLES).filter(|i| miss[*i].abs() >= close) {
                purge[i] = (purge[i] - miss[i] / slope[i]).clamp(0.2 * purge[i], 5.0 * purge[i]);
            }
            row = pulled(&purge);
            for i in (0..HOLES).filter(|i| purge[*i] != before[*i]) {
                let now = row.pressure[i] - target;
                let seen = (now - miss[i]) / (purge[i] - before[i]);
                slope[i] = if seen < -1e-9 { seen } else { slope[i] };
                miss[i] = now;
            }
        }
        let later = purge.map(|a| a * course.purge_after);
        row.pull(m, leaks, pull, &later, (course.target_s, course.off_s));
        for (i, _) in miss.iter().enumerate().filter(|(_, miss)| miss.abs() > 0.05 * target.abs() + 1.0) {
            // No strength brings it (relief, or purge said to be off): take the pressure as it must have been.
            (row.pressure[i], row.heat[i], row.vapour[i], row.root[i]) = (target, 0.0, 0.0, root);
        }
        row
    }

    fn pull(&mut self, m: &Member, leaks: &Leaks, pull: &Pull, purge: &Lane, (from_s, to_s): (f64, f64)) {
        let dt = (to_s - from_s) / f64::from(PULL_STEPS);
        if dt > 0.0 {
            for i in 0..PULL_STEPS {
                let strength = pull.strength_at(from_s + (f64::from(i) + 0.5) * dt);
                self.step(m, leaks, HOLES, dt, purge, strength);
            }
        }
    }

    /// Sealed and purge off, through these steps.
    pub(super) fn decay(&mut self, m: &Member, leaks: &Leaks, steps: &[f64]) {
        for dt in steps {
            self.step(m, leaks, HOLES, *dt, &NO_PURGE, 0.0);
        }
    }

    /// Seconds from purge-off until the switch re-opens, behind the first `reopens.len()` holes; infinite beyond the
    /// horizon.
    pub(super) fn reopens_after(mut self, m: &Member, leaks: &Leaks, reopens: &mut [f64]) {
        let lanes = reopens.len();
        let level = -m.reopens_pa;
        let mut left = 0;
        for (s, p) in reopens.iter_mut().zip(&self.pressure) {
            *s = if *p >= level { 0.0 } else { f64::INFINITY };
            left += u32::from(*p < level);
        }
        let mut at = 0.0;
        let mut steps = Steps::default();
        while at < HORIZON_S && left > 0 {
            let before = self.pressure;
            let dt = steps.next(f64::INFINITY);
            self.step(m, leaks, lanes, dt, &NO_PURGE, 0.0);
            for i in 0..lanes {
                if self.pressure[i] >= level && reopens[i].is_infinite() {
                    reopens[i] = at + dt * (level - before[i]) / (self.pressure[i] - before[i]);
                    left -= 1;
                }
            }
            at += dt;
        }
    }
}

const NO_PURGE: Lane = [0.0; HOLES];

/// Steps of a decay, growing with the time gone by.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Steps {
    /// Time gone by since purge-off, s.
    pub(super) at: f64,
}

impl Steps {
    /// The next step, not beyond `to` (s from purge-off).
    pub(super) fn next(&mut self, to: f64) -> f64 {
        let dt = (FIRST_STEP_S + self.at * (STEP_GROWTH - 1.0)).min(to - self.at).max(1e-6);
        self.at += dt;
        dt
    }
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

    fn mean_strength(&self, from_s: f64, to_s: f64) -> f64 {
        let dt = (to_s - from_s) / f64::from(PULL_STEPS);
        (0..PULL_STEPS).map(|i| self.strength_at(from_s + (f64::from(i) + 0.5) * dt)).sum::<f64>()
            / f64::from(PULL_STEPS)
    }
}
