//! Sense: what must be larger, later or less in any sealed tank, whatever its parameters. Each is a consequence of the
//! gas law, of flow through a hole that grows with its area, and of vapour pressure that grows with temperature; none
//! is taken from the program. Where a law holds only for some nights, the test says for which.

// The helpers of a test may stop it, as the tests themselves may.
#![allow(clippy::expect_used, clippy::panic)]

use proptest::prelude::*;
use soakwatch::physics::decay_belief::{DecayBelief, DecaySpec, Pull, Seen};
use soakwatch::physics::posterior::Prior;
use soakwatch::physics::soak_belief::{Shown, SoakBelief, SoakDrive, SoakSpec};
use soakwatch::physics::tank::{Draw, Outside, Tank, TankSpec};

const HOUR: f64 = 3600.0;

/// Any tank with wet or dry gas, saturated when it is sealed.
fn tanks() -> impl Strategy<Value = TankSpec> {
    let lags = (120.0..1800.0, 1.0..60.0, 600.0..14_000.0, 7200.0..28_800.0, 600.0..7200.0);
    let fuel = (prop_oneof![Just(0.0), 6.0..14.0], 20.0..7200.0);
    (0.008..0.1, prop_oneof![Just(0.0), 0.05..2.0], 0.55..0.85, fuel, lags, 1.0..1.4, 100.0..500.0, 750.0..1800.0)
        .prop_map(
            |(volume_m3, hole_mm, cd, (rvp_psi, evaporation_s), lags, gamma, relief_pressure_pa, relief_vacuum_pa)| {
                TankSpec {
                    volume_m3,
                    hole_mm,
                    cd,
                    rvp_psi,
                    saturation: 1.0,
                    evaporation_s,
                    gas_lag_s: lags.0,
                    rewarming_s: lags.1,
                    gamma,
                    wall_lag_s: lags.2,
                    fuel_lag_s: lags.3,
                    fuel_behind_wall_s: lags.4,
                    relief_pressure_pa,
                    relief_vacuum_pa,
                }
            },
        )
}

/// A night whose wall only cools: the drive is always towards vacuum.
#[derive(Debug, Clone, Copy)]
struct Night {
    begin_k: f64,
    k_per_h: f64,
    /// Of this much the cooling comes in a wave, so that it is not even.
    wave: f64,
    baro_pa: f64,
    baro_pa_per_h: f64,
    /// Warmer than that from the middle of the night on, K more every hour.
    later_warmer_k_per_h: f64,
    long_s: f64,
}

fn nights() -> impl Strategy<Value = Night> {
    (275.0..300.0, 0.2..3.0, 0.0..0.9, 78_000.0..103_000.0, 4.0..9.0).prop_map(
        |(begin_k, k_per_h, wave, baro_pa, hours)| Night {
            begin_k,
            k_per_h,
            wave,
            baro_pa,
            baro_pa_per_h: 0.0,
            later_warmer_k_per_h: 0.0,
            long_s: hours * HOUR,
        },
    )
}

impl Night {
    fn wall_k(&self, s: f64) -> f64 {
        // One wave an hour: its slope never exceeds the even one.
        let turn = std::f64::consts::TAU / HOUR;
        let even = s + self.wave * libm::sin(turn * s) / turn;
        self.begin_k - self.k_per_h * even / HOUR + self.later_warmer_k_per_h * (s - 0.5 * self.long_s).max(0.0) / HOUR
    }

    fn at(&self, s: f64) -> Outside {
        let k = self.wall_k(s);
        let baro_pa = self.baro_pa + self.baro_pa_per_h * s / HOUR;
        Outside { baro_pa, ambient_k: Some(k - 2.0), wall_k: Some(k), fuel_k: None }
    }

    /// Gauge pressures, one a step of 20 s.
    fn pressures(&self, spec: TankSpec) -> Vec<f64> {
        let mut tank = Tank::new(spec, self.at(0.0), 0.0, 0.0);
        let steps = (self.long_s / 20.0) as u32;
        (1..=steps)
            .map(|i| {
                tank.step(20.0, self.at(20.0 * f64::from(i)), Draw::default());
                tank.pressure_pa()
            })
            .collect()
    }
}

/// Every pressure of `above` at or above that of `below`, but for `slack` Pa and 0.2 %.
fn never_below(above: &[f64], below: &[f64], slack: f64) -> Result<(), TestCaseError> {
    for (i, (a, b)) in above.iter().zip(below).enumerate() {
        prop_assert!(*a >= b - slack - 0.002 * b.abs(), "step {i}: {a} Pa below {b} Pa");
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn where_nothing_changes_nothing_moves(spec in tanks(), k in 265.0..303.0, baro_pa in 75_000.0..105_000.0, dt in 0.1..60.0) {
        // Saturated, steady temperature and barometer: at rest with any hole, and at any pressure without one.
        let still = Outside { baro_pa, ambient_k: Some(k), wall_k: None, fuel_k: None };
        let mut open = Tank::new(spec, still, 0.0, 0.0);
        let begin = -0.5 * spec.relief_vacuum_pa;
        let mut tight = Tank::new(TankSpec { hole_mm: 0.0, ..spec }, still, begin, 0.0);
        for _ in 0..500 {
            open.step(dt, still, Draw::default());
            tight.step(dt, still, Draw::default());
        }
        prop_assert!(open.pressure_pa().abs() < 1e-6, "{}", open.pressure_pa());
        prop_assert!((tight.pressure_pa() - begin).abs() < 1e-6, "{} of {begin}", tight.pressure_pa());
        prop_assert_eq!(open.headspace().volume_m3, spec.volume_m3);
    }

    #[test]
    fn a_bigger_hole_holds_less_vacuum(spec in tanks(), night in nights(), bigger in 1.05..4.0) {
        // While the drive is always towards vacuum: gas that had been let out by warmth would be missing later.
        let small = TankSpec { hole_mm: spec.hole_mm.max(0.05), ..spec };
        let large = TankSpec { hole_mm: small.hole_mm * bigger, ..spec };
        let (tight, small, large) =
            (night.pressures(TankSpec { hole_mm: 0.0, ..spec }), night.pressures(small), night.pressures(large));
        never_below(&large, &small, 0.5)?;
        never_below(&small, &tight, 0.5)?;
        // So at any switch point the larger hole closes the switch later or not at all.
        for level in [50.0, 200.0, 300.0] {
            let closes = |p: &[f64]| p.iter().position(|p| *p <= -level).unwrap_or(usize::MAX);
            prop_assert!(closes(&large) >= closes(&small) && closes(&small) >= closes(&tight), "at {level} Pa");
        }
    }

    #[test]
    fn a_falling_barometer_hides_vacuum(spec in tanks(), night in nights(), pa_per_h in 5.0..150.0f64) {
        let falling = Night { baro_pa_per_h: -pa_per_h, ..night };
        never_below(&falling.pressures(spec), &night.pressures(spec), 0.5)?;
        let rising = Night { baro_pa_per_h: pa_per_h, ..night };
        never_below(&night.pressures(spec), &rising.pressures(spec), 0.5)?;
    }

    #[test]
    fn warmer_later_means_less_vacuum(spec in tanks(), night in nights(), k_per_h in 0.1..3.0) {
        let warmer = Night { later_warmer_k_per_h: k_per_h, ..night };
        never_below(&warmer.pressures(spec), &night.pressures(spec), 0.5)?;
    }

    #[test]
    fn a_decay_is_shorter_behind_a_bigger_hole_and_above_more_fuel(
        spec in tanks(), k in 275.0..303.0, vacuum in 0.3..0.95f64, bigger in 1.1..3.0, fuller in 0.2..0.9,
    ) {
        // From the same vacuum at rest: how long until a third of it is left.
        let still = Outside { baro_pa: 101_325.0, ambient_k: Some(k), wall_k: None, fuel_k: None };
        let begin = -vacuum * spec.relief_vacuum_pa;
        let lasts = |spec: TankSpec| {
            let mut tank = Tank::new(spec, still, begin, 0.0);
            let step = 0.02 * spec.volume_m3 / 0.04 / (spec.hole_mm * spec.hole_mm);
            (0..200_000u32).find(|_| {
                tank.step(step, still, Draw::default());
                tank.pressure_pa() >= begin / 3.0
            }).map(|steps| f64::from(steps) * step)
        };
        let spec = TankSpec { hole_mm: spec.hole_mm.max(0.1), ..spec };
        let whole = lasts(spec).expect("a hole lets air in");
        let holed = lasts(TankSpec { hole_mm: spec.hole_mm * bigger, ..spec }).expect("a hole lets air in");
        let full = lasts(TankSpec { volume_m3: spec.volume_m3 * fuller, ..spec }).expect("a hole lets air in");
        prop_assert!(holed < whole, "{holed} s behind the bigger hole, {whole} s");
        prop_assert!(full < whole, "{full} s above more fuel, {whole} s");
    }

    #[test]
    fn fuel_drawn_makes_vacuum(spec in tanks(), k in 275.0..303.0, m3_per_s in 1e-8..2e-6) {
        let still = Outside { baro_pa: 101_325.0, ambient_k: Some(k), wall_k: None, fuel_k: None };
        let after = |fuel_m3_per_s: f64| {
            let mut tank = Tank::new(spec, still, 0.0, 0.0);
            for _ in 0..600 {
                tank.step(0.5, still, Draw { fuel_m3_per_s, ..Draw::default() });
            }
            (tank.pressure_pa(), tank.headspace().volume_m3)
        };
        let (drawn, room) = after(m3_per_s);
        let (more, _) = after(2.0 * m3_per_s);
        prop_assert!(drawn < 0.0 && more <= drawn, "{more} and {drawn} Pa");
        prop_assert!((room - spec.volume_m3 - 300.0 * m3_per_s).abs() < 1e-9);
    }
}

fn soak_spec(volume_m3: f64, rvp: f64) -> SoakSpec {
    SoakSpec {
        volume_m3,
        volume_spread: 0.15,
        cd: 0.6,
        area_error: 0.1,
        rvp_psi: (rvp, rvp + 3.0),
        closes_pa: (200.0, 300.0),
        relief_pressure_pa: (100.0, 500.0),
        relief_vacuum_pa: (750.0, 1800.0),
        gas_lag_s: (120.0, 1800.0),
        fuel_lag_s: (7200.0, 28_800.0),
        fuel_behind_wall_s: (600.0, 7200.0),
        evaporation_s: (120.0, 7200.0),
        saturation: (1.0, 1.0),
        start_vacuum_pa: (0.0, 30.0),
        start_above_ambient_k: (0.0, 0.0),
        start_above_wall_k: (0.0, 0.0),
        baro_unknown_pa_per_h: 100.0,
        temperature_error_k: 0.5,
        seed: 5,
    }
}

/// Both bounds, mm, after each hour: the largest hole that could have closed the switch, the smallest that would not.
fn bounds(spec: &SoakSpec, night: &Night, baro: bool, silent: impl Fn(f64) -> bool) -> Vec<(f64, f64)> {
    let mut belief = SoakBelief::new(spec);
    let mut told = Vec::new();
    for i in 0..=(night.long_s / 60.0) as u32 {
        let s = 60.0 * f64::from(i);
        if !silent(s) {
            let out = night.at(s);
            let baro_pa = Some(out.baro_pa).filter(|_| baro);
            belief.advance(s, &SoakDrive { ambient_k: None, wall_k: out.wall_k, fuel_k: None, baro_pa });
        }
        if i % 60 == 0 && i > 0 {
            told.push((belief.closes_up_to_mm(0.95), belief.opens_from_mm(0.95)));
        }
    }
    told
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn a_night_tells_of_larger_holes_as_it_goes_on_cools_more_or_has_more_room(
        night in nights(), volume in 0.01..0.06, rvp in 6.0..11.0, more in 1.2..3.0, pa_per_h in 20.0..100.0f64,
    ) {
        let always = |_| false;
        let spec = soak_spec(volume, rvp);
        let usual = bounds(&spec, &night, true, always);
        for hours in usual.windows(2) {
            prop_assert!(hours[1].0 >= hours[0].0 && hours[1].1 >= hours[0].1, "an hour later: {hours:?}");
        }
        for (closes, opens) in &usual {
            prop_assert!(closes >= opens, "{closes} mm closes, {opens} mm does not");
        }
        let cooler = bounds(&spec, &Night { k_per_h: night.k_per_h * more, ..night }, true, always);
        let roomy = bounds(&SoakSpec { volume_m3: volume * more, ..spec.clone() }, &night, true, always);
        let falling = bounds(&spec, &Night { baro_pa_per_h: -pa_per_h, ..night }, true, always);
        for (i, u) in usual.iter().enumerate() {
            // The grid of holes has steps of a quarter; between them a bound is good to a hundredth or so.
            for (what, larger, smaller) in
                [("cooler", cooler[i], *u), ("more room", roomy[i], *u), ("the barometer falls", *u, falling[i])]
            {
                let holds = |a: f64, b: f64| a >= 0.985 * b - 1e-3;
                prop_assert!(
                    holds(larger.0, smaller.0) && holds(larger.1, smaller.1),
                    "{what}, hour {i}: {larger:?} and {smaller:?}"
                );
            }
        }
    }

    #[test]
    fn not_knowing_never_narrows(night in nights(), volume in 0.01..0.06, rvp in 6.0..11.0, from in 0.1..0.6, long in 0.3..0.39) {
        // Even weather, so that a silence hides nothing that happened in it. Quantiles of 64 members are good to some
        // percent.
        let night = Night { wave: 0.0, ..night };
        let spec = soak_spec(volume, rvp);
        let seen = *bounds(&spec, &night, true, |_| false).last().expect("hours");
        let (begin, end) = (from * night.long_s, (from + long) * night.long_s);
        let gap = *bounds(&spec, &night, true, |s| s > begin && s < end).last().expect("hours");
        let blind = *bounds(&spec, &night, false, |_| false).last().expect("hours");
        let unsure = SoakSpec { closes_pa: (150.0, 350.0), volume_spread: 0.3, ..spec };
        let unsure = *bounds(&unsure, &night, true, |_| false).last().expect("hours");
        // A silence may hide a colder spell: members that suppose one know of a deeper vacuum, the others of no less.
        for (what, wide, hidden) in [("a gap", gap, 1.2), ("no barometer", blind, 1.05), ("a wider prior", unsure, 1.05)] {
            prop_assert!(
                wide.0 >= 0.95 * seen.0 - 2e-3 && wide.1 <= hidden * seen.1 + 2e-3,
                "{what}: {wide:?} against {seen:?}"
            );
        }
    }

    #[test]
    fn the_longer_a_cooling_tank_keeps_its_switch_open_the_likelier_is_a_hole(
        night in nights(), volume in 0.01..0.06, rvp in 6.0..11.0,
    ) {
        let prior = Prior::new(0.508);
        let mut belief = SoakBelief::new(&soak_spec(volume, rvp));
        let mut last = 0.5;
        for i in 0..=(night.long_s / 60.0) as u32 {
            let s = 60.0 * f64::from(i);
            let out = night.at(s);
            let drive = SoakDrive { ambient_k: None, wall_k: out.wall_k, fuel_k: None, baro_pa: Some(out.baro_pa) };
            belief.advance(s, &drive);
            if i == 5 {
                belief.mark();
            }
            if i % 60 == 0 && i > 0 {
                let leak = belief.posterior(&prior, Shown::StaysOpen, None).p_at_least(0.508);
                prop_assert!(leak >= last - 0.002, "hour {}: {leak} after {last}", i / 60);
                // Had it closed just now instead, a hole of the limit's size would be less likely than that.
                let closed = belief.posterior(&prior, Shown::Closes, None).p_at_least(0.508);
                prop_assert!(closed <= leak + 0.002, "hour {}: {closed} if it closed, {leak} if not", i / 60);
                last = leak;
            }
        }
    }

    #[test]
    fn a_decay_tells_smaller_holes_the_longer_it_lasts_and_the_less_room_there_is(
        volume in 0.01..0.08, closed in 1.0..4.0, held in 2.0..8.0, first in 5.0..60.0, later in 1.3..4.0, error in 0.3..2.0,
    ) {
        let spec = decay_spec(volume);
        let pull = Pull { began_s: Some(0.0), closed_s: Some(closed), off_s: closed + held, edge_error_s: 0.05, ..Pull::default() };
        let after = |spec: &DecaySpec, pull: &Pull, seen: Seen| DecayBelief::new(spec, pull).posterior(&[seen]);
        let reopened = |s: f64, error_s: f64| Seen::Reopened { at_s: pull.off_s + s, error_s };
        let soon = after(&spec, &pull, reopened(first, 0.05));
        let late = after(&spec, &pull, reopened(first * later, 0.05));
        prop_assert!(late.best() <= soon.best(), "{} mm after the longer decay, {} mm", late.best(), soon.best());
        let full = after(&decay_spec(0.5 * volume), &pull, reopened(first, 0.05));
        prop_assert!(full.best() <= soon.best(), "{} mm above more fuel, {} mm", full.best(), soon.best());
        // An edge that is less well timed, and a switch that was only seen to stay closed.
        let width = |p: &soakwatch::physics::posterior::Posterior| (p.interval().0, p.interval().1);
        let (sharp, blurred) = (width(&soon), width(&after(&spec, &pull, reopened(first, error * first))));
        prop_assert!(
            blurred.1 - blurred.0 >= 0.95 * (sharp.1 - sharp.0),
            "timed worse: {blurred:?} against {sharp:?}"
        );
        let closed_for = |s: f64| after(&spec, &pull, Seen::StillClosed { until_s: pull.off_s + s }).p_at_least(0.508);
        let (short, long) = (closed_for(first), closed_for(first * later));
        prop_assert!(long <= short + 1e-9, "closed for longer: {long} against {short}");
    }
}

fn decay_spec(volume_m3: f64) -> DecaySpec {
    DecaySpec {
        volume_m3,
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
        relief_vacuum_pa: (750.0, 1800.0),
        gamma: (1.0, 1.4),
        rewarming_s: (5.0, 60.0),
        evaporation_s: (20.0, 3000.0),
        vapour_rise_pa_per_s: (-0.1, 0.5),
        fuel_draw_m3_per_s: (1e-7, 6e-7),
        seed: 5,
        prior: Prior::new(0.508),
    }
}
