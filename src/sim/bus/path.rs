//! Faults as a device in the path between the vehicle's network and whoever listens: frames go through it both ways, and
//! some come out late, torn, otherwise, or not at all.

use super::Network;
use super::maker::BROADCASTS;
use crate::sim::random::Dice;
use crate::time::Stamp;
use crate::wire::can_frame::{Frame, Id};
use std::collections::VecDeque;

/// What can be wrong on the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The engine controller hears nothing and says nothing from 400 s to 700 s of every 1000 s.
    Silent,
    /// Every answer comes 40 to 180 ms late, some of them too late.
    Slow,
    /// The engine controller says "later" first, up to three times, and answers after that.
    Pending,
    /// A byte too many or too few is announced in one answer of twenty.
    WrongLength,
    /// The answers of two controllers are held until both speak, and go out by turns.
    Interleaved,
    /// One frame of fifty is lost, either way.
    Lost,
    /// The driver reports errors of the bus, now and then in bursts.
    Errors,
    /// Frames of nobody: any identifier, those of answers among them, with any bytes. Those that the vehicle sends by
    /// itself are spared: nobody could tell them from its own.
    Garbage,
}

/// The words by which faults are chosen.
pub const FAULTS: [(&str, Fault); 8] = [
    ("silent", Fault::Silent),
    ("slow", Fault::Slow),
    ("pending", Fault::Pending),
    ("wrong-length", Fault::WrongLength),
    ("interleaved", Fault::Interleaved),
    ("lost", Fault::Lost),
    ("errors", Fault::Errors),
    ("garbage", Fault::Garbage),
];

impl Fault {
    /// By its word.
    pub fn from_name(name: &str) -> Option<Fault> {
        FAULTS.iter().find(|f| f.0 == name).map(|f| f.1)
    }

    /// All that a list names, joined with `+`; nothing if it names something else.
    pub fn list(words: &str) -> Option<Vec<Fault>> {
        words.split('+').filter(|w| !w.is_empty()).map(Fault::from_name).collect()
    }
}

/// The path, with the network at its far end.
#[derive(Debug, Clone)]
pub struct Path {
    /// The far end.
    pub network: Network,
    faults: Vec<Fault>,
    dice: Dice,
    /// Frames under way, in the order of their moments.
    coming: VecDeque<(Stamp, Frame)>,
    /// Answers of one controller that wait for another's turn.
    held: [VecDeque<(Stamp, Frame)>; 2],
    next_noise: Stamp,
}

/// The engine controller's answers and the gearbox controller's (ISO 15765-4, and the headers of the older buses).
fn answers(id: Id) -> Option<usize> {
    match id {
        Id::Standard(0x7E8) | Id::Extended(0x18DA_F110) => Some(0),
        Id::Standard(0x7E9) | Id::Extended(0x18DA_F118) => Some(1),
        Id::Extended(id) if id < 0x100_0000 && id & 0xFF == 0x10 => Some(0),
        Id::Extended(id) if id < 0x100_0000 && id & 0xFF == 0x18 => Some(1),
        _ => None,
    }
}

/// A message of an older bus, without transport protocol.
fn plain(id: Id) -> bool {
    matches!(id, Id::Extended(id) if id < 0x100_0000)
}

impl Path {
    /// To `network`, with these faults, drawn from `seed`.
    pub fn new(network: Network, faults: &[Fault], seed: u64) -> Path {
        Path {
            network,
            faults: faults.to_vec(),
            dice: Dice::new(seed, 92),
            coming: VecDeque::new(),
            held: Default::default(),
            next_noise: Stamp::from_secs(1.0),
        }
    }

    fn has(&self, fault: Fault) -> bool {
        self.faults.contains(&fault)
    }

    fn deaf(&self, at: Stamp) -> bool {
        let s = at.secs();
        self.has(Fault::Silent) && (400.0..700.0).contains(&(s - 1_000.0 * (s / 1_000.0).floor()))
    }

    /// A frame towards the vehicle.
    pub fn frame(&mut self, at: Stamp, frame: &Frame) {
        if self.has(Fault::Lost) && self.dice.unit() < 0.02 {
            return;
        }
        self.network.frame(at, frame);
    }

    /// When a frame may come next.
    pub fn due(&self) -> Option<Stamp> {
        let noise = (self.has(Fault::Errors) || self.has(Fault::Garbage)).then_some(self.next_noise);
        let held = self.held.iter().filter_map(|h| h.front().map(|f| f.0.plus(HELD_S))).min();
        [self.network.due(), self.coming.front().map(|f| f.0), held, noise].into_iter().flatten().min()
    }

    /// The next frame that comes out by `at`, with its own moment.
    pub fn next(&mut self, at: Stamp) -> Option<(Stamp, Frame)> {
        while let Some((when, frame)) = self.network.next(at) {
            self.pass(when, frame);
        }
        self.let_go(at);
        self.noise(at);
        self.coming.front().filter(|f| f.0 <= at)?;
        self.coming.pop_front()
    }

    fn put(&mut self, when: Stamp, frame: Frame) {
        let place = self.coming.partition_point(|f| f.0 <= when);
        self.coming.insert(place, (when, frame));
    }

    /// A frame of the vehicle on its way out.
    fn pass(&mut self, when: Stamp, mut frame: Frame) {
        if self.has(Fault::Lost) && self.dice.unit() < 0.02 {
            return;
        }
        let Some(who) = answers(frame.id) else { return self.put(when, frame) };
        if who == 0 && self.deaf(when) {
            return;
        }
        let mut when = when;
        let plain = plain(frame.id);
        let first = if plain { 0 } else { frame.bytes().first().copied().unwrap_or(0) >> 4 };
        let begins = first < 2;
        if self.has(Fault::Slow) && begins {
            when = when.plus(self.dice.between(0.04, 0.18));
        }
        if self.has(Fault::Pending) && who == 0 && begins && !plain {
            let service = frame.bytes().get(if first == 0 { 1 } else { 2 }).copied().unwrap_or(0);
            if service != 0x7F {
                let later = [3, 0x7F, service.wrapping_sub(0x40), 0x78, 0xCC, 0xCC, 0xCC, 0xCC];
                for _ in 0..1 + (self.dice.unit() * 3.0) as u8 {
                    if let Some(frame) = Frame::data(frame.id, &later) {
                        self.put(when, frame);
                    }
                    when = when.plus(self.dice.between(0.1, 0.9));
                }
            }
        }
        if self.has(Fault::WrongLength) && begins && self.dice.unit() < 0.05 {
            frame = if plain { shorter(&frame) } else { wrong_length(&frame) };
        }
        // A frame never overtakes the one before it of the same controller.
        let behind = self.coming.iter().rev().find(|f| f.1.id == frame.id).map(|f| f.0);
        when = behind.map_or(when, |b| when.max(Stamp(b.0 + 1)));
        if self.has(Fault::Interleaved) {
            self.held[who].push_back((when, frame));
        } else {
            self.put(when, frame);
        }
    }

    /// Held answers go out by turns once both speak, the gearbox first; or when one has waited for long.
    fn let_go(&mut self, at: Stamp) {
        loop {
            let fronts = self.held.each_ref().map(|h| h.front().map(|f| f.0));
            let mut when = match fronts {
                [Some(a), Some(b)] => a.max(b),
                [Some(one), None] | [None, Some(one)] if one.plus(HELD_S) <= at => one.plus(HELD_S),
                _ => return,
            };
            for who in [1, 0] {
                if let Some((_, frame)) = self.held[who].pop_front() {
                    self.put(when, frame);
                    when = when.plus(0.000_3);
                }
            }
        }
    }

    fn noise(&mut self, at: Stamp) {
        while (self.has(Fault::Errors) || self.has(Fault::Garbage)) && self.next_noise <= at {
            let when = self.next_noise;
            if self.has(Fault::Errors) {
                let burst = if self.dice.unit() < 0.05 { 40 } else { 1 };
                for i in 0..burst {
                    // Arbitration lost, a protocol violation, a warning or passive state of the controller
                    // (`linux/can/error.h`).
                    let (class, data) =
                        [(0x02, [0; 8]), (0x08, [0, 0, 0x04, 0, 0, 0, 0, 0])][usize::from(self.dice.unit() < 0.5)];
                    self.put(Stamp(when.0 + i * 200_000), Frame::error(class, data));
                }
            }
            if self.has(Fault::Garbage) {
                let id = match (self.dice.unit() * 4.0) as u8 {
                    0 => Id::Standard(0x7E8 + (self.dice.unit() * 8.0) as u16),
                    1 => Id::Extended(0x18DA_F100 | (self.dice.unit() * 256.0) as u32),
                    2 => Id::Extended((self.dice.unit() * 536_870_912.0) as u32),
                    _ => match (self.dice.unit() * 2_048.0) as u16 {
                        id if BROADCASTS.iter().any(|b| b.id == id) => Id::Standard(id + 1),
                        id => Id::Standard(id),
                    },
                };
                let mut data = [0; 8];
                data.iter_mut().for_each(|b| *b = (self.dice.unit() * 256.0) as u8);
                let n = (self.dice.unit() * 9.0) as usize;
                if let Some(frame) = Frame::data(id, &data[..n.min(8)]) {
                    self.put(when, frame);
                }
            }
            self.next_noise = when.plus(self.dice.between(0.2, 2.0));
        }
    }
}

/// An answer is held so long for the other controller's, s.
const HELD_S: f64 = 0.012;

/// The same message without its last byte.
fn shorter(frame: &Frame) -> Frame {
    let data = frame.bytes();
    Frame::data(frame.id, &data[..data.len().saturating_sub(1)]).unwrap_or(*frame)
}

/// The same frame, announcing one byte more or less than it should.
fn wrong_length(frame: &Frame) -> Frame {
    let mut data = frame.bytes().to_vec();
    match data.first_mut() {
        Some(first) if *first >> 4 == 0 => *first = if *first > 2 { *first - 1 } else { *first + 1 },
        Some(_) => {
            if let Some(length) = data.get_mut(1) {
                *length = length.wrapping_add(1);
            }
        }
        None => {}
    }
    Frame::data(frame.id, &data).unwrap_or(*frame)
}
