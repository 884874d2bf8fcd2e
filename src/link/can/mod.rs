//! A CAN interface of the kernel: listen to every frame, say what the errors mean, ask the vehicle what the poller wants,
//! come back after the interface went down.
//!
//! The bit rate is the interface's own setting, made by whoever brings it up; this program does not change it. Whether the
//! controller may acknowledge and send (`listen-only`) is changed where the program may, and only to ask: it listens only
//! until the bit rate is proven, speaks then, and the interface is left as it was found.

mod iface;
mod socket;

pub use iface::{bring_up, describe, list_can};

use super::Error;
use super::asking::{Ask, Asking};
use super::feed::Feed;
use super::teller::Teller;
use crate::profile::Profile;
use crate::record::{Body, Event};
use crate::time::Stamp;
use crate::wire::can_frame::Frame;
pub(super) use iface::check;
use iface::{Losses, forbidden, listen_only, listens_only};
use nix::errno::Errno;
use socket::{MTU, READ, capture_time, packet, readable, receive, send};
use socketcan::{CanFdSocket, CanFilter};
use std::io;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// While frames come without a pause, questions wait no longer than this for what was heard before them.
const BACKLOG: Duration = Duration::from_millis(10);

/// An opened interface.
pub(super) struct Can {
    iface: String,
    /// As the person said it.
    told: Option<u32>,
    /// That, or else the interface's own.
    bitrate: Option<u32>,
    socket: CanFdSocket,
    /// What is taken from the kernel, if not all.
    filters: Option<Vec<CanFilter>>,
    asking: Option<Asking>,
    mode: Mode,
    mute_said: bool,
}

/// The interface's listen-only mode, set back when this is dropped.
struct Mode {
    iface: String,
    /// As it was found; nothing where there is no such mode, or nothing is to be asked.
    found: Option<bool>,
    now: Option<bool>,
    /// The program may not set it.
    forbidden: bool,
}

impl Mode {
    fn of(iface: &str, asks: bool) -> Mode {
        let found = asks.then(|| listens_only(iface)).flatten();
        Mode { iface: iface.to_owned(), found, now: found, forbidden: false }
    }

    /// True if it changed.
    fn set(&mut self, on: bool) -> bool {
        if self.now.is_none_or(|now| now == on) || self.forbidden {
            return false;
        }
        match listen_only(&self.iface, on) {
            Ok(()) => self.now = Some(on),
            Err(e) => self.forbidden = forbidden(&e),
        }
        self.now == Some(on)
    }

    /// It may send.
    fn speaks(&self) -> bool {
        self.now != Some(true)
    }
}

impl Drop for Mode {
    fn drop(&mut self) {
        if let Some(found) = self.found {
            self.set(found);
        }
    }
}

impl Can {
    pub(super) fn open(
        iface: &str,
        bitrate: Option<u32>,
        ask: Option<Ask>,
        wanted: bool,
        profile: &Arc<Profile>,
    ) -> Result<Can, Error> {
        let wrong = |what| Error::Can { iface: iface.to_owned(), what };
        check(iface).map_err(wrong)?;
        let ask = Ask::or_as(ask, profile);
        let mut mode = Mode::of(iface, ask != Ask::No);
        mode.set(ask == Ask::Yes);
        let filters = wanted.then(|| socket::wanted(profile)).flatten();
        let socket = open(iface, filters.as_deref()).map_err(wrong)?;
        let asking = Asking::new(ask, profile);
        let iface = iface.to_owned();
        let mut can = Can { iface, told: bitrate, bitrate, socket, filters, asking, mode, mute_said: false };
        can.find_bitrate();
        Ok(can)
    }

    fn find_bitrate(&mut self) {
        self.bitrate = self.told.or_else(|| iface::bitrate(&self.iface));
        if let (Some(asking), Some(bitrate)) = (&mut self.asking, self.bitrate) {
            asking.bitrate(f64::from(bitrate));
        }
    }

    /// Reads until it is to end. An interface that goes away is opened again by its name.
    pub(super) fn run(mut self, mut feed: Feed) {
        self.watch(&mut feed);
        // The interface is left as it was found before the session hears that this link has ended.
        drop(self);
        drop(feed);
    }

    fn watch(&mut self, feed: &mut Feed) {
        self.up(feed);
        loop {
            let Err(why) = self.serve(feed) else { return };
            let last = feed.last();
            let why = match why.raw_os_error() {
                // What is removed is set down first.
                Some(e) if [Errno::ENETDOWN as i32, Errno::ENODEV as i32].contains(&e) => {
                    "it was set down or removed".to_owned()
                }
                _ => why.to_string(),
            };
            feed.say(format!("{} is gone ({why}); {}", self.iface, bring_up(&self.iface)));
            let at = feed.now();
            feed.wait(at, Body::Event(Event::LinkDown { detail: format!("{} is gone: {why}", self.iface) }));
            let Some(socket) = feed.retry(|| open(&self.iface, self.filters.as_deref())) else { return };
            self.socket = socket;
            if let Some(asking) = &mut self.asking {
                asking.again();
            }
            self.listen_first();
            let at = feed.now();
            let cause = format!("{} was gone: {why}", self.iface);
            feed.wait(at, Body::Event(Event::Gap { from_ns: last.0, to_ns: at.0, count: 0, cause }));
            self.up(feed);
        }
    }

    /// Whoever brought the interface up again set it as they want it, perhaps at another rate: it is found anew, and only
    /// listens until that is proven.
    fn listen_first(&mut self) {
        self.mode.found = None;
        self.mode = Mode::of(&self.iface, self.asking.is_some());
        self.mute_said = false;
        self.find_bitrate();
        let proven = self.asking.as_ref().is_none_or(Asking::proven);
        if !proven
            && self.mode.set(true)
            && let Ok(socket) = open(&self.iface, self.filters.as_deref())
        {
            // If not, reading tells why.
            self.socket = socket;
        }
    }

    fn up(&self, feed: &mut Feed) {
        let rate = self.bitrate.map_or(String::new(), |b| format!(", {b} bit/s"));
        let does = match (&self.asking, self.mode.now, self.mode.forbidden) {
            (None, ..) => "listening",
            (Some(a), ..) if a.proven() => "asking at once",
            (Some(_), Some(false), true) => {
                "asking once the bit rate is proven; not listen-only until then, which takes the privilege CAP_NET_ADMIN"
            }
            (Some(_), Some(true), _) => "listen-only until the bit rate is proven, then asking",
            (Some(_), ..) => "listening until the bit rate is proven, then asking",
        };
        let at = feed.now();
        let some = if self.filters.is_some() { ", only frames that the profile knows" } else { "" };
        feed.wait(at, Body::Event(Event::LinkUp { detail: format!("{}{rate}{some}, {does}", self.iface) }));
        feed.say("up, no frame heard yet");
    }

    /// Until it is to end, or the interface fails.
    fn serve(&mut self, feed: &mut Feed) -> io::Result<()> {
        let mut teller = Teller::new(self.bitrate);
        let mut losses = Losses::new(&self.iface);
        let mut room = nix::cmsg_space!(nix::sys::time::TimeSpec, u32);
        let mut asked = Instant::now();
        loop {
            let over = self.asking.as_ref().is_none_or(|a| a.ended(feed.now()) || self.is_mute(a));
            if feed.stopped() && over {
                break;
            }
            let there = match &self.asking {
                // Reading waits by itself.
                None => true,
                Some(asking) => readable(&self.socket, asking.wait(feed.now(), READ))?,
            };
            let mut heard_at = None;
            if there {
                let mut raw = [0; MTU.1];
                if let Some(heard) = receive(&self.socket, &mut raw, &mut room)? {
                    let at = capture_time(feed, heard.stamp_ns);
                    losses.of_socket(feed, at, heard.overflows);
                    let Some(packet) = packet(&raw[..heard.len]) else {
                        return Err(io::Error::other("the kernel gave a frame of an unknown length"));
                    };
                    if let Ok(frame) = Frame::decode(&packet) {
                        teller.hear(&frame);
                        if let Some(asking) = &mut self.asking {
                            asking.frame(at, &frame);
                        }
                    }
                    feed.live(at, Body::Can(packet));
                    heard_at = Some(at);
                }
            }
            // An answer that waits in the socket must not count as missing: first all that was heard, then what to ask.
            if self.asking.is_some() && (heard_at.is_none() || asked.elapsed() > BACKLOG) {
                asked = Instant::now();
                self.ask(heard_at.unwrap_or_else(|| feed.now()), feed, &mut teller, &mut losses)?;
            }
            if teller.is_due() {
                losses.of_interface(feed);
                let words = teller.words(Instant::now());
                feed.say(match self.asking.as_ref().map(|a| self.told(a)) {
                    Some(does) => format!("{words}; {does}"),
                    None => words,
                });
            }
        }
        losses.of_interface(feed);
        Ok(())
    }

    /// Sends what is due.
    fn ask(&mut self, at: Stamp, feed: &mut Feed, teller: &mut Teller, losses: &mut Losses) -> io::Result<()> {
        let Some(asking) = &mut self.asking else { return Ok(()) };
        if asking.proven() && !self.mode.speaks() {
            if !self.mode.set(false) {
                if !std::mem::replace(&mut self.mute_said, true) {
                    let detail = self.mute();
                    feed.live(feed.now(), Body::Event(Event::Asking { detail }));
                }
                return Ok(());
            }
            // The interface was down for a moment, and its socket with it.
            let last = feed.last();
            self.socket = socket::open(&self.iface, self.filters.as_deref())?;
            losses.new_socket();
            let now = feed.now();
            let cause = format!("{} was set to speak: the bit rate is proven", self.iface);
            feed.wait(now, Body::Event(Event::Gap { from_ns: last.0, to_ns: now.0, count: 0, cause }));
        }
        while let Some(frame) = asking.next(at, feed) {
            if let Err(e) = send(&self.socket, &frame) {
                match e.raw_os_error() {
                    Some(e) if [Errno::ENOBUFS as i32, Errno::EAGAIN as i32].contains(&e) => {
                        teller.error("a question does not get out: nobody acknowledges, or the bus is full");
                    }
                    _ => return Err(e),
                }
            }
        }
        Ok(())
    }

    fn told(&self, asking: &Asking) -> String {
        if self.is_mute(asking) { self.mute() } else { asking.words() }
    }

    fn is_mute(&self, asking: &Asking) -> bool {
        asking.proven() && !self.mode.speaks()
    }

    /// Why nothing is asked though the bit rate is proven, and what a person can do.
    fn mute(&self) -> String {
        format!(
            "the bit rate is proven, but {0} only listens and this program may not change that: set it down, `ip link set \
             {0} type can listen-only off`, and set it up; it goes on by itself",
            self.iface
        )
    }
}

/// Opens an interface; else what is missing and how to bring it.
fn open(iface: &str, filters: Option<&[CanFilter]>) -> Result<CanFdSocket, String> {
    check(iface)?;
    socket::open(iface, filters).map_err(|e| e.to_string())
}
