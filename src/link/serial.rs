//! A serial port whose plug may be pulled and put back: what all links over one share.

use super::Error;
use super::feed::Feed;
use crate::record::{Body, Event};
use serialport::{SerialPort, TTYPort};
use std::io::{self, ErrorKind, Read, Write};
use std::time::Duration;

/// How long a read waits at most: the link must hear a stop in time.
pub(super) const READ: Duration = Duration::from_millis(100);

/// An opened port.
pub(super) struct Serial {
    path: String,
    baud: u32,
    port: TTYPort,
    buffer: Vec<u8>,
}

impl Serial {
    pub(super) fn open(path: &str, baud: u32) -> Result<Serial, Error> {
        let port = open(path, baud).map_err(|e| {
            // The system calls anything but a port "not a typewriter".
            let what = if is_no_port(path) { "it is no serial port".to_owned() } else { e.to_string() };
            Error::Port { port: path.to_owned(), what }
        })?;
        Ok(Serial { path: path.to_owned(), baud, port, buffer: vec![0; 4096] })
    }

    /// Lets `serve` work the port until it is to end. A port that goes away is opened again by the same path, which may
    /// lead elsewhere by then, and `serve` begins anew.
    pub(super) fn run(mut self, feed: &mut Feed, mut serve: impl FnMut(&mut Serial, &mut Feed) -> io::Result<()>) {
        self.up(feed);
        loop {
            let Err(why) = serve(&mut self, feed) else { return };
            let last = feed.last();
            feed.say(format!("{} is gone ({why}), trying to open it again", self.path));
            let at = feed.now();
            feed.wait(at, Body::Event(Event::LinkDown { detail: format!("{} is gone: {why}", self.path) }));
            let Some(port) = feed.retry(|| open(&self.path, self.baud)) else { return };
            self.port = port;
            let at = feed.now();
            let cause = format!("{} was gone", self.path);
            feed.wait(at, Body::Event(Event::Gap { from_ns: last.0, to_ns: at.0, count: 0, cause }));
            self.up(feed);
        }
    }

    fn up(&self, feed: &mut Feed) {
        let real = std::fs::canonicalize(&self.path).map(|p| p.display().to_string()).unwrap_or_default();
        let real = if real.is_empty() || real == self.path { String::new() } else { format!(" ({real})") };
        let at = feed.now();
        feed.wait(at, Body::Event(Event::LinkUp { detail: format!("{}{real}, {} baud", self.path, self.baud) }));
    }

    /// Sets the speed of the port; it stays so when the port is opened again.
    pub(super) fn set_baud(&mut self, baud: u32) -> io::Result<()> {
        self.port.set_baud_rate(baud)?;
        self.baud = baud;
        Ok(())
    }

    /// What has come, recorded already; empty if nothing came within `wait` (100 ms at most).
    pub(super) fn hear(&mut self, feed: &mut Feed, wait: Duration) -> io::Result<&[u8]> {
        self.port.set_timeout(wait.clamp(Duration::from_millis(1), READ))?;
        match self.port.read(&mut self.buffer) {
            Ok(0) => Err(ErrorKind::UnexpectedEof.into()),
            Ok(n) => {
                feed.live(feed.now(), Body::Bytes(self.buffer[..n].to_vec()));
                Ok(&self.buffer[..n])
            }
            Err(e) if matches!(e.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted) => Ok(&[]),
            Err(e) => Err(e),
        }
    }

    /// Records what is sent and sends it; false if it could not be recorded, or the port took nothing. What may be sent
    /// is the caller's to know.
    pub(super) fn send(&mut self, feed: &mut Feed, bytes: &[u8]) -> io::Result<bool> {
        let text = String::from_utf8_lossy(bytes).into_owned();
        if !feed.kept(feed.now(), Body::Event(Event::Sent { text })) {
            return Ok(false);
        }
        self.put(bytes)
    }

    /// Sends what was recorded already; false if the port took nothing.
    pub(super) fn put(&mut self, bytes: &[u8]) -> io::Result<bool> {
        self.port.set_timeout(READ)?;
        match self.port.write_all(bytes) {
            Ok(()) => Ok(true),
            Err(e) if e.kind() == ErrorKind::TimedOut => Ok(false),
            Err(e) => Err(e),
        }
    }
}

fn open(path: &str, baud: u32) -> serialport::Result<TTYPort> {
    serialport::new(path, baud).timeout(READ).open_native()
}

/// True for what is there and can be opened, but is no terminal device.
fn is_no_port(path: &str) -> bool {
    use std::os::unix::fs::OpenOptionsExt;
    let no_wait = i32::try_from(rustix::fs::OFlags::NONBLOCK.bits()).unwrap_or(0);
    let opened = std::fs::OpenOptions::new().read(true).custom_flags(no_wait).open(path);
    opened.is_ok_and(|file| !rustix::termios::isatty(&file))
}
