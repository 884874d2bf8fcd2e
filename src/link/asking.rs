//! What links that move CAN frames share when they ask a vehicle: whether to ask, what goes into the record before it is
//! sent, and what the person is told.

use super::feed::Feed;
use crate::poll::{Asker, Proof, may_go};
use crate::profile::Profile;
use crate::record::{Body, Event};
use crate::time::Stamp;
use crate::wire::can_frame::Frame;
use std::sync::Arc;
use std::time::Duration;

/// Whether a link asks the vehicle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ask {
    /// It listens only.
    No,
    /// It asks once clean traffic has proven the bit rate.
    Yes,
    /// It asks at once: the person says that the bit rate is right.
    AtOnce,
}

impl Ask {
    /// What the key `ask` takes.
    pub(super) const RIGHT: &str = "yes, no, or at_once where the bit rate is known to be right";

    /// Reads the key's value.
    pub(super) fn read(value: &str) -> Option<Ask> {
        match value {
            "no" => Some(Ask::No),
            "yes" => Some(Ask::Yes),
            "at_once" => Some(Ask::AtOnce),
            _ => None,
        }
    }

    /// Without a word of the person: it asks if the profile has something to ask for.
    pub(super) fn or_as(ask: Option<Ask>, profile: &Profile) -> Ask {
        let wanted = !profile.bus.obd.is_empty() || !profile.bus.did.is_empty();
        ask.unwrap_or(if wanted { Ask::Yes } else { Ask::No })
    }
}

/// The last questions at the end of a capture take no longer, seconds.
pub(super) const LAST_S: f64 = 2.5;

/// The asking half of a link.
pub(super) struct Asking {
    asker: Asker,
    ask: Ask,
    listen_s: f64,
    ending: Option<Stamp>,
}

impl Asking {
    /// Nothing for a link that only listens.
    pub(super) fn new(ask: Ask, profile: &Arc<Profile>) -> Option<Asking> {
        if ask == Ask::No {
            return None;
        }
        let listen_s = profile.set.bus.listen_s;
        Some(Asking { asker: Asker::new(profile, proof(ask, listen_s)), ask, listen_s, ending: None })
    }

    /// The link was opened, or opened again: the bit rate is to be proven anew.
    pub(super) fn again(&mut self) {
        self.asker.again(proof(self.ask, self.listen_s));
    }

    /// The bit rate of the bus, where it is known.
    pub(super) fn bitrate(&mut self, bitrate: f64) {
        self.asker.bitrate(bitrate);
    }

    /// The bit rate is known to be right.
    pub(super) fn proven(&self) -> bool {
        self.asker.proof().proven()
    }

    /// A frame was heard.
    pub(super) fn frame(&mut self, at: Stamp, frame: &Frame) {
        self.asker.frame(at, frame);
    }

    /// The next frame to send, recorded already. `at`: what was heard until then is known to the asker.
    pub(super) fn next(&mut self, at: Stamp, feed: &mut Feed) -> Option<Frame> {
        if let Some(told) = feed.told() {
            self.asker.phase(at, told);
        }
        if feed.stopped() && self.ending.is_none() {
            self.ending = Some(at);
            self.asker.end(at);
        }
        self.tell(feed);
        let frame = self.asker.due(at);
        self.tell(feed);
        let frame = frame.filter(may_go)?;
        // What finds no room in the record does not leave.
        let now = feed.now();
        feed.kept(now, Body::CanSent(frame.packet())).then_some(frame)
    }

    fn tell(&mut self, feed: &mut Feed) {
        while let Some(detail) = self.asker.news() {
            let now = feed.now();
            feed.live(now, Body::Event(Event::Asking { detail }));
        }
    }

    /// How long to wait for frames before there may be something to send.
    pub(super) fn wait(&self, now: Stamp, most: Duration) -> Duration {
        self.asker.wait().map_or(most, |w| Duration::from_secs_f64(w.since(now).max(0.0)).min(most))
    }

    /// To be called once the link is to end: the last questions are through, or it took too long.
    pub(super) fn ended(&self, at: Stamp) -> bool {
        self.ending.is_some_and(|since| self.asker.ended() || at.since(since) > LAST_S)
    }

    /// What it does, in words.
    pub(super) fn words(&self) -> String {
        self.asker.words()
    }
}

fn proof(ask: Ask, listen_s: f64) -> Proof {
    if ask == Ask::AtOnce { Proof::known() } else { Proof::new(listen_s) }
}
