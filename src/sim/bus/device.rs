//! What can stand at the end of the path and speaks bytes over a serial port.

use super::Outing;
use crate::time::Stamp;

/// Bytes in, time, bytes out.
pub trait Device {
    /// The host wrote these.
    fn bytes(&mut self, at: Stamp, bytes: &[u8]);
    /// Lets time go on until the device says something, or until `until`, when nothing comes back.
    fn next(&mut self, until: Stamp) -> Option<(Stamp, Vec<u8>)>;
    /// The day is over.
    fn done(&self) -> bool;
    /// The vehicle's day behind it.
    fn outing(&self) -> &Outing;
}

/// Cuts what the host writes into lines that end with a carriage return; what is far too long is cut off.
#[derive(Debug, Clone, Default)]
pub struct Typed {
    line: Vec<u8>,
}

/// More than any command.
const LONGEST: usize = 256;

impl Typed {
    /// The lines that these bytes complete.
    pub fn lines(&mut self, bytes: &[u8]) -> Vec<String> {
        let mut lines = Vec::new();
        for b in bytes {
            match b {
                b'\r' => lines.push(String::from_utf8_lossy(&std::mem::take(&mut self.line)).into_owned()),
                b'\n' | 0 => {}
                _ if self.line.len() < LONGEST => self.line.push(*b),
                _ => {}
            }
        }
        lines
    }
}
