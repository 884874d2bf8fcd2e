//! Serial-line CAN: an adapter on a serial port that passes the frames of a bus as lines of text (`wire::slcan`).
//!
//! It is opened listening only, so that a wrong bit rate disturbs nobody. Where no bit rate was named, those of
//! ISO 15765-4 are tried in turn until frames come.

use super::Error;
use super::feed::Feed;
use super::serial::{READ, Serial};
use super::teller::Teller;
use crate::profile::Profile;
use crate::time::Stamp;
use crate::wire::can_frame::{BUS_OFF, PASSIVE};
use crate::wire::slcan::{BusState, CLOSE, LISTEN, Lines, Said, set_bitrate};
use std::io;
use std::time::Instant;

/// Bit rates that ISO 15765-4 knows.
const STANDARD: [u32; 2] = [500_000, 250_000];
/// An adapter that says neither yes nor no has done what it was told after this long, seconds.
const ANSWER_S: f64 = 0.3;
/// A bit rate at which nothing was heard for so long is left for the next one; longer once all were tried twice.
const TRY_S: (f64, f64) = (3.0, 10.0);
/// A channel that was silent for so long is opened again: the adapter may have restarted, and its channel be closed.
const SILENT_S: f64 = 30.0;

/// An opened adapter.
pub(super) struct Slcan {
    port: Serial,
    /// Bit rates to try; one that was named is the only one.
    rates: Vec<u32>,
}

impl Slcan {
    pub(super) fn open(path: &str, baud: u32, bitrate: Option<u32>, profile: &Profile) -> Result<Slcan, Error> {
        let port = Serial::open(path, baud)?;
        let rates = match bitrate {
            Some(named) => vec![named],
            // The profile's first.
            None => {
                let usual = profile.set.bus.bitrate as u32;
                let own = set_bitrate(usual).map(|_| usual);
                own.into_iter().chain(STANDARD.into_iter().filter(|r| *r != usual)).collect()
            }
        };
        Ok(Slcan { port, rates })
    }

    /// Reads until it is to end.
    pub(super) fn run(self, mut feed: Feed) {
        let Slcan { port, rates } = self;
        port.run(&mut feed, |port, feed| serve(port, feed, &rates));
    }
}

/// Until it is to end, or the port fails.
fn serve(port: &mut Serial, feed: &mut Feed, rates: &[u32]) -> io::Result<()> {
    let mut channel = Channel::new(rates);
    while !feed.stopped() {
        if let Some(command) = channel.due(feed.now())
            && !port.send(feed, &command.bytes())?
        {
            feed.say("open, but the adapter takes no bytes");
        }
        let heard = port.hear(feed, READ)?;
        channel.hear(feed.now(), heard);
        if let Some(words) = channel.words() {
            feed.say(words);
        }
    }
    // A channel left open would acknowledge frames, or fill a buffer, until the plug is pulled.
    port.send(feed, &Command::Close.bytes())?;
    Ok(())
}

/// All that is said to the adapter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Command {
    Close,
    Rate(u32),
    Listen,
}

impl Command {
    fn bytes(self) -> Vec<u8> {
        match self {
            Command::Close => CLOSE.to_vec(),
            Command::Rate(rate) => set_bitrate(rate).unwrap_or_default(),
            Command::Listen => LISTEN.to_vec(),
        }
    }
}

/// How far the channel is.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Step {
    /// Told, and not answered yet.
    Told(Command),
    /// Open.
    Open,
    /// Not to be opened, and why.
    Refused(&'static str),
}

const NO_RATE: &str = "the adapter does not take this bit rate; name another with bitrate=";
const NO_LISTENING: &str =
    "the adapter cannot listen only, so it is not opened: at a wrong bit rate it would disturb the bus";

/// The channel: brought to listen, and watched.
struct Channel {
    rates: Vec<u32>,
    /// How often the bit rate was changed in search of the bus.
    turn: usize,
    step: Step,
    since: Stamp,
    next: Option<Command>,
    lines: Lines,
    /// The last frame at this bit rate.
    heard: Option<Stamp>,
    teller: Teller,
    told: Option<String>,
}

impl Channel {
    fn new(rates: &[u32]) -> Channel {
        Channel {
            rates: rates.to_vec(),
            turn: 0,
            step: Step::Told(Command::Close),
            since: Stamp::ZERO,
            // It may have been left open, at another bit rate.
            next: Some(Command::Close),
            lines: Lines::default(),
            heard: None,
            teller: Teller::new(None),
            told: None,
        }
    }

    fn rate(&self) -> u32 {
        self.rates.get(self.turn % self.rates.len().max(1)).copied().unwrap_or(STANDARD[0])
    }

    /// What is to be said to the adapter now.
    fn due(&mut self, at: Stamp) -> Option<Command> {
        let waited = at.since(self.since);
        match self.step {
            Step::Told(command) if self.next.is_none() && waited > ANSWER_S => self.answered(at, true, command),
            Step::Told(_) => {}
            Step::Open | Step::Refused(_) => self.look(at, waited),
        }
        let next = self.next.take()?;
        (self.step, self.since) = (Step::Told(next), at);
        Some(next)
    }

    /// Whether an open channel is to be opened anew.
    fn look(&mut self, at: Stamp, open_for: f64) {
        let dwell = if self.turn < 2 * self.rates.len() { TRY_S.0 } else { TRY_S.1 };
        match self.heard {
            None if self.rates.len() > 1 && open_for > dwell => self.turn += 1,
            last if at.since(last.unwrap_or(self.since)) > SILENT_S => {}
            _ => return,
        }
        // A bit rate that was proven stays so while the bus sleeps.
        if self.heard.is_some() {
            (self.rates, self.turn) = (vec![self.rate()], 0);
        }
        self.heard = None;
        self.next = Some(Command::Close);
    }

    /// The adapter has done what it was told, or not.
    fn answered(&mut self, at: Stamp, yes: bool, command: Command) {
        match (command, yes) {
            // Closed already is as good.
            (Command::Close, _) => self.next = Some(Command::Rate(self.rate())),
            (Command::Rate(_), true) => self.next = Some(Command::Listen),
            (Command::Listen, true) => {
                (self.step, self.since) = (Step::Open, at);
                self.teller = Teller::new(Some(self.rate()));
            }
            (Command::Rate(_), false) => (self.step, self.since) = (Step::Refused(NO_RATE), at),
            (Command::Listen, false) => (self.step, self.since) = (Step::Refused(NO_LISTENING), at),
        }
    }

    fn hear(&mut self, at: Stamp, mut bytes: &[u8]) {
        while let Some(said) = self.lines.next(&mut bytes) {
            match (said, self.step) {
                (Said::Frame(frame), Step::Open) => {
                    self.teller.hear(&frame);
                    self.heard = Some(at);
                }
                (Said::Yes | Said::No, Step::Told(command)) if self.next.is_none() => {
                    self.answered(at, said == Said::Yes, command);
                }
                (Said::State(BusState::Off, ..), _) => self.teller.error(BUS_OFF),
                (Said::State(BusState::Passive, ..), _) => self.teller.error(PASSIVE),
                (Said::Errors(_), _) => self.teller.error("errors on the bus: a wrong bit rate, or a bad line"),
                _ => {}
            }
        }
    }

    /// How it is, if there is news.
    fn words(&mut self) -> Option<String> {
        let words = match self.step {
            Step::Told(_) => return None,
            Step::Refused(why) => why.to_owned(),
            Step::Open if self.teller.is_due() => {
                format!("listening at {} bit/s: {}", self.rate(), self.teller.words(Instant::now()))
            }
            Step::Open => return None,
        };
        (self.told.as_ref() != Some(&words)).then(|| self.told.insert(words).clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: f64) -> Stamp {
        Stamp::from_secs(s)
    }

    /// An adapter that answers at once.
    fn obey(c: &mut Channel, from: f64, says: impl Fn(Command) -> &'static [u8]) -> Vec<Command> {
        let mut said = Vec::new();
        while let Some(command) = c.due(at(from)) {
            said.push(command);
            c.hear(at(from), says(command));
        }
        said
    }

    const FRAME: &[u8] = b"t7E8803410C0BB8CCCCCC\r";

    #[test]
    fn it_is_opened_listening_and_a_proven_bit_rate_is_kept() {
        let mut c = Channel::new(&[500_000, 250_000]);
        let all = |rate| [Command::Close, Command::Rate(rate), Command::Listen];
        assert_eq!(obey(&mut c, 0.0, |_| b"\r"), all(500_000));
        assert_eq!(c.due(at(2.9)), None);
        // Nothing there: the next rate, and round again.
        assert_eq!(obey(&mut c, 3.1, |_| b"\r"), all(250_000));
        assert_eq!(obey(&mut c, 6.3, |_| b"\r"), all(500_000));
        c.hear(at(7.0), FRAME);
        assert_eq!(obey(&mut c, 36.9, |_| b"\r"), []);
        // Thirty silent seconds: opened anew, as it may have restarted, at the rate that was right.
        for s in [37.1, 80.0, 120.0] {
            assert_eq!(obey(&mut c, s, |_| b"\r"), all(500_000));
        }
    }

    #[test]
    fn one_that_says_nothing_or_is_closed_already_is_opened_all_the_same() {
        let mut c = Channel::new(&[500_000]);
        assert_eq!(obey(&mut c, 0.0, |c| if c == Command::Close { b"\x07" } else { b"\r" }).len(), 3);
        let mut c = Channel::new(&[500_000]);
        let steps: Vec<Option<Command>> = (0..12).map(|i| c.due(at(f64::from(i) * 0.1))).collect();
        let said: Vec<Command> = steps.into_iter().flatten().collect();
        assert_eq!(said, [Command::Close, Command::Rate(500_000), Command::Listen]);
    }

    #[test]
    fn one_that_cannot_listen_only_stays_closed() {
        let mut c = Channel::new(&[500_000]);
        let said = obey(&mut c, 0.0, |c| if c == Command::Listen { b"\x07" } else { b"\r" });
        assert_eq!(said.last(), Some(&Command::Listen));
        assert!(c.words().unwrap().starts_with("the adapter cannot listen only"));
        assert_eq!(c.words(), None, "said once");
        let mut c = Channel::new(&[500_000]);
        obey(&mut c, 0.0, |c| if c == Command::Rate(500_000) { b"\x07" } else { b"\r" });
        assert!(c.words().unwrap().contains("bitrate="));
    }
}
