//! Replay: what was saved, through the same judge, in this thread or in two.

use super::{Error, ahead};
use crate::capture::{self, Seal};
use crate::decode::Reading;
use crate::grade::verdict::Findings;
use crate::judge::{Judge, Seen};
use crate::link::FileRows;
use crate::profile::{self, Profile};
use crate::record::{Body, Event, Record};
use crate::time::Stamp;
use crate::timeline::TightDecays;
use std::path::Path;
use std::sync::Arc;

/// What a file of rows is judged by if nobody says.
const PROFILE_OF_FILES: &str = "switch-module";

/// A kept profile does not know where it lies.
fn of_capture(dir: &Path, error: profile::Error) -> profile::Error {
    let profile::Error::Faulty(mut faults) = error else { return error };
    for fault in faults.iter_mut().filter(|f| !f.file.starts_with("--set")) {
        fault.file = format!("{}: {}", dir.join(capture::SESSION_FILE).display(), fault.file);
    }
    profile::Error::Faulty(faults)
}

const NO_READING: &str = "not one reading of a channel is in it: see that there are rows, that each has its time, and \
                          that the headings are channels or mapped by the profile";

/// By which limits to judge.
#[derive(Debug, Clone, Copy)]
pub enum Limits<'a> {
    /// Those stored in the capture (for a file of rows, `switch-module`), with these `KEY=VALUE` over them.
    Stored(&'a [String]),
    /// These.
    Given(&'a Arc<Profile>),
}

/// What a replay came to.
#[derive(Debug)]
pub struct Replayed {
    /// All that was found.
    pub findings: Findings,
    /// What of the raw record was lost, and what of the stored profile was not as this build has it, in sentences.
    pub losses: Vec<String>,
    /// What it was judged by.
    pub profile: Arc<Profile>,
    /// What its decays without a known hole say.
    pub tight: Option<TightDecays>,
}

/// Judges a capture's folder or a file of rows afresh; nothing saved is changed. `each` is shown every reading,
/// `progress` now and then bytes done and bytes in all.
pub fn replay(
    path: &Path,
    limits: Limits<'_>,
    each: &mut dyn FnMut(&Reading),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Replayed, Error> {
    let mut readings = |seen: Seen<'_>| {
        if let Seen::Reading(reading) = seen {
            each(reading);
        }
    };
    replay_seen(path, limits, &mut readings, progress)
}

/// On how many threads a capture is judged. What is found is the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Threads {
    /// This one.
    One,
    /// Another one reads and decodes ahead. A file of rows is judged in one all the same.
    Two,
}

/// [`replay`], showing all that the judge sees.
pub fn replay_seen(
    path: &Path,
    limits: Limits<'_>,
    each: &mut dyn FnMut(Seen<'_>),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Replayed, Error> {
    replay_on(Threads::One, path, limits, each, progress)
}

/// [`replay_seen`], on so many threads.
pub fn replay_on(
    threads: Threads,
    path: &Path,
    limits: Limits<'_>,
    each: &mut dyn FnMut(Seen<'_>),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Replayed, Error> {
    replay_noted(threads, path, limits, &[], each, progress)
}

/// [`replay_on`], with notes that hold from the start and stand in no record.
pub fn replay_noted(
    threads: Threads,
    path: &Path,
    limits: Limits<'_>,
    notes: &[Event],
    each: &mut dyn FnMut(Seen<'_>),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Replayed, Error> {
    let name = path.canonicalize().unwrap_or_else(|_| path.to_owned());
    let name = name.file_name().map_or_else(|| "capture".to_owned(), |n| n.to_string_lossy().into_owned());
    let mut record = Record { at: Stamp::ZERO, link: 0, seq: 0, body: Body::Event(Event::Tick) };
    let every = 4096u64;
    let mut readings = 0u64;
    let mut each = |seen: Seen<'_>| {
        readings += u64::from(matches!(seen, Seen::Reading(_)));
        each(seen);
    };
    if path.is_dir() {
        let mut reader = capture::Reader::open(path)?;
        let (profile, mut losses) = match limits {
            Limits::Given(profile) => (profile.clone(), Vec::new()),
            Limits::Stored(sets) => {
                let kept = Profile::from_table(&reader.session().profile, sets);
                let (profile, warnings) = kept.map_err(|e| of_capture(path, e))?;
                (Arc::new(profile), warnings)
            }
        };
        let mut judge = Judge::new(profile.clone(), &reader.session().links);
        notes.iter().for_each(|n| judge.presume(n));
        // Beside the reading, which takes about as long.
        let folder = path.to_owned();
        let seal = std::thread::spawn(move || capture::check_seal(&folder));
        if threads == Threads::Two {
            reader = ahead::feed(reader, &mut judge, &mut each, progress)?;
        }
        let mut n = 0u64;
        while threads == Threads::One && reader.next_into(&mut record)? {
            judge.record_seen(&record, &mut each);
            n += 1;
            if n.is_multiple_of(every) {
                let (done, all) = reader.progress();
                progress(done, all);
            }
        }
        losses.extend_from_slice(reader.losses());
        if let Ok(Ok(Seal::Broken(why))) = seal.join() {
            losses.extend(why);
        }
        losses.extend((readings == 0).then(|| NO_READING.to_owned()));
        return Ok(Replayed { findings: judge.findings(&name), losses, profile, tight: judge.tight_decays() });
    }
    let profile = match limits {
        Limits::Given(profile) => profile.clone(),
        Limits::Stored(sets) => Arc::new(profile::load(PROFILE_OF_FILES, sets)?),
    };
    let mut rows = FileRows::open(path, &profile)?;
    let mut judge = Judge::new(profile.clone(), &[rows.info()]);
    notes.iter().for_each(|n| judge.presume(n));
    while rows.next_into(&mut record)? {
        judge.record_seen(&record, &mut each);
        if record.seq.is_multiple_of(every) {
            let (done, all) = rows.progress();
            progress(done, all);
        }
    }
    let losses = (readings == 0).then(|| NO_READING.to_owned()).into_iter().collect();
    Ok(Replayed { findings: judge.findings(&name), losses, profile, tight: judge.tight_decays() })
}
