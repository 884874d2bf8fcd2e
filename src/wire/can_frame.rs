//! One CAN or CAN FD frame in the layout of the registered SocketCAN link type (LINKTYPE_CAN_SOCKETCAN, 227):
//! identifier and flags big-endian, length, FD flags, two reserved bytes, data.

/// Bit of the identifier word: a 29-bit identifier.
pub(crate) const EXTENDED: u32 = 0x8000_0000;
/// Bit of the identifier word: a remote request.
pub(crate) const REMOTE: u32 = 0x4000_0000;
/// Bit of the identifier word: not a frame of the bus, but the driver's word about an error.
const ERROR: u32 = 0x2000_0000;
/// Bit of the FD flags: this is a CAN FD frame.
pub(crate) const FD: u8 = 0x04;

/// An identifier: 11 or 29 bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Id {
    /// 11 bits, 0 to 0x7FF.
    Standard(u16),
    /// 29 bits, 0 to 0x1FFF_FFFF.
    Extended(u32),
}

impl std::fmt::Display for Id {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Id::Standard(id) => write!(f, "{id:03X}"),
            Id::Extended(id) => write!(f, "{id:08X}"),
        }
    }
}

/// What a frame is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Classic CAN, up to 8 bytes.
    Classic,
    /// CAN FD, up to 64 bytes.
    Fd,
    /// A remote request: a length, no data.
    Remote,
    /// The driver's word about an error; the identifier's low bits are its class (`linux/can/error.h`).
    Error(u32),
}

/// A frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame {
    /// Who speaks, or what is meant.
    pub id: Id,
    /// What it is.
    pub kind: Kind,
    len: u8,
    data: [u8; 64],
}

/// Bytes are no frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Fewer bytes than a frame's head, or than its length claims.
    #[error("a CAN frame of {got} bytes is cut short: {wanted} were announced")]
    Short {
        /// Bytes there.
        got: usize,
        /// Bytes announced.
        wanted: usize,
    },
    /// A length that no frame has.
    #[error("a CAN frame cannot carry {0} bytes: 8 at most, 64 with CAN FD")]
    Length(u8),
}

impl Frame {
    /// A data frame: classic up to 8 bytes, else CAN FD. `None` for more than 64 bytes, for a length that CAN FD does
    /// not have, or for an identifier beyond its bits.
    pub fn data(id: Id, bytes: &[u8]) -> Option<Frame> {
        let sound = match id {
            Id::Standard(id) => id <= 0x7FF,
            Id::Extended(id) => id <= 0x1FFF_FFFF,
        };
        let kind = if bytes.len() <= 8 { Kind::Classic } else { Kind::Fd };
        let mut data = [0; 64];
        data.get_mut(..bytes.len())?.copy_from_slice(bytes);
        let len = u8::try_from(bytes.len()).ok()?;
        (sound && fd_length(bytes.len()) == bytes.len()).then_some(Frame { id, kind, len, data })
    }

    /// The data.
    pub fn bytes(&self) -> &[u8] {
        &self.data[..usize::from(self.len)]
    }

    /// Reads a packet of link type 227. Bytes beyond the announced length (an empty frame's fixed eight) are passed
    /// over.
    pub fn decode(packet: &[u8]) -> Result<Frame, Error> {
        let Some((head, rest)) = packet.split_first_chunk::<8>() else {
            return Err(Error::Short { got: packet.len(), wanted: 8 });
        };
        let word = u32::from_be_bytes([head[0], head[1], head[2], head[3]]);
        let (len, fd) = (head[4], head[5] & FD != 0 || head[4] > 8);
        if len > 64 {
            return Err(Error::Length(len));
        }
        let kind = match word {
            w if w & ERROR != 0 => Kind::Error(w & 0x1FFF_FFFF),
            w if w & REMOTE != 0 => Kind::Remote,
            _ if fd => Kind::Fd,
            _ => Kind::Classic,
        };
        let id = match kind {
            Kind::Error(_) => Id::Standard(0),
            _ if word & EXTENDED != 0 => Id::Extended(word & 0x1FFF_FFFF),
            _ => Id::Standard((word & 0x7FF) as u16),
        };
        let mut data = [0; 64];
        if kind != Kind::Remote {
            let Some(bytes) = rest.get(..usize::from(len)) else {
                return Err(Error::Short { got: packet.len(), wanted: 8 + usize::from(len) });
            };
            data[..bytes.len()].copy_from_slice(bytes);
        }
        Ok(Frame { id, kind, len: if kind == Kind::Remote { 0 } else { len }, data })
    }

    /// The packet.
    pub fn packet(&self) -> Vec<u8> {
        let mut packet = Vec::with_capacity(16);
        self.encode(&mut packet);
        packet
    }

    /// Appends the packet.
    pub fn encode(&self, out: &mut Vec<u8>) {
        let (id, ext) = match self.id {
            Id::Standard(id) => (u32::from(id), 0),
            Id::Extended(id) => (id, EXTENDED),
        };
        let (flags, fd) = match self.kind {
            Kind::Classic => (ext, 0),
            Kind::Fd => (ext, FD),
            Kind::Remote => (ext | REMOTE, 0),
            Kind::Error(_) => (ERROR, 0),
        };
        let word = match self.kind {
            Kind::Error(class) => class | ERROR,
            _ => id | flags,
        };
        out.extend_from_slice(&word.to_be_bytes());
        out.extend_from_slice(&[self.len, fd, 0, 0]);
        out.extend_from_slice(self.bytes());
    }

    /// An error frame, as the driver gives it: class bits and eight bytes.
    pub fn error(class: u32, bytes: [u8; 8]) -> Frame {
        let mut data = [0; 64];
        data[..8].copy_from_slice(&bytes);
        Frame { id: Id::Standard(0), kind: Kind::Error(class & 0x1FFF_FFFF), len: 8, data }
    }
}

/// The smallest frame length that holds `n` bytes: 0 to 8, then 12, 16, 20, 24, 32, 48, 64 (ISO 11898-1).
pub fn fd_length(n: usize) -> usize {
    match n {
        0..=8 => n,
        9..=24 => n.next_multiple_of(4),
        25..=32 => 32,
        33..=48 => 48,
        _ => 64,
    }
}

/// The interface has left the bus.
pub const BUS_OFF: &str = "bus off: the interface has left the bus after too many errors; a wrong bit rate does this";
/// The interface is near that.
pub const PASSIVE: &str = "error passive: many errors, near bus off";

/// An error frame in words, by the class bits and bytes of `linux/can/error.h` (read from that header).
pub fn error_words(class: u32, data: &[u8]) -> Vec<&'static str> {
    let byte = |i: usize| data.get(i).copied().unwrap_or(0);
    let mut words = Vec::new();
    let mut say = |met: bool, text: &'static str| {
        if met {
            words.push(text);
        }
    };
    say(class & 0x40 != 0, BUS_OFF);
    say(class & 0x20 != 0, "nobody acknowledges: a wrong bit rate, or nothing else is on the bus");
    say(class & 0x04 != 0 && byte(1) & 0x30 != 0, PASSIVE);
    say(class & 0x04 != 0 && byte(1) & 0x0C != 0, "error warning: errors mount up");
    say(class & 0x04 != 0 && byte(1) & 0x03 != 0, "the controller's buffer overflowed: frames were lost");
    say(class & 0x04 != 0 && byte(1) & 0x40 != 0, "the controller works without errors again");
    say(class & 0x08 != 0, "a protocol error on the bus: a wrong bit rate, or a bad line");
    say(class & 0x10 != 0, "the transceiver reports a fault of the line");
    say(class & 0x01 != 0, "a frame was not sent in time");
    say(class & 0x02 != 0, "another frame went first");
    say(class & 0x80 != 0, "an error on the bus");
    say(class & 0x100 != 0, "the controller was restarted");
    words
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// LINKTYPE_CAN_SOCKETCAN as tcpdump.org describes it (from memory): identifier word big-endian, bit 31 extended.
    #[test]
    fn the_registered_layout() {
        let mut out = Vec::new();
        Frame::data(Id::Standard(0x7DF), &[2, 1, 0x0C]).unwrap().encode(&mut out);
        assert_eq!(out, [0, 0, 0x07, 0xDF, 3, 0, 0, 0, 2, 1, 0x0C]);
        out.clear();
        Frame::data(Id::Extended(0x18DB_33F1), &[]).unwrap().encode(&mut out);
        assert_eq!(out, [0x98, 0xDB, 0x33, 0xF1, 0, 0, 0, 0]);
        out.clear();
        Frame::data(Id::Standard(1), &[7; 12]).unwrap().encode(&mut out);
        assert_eq!(out[..8], [0, 0, 0, 1, 12, 4, 0, 0]);
    }

    #[test]
    fn what_no_frame_is_gets_a_sentence() {
        assert_eq!(
            Frame::decode(&[0; 7]).unwrap_err().to_string(),
            "a CAN frame of 7 bytes is cut short: 8 were announced"
        );
        assert_eq!(
            Frame::decode(&[0, 0, 0, 1, 3, 0, 0, 0, 9]).unwrap_err().to_string(),
            "a CAN frame of 9 bytes is cut short: 11 were announced"
        );
        assert_eq!(Frame::decode(&[0, 0, 0, 1, 65, 4, 0, 0]).unwrap_err(), Error::Length(65));
        assert_eq!(Frame::data(Id::Standard(0x800), &[]), None);
        assert_eq!(Frame::data(Id::Standard(1), &[0; 9]), None, "CAN FD has no length of 9");
    }

    #[test]
    fn errors_are_explained() {
        assert!(error_words(0x40, &[0; 8])[0].contains("bit rate"));
        assert!(error_words(0x20, &[0; 8])[0].contains("acknowledge"));
        assert!(error_words(0x04, &[0, 0x20, 0, 0, 0, 0, 0, 0])[0].starts_with("error passive"));
        let f = Frame::error(0x40, [1, 2, 3, 4, 5, 6, 7, 8]);
        let mut out = Vec::new();
        f.encode(&mut out);
        assert_eq!(Frame::decode(&out), Ok(f));
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(packet in proptest::collection::vec(any::<u8>(), 0..100)) {
            if let Ok(f) = Frame::decode(&packet) {
                let mut again = Vec::new();
                f.encode(&mut again);
                prop_assert_eq!(Frame::decode(&again), Ok(f));
            }
        }
    }
}
