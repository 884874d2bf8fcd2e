//! What a grade is: a verdict with its window, its rule, its numbers and what would change it.
//!
//! The shapes serialise to the JSON that outsiders rely on.

use super::causes::Causes;
use super::controller::ControllerWord;
use crate::time::Stamp;
pub use crate::trade::{Job, Phase, Test, Verdict};
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;

/// Seconds of capture time, printed with three decimals.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Secs(pub f64);

impl From<Stamp> for Secs {
    fn from(t: Stamp) -> Secs {
        Secs(t.secs())
    }
}

impl Serialize for Secs {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_f64(decimals(self.0, 1e3))
    }
}

/// A number of evidence, printed with four decimals; never NaN or infinite (those become null).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Num(pub f64);

impl Serialize for Num {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        if self.0.is_finite() { s.serialize_f64(decimals(self.0, 1e4)) } else { s.serialize_none() }
    }
}

fn decimals(v: f64, scale: f64) -> f64 {
    // `+ 0.0` turns a negative zero into zero.
    (v * scale).round() / scale + 0.0
}

/// Evidence: a number or a word, under a name that carries its unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
pub enum Evidence {
    /// A number.
    Num(Num),
    /// A word.
    Text(String),
    /// Nothing can be said.
    Null,
}

impl From<f64> for Evidence {
    fn from(v: f64) -> Evidence {
        Evidence::Num(Num(v))
    }
}

impl From<Option<f64>> for Evidence {
    fn from(v: Option<f64>) -> Evidence {
        v.map_or(Evidence::Null, Evidence::from)
    }
}

impl From<&str> for Evidence {
    fn from(v: &str) -> Evidence {
        Evidence::Text(v.to_owned())
    }
}

impl From<String> for Evidence {
    fn from(v: String) -> Evidence {
        Evidence::Text(v)
    }
}

/// Equivalent hole, millimetres, with a 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LeakMm {
    /// 5 % point.
    pub low: Num,
    /// Most likely.
    pub best: Num,
    /// 95 % point.
    pub high: Num,
}

/// What a soak could tell, millimetres, each at its conservative end.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NightMm {
    /// The largest hole that could still have closed the switch.
    pub closes_up_to: Num,
    /// The smallest hole that would have kept it open.
    pub opens_from: Num,
}

/// One run of one test.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// Which test.
    pub test: Test,
    /// The verdict.
    pub verdict: Verdict,
    /// Begin of the window, null if not run.
    pub start_s: Option<Secs>,
    /// End of the window.
    pub end_s: Option<Secs>,
    /// When the verdict became certain.
    pub decided_s: Option<Secs>,
    /// What later discovery took the verdict back; the verdict itself is never edited.
    pub withdrawn_by: Option<String>,
    /// The rule, in words, with its limits and their sources.
    pub rule: String,
    /// Why, in plain trade words.
    pub reasons: Vec<String>,
    /// The next test or repair.
    pub next: String,
    /// The numbers.
    pub evidence: BTreeMap<String, Evidence>,
    /// Leak size, if it can be said.
    pub leak_mm: Option<LeakMm>,
    /// What this night could have shown (key-off soak alone).
    pub night_mm: Option<NightMm>,
}

impl Finding {
    /// The word of evidence under a name, if it is one.
    pub fn word(&self, name: &str) -> Option<&str> {
        match self.evidence.get(name) {
            Some(Evidence::Text(word)) => Some(word),
            _ => None,
        }
    }

    /// The verdict as it stands: a withdrawn one decides nothing.
    pub fn standing(&self) -> Verdict {
        if self.withdrawn_by.is_some() { Verdict::Inconclusive } else { self.verdict }
    }
}

/// A stretch that was not recorded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GapSpan {
    /// Last moment known good.
    pub start_s: Secs,
    /// First moment known good again.
    pub end_s: Secs,
    /// The link, or `capture` for all of them.
    pub link: String,
    /// In words.
    pub cause: String,
}

/// A phase with its begin and end.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PhaseSpan {
    /// Which.
    pub phase: Phase,
    /// From.
    pub start_s: Secs,
    /// To; the end of the record for the last one.
    pub end_s: Secs,
}

/// A stroke of the syringe, or a rest between two, on the tray.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StrokeSpan {
    /// `draw`, `press`, `hold`, `release` or `at_zero`.
    pub stroke: &'static str,
    /// From.
    pub start_s: Secs,
    /// To.
    pub end_s: Secs,
    /// Pressure at its begin, pascals gauge.
    pub from_pa: Num,
    /// Pressure at its end, pascals gauge.
    pub to_pa: Num,
    /// What sat on the rig: `module`, `sealed`, `orifice 0.5 mm`.
    pub rig: String,
}

/// What to do with the part on the tray.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PartVerdict {
    /// It may be fitted.
    Fit,
    /// It must not be fitted.
    DoNotFit,
    /// It is neither cleared nor condemned yet.
    Repeat,
}

impl PartVerdict {
    /// The fixed word.
    pub fn word(self) -> &'static str {
        match self {
            PartVerdict::Fit => "fit",
            PartVerdict::DoNotFit => "do_not_fit",
            PartVerdict::Repeat => "repeat",
        }
    }
}

/// The verdict on the part on the tray.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Part {
    /// Fit it, do not fit it, or repeat a stroke.
    pub verdict: PartVerdict,
    /// Why, in plain trade words.
    pub reasons: Vec<String>,
    /// Which stroke to repeat, or what else is next.
    pub next: String,
}

/// How often each verdict was given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Counts {
    /// Runs that passed.
    pub pass: u32,
    /// Runs that failed.
    pub fail: u32,
    /// Runs that could not tell.
    pub inconclusive: u32,
    /// 1 if it never ran.
    pub not_run: u32,
}

/// How a step ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Ending {
    /// Its condition came, or the person said so.
    Done,
    /// The person left it out.
    Skipped,
    /// The record ended before.
    NeverCame,
}

/// How one step went.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepRun {
    /// Counted from 1.
    pub step: usize,
    /// Its title.
    pub title: String,
    /// How it ended.
    pub ended: Ending,
    /// When.
    pub at_s: Option<Secs>,
    /// The values that made it so, or that the person said it.
    pub because: String,
}

/// How a guide went.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GuideRun {
    /// Which.
    pub guide: Job,
    /// All its steps in order.
    pub steps: Vec<StepRun>,
}

/// A value with its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Range {
    /// 5 % point.
    pub low: Num,
    /// Middle.
    pub best: Num,
    /// 95 % point.
    pub high: Num,
}

/// What a hole of known size in the line taught about the vehicle.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KnownHole {
    /// Its diameter, millimetres.
    pub size_mm: Num,
    /// Without it the vehicle's own leak is at most so large, millimetres; null if nothing shows it.
    pub own_leak_at_most_mm: Option<Num>,
    /// The test, or the capture, that shows it.
    pub tight_by: Option<String>,
    /// Decays over it that were seen whole.
    pub decays: u32,
    /// Decays without it that passed: they show how this tank gives a pull back.
    pub tight_decays: u32,
    /// Fuel level to which the volume belongs, %.
    pub level_pct: Option<Num>,
    /// Vapour volume, litres; null if it is not known better than before.
    pub volume_l: Option<Range>,
    /// Vacuum at which the switch closes, Pa.
    pub closes_pa: Option<Range>,
    /// Vacuum at which it re-opens, Pa.
    pub reopens_pa: Option<Range>,
    /// Why nothing was learned.
    pub refused: Option<String>,
}

/// All that was found in one capture: the object of `findings.json`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Findings {
    /// Folder's or file's name, never a path.
    pub capture: String,
    /// Name of the profile it was judged by.
    pub profile: String,
    /// Version of this program.
    pub version: String,
    /// Length of the record.
    pub duration_s: Secs,
    /// Records read.
    pub records: u64,
    /// Lines, rows or frames that could not be understood.
    pub undecoded: u64,
    /// Stretches not recorded.
    pub gaps: Vec<GapSpan>,
    /// The day.
    pub phases: Vec<PhaseSpan>,
    /// Every run of every test; at least one entry a test.
    pub tests: Vec<Finding>,
    /// One verdict a test.
    pub summary: BTreeMap<Test, Verdict>,
    /// Runs by verdict.
    pub counts: BTreeMap<Test, Counts>,
    /// What the decoder and the timeline noticed: unknown columns, cut rows, spoilers, assumed times.
    pub notices: Vec<String>,
    /// A module on the tray alone: the strokes in their order.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub strokes: Option<Vec<StrokeSpan>>,
    /// A module on the tray alone: what to do with the part.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part: Option<Part>,
    /// A vehicle alone: what may be wrong, and which test would tell most next.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub causes: Option<Causes>,
    /// How the guide went, if there was one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub guide: Option<GuideRun>,
    /// What a known hole in the line taught, if one was told of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub known_leak: Option<KnownHole>,
    /// What controllers said of themselves, if one did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub controller: Option<ControllerWord>,
}

impl Findings {
    /// Lets the vehicle's number be printed in full.
    pub fn show_vin(&mut self) {
        let controllers = self.controller.iter_mut().flat_map(|c| &mut c.controllers);
        controllers.filter_map(|s| s.vin.as_mut()).for_each(|vin| vin.shown = true);
    }
}
