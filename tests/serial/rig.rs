//! A pty pair that plays a bench adapter, and a session that records it.

use rustix::fs::{Mode, OFlags, fcntl_setfl};
use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use soakwatch::capture::{Reader, Writer};
use soakwatch::channel::Channel;
use soakwatch::decode::{Decoder, Item, Notice, Reading};
use soakwatch::link::LinkSpec;
use soakwatch::profile::{Profile, load};
use soakwatch::record::{Body, Event, Record};
use soakwatch::session::{Ended, Limits, Options, Session, replay};
use soakwatch::wire::bench_line::write_line;
use std::fs::{self, File};
use std::io::{ErrorKind, Read, Write};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// The adapter's side of a pty.
pub struct Pty {
    master: File,
    pub slave: PathBuf,
    /// Every byte that was written.
    pub sent: Vec<u8>,
}

impl Pty {
    pub fn new() -> Pty {
        let master: OwnedFd = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let slave = PathBuf::from(ptsname(&master, Vec::new()).unwrap().into_string().unwrap());
        // No echo and no line editing from the first byte on, as on a real port.
        let held = rustix::fs::open(&slave, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty()).unwrap();
        let mut raw = tcgetattr(&held).unwrap();
        raw.make_raw();
        tcsetattr(&held, OptionalActions::Now, &raw).unwrap();
        drop(held);
        fcntl_setfl(&master, OFlags::NONBLOCK).unwrap();
        Pty { master: master.into(), slave, sent: Vec::new() }
    }

    /// Lets a name lead to this port, in one step, as a system's device manager does.
    pub fn plug(&self, name: &Path) {
        let fresh = name.with_extension("new");
        let _ = fs::remove_file(&fresh);
        std::os::unix::fs::symlink(&self.slave, &fresh).unwrap();
        fs::rename(&fresh, name).unwrap();
    }

    pub fn write(&mut self, bytes: &[u8]) {
        self.master.write_all(bytes).unwrap();
        self.sent.extend_from_slice(bytes);
    }

    /// As `write`, however long the other side takes to read it.
    pub fn pour(&mut self, bytes: &[u8]) {
        let mut left = bytes;
        while !left.is_empty() {
            match self.master.write(left) {
                Ok(n) => left = &left[n..],
                Err(e) if e.kind() == ErrorKind::WouldBlock => std::thread::sleep(Duration::from_millis(1)),
                Err(e) => panic!("{e}"),
            }
        }
        self.sent.extend_from_slice(bytes);
    }

    /// What came since the last look.
    pub fn read(&mut self) -> Vec<u8> {
        let mut bytes = Vec::new();
        // Nobody at the other side reads as an error, nothing to read as another.
        let _ = self.master.read_to_end(&mut bytes);
        bytes
    }

    /// The speed that the other side set.
    pub fn baud(&self) -> u32 {
        tcgetattr(&self.master).unwrap().input_speed()
    }

    /// How often the header was asked for since the last look.
    pub fn asked(&mut self) -> usize {
        let text = self.read();
        assert!(text.iter().all(|b| b"?\n".contains(b)), "{text:?}");
        text.iter().filter(|b| **b == b'\n').count()
    }
}

/// A bench adapter: its clock, its rows, and what it is asked.
pub struct Adapter {
    pub pty: Pty,
    check: bool,
    booted: Instant,
    row: u32,
    pub asked: usize,
}

const COLUMNS: [&str; 5] = ["time_s", "key", "leak_switch", "battery_v", "tank_pressure_pa"];

impl Adapter {
    pub fn new(pty: Pty, check: bool) -> Adapter {
        Adapter { pty, check, booted: Instant::now(), row: 0, asked: 0 }
    }

    pub fn boot(&mut self) {
        self.booted = Instant::now();
        let header = self.header();
        self.pty.write(&header);
    }

    fn header(&self) -> Vec<u8> {
        let mut line = Vec::new();
        write_line(COLUMNS, self.check, &mut line);
        line
    }

    /// The next row: `tank_pressure_pa` is minus its number, so that each can be told from the others.
    pub fn next_row(&mut self) -> Vec<u8> {
        self.row += 1;
        let row = self.row;
        let key = if row.is_multiple_of(10) { "0".to_owned() } else { String::new() };
        let closed = if row % 10 == 5 { u32::from(row > 40).to_string() } else { String::new() };
        let time = format!("{:.3}", self.booted.elapsed().as_secs_f64());
        let cells = [time, key, closed, format!("{:.2}", 12.6 - f64::from(row) / 1e4), format!("-{row}")];
        let mut line = Vec::new();
        write_line(cells.iter().map(String::as_str), self.check, &mut line);
        line
    }

    /// Sends `rows` rows, one each `every`, each changed by `spoil`, and answers what it is asked.
    pub fn play(&mut self, rows: u32, every: Duration, mut spoil: impl FnMut(u32, Vec<u8>) -> Vec<Vec<u8>>) {
        for i in 0..rows {
            self.answer();
            let row = self.next_row();
            for piece in spoil(i, row) {
                self.pty.write(&piece);
                std::thread::sleep(Duration::from_millis(2));
            }
            std::thread::sleep(every);
        }
    }

    pub fn answer(&mut self) {
        for _ in 0..self.pty.asked() {
            self.asked += 1;
            let header = self.header();
            self.pty.write(&header);
        }
    }

    /// Waits until it was asked and has answered `times` times in all.
    pub fn answer_until(&mut self, times: usize) {
        let begun = Instant::now();
        while self.asked < times {
            assert!(begun.elapsed() < Duration::from_secs(10), "asked only {} times", self.asked);
            self.answer();
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

pub fn profile() -> Arc<Profile> {
    Arc::new(load("switch-module", &[]).unwrap())
}

pub fn start(port: &Path, captures: &Path) -> Session {
    let link = LinkSpec::parse(&format!("bench:{}", port.display())).unwrap();
    let captures = captures.to_owned();
    let options = Options { links: vec![link], profile: profile(), captures, speed: None, last: None };
    Session::start(&options, Vec::new()).unwrap()
}

pub fn wait_for(session: &Session, what: impl Fn(&soakwatch::session::Look) -> bool) {
    let begun = Instant::now();
    while !what(&session.look()) {
        assert!(begun.elapsed() < Duration::from_secs(10), "{:?}", session.look().health);
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// The program itself, watching a port.
pub struct Watch {
    child: Child,
    said: Arc<Mutex<String>>,
    reader: Option<JoinHandle<()>>,
}

impl Drop for Watch {
    /// A test that fails leaves no program behind.
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Watch {
    pub fn start(link: &str, captures: &Path, more: &[&str]) -> Watch {
        let mut child = Command::new(env!("CARGO_BIN_EXE_soakwatch"))
            .args(["watch", "--plain", "--link", link, "--captures"])
            .arg(captures)
            .args(more)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut out = child.stdout.take().unwrap();
        let said = Arc::new(Mutex::new(String::new()));
        let heard = said.clone();
        let reader = std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(n) = out.read(&mut buffer) {
                if n == 0 {
                    break;
                }
                heard.lock().unwrap().push_str(&String::from_utf8_lossy(&buffer[..n]));
            }
        });
        Watch { child, said, reader: Some(reader) }
    }

    /// What it has said so far.
    pub fn said(&self) -> String {
        self.said.lock().unwrap().clone()
    }

    /// Waits until it has said this.
    pub fn hear(&self, words: &str) {
        let begun = Instant::now();
        while !self.said.lock().unwrap().contains(words) {
            assert!(begun.elapsed() < Duration::from_secs(15), "no \"{words}\" in: {}", self.said.lock().unwrap());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Sends a signal and waits for the end: its exit code, what it said, the capture's folder.
    pub fn end(mut self, signal: Option<Signal>) -> (i32, String, PathBuf) {
        if let Some(signal) = signal {
            let pid = Pid::from_raw(self.child.id().try_into().unwrap()).unwrap();
            kill_process(pid, signal).unwrap();
        }
        let begun = Instant::now();
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            if begun.elapsed() > Duration::from_secs(60) {
                panic!("it did not end: {}", self.said.lock().unwrap());
            }
            std::thread::sleep(Duration::from_millis(10));
        };
        self.reader.take().unwrap().join().unwrap();
        let said = self.said.lock().unwrap().clone();
        let place = said.lines().find_map(|l| l.strip_prefix("The capture is in ")).expect("the capture's place");
        (status.code().expect("an exit code"), said.clone(), place.into())
    }

    /// Interrupts it and waits for the end while the other side plays on; `play` is told whether it has ended.
    pub fn end_beside(self, play: impl FnOnce(&dyn Fn() -> bool)) -> (i32, String, PathBuf) {
        std::thread::scope(|scope| {
            let end = scope.spawn(|| self.end(Some(Signal::INT)));
            play(&|| end.is_finished());
            end.join().unwrap()
        })
    }
}

/// Copies what a replay needs and nothing else.
pub fn copy(dir: &Path, elsewhere: &Path) -> PathBuf {
    let copy = elsewhere.join(dir.file_name().unwrap());
    fs::create_dir_all(&copy).unwrap();
    for file in ["raw.pcapng", "session.toml"] {
        fs::copy(dir.join(file), copy.join(file)).unwrap();
    }
    copy
}

/// What `regrade --json` says of a capture, in a process of its own, elsewhere in the world.
pub fn regraded(dir: &Path, tunables: &str) -> String {
    let out = Command::new(env!("CARGO_BIN_EXE_soakwatch"))
        .args(["regrade", "--json"])
        .arg(dir)
        .current_dir("/")
        .env("TZ", "Asia/Kathmandu")
        .env("LANG", "de_DE.UTF-8")
        .env("LC_ALL", "de_DE.UTF-8")
        .env("GLIBC_TUNABLES", tunables)
        .output()
        .unwrap();
    assert_eq!(String::from_utf8_lossy(&out.stderr), "");
    String::from_utf8(out.stdout).unwrap()
}

/// `regrade --json` in another process, and on another processor, says to the byte what the live run left in its
/// `findings.json`.
pub fn same_in_another_process(dir: &Path, elsewhere: &Path) {
    let copy = copy(dir, elsewhere);
    let live = fs::read_to_string(dir.join("findings.json")).unwrap();
    assert_eq!(regraded(&copy, ""), live);
    // The C library's names for processors without fused multiply-add, now and in older versions.
    assert_eq!(regraded(&copy, "glibc.cpu.hwcaps=-AVX2,-FMA,-AVX2_Usable,-FMA_Usable"), live);
}

/// A capture with one record of bytes less, and nothing that tells of it, is graded otherwise.
pub fn differs_without(nth: usize, dir: &Path, elsewhere: &Path) {
    let mut reader = Reader::open(dir).unwrap();
    let mut records: Vec<Record> = reader.by_ref().map(Result::unwrap).collect();
    let chunks: Vec<usize> = (0..records.len()).filter(|i| matches!(records[*i].body, Body::Bytes(_))).collect();
    let write = |records: &mut [Record], place: &str| {
        let fresh = elsewhere.join(place).join(dir.file_name().unwrap());
        let mut writer = Writer::create(&fresh, reader.session()).unwrap();
        writer.append(records).unwrap();
        writer.sync().unwrap();
        regraded(&fresh, "")
    };
    let live = fs::read_to_string(dir.join("findings.json")).unwrap();
    assert_eq!(write(&mut records.clone(), "whole"), live);
    records.remove(chunks[nth]);
    assert_ne!(write(&mut records, "less"), live);
}

/// All that a capture holds, and what the decoder makes of it.
pub struct Kept {
    pub records: Vec<Record>,
    pub readings: Vec<Reading>,
    pub notices: Vec<Notice>,
    pub summary: Vec<String>,
    pub undecoded: u64,
}

/// The records of a capture.
pub fn kept_by(capture: &Path) -> (Reader, Vec<Record>) {
    let mut reader = Reader::open(capture).unwrap();
    let records = reader.by_ref().map(Result::unwrap).collect();
    assert_eq!(reader.losses(), [""; 0]);
    (reader, records)
}

/// The same bytes, each in a record of its own.
pub fn torn(records: &[Record]) -> Vec<Record> {
    let each = |r: &Record| match &r.body {
        Body::Bytes(bytes) => {
            bytes.iter().map(|b| Record { body: Body::Bytes(vec![*b]), ..r.clone() }).collect::<Vec<_>>()
        }
        _ => vec![r.clone()],
    };
    records.iter().flat_map(each).collect()
}

/// Readings and notices, by a profile.
fn decoded(profile: &Arc<Profile>, reader: &Reader, records: &[Record]) -> (Vec<Reading>, Vec<Notice>, Decoder) {
    let mut decoder = Decoder::new(profile.clone(), &reader.session().links);
    let mut items = Vec::new();
    records.iter().for_each(|r| decoder.record(r, &mut items));
    let (mut readings, mut notices) = (Vec::new(), Vec::new());
    for item in items {
        match item {
            Item::Reading(r) => readings.push(r),
            Item::Word(_) => {}
            Item::Notice(n) => notices.push(n),
        }
    }
    (readings, notices, decoder)
}

/// A reading without its time.
pub type Values = Vec<(Channel, f64)>;

/// Readings without their times, and notices, by a profile.
pub fn readings_of(profile: &Arc<Profile>, reader: &Reader, records: &[Record]) -> (Vec<Values>, Vec<Notice>, Decoder) {
    let (readings, notices, decoder) = decoded(profile, reader, records);
    (readings.iter().map(|r| r.iter().collect()).collect(), notices, decoder)
}

/// Every byte that came from a port.
pub fn bytes_of(records: &[Record]) -> Vec<u8> {
    let bytes = |r: &Record| if let Body::Bytes(b) = &r.body { b.clone() } else { Vec::new() };
    records.iter().flat_map(bytes).collect()
}

impl Kept {
    pub fn read(dir: &Path) -> Kept {
        let (reader, records) = kept_by(dir);
        let (readings, notices, decoder) = decoded(&profile(), &reader, &records);
        Kept { records, readings, notices, summary: decoder.summary(), undecoded: decoder.undecoded() }
    }

    /// Every byte that came from the port.
    pub fn bytes(&self) -> Vec<u8> {
        bytes_of(&self.records)
    }

    pub fn events(&self) -> Vec<&Event> {
        self.records.iter().filter_map(|r| if let Body::Event(e) = &r.body { Some(e) } else { None }).collect()
    }

    /// Numbers of the rows that were read, in order.
    pub fn rows(&self) -> Vec<u32> {
        let pressure = Channel::TankPressurePa;
        self.readings.iter().filter_map(|r| r.get(pressure)).map(|p| -p as u32).collect()
    }
}

/// The findings of a live session are those of a replay from copies of the raw file and the session file alone.
pub fn same_when_replayed(ended: &Ended, elsewhere: &Path) {
    let copy = copy(&ended.dir, elsewhere);
    let again = replay(&copy, Limits::Stored(&[]), &mut |_| {}, &mut |_, _| {}).unwrap();
    assert_eq!(again.losses, [""; 0]);
    let json = |f| serde_json::to_string(f).unwrap();
    assert_eq!(json(&ended.findings), json(&again.findings));
}
