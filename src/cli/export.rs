//! `export`: a capture's samples, phases and findings for other tools.

use super::outcome::{complain, say};
use super::{Error, Outcome, ProfileChoice};
use crate::judge::Seen;
use crate::session::{Limits, Replayed, replay_seen};
use crate::view;
use crate::view::csv::{self, Edges, Samples};
use std::fs::{self, File};
use std::io::BufWriter;
use std::path::{Path, PathBuf};

/// Write a capture's samples, phases, edges and findings as CSV files for a spreadsheet or other tools.
///
/// The files: samples.csv (every decoded reading), phases.csv, edges.csv (each change of key, engine, vent, leak
/// switch and purge), gaps.csv, findings.csv (one row a run of a test), evidence.csv (the numbers behind each finding).
/// All SI, RFC 4180, UTF-8. samples.csv can be read back with --link csv:FILE or regrade.
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
        let path = || self.capture.display().to_string();
        fs::metadata(&self.capture).map_err(|source| Error::Path { path: path(), source })?;
        let given = self.profile.given()?;
        let limits = given.as_ref().map_or(Limits::Stored(&self.profile.set), Limits::Given);
        let into = match (&self.into, self.capture.is_dir()) {
            (Some(dir), _) => dir.clone(),
            (None, true) => self.capture.join("export"),
            (None, false) => return Err(Error::Into { path: path() }),
        };
        // All names are looked at before anything is written.
        let [samples, edges, phases, gaps, findings, evidence] = FILES.map(|f| into.join(f));
        let all = [&samples, &edges, &phases, &gaps, &findings, &evidence];
        if let Some(there) = all.iter().find(|f| f.exists() && !self.replace) {
            return Err(view::Error::Exists { path: name(there) }.into());
        }
        fs::create_dir_all(&into).map_err(view::Error::write(name(&into)))?;

        // Under other names first: a capture that cannot be read leaves no half export behind.
        let parts = [&samples, &edges].map(|path| path.with_extension("part"));
        let replayed = self.stream(&parts, limits).inspect_err(|_| {
            parts.iter().for_each(|part| drop(fs::remove_file(part)));
            drop(fs::remove_dir(&into));
        })?;
        for (part, path) in parts.iter().zip([&samples, &edges]) {
            fs::rename(part, path).map_err(view::Error::write(name(path)))?;
        }
        let f = &replayed.findings;
        csv::phases(f, create(&phases)?, &name(&phases))?;
        csv::gaps(f, create(&gaps)?, &name(&gaps))?;
        csv::findings(f, create(&findings)?, &name(&findings))?;
        csv::evidence(f, create(&evidence)?, &name(&evidence))?;
        replayed.losses.iter().for_each(|l| complain(l));
        all.iter().try_for_each(|path| say(&name(path)))?;
        Ok(Outcome::Fine)
    }

    /// Writes what is too much to keep in memory while it passes.
    fn stream(&self, [samples, edges]: &[PathBuf; 2], limits: Limits<'_>) -> Result<Replayed, Error> {
        let mut samples = Samples::new(create(samples)?, name(samples))?;
        let mut edges = Edges::new(create(edges)?, name(edges))?;
        let mut written = Ok(());
        let mut each = |seen: Seen<'_>| {
            if written.is_ok() {
                written = match seen {
                    Seen::Reading(reading) => samples.reading(reading),
                    Seen::Happening(happening) => edges.happening(happening),
                };
            }
        };
        let replayed = replay_seen(&self.capture, limits, &mut each, &mut |_, _| {})?;
        written?;
        samples.flush()?;
        edges.flush()?;
        Ok(replayed)
    }
}

/// What is written.
const FILES: [&str; 6] = ["samples.csv", "edges.csv", "phases.csv", "gaps.csv", "findings.csv", "evidence.csv"];

fn name(path: &Path) -> String {
    path.display().to_string()
}

fn create(path: &Path) -> Result<BufWriter<File>, Error> {
    Ok(BufWriter::new(File::create(path).map_err(view::Error::write(name(path)))?))
}
