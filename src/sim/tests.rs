//! The whole simulator against outside figures and its own promises.

use super::gas::{Discharge, M_AIR, Petrol, R};
use super::relax::Relax;
use super::scenario::Plan;
use super::tank::{Build, Opens, Port, Surroundings, Tank};
use super::{Player, scenarios};

const BARO: f64 = 101_325.0;

/// A tank of 40 L gas, dry when its vapour pressure is made nil.
fn tank(petrol: Petrol, saturation: f64, discharge: Discharge) -> Tank {
    let build = Build {
        nominal_m3: 0.060,
        ullage_m3: 0.006,
        canister_m3: 1e-6,
        petrol,
        evaporation_s: if saturation == 0.0 { 1e30 } else { 600.0 },
        gas_lag_s: 1e-3,
        skin_to_air: 6.0,
        skin_to_fuel: super::tank::SKIN_TO_FUEL,
        charcoal_mol: 1.5,
        charcoal_load: 0.35,
        discharge,
    };
    Tank::at_rest(build, 0.026, 293.15, 293.15, BARO, saturation)
}

fn calm() -> Surroundings {
    Surroundings { air_k: 293.15, heat_w: 0.0, sun_w: 0.0, motion: 0.0 }
}

fn hole(mm: f64) -> Port {
    Port { area: crate::units::hole_area_m2(mm), outside_pa: BARO, at_headspace: true, opens: Opens::Always }
}

#[test]
fn sealed_dry_air_loses_346_pa_a_kelvin() {
    // Ideal gas at 20 °C and 101.325 kPa: P/T = 345.6 Pa/K (trade facts, computed).
    let mut t = tank(Petrol::with_rvp(60_000.0), 0.0, Discharge::Reynolds);
    t.held_mol = 0.0;
    t.skin_k = 292.15;
    t.fuel_k = 292.15;
    t.canister_k = 292.15;
    let around = Surroundings { air_k: 292.15, ..calm() };
    t.step(1.0, around, &[], &mut Relax::default());
    assert!((t.pa - BARO + 345.6).abs() < 1.0, "{}", t.pa - BARO);
}

#[test]
fn isothermal_decay_takes_the_textbook_times() {
    let mut relax = Relax::default();
    // t = 2(√p0 − √p1)·V/(Cd·A·P·√(2/ρ)), V 40 L, Cd 0.6, ρ 1.2 (trade facts, computed).
    for (mm, from, to, want) in
        [(0.5, 500.0, 249.0, 34.2), (1.0, 500.0, 249.0, 8.5), (0.5, 500.0, 125.0, 58.0), (1.0, 1000.0, 125.0, 26.5)]
    {
        let mut t = tank(Petrol::with_rvp(60_000.0), 0.0, Discharge::Fixed(0.6));
        t.held_mol = 0.0;
        let share = 1.0 - from / BARO;
        t.headspace.air *= share;
        t.canister.air *= share;
        t.pa = BARO - from;
        let mut s = 0.0;
        while t.pa - BARO < -to && s < 300.0 {
            t.step(0.01, calm(), &[hole(mm)], &mut relax);
            s += 0.01;
        }
        assert!((s / want - 1.0_f64).abs() < 0.02, "{mm} mm: {s} s, want {want}");
    }
}

#[test]
fn a_quick_pull_gives_back_what_the_gas_law_says() {
    let mut relax = Relax::default();
    // Adiabatic fall then warming at constant volume gives back 1 − 1/γ = 29 % for dry air (trade facts).
    let mut t = tank(Petrol::with_rvp(60_000.0), 0.0, Discharge::Reynolds);
    t.held_mol = 0.0;
    t.build.gas_lag_s = 1e9;
    let pump = Port { outside_pa: 30_000.0, area: 4e-6, ..hole(0.0) };
    while t.pa > BARO - 1_000.0 {
        t.step(0.005, calm(), &[pump], &mut relax);
    }
    let low = BARO - t.pa;
    t.build.gas_lag_s = 1e-3;
    t.step(1.0, calm(), &[], &mut relax);
    let given_back = 1.0 - (BARO - t.pa) / low;
    assert!((given_back - 0.2857).abs() < 0.006, "{given_back}");
}

#[test]
fn no_mole_is_lost() {
    let mut relax = Relax::default();
    let mut t = tank(Petrol::with_rvp(60_000.0), 0.9, Discharge::Reynolds);
    t.build.canister_m3 = 0.004;
    t.canister.air = BARO * 0.004 / (R * 293.15);
    let all = |t: &Tank| t.headspace.total() + t.canister.total();
    let before = all(&t);
    let (mut through, mut fuel, mut coal) = (0.0, 0.0, 0.0);
    let mut around = calm();
    for i in 0..20_000 {
        around.air_k = 293.15 - 5.0 * f64::from(i % 7) / 7.0;
        let pump = Port { outside_pa: 35_000.0, at_headspace: false, ..hole(if i % 300 < 60 { 1.0 } else { 0.0 }) };
        let vent = Port { at_headspace: false, ..hole(if i % 900 < 200 { 6.0 } else { 0.0 }) };
        let m = t.step(0.05, around, &[hole(0.4), pump, vent], &mut relax);
        through += m.through_ports;
        fuel += m.evaporated;
        coal += m.desorbed;
    }
    let gone = before + through + fuel + coal - all(&t);
    assert!(gone.abs() < 1e-9, "{gone} mol");
    // The state's own pressure is that of its moles.
    let p = t.headspace.total() * R * t.gas_k / t.headspace_m3();
    assert!((p / t.pa - 1.0).abs() < 1e-9);
    assert!(through.abs() * M_AIR > 1e-4, "something did flow");
}

#[test]
fn halving_the_step_changes_little() {
    // Tolerance: 12 Pa on pressure at any moment of a still vent, 0.5 s (under 1 %) on the time the switch stands closed in the
    // morning's check.
    for spec in ["tight", "leak-0.50"] {
        let run = |parts: i64| {
            let mut p = Player::with_plan(&Plan::parse(spec).expect("known"), 4, true, parts);
            let mut trace = Vec::new();
            let mut closed = 0.0;
            let mut last = 0.0;
            while p.next().is_some() {
                let t = p.truth();
                if t.checking && t.contact_closed {
                    closed += t.t_s - last;
                }
                last = t.t_s;
                let k = (t.t_s / 30.0) as usize;
                if trace.len() <= k && t.t_s - t.t_s.floor() < 1e-6 && !t.checking && t.vent_open < 0.01 {
                    trace.resize(k, (0.0, f64::NAN));
                    trace.push((t.t_s, t.pressure_pa));
                }
            }
            (trace, closed)
        };
        let ((a, ca), (b, cb)) = (run(1), run(2));
        let mut seen = 0;
        for (x, y) in a.iter().zip(&b).filter(|(x, y)| x.0 == y.0 && x.1.is_finite() && y.1.is_finite()) {
            assert!((x.1 - y.1).abs() < 12.0, "{spec} at {} s: {} and {}", x.0, x.1, y.1);
            seen += 1;
        }
        assert!(seen > 1_000, "{seen}");
        assert!((ca - cb).abs() < 0.5 && ca > 10.0, "{spec}: {ca} and {cb}");
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_does_not() {
    let bytes = |seed| Player::new("wind+leak-0.60", seed, true).expect("known").take(9_000).collect::<Vec<_>>();
    assert_eq!(bytes(11), bytes(11));
    assert_ne!(bytes(11), bytes(12));
}

#[test]
fn every_scenario_runs_to_the_end_with_finite_values() {
    for name in scenarios().iter().map(|s| s.name.to_owned()).chain(["ps-tight".into(), "ps-leak-0.70".into()]) {
        let mut p = Player::new(&name, 2, true).expect("known");
        let mut last = crate::time::Stamp(-1);
        while let Some((at, bytes)) = p.next() {
            assert!(at > last, "{name}: receipt goes forward");
            last = at;
            assert!(!bytes.is_empty());
            let t = p.truth();
            let sound = t.pressure_pa.abs() < 20_000.0
                && (230.0..340.0).contains(&t.gas_k)
                && (230.0..340.0).contains(&t.fuel_k)
                && (0.0..1.5).contains(&t.saturation);
            assert!(sound, "{name}: {t:?}");
        }
        assert!(last.secs() > 41_000.0, "{name} ends at {}", last.secs());
    }
}

/// The rows of a day as (seconds on the adapter's clock, line), and the lines whose check sum does not fit.
fn rows(spec: &str, seed: u64) -> (Vec<(f64, String)>, usize) {
    let crc = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);
    let bytes: Vec<u8> = Player::new(spec, seed, true).expect("known").flat_map(|(_, b)| b).collect();
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let (mut good, mut bad) = (Vec::new(), 0);
    for line in text.lines().filter(|l| !l.starts_with("time_s,")) {
        let fits = line.rsplit_once(',').is_some_and(|(head, sum)| {
            u16::from_str_radix(sum, 16).is_ok_and(|s| sum.len() == 4 && s == crc.checksum(head.as_bytes()))
        });
        match line.split_once(',').and_then(|(t, _)| t.parse().ok()) {
            Some(t) if fits => good.push((t, line.to_owned())),
            _ => bad += 1,
        }
    }
    (good, bad)
}

#[test]
fn rows_are_whole_and_in_order_unless_the_line_or_the_adapter_is_at_fault() {
    let columns = Player::new("tight", 3, true).expect("known").header();
    let commas = columns.iter().filter(|b| **b == b',').count();
    let backward = |r: &[(f64, String)]| r.windows(2).filter(|w| w[1].0 < w[0].0).count();

    let (good, bad) = rows("tight", 3);
    assert_eq!((bad, backward(&good)), (0, 0));
    assert!(good.iter().all(|(_, l)| l.matches(',').count() == commas));

    let (damaged, bad) = rows("drop-outs", 3);
    assert!(bad > 100 && damaged.len() + bad < good.len() && damaged.len() > good.len() / 2);

    let (restarted, bad) = rows("clock-jump", 3);
    assert_eq!((bad, backward(&restarted)), (0, 1));
}

#[test]
fn the_switch_s_edges_have_rows_of_their_own_to_the_millisecond() {
    let (good, _) = rows("tight", 3);
    // Nothing but time, switch, sense voltage and check sum; regular rows lie on a grid of 50 ms.
    let edges: Vec<f64> = good
        .iter()
        .filter(|(_, l)| l.split(',').filter(|c| !c.is_empty()).count() == 4)
        .filter(|(_, l)| l.contains(",0,4.9") || l.contains(",0,5.0") || l.contains(",1,0.0"))
        .map(|(t, _)| *t)
        .collect();
    // Closing in the night, opening at the start vent, closing in the pull, opening at its end, with bounce.
    assert!(edges.len() >= 4, "{edges:?}");
    assert!(edges.windows(2).any(|w| w[1] - w[0] < 0.02), "bounce within tens of milliseconds");
}

#[test]
fn without_bias_the_switch_is_left_blank_and_the_line_reads_low() {
    let header = String::from_utf8(Player::new("bias-none", 3, true).expect("known").header()).expect("ASCII");
    let place = |name: &str| header.split(',').position(|c| c == name).expect("a column");
    let (switch, sense) = (place("leak_switch"), place("switch_sense_v"));
    let p = Player::new("bias-none", 3, true).expect("known");
    let (parked, morning, _) = p.timetable();
    let mut low = 0;
    for (at, bytes) in p {
        if at.secs() > parked + 20.0 && at.secs() < morning - 5.0 {
            let line = String::from_utf8(bytes).expect("ASCII");
            let cell = |i: usize| line.split(',').nth(i).expect("a cell").to_owned();
            assert_eq!(cell(switch), "");
            if let Ok(v) = cell(sense).parse::<f64>() {
                assert!(v < 0.05);
                low += 1;
            }
        }
    }
    assert!(low > 1_000, "{low}");
}

#[test]
fn an_equivalent_hole_is_a_little_wider_than_a_sharp_edged_one() {
    // Trade facts: Cd 0.6 or 0.8 is 13 % of diameter, so Cd of 0.65 to 0.72 is 4 to 10 %.
    for mm in [0.3, 0.5, 1.0] {
        let wider = super::equivalent_mm(mm) / mm;
        assert!((1.04..1.10).contains(&wider), "{mm}: {wider}");
    }
}

#[test]
fn no_sensor_tells_what_its_channel_cannot_be() {
    for spec in ["sensors-noisy", "sensors-offset", "ps-sensors-noisy"] {
        let p = Player::new(spec, 3, true).expect("known");
        let header = String::from_utf8(p.header()).expect("ASCII");
        let channels: Vec<_> = header.trim().split(',').map(crate::channel::Channel::from_name).collect();
        for (_, bytes) in p {
            let line = String::from_utf8(bytes).expect("ASCII");
            for (cell, channel) in line.trim().split(',').zip(&channels) {
                if let (Some(c), Ok(v)) = (channel, cell.parse::<f64>()) {
                    let (low, high) = c.plausible();
                    assert!(v >= low && v <= high, "{spec}: {c} {v}");
                }
            }
        }
    }
}

#[test]
fn two_adapters_on_one_vehicle_say_what_each_says_alone() {
    for spec in ["drop-outs", "clock-jump"] {
        let mut both = Player::both(spec, 4).expect("known");
        let mut heard = [Vec::new(), Vec::new()];
        loop {
            let more = both.go_on();
            for (i, heard) in heard.iter_mut().enumerate() {
                heard.extend(std::iter::from_fn(|| both.heard(i)).map(|(at, bytes, _)| (at, bytes)));
            }
            if !more {
                break;
            }
        }
        for (tap, heard) in [false, true].into_iter().zip(heard) {
            assert!(heard.len() > 50_000, "{spec}: a whole day");
            assert!(Player::new(spec, 4, tap).expect("known").eq(heard), "{spec}, tap {tap}");
        }
    }
}
