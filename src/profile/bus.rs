//! Where channels come from on a vehicle's bus: live data asked for, data by identifier, and broadcast frames.

use crate::channel::Channel;
use crate::wire::can_frame::Id;

/// A number within some bytes, in the words of SAE J1939: start byte, bits, resolution, offset.
#[derive(Debug, Clone, PartialEq)]
pub struct Field {
    /// First byte, from 1.
    pub first: u8,
    /// Last byte.
    pub last: u8,
    /// The bits that count, of the bytes put together; the lowest of them is the number's lowest bit.
    pub mask: u64,
    /// The first byte is the lowest (SAE J1939's order).
    pub low_first: bool,
    /// Two's complement.
    pub signed: bool,
    /// Unit a bit.
    pub resolution: f64,
    /// Added after scaling.
    pub offset: f64,
}

impl Field {
    /// The value in the channel's unit; nothing if the bytes are not there.
    pub fn value(&self, data: &[u8]) -> Option<f64> {
        let bytes = data.get(usize::from(self.first).checked_sub(1)?..usize::from(self.last))?;
        let put = |whole: u64, b: &u8| whole << 8 | u64::from(*b);
        let whole = if self.low_first { bytes.iter().rev().fold(0, put) } else { bytes.iter().fold(0, put) };
        let (low, width) = (self.mask.trailing_zeros(), 64 - self.mask.leading_zeros() - self.mask.trailing_zeros());
        let raw = (whole & self.mask) >> low;
        #[allow(clippy::cast_precision_loss)] // no sensor of a vehicle has 53 bits
        let number = match self.signed {
            true => ((raw << (64 - width)).cast_signed() >> (64 - width)) as f64,
            false => raw as f64,
        };
        Some(number * self.resolution + self.offset)
    }

    /// Both take the same bits.
    pub fn shares(&self, other: &Field) -> bool {
        self.bits().any(|(i, x)| other.bits().any(|(j, y)| i == j && x & y != 0))
    }

    /// The bits it takes of its frame, as (byte from 0, bits).
    pub fn bits(&self) -> impl Iterator<Item = (usize, u8)> + '_ {
        let n = usize::from(self.last + 1 - self.first);
        (0..n).map(move |i| {
            let place = if self.low_first { i } else { n - 1 - i };
            (usize::from(self.first) - 1 + i, (self.mask >> (8 * place)) as u8)
        })
    }
}

/// A live datum of SAE J1979, asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct ObdSource {
    /// PID of service 01; its scaling is the standard's.
    pub pid: u8,
    /// What it carries.
    pub channel: Channel,
    /// Times a second.
    pub rate_hz: f64,
}

/// Data by identifier (ISO 14229 service 22), asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct DidSource {
    /// The identifier.
    pub did: u16,
    /// Bytes of the whole record.
    pub length: u8,
    /// Where in the record, counted behind the identifier.
    pub field: Field,
    /// What it carries.
    pub channel: Channel,
    /// Times a second.
    pub rate_hz: f64,
}

/// A frame that the vehicle sends by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct BroadcastSource {
    /// Its identifier.
    pub id: Id,
    /// Where in its data.
    pub field: Field,
    /// What it carries.
    pub channel: Channel,
    /// Times a second.
    pub rate_hz: f64,
}

/// All sources on the bus.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct BusSources {
    /// Live data.
    pub obd: Vec<ObdSource>,
    /// Data by identifier.
    pub did: Vec<DidSource>,
    /// Broadcast frames.
    pub broadcast: Vec<BroadcastSource>,
}

/// Bits of the longest classic frame of 8 bytes with a 29-bit identifier, stuffing at its worst (ISO 11898-1, computed).
const FRAME_BITS: f64 = 160.0;

impl BusSources {
    /// Questions a second, and bits a second with their answers: those of one rate go together, six PIDs or three
    /// identifiers a question.
    pub fn asked(&self) -> (f64, f64) {
        // A question's answer: service byte, and each datum with its name.
        let obd = self.obd.iter().map(|s| (s.rate_hz, 6, 1 + crate::wire::obd::length(s.pid)));
        let did = self.did.iter().map(|s| (s.rate_hz, 3, 2 + usize::from(s.length)));
        let mut groups: Vec<(f64, usize, usize, usize)> = Vec::new();
        for (rate, most, bytes) in obd.chain(did) {
            match groups.iter_mut().find(|g| g.0 == rate && g.1 == most) {
                Some(g) => (g.2, g.3) = (g.2 + 1, g.3 + bytes),
                None => groups.push((rate, most, 1, bytes)),
            }
        }
        groups.iter().fold((0.0, 0.0), |(questions, bits), &(rate, most, n, bytes)| {
            let asked = n.div_ceil(most) as f64;
            // A question of two identifiers or more needs its flow control too.
            let frames = 2.0 * asked + (bytes + n.div_ceil(most)).div_ceil(6) as f64;
            (questions + rate * asked, bits + rate * frames * FRAME_BITS)
        })
    }

    /// What is wrong with the rates, and what would be right.
    pub(super) fn too_much(&self, set: &super::Bus) -> Option<(String, String)> {
        let (questions, bits) = self.asked();
        if questions * set.answer_s > 1.0 {
            let what = format!(
                "the rates of [[obd]] and [[did]] make {questions:.0} questions a second, and a controller that takes {} s answers {:.0}",
                set.answer_s,
                1.0 / set.answer_s
            );
            return Some((what, "lower rates, or the same rate for what can go into one question".to_owned()));
        }
        let share = 100.0 * bits / set.bitrate;
        (share > set.most_load_pct).then(|| {
            let what = format!(
                "the rates of [[obd]] and [[did]] would take {share:.1} % of a bus of {:.0} bit/s",
                set.bitrate
            );
            (what, format!("lower the rates; bus.most_load_pct allows {} %", set.most_load_pct))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn field(first: u8, last: u8, mask: u64, low_first: bool, signed: bool) -> Field {
        Field { first, last, mask, low_first, signed, resolution: 1.0, offset: 0.0 }
    }

    /// SAE J1939-71's own words for engine speed (SPN 190, from memory): bytes 4 to 5, 0.125 rpm a bit, low byte first.
    #[test]
    fn an_engine_speed_of_j1939() {
        let f = Field { resolution: 0.125, ..field(4, 5, 0xFFFF, true, false) };
        assert_eq!(f.value(&[0, 0, 0, 0x80, 0x25, 0, 0, 0]), Some(1200.0));
        assert_eq!(f.value(&[0, 0, 0, 1]), None);
    }

    #[test]
    fn bits_signs_and_orders() {
        assert_eq!(field(1, 2, 0xFFFF, false, true).value(&[0xFF, 0xFE]), Some(-2.0));
        assert_eq!(field(1, 1, 0x30, true, false).value(&[0x2F]), Some(2.0));
        assert_eq!(field(1, 1, 0x30, true, true).value(&[0x2F]), Some(-2.0));
        assert_eq!(field(1, 8, u64::MAX, true, true).value(&[0xFF; 8]), Some(-1.0));
        let taken: Vec<_> = field(2, 3, 0x0FF0, false, false).bits().collect();
        assert_eq!(taken, [(1, 0x0F), (2, 0xF0)]);
        let taken: Vec<_> = field(2, 3, 0x0FF0, true, false).bits().collect();
        assert_eq!(taken, [(1, 0xF0), (2, 0x0F)]);
    }

    #[test]
    fn what_goes_together_is_asked_together() {
        let obd = |pid, rate_hz| ObdSource { pid, channel: Channel::EngineRpm, rate_hz };
        // Seven PIDs of one rate: two questions.
        let all = BusSources {
            obd: (0..7).map(|_| obd(0x0C, 2.0)).chain([obd(0x0D, 0.5)]).collect(),
            ..BusSources::default()
        };
        assert_eq!(all.asked().0, 2.0 * 2.0 + 0.5);
    }
}
