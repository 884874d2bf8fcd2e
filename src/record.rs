//! The record: the one thing that walks from a link to the file and to the judge.
//!
//! Everything that only the edge of the program knows (a second has passed, bytes were lost, the person wrote a
//! note) is itself a record and is appended before it is judged, so that a replay knows it too.

use crate::time::{ClockReading, Stamp};
use serde::{Deserialize, Serialize};

/// Number of a link within a capture; 0 is the session itself, links count from 1.
pub type LinkId = u16;

/// One record. `seq` is given by the writer: consecutive from 0 through a capture.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Receipt, or for files and the simulator the row's own time.
    pub at: Stamp,
    /// Where it came from.
    pub link: LinkId,
    /// Position in the capture.
    pub seq: u64,
    /// What it says.
    pub body: Body,
}

/// What a record says.
#[derive(Debug, Clone, PartialEq)]
pub enum Body {
    /// Bytes as they came from a serial port, or one line of a file with its line end.
    Bytes(Vec<u8>),
    /// A CAN or CAN FD frame in the layout of the registered SocketCAN link type.
    Can(Vec<u8>),
    /// A CAN frame that this program sent, recorded before it left, in the same layout.
    CanSent(Vec<u8>),
    /// Something the edge knows.
    Event(Event),
}

/// What only the edge knows. Stored as a JSON object with a `kind`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Event {
    /// A second in which nothing else was recorded.
    Tick,
    /// Something was not recorded, or could not be read back.
    Gap {
        /// Last moment known good, ns of capture time.
        from_ns: i64,
        /// First moment known good again.
        to_ns: i64,
        /// Records known to be lost, 0 if not known.
        count: u64,
        /// In words.
        cause: String,
    },
    /// The three clocks, read together.
    Clock(ClockReading),
    /// A note by the person.
    Note {
        /// `note`, `repair`, `rig` (what sits on the tray), `known_leak` (a hole of known size in the line),
        /// `tight_decays` (what decays without it said, in another record), `guide` (begins one) or `step` (answers it).
        note_kind: String,
        /// What was written.
        text: String,
    },
    /// The link delivers.
    LinkUp {
        /// In words: port, settings.
        detail: String,
    },
    /// The link stopped.
    LinkDown {
        /// In words: why.
        detail: String,
    },
    /// What the poller does from now on, or found out about the vehicle.
    Asking {
        /// In words.
        detail: String,
    },
    /// Bytes sent on the link; CAN frames are records of their own.
    Sent {
        /// As text, lossless for what this program sends.
        text: String,
    },
    /// The capture was ended in order.
    End {
        /// In words.
        cause: String,
    },
}

/// What must be known of a link to read its records; stored in the session file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinkInfo {
    /// `bench`, `csv`, `sim`, …
    pub kind: String,
    /// Port, file name or scenario, for people.
    pub name: String,
}
