//! The judge: decode, timeline and grade driven as one, a record at a time.
//!
//! It reads no clock and does no I/O: live links, saved captures and the simulator drive the same code, and
//! cannot be told apart by it. Its findings are a function of the records, the profile and this build.

use crate::channel::Channel;
use crate::grade::verdict::Findings;
use crate::profile::Profile;
use crate::record::{LinkInfo, Record};
use crate::time::Stamp;
use crate::trade::{Phase, Test, Verdict};
use std::sync::Arc;

/// One condition a test waits for, with its state now.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// In trade words: "fuel level 15 to 85 %".
    pub text: String,
    /// The value now, if the channel is there.
    pub value: Option<(Channel, f64)>,
    /// In the window, out of it, or not known.
    pub met: Option<bool>,
}

/// A live signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// Which.
    pub channel: Channel,
    /// Last value.
    pub value: f64,
    /// When it was sampled.
    pub at: Stamp,
    /// Older than its usual interval allows.
    pub stale: bool,
}

/// One row a test.
#[derive(Debug, Clone, PartialEq)]
pub struct TestRow {
    /// Which.
    pub test: Test,
    /// Runs now: how far, 0 to 1, and what it waits for.
    pub running: Option<(f64, String)>,
    /// The verdict as `summary` has it so far.
    pub verdict: Verdict,
    /// First reason of the last run, or what it waits for.
    pub text: String,
}

/// A picture of the judge for a view. Views may miss some.
#[derive(Debug, Clone, PartialEq)]
pub struct Snapshot {
    /// Capture time of the last record.
    pub now: Stamp,
    /// Phase now.
    pub phase: Phase,
    /// Since when.
    pub phase_since: Stamp,
    /// What the phase waits for, in words.
    pub waits_for: String,
    /// Conditions of the tests that could run in this phase.
    pub conditions: Vec<Condition>,
    /// Every channel seen so far.
    pub signals: Vec<Signal>,
    /// All seven.
    pub tests: Vec<TestRow>,
    /// Number of events so far; `events` holds the last of them.
    pub events_total: u64,
    /// The last events in words, oldest first, at most 32.
    pub events: Vec<(Stamp, String)>,
    /// Records judged.
    pub records: u64,
    /// Lines, rows or frames not understood.
    pub undecoded: u64,
    /// Gaps so far.
    pub gaps: u32,
}

/// Decode, timeline and grade as one.
pub struct Judge {
    _todo: (),
}

impl Judge {
    /// For the links of a capture, numbered from 1.
    pub fn new(_profile: Arc<Profile>, _links: &[LinkInfo]) -> Judge {
        Judge { _todo: () }
    }

    /// Takes the next record, in append order.
    pub fn record(&mut self, _record: &Record) {}

    /// A picture for a view.
    pub fn snapshot(&self) -> Snapshot {
        unimplemented!()
    }

    /// All findings as if the record ended here.
    pub fn findings(&self, _capture: &str) -> Findings {
        unimplemented!()
    }
}
