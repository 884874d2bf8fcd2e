//! One conversation with controllers over CAN frames: ISO 15765-2 with the addressing of ISO 15765-4 (normal 11-bit,
//! normal fixed 29-bit), questions out, answers of several controllers in, flow control for what was asked for and for
//! nothing else.

use super::{Address, Heard, Question, To};
use crate::time::Stamp;
use crate::wire::ask::may_leave;
use crate::wire::can_frame::{Frame, Id, Kind};
use crate::wire::isotp::{self, Flow, Got, Part, Receiver, flow_frame};
use std::collections::{BTreeMap, VecDeque};

/// To all, 11 bits and 29 bits (ISO 15765-4).
const ALL: [Id; 2] = [Id::Standard(0x7DF), Id::Extended(0x18DB_33F1)];
/// Answers that may be half here at once; a bus has eight at most (ISO 15765-4).
const MOST: usize = 16;

/// True for who answers diagnostic questions (ISO 15765-4): 7E8 to 7EF, and 18DAF1xx.
pub fn answers(id: Id) -> bool {
    match id {
        Id::Standard(id) => (0x7E8..=0x7EF).contains(&id),
        Id::Extended(id) => id & 0xFFFF_FF00 == 0x18DA_F100,
    }
}

/// The identifier by which the controller is asked that answers with this one (ISO 15765-4); nothing for others.
pub fn ask_id(answers_with: Id) -> Option<Id> {
    answers(answers_with).then_some(match answers_with {
        Id::Standard(id) => Id::Standard(id - 8),
        Id::Extended(id) => Id::Extended(0x18DA_00F1 | (id & 0xFF) << 8),
    })
}

/// The last door: a frame may go if it holds a whole question that [`may_leave`], to an address where questions go, or is
/// the flow control of an answer. Whatever made it.
pub fn may_go(frame: &Frame) -> bool {
    let one = match frame.id {
        Id::Standard(id) => (0x7E0..=0x7E7).contains(&id),
        Id::Extended(id) => id & 0xFFFF_00FF == 0x18DA_00F1,
    };
    frame.kind == Kind::Classic
        && match isotp::part(frame.bytes()) {
            Some(Part::Single(message)) => (one || ALL.contains(&frame.id)) && may_leave(message),
            Some(Part::Flow(_)) => one,
            // All questions fit into one frame.
            Some(Part::First(..) | Part::Next(..)) | None => false,
        }
}

/// A question did not go out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refused {
    /// It is not on the list of what may be asked, or does not fit into a frame.
    Forbidden,
    /// An address that CAN does not have.
    Address,
}

/// A conversation.
#[derive(Debug, Clone, Default)]
pub struct Talk {
    /// Which of `ALL` somebody answered to; until then questions to all take turns.
    wide: Option<bool>,
    turn: bool,
    asked: Option<To>,
    receivers: BTreeMap<Id, Receiver>,
    out: VecDeque<Frame>,
    flow: (u8, u8),
}

impl Talk {
    /// Takes answers of several frames at the peer's own pace, as ISO 15765-4 has it for testers.
    pub fn new() -> Talk {
        Talk::default()
    }

    /// Takes them in blocks of so many frames with this pause (coded as in ISO 15765-2).
    pub fn with_flow(block: u8, pause: u8) -> Talk {
        Talk { flow: (block, pause), ..Talk::default() }
    }

    /// Puts a question; the frame comes by [`Talk::poll`]. Until somebody has answered, questions to all go out by 11
    /// bits and by 29 bits in turn.
    pub fn ask(&mut self, question: &Question) -> Result<(), Refused> {
        let id = match question.to {
            To::All => ALL[usize::from(self.wide.unwrap_or(self.turn))],
            To::One(Address::Can(id)) => ask_id(id).ok_or(Refused::Address)?,
            To::One(Address::Node(_)) => return Err(Refused::Address),
        };
        let message = question.request.bytes();
        let sender = isotp::Sender::new(&message, 8).filter(|_| message.len() <= 7 && may_leave(&message));
        let frame = match sender.map(|mut s| s.poll(Stamp::ZERO)) {
            Some(isotp::Send::Frame(data)) => Frame::data(id, &data).ok_or(Refused::Forbidden)?,
            _ => return Err(Refused::Forbidden),
        };
        if question.to == To::All {
            self.turn = !self.turn;
        }
        self.asked = Some(question.to);
        self.out.push_back(frame);
        Ok(())
    }

    /// The question is done with: an answer that begins later gets no flow control.
    pub fn over(&mut self) {
        self.asked = None;
        self.out.clear();
    }

    /// The next frame to send.
    pub fn poll(&mut self) -> Option<Frame> {
        self.out.pop_front().filter(may_go)
    }

    /// A frame was heard on the bus.
    pub fn frame(&mut self, at: Stamp, frame: &Frame) -> Option<Heard> {
        let traffic = Some(Heard::Traffic(Some(frame.id)));
        match frame.kind {
            Kind::Error(_) => return None,
            Kind::Remote => return traffic,
            Kind::Classic | Kind::Fd => {}
        }
        let from = Address::Can(frame.id);
        let wanted = match self.asked {
            Some(To::All) => answers(frame.id),
            Some(To::One(one)) => one == from,
            None => false,
        };
        if !wanted {
            // An answer to another tester, or one that was given up: left alone, and no sign that the bus speaks by itself.
            self.receivers.remove(&frame.id);
            return traffic.filter(|_| !answers(frame.id));
        }
        if self.receivers.len() >= MOST && !self.receivers.contains_key(&frame.id) {
            self.receivers.pop_first();
        }
        let (block, pause) = self.flow;
        match self.receivers.entry(frame.id).or_insert_with(|| Receiver::new(block, pause)).frame(at, frame.bytes()) {
            Got::Message(message) => {
                self.wide = Some(matches!(frame.id, Id::Extended(_)));
                Some(Heard::Answer { from, message })
            }
            Got::Owes(flow) => {
                if let Some(frame) = ask_id(frame.id).and_then(|id| Frame::data(id, &flow_frame(flow))) {
                    self.out.push_back(frame);
                }
                (flow != Flow::Overflow).then_some(Heard::Part(from))
            }
            Got::Nothing if self.receivers.get(&frame.id).is_some_and(Receiver::busy) => Some(Heard::Part(from)),
            Got::Nothing | Got::Broken(_) => None,
        }
    }
}
