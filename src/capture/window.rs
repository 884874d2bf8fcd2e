//! A window that slides over a raw file: large reads, bounded memory, every byte's offset known.

use super::error::{Error, Result};
use std::io::{self, Read};
use std::path::PathBuf;

const CHUNK: usize = 256 << 10;

pub(super) struct Window {
    source: Box<dyn Read + Send>,
    path: PathBuf,
    buf: Vec<u8>,
    start: usize,
    end: usize,
    /// Offset in the file of the first byte in `buf`.
    base: u64,
    at_end: bool,
}

impl Window {
    pub(super) fn new(path: PathBuf, source: Box<dyn Read + Send>) -> Window {
        Window { source, path, buf: vec![0; CHUNK], start: 0, end: 0, base: 0, at_end: false }
    }

    /// The file's name without its folder.
    pub(super) fn name(&self) -> String {
        self.path.file_name().unwrap_or_default().to_string_lossy().into_owned()
    }

    /// Bytes of memory held.
    #[cfg(test)]
    pub(super) fn capacity(&self) -> usize {
        self.buf.len()
    }

    /// Offset in the file of the window's first byte.
    pub(super) fn offset(&self) -> u64 {
        self.base + self.start as u64
    }

    /// The bytes in the window.
    pub(super) fn bytes(&self) -> &[u8] {
        &self.buf[self.start..self.end]
    }

    /// Moves on by `n` bytes, which must be in the window.
    pub(super) fn skip(&mut self, n: usize) {
        self.start = (self.start + n).min(self.end);
    }

    /// Reads until the window holds `n` bytes; false if the file ends before.
    pub(super) fn holds(&mut self, n: usize) -> Result<bool> {
        if self.end - self.start >= n {
            return Ok(true);
        }
        if self.at_end {
            return Ok(false);
        }
        self.buf.copy_within(self.start..self.end, 0);
        self.base += self.start as u64;
        self.end -= self.start;
        self.start = 0;
        // Twice what is asked for: a scan that asks for a byte more each time must not copy each time.
        if self.buf.len() < 2 * n {
            self.buf.resize(2 * n, 0);
        }
        while self.end < n {
            match self.source.read(&mut self.buf[self.end..]) {
                Ok(0) => {
                    self.at_end = true;
                    return Ok(false);
                }
                Ok(got) => self.end += got,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(source) => {
                    return Err(Error::Io { path: self.path.clone(), doing: "read the raw records", source });
                }
            }
        }
        Ok(true)
    }
}
