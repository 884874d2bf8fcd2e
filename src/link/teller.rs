//! How a bus is, in words: frames a second, load, and the last error.

use crate::wire::can_frame::{Frame, Id, Kind, error_words};
use std::time::{Duration, Instant};

/// An error of the bus is shown for so long after it was last heard.
const SHOWN: Duration = Duration::from_secs(5);

/// Says how the bus is.
pub(super) struct Teller {
    bitrate: Option<u32>,
    since: Instant,
    frames: u32,
    bits: u64,
    heard: bool,
    error: Option<(Instant, String)>,
    fresh: bool,
}

impl Teller {
    pub(super) fn new(bitrate: Option<u32>) -> Teller {
        let since = Instant::now();
        Teller { bitrate, since, frames: 0, bits: 0, heard: false, error: None, fresh: false }
    }

    pub(super) fn hear(&mut self, frame: &Frame) {
        if let Kind::Error(class) = frame.kind {
            let mut words = error_words(class, frame.bytes());
            if words.is_empty() {
                words.push("the driver reports an error that has no name");
            }
            self.error(&words.join("; "));
        } else {
            self.fresh |= !self.heard;
            self.heard = true;
            self.frames += 1;
            self.bits += bits(frame);
        }
    }

    pub(super) fn error(&mut self, words: &str) {
        self.fresh |= self.error.as_ref().is_none_or(|e| e.1 != words);
        self.error = Some((Instant::now(), words.to_owned()));
    }

    /// Once a second, and when there is news.
    pub(super) fn is_due(&self) -> bool {
        self.fresh || self.since.elapsed() >= Duration::from_secs(1)
    }

    pub(super) fn words(&mut self, now: Instant) -> String {
        let seconds = now.duration_since(self.since).as_secs_f64().max(1e-3);
        let rate = f64::from(self.frames) / seconds;
        // A first frame alone makes no rate.
        let measured = seconds >= 1.0;
        let mut words = match (self.heard, self.frames) {
            (false, _) => "up, no frame heard yet".to_owned(),
            (true, 0) if measured => "up, the bus is silent".to_owned(),
            (true, _) if measured => format!("receiving {rate:.0} frames a second"),
            (true, _) => "receiving".to_owned(),
        };
        if let Some(bitrate) = self.bitrate.filter(|_| measured && self.frames > 0) {
            let load = self.bits as f64 / seconds / f64::from(bitrate) * 100.0;
            words += &format!(", at least {load:.0} % of the bus");
        }
        self.error = self.error.take().filter(|e| now.duration_since(e.0) < SHOWN);
        if let Some((_, error)) = &self.error {
            words = format!("{error} ({words})");
        }
        if measured {
            (self.since, self.frames, self.bits) = (now, 0, 0);
        }
        self.fresh = false;
        words
    }
}

/// Bits of a frame on the bus with the pause behind it, without stuffing (ISO 11898-1, from memory: 47 around the data of
/// a frame with an 11-bit identifier, 67 with 29 bits). Those of CAN FD run at two rates and count as classic ones.
fn bits(frame: &Frame) -> u64 {
    let around = match frame.id {
        Id::Standard(_) => 47,
        Id::Extended(_) => 67,
    };
    around + 8 * frame.bytes().len() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_state_is_told_in_words() {
        let mut t = Teller::new(Some(500_000));
        let at = |s: f64| t.since + Duration::from_secs_f64(s);
        let (soon, second, third, later) = (at(0.2), at(1.0), at(2.0), at(9.0));
        assert_eq!(t.words(soon), "up, no frame heard yet");
        let frame = Frame::data(Id::Standard(1), &[0; 8]).unwrap();
        t.hear(&frame);
        assert!(t.is_due());
        assert_eq!(t.words(soon), "receiving");
        for _ in 1..1000 {
            t.hear(&frame);
        }
        // 111 bits a frame.
        assert_eq!(t.words(second), "receiving 1000 frames a second, at least 22 % of the bus");
        t.hear(&Frame::error(0x20, [0; 8]));
        assert!(t.is_due());
        assert_eq!(
            t.words(third),
            "nobody acknowledges: a wrong bit rate, or nothing else is on the bus (up, the bus is silent)"
        );
        assert_eq!(t.words(later), "up, the bus is silent");
    }
}
