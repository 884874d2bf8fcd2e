//! ISO 15765-2: messages in frames of 8 (classic) or up to 64 bytes (CAN FD), both ways, up to [`LONGEST`] bytes.
//!
//! Sans-I/O: [`Receiver`] puts a peer's frames together, [`Sender`] takes a message apart and obeys the peer's flow
//! control; the caller keeps the clock, moves the frames and knows which identifier belongs to whom (one receiver a
//! peer, so answers of several controllers may interleave). Addressing is normal: the first byte is the protocol's.

use super::can_frame::fd_length;
use crate::time::Stamp;

/// A peer that stops in the middle is given up after this, seconds (N_Bs and N_Cr of ISO 15765-2: 1000 ms).
pub const SILENCE_S: f64 = 1.0;
/// Longest message that is put together or taken apart, bytes. The protocol could name 4 GiB; nothing that is read of a
/// vehicle comes near this.
pub const LONGEST: usize = 65_535;
/// The longest message whose length the first part holds in 12 bits; a longer one has its length in 32 bits after them.
const LONGEST_SHORT: usize = 4095;
/// What fills the rest of a frame (ISO 15765-2 recommends CC).
pub const PADDING: u8 = 0xCC;

/// A frame's protocol part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part<'a> {
    /// A whole message.
    Single(&'a [u8]),
    /// The first part of a message of so many bytes.
    First(usize, &'a [u8]),
    /// The next part, numbered 0 to 15.
    Next(u8, &'a [u8]),
    /// The receiver's word.
    Flow(Flow),
}

/// What a receiver tells the sender.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flow {
    /// Go on: so many frames until the next word (0: all), with this pause between them, seconds.
    Go {
        /// Frames in a block, 0 for all.
        block: u8,
        /// Pause between frames as it is coded: 0 to 7F milliseconds, F1 to F9 hundreds of microseconds.
        pause: u8,
    },
    /// Wait for another word.
    Wait,
    /// Too long for the receiver.
    Overflow,
}

/// The pause between frames in seconds; a reserved code means the longest, 127 ms (ISO 15765-2).
pub fn pause_s(code: u8) -> f64 {
    match code {
        0x00..=0x7F => f64::from(code) * 1e-3,
        0xF1..=0xF9 => f64::from(code - 0xF0) * 1e-4,
        _ => 0.127,
    }
}

/// Takes a frame's data apart; nothing for what the protocol does not know.
pub fn part(data: &[u8]) -> Option<Part<'_>> {
    let (&pci, rest) = data.split_first()?;
    let low = usize::from(pci & 0x0F);
    match pci >> 4 {
        // Only a classic frame has its length there.
        0 if low > 0 => rest.get(..low).filter(|_| data.len() <= 8).map(Part::Single),
        // CAN FD: the length in the second byte, only for more than a classic frame holds.
        0 if data.len() > 8 => {
            let (&len, rest) = rest.split_first()?;
            rest.get(..usize::from(len)).filter(|d| !d.is_empty()).map(Part::Single)
        }
        1 => {
            let (&len, rest) = rest.split_first()?;
            match low << 8 | usize::from(len) {
                0 => {
                    let (len, rest) = rest.split_first_chunk::<4>()?;
                    let len = u32::from_be_bytes(*len) as usize;
                    // What would have gone into 12 bits is none of the protocol's.
                    (len > LONGEST_SHORT).then_some(Part::First(len, rest))
                }
                len => Some(Part::First(len, rest)),
            }
        }
        2 => Some(Part::Next(pci & 0x0F, rest)),
        3 => {
            let flow = match low {
                0 => Flow::Go { block: *rest.first()?, pause: *rest.get(1)? },
                1 => Flow::Wait,
                2 => Flow::Overflow,
                _ => return None,
            };
            Some(Part::Flow(flow))
        }
        _ => None,
    }
}

/// A frame's data, padded to `room` bytes (8 for classic CAN) or to the next length of CAN FD.
fn padded(mut data: Vec<u8>, room: usize) -> Vec<u8> {
    data.resize(if data.len() <= 8 { 8.min(room) } else { fd_length(data.len()) }, PADDING);
    data
}

/// The data of a flow-control frame.
pub fn flow_frame(flow: Flow) -> Vec<u8> {
    let bytes = match flow {
        Flow::Go { block, pause } => vec![0x30, block, pause],
        Flow::Wait => vec![0x31, 0, 0],
        Flow::Overflow => vec![0x32, 0, 0],
    };
    padded(bytes, 8)
}

/// What a receiver made of a frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Got {
    /// Nothing to do yet.
    Nothing,
    /// A whole message.
    Message(Vec<u8>),
    /// The peer waits for this word; only for who takes part in the conversation.
    Owes(Flow),
    /// What was begun is given up.
    Broken(Fault),
}

/// Why a message was given up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// A part is missing or came twice.
    Order,
    /// The peer fell silent in the middle.
    Silence,
    /// No frame of this protocol.
    Strange,
}

impl Fault {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Fault::Order => "a part of a message is missing or came twice",
            Fault::Silence => "a message broke off in the middle",
            Fault::Strange => "a frame is not of the transport protocol",
        }
    }
}

/// Puts one peer's messages together.
#[derive(Debug, Clone, Default)]
pub struct Receiver {
    message: Vec<u8>,
    wanted: usize,
    /// Bytes of the first frame: only the last of a message may be shorter.
    room: usize,
    next: u8,
    last: Stamp,
    /// Frames until another word is owed; 0 if none will be.
    left: u8,
    block: u8,
    pause: u8,
}

impl Receiver {
    /// Asks peers for blocks of so many frames with this pause (coded); 0, 0 takes all at once.
    pub fn new(block: u8, pause: u8) -> Receiver {
        Receiver { block, pause, ..Receiver::default() }
    }

    /// A message is half here.
    pub fn busy(&self) -> bool {
        self.wanted > 0
    }

    /// Takes a frame's data. A fault means that what was begun is lost.
    pub fn frame(&mut self, at: Stamp, data: &[u8]) -> Got {
        let late = self.busy() && at.since(self.last) > SILENCE_S;
        if late {
            self.wanted = 0;
        }
        match part(data) {
            Some(Part::Single(d)) => {
                // A whole message counts more than the torn one before it.
                self.wanted = 0;
                Got::Message(d.to_vec())
            }
            Some(Part::First(len, d)) => {
                self.wanted = 0;
                if len > LONGEST {
                    return Got::Owes(Flow::Overflow);
                }
                // A first part that would hold it all, or is not full, is no first part.
                if len <= d.len() || data.len() < 8 {
                    return Got::Broken(Fault::Strange);
                }
                self.message.clear();
                self.message.extend_from_slice(d);
                (self.wanted, self.room, self.next, self.last, self.left) = (len, data.len(), 1, at, self.block);
                Got::Owes(Flow::Go { block: self.block, pause: self.pause })
            }
            Some(Part::Next(..)) if late => Got::Broken(Fault::Silence),
            Some(Part::Next(n, d)) if self.busy() => self.next(at, n, d),
            // Joined in the middle, or somebody else's.
            Some(Part::Next(..) | Part::Flow(_)) => Got::Nothing,
            None => Got::Broken(Fault::Strange),
        }
    }

    fn next(&mut self, at: Stamp, n: u8, d: &[u8]) -> Got {
        if n != self.next || d.is_empty() {
            self.wanted = 0;
            return Got::Broken(Fault::Order);
        }
        let take = d.len().min(self.wanted - self.message.len());
        if d.len() + 1 < self.room && self.message.len() + take < self.wanted {
            self.wanted = 0;
            return Got::Broken(Fault::Strange);
        }
        self.message.extend_from_slice(&d[..take]);
        (self.next, self.last) = ((n + 1) & 0x0F, at);
        if self.message.len() == self.wanted {
            self.wanted = 0;
            return Got::Message(std::mem::take(&mut self.message));
        }
        if self.left > 0 {
            self.left -= 1;
            if self.left == 0 {
                self.left = self.block;
                return Got::Owes(Flow::Go { block: self.block, pause: self.pause });
            }
        }
        Got::Nothing
    }

    /// Time passes: a message whose peer fell silent is given up.
    pub fn tick(&mut self, at: Stamp) -> Option<Fault> {
        (self.busy() && at.since(self.last) > SILENCE_S).then(|| {
            self.wanted = 0;
            Fault::Silence
        })
    }
}

/// What a sender wants.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Send {
    /// This frame may go now.
    Frame(Vec<u8>),
    /// Nothing before this moment.
    Until(Stamp),
    /// The peer's word is awaited, until this moment at most.
    Awaits(Stamp),
    /// The whole message has gone.
    Done,
    /// Given up: the peer did not say go, or said it cannot take so much.
    GivenUp(Flow),
}

/// Takes one message apart.
#[derive(Debug, Clone)]
pub struct Sender {
    message: Vec<u8>,
    sent: usize,
    number: u8,
    room: usize,
    state: Sending,
    waits: u8,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Sending {
    First,
    Awaits(Stamp),
    Goes { left: Option<u8>, pause_s: f64, not_before: Stamp },
    Done,
    GivenUp(Flow),
}

/// A peer may say "wait" so often before it is given up.
const MOST_WAITS: u8 = 16;

impl Sender {
    /// A message in frames of `room` bytes (8, or up to 64 with CAN FD). Nothing for an empty message or one longer than
    /// [`LONGEST`].
    pub fn new(message: &[u8], room: usize) -> Option<Sender> {
        let sound =
            !message.is_empty() && message.len() <= LONGEST && (8..=64).contains(&room) && fd_length(room) == room;
        sound.then(|| Sender { message: message.to_vec(), sent: 0, number: 1, room, state: Sending::First, waits: 0 })
    }

    /// What may be done at `at`; to be called again after each frame.
    pub fn poll(&mut self, at: Stamp) -> Send {
        match self.state {
            Sending::First => Send::Frame(self.first(at)),
            Sending::Awaits(until) if at > until => {
                self.state = Sending::GivenUp(Flow::Wait);
                Send::GivenUp(Flow::Wait)
            }
            Sending::Awaits(until) => Send::Awaits(until),
            Sending::Goes { not_before, .. } if at < not_before => Send::Until(not_before),
            Sending::Goes { left, pause_s, .. } => Send::Frame(self.next(at, left, pause_s)),
            Sending::Done => Send::Done,
            Sending::GivenUp(why) => Send::GivenUp(why),
        }
    }

    fn first(&mut self, at: Stamp) -> Vec<u8> {
        let n = self.message.len();
        if n <= 7 || n + 2 <= self.room {
            self.state = Sending::Done;
            let mut data = if n <= 7 { vec![n as u8] } else { vec![0, n as u8] };
            data.extend_from_slice(&self.message);
            return padded(data, self.room);
        }
        let mut data = match n {
            0..=LONGEST_SHORT => vec![0x10 | (n >> 8) as u8, n as u8],
            _ => [&[0x10, 0], &(n as u32).to_be_bytes()[..]].concat(),
        };
        self.sent = self.room - data.len();
        data.extend_from_slice(&self.message[..self.sent]);
        self.state = Sending::Awaits(at.plus(SILENCE_S));
        data
    }

    fn next(&mut self, at: Stamp, left: Option<u8>, pause_s: f64) -> Vec<u8> {
        let to = (self.sent + self.room - 1).min(self.message.len());
        let mut data = vec![0x20 | self.number];
        data.extend_from_slice(&self.message[self.sent..to]);
        self.sent = to;
        self.number = (self.number + 1) & 0x0F;
        self.state = match left {
            _ if self.sent == self.message.len() => Sending::Done,
            Some(1) => Sending::Awaits(at.plus(SILENCE_S)),
            left => Sending::Goes { left: left.map(|l| l - 1), pause_s, not_before: at.plus(pause_s) },
        };
        padded(data, self.room)
    }

    /// The peer's word; one that was not awaited is passed over.
    pub fn flow(&mut self, at: Stamp, flow: Flow) {
        let Sending::Awaits(until) = self.state else { return };
        if at > until {
            return;
        }
        self.state = match flow {
            Flow::Go { block, pause } => {
                self.waits = 0;
                Sending::Goes { left: (block > 0).then_some(block), pause_s: pause_s(pause), not_before: at }
            }
            Flow::Wait if self.waits < MOST_WAITS => {
                self.waits += 1;
                Sending::Awaits(at.plus(SILENCE_S))
            }
            Flow::Wait | Flow::Overflow => Sending::GivenUp(flow),
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(s: f64) -> Stamp {
        Stamp::from_secs(s)
    }

    /// ISO 15765-2's coding of the protocol byte: single, first, consecutive, flow control (from memory).
    #[test]
    fn the_four_kinds_of_frame() {
        assert_eq!(part(&[0x02, 0x01, 0x0C, 0xCC]), Some(Part::Single(&[0x01, 0x0C])));
        assert_eq!(
            part(&[0x10, 0x14, 0x49, 2, 1, 0x57, 0x30, 0x44]),
            Some(Part::First(20, &[0x49, 2, 1, 0x57, 0x30, 0x44]))
        );
        assert_eq!(part(&[0x2F, 9]), Some(Part::Next(15, &[9])));
        assert_eq!(part(&[0x30, 8, 0xF3]), Some(Part::Flow(Flow::Go { block: 8, pause: 0xF3 })));
        assert_eq!(part(&[0x31, 0, 0]), Some(Part::Flow(Flow::Wait)));
        assert_eq!(part(&[0x32, 0, 0]), Some(Part::Flow(Flow::Overflow)));
        assert_eq!(part(&[0x00, 1, 2]), None, "no classic frame is empty");
        assert_eq!(part(&[0x07, 1, 2]), None, "shorter than it claims");
        assert_eq!(part(&[0x40]), None);
        let mut fd = vec![0, 9];
        fd.resize(12, 7);
        assert_eq!(part(&fd), Some(Part::Single(&[7; 9])));
        assert_eq!((pause_s(0x14), pause_s(0xF2), pause_s(0xFA), pause_s(0x80)), (0.02, 2e-4, 0.127, 0.127));
    }

    fn carry(message: &[u8], room: usize, block: u8, pause: u8) -> (Vec<u8>, usize, f64) {
        let mut s = Sender::new(message, room).unwrap();
        let mut r = Receiver::new(block, pause);
        let (mut now, mut frames) = (at(1.0), 0);
        loop {
            match s.poll(now) {
                Send::Frame(data) => {
                    frames += 1;
                    match r.frame(now, &data) {
                        Got::Message(m) => return (m, frames, now.since(at(1.0))),
                        Got::Owes(f) => s.flow(now, f),
                        Got::Nothing => {}
                        Got::Broken(f) => panic!("{f:?}"),
                    }
                }
                Send::Until(t) => now = t,
                other => panic!("{other:?}"),
            }
        }
    }

    proptest! {
        #[test]
        fn any_message_arrives(m in proptest::collection::vec(any::<u8>(), 1..600), fd: bool, block in 0u8..5, pause in 0u8..4) {
            let room = if fd { 64 } else { 8 };
            let (got, _, _) = carry(&m, room, block, pause);
            prop_assert_eq!(got, m);
        }

        #[test]
        fn no_frames_make_it_fall_over(frames in proptest::collection::vec((proptest::collection::vec(any::<u8>(), 0..12), 0u16..400), 0..60)) {
            let mut r = Receiver::new(2, 0);
            let mut now = 0.0;
            for (f, ms) in frames {
                now += f64::from(ms) * 1e-2;
                if let Got::Message(m) = r.frame(at(now), &f) {
                    prop_assert!(!m.is_empty() && m.len() <= LONGEST);
                }
            }
        }
    }

    #[test]
    fn blocks_and_pauses_are_kept() {
        // 6 + 7·7 = 55 bytes: one first and seven consecutive frames; 10 ms between those of a block.
        let message: Vec<u8> = (0..55).collect();
        let (got, frames, took) = carry(&message, 8, 3, 10);
        assert_eq!((got, frames), (message, 8));
        assert!((0.0399..0.0501).contains(&took), "{took}");
    }

    #[test]
    fn who_falls_silent_is_given_up() {
        let mut s = Sender::new(&[0; 20], 8).unwrap();
        assert!(matches!(s.poll(at(0.0)), Send::Frame(_)));
        assert_eq!(s.poll(at(0.5)), Send::Awaits(at(1.0)));
        s.flow(at(0.9), Flow::Wait);
        assert_eq!(s.poll(at(1.5)), Send::Awaits(at(1.9)));
        assert_eq!(s.poll(at(2.0)), Send::GivenUp(Flow::Wait));
        let mut r = Receiver::default();
        assert!(matches!(r.frame(at(0.0), &[0x10, 20, 1, 2, 3, 4, 5, 6]), Got::Owes(_)));
        assert_eq!(r.tick(at(0.9)), None);
        assert_eq!(r.tick(at(1.1)), Some(Fault::Silence));
        assert_eq!(r.frame(at(1.2), &[0x21, 1, 2, 3, 4, 5, 6, 7]), Got::Nothing);
    }

    #[test]
    fn a_missing_part_breaks_the_message() {
        let mut r = Receiver::default();
        r.frame(at(0.0), &[0x10, 20, 1, 2, 3, 4, 5, 6]);
        assert_eq!(r.frame(at(0.1), &[0x22, 0, 0, 0, 0, 0, 0, 0]), Got::Broken(Fault::Order));
        assert_eq!(r.frame(at(0.2), &[0x01, 0x7F]), Got::Message(vec![0x7F]));
        let mut r = Receiver::default();
        assert_eq!(r.frame(at(0.0), &[0x10, 0, 0, 1, 0, 0, 0, 0]), Got::Owes(Flow::Overflow));
        assert_eq!(r.frame(at(0.0), &[0x10, 0, 0, 0, 0x0F, 0xFF, 0, 0]), Got::Broken(Fault::Strange));
    }
}
