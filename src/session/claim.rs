//! A link belongs to one recorder: a second one is told so before it opens anything.

use super::Error;
use rustix::fs::{FlockOperation, flock};
use std::fs::{File, OpenOptions};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Held as long as it lives; the system lets go of it however the program ends.
#[derive(Debug)]
pub(super) struct Claim(#[expect(dead_code, reason = "it is held, not used")] File);

/// A folder of this user alone for sockets and locks, in `$XDG_RUNTIME_DIR` or else under `/tmp`; it may not be there yet.
pub fn own_folder() -> PathBuf {
    match std::env::var_os("XDG_RUNTIME_DIR").filter(|d| !d.is_empty()) {
        Some(dir) => Path::new(&dir).join("soakwatch"),
        None => PathBuf::from(format!("/tmp/soakwatch-{}", rustix::process::geteuid().as_raw())),
    }
}

/// Claims a device in `folder`. Where no lock can be laid (a system without such a folder) there is no claim, and none is
/// refused: the recording matters more.
pub(super) fn claim(folder: &Path, name: &str, device: &Path) -> Result<Option<Claim>, Error> {
    let lock: String = (device.display().to_string().chars())
        .map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' })
        .collect();
    let made = folder.is_dir() || std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder).is_ok();
    let path = folder.join(format!("{lock}.lock"));
    let opened = OpenOptions::new().write(true).create(true).truncate(false).mode(0o600).open(path);
    let Some(file) = opened.ok().filter(|_| made) else { return Ok(None) };
    match flock(&file, FlockOperation::NonBlockingLockExclusive) {
        Ok(()) => Ok(Some(Claim(file))),
        Err(rustix::io::Errno::WOULDBLOCK) => Err(Error::Claimed { port: name.to_owned() }),
        Err(_) => Ok(None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_recorder_of_a_link_is_told() {
        let dir = tempfile::tempdir().unwrap();
        let at = |device: &str| claim(&dir.path().join("own"), device, Path::new(device));
        let first = at("/dev/ttyX0").unwrap();
        assert!(first.is_some() && at("/dev/ttyX1").unwrap().is_some());
        let told = at("/dev/ttyX0").unwrap_err().to_string();
        assert!(told.starts_with("/dev/ttyX0 is recorded already"), "{told}");
        drop(first);
        assert!(at("/dev/ttyX0").unwrap().is_some());
    }
}
