//! The vent's solenoid under a held vacuum, and without one.

use super::super::vent_solenoid::VentSolenoid;
use super::trial::{Do, Trial, number, only};
use crate::grade::draft::Draft;
use crate::timeline::Rig;
use crate::trade::Verdict;

const WITH_VACUUM: &[Do] = &[
    Do::Open(4.0),
    Do::To(-500.0, 250.0),
    Do::Rest(4.0),
    Do::Energise(true),
    Do::Rest(3.0),
    Do::Energise(false),
    Do::Rest(2.0),
    Do::Open(3.0),
];
const WITHOUT: &[Do] = &[Do::Open(4.0), Do::Energise(true), Do::Open(3.0), Do::Energise(false), Do::Open(3.0)];

fn vent(trial: &Trial, script: &[&[Do]]) -> Draft {
    let d = only(trial.run::<VentSolenoid>(script));
    println!("{:?} {:?}\n  next: {} {:?}", d.finding.verdict, d.finding.reasons, d.finding.next, d.finding.evidence);
    d
}

#[test]
fn a_sound_vent_lets_a_held_vacuum_out_when_energised() {
    for seed in 1..6 {
        for lag_s in [0.005, 0.015, 0.025] {
            let d = vent(&Trial { seed, lag_s, ..Trial::default() }, &[WITH_VACUUM, WITHOUT]);
            assert_eq!(d.finding.verdict, Verdict::Pass, "{d:#?}");
            assert!(number(&d, "open_path_at_least_mm") <= 6.0);
        }
    }
}

#[test]
fn a_restricted_vent_is_told_by_the_time_of_the_collapse() {
    for seed in 1..6 {
        for lag_s in [0.005, 0.025] {
            for settling_s in [1.0, 6.0] {
                let d = vent(&Trial { vent_mm: 1.5, seed, lag_s, settling_s, ..Trial::default() }, &[WITH_VACUUM]);
                assert_eq!(d.finding.verdict, Verdict::Fail, "{d:#?}");
                assert!(d.finding.reasons[0].contains("restricted"));
                let (low, high) = (number(&d, "open_path_at_least_mm"), number(&d, "open_path_at_most_mm"));
                assert!(low <= 1.5 && 1.5 <= high, "{low} to {high}");
            }
        }
    }
}

#[test]
fn faults_of_the_solenoid_are_named() {
    let d = vent(&Trial { vent_mm: 0.0, ..Trial::default() }, &[WITH_VACUUM]);
    assert_eq!(d.finding.verdict, Verdict::Fail);
    assert!(d.finding.reasons[0].contains("the valve does not move"), "{d:#?}");
    let open = vent(&Trial { vent_mm: 0.0, pull_in_a: 0.0, hold_a: 0.0, ..Trial::default() }, &[WITH_VACUUM]);
    assert!(open.finding.verdict == Verdict::Fail && open.finding.reasons[0].contains("open coil"), "{open:#?}");
    let short = vent(&Trial { pull_in_a: 6.0, hold_a: 0.7, ..Trial::default() }, &[WITH_VACUUM]);
    assert!(short.finding.verdict == Verdict::Fail && short.finding.reasons[0].contains("shorted turns"), "{short:#?}");
}

/// With the vent-side port plugged; then the plug is pulled.
const PLUGGED: &[Do] =
    &[Do::Put(Rig::VentPlugged), Do::To(-520.0, 300.0), Do::Rest(4.0), Do::Unplug, Do::Rest(4.0), Do::Open(2.0)];

/// The same from less vacuum, held for longer.
const PLUGGED_LESS: &[Do] =
    &[Do::Put(Rig::VentPlugged), Do::To(-450.0, 300.0), Do::Rest(1.5), Do::Unplug, Do::Rest(11.0), Do::Open(2.0)];

#[test]
fn a_vent_that_never_seals_is_told_by_a_plug_in_its_port() {
    let open = Trial { vent_stands_open: true, ..Trial::default() };
    let unknown = vent(&open, &[WITH_VACUUM]);
    assert_eq!(unknown.finding.verdict, Verdict::Inconclusive);
    assert!(unknown.finding.next.contains("vent plugged"), "the stroke that tells: {unknown:#?}");
    let once = vent(&open, &[WITH_VACUUM, PLUGGED]);
    assert_eq!(once.finding.verdict, Verdict::Inconclusive, "once may be a slip of the hand: {once:#?}");
    for seed in 1..4 {
        let d = vent(&Trial { seed, ..open.clone() }, &[WITH_VACUUM, PLUGGED, PLUGGED]);
        assert_eq!(d.finding.verdict, Verdict::Fail, "{d:#?}");
        assert!(d.finding.reasons[0].contains("the vent valve does not seal"));
        assert!((2.0..=6.0).contains(&number(&d, "unplugged_path_at_least_mm")));
    }
    // A vacuum that stands without the plug clears the valve, whatever was opened by hand.
    let sound = vent(&Trial::default(), &[PLUGGED, PLUGGED, WITH_VACUUM]);
    assert_eq!(sound.finding.verdict, Verdict::Pass, "{sound:#?}");
    // A torn diaphragm lets nothing stand behind the plug either.
    let torn = vent(&Trial { hole_mm: 1.5, ..Trial::default() }, &[WITH_VACUUM, PLUGGED, PLUGGED]);
    assert_eq!(torn.finding.verdict, Verdict::Inconclusive, "{torn:#?}");
    // One so small that a vacuum stands for a moment is gone soon after the plug is pulled, and not by the vent. The
    // bottle of 2 L leaks through 0.3 mm from 520 Pa to a tenth in about 11 s, from 350 Pa in 9 s (isothermal orifice law).
    for hole_mm in [0.26, 0.28, 0.30, 0.32, 0.36] {
        for seed in 1..3 {
            let d = vent(&Trial { hole_mm, seed, ..Trial::default() }, &[PLUGGED_LESS, PLUGGED_LESS]);
            assert_ne!(d.finding.verdict, Verdict::Fail, "{hole_mm} mm: {d:#?}");
        }
    }
}

#[test]
fn energising_without_vacuum_is_said_to_show_nothing() {
    let d = vent(&Trial::default(), &[WITHOUT, WITHOUT]);
    assert_eq!((d.finding.verdict, d.finding.decided_s), (Verdict::Inconclusive, None));
    assert_eq!(number(&d, "energised_without_vacuum"), 2.0);
    assert!(
        d.finding
            .reasons
            .iter()
            .any(|r| r.contains("energising the solenoid without vacuum says nothing about the switch")),
        "{d:#?}"
    );
    // A module that leaks so much that nothing stood shows no more.
    let leaks = vent(&Trial { hole_mm: 0.9, ..Trial::default() }, &[WITH_VACUUM]);
    assert_eq!(leaks.finding.verdict, Verdict::Inconclusive, "{leaks:#?}");
}
