use super::*;
use crate::physics::{gas, orifice};

pub(super) fn certain() -> DecaySpec {
    DecaySpec {
        volume_m3: 0.040,
        volume_spread: 0.0,
        cd: 0.6,
        area_error: 0.0,
        model_error: 0.01,
        baro_pa: 101_325.0,
        gas_k: 293.15,
        rvp_psi: (0.0, 0.0),
        fuel_k: (293.15, 293.15),
        closes_pa: (249.0, 249.0),
        reopens_pa: (125.0, 125.0),
        relief_vacuum_pa: (1500.0, 1500.0),
        gamma: (1.0, 1.0),
        rewarming_s: (20.0, 20.0),
        evaporation_s: (100.0, 100.0),
        vapour_rise_pa_per_s: (0.0, 0.0),
        fuel_draw_m3_per_s: (0.0, 0.0),
        prior: Prior::new(0.508),
        seed: 1,
    }
}

#[test]
fn the_closed_form_s_decays_give_their_holes_back() {
    // Trade facts: 500 to 125 Pa in 58.0, 14.5, 3.6 s through 0.5, 1 and 2 mm (40 L, Cd 0.6, ρ 1.2).
    for (mm, t) in [(0.5, 58.0), (1.0, 14.5), (2.0, 3.6)] {
        let pull = Pull { began_s: Some(90.0), off_s: 100.0, pressure_at_off_pa: Some(-500.0), ..Pull::default() };
        let mut belief = DecayBelief::new(&certain(), &pull);
        let p = belief.posterior(&[Seen::Reopened { at_s: 100.0 + t, error_s: 0.01 }]);
        let (low, high) = p.interval();
        assert!((p.best() / mm - 1.0).abs() < 0.02, "{mm} mm: {}", p.best());
        assert!(low < mm && mm < high && high / low < 1.06, "{mm} mm: {low} to {high}");
        assert!(p.informed());
    }
}

/// Ranges as a profile would give them.
fn usual() -> DecaySpec {
    DecaySpec {
        volume_spread: 0.15,
        area_error: 0.1,
        model_error: 0.05,
        rvp_psi: (7.0, 13.0),
        fuel_k: (290.0, 296.0),
        closes_pa: (200.0, 300.0),
        reopens_pa: (100.0, 200.0),
        relief_vacuum_pa: (750.0, 1800.0),
        gamma: (1.0, 1.4),
        rewarming_s: (5.0, 60.0),
        evaporation_s: (20.0, 600.0),
        vapour_rise_pa_per_s: (0.0, 0.5),
        ..certain()
    }
}

/// The belief after this trace, evenly spaced, with a noise of 10 Pa.
fn after(belief: &DecayBelief, points: &[(f64, f64)]) -> Posterior {
    let mut belief = belief.clone();
    for (at_s, pa) in points {
        belief.pressure(*at_s, *pa, 1.0, 10.0);
    }
    belief.posterior(&[])
}

fn seen_pull() -> Pull {
    Pull { began_s: Some(0.0), closed_s: Some(2.0), off_s: 6.0, edge_error_s: 0.05, ..Pull::default() }
}

#[test]
fn a_tight_tank_gives_back_29_percent_of_a_quick_pull() {
    // Trade facts, from the adiabatic relation with γ = 1.4: 1 − 1/1.4.
    let spec = DecaySpec { gamma: (1.4, 1.4), rewarming_s: (60.0, 60.0), reopens_pa: (1.0, 1.0), ..certain() };
    let pull = Pull { began_s: Some(0.0), off_s: 0.1, pressure_at_off_pa: Some(-1000.0), ..Pull::default() };
    let belief = DecayBelief::new(&spec, &pull);
    let ((member, leaks), mut row) = (&belief.members[0], belief.starts[0].clone());
    row.decay(member, leaks, &[0.1; 6000]);
    assert!((row.pressure[0] + 1000.0 / 1.4).abs() < 2.0, "{}", row.pressure[0]);
}

#[test]
fn nothing_seen_is_the_prior_and_says_so() {
    let p = DecayBelief::new(&usual(), &Pull { off_s: 6.0, ..Pull::default() }).posterior(&[]);
    assert!(!p.informed() && p.information_nats < 1e-9);
    // Odds of 1:1 at the limit; below it half is tight; on each side even in the logarithm.
    assert!((p.p_at_least(0.508) - 0.5).abs() < 1e-3, "{}", p.p_at_least(0.508));
    assert!((p.p_at_least(HOLE_LOW_MM * 1.001) - 0.75).abs() < 0.01);
    assert!((p.p_at_least((HOLE_LOW_MM * 0.508).sqrt()) - 0.625).abs() < 0.01);
    assert!((p.p_at_least((0.508 * HOLE_HIGH_MM).sqrt()) - 0.25).abs() < 0.01);
    assert!((p.quantile(1.0 - p.p_at_least(1.0)) - 1.0).abs() < 1e-6, "a quantile undoes its probability");
}

#[test]
fn a_switch_that_stays_closed_rules_holes_out_one_after_another() {
    let mut belief = DecayBelief::new(&usual(), &seen_pull());
    let mut last = 1.0;
    for until_s in [8.0, 16.0, 36.0, 66.0, 126.0] {
        let p = belief.posterior(&[Seen::StillClosed { until_s }]);
        let leak = p.p_at_least(0.508);
        assert!(leak < last && p.informed(), "{until_s} s: {leak}");
        last = leak;
    }
    assert!(last < 0.005, "{last}");
}

#[test]
fn a_bound_from_above_is_one_of_confidence() {
    // The share of tanks behind the interval's end whose switch would still have been closed: one in ten, counted.
    let mut belief = DecayBelief::new(&usual(), &seen_pull());
    let p = belief.posterior(&[Seen::StillClosed { until_s: 66.0 }]);
    let (low, high) = p.interval();
    assert!(p.bounds_above && low == 0.0 && high >= p.quantile(0.95), "{low} to {high}");
    let mut nine_tenths = |mm: f64| belief.reopens_after_s(mm, 0.9).unwrap_or(f64::INFINITY);
    let (inside, outside) = (nine_tenths(high * 0.97), nine_tenths(high * 1.1));
    assert!(inside > 60.0 && outside <= 60.0, "{high}: {inside} and {outside}");
}

#[test]
fn a_late_reopening_may_be_rebound_and_an_early_one_may_not() {
    let mut belief = DecayBelief::new(&usual(), &seen_pull());
    let early = belief.posterior(&[Seen::Reopened { at_s: 11.0, error_s: 0.05 }]);
    assert!(early.p_at_least(0.508) > 0.995 && early.explained_by_rebound < 0.01);
    let late = belief.posterior(&[Seen::Reopened { at_s: 300.0, error_s: 0.05 }]);
    assert!(late.p_at_least(0.508) < 0.005 && late.explained_by_rebound > 0.5);
    assert!(late.interval().0 < 0.15, "a nearly tight one is not ruled out: {:?}", late.interval());
}

#[test]
fn a_trace_tells_more_than_the_switch() {
    // The pressure through 0.508 mm by the closed form of the isothermal decay (40 L, Cd 0.6), seen with a zero
    // error of 20 Pa.
    let k = orifice::leak_rate(0.6, 0.508, 0.040, 101_325.0, gas::air_density(101_325.0, 293.15));
    let points: Vec<(f64, f64)> = (0..120)
        .map(|i| {
            let t = f64::from(i) * 0.5;
            (6.0 + t, -square((800.0_f64.sqrt() - 0.5 * k * t).max(0.0)) + 20.0)
        })
        .collect();
    let pull = Pull { pressure_at_off_pa: Some(-780.0), pressure_error_pa: 50.0, ..seen_pull() };
    let spec = DecaySpec { gamma: (1.0, 1.05), rvp_psi: (0.0, 0.0), vapour_rise_pa_per_s: (0.0, 0.0), ..usual() };
    let belief = DecayBelief::new(&spec, &pull);
    let p = after(&belief, &points);
    let (low, high) = p.interval();
    assert!(low < 0.508 && 0.508 < high && high / low < 1.4 && p.informed(), "{low} to {high}");
    let tight: Vec<(f64, f64)> = points.iter().map(|&(t, _)| (t, -780.0)).collect();
    let p = after(&belief, &tight);
    assert!(p.quantile(0.995) < 0.2, "{}", p.quantile(0.995));
}

#[test]
fn what_no_hole_explains_is_called_so() {
    // The pressure stands far below what any hole could bring back, then rises by itself beyond the outside.
    let points: Vec<(f64, f64)> =
        (0..60).map(|i| (6.0 + f64::from(i), if i % 20 < 10 { -780.0 } else { 900.0 })).collect();
    let pull = Pull { pressure_at_off_pa: Some(-780.0), pressure_error_pa: 20.0, ..seen_pull() };
    let p = after(&DecayBelief::new(&usual(), &pull), &points);
    assert!(p.unexplained && !p.informed());
}

#[test]
fn a_lane_is_the_one_tank() {
    // The row of holes is first order in pressure over barometer, and its steps grow with time: within 1 % of the pull
    // of `Tank`, stepped finely through the same pull and decay.
    use crate::physics::tank::{Draw, Outside, Tank, TankSpec};
    let cube = Hypercube::new(40, 10, 31);
    let holes_mm = DecayBelief::new(&certain(), &seen_pull()).holes_mm;
    for case in 0..40 {
        let u = cube.row(case);
        let both = |v: f64| (v, v);
        let spec = DecaySpec {
            volume_m3: 0.012 + 0.08 * u[0],
            rvp_psi: both(if u[1] < 0.2 { 0.0 } else { 6.0 + 7.0 * u[1] }),
            gamma: both(1.0 + 0.4 * u[2]),
            rewarming_s: both(5.0 * libm::pow(12.0, u[3])),
            evaporation_s: both(20.0 * libm::pow(30.0, u[4])),
            fuel_draw_m3_per_s: both(8e-7 * u[5]),
            ..certain()
        };
        let (off, p_off) = (3.0 + 9.0 * u[6], -400.0 - 900.0 * u[7]);
        let pull = Pull { began_s: Some(0.0), off_s: off, pressure_at_off_pa: Some(p_off), ..Pull::default() };
        let member = Member::new(&spec, &[0.5; 20]).with_measured(&pull);
        let leaks = Leaks::new(&member, &holes_mm);
        let start = Row::at_purge_off(&member, &pull, &leaks);
        let k = Some(293.15);
        let outside = Outside { baro_pa: 101_325.0, ambient_k: k, wall_k: k, fuel_k: k };
        let largest = holes_mm.iter().take_while(|mm| **mm < 2.5).count();
        for hole in [0, 1 + (u[8] * (largest - 1) as f64) as usize] {
            let tank = TankSpec {
                volume_m3: spec.volume_m3,
                hole_mm: holes_mm[hole],
                cd: spec.cd,
                rvp_psi: spec.rvp_psi.0,
                saturation: 1.0,
                evaporation_s: spec.evaporation_s.0,
                gas_lag_s: 0.0,
                rewarming_s: spec.rewarming_s.0,
                gamma: spec.gamma.0,
                wall_lag_s: 0.0,
                fuel_lag_s: 0.0,
                fuel_behind_wall_s: 0.0,
                relief_pressure_pa: 1e4,
                relief_vacuum_pa: 1e4,
            };
            let pulled = |pa_per_s: f64| {
                let mut t = Tank::new(tank, outside, 0.0, 0.0);
                for _ in 0..200 {
                    let absolute = t.pressure_pa() + 101_325.0;
                    let purge_m3_per_s = pa_per_s * tank.volume_m3 / absolute;
                    t.step(off / 200.0, outside, Draw { purge_m3_per_s, fuel_m3_per_s: spec.fuel_draw_m3_per_s.0 });
                }
                t
            };
            let (mut low, mut high) = (0.0, 5000.0);
            for _ in 0..40 {
                let middle = 0.5 * (low + high);
                if pulled(middle).pressure_pa() > p_off { low = middle } else { high = middle }
            }
            let mut t = pulled(high);
            assert!((t.pressure_pa() - p_off).abs() < 0.5, "{p_off} not reached: {}", t.pressure_pa());
            let (mut row, mut steps, mut at) = (start.clone(), row::Steps::default(), 0.0);
            for until in [1.0, 4.0, 15.0, 60.0, 150.0] {
                while steps.at < until {
                    row.decay(&member, &leaks, &[steps.next(until)]);
                }
                while at < until {
                    t.step(0.02, outside, Draw { purge_m3_per_s: 0.0, fuel_m3_per_s: spec.fuel_draw_m3_per_s.0 });
                    at += 0.02;
                }
                let miss = (row.pressure[hole] - t.pressure_pa()).abs() / (1.0 - 0.01 * p_off);
                assert!(miss < 1.0, "{until} s: {} against {}: {tank:?}", row.pressure[hole], t.pressure_pa());
            }
        }
    }
}
