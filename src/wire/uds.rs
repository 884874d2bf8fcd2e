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
    /// Service 19 04: a code, its status, and the records of what stood when it was stored, not yet told apart.
    Snapshots(Code, u8, Vec<u8>),
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
        [0x59, 0x04, a, b, c, status, rest @ ..] => match Code::from_three([*a, *b, *c]) {
            Some(code) => Ok(Answer::Snapshots(code, *status, rest.to_vec())),
            None => Err(Error::Short(message.len())),
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

/// One record of an answer of service 19 04: what stood when a code was stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Snapshot<'a> {
    /// Its number; 00 is the one that the law asks for.
    pub record: u8,
    /// Identifiers and their bytes.
    pub values: Vec<(u16, &'a [u8])>,
    /// Bytes behind the last identifier whose length is known, to the end of the answer: where a record ends is not
    /// said, so they cannot be told apart.
    pub unread: usize,
}

/// Tells the records of a service-19-04 answer apart, with the length of each identifier. Each is its number, how many
/// identifiers it has (0: not told), and these with their bytes.
pub fn snapshots(data: &[u8], length: impl Fn(u16) -> Option<usize>) -> Vec<Snapshot<'_>> {
    let mut rest = data;
    let mut all = Vec::new();
    while let Some(([record, count], after)) = rest.split_first_chunk::<2>() {
        let mut s = Snapshot { record: *record, values: Vec::new(), unread: 0 };
        rest = after;
        while !rest.is_empty() && (*count == 0 || s.values.len() < usize::from(*count)) {
            let value = rest.split_first_chunk::<2>().and_then(|(id, after)| {
                let id = u16::from_be_bytes(*id);
                Some((id, after.split_at_checked(length(id)?)?))
            });
            let Some((id, (bytes, after))) = value else {
                s.unread = rest.len();
                rest = &[];
                break;
            };
            s.values.push((id, bytes));
            rest = after;
        }
        all.push(s);
    }
    all
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

    #[test]
    fn what_stood_when_a_code_was_stored() {
        let bytes =
            [0x59, 0x04, 0x04, 0x56, 0x00, 0x89, 0x00, 2, 0xF4, 0x05, 0x82, 0xF4, 0x0C, 0x0B, 0xB8, 0x01, 1, 0xF4];
        let Ok(Answer::Snapshots(code, 0x89, data)) = answer(&bytes) else { panic!() };
        assert_eq!(code.to_string(), "P0456");
        let length = |id: u16| Some(super::super::obd::length(id as u8)).filter(|n| *n > 0 && id >> 8 == 0xF4);
        let values = vec![(0xF405, &[0x82][..]), (0xF40C, &[0x0B, 0xB8][..])];
        let first = Snapshot { record: 0, values: values.clone(), unread: 0 };
        let second = |unread| Snapshot { record: 1, values: Vec::new(), unread };
        assert_eq!(snapshots(&data, length), [first.clone(), second(1)], "cut short");
        assert_eq!(snapshots(&data[..9], length), [first]);
        // An identifier of unknown length: what is behind it cannot be told apart, what is before it is read.
        let own = [&data[..9], &[0x01, 3, 0xF4, 0x05, 0x82, 0x20, 0x11, 7, 0xF4, 0x0D, 50]].concat();
        let told = snapshots(&own, length);
        assert_eq!((told.len(), told[1].values.len(), told[1].unread), (2, 1, 6));
        assert_eq!(snapshots(&[0x00, 0, 0xF4, 0x05, 0x82], length)[0].values, [(0xF405, &[0x82][..])], "no count");
        assert_eq!(answer(&bytes[..6]), Ok(Answer::Snapshots(code, 0x89, vec![])), "none stored");
        assert_eq!(answer(&bytes[..5]), Err(Error::Short(5)));
        assert_eq!(answer(&[0x59, 0x04, 0, 0, 0, 0]), Err(Error::Short(6)), "no code");
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(m in proptest::collection::vec(any::<u8>(), 0..40)) {
            match answer(&m) {
                Ok(Answer::Data(d)) => drop(records(&d, |id| Some(usize::from(id & 3)))),
                Ok(Answer::Snapshots(_, _, d)) => drop(snapshots(&d, |id| Some(usize::from(id & 3)))),
                _ => {}
            }
        }
    }
}
