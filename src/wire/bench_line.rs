//! The bench adapter's line: a table row with an optional check column, sent over a serial port.
//!
//! A header line begins with `time_s`. It carries no check of its own, so it is believed only after it has
//! arrived twice alike ([`Belief`]).

use super::table::{LONGEST_LINE, write_row};
use crc::{CRC_16_IBM_3740, Crc, Table};

/// What the host sends to be told the header again.
pub const ASK_HEADER: &[u8] = b"?\n";

// "CRC-16/CCITT-FALSE" is an alias of this entry in the CRC catalogue.
// Sixteen bytes at a time: the check is most of the cost of reading a line.
static CRC: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_IBM_3740);

/// The check over `bytes`: CRC-16/CCITT-FALSE.
pub fn check(bytes: &[u8]) -> u16 {
    CRC.checksum(bytes)
}

/// The part of `line` that its last cell vouches for; nothing if the check does not hold.
pub fn checked(line: &[u8]) -> Option<&[u8]> {
    let comma = line.iter().rposition(|&b| b == b',')?;
    let cell = line[comma + 1..].trim_ascii();
    if cell.len() != 4 {
        return None;
    }
    let digit = |&b: &u8| char::from(b).to_digit(16);
    let told = cell.iter().try_fold(0, |told, b| Some(told * 16 + digit(b)?))?;
    (u32::from(check(&line[..comma])) == told).then_some(&line[..comma])
}

/// True for a line that heads a table of the bench adapter.
pub fn is_header(line: &[u8]) -> bool {
    let line = line.trim_ascii_start();
    let rest = line.strip_prefix(b"time_s".as_slice()).or_else(|| line.strip_prefix(b"\"time_s\"".as_slice()));
    rest.is_some_and(|r| matches!(r.trim_ascii_start(), [] | [b',', ..]))
}

/// Appends `cells` as one line with line end; with `check` a check cell is added (or, for headings, its name).
pub fn write_line<'a>(cells: impl IntoIterator<Item = &'a str>, with_check: bool, out: &mut Vec<u8>) {
    let start = out.len();
    write_row(cells, out);
    if with_check {
        let tail = match is_header(&out[start..]) {
            true => ",crc".to_owned(),
            false => format!(",{:04X}", check(&out[start..])),
        };
        out.extend_from_slice(tail.as_bytes());
    }
    out.push(b'\n');
}

/// Puts lines together from chunks that were split anywhere.
#[derive(Debug, Clone, Default)]
pub struct Lines {
    part: Vec<u8>,
    /// `part` was handed out and must be cleared before more is added.
    given: bool,
    /// What comes up to the next line end belongs to a line that cannot be read.
    skip: Option<Torn>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Torn {
    TooLong,
    Lost,
}

/// One line, without its line end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Line<'a> {
    /// Complete.
    Whole(&'a [u8]),
    /// Longer than [`LONGEST_LINE`].
    TooLong,
    /// Its beginning was lost.
    Torn,
}

impl Lines {
    /// The next line that `input` completes; takes what it used off the front of `input`. Nothing if `input` is
    /// used up.
    pub fn next<'a, 'b: 'a>(&'a mut self, input: &mut &'b [u8]) -> Option<Line<'a>> {
        if self.given {
            self.part.clear();
            self.given = false;
        }
        let Some(end) = memchr::memchr(b'\n', input) else {
            if self.skip.is_none() {
                self.part.extend_from_slice(input);
                if self.part.len() > LONGEST_LINE + 1 {
                    self.part.clear();
                    self.skip = Some(Torn::TooLong);
                }
            }
            *input = &[];
            return None;
        };
        let (head, rest) = input.split_at(end);
        *input = &rest[1..];
        match self.skip.take() {
            Some(Torn::TooLong) => return Some(Line::TooLong),
            Some(Torn::Lost) => return Some(Line::Torn),
            None => {}
        }
        let line = if self.part.is_empty() {
            head
        } else {
            self.part.extend_from_slice(head);
            self.given = true;
            &self.part
        };
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        Some(if line.len() > LONGEST_LINE { Line::TooLong } else { Line::Whole(line) })
    }

    /// Bytes were lost here: the line under way is given up, and so is what comes up to the next line end.
    pub fn lost(&mut self) {
        self.part.clear();
        self.given = false;
        self.skip = Some(Torn::Lost);
    }
}

/// Which header holds: one that arrived twice alike. While another one has been heard since, none holds, because
/// rows could be misread.
#[derive(Debug, Clone, Default)]
pub struct Belief {
    believed: Option<Vec<u8>>,
    heard: Option<Vec<u8>>,
}

/// What a header line did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Heard {
    /// Holds from now on.
    Now,
    /// Held already.
    Still,
    /// Must be heard once more.
    Once,
}

impl Belief {
    /// A header line was heard.
    pub fn hear(&mut self, line: &[u8]) -> Heard {
        if self.believed.as_deref() == Some(line) {
            self.heard = None;
            Heard::Still
        } else if self.heard.as_deref() == Some(line) {
            self.believed = self.heard.take();
            Heard::Now
        } else {
            self.heard = Some(line.to_vec());
            Heard::Once
        }
    }

    /// True if rows can be read.
    pub fn holds(&self) -> bool {
        self.believed.is_some() && self.heard.is_none()
    }

    /// Another adapter may be there now.
    pub fn forget(&mut self) {
        *self = Belief::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_check_value_of_the_catalogue() {
        // Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740 alias CCITT-FALSE: check 0x29B1.
        assert_eq!(check(b"123456789"), 0x29B1);
        assert_eq!(checked(b"123456789,29B1"), Some(b"123456789".as_slice()));
        assert_eq!(checked(b"123456789,29b1 "), Some(b"123456789".as_slice()));
        for bad in ["123456789,29B2", "12345678,29B1", "29B1", "", "123456789,+9B1", "123456789,029B1"] {
            assert_eq!(checked(bad.as_bytes()), None, "{bad}");
        }
    }

    #[test]
    fn a_header_begins_with_the_time() {
        for yes in ["time_s", "time_s,key", " time_s ,key", "\"time_s\",key"] {
            assert!(is_header(yes.as_bytes()), "{yes}");
        }
        for no in ["", "time_sx,key", "key,time_s", "12.0,1", "?"] {
            assert!(!is_header(no.as_bytes()), "{no}");
        }
    }

    #[test]
    fn a_header_is_believed_when_it_came_twice_alike() {
        let mut b = Belief::default();
        assert_eq!(b.hear(b"time_s,kex"), Heard::Once);
        assert_eq!(b.hear(b"time_s,key"), Heard::Once);
        assert!(!b.holds());
        assert_eq!(b.hear(b"time_s,key"), Heard::Now);
        assert!(b.holds());
        // A different one makes rows doubtful; the old one needs to be heard only once more.
        assert_eq!(b.hear(b"time_s,ke"), Heard::Once);
        assert!(!b.holds());
        assert_eq!(b.hear(b"time_s,key"), Heard::Still);
        assert!(b.holds());
    }

    fn gather(chunks: &[&[u8]]) -> Vec<Option<Vec<u8>>> {
        let mut lines = Lines::default();
        let mut all = Vec::new();
        for chunk in chunks {
            let mut input = *chunk;
            while let Some(line) = lines.next(&mut input) {
                all.push(match line {
                    Line::Whole(l) => Some(l.to_vec()),
                    _ => None,
                });
            }
        }
        all
    }

    #[test]
    fn a_line_without_end_costs_itself_alone() {
        let long = vec![b'7'; 3 * LONGEST_LINE];
        assert_eq!(gather(&[&long, &long, b"\n1,2\r\n"]), [None, Some(b"1,2".to_vec())]);
        let exact = [vec![b'7'; LONGEST_LINE], b"\r\n".to_vec()].concat();
        assert_eq!(gather(&[&exact]), [Some(vec![b'7'; LONGEST_LINE])]);
        assert_eq!(gather(&[&[b"7".as_slice(), &exact].concat(), b"1\n"]), [None, Some(b"1".to_vec())]);
    }

    #[test]
    fn after_lost_bytes_the_rest_of_a_line_is_not_read() {
        let mut lines = Lines::default();
        let mut input = b"12.0,1".as_slice();
        assert_eq!(lines.next(&mut input), None);
        lines.lost();
        let mut input = b"3.0,1\n14.0,1\n".as_slice();
        assert_eq!(lines.next(&mut input), Some(Line::Torn));
        assert_eq!(lines.next(&mut input), Some(Line::Whole(b"14.0,1")));
    }

    proptest! {
        #[test]
        fn lines_do_not_depend_on_the_chunks(
            text in prop::collection::vec(prop_oneof![Just(b'\n'), Just(b'\r'), any::<u8>()], 0..400),
            cuts in prop::collection::vec(0usize..400, 0..20),
        ) {
            let mut cuts: Vec<usize> = cuts.into_iter().filter(|&c| c <= text.len()).collect();
            cuts.extend([0, text.len()]);
            cuts.sort_unstable();
            let chunks: Vec<&[u8]> = cuts.windows(2).map(|w| &text[w[0]..w[1]]).collect();
            prop_assert_eq!(gather(&chunks), gather(&[&text]));
        }

        #[test]
        fn a_written_line_vouches_for_itself(cells in prop::collection::vec("[0-9.\"x]{0,7}", 1..9)) {
            let mut line = Vec::new();
            write_line(cells.iter().map(String::as_str), true, &mut line);
            let mut bare = Vec::new();
            write_row(cells.iter().map(String::as_str), &mut bare);
            prop_assert_eq!(checked(&line[..line.len() - 1]), Some(bare.as_slice()));
        }

        /// A burst of up to 16 bits is always seen by a 16-bit CRC (its generator has a constant term).
        #[test]
        fn one_wrong_byte_is_always_seen(at in 0usize..21, flip in 1u8..=255) {
            let mut line = Vec::new();
            write_line(["12.345", "1", "13.86", "-249.1"], true, &mut line);
            line.pop();
            let last_comma = line.iter().rposition(|&b| b == b',').unwrap();
            prop_assume!(at < last_comma);
            line[at] ^= flip;
            prop_assert_eq!(checked(&line), None);
        }
    }
}
