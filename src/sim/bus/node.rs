//! One controller's end of the transport protocol (ISO 15765-2): questions put together, answers taken apart. On the
//! older buses a message is a message, and stands here as a frame whose identifier is its three header bytes.

use super::unit::Who;
use crate::time::Stamp;
use crate::wire::can_frame::{Frame, Id};
use crate::wire::isotp::{Flow, Got, Part, Receiver, Send, Sender, flow_frame, part};
use std::collections::VecDeque;

/// A controller on the bus.
#[derive(Debug, Clone)]
pub struct Node {
    /// Which.
    pub who: Who,
    /// To it alone.
    pub hears: Id,
    /// From it.
    pub speaks: Id,
    /// No transport protocol: each answer is one message.
    plain: bool,
    from_one: Receiver,
    from_all: Receiver,
    /// Answers that wait for their moment.
    waiting: VecDeque<(Stamp, Vec<u8>)>,
    sending: Option<Sender>,
    flow: Option<Flow>,
    due: Option<Stamp>,
}

impl Node {
    /// A silent one.
    pub fn new(who: Who, hears: Id, speaks: Id) -> Node {
        Node {
            who,
            hears,
            speaks,
            plain: false,
            from_one: Receiver::new(0, 0),
            from_all: Receiver::new(0, 0),
            waiting: VecDeque::new(),
            sending: None,
            flow: None,
            due: None,
        }
    }

    /// A silent one of an older bus.
    pub fn plain(who: Who, hears: Id, speaks: Id) -> Node {
        Node { plain: true, ..Node::new(who, hears, speaks) }
    }

    /// It falls asleep: whatever was begun is forgotten.
    pub fn forget(&mut self) {
        *self = Node { plain: self.plain, ..Node::new(self.who, self.hears, self.speaks) };
    }

    /// A frame to it alone, or to all; a whole question if there is one.
    pub fn frame(&mut self, at: Stamp, frame: &Frame, to_all: bool) -> Option<Vec<u8>> {
        if self.plain {
            return Some(frame.bytes().to_vec());
        }
        if let (false, Some(Part::Flow(flow))) = (to_all, part(frame.bytes())) {
            if let Some(sender) = &mut self.sending {
                sender.flow(at, flow);
                self.due = Some(at);
            }
            return None;
        }
        // What goes to all is a single frame (ISO 15765-4).
        let receiver = if to_all { &mut self.from_all } else { &mut self.from_one };
        match receiver.frame(at, frame.bytes()) {
            Got::Message(question) => Some(question),
            Got::Owes(flow) if !to_all => {
                self.flow = Some(flow);
                self.due = Some(at);
                None
            }
            _ => None,
        }
    }

    /// Sends an answer from this moment on. A few wait for each other; more are not kept.
    pub fn answer(&mut self, at: Stamp, message: Vec<u8>) {
        if self.waiting.len() < MOST_WAITING {
            self.waiting.push_back((at, message));
            self.due = Some(self.due.map_or(at, |d| d.min(at)));
        }
    }

    /// A message of an older bus; in ISO 14230 the header's first byte counts what follows the header.
    fn message(&self, message: &[u8]) -> Option<Frame> {
        let id = match self.speaks {
            Id::Extended(id) if id & 0xFF_0000 == 0x80_0000 => Id::Extended(id | (message.len() as u32 & 0x3F) << 16),
            id => id,
        };
        Frame::data(id, message)
    }

    /// When it wants to speak next.
    pub fn due(&self) -> Option<Stamp> {
        self.due
    }

    /// A frame, if one may go now.
    pub fn next(&mut self, at: Stamp) -> Option<Frame> {
        if self.due.is_none_or(|due| due > at) {
            return None;
        }
        if let Some(flow) = self.flow.take() {
            return Frame::data(self.speaks, &flow_frame(flow));
        }
        loop {
            let Some(sender) = &mut self.sending else {
                match self.waiting.front() {
                    Some((from, _)) if *from > at => {
                        self.due = Some(*from);
                        return None;
                    }
                    Some(_) if self.plain => {
                        let message = self.waiting.pop_front().map(|w| w.1).unwrap_or_default();
                        return self.message(&message);
                    }
                    Some(_) => {
                        self.sending = self.waiting.pop_front().and_then(|(_, message)| Sender::new(&message, 8));
                        continue;
                    }
                    None => {
                        self.due = None;
                        return None;
                    }
                }
            };
            match sender.poll(at) {
                Send::Frame(data) => {
                    self.due = Some(at);
                    return Frame::data(self.speaks, &data);
                }
                // The wait for the other's word ends just behind its last moment.
                Send::Awaits(until) => {
                    self.due = Some(Stamp(until.0 + 1).max(Stamp(at.0 + 1)));
                    return None;
                }
                Send::Until(from) => {
                    self.due = Some(from);
                    return None;
                }
                Send::Done | Send::GivenUp(_) => self.sending = None,
            }
        }
    }
}

/// A text of service 09 takes up to ten messages on an older bus.
const MOST_WAITING: usize = 12;
