//! What can go wrong with a capture, each with what to do about it.

use std::io;
use std::path::PathBuf;

/// A capture could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The system refused: disk full, no permission, already there.
    #[error("{path}: cannot {doing}: {source}{}", advice(.source))]
    Io {
        /// Which file or folder.
        path: PathBuf,
        /// What was tried, as a verb: "write records".
        doing: &'static str,
        /// What the system said.
        source: io::Error,
    },
    /// `session.toml` cannot be used.
    #[error(
        "{path}, line {line}, column {column}: {what}; restore the file from a copy, the raw records need it to be graded"
    )]
    Session {
        /// Which file.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// Column in characters, from 1.
        column: usize,
        /// What is wrong.
        what: String,
    },
    /// The folder holds no raw records.
    #[error("{path}: no capture here, there is no raw.pcapng in it; name the folder that holds raw.pcapng")]
    NoCapture {
        /// Which folder.
        path: PathBuf,
    },
    /// A raw file's compression cannot be undone.
    #[error("{path}: it does not begin as a file compressed with zstd does; restore it from a copy")]
    Compressed {
        /// Which file.
        path: PathBuf,
    },
    /// A record or session that the layout cannot hold; nothing of the batch was written.
    #[error("{path}: not recorded: {what}")]
    Refused {
        /// Which file.
        path: PathBuf,
        /// What cannot be held and why.
        what: String,
    },
}

/// The outcome of anything done with a capture.
pub type Result<T> = std::result::Result<T, Error>;

fn advice(source: &io::Error) -> &'static str {
    match source.kind() {
        io::ErrorKind::StorageFull => "; make room on the disk, recording goes on as soon as there is some",
        io::ErrorKind::AlreadyExists => "; a capture is never overwritten, choose another folder",
        io::ErrorKind::PermissionDenied => "; check who may write and read there",
        io::ErrorKind::NotFound | io::ErrorKind::IsADirectory => "; check the name, or restore it from a copy",
        _ => "; check the disk and its cable",
    }
}
