//! The verdict on the part: fit it, do not fit it, or which stroke to repeat.

use crate::grade::verdict::{Evidence, Finding, Part, PartVerdict};
use crate::profile::Profile;
use crate::trade::{Test, Verdict};
use std::collections::BTreeMap;

/// Evidence of `module_hold`: [`SOUND`] where the positive control was read rightly with this rig today, else what
/// is missing or wrong, in words. The finding's next step then says which control to do.
pub(in crate::grade) const CONTROL: &str = "control";
/// The rig reads the known hole as such and is tight without one.
pub(in crate::grade) const SOUND: &str = "sound";

/// From what the tests found, each on its own.
pub(in crate::grade) fn judge(profile: &Profile, findings: &[Finding], summary: &BTreeMap<Test, Verdict>) -> Part {
    let of = |test: Test| summary.get(&test).copied().unwrap_or(Verdict::NotRun);
    let asked: Vec<Test> = summary.keys().copied().filter(|t| profile.asks.contains(t)).collect();
    // The run that speaks for a test.
    let speaker = |test: Test| {
        let runs = || findings.iter().rev().filter(move |f| f.test == test);
        runs().find(|f| f.standing() == of(test)).or_else(|| runs().next())
    };
    let said = |test: Test| {
        let why = speaker(test).and_then(|f| f.reasons.first().cloned()).unwrap_or_default();
        format!("{}: {}; {why}", test.name(), of(test).word())
    };
    let next = |test: Test| speaker(test).map_or(String::new(), |f| f.next.clone());
    let hold = speaker(Test::ModuleHold);
    let control = match hold.and_then(|f| f.evidence.get(CONTROL)) {
        Some(Evidence::Text(word)) if word == SOUND => None,
        Some(Evidence::Text(why)) => Some(why.clone()),
        _ => Some("the rig has not been shown a known hole yet".to_owned()),
    };
    let failed: Vec<Test> = summary.keys().copied().filter(|t| of(*t) == Verdict::Fail).collect();
    let mut reasons: Vec<String> = failed.iter().map(|t| said(*t)).collect();
    if let Some(why) = control {
        reasons.insert(0, format!("neither cleared nor condemned: {why}"));
        return Part { verdict: PartVerdict::Repeat, reasons, next: next(Test::ModuleHold) };
    }
    if let Some(first) = failed.first() {
        return Part { verdict: PartVerdict::DoNotFit, reasons, next: next(*first) };
    }
    let open: Vec<Test> = asked.iter().copied().filter(|t| of(*t) != Verdict::Pass).collect();
    match open.first() {
        Some(first) => {
            Part { verdict: PartVerdict::Repeat, reasons: open.iter().map(|t| said(*t)).collect(), next: next(*first) }
        }
        None if asked.is_empty() => Part {
            verdict: PartVerdict::Repeat,
            reasons: vec!["the profile asks for no test, so nothing clears the part".to_owned()],
            next: "ask for the tests that the part must pass".to_owned(),
        },
        None => Part {
            verdict: PartVerdict::Fit,
            reasons: asked.iter().map(|t| said(*t)).collect(),
            next: "none".to_owned(),
        },
    }
}
