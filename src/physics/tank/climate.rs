//! What all holes share: temperatures and vapour.

use super::{Outside, TankSpec};
use crate::physics::fuel::Gasoline;
use crate::physics::gas;

/// The temperatures and the vapour of a headspace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Climate {
    /// Wall, K.
    pub wall_k: f64,
    /// Fuel, K.
    pub fuel_k: f64,
    /// Surfaces that the gas touches, K.
    pub surface_k: f64,
    /// Gas, K, but for its own heat.
    pub gas_k: f64,
    /// Partial pressure of the vapour if nothing flows out, Pa.
    pub vapour_pa: f64,
    /// Barometer, Pa absolute.
    pub baro_pa: f64,
}

/// How far each lag decays within a step of one length: worked out once for a fixed grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decays {
    dt_s: f64,
    wall: Lag,
    fuel: Lag,
    fuel_behind_wall: Lag,
    surface: Lag,
    gas: Lag,
    evaporation: Lag,
}

/// One time constant over one step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lag {
    /// What is left of a deviation at the end.
    pub(super) keep: f64,
    /// What is left of a deviation that came evenly during the step: makes it exact for a target moving in a straight
    /// line.
    pub(super) slope: f64,
}

impl Lag {
    fn new(tau_s: f64, dt_s: f64) -> Lag {
        if tau_s <= 0.0 || dt_s <= 0.0 {
            return Lag { keep: if dt_s <= 0.0 { 1.0 } else { 0.0 }, slope: 0.0 };
        }
        let x = dt_s / tau_s;
        Lag { keep: libm::exp(-x), slope: -libm::expm1(-x) / x }
    }

    /// A value that follows a target moving from `from` to `to` in a straight line during the step.
    fn follow(self, value: f64, from: f64, to: f64) -> f64 {
        to + (value - from) * self.keep - (to - from) * self.slope
    }
}

impl Decays {
    /// For the lags of `spec` and steps of `dt_s`.
    pub fn new(spec: &TankSpec, dt_s: f64) -> Decays {
        Decays {
            dt_s,
            wall: Lag::new(spec.wall_lag_s, dt_s),
            fuel: Lag::new(spec.fuel_lag_s, dt_s),
            fuel_behind_wall: Lag::new(spec.fuel_behind_wall_s, dt_s),
            surface: Lag::new(spec.gas_lag_s, dt_s),
            gas: Lag::new(spec.rewarming_s, dt_s),
            evaporation: Lag::new(spec.evaporation_s, dt_s),
        }
    }

    /// The length of the step, s.
    pub fn dt_s(&self) -> f64 {
        self.dt_s
    }
}

/// What one step of the climate does to every cell of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Push {
    pub(super) dt_s: f64,
    /// Gas temperature at the end over that at the begin.
    pub(super) ratio: f64,
    /// What evaporated, Pa.
    pub(super) vapour_pa: f64,
    pub(super) evaporation: Lag,
    pub(super) rewarming: Lag,
    pub(super) baro_before_pa: f64,
    pub(super) baro_pa: f64,
    pub(super) vapour_share: f64,
    /// Flow through a hole over its area and the root of the pressure, as a pressure: inward and outward.
    pub(super) root_in: f64,
    pub(super) root_out: f64,
}

impl Climate {
    /// At the moment of sealing. `above_ambient_k`: fuel above the outside air where neither fuel nor wall is measured.
    pub fn start(spec: &TankSpec, gasoline: &Gasoline, out: &Outside, above_ambient_k: f64) -> Climate {
        let wall = out.wall_k.or(out.fuel_k).unwrap_or(out.ambient_k.map_or(288.15, |a| a + above_ambient_k));
        let fuel = out.fuel_k.unwrap_or(wall);
        Climate {
            wall_k: wall,
            fuel_k: fuel,
            surface_k: wall,
            gas_k: wall,
            vapour_pa: spec.saturation * gasoline.pressure(fuel).min(0.9 * out.baro_pa),
            baro_pa: out.baro_pa,
        }
    }

    /// One step; `before` and `after` are the world at its two ends.
    pub fn step(&mut self, gasoline: &Gasoline, decays: &Decays, before: &Outside, after: &Outside) -> Push {
        let wall_before = self.wall_k;
        self.wall_k = match (after.wall_k, after.ambient_k, after.fuel_k) {
            (Some(wall), _, _) => wall,
            (None, Some(air), _) => decays.wall.follow(self.wall_k, before.ambient_k.unwrap_or(air), air),
            (None, None, Some(fuel)) => fuel,
            (None, None, None) => self.wall_k,
        };
        self.fuel_k = match (after.fuel_k, after.wall_k, after.ambient_k) {
            (Some(fuel), _, _) => fuel,
            (None, Some(wall), _) => decays.fuel_behind_wall.follow(self.fuel_k, wall_before, wall),
            (None, None, Some(air)) => decays.fuel.follow(self.fuel_k, before.ambient_k.unwrap_or(air), air),
            (None, None, None) => self.fuel_k,
        };
        let surface_before = self.surface_k;
        self.surface_k = decays.surface.follow(surface_before, wall_before, self.wall_k);
        let gas = decays.gas.follow(self.gas_k, surface_before, self.surface_k);
        let ratio = gas / self.gas_k;
        self.gas_k = gas;
        let warmed = self.vapour_pa * ratio;
        // At high vapour pressure the headspace boils against the relief; more than nine tenths is out of range.
        let saturated = gasoline.pressure(self.fuel_k).min(0.9 * after.baro_pa);
        self.vapour_pa = saturated + (warmed - saturated) * decays.evaporation.keep;
        let baro_before_pa = self.baro_pa;
        self.baro_pa = after.baro_pa;
        let share = (self.vapour_pa / after.baro_pa).clamp(0.0, 1.0);
        let air_k = after.ambient_k.unwrap_or(self.wall_k);
        let air = gas::air_density(after.baro_pa, air_k);
        let mixture = gas::density(gas::mixture_molar(share), after.baro_pa, gas);
        Push {
            dt_s: decays.dt_s,
            ratio,
            vapour_pa: self.vapour_pa - warmed,
            evaporation: decays.evaporation,
            rewarming: decays.gas,
            baro_before_pa,
            baro_pa: after.baro_pa,
            vapour_share: share,
            // Air that enters takes the gas's temperature.
            root_in: after.baro_pa * (gas / air_k) * (2.0 / air).sqrt(),
            root_out: after.baro_pa * (2.0 / mixture).sqrt(),
        }
    }
}
