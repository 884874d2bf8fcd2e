//! Vapour pressure of motor gasoline. Source: EPA AP-42 chapter 7.1, the equation behind its figure for refined
//! petroleum stocks, with a distillation slope of 3 for motor gasoline. Ethanol is no part of it: a little in gasoline
//! raises the vapour pressure, much lowers it, and the slope changes. [`blended`] turns that into a wider range of RVP;
//! above [`ETHANOL_KNOWN_PCT`] the correlation itself no longer holds, and whoever uses it has to say so.

use crate::units::PA_PER_PSI;

/// Distillation slope at 10 % evaporated, motor gasoline, °F per percent. Source: AP-42 ch. 7.1 (from memory).
pub const SLOPE: f64 = 3.0;
/// 0 °F in degrees Rankine as AP-42 has it.
const RANKINE: f64 = 459.6;

/// Ethanol, % by volume, up to which the correlation is still used without a warning: common practice.
pub const ETHANOL_KNOWN_PCT: f64 = 15.0;
/// By how much a blend of up to 10 % may lie above its gasoline, psi; a few percent already do nearly as much. Source:
/// the allowance of 40 CFR 1090.215, from memory, and common practice.
const BLEND_RISE_PSI: f64 = 1.0;
const BLEND_FULL_RISE_PCT: f64 = 5.0;
/// Reid vapour pressure of neat ethanol, psi. Source: handbook value of about 16 kPa at 37.8 °C, from memory.
const ETHANOL_RVP_PSI: f64 = 2.3;

/// The range of Reid vapour pressure, psi, of a blend with `ethanol_pct` (% by volume) of ethanol, from that of its
/// gasoline: up to 1 psi higher, and where ethanol prevails down towards its own.
pub fn blended((low, high): (f64, f64), ethanol_pct: f64) -> (f64, f64) {
    let rise = BLEND_RISE_PSI * (ethanol_pct / BLEND_FULL_RISE_PCT).clamp(0.0, 1.0);
    let beyond = ((ethanol_pct - ETHANOL_KNOWN_PCT) / (100.0 - ETHANOL_KNOWN_PCT)).clamp(0.0, 1.0);
    (low + (low.min(ETHANOL_RVP_PSI) - low) * beyond, high + rise)
}

/// True vapour pressure in Pa of gasoline with Reid vapour pressure `rvp_psi` (psi) at `t_k` (K). Sound for about
/// 1 to 15 psi and −20 to 60 °C. Without fuel (`rvp_psi` ≤ 0) it is zero: a dry headspace.
pub fn vapour_pressure(rvp_psi: f64, t_k: f64) -> f64 {
    Gasoline::new(rvp_psi).pressure(t_k)
}

/// Slope of [`vapour_pressure`], Pa/K.
pub fn vapour_pressure_slope(rvp_psi: f64, t_k: f64) -> f64 {
    Gasoline::new(rvp_psi).slope(t_k)
}

/// A gasoline with its constants worked out: `P = exp(a − b/t)` psia with t in degrees Rankine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gasoline {
    a: f64,
    b: f64,
    wet: bool,
}

impl Gasoline {
    /// By its Reid vapour pressure, psi; at or below zero there is no fuel.
    pub fn new(rvp_psi: f64) -> Gasoline {
        if rvp_psi <= 0.0 {
            return Gasoline { a: 0.0, b: 0.0, wet: false };
        }
        let l = libm::log10(rvp_psi);
        let s = SLOPE.sqrt();
        Gasoline {
            a: 0.7553 * s * l - 1.854 * s - 2.013 * l + 15.64,
            b: 413.0 * s * l - 1042.0 * s - 2416.0 * l + 8742.0,
            wet: true,
        }
    }

    /// Vapour pressure, Pa, at `t_k` (K).
    pub fn pressure(&self, t_k: f64) -> f64 {
        if self.wet { libm::exp(self.a - self.b / rankine(t_k)) * PA_PER_PSI } else { 0.0 }
    }

    /// Its slope, Pa/K.
    pub fn slope(&self, t_k: f64) -> f64 {
        let t = rankine(t_k);
        self.pressure(t_k) * self.b / (t * t) * 1.8
    }
}

fn rankine(t_k: f64) -> f64 {
    crate::units::fahrenheit(crate::units::celsius(t_k)) + RANKINE
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::kelvin;

    /// °F to K.
    fn f(t: f64) -> f64 {
        kelvin((t - 32.0) / 1.8)
    }

    #[test]
    fn within_2_5_percent_of_the_published_table() {
        // EPA AP-42 ch. 7.1, table of motor gasolines, 40 to 100 °F, psia (from memory).
        let table = [
            (7.0, [2.3, 2.9, 3.5, 4.3, 5.2, 6.2, 7.4]),
            (10.0, [3.4, 4.2, 5.2, 6.2, 7.4, 8.8, 10.5]),
            (13.0, [4.7, 5.7, 6.9, 8.3, 9.9, 11.7, 13.8]),
        ];
        for (rvp, row) in table {
            for (i, psi) in row.iter().enumerate() {
                let got = vapour_pressure(rvp, f(40.0 + 10.0 * i as f64)) / PA_PER_PSI;
                assert!((got / psi - 1.0).abs() < 0.025, "RVP {rvp} row {i}: {got} against {psi}");
            }
        }
    }

    #[test]
    fn ethanol_widens_what_is_known_of_the_fuel() {
        assert_eq!(blended((7.0, 9.0), 0.0), (7.0, 9.0));
        // 40 CFR 1090.215, from memory: 9.0 psi, and 10.0 psi with about 10 % of ethanol.
        assert_eq!(blended((7.0, 9.0), 10.0), (7.0, 10.0));
        assert_eq!(blended((7.0, 9.0), 100.0), (ETHANOL_RVP_PSI, 10.0));
        // ASTM D5798, from memory: 5.5 to 8.5 psi is the summer class of blends of 51 to 83 %.
        let (low, high) = blended((7.0, 9.0), 60.0);
        assert!(low < 5.5 && high > 8.5, "{low} to {high}");
    }

    #[test]
    fn near_boiling_on_a_hot_day_at_altitude() {
        // Trade facts: RVP 10 at 35 °C is 67.5 kPa.
        assert!((vapour_pressure(10.0, kelvin(35.0)) / 1000.0 - 67.5).abs() < 0.1);
    }

    #[test]
    fn a_saturated_headspace_adds_1_3_to_1_5_kpa_a_kelvin() {
        // Trade facts: RVP 9, 20 °C, "about 1.3 to 1.5"; the formula gives the lower end there, the upper at 25 °C.
        let slope = vapour_pressure_slope(9.0, kelvin(20.0));
        assert!((1250.0..1500.0).contains(&slope), "{slope}");
        let h = 1e-3;
        let by_difference =
            (vapour_pressure(9.0, kelvin(20.0 + h)) - vapour_pressure(9.0, kelvin(20.0 - h))) / (2.0 * h);
        assert!((slope / by_difference - 1.0).abs() < 1e-7);
    }

    #[test]
    fn a_dry_headspace_has_none() {
        assert_eq!(vapour_pressure(0.0, 293.15), 0.0);
        assert_eq!(vapour_pressure_slope(0.0, 293.15), 0.0);
    }
}
