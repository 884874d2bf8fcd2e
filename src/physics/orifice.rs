//! Flow through a small hole. Gauge pressures in Pa, vacuum negative; diameters in mm; `cd` is the discharge
//! coefficient to which the size of the hole refers.

use super::gas;
use crate::units::hole_area_m2;

/// Volume flow in m³/s through a hole of `area_m2` at a pressure difference `dp_pa` ≥ 0 of a fluid of density `rho`
/// (kg/m³). Source: Bernoulli's equation with a discharge coefficient.
pub fn volume_flow(cd: f64, area_m2: f64, dp_pa: f64, rho: f64) -> f64 {
    cd * area_m2 * (2.0 * dp_pa.max(0.0) / rho).sqrt()
}

/// Mass flow in kg/s of a compressible gas from `up_pa` to `down_pa` (Pa absolute) through a hole: isentropic nozzle,
/// choked where it must be. `t_k` is the temperature upstream (K), `molar` the molar mass (kg/mol), `gamma` the ratio
/// of specific heats. Source: the isentropic nozzle equation, as in handbooks of gas dynamics.
pub fn nozzle_mass_flow(cd: f64, area_m2: f64, up_pa: f64, down_pa: f64, t_k: f64, molar: f64, gamma: f64) -> f64 {
    if down_pa >= up_pa || up_pa <= 0.0 {
        return 0.0;
    }
    let choked = libm::pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0));
    let r = (down_pa / up_pa).max(choked);
    let rho = gas::density(molar, up_pa, t_k);
    let term = libm::pow(r, 2.0 / gamma) - libm::pow(r, (gamma + 1.0) / gamma);
    cd * area_m2 * (2.0 * gamma / (gamma - 1.0) * up_pa * rho * term.max(0.0)).sqrt()
}

/// How fast a hole fills a sealed volume: `dp/dt = k·√|p|`, isothermal, small pressures. In √Pa/s.
/// `rho` is the density of what flows, `baro_pa` the pressure outside (Pa absolute).
pub fn leak_rate(cd: f64, hole_mm: f64, volume_m3: f64, baro_pa: f64, rho: f64) -> f64 {
    cd * hole_area_m2(hole_mm) * baro_pa * (2.0 / rho).sqrt() / volume_m3
}

/// Seconds in which a vacuum falls from `from_pa` to `to_pa` (both as positive vacuum) at a leak rate `k` of
/// [`leak_rate`]: the closed form of the isothermal decay.
pub fn decay_time(from_pa: f64, to_pa: f64, k: f64) -> f64 {
    2.0 * (from_pa.sqrt() - to_pa.sqrt()) / k
}

/// Diameter in mm of the hole that lets `mass_flow` (kg/s) of a gas through from `up_pa` to `down_pa`; zero where
/// nothing could flow. The idea of an equivalent orifice: 40 CFR 1066.985.
pub fn equivalent_hole(mass_flow: f64, cd: f64, up_pa: f64, down_pa: f64, t_k: f64, molar: f64, gamma: f64) -> f64 {
    let per_m2 = nozzle_mass_flow(cd, 1.0, up_pa, down_pa, t_k, molar, gamma);
    if per_m2 <= 0.0 || mass_flow <= 0.0 {
        return 0.0;
    }
    (mass_flow / per_m2 / std::f64::consts::FRAC_PI_4).sqrt() * 1e3
}

/// One implicit step of `dp/dt = s − sign(p)·k·√|p|`: given `target = p + s·dt` and `kappa = k·dt` it returns the new p.
/// Closed form, so stable at any step, and exact in a steady state.
#[inline]
pub fn implicit_leak(target: f64, kappa_out: f64, kappa_in: f64) -> f64 {
    let kappa = if target < 0.0 { kappa_in } else { kappa_out };
    let a = target.abs();
    // The root of x² + κx − a = 0 without cancellation.
    let x = 2.0 * a / (kappa + (kappa * kappa + 4.0 * a).sqrt()).max(f64::MIN_POSITIVE);
    if target < 0.0 { -x * x } else { x * x }
}

/// [`implicit_leak`] for a step that begins at `from`, where that is better: the leak counts half at the begin and half
/// at the end of the step, which is exact for a pure decay; where that would overshoot, wholly at the end.
pub fn midway_leak(from: f64, target: f64, kappa_out: f64, kappa_in: f64) -> f64 {
    let kappa = if target < 0.0 { kappa_in } else { kappa_out };
    let root = from.abs().sqrt();
    if (from < 0.0) != (target < 0.0) || kappa >= root || 0.5 * kappa * root >= target.abs() {
        return implicit_leak(target, kappa_out, kappa_in);
    }
    let half = 0.5 * kappa * root * if target < 0.0 { 1.0 } else { -1.0 };
    implicit_leak(target + half, 0.5 * kappa_out, 0.5 * kappa_in)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_trade_s_decay_times() {
        // Trade facts, computed there from the closed form: V = 40 L, Cd 0.6, ρ 1.2, 101.325 kPa.
        let rows =
            [(500.0, 249.0, [34.2, 8.5, 2.1]), (500.0, 125.0, [58.0, 14.5, 3.6]), (1000.0, 125.0, [106.0, 26.5, 6.6])];
        for (from, to, times) in rows {
            for (mm, t) in [0.5, 1.0, 2.0].iter().zip(times) {
                let got = decay_time(from, to, leak_rate(0.6, *mm, 0.040, 101_325.0, 1.2));
                assert!((got - t).abs() <= 0.06 + 0.005 * t, "{from}→{to}, {mm} mm: {got} against {t}");
            }
        }
    }

    #[test]
    fn an_implicit_step_is_stable_and_steady() {
        for kappa in [0.0, 1e-3, 1.0, 1e3, 1e9] {
            let p = implicit_leak(-500.0, kappa, kappa);
            assert!((-500.0..=0.0).contains(&p), "{kappa}: {p}");
        }
        // Steady: s·dt = κ√p, so p + s·dt steps to p.
        let (p, kappa) = (100.0_f64, 3.0);
        assert!((implicit_leak(p + kappa * p.sqrt(), kappa, kappa) - p).abs() < 1e-9);
        assert_eq!(implicit_leak(0.0, 0.0, 0.0), 0.0);
    }

    #[test]
    fn a_hole_is_found_again_from_its_flow() {
        let area = hole_area_m2(0.508);
        let m = nozzle_mass_flow(0.6, area, 101_325.0, 100_325.0, 293.15, gas::M_AIR, 1.4);
        let mm = equivalent_hole(m, 0.6, 101_325.0, 100_325.0, 293.15, gas::M_AIR, 1.4);
        assert!((mm - 0.508).abs() < 1e-12);
        assert_eq!(equivalent_hole(m, 0.6, 100_000.0, 101_000.0, 293.15, gas::M_AIR, 1.4), 0.0);
    }
}
