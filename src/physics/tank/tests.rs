//! The whole model against laws, and the soak's reduced one against the whole.

use super::*;
use crate::physics::{gas, orifice};

fn spec() -> TankSpec {
    TankSpec {
        volume_m3: 0.040,
        hole_mm: 0.0,
        cd: 0.6,
        rvp_psi: 0.0,
        saturation: 1.0,
        evaporation_s: 100.0,
        gas_lag_s: 0.0,
        rewarming_s: 0.0,
        gamma: 1.0,
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
    t.step(3600.0, outside(288.15), Draw::default());
    assert!((t.pressure_pa() - (101_325.0 * 288.15 / 293.15 - 101_325.0)).abs() < 1e-6);
}

#[test]
fn a_tight_wet_tank_adds_the_vapour() {
    let mut t = Tank::new(TankSpec { rvp_psi: 9.0, ..spec() }, outside(293.15), 0.0, 0.0);
    for _ in 0..100 {
        t.step(60.0, outside(292.15), Draw::default());
    }
    let g = Gasoline::new(9.0);
    let air = (101_325.0 - g.pressure(293.15)) * 292.15 / 293.15;
    let expected = air + g.pressure(292.15) - 101_325.0;
    assert!((t.pressure_pa() - expected).abs() < 0.01, "{} {expected}", t.pressure_pa());
}

#[test]
fn a_rising_barometer_looks_like_vacuum() {
    let mut t = Tank::new(spec(), outside(293.15), 0.0, 0.0);
    t.step(10.0, Outside { baro_pa: 101_425.0, ..outside(293.15) }, Draw::default());
    assert!((t.pressure_pa() + 100.0).abs() < 1e-9);
}

#[test]
fn fine_steps_reach_the_closed_form_and_huge_ones_stay_sound() {
    let leaky = TankSpec { hole_mm: 0.5, ..spec() };
    let mut t = Tank::new(leaky, outside(293.15), -500.0, 0.0);
    let k = orifice::leak_rate(0.6, 0.5, 0.040, 101_325.0, gas::air_density(101_325.0, 293.15));
    let mut s = 0.0;
    while t.pressure_pa() < -249.0 {
        t.step(0.01, outside(293.15), Draw::default());
        s += 0.01;
    }
    // The nozzle lets a little less through than Bernoulli: 3/(4γ) of the mean pressure over the barometer, 0.2 %.
    assert!((s / orifice::decay_time(500.0, 249.0, k) - 1.002).abs() < 5e-4);
    for dt in [1.0, 1e3, 1e6, 1e9] {
        let mut t = Tank::new(leaky, outside(293.15), -500.0, 0.0);
        t.step(dt, outside(283.15), Draw::default());
        assert!((-4000.0..=0.0).contains(&t.pressure_pa()), "{dt}: {}", t.pressure_pa());
    }
}

#[test]
fn reliefs_clamp_and_purge_draws() {
    let relieved = TankSpec { relief_pressure_pa: 300.0, relief_vacuum_pa: 1000.0, ..spec() };
    let mut t = Tank::new(relieved, outside(293.15), 0.0, 0.0);
    t.step(60.0, outside(303.15), Draw::default());
    assert_eq!(t.pressure_pa(), 300.0);
    for _ in 0..100 {
        t.step(1.0, outside(303.15), Draw { purge_m3_per_s: 1e-4, ..Draw::default() });
    }
    assert_eq!(t.pressure_pa(), -1000.0);
}

/// Numbers in 0..1, `dims` a row: a named sequence, so that a failure can be met again.
fn rows(count: usize, dims: usize) -> Vec<Vec<f64>> {
    let cube = crate::physics::sampling::Hypercube::new(count, dims, 29);
    (0..count).map(|i| cube.row(i).to_vec()).collect()
}

#[test]
fn the_soak_s_cells_are_this_tank_in_a_slow_night() {
    // Left out of a cell: the gas's own heat (here of air, γ = 1.4, taken back within 5 to 60 s), the nozzle's
    // compressibility, steps finer than 20 s. Altogether at most 1 % of the vacuum, or 2 Pa.
    for u in rows(60, 12) {
        let whole = TankSpec {
            volume_m3: 0.012 + 0.08 * u[0],
            hole_mm: if u[1] < 0.1 { 0.0 } else { 0.05 * libm::pow(20.0, u[1]) },
            rvp_psi: if u[2] < 0.15 { 0.0 } else { 6.0 + 7.0 * u[2] },
            saturation: 0.6 + 0.4 * u[3],
            evaporation_s: 120.0 * libm::pow(60.0, u[4]),
            gas_lag_s: 120.0 * libm::pow(15.0, u[5]),
            rewarming_s: 5.0 * libm::pow(12.0, u[6]),
            gamma: 1.4,
            fuel_behind_wall_s: 600.0 * libm::pow(12.0, u[7]),
            relief_pressure_pa: 100.0 + 400.0 * u[8],
            relief_vacuum_pa: 750.0 + 1050.0 * u[9],
            ..spec()
        };
        let at = |s: f64| Outside {
            baro_pa: 101_325.0 + 80.0 * libm::sin(s / 9000.0 + 6.0 * u[10]),
            ambient_k: Some(287.15 - 2.0 * u[11] * s / 3600.0),
            wall_k: Some(289.15 - 2.0 * u[11] * s / 3600.0 + 0.5 * libm::sin(s / 5000.0)),
            fuel_k: None,
        };
        let mut tank = Tank::new(whole, at(0.0), 0.0, 0.0);
        let reduced = TankSpec { rewarming_s: 0.0, gamma: 1.0, ..whole };
        let (gasoline, decays, ways) = (Gasoline::new(whole.rvp_psi), Decays::new(&reduced, 20.0), Ways::new(&reduced));
        let mut climate = Climate::start(&reduced, &gasoline, &at(0.0), 0.0);
        let mut cell = Cell::default();
        let (mut deepest, mut deep) = (0.0_f64, 0.0_f64);
        for i in 1..=1440 {
            let s = 20.0 * f64::from(i);
            for part in 1..=10 {
                tank.step(2.0, at(s - 20.0 + 2.0 * f64::from(part)), Draw::default());
            }
            let push = climate.step(&gasoline, &decays, &at(s - 20.0), &at(s));
            cell.step(&push, &ways, 0.0);
            deepest = deepest.max(-tank.pressure_pa());
            deep = deep.max(-cell.pressure_pa);
        }
        let miss = (deep - deepest).abs() / (2.0 + 0.01 * deepest);
        assert!(miss < 1.0, "{deep} against {deepest} Pa: {whole:?}");
    }
}
