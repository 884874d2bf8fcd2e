//! A session: links, capture and judge, run together until the person, the links or the clock end it.
//!
//! ```text
//! link threads ──bounded queue──▶ recorder thread: append, then judge ──▶ what views look at
//! ```
//!
//! [`Session`] serves every live run; [`replay`] drives the same judge from what was saved.

mod ahead;
mod claim;
mod recorder;
mod replay;
mod signals;
mod space;

pub use claim::own_folder;
use claim::{Claim, claim};
pub use recorder::Ended;
pub use replay::{Limits, Replayed, Threads, replay, replay_noted, replay_on, replay_seen};
pub use signals::stop_on_signal;

use crate::capture::{self, Roll, SessionFile, Writer};
use crate::decode::Reading;
use crate::grade::verdict::Findings;
use crate::judge::{Judge, Snapshot};
use crate::link::{self, LinkSpec, LinkState, PhaseWord, Queue, Stop};
use crate::profile::{self, Profile};
use crate::record::{Event, LinkInfo};
use crate::time::Clock;
use crate::trade::Job;
use recorder::{Published, Recorder};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Records that fit between the links and the recorder: some minutes of a quick adapter, three seconds of a full CAN
/// bus of 1 Mbit/s, which a slow disk may take to sync.
const QUEUE: usize = 32_768;

/// A session cannot begin, or a saved one cannot be judged.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// No link was named.
    #[error("no link to record from: name one, such as bench:/dev/ttyUSB0 or sim:tight")]
    NoLink,
    /// Links whose times do not go together.
    #[error(
        "a file or the simulator brings its own time and cannot be recorded together with another link: name it alone"
    )]
    Mixed,
    /// The same port twice.
    #[error(
        "{port} is named twice: name each port once, a second link to it would take bytes from the first or record them twice"
    )]
    Twice {
        /// As named the second time.
        port: String,
    },
    /// Another run of this user records it.
    #[error("{port} is recorded already by another run: look at that one with `soakwatch attach`, or end it first")]
    Claimed {
        /// As named.
        port: String,
    },
    /// A pace that cannot be kept.
    #[error("a speed of {speed} cannot be kept: give a number above 0, such as 60")]
    Speed {
        /// As given.
        speed: f64,
    },
    /// The capture's folder cannot be made.
    #[error("{path}: cannot make a folder for the capture: {source}. Name another place with --captures")]
    Folder {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A link cannot be used.
    #[error(transparent)]
    Link(#[from] link::Error),
    /// The capture cannot be written or read.
    #[error(transparent)]
    Capture(#[from] capture::Error),
    /// The profile cannot be used.
    #[error(transparent)]
    Profile(#[from] profile::Error),
    /// The system cannot start a thread or hand out signals.
    #[error("the system cannot {doing}: {source}. Close other programs and try again")]
    System {
        /// What was tried, as a verb.
        doing: &'static str,
        /// What the system said.
        source: io::Error,
    },
    /// A fault of this program.
    #[error(
        "the recorder stopped by a fault of this program; what it recorded is in {0}, grade it with: soakwatch \
         regrade {0}", .dir.display()
    )]
    Broken {
        /// The capture's folder.
        dir: PathBuf,
    },
}

/// What a session is to do.
#[derive(Debug, Clone)]
pub struct Options {
    /// Where records come from.
    pub links: Vec<LinkSpec>,
    /// What they are judged by.
    pub profile: Arc<Profile>,
    /// Folder in which the capture's own folder is made.
    pub captures: PathBuf,
    /// Seconds of a file or the simulator in a second; as fast as it goes if there is none.
    pub speed: Option<f64>,
    /// Ends by itself after this long.
    pub last: Option<Duration>,
}

/// Why a sink failed, in words.
pub type SinkError = Box<dyn std::error::Error + Send + Sync>;

/// Something that takes what was judged and writes it elsewhere. A sink that fails is dropped and named at the end
/// ([`Ended::troubles`]); it never stops the recording.
pub trait Sink: Send {
    /// The capture begins in this folder.
    fn begin(&mut self, dir: &Path) -> Result<(), SinkError>;
    /// A reading was judged.
    fn reading(&mut self, reading: &Reading) -> Result<(), SinkError>;
    /// The capture ended.
    fn finish(&mut self, findings: &Findings) -> Result<(), SinkError>;
}

/// How the recording is.
#[derive(Debug, Clone, Default)]
pub struct Health {
    /// Records written and judged.
    pub records: u64,
    /// Length of the raw file.
    pub bytes: u64,
    /// When it was last made safe against a power cut.
    pub synced: Option<Instant>,
    /// Records waiting to be written.
    pub queued: usize,
    /// Records that links had to drop.
    pub dropped: u64,
    /// Records that could not be written so far.
    pub unwritten: u64,
    /// What is wrong with the recording now, in words.
    pub trouble: Option<String>,
    /// What may soon be, in words.
    pub warning: Option<String>,
    /// Each link and how it is.
    pub links: Vec<LinkHealth>,
}

/// How a link is.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkHealth {
    /// Which.
    pub info: LinkInfo,
    /// In words.
    pub words: String,
    /// Records it had to drop.
    pub dropped: u64,
}

/// What a view sees.
#[derive(Debug, Clone)]
pub struct Look {
    /// The judge's picture.
    pub snapshot: Arc<Snapshot>,
    /// How the recording is.
    pub health: Health,
    /// The session is over: [`Session::join`] will not wait long.
    pub ended: bool,
}

/// A run under way.
pub struct Session {
    dir: PathBuf,
    stop: Stop,
    notes: crossbeam_channel::Sender<Event>,
    published: Arc<Published>,
    recorder: JoinHandle<Ended>,
    /// Let go when the session is.
    #[expect(dead_code, reason = "they are held, not used")]
    claims: Vec<Claim>,
}

impl Options {
    /// Whether they go together; nothing is opened.
    fn check(&self) -> Result<(), Error> {
        if self.links.is_empty() {
            return Err(Error::NoLink);
        }
        if self.links.len() > 1 && !self.links.iter().all(LinkSpec::is_live) {
            return Err(Error::Mixed);
        }
        let mut used = Vec::new();
        for (named, real) in self.links.iter().filter_map(LinkSpec::device) {
            if used.contains(&real) {
                return Err(Error::Twice { port: named.to_owned() });
            }
            used.push(real);
        }
        if let Some(speed) = self.speed.filter(|s| !(*s > 0.0 && s.is_finite())) {
            return Err(Error::Speed { speed });
        }
        Ok(())
    }
}

impl Session {
    /// Opens the links, begins the capture and records.
    pub fn start(options: &Options, sinks: Vec<Box<dyn Sink>>) -> Result<Session, Error> {
        Session::guided(options, None, sinks)
    }

    /// As [`Session::start`], and leads through a job of the profile from the first record on.
    pub fn guided(options: &Options, job: Option<Job>, sinks: Vec<Box<dyn Sink>>) -> Result<Session, Error> {
        Session::noted(options, job, Vec::new(), sinks)
    }

    /// As [`Session::guided`], with notes that stand before the first record of a link.
    pub fn noted(
        options: &Options,
        job: Option<Job>,
        notes: Vec<Event>,
        sinks: Vec<Box<dyn Sink>>,
    ) -> Result<Session, Error> {
        options.check()?;
        let live = options.links.iter().all(LinkSpec::is_live);
        let stop = Stop::default();
        let started = Session::start_with(options, (job, live), notes, stop.clone(), sinks);
        if started.is_err() {
            // Links that are open already.
            stop.stop();
        }
        started
    }

    fn start_with(
        options: &Options,
        (job, live): (Option<Job>, bool),
        first: Vec<Event>,
        stop: Stop,
        sinks: Vec<Box<dyn Sink>>,
    ) -> Result<Session, Error> {
        let folder = own_folder();
        let claims = options
            .links
            .iter()
            .filter(|l| l.is_exclusive())
            .filter_map(LinkSpec::device)
            .map(|(name, device)| claim(&folder, name, &device));
        let claims: Vec<Claim> = claims.collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect();
        let clock = Clock::start();
        let reading = Clock::read();
        let (records, queue) = crossbeam_channel::bounded(QUEUE);
        let mut states = Vec::new();
        let told = PhaseWord::default();
        for (id, link) in (1..).zip(&options.links) {
            let state = Arc::<LinkState>::default();
            states.push((link.info(), state.clone()));
            let queue =
                Queue { link: id, records: records.clone(), clock, stop: stop.clone(), state, told: told.clone() };
            let run = link.open(queue, &options.profile, options.speed)?;
            // The thread ends with its end of the queue; nobody needs to join it.
            let thread = std::thread::Builder::new().name("link".to_owned()).spawn(run);
            thread.map_err(|source| Error::System { doing: "start a link", source })?;
        }
        drop(records);
        let infos: Vec<LinkInfo> = states.iter().map(|s| s.0.clone()).collect();
        let dir = new_folder(&options.captures, clock.anchor_utc_ns())?;
        let session = SessionFile::new(clock.anchor_utc_ns(), infos.clone(), options.profile.to_toml());
        let keep = &options.profile.set.capture;
        let roll = Roll { bytes: (keep.file_mb * 1e6) as u64, age_ns: (keep.file_h * 3.6e12) as i64 };
        let writer = Writer::create(&dir, &session)?.rolling(roll);
        let mut judge = Judge::new(options.profile.clone(), &infos);
        let published = Arc::new(Published::new(judge.snapshot()));
        let (notes, noted) = crossbeam_channel::unbounded();
        let recorder = Recorder::new(writer, judge, (clock, reading), live, published.clone())
            .with_links(states)
            .tells(told)
            .with_sinks(sinks, &dir)
            .with_space(&dir, keep)
            .until(stop.clone(), options.last)
            .lead(job)
            .noted(first);
        let recorder = std::thread::Builder::new()
            .name("recorder".to_owned())
            .spawn(move || recorder.run(&queue, &noted))
            .map_err(|source| Error::System { doing: "start the recorder", source })?;
        Ok(Session { dir, stop, notes, published, recorder, claims })
    }

    /// The capture's folder.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Ends the session in order when told to.
    pub fn stop(&self) -> Stop {
        self.stop.clone()
    }

    /// Writes a note of the person into the record; `kind` is `note`, `repair`, `rig` or `step`.
    pub fn note(&self, kind: &str, text: &str) {
        // A session that is over takes no more notes.
        let _ = self.notes.send(Event::Note { note_kind: kind.to_owned(), text: text.to_owned() });
    }

    /// How things are; renewed at most ten times a second, and only while somebody looks.
    pub fn look(&self) -> Look {
        let look = self.published.look();
        // A recorder that fell over shows nothing more; nobody must wait for it.
        Look { ended: look.ended || self.recorder.is_finished(), ..look }
    }

    /// It has ended; unlike a look this costs the recorder nothing.
    pub fn is_over(&self) -> bool {
        self.recorder.is_finished()
    }

    /// Waits until the session has ended.
    pub fn join(self) -> Result<Ended, Error> {
        self.recorder.join().map_err(|_| Error::Broken { dir: self.dir })
    }
}

/// Makes the capture's own folder, named by the UTC second; a second one in the same second gets a number.
fn new_folder(captures: &Path, utc_ns: i64) -> Result<PathBuf, Error> {
    let fail = |path: &Path| {
        let path = path.to_owned();
        |source| Error::Folder { path, source }
    };
    std::fs::create_dir_all(captures).map_err(fail(captures))?;
    let moment = jiff::Timestamp::from_second(utc_ns.div_euclid(1_000_000_000)).unwrap_or_default();
    let name = moment.strftime("%Y-%m-%dT%H-%M-%SZ").to_string();
    let mut dir = captures.join(&name);
    for n in 2.. {
        match std::fs::create_dir(&dir) {
            Ok(()) => break,
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => dir = captures.join(format!("{name}-{n}")),
            Err(e) => return Err(fail(&dir)(e)),
        }
    }
    Ok(dir)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_named_by_their_second_and_never_shared() {
        let root = tempfile::tempdir().unwrap();
        let captures = root.path().join("captures");
        // 1996-12-20T00:39:57Z (RFC 3339, section 5.8) is 851 042 397 s after 1970 by `date -u -d`.
        let make = || new_folder(&captures, 851_042_397_999_999_999).unwrap();
        let names = [make(), make(), make()].map(|d| d.file_name().unwrap().to_str().unwrap().to_owned());
        assert_eq!(names, ["1996-12-20T00-39-57Z", "1996-12-20T00-39-57Z-2", "1996-12-20T00-39-57Z-3"]);
        std::fs::write(root.path().join("file"), "").unwrap();
        let told = new_folder(&root.path().join("file"), 0).unwrap_err().to_string();
        assert!(told.contains("cannot make a folder for the capture") && told.contains("--captures"), "{told}");
    }

    #[test]
    fn what_cannot_begin_is_told() {
        let profile = Arc::new(profile::load_builtin("switch-module").unwrap());
        let root = tempfile::tempdir().unwrap();
        let told = |links: &[&str], speed| {
            let links = links.iter().map(|l| LinkSpec::parse(l).unwrap()).collect();
            let captures = root.path().join("captures");
            let options = Options { links, profile: profile.clone(), captures, speed, last: None };
            Session::start(&options, Vec::new()).err().unwrap().to_string()
        };
        assert!(told(&[], None).starts_with("no link to record from"));
        assert!(told(&["sim:tight", "bench:/nowhere"], None).contains("cannot be recorded together"));
        assert!(told(&["can:can9", "can:can9"], None).contains("can9"));
        assert!(told(&["sim:tight"], Some(0.0)).starts_with("a speed of 0 cannot be kept"));
        assert!(told(&["bench:/nowhere/port"], None).starts_with("/nowhere/port cannot be opened: "));
        assert!(told(&["csv:/nowhere/x.csv"], None).starts_with("/nowhere/x.csv cannot be read: "));
        // Nothing is left behind by what could not begin.
        assert!(!root.path().join("captures").exists());
    }
}
