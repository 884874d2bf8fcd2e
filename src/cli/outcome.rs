//! How a command ends: the outcome, the errors, the exit code.

use crate::grade::verdict::{Findings, Verdict};
use crate::profile::{self, Profile};
use crate::{link, session, view};
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::view::Error as V;

    /// How to provoke each variant and the exact sentence it gets. A new variant does not compile without a row here.
    fn row(error: &Error) -> (&'static str, &'static str) {
        match error {
            Error::Path { .. } => (
                "a path that is not there",
                "nowhere could not be read: No such file or directory (os error 2). Check the path and that you may \
                 read it.",
            ),
            Error::Nothing { .. } => (
                "an empty folder",
                "FOLDER holds no capture (a folder with raw.pcapng) and no .csv file. Name another folder or a file.",
            ),
            Error::Into { .. } => {
                ("a file exported nowhere", "a.csv is no capture's folder: say with --into where to write")
            }
            Error::Profile(_) => (
                "a profile that is not there",
                "there is no built-in profile and no file \"nowhere.toml\"; built in are \"switch-module\", \
                 \"pressure-sensor\" or \"road-log\"; or give the path of a .toml file",
            ),
            Error::Link(_) => (
                "a link without a kind",
                "\"tight\" is no link: write KIND:TARGET, such as bench:/dev/ttyUSB0, csv:FILE or sim:tight",
            ),
            Error::Session(_) => {
                ("a pace of nothing", "a speed of 0 cannot be kept: give a number above 0, such as 60")
            }
            Error::View(V::Write { .. }) => (
                "a full disk",
                "standard output could not be written: No space left on device (os error 28). See that the disk has \
                 room and that you may write there.",
            ),
            Error::View(V::Exists { .. }) => (
                "an export that is there",
                "FOLDER/samples.csv is there already and was left as it is. Name another folder with --into, or say \
                 --replace.",
            ),
        }
    }

    #[test]
    fn every_fault_gets_its_sentence() {
        use crate::cli::{ProfileChoice, export, inputs, watch};
        let dir = tempfile::tempdir().unwrap();
        let choice = |name: &str| ProfileChoice { profile: Some(name.to_owned()), set: vec![] };
        let export = |capture: &str, into: Option<&std::path::Path>| export::Export {
            capture: capture.into(),
            to: export::Form::Csv,
            into: into.map(Into::into),
            replace: false,
            profile: ProfileChoice::default(),
        };
        let watch = |link: &str| watch::Watch {
            link: vec![link.to_owned()],
            profile: ProfileChoice::default(),
            speed: Some(0.0),
            units: crate::units::Shown::Si,
            captures: dir.path().join("captures"),
            seconds: None,
            plain: true,
        };
        let mut given = inputs::find(&["nowhere".into(), dir.path().to_owned()]).1;
        given.push(export("a.csv", None).run().unwrap_err());
        given.push(choice("nowhere.toml").given().unwrap_err());
        given.push(watch("tight").run().unwrap_err());
        given.push(watch("sim:tight").run().unwrap_err());
        // What Linux answers when the disk is full: errno 28 is ENOSPC (errno(3)).
        given.push(view::Error::write("standard output")(io::Error::from_raw_os_error(28)).into());
        std::fs::write(dir.path().join("samples.csv"), "").unwrap();
        given.push(export("a.csv", Some(dir.path())).run().unwrap_err());
        let folder = dir.path().display().to_string();
        let mut told = Vec::new();
        for error in &given {
            let (what, sentence) = row(error);
            assert_eq!(error.to_string().replace(&folder, "FOLDER"), sentence, "{what}");
            told.push(what);
        }
        told.sort();
        told.dedup();
        assert_eq!(told.len(), 8, "each variant is provoked: {told:?}");
    }
}
