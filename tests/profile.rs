//! The built-in profiles, and what loading promises.

#![allow(missing_docs, clippy::panic, clippy::unwrap_used)]

use soakwatch::channel::Channel;
use soakwatch::profile::{self, Holds, Profile, RowTime, SETTINGS};
use soakwatch::trade::Test;
use soakwatch::units::{L_PER_GAL, MM_PER_INCH, PA_PER_INH2O};

fn builtin(name: &str) -> Profile {
    profile::load_builtin(name).unwrap_or_else(|e| panic!("{name}:\n{e}"))
}

#[test]
fn every_built_in_profile_is_sound_complete_and_sourced() {
    let mut seen = Vec::new();
    for name in profile::builtin_names() {
        let p = builtin(name);
        assert_eq!(p.name, name);
        assert_eq!(p.base.as_deref(), Some(name));
        for s in SETTINGS {
            assert_ne!(p.source(s.path), "no source given", "{name}: {}", s.path);
        }
        seen.push(name);
    }
    assert_eq!(seen, ["switch-module", "pressure-sensor", "module-on-the-tray", "courier-van", "road-log"]);
}

#[test]
fn the_thresholds_of_the_trade_stand_in_the_base_profile() {
    let p = builtin("switch-module");
    let s = &p.set;
    // 13 CCR 1968.2 (e)(4), from memory: 0.020 in and 0.040 in.
    assert!((s.leak.small_mm - 0.020 * MM_PER_INCH).abs() < 1e-9);
    assert!((s.leak.large_mm - 0.040 * MM_PER_INCH).abs() < 1e-9);
    for path in ["leak.small_mm", "leak.large_mm"] {
        assert!(p.source(path).starts_with("13 CCR 1968.2 (e)(4), from memory"), "{}", p.source(path));
    }
    assert!(p.source("leak.large_mm").contains("25 gal"), "the exception for large tanks is named");
    assert!(s.vehicle.tank_l < 25.0 * L_PER_GAL, "else the base tank itself would fall under the exception");

    // Common practice: the switch closes near one inch of water, units spread from 200 to 300 Pa.
    assert_eq!((s.switch.closes_low_pa, s.switch.closes_high_pa), (200.0, 300.0));
    assert!(s.switch.closes_low_pa < PA_PER_INH2O && PA_PER_INH2O < s.switch.closes_high_pa);
    // From memory: it re-opens at a lower vacuum.
    assert!(s.switch.reopens_low_pa < s.switch.closes_low_pa && s.switch.reopens_high_pa < s.switch.closes_high_pa);
    // Common practice: pressure relief of the order of 0.1 to 0.5 kPa. From memory: vacuum relief 0.75 to 1.8 kPa.
    assert_eq!((s.reliefs.pressure_low_pa, s.reliefs.pressure_high_pa), (100.0, 500.0));
    assert_eq!((s.reliefs.vacuum_low_pa, s.reliefs.vacuum_high_pa), (750.0, 1800.0));

    // Common practice and one controller's example, from memory: edge from 5 min, level 15 to 85 %, above 40 °F.
    assert_eq!(s.soak.earliest_edge_s, 300.0);
    assert_eq!((s.soak.level_low_pct, s.soak.level_high_pct), (15.0, 85.0));
    assert!((s.soak.ambient_low_c - (40.0 - 32.0) / 1.8).abs() < 0.05);
    // Common practice: stop the overnight tap at 12.2 V at rest.
    assert_eq!(s.soak.battery_stop_v, 12.2);

    // 13 CCR 1968.2 (e)(4.3) and one controller's example, from memory: coolant at most 5.6 to 6.7 K (10 to 12 °F)
    // above ambient, 40 to 95 °F, level at most 85 %, above 11 V, below 8000 ft.
    assert!((5.5..=6.7).contains(&s.decay.start_above_ambient_k));
    assert!((s.decay.ambient_low_c - (40.0 - 32.0) / 1.8).abs() < 0.05);
    assert!((s.decay.ambient_high_c - (95.0 - 32.0) / 1.8).abs() < 0.05);
    assert_eq!(s.decay.level_high_pct, 85.0);
    assert_eq!(s.decay.battery_low_v, 11.0);
    // Barometer at 8000 ft (2438 m) by the standard atmosphere, ISO 2533 (formula from memory).
    let kpa = 101.325 * libm::pow(1.0 - 0.0065 * 2438.4 / 288.15, 5.255_88);
    assert!((s.decay.baro_low_kpa - kpa).abs() < 0.8, "{kpa}");

    // The equivalent hole refers to Cd 0.6; with 0.8 its diameter is 13 % smaller, by the orifice law.
    assert_eq!(s.model.discharge_cd, 0.6);
    assert!((1.0 - (0.6_f64 / 0.8).sqrt() - 0.13).abs() < 0.005);
    // Common practice: 10 to 15 % of the tank above full, canister and lines 2 to 6 L.
    assert!((10.0..=15.0).contains(&s.vehicle.ullage_pct) && (2.0..=6.0).contains(&s.vehicle.lines_l));
    // Common practice: bounce lasts under a second.
    assert!(s.sense.bounce_s < 1.0);
    // Common practice, from memory: pull-in about 1.5 A, then a chopped hold of about 0.15 A mean.
    assert!(s.solenoid.pull_in_low_a < 1.5 && 1.5 < s.solenoid.pull_in_high_a);
    assert!(s.solenoid.hold_low_a < 0.15 && 0.15 < s.solenoid.hold_high_a && s.solenoid.on_above_a < 0.15);
    // Common practice: a vent-side module seals when not energised.
    assert_eq!((s.vent.energised.as_str(), s.switch.fitted.as_str()), ("open", "yes"));
    assert_eq!(p.asks, [Test::KeyOffSoak, Test::VacuumDecay]);
}

#[test]
fn the_sensor_profile_differs_in_its_hardware_alone() {
    let (base, sensor) = (builtin("switch-module"), builtin("pressure-sensor"));
    // From memory: with a sensor the vent is usually open at rest and sealed when energised.
    assert_eq!((sensor.set.vent.energised.as_str(), sensor.set.switch.fitted.as_str()), ("sealed", "no"));
    for s in SETTINGS {
        // Without a vent-side module the reliefs sit elsewhere, and open higher; a vent that is powered lets go again.
        let hardware = ["vent.energised", "switch.fitted", "plan.sealed_for_s"].contains(&s.path)
            || s.path.starts_with("reliefs.");
        if !hardware {
            assert_eq!(base.set.number(s.path), sensor.set.number(s.path), "{}", s.path);
            assert_eq!(base.set.word(s.path), sensor.set.word(s.path), "{}", s.path);
        }
    }
    assert_eq!(sensor.asks, [Test::KeyOffSoak, Test::VacuumDecay]);
}

#[test]
fn the_road_profile_maps_foreign_headings_and_says_that_time_is_assumed() {
    let p = builtin("road-log");
    let channel =
        |heading: &str| p.columns.iter().find(|c| c.column == heading).map(|c| (c.channel, c.scale, c.offset));
    for (heading, c) in [
        ("ENGINE_RPM ()", Channel::EngineRpm),
        ("VEHICLE_SPEED ()", Channel::VehicleSpeedKph),
        ("COOLANT_TEMPERATURE ()", Channel::CoolantC),
        ("INTAKE_AIR_TEMP ()", Channel::IntakeAirC),
        ("INTAKE_MANIFOLD_PRESSURE ()", Channel::ManifoldKpa),
        ("ABSOLUTE_BAROMETRIC_PRESSURE ()", Channel::BaroKpa),
        ("FUEL_TANK ()", Channel::FuelLevelPct),
        ("CONTROL_MODULE_VOLTAGE ()", Channel::BatteryV),
        ("COMMANDED_EVAPORATIVE_PURGE ()", Channel::PurgeDutyPct),
        ("SHORT_TERM_FUEL_TRIM_BANK_1 ()", Channel::FuelTrimShortPct),
        ("LONG_TERM_FUEL_TRIM_BANK_1 ()", Channel::FuelTrimLongPct),
    ] {
        assert_eq!(channel(heading), Some((c, 1.0, 0.0)), "{heading}");
    }
    assert_eq!(p.columns.len(), 11);
    assert_eq!(p.row_time, Some(RowTime::Period(0.49)));
    assert!(p.source("time").contains("assumed") && p.source("time").contains("held for 3 to 4 rows"));
    assert!(p.asks.is_empty());
}

#[test]
fn set_reaches_every_line_of_the_table() {
    for s in SETTINGS {
        let value = match s.holds {
            Holds::Number { low, high, .. } => {
                // Only the value itself is under test here: rules between settings have tests of their own.
                let now = builtin("switch-module").set.number(s.path).unwrap();
                assert!((low..=high).contains(&now));
                now.to_string()
            }
            Holds::Word(words) => words[words.len() - 1].to_string(),
        };
        let p = profile::load("switch-module", &[format!("{}={value}", s.path)]).unwrap();
        assert_eq!(p.source(s.path), profile::SET_SOURCE);
        let got = p.set.number(s.path).map_or_else(|| p.set.word(s.path).unwrap().to_string(), |v| v.to_string());
        assert_eq!(got, value);
    }
}
