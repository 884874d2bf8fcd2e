//! The sense line and the shared ground.

use super::*;

fn circuit(rig: Rig) -> Finding {
    rig.finding(ROUND, Test::SwitchCircuit)
}

fn faults(f: &Finding) -> &Evidence {
    f.evidence.get("faults").unwrap_or(&Evidence::Null)
}

#[test]
fn a_sound_circuit_passes_at_any_sampling() {
    for hz in [10.0, 25.0, 50.0, 100.0] {
        let f = circuit(Rig { hz, ..SOUND });
        assert_eq!(f.verdict, Verdict::Pass, "{hz} Hz: {f:#?}");
        // Ohm's law: 3 ohm below 1000 ohm; 10 mV steps of the level are 2 ohm.
        assert!((number(&f, "excess_ohm") - 3.0).abs() < 2.5, "{f:#?}");
        // A bounce of 50 ms cannot be seen at 10 Hz, and that is said.
        assert_eq!(says(&f, "would not be seen"), hz < 20.0);
    }
}

#[test]
fn each_fault_is_called_by_its_name() {
    for (name, rig) in [
        ("contacts", Rig { contact_ohm: 120.0, ..SOUND }),
        // It stands between open and closed.
        ("contacts", Rig { contact_ohm: 900.0, ..SOUND }),
        ("ground", Rig { ground_ohm: 3.0, ..SOUND }),
        ("stuck closed", Rig { stuck: Some(false), ..SOUND }),
        ("chatter", Rig { bounces_s: 0.25, ..SOUND }),
        ("chatter", Rig { chatters: true, ..SOUND }),
    ] {
        let f = circuit(rig);
        assert_eq!(f.verdict, Verdict::Fail, "{name}: {f:#?}");
        assert_eq!(faults(&f), &Evidence::from(name), "{f:#?}");
    }
    let ground = circuit(Rig { ground_ohm: 3.0, ..SOUND });
    // Ohm's law: 0.9 A through 3 ohm.
    assert!((number(&ground, "ground_rise_v") - 2.7).abs() < 0.05, "{ground:#?}");
}

#[test]
fn a_switch_stuck_open_is_told_from_one_that_closes_late() {
    let deep: Vec<Do> =
        (0..4).flat_map(|_| [Open(2.0), To(-700.0, 4.0), Rest(3.0), To(-40.0, 4.0), Open(2.0)]).collect();
    let stuck = Rig { stuck: Some(true), ..SOUND };
    let f = stuck.finding(&deep, Test::SwitchCircuit);
    assert_eq!(faults(&f), &Evidence::from("stuck open"), "{f:#?}");
    let late = Rig { closes: 430.0, reopens: 300.0, ..SOUND };
    let f = late.finding(&deep, Test::SwitchCircuit);
    assert_ne!(f.verdict, Verdict::Fail, "{f:#?}");
    let f = late.finding(&deep, Test::SwitchPoint);
    assert_eq!(f.verdict, Verdict::Fail, "{f:#?}");
}

#[test]
fn the_solenoid_without_vacuum_shows_nothing_of_the_switch() {
    let click: Vec<Do> = (0..4).flat_map(|_| [Open(3.0), Energise(2.0)]).collect();
    let f = SOUND.finding(&click, Test::SwitchCircuit);
    assert_eq!(f.verdict, Verdict::Inconclusive, "{f:#?}");
    assert!(says(&f, crate::timeline::ENERGISED_WITHOUT_VACUUM), "{f:#?}");
    assert!(says(&f, "only a vacuum can show that it closes"), "{f:#?}");
    let g = SOUND.judged(&click);
    assert_eq!(g.summary[&Test::SwitchPoint], Verdict::NotRun);
}
