//! A text-command adapter on the vehicle's bus, whatever bus that is: commands and questions in, lines of digits, words
//! and a prompt out. It speaks the few commands that such adapters have in common (common practice, from memory); the
//! tool's side of them is data of a profile, and nothing of it is used here.

use super::device::{Device, Typed};
use super::{Outing, Standard};
use crate::sim::random::Dice;
use crate::time::Stamp;
use crate::wire::can_frame::{Frame, Id};
use crate::wire::isotp::{Flow, flow_frame};
use crc::{CRC_8_SAE_J1850, Crc};
use std::collections::VecDeque;

/// Check byte of SAE J1850.
const J1850: Crc<u8> = Crc::<u8>::new(&CRC_8_SAE_J1850);

/// How long it waits for an answer, s.
const WAITS_S: f64 = 0.2;

/// What it was told to do.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Told {
    echo: bool,
    line_feeds: bool,
    blanks: bool,
    headers: bool,
    /// The sign of the bus, 0 to look for it.
    bus: u8,
}

impl Default for Told {
    fn default() -> Told {
        Told { echo: true, line_feeds: true, blanks: true, headers: false, bus: 0 }
    }
}

/// What it is at.
#[derive(Debug, Clone, PartialEq, Eq)]
enum At {
    /// Waits for a command.
    Rest,
    /// Looks for the bus, or begins one that must be begun; then asks.
    Begins { question: Vec<u8>, then: Stamp },
    /// Passes on all it hears.
    Listens,
    /// Waits for answers until then.
    Waits { until: Stamp, answers: usize, first: bool, wanted: Option<usize> },
}

/// The adapter.
#[derive(Debug, Clone)]
pub struct TextAdapter {
    outing: Outing,
    told: Told,
    /// The bus answered.
    found: bool,
    at: At,
    typed: Typed,
    out: VecDeque<(Stamp, Vec<u8>)>,
    last: String,
    dice: Dice,
}

/// A byte at 38400 bit/s, s.
const BYTE_S: f64 = 0.000_26;
/// After an answer others are awaited for so long, s.
const MORE_S: f64 = 0.06;
/// On the slow lines.
const MORE_SLOW_S: f64 = 0.16;

impl TextAdapter {
    /// On the bus of this vehicle.
    pub fn new(outing: Outing, seed: u64) -> TextAdapter {
        TextAdapter {
            outing,
            told: Told::default(),
            found: false,
            at: At::Rest,
            typed: Typed::default(),
            out: VecDeque::new(),
            last: String::new(),
            dice: Dice::new(seed, 93),
        }
    }

    fn standard(&self) -> Standard {
        self.outing.standard()
    }

    /// The signs of the vehicle's own bus (SAE J1850 PWM and VPW, ISO 9141-2, ISO 14230 fast, CAN of 500 kbit/s).
    fn own_bus(&self) -> u8 {
        match self.standard() {
            Standard::J1850Pwm => 1,
            Standard::J1850 => 2,
            Standard::Iso9141 => 3,
            Standard::Iso14230 => 5,
            Standard::Can11 | Standard::J1979_2 => 6,
            Standard::Can29 => 7,
        }
    }

    fn put(&mut self, at: Stamp, bytes: Vec<u8>) {
        let from = self.out.back().map_or(at, |b| b.0.max(at));
        self.out.push_back((from.plus(BYTE_S * bytes.len() as f64), bytes));
    }

    fn line(&mut self, at: Stamp, text: &str) {
        let end = if self.told.line_feeds { "\r\n" } else { "\r" };
        self.put(at, format!("{text}{end}").into_bytes());
    }

    /// The answer is over.
    fn prompt(&mut self, at: Stamp) {
        let end = if self.told.line_feeds { "\r\n>" } else { "\r>" };
        self.put(at, end.as_bytes().to_vec());
        self.at = At::Rest;
    }

    fn reply(&mut self, at: Stamp, text: &str) {
        self.line(at, text);
        self.prompt(at);
    }

    fn typed(&mut self, at: Stamp, text: &str) {
        if self.told.echo {
            self.put(at, format!("{text}\r").into_bytes());
        }
        let mut bare: String = text.chars().filter(|c| !c.is_ascii_whitespace()).collect();
        bare.make_ascii_uppercase();
        if bare.is_empty() {
            // The last one again.
            bare.clone_from(&self.last);
        }
        self.last.clone_from(&bare);
        match bare.strip_prefix("AT") {
            Some(command) => self.command(at.plus(0.004), command),
            None => self.question(at, &bare),
        }
    }

    fn command(&mut self, at: Stamp, command: &str) {
        let on = command.ends_with('1');
        let switch = command.strip_suffix(['0', '1']).unwrap_or("");
        match (switch, command) {
            ("E", _) => self.told.echo = on,
            ("L", _) => self.told.line_feeds = on,
            ("S", _) => self.told.blanks = on,
            ("H", _) => self.told.headers = on,
            ("M" | "CAF" | "CSM" | "AT", _) => {}
            (_, "Z") => {
                self.told = Told::default();
                self.found = false;
                return self.reply(at.plus(0.7), "\rTEXT ADAPTER 1.0");
            }
            (_, "I") => return self.reply(at, "TEXT ADAPTER 1.0"),
            (_, "MA") => {
                self.at = At::Listens;
                return;
            }
            (_, "RV") => {
                let volts = self.outing.network().seen().map_or(0.0, |s| s.battery_v);
                return self.reply(at, &format!("{:.1}V", volts - 0.1));
            }
            (_, "DPN") => {
                let sign = if self.found { self.own_bus() } else { self.told.bus };
                let found_itself = if self.told.bus == 0 && self.found { "A" } else { "" };
                return self.reply(at, &format!("{found_itself}{sign:X}"));
            }
            _ => match command.split_at_checked(2) {
                Some(("TP", sign)) if sign.len() <= 2 => {
                    let Some(bus) = u8::from_str_radix(sign.trim_start_matches('A'), 16).ok().filter(|b| *b < 13)
                    else {
                        return self.reply(at, "?");
                    };
                    self.told.bus = bus;
                    self.found = false;
                }
                _ => return self.reply(at, "?"),
            },
        }
        self.reply(at, "OK");
    }

    fn question(&mut self, at: Stamp, digits: &str) {
        // One digit behind the bytes: so many answers, then no more are awaited.
        let (digits, wanted) = match digits.len() % 2 {
            1 => (&digits[..digits.len() - 1], digits[digits.len() - 1..].parse().ok()),
            _ => (digits, None),
        };
        let bytes: Option<Vec<u8>> = (0..digits.len() / 2)
            .map(|i| digits.get(2 * i..2 * i + 2).and_then(|d| u8::from_str_radix(d, 16).ok()))
            .collect();
        let Some(question) = bytes.filter(|b| (1..=7).contains(&b.len())) else { return self.reply(at, "?") };
        if self.found {
            self.send(at, &question, false, wanted);
            return;
        }
        // Looking through the buses in their order takes its time, and so do the slow beginnings.
        let own = self.own_bus();
        let looks = |bus: u8| match bus {
            3 => 2.4,
            4 => 2.9,
            5 => 0.5,
            _ => 0.25,
        };
        match self.told.bus {
            0 => {
                self.put(at, b"SEARCHING...".to_vec());
                let spent: f64 = (1..=own).map(looks).sum();
                self.at = At::Begins { question, then: at.plus(spent) };
            }
            bus if bus == own => {
                let begins = matches!(bus, 3..=5);
                if begins {
                    self.put(at, b"BUS INIT: ...".to_vec());
                }
                self.at = At::Begins { question, then: at.plus(if begins { looks(bus) } else { 0.0 }) };
            }
            bus @ 3..=5 => {
                self.put(at, b"BUS INIT: ".to_vec());
                self.reply(at.plus(looks(bus)), "...ERROR");
            }
            6..=12 if self.standard().is_old() => self.reply(at.plus(0.3), "CAN ERROR"),
            _ => self.reply(at.plus(0.3), "NO DATA"),
        }
    }

    /// The question goes to all on the bus.
    fn send(&mut self, at: Stamp, question: &[u8], first: bool, wanted: Option<usize>) {
        let mut padded = vec![question.len() as u8];
        padded.extend_from_slice(question);
        padded.resize(8, 0);
        let frame = match self.standard() {
            Standard::Can11 | Standard::J1979_2 => Frame::data(Id::Standard(0x7DF), &padded),
            Standard::Can29 => Frame::data(Id::Extended(0x18DB_33F1), &padded),
            Standard::J1850 | Standard::Iso9141 => Frame::data(Id::Extended(0x68_6AF1), question),
            Standard::J1850Pwm => Frame::data(Id::Extended(0x61_6AF1), question),
            Standard::Iso14230 => Frame::data(Id::Extended((0xC0 | question.len() as u32) << 16 | 0x33F1), question),
        };
        if let Some(frame) = frame {
            self.outing.frame(at, &frame);
        }
        let until = at.plus(WAITS_S);
        self.at = At::Waits { until, answers: 0, first, wanted };
    }

    fn heard(&mut self, at: Stamp, frame: &Frame) {
        if self.at == At::Listens {
            // Bytes that do not fit through the port fill its small memory.
            let behind = self.out.back().map_or(0.0, |b| b.0.since(at));
            if behind > 0.25 {
                self.reply(at, "BUFFER FULL");
            } else if !self.standard().is_old() || self.told.bus != 0 {
                let text = self.text(frame);
                self.line(at, &text);
            }
            return;
        }
        let At::Waits { until, answers, first, wanted } = self.at else { return };
        let old = self.standard().is_old();
        let to = match frame.id {
            Id::Standard(id) if (0x7E8..=0x7EF).contains(&id) && !old => Some(Id::Standard(id - 8)),
            Id::Extended(id) if id & 0xFFFF_FF00 == 0x18DA_F100 && !old => {
                Some(Id::Extended(0x18DA_00F1 | (id & 0xFF) << 8))
            }
            Id::Extended(id) if old && id < 0x100_0000 => None,
            _ => return,
        };
        let data = frame.bytes();
        if data.is_empty() {
            return;
        }
        if first && answers == 0 {
            // What was begun on the line of the dots is done.
            match (self.told.bus, self.own_bus()) {
                (0, _) => self.line(at, ""),
                (_, 3..=5) => self.line(at, "OK"),
                _ => {}
            }
            self.found = true;
        }
        let text = self.text(frame);
        self.line(at, &text);
        if data[0] >> 4 == 1
            && let Some(go) = to.and_then(|to| Frame::data(to, &flow_frame(Flow::Go { block: 0, pause: 0 })))
        {
            self.outing.frame(at.plus(0.000_5), &go);
        }
        let more = match self.standard() {
            Standard::Iso9141 | Standard::Iso14230 => MORE_SLOW_S,
            _ => MORE_S,
        };
        // "Later": it waits for that.
        let body = if old { data } else { &data[1..] };
        let later = matches!(body, [0x7F, _, 0x78, ..]);
        let until = if later { at.plus(5.0) } else { until.max(at.plus(more)).min(at.plus(1.0)) };
        let answers = answers + usize::from(!later);
        let until = if wanted.is_some_and(|w| answers >= w) { at } else { until };
        self.at = At::Waits { until, answers, first, wanted };
    }

    /// A line: with its header, if headers are asked for, and on the older buses with its check and
    /// acknowledgement.
    fn text(&self, frame: &Frame) -> String {
        let mut parts: Vec<String> = Vec::new();
        let mut bytes = Vec::new();
        match frame.id {
            Id::Standard(id) if self.told.headers => parts.push(format!("{id:03X}")),
            Id::Extended(id) if self.told.headers => {
                let whole = id.to_be_bytes();
                bytes.extend_from_slice(if self.standard().is_old() { &whole[1..] } else { &whole });
            }
            _ => {}
        }
        let data = frame.bytes();
        bytes.extend_from_slice(if self.told.headers || self.standard().is_old() {
            data
        } else {
            // The usual formatting shows the message alone.
            data.get(1..=usize::from(data[0] & 0x0F)).unwrap_or(data)
        });
        if self.told.headers && self.standard().is_old() {
            bytes.push(match self.standard() {
                Standard::J1850 | Standard::J1850Pwm => J1850.checksum(&bytes),
                _ => bytes.iter().fold(0u8, |sum, b| sum.wrapping_add(*b)),
            });
            // Its own acknowledgement, which this bus wants within the frame.
            if self.standard() == Standard::J1850Pwm {
                bytes.push(0xF1);
            }
        }
        parts.extend(bytes.iter().map(|b| format!("{b:02X}")));
        parts.join(if self.told.blanks { " " } else { "" })
    }

    /// Its own clock: what was begun goes on.
    fn goes_on(&mut self, at: Stamp) {
        match self.at.clone() {
            At::Begins { question, then } if at >= then => {
                let asleep = self.standard().is_old() && !self.outing.network().awake();
                if asleep && self.told.bus != 0 && matches!(self.own_bus(), 3..=5) {
                    return self.reply(then, "ERROR");
                }
                self.send(then, &question, true, None);
            }
            At::Waits { until, answers, first, .. } if at >= until => match (answers, first, self.told.bus) {
                (0, true, 0) => {
                    // The buses that are left were looked at too.
                    self.line(until, "");
                    self.reply(until.plus(2.5), "UNABLE TO CONNECT");
                }
                (0, ..) => {
                    let word = if self.dice.unit() < 0.02 && self.standard().is_old() { "BUS BUSY" } else { "NO DATA" };
                    self.reply(until, word);
                }
                _ => self.prompt(until),
            },
            _ => {}
        }
    }

    fn due(&self) -> Option<Stamp> {
        match self.at {
            At::Rest | At::Listens => None,
            At::Begins { then, .. } => Some(then),
            At::Waits { until, .. } => Some(until),
        }
    }
}

impl Device for TextAdapter {
    fn bytes(&mut self, at: Stamp, bytes: &[u8]) {
        if self.at != At::Rest && !bytes.is_empty() {
            // Anything typed in the middle ends what it was at, and is lost.
            self.reply(at, "STOPPED");
            return;
        }
        for text in self.typed.lines(bytes) {
            if self.at == At::Rest {
                self.typed(at, &text);
            }
        }
    }

    fn next(&mut self, until: Stamp) -> Option<(Stamp, Vec<u8>)> {
        loop {
            let limit = [self.out.front().map(|o| o.0), self.due()].into_iter().flatten().fold(until, Stamp::min);
            if let Some((at, frame)) = self.outing.next(limit) {
                self.heard(at, &frame);
                continue;
            }
            if self.out.front().is_some_and(|o| o.0 <= limit) {
                return self.out.pop_front();
            }
            match self.due().filter(|due| *due <= until) {
                Some(due) => self.goes_on(due),
                None => return None,
            }
        }
    }

    fn done(&self) -> bool {
        self.outing.done() && self.out.is_empty()
    }

    fn outing(&self) -> &Outing {
        &self.outing
    }
}
