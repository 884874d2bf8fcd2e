//! How a link hands its records over, and what the session may know of it meanwhile.

use crate::poll::Told;
use crate::record::{Body, Event, LinkId, Record};
use crate::time::{Clock, Stamp};
use crate::trade::Phase;
use crossbeam_channel::{SendTimeoutError, Sender, TrySendError};
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// A wish to end in order, shared by everybody who has to hear it.
#[derive(Debug, Clone, Default)]
pub struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Ends it.
    pub fn stop(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether it is to end.
    pub fn stopped(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// What the judge of this capture last said, for links that ask a vehicle: one word that the recorder writes after each
/// batch and links read, without a lock. What they ask because of it is recorded, so that a replay needs none of this.
#[derive(Debug, Clone, Default)]
pub struct PhaseWord(Arc<AtomicU8>);

/// The phases by their number in the word, from 1; 0 is nothing said yet.
const PHASES: [Phase; 8] = [
    Phase::KeyOff,
    Phase::Soak,
    Phase::KeyOn,
    Phase::Crank,
    Phase::Running,
    Phase::PurgeRun,
    Phase::Decay,
    Phase::Unknown,
];
/// Bit of the word: the key itself is measured.
const KEY_SEEN: u8 = 0x80;

impl PhaseWord {
    /// The judge says this.
    pub fn publish(&self, told: Told) {
        let number = PHASES.iter().position(|p| *p == told.phase).map_or(0, |i| i as u8 + 1);
        self.0.store(number | if told.key_seen { KEY_SEEN } else { 0 }, Ordering::Relaxed);
    }

    /// What it last said.
    pub fn read(&self) -> Option<Told> {
        let word = self.0.load(Ordering::Relaxed);
        let phase = *PHASES.get(usize::from(word & !KEY_SEEN).checked_sub(1)?)?;
        Some(Told { phase, key_seen: word & KEY_SEEN != 0 })
    }
}

/// What a link tells of itself.
#[derive(Debug, Default)]
pub struct LinkState {
    words: Mutex<String>,
    failed: AtomicBool,
    dropped: AtomicU64,
}

impl LinkState {
    /// How it is, in words.
    pub fn words(&self) -> String {
        self.words.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Its source could not be read to the end; [`LinkState::words`] say why.
    pub fn failed(&self) -> bool {
        self.failed.load(Ordering::Acquire)
    }

    /// Records dropped because the queue was full, or lost below the program as far as they were counted.
    pub fn dropped(&self) -> u64 {
        self.dropped.load(Ordering::Relaxed)
    }
}

/// Where a link's records go.
#[derive(Debug, Clone)]
pub struct Queue {
    /// The link's number.
    pub link: LinkId,
    /// The session's queue.
    pub records: Sender<Record>,
    /// The capture's clock.
    pub clock: Clock,
    /// When to end.
    pub stop: Stop,
    /// What the link tells of itself.
    pub state: Arc<LinkState>,
    /// What the judge says.
    pub told: PhaseWord,
}

/// Pauses between attempts to open what went away: from, to.
const RETRY: (Duration, Duration) = (Duration::from_millis(250), Duration::from_secs(2));

/// A link's end of the queue.
pub(super) struct Feed {
    queue: Queue,
    last: Stamp,
    /// Records dropped since `last`.
    dropped: u64,
}

impl Feed {
    pub(super) fn new(queue: Queue) -> Feed {
        Feed { queue, last: Stamp::ZERO, dropped: 0 }
    }

    pub(super) fn now(&self) -> Stamp {
        self.queue.clock.now()
    }

    /// When the last record was handed over.
    pub(super) fn last(&self) -> Stamp {
        self.last
    }

    pub(super) fn stopped(&self) -> bool {
        self.queue.stop.stopped()
    }

    /// What the judge of this capture last said, of all its links.
    pub(super) fn told(&self) -> Option<Told> {
        self.queue.told.read()
    }

    pub(super) fn say(&self, words: impl Into<String>) {
        *self.queue.state.words.lock().unwrap_or_else(PoisonError::into_inner) = words.into();
    }

    /// Its source cannot be read to the end.
    pub(super) fn fail(&self, why: String) {
        self.say(why);
        self.queue.state.failed.store(true, Ordering::Release);
    }

    /// Hands a record of live hardware over, or drops it if there is no room. What was dropped is told as a gap
    /// before the next record that finds room.
    pub(super) fn live(&mut self, at: Stamp, body: Body) {
        self.kept(at, body);
    }

    /// As [`Feed::live`]; true if it was kept. What is to be sent goes only if it was.
    pub(super) fn kept(&mut self, at: Stamp, body: Body) -> bool {
        if self.dropped > 0 && self.offer(at, self.gap(at)) {
            self.dropped = 0;
        }
        let kept = self.dropped == 0 && self.offer(at, body);
        if kept {
            self.last = at;
        } else {
            self.dropped += 1;
            self.queue.state.dropped.fetch_add(1, Ordering::Relaxed);
        }
        kept
    }

    /// Tells a gap below this program: so many records never reached it since the last one.
    pub(super) fn lost(&mut self, at: Stamp, count: u64, cause: &str) {
        self.queue.state.dropped.fetch_add(count, Ordering::Relaxed);
        let gap = Event::Gap { from_ns: self.last.0, to_ns: at.0, count, cause: cause.to_owned() };
        // Without room it is told together with what the queue drops.
        if self.dropped > 0 || !self.offer(at, Body::Event(gap)) {
            self.dropped += count;
        }
    }

    /// Hands a record over as soon as there is room; false if nobody wants it any more.
    pub(super) fn wait(&mut self, at: Stamp, body: Body) -> bool {
        if self.dropped > 0 {
            let gap = self.gap(at);
            self.dropped = 0;
            if !self.wait(at, gap) {
                return false;
            }
        }
        let mut record = Record { at, link: self.queue.link, seq: 0, body };
        loop {
            match self.queue.records.send_timeout(record, Duration::from_millis(50)) {
                Ok(()) => {
                    self.last = at;
                    return true;
                }
                Err(SendTimeoutError::Timeout(r)) if !self.stopped() => record = r,
                Err(_) => return false,
            }
        }
    }

    /// Opens again what went away, with ever longer pauses; nothing if it is to end first.
    pub(super) fn retry<T, E>(&self, open: impl Fn() -> Result<T, E>) -> Option<T> {
        let mut pause = RETRY.0;
        while !self.stopped() {
            let until = Instant::now() + pause;
            while Instant::now() < until && !self.stopped() {
                std::thread::sleep(Duration::from_millis(25));
            }
            if let Ok(opened) = open() {
                return Some(opened);
            }
            pause = (pause * 2).min(RETRY.1);
        }
        None
    }

    fn offer(&self, at: Stamp, body: Body) -> bool {
        match self.queue.records.try_send(Record { at, link: self.queue.link, seq: 0, body }) {
            Ok(()) => true,
            Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => false,
        }
    }

    fn gap(&self, at: Stamp) -> Body {
        Body::Event(Event::Gap {
            from_ns: self.last.0,
            to_ns: at.0,
            count: self.dropped,
            cause: "the recorder could not keep up with the link".to_owned(),
        })
    }
}

/// Plays records with times of their own at a multiple of life's pace.
pub(super) struct Pace {
    speed: Option<f64>,
    begun: Option<(Instant, Stamp)>,
}

impl Pace {
    /// `speed` seconds of the record in a second; as fast as it goes if there is none.
    pub(super) fn new(speed: Option<f64>) -> Pace {
        Pace { speed, begun: None }
    }

    /// Waits until it is time for `at`; false if it is to end.
    pub(super) fn wait(&mut self, at: Stamp, feed: &Feed) -> bool {
        let Some(speed) = self.speed else { return !feed.stopped() };
        // A file's headings have no time, and its first row may lie hours behind them: nobody waits for that.
        if at == Stamp::ZERO {
            return !feed.stopped();
        }
        let (begun, first) = *self.begun.get_or_insert((Instant::now(), at));
        loop {
            if feed.stopped() {
                return false;
            }
            let left = at.since(first) / speed - begun.elapsed().as_secs_f64();
            if left <= 0.0 {
                return true;
            }
            std::thread::sleep(Duration::from_secs_f64(left.min(0.05)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feed(room: usize) -> (Feed, crossbeam_channel::Receiver<Record>) {
        let (records, out) = crossbeam_channel::bounded(room);
        let queue = Queue {
            link: 3,
            records,
            clock: Clock::start(),
            stop: Stop::default(),
            state: Arc::default(),
            told: PhaseWord::default(),
        };
        (Feed::new(queue), out)
    }

    #[test]
    fn the_judges_word_comes_back_as_it_was_given() {
        let word = PhaseWord::default();
        assert_eq!(word.read(), None);
        for phase in PHASES {
            for key_seen in [false, true] {
                word.clone().publish(Told { phase, key_seen });
                assert_eq!(word.read(), Some(Told { phase, key_seen }));
            }
        }
    }

    fn bytes(b: u8) -> Body {
        Body::Bytes(vec![b])
    }

    #[test]
    fn what_finds_no_room_is_counted_and_told_as_a_gap() {
        let (mut feed, out) = feed(2);
        for i in 0..6 {
            feed.live(Stamp(i), bytes(i as u8));
        }
        assert_eq!(feed.queue.state.dropped(), 4);
        assert_eq!([out.recv().unwrap().body, out.recv().unwrap().body], [bytes(0), bytes(1)]);
        feed.live(Stamp(6), bytes(6));
        let cause = "the recorder could not keep up with the link".to_owned();
        let gap = Body::Event(Event::Gap { from_ns: 1, to_ns: 6, count: 4, cause });
        assert_eq!(out.recv().unwrap(), Record { at: Stamp(6), link: 3, seq: 0, body: gap });
        assert_eq!(out.recv().unwrap().body, bytes(6));
        assert_eq!(feed.queue.state.dropped(), 4);
    }

    #[test]
    fn what_was_lost_below_is_a_gap_of_its_own_or_joins_the_next() {
        let (mut feed, out) = feed(2);
        feed.live(Stamp(1), bytes(1));
        feed.lost(Stamp(2), 5, "the adapter");
        feed.lost(Stamp(3), 7, "the adapter");
        assert_eq!(feed.queue.state.dropped(), 12);
        assert_eq!(out.recv().unwrap().body, bytes(1));
        let told = |from_ns, to_ns, count, cause: &str| {
            Body::Event(Event::Gap { from_ns, to_ns, count, cause: cause.to_owned() })
        };
        assert_eq!(out.recv().unwrap().body, told(1, 2, 5, "the adapter"));
        feed.live(Stamp(4), bytes(4));
        assert_eq!(out.recv().unwrap().body, told(1, 4, 7, "the recorder could not keep up with the link"));
        assert_eq!(out.recv().unwrap().body, bytes(4));
    }

    #[test]
    fn waiting_ends_when_nobody_wants_more() {
        let (mut feed, out) = feed(1);
        assert!(feed.wait(Stamp(1), bytes(1)));
        feed.queue.stop.stop();
        assert!(!feed.wait(Stamp(2), bytes(2)));
        drop(out);
        assert!(!feed.wait(Stamp(3), bytes(3)));
    }

    #[test]
    fn a_pace_is_kept() {
        let (feed, _out) = feed(1);
        let mut pace = Pace::new(Some(100.0));
        let begun = Instant::now();
        for s in 0..11 {
            assert!(pace.wait(Stamp::from_secs(50.0 + f64::from(s)), &feed));
        }
        assert!(begun.elapsed() >= Duration::from_millis(100));
        feed.queue.stop.stop();
        assert!(!pace.wait(Stamp::from_secs(1e9), &feed));
    }
}
