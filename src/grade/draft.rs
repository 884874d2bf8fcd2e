//! Drafts: what a test's own machine says before the jury has heard the others.

use super::verdict::{Evidence, Finding, LeakMm, NightMm, Num};
use super::{BELIEF, PRIOR};
use crate::physics::posterior::{Posterior, Prior};
use crate::time::Stamp;
use crate::timeline::{Happening, Timeline};
use crate::trade::{Test, Verdict};
use std::collections::BTreeMap;

/// A test's machine. It sees the timeline and nothing of the other tests.
pub trait Machine: std::fmt::Debug + Send {
    /// Which test.
    fn test(&self) -> Test;
    /// Something happened.
    fn happening(&mut self, t: &Timeline, h: &Happening);
    /// Values are new, or time passed.
    fn step(&mut self, t: &Timeline);
    /// All runs so far, the one under way as if the record ended now; never empty.
    fn drafts(&self, t: &Timeline) -> Vec<Draft>;
    /// The run under way: how far (0 to 1) and what it waits for.
    fn under_way(&self, t: &Timeline) -> Option<(f64, String)>;
    /// What a known hole in the line taught.
    fn lesson(&self) -> Option<&super::known_leak::Lesson> {
        None
    }
    /// What the test needs, with the state now.
    fn conditions(&self, _t: &Timeline) -> Vec<super::Condition> {
        Vec::new()
    }
}

/// One run, drafted.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// The finding as the test alone would give it.
    pub finding: Finding,
    /// A dead switch or a bad sense line would void it.
    pub rests_on_switch: bool,
    /// The run is still under way.
    pub open: bool,
}

impl Draft {
    /// A run from `start` to `end`, not decided.
    pub fn run(test: Test, rule: String, start: Stamp, end: Stamp) -> Draft {
        Draft {
            finding: Finding {
                test,
                verdict: Verdict::Inconclusive,
                start_s: Some(start.into()),
                end_s: Some(end.into()),
                decided_s: None,
                withdrawn_by: None,
                rule,
                reasons: Vec::new(),
                next: String::new(),
                evidence: BTreeMap::new(),
                leak_mm: None,
                night_mm: None,
            },
            rests_on_switch: false,
            open: false,
        }
    }

    /// A test that did not run, and why.
    pub fn not_run(test: Test, rule: String, reasons: Vec<String>, next: &str) -> Draft {
        let mut d = Draft::run(test, rule, Stamp::ZERO, Stamp::ZERO);
        d.finding.verdict = Verdict::NotRun;
        d.finding.start_s = None;
        d.finding.end_s = None;
        d.finding.reasons = reasons;
        d.finding.next = next.to_owned();
        d
    }

    /// The verdict, certain since `at`.
    pub fn decide(&mut self, verdict: Verdict, at: Stamp) {
        self.finding.verdict = verdict;
        self.finding.decided_s = Some(at.into());
    }

    /// A reason in trade words.
    pub fn because(&mut self, reason: impl Into<String>) {
        self.finding.reasons.push(reason.into());
    }

    /// The next step.
    pub fn next(&mut self, next: impl Into<String>) {
        self.finding.next = next.into();
    }

    /// A number or word of evidence; the name carries the unit.
    pub fn note(&mut self, name: &str, value: impl Into<Evidence>) {
        self.finding.evidence.insert(name.to_owned(), value.into());
    }

    /// The leak size with its 90 % interval, millimetres.
    pub fn leak(&mut self, low: f64, best: f64, high: f64) {
        self.finding.leak_mm = Some(LeakMm { low: Num(low), best: Num(best), high: Num(high) });
    }

    /// The belief that the hole is of the limit's size or more, beside what was believed before. To be called after all
    /// other reasons.
    pub fn belief(&mut self, posterior: &Posterior, limit_mm: f64) {
        let p = posterior.p_at_least(limit_mm);
        self.note(BELIEF, p);
        self.note(PRIOR, Prior::new(limit_mm).words());
        if posterior.informed() {
            self.because(format!(
                "belief in a hole of {} or more: {p:.3}, and 0.5 before anything was seen",
                mm(limit_mm)
            ));
        }
    }

    /// What the night could tell, millimetres.
    pub fn night(&mut self, closes_up_to: f64, opens_from: f64) {
        self.finding.night_mm = Some(NightMm { closes_up_to: Num(closes_up_to), opens_from: Num(opens_from) });
    }
}

/// The runs of one test, and what kept it from running otherwise.
#[derive(Debug, Clone, Default)]
pub struct Book {
    /// Runs that ended.
    pub runs: Vec<Draft>,
    missed: Vec<String>,
}

impl Book {
    /// A run that could not begin, once a reason.
    pub fn missed(&mut self, reason: String) {
        if !self.missed.contains(&reason) && self.missed.len() < 6 {
            self.missed.push(reason);
        }
    }

    /// All drafts: the runs, else one that says why there was none.
    pub fn drafts(&self, under_way: Option<Draft>, otherwise: impl FnOnce(&[String]) -> Draft) -> Vec<Draft> {
        let mut all = self.runs.clone();
        all.extend(under_way);
        if all.is_empty() {
            all.push(otherwise(&self.missed));
        }
        all
    }
}

/// A hole size as it is spoken of: millimetres, and inches as the trade has them.
pub fn mm(d: f64) -> String {
    format!("{d:.2} mm ({:.3} in)", d / crate::units::MM_PER_INCH)
}
