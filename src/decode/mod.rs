//! Decode: records to readings, by profile.
//!
//! Nothing that cannot be read is passed over in silence: it is counted ([`Decoder::undecoded`]), the first of its
//! kind on each link becomes a [`Notice`], and [`Decoder::summary`] has all counts in words.

mod adapter_clock;
mod file_clock;
mod layout;
mod reading;
mod rows;

pub use file_clock::{FileClock, FileTime};
pub use layout::{Layout, TimeFrom};
pub use reading::Reading;
pub use rows::Fault;

use crate::profile::Profile;
use crate::record::{Body, Event, LinkId, LinkInfo, Record};
use crate::time::Stamp;
use rows::Rows;
use std::sync::Arc;

/// What the decoder makes of a record, in order.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// Channels sampled at one moment.
    Reading(Reading),
    /// Something the timeline and the person must know.
    Notice(Notice),
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

/// Turns records into readings. It keeps what a link needs to be understood: the headings, half a line, the
/// adapter's clock.
pub struct Decoder {
    links: Vec<Rows>,
    /// Records of links and kinds that nobody here can read.
    strange: u64,
}

impl Decoder {
    /// For the links of a capture, numbered from 1.
    pub fn new(profile: Arc<Profile>, links: &[LinkInfo]) -> Decoder {
        let links = (1..).zip(links).map(|(id, info)| Rows::new(profile.clone(), id, info)).collect();
        Decoder { links, strange: 0 }
    }

    /// Takes the next record, in append order; adds what it holds to `out`. Times of a link never run backwards
    /// and are never later than the record's.
    pub fn record(&mut self, record: &Record, out: &mut Vec<Item>) {
        let rows = usize::from(record.link).checked_sub(1).and_then(|i| self.links.get_mut(i));
        match (&record.body, rows) {
            (Body::Bytes(bytes), Some(rows)) => rows.bytes(record.at, bytes, out),
            (Body::Event(event), Some(rows)) => rows.event(record.at, event, out),
            // What the session lost may be of any link.
            (Body::Event(event @ Event::Gap { .. }), None) => {
                self.links.iter_mut().for_each(|l| l.event(record.at, event, out));
            }
            (Body::Event(_), None) => {}
            (Body::Can(_), _) | (Body::Bytes(_), None) => self.strange += 1,
        }
    }

    /// Where the link is a file: the time of its last row that had one. A file's link stamps its records by this.
    pub fn file_time(&self) -> Stamp {
        self.links.first().map_or(Stamp::ZERO, Rows::file_time)
    }

    /// Lines, rows and frames that were not understood, or not wholly, so far.
    pub fn undecoded(&self) -> u64 {
        self.strange + self.links.iter().map(Rows::undecoded).sum::<u64>()
    }

    /// What was not understood or not believed so far, a sentence a kind, with counts.
    pub fn summary(&self) -> Vec<String> {
        let mut all: Vec<String> = self.links.iter().flat_map(Rows::summary).collect();
        if self.strange > 0 {
            all.push(format!("{} records are of a link or kind that this build cannot read", self.strange));
        }
        all
    }
}

#[cfg(test)]
mod tests;
