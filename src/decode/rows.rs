//! Rows of one link to readings.

use super::adapter_clock::{AdapterClock, Odd};
use super::file_clock::{FileClock, FileTime, seconds_ns};
use super::layout::{Layout, TimeFrom, Value};
use super::reading::Reading;
use super::{Item, Notice, NoticeKind};
use crate::channel::Channel;
use crate::profile::Profile;
use crate::record::{Event, LinkId, LinkInfo};
use crate::time::Stamp;
use crate::wire::bench_line::{Belief, Heard, Line, Lines, checked, is_header};
use crate::wire::table::{BYTE_ORDER_MARK, Header, Last, NoNumber, Splitter, number};
use std::sync::Arc;

/// The rows of one link.
pub(super) struct Rows {
    lines: Lines,
    reader: Reader,
}

impl Rows {
    pub(super) fn new(profile: Arc<Profile>, link: LinkId, info: &LinkInfo) -> Rows {
        let source = match info.kind.as_str() {
            "csv" => Source::File(None),
            "bench" | "sim" => Source::Adapter(Belief::default(), AdapterClock::new(profile.set.phases.clock_step_s)),
            _ => Source::Strange,
        };
        let name = format!("{}:{}", info.kind, info.name);
        let reader = Reader {
            profile,
            link,
            name,
            is_bench: info.kind == "bench",
            source,
            held: None,
            layout: None,
            lasts: Vec::new(),
            heading_line: Vec::new(),
            splitter: Splitter::new(),
            last: Stamp::ZERO,
            line: 0,
            faults: [0; Fault::ALL.len()],
            implausible: [0; Channel::COUNT],
            lost: (0.0, 0.0),
            said_unused: false,
            said_assumed: false,
        };
        Rows { lines: Lines::default(), reader }
    }

    pub(super) fn bytes(&mut self, at: Stamp, mut bytes: &[u8], out: &mut Vec<Item>) {
        let at = at.max(self.reader.last);
        self.reader.last = at;
        match self.reader.source {
            Source::Strange => self.reader.fault(at, Fault::Strange, &[], out),
            // A record of a file is one line, whether its line end is there or not.
            Source::File(_) => {
                for line in bytes.strip_suffix(b"\n").unwrap_or(bytes).split(|&b| b == b'\n') {
                    self.reader.line(at, Line::Whole(line.strip_suffix(b"\r").unwrap_or(line)), out);
                }
            }
            Source::Adapter(..) => {
                while let Some(line) = self.lines.next(&mut bytes) {
                    self.reader.line(at, line, out);
                }
            }
        }
    }

    pub(super) fn event(&mut self, at: Stamp, event: &Event, out: &mut Vec<Item>) {
        let at = at.max(self.reader.last);
        self.reader.last = at;
        if !matches!(self.reader.source, Source::Adapter(..)) {
            return;
        }
        match event {
            Event::Gap { .. } => self.lines.lost(),
            Event::LinkUp { .. } | Event::LinkDown { .. } => {
                self.reader.drop_held(at, out);
                self.lines = Lines::default();
                // Another adapter may hang on the port now.
                if let Source::Adapter(belief, clock) = &mut self.reader.source {
                    belief.forget();
                    clock.forget();
                }
            }
            _ => {}
        }
    }

    pub(super) fn file_time(&self) -> Stamp {
        match &self.reader.source {
            Source::File(Some(clock)) => clock.last(),
            _ => Stamp::ZERO,
        }
    }

    pub(super) fn undecoded(&self) -> u64 {
        self.reader.faults.iter().sum()
    }

    pub(super) fn summary(&self) -> Vec<String> {
        let r = &self.reader;
        let faults = Fault::ALL.iter().zip(r.faults).filter(|(_, n)| *n > 0);
        let faults = faults.map(|(f, n)| format!("{}: {n} × {}", r.name, f.words()));
        let implausible = Channel::ALL.iter().zip(r.implausible).filter(|(_, n)| *n > 0);
        faults
            .chain(
                implausible.map(|(c, n)| format!("{}: {n} values of {c} cannot be readings and were dropped", r.name)),
            )
            .chain((r.lost.1 > 0.0).then(|| format!("{}: the adapter {}", r.name, lost_words(r.lost.1))))
            .collect()
    }
}

enum Source {
    /// A file; its clock from the first header on.
    File(Option<FileClock>),
    /// An adapter and its clock.
    Adapter(Belief, AdapterClock),
    /// A kind of link this build cannot read.
    Strange,
}

struct Held {
    receipt: Stamp,
    own_ns: i64,
    reading: Reading,
    text: Vec<u8>,
}

struct Reader {
    profile: Arc<Profile>,
    link: LinkId,
    name: String,
    /// A bench adapter, whose channels the profile may calibrate.
    is_bench: bool,
    source: Source,
    /// A row whose time is odd: the next row tells whether to believe it.
    held: Option<Box<Held>>,
    layout: Option<Box<Layout>>,
    /// Of each value of `layout`.
    lasts: Vec<Last>,
    /// The line that `layout` was made of.
    heading_line: Vec<u8>,
    splitter: Splitter,
    last: Stamp,
    line: u64,
    faults: [u64; Fault::ALL.len()],
    implausible: [u64; Channel::COUNT],
    /// The adapter's own count of what it could not send, as told last; and how many of them in all.
    lost: (f64, f64),
    said_unused: bool,
    said_assumed: bool,
}

impl Reader {
    fn line(&mut self, at: Stamp, line: Line<'_>, out: &mut Vec<Item>) {
        self.line += 1;
        let text = match line {
            Line::Whole(text) => text,
            Line::TooLong => return self.fault(at, Fault::TooLong, &[], out),
            Line::Torn => return self.fault(at, Fault::Torn, &[], out),
        };
        // A host's request stands in a logged terminal session.
        if text.trim_ascii().is_empty() || text.trim_ascii() == b"?" {
            return;
        }
        let heard = match &mut self.source {
            Source::Adapter(belief, ..) if is_header(text) => Some(belief.hear(text)),
            Source::Adapter(belief, ..) if !belief.holds() => {
                return self.fault(at, Fault::BeforeHeader, text, out);
            }
            Source::File(_) if text == self.heading_line => return,
            Source::File(_) if self.layout.is_none() || is_header(text) => Some(Heard::Now),
            _ => None,
        };
        match heard {
            Some(Heard::Now) => self.header(at, text, out),
            Some(Heard::Once | Heard::Still) => {}
            None => self.row(at, text, out),
        }
    }

    fn header(&mut self, at: Stamp, text: &[u8], out: &mut Vec<Item>) {
        let header = match Header::parse(text) {
            Ok(header) => header,
            Err(e) => {
                self.layout = None;
                self.faults[Fault::BadHeader as usize] += 1;
                if self.faults[Fault::BadHeader as usize] == 1 {
                    let words = format!("line {}: {}, {e}", self.line, Fault::BadHeader.words());
                    self.notice(at, NoticeKind::Undecoded, words, out);
                }
                return;
            }
        };
        let mut layout = Layout::new(&header, &self.profile);
        if self.is_bench {
            layout.calibrate(&self.profile.calibrations);
        }
        let Some(time) = layout.time.filter(|_| layout.heads()) else {
            return self.fault(at, Fault::BeforeHeader, text, out);
        };
        if let Source::File(clock) = &mut self.source {
            match clock {
                Some(clock) => clock.new_table(time),
                None => *clock = Some(FileClock::new(time)),
            }
            self.heading_line = text.to_vec();
            if let (TimeFrom::Period(s), false) = (time, self.said_assumed) {
                self.said_assumed = true;
                let text = format!("row times are assumed, not measured: {s} s from row to row");
                self.notice(at, NoticeKind::AssumedTime, text, out);
            }
        }
        if !self.said_unused {
            self.said_unused = !layout.unused.is_empty();
            for sentence in &layout.unused {
                self.notice(at, NoticeKind::UnknownColumn, sentence.clone(), out);
            }
        }
        self.lasts = vec![Last::default(); layout.values.len()];
        self.layout = Some(Box::new(layout));
    }

    fn row(&mut self, at: Stamp, text: &[u8], out: &mut Vec<Item>) {
        let Some(layout) = self.layout.take() else { return self.fault(at, Fault::BeforeHeader, text, out) };
        self.row_of(&layout, at, text, out);
        self.layout = Some(layout);
    }

    fn row_of(&mut self, layout: &Layout, at: Stamp, text: &[u8], out: &mut Vec<Item>) {
        let adapter = matches!(self.source, Source::Adapter(..));
        let vouched = if layout.crc { checked(text) } else { None };
        if layout.crc && vouched.is_none() {
            self.file_row_lost();
            return self.fault(at, Fault::Check, text, out);
        }
        let body = vouched.unwrap_or(text);
        let body = if self.line == 1 { body.strip_prefix(BYTE_ORDER_MARK).unwrap_or(body) } else { body };
        let cells = self.splitter.split(body);
        if body.len() > crate::wire::table::LONGEST_LINE {
            self.file_row_lost();
            return self.fault(at, Fault::TooLong, &[], out);
        }
        if cells.len() > layout.width && cells.used() > layout.width {
            self.file_row_lost();
            return self.fault(at, Fault::TooMany, text, out);
        }
        // A row that was cut may have been cut inside its last number.
        let cut = cells.open_quote || (cells.len() < layout.width && vouched.is_none());
        let usable = if cut { cells.len().saturating_sub(1) } else { cells.len() };
        let mut fault = cut.then_some(Fault::Cut);

        let time_cell = match layout.time.and_then(TimeFrom::cell) {
            Some(i) if i < usable => cells.get(i),
            _ => b"",
        };
        let own_ns = if adapter { seconds_ns(time_cell).filter(|t| *t >= 0) } else { None };
        if adapter && own_ns.is_none() {
            return self.fault(at, fault.unwrap_or(Fault::NoTime), text, out);
        }

        let mut reading = Reading::new(at, self.link);
        let mut strange_values = 0u32;
        for (v, last) in layout.values.iter().zip(&mut self.lasts).take_while(|(v, _)| v.cell < usable) {
            match cells.number(v.cell, last) {
                Some(Ok(raw)) => {
                    let value = raw * v.scale + v.offset;
                    if plausible(v, value) {
                        reading.set(v.channel, value);
                    } else {
                        strange_values |= 1 << v.channel as u32;
                    }
                }
                Some(Err(NoNumber)) => fault = fault.or(Some(Fault::NoNumber)),
                None => {}
            }
        }
        let lost = layout.lost.filter(|i| *i < usable).and_then(|i| number(cells.get(i))).filter(|n| n.is_finite());
        // Letters among numbers that nothing vouches for: other cells of the line may be damaged unseen.
        if adapter && vouched.is_none() && fault == Some(Fault::NoNumber) {
            return self.fault(at, Fault::NoNumber, text, out);
        }
        let file_time = match &mut self.source {
            Source::File(Some(clock)) => Some(clock.row(time_cell)),
            _ => None,
        };
        if file_time == Some(FileTime::Unknown) {
            return self.fault(at, fault.unwrap_or(Fault::NoTime), text, out);
        }
        if let Some(fault) = fault {
            self.fault(at, fault, text, out);
        }
        self.say_implausible(at, strange_values, layout, text, out);
        if let Some(count) = lost {
            self.say_lost(at, count, out);
        }
        match file_time {
            Some(FileTime::SteppedBack { by_s, .. }) => {
                let text = format!("line {}: time goes back by {by_s:.3} s; rows from here on are moved", self.line);
                self.notice(at, NoticeKind::ClockStep, text, out);
                emit(reading, out);
            }
            Some(_) => emit(reading, out),
            None => self.adapter_row(at, own_ns.unwrap_or(0), reading, vouched.is_some(), text, out),
        }
    }

    /// A row of a file that cannot be read still took its time where time is assumed from row to row.
    fn file_row_lost(&mut self) {
        if let Source::File(Some(clock)) = &mut self.source {
            clock.row(b"");
        }
    }

    fn adapter_row(
        &mut self,
        receipt: Stamp,
        own_ns: i64,
        reading: Reading,
        vouched: bool,
        text: &[u8],
        out: &mut Vec<Item>,
    ) {
        let Source::Adapter(_, clock) = &self.source else { return };
        let odd = clock.is_odd(receipt, own_ns);
        let mut before = self.held.take();
        if let Some(h) = &before {
            let step_ns = Stamp::from_secs(self.profile.set.phases.clock_step_s).0;
            if !odd || own_ns < h.own_ns || own_ns - h.own_ns > receipt.0 - h.receipt.0 + step_ns {
                let text = before.take().map(|h| h.text).unwrap_or_default();
                self.fault(receipt, Fault::OddTime, &text, out);
            }
        }
        if odd && !vouched && before.is_none() {
            self.held = Some(Box::new(Held { receipt, own_ns, reading, text: text.to_vec() }));
            return;
        }
        if let Some(h) = before {
            self.place(h.receipt, h.own_ns, h.reading, out);
        }
        self.place(receipt, own_ns, reading, out);
    }

    /// Gives a row of an adapter its time.
    fn place(&mut self, receipt: Stamp, own_ns: i64, mut reading: Reading, out: &mut Vec<Item>) {
        let Source::Adapter(_, clock) = &mut self.source else { return };
        let (at, odd) = clock.map(receipt, own_ns);
        reading.at = at;
        match odd {
            Some(Odd::Restart { from_s, to_s }) => {
                let text = format!("the adapter restarted: its clock went from {from_s:.3} s back to {to_s:.3} s");
                self.notice(at, NoticeKind::AdapterRestart, text, out);
            }
            Some(Odd::Step { by_s }) => {
                let text = format!("the adapter's clock stepped by {by_s:+.3} s against receipt");
                self.notice(at, NoticeKind::ClockStep, text, out);
            }
            None => {}
        }
        emit(reading, out);
    }

    fn drop_held(&mut self, at: Stamp, out: &mut Vec<Item>) {
        if let Some(h) = self.held.take() {
            self.fault(at, Fault::OddTime, &h.text, out);
        }
    }

    fn say_implausible(&mut self, at: Stamp, mut mask: u32, layout: &Layout, text: &[u8], out: &mut Vec<Item>) {
        while mask != 0 {
            let i = mask.trailing_zeros() as usize;
            mask &= mask - 1;
            self.implausible[i] += 1;
            if self.implausible[i] > 1 {
                continue;
            }
            let channel = Channel::ALL[i];
            let cell = layout.values.iter().find(|v| v.channel == channel).map_or(0, |v| v.cell);
            let told = shown(Splitter::new().split(text).get(cell));
            let (low, high) = channel.plausible();
            let want = match channel.is_state() {
                true => "only 0 and 1 can be".to_owned(),
                false => format!("{low} to {high} {} can be", channel.unit()),
            };
            let words = format!("line {}: {channel} \"{told}\" cannot be a reading ({want}) and is dropped", self.line);
            self.notice(at, NoticeKind::Implausible, words, out);
        }
    }

    /// Says the first loss; the summary has them all. A count that falls is a restarted adapter's.
    fn say_lost(&mut self, at: Stamp, count: f64, out: &mut Vec<Item>) {
        let (last, all) = self.lost;
        let more = if count >= last { count - last } else { count };
        self.lost = (count, all + more.max(0.0));
        if all == 0.0 && more > 0.0 {
            let words = format!("the adapter {}", lost_words(more));
            self.notice(at, NoticeKind::AdapterLost, words, out);
        }
    }

    /// Counts; says the first of each kind.
    fn fault(&mut self, at: Stamp, fault: Fault, text: &[u8], out: &mut Vec<Item>) {
        let count = &mut self.faults[fault as usize];
        *count += 1;
        if *count == 1 {
            let told = if text.is_empty() { String::new() } else { format!(": \"{}\"", shown(text)) };
            let words = format!("line {}: {}{told}", self.line, fault.words());
            self.notice(at, NoticeKind::Undecoded, words, out);
        }
    }

    fn notice(&self, at: Stamp, kind: NoticeKind, words: String, out: &mut Vec<Item>) {
        out.push(Item::Notice(Notice { at, link: self.link, kind, text: format!("{}: {words}", self.name) }));
    }
}

fn lost_words(count: f64) -> String {
    format!("could not send {count:.0} of its readings: shorten its rows, or raise the speed of its line")
}

fn plausible(v: &Value, value: f64) -> bool {
    if v.state { value == 0.0 || value == 1.0 } else { value >= v.low && value <= v.high }
}

fn emit(reading: Reading, out: &mut Vec<Item>) {
    if !reading.is_empty() {
        out.push(Item::Reading(reading));
    }
}

/// At most 48 characters, fit to be printed.
fn shown(text: &[u8]) -> String {
    let s = String::from_utf8_lossy(&text[..text.len().min(200)]);
    let s: String = s.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect();
    match s.char_indices().nth(48) {
        Some((cut, _)) => format!("{}…", &s[..cut]),
        None => s,
    }
}

/// Why a line was not understood, or not wholly.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// No headings hold yet.
    BeforeHeader,
    /// Headings, but not such as can be used.
    BadHeader,
    /// The check cell does not fit.
    Check,
    /// Longer than [`LONGEST_LINE`](crate::wire::table::LONGEST_LINE).
    TooLong,
    /// Bytes before it were lost.
    Torn,
    /// More cells than headings.
    TooMany,
    /// Fewer cells than headings, or an open quotation mark.
    Cut,
    /// No time that can be read.
    NoTime,
    /// Something else than a number.
    NoNumber,
    /// A time that fits neither neighbour.
    OddTime,
    /// Of a link that this build does not know.
    Strange,
}

impl Fault {
    /// All of them.
    pub const ALL: [Fault; 11] = [
        Fault::BeforeHeader,
        Fault::BadHeader,
        Fault::Check,
        Fault::TooLong,
        Fault::Torn,
        Fault::TooMany,
        Fault::Cut,
        Fault::NoTime,
        Fault::NoNumber,
        Fault::OddTime,
        Fault::Strange,
    ];

    /// What it is, in words.
    pub fn words(self) -> &'static str {
        match self {
            Fault::BeforeHeader => "line before any headings that hold, not read",
            Fault::BadHeader => "headings that cannot be read",
            Fault::Check => "line with a wrong or missing check, not read",
            Fault::TooLong => "line longer than 4096 bytes, not read",
            Fault::Torn => "line whose beginning was lost, not read",
            Fault::TooMany => "row with more cells than headings, not read",
            Fault::Cut => "row cut short, read without its last cell",
            Fault::NoTime => "row without a time, not read",
            Fault::NoNumber => "row with a cell that is no number",
            Fault::OddTime => "row whose time fits neither the row before nor the one after, not read",
            Fault::Strange => {
                "record of a kind of link that this build cannot read, judge it by the version that wrote it"
            }
        }
    }
}
