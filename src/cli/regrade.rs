//! `regrade`: replay captures or CSV files and grade them afresh.

use super::inputs;
use super::outcome::{complain, say};
use super::{Error, Outcome, ProfileChoice};
use crate::session::{Limits, Replayed, replay};
use crate::units::Shown;
use crate::view::block::{Style, block};
use crate::view::{self, json};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
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

/// The bar's steps for one input.
const STEPS: u64 = 1000;

impl Regrade {
    /// Runs it. An input that cannot be read is told on stderr, and the run goes on.
    pub fn run(self) -> Result<Outcome, Error> {
        // A profile that cannot be loaded is a wrong call, told once and not for every file.
        let given = self.profile.given()?;
        let (found, errors) = inputs::find(&self.paths);
        errors.iter().for_each(|e| complain(e));
        let mut worst = if errors.is_empty() { Outcome::Fine } else { Outcome::Unreadable };
        let bar = progress_bar(found.len());
        for (i, input) in found.iter().enumerate() {
            let begun = i as u64 * STEPS;
            bar.set_message(view::show::clean(&input.display().to_string()));
            let limits = given.as_ref().map_or(Limits::Stored(&self.profile.set), Limits::Given);
            let mut progress = |done: u64, all: u64| bar.set_position(begun + done * STEPS / all.max(1));
            let outcome = match replay(input, limits, &mut |_| {}, &mut progress) {
                Err(error) => {
                    bar.suspend(|| complain(&error));
                    Outcome::Unreadable
                }
                Ok(replayed) => {
                    if let Err(error) = bar.suspend(|| self.tell(&replayed, i > 0)) {
                        bar.finish_and_clear();
                        return if worst == Outcome::Failed { Ok(worst) } else { Err(error) };
                    }
                    Outcome::of(&replayed.findings, &replayed.profile)
                }
            };
            worst = worst.min(outcome);
        }
        bar.finish_and_clear();
        Ok(worst)
    }

    fn tell(&self, replayed: &Replayed, apart: bool) -> Result<(), Error> {
        let Replayed { findings, losses, .. } = replayed;
        if self.json {
            // What was lost of the file is a gap in the findings; the places are for people.
            losses.iter().for_each(|l| complain(&format!("{}: {l}", findings.capture)));
            return say(&json::line(findings)?);
        }
        if apart {
            say("")?;
        }
        block(findings, losses, Style::of_stdout(self.units)).iter().try_for_each(|line| say(line))
    }
}

/// On stderr and only on a terminal; `indicatif` hides it elsewhere.
fn progress_bar(inputs: usize) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(inputs as u64 * STEPS), ProgressDrawTarget::stderr_with_hz(5));
    let style = ProgressStyle::with_template("  [{bar:30}] {percent:>3} %  {wide_msg}");
    bar.with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()).progress_chars("=> "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::Judge;
    use crate::trade::{Test, Verdict};

    #[test]
    fn the_first_exit_code_that_holds() {
        let profile = crate::profile::load_builtin("switch-module").unwrap();
        assert_eq!(profile.asks, [Test::KeyOffSoak, Test::VacuumDecay]);
        let judge = Judge::new(std::sync::Arc::new(profile.clone()), &[]);
        let with = |verdicts: &[(Test, Verdict)]| {
            let mut f = judge.findings("x");
            f.summary.extend(verdicts.iter().copied());
            Outcome::of(&f, &profile)
        };
        use Test::*;
        use Verdict::*;
        assert_eq!(with(&[(KeyOffSoak, Pass), (VacuumDecay, Pass)]).code(), 0);
        assert_eq!(with(&[(KeyOffSoak, Pass), (VacuumDecay, NotRun)]).code(), 3);
        assert_eq!(with(&[(KeyOffSoak, Inconclusive), (VacuumDecay, Pass)]).code(), 3);
        assert_eq!(with(&[(KeyOffSoak, Inconclusive), (Relief, Fail)]).code(), 1);
        assert!(Outcome::Failed < Outcome::Unreadable && Outcome::Unreadable < Outcome::Wanting);
        assert!(Outcome::Wanting < Outcome::Fine, "the worst of several is the least");
    }
}
