//! A sealed headspace stepped through time: what the judge believes happens in a tank.
//!
//! [`Climate`] is what all holes share: the temperatures of wall, fuel and gas, and the vapour. [`Cell`] is the
//! pressure behind one hole. [`Tank`] is one of each. Left out, and small in a soak: the heat of evaporation, the
//! cooling of the gas by its own expansion (the decay model has it), vapour that the canister gives or takes.
//!
//! Every step is closed-form or exponential, so any step length is stable.

use super::fuel::Gasoline;
use super::{gas, orifice};

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
    /// Time constant of the gas behind the wall, s.
    pub gas_lag_s: f64,
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

/// The temperatures and the vapour of a headspace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Climate {
    /// Wall, K.
    pub wall_k: f64,
    /// Fuel, K.
    pub fuel_k: f64,
    /// Gas, K.
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
    gas: Lag,
    evaporation: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Lag {
    keep: f64,
    /// Mean weight that makes the step exact for a target moving in a straight line.
    slope: f64,
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
            gas: Lag::new(spec.gas_lag_s, dt_s),
            evaporation: Lag::new(spec.evaporation_s, dt_s).keep,
        }
    }
}

/// What one step of the climate does to every cell of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Push {
    dt_s: f64,
    ratio: f64,
    vapour_pa: f64,
    evaporation: f64,
    baro_before_pa: f64,
    baro_pa: f64,
    vapour_share: f64,
    root_in: f64,
    root_out: f64,
}

impl Climate {
    /// At the moment of sealing. `above_ambient_k`: fuel above the outside air where neither fuel nor wall is measured.
    pub fn start(spec: &TankSpec, gasoline: &Gasoline, out: &Outside, above_ambient_k: f64) -> Climate {
        let wall = out.wall_k.or(out.fuel_k).unwrap_or(out.ambient_k.map_or(288.15, |a| a + above_ambient_k));
        let fuel = out.fuel_k.unwrap_or(wall);
        Climate {
            wall_k: wall,
            fuel_k: fuel,
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
        let gas = decays.gas.follow(self.gas_k, wall_before, self.wall_k);
        let ratio = gas / self.gas_k;
        self.gas_k = gas;
        let warmed = self.vapour_pa * ratio;
        // At high vapour pressure the headspace boils against the relief; more than nine tenths is out of range.
        let saturated = gasoline.pressure(self.fuel_k).min(0.9 * after.baro_pa);
        self.vapour_pa = saturated + (warmed - saturated) * decays.evaporation;
        let baro_before_pa = self.baro_pa;
        self.baro_pa = after.baro_pa;
        let share = (self.vapour_pa / after.baro_pa).clamp(0.0, 1.0);
        let air = gas::air_density(after.baro_pa, after.ambient_k.unwrap_or(self.wall_k));
        let mixture = gas::density(gas::mixture_molar(share), after.baro_pa, gas);
        Push {
            dt_s: decays.dt_s,
            ratio,
            vapour_pa: self.vapour_pa - warmed,
            evaporation: decays.evaporation,
            baro_before_pa,
            baro_pa: after.baro_pa,
            vapour_share: share,
            root_in: after.baro_pa * (2.0 / air).sqrt(),
            root_out: after.baro_pa * (2.0 / mixture).sqrt(),
        }
    }
}

/// The ways in and out of a headspace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ways {
    /// Effective area of the hole over the vapour volume, Cd·A/V, 1/m.
    pub area_per_volume: f64,
    /// Gauge pressure at which the pressure relief opens, Pa.
    pub relief_pressure_pa: f64,
    /// Vacuum at which the vacuum relief opens, Pa, positive.
    pub relief_vacuum_pa: f64,
}

impl Ways {
    /// Of `spec`.
    pub fn new(spec: &TankSpec) -> Ways {
        Ways {
            area_per_volume: spec.cd * crate::units::hole_area_m2(spec.hole_mm) / spec.volume_m3,
            relief_pressure_pa: spec.relief_pressure_pa,
            relief_vacuum_pa: spec.relief_vacuum_pa,
        }
    }
}

/// The pressure behind one hole.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Cell {
    /// Gauge pressure, Pa; vacuum negative.
    pub pressure_pa: f64,
    /// Vapour that flowed out and has not evaporated again, Pa.
    pub deficit_pa: f64,
}

impl Cell {
    /// Follows one step of the climate; `suction_pa` is what purge drew in the step, as a pressure.
    #[inline]
    pub fn step(&mut self, push: &Push, ways: &Ways, suction_pa: f64) {
        let absolute = (self.pressure_pa + push.baro_before_pa) * push.ratio;
        let deficit = self.deficit_pa * push.ratio;
        let kept = deficit * push.evaporation;
        let target = absolute + push.vapour_pa + (deficit - kept) - suction_pa - push.baro_pa;
        let reach = ways.area_per_volume * push.dt_s;
        let leaked = orifice::implicit_leak(target, reach * push.root_out, reach * push.root_in);
        self.pressure_pa = leaked.clamp(-ways.relief_vacuum_pa, ways.relief_pressure_pa);
        let out = (target - self.pressure_pa).max(0.0) * f64::from(u8::from(target > 0.0)) + suction_pa;
        self.deficit_pa = kept + push.vapour_share * out;
    }
}

/// One headspace with one hole.
#[derive(Debug, Clone)]
pub struct Tank {
    spec: TankSpec,
    gasoline: Gasoline,
    ways: Ways,
    outside: Outside,
    climate: Climate,
    cell: Cell,
}

impl Tank {
    /// Sealed now, at gauge pressure `pressure_pa`.
    pub fn new(spec: TankSpec, outside: Outside, pressure_pa: f64, above_ambient_k: f64) -> Tank {
        let gasoline = Gasoline::new(spec.rvp_psi);
        Tank {
            spec,
            gasoline,
            ways: Ways::new(&spec),
            outside,
            climate: Climate::start(&spec, &gasoline, &outside, above_ambient_k),
            cell: Cell { pressure_pa, deficit_pa: 0.0 },
        }
    }

    /// One step of `dt_s` to the world `outside`, with purge drawing `purge_m3_per_s` at the tank's own pressure.
    pub fn step(&mut self, dt_s: f64, outside: Outside, purge_m3_per_s: f64) {
        let push = self.climate.step(&self.gasoline, &Decays::new(&self.spec, dt_s), &self.outside, &outside);
        // Drawn by volume, so never more than is there.
        let turns = purge_m3_per_s * dt_s / self.spec.volume_m3;
        let suction = (self.cell.pressure_pa + outside.baro_pa) * turns / (1.0 + turns);
        self.cell.step(&push, &self.ways, suction);
        self.outside = outside;
    }

    /// Gauge pressure, Pa; vacuum negative.
    pub fn pressure_pa(&self) -> f64 {
        self.cell.pressure_pa
    }

    /// Its temperatures and vapour.
    pub fn climate(&self) -> &Climate {
        &self.climate
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spec() -> TankSpec {
        TankSpec {
            volume_m3: 0.040,
            hole_mm: 0.0,
            cd: 0.6,
            rvp_psi: 0.0,
            saturation: 1.0,
            evaporation_s: 100.0,
            gas_lag_s: 0.0,
            wall_lag_s: 0.0,
            fuel_lag_s: 0.0,
            fuel_behind_wall_s: 0.0,
            relief_pressure_pa: 1e5,
            relief_vacuum_pa: 1e5,
        }
    }

    fn outside(k: f64) -> Outside {
        Outside { baro_pa: 101_325.0, ambient_k: Some(k), wall_k: None, fuel_k: None }
    }

    #[test]
    fn a_tight_dry_tank_follows_the_gas_law() {
        // Ideal gas at constant volume: p2 = p1·T2/T1.
        let mut t = Tank::new(spec(), outside(293.15), 0.0, 0.0);
        t.step(3600.0, outside(288.15), 0.0);
        assert!((t.pressure_pa() - (101_325.0 * 288.15 / 293.15 - 101_325.0)).abs() < 1e-6);
    }

    #[test]
    fn a_tight_wet_tank_adds_the_vapour() {
        let mut t = Tank::new(TankSpec { rvp_psi: 9.0, ..spec() }, outside(293.15), 0.0, 0.0);
        for _ in 0..100 {
            t.step(60.0, outside(292.15), 0.0);
        }
        let g = Gasoline::new(9.0);
        let air = (101_325.0 - g.pressure(293.15)) * 292.15 / 293.15;
        let expected = air + g.pressure(292.15) - 101_325.0;
        assert!((t.pressure_pa() - expected).abs() < 0.01, "{} {expected}", t.pressure_pa());
    }

    #[test]
    fn a_rising_barometer_looks_like_vacuum() {
        let mut t = Tank::new(spec(), outside(293.15), 0.0, 0.0);
        t.step(10.0, Outside { baro_pa: 101_425.0, ..outside(293.15) }, 0.0);
        assert!((t.pressure_pa() + 100.0).abs() < 1e-9);
    }

    #[test]
    fn fine_steps_reach_the_closed_form_and_huge_ones_stay_sound() {
        let leaky = TankSpec { hole_mm: 0.5, ..spec() };
        let mut t = Tank::new(leaky, outside(293.15), -500.0, 0.0);
        let k = orifice::leak_rate(0.6, 0.5, 0.040, 101_325.0, gas::air_density(101_325.0, 293.15));
        let mut s = 0.0;
        while t.pressure_pa() < -249.0 {
            t.step(0.01, outside(293.15), 0.0);
            s += 0.01;
        }
        assert!((s / orifice::decay_time(500.0, 249.0, k) - 1.0).abs() < 2e-3);
        for dt in [1.0, 1e3, 1e6, 1e9] {
            let mut t = Tank::new(leaky, outside(293.15), -500.0, 0.0);
            t.step(dt, outside(283.15), 0.0);
            assert!((-4000.0..=0.0).contains(&t.pressure_pa()), "{dt}: {}", t.pressure_pa());
        }
    }

    #[test]
    fn reliefs_clamp_and_purge_draws() {
        let relieved = TankSpec { relief_pressure_pa: 300.0, relief_vacuum_pa: 1000.0, ..spec() };
        let mut t = Tank::new(relieved, outside(293.15), 0.0, 0.0);
        t.step(60.0, outside(303.15), 0.0);
        assert_eq!(t.pressure_pa(), 300.0);
        for _ in 0..100 {
            t.step(1.0, outside(303.15), 1e-4);
        }
        assert_eq!(t.pressure_pa(), -1000.0);
    }
}
