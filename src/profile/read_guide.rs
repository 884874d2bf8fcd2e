//! The `[[guide.JOB]]` tables of a profile's text.

use super::fault::{Fault, nearest};
use super::guide::Until;
use super::read::{Item, Kind, Reader, one_of};
use super::{Patience, Step};
use crate::trade::Job;
use std::collections::BTreeMap;
use toml::de::{DeTable, DeValue};

/// The keys of a step, in the order in which they are written.
pub const STEP: [&str; 7] = ["title", "text", "caution", "until", "patience_s", "late", "source"];
/// A step must fit the smallest screen together with the verdicts: so many characters each.
const TITLE: usize = 44;
const TEXT: usize = 280;
const CAUTION: usize = 140;
/// Shortest and longest patience, seconds.
const PATIENCE_S: (f64, f64) = (1.0, 259_200.0);

/// The guides that a layer gives. An empty one takes away what a deeper layer gives.
pub(super) type Guides = BTreeMap<Job, Vec<Step>>;

impl Reader<'_> {
    /// Guides kept with a capture that this version cannot read are left out: grades do not rest on them.
    pub(super) fn guide(&mut self, item: Item<'_, '_>) {
        let DeValue::Table(table) = item.get_ref() else {
            self.fault(item.span(), "guide is a table, not a value", "head each step with [[guide.soak]] or its kin");
            return;
        };
        for (key, item) in table {
            let name: &str = key.get_ref();
            let before = self.faults.len();
            match Job::from_name(name) {
                Some(job) => {
                    let steps = self.steps(name, item);
                    self.layer.guides.insert(job, steps);
                }
                None => {
                    let names = Job::ALL.map(Job::name);
                    let right = nearest(name, names.into_iter(), &format!("it must be {}", one_of(&names)));
                    self.fault(key.span(), format!("there is no guide \"{name}\""), right);
                }
            }
            if self.kind == Kind::Stored && self.faults.len() > before {
                let why: Vec<String> = self.faults.drain(before..).map(|Fault { what, .. }| what).collect();
                let left_out = format!("the guide {name} is left out, this version cannot read it: {}", why.join(", "));
                self.layer.warnings.push(left_out);
                self.layer.guides.retain(|job, _| job.name() != name);
            }
        }
    }

    fn steps(&mut self, name: &str, item: Item<'_, '_>) -> Vec<Step> {
        let DeValue::Array(rows) = item.get_ref() else {
            let right = format!("head each step with [[guide.{name}]], or write {name} = [] for no guide");
            self.fault(item.span(), format!("guide.{name} is not a list of steps"), right);
            return Vec::new();
        };
        let mut steps = Vec::new();
        for row in rows {
            match row.get_ref() {
                DeValue::Table(table) => steps.extend(self.step(name, row, table)),
                _ => self.fault(
                    row.span(),
                    format!("a step of guide.{name} is not a table"),
                    format!("head each step with [[guide.{name}]]"),
                ),
            }
        }
        steps
    }

    fn step(&mut self, name: &str, row: Item<'_, '_>, table: &DeTable<'_>) -> Option<Step> {
        let before = self.faults.len();
        let (mut title, mut text, mut caution, mut late) = (None, None, None, None);
        let (mut until, mut seconds, mut source) = (None, None, None);
        for (key, item) in table {
            match key.get_ref().as_ref() {
                "title" => title = self.short_words("title", item, TITLE),
                "text" => text = self.short_words("text", item, TEXT),
                "caution" => caution = self.short_words("caution", item, CAUTION),
                "late" => late = self.short_words("late", item, CAUTION),
                "patience_s" => seconds = self.number("patience_s", item, PATIENCE_S.0, PATIENCE_S.1),
                "source" => source = self.words("source", item),
                "until" => {
                    if let Some(words) = self.words("until", item) {
                        match Until::parse(&words) {
                            Ok(read) => until = Some(read),
                            Err((what, right)) => self.fault(item.span(), format!("until: {what}"), right),
                        }
                    }
                }
                _ => self.unknown_in(&format!("[[guide.{name}]]"), key, &STEP),
            }
        }
        // What is wrong in a key was told; what follows would only repeat it.
        if self.faults.len() > before {
            return None;
        }
        let (Some(title), Some(text)) = (title, text) else {
            self.fault(row.span(), "a step lacks its title or text", "give title = \"…\", text = \"…\"");
            return None;
        };
        let patience = match (seconds, late) {
            (Some(seconds), Some(late)) => Some(Patience { seconds, late }),
            (None, None) => None,
            _ => {
                let right = "give patience_s and, in late, what to do when the step does not come in that time";
                self.fault(row.span(), format!("the step \"{title}\" has only one of patience_s and late"), right);
                return None;
            }
        };
        if self.kind == Kind::BuiltIn && source.is_none() {
            let right = "say in `source` where it comes from";
            self.fault(row.span(), format!("the step \"{title}\" has no source"), right);
        }
        Some(Step { title, text, caution, until, patience, source })
    }

    /// A text of so many characters at most, on one line.
    fn short_words(&mut self, what: &str, item: Item<'_, '_>, most: usize) -> Option<String> {
        let words = self.words(what, item)?.split_whitespace().collect::<Vec<_>>().join(" ");
        let n = words.chars().count();
        if n > most {
            let right = format!("say it in at most {most}, so that it fits a small screen");
            self.fault(item.span(), format!("{what} has {n} characters"), right);
            return None;
        }
        Some(words)
    }
}
