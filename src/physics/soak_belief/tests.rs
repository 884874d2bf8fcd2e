use super::*;
use crate::physics::posterior::Prior;

/// No spread at all: one tank, 249 Pa, as the table of the trade facts.
fn certain(volume_m3: f64, rvp_psi: f64) -> SoakSpec {
    SoakSpec {
        volume_m3,
        volume_spread: 0.0,
        cd: 0.6,
        area_error: 0.0,
        rvp_psi: (rvp_psi, rvp_psi),
        closes_pa: (249.0, 249.0),
        relief_pressure_pa: (300.0, 300.0),
        relief_vacuum_pa: (1500.0, 1500.0),
        gas_lag_s: (1.0, 1.0),
        fuel_lag_s: (1.0, 1.0),
        fuel_behind_wall_s: (1.0, 1.0),
        evaporation_s: (1.0, 1.0),
        saturation: (1.0, 1.0),
        start_vacuum_pa: (0.0, 0.0),
        start_above_ambient_k: (0.0, 0.0),
        start_above_wall_k: (0.0, 0.0),
        baro_unknown_pa_per_h: 0.0,
        temperature_error_k: 0.0,
        seed: 1,
    }
}

fn cool(spec: &SoakSpec, k_per_h: f64, hours: f64) -> SoakBelief {
    let mut b = SoakBelief::new(spec);
    let mut s = 0.0;
    while s <= hours * 3600.0 {
        let k = 297.15 - k_per_h * s / 3600.0;
        b.advance(s, &SoakDrive { ambient_k: Some(k), baro_pa: Some(101_325.0), ..SoakDrive::default() });
        s += 60.0;
    }
    b
}

#[test]
fn the_trade_s_table_of_what_a_night_can_tell() {
    // Trade facts, computed there (AP-42 vapour, Cd 0.6, 249 Pa, steady cooling from about 20 °C): dry / saturated
    // RVP 9, in mm, rounded to 0.01 mm. Dry must agree within that. The wet column there adds up to 1.5 kPa/K to
    // the gas law of the whole headspace; the formula gives 1.28 at 20 °C and only the air's share contracts, so
    // the ensemble may lie lower, by 15 % at most.
    let rates = [0.5, 1.0, 2.0, 5.0, 15.0];
    let rows = [
        (0.040, [(0.04, 0.10), (0.06, 0.15), (0.09, 0.21), (0.14, 0.33), (0.24, 0.56)]),
        (0.080, [(0.06, 0.15), (0.09, 0.21), (0.13, 0.29), (0.20, 0.46), (0.34, 0.80)]),
    ];
    for (volume, row) in rows {
        for (rate, (dry, wet)) in rates.iter().zip(row) {
            // Long enough to come near the steady vacuum, 4 K either side of 20 °C.
            let hours = 8.0 / rate;
            for (rvp, expected, share) in [(0.0, dry, 0.0), (9.0, wet, 0.15)] {
                let got = cool(&certain(volume, rvp), *rate, hours).opens_from_mm(0.5);
                let tolerance = 0.008 + share * expected;
                assert!(
                    (got - expected).abs() < tolerance,
                    "{volume} m³, {rate} K/h, RVP {rvp}: {got} mm against {expected}"
                );
            }
        }
    }
}

#[test]
fn fuel_that_is_no_longer_sampled_follows_the_tank() {
    // The controller sleeps ten minutes after key-off; the skin goes on cooling.
    let run = |lose: bool| {
        let mut b = SoakBelief::new(&SoakSpec { relief_vacuum_pa: (9000.0, 9000.0), ..certain(0.04, 9.0) });
        for i in 0..480 {
            let s = f64::from(i) * 60.0;
            let wall_k = Some(297.15 - s / 3600.0);
            let fuel_k = (s < 600.0).then_some(297.15);
            if lose && s >= 600.0 {
                b.lose(Probe::Fuel);
            }
            b.advance(s, &SoakDrive { wall_k, fuel_k, baro_pa: Some(101_325.0), ..SoakDrive::default() });
        }
        b.tight_pressure_pa().1
    };
    assert!(run(true) < -1400.0, "saturated vapour condenses as fuel cools: {}", run(true));
    assert!(run(false) > run(true), "held, the fuel goes on evaporating");
}

#[test]
fn unsure_nights_widen_and_do_not_break() {
    let wide = SoakSpec {
        volume_spread: 0.15,
        area_error: 0.1,
        rvp_psi: (7.0, 13.0),
        closes_pa: (200.0, 300.0),
        relief_pressure_pa: (100.0, 500.0),
        relief_vacuum_pa: (750.0, 1800.0),
        gas_lag_s: (120.0, 1800.0),
        fuel_lag_s: (7200.0, 28800.0),
        fuel_behind_wall_s: (300.0, 3600.0),
        evaporation_s: (120.0, 7200.0),
        saturation: (0.5, 1.0),
        start_above_ambient_k: (0.0, 10.0),
        start_above_wall_k: (-1.0, 2.0),
        baro_unknown_pa_per_h: 100.0,
        temperature_error_k: 1.0,
        ..certain(0.04, 9.0)
    };
    let night = |every_s: f64, noise: bool, baro: Option<f64>| {
        let mut b = SoakBelief::new(&wide);
        let mut s = 0.0;
        while s <= 36_000.0 {
            // A probe that reads whole half kelvins, where noise is asked for.
            let k: f64 = 293.15 - s / 3600.0;
            let wall_k = Some(if noise { (k * 2.0).round() * 0.5 } else { k });
            b.advance(s, &SoakDrive { wall_k, baro_pa: baro, ..SoakDrive::default() });
            s += every_s;
        }
        (b.closes_up_to_mm(0.95), b.opens_from_mm(0.95))
    };
    let good = night(10.0, false, Some(101_325.0));
    // A usual night at 1 K/h says something: a closed switch passes 0.508 mm, an open one bounds from below.
    assert!(good.0 < 0.4 && good.1 > 0.05, "{good:?}");
    // With 64 members the quantiles themselves are good to about a tenth.
    let steps = night(10.0, true, Some(101_325.0));
    assert!(steps.0 >= good.0 * 0.9 && steps.0 < 0.45 && (steps.1 / good.1 - 1.0).abs() < 0.35, "{steps:?} {good:?}");
    let blind = night(10.0, false, None);
    assert!(blind.0 >= good.0 * 0.9 && blind.1 <= good.1 * 1.1, "{blind:?} {good:?}");
    let gap = night(18_000.0, false, Some(101_325.0));
    assert!(gap.0 >= good.0 * 0.9 && gap.1 <= good.1 * 1.1, "{gap:?} {good:?}");
}

#[test]
fn nonsense_in_does_not_hang_or_spoil() {
    let mut b = SoakBelief::new(&certain(0.04, 9.0));
    assert!(!b.driven());
    b.advance(0.0, &SoakDrive::default());
    b.advance(f64::NAN, &SoakDrive { wall_k: Some(290.0), ..SoakDrive::default() });
    b.advance(100.0, &SoakDrive { wall_k: Some(f64::NAN), ..SoakDrive::default() });
    assert!(!b.driven());
    b.advance(200.0, &SoakDrive { wall_k: Some(290.0), ..SoakDrive::default() });
    b.advance(150.0, &SoakDrive { wall_k: Some(290.0), ..SoakDrive::default() });
    b.advance(1e12, &SoakDrive { wall_k: Some(288.0), ..SoakDrive::default() });
    assert!(b.driven() && b.now_s() > 9e11);
    assert!(b.closes_up_to_mm(0.95).is_finite() && b.tight_pressure_pa().1.is_finite());
}

#[test]
fn no_cooling_closes_nothing() {
    let b = cool(&certain(0.04, 9.0), 0.0, 6.0);
    assert_eq!(b.closes_up_to_mm(0.95), 0.0);
    assert_eq!(b.tight_closes_share(), 0.0);
    assert_eq!(b.tight_closes_at(0.5), None);
}

/// Ranges as a profile would give them, over a tank of 40 L.
fn usual() -> SoakSpec {
    SoakSpec {
        volume_spread: 0.15,
        area_error: 0.1,
        rvp_psi: (7.0, 13.0),
        closes_pa: (200.0, 300.0),
        relief_pressure_pa: (100.0, 500.0),
        relief_vacuum_pa: (750.0, 1800.0),
        gas_lag_s: (120.0, 1800.0),
        fuel_lag_s: (7200.0, 28800.0),
        fuel_behind_wall_s: (600.0, 7200.0),
        evaporation_s: (120.0, 7200.0),
        saturation: (0.6, 1.0),
        start_above_ambient_k: (0.0, 1.0),
        start_above_wall_k: (-1.0, 2.0),
        temperature_error_k: 1.0,
        ..certain(0.04, 9.0)
    }
}

/// A wall that cools steadily for `hours`; what is asked from `from_h` on counts.
fn cooled(k_per_h: f64, hours: f64) -> SoakBelief {
    let mut b = SoakBelief::new(&usual());
    let (mut s, mut marked) = (0.0, false);
    while s <= hours * 3600.0 {
        let wall_k = Some(297.15 - k_per_h * s / 3600.0);
        b.advance(s, &SoakDrive { wall_k, baro_pa: Some(101_325.0), ..SoakDrive::default() });
        if !marked && s >= 300.0 {
            marked = true;
            b.mark();
        }
        s += 60.0;
    }
    b
}

#[test]
fn a_night_without_cooling_leaves_the_prior() {
    let prior = Prior::new(0.508);
    let b = cooled(0.0, 8.0);
    let p = b.posterior(&prior, Shown::StaysOpen, None);
    assert!((p.p_at_least(0.508) - 0.5).abs() < 0.05, "{}", p.p_at_least(0.508));
    assert!(!p.informed() || p.information_nats < 0.2, "{}", p.information_nats);
}

#[test]
fn an_open_switch_speaks_for_a_hole_and_proves_none_of_the_limit_s_size() {
    let prior = Prior::new(0.508);
    let b = cooled(1.5, 6.0);
    let p = b.posterior(&prior, Shown::StaysOpen, None);
    assert!(p.informed() && p.p_at_least(0.508) > 0.6 && p.p_at_least(0.508) < 0.995, "{}", p.p_at_least(0.508));
    // The smallest that would have kept it open is where the belief begins.
    assert!(p.quantile(0.05) > 0.5 * b.opens_from_since_mm(0.95), "{}", p.quantile(0.05));
}

#[test]
fn a_switch_that_closes_speaks_against_every_hole_that_could_not_have_closed_it() {
    let prior = Prior::new(0.508);
    for hours in [1.0, 2.0, 3.0] {
        let b = cooled(1.5, hours);
        let p = b.posterior(&prior, Shown::Closes, None);
        assert!(p.p_at_least(0.508) < 0.005, "{hours} h: {}", p.p_at_least(0.508));
        assert!(p.interval().1 < 0.508, "{hours} h: {:?}", p.interval());
    }
}

#[test]
fn a_later_closing_speaks_for_a_larger_hole() {
    let prior = Prior::new(0.508);
    let best: Vec<f64> = [1.0, 2.0, 4.0, 8.0]
        .iter()
        .map(|h| cooled(1.0, *h).posterior(&prior, Shown::Closes, None).quantile(0.9))
        .collect();
    assert!(best.windows(2).all(|w| w[0] <= w[1] + 1e-9), "{best:?}");
    assert!(best[3] > best[0], "{best:?}");
}

#[test]
fn a_depth_sizes_the_hole_behind_it() {
    let prior = Prior::new(0.508);
    let b = cooled(2.0, 4.0);
    let size = |pa: f64| {
        let p = b.posterior(&prior, Shown::Deepest { pa, zero_error_pa: 10.0 }, None);
        (p.best(), p.p_at_least(0.508))
    };
    let (deep, middle, shallow) = (size(-900.0), size(-250.0), size(-10.0));
    assert!(deep.0 < middle.0 && middle.0 < shallow.0, "{deep:?} {middle:?} {shallow:?}");
    assert!(deep.1 < 0.005 && middle.1 < 0.005 && shallow.1 > 0.8, "{deep:?} {middle:?} {shallow:?}");
}

#[test]
fn a_proof_counts_for_what_it_is_worth() {
    let prior = Prior::new(0.508);
    let b = cooled(0.0, 1.0);
    let shown = Shown::Deepest { pa: 0.0, zero_error_pa: 50.0 };
    let without = b.posterior(&prior, shown, None).p_at_least(0.508);
    let with = b.posterior(&prior, shown, Some(0.508)).p_at_least(0.508);
    let odds = |p: f64| p / (1.0 - p);
    assert!((odds(without) / odds(with) / libm::exp(6.2) - 1.0).abs() < 0.1, "{without} {with}");
}
