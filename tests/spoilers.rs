//! What spoils a test is seen and named: each line of the trade's list that the channels can show.
//!
//! Rows are made here, plain and without noise; which numbers count as a spoiler stands in the profile. The list
//! itself is common practice, without a source.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use soakwatch::grade::verdict::Findings;
use soakwatch::judge::Judge;
use soakwatch::profile;
use soakwatch::record::{Body, LinkInfo, Record};
use soakwatch::time::Stamp;
use soakwatch::trade::{Test, Verdict};
use std::sync::Arc;

const HEAD: &str = "time_s,key,engine_rpm,coolant_c,ambient_c,tank_skin_c,fuel_level_pct,baro_kpa,manifold_kpa,battery_v,purge_duty_pct,vent_solenoid,leak_switch,switch_sense_v,tank_pressure_pa";

/// One moment of a made-up vehicle. `None` leaves the cell blank.
#[derive(Clone, Copy)]
struct Row {
    key: u8,
    rpm: Option<f64>,
    skin_c: f64,
    level: f64,
    baro_kpa: f64,
    manifold_kpa: f64,
    battery_v: f64,
    purge: f64,
    vent: u8,
    switch: Option<u8>,
    pressure: Option<f64>,
}

const PARKED: Row = Row {
    key: 0,
    rpm: Some(0.0),
    skin_c: 20.0,
    level: 50.0,
    baro_kpa: 101.03,
    manifold_kpa: 101.0,
    battery_v: 12.6,
    purge: 0.0,
    vent: 0,
    switch: Some(0),
    pressure: None,
};
const DRIVEN: Row =
    Row { key: 1, rpm: Some(1500.0), manifold_kpa: 40.0, battery_v: 14.1, vent: 1, purge: 0.0, ..PARKED };

/// A drive of two minutes, then `parked` of so many seconds, as a function of the time since key-off.
fn night(parked_s: u32, parked: impl Fn(f64) -> Row) -> Findings {
    judged(
        (0..120)
            .map(|s| (f64::from(s), DRIVEN))
            .chain((0..parked_s).map(|s| (120.0 + f64::from(s), parked(f64::from(s))))),
    )
}

fn judged(rows: impl Iterator<Item = (f64, Row)>) -> Findings {
    let profile = Arc::new(profile::load_builtin("switch-module").unwrap());
    let mut judge = Judge::new(profile, &[LinkInfo { kind: "csv".into(), name: "made".into() }]);
    let mut seq = 0;
    let mut tell = |at: f64, line: String| {
        judge.record(&Record { at: Stamp::from_secs(at), link: 1, seq, body: Body::Bytes(line.into_bytes()) });
        seq += 1;
    };
    tell(0.0, format!("{HEAD}\n"));
    let cell = |v: Option<f64>| v.map_or(String::new(), |v| format!("{v}"));
    for (at, r) in rows {
        let line = format!(
            "{at:.3},{},{},20,{:.2},{:.2},{},{:.3},{},{},{},{},{},{},{}\n",
            r.key,
            cell(r.rpm),
            r.skin_c,
            r.skin_c,
            r.level,
            r.baro_kpa,
            r.manifold_kpa,
            r.battery_v,
            r.purge,
            r.vent,
            cell(r.switch.map(f64::from)),
            cell(r.switch.map(|s| if s == 0 { 5.0 } else { 0.02 })),
            cell(r.pressure)
        );
        tell(at, line);
    }
    judge.findings("made")
}

fn names(f: &Findings, words: &str) -> bool {
    f.notices.iter().any(|n| n.contains(words))
}

#[track_caller]
fn named(f: &Findings, words: &str) {
    assert!(names(f, words), "`{words}` is not among {:#?}", f.notices);
}

#[test]
fn a_quiet_night_names_nothing() {
    let f = night(4000, |s| Row { skin_c: 20.0 - s / 3600.0, ..PARKED });
    assert!(f.notices.is_empty(), "{:#?}", f.notices);
}

#[test]
fn refuelling_is_named_and_voids_an_edge_behind_it() {
    let f = night(4000, |s| Row {
        level: if s > 900.0 { 70.0 } else { 50.0 },
        switch: Some(u8::from(s > 2000.0)),
        skin_c: 20.0 - 3.0 * s / 3600.0,
        ..PARKED
    });
    named(&f, "fuel level rose from 50.0 to 70.0 %");
    assert_eq!(f.summary[&Test::KeyOffSoak], Verdict::Inconclusive);
}

#[test]
fn an_opened_cap_is_named_and_a_gust_is_not() {
    let at = |gone: bool| {
        night(2000, move |s| {
            let away = if gone { s > 1500.0 } else { s == 1500.0 };
            Row { pressure: Some(if away { 0.0 } else { (-s * 0.3).max(-300.0) }), ..PARKED }
        })
    };
    named(&at(true), "was gone at once");
    assert!(!names(&at(false), "was gone at once"));
}

#[test]
fn a_warming_night_is_named() {
    named(&night(4000, |s| Row { skin_c: 18.0 + s / 1800.0, ..PARKED }), "surroundings warmed by");
}

#[test]
fn the_barometer_is_named_with_its_direction() {
    // 1 hPa is 0.40 inches of water: it acts on a sealed tank like that much vacuum (trade facts).
    named(&night(4000, |s| Row { baro_kpa: 101.03 + s * 1e-4, ..PARKED }), "it rose: that looks like vacuum");
    named(&night(4000, |s| Row { baro_kpa: 101.03 - s * 1e-4, ..PARKED }), "it fell: that hides vacuum");
}

#[test]
fn a_charger_and_a_weak_battery_are_named() {
    named(&night(2000, |_| Row { battery_v: 13.4, ..PARKED }), "battery maintainer is connected");
    named(&night(2000, |s| Row { battery_v: 12.6 - s * 4e-4, ..PARKED }), "stop the overnight tap");
}

#[test]
fn a_slammed_door_is_named_and_makes_no_edge() {
    let rows = (0..120).map(|s| (f64::from(s), DRIVEN)).chain((0..20_000).map(|i| {
        let s = f64::from(i) * 0.1;
        (120.0 + s, Row { switch: Some(u8::from((900.0..900.15).contains(&s))), ..PARKED })
    }));
    let f = judged(rows);
    named(&f, "a slammed door or a gust");
    assert_ne!(f.summary[&Test::KeyOffSoak], Verdict::Pass);
}

#[test]
fn a_woken_controller_is_named() {
    let f = night(6000, |s| Row { rpm: (s < 60.0 || (3000.0..3060.0).contains(&s)).then_some(0.0), ..PARKED });
    named(&f, "the controller answers again");
}

#[test]
fn a_canister_fresh_from_purge_is_named() {
    let f = judged(
        (0..120)
            .map(|s| (f64::from(s), Row { purge: 30.0, ..DRIVEN }))
            .chain((0..900).map(|s| (120.0 + f64::from(s), PARKED))),
    );
    named(&f, "the canister may take vapour up");
}

#[test]
fn pressure_that_rises_while_cooling_is_named() {
    let f = night(4000, |s| Row { skin_c: 20.0 - s / 2000.0, pressure: Some(s * 0.05), ..PARKED });
    named(&f, "fuel still evaporates");
}

#[test]
fn a_sensor_s_zero_is_named() {
    let rows = (0..600).map(|s| (f64::from(s), Row { pressure: Some(260.0), ..DRIVEN }));
    named(&judged(rows), "the sensor's zero is off");
}

#[test]
fn a_gap_is_named_where_rows_are_missing() {
    let f = judged((0..900u32).filter(|s| !(300..420).contains(s)).map(|s| (f64::from(s), DRIVEN)));
    assert_eq!(f.gaps.len(), 1, "{:?}", f.gaps);
    assert!((f.gaps[0].start_s.0 - 299.0).abs() < 1e-9 && (f.gaps[0].end_s.0 - 420.0).abs() < 1e-9);
}

#[test]
fn a_clock_that_runs_back_is_named() {
    // The rows' own clock: what a file says of it is read by the link, and here by the decoder.
    let f = judged((0..600).map(|s| (f64::from(s), PARKED)).chain((0..600).map(|s| (600.0 + f64::from(s), PARKED))));
    assert!(!names(&f, "clock"), "a clock that goes on says nothing");
}

#[test]
fn boost_is_no_purge_response() {
    let rows =
        (0..120).map(|s| (f64::from(s), DRIVEN)).chain((0..60).map(|s| {
            (120.0 + f64::from(s), Row { vent: u8::from(s >= 50), purge: 40.0, manifold_kpa: 140.0, ..DRIVEN })
        }));
    let f = judged(rows);
    let finding = f.tests.iter().find(|t| t.test == Test::PurgeResponse).unwrap();
    assert_eq!(finding.verdict, Verdict::NotRun);
    assert!(finding.reasons.iter().any(|r| r.contains("in boost")), "{:?}", finding.reasons);
}

#[test]
fn voltage_alone_only_suggests_that_the_vehicle_is_parked() {
    // No key, no engine speed, no manifold: the edge is there, but a grade needs a second witness.
    let profile = Arc::new(profile::load_builtin("switch-module").unwrap());
    let mut judge = Judge::new(profile, &[LinkInfo { kind: "csv".into(), name: "made".into() }]);
    let mut seq = 0;
    let mut tell = |at: f64, line: String| {
        judge.record(&Record { at: Stamp::from_secs(at), link: 1, seq, body: Body::Bytes(line.into_bytes()) });
        seq += 1;
    };
    tell(0.0, "time_s,battery_v,tank_skin_c,fuel_level_pct,vent_solenoid,leak_switch\n".into());
    for s in 0..8000 {
        let at = f64::from(s);
        let parked = at > 300.0;
        tell(
            at,
            format!(
                "{at},{},{:.2},50,{},{}\n",
                if parked { 12.6 } else { 14.1 },
                22.0 - at / 900.0,
                u8::from(!parked),
                u8::from(at > 4000.0)
            ),
        );
    }
    let f = judge.findings("made");
    assert_eq!(f.summary[&Test::KeyOffSoak], Verdict::Inconclusive);
    assert!(f.tests[0].reasons.iter().any(|r| r.contains("only the supply voltage")), "{:?}", f.tests[0].reasons);
}

#[test]
fn a_solenoid_command_without_vacuum_is_no_switch_test() {
    // The vent clicks on and off at key-on with no vacuum anywhere: neither switch, vent nor soak may pass by it.
    let rows = (0..600).map(|s| (f64::from(s), Row { key: 1, vent: u8::from(s % 20 < 10), ..PARKED }));
    let f = judged(rows);
    for test in [Test::SwitchCircuit, Test::VentSolenoid, Test::StartVent, Test::PurgeResponse, Test::KeyOffSoak] {
        assert_ne!(f.summary[&test], Verdict::Pass, "{}", test.name());
    }
}

#[test]
fn a_switch_closed_from_the_start_is_never_a_pass() {
    let f = night(8000, |s| Row { switch: Some(1), skin_c: 20.0 - 2.0 * s / 3600.0, ..PARKED });
    assert_ne!(f.summary[&Test::KeyOffSoak], Verdict::Pass);
}

#[test]
fn purge_with_the_vent_open_is_never_a_purge_response() {
    let f = judged((0..600).map(|s| (f64::from(s), Row { purge: 40.0, switch: Some(u8::from(s > 300)), ..DRIVEN })));
    assert_eq!(f.summary[&Test::PurgeResponse], Verdict::NotRun);
}

fn reasons(f: &Findings, test: Test) -> String {
    f.tests.iter().filter(|t| t.test == test).flat_map(|t| t.reasons.clone()).collect::<Vec<_>>().join("; ")
}

#[test]
fn a_missing_channel_is_named_and_an_open_switch_only_where_there_is_one() {
    let morning = |parked: Row| {
        let night = (0..900).map(move |s| (f64::from(s), parked));
        judged(night.chain((900..960).map(move |s| (f64::from(s), Row { key: 1, vent: 1, ..parked }))))
    };
    let f = morning(Row { switch: None, ..PARKED });
    assert_eq!(f.summary[&Test::StartVent], Verdict::NotRun);
    let said = reasons(&f, Test::StartVent);
    assert!(said.contains("there is no leak_switch, ") && !said.contains("was open"), "{said}");
    let said = reasons(&morning(PARKED), Test::StartVent);
    assert!(said.contains("the switch was open at key-on") && !said.contains("there is no"), "{said}");
}

#[test]
fn a_flat_trace_whose_climb_was_not_recorded_is_no_relief() {
    let f = night(900, |s| Row { skin_c: 20.0 + s / 600.0, pressure: Some(300.0), ..PARKED });
    assert_eq!(f.summary[&Test::Relief], Verdict::Inconclusive);
    let said = reasons(&f, Test::Relief);
    assert!(said.contains("too little of its way there was recorded"), "{said}");
}

/// The prior alone passes and fails nothing, however well the night cooled and however clearly purge drew.
#[test]
fn without_a_witness_of_the_vacuum_no_leak_is_graded() {
    let night = (0..36_000).step_by(5).map(|s| {
        let s = f64::from(s);
        (s, Row { skin_c: 22.0 - 2.0 * s / 3600.0, switch: None, pressure: None, ..PARKED })
    });
    let morning = (36_000..36_600).map(|s| {
        let checked = s >= 36_300;
        let purge = if (36_300..36_310).contains(&s) { 40.0 } else { 0.0 };
        let vent = u8::from(!checked);
        (f64::from(s), Row { skin_c: 2.0 + 10.0, vent, purge, switch: None, pressure: None, ..DRIVEN })
    });
    let f = judged(night.chain(morning));
    let leaks: Vec<_> = f.tests.iter().filter(|t| [Test::KeyOffSoak, Test::VacuumDecay].contains(&t.test)).collect();
    assert!(leaks.len() >= 2);
    for t in leaks {
        assert!(!t.verdict.is_decided() && t.leak_mm.is_none(), "{t:#?}");
        assert!(!t.evidence.contains_key("belief_at_or_above_limit"), "{t:#?}");
    }
}
