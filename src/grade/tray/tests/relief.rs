//! Reliefs, and what must not be taken for one.

use super::super::relief::Relief;
use super::trial::{Do, Trial, Valve, number};
use crate::grade::draft::Draft;
use crate::trade::Verdict;

const SNAPS: [Option<Valve>; 2] = [
    Some(Valve { opens_pa: 280.0, shuts_pa: 245.0, mm: 2.0, floats: false }),
    Some(Valve { opens_pa: 1200.0, shuts_pa: 1060.0, mm: 2.0, floats: false }),
];
const BOTH: &[Do] = &[
    Do::Open(4.0),
    Do::On(60.0, 12.0),
    Do::Rest(5.0),
    Do::Open(3.0),
    Do::On(-150.0, 16.0),
    Do::Rest(5.0),
    Do::Open(3.0),
];

/// The plunger goes to each gauge pressure (Pa) at its rate (Pa/s), rests there so many seconds, and the bleed opens.
fn rests(rest_s: f64, at: &[(f64, f64)]) -> Vec<Do> {
    let each = at.iter().flat_map(|&(pa, pa_s)| [Do::To(pa, pa_s), Do::Rest(rest_s), Do::Open(3.0)]);
    std::iter::once(Do::Open(4.0)).chain(each).collect()
}

fn relief(trial: &Trial, script: &[&[Do]]) -> Draft {
    let drafts = trial.run::<Relief>(script);
    for d in &drafts {
        println!("{:?} {:?}\n  next: {}", d.finding.verdict, d.finding.reasons, d.finding.next);
    }
    drafts.into_iter().next().unwrap()
}

#[test]
fn reliefs_that_snap_are_read_on_both_sides() {
    for seed in 1..4 {
        for noise_pa in [0.5, 1.2, 2.0] {
            let d = relief(&Trial { reliefs: SNAPS, seed, noise_pa, ..Trial::default() }, &[BOTH]);
            assert_eq!(d.finding.verdict, Verdict::Pass, "{d:#?}");
            assert!((number(&d, "pressure_opens_pa") - 280.0).abs() < 12.0, "{d:#?}");
            assert!((number(&d, "pressure_shuts_pa") - 245.0).abs() < 15.0, "{d:#?}");
            assert!((number(&d, "vacuum_opens_pa") - 1200.0).abs() < 25.0, "{d:#?}");
        }
    }
}

#[test]
fn reliefs_outside_their_limits_fail() {
    let low = [Some(Valve { opens_pa: 60.0, shuts_pa: 46.0, mm: 2.0, floats: false }), SNAPS[1]];
    let d = relief(&Trial { reliefs: low, ..Trial::default() }, &[BOTH]);
    assert_eq!(d.finding.verdict, Verdict::Fail);
    assert!(d.finding.reasons[0].contains("pressure relief opens at"), "{d:#?}");
    let vacuum_low = [SNAPS[0], Some(Valve { opens_pa: 500.0, shuts_pa: 440.0, mm: 2.0, floats: false })];
    let d = relief(&Trial { reliefs: vacuum_low, ..Trial::default() }, &[BOTH]);
    assert_eq!(d.finding.verdict, Verdict::Fail);
    assert!(d.finding.reasons[0].contains("vacuum relief opens at"), "{d:#?}");
    // Never opens: the gauge goes far beyond.
    let d = relief(
        &Trial { reliefs: [None, SNAPS[1]], ..Trial::default() },
        &[&[Do::Open(4.0), Do::On(100.0, 11.0), Do::Rest(3.0), Do::Open(3.0)]],
    );
    assert_eq!(d.finding.verdict, Verdict::Fail);
    assert!(d.finding.reasons[0].contains("did not open"), "{d:#?}");
}

#[test]
fn a_resting_hand_a_leak_and_a_slow_hand_are_no_relief() {
    let rests = rests(10.0, &[(280.0, 60.0), (280.0, 200.0), (-1200.0, 150.0), (-1200.0, 100.0)]);
    let slow: &[Do] = &[
        Do::Open(4.0),
        Do::On(60.0, 5.0),
        Do::On(1.5, 10.0),
        Do::Open(3.0),
        Do::On(60.0, 5.0),
        Do::On(1.5, 10.0),
        Do::Open(3.0),
    ];
    let pumps: &[Do] = &[
        Do::Open(4.0),
        Do::To(280.0, 100.0),
        Do::To(240.0, 100.0),
        Do::To(280.0, 100.0),
        Do::To(240.0, 100.0),
        Do::To(280.0, 100.0),
        Do::Rest(3.0),
        Do::Open(3.0),
    ];
    for seed in 1..5 {
        for noise_pa in [0.3, 1.2, 6.0] {
            for settling_s in [0.5, 2.0, 6.0] {
                for script in [&rests[..], slow, pumps] {
                    let d = relief(&Trial { seed, noise_pa, settling_s, ..Trial::default() }, &[script]);
                    assert!(!matches!(d.finding.verdict, Verdict::Pass | Verdict::Fail), "{d:#?}");
                    assert_eq!(number(&d, "pressure_openings"), 0.0, "{d:#?}");
                }
                // In balance with the hand within the reliefs' ranges.
                let leaks = Trial { seed, noise_pa, settling_s, hole_mm: 0.45, ..Trial::default() };
                let d = relief(
                    &leaks,
                    &[&[
                        Do::Open(4.0),
                        Do::On(100.0, 20.0),
                        Do::Rest(5.0),
                        Do::Open(3.0),
                        Do::On(-220.0, 20.0),
                        Do::Rest(5.0),
                        Do::Open(3.0),
                    ]],
                );
                assert!(!matches!(d.finding.verdict, Verdict::Pass | Verdict::Fail), "{d:#?}");
                assert_eq!(number(&d, "pressure_openings") + number(&d, "vacuum_openings"), 0.0, "{d:#?}");
            }
        }
    }
}

#[test]
fn a_relief_that_floats_clears_nothing_and_too_low_it_fails() {
    let press: &[Do] = &[
        Do::Open(4.0),
        Do::On(80.0, 8.0),
        Do::Rest(5.0),
        Do::Open(3.0),
        Do::On(100.0, 8.0),
        Do::Rest(5.0),
        Do::Open(3.0),
    ];
    let at = |opens_pa: f64| [Some(Valve { opens_pa, shuts_pa: opens_pa, mm: 2.0, floats: true }), None];
    for seed in 1..5 {
        let d = relief(&Trial { reliefs: at(280.0), seed, ..Trial::default() }, &[press]);
        assert_eq!((d.finding.verdict, d.finding.decided_s), (Verdict::Inconclusive, None), "{d:#?}");
        assert!(d.finding.reasons[0].contains("a relief that floats there, or a hand"), "{d:#?}");
        let d = relief(&Trial { reliefs: at(45.0), seed, ..Trial::default() }, &[press]);
        assert_eq!(d.finding.verdict, Verdict::Fail, "{d:#?}");
        assert!(d.finding.reasons[0].contains("the pressure relief opens at 4"), "{d:#?}");
        // A hand that rests there fails nothing.
        for settling_s in [1.0, 3.0, 8.0] {
            let rests = rests(12.0, &[(45.0, 80.0), (45.0, 50.0)]);
            let d = relief(&Trial { settling_s, seed, ..Trial::default() }, &[&rests]);
            assert!(!matches!(d.finding.verdict, Verdict::Pass | Verdict::Fail), "{d:#?}");
        }
    }
}

#[test]
fn reliefs_not_reached_say_what_to_do() {
    let d =
        relief(&Trial { reliefs: SNAPS, ..Trial::default() }, &[&[Do::Open(4.0), Do::To(60.0, 30.0), Do::Open(3.0)]]);
    assert_eq!((d.finding.verdict, d.finding.start_s), (Verdict::NotRun, None));
    assert!(d.finding.next.contains("press steadily up to 500 Pa"), "{d:#?}");
    // One side alone clears nothing.
    let d = relief(&Trial { reliefs: SNAPS, ..Trial::default() }, &[&BOTH[..4]]);
    assert_eq!(d.finding.verdict, Verdict::Inconclusive);
    assert!(d.finding.next.starts_with("draw steadily"), "{d:#?}");
}

#[test]
fn a_hand_that_rests_is_no_relief_however_late_in_its_settling() {
    let rests = rests(11.0, &[(-560.0, 300.0), (-560.0, 400.0), (300.0, 80.0)]);
    // The trial ends while it still rests.
    let last: &[Do] = &[Do::To(300.0, 40.0), Do::Rest(8.0)];
    for settling_s in [1.0, 2.0, 3.0, 6.0, 10.0] {
        for (noise_pa, step_pa) in [(0.5, 1.0), (1.2, 1.25), (2.0, 2.0), (3.0, 1.0)] {
            let d = relief(&Trial { settling_s, noise_pa, step_pa, ..Trial::default() }, &[&rests, last]);
            assert_eq!(d.finding.decided_s, None, "{settling_s} s, {noise_pa} Pa: {d:#?}");
        }
    }
}
