use super::super::draft::Draft;
use super::super::verdict::Evidence;
use super::super::{BELIEF, BELIEF_LARGE, BY, FAULTS, PRIOR_LARGE, SWITCH_WAS, VOIDED_BY};
use super::*;
use crate::profile::load_builtin;

fn finding(test: Test, verdict: Verdict, evidence: &[(&str, Evidence)]) -> Finding {
    let mut d = Draft::run(test, String::new(), Stamp::from_secs(10.0), Stamp::from_secs(20.0));
    d.finding.verdict = verdict;
    evidence.iter().for_each(|(name, value)| d.note(name, value.clone()));
    d.finding
}

fn decay(verdict: Verdict, belief: f64, large: f64) -> Finding {
    let evidence =
        [(BY, "pressure".into()), (BELIEF, belief.into()), (BELIEF_LARGE, large.into()), (PRIOR_LARGE, 0.36.into())];
    finding(Test::VacuumDecay, verdict, &evidence)
}

fn purge(verdict: Verdict, deepest_pa: f64) -> Finding {
    let evidence = [(BY, "pressure".into()), ("deepest_pa", deepest_pa.into())];
    finding(Test::PurgeResponse, verdict, &evidence)
}

fn of(findings: &[Finding]) -> Causes {
    judge(&load_builtin("switch-module").unwrap(), findings, &[])
}

fn p(c: &Causes, cause: Cause) -> f64 {
    c.probabilities.iter().find(|p| p.cause == cause).unwrap().p.0
}

#[test]
fn every_row_of_every_table_adds_up_and_says_why() {
    let (states, _) = state::states(true);
    for table in table::ALL {
        assert!(table.rows.iter().all(|r| !r.why.is_empty() && !r.source.is_empty()));
        for row in table.rows {
            assert_eq!(row.p.len(), table.outcomes.len(), "{:?}", table.outcomes);
            assert!((row.p.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{:?}: {:?}", table.outcomes, row.p);
            assert!(row.p.iter().all(|p| *p > 0.0), "nothing is held for impossible: {:?}", row.p);
        }
        // The last row holds for all, and none stands behind one that takes everything from it.
        let last = &table.rows[table.rows.len() - 1];
        assert!(states.iter().all(|s| (last.when)(s)));
        assert!(
            table.rows.iter().all(|r| states.iter().any(|s| std::ptr::eq(table.row(s), r))),
            "{:?}",
            table.outcomes
        );
    }
    for (test, outcomes) in next::tables(&states) {
        for i in 0..states.len() {
            let sum: f64 = outcomes.iter().map(|o| o[i]).sum();
            assert!((sum - 1.0).abs() < 1e-9, "{test} in {:?}: {sum}", states[i]);
        }
    }
}

#[test]
fn with_nothing_seen_the_prior_stands_and_says_so() {
    let nothing = of(&[Draft::not_run(Test::VacuumDecay, String::new(), vec![], "").finding]);
    assert!(!nothing.moved() && nothing.prior.starts_with("nothing moved it yet"));
    for cause in Cause::ALL {
        assert!(cause == Cause::Sound || (p(&nothing, cause) - cause.prior()).abs() < 1e-12);
    }
    // Four parts, each sound for itself.
    let sound = (1.0 - 0.18) * (1.0 - 0.09) * (1.0 - 0.07) * (1.0 - 0.05);
    assert!((p(&nothing, Cause::Sound) - sound).abs() < 1e-12);
    assert_eq!(nothing.probabilities[0].cause, Cause::Sound);
    // What cannot tell moves nothing either.
    assert!(!of(&[finding(Test::SwitchCircuit, Verdict::Inconclusive, &[])]).moved());
}

#[test]
fn one_decay_by_hand() {
    // Of a tight tank and a small hole alone, with the table's 0.985 and 0.005 to look tight, 0.004 and 0.96 to look
    // like a small leak: belief 0.9 in a small leak, prior 0.5 tight and 0.14 small.
    // tight: 0.985·0.2 + 0.004·(0.9/0.14) = 0.2227; small: 0.005·0.2 + 0.96·(0.9/0.14) = 6.1724.
    let c = of(&[decay(Verdict::Inconclusive, 0.9, 0.0)]);
    let (states, prior) = state::states(true);
    let only = |hole| {
        let is = |s: &&state::State| s.hole == hole && s.faults() <= 1;
        states.iter().position(|s| is(&s) && (s.faults() == 0 || hole != state::Hole::Tight)).unwrap()
    };
    let (tight, small) = (only(state::Hole::Tight), only(state::Hole::Small));
    let ratio = prior[small] * 6.1724 / (prior[tight] * 0.2227);
    let heard =
        heard::all(&load_builtin("switch-module").unwrap(), &[&decay(Verdict::Inconclusive, 0.9, 0.0)], &states);
    let after = posterior(&prior, &[&heard[0].likelihood]);
    assert!((after[small] / after[tight] / ratio - 1.0).abs() < 1e-3, "{} {ratio}", after[small] / after[tight]);
    let by = c.moved_by.iter().find(|m| m.cause == Cause::SmallLeak).unwrap();
    assert!(by.test == Test::VacuumDecay && by.log_odds.0 > 2.0 && by.words.starts_with("raised"), "{by:?}");
}

#[test]
fn leaks_are_named_by_the_decay_s_own_belief() {
    let purge = || purge(Verdict::Pass, -600.0);
    let small = of(&[purge(), decay(Verdict::Fail, 0.999, 0.02)]);
    let large = of(&[purge(), decay(Verdict::Fail, 0.999, 0.98)]);
    let tight = of(&[purge(), decay(Verdict::Pass, 0.002, 0.0)]);
    assert_eq!(small.probabilities[0].cause, Cause::SmallLeak);
    assert_eq!(large.probabilities[0].cause, Cause::LargeLeakOrCapOff);
    assert_eq!(tight.probabilities[0].cause, Cause::Sound);
    assert!(p(&tight, Cause::SmallLeak) < 0.01 && p(&small, Cause::SmallLeak) > 0.8);
    // An undecided belief moves, but less.
    let unsure = of(&[purge(), decay(Verdict::Inconclusive, 0.8, 0.02)]);
    assert!(p(&unsure, Cause::SmallLeak) > p(&of(&[purge()]), Cause::SmallLeak));
    assert!(p(&unsure, Cause::SmallLeak) < p(&small, Cause::SmallLeak));
}

#[test]
fn purge_without_any_vacuum_is_no_small_leak_and_the_night_parts_valve_from_hole() {
    let purge = || purge(Verdict::Fail, -5.0);
    let soak = |belief: f64| {
        let evidence = [(BY, "pressure".into()), (BELIEF, belief.into())];
        finding(Test::KeyOffSoak, if belief < 0.005 { Verdict::Pass } else { Verdict::Inconclusive }, &evidence)
    };
    let alone = of(&[purge()]);
    assert!(p(&alone, Cause::SmallLeak) < Cause::SmallLeak.prior() + 0.02);
    assert_eq!(of(&[purge(), soak(0.001)]).probabilities[0].cause, Cause::NoPurgeFlow);
    let open = of(&[purge(), soak(0.9)]);
    assert!(p(&open, Cause::NoPurgeFlow) < p(&alone, Cause::NoPurgeFlow));
    assert!(p(&open, Cause::LargeLeakOrCapOff) + p(&open, Cause::VentStuckOpen) > 0.6);
}

#[test]
fn an_untrusted_switch_leaves_the_leaks_open_and_says_what_comes_first() {
    let circuit = || {
        let mut f =
            finding(Test::SwitchCircuit, Verdict::Fail, &[(FAULTS, "ground".into()), ("ground_rise_v", 0.8.into())]);
        f.next = "clean the ground".into();
        f
    };
    let mut soak = finding(
        Test::KeyOffSoak,
        Verdict::Inconclusive,
        &[(BY, "switch".into()), (SWITCH_WAS, "closed".into()), (BELIEF, 0.001.into())],
    );
    soak.evidence.insert(VOIDED_BY.into(), "switch_circuit".into());
    let c = of(&[soak, circuit()]);
    assert_eq!(c.probabilities[0].cause, Cause::SharedGroundHigh);
    for leak in [Cause::SmallLeak, Cause::LargeLeakOrCapOff] {
        assert!((p(&c, leak) - leak.prior()).abs() < 1e-9, "{leak:?} stays as open as before");
    }
    assert!(c.repair_first.as_ref().is_some_and(|r| r.contains("clean the ground")), "{:?}", c.repair_first);
    let rests = ["key_off_soak", "vacuum_decay", "purge_response", "start_vent", "pinch_purge_line"];
    assert!(c.next.iter().all(|n| !rests.contains(&n.test)), "{:?}", c.next);
    // With a tap the leak tests need no switch.
    let tapped = of(&[decay(Verdict::Inconclusive, 0.6, 0.3), circuit()]);
    assert!(tapped.next.iter().any(|n| n.test == "vacuum_decay"));
}

#[test]
fn what_was_withdrawn_or_contradicted_or_repaired_moves_nothing() {
    let profile = load_builtin("switch-module").unwrap();
    let mut withdrawn = decay(Verdict::Fail, 0.999, 0.1);
    withdrawn.withdrawn_by = Some("something".into());
    assert!(!of(&[withdrawn]).moved());
    assert!(!of(&[decay(Verdict::Fail, 0.999, 0.1), decay(Verdict::Pass, 0.001, 0.0)]).moved());
    let mut on_purpose = decay(Verdict::Inconclusive, 0.9, 0.1);
    on_purpose.evidence.insert(super::super::KNOWN_LEAK_MM.into(), 0.5.into());
    assert!(!of(&[on_purpose]).moved(), "a known hole in the line is no fault");
    let repaired = judge(&profile, &[decay(Verdict::Fail, 0.999, 0.1)], &[Stamp::from_secs(15.0)]);
    assert!(!repaired.moved(), "it was another vehicle then");
}

#[test]
fn the_next_test_is_one_that_parts_what_is_left() {
    // No vacuum by purge, nothing else known: a hand's vacuum tells hole and vent from the purge valve.
    let c = of(&[purge(Verdict::Fail, -5.0)]);
    assert!(c.next.windows(2).all(|w| w[0].bits.0 >= w[1].bits.0));
    let at = |test: &str| c.next.iter().find(|n| n.test == test).unwrap().bits.0;
    assert!(at("purge_valve_by_hand") > 0.3 && at("vacuum_by_hand") > 0.3, "{:?}", c.next);
    assert!(at("switch_circuit_at_the_plug") < at("purge_valve_by_hand"));
    let choice = c.choice.as_ref().unwrap();
    assert!(choice.why.contains("bit"), "{choice:?}");
    let rate = |n: &NextTest| n.bits.0 / n.minutes;
    let chosen = c.next.iter().find(|n| n.test == choice.test).unwrap();
    assert!(c.next.iter().all(|n| n.bits.0 < 0.25 * c.next[0].bits.0 || rate(n) <= rate(chosen)));
    // A repeat is worth half of the same test done for the first time.
    let (states, prior) = state::states(true);
    let rank = |told: &[Test]| next::rank(&states, &prior, true, true, false, told);
    let bits = |all: Vec<NextTest>| all.iter().find(|n| n.test == "vacuum_decay").unwrap().bits.0;
    assert!((bits(rank(&[Test::VacuumDecay])) / bits(rank(&[])) - 0.5).abs() < 1e-9);
    // A vacuum that grew: the purge line comes into question, and pinching it tells.
    let grew = finding(
        Test::VacuumDecay,
        Verdict::Inconclusive,
        &[(BY, "pressure".into()), (super::super::VACUUM_GREW, 80.0.into())],
    );
    let c = of(&[purge(Verdict::Pass, -500.0), grew]);
    assert_eq!(c.probabilities[0].cause, Cause::PurgeValveSeeps, "{:?}", c.probabilities);
    assert!(c.next.iter().position(|n| n.test == "pinch_purge_line").unwrap() < 3, "{:?}", c.next);
}

#[test]
fn a_vehicle_without_a_module_has_none_of_its_faults() {
    let c = judge(&load_builtin("pressure-sensor").unwrap(), &[], &[]);
    assert_eq!(c.probabilities.len(), 7);
    assert!(c.next.iter().all(|n| !n.test.contains("tray") && !n.test.contains("plug")));
}
