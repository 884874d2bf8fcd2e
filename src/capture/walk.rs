//! A bare walk over the raw files: the physical limit that reading is measured against.

use super::error::Result;
use super::layout::{DATA, Frame, PACKET, frame, u32_at};
use super::reader::{open_plain, segments};
use super::window::Window;
use std::path::Path;

/// What a walk saw.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Walk {
    /// Packets whose hash fits.
    pub records: u64,
    /// Bytes walked.
    pub bytes: u64,
    /// Packets whose hash does not fit.
    pub bad: u64,
}

/// Walks the raw files of a capture and checks each packet's hash, and nothing else; stops at the first damage
/// in a file.
pub fn walk(dir: &Path) -> Result<Walk> {
    let mut seen = Walk::default();
    for segment in segments(dir)? {
        let mut window = Window::new(segment.path.clone(), open_plain(&segment)?);
        loop {
            let (kind, len) = match frame(window.bytes()) {
                Frame::Block(kind, len) => (kind, len),
                Frame::Needs(n) if window.holds(n)? => continue,
                Frame::Needs(_) | Frame::Bad => break,
            };
            let block = &window.bytes()[..len];
            if kind == PACKET {
                // The hash is the first option as this program writes it.
                let data_len = u32_at(block, 20).unwrap_or(u32::MAX) as usize;
                let data = block.get(DATA..DATA.saturating_add(data_len));
                let hash = block.get(DATA.saturating_add(data_len).saturating_add(3) & !3..).and_then(|o| o.get(5..9));
                let fits = data.zip(hash).is_some_and(|(d, h)| crc32fast::hash(d).to_be_bytes() == h);
                seen.records += u64::from(fits);
                seen.bad += u64::from(!fits);
            }
            window.skip(len);
        }
        seen.bytes += window.offset();
    }
    Ok(seen)
}
