use super::*;
use crate::capture::{Reader, SessionFile};
use crate::decode::Reading;
use crate::profile::load_builtin;
use std::fs::File;
use std::io::{self, Write};

fn profile() -> Arc<crate::profile::Profile> {
    Arc::new(load_builtin("switch-module").unwrap())
}

fn info() -> LinkInfo {
    LinkInfo { kind: "bench".into(), name: "the tray".into() }
}

/// A disk that can be told to be full.
struct Disk {
    file: File,
    full: Arc<AtomicBool>,
}

impl capture::Sink for Disk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.full.load(Ordering::Relaxed) {
            return Err(io::ErrorKind::StorageFull.into());
        }
        self.file.write(bytes)
    }
    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }
    fn cut(&mut self, len: u64) -> io::Result<()> {
        self.file.set_len(len)
    }
}

struct Rig {
    dir: tempfile::TempDir,
    full: Arc<AtomicBool>,
    stop: Stop,
    records: crossbeam_channel::Sender<Record>,
    notes: crossbeam_channel::Sender<Event>,
    published: Arc<Published>,
    told: PhaseWord,
    recorder: std::thread::JoinHandle<Ended>,
    clock: Clock,
}

impl Rig {
    fn new(live: bool) -> Rig {
        let dir = tempfile::tempdir().unwrap();
        let clock = Clock::start();
        let session = SessionFile::new(clock.anchor_utc_ns(), vec![info()], profile().to_toml());
        session.write(dir.path()).unwrap();
        let path = dir.path().join(capture::RAW_FILE);
        let full = Arc::new(AtomicBool::new(false));
        let disk = Disk { file: File::create_new(&path).unwrap(), full: full.clone() };
        let writer = Writer::with_sink(disk, path, &session).unwrap();
        let mut judge = Judge::new(profile(), &[info()]);
        let published = Arc::new(Published::new(judge.snapshot()));
        let (records, queue) = crossbeam_channel::bounded(64);
        let (notes, noted) = crossbeam_channel::unbounded();
        let stop = Stop::default();
        let told = PhaseWord::default();
        let recorder = Recorder::new(writer, judge, (clock, Clock::read()), live, published.clone())
            .with_links(vec![(info(), Arc::default())])
            .with_sinks(vec![Box::new(Faulty { left: 3 })], dir.path())
            .tells(told.clone())
            .until(stop.clone(), None);
        let recorder = std::thread::spawn(move || recorder.run(&queue, &noted));
        Rig { dir, full, stop, records, notes, published, told, recorder, clock }
    }

    fn send(&self, text: &str) {
        let body = Body::Bytes(text.as_bytes().to_vec());
        self.records.send(Record { at: self.clock.now(), link: 1, seq: 0, body }).unwrap();
    }

    /// Waits for what must come.
    fn until(&self, what: impl Fn(&Look) -> bool) {
        let begun = Instant::now();
        while !what(&self.published.look()) {
            assert!(begun.elapsed() < Duration::from_secs(10), "{:?}", self.published.look().health);
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn end(self) -> (Ended, Vec<Record>, tempfile::TempDir) {
        drop(self.records);
        let ended = self.recorder.join().unwrap();
        let mut reader = Reader::open(self.dir.path()).unwrap();
        let all: Vec<Record> = reader.by_ref().map(Result::unwrap).collect();
        assert!(reader.losses().is_empty() || !reader.ended(), "{:?}", reader.losses());
        (ended, all, self.dir)
    }
}

/// A sink that fails after some readings.
struct Faulty {
    left: u32,
}

impl Sink for Faulty {
    fn begin(&mut self, _: &Path) -> Result<(), SinkError> {
        Ok(())
    }
    fn reading(&mut self, _: &Reading) -> Result<(), SinkError> {
        self.left = self.left.checked_sub(1).ok_or("the samples file is full")?;
        Ok(())
    }
    fn finish(&mut self, _: &Findings) -> Result<(), SinkError> {
        if self.left > 0 { Ok(()) } else { Err("a sink that failed is asked no more".into()) }
    }
}

fn kinds(all: &[Record]) -> Vec<&'static str> {
    all.iter()
        .map(|r| match &r.body {
            Body::Bytes(_) => "bytes",
            Body::Event(Event::Clock(_)) => "clock",
            Body::Event(Event::Tick) => "tick",
            Body::Event(Event::Note { .. }) => "note",
            Body::Event(Event::Gap { .. }) => "gap",
            Body::Event(Event::End { .. }) => "end",
            _ => "other",
        })
        .collect()
}

#[test]
fn an_idle_second_ticks_and_a_note_is_kept() {
    let rig = Rig::new(true);
    rig.send("time_s,key\ntime_s,key\n");
    rig.notes.send(Event::Note { note_kind: "repair".into(), text: "cap seal".into() }).unwrap();
    rig.until(|l| l.health.records >= 5);
    rig.stop.stop();
    let (ended, all, _dir) = rig.end();
    assert_eq!(kinds(&all)[..4], ["clock", "bytes", "note", "tick"]);
    assert_eq!(*kinds(&all).last().unwrap(), "end");
    assert_eq!(ended.health.records, all.len() as u64);
    assert_eq!(ended.findings.records, all.len() as u64);
    assert!(all.is_sorted_by_key(|r| r.at), "{all:?}");
    assert!(all.is_sorted_by_key(|r| r.seq));
    assert_eq!(ended.troubles, [""; 0]);
}

#[test]
fn a_file_s_session_adds_no_time_of_its_own() {
    let rig = Rig::new(false);
    for i in 0..200 {
        let body = Body::Bytes(format!("{i}\n").into_bytes());
        rig.records.send(Record { at: Stamp(i * 1_000_000_000), link: 1, seq: 0, body }).unwrap();
    }
    std::thread::sleep(Duration::from_millis(1300));
    let (_, all, _dir) = rig.end();
    assert_eq!(all.len(), 201);
    let end = Body::Event(Event::End { cause: "all links have ended".into() });
    assert_eq!(all[200], Record { at: Stamp(199_000_000_000), link: 0, seq: 200, body: end });
}

#[test]
fn what_is_appended_is_on_the_disk_within_200_ms() {
    let rig = Rig::new(true);
    let raw = rig.dir.path().join(capture::RAW_FILE);
    std::thread::sleep(Duration::from_millis(300));
    let before = std::fs::metadata(&raw).unwrap().len();
    rig.send("7.0,1\n");
    // Two gatherings and a little for a busy machine.
    std::thread::sleep(Duration::from_millis(250));
    assert!(std::fs::metadata(&raw).unwrap().len() > before);
    rig.stop.stop();
    rig.end();
}

#[test]
fn a_full_disk_loses_nothing_that_fits_the_memory_and_judges_nothing_unwritten() {
    let rig = Rig::new(true);
    rig.send("time_s,key\ntime_s,key\n");
    rig.until(|l| l.snapshot.records >= 2);
    rig.full.store(true, Ordering::Relaxed);
    for i in 0..500 {
        rig.send(&format!("{i}.5,1\n"));
    }
    rig.until(|l| l.health.trouble.is_some() && l.health.queued >= 500);
    let look = rig.published.look();
    assert_eq!(look.snapshot.records, look.health.records);
    assert!(look.health.trouble.unwrap().contains("make room on the disk"));
    rig.full.store(false, Ordering::Relaxed);
    rig.until(|l| l.health.trouble.is_none() && l.health.records >= 502);
    rig.stop.stop();
    let (ended, all, _dir) = rig.end();
    assert_eq!(kinds(&all).iter().filter(|k| **k == "bytes").count(), 501);
    assert!(!kinds(&all).contains(&"gap"));
    assert_eq!(ended.health.unwritten, 0);
    assert_eq!(ended.troubles.len(), 2, "{:?}", ended.troubles);
    assert!(ended.troubles[0].contains("raw.pcapng"));
    assert_eq!(ended.troubles[1], "the samples file is full");
}

#[test]
fn what_the_memory_cannot_hold_is_counted_and_becomes_a_gap() {
    let rig = Rig::new(true);
    rig.full.store(true, Ordering::Relaxed);
    let n = KEPT + 1000;
    for i in 0..n {
        rig.send(&format!("{i}\n"));
    }
    rig.until(|l| l.health.unwritten > 0 && l.health.queued <= KEPT + 5);
    rig.until(|l| l.health.queued <= KEPT + 5);
    std::thread::sleep(Duration::from_millis(300));
    rig.full.store(false, Ordering::Relaxed);
    rig.until(|l| l.health.trouble.is_none() && l.health.records > 10_000);
    rig.send("last\n");
    rig.stop.stop();
    let (ended, all, _dir) = rig.end();
    let written = kinds(&all).iter().filter(|k| **k == "bytes").count();
    let gaps: Vec<&Event> = all
        .iter()
        .filter_map(|r| match &r.body {
            Body::Event(e @ Event::Gap { .. }) => Some(e),
            _ => None,
        })
        .collect();
    let [Event::Gap { count, from_ns, to_ns, cause }] = gaps[..] else { panic!("{gaps:?}") };
    assert_eq!(written as u64 + count, n as u64 + 1);
    assert_eq!(*count, ended.health.unwritten);
    assert!(from_ns <= to_ns && cause.contains("make room on the disk"), "{cause}");
    assert!(ended.troubles.iter().any(|t| t.ends_with("records could not be written and are lost")));
}

#[test]
fn a_disk_that_stays_full_does_not_hold_up_the_end() {
    let rig = Rig::new(true);
    rig.until(|l| l.health.records == 1);
    rig.full.store(true, Ordering::Relaxed);
    rig.send("7\n");
    rig.stop.stop();
    let begun = Instant::now();
    let (ended, all, _dir) = rig.end();
    assert!(begun.elapsed() < ENDING + Duration::from_secs(2));
    assert_eq!(kinds(&all), ["clock"]);
    assert_eq!(ended.findings.records, 1);
    assert_eq!(ended.health.unwritten, 2);
}

#[test]
fn a_clock_that_moved_is_noticed() {
    let still = ClockReading { boot_ns: 50, mono_ns: 40, real_ns: 1_000 };
    let after = |boot, mono, real| ClockReading { boot_ns: 50 + boot, mono_ns: 40 + mono, real_ns: 1_000 + real };
    const S: i64 = 1_000_000_000;
    assert!(!moved(still, after(60 * S, 60 * S, 60 * S)));
    assert!(moved(still, after(60 * S, 50 * S, 60 * S)), "slept");
    assert!(moved(still, after(60 * S, 60 * S, 3600 * S)), "wall clock set");
    assert!(moved(still, after(60 * S, 60 * S, 58 * S)), "wall clock set back");
}

/// A link that asks the vehicle hears of the key through this word.
#[test]
fn the_phase_is_told_to_links_that_ask() {
    let rig = Rig::new(false);
    assert_eq!(rig.told.read(), None);
    let send = |at: f64, text: String| {
        let body = Body::Bytes(text.into_bytes());
        rig.records.send(Record { at: Stamp::from_secs(at), link: 1, seq: 0, body }).unwrap();
    };
    for s in 0..2 {
        send(f64::from(s) * 0.1, "time_s,key,engine_rpm\n".into());
    }
    for (s, row) in
        [(1, "1,0"), (2, "1,0"), (3, "1,0"), (4, "1,800"), (5, "1,800"), (6, "1,800"), (7, "0,0"), (8, "0,0")]
    {
        send(f64::from(s), format!("{s}.000,{row}\n"));
    }
    send(9.0, "9.000,0,0\n".into());
    let begun = Instant::now();
    // Without power this vent is sealed: the soak begins with the key off.
    let want = Told { phase: crate::trade::Phase::Soak, key_seen: true };
    while rig.told.read() != Some(want) {
        assert!(begun.elapsed() < Duration::from_secs(10), "{:?}", rig.told.read());
        std::thread::sleep(Duration::from_millis(20));
    }
    rig.end();
}
