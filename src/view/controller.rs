//! What controllers said of themselves, in lines for the end of a run.

use super::show;
use crate::grade::controller::{CodeSaid, ControllerWord, FirstLast, MonitorResult, MonitorState, Outcome, Said, list};
use std::fmt::Display;

/// Lines with the word that heads each: one a controller and one a disagreement, in their order. The rest, with all
/// times, stands in the JSON.
pub fn lines(word: &ControllerWord) -> Vec<(String, String)> {
    let told = word.controllers.iter().map(|s| (format!("controller {}", s.who), controller(s)));
    let differ = word.disagreements.iter().enumerate().flat_map(|(i, d)| {
        let head = if i == 0 { "disagree" } else { "" };
        [
            (head.to_owned(), d.controller.clone()),
            (String::new(), format!("but {}", d.tool)),
            (String::new(), format!("so: {}", d.text)),
        ]
    });
    told.chain(differ).collect()
}

fn controller(said: &Said) -> String {
    let mut parts = Vec::new();
    parts.extend(said.name.clone());
    parts.extend(said.vin.as_ref().map(|v| format!("VIN {v}")));
    for kind in ["stored", "pending", "permanent"] {
        parts.extend(said.codes.get(kind).map(|c| codes(kind, c)));
    }
    if let Some(r) = &said.readiness {
        let ready = |s: MonitorState| match s {
            MonitorState::Absent => "no vapour monitor".to_owned(),
            s => format!("vapour monitor {}", s.words()),
        };
        let lamp = if r.last.said.lamp { ", lamp on" } else { "" };
        let before = (r.first.said.vapour != r.last.said.vapour)
            .then(|| format!(" since {}, at first {}", show::clock(r.last.at_s.0), r.first.said.vapour.words()));
        parts.push(format!("{}{}{lamp}", ready(r.last.said.vapour), before.unwrap_or_default()));
    }
    for m in &said.monitors {
        parts.push(format!("{} {}", m.watches, result(m.unit, &m.results.last.said)));
    }
    if let Some(n) = &said.in_use {
        let n = n.last.said;
        parts.push(format!(
            "vapour test completed {} times in {} trips that met its conditions",
            n.completed, n.conditions
        ));
    }
    if let Some(code) = said.freeze_frame.as_ref().and_then(|f| f.code.as_ref()) {
        parts.push(format!("freeze frame of {}", code.code));
    }
    parts.extend(calibrations(said));
    parts.join("; ")
}

fn codes(kind: &str, codes: &FirstLast<Vec<CodeSaid>>) -> String {
    match codes.changed() {
        false => format!("{kind}: {}", list(&codes.last.said)),
        true => format!(
            "{kind}: {} at {}, {} at {}",
            list(&codes.first.said),
            show::clock(codes.first.at_s.0),
            list(&codes.last.said),
            show::clock(codes.last.at_s.0)
        ),
    }
}

fn result(unit: &str, r: &MonitorResult) -> String {
    let number = |v: f64| {
        let text = format!("{v:.3}");
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    let all = |word: &dyn Display| {
        format!("{word} ({} of {} to {} {unit})", number(r.value.0), number(r.low.0), number(r.high.0))
    };
    match r.result {
        Outcome::NotRun => "not run".to_owned(),
        Outcome::Pass => all(&"pass"),
        Outcome::Fail => all(&"fail"),
    }
}

fn calibrations(said: &Said) -> Option<String> {
    let each = said.calibrations.iter().map(|c| match (&c.id, &c.cvn) {
        (Some(id), Some(cvn)) => format!("{id} ({cvn})"),
        (id, cvn) => id.as_ref().or(cvn.as_ref()).cloned().unwrap_or_default(),
    });
    (!said.calibrations.is_empty()).then(|| format!("calibration {}", each.collect::<Vec<_>>().join(", ")))
}
