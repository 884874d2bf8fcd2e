//! Profiles: everything that is a calibration and not a fact, each limit with its unit and source.

mod builtin;
mod bus;
mod calibrate;
mod check;
mod fault;
mod guide;
mod load;
mod read;
mod read_bus;
mod read_dialect;
mod read_guide;
mod settings;
mod store;
mod volume;

pub use builtin::builtin_names;
pub use bus::{BroadcastSource, BusSources, DidSource, Field, ObdSource};
pub use calibrate::Calibration;
pub use fault::{Error, Fault, Place};
pub use guide::{Bound, DECIDED, Patience, Step, Term, Topic, Until};
pub use load::{SET_SOURCE, load, load_builtin};
pub use read_guide::STEP;
pub use settings::*;

use crate::channel::Channel;
use crate::trade::{self, Job, Test};
use crate::wire::dialect::Dialect;
use crate::wire::obd::Pid54;
use std::collections::BTreeMap;

/// How a foreign column becomes a channel: `value * scale + offset`.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// The heading as it stands in the file, trimmed.
    pub column: String,
    /// The channel it carries.
    pub channel: Channel,
    /// Factor.
    pub scale: f64,
    /// Added after scaling.
    pub offset: f64,
}

/// Where the time of a row comes from when the file has neither `time_s` nor `utc`.
#[derive(Debug, Clone, PartialEq)]
pub enum RowTime {
    /// A column in seconds.
    Column(String),
    /// An assumed period from row to row, in seconds; findings say so.
    Period(f64),
}

/// A profile, checked and complete.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Its name.
    pub name: String,
    /// One line for people.
    pub title: String,
    /// The built-in profile it stands on, if any.
    pub base: Option<String>,
    /// The settings.
    pub set: Settings,
    /// Where each value comes from: by the setting's path, by `csv.HEADING`, by `calibrate.CHANNEL`, `obd.CHANNEL`,
    /// `did.CHANNEL`, `broadcast.CHANNEL`, `dialect`, and `time` for the time of rows.
    pub sources: BTreeMap<String, String>,
    /// Foreign headings.
    pub columns: Vec<Column>,
    /// Calibrations of the bench adapter, each channel once.
    pub calibrations: Vec<Calibration>,
    /// Sources on the vehicle's bus.
    pub bus: BusSources,
    /// How text-command adapters are spoken to.
    pub dialect: Dialect,
    /// Time of foreign rows.
    pub row_time: Option<RowTime>,
    /// Tests whose absence makes a regrade exit with 3.
    pub asks: Vec<Test>,
    /// The steps of each job it can lead through.
    pub guides: BTreeMap<Job, Vec<Step>>,
}

impl Profile {
    /// What is under test.
    pub fn subject(&self) -> trade::Subject {
        if self.set.subject.is == "module" { trade::Subject::Module } else { trade::Subject::Vehicle }
    }

    /// How PID 54 is read.
    pub fn pid_54(&self) -> Pid54 {
        if self.set.bus.pid_54 == "offset" { Pid54::Offset } else { Pid54::Signed }
    }

    /// The source of a setting's value, in words.
    pub fn source(&self, path: &str) -> &str {
        self.sources.get(path).map_or("no source given", String::as_str)
    }
}
