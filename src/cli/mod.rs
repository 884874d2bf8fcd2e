//! The commands: one file each, every option defined once with its help.

pub mod captures;
pub mod daemon;
pub mod export;
pub mod inputs;
mod keyboard;
mod known_leak;
pub mod links;
pub mod outcome;
pub mod plan;
pub mod play;
pub mod profile;
pub mod regrade;
pub mod watch;

pub use outcome::{Error, Outcome, exit};

use crate::profile::{Profile, load};
use std::sync::Arc;

/// Watches the leak tests of a petrol vehicle's fuel-vapour system as they happen, grades each on the spot and
/// keeps the raw record, so that it can be graded again later.
///
/// A grade is a technician's aid, not an official inspection.
#[derive(Debug, clap::Parser)]
#[command(version, max_term_width = 100, after_help = EXIT_CODES)]
pub struct Line {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What can be done.
#[derive(Debug, clap::Subcommand)]
pub enum Command {
    /// Record and grade live, on the screen: the simulated demo vehicle if no link is named
    Watch(watch::Watch),
    /// Record and grade without a screen, one vehicle or several, and be looked at through a socket
    Daemon(daemon::Daemon),
    /// Look at what a daemon records
    Attach(daemon::Attach),
    /// Add a note to what a daemon records
    Mark(daemon::Mark),
    /// Grade saved captures or CSV files afresh; nothing saved is changed
    Regrade(regrade::Regrade),
    /// Say what tonight's soak can tell, when the switch should close, and when to drive in the morning
    Plan(plan::Plan),
    /// List saved captures and check whether each is whole; mend or compress them
    Captures(captures::Captures),
    /// Write a capture's samples, phases and findings for other tools
    Export(export::Export),
    /// Show the serial ports and scenarios there are, and which test each kind of link can grade
    Links(links::Links),
    /// Play a simulated vehicle on a CAN interface or a pseudo-terminal, for others to connect to
    Play(play::Play),
    /// List, show and check profiles: the volumes, limits and timings a vehicle is judged by
    Profile(profile::Profiles),
}

/// Which profile to judge by.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct ProfileChoice {
    /// The vehicle's limits: a built-in profile's name or a TOML file (see `soakwatch profile list`)
    #[arg(long, short, value_name = "PROFILE")]
    pub profile: Option<String>,
    /// Change one key of the profile for this run, such as vehicle.tank_l=62; may be given again
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub set: Vec<String>,
}

/// A live run without a named profile is judged by this one.
const USUAL_PROFILE: &str = "switch-module";

impl ProfileChoice {
    /// The profile that was named, if one was.
    pub fn given(&self) -> Result<Option<Arc<Profile>>, Error> {
        let named = self.profile.as_deref().map(|name| load(name, &self.set));
        Ok(named.transpose()?.map(Arc::new))
    }

    /// The profile that was named, or `usual`.
    pub fn or(&self, usual: &str) -> Result<Arc<Profile>, Error> {
        Ok(Arc::new(load(self.profile.as_deref().unwrap_or(usual), &self.set)?))
    }
}

const EXIT_CODES: &str = "\
Exit codes of `regrade` and of a finished `watch`, the first that holds:
  1  a test failed
  2  an input could not be read, or the call was wrong
  3  a test that the profile asks for was inconclusive or not run
  0  none of these";

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_options_are_sound() {
        Line::command().debug_assert();
    }
}
