//! A sealed headspace stepped through time: the one forward model of what the judge believes happens in a tank.
//!
//! [`Climate`] is what all holes share: the temperatures of wall, fuel and gas, and the vapour. [`Headspace`] is the
//! gas behind one hole: its pressure, its own heat, its volume, the vapour that it lost. [`Tank`] is one of each.
//! [`Cell`] is the headspace reduced to what a slow night needs, for the soak's ensemble; the decay's ensemble has the
//! headspace side by side for a row of holes, to first order in pressure over barometer (`decay_belief/row.rs`). Tests
//! beside each hold them to [`Tank`].
//!
//! | what | how | source |
//! |---|---|---|
//! | air and vapour | ideal gases in one stirred volume | gas law |
//! | vapour | towards AP-42's pressure at the fuel's temperature, with one time constant | AP-42 ch. 7.1; the rate is an own simplification |
//! | wall, fuel, gas | each behind the next with one time constant; gas touches inner surfaces that lag behind the measured wall | lumped heat |
//! | the gas's own heat | work of expansion and of what flows in, taken back at the wall with one time constant | first law for an open system of constant specific heats |
//! | hole | Bernoulli with a discharge coefficient, and the first term of the nozzle's compressibility | isentropic nozzle |
//! | reliefs | the pressure never passes them | an ideal valve |
//! | purge, fuel drawn | by volume at the tank's own pressure; the volume grows by the fuel | balance of moles |
//!
//! Left out: the heat of evaporation, vapour that the canister gives or takes, layers in gas and fuel.
//!
//! Every step is closed-form or exponential, so any step length is stable; a step should be short against what it is to
//! resolve.

mod cell;
mod climate;
mod headspace;
#[cfg(test)]
mod tests;

pub use cell::{Cell, Ways};
pub use climate::{Climate, Decays, Push};
pub use headspace::Headspace;

use super::fuel::Gasoline;

/// What a headspace is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TankSpec {
    /// Vapour volume, m³.
    pub volume_m3: f64,
    /// Diameter of the hole, mm; 0 is tight.
    pub hole_mm: f64,
    /// Discharge coefficient to which the hole's size refers.
    pub cd: f64,
    /// Reid vapour pressure, psi; 0 is a dry headspace.
    pub rvp_psi: f64,
    /// Vapour at the start as a share of saturation, 0 to 1.
    pub saturation: f64,
    /// Time constant of evaporation and condensation, s.
    pub evaporation_s: f64,
    /// Time constant of the surfaces that the gas touches behind the wall, s.
    pub gas_lag_s: f64,
    /// Time constant of the gas behind those surfaces, s: with it the gas's own heat is taken back. 0: at once.
    pub rewarming_s: f64,
    /// Ratio of specific heats of the gas; 1 switches its own heat off.
    pub gamma: f64,
    /// Time constant of the wall behind the outside air, s; used while the wall is not measured.
    pub wall_lag_s: f64,
    /// Time constant of the fuel behind the outside air, s; used while neither fuel nor wall is measured.
    pub fuel_lag_s: f64,
    /// Time constant of the fuel behind a measured wall, s.
    pub fuel_behind_wall_s: f64,
    /// Gauge pressure at which the pressure relief opens, Pa, positive.
    pub relief_pressure_pa: f64,
    /// Vacuum at which the vacuum relief opens, Pa, positive.
    pub relief_vacuum_pa: f64,
}

/// The world around a headspace at the end of a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outside {
    /// Barometer, Pa absolute.
    pub baro_pa: f64,
    /// Outside air, K.
    pub ambient_k: Option<f64>,
    /// Wall of the tank at the headspace, K, where measured.
    pub wall_k: Option<f64>,
    /// Fuel, K, where measured.
    pub fuel_k: Option<f64>,
}

/// What a running engine draws from a sealed tank.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Draw {
    /// Purge, m³/s at the tank's own pressure and temperature.
    pub purge_m3_per_s: f64,
    /// Fuel, m³/s: the vapour volume grows by it.
    pub fuel_m3_per_s: f64,
}

/// One headspace with one hole.
#[derive(Debug, Clone)]
pub struct Tank {
    spec: TankSpec,
    gasoline: Gasoline,
    outside: Outside,
    climate: Climate,
    headspace: Headspace,
    /// Worked out again when the length of the step changes.
    decays: Decays,
}

impl Tank {
    /// Sealed now, at gauge pressure `pressure_pa`. `above_ambient_k`: fuel above the outside air where neither fuel nor
    /// wall is measured.
    pub fn new(spec: TankSpec, outside: Outside, pressure_pa: f64, above_ambient_k: f64) -> Tank {
        let gasoline = Gasoline::new(spec.rvp_psi);
        Tank {
            gasoline,
            outside,
            climate: Climate::start(&spec, &gasoline, &outside, above_ambient_k),
            headspace: Headspace::new(&spec, pressure_pa),
            decays: Decays::new(&spec, 0.0),
            spec,
        }
    }

    /// One step of `dt_s` (s, above 0, else nothing happens) to the world `outside`, with `draw` drawn meanwhile.
    pub fn step(&mut self, dt_s: f64, outside: Outside, draw: Draw) {
        if dt_s.is_nan() || dt_s <= 0.0 {
            return;
        }
        if self.decays.dt_s() != dt_s {
            self.decays = Decays::new(&self.spec, dt_s);
        }
        let push = self.climate.step(&self.gasoline, &self.decays, &self.outside, &outside);
        let air_k = outside.ambient_k.unwrap_or(self.climate.wall_k);
        self.headspace.step(&self.spec, &self.climate, &push, air_k, draw);
        self.outside = outside;
    }

    /// Gauge pressure, Pa; vacuum negative.
    pub fn pressure_pa(&self) -> f64 {
        self.headspace.pressure_pa
    }

    /// Temperatures and vapour, as they are where nothing flows.
    pub fn climate(&self) -> &Climate {
        &self.climate
    }

    /// The gas in it.
    pub fn headspace(&self) -> &Headspace {
        &self.headspace
    }
}
