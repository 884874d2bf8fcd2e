//! The guide in words: the step it is at on the screen, in plain lines, and how it went at the end.

use super::show;
use crate::grade::verdict::{Ending, GuideRun};
use crate::guide::{At, Standing};
use crate::units::Shown;

/// The step a guide is at, as parts that are laid out apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// Which guide, which step.
    pub head: String,
    /// What to do.
    pub text: String,
    /// What could hurt.
    pub caution: Option<String>,
    /// What it waits for, or what to do since that did not come.
    pub waits: Vec<String>,
}

/// The guide as it stands, at `now_s` of capture time.
pub fn told(guide: &Standing, now_s: f64, units: Shown) -> Told {
    let name = guide.job.name();
    let Some(at) = &guide.step else {
        let skipped = if guide.skipped > 0 { format!(", {} skipped", guide.skipped) } else { String::new() };
        let head = format!("{name}: all {} steps are over{skipped}", guide.steps);
        return Told { head, text: "Ctrl-C ends the run.".into(), caution: None, waits: vec![] };
    };
    let words = |text: &str| show::words(text, units);
    let mut waits = vec![words(&wait(at)) + &format!("; {} so far", show::span(now_s - at.since.secs()))];
    waits.extend(at.late.as_ref().map(|late| format!("has not come: {}", words(late))));
    Told {
        head: format!("{name}, step {} of {}: {}", at.number, guide.steps, at.title),
        text: words(&at.text),
        caution: at.caution.as_ref().map(|c| format!("CAUTION {}", words(c))),
        waits,
    }
}

fn wait(at: &At) -> String {
    match (at.waits_for.as_str(), at.asks) {
        ("", _) => "waits for Enter when it is done".to_owned(),
        (what, true) => format!("waits for {what}: see to it yourself, then Enter"),
        (what, false) => format!("waits for {what}"),
    }
}

/// The same on one line, for a log.
pub fn line(guide: &Standing, units: Shown) -> String {
    let told = told(guide, 0.0, units);
    let waits = guide.step.as_ref().map(|at| show::words(&wait(at), units)).unwrap_or_default();
    let parts = [Some(format!("guide {}: {}", told.head, told.text)), told.caution, Some(waits)];
    parts.into_iter().flatten().filter(|p| !p.is_empty()).collect::<Vec<_>>().join(" | ")
}

/// How it went: a line that counts, and a line a step, each with a word before it.
pub fn summary(run: &GuideRun) -> Vec<(&'static str, String)> {
    let count = |ending| run.steps.iter().filter(|s| s.ended == ending).count();
    let (done, skipped, never) = (count(Ending::Done), count(Ending::Skipped), count(Ending::NeverCame));
    let mut out = vec![("", format!("{}: {done} done, {skipped} skipped, {never} never came", run.guide.name()))];
    for step in &run.steps {
        let word = match step.ended {
            Ending::Done => "done",
            Ending::Skipped => "skipped",
            Ending::NeverCame => "never came",
        };
        let at = step.at_s.map_or_else(String::new, |at| format!("{} ", show::clock(at.0)));
        out.push((word, format!("{}. {}: {at}{}", step.step, step.title, step.because)));
    }
    out
}
