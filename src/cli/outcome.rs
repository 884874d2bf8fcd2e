//! How a command ends: the outcome, the errors, the exit code.

use crate::grade::verdict::{Findings, Verdict};
use crate::profile::{self, Profile};
use crate::{daemon, link, plan, session, view};
use std::io::{self, Write};
use std::process::ExitCode;

/// What a finished command has to tell, worst first: the order is that of the exit codes' precedence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// A test failed.
    Failed,
    /// An input could not be read.
    Unreadable,
    /// A test that the profile asks for was inconclusive or not run.
    Wanting,
    /// None of these.
    Fine,
}

impl Outcome {
    /// Of one capture's findings.
    pub fn of(findings: &Findings, profile: &Profile) -> Outcome {
        let verdict = |t| findings.summary.get(t).copied().unwrap_or(Verdict::NotRun);
        if findings.summary.values().any(|v| *v == Verdict::Fail) {
            Outcome::Failed
        } else if profile.asks.iter().any(|t| verdict(t) != Verdict::Pass) {
            Outcome::Wanting
        } else {
            Outcome::Fine
        }
    }

    /// The exit code.
    pub fn code(self) -> u8 {
        match self {
            Outcome::Failed => 1,
            Outcome::Unreadable => 2,
            Outcome::Wanting => 3,
            Outcome::Fine => 0,
        }
    }
}

/// Why a command could not go on.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A path of the command line is not there or may not be read.
    #[error("{path} could not be read: {source}. Check the path and that you may read it.")]
    Path {
        /// As given or found.
        path: String,
        /// Of the system.
        source: io::Error,
    },
    /// A folder holds nothing to grade.
    #[error("{path} holds no capture (a folder with raw.pcapng) and no .csv file. Name another folder or a file.")]
    Nothing {
        /// As given.
        path: String,
    },
    /// Nobody said where to put the export of a file.
    #[error("{path} is a file, not a capture's folder: say with --into where to write")]
    Into {
        /// As given.
        path: String,
    },
    /// The profile leads through other jobs, or none.
    #[error("the profile {profile} has no guide {guide}: {there}")]
    NoGuide {
        /// The profile's name.
        profile: String,
        /// What was asked for.
        guide: &'static str,
        /// What there is, as advice.
        there: String,
    },
    /// An older bus has no frames of CAN.
    #[error(
        "--to {way} carries CAN, and the vehicle's bus is an older one: say --to adapter, or --bus can11, can29 or j1979-2"
    )]
    OldBus {
        /// The way.
        way: &'static str,
    },
    /// What is played cannot be handed on.
    #[error("the play ended: {source}. See that the interface stays up and that the system has pseudo-terminals")]
    Play {
        /// Of the system.
        source: io::Error,
    },
    /// A tight reading that is none.
    #[error("{path}: {why}")]
    Tight {
        /// As given.
        path: String,
        /// What it lacks, and what to do.
        why: String,
    },
    /// A profile to be saved would lie over another file.
    #[error("{path} is there already and is left as it is: name another file with --save-profile")]
    Kept {
        /// As given.
        path: String,
    },
    /// One profile cannot come of several captures.
    #[error("--save-profile writes one profile: grade one capture at a time")]
    Several,
    /// There is no plan of such a night.
    #[error(transparent)]
    Plan(#[from] plan::Error),
    /// A daemon cannot be run or reached.
    #[error(transparent)]
    Daemon(#[from] daemon::Error),
    /// A profile is not there or faulty.
    #[error(transparent)]
    Profile(#[from] profile::Error),
    /// A link is not named rightly.
    #[error(transparent)]
    Link(#[from] link::Error),
    /// A run cannot begin, or a saved one cannot be judged.
    #[error(transparent)]
    Session(#[from] session::Error),
    /// Writing for the reader failed.
    #[error(transparent)]
    View(#[from] view::Error),
}

/// Tells what is left to tell and gives the exit code. A reader that went away (`… | head`) is told nothing.
pub fn exit(ended: Result<Outcome, Error>) -> ExitCode {
    let outcome = ended.unwrap_or_else(|error| {
        if !matches!(&error, Error::View(e) if e.is_broken_pipe()) {
            complain(&error);
        }
        Outcome::Unreadable
    });
    ExitCode::from(outcome.code())
}

/// One sentence on stderr. If that is closed too, nobody is left to tell.
pub fn complain(error: &dyn std::fmt::Display) {
    let _ = writeln!(io::stderr(), "soakwatch: {error}");
}

/// One line on stdout.
pub fn say(line: &str) -> Result<(), Error> {
    Ok(writeln!(io::stdout(), "{line}").map_err(view::Error::write("standard output"))?)
}
