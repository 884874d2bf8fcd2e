//! A known hole in the line: told on the command line, and what it taught saved as a profile.

use super::outcome::{complain, say};
use super::{Error, Outcome};
use crate::capture::{SessionFile, is_capture};
use crate::grade::tight_by;
use crate::grade::verdict::Findings;
use crate::profile::Profile;
use crate::record::Event;
use crate::session::{Limits, Threads, replay_on};
use crate::timeline::{KNOWN_LEAK, KnownLeak, TIGHT_DECAYS};
use crate::view::{self, learned};
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

/// A hole of known size in the line, so that the vehicle's volume and switch can be learned from its decays.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Known {
    /// A reference orifice of this size is in the line from the start, such as 0.5mm or 0.020in: learn this vehicle's
    /// vapour volume and switch from it. Needs a tight reading without it on the same day
    #[arg(long, value_name = "SIZE", value_parser = size)]
    pub known_leak: Option<KnownLeak>,
    /// The capture of that tight reading, if it is not in the same capture: its soak or decay must pass
    #[arg(long, value_name = "CAPTURE", requires = "known_leak")]
    pub tight: Option<PathBuf>,
    /// Save what was learned as a profile in this file
    #[arg(long, value_name = "FILE")]
    pub save_profile: Option<PathBuf>,
}

/// Readings further apart than this are not of one day, s.
const SAME_DAY_S: i64 = 86_400;

impl Known {
    /// Whether the profile can be saved where it is to go.
    pub fn check(&self) -> Result<(), Error> {
        match self.save_profile.as_ref().filter(|p| p.exists()) {
            Some(path) => Err(Error::Kept { path: path.display().to_string() }),
            None => Ok(()),
        }
    }

    /// The notes that tell of it. `graded` is the capture in whose line the hole was; without one it is now.
    pub fn notes(&self, limits: Limits<'_>, graded: Option<&Path>) -> Result<Vec<Event>, Error> {
        let Some(mut known) = self.known_leak.clone() else { return Ok(Vec::new()) };
        let note = |kind: &str, text: String| Event::Note { note_kind: kind.to_owned(), text };
        let mut notes = Vec::new();
        if let Some(path) = &self.tight {
            let wrong = |why: &str| Error::Tight { path: path.display().to_string(), why: why.to_owned() };
            let tight = replay_on(Threads::One, path, limits, &mut |_| {}, &mut |_, _| {})?;
            let created = |dir: &Path| {
                is_capture(dir).then(|| SessionFile::read(dir).map(|s| s.created)).transpose().ok().flatten()
            };
            let then = created(path);
            let now = graded.map_or(Some(jiff::Timestamp::now()), created);
            if let (Some(then), Some(now)) = (then, now)
                && (now.as_second() - then.as_second()).abs() > SAME_DAY_S
            {
                return Err(wrong("it was recorded more than a day apart: a tight reading of the same day is needed"));
            }
            let none = "neither its soak nor its decay passed without a known hole, so it shows no tight vehicle; find the leak, or repeat the tight reading";
            let (mm, _) = tight_by(&tight.findings.tests).ok_or_else(|| wrong(none))?;
            known.tight = Some((mm, tight.findings.capture));
            notes.extend(tight.tight.map(|t| note(TIGHT_DECAYS, t.to_string())));
        }
        notes.push(note(KNOWN_LEAK, known.to_string()));
        Ok(notes)
    }

    /// Saves what was learned: where it was asked for, and in `beside`; says where, if that may be `told` on stdout, and
    /// why not if it was asked for in vain.
    pub fn save(
        &self,
        findings: &Findings,
        profile: &Profile,
        beside: Option<PathBuf>,
        told: bool,
    ) -> Result<Outcome, Error> {
        let Some(text) = learned::profile(findings, profile) else {
            if let Some(path) = &self.save_profile {
                let why = findings.known_leak.as_ref().and_then(|k| k.refused.clone());
                let why = why.unwrap_or_else(|| "no known hole was told of: say --known-leak".to_owned());
                complain(&format!("{} was not written: {why}", path.display()));
                return Ok(Outcome::Wanting);
            }
            return Ok(Outcome::Fine);
        };
        // What is handed out must be sound.
        Profile::from_str("the learned profile", &text, &[])?;
        for path in beside.iter().chain(&self.save_profile) {
            let name = path.display().to_string();
            let written = File::create_new(path).and_then(|mut f| f.write_all(text.as_bytes()));
            written.map_err(view::Error::write(&name))?;
            if told {
                say(&format!("What the known hole taught is in {name}"))?;
            }
        }
        Ok(Outcome::Fine)
    }
}

fn size(text: &str) -> Result<KnownLeak, String> {
    let known = KnownLeak::parse(text).filter(|k| k.tight.is_none());
    known.ok_or_else(|| "a diameter such as 0.5mm or 0.020in, 0.1 to 3 mm".to_owned())
}
