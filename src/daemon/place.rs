//! Where the socket lies, and who may come near it.

use super::Error;
use crate::session::own_folder;
use std::io;
use std::os::unix::fs::{DirBuilderExt, FileTypeExt, MetadataExt, PermissionsExt};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};

/// Where a daemon listens if no other place is named: in the user's own folder for such things, else in one of the
/// user's own under `/tmp`.
pub fn usual() -> PathBuf {
    own_folder().join("socket")
}

/// Listens there. The folder is made for its owner alone; one that belongs to somebody else, or that others may write
/// to, is refused. A socket that nobody answers is what a daemon left that was killed, and is removed.
pub fn listen(path: &Path) -> Result<UnixListener, Error> {
    let failed = |source| Error::Socket { path: path.to_owned(), source };
    let dir = path.parent().filter(|d| !d.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if !dir.exists() {
        std::fs::DirBuilder::new().recursive(true).mode(0o700).create(dir).map_err(failed)?;
    }
    let meta = std::fs::metadata(dir).map_err(failed)?;
    // A folder that all may write to is safe if nobody may remove what is another's (sticky, as /tmp).
    let open = meta.mode() & 0o022 != 0 && meta.mode() & 0o1000 == 0;
    if open {
        return Err(failed(io::Error::other("others may write to its folder")));
    }
    if UnixStream::connect(path).is_ok() {
        return Err(Error::InUse { path: path.to_owned() });
    }
    match std::fs::symlink_metadata(path) {
        Ok(old) if old.file_type().is_socket() => std::fs::remove_file(path).map_err(failed)?,
        Ok(_) => return Err(failed(io::Error::other("something that is no socket lies there"))),
        Err(_) => {}
    }
    let listener = UnixListener::bind(path).map_err(failed)?;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).map_err(failed)?;
    listener.set_nonblocking(true).map_err(failed)?;
    Ok(listener)
}
