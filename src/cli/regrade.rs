//! `regrade`: replay captures or CSV files and grade them afresh.

use super::{Error, Outcome, ProfileChoice};
use crate::units::Shown;
use std::path::PathBuf;

/// Grade captures or CSV files afresh. Folders are walked; a folder with raw.pcapng is one capture.
///
/// A capture is judged by the profile stored in it unless one is named here; a CSV file by the named profile, or
/// by `switch-module`. Nothing saved is changed.
#[derive(Debug, clap::Args)]
pub struct Regrade {
    /// Captures, CSV files, or folders of them
    #[arg(required = true, value_name = "PATH")]
    pub paths: Vec<PathBuf>,
    /// Which limits to judge by.
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// One JSON object a capture, one a line, for other programs
    #[arg(long)]
    pub json: bool,
    /// Units of the text; JSON is always SI
    #[arg(long, value_enum, default_value = "si")]
    pub units: Shown,
}

impl Regrade {
    /// Runs it.
    pub fn run(self) -> Result<Outcome, Error> {
        super::outcome::complain(&"this command is still being built");
        Ok(Outcome::Unreadable)
    }
}
