//! CSV sinks: decoded samples, phases, edges and findings for other tools. RFC 4180, UTF-8, always SI.

use super::Error;
use crate::channel::Channel;
use crate::decode::Reading;
use crate::grade::verdict::{Evidence, Findings, Num, Secs};
use crate::time::Stamp;
use crate::timeline::{Engine, Happening, SwitchState, Turn, Vent};
use std::io::Write;

/// `samples.csv`: one row a reading, `time_s` first, then every channel in its fixed order.
///
/// The set of channels is known only when the record ends and memory must not grow with it, so the header names
/// all of them; a blank cell is "not sampled now". `csv:FILE` reads the file back.
pub struct Samples<W: Write> {
    out: ::csv::Writer<W>,
    what: String,
    row: ::csv::StringRecord,
}

impl<W: Write> Samples<W> {
    /// Writes the header. `what` names the file in errors.
    pub fn new(out: W, what: impl Into<String>) -> Result<Samples<W>, Error> {
        let mut samples = Samples { out: writer(out), what: what.into(), row: ::csv::StringRecord::new() };
        samples.row.push_field("time_s");
        Channel::ALL.iter().for_each(|c| samples.row.push_field(c.name()));
        samples.put()?;
        Ok(samples)
    }

    /// One row; an empty reading writes nothing.
    pub fn reading(&mut self, reading: &Reading) -> Result<(), Error> {
        if reading.is_empty() {
            return Ok(());
        }
        self.row.clear();
        self.row.push_field(&seconds(reading.at));
        for c in Channel::ALL {
            match reading.get(*c) {
                // Rust prints the shortest text that reads back as the same number.
                Some(v) if v.is_finite() => self.row.push_field(&v.to_string()),
                _ => self.row.push_field(""),
            }
        }
        self.put()
    }

    /// Hands what is buffered to the writer.
    pub fn flush(&mut self) -> Result<(), Error> {
        self.out.flush().map_err(Error::write(&self.what))
    }

    fn put(&mut self) -> Result<(), Error> {
        self.out.write_record(&self.row).map_err(|e| Error::write(&self.what)(e.into()))
    }
}

/// Columns of `edges.csv`: the first sample of the new state, the moment up to which the old one was still seen, what
/// changed, and the states, blank where not known.
pub const EDGES: [&str; 5] = ["time_s", "earliest_s", "what", "from", "to"];

/// `edges.csv`: every change of key, engine, vent, leak switch and purge as the timeline saw it, debounced.
pub struct Edges<W: Write> {
    out: ::csv::Writer<W>,
    what: String,
}

impl<W: Write> Edges<W> {
    /// Writes the header. `what` names the file in errors.
    pub fn new(out: W, what: impl Into<String>) -> Result<Edges<W>, Error> {
        let mut edges = Edges { out: writer(out), what: what.into() };
        edges.put(EDGES.map(str::to_owned))?;
        Ok(edges)
    }

    /// One row for a change of state; nothing for what else happens.
    pub fn happening(&mut self, happening: &Happening) -> Result<(), Error> {
        let on = |b: bool| if b { "on" } else { "off" };
        match happening {
            Happening::Key(t) => self.turn("key", t, on),
            Happening::Purge(t) => self.turn("purge", t, on),
            Happening::Engine(t) => self.turn("engine", t, |e| match e {
                Engine::Stopped => "stopped",
                Engine::Cranking => "cranking",
                Engine::Running => "running",
            }),
            Happening::Vent(t) => self.turn("vent", t, |v| match v {
                Vent::Open => "open",
                Vent::Sealed => "sealed",
            }),
            Happening::Switch(t) => self.turn("leak_switch", t, |s| match s {
                SwitchState::Open => "open",
                SwitchState::Closed => "closed",
                SwitchState::NoBias => "no_bias",
            }),
            _ => Ok(()),
        }
    }

    /// Hands what is buffered to the writer.
    pub fn flush(&mut self) -> Result<(), Error> {
        self.out.flush().map_err(Error::write(&self.what))
    }

    fn turn<T: Copy>(&mut self, what: &str, t: &Turn<Option<T>>, word: fn(T) -> &'static str) -> Result<(), Error> {
        let [from, to] = [t.from, t.to].map(|state| state.map_or("", word).to_owned());
        self.put([seconds(t.at), seconds(t.at.plus(-t.uncertainty_s)), what.to_owned(), from, to])
    }

    fn put(&mut self, row: [String; 5]) -> Result<(), Error> {
        self.out.write_record(row).map_err(|e| Error::write(&self.what)(e.into()))
    }
}

/// Columns of `phases.csv`.
pub const PHASES: [&str; 3] = ["phase", "start_s", "end_s"];
/// Columns of `gaps.csv`.
pub const GAPS: [&str; 4] = ["start_s", "end_s", "link", "cause"];
/// Columns of `findings.csv`: one row a run of a test.
pub const FINDINGS: [&str; 15] = [
    "test",
    "verdict",
    "start_s",
    "end_s",
    "decided_s",
    "withdrawn_by",
    "leak_low_mm",
    "leak_best_mm",
    "leak_high_mm",
    "night_closes_up_to_mm",
    "night_opens_from_mm",
    "rule",
    "reasons",
    "next",
    "in_summary",
];
/// Columns of `evidence.csv`: one row a number of a finding; `run` counts the rows of `findings.csv` from 1.
pub const EVIDENCE: [&str; 4] = ["run", "test", "name", "value"];

/// The phases of the day.
pub fn phases(f: &Findings, out: impl Write, what: &str) -> Result<(), Error> {
    let rows = f.phases.iter().map(|p| vec![p.phase.name().to_owned(), secs(p.start_s), secs(p.end_s)]);
    table(out, what, &PHASES, rows)
}

/// What was not recorded.
pub fn gaps(f: &Findings, out: impl Write, what: &str) -> Result<(), Error> {
    let rows = f.gaps.iter().map(|g| vec![secs(g.start_s), secs(g.end_s), g.link.clone(), g.cause.clone()]);
    table(out, what, &GAPS, rows)
}

/// Every run of every test. Reasons stand in one cell, a line each.
pub fn findings(f: &Findings, out: impl Write, what: &str) -> Result<(), Error> {
    let rows = f.tests.iter().map(|t| {
        let leak = t.leak_mm.map(|l| [l.low, l.best, l.high]).map_or([None; 3], |l| l.map(Some));
        let night = t.night_mm.map(|n| [n.closes_up_to, n.opens_from]).map_or([None; 2], |n| n.map(Some));
        let mut row = vec![t.test.name().to_owned(), t.verdict.word().to_owned()];
        row.extend([t.start_s, t.end_s, t.decided_s].map(|s| s.map_or_else(String::new, secs)));
        row.push(t.withdrawn_by.clone().unwrap_or_default());
        row.extend(leak.into_iter().chain(night).map(|n| n.map_or_else(String::new, num)));
        row.extend([t.rule.clone(), t.reasons.join("\n"), t.next.clone()]);
        row.push(f.summary.get(&t.test).map_or("", |v| v.word()).to_owned());
        row
    });
    table(out, what, &FINDINGS, rows)
}

/// The numbers behind the findings.
pub fn evidence(f: &Findings, out: impl Write, what: &str) -> Result<(), Error> {
    let rows = f.tests.iter().enumerate().flat_map(|(i, t)| {
        t.evidence.iter().map(move |(name, value)| {
            let value = match value {
                Evidence::Num(n) => num(*n),
                Evidence::Text(s) => s.clone(),
                Evidence::Null => String::new(),
            };
            vec![(i + 1).to_string(), t.test.name().to_owned(), name.clone(), value]
        })
    });
    table(out, what, &EVIDENCE, rows)
}

fn table(out: impl Write, what: &str, head: &[&str], rows: impl Iterator<Item = Vec<String>>) -> Result<(), Error> {
    let mut out = writer(out);
    let io = |e: ::csv::Error| Error::write(what)(e.into());
    out.write_record(head).map_err(io)?;
    for row in rows {
        out.write_record(&row).map_err(|e| Error::write(what)(e.into()))?;
    }
    out.flush().map_err(Error::write(what))
}

/// RFC 4180 ends lines with CR LF.
fn writer<W: Write>(out: W) -> ::csv::Writer<W> {
    ::csv::WriterBuilder::new().terminator(::csv::Terminator::CRLF).from_writer(out)
}

/// Capture time exactly, from its nanoseconds: at least three decimals, no trailing zeros beyond.
fn seconds(t: Stamp) -> String {
    let (sign, ns) = (if t.0 < 0 { "-" } else { "" }, t.0.unsigned_abs());
    let text = format!("{sign}{}.{:09}", ns / 1_000_000_000, ns % 1_000_000_000);
    let short = text.trim_end_matches('0').len().max(text.len() - 6);
    text[..short].to_owned()
}

fn secs(s: Secs) -> String {
    if s.0.is_finite() { format!("{:.3}", s.0 + 0.0) } else { String::new() }
}

fn num(n: Num) -> String {
    // Through the JSON form, so that both files show the same digits.
    match serde_json::to_value(n) {
        Ok(serde_json::Value::Number(n)) => n.to_string(),
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_exact_and_keep_three_decimals() {
        let text = |ns| seconds(Stamp(ns));
        assert_eq!(text(0), "0.000");
        assert_eq!(text(1_500_000_000), "1.500");
        assert_eq!(text(43_200_123_456_789), "43200.123456789");
        assert_eq!(text(-20_000_000), "-0.020");
        for ns in [1, 999_999_999, 43_200_123_456_789, 123_456_000] {
            assert_eq!(Stamp::from_secs(text(ns).parse().unwrap()), Stamp(ns), "reads back");
        }
    }

    #[test]
    fn an_edge_tells_its_moment_and_how_sure_it_is() {
        let mut file = Vec::new();
        let mut edges = Edges::new(&mut file, "edges.csv").unwrap();
        let at = Stamp(4_167_003_000_000);
        let turn = Turn { from: None, to: Some(SwitchState::Closed), at, uncertainty_s: 1.0 };
        edges.happening(&Happening::Switch(turn)).unwrap();
        edges.happening(&Happening::Bounce(at)).unwrap();
        edges.flush().unwrap();
        drop(edges);
        let text = String::from_utf8(file).unwrap();
        assert_eq!(text, "time_s,earliest_s,what,from,to\r\n4167.003,4166.003,leak_switch,,closed\r\n");
    }

    #[test]
    fn samples_read_back_as_they_were() {
        let mut file = Vec::new();
        let mut first = Reading::new(Stamp(250_000_000), 1);
        first.set(Channel::TankPressurePa, -249.088_9);
        first.set(Channel::Key, 1.0);
        let mut second = Reading::new(Stamp(500_000_000), 1);
        second.set(Channel::LeakSwitch, f64::NAN);
        second.set(Channel::AmbientC, 0.1 + 0.2);
        {
            let mut sink = Samples::new(&mut file, "samples.csv").unwrap();
            sink.reading(&first).unwrap();
            sink.reading(&Reading::new(Stamp(300_000_000), 1)).unwrap();
            sink.reading(&second).unwrap();
            sink.flush().unwrap();
        }
        assert!(file.ends_with(b"\r\n"), "RFC 4180, 2.1: lines end with CR LF");
        let mut back = ::csv::Reader::from_reader(&file[..]);
        let head = back.headers().unwrap().clone();
        assert_eq!(&head[0], "time_s");
        assert_eq!(head.len(), Channel::COUNT + 1);
        let rows: Vec<_> = back.records().map(Result::unwrap).collect();
        assert_eq!(rows.len(), 2);
        let cell = |row: usize, c: Channel| rows[row][c as usize + 1].to_owned();
        assert_eq!(cell(0, Channel::TankPressurePa).parse(), Ok(-249.088_9));
        assert_eq!(cell(0, Channel::Key), "1");
        assert_eq!(cell(1, Channel::AmbientC).parse(), Ok(0.1 + 0.2));
        assert_eq!(cell(1, Channel::LeakSwitch), "", "what is no number is not sampled");
    }
}
