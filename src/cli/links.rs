//! `links`: what can be connected, and what each kind of link can grade.

use super::{Error, Outcome};

/// Show the serial ports and built-in scenarios there are, and which test each kind of link can grade.
#[derive(Debug, clap::Args)]
pub struct Links {}

impl Links {
    /// Runs it.
    pub fn run(self) -> Result<Outcome, Error> {
        super::outcome::complain(&"this command is still being built");
        Ok(Outcome::Unreadable)
    }
}
