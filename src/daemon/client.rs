//! The other side of the socket: asks, and takes what is told line by line.

use super::protocol::{Ask, Tell};
use super::{Error, LONGEST_LINE};
use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;

/// A conversation with a daemon.
pub struct Client {
    write: UnixStream,
    read: BufReader<UnixStream>,
}

/// A picture may be longer than a question.
const LONGEST_TOLD: u64 = 64 * LONGEST_LINE as u64;

impl Client {
    /// With the one at `socket`.
    pub fn to(socket: &Path) -> Result<Client, Error> {
        let away = |source| Error::Away { path: socket.to_owned(), source };
        let write = UnixStream::connect(socket).map_err(away)?;
        let read = BufReader::new(write.try_clone().map_err(away)?);
        Ok(Client { write, read })
    }

    /// Asks.
    pub fn ask(&mut self, ask: &Ask) -> Result<(), Error> {
        let mut line = serde_json::to_vec(ask).map_err(|e| Error::Lost { source: e.into() })?;
        line.push(b'\n');
        self.write.write_all(&line).map_err(|source| Error::Lost { source })
    }

    /// What is told next; none once the daemon has closed the conversation.
    pub fn told(&mut self) -> Result<Option<Tell>, Error> {
        let mut line = Vec::new();
        let lost = |source| Error::Lost { source };
        (&mut self.read).take(LONGEST_TOLD).read_until(b'\n', &mut line).map_err(lost)?;
        if line.is_empty() {
            return Ok(None);
        }
        match serde_json::from_slice(&line) {
            Ok(Tell::Error { why }) => Err(Error::Told { why }),
            Ok(told) => Ok(Some(told)),
            Err(e) => Err(lost(io::Error::other(e))),
        }
    }
}
