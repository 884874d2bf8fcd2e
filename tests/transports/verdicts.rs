//! What each transport gives for each test, against the bench and the table of what each link can grade.

use super::day::{Day, decided, profile, seeds, tests};
use soakwatch::link::{Cell, Fitted, Means, cell};
use soakwatch::profile::load_builtin;
use soakwatch::record::{Body, Event};
use soakwatch::sim::allowed;
use soakwatch::trade::{Test, Verdict};
use soakwatch::wire::ask::may_leave;
use std::sync::Arc;

/// Ways to a vehicle's standard data.
const WAYS: [&str; 11] = [
    "via=can",
    "via=can,bus=can29",
    "via=can,bus=j1979-2",
    "via=slcan",
    "via=adapter",
    "via=adapter,bus=iso9141",
    // Further ways with more seeds only.
    "via=adapter,bus=j1850",
    "via=adapter,bus=j1850-pwm",
    "via=adapter,bus=iso14230",
    "via=adapter,bus=can29",
    "via=adapter,bus=j1979-2",
];

/// SAE J1979 shows neither vent nor switch, so over every way a test is not decided, or gives what the bench gives; and
/// beside the bench adapter in one capture it takes nothing from what that gives.
#[test]
fn every_way_gives_the_bench_verdict_or_none() {
    let (mut decided_with_both, mut frozen, mut left_out) = (0, 0, Vec::new());
    for seed in seeds() {
        for scenario in ["tight", "leak-0.70", "ps-tight", "ps-leak-0.70"] {
            let fitted = if scenario.starts_with("ps-") { Fitted::Sensor } else { Fitted::Switch };
            let bench = Day::bench(scenario, seed, true);
            let (ways, left) = WAYS.split_at(match (*seeds().end(), fitted) {
                (1, Fitted::Sensor) => 3,
                (1, Fitted::Switch) => 6,
                _ => WAYS.len(),
            });
            left_out.extend(left.iter().map(|way| format!("{scenario} {way}")));
            for way in ways {
                let profile = profile(scenario);
                let day = Day::over(&format!("sim:{scenario},seed={seed},{way}"), &profile);
                let both = day.beside(&bench, &profile);
                let asked = day.asked();
                // A channel that is not there is named, never given a state.
                let start = day.findings.tests.iter().find(|f| f.test == Test::StartVent).unwrap();
                let said = start.reasons.join("; ");
                assert_eq!(start.verdict, Verdict::NotRun, "{scenario} {way}: {said}");
                match fitted {
                    Fitted::Switch => assert!(
                        said.contains("there is no leak_switch, ") && !said.contains("was open"),
                        "{way}: {said}"
                    ),
                    // The standard's data hold its pressure, and nothing of a switch.
                    Fitted::Sensor => assert!(!said.contains("switch"), "{way}: {said}"),
                }
                println!("{scenario} {seed} {way}: {} questions, {} records", asked.len(), day.records.len());
                frozen += freeze_frames(&day, way);
                assert!(asked.len() > 1_000, "{scenario} {way}: {}", asked.len());
                assert!(asked.iter().all(|q| may_leave(&q.1)), "{scenario} {way}");
                for test in tests() {
                    let (wants, has, with) =
                        (bench.findings.summary[test], day.findings.summary[test], both.summary[test]);
                    let place =
                        format!("{scenario} {seed} {way}, {}: bench {wants:?}, {has:?}, both {with:?}", test.name());
                    match cell(Means::Standard, fitted, *test) {
                        Cell::Not(_) => assert!(!decided(has), "{place}"),
                        Cell::Graded(_) => assert!(!decided(has) || has == wants, "{place}"),
                    }
                    let Cell::Graded(_) = cell(Means::Both, fitted, *test) else {
                        assert!(!decided(with), "{place}");
                        continue;
                    };
                    assert_eq!(with, wants, "{place}");
                    decided_with_both += usize::from(decided(with));
                }
            }
        }
    }
    if !left_out.is_empty() {
        println!("left out for speed (set SOAKWATCH_SEEDS to 2 or more): {}", left_out.join(", "));
    }
    // The days have something to decide, and codes with what stood when they came.
    assert!(decided_with_both > 40 && frozen >= 4, "{decided_with_both} {frozen}");
}

/// Whoever has a code on CAN tells what stood when it came, in the way of its standard. How many did.
fn freeze_frames(day: &Day, way: &str) -> usize {
    let newer = way.ends_with("j1979-2");
    let mut frozen = 0;
    for said in day.findings.controller.iter().flat_map(|c| &c.controllers).filter(|_| !way.contains("adapter")) {
        let has = said.codes.values().any(|kind| !kind.last.said.is_empty());
        let told = (said.freeze_frame.is_some(), !said.snapshots.is_empty());
        assert_eq!(told, (has && !newer, has && newer), "{way} {}", said.who);
        frozen += usize::from(has);
    }
    frozen
}

/// Where the profile says what the vehicle's own frames mean, CAN alone decides what happens while the network is awake.
#[test]
fn frames_that_go_out_by_themselves_are_enough_for_a_drive() {
    let profile = Arc::new(load_builtin("courier-van").unwrap());
    for seed in seeds() {
        for (scenario, decay) in [("tight", Verdict::Pass), ("leak-0.70", Verdict::Fail)] {
            let bench = Day::bench(scenario, seed, false);
            for way in ["via=can", "via=slcan"] {
                let day = Day::over(&format!("sim:{scenario},seed={seed},{way}"), &profile);
                for test in [Test::PurgeResponse, Test::VacuumDecay, Test::SwitchCircuit] {
                    let (wants, has) = (bench.findings.summary[&test], day.findings.summary[&test]);
                    assert!(
                        !decided(has) || has == wants,
                        "{scenario} {seed} {way}, {}: {wants:?} {has:?}",
                        test.name()
                    );
                }
                if seed == 1 {
                    assert_eq!(day.findings.summary[&Test::PurgeResponse], Verdict::Pass);
                    assert_eq!(day.findings.summary[&Test::VacuumDecay], decay);
                }
                // The network sleeps at night.
                assert!(!decided(day.findings.summary[&Test::KeyOffSoak]));
            }
        }
    }
}

/// A fault on the way may leave a test undecided, and never turns a verdict round.
#[test]
fn a_fault_on_the_way_never_turns_a_verdict_round() {
    let van = Arc::new(load_builtin("courier-van").unwrap());
    for seed in seeds() {
        for fault in [
            "silent",
            "slow",
            "pending",
            "wrong-length",
            "interleaved",
            "lost",
            "errors",
            "garbage",
            "slow+lost+garbage",
        ] {
            for (way, profile) in [("via=can", van.clone()), ("via=adapter", profile("leak-0.70"))] {
                let day = Day::over(&format!("sim:leak-0.70,seed={seed},{way},faults={fault}"), &profile);
                assert!(day.asked().iter().all(|q| may_leave(&q.1)), "{fault} {way}");
                for test in tests() {
                    let has = day.findings.summary[test];
                    let right = allowed("leak-0.70", *test, false).unwrap();
                    assert!(!decided(has) || right.contains(&has), "{fault} {way}, {}: {has:?}", test.name());
                }
            }
        }
    }
}

/// Between the poller's word that it falls silent and the morning nothing is sent, and the network sleeps: no frame comes.
#[test]
fn a_parked_vehicle_is_left_to_sleep() {
    for way in ["via=can", "via=slcan", "via=can,bus=j1979-2", "via=adapter"] {
        let day = Day::over(&format!("sim:tight,{way}"), &profile("tight"));
        let silent = day.records.iter().find(|r| {
            matches!(&r.body, Body::Event(Event::Asking { detail }) if detail.starts_with("listens only"))
                && r.at.secs() > 1_000.0
        });
        let silent = silent.expect("it falls silent").at;
        let (parked, morning, _) = soakwatch::sim::Player::new("tight", 1, true).unwrap().timetable();
        // Within two minutes of key-off: `bus.key_off_pause_s` and its kin. Through a text adapter neither key nor sleep is
        // seen, and the questions that look for an engine that runs again wake these controllers: some more, ever more seldom,
        // and none after `bus.rest_most_s`.
        let (most, looks) = if way == "via=adapter" { (1_980.0, 16) } else { (120.0, 0) };
        assert!((parked..parked + most).contains(&silent.secs()), "{way}: {}", silent.secs());
        let late = |at: f64| (parked + 120.0..=silent.secs()).contains(&at);
        let late = day.asked().iter().filter(|q| late(q.0.secs())).count();
        assert!(late <= looks, "{way}: {late} questions");
        let night = |at: f64| at > silent.secs() && at < morning - 0.5;
        let asked = day.asked().iter().filter(|q| night(q.0.secs())).count();
        // What the network still says before it sleeps may come for some seconds. A text adapter tells its supply by night
        // too, which reaches no controller.
        let heard = |r: &&soakwatch::record::Record| {
            let frames = matches!(&r.body, Body::Can(_)) || matches!(&r.body, Body::Bytes(_)) && way != "via=adapter";
            frames && night(r.at.secs()) && r.at.secs() > silent.secs() + 10.0
        };
        assert_eq!((asked, day.records.iter().filter(heard).count()), (0, 0), "{way}");
        let again = day.asked().iter().filter(|q| q.0.secs() > morning).count();
        assert!(again > 500, "{way}: it wakes with the vehicle: {again}");
    }
}
