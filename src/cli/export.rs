//! `export`: a capture's samples, phases and findings for other tools.

use super::{Error, Outcome, ProfileChoice};
use std::path::PathBuf;

/// Write a capture's samples, phases, edges and findings as CSV files for a spreadsheet or other tools.
///
/// The files: samples.csv (every decoded reading), phases.csv, edges.csv, gaps.csv, findings.csv (one row a run
/// of a test), evidence.csv (the numbers behind each finding). All SI, RFC 4180, UTF-8.
#[derive(Debug, clap::Args)]
pub struct Export {
    /// The capture's folder, or a CSV file
    pub capture: PathBuf,
    /// The form to write
    #[arg(long, value_enum)]
    pub to: Form,
    /// Folder to write into [default: `export` inside the capture's folder]
    #[arg(long, short = 'o', value_name = "DIR")]
    pub into: Option<PathBuf>,
    /// Write over the files of an earlier export
    #[arg(long)]
    pub replace: bool,
    /// Which limits to judge by.
    #[command(flatten)]
    pub profile: ProfileChoice,
}

/// The forms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Form {
    /// Comma-separated values
    Csv,
}

impl Export {
    /// Runs it.
    pub fn run(self) -> Result<Outcome, Error> {
        super::outcome::complain(&"this command is still being built");
        Ok(Outcome::Unreadable)
    }
}
