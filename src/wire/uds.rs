//! ISO 14229-1, as far as reading goes: answers of services 22 (data by identifier) and 19 (trouble codes), and of SAE
//! J1979-2, which asks by them. A data identifier F4xx holds PID xx of service 01, F6xx monitor xx, F8xx InfoType xx.
//! Figures from memory of the standards.

use super::dtc::Code;

/// An answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// Service 22: identifiers and bytes, not yet told apart (their lengths are the asker's knowledge).
    Data(Vec<u8>),
    /// Service 19: which report, and codes with their status.
    Codes(u8, Vec<(Code, u8)>),
    /// No: to this service, for this reason.
    No(u8, u8),
    /// "I heard, and need longer" (7F xx 78).
    Later(u8),
}

/// Why bytes are no answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// Too short for its service.
    #[error("an answer of {0} bytes is too short for its service")]
    Short(usize),
    /// Not an answer of these services.
    #[error("{0:02X} answers no service that was asked")]
    Service(u8),
}

/// "Response pending".
pub const PENDING: u8 = 0x78;

/// Takes an answer apart.
pub fn answer(message: &[u8]) -> Result<Answer, Error> {
    match message {
        [0x7F, service, PENDING, ..] => Ok(Answer::Later(*service)),
        [0x7F, service, why, ..] => Ok(Answer::No(*service, *why)),
        [0x62, data @ ..] if data.len() >= 2 => Ok(Answer::Data(data.to_vec())),
        // Report 02: availability mask, then code (3) and status (1). Report 42 has functional group, two masks and the
        // code format first, and severity before each code; 55 has group, availability and format first, and is read
        // with and without severity, since libraries and our memory of the standard disagree.
        [0x59, 0x02, _, rest @ ..] => codes(0x02, rest, 4, 0),
        [0x59, 0x42, _, _, _, _, rest @ ..] => codes(0x42, rest, 5, 1),
        [0x59, 0x55, _, _, _, rest @ ..] => match codes(0x55, rest, 4, 0) {
            Ok(Answer::Codes(_, all)) if all.len() == rest.len() / 4 && all.iter().all(|c| c.1 != 0) => {
                Ok(Answer::Codes(0x55, all))
            }
            short => codes(0x55, rest, 5, 1).or(short),
        },
        [0x59 | 0x62 | 0x7F, ..] | [] => Err(Error::Short(message.len())),
        [other, ..] => Err(Error::Service(*other)),
    }
}

fn codes(report: u8, rest: &[u8], each: usize, at: usize) -> Result<Answer, Error> {
    if !rest.len().is_multiple_of(each) {
        return Err(Error::Short(rest.len()));
    }
    let all = rest.chunks_exact(each).filter_map(|r| {
        let c = r.get(at..at + 4)?;
        Some((Code::from_three([c[0], c[1], c[2]])?, c[3]))
    });
    Ok(Answer::Codes(report, all.collect()))
}

/// Tells the records of a service-22 answer apart, with the length of each identifier asked for; nothing if the bytes
/// do not fit.
pub fn records(data: &[u8], length: impl Fn(u16) -> Option<usize>) -> Option<Vec<(u16, &[u8])>> {
    let mut rest = data;
    let mut all = Vec::new();
    while let Some((id, after)) = rest.split_first_chunk::<2>() {
        let id = u16::from_be_bytes(*id);
        let n = length(id)?;
        all.push((id, after.get(..n)?));
        rest = &after[n..];
    }
    rest.is_empty().then_some(all)
}

/// A reason for "no" in words.
pub fn no_words(why: u8) -> &'static str {
    match why {
        0x10 => "it rejects the request",
        0x11 => "it does not know the service",
        0x12 => "it does not know this kind of request",
        0x13 => "it finds the request too long or too short",
        0x14 => "the answer would be too long",
        0x21 => "it is busy",
        0x22 => "conditions are not right",
        0x31 => "it does not have this",
        0x33 => "it wants to be unlocked first, which this program never does",
        0x78 => "it needs longer",
        0x7E | 0x7F => "not in its present session",
        _ => "it refuses",
    }
}

/// Bits of a code's status.
pub mod status {
    /// The last test failed.
    pub const FAILED: u8 = 0x01;
    /// Failed in this or the last driving cycle.
    pub const PENDING: u8 = 0x04;
    /// Confirmed: stored.
    pub const CONFIRMED: u8 = 0x08;
    /// The lamp is asked for.
    pub const LAMP: u8 = 0x80;
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn data_pending_and_no() {
        assert_eq!(answer(&[0x7F, 0x22, 0x78]), Ok(Answer::Later(0x22)));
        assert_eq!(answer(&[0x7F, 0x22, 0x31]), Ok(Answer::No(0x22, 0x31)));
        assert!(no_words(0x31).contains("does not have"));
        let Ok(Answer::Data(data)) = answer(&[0x62, 0xF4, 0x0C, 0x0B, 0xB8, 0xF4, 0x0D, 0x32]) else { panic!() };
        let told = records(&data, |id| Some(super::super::obd::length(id as u8)));
        assert_eq!(told, Some(vec![(0xF40C, &[0x0B, 0xB8][..]), (0xF40D, &[0x32][..])]));
        assert_eq!(records(&data[..3], |_| Some(2)), None);
        assert_eq!(answer(&[0x62]), Err(Error::Short(1)));
        assert_eq!(answer(&[0x6E, 0, 0]), Err(Error::Service(0x6E)));
    }

    #[test]
    fn codes_with_status() {
        let p0456 = Code::from_three([0x04, 0x56, 0]).unwrap();
        let both = status::CONFIRMED | status::FAILED;
        assert_eq!(answer(&[0x59, 0x02, 0xFF, 0x04, 0x56, 0x00, 0x09]), Ok(Answer::Codes(2, vec![(p0456, both)])));
        let bytes = [0x59, 0x42, 0x33, 0xFF, 0xFF, 0x04, 0x20, 0x04, 0x56, 0x00, 0x09];
        assert_eq!(answer(&bytes), Ok(Answer::Codes(0x42, vec![(p0456, 9)])));
        let bytes = [0x59, 0x55, 0x33, 0xFF, 0x04, 0x04, 0x56, 0x00, 0x09];
        assert_eq!(answer(&bytes), Ok(Answer::Codes(0x55, vec![(p0456, 9)])));
        let bytes = [0x59, 0x55, 0x33, 0xFF, 0x04, 0x20, 0x04, 0x56, 0x00, 0x09];
        assert_eq!(answer(&bytes), Ok(Answer::Codes(0x55, vec![(p0456, 9)])));
        assert_eq!(answer(&[0x59, 0x02, 0xFF]), Ok(Answer::Codes(2, vec![])));
        assert_eq!(answer(&[0x59, 0x02, 0xFF, 4]), Err(Error::Short(1)));
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(m in proptest::collection::vec(any::<u8>(), 0..40)) {
            if let Ok(Answer::Data(d)) = answer(&m) {
                let _ = records(&d, |id| Some(usize::from(id & 3)));
            }
        }
    }
}
