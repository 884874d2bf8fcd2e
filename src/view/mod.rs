//! Views: what people and other programs read. They take findings, readings and snapshots, and change nothing.

pub mod block;
pub mod causes;
pub mod cautions;
pub mod console;
pub mod controller;
pub mod csv;
pub mod guide;
pub mod json;
pub mod kept;
pub mod layout;
pub mod learned;
pub mod plan;
pub mod plot;
pub mod show;
pub mod trace;

/// What can go wrong while writing for a reader.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The disk or the pipe refused.
    #[error("{what} could not be written: {source}. {}.", advice(.source))]
    Write {
        /// File or stream.
        what: String,
        /// Of the system.
        source: std::io::Error,
    },
    /// A file of an earlier export is there.
    #[error("{path} is there already and was left as it is. Name another folder with --into, or say --replace.")]
    Exists {
        /// The file.
        path: String,
    },
}

fn advice(source: &std::io::Error) -> &'static str {
    use std::io::ErrorKind::{AlreadyExists, NotADirectory, NotFound};
    match source.kind() {
        AlreadyExists | NotADirectory => "A file stands where a folder must be: name another place",
        NotFound => "Check the name of the place",
        _ => "See that the disk has room and that you may write there",
    }
}

impl Error {
    /// For `map_err`: the thing that was being written.
    pub fn write(what: impl Into<String>) -> impl FnOnce(std::io::Error) -> Error {
        move |source| Error::Write { what: what.into(), source }
    }

    /// The reader went away (`soakwatch … | head`): no fault, only the end.
    pub fn is_broken_pipe(&self) -> bool {
        matches!(self, Error::Write { source, .. } if source.kind() == std::io::ErrorKind::BrokenPipe)
    }
}
