//! Rows of the bench adapter's line protocol, as its firmware would print them.

use crate::channel::Channel;
use crc::{CRC_16_IBM_3740, Crc};
use std::fmt::Write;

/// CRC-16/CCITT-FALSE, which the catalogue now calls CRC-16/IBM-3740.
const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_IBM_3740);

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
        let _ = write!(self.row, "{}.{:03}", ms / 1_000, ms % 1_000);
    }

    /// The next cell begins; it stays blank unless something is put into it.
    pub fn cell(&mut self) {
        self.row.push(',');
    }

    /// Prints a value at its resolution, if it changed or `always`.
    pub fn put(&mut self, c: Channel, value: f64, step: f64, decimals: usize, always: bool) {
        let count = (value / step).round();
        let key = count as i64;
        if always || self.last[c as usize] != Some(key) {
            self.last[c as usize] = Some(key);
            let shown = count * step;
            let _ = write!(self.row, "{:.*}", decimals, if shown == 0.0 { 0.0 } else { shown });
        }
    }

    /// What the channel said no longer holds: it is told again as soon as it is known.
    pub fn forget(&mut self, c: Channel) {
        self.last[c as usize] = None;
    }

    /// The row with its check.
    pub fn end(&mut self) -> &str {
        let sum = CRC.checksum(self.row.as_bytes());
        let _ = write!(self.row, ",{sum:04X}\r\n");
        &self.row
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_check_sum_is_the_catalogue_s() {
        // Check value of CRC-16/CCITT-FALSE over "123456789": 29B1 (catalogue of parametrised CRC algorithms).
        assert_eq!(CRC.checksum(b"123456789"), 0x29b1);
    }
}
