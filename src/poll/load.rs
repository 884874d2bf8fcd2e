//! How much of the bus the questions and their answers take.

use super::Address;
use crate::time::Stamp;
use crate::wire::can_frame::Id;
use std::collections::VecDeque;

/// The load is told over so long, seconds.
const OVER_S: f64 = 10.0;

/// Bits of the frames that carry a message of so many bytes, the flow control among them, stuffing at its worst (ISO
/// 11898-1, computed: 135 and 160 bits for a frame of 8 bytes with 11 and 29 bits of identifier).
pub(super) fn bits(from: Option<Address>, len: usize) -> f64 {
    let frame = match from {
        Some(Address::Can(Id::Standard(_))) => 135.0,
        _ => 160.0,
    };
    let frames = if len <= 7 { 1 } else { 2 + (len - 6).div_ceil(7) };
    frame * frames as f64
}

/// What went over the bus for this program of late.
#[derive(Debug, Clone, Default)]
pub(super) struct Load {
    /// When, questions, bits.
    of_late: VecDeque<(Stamp, u32, f64)>,
}

impl Load {
    pub(super) fn add(&mut self, at: Stamp, questions: u32, bits: f64) {
        while self.of_late.front().is_some_and(|f| at.since(f.0) > OVER_S) {
            self.of_late.pop_front();
        }
        self.of_late.push_back((at, questions, bits));
    }

    /// Questions and bits a second.
    pub(super) fn rates(&self, at: Stamp) -> (f64, f64) {
        let recent = self.of_late.iter().filter(|l| at.since(l.0) <= OVER_S);
        let (n, bits) = recent.fold((0.0, 0.0), |(n, b), l| (n + f64::from(l.1), b + l.2));
        let over = self.of_late.front().map_or(OVER_S, |f| at.since(f.0).clamp(1.0, OVER_S));
        (n / over, bits / over)
    }
}
