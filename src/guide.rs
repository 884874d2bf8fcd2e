//! The guide: leads a person through a job, a step at a time.
//!
//! A pure state machine over what the judge knows: readings through the timeline, verdicts, and the person's notes.
//! It reads no clock, so a replay walks the same steps at the same moments. A note of kind `guide` begins it; notes
//! of kind `step` (`done 3`, `skip 3`) are the person's answers, and name their step so that none can answer another.

mod terms;

use crate::grade::verdict::{Ending, GuideRun, StepRun};
use crate::profile::{Profile, Step, Term, Topic};
use crate::time::Stamp;
use crate::timeline::{Happening, StrokeKind, Timeline};
use crate::trade::{Job, Test, Verdict};
use std::collections::BTreeMap;
use std::sync::Arc;
use terms::Known;

/// The kind of the note that begins a guide; its text is the job's name.
pub const BEGIN: &str = "guide";
/// The kind of the notes that answer a step.
pub const ANSWER: &str = "step";

/// The text of the note that says a step (counted from 1) is done.
pub fn done(step: usize) -> String {
    format!("done {step}")
}

/// The text of the note that leaves a step (counted from 1) out.
pub fn skip(step: usize) -> String {
    format!("skip {step}")
}

/// One verdict a test.
pub type Summary = BTreeMap<Test, Verdict>;

/// Verdicts are made anew at each event, and else so often, seconds: making them is dear.
const VERDICTS_EVERY_S: f64 = 10.0;

/// Where a guide stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// Which.
    pub job: Job,
    /// How many steps it has.
    pub steps: usize,
    /// Steps that were left out.
    pub skipped: usize,
    /// Answers heard so far, also those that changed nothing.
    pub heard: u64,
    /// The step it is at; none when all are over.
    pub step: Option<At>,
}

/// The step a guide is at.
#[derive(Debug, Clone, PartialEq)]
pub struct At {
    /// Counted from 1.
    pub number: usize,
    /// Title.
    pub title: String,
    /// What to do.
    pub text: String,
    /// What could hurt.
    pub caution: Option<String>,
    /// What it waits for, in words with the values now; empty if only the person can tell.
    pub waits_for: String,
    /// The person's word will do: nothing else can tell.
    pub asks: bool,
    /// Waited for since.
    pub since: Stamp,
    /// It should have come by now: what to do.
    pub late: Option<String>,
}

/// Something for the log of events.
pub type Said = Vec<(Stamp, String)>;

/// A guide under way.
#[derive(Debug)]
pub struct Guide {
    job: Job,
    steps: Arc<[Step]>,
    profile: Arc<Profile>,
    runs: Vec<StepRun>,
    /// The step under way is waited for since.
    since: Stamp,
    /// Its condition holds since.
    holds: Option<Stamp>,
    late: bool,
    heard: u64,
    known: Known,
    verdicts_at: Option<Stamp>,
    verdicts_old: bool,
}

impl Guide {
    /// Begins; none if the profile has no such guide.
    pub fn begin(job: Job, profile: &Arc<Profile>, at: Stamp) -> Option<Guide> {
        Some(Guide {
            job,
            steps: profile.guides.get(&job)?.as_slice().into(),
            profile: Arc::clone(profile),
            runs: Vec::new(),
            since: at,
            holds: None,
            late: false,
            heard: 0,
            known: Known::default(),
            verdicts_at: None,
            verdicts_old: true,
        })
    }

    /// Something happened: verdicts may have changed.
    pub fn happening(&mut self, h: &Happening) {
        self.verdicts_old = true;
        let Happening::Stroke(stroke) = h else { return };
        // A draw that could not close the switch is the hand's tremor, or a relief at play.
        let small = (stroke.from_pa - stroke.to_pa).abs() < self.profile.set.switch.closes_low_pa;
        if stroke.kind != StrokeKind::Draw || !small {
            self.known.strokes.push(stroke.kind.name());
        }
    }

    /// A note of the person. `summary` makes the verdicts of now.
    pub fn note(
        &mut self,
        t: &Timeline,
        at: Stamp,
        kind: &str,
        text: &str,
        summary: &mut dyn FnMut() -> Summary,
        said: &mut Said,
    ) {
        if kind != ANSWER {
            return;
        }
        self.heard += 1;
        let Some((answer, number)) = text.split_once(' ') else { return };
        let number = number.split(|c: char| !c.is_ascii_digit()).next().and_then(|n| n.parse().ok());
        let Some(step) = self.step().filter(|_| number == Some(self.runs.len() + 1)) else { return };
        match answer {
            "skip" => self.end(at, Ending::Skipped, "left out by the person".into(), said),
            "done" => {
                let until = step.until.clone();
                self.renew(t, summary);
                match until.map(|u| (self.known.met(&u, t, &self.profile.set), u)) {
                    // What is read is not asked for.
                    Some((Some(false), until)) => {
                        let waits = self.known.words(&until, t, &self.profile.set);
                        let title = self.title();
                        said.push((
                            at,
                            format!("{title}: not yet, it waits for {waits}; to go on without it type skip"),
                        ));
                    }
                    _ => self.end(at, Ending::Done, "said by the person".into(), said),
                }
            }
            _ => {}
        }
    }

    /// Values are new, or time passed: goes on as far as conditions are met.
    pub fn look(&mut self, t: &Timeline, summary: &mut dyn FnMut() -> Summary, said: &mut Said) {
        let now = t.now();
        let steps = Arc::clone(&self.steps);
        while let Some(step) = steps.get(self.runs.len()) {
            let Some(until) = step.until.as_ref() else { break };
            if until.terms().any(|term| matches!(term, Term::State { of: Topic::Test(_), .. })) {
                self.renew_now_and_then(t, summary);
            }
            if self.known.met(until, t, &self.profile.set) != Some(true) {
                self.holds = None;
                break;
            }
            let holds = *self.holds.get_or_insert(now);
            if now.since(holds) < until.hold_s {
                break;
            }
            let because = self.known.because(until, t, &self.profile.set);
            self.end(now, Ending::Done, because, said);
        }
        let Some(patience) = self.step().and_then(|s| s.patience.as_ref()) else { return };
        if !self.late && now.since(self.since) >= patience.seconds {
            let text = format!("{} has not come: {}", self.title(), patience.late);
            self.late = true;
            said.push((now, text));
        }
    }

    /// Where it stands.
    pub fn standing(&self, t: &Timeline) -> Standing {
        let set = &self.profile.set;
        let at = self.step().map(|step| {
            let until = step.until.as_ref();
            let met = until.map(|u| self.known.met(u, t, set));
            let asks = !matches!(met, Some(Some(_)));
            At {
                number: self.runs.len() + 1,
                title: step.title.clone(),
                text: step.text.clone(),
                caution: step.caution.clone(),
                waits_for: until.map_or_else(String::new, |u| self.known.words(u, t, set)),
                asks,
                since: self.since,
                late: step.patience.as_ref().filter(|_| self.late).map(|p| p.late.clone()),
            }
        });
        Standing {
            job: self.job,
            steps: self.steps.len(),
            skipped: self.runs.iter().filter(|r| r.ended == Ending::Skipped).count(),
            heard: self.heard,
            step: at,
        }
    }

    /// How it went, as if the record ended now.
    pub fn run(&self) -> GuideRun {
        let mut steps = self.runs.clone();
        for (i, step) in self.steps.iter().enumerate().skip(steps.len()) {
            let because = if i == self.runs.len() { "waited for until the end" } else { "not reached" };
            steps.push(StepRun {
                step: i + 1,
                title: step.title.clone(),
                ended: Ending::NeverCame,
                at_s: None,
                because: because.to_owned(),
            });
        }
        GuideRun { guide: self.job, steps }
    }

    fn step(&self) -> Option<&Step> {
        self.steps.get(self.runs.len())
    }

    fn title(&self) -> String {
        let title = self.step().map_or("", |s| &s.title);
        format!("step {}, {title}", self.runs.len() + 1)
    }

    fn end(&mut self, at: Stamp, ended: Ending, because: String, said: &mut Said) {
        let Some(step) = self.step() else { return };
        let word = if ended == Ending::Skipped { "skipped" } else { "done" };
        said.push((at, format!("{}: {word}, {because}", self.title())));
        let run =
            StepRun { step: self.runs.len() + 1, title: step.title.clone(), ended, at_s: Some(at.into()), because };
        self.runs.push(run);
        (self.since, self.holds, self.late) = (at, None, false);
        self.known.strokes.clear();
        if self.step().is_none() {
            said.push((at, format!("all steps of the guide {} are over; Ctrl-C ends the run", self.job.name())));
        }
    }

    fn renew(&mut self, t: &Timeline, summary: &mut dyn FnMut() -> Summary) {
        self.known.verdicts = summary();
        self.verdicts_at = Some(t.now());
        self.verdicts_old = false;
    }

    fn renew_now_and_then(&mut self, t: &Timeline, summary: &mut dyn FnMut() -> Summary) {
        let due = self.verdicts_at.is_none_or(|at| t.now().since(at) >= VERDICTS_EVERY_S);
        if due || self.verdicts_old {
            self.renew(t, summary);
        }
    }
}

#[cfg(test)]
mod tests;
