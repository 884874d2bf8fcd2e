//! One guess at everything that is not measured, and how its tank answers a pull and a decay.

use super::{DecaySpec, HORIZON_S, Pull};
use crate::physics::fuel::Gasoline;
use crate::physics::sampling::{even, even_log};
use crate::physics::{gas, orifice};

/// Steps of a pull between its events, at least.
const PULL_STEPS: f64 = 24.0;
/// First step of a decay, s, and its growth.
pub(super) const FIRST_STEP_S: f64 = 0.02;
pub(super) const STEP_GROWTH: f64 = 1.07;
/// How long a pull may have lasted whose begin was not seen, s.
const UNSEEN_PULL_S: (f64, f64) = (1.0, 30.0);
/// Logarithmic half-width by which purge may have changed after the switch closed: where its strength is told, and not.
const PURGE_CHANGE: (f64, f64) = (0.1, 0.3);

#[derive(Debug, Clone, Copy)]
pub(super) struct Member {
    /// Cd·A/V·√… of a hole of 1 mm: the leak's rate, √Pa/s per mm².
    pub(super) rate_mm2: f64,
    pub(super) rate_out_mm2: f64,
    closes_pa: f64,
    reopens_pa: f64,
    relief_pa: f64,
    gamma: f64,
    rewarming_s: f64,
    evaporation_s: f64,
    rise: f64,
    /// Growth of the volume as liquid leaves it, as a rate of pressure, Pa/s: like purge that never ends.
    fuel_draw: f64,
    /// Vapour pressure over the barometer, times the part of it that the fuel's surface gives back within a hold.
    vapour_share: f64,
    edge: [f64; 3],
    start: f64,
    unseen: f64,
    purge_change: f64,
    pub(super) zero: f64,
}

/// Pressures, Pa: of the moles, of the gas being cooler than the wall, of the vapour missing to saturation.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct State {
    moles: f64,
    heat: f64,
    vapour: f64,
}

impl State {
    pub(super) fn pressure(&self) -> f64 {
        self.moles + self.heat
    }
}

impl Member {
    pub(super) fn new(spec: &DecaySpec, u: &[f64]) -> Member {
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
            rise: drift(spec.vapour_rise_pa_per_s, u[10]),
            fuel_draw: even(spec.fuel_draw_m3_per_s, u[19]) * spec.baro_pa / volume,
            vapour_share: vapour_share * if spec.rvp_psi.0 < spec.rvp_psi.1 { (2.0 * u[18]).min(1.0) } else { 1.0 },
            edge: [both(u[11]), both(u[12]), both(u[13])],
            start: u[14],
            zero: both(u[15]),
            unseen: u[16],
            purge_change: both(u[17]),
        }
    }

    /// One step: `purge` as a rate of pressure (Pa/s), `k` the leak inward and `k_out` outward (√Pa/s).
    #[inline]
    pub(super) fn step(&self, s: State, dt: f64, purge: f64, k: f64, k_out: f64) -> State {
        let draw = purge + self.fuel_draw;
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

/// `u` in 0..1 to a range about zero: small drifts are likelier than large ones, each side by its share of the range.
fn drift((low, high): (f64, f64), u: f64) -> f64 {
    let falls = if low < 0.0 { -low / (high.max(0.0) - low) } else { 0.0 };
    if u < falls {
        let z = 1.0 - u / falls;
        low * z * z
    } else {
        let z = (u - falls) / (1.0 - falls);
        low.max(0.0) + (high - low.max(0.0)) * z * z
    }
}

/// The state at purge-off: the pull is solved for the strength of purge that brings the pressure seen at the time seen.
pub(super) fn start_of_decay(m: &Member, pull: &Pull, k: f64, k_out: f64, guess: &mut Option<f64>) -> State {
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
pub(super) fn reopens_after(m: &Member, start: State, k: f64, k_out: f64) -> f64 {
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
