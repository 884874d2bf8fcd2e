//! The weather that a plan is made for: two temperatures with a cooling curve between them, or a table of hours.

use super::Error;
use crate::channel::Channel;
use crate::wire::table::{self, Header, LONGEST_LINE, Splitter, number};

/// How a night's cooling slows down: of what is left at the evening, exp(-2.2) is left at the morning. Source: the
/// night-time coefficient of air at 1.5 m in the model of Parton and Logan (1981), from memory.
const NIGHT_COEFFICIENT: f64 = 2.2;
/// A curve is kept as points so far apart, s.
const CURVE_STEP_S: f64 = 300.0;
/// A table must give the air at least so often, s.
const LONGEST_BETWEEN_S: f64 = 3.0 * 3600.0;
/// Shorter weather is no night, s.
const SHORTEST_S: f64 = 1800.0;
/// Nobody plans further, s.
const LONGEST_S: f64 = 48.0 * 3600.0;
/// Seconds of a day.
const DAY_S: i64 = 86_400;

/// What the clock shows at the first moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Zero {
    /// UTC, s since 1970.
    Utc(i64),
    /// A clock on the wall, s since midnight.
    Local(i64),
    /// Nothing is known of it.
    Unknown,
}

impl Zero {
    /// What the clock shows `s` seconds later: `20:15`, `20:15Z`, or without a clock the hours and minutes gone by, `+2:15`.
    pub fn clock(self, s: f64) -> String {
        let s = (s / 60.0).round() as i64 * 60;
        let shown = |t: i64| format!("{:02}:{:02}", t.rem_euclid(DAY_S) / 3600, t.rem_euclid(3600) / 60);
        match self {
            Zero::Utc(zero) => shown(zero + s) + "Z",
            Zero::Local(zero) => shown(zero + s),
            Zero::Unknown => format!("+{}:{:02}", s / 3600, s % 3600 / 60),
        }
    }
}

/// Air, and barometer where it is told, over the time that is planned; straight lines between the points.
#[derive(Debug, Clone, PartialEq)]
pub struct Weather {
    points: Vec<Point>,
    zero: Zero,
    /// Where it comes from, in words.
    pub source: String,
    /// Headings that mean nothing here.
    pub unknown: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Point {
    /// Since the first moment.
    s: f64,
    ambient_c: f64,
    baro_kpa: Option<f64>,
}

impl Weather {
    /// From an evening's temperature to a morning's, between two times of day (s since midnight): the cooling slows down
    /// exponentially, as in a clear night.
    pub fn cooling(evening_c: f64, morning_c: f64, (from_s, until_s): (i64, i64)) -> Weather {
        let long_s = later(from_s, until_s) as f64;
        let left = libm::exp(-NIGHT_COEFFICIENT);
        let steps = (long_s / CURVE_STEP_S).max(1.0) as u32;
        let point = |i: u32| {
            let x = f64::from(i) / f64::from(steps);
            let share = (libm::exp(-NIGHT_COEFFICIENT * x) - left) / (1.0 - left);
            Point { s: long_s * x, ambient_c: morning_c + (evening_c - morning_c) * share, baro_kpa: None }
        };
        Weather {
            points: (0..=steps).map(point).collect(),
            zero: Zero::Local(from_s),
            source: format!(
                "cooling curve: exp(-{NIGHT_COEFFICIENT} x), x the share of the night gone by (Parton and Logan 1981, from memory)"
            ),
            unknown: Vec::new(),
        }
    }

    /// From a table: `utc` or `time_s`, `ambient_c`, and `baro_kpa` (at the place itself) if it has one. `name`, perhaps a
    /// path, stands in its faults; `from_s` is the time of day at its first row where it has no `utc`.
    pub fn table(name: &str, text: &[u8], from_s: Option<i64>) -> Result<Weather, Error> {
        let mut lines = text.split(|b| *b == b'\n').map(|l| l.strip_suffix(b"\r").unwrap_or(l)).zip(1..);
        let fault = |line: u64, column: usize, what: String| Error::Table { path: name.to_owned(), line, column, what };
        let Some((head, head_at)) = lines.by_ref().find(|(l, _)| !l.trim_ascii().is_empty()) else {
            return Err(fault(1, 1, "there is no row: give a header such as utc,ambient_c and a row an hour".into()));
        };
        let header = Header::parse(head).map_err(|e| {
            let nth = if let table::Error::DuplicateHeading { second, .. } = &e { *second } else { 1 };
            fault(head_at, place(head, nth - 1), e.to_string())
        })?;
        let column = |c: &str| header.position(c);
        let (utc, seconds) = (column("utc"), column("time_s"));
        let Some(time) = utc.or(seconds) else {
            let what = "there is no column for the time: head one utc (RFC 3339) or time_s (seconds)".to_owned();
            return Err(fault(head_at, 1, what));
        };
        let Some(ambient) = column(Channel::AmbientC.name()) else {
            return Err(fault(head_at, 1, "there is no column ambient_c: head the outside air so, in °C".into()));
        };
        let baro = column(Channel::BaroKpa.name());
        let known = [Some(time), Some(ambient), baro];
        let unknown = header.headings.iter().enumerate().filter(|(i, h)| !known.contains(&Some(*i)) && !h.is_empty());
        let unknown = unknown.map(|(_, h)| h.clone()).collect();
        let mut first: Option<f64> = None;
        let mut last: Option<(f64, u64)> = None;
        let mut points: Vec<Point> = Vec::new();
        let mut splitter = Splitter::new();
        for (line, at) in lines.filter(|(l, _)| !l.trim_ascii().is_empty()) {
            if line.len() > LONGEST_LINE {
                return Err(fault(at, 1, format!("the line is longer than {LONGEST_LINE} bytes: this is no row")));
            }
            let cells = splitter.split(line);
            let cell = |i: usize| String::from_utf8_lossy(cells.get(i)).into_owned();
            let quantity = |i: usize, channel: Channel| {
                if cells.get(i).is_empty() {
                    return Ok(None);
                }
                let wrong = |why: String| fault(at, place(line, i), why);
                let v =
                    number(cells.get(i)).ok_or_else(|| wrong(format!("\"{}\" is no number for {channel}", cell(i))))?;
                let (low, high) = channel.plausible();
                if !(low..=high).contains(&v) {
                    let unit = channel.unit();
                    return Err(wrong(format!("{v} {unit} is no {channel}: {low} to {high} {unit} can be")));
                }
                Ok(Some(v))
            };
            let when = match utc {
                Some(i) => std::str::from_utf8(cells.get(i))
                    .ok()
                    .and_then(|t| t.parse::<jiff::Timestamp>().ok())
                    .map(|t| t.as_second() as f64)
                    .ok_or_else(|| {
                        format!("\"{}\" is no time as RFC 3339 has it, such as 2026-01-31T20:00:00Z", cell(i))
                    }),
                None => number(cells.get(time))
                    .filter(|s| s.abs() < 1e10)
                    .ok_or_else(|| format!("\"{}\" is no number of seconds for time_s", cell(time))),
            };
            let when = when.map_err(|why| fault(at, place(line, time), why))?;
            let zero = *first.get_or_insert(when);
            if let Some((_, row)) = last.filter(|(before, _)| *before >= when) {
                return Err(fault(at, place(line, time), format!("the time is not later than that of line {row}")));
            }
            last = Some((when, at));
            let Some(ambient_c) = quantity(ambient, Channel::AmbientC)? else { continue };
            let s = when - zero;
            if points.last().is_some_and(|p| s - p.s > LONGEST_BETWEEN_S) {
                let what = "more than 3 h since the last ambient_c: a plan needs the air at least every 3 h".to_owned();
                return Err(fault(at, place(line, ambient), what));
            }
            let baro_kpa = baro.map(|i| quantity(i, Channel::BaroKpa)).transpose()?.flatten();
            points.push(Point { s, ambient_c, baro_kpa });
        }
        let begin = points.first().map_or(0.0, |p| p.s);
        points.iter_mut().for_each(|p| p.s -= begin);
        if points.last().is_none_or(|p| p.s < SHORTEST_S) {
            let what =
                "less than half an hour of ambient_c is in it: give a row an hour for the whole night".to_owned();
            return Err(fault(head_at, 1, what));
        }
        let zero = match (utc, from_s) {
            (Some(_), _) => Zero::Utc(first.unwrap_or(0.0) as i64 + begin as i64),
            (None, Some(s)) => Zero::Local(s),
            (None, None) => Zero::Unknown,
        };
        let file = name.rsplit('/').next().unwrap_or(name);
        Ok(Weather { points, zero, source: format!("{file}, straight lines between its rows"), unknown })
    }

    /// The part from one time of day (s since midnight) to another, where the weather has a clock: from the first time it
    /// shows `from_s`, to the next time it shows `until_s`. Without an `until_s` it lasts as long as it is told, at most
    /// two days.
    pub fn between(self, from_s: Option<i64>, until_s: Option<i64>) -> Result<Weather, Error> {
        let end = self.long_s();
        let start = match (self.zero, from_s) {
            (Zero::Utc(zero), Some(from)) => later(zero, from) % DAY_S,
            _ => 0,
        };
        let from = match self.zero {
            Zero::Utc(zero) => zero + start,
            Zero::Local(zero) => zero,
            Zero::Unknown if until_s.is_some() => return Err(Error::NoClock),
            Zero::Unknown => 0,
        };
        let start = start as f64;
        let stop = until_s.map_or(end.min(start + LONGEST_S), |until| start + later(from, until) as f64);
        if stop > end || stop - start < SHORTEST_S {
            let (begin, end) = (self.clock(0.0), self.clock(end));
            return Err(Error::Beyond { begin, end, told_by: self.source });
        }
        let mut points = vec![self.at(start)];
        points.extend(self.points.iter().filter(|p| start < p.s && p.s < stop));
        points.push(self.at(stop));
        points.iter_mut().for_each(|p| p.s -= start);
        let zero = match self.zero {
            Zero::Utc(_) => Zero::Utc(from),
            other => other,
        };
        Ok(Weather { points, zero, ..self })
    }

    /// Length, s.
    pub fn long_s(&self) -> f64 {
        self.points.last().map_or(0.0, |p| p.s)
    }

    /// Outside air, °C, `s` seconds after the first moment.
    pub fn ambient_c(&self, s: f64) -> f64 {
        self.at(s).ambient_c
    }

    /// Barometer at the place, kPa; nothing where it is not told.
    pub fn baro_kpa(&self, s: f64) -> Option<f64> {
        self.at(s).baro_kpa
    }

    fn at(&self, s: f64) -> Point {
        let next = self.points.partition_point(|p| p.s < s).clamp(1, self.points.len() - 1);
        let (a, b) = (self.points[next - 1], self.points[next]);
        let x = ((s - a.s) / (b.s - a.s)).clamp(0.0, 1.0);
        let between = |a: f64, b: f64| a + (b - a) * x;
        let baro_kpa = match (a.baro_kpa, b.baro_kpa) {
            (Some(a), Some(b)) => Some(between(a, b)),
            (a, b) => a.or(b),
        };
        Point { s, ambient_c: between(a.ambient_c, b.ambient_c), baro_kpa }
    }

    /// What the clock shows then.
    pub fn clock(&self, s: f64) -> String {
        self.zero.clock(s)
    }

    /// What it shows at the first moment.
    pub fn zero(&self) -> Zero {
        self.zero
    }

    /// The first moment as RFC 3339, where it is told in UTC.
    pub fn begins_utc(&self) -> Option<String> {
        let Zero::Utc(zero) = self.zero else { return None };
        jiff::Timestamp::from_second(zero).ok().map(|t| t.to_string())
    }
}

/// Seconds from one time to the next time of day `until_s`; a whole day if they are the same.
fn later(from_s: i64, until_s: i64) -> i64 {
    match (until_s - from_s).rem_euclid(DAY_S) {
        0 => DAY_S,
        s => s,
    }
}

/// The column, counted from 1 in characters, in which a row's cell begins.
fn place(line: &[u8], cell: usize) -> usize {
    let (mut quoted, mut commas) = (false, 0);
    let end = line.iter().position(|b| {
        quoted ^= *b == b'"';
        commas += usize::from(*b == b',' && !quoted);
        commas == cell && cell > 0
    });
    let bytes = if cell == 0 { 0 } else { end.map_or(line.len(), |i| i + 1) };
    String::from_utf8_lossy(&line[..bytes]).chars().count() + 1
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn any_table_is_read_or_refused(
            rows in prop::collection::vec(("[-0-9.eT:Z\" ]{0,12}", "[-0-9.e\" ]{0,6}", any::<u8>()), 0..9),
            cuts in prop::option::of((0i64..86_400, 0i64..86_400)),
            utc in any::<bool>(),
        ) {
            let mut text = if utc { b"utc,ambient_c\n2026-03-01T20:00:00Z,20\n".to_vec() } else { b"time_s,ambient_c\n0,20\n".to_vec() };
            for (i, (time, air, odd)) in rows.iter().enumerate() {
                // Most rows are sound, so that the odd one is reached.
                let hour = if utc { format!("2026-03-01T{:02}:30:00Z", 20 + i % 4) } else { (1800 * (i + 1)).to_string() };
                let time = if odd % 4 == 0 { time } else { &hour };
                text.extend_from_slice(format!("{time},{}", if odd % 5 == 0 { air } else { "9" }).as_bytes());
                text.push(if odd % 7 == 0 { *odd } else { b'\n' });
            }
            if let Ok(weather) = Weather::table("w.csv", &text, cuts.map(|c| c.0)) {
                prop_assert!(weather.long_s() >= SHORTEST_S);
                let weather = weather.between(cuts.map(|c| c.0), cuts.map(|c| c.1));
                if let Ok(w) = weather {
                    prop_assert!((SHORTEST_S..=LONGEST_S).contains(&w.long_s()) || cuts.is_some());
                    prop_assert!(w.ambient_c(w.long_s() / 3.0).is_finite() && !w.clock(w.long_s()).is_empty());
                }
            }
        }
    }

    #[test]
    fn a_night_slows_down_from_evening_to_morning() {
        let w = Weather::cooling(20.0, 10.0, (20 * 3600, 6 * 3600));
        assert_eq!(w.long_s(), 36_000.0);
        assert!((w.ambient_c(0.0) - 20.0).abs() < 1e-9 && (w.ambient_c(36_000.0) - 10.0).abs() < 1e-9);
        // exp(-1.1) computed by hand: 0.33287; exp(-2.2): 0.11080.
        let half = 10.0 + 10.0 * (0.332_87 - 0.110_80) / (1.0 - 0.110_80);
        assert!((w.ambient_c(18_000.0) - half).abs() < 1e-3, "{}", w.ambient_c(18_000.0));
        assert_eq!([w.clock(0.0), w.clock(18_000.0), w.clock(35_990.0)], ["20:00", "01:00", "06:00"]);
    }

    #[test]
    fn a_table_is_cut_by_its_clock() {
        let rows: String =
            (0..30).map(|h| format!("2026-03-0{}T{:02}:00:00Z,{h},101.{}\n", 1 + h / 24, h % 24, h % 10)).collect();
        let w = Weather::table("w.csv", format!("utc,ambient_c,baro_kpa\n{rows}").as_bytes(), None).unwrap();
        assert_eq!((w.long_s(), w.clock(0.0)), (29.0 * 3600.0, "00:00Z".to_owned()));
        let night = w.clone().between(Some(20 * 3600 + 1800), Some(4 * 3600)).unwrap();
        assert_eq!((night.long_s(), night.ambient_c(0.0), night.ambient_c(1e9)), (7.5 * 3600.0, 20.5, 28.0));
        assert!((night.baro_kpa(1800.0).unwrap() - 101.1).abs() < 1e-9);
        assert_eq!(night.begins_utc().as_deref(), Some("2026-03-01T20:30:00Z"));
        let told = w.between(Some(20 * 3600), Some(12 * 3600)).unwrap_err().to_string();
        assert!(told.contains("00:00Z to 05:00Z"), "{told}");
    }

    #[test]
    fn places_are_those_of_an_editor() {
        assert_eq!([0, 1, 2].map(|c| place(b"ab,c,d", c)), [1, 4, 6]);
        assert_eq!([1, 2].map(|c| place("\"a,\u{e9}\",c,d".as_bytes(), c)), [7, 9]);
    }
}
