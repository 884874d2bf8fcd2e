//! One guess at everything that is not measured.

use super::{DecaySpec, Pull};
use crate::physics::fuel::Gasoline;
use crate::physics::sampling::{even, even_log};
use crate::physics::{gas, orifice};

/// How long a pull may have lasted whose begin was not seen, s.
const UNSEEN_PULL_S: (f64, f64) = (1.0, 30.0);
/// Logarithmic half-width by which purge may have changed after the switch closed: where its strength is told, and not.
const PURGE_CHANGE: (f64, f64) = (0.1, 0.3);

/// One guess.
#[derive(Debug, Clone, Copy)]
pub(super) struct Member {
    /// Cd·A/V·√… of a hole of 1 mm: the leak's rate, √Pa/s per mm².
    pub(super) rate_mm2: f64,
    pub(super) rate_out_mm2: f64,
    /// Volume over effective area, as a share of the supposed one.
    pub(super) volume_factor: f64,
    pub(super) closes_pa: f64,
    pub(super) reopens_pa: f64,
    pub(super) relief_pa: f64,
    pub(super) gamma: f64,
    pub(super) rewarming_s: f64,
    pub(super) evaporation_s: f64,
    pub(super) rise: f64,
    /// Growth of the volume as liquid leaves it, as a rate of pressure, Pa/s: like purge that never ends.
    pub(super) fuel_draw: f64,
    /// Vapour pressure over the barometer, times the part of it that the fuel's surface gives back within a hold.
    pub(super) vapour_share: f64,
    edge: [f64; 3],
    start: f64,
    unseen: f64,
    purge_change: f64,
    pub(super) zero: f64,
}

impl Member {
    /// From a row of numbers in 0..1.
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
            volume_factor: volume / spec.volume_m3 / area,
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

    /// A vacuum that was measured is below the relief, whatever this guess had been.
    pub(super) fn with_measured(mut self, pull: &Pull) -> Member {
        if pull.pressure_at_off_pa.is_some() {
            self.relief_pa = self.relief_pa.max(-1.02 * self.course(pull).target_pa);
        }
        self
    }

    /// What this guess makes of the pull.
    pub(super) fn course(&self, pull: &Pull) -> Course {
        let off_s = pull.off_s + self.edge[2] * pull.edge_error_s;
        let (target_pa, target_s) = match (pull.pressure_at_off_pa, pull.closed_s) {
            (Some(p), _) => {
                let start = (2.0 * self.start - 1.0) * pull.start_error_pa;
                ((p - self.zero * pull.pressure_error_pa + start).min(-1.0), off_s)
            }
            (None, Some(s)) => (-self.closes_pa, (s + self.edge[1] * pull.edge_error_s).min(off_s)),
            // Somewhere between the closing point and the relief.
            (None, None) => (-even((self.closes_pa, self.relief_pa), self.start), off_s),
        };
        let begin_s = match pull.began_s {
            Some(s) => (s + self.edge[0] * pull.edge_error_s).min(target_s - 0.02),
            None => target_s - even_log(UNSEEN_PULL_S, self.unseen),
        };
        let change = if pull.strength.is_empty() { PURGE_CHANGE.1 } else { PURGE_CHANGE.0 };
        let purge_after = libm::exp(change * self.purge_change);
        Course { begin_s, target_s, target_pa, off_s, purge_after }
    }
}

/// The pull as one member takes it.
pub(super) struct Course {
    pub(super) begin_s: f64,
    /// When the pressure stood at `target_pa`.
    pub(super) target_s: f64,
    pub(super) target_pa: f64,
    pub(super) off_s: f64,
    /// Purge from then on, as a share of what it was before.
    pub(super) purge_after: f64,
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
