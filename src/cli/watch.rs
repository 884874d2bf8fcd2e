//! `watch`: record, grade live, show.

use super::{Error, Outcome, ProfileChoice};
use crate::units::Shown;
use std::path::PathBuf;

/// Record and grade live. Ctrl-C ends the run in order, with a summary and the capture's place.
#[derive(Debug, clap::Args)]
pub struct Watch {
    /// Where readings come from: bench:PORT, csv:FILE or sim:SCENARIO, with options after commas such as
    /// bench:/dev/ttyUSB0,baud=115200; may be given again. See `soakwatch links`
    #[arg(long, short, value_name = "LINK")]
    pub link: Vec<String>,
    /// Which limits to judge by.
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// How many times faster than life the simulator or a file is played; live hardware keeps its own pace
    #[arg(long, value_name = "N")]
    pub speed: Option<f64>,
    /// Units on the screen; files are always SI
    #[arg(long, value_enum, default_value = "si")]
    pub units: Shown,
    /// Folder in which the capture's own folder is made
    #[arg(long, value_name = "DIR", default_value = "captures")]
    pub captures: PathBuf,
    /// End the run in order after this many seconds
    #[arg(long, value_name = "N")]
    pub seconds: Option<f64>,
    /// One plain line an event, as when the output is no terminal
    #[arg(long)]
    pub plain: bool,
}

impl Watch {
    /// Runs it.
    pub fn run(self) -> Result<Outcome, Error> {
        super::outcome::complain(&"this command is still being built");
        Ok(Outcome::Unreadable)
    }
}
