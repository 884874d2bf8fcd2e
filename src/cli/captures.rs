//! `captures`: what lies on the shelf, and whether it is whole.

use super::outcome::{complain, say};
use super::{Error, Outcome, inputs};
use crate::capture::{self, Seal, State};
use crate::view::show;
use std::path::{Path, PathBuf};

/// List the captures of a folder and check each from end to end: hashes, order, gaps, its end and its seal.
///
/// Nothing is changed unless asked for, and no record is ever deleted.
#[derive(Debug, clap::Args)]
pub struct Captures {
    /// Captures, or folders of them
    #[arg(value_name = "PATH", default_value = "captures")]
    pub paths: Vec<PathBuf>,
    /// Write what can be read of a damaged capture, or of one that was not ended in order, into a new one beside it,
    /// named NAME-mended; the old one stays as it is
    #[arg(long)]
    pub mend: bool,
    /// Compress the raw files of finished captures (zstd, RFC 8878); all commands read them as before
    #[arg(long, conflicts_with = "mend")]
    pub compress: bool,
}

impl Captures {
    /// Runs it. A capture that is damaged counts as one that could not be read.
    pub fn run(self) -> Result<Outcome, Error> {
        let (found, errors) = inputs::captures(&self.paths);
        errors.iter().for_each(|e| complain(e));
        let mut worst = if errors.is_empty() { Outcome::Fine } else { Outcome::Unreadable };
        for dir in found {
            let told = capture::look(&dir).and_then(|state| self.tend(&dir, &state).map(|more| (state, more)));
            match told {
                Ok((state, more)) => {
                    if !state.whole() {
                        worst = worst.min(Outcome::Unreadable);
                    }
                    for line in lines(&dir, &state).into_iter().chain(more) {
                        say(&line)?;
                    }
                }
                Err(error) => {
                    worst = worst.min(Outcome::Unreadable);
                    complain(&error);
                }
            }
        }
        Ok(worst)
    }

    /// What was asked for beyond a look; what was done, in lines.
    fn tend(&self, dir: &Path, state: &State) -> capture::Result<Option<String>> {
        if self.mend && !(state.whole() && state.seal == Seal::Whole) {
            let (new, _) = capture::mend(dir)?;
            return Ok(Some(format!("  mended as {}", show::clean(&new.display().to_string()))));
        }
        if self.compress && state.whole() && state.seal == Seal::Whole {
            let (before, after) = capture::compress(dir)?;
            if before > 0 {
                return Ok(Some(format!("  compressed from {} to {}", show::bytes(before), show::bytes(after))));
            }
        }
        Ok(None)
    }
}

fn lines(dir: &Path, s: &State) -> Vec<String> {
    let name = dir.file_name().map_or_else(|| ".".to_owned(), |n| n.to_string_lossy().into_owned());
    let begun = jiff::Timestamp::from_second(s.anchor_utc_ns.div_euclid(1_000_000_000)).unwrap_or_default();
    let mut words = vec![if s.losses.is_empty() { "whole" } else { "damaged" }];
    words.push(match &s.seal {
        Seal::Whole => "sealed",
        Seal::Broken(_) => "seal broken",
        Seal::None => "no seal",
    });
    if !s.ended {
        words.push("not ended in order");
    }
    if s.compressed {
        words.push("compressed");
    }
    let mut out = vec![format!(
        "{}  begun {}, {} long, {}, {}: {}",
        show::clean(&name),
        begun.strftime("%Y-%m-%d %H:%M UTC"),
        show::clock(s.length.secs()),
        show::counted(s.records, "record"),
        show::bytes(s.bytes),
        words.join(", ")
    )];
    if s.gaps.0 > 0 {
        let lost =
            if s.gaps.1 > 0 { format!(", {} lost in them", show::counted(s.gaps.1, "record")) } else { String::new() };
        out.push(format!("  {} named while recording{lost}", show::counted(s.gaps.0, "gap")));
    }
    if s.back > 0 {
        out.push(format!("  {} stamped earlier than the one before", show::counted(s.back, "record")));
    }
    out.extend(s.losses.iter().map(|l| format!("  {}", show::clean(l))));
    if let Seal::Broken(why) = &s.seal {
        out.extend(why.iter().map(|l| format!("  {}", show::clean(l))));
    }
    out
}
