//! Runs without a screen: several vehicles recorded at once, looked at and noted through a socket.
//!
//! The socket is a Unix domain socket of its owner alone, in a folder of its owner alone. Each side sends JSON objects,
//! one a line, of at most [`LONGEST_LINE`] bytes; the words are in [`protocol`]. A viewer is a task of its own that looks
//! at what the recorder publishes: it may miss pictures, and one that does not read is dropped. No recorder ever waits
//! for a viewer. Nothing listens on a network.

pub mod client;
pub mod place;
pub mod protocol;
mod server;

pub use server::{Run, serve};

use std::io;
use std::path::PathBuf;

/// No line of the protocol is longer, bytes.
pub const LONGEST_LINE: usize = 64 * 1024;

/// A daemon cannot be run, or not be reached.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Another one is there.
    #[error(
        "a daemon answers at {path} already: attach to it with `soakwatch attach`, or give this one a --socket of its own"
    )]
    InUse {
        /// Its socket.
        path: PathBuf,
    },
    /// The socket cannot be made.
    #[error("{path}: no socket can be made there: {source}. Name another place with --socket")]
    Socket {
        /// Where.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Nobody answers.
    #[error("no daemon answers at {path}: {source}. Start one with `soakwatch daemon`, or name its --socket")]
    Away {
        /// Where.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The daemon does not do what it was asked.
    #[error("the daemon says: {why}")]
    Told {
        /// In its words.
        why: String,
    },
    /// The conversation broke off.
    #[error("the daemon went away: {source}. What it recorded is in its captures")]
    Lost {
        /// What the system said.
        source: io::Error,
    },
}
