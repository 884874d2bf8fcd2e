//! A name, a file or a text becomes a checked and complete profile.

use super::builtin::{BASE, DIALECT, builtin, builtin_names};
use super::check::rules;
use super::fault::{Error, Fault, Place, nearest};
use super::read::{
    BusRows, Given, Kind, Layer, PERIOD_S, Value, fits, must_be, one_of, paths, read, setting, test_named,
};
use super::read_dialect::DialectPart;
use super::{BusSources, Calibration, Column, Profile, RowTime, SETTINGS, Settings};
use crate::channel::Channel;
use crate::wire::dialect::Dialect;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The source of a value given with `--set`.
pub const SET_SOURCE: &str = "set on the command line";

/// A built-in profile by its name.
pub fn load_builtin(name: &str) -> Result<Profile, Error> {
    load_builtin_with(name, &[])
}

/// A built-in profile by its name, or a path to a file; `sets` are `KEY=VALUE` arguments that go over it.
pub fn load(name_or_path: &str, sets: &[String]) -> Result<Profile, Error> {
    if builtin(name_or_path).is_some() {
        return load_builtin_with(name_or_path, sets);
    }
    let path = Path::new(name_or_path);
    let bytes = std::fs::read(path).map_err(|cause| match cause.kind() {
        std::io::ErrorKind::NotFound => {
            Error::NotFound { name: name_or_path.to_string(), right: what_there_is(name_or_path) }
        }
        _ => Error::Unreadable { path: name_or_path.to_string(), cause },
    })?;
    let mut chain = Chain::default();
    if let Some(text) = chain.text(name_or_path, bytes) {
        chain.file(name_or_path, &text, path.parent(), vec![canonical(path)]);
    }
    chain.finish(name_or_path, sets)
}

fn load_builtin_with(name: &str, sets: &[String]) -> Result<Profile, Error> {
    let Some((name, text)) = builtin(name) else {
        return Err(Error::NotFound { name: name.to_string(), right: what_there_is(name) });
    };
    let mut chain = Chain::default();
    chain.builtin(name, text, Vec::new());
    chain.finish(name, sets)
}

fn what_there_is(name: &str) -> String {
    let names: Vec<&str> = builtin_names().collect();
    nearest(name, builtin_names(), &format!("built in are {}; or give the path of a .toml file", one_of(&names)))
}

impl Profile {
    /// A profile from its text. `label` names it in faults; `extends` may name a built-in profile only, since a
    /// text has no folder.
    pub fn from_str(label: &str, text: &str, sets: &[String]) -> Result<Profile, Error> {
        let mut chain = Chain::default();
        chain.file(label, text, None, Vec::new());
        chain.finish(label, sets)
    }

    /// A profile kept with a capture ([`Profile::to_toml`]), and warnings where another version of the tool wrote
    /// it: settings it lacks come from the built-in profile it stood on, settings unknown here are left out.
    pub fn from_table(table: &toml::Table, sets: &[String]) -> Result<(Profile, Vec<String>), Error> {
        let label = "the profile kept with the capture";
        let (mut layer, mut faults) = read(label, &table.to_string(), Kind::Stored);
        if layer.extends.take().is_some() {
            faults.push(Fault {
                file: label.to_string(),
                place: None,
                what: "it extends another profile".to_string(),
                right: "a kept profile is complete; copy the capture's session.toml afresh".to_string(),
            });
        }
        let mut warnings = std::mem::take(&mut layer.warnings);
        let stood_on = layer.base.take().and_then(|name| builtin(&name)).map(|(name, _)| name);
        let base = stood_on.unwrap_or(BASE);
        let lacking: Vec<&str> = paths().filter(|p| !layer.values.contains_key(p)).collect();
        let mut chain = Chain { faults, ..Chain::default() };
        if chain.faults.is_empty() && !lacking.is_empty() {
            warnings.push(format!("the kept profile lacks {}, taken from the built-in {base}", lacking.join(", ")));
            // Only settings are lacking: what the capture's profile maps and asks is its own.
            let mut under = Chain::default();
            if let Some((name, text)) = builtin(base) {
                under.builtin(name, text, Vec::new());
            }
            chain.faults.append(&mut under.faults);
            chain.layers.extend(
                under.layers.into_iter().map(|(l, layer)| (l, Layer { values: layer.values, ..Layer::default() })),
            );
        }
        chain.base = stood_on;
        chain.layers.push((label.to_string(), layer));
        let profile = chain.finish(label, sets)?;
        Ok((profile, warnings))
    }
}

fn canonical(path: &Path) -> PathBuf {
    // Only to know a file again: one that cannot be resolved stands for itself.
    std::fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf())
}

/// The files of a profile, the deepest base first.
#[derive(Default)]
struct Chain {
    layers: Vec<(String, Layer)>,
    faults: Vec<Fault>,
    base: Option<&'static str>,
}

/// A value with the layer it comes from.
struct Placed {
    given: Given,
    layer: usize,
}

impl Chain {
    fn text(&mut self, label: &str, bytes: Vec<u8>) -> Option<String> {
        String::from_utf8(bytes)
            .map_err(|e| {
                let good = e.utf8_error().valid_up_to();
                let text = String::from_utf8_lossy(&e.as_bytes()[..good]).into_owned();
                let place = Some(Place::of(&text, good));
                self.fault(label, place, "this is not UTF-8 text", "save the file as UTF-8");
            })
            .ok()
    }

    fn fault(&mut self, file: &str, place: Option<Place>, what: impl Into<String>, right: impl Into<String>) {
        self.faults.push(Fault { file: file.to_string(), place, what: what.into(), right: right.into() });
    }

    fn builtin(&mut self, name: &'static str, text: &str, seen: Vec<PathBuf>) {
        self.base = self.base.or(Some(name));
        let label = format!("profiles/{name}.toml");
        let (layer, faults) = read(&label, text, Kind::BuiltIn);
        self.take(label, layer, faults, None, seen);
    }

    fn file(&mut self, label: &str, text: &str, folder: Option<&Path>, seen: Vec<PathBuf>) {
        let (layer, faults) = read(label, text, Kind::File);
        self.take(label.to_string(), layer, faults, folder, seen);
    }

    /// Takes a layer after what it extends.
    fn take(&mut self, label: String, layer: Layer, faults: Vec<Fault>, folder: Option<&Path>, mut seen: Vec<PathBuf>) {
        let extends = layer.extends.clone();
        if let Some((name, place)) = extends {
            if let Some((name, text)) = builtin(&name) {
                // Built-in names are no paths, and yet must not go in a circle.
                let mark = PathBuf::from(format!("built-in:{name}"));
                if seen.contains(&mark) {
                    self.fault(&label, place, format!("\"{name}\" extends itself in a circle"), "break the circle");
                } else {
                    seen.push(mark);
                    self.builtin(name, text, seen);
                }
            } else if let Some(folder) = folder {
                self.beside(&label, place, &folder.join(&name), seen);
            } else {
                self.fault(&label, place, format!("there is no built-in profile \"{name}\""), what_there_is(&name));
            }
        }
        self.faults.extend(faults);
        self.layers.push((label, layer));
    }

    fn beside(&mut self, label: &str, place: Option<Place>, path: &Path, mut seen: Vec<PathBuf>) {
        let shown = path.display().to_string();
        let mark = canonical(path);
        if seen.contains(&mark) {
            self.fault(label, place, format!("\"{shown}\" extends itself in a circle"), "break the circle");
            return;
        }
        seen.push(mark);
        match std::fs::read(path) {
            Ok(bytes) => {
                if let Some(text) = self.text(&shown, bytes) {
                    self.file(&shown, &text, path.parent(), seen);
                }
            }
            Err(cause) => {
                let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
                let right = what_there_is(&name);
                self.fault(label, place, format!("cannot read \"{shown}\", which it extends ({cause})"), right);
            }
        }
    }

    fn finish(mut self, label: &str, sets: &[String]) -> Result<Profile, Error> {
        let read_well = self.faults.is_empty();
        let (spoken, mut faults) = read(DIALECT.0, DIALECT.1, Kind::BuiltIn);
        self.faults.append(&mut faults);
        for set in sets {
            match parse_set(set) {
                Ok(layer) => self.layers.push((set_label(set), layer)),
                Err((what, right)) => self.fault(&set_label(set), None, what, right),
            }
        }
        let dialect = self.dialect(spoken.dialect.unwrap_or_default());
        let mut values: BTreeMap<&'static str, Placed> = BTreeMap::new();
        for (i, (_, layer)) in self.layers.iter().enumerate() {
            for (path, given) in &layer.values {
                values.insert(path, Placed { given: given.clone(), layer: i });
            }
        }
        let lacking: Vec<&str> = paths().filter(|p| !values.contains_key(p)).collect();
        // After a broken line nobody knows what it would have given.
        if !lacking.is_empty() && read_well {
            let what = format!("{} of {} settings are missing: {}", lacking.len(), SETTINGS.len(), lacking.join(", "));
            let right = format!("give them, or write extends = \"{BASE}\" to take them from there");
            self.fault(label, Some(Place { line: 1, column: 1 }), what, right);
        }
        self.cross_check(&values);
        if !self.faults.is_empty() {
            return Err(Error::Faulty(self.faults));
        }
        self.resolve(label, values, dialect)
    }

    /// The dialect, from the built-in one up.
    fn dialect(&mut self, mut whole: DialectPart) -> (Dialect, Option<String>) {
        let mut file = DIALECT.0.to_owned();
        for (label, layer) in &mut self.layers {
            if let Some(part) = layer.dialect.take() {
                file.clone_from(label);
                whole.lay(part);
            }
        }
        let source = whole.source.clone();
        let (dialect, faulty) = whole.finish();
        for (command, why) in faulty {
            self.fault(&file, None, format!("\"{command}\" is no command for an adapter"), why);
        }
        (dialect, source)
    }

    fn cross_check(&mut self, values: &BTreeMap<&'static str, Placed>) {
        for rule in rules() {
            let (Some(first), Some(second)) = (values.get(rule.first), values.get(rule.second)) else { continue };
            let (Value::Number(a), Value::Number(b)) = (&first.given.value, &second.given.value) else { continue };
            if rule.holds(*a, *b) {
                continue;
            }
            // The value that was given last is the one to look at.
            let at = if (first.layer, first.given.place) > (second.layer, second.given.place) { first } else { second };
            let file = self.layers.get(at.layer).map_or_else(String::new, |(label, _)| label.clone());
            let what = format!("{} is {a} and {} is {b}", rule.first, rule.second);
            self.fault(&file, at.given.place, what, rule.words());
        }
    }

    fn resolve(
        self,
        label: &str,
        values: BTreeMap<&'static str, Placed>,
        (dialect, spoken_source): (Dialect, Option<String>),
    ) -> Result<Profile, Error> {
        let mut name = None;
        let mut title = None;
        let mut asks = Vec::new();
        let mut columns: Vec<(Column, Option<String>)> = Vec::new();
        let mut calibrations: Vec<(Calibration, Option<String>)> = Vec::new();
        let mut bus = BusRows::default();
        let mut time = None;
        let mut guides = BTreeMap::new();
        let last_file = self.layers.iter().rposition(|(l, _)| !l.starts_with("--set"));
        for (i, (_, layer)) in self.layers.into_iter().enumerate() {
            // A name is a profile's own; a title may be taken over.
            if last_file.is_none_or(|last| i >= last) {
                name = layer.name.or(name);
            }
            title = layer.title.or(title);
            asks = layer.asks.unwrap_or(asks);
            time = layer.time.or(time);
            guides.extend(layer.guides);
            for (column, source) in layer.columns {
                columns.retain(|(c, _)| c.column != column.column);
                columns.push((column, source));
            }
            for (own, source) in layer.calibrations {
                calibrations.retain(|(c, _)| c.channel != own.channel);
                calibrations.push((own, source));
            }
            // A channel has one source of a kind: the later layer's.
            lay_over(&mut bus.obd, layer.bus.obd, |s| s.channel);
            lay_over(&mut bus.did, layer.bus.did, |s| s.channel);
            lay_over(&mut bus.broadcast, layer.bus.broadcast, |s| s.channel);
        }
        let stem = Path::new(label).file_stem().map_or_else(|| label.to_string(), |s| s.to_string_lossy().into_owned());
        let name = name.unwrap_or(stem);
        let mut sources: BTreeMap<String, String> = BTreeMap::new();
        for (path, placed) in &values {
            if let Some(source) = &placed.given.source {
                sources.insert((*path).to_string(), source.clone());
            }
        }
        for (column, source) in &columns {
            if let Some(source) = source {
                sources.insert(format!("csv.{}", column.column), source.clone());
            }
        }
        for (own, source) in &calibrations {
            if let Some(source) = source {
                sources.insert(format!("calibrate.{}", own.channel), source.clone());
            }
        }
        let bus_sources = (bus.obd.iter().map(|(s, t)| (format!("obd.{}", s.channel), t)))
            .chain(bus.did.iter().map(|(s, t)| (format!("did.{}", s.channel), t)))
            .chain(bus.broadcast.iter().map(|(s, t)| (format!("broadcast.{}", s.channel), t)));
        sources.extend(bus_sources.filter_map(|(path, source)| Some((path, source.clone()?))));
        sources.extend(spoken_source.map(|source| ("dialect".to_string(), source)));
        let row_time = time.map(|(time, source)| {
            if let Some(source) = source {
                sources.insert("time".to_string(), source);
            }
            time
        });
        let set = Settings::build(
            |path| match values.get(path).map(|p| &p.given.value) {
                Some(Value::Number(v)) => Ok(*v),
                Some(Value::Word(_)) | None => Err(path),
            },
            |path| match values.get(path).map(|p| &p.given.value) {
                Some(Value::Word(w)) => Ok(w.clone()),
                Some(Value::Number(_)) | None => Err(path),
            },
        )
        .map_err(|path| {
            let right = setting(path).map_or_else(String::new, must_be);
            Error::Faulty(vec![Fault {
                file: label.to_string(),
                place: None,
                what: format!("{path} is missing"),
                right,
            }])
        })?;
        let bus = BusSources {
            obd: bus.obd.into_iter().map(|(s, _)| s).collect(),
            did: bus.did.into_iter().map(|(s, _)| s).collect(),
            broadcast: bus.broadcast.into_iter().map(|(s, _)| s).collect(),
        };
        if let Some((what, right)) = bus.too_much(&set.bus) {
            return Err(Error::Faulty(vec![Fault { file: label.to_string(), place: None, what, right }]));
        }
        Ok(Profile {
            title: title.unwrap_or_else(|| name.clone()),
            name,
            base: self.base.map(str::to_string),
            set,
            sources,
            columns: columns.into_iter().map(|(column, _)| column).collect(),
            calibrations: calibrations.into_iter().map(|(own, _)| own).collect(),
            bus,
            dialect,
            row_time,
            asks,
            guides: guides.into_iter().filter(|(_, steps)| !steps.is_empty()).collect(),
        })
    }
}

fn lay_over<T>(under: &mut Vec<(T, Option<String>)>, over: Vec<(T, Option<String>)>, channel: fn(&T) -> Channel) {
    under.retain(|(u, _)| !over.iter().any(|(o, _)| channel(o) == channel(u)));
    under.extend(over);
}

fn set_label(set: &str) -> String {
    format!("--set {set}")
}

/// One `KEY=VALUE`, or what is wrong and what would be right.
fn parse_set(set: &str) -> Result<Layer, (String, String)> {
    let Some((key, value)) = set.split_once('=') else {
        return Err(("there is no = in it".to_string(), "write it as vehicle.tank_l=62".to_string()));
    };
    let (key, value) = (key.trim(), value.trim());
    let mut layer = Layer::default();
    if let Some(part) = key.strip_prefix("dialect.").and_then(|command| DialectPart::of_set(command, value)) {
        layer.dialect = Some(part);
        return Ok(layer);
    }
    let source = Some(SET_SOURCE.to_string());
    match key {
        "name" | "title" | "time.column" if value.is_empty() => {
            return Err((format!("{key} is empty"), "give it a text".to_string()));
        }
        "name" => layer.name = Some(value.to_string()),
        "title" => layer.title = Some(value.to_string()),
        "time.column" => layer.time = Some((RowTime::Column(value.to_string()), source)),
        "time.period_s" => match value.parse() {
            Ok(v) if (PERIOD_S.0..=PERIOD_S.1).contains(&v) => layer.time = Some((RowTime::Period(v), source)),
            _ => {
                let right = format!("it must be a number from {} to {} s", PERIOD_S.0, PERIOD_S.1);
                return Err((format!("time.period_s is \"{value}\""), right));
            }
        },
        "asks" => {
            let names = value.split(',').map(str::trim).filter(|n| !n.is_empty());
            layer.asks = Some(names.map(test_named).collect::<Result<_, _>>()?);
        }
        "extends" | "dialect" | "csv" | "calibrate" | "guide" | "obd" | "did" | "broadcast" => {
            let right = "write it in a profile file and name that with --profile".to_string();
            return Err((format!("{key} cannot be set on the command line"), right));
        }
        _ => {
            let Some(setting) = setting(key) else {
                let known = paths().chain(["asks", "name", "title", "time.column", "time.period_s"]);
                let otherwise = "`soakwatch profile show switch-module` lists every setting";
                return Err((format!("there is no setting \"{key}\""), nearest(key, known, otherwise)));
            };
            let given = match (setting.holds, value.parse()) {
                (super::Holds::Number { .. }, Ok(number)) => Value::Number(number),
                _ => Value::Word(value.to_string()),
            };
            let value = fits(setting, given).map_err(|what| (what, must_be(setting)))?;
            layer.values.insert(setting.path, Given { value, source, place: None });
        }
    }
    Ok(layer)
}
