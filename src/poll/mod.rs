//! Poll: what to ask a vehicle next, when to wait, and when to be silent.
//!
//! Sans-I/O and without a clock: it is told what was heard ([`Heard`]) and what the judge of this capture says
//! ([`Told`]), and gives the next [`Question`] when it is due. The link sends it, after it was recorded. A replay never
//! runs any of this: what was asked and answered stands in the record.
//!
//! ```text
//!            Heard, Told                      Question
//!  link ───────────────────▶ Poller ─────────────────────▶ link
//!            frames                frames
//!  bus  ◀────────────────── Talk ◀──────────────────────▶  (ISO 15765-2 on CAN)
//! ```
//!
//! [`Asker`] joins the two for links that move CAN frames, and asks nothing before the bit rate is proven ([`Proof`]).

mod asker;
mod load;
mod own_word;
mod poller;
mod proof;
mod schedule;
mod state;
mod talk;
mod traffic;

pub use asker::Asker;
pub use poller::Poller;
pub use proof::Proof;
pub use state::{PollState, Silence};
pub use talk::{Refused, Talk, may_go};

use crate::trade::Phase;
use crate::wire::ask::Request;
use crate::wire::can_frame::Id;
use std::fmt;

/// A controller, by what its answers bear.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Address {
    /// The identifier of its answers on CAN: 7E8 to 7EF, or 18DAF1xx (ISO 15765-4).
    Can(Id),
    /// Its byte on an older bus (SAE J1850, ISO 9141-2, ISO 14230).
    Node(u8),
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Address::Can(id) => write!(f, "{id}"),
            Address::Node(node) => write!(f, "{node:02X}"),
        }
    }
}

/// Who is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum To {
    /// Every controller that concerns emissions (functional addressing).
    All,
    /// One controller (physical addressing).
    One(Address),
}

/// A question, due now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// What is asked.
    pub request: Request,
    /// Of whom.
    pub to: To,
}

/// What carries the questions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wire {
    /// CAN frames that this program moves itself: several data a question, one controller at a time.
    Can,
    /// A text adapter on CAN: several data a question, always to all.
    TextOnCan,
    /// A text adapter on an older bus: one datum a question, always to all.
    Text,
}

/// What a link heard.
#[derive(Debug, Clone, PartialEq)]
pub enum Heard {
    /// Something on the bus that is no answer to this program; with its identifier, where frames have one.
    Traffic(Option<Id>),
    /// An answer of several frames is under way (CAN; others need not tell).
    Part(Address),
    /// A whole answer, also a negative one.
    Answer {
        /// Who answered.
        from: Address,
        /// Without addressing.
        message: Vec<u8>,
    },
    /// No more answers will come to what was asked: "no data", the adapter's prompt, a time-out of the link's own. On CAN
    /// the poller keeps the time itself and needs none of this.
    Nothing,
    /// The supply as the adapter measures it, V. Worth telling in silence too: it costs the vehicle nothing, and where the
    /// bus cannot be listened to, a starter or a charging battery is what tells of a wake-up.
    Volts(f64),
}

/// What the judge of this capture last said, from all its links.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Told {
    /// The phase.
    pub phase: Phase,
    /// The key itself is measured (a bench adapter, a broadcast frame); else the phase is inferred from the engine.
    pub key_seen: bool,
}

#[cfg(test)]
mod tests;
