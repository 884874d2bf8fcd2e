//! Values, times and texts as people read them. The only place that converts to inches and °F.

use crate::channel::Channel;
use crate::grade::verdict::PartVerdict;
use crate::trade::{Phase, Test, Verdict};
use crate::units::{MM_PER_INCH, PA_PER_INH2O, Shown, fahrenheit};
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// How a word stands out. Never the only carrier of a meaning: the word itself says it too.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// As it is.
    Plain,
    /// In order.
    Good,
    /// Not in order.
    Bad,
    /// Wants attention.
    Warn,
    /// Beside the point.
    Dim,
    /// A name.
    Strong,
}

/// Colours `text` where `colour` is wanted.
pub fn paint(ink: Ink, text: &str, colour: bool) -> String {
    let code = match ink {
        _ if !colour => return text.to_owned(),
        Ink::Plain => return text.to_owned(),
        Ink::Good => "32",
        Ink::Bad => "31;1",
        Ink::Warn => "33",
        Ink::Dim => "2",
        Ink::Strong => "1",
    };
    format!("\x1b[{code}m{text}\x1b[0m")
}

/// Whether to use colour on a terminal: `NO_COLOR` (no-color.org: set and not empty) turns it off.
pub fn colour_wanted(terminal: bool) -> bool {
    terminal && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
}

/// The ink of a verdict.
pub fn verdict_ink(v: Verdict) -> Ink {
    match v {
        Verdict::Pass => Ink::Good,
        Verdict::Fail => Ink::Bad,
        Verdict::Inconclusive => Ink::Warn,
        Verdict::NotRun => Ink::Dim,
    }
}

/// A test in trade words.
pub fn test(t: Test) -> &'static str {
    match t {
        Test::KeyOffSoak => "key-off soak",
        Test::StartVent => "start vent",
        Test::PurgeResponse => "purge response",
        Test::VacuumDecay => "vacuum decay",
        Test::SwitchCircuit => "switch circuit",
        Test::VentSolenoid => "vent solenoid",
        Test::Relief => "relief",
        Test::SwitchPoint => "switch point",
        Test::ModuleHold => "module hold",
    }
}

/// A verdict in words.
pub fn verdict(v: Verdict) -> &'static str {
    match v {
        Verdict::NotRun => "not run",
        other => other.word(),
    }
}

/// The verdict on a part in words.
pub fn part(v: PartVerdict) -> &'static str {
    match v {
        PartVerdict::Fit => "fit it",
        PartVerdict::DoNotFit => "do not fit it",
        PartVerdict::Repeat => "repeat",
    }
}

/// The ink of a verdict on a part.
pub fn part_ink(v: PartVerdict) -> Ink {
    match v {
        PartVerdict::Fit => Ink::Good,
        PartVerdict::DoNotFit => Ink::Bad,
        PartVerdict::Repeat => Ink::Warn,
    }
}

/// A phase in trade words.
pub fn phase(p: Phase) -> &'static str {
    match p {
        Phase::KeyOff => "key off",
        Phase::Soak => "soak, sealed",
        Phase::KeyOn => "key on",
        Phase::Crank => "cranking",
        Phase::Running => "running",
        Phase::PurgeRun => "sealed purge",
        Phase::Decay => "vacuum decay",
        Phase::Unknown => "not known yet",
    }
}

/// A channel in words, at most 16 columns.
pub fn channel(c: Channel) -> &'static str {
    c.words()
}

/// A channel's value with its unit. Barometer and manifold stay in kPa in both systems.
pub fn value(c: Channel, v: f64, shown: Shown) -> String {
    let word = |on, off| if v >= 0.5 { on } else { off };
    match (c, c.unit(), shown) {
        (Channel::Key, ..) => word("on", "off").to_owned(),
        (Channel::VentSolenoid, ..) => word("energised", "at rest").to_owned(),
        (Channel::LeakSwitch, ..) => word("closed", "open").to_owned(),
        (_, "Pa", Shown::Si) => fixed(v, 0, "Pa"),
        (_, "Pa", Shown::Inch) => fixed(v / PA_PER_INH2O, 2, "inH2O"),
        (_, "°C", Shown::Si) => fixed(v, 1, "°C"),
        (_, "°C", Shown::Inch) => fixed(fahrenheit(v), 1, "°F"),
        (_, "rpm" | "km/h", _) => fixed(v, 0, c.unit()),
        (_, unit @ ("V" | "A"), _) => fixed(v, 2, unit),
        (_, unit, _) => fixed(v, 1, unit),
    }
}

fn fixed(v: f64, decimals: usize, unit: &str) -> String {
    let text = format!("{v:.decimals$}");
    // A rounded nothing has no sign.
    let bare = if text.trim_matches(['-', '0', '.']).is_empty() { text.trim_start_matches('-') } else { &text };
    format!("{bare} {unit}")
}

/// A smaller hole is none to anybody.
pub const NO_HOLE_MM: f64 = 0.005;

/// A hole's diameter.
pub fn hole(mm: f64, shown: Shown) -> String {
    match shown {
        _ if !mm.is_finite() => "?".to_owned(),
        Shown::Si if mm < NO_HOLE_MM => "under 0.01 mm".to_owned(),
        Shown::Si => format!("{mm:.2} mm"),
        Shown::Inch if mm < NO_HOLE_MM => "under 0.001 in".to_owned(),
        Shown::Inch => format!("{:.3} in", mm / MM_PER_INCH),
    }
}

/// A text of the judge in the units the person reads: "249 Pa" becomes "1.00 inH2O". Ranges ("200 to 300 Pa",
/// "200–300 Pa") are converted at both ends; all else stays as it is.
pub fn words(text: &str, shown: Shown) -> String {
    if shown == Shown::Si {
        return text.to_owned();
    }
    let mut out: Vec<String> = text.split(' ').map(str::to_owned).collect();
    let mut said_twice = vec![];
    for unit_at in 1..out.len() {
        let Some((convert, unit, rest)) = foreign_unit(&out[unit_at]) else { continue };
        let (unit, rest) = (unit.to_owned(), rest.to_owned());
        let Some(number) = in_unit(&out[unit_at - 1], convert) else { continue };
        let range = unit_at >= 3 && matches!(out[unit_at - 2].as_str(), "to" | "and" | "or" | "…" | "–");
        if range && let Some(first) = in_unit(&out[unit_at - 3], convert) {
            out[unit_at - 3] = first;
        }
        out[unit_at - 1] = number;
        out[unit_at] = unit + &rest;
        // "0.51 mm (0.020 in)" says both already.
        let both = rest.is_empty() && out.get(unit_at + 1).is_some_and(|w| w.starts_with('('));
        if both && let Some(after) = out.get(unit_at + 2).and_then(|w| w.strip_prefix("in)")).map(str::to_owned) {
            out[unit_at] += &after;
            said_twice.extend([unit_at + 1, unit_at + 2]);
        }
    }
    let kept = out.into_iter().enumerate().filter(|(i, _)| !said_twice.contains(i)).map(|(_, word)| word);
    kept.collect::<Vec<_>>().join(" ")
}

type Convert = fn(f64) -> (f64, usize);

/// The conversion for a word that begins with a unit, the new unit, and what follows the old one.
fn foreign_unit(word: &str) -> Option<(Convert, &'static str, &str)> {
    const UNITS: [(&str, &str, Convert); 4] = [
        ("Pa", "inH2O", |v| (v / PA_PER_INH2O, 2)),
        ("°C", "°F", |v| (fahrenheit(v), 1)),
        ("K", "°F", |v| (v * 1.8, 1)),
        ("mm", "in", |v| (v / MM_PER_INCH, 3)),
    ];
    UNITS.iter().find_map(|(old, new, convert)| {
        let rest = word.strip_prefix(old)?;
        (!rest.starts_with(char::is_alphanumeric)).then_some((*convert, *new, rest))
    })
}

/// A number, or two joined by an en dash, with any bracket before it kept.
fn in_unit(word: &str, convert: Convert) -> Option<String> {
    let bare = word.trim_start_matches(['(', '[']);
    let before = &word[..word.len() - bare.len()];
    let one = |number: &str| {
        let v: f64 = number.replace('−', "-").parse().ok()?;
        let (v, decimals) = convert(v);
        Some(format!("{v:.decimals$}"))
    };
    let converted = match bare.split_once('–') {
        Some((low, high)) => format!("{}–{}", one(low)?, one(high)?),
        None => one(bare)?,
    };
    Some(format!("{before}{converted}"))
}

/// A length of time: "34.2 s", "5 min 03 s", "12 h 31 min", "2 d 04 h".
pub fn span(seconds: f64) -> String {
    let s = seconds.max(0.0);
    let whole = s.round() as u64;
    match whole {
        0..60 => format!("{s:.1} s"),
        60..3600 => format!("{} min {:02} s", whole / 60, whole % 60),
        3600..86_400 => format!("{} h {:02} min", whole / 3600, whole % 3600 / 60),
        _ => format!("{} d {:02} h", whole / 86_400, whole % 86_400 / 3600),
    }
}

/// Time since the capture began, as on a clock: "06:12:33", "1d 06:12:33".
pub fn clock(seconds: f64) -> String {
    let s = seconds.max(0.0) as u64;
    let time = format!("{:02}:{:02}:{:02}", s % 86_400 / 3600, s % 3600 / 60, s % 60);
    if s < 86_400 { time } else { format!("{}d {time}", s / 86_400) }
}

/// A count with its digits in groups of three: "1 234 567".
pub fn count(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, d) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(' ');
        }
        out.push(d);
    }
    out
}

/// A size on disk.
pub fn bytes(n: u64) -> String {
    match n {
        0..1_000 => format!("{n} B"),
        1_000..1_000_000 => format!("{:.1} kB", n as f64 / 1e3),
        _ => format!("{:.1} MB", n as f64 / 1e6),
    }
}

/// Columns on a terminal, escape codes not counted.
pub fn width(text: &str) -> usize {
    let mut columns = 0;
    let mut rest = text;
    while let Some((before, after)) = rest.split_once('\x1b') {
        columns += before.width();
        rest = after.split_once('m').map_or("", |(_, after)| after);
    }
    columns + rest.width()
}

/// Replaces what could steer a terminal (a port's name or a note may hold anything) by a dot.
pub fn clean(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '·' } else { c }).collect()
}

/// At most `columns` columns; what is cut off is marked. The text must hold no escape codes.
pub fn fit(text: &str, columns: usize) -> String {
    let text = clean(text);
    if text.width() <= columns {
        return text;
    }
    let mut out = String::new();
    let mut used = 0;
    for c in text.chars() {
        let w = c.width().unwrap_or(0);
        if used + w + 1 > columns {
            break;
        }
        used += w;
        out.push(c);
    }
    if columns > 0 {
        out.truncate(out.trim_end().len());
        out.push('…');
    }
    out
}

/// Cuts a row at `columns` columns; escape codes are kept, so that no colour runs on.
pub fn clip(row: &str, columns: usize) -> String {
    if width(row) <= columns {
        return row.to_owned();
    }
    let (mut out, mut used, mut escape) = (String::new(), 0, false);
    for c in row.chars() {
        escape |= c == '\x1b';
        let w = if escape { 0 } else { c.width().unwrap_or(0) };
        if used + w <= columns {
            out.push(c);
            used += w;
        }
        escape &= c != 'm';
    }
    out
}

/// `fit`, then filled with blanks.
pub fn pad(text: &str, columns: usize) -> String {
    let mut out = fit(text, columns);
    out.extend(std::iter::repeat_n(' ', columns.saturating_sub(width(&out))));
    out
}

/// Breaks a text between words, but not between a number and its unit; a word longer than a line is cut by `fit`.
pub fn wrap(text: &str, columns: usize) -> Vec<String> {
    const UNITS: [&str; 15] = ["Pa", "kPa", "°C", "°F", "K", "mm", "in", "inH2O", "s", "min", "h", "V", "A", "%", "L"];
    let text = clean(text);
    let mut words: Vec<String> = vec![];
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let bare = word.trim_end_matches(|c: char| c.is_ascii_punctuation() && c != '%');
        match words.last_mut() {
            Some(number) if UNITS.contains(&bare) && number.ends_with(|c: char| c.is_ascii_digit()) => {
                number.push(' ');
                number.push_str(word);
            }
            _ => words.push(word.to_owned()),
        }
    }
    let mut lines: Vec<String> = vec![];
    for word in words {
        match lines.last_mut() {
            Some(line) if line.width() + 1 + word.width() <= columns => {
                line.push(' ');
                line.push_str(&word);
            }
            _ => lines.push(fit(&word, columns)),
        }
    }
    lines
}

/// A count with its word: "1 row", "2 rows".
pub fn counted(n: u64, one: &str) -> String {
    format!("{} {one}{}", count(n), if n == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_in_both_systems() {
        // One inch of water is 249.0889 Pa (NIST SP 811, from memory); 0 °C is 32 °F by definition.
        assert_eq!(value(Channel::TankPressurePa, -249.0889, Shown::Si), "-249 Pa");
        assert_eq!(value(Channel::TankPressurePa, -249.0889, Shown::Inch), "-1.00 inH2O");
        assert_eq!(value(Channel::AmbientC, 0.0, Shown::Inch), "32.0 °F");
        assert_eq!(value(Channel::LeakSwitch, 1.0, Shown::Si), "closed");
        assert_eq!(value(Channel::TankPressurePa, -0.2, Shown::Si), "0 Pa", "no negative nothing");
        assert_eq!(hole(0.508, Shown::Inch), "0.020 in");
    }

    #[test]
    fn texts_are_converted_where_a_number_has_a_unit() {
        let inch = |t| words(t, Shown::Inch);
        assert_eq!(inch("closed at 249.0889 Pa, and held"), "closed at 1.00 inH2O, and held");
        assert_eq!(inch("units close at 200 to 300 Pa"), "units close at 0.80 to 1.20 inH2O");
        assert_eq!(inch("a hole of (0.508–1.016 mm)."), "a hole of (0.020–0.040 in).");
        assert_eq!(inch("cooled by 10 K in 2 h at 20 °C"), "cooled by 18.0 °F in 2 h at 68.0 °F");
        assert_eq!(inch("1 K/h"), "1.8 °F/h");
        assert_eq!(inch("[==    ]  25 %"), "[==    ]  25 %", "blanks stay");
        assert_eq!(inch("limit of 0.508 mm (0.020 in), and"), "limit of 0.020 in, and");
        assert_eq!(inch("98 kPa, 12 Kilo, the Pa and 3 mmHg"), "98 kPa, 12 Kilo, the Pa and 3 mmHg");
        assert_eq!(words("249 Pa", Shown::Si), "249 Pa");
    }

    #[test]
    fn times_as_people_say_them() {
        assert_eq!(span(34.21), "34.2 s");
        assert_eq!(span(303.0), "5 min 03 s");
        assert_eq!(span(45_060.0), "12 h 31 min");
        assert_eq!(span(187_200.0), "2 d 04 h");
        assert_eq!(clock(22_353.9), "06:12:33");
        assert_eq!(clock(108_753.0), "1d 06:12:33");
        assert_eq!(count(1_234_567), "1 234 567");
    }

    #[test]
    fn texts_keep_to_their_columns() {
        assert_eq!(fit("a long text", 6), "a lon…");
        assert_eq!(fit("a lon text", 3), "a…");
        assert_eq!(pad("ab", 4), "ab  ");
        assert_eq!(width(&paint(Ink::Bad, "fail", true)), 4);
        assert_eq!(fit("\x1b[2Jwiped", 20), "·[2Jwiped", "a name cannot steer the terminal");
        assert_eq!(clip(&format!("ab{}cd", paint(Ink::Bad, "fail", true)), 4), "ab\x1b[31;1mfa\x1b[0m");
        assert_eq!(wrap("one two three", 7), ["one two", "three"]);
        assert_eq!(wrap("it came to 81.0 °C.", 14), ["it came to", "81.0 °C."]);
        assert_eq!([counted(1, "row"), counted(1200, "row")], ["1 row", "1 200 rows"]);
        for c in Channel::ALL {
            assert!(width(channel(*c)) <= 16);
        }
    }
}
