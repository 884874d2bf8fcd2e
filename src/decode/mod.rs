//! Decode: records to readings, by profile.
//!
//! Nothing that cannot be read is passed over in silence: it is counted ([`Decoder::undecoded`]), the first of its
//! kind on each link becomes a [`Notice`], and [`Decoder::summary`] has all counts in words.

mod adapter_clock;
mod file_clock;
mod frames;
mod givers;
mod layout;
mod reading;
mod rows;
mod text;
mod values;

pub use file_clock::{FileClock, FileTime};
pub use layout::{Layout, TimeFrom};
pub use reading::Reading;
pub use rows::Fault;
pub use values::Who;

use crate::profile::Profile;
use crate::record::{Body, Event, LinkId, LinkInfo, Record};
use crate::time::Stamp;
use frames::Frames;
use givers::Givers;
use rows::Rows;
use std::sync::Arc;
use text::Text;

/// What the decoder makes of a record, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// Channels sampled at one moment.
    Reading(Reading),
    /// What a controller said of itself: codes, readiness, monitors, who it is.
    Word(Word),
    /// Something the timeline and the person must know.
    Notice(Notice),
}

/// A whole answer in which a controller speaks of itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Word {
    /// Capture time.
    pub at: Stamp,
    /// Of which link.
    pub link: LinkId,
    /// Who answers.
    pub who: Who,
    /// The message.
    pub message: Vec<u8>,
    /// The mask of status bits that service 19 was last asked for on this link, if this capture saw it.
    pub mask: Option<u8>,
}

/// Something noticed while decoding.
#[derive(Debug, Clone, PartialEq)]
pub struct Notice {
    /// Capture time.
    pub at: Stamp,
    /// Of which link.
    pub link: LinkId,
    /// What kind.
    pub kind: NoticeKind,
    /// In words, for people.
    pub text: String,
}

/// Kinds of notices.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoticeKind {
    /// A line, row or frame that could not be understood (counted, kept in the raw record).
    Undecoded,
    /// A column that is no channel, said once.
    UnknownColumn,
    /// The adapter's clock jumped backwards: it restarted.
    AdapterRestart,
    /// The time of rows stepped by more than the profile allows.
    ClockStep,
    /// Row times are assumed, not measured, said once.
    AssumedTime,
    /// An adapter told of readings that it took and could not send.
    AdapterLost,
    /// A value outside its channel's plausible range, said once a channel and dropped.
    Implausible,
}

/// Turns records into readings. It keeps what a link needs to be understood: the headings, half a line or message,
/// the adapter's clock.
pub struct Decoder {
    links: Vec<Speaks>,
    givers: Option<Givers>,
    /// Records of links and kinds that nobody here can read.
    strange: u64,
}

/// What a link speaks.
enum Speaks {
    Rows(Box<Rows>),
    Frames(Box<Frames>),
    Text(Box<Text>),
}

impl Decoder {
    /// For the links of a capture, numbered from 1.
    pub fn new(profile: Arc<Profile>, links: &[LinkInfo]) -> Decoder {
        let speaks = |(id, info): (LinkId, &LinkInfo)| match info.kind.as_str() {
            "can" | "slcan" => Speaks::Frames(Box::new(Frames::new(profile.clone(), id, info))),
            "adapter" => Speaks::Text(Box::new(Text::new(profile.clone(), id, info))),
            _ => Speaks::Rows(Box::new(Rows::new(profile.clone(), id, info))),
        };
        let givers = Givers::new(links, profile.set.phases.stale_s);
        Decoder { links: (1..).zip(links).map(speaks).collect(), givers, strange: 0 }
    }

    /// Takes the next record, in append order; adds what it holds to `out`. Times of a link never run backwards
    /// and are never later than the record's.
    pub fn record(&mut self, record: &Record, out: &mut Vec<Item>) {
        let before = out.len();
        let link = usize::from(record.link).checked_sub(1).and_then(|i| self.links.get_mut(i));
        match (&record.body, link) {
            (Body::Bytes(bytes), Some(Speaks::Rows(rows))) => rows.bytes(record.at, bytes, out),
            (Body::Bytes(bytes), Some(Speaks::Frames(frames))) => frames.bytes(record.at, bytes, out),
            (Body::Bytes(bytes), Some(Speaks::Text(text))) => text.bytes(record.at, bytes, out),
            (Body::Can(packet), Some(Speaks::Frames(frames))) => frames.packet(record.at, packet, out),
            (Body::Event(event), Some(link)) => link.event(record.at, event, out),
            // What the session lost may be of any link.
            (Body::Event(event @ Event::Gap { .. }), None) => {
                self.links.iter_mut().for_each(|l| l.event(record.at, event, out));
            }
            // What this program asked is nobody's answer, and tells what the answer is to.
            (Body::CanSent(packet), Some(Speaks::Frames(frames))) => frames.sent(packet),
            (Body::Event(_), None) => {}
            (Body::Can(_) | Body::CanSent(_), _) | (Body::Bytes(_), None) => self.strange += 1,
        }
        if let Some(givers) = self.givers.as_mut().filter(|_| out.len() > before) {
            givers.sift(before, out);
        }
    }

    /// Where the link is a file: the time of its last row that had one. A file's link stamps its records by this.
    pub fn file_time(&self) -> Stamp {
        match self.links.first() {
            Some(Speaks::Rows(rows)) => rows.file_time(),
            Some(Speaks::Frames(_) | Speaks::Text(_)) | None => Stamp::ZERO,
        }
    }

    /// Lines, rows and frames that were not understood, or not wholly, so far.
    pub fn undecoded(&self) -> u64 {
        let of = |link: &Speaks| match link {
            Speaks::Rows(rows) => rows.undecoded(),
            Speaks::Frames(frames) => frames.undecoded(),
            Speaks::Text(text) => text.undecoded(),
        };
        self.strange + self.links.iter().map(of).sum::<u64>()
    }

    /// What was not understood or not believed so far, a sentence a kind, with counts.
    pub fn summary(&self) -> Vec<String> {
        let of = |link: &Speaks| match link {
            Speaks::Rows(rows) => rows.summary(),
            Speaks::Frames(frames) => frames.summary(),
            Speaks::Text(text) => text.summary(),
        };
        let mut all: Vec<String> = self.links.iter().flat_map(of).collect();
        if self.strange > 0 {
            all.push(format!("{} records are of a link or kind that this build cannot read", self.strange));
        }
        all
    }
}

impl Speaks {
    fn event(&mut self, at: Stamp, event: &Event, out: &mut Vec<Item>) {
        match self {
            Speaks::Rows(rows) => rows.event(at, event, out),
            Speaks::Text(text) => text.event(at, event, out),
            Speaks::Frames(frames) => {
                if let Event::Sent { text } = event {
                    frames.sent_text(text);
                }
                if matches!(event, Event::Gap { .. } | Event::LinkUp { .. } | Event::LinkDown { .. }) {
                    frames.lost();
                }
            }
        }
    }
}

#[cfg(test)]
mod tests;
