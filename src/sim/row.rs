//! Rows of the bench adapter's line protocol, as its firmware would print them.

use crate::channel::Channel;
use crc::{CRC_16_IBM_3740, Crc, Table};
use std::fmt::Write;

/// CRC-16/CCITT-FALSE, which the catalogue now calls CRC-16/IBM-3740.
static CRC: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_IBM_3740);

/// The adapter's printer: its columns, its clock, and what each cell last said.
#[derive(Debug, Clone)]
pub struct Rows {
    columns: Vec<Channel>,
    last: [Option<i64>; Channel::COUNT],
    restarted_us: i64,
    offset_us: i64,
    ppm: f64,
    row: String,
}

impl Rows {
    /// With a clock that showed `offset_us` at the start and runs `ppm` fast.
    pub fn new(columns: Vec<Channel>, offset_us: i64, ppm: f64) -> Rows {
        Rows { columns, last: [None; Channel::COUNT], restarted_us: 0, offset_us, ppm, row: String::new() }
    }

    /// The adapter starts anew: its clock begins near zero.
    pub fn restart(&mut self, us: i64) {
        self.restarted_us = us;
        self.offset_us = 350_000;
        self.last = [None; Channel::COUNT];
    }

    /// How many columns there are, time and check left out.
    pub fn len(&self) -> usize {
        self.columns.len()
    }

    /// The channel of a column.
    pub fn column(&self, i: usize) -> Channel {
        self.columns[i]
    }

    /// The header line.
    pub fn header(&self) -> String {
        let mut h = String::from("time_s");
        for c in &self.columns {
            h.push(',');
            h.push_str(c.name());
        }
        h.push_str(",crc\r\n");
        h
    }

    /// A row begins, at `us` of true time.
    pub fn begin(&mut self, us: i64) {
        let own = us - self.restarted_us;
        let ms = (self.offset_us + own + (own as f64 * self.ppm * 1e-6) as i64) / 1_000;
        self.row.clear();
        print(&mut self.row, ms.max(0) as u64, 3);
    }

    /// The next cell begins; it stays blank unless something is put into it.
    pub fn cell(&mut self) {
        self.row.push(',');
    }

    /// Prints a value at its resolution, if it changed or `always`.
    pub fn put(&mut self, c: Channel, value: f64, step: f64, decimals: usize, always: bool) {
        let count = round(value / step);
        let key = count as i64;
        if always || self.last[c as usize] != Some(key) {
            self.last[c as usize] = Some(key);
            let shown = count * step;
            number(&mut self.row, if shown == 0.0 { 0.0 } else { shown }, decimals);
        }
    }

    /// What the channel said no longer holds: it is told again as soon as it is known.
    pub fn forget(&mut self, c: Channel) {
        self.last[c as usize] = None;
    }

    /// The row with its check.
    pub fn end(&mut self) -> &str {
        let sum = CRC.checksum(self.row.as_bytes());
        self.row.push(',');
        for i in [12, 8, 4, 0] {
            self.row.push(char::from(b"0123456789ABCDEF"[usize::from(sum >> i & 15)]));
        }
        self.row.push_str("\r\n");
        &self.row
    }
}

/// To the nearest whole number, halves away from zero, as `f64::round`: of numbers that a row can hold.
fn round(v: f64) -> f64 {
    // The largest number below a half: with a half itself, what lies just below one would be carried over.
    (v + 0.499_999_999_999_999_94_f64.copysign(v)) as i64 as f64
}

/// Prints as `{:.decimals$}` does.
fn number(out: &mut String, v: f64, decimals: usize) {
    let scaled = v.abs() * [1.0, 10.0, 100.0, 1_000.0][decimals.min(3)];
    let near = round(scaled);
    // A tie may have to go the other way: it is left to the library, like anything unusual.
    let plain = decimals <= 3 && near < 1e15 && (scaled - near).abs() <= 0.499;
    if !plain {
        let _ = write!(out, "{v:.decimals$}");
        return;
    }
    if v.is_sign_negative() {
        out.push('-');
    }
    print(out, near as u64, decimals);
}

/// Prints a count of `10^-decimals`.
fn print(out: &mut String, mut count: u64, decimals: usize) {
    let mut digits = [0; 24];
    let mut from = digits.len();
    let mut printed = 0;
    while count > 0 || printed <= decimals {
        if printed == decimals && decimals > 0 {
            from -= 1;
            digits[from] = b'.';
        }
        from -= 1;
        digits[from] = b'0' + (count % 10) as u8;
        count /= 10;
        printed += 1;
    }
    out.extend(digits[from..].iter().map(|d| char::from(*d)));
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Against the standard library's own printing and rounding.
        #[test]
        fn numbers_are_printed_as_the_library_prints_them(
            count in -2_000_000_000i64..2_000_000_000,
            step in prop::sample::select(vec![1.0, 0.4, 0.1, 0.01, 0.001, 1.25, 100.0 / 255.0, 0.5, 0.005]),
            decimals in 0usize..5,
            any in -1e7..1e7f64,
        ) {
            for v in [count as f64 * step, (count % 3_000) as f64 * step, any] {
                let mut row = String::new();
                number(&mut row, v, decimals);
                prop_assert_eq!(row, format!("{v:.decimals$}"));
                for w in [v, v.trunc() + 0.5, (v.trunc() + 0.5).next_down(), (v.trunc() + 0.5).next_up()] {
                    prop_assert_eq!(round(w), w.round());
                }
            }
        }

        #[test]
        fn times_are_printed_as_the_library_prints_them(ms in 0u64..10_000_000_000) {
            let mut row = String::new();
            print(&mut row, ms, 3);
            prop_assert_eq!(row, format!("{}.{:03}", ms / 1_000, ms % 1_000));
        }
    }

    #[test]
    fn the_ends_are_rounded_as_the_library_rounds_them() {
        for v in [0.0, 0.5, 0.5_f64.next_down(), 0.5_f64.next_up(), 1.5, 2.5, 4_503_599_627_370_495.5] {
            assert_eq!((round(v), round(-v)), (v.round(), (-v).round()), "{v}");
        }
    }

    #[test]
    fn the_check_sum_is_the_catalogue_s() {
        // Check value of CRC-16/CCITT-FALSE over "123456789": 29B1 (catalogue of parametrised CRC algorithms).
        assert_eq!(CRC.checksum(b"123456789"), 0x29b1);
    }
}
