//! The serial-line CAN text protocol, as the Linux kernel's `slcan` driver speaks it: one frame a line, ended by a
//! carriage return. `tIIIL…` data with 11 bits, `TIIIIIIIIL…` with 29; `r`, `R` remote; `e…` errors and `s…` state of
//! the adapter; a bare line end means yes, a bell no.

use super::can_frame::{Frame, Id};

/// Longest line that is a line, bytes without its end: a 29-bit frame of 8 bytes with a time stamp has 30.
pub const LONGEST_LINE: usize = 64;

/// What the adapter says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Said {
    /// A frame of the bus.
    Frame(Frame),
    /// A remote request, which carries nothing.
    Remote(Id),
    /// It did what it was told.
    Yes,
    /// It did not.
    No,
    /// The state of its bus: letter, receive and transmit error counts (driver's `s` line).
    State(BusState, u8, u8),
    /// Errors on the bus (driver's `e` line): how many letters it gave.
    Errors(u8),
    /// Anything else: a version, a serial number, noise.
    Other,
}

/// The state of the bus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BusState {
    /// Sound.
    Active,
    /// Errors mount up.
    Warning,
    /// Near bus off.
    Passive,
    /// It has left the bus.
    Off,
}

/// Bit rates by the digit of `S`, bit/s.
pub const BITRATES: [u32; 9] = [10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000];

/// The command that sets a bit rate; nothing for one the protocol has no digit for.
pub fn set_bitrate(bits_per_s: u32) -> Option<Vec<u8>> {
    BITRATES.iter().position(|b| *b == bits_per_s).map(|digit| format!("S{digit}\r").into_bytes())
}

/// Opens the channel: listening only, the adapter acknowledges nothing.
pub const LISTEN: &[u8] = b"L\r";
/// Opens the channel as a full member of the bus.
pub const OPEN: &[u8] = b"O\r";
/// Closes it.
pub const CLOSE: &[u8] = b"C\r";

/// A data frame as a line; nothing for frames this protocol cannot carry (CAN FD, remote, errors).
pub fn line(frame: &Frame) -> Option<Vec<u8>> {
    if frame.kind != super::can_frame::Kind::Classic {
        return None;
    }
    let mut text = match frame.id {
        Id::Standard(id) => format!("t{id:03X}{}", frame.bytes().len()),
        Id::Extended(id) => format!("T{id:08X}{}", frame.bytes().len()),
    };
    for b in frame.bytes() {
        text.push_str(&format!("{b:02X}"));
    }
    text.push('\r');
    Some(text.into_bytes())
}

/// Reads one line, without its end.
pub fn said(line: &[u8]) -> Said {
    frame(line).or_else(|| state(line)).unwrap_or(Said::Other)
}

fn frame(line: &[u8]) -> Option<Said> {
    let (&kind, rest) = line.split_first()?;
    let digits = match kind {
        b't' | b'r' => 3,
        b'T' | b'R' => 8,
        // After a frame was sent, some say `z` or `Z`.
        b'z' | b'Z' if rest.is_empty() => return Some(Said::Yes),
        _ => return None,
    };
    let (id, rest) = rest.split_at_checked(digits)?;
    let id = u32::from_str_radix(hex(id)?, 16).ok()?;
    let id = if digits == 3 { Id::Standard(u16::try_from(id).ok()?) } else { Id::Extended(id) };
    let (&n, rest) = rest.split_first()?;
    let n = usize::from(n.checked_sub(b'0').filter(|n| *n <= 8)?);
    if kind.eq_ignore_ascii_case(&b'r') {
        return Some(Said::Remote(id));
    }
    let (text, stamp) = rest.split_at_checked(2 * n)?;
    // A time stamp of four digits may follow.
    if !matches!(stamp.len(), 0 | 4) {
        return None;
    }
    let mut data = [0; 8];
    for (d, pair) in data.iter_mut().zip(text.chunks_exact(2)) {
        *d = u8::from_str_radix(hex(pair)?, 16).ok()?;
    }
    Frame::data(id, &data[..n]).map(Said::Frame)
}

fn state(line: &[u8]) -> Option<Said> {
    let (&kind, rest) = line.split_first()?;
    match kind {
        // `sXrrrttt`: state letter, receive and transmit counts in three decimal digits.
        b's' if rest.len() == 7 => {
            let state = match rest[0] {
                b'a' => BusState::Active,
                b'w' => BusState::Warning,
                b'p' => BusState::Passive,
                b'f' => BusState::Off,
                _ => return None,
            };
            let number = |d: &[u8]| std::str::from_utf8(d).ok()?.parse::<u16>().ok().map(|n| n.min(255) as u8);
            Some(Said::State(state, number(&rest[1..4])?, number(&rest[4..7])?))
        }
        b'e' if !rest.is_empty() => Some(Said::Errors(rest[0].checked_sub(b'0').filter(|n| *n <= 9)?)),
        _ => None,
    }
}

/// Hexadecimal digits only: a sign is none.
fn hex(digits: &[u8]) -> Option<&str> {
    digits.iter().all(u8::is_ascii_hexdigit).then(|| std::str::from_utf8(digits).ok())?
}

/// Puts lines together from chunks that were split anywhere.
#[derive(Debug, Clone, Default)]
pub struct Lines {
    part: Vec<u8>,
    overlong: bool,
}

impl Lines {
    /// Takes from `bytes` up to the next line's end and says what stood there; nothing if `bytes` ran out first.
    pub fn next(&mut self, bytes: &mut &[u8]) -> Option<Said> {
        while let Some((&b, rest)) = bytes.split_first() {
            *bytes = rest;
            match b {
                b'\r' | b'\n' => {
                    let said = match (std::mem::take(&mut self.overlong), self.part.is_empty()) {
                        (true, _) => Said::Other,
                        (false, true) if b == b'\r' => Said::Yes,
                        (false, true) => continue,
                        (false, false) => said(&self.part),
                    };
                    self.part.clear();
                    return Some(said);
                }
                0x07 => {
                    self.part.clear();
                    self.overlong = false;
                    return Some(Said::No);
                }
                _ if self.part.len() < LONGEST_LINE => self.part.push(b),
                _ => self.overlong = true,
            }
        }
        None
    }

    /// What was begun is lost.
    pub fn lost(&mut self) {
        *self = Lines::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The examples of the comment that heads the kernel's `drivers/net/can/slcan/slcan-core.c`.
    #[test]
    fn the_examples_of_the_kernels_driver() {
        let f = Frame::data(Id::Standard(0x123), &[]).unwrap();
        assert_eq!(said(b"t1230"), Said::Frame(f));
        let f = Frame::data(Id::Standard(0x456), &[0x11, 0x22, 0x33]).unwrap();
        assert_eq!(said(b"t4563112233"), Said::Frame(f));
        assert_eq!(line(&f).as_deref(), Some(&b"t4563112233\r"[..]));
        let f = Frame::data(Id::Extended(0x1234_5678), &[0xAA, 0x55]).unwrap();
        assert_eq!(said(b"T123456782AA55"), Said::Frame(f));
        assert_eq!(said(b"r1230"), Said::Remote(Id::Standard(0x123)));
        assert_eq!(said(b"sp128000"), Said::State(BusState::Passive, 128, 0));
        assert_eq!(said(b"e1a"), Said::Errors(1));
        assert_eq!(set_bitrate(500_000).as_deref(), Some(&b"S6\r"[..]));
        assert_eq!(set_bitrate(123), None);
    }

    #[test]
    fn lines_come_out_of_any_chunks() {
        let text = b"\rt1232DEAD\rV1013\r\x07t7E8803410C0BB8CCCCCC12AB\r";
        let whole = {
            let mut lines = Lines::default();
            let mut rest = &text[..];
            std::iter::from_fn(|| lines.next(&mut rest)).collect::<Vec<_>>()
        };
        assert_eq!((whole.len(), whole[0], whole[2], whole[3]), (5, Said::Yes, Said::Other, Said::No));
        for cut in 0..text.len() {
            let mut lines = Lines::default();
            let mut all = Vec::new();
            for mut part in [&text[..cut], &text[cut..]] {
                while let Some(s) = lines.next(&mut part) {
                    all.push(s);
                }
            }
            assert_eq!(all, whole, "cut at {cut}");
        }
    }

    proptest! {
        #[test]
        fn any_frame_comes_back(id in 0u32..0x2000_0000, ext: bool, data in proptest::collection::vec(any::<u8>(), 0..9)) {
            let id = if ext { Id::Extended(id) } else { Id::Standard((id & 0x7FF) as u16) };
            let f = Frame::data(id, &data).unwrap();
            let text = line(&f).unwrap();
            prop_assert_eq!(said(&text[..text.len() - 1]), Said::Frame(f));
        }

        #[test]
        fn any_bytes_are_read(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let (mut lines, mut rest) = (Lines::default(), &bytes[..]);
            while lines.next(&mut rest).is_some() {}
        }
    }
}
