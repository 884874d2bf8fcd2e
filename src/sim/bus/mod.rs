//! The simulated vehicle's own network: an engine and a gearbox controller that answer as the standards say, from the
//! simulated vehicle's state.
//!
//! ```text
//! vehicle ──Seen──▶ Network: controllers, broadcast frames, sleep ──▶ Path: faults ──▶ frames, a serial line, a socket
//! ```
//!
//! Sans-I/O: [`Network`] is handed the time and frames, and gives frames with theirs. It shares the codecs of `wire` with
//! the tool, so an agreement of the two proves the codecs nothing; those are held to vectors of other libraries.
//!
//! | part | what it does |
//! |---|---|
//! | `seen` | what the engine controller's sensors read |
//! | `unit`, `live`, `maker` | questions to answers: the standards, live data, the invented maker's own |
//! | `memory` | the controller's own verdict: codes, monitor results, readiness, counters, freeze frame |
//! | `node` | the transport protocol of one controller |
//! | `path` | faults on the way |
//! | `outing` | vehicle, network and path on simulated time |
//! | `device`, `serial_can`, `text` | adapters at the end of the path that speak bytes |

mod device;
mod live;
mod maker;
mod memory;
mod node;
mod outing;
mod path;
mod seen;
mod serial_can;
#[cfg(test)]
mod tests;
mod text;
mod unit;

pub use super::controller::{OwnCheck, Story};
pub use device::Device;
pub use outing::Outing;
pub use path::{FAULTS, Fault, Path};
pub use seen::Seen;
pub use serial_can::SerialCan;
pub use text::TextAdapter;

use super::random::Dice;
use crate::time::Stamp;
use crate::wire::can_frame::{Frame, Id, Kind};
use maker::BROADCASTS;
use memory::Memory;
use node::Node;
use unit::{Context, Who, answers, meddles};

/// By which standard the vehicle answers, and on which wires.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standard {
    /// SAE J1979 on CAN with 11-bit identifiers (ISO 15765-4).
    Can11,
    /// The same with 29-bit identifiers.
    Can29,
    /// SAE J1979-2 (ISO 14229 services alone) on CAN with 11-bit identifiers.
    J1979_2,
    /// SAE J1979 on SAE J1850, variable pulse width.
    J1850,
    /// The same, pulse width.
    J1850Pwm,
    /// SAE J1979 on ISO 9141-2.
    Iso9141,
    /// SAE J1979 on ISO 14230.
    Iso14230,
}

/// The words by which a standard is chosen.
pub const STANDARDS: [(&str, Standard); 7] = [
    ("can11", Standard::Can11),
    ("can29", Standard::Can29),
    ("j1979-2", Standard::J1979_2),
    ("j1850", Standard::J1850),
    ("j1850-pwm", Standard::J1850Pwm),
    ("iso9141", Standard::Iso9141),
    ("iso14230", Standard::Iso14230),
];

impl Standard {
    /// By its word.
    pub fn from_name(name: &str) -> Option<Standard> {
        STANDARDS.iter().find(|s| s.0 == name).map(|s| s.1)
    }

    /// True for the address of a question to all controllers.
    fn to_all(self, id: Id) -> bool {
        match self {
            Standard::Can11 | Standard::J1979_2 => id == Id::Standard(0x7DF),
            Standard::Can29 => id == Id::Extended(0x18DB_33F1),
            Standard::J1850 | Standard::Iso9141 => id == Id::Extended(0x68_6AF1),
            Standard::J1850Pwm => id == Id::Extended(0x61_6AF1),
            Standard::Iso14230 => matches!(id, Id::Extended(id) if id & 0xC0_FFFF == 0xC0_33F1),
        }
    }

    /// No CAN: a bus of older vehicles, reached through a text adapter alone.
    pub fn is_old(self) -> bool {
        matches!(self, Standard::J1850 | Standard::J1850Pwm | Standard::Iso9141 | Standard::Iso14230)
    }
}

/// The network of one vehicle.
///
/// A message of an older bus stands as a frame of up to seven bytes whose identifier is the three header bytes: to all
/// 686AF1 (SAE J1850 VPW and ISO 9141-2), 616AF1 (SAE J1850 PWM) or Cn33F1 (ISO 14230), from a controller 486Bxx, 416Bxx
/// or 8nF1xx.
#[derive(Debug, Clone)]
pub struct Network {
    standard: Standard,
    nodes: Vec<Node>,
    memory: Memory,
    seen: Option<Seen>,
    dice: Dice,
    broadcasts: [Option<Stamp>; BROADCASTS.len()],
    /// Traffic keeps the network awake until here.
    kept_until: Stamp,
    awake: bool,
    /// The bus is busy until here.
    busy_until: Stamp,
    meddled: Vec<u8>,
}

/// A network stays awake so long after the last question, s; and wakes so long after a frame came in its sleep. Own
/// choice: network management waits some seconds.
const KEPT_S: f64 = 5.0;
const WAKES_S: f64 = 0.1;
/// A frame takes about so long on a bus of 500 kbit/s, s (ISO 11898-1, computed: 135 bits with some stuffing).
const FRAME_S: f64 = 0.000_27;

impl Network {
    /// Of the van that `seed` gives.
    pub fn new(standard: Standard, seed: u64) -> Network {
        let node = |who, byte: u8| {
            let (long, short) = (u32::from(byte), if who == Who::Engine { 0x7E0 } else { 0x7E1 });
            match standard {
                Standard::Can29 => {
                    Node::new(who, Id::Extended(0x18DA_00F1 | long << 8), Id::Extended(0x18DA_F100 | long))
                }
                Standard::Can11 | Standard::J1979_2 => Node::new(who, Id::Standard(short), Id::Standard(short + 8)),
                Standard::J1850 | Standard::Iso9141 => {
                    Node::plain(who, Id::Extended(0x6800_00F1 | long << 8), Id::Extended(0x48_6B00 | long))
                }
                Standard::J1850Pwm => {
                    Node::plain(who, Id::Extended(0x6100_00F1 | long << 8), Id::Extended(0x41_6B00 | long))
                }
                Standard::Iso14230 => {
                    Node::plain(who, Id::Extended(0x80_00F1 | long << 8), Id::Extended(0x80_F100 | long))
                }
            }
        };
        let mut nodes = vec![node(Who::Engine, 0x10), node(Who::Gearbox, 0x18)];
        if standard == Standard::Iso9141 {
            // Older still: the gearbox is not on the line.
            nodes.truncate(1);
        }
        Network {
            standard,
            nodes,
            memory: Memory::new(seed),
            seen: None,
            dice: Dice::new(seed, 91),
            broadcasts: [None; BROADCASTS.len()],
            kept_until: Stamp(i64::MIN),
            awake: false,
            busy_until: Stamp(i64::MIN),
            meddled: Vec::new(),
        }
    }

    /// The vehicle at a moment; moments do not run backwards.
    pub fn see(&mut self, at: Stamp, seen: &Seen) {
        self.memory.observe(at, seen);
        self.seen = Some(*seen);
        self.rouse(at);
    }

    /// By which standard it answers.
    pub fn standard(&self) -> Standard {
        self.standard
    }

    /// What the engine controller's sensors read when the vehicle was last seen.
    pub fn seen(&self) -> Option<&Seen> {
        self.seen.as_ref()
    }

    /// The network is awake: the key is on, a controller has something to do, or somebody keeps asking.
    pub fn awake(&self) -> bool {
        self.awake
    }

    /// Services that meddle with a vehicle and were asked for: nobody should.
    pub fn meddled(&self) -> &[u8] {
        &self.meddled
    }

    fn rouse(&mut self, at: Stamp) {
        let wanted = self.seen.is_some_and(|s| s.key || s.awake) || at < self.kept_until;
        if wanted == self.awake {
            return;
        }
        self.awake = wanted;
        if wanted && !self.standard.is_old() {
            for (next, b) in self.broadcasts.iter_mut().zip(&BROADCASTS) {
                *next = Some(at.plus(b.every_s));
            }
        } else {
            self.broadcasts = [None; BROADCASTS.len()];
            self.nodes.iter_mut().for_each(Node::forget);
        }
    }

    /// A frame of somebody else on the bus.
    pub fn frame(&mut self, at: Stamp, frame: &Frame) {
        self.rouse(at);
        if frame.kind != Kind::Classic || (self.standard.is_old() && !self.awake) {
            return;
        }
        if !self.awake {
            // It wakes the network, which is too late to read it.
            self.kept_until = at.plus(WAKES_S + KEPT_S);
            self.rouse(at.plus(WAKES_S));
            return;
        }
        self.busy_until = self.busy_until.max(at.plus(FRAME_S));
        let to_all = self.standard.to_all(frame.id);
        let Some(seen) = self.seen else { return };
        for node in self.nodes.iter_mut().filter(|n| to_all || n.hears == frame.id) {
            let Some(question) = node.frame(at, frame, to_all) else { continue };
            self.kept_until = at.plus(KEPT_S);
            self.meddled.extend(question.first().filter(|s| meddles(**s)));
            let context = Context { who: node.who, standard: self.standard, to_all, seen: &seen, memory: &self.memory };
            // P2: at most 50 ms in ISO 15765-4, ISO 14230 and ISO 9141-2, 100 ms in SAE J1850 (from memory); and the slow
            // lines of the last two take some tens of milliseconds for the bytes of a message.
            let (low, high) = match (self.standard, node.who) {
                (Standard::Can11 | Standard::Can29 | Standard::J1979_2, Who::Engine) => (0.006, 0.022),
                (Standard::Can11 | Standard::Can29 | Standard::J1979_2, Who::Gearbox) => (0.009, 0.035),
                (Standard::J1850 | Standard::J1850Pwm, _) => (0.015, 0.06),
                (Standard::Iso9141 | Standard::Iso14230, _) => (0.045, 0.12),
            };
            let mut from = at.plus(self.dice.between(low, high));
            for answer in answers(context, &question) {
                node.answer(from, answer);
                from = from.plus(low);
            }
        }
    }

    /// When a frame may come next: then, or whenever the vehicle is seen again.
    pub fn due(&self) -> Option<Stamp> {
        let nodes = self.nodes.iter().filter_map(Node::due);
        let speak = nodes.chain(self.broadcasts.iter().filter_map(|b| *b)).min();
        speak.map(|s| s.max(self.busy_until))
    }

    /// The next frame that goes out by `at`, with its own moment.
    pub fn next(&mut self, at: Stamp) -> Option<(Stamp, Frame)> {
        loop {
            let due = self.due().filter(|due| *due <= at)?;
            self.rouse(due);
            let seen = self.seen.filter(|_| self.awake)?;
            if let Some(frame) = self.at(due, &seen) {
                self.busy_until = due.plus(FRAME_S);
                return Some((due, frame));
            }
        }
    }

    /// Whatever is due now; the lower identifier wins the bus (ISO 11898-1), which is a broadcast.
    fn at(&mut self, now: Stamp, seen: &Seen) -> Option<Frame> {
        for (next, b) in self.broadcasts.iter_mut().zip(&BROADCASTS) {
            if let Some(due) = next.filter(|due| *due <= now) {
                *next = Some(due.plus(b.every_s).max(Stamp(now.0 + 1)));
                return b.frame(seen);
            }
        }
        self.nodes.iter_mut().find_map(|n| n.next(now))
    }
}
