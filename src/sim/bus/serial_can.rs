//! A serial-line CAN adapter on the vehicle's bus: the text protocol that the Linux kernel's `slcan` driver documents,
//! from the adapter's side.

use super::Outing;
use super::device::{Device, Typed};
use crate::time::Stamp;
use crate::wire::can_frame::{Frame, Kind};
use crate::wire::slcan::{BITRATES, Said, line, said};
use std::collections::VecDeque;

/// Whether the channel is open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Channel {
    Closed,
    Listens,
    Open,
}

/// The adapter.
#[derive(Debug, Clone)]
pub struct SerialCan {
    outing: Outing,
    channel: Channel,
    bitrate: Option<u32>,
    typed: Typed,
    out: VecDeque<(Stamp, Vec<u8>)>,
    disturbed: u64,
    errors: u64,
}

/// The vehicle's bit rate, bit/s.
const BITRATE: u32 = 500_000;

impl SerialCan {
    /// On the bus of this vehicle; on one of an older bus it hears nothing.
    pub fn new(outing: Outing) -> SerialCan {
        SerialCan {
            outing,
            channel: Channel::Closed,
            bitrate: None,
            typed: Typed::default(),
            out: VecDeque::new(),
            disturbed: 0,
            errors: 0,
        }
    }

    /// Frames that were sent, or acknowledged, at a wrong bit rate: each one disturbs a moving vehicle.
    pub fn disturbed(&self) -> u64 {
        self.disturbed
    }

    fn command(&mut self, at: Stamp, text: &str) {
        let yes = Some(b"\r".to_vec());
        let answer = match text.as_bytes() {
            [] => None,
            [b'S', digit] if self.channel == Channel::Closed => {
                let rate = digit.checked_sub(b'0').and_then(|d| BITRATES.get(usize::from(d)));
                self.bitrate = rate.copied().or(self.bitrate);
                rate.and(yes)
            }
            [b'O'] if self.channel == Channel::Closed && self.bitrate.is_some() => {
                self.channel = Channel::Open;
                yes
            }
            [b'L'] if self.channel == Channel::Closed && self.bitrate.is_some() => {
                self.channel = Channel::Listens;
                yes
            }
            [b'C'] if self.channel != Channel::Closed => {
                self.channel = Channel::Closed;
                yes
            }
            [b'V'] => Some(b"V0100\r".to_vec()),
            [b'N'] => Some(b"N0007\r".to_vec()),
            [b'F'] if self.channel != Channel::Closed => {
                Some(format!("F{:02X}\r", u8::from(self.errors > 0)).into_bytes())
            }
            [kind @ (b't' | b'T'), ..] if self.channel == Channel::Open => match said(text.as_bytes()) {
                Said::Frame(frame) => {
                    self.send(at, &frame);
                    Some(vec![kind + (b'Z' - b'T'), b'\r'])
                }
                _ => None,
            },
            _ => None,
        };
        self.say(at, answer.unwrap_or_else(|| vec![0x07]));
    }

    fn hears(&self) -> bool {
        self.bitrate == Some(BITRATE) && !self.outing.standard().is_old()
    }

    fn send(&mut self, at: Stamp, frame: &Frame) {
        if self.hears() {
            self.outing.frame(at, frame);
        } else if !self.outing.standard().is_old() {
            self.disturbed += 1;
        }
    }

    fn say(&mut self, at: Stamp, bytes: Vec<u8>) {
        self.out.push_back((at.plus(0.001).max(self.out.back().map_or(at, |b| b.0)), bytes));
    }

    fn heard(&mut self, at: Stamp, frame: &Frame) {
        if self.channel == Channel::Closed {
            return;
        }
        if !self.hears() {
            // An open member of the bus answers what it cannot read with errors of its own; a listener does not.
            self.disturbed += u64::from(self.channel == Channel::Open && !self.outing.standard().is_old());
            return;
        }
        if let Kind::Error(_) = frame.kind {
            self.errors += 1;
            // One line for the first of some; the driver's `e` line carries how many letters follow.
            if self.errors.is_multiple_of(8) {
                self.say(at, b"e1a\r".to_vec());
            }
        } else if let Some(bytes) = line(frame) {
            self.say(at, bytes);
        }
    }
}

impl Device for SerialCan {
    fn bytes(&mut self, at: Stamp, bytes: &[u8]) {
        for text in self.typed.lines(bytes) {
            self.command(at, &text);
        }
    }

    fn next(&mut self, until: Stamp) -> Option<(Stamp, Vec<u8>)> {
        loop {
            let limit = self.out.front().map_or(until, |o| o.0.min(until));
            match self.outing.next(limit) {
                Some((at, frame)) => self.heard(at, &frame),
                None if self.out.front().is_some_and(|o| o.0 <= until) => return self.out.pop_front(),
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
