//! `session.toml`: what must be known besides the raw records to grade them again.

use super::error::{Error, Result};
use super::{SESSION_FILE, error};
use crate::record::LinkInfo;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::Path;

/// A session file larger than this is not one of ours.
const MAX_BYTES: u64 = 4 << 20;

/// The contents of `session.toml`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SessionFile {
    /// Version of the program that recorded.
    pub version: String,
    /// When the capture was begun, UTC, as RFC 3339.
    #[serde(with = "rfc3339")]
    pub created: Timestamp,
    /// UTC of stamp zero, nanoseconds since 1970; not before 1970.
    pub anchor_utc_ns: i64,
    /// The links in the order of their ids, which count from 1.
    #[serde(default)]
    pub links: Vec<LinkInfo>,
    /// The profile as used, fully resolved; this room does not look into it.
    pub profile: toml::Table,
}

impl SessionFile {
    /// For this version of the program, begun at the anchor.
    pub fn new(anchor_utc_ns: i64, links: Vec<LinkInfo>, profile: toml::Table) -> SessionFile {
        SessionFile {
            version: env!("CARGO_PKG_VERSION").to_string(),
            // Any i64 of nanoseconds lies within jiff's range.
            created: Timestamp::from_nanosecond(i128::from(anchor_utc_ns)).unwrap_or_default(),
            anchor_utc_ns,
            links,
            profile,
        }
    }

    /// Writes `session.toml` into the folder, which is made if need be, and syncs file and folder. Fails if
    /// there is one already.
    pub fn write(&self, dir: &Path) -> Result<()> {
        let path = dir.join(SESSION_FILE);
        let io = |doing| {
            let path = path.clone();
            move |source| Error::Io { path, doing, source }
        };
        let text = toml::to_string_pretty(self).map_err(|e| Error::Refused {
            path: path.clone(),
            what: format!("the session cannot be kept as TOML: {e}"),
        })?;
        fs::create_dir_all(dir).map_err(io("make the folder for the session file"))?;
        let mut file =
            OpenOptions::new().write(true).create_new(true).open(&path).map_err(io("create the session file"))?;
        file.write_all(text.as_bytes()).map_err(io("write the session file"))?;
        file.sync_all().map_err(io("write the session file safely"))?;
        sync_folder(dir)
    }

    /// Reads `session.toml` of the folder.
    pub fn read(dir: &Path) -> Result<SessionFile> {
        let path = dir.join(SESSION_FILE);
        let mut bytes = Vec::new();
        File::open(&path)
            .and_then(|file| file.take(MAX_BYTES + 1).read_to_end(&mut bytes))
            .map_err(|source| Error::Io { path: path.clone(), doing: "read the session file", source })?;
        let fault = |at: usize, what: String| {
            let before = String::from_utf8_lossy(&bytes[..at.min(bytes.len())]);
            let line = before.matches('\n').count() + 1;
            let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
            Error::Session { path: path.clone(), line, column, what }
        };
        if bytes.len() as u64 > MAX_BYTES {
            return Err(fault(0, format!("the file is larger than {MAX_BYTES} bytes, it is no session file")));
        }
        let text = std::str::from_utf8(&bytes)
            .map_err(|e| fault(e.valid_up_to(), format!("byte {} is not UTF-8 text", e.valid_up_to())))?;
        toml::from_str(text).map_err(|e| {
            let at = e.span().map_or(0, |span| span.start);
            fault(at, e.message().trim().replace('\n', ", "))
        })
    }
}

/// Makes a new name in a folder last.
pub(super) fn sync_folder(dir: &Path) -> error::Result<()> {
    // `create_dir_all` may have made the folder: its own name lives in its parent.
    let parent = match dir.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        Some(_) => Path::new("."),
        None => dir,
    };
    for folder in [dir, parent] {
        File::open(folder)
            .and_then(|f| f.sync_all())
            .or_else(|e| match e.kind() {
                // Some file systems do not sync folders; there the file's own sync has to do.
                io::ErrorKind::InvalidInput | io::ErrorKind::PermissionDenied => Ok(()),
                _ => Err(e),
            })
            .map_err(|source| Error::Io { path: folder.to_path_buf(), doing: "sync the folder", source })?;
    }
    Ok(())
}

/// A timestamp as RFC 3339 text.
mod rfc3339 {
    use jiff::Timestamp;
    use serde::{Deserialize, Deserializer, Serializer, de};

    pub fn serialize<S: Serializer>(t: &Timestamp, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(t)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Timestamp, D::Error> {
        let text = String::deserialize(d)?;
        text.parse()
            .map_err(|_| de::Error::custom(format!("`{text}` is not a time in RFC 3339, such as 2026-01-31T06:00:00Z")))
    }
}
