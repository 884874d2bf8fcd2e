//! The shapes of what controllers said of themselves, as `findings.json` has them.

use crate::grade::verdict::{Num, Secs};
use crate::time::Stamp;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;

/// All that controllers said, and where it differs from what was graded here. It changes no verdict.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ControllerWord {
    /// Each that answered, by link and address.
    pub controllers: Vec<Said>,
    /// Where one of them and this program differ.
    pub disagreements: Vec<Disagreement>,
}

/// What one controller said.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Said {
    /// Its address: the identifier of its answers on CAN, its byte on an older bus.
    pub who: String,
    /// The link on which it answered.
    pub link: String,
    /// Its name for itself.
    pub name: Option<String>,
    /// The vehicle's number, masked unless it was asked for.
    pub vin: Option<Vin>,
    /// Its software.
    pub calibrations: Vec<Calibration>,
    /// `stored`, `pending`, `permanent`: those that it was asked for and answered.
    pub codes: BTreeMap<&'static str, FirstLast<Vec<CodeSaid>>>,
    /// Its lamp and the state of its vapour monitor since codes were cleared.
    pub readiness: Option<FirstLast<Readiness>>,
    /// The state of its vapour monitor in this driving cycle.
    pub this_cycle: Option<FirstLast<MonitorState>>,
    /// Results of its vapour monitors (service 06), a row a test.
    pub monitors: Vec<MonitorSaid>,
    /// Results of tests of its maker's own, vapour or not (service 06 on the older buses).
    pub maker_tests: Vec<MakerTest>,
    /// How often its vapour monitor was completed in use.
    pub in_use: Option<FirstLast<InUse>>,
    /// What stood when a code was stored (SAE J1979 service 02).
    pub freeze_frame: Option<Freeze>,
    /// The same of vehicles that answer by SAE J1979-2, which keep records for each code (ISO 14229 service 19 04).
    pub snapshots: Vec<SnapshotSaid>,
}

/// Something said at a time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct At<T> {
    /// When.
    pub at_s: Secs,
    /// What.
    pub said: T,
}

/// The first and the last answer in the capture; the same one if there was but one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FirstLast<T> {
    /// The first.
    pub first: At<T>,
    /// The last.
    pub last: At<T>,
}

impl<T: Clone + PartialEq> FirstLast<T> {
    /// Puts a new answer behind the one before it, if there was one.
    pub(super) fn next(before: Option<FirstLast<T>>, at: Stamp, said: T) -> FirstLast<T> {
        let last = At { at_s: at.into(), said };
        FirstLast { first: before.map_or_else(|| last.clone(), |b| b.first), last }
    }

    /// True if the last differs from the first.
    pub fn changed(&self) -> bool {
        self.first.said != self.last.said
    }
}

/// A vehicle's number. It is printed masked unless `shown` is set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Vin {
    text: String,
    /// The person asked for it.
    pub shown: bool,
}

/// Characters of a VIN that tell vans of a fleet apart and are shown always.
const SHOWN: usize = 4;

impl Vin {
    pub(super) fn new(text: String) -> Vin {
        Vin { text, shown: false }
    }
}

impl std::fmt::Display for Vin {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let hidden = if self.shown { 0 } else { self.text.len().saturating_sub(SHOWN) };
        f.write_str(&"*".repeat(hidden))?;
        f.write_str(self.text.get(hidden..).unwrap_or_default())
    }
}

impl Serialize for Vin {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

/// A calibration of a controller.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Calibration {
    /// Its identification.
    pub id: Option<String>,
    /// Its verification number, eight hexadecimal digits.
    pub cvn: Option<String>,
}

/// A trouble code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CodeSaid {
    /// As SAE J2012 writes it.
    pub code: String,
    /// What it means, or what part of the vehicle it is about.
    pub means: &'static str,
    #[serde(skip)]
    pub(super) word: u16,
}

/// The state of the vapour monitor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum MonitorState {
    /// It ran to its end.
    Complete,
    /// It did not yet.
    NotComplete,
    /// The controller does not have it, or will not run it in this cycle.
    Absent,
}

impl MonitorState {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            MonitorState::Complete => "complete",
            MonitorState::NotComplete => "not complete",
            MonitorState::Absent => "not there",
        }
    }
}

/// Readiness, since codes were cleared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Readiness {
    /// The lamp is asked for.
    pub lamp: bool,
    /// Stored codes.
    pub stored_codes: u8,
    /// The vapour monitor.
    pub vapour: MonitorState,
}

/// How a result of service 06 stands to its own limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Within them.
    Pass,
    /// Outside.
    Fail,
    /// All zero: not run since codes were cleared.
    NotRun,
}

/// One result of service 06.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MonitorResult {
    /// The result, in the unit of its row.
    pub value: Num,
    /// Lowest that passes.
    pub low: Num,
    /// Highest that passes.
    pub high: Num,
    /// How it stands to them.
    pub result: Outcome,
}

/// The results of one test of a vapour monitor.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MonitorSaid {
    /// Its identifier, two hexadecimal digits.
    pub monitor: String,
    /// What it watches.
    pub watches: &'static str,
    /// The test's identifier, the maker's own.
    pub test: String,
    /// Unit of its figures; `raw` where the standard's table gives none that is known here.
    pub unit: &'static str,
    /// First and last answer.
    #[serde(flatten)]
    pub results: FirstLast<MonitorResult>,
    #[serde(skip)]
    pub(super) id: u8,
}

/// Which values pass a test of the maker's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitKind {
    /// Those up to the limit.
    Max,
    /// Those from the limit on.
    Min,
}

impl LimitKind {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            LimitKind::Max => "at most",
            LimitKind::Min => "at least",
        }
    }
}

/// One result of a test of the maker's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct MakerResult {
    /// The result as it was sent.
    pub value: u16,
    /// The limit as it was sent.
    pub limit: u16,
    /// How it stands to it.
    pub result: Outcome,
}

/// The results of one test of the maker's own: what it watches and how its figures are scaled only the maker knows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MakerTest {
    /// The test's identifier, two hexadecimal digits.
    pub test: String,
    /// The component's, two hexadecimal digits.
    pub component: String,
    /// What its limit is.
    pub limit_kind: LimitKind,
    /// Whose scaling the figures have; they have no unit.
    pub scaling: &'static str,
    /// First and last answer.
    #[serde(flatten)]
    pub results: FirstLast<MakerResult>,
}

/// In-use counters of the vapour monitor (service 09, InfoType 08).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct InUse {
    /// Starts of the engine.
    pub starts: u16,
    /// Trips that met the general conditions.
    pub general_conditions: u16,
    /// Times the vapour monitor was completed.
    pub completed: u16,
    /// Trips that met its conditions.
    pub conditions: u16,
}

/// The freeze frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Freeze {
    /// When it was told.
    pub at_s: Secs,
    /// The code that stored it.
    pub code: Option<CodeSaid>,
    /// What stood then, by the names of channels.
    pub values: BTreeMap<&'static str, Num>,
}

/// A record of what stood when a code was stored.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SnapshotSaid {
    /// When it was last told.
    pub at_s: Secs,
    /// The code that stored it.
    pub code: CodeSaid,
    /// Its number, two hexadecimal digits; 00 is the one that the law asks for.
    pub record: String,
    /// What stood then, by the names of channels.
    pub values: BTreeMap<&'static str, Num>,
    /// Bytes of the answer that could not be told apart, behind an identifier of a length that is not known here.
    pub unread: usize,
}

/// A controller and this program differ.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Disagreement {
    /// What the controller says, and when it said so.
    pub controller: String,
    /// What was found here, and why.
    pub tool: String,
    /// How both may be, and what to do.
    pub text: String,
}
