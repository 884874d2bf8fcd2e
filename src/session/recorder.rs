//! The recorder: drains the queue, appends, and only then judges.

use super::space::Space;
use super::{Health, LinkHealth, Look, Sink, SinkError};
use crate::capture::{self, Writer};
use crate::grade::verdict::Findings;
use crate::guide;
use crate::judge::{Judge, Snapshot};
use crate::link::{LinkState, PhaseWord, Stop};
use crate::poll::Told;
use crate::profile;
use crate::record::{Body, Event, LinkInfo, Record};
use crate::time::{Clock, ClockReading, Stamp};
use crate::trade::Job;
use crossbeam_channel::{Receiver, RecvTimeoutError};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// A record is appended at most twice this after receipt: the wait for it, and for others to share its write.
const GATHER: Duration = Duration::from_millis(90);
/// Records in one write, unless writing failed before.
const BATCH: usize = 4096;
/// Records kept while writing fails; more are given up and counted.
const KEPT: usize = 20_000;
const SYNC: Duration = Duration::from_secs(1);
const RETRY: Duration = Duration::from_millis(500);
const IDLE: Duration = Duration::from_secs(1);
const CLOCK: Duration = Duration::from_secs(60);
const PUBLISH: Duration = Duration::from_millis(100);
/// How long the end waits for links to hand over their last, and for a disk that fails.
const ENDING: Duration = Duration::from_secs(3);
/// A change of one clock against another beyond this is recorded at once.
const CLOCK_MOVED_NS: i64 = 1_000_000_000;

/// What a session came to.
#[derive(Debug)]
pub struct Ended {
    /// The capture's folder.
    pub dir: PathBuf,
    /// All that was found.
    pub findings: Findings,
    /// What went wrong on the way, in sentences: links, writing, sinks.
    pub troubles: Vec<String>,
    /// A link's source could not be read to its end.
    pub cut_short: bool,
    /// How the recording was at the end.
    pub health: Health,
}

/// Where views look.
pub(super) struct Published {
    look: Mutex<Look>,
    wanted: AtomicBool,
}

impl Published {
    pub(super) fn new(snapshot: Snapshot) -> Published {
        let look = Look { snapshot: Arc::new(snapshot), health: Health::default(), ended: false };
        Published { look: Mutex::new(look), wanted: AtomicBool::new(true) }
    }

    pub(super) fn look(&self) -> Look {
        self.wanted.store(true, Ordering::Relaxed);
        self.look.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn show(&self, look: Look) {
        *self.look.lock().unwrap_or_else(PoisonError::into_inner) = look;
    }
}

/// Records that were given up since the last that was written.
struct Lost {
    count: u64,
    to: Stamp,
    cause: String,
}

pub(super) struct Recorder<S: capture::Sink> {
    writer: Writer<S>,
    judge: Judge,
    clock: Clock,
    live: bool,
    published: Arc<Published>,
    links: Vec<(LinkInfo, Arc<LinkState>)>,
    told: PhaseWord,
    sinks: Vec<Box<dyn Sink>>,
    dir: PathBuf,
    stop: Stop,
    until: Option<Instant>,

    batch: Vec<Record>,
    /// Stamp of the last record appended.
    last: Stamp,
    last_record: Instant,
    last_clock: (Instant, ClockReading),
    last_sync: Option<Instant>,
    unsynced: bool,
    shown: Option<Instant>,
    /// Writing fails: why, when to try again, and whether for want of room.
    failing: Option<(String, Instant, bool)>,
    lost: Option<Lost>,
    unwritten: u64,
    troubles: Vec<String>,
    space: Space,
    ends_when_full: bool,
    began: Instant,
}

impl<S: capture::Sink> Recorder<S> {
    /// `begun` is the clock and its reading at stamp zero.
    pub(super) fn new(
        writer: Writer<S>,
        judge: Judge,
        begun: (Clock, ClockReading),
        live: bool,
        published: Arc<Published>,
    ) -> Self {
        let now = Instant::now();
        Recorder {
            writer,
            judge,
            clock: begun.0,
            live,
            published,
            links: Vec::new(),
            told: PhaseWord::default(),
            sinks: Vec::new(),
            dir: PathBuf::new(),
            stop: Stop::default(),
            until: None,
            batch: Vec::new(),
            last: Stamp::ZERO,
            last_record: now,
            last_clock: (now, begun.1),
            last_sync: None,
            unsynced: false,
            shown: None,
            failing: None,
            lost: None,
            unwritten: 0,
            troubles: Vec::new(),
            space: Space::default(),
            ends_when_full: false,
            began: now,
        }
    }

    /// Watches the room on the disk, and keeps a little of it back.
    pub(super) fn with_space(mut self, dir: &Path, keep: &profile::Capture) -> Self {
        let reserve = (keep.reserve_kb * 1e3) as usize;
        let (space, kept) = Space::new(dir, (keep.warn_below_mb * 1e6) as u64, reserve);
        self.space = space;
        self.ends_when_full = keep.when_full == "end";
        if let Err(e) = kept {
            self.trouble(format!("no room could be kept back on the disk for the end of the capture: {e}"));
        }
        self
    }

    pub(super) fn with_links(mut self, links: Vec<(LinkInfo, Arc<LinkState>)>) -> Self {
        self.links = links;
        self
    }

    /// Says the phase to links that ask the vehicle.
    pub(super) fn tells(mut self, told: PhaseWord) -> Self {
        self.told = told;
        self
    }

    pub(super) fn with_sinks(mut self, sinks: Vec<Box<dyn Sink>>, dir: &Path) -> Self {
        self.dir = dir.to_owned();
        self.sinks = sinks;
        self.each_sink(|s| s.begin(dir));
        self
    }

    pub(super) fn until(mut self, stop: Stop, last: Option<Duration>) -> Self {
        self.stop = stop;
        self.until = last.map(|d| Instant::now() + d);
        self
    }

    /// A guide begins with the record.
    pub(super) fn lead(mut self, job: Option<Job>) -> Self {
        if let Some(job) = job {
            let event = Event::Note { note_kind: guide::BEGIN.to_owned(), text: job.name().to_owned() };
            self.batch.push(Record { at: Stamp::ZERO, link: 0, seq: 0, body: Body::Event(event) });
        }
        self
    }

    /// These notes stand at the begin of the record.
    pub(super) fn noted(mut self, notes: Vec<Event>) -> Self {
        let record = |event| Record { at: Stamp::ZERO, link: 0, seq: 0, body: Body::Event(event) };
        self.batch.extend(notes.into_iter().map(record));
        self
    }

    /// Records and judges until it is to end.
    pub(super) fn run(mut self, queue: &Receiver<Record>, notes: &Receiver<Event>) -> Ended {
        if self.live {
            let body = Body::Event(Event::Clock(self.last_clock.1));
            self.batch.push(Record { at: Stamp::ZERO, link: 0, seq: 0, body });
        }
        let cause = loop {
            let links_left = self.gather(queue, GATHER);
            self.own_events(notes);
            self.append();
            self.sync(false);
            self.show(queue.len(), false);
            if self.stop.stopped() {
                break "stopped by the person";
            }
            if self.until.is_some_and(|u| Instant::now() >= u) {
                break "the time that was asked for is over";
            }
            if self.ends_when_full && self.failing.as_ref().is_some_and(|f| f.2) {
                break "the disk is full";
            }
            if !links_left {
                break "all links have ended";
            }
        };
        self.finish(queue, notes, cause)
    }

    /// Takes what comes within a short while; false if all links have ended.
    fn gather(&mut self, queue: &Receiver<Record>, wait: Duration) -> bool {
        let full = if self.failing.is_some() { KEPT } else { BATCH };
        if self.batch.len() >= full && !self.live {
            // A file or the simulator can wait.
            std::thread::sleep(wait);
            return true;
        }
        let mut until = Instant::now() + wait;
        let mut waiting = self.batch.is_empty();
        loop {
            match queue.recv_deadline(until) {
                Ok(record) => {
                    if waiting {
                        waiting = false;
                        until = Instant::now() + wait;
                    }
                    self.last_record = Instant::now();
                    if self.batch.len() < KEPT {
                        self.batch.push(record);
                    } else {
                        let cause = self.failing.as_ref().map_or_else(String::new, |f| f.0.clone());
                        self.give_up(1, record.at, cause);
                    }
                    // Past this only dropping goes on, until the pause is over.
                    if self.batch.len() >= full && self.batch.len() < KEPT {
                        return true;
                    }
                }
                Err(RecvTimeoutError::Timeout) => return true,
                Err(RecvTimeoutError::Disconnected) => return false,
            }
        }
    }

    fn give_up(&mut self, count: u64, to: Stamp, cause: String) {
        let lost = self.lost.get_or_insert(Lost { count: 0, to, cause });
        lost.count += count;
        lost.to = lost.to.max(to);
        self.unwritten += count;
    }

    /// The moment of an event of the session's own. A file or the simulator has its own time, which stands still
    /// between its records.
    fn now(&self) -> Stamp {
        let last = self.batch.last().map_or(self.last, |r| r.at.max(self.last));
        if self.live { self.clock.now().max(last) } else { last }
    }

    fn event(&mut self, event: Event) {
        let at = self.now();
        self.batch.push(Record { at, link: 0, seq: 0, body: Body::Event(event) });
    }

    fn own_events(&mut self, notes: &Receiver<Event>) {
        while let Ok(note) = notes.try_recv() {
            self.event(note);
        }
        if !self.live || self.failing.is_some() {
            return;
        }
        let (when, before) = self.last_clock;
        if when.elapsed() >= IDLE {
            let now = Clock::read();
            if when.elapsed() >= CLOCK || moved(before, now) {
                self.last_clock = (Instant::now(), now);
                self.event(Event::Clock(now));
            }
        }
        if self.last_record.elapsed() >= IDLE {
            self.last_record = Instant::now();
            self.event(Event::Tick);
        }
    }

    /// Appends the batch and judges it; a batch that cannot be written is kept and tried again.
    fn append(&mut self) {
        if self.batch.is_empty() || self.failing.as_ref().is_some_and(|f| Instant::now() < f.1) {
            return;
        }
        match self.writer.append(&mut self.batch) {
            Ok(()) => {
                self.failing = None;
                self.judge_batch();
                if let Some(lost) = self.lost.take() {
                    let from_ns = self.last.0;
                    let to_ns = lost.to.max(self.last).0;
                    self.event(Event::Gap { from_ns, to_ns, count: lost.count, cause: lost.cause });
                    self.append();
                }
            }
            // The layout cannot hold one of them: trying again would not help.
            Err(e @ capture::Error::Refused { .. }) => {
                let to = self.batch.last().map_or(self.last, |r| r.at);
                self.give_up(self.batch.len() as u64, to, e.to_string());
                self.trouble(e.to_string());
                self.batch.clear();
            }
            Err(e) => {
                if self.failing.is_none() {
                    self.trouble(e.to_string());
                }
                let full = matches!(&e, capture::Error::Io { source, .. } if source.kind() == ErrorKind::StorageFull);
                self.failing = Some((e.to_string(), Instant::now() + RETRY, full));
            }
        }
    }

    fn judge_batch(&mut self) {
        self.unsynced = true;
        let mut batch = std::mem::take(&mut self.batch);
        for record in &batch {
            self.last = self.last.max(record.at);
            let sinks = &mut self.sinks;
            let troubles = &mut self.troubles;
            self.judge.record_with(record, &mut |reading| {
                for_each_sink(sinks, troubles, |s| s.reading(reading));
            });
        }
        batch.clear();
        self.batch = batch;
        let (phase, key_seen) = self.judge.phase();
        self.told.publish(Told { phase, key_seen });
    }

    fn sync(&mut self, now: bool) {
        let due = now || self.last_sync.is_none_or(|t| t.elapsed() >= SYNC);
        if !due || !self.unsynced {
            return;
        }
        match self.writer.sync() {
            Ok(()) => {
                self.unsynced = false;
                self.last_sync = Some(Instant::now());
            }
            Err(e) => {
                // Not to be tried at every turn.
                self.last_sync = Some(Instant::now());
                self.trouble(e.to_string());
            }
        }
    }

    /// Keeps each sentence once.
    fn trouble(&mut self, sentence: String) {
        if !self.troubles.contains(&sentence) {
            self.troubles.push(sentence);
        }
    }

    fn each_sink(&mut self, f: impl FnMut(&mut dyn Sink) -> Result<(), SinkError>) {
        for_each_sink(&mut self.sinks, &mut self.troubles, f);
    }

    fn health(&mut self, queued: usize) -> Health {
        let warning = self.space.warning(self.writer.bytes(), self.began.elapsed().as_secs_f64());
        let links: Vec<LinkHealth> = self
            .links
            .iter()
            .map(|(info, state)| LinkHealth { info: info.clone(), words: state.words(), dropped: state.dropped() })
            .collect();
        Health {
            records: self.writer.next_seq(),
            bytes: self.writer.bytes(),
            synced: self.last_sync,
            queued: queued + self.batch.len(),
            dropped: links.iter().map(|l| l.dropped).sum(),
            unwritten: self.unwritten,
            trouble: self.failing.as_ref().map(|f| f.0.clone()),
            warning,
            links,
        }
    }

    /// What was kept back takes the gap and the end; what waited is given up.
    fn end_on_full_disk(&mut self, cause: &str) {
        // The last one is the end, which is written anew.
        let count = (self.batch.len() as u64).saturating_sub(1);
        let to = self.batch.last().map_or(self.last, |r| r.at);
        let why = self.failing.take().map_or_else(String::new, |f| f.0);
        self.batch.clear();
        self.space.release();
        if count > 0 || self.lost.is_some() {
            self.give_up(count, to, why);
        }
        if let Some(lost) = self.lost.take() {
            let (from_ns, to_ns) = (self.last.0, lost.to.max(self.last).0);
            self.event(Event::Gap { from_ns, to_ns, count: lost.count, cause: lost.cause });
        }
        self.event(Event::End { cause: cause.to_owned() });
        self.append();
        // Not even that had room.
        self.unwritten += u64::from(!self.batch.is_empty());
    }

    fn show(&mut self, queued: usize, ended: bool) {
        let due = self.shown.is_none_or(|t| t.elapsed() >= PUBLISH);
        if ended || (due && self.published.wanted.swap(false, Ordering::Relaxed)) {
            self.shown = Some(Instant::now());
            let snapshot = Arc::new(self.judge.snapshot());
            let health = self.health(queued);
            self.published.show(Look { snapshot, health, ended });
        }
    }

    fn finish(mut self, queue: &Receiver<Record>, notes: &Receiver<Event>, cause: &str) -> Ended {
        self.stop.stop();
        let until = Instant::now() + ENDING;
        while self.gather(queue, GATHER) && Instant::now() < until {
            self.append();
        }
        self.own_events(notes);
        self.event(Event::End { cause: cause.to_owned() });
        while !self.batch.is_empty() {
            self.append();
            if self.failing.is_some() {
                if Instant::now() >= until {
                    self.end_on_full_disk(cause);
                    break;
                }
                std::thread::sleep(RETRY / 5);
            }
        }
        self.space.release();
        self.sync(true);
        if !self.dir.as_os_str().is_empty() && self.batch.is_empty() {
            self.writer.seal().unwrap_or_else(|e| self.trouble(e.to_string()));
        }
        if self.unwritten > 0 {
            self.troubles.push(format!("{} records could not be written and are lost", self.unwritten));
        }
        let mut cut_short = false;
        for (info, state) in &self.links {
            if state.failed() {
                cut_short = true;
                self.troubles.push(state.words());
            }
            if state.dropped() > 0 {
                let name = format!("{}:{}", info.kind, info.name);
                self.troubles
                    .push(format!("{name}: {} records were dropped, the recorder was too slow", state.dropped()));
            }
        }
        let name = self.dir.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let findings = self.judge.findings(&name);
        self.each_sink(|s| s.finish(&findings));
        self.show(0, true);
        let health = self.health(0);
        Ended { dir: self.dir, findings, troubles: self.troubles, cut_short, health }
    }
}

/// One that fails is named and dropped.
fn for_each_sink(
    sinks: &mut Vec<Box<dyn Sink>>,
    troubles: &mut Vec<String>,
    mut f: impl FnMut(&mut dyn Sink) -> Result<(), SinkError>,
) {
    sinks.retain_mut(|sink| match f(sink.as_mut()) {
        Ok(()) => true,
        Err(e) => {
            troubles.push(e.to_string());
            false
        }
    });
}

/// The machine slept, or its wall clock was set.
fn moved(before: ClockReading, now: ClockReading) -> bool {
    let slept = |c: ClockReading| c.boot_ns - c.mono_ns;
    let wall = |c: ClockReading| c.real_ns - c.boot_ns;
    (slept(now) - slept(before)).abs() > CLOCK_MOVED_NS || (wall(now) - wall(before)).abs() > CLOCK_MOVED_NS
}

#[cfg(test)]
mod tests;
