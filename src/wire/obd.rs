//! SAE J1979 (ISO 15031-5): answers of services 01, 02, 03, 06, 07, 09 and 0A taken apart, and the scaling of the
//! live data that this program uses. The standard is the oracle; figures are from memory of it where no other source
//! is named. Message bytes only: transport and addressing lie elsewhere.

use super::dtc::Code;

/// An answer, as far as it concerns this program.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// Live data (service 01): PIDs with their bytes.
    Live(Vec<(u8, Vec<u8>)>),
    /// Freeze frame (service 02): PID, frame, bytes.
    Frozen(u8, u8, Vec<u8>),
    /// Trouble codes of service 03, 07 or 0A.
    Codes(u8, Vec<Code>),
    /// Results of monitors (service 06).
    Monitors(Vec<Monitor>),
    /// A result of a test of the maker's own (service 06 before CAN).
    Makers(Makers),
    /// Which monitors (before CAN: tests of the maker's own) there are, from `0x00`, `0x20`, …: the first identifier and its mask.
    MonitorMask(u8, u32),
    /// Vehicle information (service 09): InfoType, number of items, the items' bytes.
    Info(u8, u8, Vec<u8>),
    /// The controller says no (to this service, for this reason).
    No(u8, u8),
}

/// One result of service 06 as sent: 16-bit figures with a unit-and-scaling number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Monitor {
    /// Monitor identifier (0x39 to 0x3D: fuel vapour).
    pub monitor: u8,
    /// Test identifier, the maker's own from 0x80.
    pub test: u8,
    /// Unit and scaling.
    pub scaling: u8,
    /// Result.
    pub value: u16,
    /// Lowest that passes.
    pub low: u16,
    /// Highest that passes.
    pub high: u16,
}

/// One result of service 06 as vehicles before CAN send it: tests, components and scaling are the maker's own, and no
/// number of them means a monitor of the standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Makers {
    /// Test.
    pub test: u8,
    /// Component or part of the test, 7 bits.
    pub component: u8,
    /// The limit is the lowest that passes; else the highest.
    pub least: bool,
    /// Result.
    pub value: u16,
    /// Limit.
    pub limit: u16,
}

/// Why bytes are no answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Too short for its service.
    #[error("an answer of {0} bytes is too short for its service")]
    Short(usize),
    /// A PID whose length is not known: what follows cannot be told apart.
    #[error("PID {0:02X} has no length in the standard's table: the rest of the answer cannot be read")]
    Length(u8),
    /// Not an answer of these services.
    #[error("{0:02X} answers no service that was asked")]
    Service(u8),
}

/// Bytes of a PID of service 01; 0 for those this table does not have. 00 to 5F of SAE J1979, from memory.
pub fn length(pid: u8) -> usize {
    match pid {
        0x00 | 0x01 | 0x20 | 0x24..=0x2B | 0x34..=0x3B | 0x40 | 0x41 | 0x4F | 0x50 | 0x60 | 0x80 | 0xA0 | 0xC0 => 4,
        0x02 | 0x03 | 0x0C | 0x10 | 0x14..=0x1B | 0x1F | 0x21..=0x23 | 0x31 | 0x32 | 0x3C..=0x3F => 2,
        0x42..=0x44 | 0x4D | 0x4E | 0x53..=0x59 | 0x5D | 0x5E => 2,
        0x04..=0x0B | 0x0D..=0x0F | 0x11..=0x13 | 0x1C..=0x1E | 0x2C..=0x30 | 0x33 => 1,
        0x45..=0x4C | 0x51 | 0x52 | 0x5A..=0x5C | 0x5F => 1,
        _ => 0,
    }
}

/// How PID 54 is to be read: editions of the standard differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Pid54 {
    /// Two's complement, pascals.
    #[default]
    Signed,
    /// An older edition: 256A + B − 32767 Pa.
    Offset,
}

/// The value of a live datum in the unit of its channel; nothing for a PID this program has no use for or for the wrong
/// number of bytes. `full_scale_kpa` is PID 4F's fourth byte times ten where the vehicle has it (manifold only).
pub fn value(pid: u8, data: &[u8], pid_54: Pid54, full_scale_kpa: Option<f64>) -> Option<f64> {
    if data.len() != length(pid) {
        return None;
    }
    let a = f64::from(*data.first()?);
    let word = data.get(1).map_or(0, |b| u16::from_be_bytes([data[0], *b]));
    let (w, signed) = (f64::from(word), f64::from(word.cast_signed()));
    Some(match pid {
        // Engine coolant, intake air, ambient air: °C.
        0x05 | 0x0F | 0x46 => a - 40.0,
        // Fuel trims, bank 1: %.
        0x06 | 0x07 => a * 100.0 / 128.0 - 100.0,
        // Manifold: kPa absolute.
        0x0B => full_scale_kpa.map_or(a, |full| a * full / 255.0),
        // rpm.
        0x0C => w / 4.0,
        // km/h; since engine start, s.
        0x0D => a,
        0x1F => w,
        // Commanded purge, fuel level: %.
        0x2E | 0x2F => a * 100.0 / 255.0,
        // Vapour pressure: Pa gauge.
        0x32 => signed / 4.0,
        // Barometer: kPa.
        0x33 => a,
        // Controller supply: V.
        0x42 => w / 1000.0,
        // Absolute vapour pressure: kPa.
        0x53 => w / 200.0,
        // Vapour pressure, wide range: Pa gauge.
        0x54 => match pid_54 {
            Pid54::Signed => signed,
            Pid54::Offset => w - 32767.0,
        },
        _ => return None,
    })
}

/// The PIDs (or monitors, or InfoTypes) that a mask of four bytes says there are, from `first` + 1 on.
pub fn supported(first: u8, mask: u32) -> impl Iterator<Item = u8> {
    (1..=32u8).filter(move |i| mask & (1 << (32 - i)) != 0).filter_map(move |i| first.checked_add(i))
}

/// Takes an answer apart.
pub fn answer(message: &[u8]) -> Result<Answer, Error> {
    let short = Err(Error::Short(message.len()));
    match message {
        [0x7F, service, why, ..] => Ok(Answer::No(*service, *why)),
        [0x41, rest @ ..] if !rest.is_empty() => live(rest).map(Answer::Live),
        [0x42, pid, frame, data @ ..] => Ok(Answer::Frozen(*pid, *frame, data.to_vec())),
        // On CAN a count comes first; the older buses send three codes a message and no count.
        [kind @ (0x43 | 0x47 | 0x4A), rest @ ..] => {
            let codes = if rest.len() % 2 == 1 { rest.get(1..).unwrap_or_default() } else { rest };
            let told = (rest.len() % 2 == 1).then(|| usize::from(rest[0]));
            let codes: Vec<Code> = codes.chunks_exact(2).filter_map(|c| Code::from_word([c[0], c[1]])).collect();
            match told {
                Some(n) if codes.len() < n => short,
                Some(n) => Ok(Answer::Codes(kind - 0x40, codes[..n].to_vec())),
                None => Ok(Answer::Codes(kind - 0x40, codes)),
            }
        }
        // Before CAN, in a message of seven bytes: filler before the mask; the limit's kind in the component's top bit.
        [0x46, first, a, b, c, d] | [0x46, first, 0xFF, a, b, c, d] if first.is_multiple_of(0x20) => {
            Ok(Answer::MonitorMask(*first, u32::from_be_bytes([*a, *b, *c, *d])))
        }
        [0x46, test, kind, a, b, c, d] if !test.is_multiple_of(0x20) => Ok(Answer::Makers(Makers {
            test: *test,
            component: kind & 0x7F,
            least: kind & 0x80 != 0,
            value: u16::from_be_bytes([*a, *b]),
            limit: u16::from_be_bytes([*c, *d]),
        })),
        [0x46, rest @ ..] if !rest.is_empty() && rest.len().is_multiple_of(9) => Ok(Answer::Monitors(
            rest.chunks_exact(9)
                .map(|r| Monitor {
                    monitor: r[0],
                    test: r[1],
                    scaling: r[2],
                    value: u16::from_be_bytes([r[3], r[4]]),
                    low: u16::from_be_bytes([r[5], r[6]]),
                    high: u16::from_be_bytes([r[7], r[8]]),
                })
                .collect(),
        )),
        // A mask of InfoTypes has no count.
        [0x49, kind, data @ ..] if kind.is_multiple_of(0x20) && data.len() == 4 => {
            Ok(Answer::Info(*kind, 1, data.to_vec()))
        }
        [0x49, kind, count, data @ ..] => Ok(Answer::Info(*kind, *count, data.to_vec())),
        [0x41 | 0x42 | 0x46 | 0x49 | 0x7F, ..] | [] => short,
        [other, ..] => Err(Error::Service(*other)),
    }
}

fn live(mut rest: &[u8]) -> Result<Vec<(u8, Vec<u8>)>, Error> {
    let whole = rest.len();
    let mut all = Vec::new();
    while let Some((&pid, after)) = rest.split_first() {
        let n = match length(pid) {
            // One PID alone needs no table.
            0 if all.is_empty() && whole > 1 => after.len(),
            0 => return Err(Error::Length(pid)),
            n => n,
        };
        let Some((data, after)) = after.split_at_checked(n) else { return Err(Error::Short(whole + 1)) };
        all.push((pid, data.to_vec()));
        rest = after;
    }
    Ok(all)
}

/// A figure of service 06 in its unit, by the unit-and-scaling number (SAE J1979 appendix E; from memory, only those a
/// vapour monitor may use). Numbers from 0x80 are two's complement.
pub fn scaled(scaling: u8, raw: u16) -> Option<(f64, &'static str)> {
    let (factor, offset, unit) = match scaling {
        0x01 | 0x81 => (1.0, 0.0, ""),
        0x02 | 0x82 => (0.1, 0.0, ""),
        0x03 | 0x83 => (0.01, 0.0, ""),
        0x04 | 0x84 => (0.001, 0.0, ""),
        0x07 => (0.25, 0.0, "rpm"),
        0x0A | 0x8A => (0.000_122, 0.0, "V"),
        0x0B | 0x8B => (0.001, 0.0, "V"),
        0x0C | 0x8C => (0.01, 0.0, "V"),
        0x0D | 0x8D => (0.003_906_25, 0.0, "mA"),
        0x0E | 0x8E => (0.001, 0.0, "A"),
        0x10 | 0x90 => (0.001, 0.0, "s"),
        0x11 => (0.1, 0.0, "s"),
        0x12 => (1.0, 0.0, "s"),
        0x13 => (0.001, 0.0, "ohm"),
        0x14 => (1.0, 0.0, "ohm"),
        0x16 => (0.1, -40.0, "°C"),
        0x96 => (0.1, 0.0, "°C"),
        0x17 => (0.01, 0.0, "kPa"),
        0x18 => (0.011_7, 0.0, "kPa"),
        0x19 => (0.079, 0.0, "kPa"),
        0x1A => (1.0, 0.0, "kPa"),
        0x99 => (0.1, 0.0, "kPa"),
        0x24 => (1.0, 0.0, "counts"),
        0x29 | 0xA9 => (0.25, 0.0, "Pa/s"),
        0x32 => (0.000_030_5, 0.0, "in"),
        0x34 => (1.0, 0.0, "min"),
        0x2F | 0xAF => (0.01, 0.0, "%"),
        0x30 => (0.001_526, 0.0, "%"),
        0xB0 => (0.003_052, 0.0, "%"),
        0xFC => (0.01, 0.0, "kPa"),
        0xFD => (0.001, 0.0, "kPa"),
        0xFE => (0.25, 0.0, "Pa"),
        _ => return None,
    };
    let number = if scaling >= 0x80 { f64::from(raw.cast_signed()) } else { f64::from(raw) };
    Some((number * factor + offset, unit))
}

/// What a vapour monitor of service 06 watches, by its identifier.
pub fn monitor_words(monitor: u8) -> Option<&'static str> {
    Some(match monitor {
        0x39 => "cap off, 0.150 in",
        0x3A => "leak of 0.090 in",
        0x3B => "leak of 0.040 in",
        0x3C => "leak of 0.020 in",
        0x3D => "purge flow",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn live_value(pid: u8, data: &[u8]) -> f64 {
        value(pid, data, Pid54::Signed, None).unwrap()
    }

    /// Ends of the ranges as SAE J1979's own table states them for each PID (from memory): lowest, highest.
    #[test]
    fn every_datum_spans_the_range_of_the_standards_table() {
        let table: [(u8, f64, f64); 13] = [
            (0x05, -40.0, 215.0),
            (0x06, -100.0, 99.22),
            (0x07, -100.0, 99.22),
            (0x0B, 0.0, 255.0),
            (0x0C, 0.0, 16383.75),
            (0x0D, 0.0, 255.0),
            (0x0F, -40.0, 215.0),
            (0x1F, 0.0, 65535.0),
            (0x2E, 0.0, 100.0),
            (0x2F, 0.0, 100.0),
            (0x33, 0.0, 255.0),
            (0x42, 0.0, 65.535),
            (0x53, 0.0, 327.675),
        ];
        for (pid, low, high) in table {
            let n = length(pid);
            assert!((live_value(pid, &vec![0; n]) - low).abs() < 0.005, "{pid:02X}");
            assert!((live_value(pid, &vec![0xFF; n]) - high).abs() < 0.005, "{pid:02X}");
        }
        // Two's complement: −8192 to 8191.75 Pa, −32768 to 32767 Pa; the older edition of 54 from −32767 to 32768.
        assert_eq!((live_value(0x32, &[0x80, 0]), live_value(0x32, &[0x7F, 0xFF])), (-8192.0, 8191.75));
        assert_eq!((live_value(0x54, &[0x80, 0]), live_value(0x54, &[0x7F, 0xFF])), (-32768.0, 32767.0));
        assert_eq!(value(0x54, &[0, 0], Pid54::Offset, None), Some(-32767.0));
        assert_eq!(value(0x0B, &[255], Pid54::Signed, Some(500.0)), Some(500.0));
        assert_eq!(value(0x0C, &[1], Pid54::Signed, None), None);
    }

    #[test]
    fn several_data_in_one_answer() {
        let got = answer(&[0x41, 0x0C, 0x0B, 0xB8, 0x0D, 0x32, 0x2E, 0x80]).unwrap();
        let Answer::Live(all) = got else { panic!("{got:?}") };
        let values: Vec<f64> = all.iter().map(|(p, d)| live_value(*p, d)).collect();
        assert_eq!(values[..2], [750.0, 50.0]);
        assert!((values[2] - 50.2).abs() < 0.01);
        assert_eq!(answer(&[0x41, 0x0C, 0x0B]), Err(Error::Short(3)));
        assert_eq!(answer(&[0x41, 0x0D, 1, 0xF0, 2]), Err(Error::Length(0xF0)));
    }

    #[test]
    fn which_data_there_are() {
        let told: Vec<u8> = supported(0x00, 0xBE1F_A813).collect();
        assert_eq!(told, [1, 3, 4, 5, 6, 7, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x20]);
        assert_eq!(supported(0xE0, 1).count(), 0, "nothing lies beyond FF");
    }

    #[test]
    fn codes_with_and_without_a_count() {
        let p0442 = Code::from_word([0x04, 0x42]).unwrap();
        assert_eq!(answer(&[0x43, 1, 0x04, 0x42]), Ok(Answer::Codes(3, vec![p0442])));
        assert_eq!(answer(&[0x43, 0]), Ok(Answer::Codes(3, vec![])));
        assert_eq!(answer(&[0x47, 0x04, 0x42, 0, 0, 0, 0]), Ok(Answer::Codes(7, vec![p0442])), "padded with nothing");
        assert_eq!(answer(&[0x43, 2, 0x04, 0x42]), Err(Error::Short(4)));
    }

    #[test]
    fn monitors_and_no() {
        let got = answer(&[0x46, 0x3C, 0x81, 0xFE, 0xFF, 0x00, 0xFC, 0x18, 0x00, 0x00]).unwrap();
        let Answer::Monitors(m) = got else { panic!("{got:?}") };
        assert_eq!(scaled(m[0].scaling, m[0].value), Some((-64.0, "Pa")));
        assert_eq!(scaled(m[0].scaling, m[0].low), Some((-250.0, "Pa")));
        assert_eq!(answer(&[0x46, 0x20, 0, 0, 0, 0x40]), Ok(Answer::MonitorMask(0x20, 0x40)));
        assert_eq!(answer(&[0x7F, 0x09, 0x78]), Ok(Answer::No(9, 0x78)));
        assert_eq!(answer(&[0x44]), Err(Error::Service(0x44)));
    }

    /// SAE J1979 before CAN (from memory): test, kind of limit and component, value, limit; bit 7 clear is the highest
    /// that passes, set the lowest.
    #[test]
    fn results_of_the_makers_own_tests() {
        let highest = Makers { test: 0x05, component: 0x10, least: false, value: 0x0123, limit: 0x0200 };
        assert_eq!(answer(&[0x46, 0x05, 0x10, 0x01, 0x23, 0x02, 0x00]), Ok(Answer::Makers(highest)));
        let lowest = Makers { test: 0x3C, component: 0x01, least: true, value: 9, limit: 0xFFFF };
        assert_eq!(answer(&[0x46, 0x3C, 0x81, 0x00, 0x09, 0xFF, 0xFF]), Ok(Answer::Makers(lowest)), "no monitor 3C");
        assert_eq!(answer(&[0x46, 0x00, 0xFF, 0x88, 0, 0, 0]), Ok(Answer::MonitorMask(0, 0x8800_0000)));
        for odd in
            [&[0x46, 0x05, 0x10, 0x01, 0x23, 0x02][..], &[0x46, 0x00, 0x10, 1, 2, 3, 4], &[0x46, 5, 1, 1, 1, 1, 1, 1]]
        {
            assert_eq!(answer(odd), Err(Error::Short(odd.len())), "{odd:02X?}");
        }
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(m in proptest::collection::vec(any::<u8>(), 0..40)) {
            if let Ok(Answer::Live(all)) = answer(&m) {
                let bytes: usize = all.iter().map(|(_, d)| d.len() + 1).sum();
                prop_assert_eq!(bytes + 1, m.len());
            }
        }
    }
}
