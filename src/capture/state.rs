//! How a capture on the shelf is: how long, how whole, sealed or not.

use super::error::Result;
use super::reader::{Reader, segments};
use super::seal::{self, Seal};
use crate::record::{Body, Event, Record};
use crate::time::Stamp;
use std::path::Path;

/// Of one capture, after reading it once from end to end.
#[derive(Debug, Clone, PartialEq)]
pub struct State {
    /// UTC at its first moment, nanoseconds since 1970.
    pub anchor_utc_ns: i64,
    /// Its latest moment.
    pub length: Stamp,
    /// Sound records.
    pub records: u64,
    /// Bytes of its raw files as they lie on the disk.
    pub bytes: u64,
    /// The last record says that it was ended in order.
    pub ended: bool,
    /// Gaps that the recorder named, and records lost in them.
    pub gaps: (u64, u64),
    /// Records whose stamp lies before that of the one before.
    pub back: u64,
    /// What of the files is lost, in sentences.
    pub losses: Vec<String>,
    /// Whether it is as it was when it ended.
    pub seal: Seal,
    /// Some of it is compressed.
    pub compressed: bool,
}

impl State {
    /// Nothing is lost of it, whatever it recorded.
    pub fn whole(&self) -> bool {
        self.losses.is_empty() && self.ended && !matches!(self.seal, Seal::Broken(_))
    }
}

/// Reads the capture in a folder once: hashes, order, gaps, end, seal.
pub fn look(dir: &Path) -> Result<State> {
    let files = segments(dir)?;
    let mut reader = Reader::open(dir)?;
    let mut state = State {
        anchor_utc_ns: reader.session().anchor_utc_ns,
        length: Stamp::ZERO,
        records: 0,
        bytes: files.iter().map(|f| f.len).sum(),
        ended: false,
        gaps: (0, 0),
        back: 0,
        losses: Vec::new(),
        seal: seal::check(dir)?,
        compressed: files.iter().any(|f| f.compressed),
    };
    let mut record = Record { at: Stamp::ZERO, link: 0, seq: 0, body: Body::Event(Event::Tick) };
    let mut before = Stamp::ZERO;
    while reader.next_into(&mut record)? {
        state.records += 1;
        state.back += u64::from(record.at < before);
        before = record.at;
        state.length = state.length.max(record.at);
        if let Body::Event(Event::Gap { count, .. }) = &record.body {
            state.gaps.0 += 1;
            state.gaps.1 += count;
        }
    }
    state.ended = reader.ended();
    state.losses = reader.losses().to_vec();
    Ok(state)
}
