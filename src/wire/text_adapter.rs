//! The text that a command adapter for a vehicle's diagnostic buses speaks over its serial port: commands out, lines
//! of hexadecimal digits, words and a prompt back. CAN, and the older SAE J1850, ISO 9141-2 and ISO 14230.
//!
//! What the commands and words are is data, a [`Dialect`]. This file knows only the shape: a line with
//! a message bears its header (identifier of CAN, or the three header bytes of an older bus and the check behind the
//! data), a prompt ends what was asked for. On SAE J1850 PWM the listener acknowledges within the frame, with its own
//! address; adapters show that byte behind the check, or do not, and both are read.

use super::ask::{Request, may_leave};
use super::can_frame::{Frame, Id};
use super::dialect::{Dialect, Meaning};
use crc::{CRC_8_SAE_J1850, Crc};

/// Longest line that is a line, bytes without its end.
const LONGEST_LINE: usize = 200;
/// Check byte of SAE J1850.
const J1850: Crc<u8> = Crc::<u8>::new(&CRC_8_SAE_J1850);
/// A tester's address on all older buses (SAE J2178-1, ISO 14230-4, from memory).
const TESTER: u8 = 0xF1;

/// A question as the adapter takes it; nothing if it may not leave.
pub fn question(request: &Request) -> Option<Vec<u8>> {
    let message = request.bytes();
    // What the adapter sends is one frame.
    (may_leave(&message) && message.len() <= 7).then(|| {
        let mut text: String = message.iter().map(|b| format!("{b:02X}")).collect();
        text.push('\r');
        text.into_bytes()
    })
}

/// A message on an older bus, header and check taken off.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Older {
    /// Who sent it.
    pub from: u8,
    /// What it says.
    pub data: Vec<u8>,
}

/// What a line of the adapter is.
#[derive(Debug, Clone, PartialEq)]
pub enum Said {
    /// The end of what was asked for.
    Prompt,
    /// What it was sent, sent back.
    Echo,
    /// A frame of CAN.
    Frame(Frame),
    /// A message of an older bus, its check sound.
    Older(Older),
    /// The supply, V.
    Volts(f64),
    /// A word.
    Word(Meaning),
    /// Hexadecimal digits that are no whole message: cut short, or damaged between adapter and computer.
    Torn,
    /// Anything else, such as its own name.
    Other(String),
}

/// Puts lines together from chunks that were split anywhere, and reads them.
#[derive(Debug, Clone)]
pub struct Lines {
    dialect: Dialect,
    part: Vec<u8>,
    overlong: bool,
    /// What was sent last, without blanks.
    sent: String,
    /// The prompt that ended a line with something in it.
    owed: bool,
}

impl Lines {
    /// For an adapter of this dialect.
    pub fn new(dialect: Dialect) -> Lines {
        Lines { dialect, part: Vec::new(), overlong: false, sent: String::new(), owed: false }
    }

    /// This was sent: it may come back.
    pub fn sent(&mut self, text: &str) {
        self.sent = bare(text);
    }

    /// Takes from `bytes` up to the next line's end and says what stood there; nothing if `bytes` ran out first.
    pub fn next(&mut self, bytes: &mut &[u8]) -> Option<Said> {
        if std::mem::take(&mut self.owed) {
            return Some(Said::Prompt);
        }
        while let Some((&b, rest)) = bytes.split_first() {
            *bytes = rest;
            let prompt = b == self.dialect.prompt;
            match b {
                _ if prompt || b == b'\r' || b == b'\n' => {
                    let line = std::mem::take(&mut self.part);
                    if std::mem::take(&mut self.overlong) {
                        self.owed = prompt;
                        return Some(Said::Other(String::new()));
                    }
                    let line = String::from_utf8_lossy(&line);
                    match line.trim() {
                        "" if prompt => return Some(Said::Prompt),
                        "" => {}
                        text => {
                            self.owed = prompt;
                            return Some(self.said(text));
                        }
                    }
                }
                // Adapters drop in a zero byte now and then.
                0 => {}
                _ if self.part.len() < LONGEST_LINE => self.part.push(b),
                _ => self.overlong = true,
            }
        }
        None
    }

    /// What was begun is lost.
    pub fn lost(&mut self) {
        self.part.clear();
        (self.overlong, self.owed) = (false, false);
    }

    fn said(&self, line: &str) -> Said {
        if !self.sent.is_empty() && bare(line) == self.sent {
            return Said::Echo;
        }
        match self.dialect.meaning(line) {
            Some(Meaning::Working) => return self.behind_working(line),
            Some(meaning) => return Said::Word(meaning),
            None => {}
        }
        if let Some(volts) = volts(line) {
            return Said::Volts(volts);
        }
        let digits = bare(line);
        // Where bytes are parted, each has two digits, and only an identifier of 11 bits has three.
        let mut parts = line.split_ascii_whitespace();
        let first = parts.next().map_or(0, str::len);
        let parted = digits.len() == line.len() || (matches!(first, 2 | 3) && parts.all(|p| p.len() == 2));
        if !digits.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Said::Other(line.to_owned());
        }
        message(&digits).filter(|_| parted).unwrap_or(if digits.len() > 4 {
            Said::Torn
        } else {
            Said::Other(line.to_owned())
        })
    }

    /// While it looks for the bus some put dots and then, on the same line, what they found.
    fn behind_working(&self, line: &str) -> Said {
        let rest = line.rsplit_once('.').map_or("", |(_, rest)| rest).trim();
        match rest {
            "" => Said::Word(Meaning::Working),
            rest if self.dialect.meaning(rest) == Some(Meaning::Working) => Said::Word(Meaning::Working),
            rest => match self.said(rest) {
                Said::Other(_) => Said::Word(Meaning::Working),
                said => said,
            },
        }
    }
}

/// Without blanks, in capitals.
fn bare(text: &str) -> String {
    text.chars().filter(|c| !c.is_ascii_whitespace()).map(|c| c.to_ascii_uppercase()).collect()
}

/// `12.6V`.
fn volts(line: &str) -> Option<f64> {
    let number = line.strip_suffix(['V', 'v'])?.trim_end();
    let sound = number.contains('.') && number.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    number.parse().ok().filter(|_| sound)
}

/// A message by its digits. An odd number of them begins with 11 bits; four bytes 18 DA F1 xx, or others that are no
/// message of an older bus and could be an identifier, are 29 bits.
fn message(digits: &str) -> Option<Said> {
    let byte = |pair: &[u8]| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok();
    let bytes = |text: &str| text.as_bytes().chunks_exact(2).map(byte).collect::<Option<Vec<u8>>>();
    if digits.len() % 2 == 1 {
        let (id, data) = digits.split_at_checked(3)?;
        let id = u16::from_str_radix(id, 16).ok()?;
        let data = bytes(data).filter(|d| (1..=8).contains(&d.len()))?;
        return Frame::data(Id::Standard(id), &data).map(Said::Frame);
    }
    let all = bytes(digits)?;
    let (id, data) = all.split_first_chunk::<4>()?;
    let wide = || {
        let frame = Frame::data(Id::Extended(u32::from_be_bytes(*id)), data)?;
        (1..=8).contains(&data.len()).then_some(Said::Frame(frame))
    };
    match id {
        [0x18, 0xDA, TESTER, _] => wide(),
        _ => older(&all).map(Said::Older).or_else(wide),
    }
}

/// A message of an older bus: three bytes of header, four in ISO 14230 where the length stands apart; data; check. An
/// answer on SAE J1850 PWM (41 6B) may be followed by the tester's acknowledgement.
fn older(all: &[u8]) -> Option<Older> {
    // The check of a message with its own check behind it is always 3B. So if the byte before the last is the check of
    // the rest, the last could be a check only as 3B: F1 is an acknowledgement, and nothing else could be meant.
    let all = match all {
        [0x41, 0x6B, .., check, TESTER] if *check == J1850.checksum(&all[..all.len() - 2]) => &all[..all.len() - 1],
        _ => all,
    };
    let (&check, body) = all.split_last()?;
    let (head, data) = body.split_first_chunk::<3>()?;
    let sum = body.iter().fold(0u8, |s, b| s.wrapping_add(*b));
    let (data, sound) = match head {
        // SAE J1850 PWM, asked by 61 6A F1. The header's bits claim an acknowledgement; those of VPW forbid one.
        [0x41, 0x6B, _] => (data, check == J1850.checksum(body)),
        // SAE J1850 VPW and ISO 9141-2 share the header and differ in the check.
        [0x48, 0x6B, _] => (data, check == sum || check == J1850.checksum(body)),
        [format @ 0x80..=0xFF, TESTER, _] => {
            let told = usize::from(format & 0x3F);
            let (told, data) = match (told, data.split_first()) {
                (0, Some((&n, data))) => (usize::from(n), data),
                _ => (told, data),
            };
            (data, check == sum && told == data.len())
        }
        _ => return None,
    };
    (sound && !data.is_empty()).then(|| Older { from: head[2], data: data.to_vec() })
}

/// Joins what comes in numbered parts on an older bus: vehicle information of service 09, four bytes a message.
#[derive(Debug, Clone, Default)]
pub struct Joiner {
    open: Vec<(u8, u8, u8, Vec<u8>)>,
}

/// What a joiner made of a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Joined {
    /// It is whole.
    Whole(Vec<u8>),
    /// More is to come.
    Part,
    /// A part is missing.
    Broken,
}

impl Joiner {
    /// Takes a message.
    pub fn hear(&mut self, older: &Older) -> Joined {
        let [0x49, kind, number, data @ ..] = &older.data[..] else { return Joined::Whole(older.data.clone()) };
        // Masks and the counts of messages, at odd numbers, come alone.
        if !matches!(kind, 0x02 | 0x04 | 0x06 | 0x08 | 0x0A) {
            return Joined::Whole(older.data.clone());
        }
        let at = self.open.iter().position(|o| o.0 == older.from && o.1 == *kind);
        match (at, number) {
            (None, 1) => {
                self.open.push((older.from, *kind, 1, data.to_vec()));
                Joined::Part
            }
            (Some(at), 1) => {
                self.open[at] = (older.from, *kind, 1, data.to_vec());
                Joined::Broken
            }
            (Some(at), n) if *n == self.open[at].2.wrapping_add(1) => {
                self.open[at].2 = *n;
                self.open[at].3.extend_from_slice(data);
                Joined::Part
            }
            (Some(at), _) => {
                self.open.remove(at);
                Joined::Broken
            }
            (None, _) => Joined::Broken,
        }
    }

    /// The answer is over (the prompt came): what was joined, by sender, in the form that CAN has, with the number of
    /// items in place of the message's number.
    pub fn end(&mut self) -> impl Iterator<Item = Older> + '_ {
        self.open.drain(..).map(|(from, kind, parts, data)| {
            let items = match kind {
                0x02 | 0x0A => 1,
                0x04 => data.len() / 16,
                0x06 => data.len() / 4,
                0x08 => data.len() / 2,
                _ => usize::from(parts),
            };
            let head = [0x49, kind, u8::try_from(items).unwrap_or(u8::MAX)];
            Older { from, data: [&head[..], &data].concat() }
        })
    }

    /// What was begun is lost.
    pub fn lost(&mut self) {
        self.open.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::super::dialect::Bus;
    use super::*;
    use proptest::prelude::*;

    fn dialect() -> Dialect {
        let says = [
            ("NO DATA", Meaning::NoAnswer),
            ("SEARCHING*", Meaning::Working),
            ("*DATA ERROR", Meaning::Damaged),
            ("?", Meaning::Unknown),
        ];
        Dialect {
            bauds: vec![38_400],
            prompt: b'>',
            restart: "XZ".into(),
            setup: Vec::new(),
            volts: Some("XV".into()),
            which_bus: None,
            listen: None,
            buses: vec![(Bus::Search, "XP0".into(), '0')],
            says: says.map(|(w, m)| (w.to_owned(), m)).to_vec(),
            lasting: Vec::new(),
        }
    }

    fn all(bytes: &[u8]) -> Vec<Said> {
        let (mut lines, mut rest) = (Lines::new(dialect()), bytes);
        lines.sent("010C");
        std::iter::from_fn(|| lines.next(&mut rest)).collect()
    }

    fn frame(id: Id, data: &[u8]) -> Said {
        Said::Frame(Frame::data(id, data).unwrap())
    }

    #[test]
    fn lines_of_can_with_and_without_blanks() {
        let rpm = [0x04, 0x41, 0x0C, 0x0B, 0xB8, 0, 0, 0];
        let narrow = frame(Id::Standard(0x7E8), &rpm);
        assert_eq!(all(b"7E8 04 41 0C 0B B8 00 00 00\r\r>"), [narrow.clone(), Said::Prompt]);
        assert_eq!(all(b"7E804410C0BB8000000\r>"), [narrow, Said::Prompt]);
        let wide = frame(Id::Extended(0x18DA_F110), &rpm);
        assert_eq!(all(b"18 DA F1 10 04 41 0C 0B B8 00 00 00\r"), std::slice::from_ref(&wide));
        assert_eq!(all(b"18DAF11004410C0BB8000000\r"), [wide]);
        assert_eq!(all(b"7E8 04 41 0C 0B B\r"), [Said::Torn]);
        assert_eq!(all(b"E8 04 41 0C 0B B8\r"), [Said::Torn]);
    }

    /// Headers by SAE J2178-1 and ISO 14230-4, from memory; the checks computed by hand (sum) and by the catalogue of
    /// CRCs (CRC-8/SAE-J1850, check value 4B).
    #[test]
    fn messages_of_the_older_buses_and_their_checks() {
        let older = |from, data: &[u8]| Said::Older(Older { from, data: data.to_vec() });
        // 48 + 6B + 10 + 41 + 0C + 0B + B8 = 1D3.
        assert_eq!(all(b"48 6B 10 41 0C 0B B8 D3\r"), [older(0x10, &[0x41, 0x0C, 0x0B, 0xB8])]);
        let body = [0x48, 0x6B, 0x10, 0x41, 0x0D, 0x20];
        let line: String = body.iter().chain([&J1850.checksum(&body)]).map(|b| format!("{b:02X}")).collect();
        assert_eq!(all(format!("{line}\r").as_bytes()), [older(0x10, &[0x41, 0x0D, 0x20])]);
        assert_eq!(J1850.checksum(b"123456789"), 0x4B);
        // 83 + F1 + 11 + 41 + 0D + 20 = 1F3; the same with the length apart: 80 + F1 + 11 + 03 + 41 + 0D + 20 = 1F3.
        assert_eq!(all(b"83 F1 11 41 0D 20 F3\r"), [older(0x11, &[0x41, 0x0D, 0x20])]);
        assert_eq!(all(b"80 F1 11 03 41 0D 20 F3\r"), [older(0x11, &[0x41, 0x0D, 0x20])]);
        assert_eq!(all(b"48 6B 10 41 0C 0B B8 D4\r"), [Said::Torn], "its check is wrong");
        assert_eq!(all(b"84 F1 11 41 0D 20 F4\r"), [Said::Torn], "shorter than it claims");
    }

    /// Headers and acknowledgement by SAE J1850 and SAE J2178-1, from memory; the checks by a loop over the bits in
    /// another language.
    #[test]
    fn pulse_width_with_and_without_the_acknowledgement() {
        let rpm = Said::Older(Older { from: 0x10, data: vec![0x41, 0x0C, 0x0B, 0xB8] });
        assert_eq!(all(b"41 6B 10 41 0C 0B B8 D6\r\r>"), [rpm.clone(), Said::Prompt]);
        assert_eq!(all(b"41 6B 10 41 0C 0B B8 D6 F1\r"), std::slice::from_ref(&rpm));
        assert_eq!(all(b"416B10410C0BB8D6F1\r"), [rpm]);
        let speed = |data: &[u8]| Said::Older(Older { from: 0x10, data: data.to_vec() });
        assert_eq!(
            all(b"41 6B 10 41 0D 20 01\r41 6B 10 41 0D 32 F6 F1\r"),
            [speed(&[0x41, 0x0D, 0x20]), speed(&[0x41, 0x0D, 0x32])]
        );
        // Its check is wrong; with a sum; acknowledged by somebody else; twice; VPW, which has none; our own question.
        for torn in [
            "41 6B 10 41 0C 0B B8 D7",
            "41 6B 10 41 0C 0B B8 CC",
            "41 6B 10 41 0C 0B B8 D6 18",
            "41 6B 10 41 0C 0B B8 D6 F1 F1",
            "41 6B 10 41 0C 0B B8 D7 F1",
            "48 6B 10 41 0D 32 BA F1",
            "61 6A F1 01 0C 2F",
        ] {
            assert_eq!(all(format!("{torn}\r").as_bytes()), [Said::Torn], "{torn}");
        }
        assert_eq!(all(b"48 6B 10 41 0D 32 BA\r"), [speed(&[0x41, 0x0D, 0x32])]);
    }

    #[test]
    fn echoes_words_volts_and_the_prompt() {
        let word = Said::Word;
        assert_eq!(all(b"010C\rNO DATA\r\r>"), [Said::Echo, word(Meaning::NoAnswer), Said::Prompt]);
        assert_eq!(all(b"12.6V\r\r>?\r>"), [Said::Volts(12.6), Said::Prompt, word(Meaning::Unknown), Said::Prompt]);
        assert_eq!(all(b"SEARCHING...\r"), [word(Meaning::Working)]);
        assert_eq!(all(b"SEARCHING...7E8 03 41 0D 20\r"), [frame(Id::Standard(0x7E8), &[3, 0x41, 0x0D, 0x20])]);
        assert_eq!(all(b"48 6B 10 41 <DATA ERROR\r"), [word(Meaning::Damaged)]);
        assert_eq!(all(b"some name v1\r\n"), [Said::Other("some name v1".into())]);
        // A prompt ends a line too, and a zero byte is none.
        assert_eq!(all(b"\x0012.\x006V>"), [Said::Volts(12.6), Said::Prompt]);
        assert_eq!(all(&[b'7'; 300]).len(), 0);
        assert_eq!(all(&[&[b'7'; 300][..], b"\r>"].concat()), [Said::Other(String::new()), Said::Prompt]);
    }

    #[test]
    fn questions_leave_as_digits_and_others_do_not() {
        assert_eq!(question(&Request::Live(vec![0x0C, 0x0D])).as_deref(), Some(&b"010C0D\r"[..]));
        assert_eq!(question(&Request::Dids(vec![0xF190])).as_deref(), Some(&b"22F190\r"[..]));
    }

    /// SAE J1979 service 09 on older buses: a vehicle's number in five messages of four bytes, padded in front (from
    /// memory; the number is invented).
    #[test]
    fn numbered_messages_are_joined_at_the_prompt() {
        let parts: [&[u8]; 5] = [b"\0\0\0H", b"LC00", b"0000", b"0000", b"0012"];
        let older = |n: u8, data: &[u8]| Older { from: 0x10, data: [&[0x49, 0x02, n], data].concat() };
        let mut j = Joiner::default();
        for (n, data) in (1..).zip(parts) {
            assert_eq!(j.hear(&older(n, data)), Joined::Part);
        }
        let whole: Vec<Older> = j.end().collect();
        assert_eq!(whole, [Older { from: 0x10, data: [&[0x49, 2, 1][..], &parts.concat()].concat() }]);
        assert_eq!(j.hear(&older(1, parts[0])), Joined::Part);
        assert_eq!(j.hear(&older(3, parts[2])), Joined::Broken);
        assert_eq!(j.end().count(), 0);
        let live = Older { from: 0x10, data: vec![0x41, 0x0D, 0x20] };
        assert_eq!(j.hear(&live), Joined::Whole(live.data.clone()));
    }

    proptest! {
        /// Whatever a message says, its check can not be taken for an acknowledgement, nor that for a check.
        #[test]
        fn an_acknowledgement_changes_no_message(from: u8, data in proptest::collection::vec(any::<u8>(), 1..8)) {
            let mut bytes = [&[0x41, 0x6B, from][..], &data].concat();
            bytes.push(J1850.checksum(&bytes));
            prop_assert_eq!(J1850.checksum(&bytes), 0x3B);
            let whole = Older { from, data };
            prop_assert_eq!(older(&bytes), Some(whole.clone()));
            bytes.push(TESTER);
            prop_assert_eq!(older(&bytes), Some(whole));
        }

        #[test]
        fn any_bytes_are_read_alike_in_any_chunks(
            bytes in proptest::collection::vec(prop_oneof![any::<u8>(), proptest::sample::select(&b"0123456789ABCDEF \r>.V?"[..])], 0..300),
            cuts in proptest::collection::vec(0usize..300, 0..8),
        ) {
            let whole = all(&bytes);
            let mut cuts: Vec<usize> = cuts.into_iter().map(|c| c.min(bytes.len())).chain([0, bytes.len()]).collect();
            cuts.sort_unstable();
            let mut lines = Lines::new(dialect());
            lines.sent("010C");
            let mut parts = Vec::new();
            for w in cuts.windows(2) {
                let mut rest = &bytes[w[0]..w[1]];
                while let Some(said) = lines.next(&mut rest) {
                    parts.push(said);
                }
            }
            // A prompt that ended a line comes with the next call.
            parts.extend(lines.next(&mut &b""[..]));
            prop_assert_eq!(parts, whole);
        }

        #[test]
        fn any_frame_comes_back(id in 0u32..0x2000_0000, ext: bool, data in proptest::collection::vec(any::<u8>(), 1..9), parted: bool) {
            // What has an older bus's header and check is taken for a message of that.
            let id = if ext { Id::Extended(0x18DA_F100 | id & 0xFF) } else { Id::Standard((id & 0x7FF) as u16) };
            let hex: Vec<String> = data.iter().map(|b| format!("{b:02X}")).collect();
            let head = match id {
                Id::Standard(id) => format!("{id:03X}"),
                Id::Extended(id) => id.to_be_bytes().map(|b| format!("{b:02X}")).join(if parted { " " } else { "" }),
            };
            let line = if parted { format!("{head} {}\r", hex.join(" ")) } else { format!("{head}{}\r", hex.concat()) };
            prop_assert_eq!(all(line.as_bytes()), [frame(id, &data)]);
        }
    }
}
