//! The words of the control socket. Additions are free, changes are not.
//!
//! ```text
//! → {"ask":"runs"}
//! ← {"tell":"runs","runs":[{"run":"van-07","capture":"captures/…","records":0,"bytes":0,"phase":"soak","ended":false}]}
//! → {"ask":"events","run":"van-07"}
//! ← {"tell":"event","line":"00:25:46 …"}        what was kept of the past first, then each as it happens
//! → {"ask":"screen","run":"van-07","width":80,"height":24}
//! ← {"tell":"screen","lines":["…"]}              again and again
//! → {"ask":"mark","run":"van-07","kind":"repair","text":"new cap"}
//! ← {"tell":"done"}
//! → {"ask":"stop"}
//! ← {"tell":"done"}
//! ```
//!
//! Where one vehicle alone is recorded `run` may be left out. What cannot be done is told as
//! `{"tell":"error","why":"…"}`; the end of a run that is looked at as `{"tell":"ended"}`.

use serde::{Deserialize, Serialize};

/// What a client may ask.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "snake_case")]
pub enum Ask {
    /// Which runs there are.
    Runs,
    /// The console view, drawn for a terminal of this size, again and again.
    Screen {
        /// Which run.
        run: Option<String>,
        /// Columns, 20 to 400.
        width: usize,
        /// Rows, 5 to 200.
        height: usize,
        /// `si` or `us`, as `--units`.
        units: Option<String>,
        /// Colours beside the words.
        #[serde(default)]
        colour: bool,
    },
    /// A line an event.
    Events {
        /// Which run.
        run: Option<String>,
        /// `si` or `us`, as `--units`.
        units: Option<String>,
    },
    /// A note into the record.
    Mark {
        /// Which run.
        run: Option<String>,
        /// `note` or `repair`.
        kind: Option<String>,
        /// The note.
        text: String,
    },
    /// End all runs in order.
    Stop,
}

/// What the daemon tells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "tell", rename_all = "snake_case")]
pub enum Tell {
    /// The runs.
    Runs {
        /// In the order in which they were named.
        runs: Vec<RunState>,
    },
    /// A picture.
    Screen {
        /// Its rows.
        lines: Vec<String>,
    },
    /// An event.
    Event {
        /// Time and words.
        line: String,
    },
    /// It was done.
    Done,
    /// The run that was looked at has ended.
    Ended,
    /// It cannot be done.
    Error {
        /// Why, and what to do.
        why: String,
    },
}

/// How a run is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunState {
    /// Its name.
    pub run: String,
    /// Its capture's folder.
    pub capture: String,
    /// Records written.
    pub records: u64,
    /// Bytes written.
    pub bytes: u64,
    /// The phase of the day.
    pub phase: String,
    /// It is over.
    pub ended: bool,
    /// What is wrong with the recording, if anything is.
    pub trouble: Option<String>,
}
