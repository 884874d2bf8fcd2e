//! A text-command adapter on a serial port: asks the vehicle what the poller wants, and is never shown as text.

use super::Error;
use super::asking::LAST_S;
use super::feed::Feed;
use super::serial::{READ, Serial};
use super::talker::{Do, Talker};
use crate::profile::Profile;
use crate::record::{Body, Event};
use std::io;
use std::sync::Arc;
use std::time::Duration;

/// An opened adapter.
pub(super) struct Adapter {
    port: Serial,
    talker: Talker,
}

impl Adapter {
    pub(super) fn open(path: &str, baud: Option<u32>, profile: &Arc<Profile>) -> Result<Adapter, Error> {
        let talker = Talker::new(profile, baud);
        Ok(Adapter { port: Serial::open(path, talker.baud())?, talker })
    }

    /// Asks and reads until it is to end.
    pub(super) fn run(self, mut feed: Feed) {
        let Adapter { port, mut talker } = self;
        port.run(&mut feed, |port, feed| serve(port, feed, &mut talker));
    }
}

/// Until it is to end, or the port fails.
fn serve(port: &mut Serial, feed: &mut Feed, talker: &mut Talker) -> io::Result<()> {
    talker.again(feed.now());
    let mut ending = None;
    loop {
        let at = feed.now();
        if feed.stopped() {
            let since = *ending.get_or_insert(at);
            talker.end(at);
            if talker.ended() || at.since(since) > LAST_S {
                return Ok(());
            }
        }
        if let Some(told) = feed.told() {
            talker.phase(at, told);
        }
        while let Some(what) = talker.due(at) {
            match what {
                Do::Baud(baud) => port.set_baud(baud)?,
                Do::Send(bytes) => {
                    port.send(feed, &bytes)?;
                }
            }
        }
        while let Some(detail) = talker.news() {
            feed.live(at, Body::Event(Event::Asking { detail }));
        }
        feed.say(talker.words(at));
        let wait = talker.wait().map_or(READ, |next| Duration::from_secs_f64(next.since(at).max(0.0)));
        let heard = port.hear(feed, wait.min(READ))?;
        talker.hear(feed.now(), heard);
    }
}
