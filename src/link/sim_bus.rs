//! The simulated vehicle reached as a real one is: over its bus, by the same conversations, on simulated time.
//!
//! The judge's word does not come back to who asks here: at a pace of its own it would come late, and differ from run to
//! run.

use super::feed::{Feed, Pace};
use super::talker::{Do, Talker};
use crate::poll::{Asker, Proof};
use crate::profile::Profile;
use crate::record::{Body, Event};
use crate::sim::bus::{Device, Outing, SerialCan, TextAdapter};
use crate::time::Stamp;
use crate::wire::slcan::{self, Lines, Said};
use std::sync::Arc;

/// What stands between the tool and the simulated vehicle's bus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Via {
    /// A CAN interface.
    Can,
    /// A serial-line CAN adapter.
    Slcan,
    /// A text-command adapter.
    Adapter,
}

/// The words by which a way is chosen; they are also the kinds of link that records are of.
pub const VIAS: [(&str, Via); 3] = [("can", Via::Can), ("slcan", Via::Slcan), ("adapter", Via::Adapter)];

impl Via {
    /// Its word.
    pub fn name(self) -> &'static str {
        VIAS.iter().find(|v| v.1 == self).map_or("", |v| v.0)
    }
}

/// A second in which nothing else was recorded gets a tick, as a live session gives it.
const TICK_S: f64 = 1.0;
/// A text adapter's conversation is looked after this often, s.
const LOOK_S: f64 = 0.1;
/// So long after the last command to open a serial-line channel, s.
const OPENING_S: f64 = 0.05;

/// Plays the day and asks until it is over.
pub(super) fn run(via: Via, outing: Outing, seed: u64, profile: &Arc<Profile>, feed: Feed, pace: Pace) {
    let mut log = Log { feed, pace, last: Stamp::ZERO };
    log.feed.say("playing");
    let asker = Asker::new(profile, Proof::new(profile.set.bus.listen_s));
    let over = match via {
        Via::Can => frames(outing, asker, &mut log),
        Via::Slcan => lines(SerialCan::new(outing), asker, &mut log),
        Via::Adapter => text(TextAdapter::new(outing, seed), Talker::new(profile, None), &mut log),
    };
    if over.is_some() {
        log.feed.say("the day is over");
    }
}

/// Hands records over, in order of their times and at the pace that was asked for.
struct Log {
    feed: Feed,
    pace: Pace,
    last: Stamp,
}

impl Log {
    /// Nothing if nobody wants it any more.
    fn put(&mut self, at: Stamp, body: Body) -> Option<()> {
        self.last = self.last.max(at);
        (self.pace.wait(self.last, &self.feed) && self.feed.wait(self.last, body)).then_some(())
    }

    fn event(&mut self, at: Stamp, event: Event) -> Option<()> {
        self.put(at, Body::Event(event))
    }

    /// When the next tick is due.
    fn tick(&self) -> Stamp {
        self.last.plus(TICK_S)
    }

    /// Until when time may go on, if the conversation wants to be looked after at `wait`.
    fn until(&self, now: Stamp, wait: Option<Stamp>) -> Stamp {
        // What is due and did not come is due again in a while.
        wait.map_or(self.tick(), |w| w.min(self.tick())).max(now.plus(0.001))
    }

    /// Nothing came until now.
    fn idle(&mut self, now: Stamp) -> Option<()> {
        if now >= self.tick() { self.event(now, Event::Tick) } else { Some(()) }
    }
}

fn frames(mut outing: Outing, mut asker: Asker, log: &mut Log) -> Option<()> {
    log.event(outing.now(), Event::LinkUp { detail: "the simulated vehicle's bus".to_owned() })?;
    loop {
        let now = outing.now();
        while let Some(frame) = asker.due(now) {
            log.put(now, Body::CanSent(frame.packet()))?;
            outing.frame(now, &frame);
        }
        says(&mut asker, now, log)?;
        match outing.next(log.until(now, asker.wait())) {
            Some((at, frame)) => {
                log.put(at, Body::Can(frame.packet()))?;
                asker.frame(at, &frame);
            }
            None if outing.done() => return Some(()),
            None => log.idle(outing.now())?,
        }
    }
}

/// What the poller does from now on.
fn says(asker: &mut Asker, now: Stamp, log: &mut Log) -> Option<()> {
    while let Some(detail) = asker.news() {
        log.event(now, Event::Asking { detail })?;
    }
    log.feed.say(asker.words());
    Some(())
}

fn lines(mut device: SerialCan, mut asker: Asker, log: &mut Log) -> Option<()> {
    log.event(Stamp::ZERO, Event::LinkUp { detail: "a simulated serial-line adapter".to_owned() })?;
    let mut heard = Lines::default();
    // Listening until the bit rate is proven, then a member of the bus.
    let rate = slcan::set_bitrate(500_000).unwrap_or_default();
    let mut commands = vec![slcan::LISTEN.to_vec(), rate, slcan::CLOSE.to_vec()];
    let (mut open, mut not_before) = (false, Stamp::ZERO);
    loop {
        let now = device.outing().now();
        if now >= not_before {
            if let Some(bytes) = commands.pop() {
                tell(&mut device, now, &bytes, log)?;
                not_before = now.plus(OPENING_S);
            } else if !open && asker.proof().proven() {
                open = true;
                commands = vec![slcan::OPEN.to_vec(), slcan::CLOSE.to_vec()];
                not_before = now;
            } else if open {
                while let Some(frame) = asker.due(now) {
                    log.put(now, Body::CanSent(frame.packet()))?;
                    device.bytes(now, &slcan::line(&frame).unwrap_or_default());
                }
            }
        }
        says(&mut asker, now, log)?;
        let wait = if commands.is_empty() { asker.wait() } else { Some(not_before) };
        match device.next(log.until(now, wait)) {
            Some((at, bytes)) => {
                let mut rest = &bytes[..];
                while let Some(said) = heard.next(&mut rest) {
                    if let Said::Frame(frame) = said {
                        asker.frame(at, &frame);
                    }
                }
                log.put(at, Body::Bytes(bytes))?;
            }
            None if device.done() => return Some(()),
            None => log.idle(device.outing().now())?,
        }
    }
}

fn text(mut device: TextAdapter, mut talker: Talker, log: &mut Log) -> Option<()> {
    log.event(Stamp::ZERO, Event::LinkUp { detail: "a simulated text adapter".to_owned() })?;
    talker.again(Stamp::ZERO);
    loop {
        let now = device.outing().now();
        while let Some(what) = talker.due(now) {
            match what {
                // It takes any.
                Do::Baud(_) => {}
                Do::Send(bytes) => tell(&mut device, now, &bytes, log)?,
            }
        }
        while let Some(detail) = talker.news() {
            log.event(now, Event::Asking { detail })?;
        }
        log.feed.say(talker.words(now));
        let wait = talker.wait().map_or(now.plus(LOOK_S), |w| w.min(now.plus(LOOK_S)));
        match device.next(log.until(now, Some(wait))) {
            Some((at, bytes)) => {
                talker.hear(at, &bytes);
                log.put(at, Body::Bytes(bytes))?;
            }
            None if device.done() => return Some(()),
            None => log.idle(device.outing().now())?,
        }
    }
}

/// Says something to an adapter, its own command or a question in its words.
fn tell(device: &mut dyn Device, now: Stamp, bytes: &[u8], log: &mut Log) -> Option<()> {
    log.event(now, Event::Sent { text: String::from_utf8_lossy(bytes).into_owned() })?;
    device.bytes(now, bytes);
    Some(())
}
