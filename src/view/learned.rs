//! What a known hole taught, as a profile that extends the old one.

use crate::grade::verdict::{Findings, KnownHole, Range};
use crate::profile::{Holds, Profile, SETTINGS, builtin_names, load_builtin};
use std::collections::BTreeMap;
use std::fmt::Write;

/// The profile as a TOML file; nothing if nothing was learned. It extends the built-in profile on which the old one
/// stands, and holds all in which the old one differs from that.
pub fn profile(findings: &Findings, old: &Profile) -> Option<String> {
    let known = findings.known_leak.as_ref()?;
    let new = values(known, old)?;
    let base = old.base.as_deref().or(builtin_names().next())?;
    let base = load_builtin(base).ok()?;
    let source = format!("learned from {} with a known hole of {:.2} mm", findings.capture, known.size_mm.0);
    let text = |t: &str| toml::Value::from(t).to_string();
    let mut out = String::new();
    let mut line = |l: String| {
        let _ = writeln!(out, "{l}");
    };
    line(format!("# {}", source.replace(char::is_control, " ")));
    line(format!("name = {}", text(&format!("{}-learned", old.name))));
    line(format!("title = {}", text(&format!("{}, with what a known hole taught", old.title))));
    line(format!("extends = {}", text(&base.name)));
    let (whole, under) = (old.to_toml(), base.to_toml());
    let differs = |key: &str| whole.get(key).filter(|v| under.get(key) != Some(*v));
    if let Some(asks) = differs("asks") {
        line(format!("asks = {asks}"));
    }
    let mut section = "";
    for setting in SETTINGS {
        let Some((table, key)) = setting.path.split_once('.') else { continue };
        let learned = new.get(setting.path);
        let value = match (learned, setting.holds) {
            (Some(v), _) => format!("{v:.2}"),
            (None, Holds::Number { .. }) if old.set.number(setting.path) != base.set.number(setting.path) => {
                old.set.number(setting.path)?.to_string()
            }
            (None, Holds::Word(_)) if old.set.word(setting.path) != base.set.word(setting.path) => {
                text(old.set.word(setting.path)?)
            }
            _ => continue,
        };
        if table != section {
            line(format!("\n[{table}]"));
            section = table;
        }
        let source = if learned.is_some() { &source } else { old.source(setting.path) };
        line(format!("{key} = {{ value = {value}, source = {} }}", text(source)));
    }
    for key in ["time", "csv", "calibrate", "obd", "did", "broadcast", "dialect", "guide"] {
        if let Some(value) = differs(key) {
            line(format!("\n{}", toml::Table::from_iter([(key.to_owned(), value.clone())])));
        }
    }
    Some(out)
}

/// The settings that it changes.
fn values(known: &KnownHole, old: &Profile) -> Option<BTreeMap<&'static str, f64>> {
    let mut new = BTreeMap::new();
    if let (Some(v), Some(level)) = (&known.volume_l, known.level_pct) {
        let half = (v.high.0 - v.best.0).max(v.best.0 - v.low.0);
        new.insert("vehicle.measured_l", v.best.0);
        new.insert("vehicle.measured_level_pct", level.0);
        new.insert("vehicle.measured_spread_pct", 100.0 * half / v.best.0);
    }
    let mut range = |r: &Option<Range>, [low, high]: [&'static str; 2]| {
        let (Some(r), Some(l), Some(h)) = (r, old.set.number(low), old.set.number(high)) else { return };
        // What was known before still holds.
        new.insert(low, r.low.0.max(l));
        new.insert(high, r.high.0.min(h));
    };
    range(&known.closes_pa, ["switch.closes_low_pa", "switch.closes_high_pa"]);
    range(&known.reopens_pa, ["switch.reopens_low_pa", "switch.reopens_high_pa"]);
    (!new.is_empty()).then_some(new)
}

/// In words, a line each.
pub fn lines(known: &KnownHole) -> Vec<String> {
    let mut out = vec![match (&known.own_leak_at_most_mm, &known.tight_by) {
        (Some(own), Some(by)) => format!(
            "{:.2} mm in the line, {} over it; without it the vehicle's own leak is at most {:.2} mm ({by})",
            known.size_mm.0,
            super::show::counted(u64::from(known.decays), "decay"),
            own.0
        ),
        _ => format!("{:.2} mm in the line", known.size_mm.0),
    }];
    let of = |r: &Range, unit: &str| format!("{:.0} {unit} (90 %: {:.0} to {:.0} {unit})", r.best.0, r.low.0, r.high.0);
    if let (Some(v), Some(level)) = (&known.volume_l, known.level_pct) {
        out.push(format!("vapour volume at a level of {:.1} %: {}", level.0, of(v, "L")));
    }
    out.extend(known.closes_pa.as_ref().map(|r| format!("the switch closes at {} of vacuum", of(r, "Pa"))));
    out.extend(known.reopens_pa.as_ref().map(|r| format!("the switch re-opens at {} of vacuum", of(r, "Pa"))));
    out.extend(known.refused.as_ref().map(|why| format!("nothing is learned: {why}")));
    out
}
