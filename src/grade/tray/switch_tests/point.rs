//! Where the switch turns: given against true.

use super::*;

fn point(rig: Rig, script: &[Do]) -> Finding {
    rig.finding(script, Test::SwitchPoint)
}

/// The points lie within the stated interval as often as it promises, whatever the sampling, noise and lag, and the
/// transducer's errors as the profile allows them.
#[test]
fn points_lie_within_the_combined_uncertainty() {
    let set = load_builtin("module-on-the-tray").unwrap().set.tray;
    let (mut outside, mut all, mut widest, mut sum) = (0, 0, 0.0f64, 0.0);
    let mut rng = Pcg64Mcg::seed_from_u64(7);
    let mut even = |low: f64, high: f64| low + (high - low) * f64::from(rng.next_u32()) / 4_294_967_296.0;
    for seed in 0..24 {
        // 90 % half-widths: a normal's standard deviation is smaller by 1.645. Drawn here as a triangle of that spread.
        let mut error = |half: f64| (even(-1.0, 1.0) + even(-1.0, 1.0)) * half / 1.645 * 1.2247;
        let (gain, zero_left) = (1.0 + error(set.transducer_error_pct * 0.01), error(set.transducer_zero_pa));
        let hz = [10.0, 25.0, 50.0, 100.0][seed % 4];
        let lag = even(set.lag_low_s, set.lag_high_s);
        let (closes, reopens) = (even(215.0, 285.0), even(115.0, 180.0));
        let rig = Rig {
            hz,
            lag,
            gain,
            closes,
            reopens,
            noise: even(1.0, 5.0),
            zero: even(-20.0, 20.0),
            seed: seed as u64,
            ..SOUND
        };
        // What is left of the zero's error works like another point.
        let f = point(Rig { closes: closes + zero_left, reopens: reopens + zero_left, ..rig }, ROUND);
        assert_ne!(f.verdict, Verdict::Fail, "{hz} Hz, true {closes:.0} and {reopens:.0}: {f:#?}");
        for (name, truth) in [("closes", closes), ("reopens", reopens)] {
            let (given, half) = (number(&f, &format!("{name}_pa")), number(&f, &format!("{name}_half_pa")));
            all += 1;
            outside += u32::from((given - truth).abs() > half);
            widest = widest.max(half);
            sum += half;
            if std::env::var("TABLE").is_ok() {
                println!(
                    "{hz:4} Hz lag {lag:.3} {name:8} true {truth:6.1} given {given:6.1} ± {half:4.1} {}",
                    f.verdict.word()
                );
            }
        }
    }
    // One in ten may: five of 48, and more than eleven by less than one chance in a hundred (binomial).
    assert!(outside <= 11, "{outside} of {all} outside");
    assert!(sum / f64::from(all) < 9.0 && widest < 25.0, "wide: mean {:.1}, widest {widest:.1}", sum / f64::from(all));
}

#[test]
fn a_point_off_its_limits_fails_one_near_them_is_not_decided() {
    for (closes, reopens, wanted) in [
        (250.0, 150.0, Verdict::Pass),
        (220.0, 120.0, Verdict::Pass),
        (340.0, 150.0, Verdict::Fail),
        (170.0, 120.0, Verdict::Fail),
        (250.0, 70.0, Verdict::Fail),
        (300.0, 150.0, Verdict::Inconclusive),
        (250.0, 201.0, Verdict::Inconclusive),
    ] {
        let f = point(Rig { closes, reopens, ..SOUND }, ROUND);
        assert_eq!(f.verdict, wanted, "{closes} and {reopens}: {f:#?}");
        assert!(!f.next.is_empty());
    }
    let late = point(Rig { closes: 340.0, ..SOUND }, ROUND);
    assert!(says(&late, "it closes at") && late.evidence["outside"] == Evidence::from("closes"), "{late:#?}");
}

#[test]
fn hysteresis_repeatability_and_drift_are_judged_each() {
    let narrow = point(Rig { closes: 205.0, reopens: 196.0, ..SOUND }, ROUND);
    assert_ne!(narrow.verdict, Verdict::Pass, "{narrow:#?}");
    let wanders = point(Rig { wanders: 45.0, seed: 3, ..SOUND }, ROUND);
    assert_eq!(wanders.evidence["outside"], Evidence::from("repeats"), "{wanders:#?}");
    // 0.35 s of 60 to 300 Pa/s.
    let drags = point(Rig { closes: 200.0, drags: 0.35, ..SOUND }, ROUND);
    assert!(drags.verdict == Verdict::Fail && says(&drags, "from slow to quick"), "{drags:#?}");
    assert!(number(&drags, "drift_pa") > 40.0);
}

#[test]
fn too_few_too_quick_or_too_even_strokes_do_not_decide() {
    let few = point(SOUND, &ROUND[..8]);
    assert!(few.verdict == Verdict::Inconclusive && says(&few, "of 3 closings"), "{few:#?}");

    let quick: Vec<Do> = (0..5).flat_map(|_| [Open(2.0), To(-600.0, 0.35), Rest(2.0), Open(2.0)]).collect();
    let quick = point(SOUND, &quick);
    assert!(quick.verdict != Verdict::Fail && number(&quick, "too_quick") >= 5.0, "{quick:#?}");

    let even: Vec<Do> =
        (0..5).flat_map(|_| [Open(2.0), To(-400.0, 5.0), Rest(2.0), To(-30.0, 5.0), Open(2.0)]).collect();
    let even = point(SOUND, &even);
    assert!(even.verdict == Verdict::Inconclusive && says(&even, "equally quick"), "{even:#?}");
}

#[test]
fn what_sits_elsewhere_is_not_judged() {
    // Draws on the plug and on the known hole, the module lying beside the rig: its switch stays open, of course.
    let control = [Note("sealed"), Open(2.0), To(-900.0, 3.0), Rest(4.0), Open(2.0), Note("orifice 0.5 mm"), Open(2.0)];
    let mut script: Vec<Do> = control.repeat(4);
    let f = point(SOUND, &script);
    assert_eq!(f.verdict, Verdict::NotRun, "{f:#?}");
    script.push(Note("module"));
    script.extend(ROUND);
    let f = point(SOUND, &script);
    assert_eq!(f.verdict, Verdict::Pass, "{f:#?}");
}

#[test]
fn a_switch_that_never_closes_in_reach_fails() {
    let late = point(Rig { closes: 2000.0, reopens: 1500.0, ..SOUND }, ROUND);
    assert!(late.verdict == Verdict::Fail && says(&late, "stayed open"), "{late:#?}");
}
