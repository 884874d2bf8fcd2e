//! The jury: what one test says about another. No test queries another; this table alone joins them.

use super::draft::Draft;
use super::start_vent::BIAS_RETURNED;
use super::verdict::{Counts, Evidence, Finding};
use super::{BELIEF, VOIDED_BY};
use crate::time::Stamp;
use crate::trade::{Test, Verdict};
use std::collections::BTreeMap;

/// Applies the table to all drafts, in the order of the tests and of time. Across a repair a decay says nothing of a
/// soak.
pub fn deliberate(drafts: Vec<Draft>, repairs: &[Stamp]) -> Vec<Finding> {
    let circuits: Vec<Finding> = drafts
        .iter()
        .map(|d| &d.finding)
        .filter(|f| f.test == Test::SwitchCircuit && f.verdict == Verdict::Fail)
        .cloned()
        .collect();
    let returned: Vec<Finding> = drafts
        .iter()
        .map(|d| &d.finding)
        .filter(|f| f.test == Test::StartVent && f.evidence.contains_key(BIAS_RETURNED))
        .cloned()
        .collect();
    let decays: Vec<Finding> = drafts
        .iter()
        .map(|d| &d.finding)
        .filter(|f| f.test == Test::VacuumDecay && leans_to_leak(f))
        .cloned()
        .collect();
    drafts
        .into_iter()
        .map(|d| {
            let mut f = d.finding;
            if f.test == Test::KeyOffSoak && f.verdict == Verdict::Pass {
                // Over such a hole no switch closes: it was no vacuum, or a hole that opens only under more of it. A
                // pressure that stood above the outside air shows no such hole either.
                let against = |v: &&Finding| {
                    same_day(&f, v) && !repaired(&f, v, repairs) && (d.rests_on_switch || v.verdict == Verdict::Fail)
                };
                if let Some(v) = decays.iter().find(against) {
                    let how = match d.rests_on_switch {
                        true => "it looks like a hole over which the switch could not have closed; a line without bias, a sticking switch, or a hole that opens only under vacuum",
                        false => "it found a hole that the pressure of this soak did not show: one that opens only under vacuum, or that came later",
                    };
                    f.withdrawn_by = Some(format!("vacuum_decay at {:.1} s: {how}", v.start_s.map_or(0.0, |s| s.0)));
                }
            }
            if d.rests_on_switch && f.test == Test::KeyOffSoak && f.verdict == Verdict::Pass {
                for v in &returned {
                    // The start that ended this soak.
                    if let (Some(end), Some(start)) = (f.end_s, v.start_s)
                        && (start.0 - end.0).abs() < 60.0
                    {
                        f.withdrawn_by.get_or_insert_with(|| {
                            format!("start_vent at {:.1} s: the switch opened before the vent did, so what closed it was a line without bias", start.0)
                        });
                    }
                }
            }
            if d.rests_on_switch && f.test != Test::SwitchCircuit && f.verdict != Verdict::NotRun {
                for c in &circuits {
                    if overlaps(&f, c) {
                        void(&mut f, c);
                    }
                }
            }
            f
        })
        .collect()
}

/// A decay that failed, or that more likely than not saw a leak.
fn leans_to_leak(f: &Finding) -> bool {
    let belief = match f.evidence.get(BELIEF) {
        Some(Evidence::Num(p)) => p.0,
        _ => 0.0,
    };
    f.withdrawn_by.is_none() && (f.verdict == Verdict::Fail || belief > 0.5)
}

/// Within a day of each other, whichever came first.
fn same_day(a: &Finding, b: &Finding) -> bool {
    match (a.end_s, b.start_s) {
        (Some(a), Some(b)) => (a.0 - b.0).abs() < 86_400.0,
        _ => false,
    }
}

/// A repair lies between the two.
fn repaired(a: &Finding, b: &Finding, repairs: &[Stamp]) -> bool {
    let (Some(a), Some(b)) = (a.start_s, b.start_s) else { return false };
    repairs.iter().any(|r| (a.0.min(b.0)..=a.0.max(b.0)).contains(&r.secs()))
}

/// A failed switch circuit voids what rests on the switch.
fn void(f: &mut Finding, circuit: &Finding) {
    let what = circuit.reasons.first().map_or("the switch circuit failed", String::as_str);
    match (f.decided_s, circuit.decided_s) {
        (Some(decided), Some(found)) if decided < found => {
            f.withdrawn_by.get_or_insert_with(|| format!("switch_circuit at {:.1} s: {what}", found.0));
        }
        _ => {
            f.verdict = Verdict::Inconclusive;
            f.decided_s = None;
            f.reasons.insert(0, format!("the switch cannot be trusted: {what}"));
        }
    }
    f.leak_mm = None;
    f.evidence.insert(VOIDED_BY.to_owned(), Test::SwitchCircuit.name().into());
    f.next = format!("repair the switch circuit first ({}), then repeat", circuit.next);
}

fn overlaps(f: &Finding, c: &Finding) -> bool {
    match (f.start_s, f.end_s, c.start_s, c.end_s) {
        (Some(a), Some(b), Some(x), Some(y)) => a.0 <= y.0 && x.0 <= b.0,
        _ => false,
    }
}

/// One verdict for each of these tests: that on which all decided runs agree.
pub fn summary(findings: &mut [Finding], tests: &[Test], repairs: &[Stamp]) -> BTreeMap<Test, Verdict> {
    let mut out = BTreeMap::new();
    for &test in tests {
        let mut said: Option<(Verdict, f64)> = None;
        let mut disagree = false;
        let mut ran = false;
        for f in findings.iter().filter(|f| f.test == test) {
            let verdict = f.standing();
            ran |= verdict != Verdict::NotRun;
            if !verdict.is_decided() {
                continue;
            }
            let at = f.start_s.map_or(0.0, |s| s.0);
            if let Some((before, when)) = said
                && before != verdict
            {
                let repaired = repairs.iter().any(|r| r.secs() > when && r.secs() <= at);
                disagree = !repaired;
            }
            said = Some((verdict, at));
        }
        let verdict = match said {
            Some(_) if disagree => Verdict::Inconclusive,
            Some((v, _)) => v,
            None if ran => Verdict::Inconclusive,
            None => Verdict::NotRun,
        };
        if disagree && let Some(f) = findings.iter_mut().rev().find(|f| f.test == test) {
            f.reasons.push("the runs of this test disagree, and no repair was noted between them".into());
        }
        out.insert(test, verdict);
    }
    out
}

/// How often each verdict stands.
pub fn counts(findings: &[Finding]) -> BTreeMap<Test, Counts> {
    let mut out = BTreeMap::new();
    for f in findings {
        let c: &mut Counts = out.entry(f.test).or_default();
        match f.standing() {
            Verdict::Pass => c.pass += 1,
            Verdict::Fail => c.fail += 1,
            Verdict::Inconclusive => c.inconclusive += 1,
            Verdict::NotRun => c.not_run += 1,
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(test: Test, verdict: Verdict, start: f64, end: f64, decided: f64) -> Draft {
        let s = Stamp::from_secs;
        let mut d = Draft::run(test, String::new(), s(start), s(end));
        d.decide(verdict, s(decided));
        d
    }

    #[test]
    fn a_failed_circuit_withdraws_an_earlier_verdict_and_voids_a_later_one() {
        let mut early = finding(Test::KeyOffSoak, Verdict::Pass, 0.0, 100.0, 50.0);
        let mut late = finding(Test::VacuumDecay, Verdict::Fail, 200.0, 300.0, 250.0);
        early.rests_on_switch = true;
        late.rests_on_switch = true;
        let tapped = finding(Test::VacuumDecay, Verdict::Fail, 200.0, 300.0, 250.0);
        let circuit = finding(Test::SwitchCircuit, Verdict::Fail, 0.0, 400.0, 200.0);
        let f = deliberate(vec![early, late, tapped, circuit], &[]);
        assert_eq!((f[0].verdict, f[0].standing()), (Verdict::Pass, Verdict::Inconclusive));
        assert!(f[0].withdrawn_by.is_some());
        assert_eq!((f[1].verdict, f[1].decided_s), (Verdict::Inconclusive, None));
        assert_eq!(f[2].verdict, Verdict::Fail, "what rests on the pressure tap stands");
    }

    #[test]
    fn a_decay_that_failed_withdraws_a_soak_s_pass_unless_a_repair_lies_between() {
        let soak = || finding(Test::KeyOffSoak, Verdict::Pass, 0.0, 100.0, 50.0);
        let decay = |v| finding(Test::VacuumDecay, v, 200.0, 300.0, 250.0);
        let standing = |v, repairs: &[Stamp]| deliberate(vec![soak(), decay(v)], repairs)[0].standing();
        assert_eq!(standing(Verdict::Fail, &[]), Verdict::Inconclusive);
        assert_eq!(standing(Verdict::Pass, &[]), Verdict::Pass);
        assert_eq!(standing(Verdict::Inconclusive, &[]), Verdict::Pass);
        assert_eq!(standing(Verdict::Fail, &[Stamp::from_secs(150.0)]), Verdict::Pass);
        assert_eq!(standing(Verdict::Fail, &[Stamp::from_secs(350.0)]), Verdict::Inconclusive);
    }

    #[test]
    fn runs_that_disagree_are_inconclusive_unless_a_repair_lies_between() {
        let runs = vec![
            finding(Test::VacuumDecay, Verdict::Fail, 0.0, 10.0, 5.0),
            finding(Test::VacuumDecay, Verdict::Pass, 100.0, 110.0, 105.0),
        ];
        let mut f = deliberate(runs, &[]);
        let tests = [Test::VacuumDecay, Test::Relief];
        assert_eq!(summary(&mut f, &tests, &[])[&Test::VacuumDecay], Verdict::Inconclusive);
        assert_eq!(summary(&mut f, &tests, &[Stamp::from_secs(50.0)])[&Test::VacuumDecay], Verdict::Pass);
        assert_eq!(summary(&mut f, &tests, &[])[&Test::Relief], Verdict::NotRun);
    }
}
