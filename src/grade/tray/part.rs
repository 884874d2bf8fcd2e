//! The verdict on the part: fit it, do not fit it, or which stroke to repeat.

use crate::grade::verdict::{Evidence, Finding, Part, PartVerdict};
use crate::profile::Profile;
use crate::trade::{Subject, Test, Verdict};
use std::collections::BTreeMap;

/// Evidence of `module_hold`: [`SOUND`] where the positive control was read rightly with this rig today, else what
/// is missing or wrong, in words. The finding's next step then says which control to do.
pub(in crate::grade) const CONTROL: &str = "control";
/// The rig reads the known hole as such and is tight without one.
pub(in crate::grade) const SOUND: &str = "sound";

/// From what the tests found, each on its own.
pub(in crate::grade) fn judge(profile: &Profile, findings: &[Finding], summary: &BTreeMap<Test, Verdict>) -> Part {
    let told = Told { findings, summary };
    let failed: Vec<Test> = told.tests().filter(|t| told.verdict(*t) == Verdict::Fail).collect();
    let wanting: Vec<Test> = profile.asks.iter().copied().filter(|t| told.verdict(*t) != Verdict::Pass).collect();
    let words = |tests: &[Test]| tests.iter().map(|t| told.words(*t)).collect::<Vec<_>>();

    let hold = told.speaker(Test::ModuleHold);
    let control = match hold.and_then(|f| f.evidence.get(CONTROL)) {
        Some(Evidence::Text(word)) if word == SOUND => None,
        Some(Evidence::Text(why)) => Some(why.clone()),
        _ => Some("the rig has not been shown a known hole yet".to_owned()),
    };
    if let Some(why) = control {
        let mut reasons = vec![format!("neither cleared nor condemned: {why}")];
        reasons.extend(words(&failed));
        return Part { verdict: PartVerdict::Repeat, reasons, next: told.next(Test::ModuleHold) };
    }
    if let Some(first) = failed.first() {
        return Part { verdict: PartVerdict::DoNotFit, reasons: words(&failed), next: told.next(*first) };
    }
    if let Some(first) = wanting.first() {
        return Part { verdict: PartVerdict::Repeat, reasons: words(&wanting), next: told.next(*first) };
    }
    if profile.asks.is_empty() {
        return Part {
            verdict: PartVerdict::Repeat,
            reasons: vec!["the profile asks for no test, so nothing clears the part".to_owned()],
            next: "name in asks the tests that the part must pass".to_owned(),
        };
    }
    Part { verdict: PartVerdict::Fit, reasons: words(&profile.asks), next: "none".to_owned() }
}

struct Told<'a> {
    findings: &'a [Finding],
    summary: &'a BTreeMap<Test, Verdict>,
}

impl Told<'_> {
    /// Those of the tray, in the order in which they are told.
    fn tests(&self) -> impl Iterator<Item = Test> {
        Test::of(Subject::Module).iter().copied()
    }

    fn verdict(&self, test: Test) -> Verdict {
        self.summary.get(&test).copied().unwrap_or(Verdict::NotRun)
    }

    /// The run that speaks for a test: the last one that says what the summary says.
    fn speaker(&self, test: Test) -> Option<&Finding> {
        let runs = || self.findings.iter().rev().filter(move |f| f.test == test);
        runs().find(|f| f.standing() == self.verdict(test)).or_else(|| runs().next())
    }

    fn words(&self, test: Test) -> String {
        let why = match self.speaker(test) {
            Some(Finding { withdrawn_by: Some(why), .. }) => format!("withdrawn by {why}"),
            Some(f) => f.reasons.first().cloned().unwrap_or_default(),
            None => "it is no test of a module on the tray".to_owned(),
        };
        format!("{}: {}; {why}", test.name(), self.verdict(test).word())
    }

    fn next(&self, test: Test) -> String {
        self.speaker(test).map_or_else(|| format!("leave {} out of asks", test.name()), |f| f.next.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grade::draft::Draft;
    use crate::profile::load;
    use crate::time::Stamp;

    /// One run a test, all passed but those named; the control as told.
    fn part(control: Option<&str>, but: &[(Test, Verdict)], asks: &str) -> Part {
        let profile = load("module-on-the-tray", &[format!("asks={asks}")]).unwrap();
        let mut summary = BTreeMap::new();
        let findings: Vec<Finding> = Test::of(Subject::Module)
            .iter()
            .map(|&test| {
                let verdict = but.iter().find(|b| b.0 == test).map_or(Verdict::Pass, |b| b.1);
                summary.insert(test, verdict);
                let mut d = Draft::run(test, String::new(), Stamp::ZERO, Stamp::from_secs(9.0));
                d.decide(verdict, Stamp::from_secs(9.0));
                d.because(format!("why {}", test.name()));
                d.next(format!("next of {}", test.name()));
                if let Some(said) = control.filter(|_| test == Test::ModuleHold) {
                    d.note(CONTROL, said);
                }
                d.finding
            })
            .collect();
        judge(&profile, &findings, &summary)
    }

    const ALL: &str = "switch_point,module_hold,relief,vent_solenoid,switch_circuit";

    #[test]
    fn a_part_is_fit_only_when_all_that_is_asked_passed_behind_a_sound_control() {
        use PartVerdict::{DoNotFit, Fit, Repeat};
        use Verdict::{Fail, Inconclusive, NotRun};
        for (control, but, asks, verdict, next) in [
            (Some(SOUND), vec![], ALL, Fit, "none"),
            (None, vec![], ALL, Repeat, "next of module_hold"),
            (Some("the rig itself leaks"), vec![], ALL, Repeat, "next of module_hold"),
            (Some("the rig itself leaks"), vec![(Test::ModuleHold, Fail)], ALL, Repeat, "next of module_hold"),
            (Some(SOUND), vec![(Test::Relief, Fail)], ALL, DoNotFit, "next of relief"),
            (Some(SOUND), vec![(Test::Relief, Fail), (Test::SwitchPoint, NotRun)], ALL, DoNotFit, "next of relief"),
            (Some(SOUND), vec![(Test::Relief, NotRun)], ALL, Repeat, "next of relief"),
            (Some(SOUND), vec![(Test::VentSolenoid, Inconclusive)], ALL, Repeat, "next of vent_solenoid"),
            // What is not asked for clears nothing, but it still condemns.
            (Some(SOUND), vec![(Test::Relief, NotRun)], "switch_point,module_hold", Fit, "none"),
            (Some(SOUND), vec![(Test::Relief, Fail)], "switch_point,module_hold", DoNotFit, "next of relief"),
            // A test that cannot be done on the tray clears nothing.
            (Some(SOUND), vec![], "relief,key_off_soak", Repeat, "leave key_off_soak out of asks"),
        ] {
            let part = part(control, &but, asks);
            assert_eq!((part.verdict, part.next.as_str()), (verdict, next), "{control:?} {but:?} {asks}: {part:?}");
            assert!(!part.reasons.is_empty());
        }
    }

    #[test]
    fn the_reasons_name_the_tests() {
        let bad = [(Test::Relief, Verdict::Fail), (Test::SwitchCircuit, Verdict::Fail)];
        let condemned = part(Some(SOUND), &bad, ALL);
        assert_eq!(condemned.reasons, ["relief: fail; why relief", "switch_circuit: fail; why switch_circuit"]);
        let not_yet = part(Some("no control"), &bad, ALL);
        assert_eq!(not_yet.reasons.len(), 3);
        assert_eq!(not_yet.reasons[0], "neither cleared nor condemned: no control");
    }
}
