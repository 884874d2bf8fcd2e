//! `plan`, through the program: against the trade's table of what a night can tell, and against the judge of the very
//! night that was planned.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use serde_json::Value;
use soakwatch::judge::Judge;
use soakwatch::profile;
use soakwatch::record::{Body, LinkInfo, Record};
use soakwatch::time::Stamp;
use soakwatch::trade::Test;
use std::fmt::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::sync::Arc;

fn soakwatch(dir: &Path, args: &[&str]) -> Output {
    let program = env!("CARGO_BIN_EXE_soakwatch");
    let ended = Command::new(program).args(args).current_dir(dir).stdin(Stdio::null()).output().unwrap();
    assert_eq!(ended.status.code(), Some(0), "{args:?}: {}", String::from_utf8_lossy(&ended.stderr));
    ended
}

fn planned(dir: &Path, args: &[&str]) -> Value {
    serde_json::from_slice(&soakwatch(dir, &[&["plan", "--json"], args].concat()).stdout).unwrap()
}

/// A weather file of hours.
fn weather(dir: &Path, rows: &str) -> String {
    let path = dir.join("w.csv");
    std::fs::write(&path, rows).unwrap();
    path.display().to_string()
}

#[test]
fn the_trade_s_table_of_what_a_night_can_tell() {
    // Trade facts, computed there (AP-42 vapour, Cd 0.6, 249 Pa, steady cooling, saturated, RVP 9, about 20 °C), mm.
    // Without its last column, 15 K/h: the members smooth what probes read over 2 to 20 min, which counts there. The
    // table takes up to 1.5 kPa/K for the vapour, the formula gives 1.28 at 20 °C: the plan may lie 15 % lower.
    let rates = [0.5, 1.0, 2.0, 5.0];
    let rows = [(40.0, [0.10, 0.15, 0.21, 0.33]), (80.0, [0.15, 0.21, 0.29, 0.46])];
    let dir = tempfile::tempdir().unwrap();
    // All that is not known in the table's case is switched off.
    let sets = "vehicle.ullage_pct=0 vehicle.lines_l=0 vehicle.volume_spread_pct=0 switch.closes_low_pa=249 \
                switch.closes_high_pa=249 reliefs.pressure_low_pa=300 reliefs.pressure_high_pa=300 \
                reliefs.vacuum_low_pa=1500 reliefs.vacuum_high_pa=1500 model.vapour_lag_low_s=1 model.vapour_lag_high_s=1 \
                model.fuel_lag_low_s=60 model.fuel_lag_high_s=60 model.evaporation_low_s=1 model.evaporation_high_s=1 \
                model.saturation_low=1 model.temperature_error_k=0 model.baro_unknown_pa_per_h=0 model.area_error_pct=0 \
                model.start_above_low_k=0 model.start_above_high_k=0 fuel.ethanol_pct=0";
    for (volume, row) in rows {
        for (rate, expected) in rates.iter().zip(row) {
            let long_s = 8.0 / rate * 3600.0;
            let mut rows = "time_s,ambient_c\n".to_owned();
            for i in 0..=16 {
                let x = f64::from(i) / 16.0;
                writeln!(rows, "{},{}", long_s * x, 24.0 - 8.0 * x).unwrap();
            }
            let tank = format!("vehicle.tank_l={volume}");
            let path = weather(dir.path(), &rows);
            let mut args = vec!["--weather", &path, "--level", "0", "--rvp", "9", "--set", &tank];
            sets.split_whitespace().for_each(|s| args.extend(["--set", s]));
            let plan = planned(dir.path(), &args);
            let got = plan["soak"]["night_mm"]["opens_from"].as_f64().unwrap();
            assert!(
                (got - expected).abs() < 0.008 + 0.15 * expected,
                "{volume} L, {rate} K/h: {got} mm against {expected}"
            );
        }
    }
}

/// A night as a vehicle's own record: driven until `SEALED_S`, then parked with the vent sealed and the switch open.
const SEALED_S: u32 = 120;

#[derive(Default)]
struct Probes {
    /// The switch closes so long after sealing.
    closes_s: Option<f64>,
    fuel_c: Option<f64>,
    baro: bool,
    sensor: bool,
}

/// What the judge says of the night whose air the plan told, sampled every 20 s.
fn judged(series: &[(f64, f64, f64)], probes: &Probes, sets: &[String]) -> Value {
    let name = if probes.sensor { "pressure-sensor" } else { "switch-module" };
    let profile = Arc::new(profile::load(name, sets).unwrap());
    let mut judge = Judge::new(profile, &[LinkInfo { kind: "csv".into(), name: "night".into() }]);
    let mut seq = 0;
    let mut take = |at: f64, line: String| {
        let at = Stamp::from_secs(at);
        judge.record(&Record { at, link: 1, seq, body: Body::Bytes((line + "\n").into_bytes()) });
        seq += 1;
    };
    let head = "time_s,key,engine_rpm,vent_solenoid,fuel_level_pct,ambient_c,baro_kpa,fuel_temp_c,leak_switch";
    take(0.0, head.into());
    let end = SEALED_S + (series.last().unwrap().0 as u32) / 20 * 20;
    // Energised is open with a switch module, sealed with a sensor.
    let (open, sealed) = if probes.sensor { (0, 1) } else { (1, 0) };
    for s in (0..=end).step_by(20) {
        let since = f64::from(s) - f64::from(SEALED_S);
        let next = series.partition_point(|p| p.0 < since).clamp(1, series.len() - 1);
        let (a, b) = (series[next - 1], series[next]);
        let x = ((since - a.0) / (b.0 - a.0)).clamp(0.0, 1.0);
        let (air, baro) = (a.1 + (b.1 - a.1) * x, a.2 + (b.2 - a.2) * x);
        let driven = s < SEALED_S;
        let (key, rpm, vent) = if driven { (1, 800, open) } else { (0, 0, sealed) };
        let fuel = probes.fuel_c.filter(|_| s <= SEALED_S + 20).map_or(String::new(), |c| c.to_string());
        // A fine barometer's last digit moves.
        let baro = if probes.baro { format!("{:.3}", baro + 0.001 * f64::from(s / 20 % 2)) } else { String::new() };
        let switch = match probes.closes_s {
            _ if probes.sensor => "",
            Some(closes) if since >= closes => "1",
            _ => "0",
        };
        take(f64::from(s), format!("{s},{key},{rpm},{vent},40,{air:.4},{baro},{fuel},{switch}"));
    }
    let findings = judge.findings("night");
    let soak = findings.tests.iter().find(|f| f.test == Test::KeyOffSoak).unwrap();
    serde_json::to_value(soak).unwrap()
}

#[test]
fn a_planned_night_and_the_judge_s_own_bounds_are_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let cases: [(&str, Probes, &[&str]); 4] = [
        ("air alone", Probes::default(), &[]),
        ("fuel measured", Probes { fuel_c: Some(27.0), ..Probes::default() }, &["--fuel-temp", "27"]),
        ("a barometer that moves", Probes { baro: true, ..Probes::default() }, &[]),
        ("a sensor", Probes { sensor: true, ..Probes::default() }, &["--profile", "pressure-sensor"]),
    ];
    for (name, probes, args) in cases {
        let mut rows = if probes.baro { "time_s,ambient_c,baro_kpa\n" } else { "time_s,ambient_c\n" }.to_owned();
        let mut series = Vec::new();
        for i in 0..=9 {
            let (s, air, baro) = (
                f64::from(i) * 3600.0,
                21.0 - f64::from(i * (i % 4)) * 0.3 - f64::from(i),
                100.9 + 0.05 * f64::from(i),
            );
            series.push((s, air, baro));
            write!(rows, "{s},{air}").unwrap();
            rows += &if probes.baro { format!(",{baro}\n") } else { "\n".to_owned() };
        }
        let path = weather(dir.path(), &rows);
        let sealed = probes.sensor.then_some("plan.sealed_for_s=172800");
        let mut all = vec!["--weather", &path, "--level", "40"];
        all.extend(args);
        sealed.iter().for_each(|s| all.extend(["--set", s]));
        let plan = planned(dir.path(), &all);
        // Nothing was read of the tank: the judge speaks of a switch's point, here that vacuum which counts for a sensor.
        let point = ["switch.closes_low_pa=150", "switch.closes_high_pa=150", "switch.reopens_high_pa=140"];
        let sets: Vec<String> = point.iter().filter(|_| probes.sensor).map(|s| (*s).to_owned()).collect();
        let found = judged(&series, &probes, &sets);
        // The judge steps a second or so beside the plan's grid, and learns of a lost probe some time later.
        let close = |what: &str, plan: &Value, found: &Value| {
            let (plan, found) = (plan.as_f64().unwrap(), found.as_f64().unwrap());
            assert!((plan - found).abs() < 0.002 + 0.01 * found, "{name}, {what}: planned {plan}, found {found}");
            found
        };
        let (night, bounds) = (&plan["soak"]["night_mm"], &found["night_mm"]);
        let up_to = close("closes_up_to", &night["closes_up_to"], &bounds["closes_up_to"]);
        let from = close("opens_from", &night["opens_from"], &bounds["opens_from"]);
        close("share", &plan["soak"]["tight_share"], &found["evidence"]["tight_would_close_share"]);
        assert!(0.0 < from && from < up_to && up_to < 1.0, "a night that tells something: {from} {up_to}");
    }
}

#[test]
fn what_the_plan_says_will_pass_passes_and_what_not_does_not() {
    let dir = tempfile::tempdir().unwrap();
    // A usual night, and one after a hot drive that cools so quickly that a hole of the limit could close the switch.
    let cases: [(&[f64], &[&str]); 3] = [
        (&[21.0, 19.5, 18.2, 17.1, 16.2, 15.5, 14.9, 14.4, 14.0], &["--driven-ago", "3"]),
        (&[21.0, 19.5, 18.2, 17.1, 16.2, 15.5, 14.9, 14.4, 14.0], &[]),
        (
            &[30.0, 5.5, 5.4, 5.3, 5.2, 5.1, 5.0, 5.0, 5.0],
            &["--set", "model.fuel_lag_low_s=600", "--set", "model.fuel_lag_high_s=900"],
        ),
    ];
    let mut outcomes = Vec::new();
    for (air, more) in cases {
        let series: Vec<_> = air.iter().enumerate().map(|(i, a)| (3600.0 * i as f64, *a, 101.0)).collect();
        let rows: String = series.iter().map(|(s, a, _)| format!("{s},{a}\n")).collect();
        let path = weather(dir.path(), &format!("time_s,ambient_c\n{rows}"));
        let plan = planned(dir.path(), &[&["--weather", &path, "--level", "40"], more].concat());
        let at = |key: &str| plan["soak"][key].as_f64();
        let (typical, until) = (at("tight_typical_s").unwrap(), at("closed_passes_until_s"));
        let mut sets: Vec<String> = more.iter().filter(|m| m.contains('=')).map(|m| (*m).to_owned()).collect();
        if more.contains(&"--driven-ago") {
            // As the plan has it: 15 K above the air at most, less what 3 h of the longest lag take (the profile's).
            let most = plan["given"]["fuel_above_air_k"][1].as_f64().unwrap();
            sets.push(format!("model.start_above_high_k={most}"));
        }
        // Just after a look of the plan's, every 5 min.
        let closes = (typical / 300.0).ceil() * 300.0;
        let found = judged(&series, &Probes { closes_s: Some(closes), ..Probes::default() }, &sets);
        let will = until.is_some_and(|until| closes <= until);
        let passed = found["verdict"] == "pass";
        assert_eq!(passed, will, "closed at {closes}, passes until {until:?}: {found}");
        assert_eq!(plan["advice"]["worth_waiting"] == "no", !will, "{}", plan["advice"]);
        outcomes.push(will);
    }
    assert!(outcomes.contains(&true) && outcomes.contains(&false), "{outcomes:?}");
}

#[test]
fn seasons_heights_and_drives_go_the_right_way() {
    let dir = tempfile::tempdir().unwrap();
    let night = ["--evening", "21", "--morning", "12", "--level", "40"];
    let plan = |more: &[&str]| planned(dir.path(), &[&night, more].concat());
    let number = |p: &Value, at: &str| p.pointer(at).unwrap().as_f64().unwrap_or(f64::INFINITY);
    let usual = plan(&[]);
    // Warmer fuel cools more: a tight system closes earlier; fuel that has cooled already, later.
    let late = |p: &Value| number(p, "/soak/tight_typical_s");
    assert!(late(&plan(&["--fuel-temp", "36"])) < late(&usual));
    assert!(late(&plan(&["--driven-ago", "12"])) > late(&usual));
    // 1600 m by the US Standard Atmosphere 1976: 83.5 kPa of 101.325 (table, from memory: 83.4 at 1600 m geopotential).
    let high = plan(&["--sea-level-baro", "101.325", "--altitude", "1600"]);
    assert!((number(&high, "/given/baro_kpa") - 83.5).abs() < 0.2);
    let failing = |p: &Value| -> Vec<String> {
        let all = p["conditions"].as_array().unwrap().iter();
        all.filter(|c| c["met"] == false).map(|c| c["channel"].as_str().unwrap().to_owned()).collect()
    };
    assert!(failing(&usual).is_empty());
    assert_eq!(failing(&plan(&["--baro", "70"])), ["baro_kpa"]);
    // Above 85 % neither test runs; below 15 % the soak does not (profile's windows).
    let full = planned(dir.path(), &["--evening", "21", "--morning", "12", "--level", "92"]);
    assert_eq!(failing(&full), ["fuel_level_pct", "fuel_level_pct"]);
    assert_eq!(full["advice"]["worth_waiting"], "no");
    assert_eq!(full["cold_start"]["best_s"], Value::Null);
    // From 90 °C over air of 12 °C: ln(78/5.6) lags, computed; 3 h give 7.9 h, less the evening's warmer air.
    let from = number(&usual, "/cold_start/from_s") / 3600.0;
    assert!((7.9..9.0).contains(&from), "{from} h");
    // Winter fuel gives more vapour than summer fuel.
    let rvp = |season: &str| number(&plan(&["--season", season]), "/given/rvp_psi/1");
    assert!(rvp("winter") > rvp("between") && rvp("between") > rvp("summer"));
    // A night that hardly cools tells nothing.
    let mild = ["--evening", "15", "--morning", "15", "--level", "40", "--driven-ago", "100"];
    let mild = planned(
        dir.path(),
        &[&mild[..], &["--set", "model.baro_unknown_pa_per_h=0", "--set", "model.temperature_error_k=0"]].concat(),
    );
    assert_eq!(mild["advice"]["worth_waiting"], "no");
    assert_eq!(number(&mild, "/soak/night_mm/opens_from"), 0.0);
}

#[test]
fn the_text_keeps_to_its_columns_and_shows_the_cautions() {
    let dir = tempfile::tempdir().unwrap();
    for (columns, units, plain) in [(80, "si", false), (80, "inch", true), (120, "si", true), (120, "inch", false)] {
        let number = columns.to_string();
        let mut args = vec!["plan", "--evening", "21", "--morning", "12", "--columns", &number, "--units", units];
        args.extend(plain.then_some("--plain"));
        let text = String::from_utf8(soakwatch(dir.path(), &args).stdout).unwrap();
        let widest = text.lines().map(|l| l.chars().count()).max().unwrap();
        assert!(widest <= columns, "{widest} of {columns}");
        // Trade facts: a road test takes two, an engine indoors kills.
        assert!(text.contains("A road test takes two") && text.contains("indoors kills"), "{text}");
        assert!(!text.contains('\x1b'));
        // The plot: it fills its width, and a tight tank ends in deeper vacuum than one behind the limit's hole.
        let plot: Vec<&str> = text.lines().skip_while(|l| !l.starts_with("Tank pressure")).collect();
        let floor = plot.iter().position(|l| l.trim_start().starts_with(if plain { "+--" } else { "└──" })).unwrap();
        assert_eq!(plot[floor].chars().count(), columns);
        let (tight, hole) = if plain { ('#', 'o') } else { ('▓', '░') };
        let deepest = |ink: char| plot[..floor].iter().rposition(|l| l.ends_with(ink)).unwrap();
        assert!(deepest(tight) > deepest(hole), "{text}");
        assert!(plot[..=floor + 2].iter().all(|l| !plain || l.is_ascii()), "{text}");
        assert!(plot[floor + 1].trim_start().starts_with("20:00") && plot[floor + 1].contains("02:00"), "{text}");
    }
}
