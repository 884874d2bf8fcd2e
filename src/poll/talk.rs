//! One conversation with controllers over CAN frames: ISO 15765-2 with the addressing of ISO 15765-4 (normal 11-bit,
//! normal fixed 29-bit), questions out, answers of several controllers in, flow control for what was asked for and for
//! nothing else.

use super::{Address, Heard, Question, To};
use crate::time::Stamp;
use crate::wire::addresses::{ALL, answers, ask_id, asks, asks_one};
use crate::wire::ask::may_leave;
use crate::wire::can_frame::{Frame, Id, Kind};
use crate::wire::isotp::{self, Flow, Got, Part, Receiver, flow_frame};
use std::collections::{BTreeMap, VecDeque};

/// Answers that may be half here at once; a bus has eight at most (ISO 15765-4).
const MOST: usize = 16;

/// The last door: a frame may go if it holds a whole question that [`may_leave`], to an address where questions go, or is
/// the flow control of an answer. Whatever made it.
pub fn may_go(frame: &Frame) -> bool {
    frame.kind == Kind::Classic
        && match isotp::part(frame.bytes()) {
            Some(Part::Single(message)) => asks(frame.id) && may_leave(message),
            Some(Part::Flow(_)) => asks_one(frame.id),
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

/// A conversation: answers of several frames come at the peer's own pace, as ISO 15765-4 has it for testers.
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
    /// Takes answers of several frames in blocks of so many frames with this pause (coded as in ISO 15765-2).
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::ask::{Request, SERVICES};
    use proptest::prelude::*;

    const E8: Id = Id::Standard(0x7E8);

    fn frame(id: Id, data: &[u8]) -> Frame {
        Frame::data(id, data).unwrap()
    }

    fn ask(talk: &mut Talk, request: Request, to: To) -> Vec<Frame> {
        assert_eq!(talk.ask(&Question { request, to }), Ok(()));
        std::iter::from_fn(|| talk.poll()).collect()
    }

    /// ISO 15765-4, addresses and padding, from memory.
    #[test]
    fn questions_go_to_all_or_to_one() {
        let mut talk = Talk::default();
        let stored = frame(Id::Standard(0x7DF), &[1, 3, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC]);
        assert_eq!(ask(&mut talk, Request::Stored, To::All), [stored]);
        // Nobody answered yet: 29 bits in turn.
        assert_eq!(ask(&mut talk, Request::Stored, To::All)[0].id, Id::Extended(0x18DB_33F1));
        for (who, id) in [(E8, Id::Standard(0x7E0)), (Id::Extended(0x18DA_F110), Id::Extended(0x18DA_10F1))] {
            assert_eq!(ask(&mut talk, Request::Pending, To::One(Address::Can(who)))[0].id, id);
        }
        let six = ask(&mut talk, Request::Live((1..=6).collect()), To::All);
        assert_eq!(six[0].bytes(), [7, 1, 1, 2, 3, 4, 5, 6]);
        let node = Question { request: Request::Stored, to: To::One(Address::Node(0x10)) };
        assert_eq!(talk.ask(&node), Err(Refused::Address));
        let nobody = Question { request: Request::Stored, to: To::One(Address::Can(Id::Standard(0x123))) };
        assert_eq!(talk.ask(&nobody), Err(Refused::Address));
    }

    #[test]
    fn who_was_asked_gets_flow_control_and_nobody_else() {
        let at = Stamp::ZERO;
        let first = [0x10, 20, 0x49, 2, 1, b'V', b'V', b'V'];
        let mut talk = Talk::with_flow(3, 0x14);
        // Nobody was asked: another tester's conversation.
        assert_eq!(talk.frame(at, &frame(E8, &first)), None);
        assert_eq!(talk.poll(), None);
        ask(&mut talk, Request::Info(2), To::One(Address::Can(E8)));
        assert_eq!(talk.frame(at, &frame(Id::Standard(0x7E9), &first)), None);
        assert_eq!(talk.frame(at, &frame(E8, &first)), Some(Heard::Part(Address::Can(E8))));
        assert_eq!(talk.poll().unwrap().bytes()[..3], [0x30, 3, 0x14]);
        assert_eq!(talk.frame(at, &frame(E8, &[0x21; 8])), Some(Heard::Part(Address::Can(E8))));
        assert_eq!(talk.frame(at, &frame(Id::Standard(0x123), &[1])), Some(Heard::Traffic(Some(Id::Standard(0x123)))));
        let Some(Heard::Answer { message, .. }) = talk.frame(at, &frame(E8, &[0x22; 8])) else { panic!() };
        assert_eq!(message.len(), 20);
        talk.over();
        assert_eq!((talk.frame(at, &frame(E8, &first)), talk.poll()), (None, None));
    }

    proptest! {
        /// Whatever makes a frame: it goes if it is a whole question on the list to where questions go, or flow control.
        #[test]
        fn the_last_door(id in prop_oneof![0x7D0u32..0x7F0, any::<u32>()], wide: bool, data in prop::collection::vec(any::<u8>(), 0..9)) {
            let id = if wide { Id::Extended(id & 0x1FFF_FFFF) } else { Id::Standard((id & 0x7FF) as u16) };
            if may_go(&frame(id, &data)) {
                let (kind, len) = (data[0] >> 4, usize::from(data[0] & 0x0F));
                prop_assert!(kind == 3 || (kind == 0 && SERVICES.contains(&data[1]) && len < data.len()));
                prop_assert!(!answers(id));
            }
        }

        #[test]
        fn any_frames_are_taken(frames in prop::collection::vec((0x7E0u16..0x7F0, prop::collection::vec(any::<u8>(), 0..9)), 0..60)) {
            let mut talk = Talk::default();
            for (i, (id, data)) in frames.into_iter().enumerate() {
                if i % 7 == 0 {
                    ask(&mut talk, Request::Stored, To::All);
                }
                talk.frame(Stamp(i as i64 * 1_000_000), &frame(Id::Standard(id), &data));
                while let Some(f) = talk.poll() {
                    prop_assert!(may_go(&f));
                }
            }
        }
    }
}
