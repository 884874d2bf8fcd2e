//! Serial-line CAN: an adapter on a serial port that passes the frames of a bus as lines of text (`wire::slcan`).
//!
//! It is opened listening only, so that a wrong bit rate disturbs nobody. Where no bit rate was named, those of
//! ISO 15765-4 are tried in turn until frames come. To ask, it is opened as a member of the bus once clean traffic has
//! proven the rate, and closed at the end.

use super::Error;
use super::asking::{Ask, Asking};
use super::feed::Feed;
use super::serial::{READ, Serial};
use super::teller::Teller;
use crate::profile::Profile;
use crate::time::Stamp;
use crate::wire::can_frame::{BUS_OFF, Frame, PASSIVE};
use crate::wire::slcan::{BusState, CLOSE, LISTEN, Lines, OPEN, Said, line, set_bitrate};
use std::io;
use std::sync::Arc;
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
    asking: Option<Asking>,
    /// The person says that the rate is right.
    at_once: bool,
}

impl Slcan {
    pub(super) fn open(
        path: &str,
        baud: u32,
        bitrate: Option<u32>,
        ask: Option<Ask>,
        profile: &Arc<Profile>,
    ) -> Result<Slcan, Error> {
        let port = Serial::open(path, baud)?;
        let ask = Ask::or_as(ask, profile);
        let rates = match bitrate {
            Some(named) => vec![named],
            // The profile's first.
            None => {
                let usual = profile.set.bus.bitrate as u32;
                let own = set_bitrate(usual).map(|_| usual);
                own.into_iter().chain(STANDARD.into_iter().filter(|r| *r != usual)).collect()
            }
        };
        Ok(Slcan { port, rates, asking: Asking::new(ask, profile), at_once: ask == Ask::AtOnce })
    }

    /// Reads and asks until it is to end.
    pub(super) fn run(self, mut feed: Feed) {
        let Slcan { port, rates, mut asking, at_once } = self;
        port.run(&mut feed, |port, feed| serve(port, feed, Channel::new(&rates, at_once), &mut asking));
    }
}

/// Until it is to end, or the port fails.
fn serve(port: &mut Serial, feed: &mut Feed, mut channel: Channel, asking: &mut Option<Asking>) -> io::Result<()> {
    if let Some(asking) = asking {
        asking.again();
    }
    loop {
        let over = asking.as_ref().is_none_or(|a| !channel.speaks() || a.ended(feed.now()));
        if feed.stopped() && over {
            break;
        }
        if let Some(asking) = asking.as_mut().filter(|a| a.proven()) {
            asking.bitrate(f64::from(channel.rate()));
            channel.speak();
        }
        if let Some(command) = channel.due(feed.now())
            && !port.send(feed, &command.bytes())?
        {
            feed.say("open, but the adapter takes no bytes");
        }
        let mut wait = READ;
        if let Some(asking) = asking.as_mut().filter(|_| channel.speaks()) {
            // Each is recorded already.
            while let Some(frame) = asking.next(feed.now(), feed) {
                if let Some(line) = line(&frame)
                    && !port.put(&line)?
                {
                    channel.teller.error("a question does not get out: the adapter takes no bytes");
                }
            }
            wait = asking.wait(feed.now(), READ);
        }
        let heard = port.hear(feed, wait)?;
        let at = feed.now();
        for frame in channel.hear(at, heard) {
            if let Some(asking) = asking {
                asking.frame(at, &frame);
            }
        }
        if let Some(words) = channel.words() {
            let does = asking.as_ref().filter(|_| channel.is_open()).map(|a| format!("; {}", a.words()));
            feed.say(words + &does.unwrap_or_default());
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
    Open,
}

impl Command {
    fn bytes(self) -> Vec<u8> {
        match self {
            Command::Close => CLOSE.to_vec(),
            Command::Rate(rate) => set_bitrate(rate).unwrap_or_default(),
            Command::Listen => LISTEN.to_vec(),
            Command::Open => OPEN.to_vec(),
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
const NO_LISTENING: &str = "the adapter cannot listen only, so it is not opened: at a wrong bit rate it would disturb the \
                            bus. Name the rate with bitrate= and ask=at_once once you know that it is right";
const NO_OPENING: &str = "the adapter does not open its channel for asking";

/// The channel: brought to listen, and watched.
struct Channel {
    rates: Vec<u32>,
    /// How often the bit rate was changed in search of the bus.
    turn: usize,
    /// To be opened as a member of the bus.
    speak: bool,
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
    fn new(rates: &[u32], speak: bool) -> Channel {
        Channel {
            rates: rates.to_vec(),
            turn: 0,
            speak,
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

    /// The bit rate is proven: questions may go out.
    fn speak(&mut self) {
        if !self.speak && self.step == Step::Open {
            (self.rates, self.turn) = (vec![self.rate()], 0);
            (self.speak, self.next) = (true, Some(Command::Close));
        }
    }

    fn is_open(&self) -> bool {
        self.step == Step::Open && self.next.is_none()
    }

    /// What is sent now reaches the bus.
    fn speaks(&self) -> bool {
        self.speak && self.is_open()
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
            (Command::Rate(_), true) => self.next = Some(if self.speak { Command::Open } else { Command::Listen }),
            (Command::Listen | Command::Open, true) => {
                (self.step, self.since) = (Step::Open, at);
                self.teller = Teller::new(Some(self.rate()));
            }
            (Command::Rate(_), false) => (self.step, self.since) = (Step::Refused(NO_RATE), at),
            (Command::Listen, false) => (self.step, self.since) = (Step::Refused(NO_LISTENING), at),
            (Command::Open, false) => (self.step, self.since) = (Step::Refused(NO_OPENING), at),
        }
    }

    /// Takes what was read; the frames in it.
    fn hear(&mut self, at: Stamp, mut bytes: &[u8]) -> Vec<Frame> {
        let mut frames = Vec::new();
        while let Some(said) = self.lines.next(&mut bytes) {
            match (said, self.step) {
                (Said::Frame(frame), Step::Open) => {
                    self.teller.hear(&frame);
                    self.heard = Some(at);
                    frames.push(frame);
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
        frames
    }

    /// How it is, if there is news.
    fn words(&mut self) -> Option<String> {
        let words = match self.step {
            Step::Told(_) => return None,
            Step::Refused(why) => why.to_owned(),
            Step::Open if self.teller.is_due() => {
                format!("open at {} bit/s: {}", self.rate(), self.teller.words(Instant::now()))
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
        let mut c = Channel::new(&[500_000, 250_000], false);
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
    fn to_ask_it_is_opened_anew_at_the_rate_that_was_proven() {
        let mut c = Channel::new(&[500_000, 250_000], false);
        obey(&mut c, 0.0, |_| b"\r");
        obey(&mut c, 3.1, |_| b"\r");
        c.hear(at(4.0), FRAME);
        assert!(!c.speaks());
        c.speak();
        let said = obey(&mut c, 6.0, |_| b"\r");
        assert_eq!(said, [Command::Close, Command::Rate(250_000), Command::Open]);
        assert!(c.speaks());
        c.speak();
        assert_eq!(c.due(at(7.0)), None, "once");
        // After a silence as well.
        assert_eq!(obey(&mut c, 60.0, |_| b"\r"), [Command::Close, Command::Rate(250_000), Command::Open]);
    }

    #[test]
    fn one_that_says_nothing_or_is_closed_already_is_opened_all_the_same() {
        let mut c = Channel::new(&[500_000], false);
        assert_eq!(obey(&mut c, 0.0, |c| if c == Command::Close { b"\x07" } else { b"\r" }).len(), 3);
        let mut c = Channel::new(&[500_000], false);
        let steps: Vec<Option<Command>> = (0..12).map(|i| c.due(at(f64::from(i) * 0.1))).collect();
        let said: Vec<Command> = steps.into_iter().flatten().collect();
        assert_eq!(said, [Command::Close, Command::Rate(500_000), Command::Listen]);
    }

    #[test]
    fn one_that_cannot_listen_only_stays_closed() {
        let mut c = Channel::new(&[500_000], false);
        let said = obey(&mut c, 0.0, |c| if c == Command::Listen { b"\x07" } else { b"\r" });
        assert_eq!(said.last(), Some(&Command::Listen));
        assert!(c.words().unwrap().starts_with("the adapter cannot listen only"));
        assert_eq!(c.words(), None, "said once");
        let mut c = Channel::new(&[500_000], false);
        obey(&mut c, 0.0, |c| if c == Command::Rate(500_000) { b"\x07" } else { b"\r" });
        assert!(c.words().unwrap().contains("bitrate="));
    }
}
