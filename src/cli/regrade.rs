//! `regrade`: replay captures or CSV files and grade them afresh.

use super::inputs;
use super::known_leak::Known;
use super::outcome::{complain, say};
use super::{Error, Outcome, ProfileChoice};
use crate::session::{Limits, Replayed, Threads, replay_noted};
use crate::units::Shown;
use crate::view::block::{Style, block};
use crate::view::{self, json};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::collections::BTreeMap;
use std::num::NonZero;
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;

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
    /// A hole of known size in the line.
    #[command(flatten)]
    pub known: Known,
    /// One JSON object a capture, one a line, for other programs
    #[arg(long)]
    pub json: bool,
    /// Units of the text; JSON is always SI
    #[arg(long, value_enum, default_value = "si")]
    pub units: Shown,
    /// Print the vehicle's number in full, not only its last characters
    #[arg(long)]
    pub show_vin: bool,
}

/// The bar's steps for one input.
const STEPS: u64 = 1000;

impl Regrade {
    /// Runs it. An input that cannot be read is told on stderr, and the run goes on.
    pub fn run(self) -> Result<Outcome, Error> {
        // A profile that cannot be loaded is a wrong call, told once and not for every file.
        let given = self.profile.given()?;
        self.known.check()?;
        let (found, errors) = inputs::find(&self.paths);
        if self.known.save_profile.is_some() && found.len() > 1 {
            return Err(Error::Several);
        }
        errors.iter().for_each(|e| complain(e));
        let mut worst = if errors.is_empty() { Outcome::Fine } else { Outcome::Unreadable };
        // Several keep the cores busy by themselves.
        let threads = if found.len() == 1 { Threads::Two } else { Threads::One };
        let bar = progress_bar(found.len());
        let limits = given.as_ref().map_or(Limits::Stored(&self.profile.set), Limits::Given);
        let notes = self.known.notes(limits, found.first().map(PathBuf::as_path))?;
        let told = in_order(
            &found,
            |input| {
                bar.set_message(view::show::clean(&input.display().to_string()));
                let mut at = 0;
                let mut progress = |done: u64, all: u64| {
                    let now = (done * STEPS / all.max(1)).min(STEPS);
                    bar.inc(now.saturating_sub(at));
                    at = at.max(now);
                };
                let mut replayed = replay_noted(threads, input, limits, &notes, &mut |_| {}, &mut progress);
                progress(1, 1);
                if let Ok(replayed) = &mut replayed
                    && self.show_vin
                {
                    replayed.findings.show_vin();
                }
                replayed
            },
            |i, replayed| {
                let outcome = match replayed {
                    Err(error) => {
                        bar.suspend(|| complain(&error));
                        Outcome::Unreadable
                    }
                    Ok(replayed) => {
                        let saved = bar.suspend(|| {
                            self.tell(&replayed, i > 0)?;
                            self.known.save(&replayed.findings, &replayed.profile, None, !self.json)
                        })?;
                        Outcome::of(&replayed.findings, &replayed.profile).min(saved)
                    }
                };
                worst = worst.min(outcome);
                Ok(())
            },
        );
        bar.finish_and_clear();
        match told {
            Err(error) if worst != Outcome::Failed => Err(error),
            _ => Ok(worst),
        }
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

/// Works on all inputs, on as many threads as there are cores, and tells each result in the order of the inputs. Ends
/// at the first error of `tell`.
fn in_order<I: Sync, R: Send, E>(
    inputs: &[I],
    work: impl Fn(&I) -> R + Sync,
    mut tell: impl FnMut(usize, R) -> Result<(), E>,
) -> Result<(), E> {
    let threads = thread::available_parallelism().map_or(1, NonZero::get).min(inputs.len());
    let next = AtomicUsize::new(0);
    thread::scope(|scope| {
        let (done, results) = mpsc::channel();
        for _ in 0..threads {
            let (done, next, work) = (done.clone(), &next, &work);
            scope.spawn(move || {
                loop {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    let Some(input) = inputs.get(i) else { break };
                    // Nobody listens any more once telling has failed.
                    if done.send((i, work(input))).is_err() {
                        break;
                    }
                }
            });
        }
        drop(done);
        let (mut early, mut told) = (BTreeMap::new(), 0);
        for (i, result) in results {
            early.insert(i, result);
            while let Some(result) = early.remove(&told) {
                tell(told, result)?;
                told += 1;
            }
        }
        Ok(())
    })
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
    fn results_are_told_in_the_order_of_the_inputs() {
        // The first take longest.
        let inputs: Vec<u64> = (0..40).collect();
        let work = |i: &u64| {
            thread::sleep(std::time::Duration::from_micros(500 * (40 - i)));
            i * i
        };
        let mut told = Vec::new();
        let mut tell = |i: usize, r: u64| {
            told.push((i as u64, r));
            Ok::<(), ()>(())
        };
        assert_eq!(in_order(&inputs, work, &mut tell), Ok(()));
        assert_eq!(told, (0..40).map(|i| (i, i * i)).collect::<Vec<_>>());
        let stops = |i: usize, _| if i == 3 { Err(i) } else { Ok(()) };
        assert_eq!(in_order(&inputs, work, stops), Err(3));
        assert_eq!(in_order(&[], work, |_, _| Err("told")), Ok(()));
    }

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
