//! A profile's text, read into one layer: what this file itself says, each value checked against the table.

use super::bus::{BroadcastSource, DidSource, ObdSource};
use super::fault::{Fault, Place, nearest};
use super::read_dialect::DialectPart;
use super::read_guide::Guides;
use super::{Calibration, Column, Holds, RowTime, SETTINGS, Setting};
use crate::channel::Channel;
use crate::trade::Test;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

/// Where a text comes from: that decides how strictly it is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// A person's file.
    File,
    /// Embedded: every value needs a source.
    BuiltIn,
    /// Kept with a capture, perhaps by another version of this tool: unknown settings are left out with a warning.
    Stored,
}

/// A setting's value.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Value {
    Number(f64),
    Word(String),
}

/// A value as one layer gives it.
#[derive(Debug, Clone)]
pub(super) struct Given {
    pub value: Value,
    pub source: Option<String>,
    pub place: Option<Place>,
}

/// Rows of sources on the bus, each with where it comes from.
#[derive(Debug, Default)]
pub(super) struct BusRows {
    pub obd: Vec<(ObdSource, Option<String>)>,
    pub did: Vec<(DidSource, Option<String>)>,
    pub broadcast: Vec<(BroadcastSource, Option<String>)>,
}

/// What one file says.
#[derive(Debug, Default)]
pub(super) struct Layer {
    pub name: Option<String>,
    pub title: Option<String>,
    pub extends: Option<(String, Option<Place>)>,
    pub base: Option<String>,
    pub asks: Option<Vec<Test>>,
    pub values: BTreeMap<&'static str, Given>,
    pub columns: Vec<(Column, Option<String>)>,
    pub calibrations: Vec<(Calibration, Option<String>)>,
    pub bus: BusRows,
    pub dialect: Option<DialectPart>,
    pub time: Option<(RowTime, Option<String>)>,
    pub guides: Guides,
    pub warnings: Vec<String>,
}

pub(super) type Key<'a, 'i> = &'a Spanned<std::borrow::Cow<'i, str>>;
pub(super) type Item<'a, 'i> = &'a Spanned<DeValue<'i>>;

const TOP: [&str; 12] =
    ["name", "title", "extends", "asks", "csv", "calibrate", "time", "guide", "obd", "did", "broadcast", "dialect"];
const CSV: [&str; 5] = ["column", "channel", "scale", "offset", "source"];
const TIME: [&str; 3] = ["column", "period_s", "source"];
const VALUE: [&str; 2] = ["value", "source"];
/// How often broken lines are blanked and the rest read again.
const PASSES: usize = 8;
/// The smallest and largest period between rows that is believed, in seconds.
pub(super) const PERIOD_S: (f64, f64) = (0.001, 3600.0);

/// Reads a text. What could be understood is in the layer, whatever else is wrong.
pub(super) fn read(label: &str, text: &str, kind: Kind) -> (Layer, Vec<Fault>) {
    let (whole, broken) = without_broken_lines(label, text);
    let table = DeTable::parse_recoverable(&whole).0;
    let mut reader = Reader { label, text: &whole, kind, layer: Layer::default(), faults: broken };
    reader.top(table.get_ref());
    let Reader { layer, mut faults, .. } = reader;
    faults.sort_by_key(|f| f.place);
    if kind == Kind::Stored {
        // The text was made from a table of another file: its places would mislead.
        faults.iter_mut().for_each(|f| f.place = None);
    }
    (layer, faults)
}

/// The text with its broken lines blanked, every other character in its place, and a fault for each such line.
/// The parser gives up behind some faults: only without the broken lines does it see the rest.
fn without_broken_lines(label: &str, text: &str) -> (String, Vec<Fault>) {
    let mut lines: Vec<String> = text.split('\n').map(str::to_string).collect();
    let mut faults: Vec<Fault> = Vec::new();
    for _ in 0..PASSES {
        let whole = lines.join("\n");
        let mut found: Vec<Fault> =
            DeTable::parse_recoverable(&whole).1.iter().map(|e| syntax_fault(label, &whole, e)).collect();
        found.sort_by_key(|f| f.place);
        found.dedup_by_key(|f| f.place.map(|p| p.line));
        let mut blanked = false;
        for fault in found {
            let Some(at) = fault.place.map(|p| p.line as usize - 1) else { continue };
            // Behind a broken heading nobody knows which table the keys belong to.
            let heading = lines.get(at).is_some_and(|l| l.trim_start().starts_with('['));
            let section = lines.iter().skip(at + 1).take_while(|l| heading && !l.trim_start().starts_with('[')).count();
            for line in lines.iter_mut().skip(at).take(1 + section) {
                blanked |= !line.trim().is_empty();
                *line = " ".repeat(line.chars().count());
            }
            faults.push(fault);
        }
        if !blanked {
            return (whole, faults);
        }
    }
    (lines.join("\n"), faults)
}

/// A broken line, in words that do not ask for knowledge of TOML.
fn syntax_fault(label: &str, text: &str, error: &toml::de::Error) -> Fault {
    let span = error.span().unwrap_or(0..0);
    let (what, expected) = match error.message().split_once(", expected ") {
        Some((what, expected)) => (what, Some(expected)),
        None => (error.message(), None),
    };
    let (what, right) = match (what, expected) {
        ("string values must be quoted", _) if span.is_empty() => {
            ("the value is missing".to_string(), "write a number, or a text in quotes".to_string())
        }
        ("string values must be quoted", _) => {
            let word = text.get(span.clone()).unwrap_or_default();
            (
                format!("{word} is neither a number nor a text in quotes"),
                "put a text in quotes, write a number without its unit".to_string(),
            )
        }
        ("key with no value", _) => ("this is no setting".to_string(), "write KEY = VALUE".to_string()),
        ("unexpected key or value", _) => {
            let right = "one KEY = VALUE a line, decimals with a dot, remarks behind a #";
            ("something stands behind the value".to_string(), right.to_string())
        }
        (what, Some("nothing")) => (what.to_string(), "take it out".to_string()),
        (what, Some(expected)) => (what.to_string(), format!("here belongs {expected}")),
        (what, None) => (what.to_string(), "each line is KEY = VALUE or a [table] heading, each key once".to_string()),
    };
    Fault { file: label.to_string(), place: Some(Place::of(text, span.start)), what, right }
}

/// What a setting must hold, as a sentence.
pub(super) fn must_be(setting: &Setting) -> String {
    match setting.holds {
        Holds::Number { .. } => format!("it must be a number from {}", setting.holds),
        Holds::Word(_) => format!("it must be {}", setting.holds),
    }
}

/// `"open" or "sealed"`.
pub(super) fn one_of(words: &[&str]) -> String {
    let quoted: Vec<String> = words.iter().map(|w| format!("\"{w}\"")).collect();
    match quoted.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        _ => quoted.concat(),
    }
}

/// The setting at a path of the table.
pub(super) fn setting(path: &str) -> Option<&'static Setting> {
    SETTINGS.iter().find(|s| s.path == path)
}

/// All paths of the table.
pub(super) fn paths() -> impl Iterator<Item = &'static str> + Clone {
    SETTINGS.iter().map(|s| s.path)
}

/// A number or word against its setting: the value, or what is wrong with it.
pub(super) fn fits(setting: &'static Setting, value: Value) -> Result<Value, String> {
    let path = setting.path;
    match (&value, setting.holds) {
        // A comparison, so that "not a number" falls out as well.
        (Value::Number(v), Holds::Number { unit, low, high }) if !(low..=high).contains(v) => {
            Err(format!("{path} is {v} {unit}").trim_end().to_string())
        }
        (Value::Word(w), Holds::Word(words)) if !words.contains(&w.as_str()) => Err(format!("{path} is \"{w}\"")),
        (Value::Number(v), Holds::Word(_)) => Err(format!("{path} is the number {v}")),
        (Value::Word(w), Holds::Number { .. }) => Err(format!("{path} is the word \"{w}\"")),
        (Value::Number(_), Holds::Number { .. }) | (Value::Word(_), Holds::Word(_)) => Ok(value),
    }
}

/// A test by its name, or what is wrong and what would be right.
pub(super) fn test_named(name: &str) -> Result<Test, (String, String)> {
    Test::ALL.into_iter().find(|t| t.name() == name).ok_or_else(|| {
        let names = Test::ALL.map(Test::name);
        (
            format!("there is no test \"{name}\""),
            nearest(name, names.into_iter(), &format!("it must be {}", one_of(&names))),
        )
    })
}

pub(super) struct Reader<'a> {
    label: &'a str,
    text: &'a str,
    pub(super) kind: Kind,
    pub(super) layer: Layer,
    pub(super) faults: Vec<Fault>,
}

impl Reader<'_> {
    fn place(&self, span: Range<usize>) -> Place {
        Place::of(self.text, span.start)
    }

    pub(super) fn fault(&mut self, span: Range<usize>, what: impl Into<String>, right: impl Into<String>) {
        let place = Some(self.place(span));
        self.faults.push(Fault { file: self.label.to_string(), place, what: what.into(), right: right.into() });
    }

    fn top(&mut self, table: &DeTable<'_>) {
        for (key, item) in table {
            let name: &str = key.get_ref();
            match name {
                "name" => self.layer.name = self.words("name", item),
                "title" => self.layer.title = self.words("title", item),
                "extends" => {
                    let place = Some(self.place(item.span()));
                    self.layer.extends = self.words("extends", item).map(|e| (e, place));
                }
                "base" if self.kind == Kind::Stored => self.layer.base = self.words("base", item),
                "asks" => self.asks(item),
                "csv" => self.csv(item),
                "calibrate" => self.calibrate(item),
                "time" => self.time(item),
                "guide" => self.guide(item),
                "obd" => self.bus_rows("obd", item),
                "did" => self.bus_rows("did", item),
                "broadcast" => self.bus_rows("broadcast", item),
                "dialect" => self.dialect(item),
                section if paths().any(|p| p.split('.').next() == Some(section)) => self.section(section, item),
                unknown => self.unknown_top(unknown, key),
            }
        }
    }

    fn unknown_top(&mut self, name: &str, key: Key<'_, '_>) {
        if self.kind == Kind::Stored {
            self.layer.warnings.push(format!("\"{name}\" is not known to this version and was left out"));
            return;
        }
        let sections: BTreeSet<&str> = paths().filter_map(|p| p.split('.').next()).collect();
        let otherwise = format!(
            "here belong {} or the tables [{}]",
            TOP.join(", "),
            sections.iter().copied().collect::<Vec<_>>().join("], [")
        );
        // A setting written without its table is told where it belongs.
        let known = TOP.into_iter().chain(sections.iter().copied()).chain(paths());
        self.fault(key.span(), format!("there is no key or table \"{name}\""), nearest(name, known, &otherwise));
    }

    pub(super) fn unknown_in(&mut self, table: &str, key: Key<'_, '_>, known: &[&str]) {
        let name: &str = key.get_ref();
        let right = nearest(name, known.iter().copied(), &format!("here belongs {}", one_of(known)));
        self.fault(key.span(), format!("there is no \"{name}\" in {table}"), right);
    }

    /// A text that is not empty.
    pub(super) fn words(&mut self, what: &str, item: Item<'_, '_>) -> Option<String> {
        match item.get_ref() {
            DeValue::String(s) if !s.trim().is_empty() => Some(s.trim().to_string()),
            _ => {
                self.fault(item.span(), format!("{what} is not a text"), "write it in quotes, not empty");
                None
            }
        }
    }

    pub(super) fn number(&mut self, what: &str, item: Item<'_, '_>, low: f64, high: f64) -> Option<f64> {
        match plain(item.get_ref()) {
            Some(Value::Number(v)) if (low..=high).contains(&v) => Some(v),
            _ => {
                self.fault(
                    item.span(),
                    format!("{what} is {}", shown(item.get_ref())),
                    format!("it must be a number from {low} to {high}"),
                );
                None
            }
        }
    }

    fn section(&mut self, section: &str, item: Item<'_, '_>) {
        let DeValue::Table(table) = item.get_ref() else {
            self.fault(item.span(), format!("{section} is a table, not a value"), format!("write [{section}]"));
            return;
        };
        for (key, item) in table {
            let path = format!("{section}.{}", key.get_ref());
            match setting(&path) {
                Some(setting) => self.setting(setting, key, item),
                None if self.kind == Kind::Stored => self
                    .layer
                    .warnings
                    .push(format!("the setting {path} is not known to this version and was left out")),
                None => {
                    let keys: Vec<&str> = paths().filter_map(|p| p.strip_prefix(section)?.strip_prefix('.')).collect();
                    let otherwise = format!("[{section}] holds {}", keys.join(", "));
                    let right = nearest(&path, paths(), &otherwise);
                    self.fault(key.span(), format!("there is no setting {path}"), right);
                }
            }
        }
    }

    fn setting(&mut self, setting: &'static Setting, key: Key<'_, '_>, item: Item<'_, '_>) {
        let (value, source) = match item.get_ref() {
            DeValue::Table(table) => {
                let mut value = None;
                let mut source = None;
                for (inner, item) in table {
                    match inner.get_ref().as_ref() {
                        "value" => value = Some(item),
                        "source" => source = self.words(&format!("the source of {}", setting.path), item),
                        _ => self.unknown_in(setting.path, inner, &VALUE),
                    }
                }
                let Some(value) = value else {
                    self.fault(key.span(), format!("{} has no value", setting.path), must_be(setting));
                    return;
                };
                (value, source)
            }
            _ => (item, None),
        };
        let found = match plain(value.get_ref()) {
            Some(plain) => fits(setting, plain),
            None => Err(format!("{} is {}", setting.path, shown(value.get_ref()))),
        };
        match found {
            Ok(found) => {
                if self.kind == Kind::BuiltIn && source.is_none() {
                    let right = "write { value = …, source = \"…\" }";
                    self.fault(key.span(), format!("{} has no source", setting.path), right);
                }
                let place = Some(self.place(key.span()));
                self.layer.values.insert(setting.path, Given { value: found, source, place });
            }
            Err(what) => self.fault(value.span(), what, must_be(setting)),
        }
    }

    fn asks(&mut self, item: Item<'_, '_>) {
        let DeValue::Array(array) = item.get_ref() else {
            self.fault(item.span(), "asks is not a list", "write it as [\"key_off_soak\", …], or [] for none");
            return;
        };
        let mut asks = Vec::new();
        for item in array {
            let Some(name) = self.words("a test's name", item) else { continue };
            match test_named(&name) {
                Ok(test) if asks.contains(&test) => {
                    self.fault(item.span(), format!("{name} is asked for twice"), "leave one out");
                }
                Ok(test) => asks.push(test),
                Err((what, right)) => self.fault(item.span(), what, right),
            }
        }
        self.layer.asks = Some(asks);
    }

    fn csv(&mut self, item: Item<'_, '_>) {
        let DeValue::Array(rows) = item.get_ref() else {
            self.fault(item.span(), "csv is not a list of tables", "head each with [[csv]]");
            return;
        };
        self.csv_rows(rows);
    }

    fn csv_rows(&mut self, rows: &DeArray<'_>) {
        for row in rows {
            let DeValue::Table(table) = row.get_ref() else {
                self.fault(row.span(), "a row of csv is not a table", "head each with [[csv]]");
                continue;
            };
            let before = self.faults.len();
            let (mut column, mut channel, mut source) = (None, None, None);
            let (mut scale, mut offset) = (1.0, 0.0);
            for (key, item) in table {
                match key.get_ref().as_ref() {
                    "column" => column = self.words("column", item).map(|c| (c, item.span())),
                    "channel" => channel = self.channel(item),
                    "scale" => scale = self.number("scale", item, -1e9, 1e9).unwrap_or(scale),
                    "offset" => offset = self.number("offset", item, -1e9, 1e9).unwrap_or(offset),
                    "source" => source = self.words("source", item),
                    _ => self.unknown_in("[[csv]]", key, &CSV),
                }
                if scale == 0.0 {
                    self.fault(item.span(), "scale is 0, which makes every value alike", "give the factor");
                    scale = 1.0;
                }
            }
            match (column, channel) {
                (Some((column, span)), Some(_)) if self.layer.columns.iter().any(|(c, _)| c.column == column) => {
                    self.fault(span, format!("the column \"{column}\" is mapped twice"), "leave one [[csv]] out");
                }
                (Some((column, _)), Some(channel)) => {
                    self.layer.columns.push((Column { column, channel, scale, offset }, source));
                }
                _ if self.faults.len() == before => {
                    self.fault(
                        row.span(),
                        "a [[csv]] lacks its column or channel",
                        "give column = \"…\", channel = \"…\"",
                    );
                }
                _ => {}
            }
        }
    }

    pub(super) fn channel(&mut self, item: Item<'_, '_>) -> Option<Channel> {
        let name = self.words("channel", item)?;
        let found = Channel::from_name(&name);
        if found.is_none() {
            let names = Channel::ALL.iter().map(|c| c.name());
            let all = names.clone().collect::<Vec<_>>();
            let right = nearest(&name, names, &format!("it must be {}", one_of(&all)));
            self.fault(item.span(), format!("there is no channel \"{name}\""), right);
        }
        found
    }

    fn time(&mut self, item: Item<'_, '_>) {
        let DeValue::Table(table) = item.get_ref() else {
            self.fault(item.span(), "time is a table, not a value", "write [time] with column or period_s");
            return;
        };
        let before = self.faults.len();
        let (mut column, mut period, mut source) = (None, None, None);
        for (key, item) in table {
            match key.get_ref().as_ref() {
                "column" => column = self.words("time.column", item),
                "period_s" => period = self.number("time.period_s", item, PERIOD_S.0, PERIOD_S.1),
                "source" => source = self.words("time.source", item),
                _ => self.unknown_in("[time]", key, &TIME),
            }
        }
        match (column, period) {
            (Some(c), None) => self.layer.time = Some((RowTime::Column(c), source)),
            (None, Some(p)) => {
                if self.kind == Kind::BuiltIn && source.is_none() {
                    self.fault(item.span(), "time.period_s has no source", "say in `source` where it comes from");
                }
                self.layer.time = Some((RowTime::Period(p), source));
            }
            (Some(_), Some(_)) => self.fault(item.span(), "time has both column and period_s", "keep one of them"),
            (None, None) if self.faults.len() == before => {
                self.fault(item.span(), "time has neither column nor period_s", "give one of them");
            }
            (None, None) => {}
        }
    }
}

/// A number or word as it stands.
fn plain(value: &DeValue<'_>) -> Option<Value> {
    match value {
        DeValue::String(s) => Some(Value::Word(s.to_string())),
        #[allow(clippy::cast_precision_loss)] // no sound setting comes near 2^53
        DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|v| Value::Number(v as f64)),
        DeValue::Float(f) => f.as_str().parse().ok().map(Value::Number),
        DeValue::Boolean(_) | DeValue::Datetime(_) | DeValue::Array(_) | DeValue::Table(_) => None,
    }
}

/// A value as it is named in a fault.
fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(s) => format!("\"{s}\""),
        DeValue::Integer(i) => i.to_string(),
        DeValue::Float(f) => f.to_string(),
        DeValue::Boolean(b) => b.to_string(),
        DeValue::Datetime(_) => "a date".to_string(),
        DeValue::Array(_) => "a list".to_string(),
        DeValue::Table(_) => "a table".to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_built_in_value_without_a_source_is_a_fault() {
        let text = "[vehicle]\ntank_l = 60\nlines_l = { value = 4, source = \"a guess\" }\n[time]\nperiod_s = 1\n";
        let (_, faults) = read("b.toml", text, Kind::BuiltIn);
        let told: Vec<String> = faults.iter().map(Fault::to_string).collect();
        assert_eq!(
            told,
            [
                "b.toml:2:1: vehicle.tank_l has no source; write { value = …, source = \"…\" }",
                "b.toml:4:1: time.period_s has no source; say in `source` where it comes from",
            ]
        );
        assert!(read("f.toml", text, Kind::File).1.is_empty());
    }
}
