//! Which hole could have let a tank stand at a pressure for so long? An answer from the air alone.
//!
//! A hole lets mixture out for as long as pressure stands above the outside. Warming and evaporation can push it out
//! only so far: the air that leaves does not come back while there is pressure, and what is left of it at the end is
//! the total pressure less the vapour's, which is at most that of saturation. So over any stretch, with the air's
//! partial pressure `a` and the gas's temperature `T`,
//!
//! `area × ∫ √(2p/ρ) dt / V  =  ln (a₀/T₀) − ln (a₁/T₁)`
//!
//! (outflow taken as mixed; what flows in is pure air, and counts against). No rate of evaporation enters, no lag of
//! the fuel's surface, and no state of the headspace in between: only the least vapour at the start and the most at
//! the end. Source: balance of one component in a stirred vessel; the orifice is [`super::orifice::volume_flow`].

use super::gas;

/// Share by which the vapour may exceed the saturation that is computed: other fuels, warmer surfaces.
const VAPOUR_ABOVE: f64 = 0.1;
/// Gas out of balance with what is measured, as a share of its absolute temperature: 2 K.
const GAS_UNSURE: f64 = 0.007;
/// Where less of the air than this share is left, nothing is told: near boiling any pressure can stand.
const AIR_LEAST: f64 = 0.1;

/// One end of a stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirState {
    /// Pressure inside, Pa absolute.
    pub total_pa: f64,
    /// Partial pressure of the vapour, Pa: the least it can be at the start, saturation at later moments.
    pub vapour_pa: f64,
    /// Gas, K.
    pub gas_k: f64,
}

/// The balance of one tank from its sealing on.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct AirBalance {
    start: Option<AirState>,
    /// Most vapour that there can have been at any time, Pa: what has evaporated may lag behind cooling fuel.
    vapour_most_pa: f64,
    /// ∫ √(2p/ρ) dt outward, less what came in, m.
    through_m: f64,
    /// Least area over volume so far that a hole must stay below, 1/m.
    most_per_m: Option<f64>,
}

impl AirBalance {
    /// Begins at `start`.
    pub fn seal(&mut self, start: AirState) {
        *self = AirBalance { start: Some(start), ..AirBalance::default() };
    }

    /// For `dt_s` the pressure stood at `gauge_pa` or above (Pa, the error of its zero already taken off); `now` is the
    /// end of that time.
    pub fn stood(&mut self, gauge_pa: f64, dt_s: f64, now: &AirState) {
        let Some(start) = self.start else { return };
        if dt_s.is_nan() || dt_s <= 0.0 || !gauge_pa.is_finite() {
            return;
        }
        self.vapour_most_pa = self.vapour_most_pa.max((1.0 + VAPOUR_ABOVE) * now.vapour_pa);
        let share = (self.vapour_most_pa / now.total_pa).clamp(0.0, 1.0 - AIR_LEAST);
        // Heavy mixture goes out the slowest, light air comes in the quickest, and it makes more of little air.
        if gauge_pa >= 0.0 {
            let rho = gas::density(gas::mixture_molar(share), now.total_pa, now.gas_k);
            self.through_m += (2.0 * gauge_pa / rho).sqrt() * dt_s;
        } else {
            let rho = gas::air_density(now.total_pa, now.gas_k);
            self.through_m -= (-2.0 * gauge_pa / rho).sqrt() * dt_s / (1.0 - share);
        }
        let left = now.total_pa - self.vapour_most_pa;
        if self.through_m <= 0.0 || left < AIR_LEAST * now.total_pa {
            return;
        }
        let first = start.total_pa - start.vapour_pa.min((1.0 - AIR_LEAST) * start.total_pa);
        let gone = libm::log(first / left) + libm::log(now.gas_k / start.gas_k) + GAS_UNSURE;
        let per_m = gone.max(0.0) / self.through_m;
        self.most_per_m = Some(self.most_per_m.map_or(per_m, |m| m.min(per_m)));
    }

    /// Diameter in mm of the largest hole behind which all this could have been, for a vapour volume `volume_m3` and
    /// the discharge coefficient `cd`; `None` while nothing is told.
    pub fn up_to_mm(&self, volume_m3: f64, cd: f64) -> Option<f64> {
        let area = self.most_per_m? * volume_m3 / cd;
        Some((area / std::f64::consts::FRAC_PI_4).sqrt() * 1e3)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::orifice;
    use crate::units::hole_area_m2;

    fn dry(k: f64) -> AirState {
        AirState { total_pa: 101_325.0, vapour_pa: 0.0, gas_k: k }
    }

    #[test]
    fn warmed_air_bounds_the_hole_that_lets_it_out() {
        // Dry air warmed by 20 K: its volume grows by 20/293 = 6.8 % (ideal gas), and no more can have gone out.
        let mut b = AirBalance::default();
        b.seal(dry(293.15));
        for i in 1..=7200 {
            b.stood(100.0, 1.0, &dry(293.15 + 20.0 * f64::from(i) / 7200.0));
        }
        let mm = b.up_to_mm(0.040, 0.6).expect("told");
        let flow = orifice::volume_flow(0.6, hole_area_m2(mm), 100.0, gas::air_density(101_325.0, 303.15));
        let gone = flow * 7200.0 / 0.040;
        assert!((gone - libm::log1p(20.0 / 293.15) - GAS_UNSURE).abs() < 2e-3, "{gone}");
        assert!(mm > 0.1 && mm < 0.3, "{mm}");
    }

    #[test]
    fn what_came_in_counts_against() {
        let mut b = AirBalance::default();
        b.seal(dry(293.15));
        b.stood(-100.0, 3600.0, &dry(293.15));
        b.stood(100.0, 3000.0, &dry(293.15));
        assert_eq!(b.up_to_mm(0.040, 0.6), None);
        b.stood(100.0, 36_000.0, &dry(293.15));
        assert!(b.up_to_mm(0.040, 0.6).is_some());
    }

    #[test]
    fn near_boiling_nothing_is_told() {
        let mut b = AirBalance::default();
        b.seal(AirState { vapour_pa: 40_000.0, ..dry(300.0) });
        b.stood(1000.0, 36_000.0, &AirState { vapour_pa: 85_000.0, ..dry(312.0) });
        assert_eq!(b.up_to_mm(0.040, 0.6), None);
    }

    #[test]
    fn a_hole_that_is_there_is_never_ruled_out() {
        // The whole tank model with a hole, evaporating into half-saturated gas as it warms: its own trace must leave
        // its own size possible, for slow and quick evaporation.
        use crate::physics::tank::{Draw, Outside, Tank, TankSpec};
        for evaporation_s in [100.0, 1000.0, 7200.0] {
            for hole_mm in [0.3, 0.508, 0.8] {
                let spec = TankSpec {
                    volume_m3: 0.040,
                    hole_mm,
                    cd: 0.6,
                    rvp_psi: 11.0,
                    saturation: 0.5,
                    evaporation_s,
                    gas_lag_s: 300.0,
                    rewarming_s: 30.0,
                    gamma: 1.4,
                    wall_lag_s: 0.0,
                    fuel_lag_s: 0.0,
                    fuel_behind_wall_s: 0.0,
                    relief_pressure_pa: 2000.0,
                    relief_vacuum_pa: 2000.0,
                };
                let out = |k| Outside { baro_pa: 101_325.0, ambient_k: Some(k), wall_k: None, fuel_k: None };
                let fuel = crate::physics::fuel::Gasoline::new(11.0);
                let mut t = Tank::new(spec, out(290.0), 0.0, 0.0);
                let mut b = AirBalance::default();
                b.seal(AirState { total_pa: 101_325.0, vapour_pa: 0.5 * fuel.pressure(290.0), gas_k: 290.0 });
                for i in 1..=18_000 {
                    let k = 290.0 + f64::from(i) * 2.0 * 1.5 / 3600.0;
                    t.step(2.0, out(k), Draw::default());
                    let p = t.pressure_pa();
                    let now = AirState {
                        total_pa: 101_325.0 + p,
                        vapour_pa: fuel.pressure(t.climate().fuel_k),
                        gas_k: t.climate().gas_k,
                    };
                    b.stood(p, 2.0, &now);
                }
                let mm = b.up_to_mm(0.040, 0.6).expect("told");
                assert!(mm >= hole_mm && mm < 2.0 * hole_mm, "{evaporation_s} s, {hole_mm} mm: {mm}");
            }
        }
    }
}
