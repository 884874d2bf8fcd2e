//! Decode: records to readings, by profile.

mod reading;

pub use reading::Reading;

use crate::record::LinkId;
use crate::time::Stamp;

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
    /// A value outside its channel's plausible range, said once a channel and dropped.
    Implausible,
}
