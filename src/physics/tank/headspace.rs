//! The gas behind one hole, whole.
//!
//! Its moles, as the pressure `q` that they would have at the climate's gas temperature `T`, and its own warmth `θ`
//! above that: `p = q·(1 + θ/T)`. With `c` the warming by what flows (`γ − 1` for gas that leaves or expands,
//! `γ·T_in/T − 1` for gas that enters), the first law for an open system gives `dθ = c·T·(1 + θ/T)·dq/q − θ/τ dt`.
//! Evaporation brings its energy from the liquid, and warms nothing.

use super::{Climate, Draw, Push, TankSpec};
use crate::physics::{gas, orifice};
use crate::units::hole_area_m2;

/// How flow through a hole falls short of Bernoulli's, per share of the outside pressure: the first term of the
/// isentropic nozzle's expansibility, 3/(4γ); outward what is denser inside makes up for most of it (γ of 1.3).
const COMPRESSED_IN: f64 = 0.75 / gas::GAMMA_AIR;
const COMPRESSED_OUT: f64 = 0.75 / 1.3 - 0.5;

/// The gas behind one hole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Headspace {
    /// Gauge pressure, Pa; vacuum negative.
    pub pressure_pa: f64,
    /// Above the temperature that the walls give it, K.
    pub warmth_k: f64,
    /// Vapour that flowed out, or that a grown volume lacks, and that has not evaporated yet, Pa; negative where gas
    /// cooler than its walls took up more.
    pub deficit_pa: f64,
    /// Vapour volume, m³.
    pub volume_m3: f64,
}

impl Headspace {
    /// Sealed now, at gauge pressure `pressure_pa`.
    pub fn new(spec: &TankSpec, pressure_pa: f64) -> Headspace {
        Headspace { pressure_pa, warmth_k: 0.0, deficit_pa: 0.0, volume_m3: spec.volume_m3 }
    }

    /// Follows one step of the climate, which stands at its end; `air_k` is the air outside, K.
    pub fn step(&mut self, spec: &TankSpec, climate: &Climate, push: &Push, air_k: f64, draw: Draw) {
        let (t, baro) = (climate.gas_k, climate.baro_pa);
        let dt = push.dt_s;
        let warm = 1.0 + self.warmth_k / (t / push.ratio);

        // More room: moles and vapour thin out, and the gas cools by the work.
        let volume = self.volume_m3 + draw.fuel_m3_per_s * dt;
        let thinned = self.volume_m3 / volume;
        self.volume_m3 = volume;
        let before = (self.pressure_pa + push.baro_before_pa) / warm * push.ratio;
        let grown = before * (1.0 - thinned);
        // Purge draws by volume, so never more than is there.
        let turns = draw.purge_m3_per_s * dt / volume;
        let purged = before * thinned * -libm::expm1(-turns);

        // Vapour: of what is lost within the step, part has evaporated again at its end.
        let here = (climate.vapour_pa - push.vapour_pa - self.deficit_pa * push.ratio).max(0.0);
        let share = (here / before).clamp(0.0, 1.0);
        let new = push.evaporation.slope * share * (grown + purged);
        // Without the hole: moles, and the heat of all but the hole.
        let own = push.rewarming;
        let expansion = spec.gamma - 1.0;
        let sucked = (grown + purged) / before;
        let cooled = self.warmth_k * own.keep - own.slope * expansion * t * warm * sucked;
        // Cooler gas holds more moles of vapour at the pressure of saturation.
        let held = climate.vapour_pa * 0.5 * (self.warmth_k + cooled) / t;
        let lost = self.deficit_pa * push.ratio;
        let kept = held + (lost - held) * push.evaporation.keep + new;
        let evaporated = push.vapour_pa + (lost + share * (grown + purged) - kept);
        let still = (before - grown - purged + evaporated) * (1.0 + cooled / t) - baro;

        // The hole. A pascal of moles through it moves the pressure by `gain`.
        let entering = spec.gamma * air_k / t - 1.0;
        let gain_in = warm * (1.0 + own.slope * entering);
        let gain_out = warm * (1.0 + own.slope * expansion) * (1.0 - share * (1.0 - push.evaporation.slope));
        let reach = spec.cd * hole_area_m2(spec.hole_mm) / volume * dt;
        let x = still.abs() / baro;
        let air = gas::air_density(baro, air_k);
        let mixture = gas::density(gas::mixture_molar(share), baro, t * warm);
        let root_in = baro * (t / air_k) * (2.0 / air).sqrt() * (1.0 - COMPRESSED_IN * x).max(0.5);
        let root_out = baro / warm * (2.0 / mixture).sqrt() * (1.0 - COMPRESSED_OUT * x).max(0.5);
        let through =
            orifice::midway_leak(self.pressure_pa, still, reach * gain_out * root_out, reach * gain_in * root_in);
        self.pressure_pa = through.clamp(-spec.relief_vacuum_pa, spec.relief_pressure_pa);

        let moved = self.pressure_pa - still;
        if moved > 0.0 {
            self.warmth_k = cooled + own.slope * entering * t * warm * (moved / gain_in) / before;
            self.deficit_pa = kept;
        } else {
            let out = -moved / gain_out;
            self.warmth_k = cooled - own.slope * expansion * t * warm * out / before;
            self.deficit_pa = kept + push.evaporation.slope * share * out;
        }
    }
}
