//! The seal: a digest of each file of a finished capture, as a list that `sha256sum --check` reads too.
//!
//! It shows damage. It shows tampering only to somebody who keeps the list, or its own digest, in another place: who
//! can change the records can change the list beside them as well.

use super::error::{Error, Result};
use super::reader::{open_plain, segments};
use super::{SEAL_FILE, SESSION_FILE};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::Path;

/// No seal is longer, bytes.
const LONGEST: u64 = 1 << 20;

/// Whether a capture is as it was when its recording ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Seal {
    /// There is none: the recording was not ended in order.
    None,
    /// Every file is as it was.
    Whole,
    /// What is not, in sentences.
    Broken(Vec<String>),
}

/// A digest in hexadecimal.
pub(super) fn hex(digest: &[u8]) -> String {
    use std::fmt::Write as _;
    digest.iter().fold(String::new(), |mut s, b| {
        // A string takes everything.
        let _ = write!(s, "{b:02x}");
        s
    })
}

/// Writes the list, synced; `files` are names and digests in order.
pub(super) fn write(dir: &Path, files: &[(String, String)]) -> Result<()> {
    let path = dir.join(SEAL_FILE);
    let failed = |source| Error::Io { path: path.clone(), doing: "seal the capture", source };
    let text: String = files.iter().map(|(name, digest)| format!("{digest}  {name}\n")).collect();
    let mut file = File::create_new(&path).map_err(failed)?;
    file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(failed)
}

/// The digest of all that `source` gives.
pub(super) fn digest(mut source: impl Read) -> io::Result<String> {
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    loop {
        match source.read(&mut buffer) {
            Ok(0) => return Ok(hex(&hash.finalize())),
            Ok(n) => hash.update(&buffer[..n]),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
}

/// The digest of a file of a capture.
pub(super) fn digest_of(path: &Path) -> Result<String> {
    let failed = |source| Error::Io { path: path.to_path_buf(), doing: "read it for its seal", source };
    digest(File::open(path).map_err(failed)?).map_err(failed)
}

/// Looks whether the capture in a folder is as its seal says; compressed files count by what is in them. Reads
/// everything once.
pub fn check(dir: &Path) -> Result<Seal> {
    let path = dir.join(SEAL_FILE);
    let failed = |source| Error::Io { path: path.clone(), doing: "read the seal", source };
    let file = match File::open(&path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Seal::None),
        opened => opened.map_err(failed)?,
    };
    let mut text = String::new();
    if file.take(LONGEST).read_to_string(&mut text).is_err() {
        return Ok(Seal::Broken(vec![format!("{SEAL_FILE} is no text: restore it from a copy")]));
    }
    let mut listed: BTreeMap<&str, &str> = BTreeMap::new();
    let mut broken = Vec::new();
    for (n, line) in (1..).zip(text.lines()) {
        match line.split_once("  ") {
            Some((digest, name)) if digest.len() == 64 => drop(listed.insert(name, digest)),
            _ => broken.push(format!("{SEAL_FILE}, line {n}: no digest and name; restore it from a copy")),
        }
    }
    let mut hold = |name: &str, digest: String| match listed.remove(name) {
        Some(sealed) if sealed == digest => {}
        Some(_) => broken.push(format!("{name} is not as it was when the recording ended")),
        None => broken.push(format!("{name} was not there when the recording ended")),
    };
    hold(SESSION_FILE, digest_of(&dir.join(SESSION_FILE))?);
    for segment in segments(dir)? {
        let failed = |source| Error::Io { path: segment.path.clone(), doing: "read it for its seal", source };
        let bytes = digest(open_plain(&segment)?).map_err(failed)?;
        hold(&segment.name, bytes);
    }
    broken.extend(listed.keys().map(|name| format!("{name} is gone")));
    Ok(if broken.is_empty() { Seal::Whole } else { Seal::Broken(broken) })
}
