//! A bench adapter on a serial port: read, ask for the header, come back after an unplugged cable.

use super::Error;
use super::feed::Feed;
use super::serial::{READ, Serial};
use crate::wire::bench_line::{ASK_HEADER, Belief, Line, Lines, checked, is_header};
use crate::wire::table::{Header, number};
use std::io;
use std::time::{Duration, Instant};

/// An opened adapter.
pub(super) struct Bench(Serial);

impl Bench {
    pub(super) fn open(path: &str, baud: u32) -> Result<Bench, Error> {
        Serial::open(path, baud).map(Bench)
    }

    /// Reads until it is to end.
    pub(super) fn run(self, mut feed: Feed) {
        self.0.run(&mut feed, serve);
    }
}

/// Until it is to end, or the port fails.
fn serve(port: &mut Serial, feed: &mut Feed) -> io::Result<()> {
    feed.say("open, waiting for the header");
    let mut asker = Asker::default();
    while !feed.stopped() {
        if asker.asks(Instant::now()) {
            port.send(feed, ASK_HEADER)?;
        }
        let words = asker.hear(port.hear(feed, READ)?);
        if let Some(words) = words {
            feed.say(words);
        }
    }
    Ok(())
}

/// Decides when to ask for the header: until it is believed, after a restart, and after lines that make no sense.
#[derive(Default)]
struct Asker {
    lines: Lines,
    belief: Belief,
    check: bool,
    last_time: f64,
    asked: Option<Instant>,
    /// Times asked in vain.
    vain: u32,
    doubt: Option<Doubt>,
}

#[derive(Clone, Copy, PartialEq)]
enum Doubt {
    Garbage,
    Restart,
}

impl Asker {
    /// Takes what was read; words if the link's state changed.
    fn hear(&mut self, mut bytes: &[u8]) -> Option<&'static str> {
        let mut words = None;
        while let Some(line) = self.lines.next(&mut bytes) {
            let Line::Whole(text) = line else {
                self.doubt = self.doubt.or(Some(Doubt::Garbage));
                continue;
            };
            if text.trim_ascii().is_empty() {
                continue;
            }
            if is_header(text) {
                self.vain = 0;
                self.belief.hear(text);
                if self.belief.holds() {
                    self.check = Header::parse(text).is_ok_and(|h| h.crc);
                    words = Some("receiving");
                } else {
                    words = Some("heard a header once, asking again");
                }
            } else if self.belief.holds() {
                let time = text.split(|&b| b == b',').next().and_then(number).filter(|t| t.is_finite());
                match time.filter(|_| !self.check || checked(text).is_some()) {
                    None => self.doubt = self.doubt.or(Some(Doubt::Garbage)),
                    Some(t) => {
                        if t < self.last_time {
                            self.doubt = Some(Doubt::Restart);
                        }
                        self.last_time = t;
                    }
                }
            }
        }
        words
    }

    /// Whether to ask now; counts on being obeyed.
    fn asks(&mut self, now: Instant) -> bool {
        let pause = match (self.belief.holds(), self.doubt) {
            (false, _) if self.vain < 10 => Duration::from_secs(1),
            (false, _) => Duration::from_secs(10),
            (true, Some(Doubt::Restart)) => Duration::from_secs(1),
            (true, Some(Doubt::Garbage)) => Duration::from_secs(10),
            (true, None) => return false,
        };
        if self.asked.is_some_and(|asked| now < asked + pause) {
            return false;
        }
        self.asked = Some(now);
        self.vain += u32::from(!self.belief.holds());
        self.doubt = None;
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn asks_until_the_header_came_twice_and_again_when_in_doubt() {
        let mut a = Asker::default();
        let begun = Instant::now();
        let at = |s: f64| begun + Duration::from_secs_f64(s);
        assert!(a.asks(at(0.0)));
        assert!(!a.asks(at(0.9)));
        assert_eq!(a.hear(b"boot\ntime_s,key,crc\n"), Some("heard a header once, asking again"));
        assert!(a.asks(at(1.1)));
        assert_eq!(a.hear(b"time_s,key,crc\r\n"), Some("receiving"));
        assert!(!a.asks(at(100.0)));
        let mut row = Vec::new();
        crate::wire::bench_line::write_line(["7.5", "1"], true, &mut row);
        a.hear(&row);
        assert!(!a.asks(at(101.0)));
        // A damaged row: ask, but not at every one.
        a.hear(b"7.6,1,0000\n");
        assert!(a.asks(at(102.0)));
        a.hear(b"7.7,1,0000\n");
        assert!(!a.asks(at(103.0)));
        assert!(a.asks(at(113.0)));
        // A restart.
        row.clear();
        crate::wire::bench_line::write_line(["0.5", "1"], true, &mut row);
        a.hear(&row);
        assert!(a.asks(at(115.0)));
        assert!(!a.asks(at(120.0)));
        // Another header: rows are doubtful until it came again.
        a.hear(b"time_s,kex,crc\n");
        assert!(a.asks(at(121.0)));
        a.hear(b"time_s,key,crc\n");
        assert!(!a.asks(at(140.0)));
    }

    #[test]
    fn a_mute_adapter_is_asked_ever_more_rarely() {
        let mut a = Asker::default();
        let begun = Instant::now();
        let asked = (0..600).filter(|s| a.asks(begun + Duration::from_secs(*s))).count();
        assert!((60..=75).contains(&asked), "{asked}");
    }
}
