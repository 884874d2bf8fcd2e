//! The physics held to vectors made by other hands: `fluids` and `scipy` from PyPI, by the generator and pinned
//! versions in `tests/reference/`. `.ci/run` makes the vectors again and compares.

// The helpers of a test may stop it, as the tests themselves may.
#![allow(clippy::expect_used, clippy::panic)]

#[path = "reference/forward.rs"]
mod forward;

use serde_json::Value;
use soakwatch::physics::decay_belief::{DecayBelief, DecaySpec, Pull, Seen};
use soakwatch::physics::leak_down::{Hold, LeakDown, LeakDownSpec, Ramp, sizes};
use soakwatch::physics::posterior::Prior;
use soakwatch::physics::tank::{Draw, Outside, Tank, TankSpec};
use soakwatch::physics::{fuel, gas, orifice};
use soakwatch::units::hole_area_m2;

fn vectors(name: &str) -> Vec<Value> {
    let text = include_str!("reference/vectors.json");
    let all: Value = serde_json::from_str(text).expect("the vectors are JSON");
    let rows = all[name].as_array().expect(name).clone();
    assert!(!rows.is_empty(), "{name}");
    rows
}

fn num(row: &Value, key: &str) -> f64 {
    row[key].as_f64().unwrap_or_else(|| panic!("{key} in {row}"))
}

fn close(got: f64, expected: f64, relative: f64, what: &Value) {
    assert!((got - expected).abs() <= relative * expected.abs(), "{got} against {expected}: {what}");
}

/// EPA AP-42 ch. 7.1, the printed equation evaluated in psia and degrees Rankine by the generator.
#[test]
fn vapour_pressure_of_gasoline() {
    for row in vectors("vapour_pressure") {
        close(fuel::vapour_pressure(num(&row, "rvp_psi"), num(&row, "t_k")), num(&row, "pa"), 1e-9, &row);
    }
}

/// scipy.constants.R.
#[test]
fn ideal_gas() {
    for row in vectors("ideal_gas") {
        let (pa, k) = (num(&row, "pa"), num(&row, "t_k"));
        close(gas::air_density(pa, k), num(&row, "density"), 1e-12, &row);
        close(gas::moles(pa, 0.040, k), num(&row, "moles_in_40_l"), 1e-12, &row);
    }
}

/// fluids: nozzle_expansibility (ISO 5167 nozzle) with the hole vanishing against the pipe, P_critical_flow.
#[test]
fn mass_flow_through_a_nozzle() {
    for row in vectors("mass_flow") {
        let (up, down, t) = (num(&row, "up_pa"), num(&row, "down_pa"), num(&row, "t_k"));
        let (molar, gamma, mm) = (num(&row, "molar"), num(&row, "gamma"), num(&row, "hole_mm"));
        let m = orifice::nozzle_mass_flow(0.6, hole_area_m2(mm), up, down, t, molar, gamma);
        close(m, num(&row, "kg_per_s"), 1e-7, &row);
        close(orifice::equivalent_hole(m, 0.6, up, down, t, molar, gamma), mm, 1e-9, &row);
    }
}

/// fluids: API520_A_g (API 520, choked gas), whose constants are rounded to four digits.
#[test]
fn choked_flow() {
    let text = include_str!("reference/vectors.json");
    let row = &serde_json::from_str::<Value>(text).expect("the vectors are JSON")["choked_area"];
    let (up, down) = (num(row, "up_pa"), num(row, "down_pa"));
    let m = orifice::nozzle_mass_flow(num(row, "cd"), num(row, "m2"), up, down, num(row, "t_k"), gas::M_AIR, 1.4);
    close(m, num(row, "kg_per_s"), 2e-3, row);
}

/// scipy.integrate.solve_ivp over the compressible nozzle flow of fluids, isothermal, 40 L at 20 °C.
#[test]
fn isothermal_decay() {
    let outside = Outside { baro_pa: 101_325.0, ambient_k: Some(293.15), wall_k: Some(293.15), fuel_k: None };
    for row in vectors("decay_isothermal") {
        let (mm, from, to, s) = (num(&row, "hole_mm"), num(&row, "from_pa"), num(&row, "to_pa"), num(&row, "s"));
        let k = orifice::leak_rate(0.6, mm, 0.040, 101_325.0, gas::air_density(101_325.0, 293.15));
        close(orifice::decay_time(from, to, k), s, 0.008, &row);
        let mut tank = Tank::new(dry(mm), outside, -from, 0.0);
        let (mut t, dt) = (0.0, s / 2000.0);
        while tank.pressure_pa() < -to {
            tank.step(dt, outside, Draw::default());
            t += dt;
        }
        close(t, s, 0.008, &row);
    }
}

/// scipy.integrate.solve_ivp over air and vapour moles and the heat of gas, wall and fuel, six hours at 2 K/h.
#[test]
fn nights_behind_a_hole() {
    for row in vectors("nights") {
        let spec = TankSpec {
            rvp_psi: num(&row, "rvp_psi"),
            saturation: num(&row, "saturation"),
            gas_lag_s: num(&row, "gas_lag_s"),
            wall_lag_s: num(&row, "wall_lag_s"),
            fuel_lag_s: num(&row, "fuel_lag_s"),
            evaporation_s: num(&row, "evaporation_s"),
            ..dry(num(&row, "hole_mm"))
        };
        let (start, rate) = (num(&row, "start_k"), num(&row, "k_per_s"));
        let at = |t: f64| Outside { baro_pa: 101_325.0, ambient_k: Some(start - rate * t), wall_k: None, fuel_k: None };
        let mut tank = Tank::new(spec, at(0.0), 0.0, 0.0);
        let mut t = 0.0;
        let gauge: Vec<f64> = row["gauge_pa"].as_array().expect("gauge_pa").iter().filter_map(Value::as_f64).collect();
        let peak = gauge.iter().fold(0.0, |most: f64, p| most.max(p.abs()));
        assert_eq!(gauge.len(), 12);
        for (i, expected) in gauge.into_iter().enumerate() {
            while t < 1800.0 * (i + 1) as f64 {
                t += 20.0;
                tank.step(20.0, at(t), Draw::default());
            }
            let got = tank.pressure_pa();
            // First-order steps of 20 s, and incompressible flow at up to 6 kPa: 3 %, and 1.5 % of the night's extreme.
            let tolerance = 3.0 + 0.03 * expected.abs() + 0.015 * peak;
            assert!((got - expected).abs() < tolerance, "hour {}: {got} against {expected}: {row}", t / 3600.0);
        }
    }
}

/// scipy.integrate.solve_ivp over a sealed pull and its decay with an energy balance, evaporation and nozzle flow:
/// with nothing left unknown, the re-opening comes when it came there.
#[test]
fn decay_after_a_quick_pull() {
    let mut reopened = 0;
    for row in vectors("decay_with_heat") {
        let both = |v: f64| (v, v);
        let spec = DecaySpec {
            volume_spread: 0.0,
            area_error: 0.0,
            rvp_psi: both(num(&row, "rvp_psi")),
            fuel_k: both(293.15),
            closes_pa: both(249.0),
            reopens_pa: both(125.0),
            gamma: both(num(&row, "gamma")),
            rewarming_s: both(num(&row, "warm_s")),
            evaporation_s: both(num(&row, "evaporation_s")),
            vapour_rise_pa_per_s: both(0.0),
            volume_m3: 0.040,
            ..usual()
        };
        let off = num(&row, "off_s");
        let pull = Pull {
            began_s: Some(0.0),
            closed_s: Some(num(&row, "closed_s")),
            off_s: off,
            strength: vec![(0.0, 1.0)],
            ..Pull::default()
        };
        let got = DecayBelief::new(&spec, &pull).reopens_after_s(num(&row, "hole_mm"), 0.5);
        match row["reopened_s"].as_f64() {
            None => assert_eq!(got, None, "{row}"),
            Some(s) => {
                reopened += 1;
                close(got.unwrap_or(f64::INFINITY), s, 0.03, &row);
            }
        }
    }
    assert!(reopened >= 10);
}

/// The same, with 80 systems drawn at random by numpy from ranges that the judge is told: its 90 % intervals must
/// cover about nine in ten of the holes, and hardly ever be sure of the wrong side of 0.508 mm.
#[test]
fn intervals_cover_what_they_should() {
    let rows = vectors("random_decays");
    for by_pressure in [false, true] {
        let (mut covered, mut sure, mut width) = (0, 0, 0.0);
        for row in &rows {
            let (mm, off, after) = (num(row, "hole_mm"), num(row, "off_s"), num(row, "reopened_s"));
            let pull = Pull {
                began_s: Some(0.0),
                closed_s: Some(num(row, "closed_s")),
                off_s: off,
                edge_error_s: 0.05,
                strength: vec![(0.0, 1.0)],
                pressure_at_off_pa: by_pressure.then(|| num(row, "at_off_pa")),
                pressure_error_pa: 10.0,
                start_error_pa: 0.0,
            };
            let mut belief = DecayBelief::new(&usual(), &pull);
            let p = belief.posterior(&[Seen::Reopened { at_s: off + after, error_s: 0.05 }]);
            assert!(p.informed(), "{row}");
            let (low, high) = p.interval();
            covered += u32::from(low <= mm && mm <= high);
            width += libm::log(high / low.max(0.05));
            let fails = p.p_at_least(0.508);
            if fails > 0.995 {
                sure += 1;
                assert!(mm >= 0.508, "called a leak: {row}");
            }
            if fails < 0.005 {
                sure += 1;
                assert!(mm < 0.508, "called tight: {row}");
            }
        }
        let n = rows.len() as u32;
        println!(
            "by pressure {by_pressure}: {covered} of {n} covered, {sure} sure, width e^{:.2}",
            width / f64::from(n)
        );
        assert!(covered * 100 >= n * 85, "{covered} of {n}");
        assert!(sure * 2 > n, "only {sure} of {n} decided");
    }
}

/// scipy.integrate.solve_ivp over moles, gas temperature and the syringe's moving volume, with the nozzle of fluids:
/// the hole from the leak-down within 15 %, and from a known hole the volume.
#[test]
fn holds_on_the_tray() {
    let spec = LeakDownSpec {
        cd: 0.6,
        baro_pa: 101_325.0,
        gas_k: 293.15,
        zero_error_pa: 3.0,
        settling_s: (0.3, 5.0),
        drift_pa_per_s: 0.2,
        model_error: 0.03,
    };
    let mut sized = 0;
    for row in vectors("tray_holds") {
        let (litres, mm, step) = (num(&row, "litres"), num(&row, "hole_mm"), num(&row, "step_s"));
        let gauge = row["gauge_pa"].as_array().expect("gauge_pa").iter().filter_map(Value::as_f64);
        let points: Vec<(f64, f64)> = gauge.enumerate().map(|(i, p)| (i as f64 * step, p)).collect();
        let stroke = Ramp { from_pa: 0.0, to_pa: points[0].1, seconds: num(&row, "stroke_s") };
        let hold = Hold { points: &points, noise_pa: 0.5, stroke: Some(stroke) };
        let fit = LeakDown::fit(&hold, &spec).unwrap_or_else(|e| panic!("{e:?}: {litres} L, {mm} mm"));
        let volume = litres * 1e-3;
        let s = fit.hole(volume, 0.02);
        println!("{litres} L, {mm} mm: {s:.4?}, misfit {:.2}", fit.misfit);
        assert!(fit.misfit < 1.0, "{row}");
        if mm == 0.0 {
            assert!(s.high < 0.03, "{s:?}");
            continue;
        }
        sized += 1;
        close(s.best, mm, 0.15, &row);
        assert!(s.low <= mm && mm <= s.high, "{s:?}: {row}");
        assert!(mm < sizes(&spec, volume, points[0].1.abs(), step).1 * 2.0, "the stated limit is below what was sized");
        close(fit.volume(mm, 0.01).expect("a volume").best, volume, 0.3, &row);
    }
    assert!(sized >= 12);
}

/// The trade's closed form of the isothermal decay, `t = 2(√p0 − √p1)·V / (Cd·A·Patm·√(2/ρ))`, at 2 L: without heat the
/// fit must find its hole.
#[test]
fn a_leak_down_by_the_closed_form() {
    let spec = LeakDownSpec {
        cd: 0.6,
        baro_pa: 101_325.0,
        gas_k: gas::density(gas::M_AIR, 101_325.0, 1.0) / 1.2,
        zero_error_pa: 3.0,
        // Heat that settles at once is hardly any heat.
        settling_s: (0.03, 0.04),
        drift_pa_per_s: 0.01,
        model_error: 0.01,
    };
    for mm in [0.1, 0.2, 0.3, 0.5] {
        // 500 to 249 Pa in 34.2 s at 40 L and 0.5 mm, the trade's figure: 1.71 s at 2 L.
        let to_249 = 34.2 / 20.0 * (0.5 / mm) * (0.5 / mm);
        let per_s = (500f64.sqrt() - 249f64.sqrt()) / to_249;
        let points: Vec<(f64, f64)> = (0..2000)
            .map(|i| f64::from(i) * to_249 / 100.0)
            .map(|t| (t, (500f64.sqrt() - per_s * t).max(0.0)))
            .map(|(t, root)| (t, -root * root))
            .collect();
        let fit = LeakDown::fit(&Hold { points: &points, noise_pa: 0.5, stroke: None }, &spec).expect("a fit");
        close(fit.hole(0.002, 0.0).best, mm, 0.015, &Value::from(mm));
    }
}

fn dry(hole_mm: f64) -> TankSpec {
    TankSpec {
        volume_m3: 0.040,
        hole_mm,
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
        relief_pressure_pa: 1e6,
        relief_vacuum_pa: 1e6,
    }
}

fn usual() -> DecaySpec {
    DecaySpec {
        volume_m3: 0.041,
        volume_spread: 0.15,
        cd: 0.6,
        area_error: 0.1,
        model_error: 0.05,
        baro_pa: 101_325.0,
        gas_k: 293.15,
        rvp_psi: (7.0, 13.0),
        fuel_k: (290.0, 296.0),
        closes_pa: (200.0, 300.0),
        reopens_pa: (100.0, 190.0),
        relief_vacuum_pa: (1800.0, 1800.0),
        gamma: (1.15, 1.4),
        rewarming_s: (5.0, 60.0),
        evaporation_s: (20.0, 600.0),
        // The drawn systems have none; told otherwise, the judge would size small holes a fifth too small.
        vapour_rise_pa_per_s: (0.0, 0.0),
        fuel_draw_m3_per_s: (0.0, 0.0),
        prior: Prior::new(0.508),
        seed: 1,
    }
}
