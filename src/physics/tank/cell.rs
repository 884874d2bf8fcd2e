//! The pressure behind one hole, as a soak needs it: [`super::headspace`] where nothing is quick.
//!
//! A night's ensemble steps thousands of these, so what hardly matters in slow changes is left out: the gas's own heat,
//! the nozzle's compressibility, a volume that grows. `super::tests` hold it to the whole model.

use super::{Push, TankSpec};
use crate::physics::orifice;

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
        let kept = deficit * push.evaporation.keep;
        let target = absolute + push.vapour_pa + (deficit - kept) - suction_pa - push.baro_pa;
        let reach = ways.area_per_volume * push.dt_s;
        let leaked = orifice::implicit_leak(target, reach * push.root_out, reach * push.root_in);
        self.pressure_pa = leaked.clamp(-ways.relief_vacuum_pa, ways.relief_pressure_pa);
        let out = (target - self.pressure_pa).max(0.0) * f64::from(u8::from(target > 0.0)) + suction_pa;
        self.deficit_pa = kept + push.vapour_share * out;
    }
}
