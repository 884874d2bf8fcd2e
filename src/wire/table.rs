//! One row of comma-separated values (RFC 4180): bytes to cells, cells to numbers, and back.
//!
//! A row is one line; a quoted cell that holds a line break is not supported and reads as a row cut short.

/// Longest line in bytes, without its line end. Longer ones are not read.
pub const LONGEST_LINE: usize = 4096;

/// Splits rows into cells. Keeps its buffers, so that a row costs no allocation.
pub struct Splitter {
    reader: csv_core::Reader,
    text: Vec<u8>,
    ends: Vec<usize>,
}

/// The cells of one row, quotes resolved, blanks around them trimmed.
#[derive(Debug, Clone, Copy)]
pub struct Cells<'a> {
    text: &'a [u8],
    ends: &'a [usize],
    /// Bytes between one cell's end and the next cell's begin.
    apart: usize,
    /// The row ended inside a quoted cell.
    pub open_quote: bool,
}

impl Default for Splitter {
    fn default() -> Splitter {
        Splitter::new()
    }
}

impl Splitter {
    /// With room for the longest line.
    pub fn new() -> Splitter {
        Splitter {
            reader: csv_core::ReaderBuilder::new().terminator(csv_core::Terminator::Any(b'\n')).build(),
            text: vec![0; LONGEST_LINE + 2],
            ends: vec![0; LONGEST_LINE + 2],
        }
    }

    /// Splits `line`, which must hold no line feed; what lies beyond [`LONGEST_LINE`] is cut off.
    pub fn split<'a>(&'a mut self, line: &'a [u8]) -> Cells<'a> {
        let line = &line[..line.len().min(LONGEST_LINE)];
        if let Some(n) = self.plain(line) {
            return Cells { text: line, ends: &self.ends[..n], apart: 1, open_quote: false };
        }
        self.reader.reset();
        let (_, _, n_text, n_ends) = self.reader.read_record(line, &mut self.text, &mut self.ends);
        let (end, _, n, m) = self.reader.read_record(b"\n", &mut self.text[n_text..], &mut self.ends[n_ends..]);
        let (mut n_text, mut n_ends) = (n_text + n, n_ends + m);
        let open = !line.is_empty() && end != csv_core::ReadRecordResult::Record;
        if open {
            let (_, _, n, m) = self.reader.read_record(b"", &mut self.text[n_text..], &mut self.ends[n_ends..]);
            (n_text, n_ends) = (n_text + n, n_ends + m);
        }
        Cells { text: &self.text[..n_text], ends: &self.ends[..n_ends], apart: 0, open_quote: open }
    }

    /// The number of cells of a line that needs no more than to be cut at its commas; nothing if it needs more.
    fn plain(&mut self, line: &[u8]) -> Option<usize> {
        if line.is_empty() || line.starts_with(BYTE_ORDER_MARK) {
            return None;
        }
        let (mut n, mut more) = (0, 0);
        let (words, rest) = line.as_chunks::<8>();
        for (i, word) in words.iter().enumerate() {
            let word = u64::from_le_bytes(*word);
            more |= equal(word, b'"') | equal(word, b'\n');
            let mut commas = equal(word, b',');
            while commas != 0 {
                self.ends[n] = 8 * i + commas.trailing_zeros() as usize / 8;
                n += 1;
                commas &= commas - 1;
            }
        }
        for (i, &b) in (8 * words.len()..).zip(rest) {
            self.ends[n] = i;
            n += usize::from(b == b',');
            more |= u64::from(b == b'"' || b == b'\n');
        }
        self.ends[n] = line.len();
        (more == 0).then_some(n + 1)
    }
}

impl<'a> Cells<'a> {
    /// How many.
    pub fn len(&self) -> usize {
        self.ends.len()
    }

    /// True if there is no cell, not even an empty one.
    pub fn is_empty(&self) -> bool {
        self.ends.is_empty()
    }

    /// The cell at `i`, counted from 0; nothing where the row is too short.
    pub fn get(&self, i: usize) -> &'a [u8] {
        let Some(&end) = self.ends.get(i) else { return b"" };
        let start = if i == 0 { 0 } else { self.ends[i - 1] + self.apart };
        self.text[start..end].trim_ascii()
    }

    /// The number in the cell at `i`: [`number`] of it, faster where it is short and plain. Blank cells are `None`.
    /// `last` is kept by the caller, one for each column.
    #[inline]
    pub fn number(&self, i: usize, last: &mut Last) -> Option<Result<f64, NoNumber>> {
        let end = *self.ends.get(i)?;
        let start = if i == 0 { 0 } else { self.ends[i - 1] + self.apart };
        if let Some(word) = short_word(self.text, start, end) {
            let len = (end - start) as u32;
            if (word, len) == (last.word, last.len) {
                return Some(Ok(last.value));
            }
            if let Some(value) = short_number(word, len) {
                *last = Last { word, len, value };
                return Some(Ok(value));
            }
        }
        let cell = self.text[start..end].trim_ascii();
        (!cell.is_empty()).then(|| number(cell).ok_or(NoNumber))
    }

    /// How many, without the blank ones at the end.
    pub fn used(&self) -> usize {
        (0..self.len()).rev().find(|&i| !self.get(i).is_empty()).map_or(0, |i| i + 1)
    }

    /// All of them in order.
    pub fn iter(&self) -> impl Iterator<Item = &'a [u8]> + '_ {
        (0..self.len()).map(|i| self.get(i))
    }
}

/// The number in a cell, rounded to the nearest `f64` as the standard library does it. May be NaN or infinite
/// where the cell says so.
pub fn number(cell: &[u8]) -> Option<f64> {
    let cell = cell.trim_ascii();
    let (negative, digits) = match cell {
        [b'-', rest @ ..] => (true, rest),
        _ => (false, cell),
    };
    let (mut whole, mut count, mut decimals, mut dot) = (0u64, 0, 0, false);
    for &b in digits {
        match b {
            b'0'..=b'9' if count < 19 => {
                whole = whole * 10 + u64::from(b - b'0');
                count += 1;
                decimals += usize::from(dot);
            }
            b'.' if !dot => dot = true,
            _ => return slow_number(cell),
        }
    }
    // Both operands are exact below these bounds, so one division rounds correctly (W. D. Clinger, "How to read
    // floating point numbers accurately", 1990).
    if count == 0 || whole > 1 << 53 {
        return slow_number(cell);
    }
    let value = whole as f64 / POWERS_OF_TEN[decimals];
    Some(if negative { -value } else { value })
}

/// What stands in a cell is no number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NoNumber;

/// Where `byte` stands in a word: the highest bit of each such byte (H. S. Warren, "Hacker's Delight", 2002, 6-1).
#[inline]
fn equal(word: u64, byte: u8) -> u64 {
    const LOW: u64 = 0x7F7F_7F7F_7F7F_7F7F;
    let apart = word ^ (u64::from(byte) * 0x0101_0101_0101_0101);
    !((apart & LOW).wrapping_add(LOW) | apart | LOW)
}

/// The last short number of a column: a held one stands in row after row and is not turned again.
#[derive(Debug, Clone, Copy, Default)]
pub struct Last {
    word: u64,
    /// 0 before the first.
    len: u32,
    value: f64,
}

/// The lowest so many bytes of a word.
#[inline]
fn lowest(bytes: u32) -> u64 {
    u64::MAX.checked_shr(64 - 8 * bytes).unwrap_or(0)
}

/// `text[start..end]` as one word, if it has one to eight bytes.
#[inline]
fn short_word(text: &[u8], start: usize, end: usize) -> Option<u64> {
    let len = end - start;
    if len == 0 || len > 8 {
        return None;
    }
    let word = match text.get(start..).and_then(|t| t.first_chunk()) {
        Some(word) => u64::from_le_bytes(*word),
        // At the end of the text: its last eight bytes.
        None => u64::from_le_bytes(*text.last_chunk()?) >> (8 * (start + 8 - text.len())),
    };
    Some(word & lowest(len as u32))
}

/// The number in the lowest `len` bytes, if they are perhaps a minus, digits, perhaps a point among them. All digits
/// are turned at once, without a branch that depends on them.
fn short_number(word: u64, len: u32) -> Option<f64> {
    let negative = word as u8 == b'-';
    let word = word >> (8 * u32::from(negative));
    let len = len - u32::from(negative);
    let dot = equal(word, b'.');
    let whole = if dot == 0 { len } else { dot.trailing_zeros() / 8 };
    let decimals = len.saturating_sub(whole + 1);
    let digits = len - u32::from(dot != 0);
    if digits == 0 {
        return None;
    }
    let word = (word & lowest(whole)) | ((word >> 8) & lowest(digits) & !lowest(whole));
    let blank = 64 - 8 * digits;
    let word = (word << blank) | (0x3030_3030_3030_3030 & !(u64::MAX << blank));
    // Each byte from 0x30 to 0x39.
    const HIGH: u64 = 0xF0F0_F0F0_F0F0_F0F0;
    if (word & HIGH) | ((word.wrapping_add(0x0606_0606_0606_0606) & HIGH) >> 4) != 0x3333_3333_3333_3333 {
        return None;
    }
    // Neighbours are joined to pairs, pairs to fours, fours to eight.
    let ones = word & 0x0F0F_0F0F_0F0F_0F0F;
    let pairs = (ones.wrapping_mul(1 + (10 << 8)) >> 8) & 0x00FF_00FF_00FF_00FF;
    let fours = (pairs.wrapping_mul(1 + (100 << 16)) >> 16) & 0x0000_FFFF_0000_FFFF;
    let eight = fours.wrapping_mul(1 + (10_000 << 32)) >> 32;
    let value = eight as f64 / POWERS_OF_TEN[decimals as usize];
    Some(f64::from_bits(value.to_bits() | u64::from(negative) << 63))
}

fn slow_number(cell: &[u8]) -> Option<f64> {
    std::str::from_utf8(cell).ok()?.parse().ok()
}

const POWERS_OF_TEN: [f64; 20] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19];

/// The headings of a table, in order; blank ones at the end are left off.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// Headings, trimmed. Bytes that are no UTF-8 stand as replacement characters.
    pub headings: Vec<String>,
    /// The last column is `crc` (and not among the headings).
    pub crc: bool,
}

/// Why a line cannot head a table.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// The same heading twice: which column counts?
    #[error("columns {first} and {second} are both headed \"{heading}\": rename or remove one of them")]
    DuplicateHeading {
        /// The heading.
        heading: String,
        /// First column with it, from 1.
        first: usize,
        /// Second column with it.
        second: usize,
    },
    /// A quotation mark is missing.
    #[error("a quotation mark is opened in the headings and not closed: close it on the same line")]
    OpenQuote,
}

impl Header {
    /// Reads the headings of `line`.
    pub fn parse(line: &[u8]) -> Result<Header, Error> {
        let line = line.strip_prefix(BYTE_ORDER_MARK).unwrap_or(line);
        let mut splitter = Splitter::new();
        let cells = splitter.split(line);
        if cells.open_quote {
            return Err(Error::OpenQuote);
        }
        let mut headings: Vec<String> =
            cells.iter().take(cells.used()).map(|c| String::from_utf8_lossy(c).trim().to_owned()).collect();
        for (i, h) in headings.iter().enumerate() {
            if let Some(first) = headings[..i].iter().position(|g| g == h && !h.is_empty()) {
                return Err(Error::DuplicateHeading { heading: h.clone(), first: first + 1, second: i + 1 });
            }
        }
        let crc = headings.last().is_some_and(|h| h == "crc");
        if crc {
            headings.pop();
        }
        Ok(Header { headings, crc })
    }

    /// Where a heading stands, counted from 0.
    pub fn position(&self, heading: &str) -> Option<usize> {
        self.headings.iter().position(|h| h == heading)
    }
}

/// Appends `cells` as one row without line end, quoted where RFC 4180 asks for it.
pub fn write_row<'a>(cells: impl IntoIterator<Item = &'a str>, out: &mut Vec<u8>) {
    for (i, cell) in cells.into_iter().enumerate() {
        if i > 0 {
            out.push(b',');
        }
        if cell.contains([',', '"', '\r', '\n']) {
            out.push(b'"');
            out.extend(cell.bytes().flat_map(|b| std::iter::repeat_n(b, if b == b'"' { 2 } else { 1 })));
            out.push(b'"');
        } else {
            out.extend_from_slice(cell.as_bytes());
        }
    }
}

/// What some programs write before UTF-8 text.
pub const BYTE_ORDER_MARK: &[u8] = b"\xef\xbb\xbf";

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn split(line: &str) -> Vec<String> {
        Splitter::new().split(line.as_bytes()).iter().map(|c| String::from_utf8_lossy(c).into_owned()).collect()
    }

    #[test]
    fn rows_as_rfc_4180_defines_them() {
        // RFC 4180, section 2, rules 1, 5, 6 and 7 (from memory), with blanks trimmed as the contract has it.
        assert_eq!(split("aaa,bbb,ccc"), ["aaa", "bbb", "ccc"]);
        assert_eq!(split(r#""aaa","b,b","c""c""#), ["aaa", "b,b", "c\"c"]);
        assert_eq!(split("1, 2.0 ,,"), ["1", "2.0", "", ""]);
        assert_eq!(Splitter::new().split(b"1,,2,,").used(), 3);
        assert!(Splitter::new().split(b"1,\"2,3").open_quote);
        assert!(!Splitter::new().split(b"1,\"2\",3").open_quote);
    }

    #[test]
    fn headings_are_trimmed_and_never_twice() {
        let h = Header::parse(b"\xef\xbb\xbftime_s, engine_rpm ,\"battery_v\",,").unwrap();
        assert_eq!(h.headings, ["time_s", "engine_rpm", "battery_v"]);
        assert!(!h.crc);
        assert!(Header::parse(b"time_s,key,crc").unwrap().crc);
        let e = Header::parse(b"time_s,key,battery_v,key").unwrap_err();
        assert_eq!(e.to_string(), "columns 2 and 4 are both headed \"key\": rename or remove one of them");
        assert_eq!(Header::parse(b"time_s,\"key").unwrap_err(), Error::OpenQuote);
        assert_eq!(Header::parse(b"time_s,k\xffy").unwrap().headings[1], "k\u{fffd}y");
    }

    #[test]
    fn what_is_no_number() {
        for cell in ["", "-", ".", "-.", "1,2", "1.2.3", "0x10", "on", "1 2", "\u{661}"] {
            assert_eq!(number(cell.as_bytes()), None, "{cell}");
        }
        assert_eq!(number(b"\xff"), None);
        assert!(number(b"nan").unwrap().is_nan());
    }

    proptest! {
        /// Against the standard library's parser, which rounds correctly.
        #[test]
        fn numbers_are_the_nearest(s in r"[-+]?[0-9]{0,22}(\.[0-9]{0,25})?(e-?[0-9]{1,3})?") {
            let ours = number(s.as_bytes()).map(f64::to_bits);
            prop_assert_eq!(ours, s.parse::<f64>().ok().map(f64::to_bits));
        }

        /// In a row, where short ones are read another way.
        #[test]
        fn numbers_in_a_row_are_the_same(
            cells in prop::collection::vec(r"[-+ ]?[0-9]{0,9}[.]?[0-9]{0,9}[-.eE ]?[0-9]{0,2}", 1..12),
        ) {
            let line = cells.join(",");
            let mut splitter = Splitter::new();
            let row = splitter.split(line.as_bytes());
            for (i, cell) in cells.iter().enumerate() {
                let ours = row.number(i, &mut Last::default()).map(|n| n.ok().map(f64::to_bits));
                let theirs = cell.trim().parse::<f64>().ok().map(f64::to_bits);
                prop_assert_eq!(ours, (!cell.trim().is_empty()).then_some(theirs), "{:?}", cell);
            }
        }

        #[test]
        fn a_written_row_reads_the_same(cells in prop::collection::vec("[ -~é\"]{0,9}", 1..9)) {
            let mut line = Vec::new();
            write_row(cells.iter().map(String::as_str), &mut line);
            let mut splitter = Splitter::new();
            let read: Vec<_> = splitter.split(&line).iter().map(|c| String::from_utf8_lossy(c).into_owned()).collect();
            let trimmed: Vec<_> = cells.iter().map(|c| c.trim_ascii().to_owned()).collect();
            // A row of one empty cell is an empty line, which holds no cell.
            if !(cells.len() == 1 && cells[0].is_empty()) {
                prop_assert_eq!(read, trimmed);
            }
        }

        /// Against the `csv` crate, which knows no short cut for lines without quotes.
        #[test]
        fn cells_are_those_of_the_csv_crate(line in "[-0-9., \"é\r]{1,60}") {
            let mut splitter = Splitter::new();
            let cells = splitter.split(line.as_bytes());
            let mut reader = csv::ReaderBuilder::new()
                .has_headers(false)
                .terminator(csv::Terminator::Any(b'\n'))
                .from_reader(line.as_bytes());
            let mut record = csv::ByteRecord::new();
            prop_assert!(reader.read_byte_record(&mut record).unwrap());
            let expected: Vec<_> = record.iter().map(<[u8]>::trim_ascii).collect();
            prop_assert_eq!(cells.iter().collect::<Vec<_>>(), expected);
        }

        #[test]
        fn any_bytes_split_without_a_fall(line in prop::collection::vec(any::<u8>(), 0..6000)) {
            let mut splitter = Splitter::new();
            let cells = splitter.split(&line);
            for i in 0..cells.len() + 2 {
                prop_assert_eq!(cells.number(i, &mut Last::default()).is_none(), cells.get(i).is_empty());
            }
            let _ = Header::parse(&line);
        }
    }
}
