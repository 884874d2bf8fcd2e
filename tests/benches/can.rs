//! The proof of pace: a full 1 Mbit/s bus recorded and judged, against the most frames that such a bus can carry.
//!
//! A 1 Mbit/s bus is full at a known number of frames a second, so that is what counts: how many times as many are
//! recorded and judged in a second of one core, and what share of a core is used at the bus's own pace. As the recorder
//! does it, frames go in batches of what 90 ms bring to a capture on the disk, each with its hashes, then to the judge,
//! then a view looks; each second is synced. Link thread and queue are not in it: so the whole program is fed too, with the
//! frames of a full bus at the bus's own pace as lines of serial-line CAN on a pseudo-terminal, and its share of a core and
//! its memory are what the system counts. `tests/vm/` has it on a full bus of real sockets.
//!
//! Figures are processor time, the best of a few turns, so that other programs on the machine do not count. Then the
//! capture is read back: every frame must be there, in order, with its stamp and bytes, its values must be those sent,
//! and what is found must be what was found live.
//!
//! `cargo bench --bench can`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod clock;
mod program;

use clock::processor_s;
use program::{Guard, memory, pty, ticks, write};
use rustix::process::{Pid, Signal, kill_process};
use soakwatch::capture::{Reader, SessionFile, Writer};
use soakwatch::channel::Channel;
use soakwatch::judge::Judge;
use soakwatch::profile::{Profile, load_builtin};
use soakwatch::record::{Body, Event, LinkInfo, Record};
use soakwatch::time::Stamp;
use soakwatch::wire::can_frame::{Frame, Id};
use soakwatch::wire::slcan;
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// One core must do so many times the bus's frames, of any kind: at most 2 % of a core at its pace.
const LIMIT_TIMES: f64 = 50.0;
const BIT_S: u64 = 1_000_000;
/// So much of the bus is played, seconds.
const BUS_S: u64 = 20;
/// The recorder gathers so long, ns.
const GATHER_NS: u64 = 90_000_000;
const TURNS: usize = 3;

/// The whole program may take so much of a core, and of memory, on a full bus. It is fed for so long after it has begun.
const LIMIT_SHARE: f64 = 0.10;
const LIMIT_KB: u64 = 40 * 1024;
const SETTLED: Duration = Duration::from_secs(2);
const MEASURED: Duration = Duration::from_secs(10);

/// Bits of a classic frame with 11 bits of identifier, and of the pause after it, without stuff bits (ISO 11898-1, from
/// memory): a real bus carries no more, mostly less.
const fn bits(data: u64) -> u64 {
    let (start, identifier, remote, extended, reserved, length) = (1, 11, 1, 1, 1, 4);
    let (check, check_end, acknowledge, acknowledge_end, end, pause) = (15, 1, 1, 1, 7, 3);
    start
        + identifier
        + remote
        + extended
        + reserved
        + length
        + 8 * data
        + (check + check_end + acknowledge + acknowledge_end + end + pause)
}

fn main() {
    let profile = Arc::new(load_builtin("courier-van").unwrap());
    println!("{BUS_S} s of a full bus of {BIT_S} bit/s, frames with 11 bits of identifier and no stuff bits:");
    let mut kept = true;
    for (len, one_in) in [(8, 4), (8, 1), (0, 4)] {
        kept &= Bus::new(&profile, len, one_in).tell(&profile);
    }
    if !kept {
        println!("LIMIT BROKEN: one core must do at least {LIMIT_TIMES:.0} times the frames of the bus");
    }
    let whole = Bus::new(&profile, 8, 4).whole_program(&profile);
    if !whole {
        println!("LIMIT BROKEN: the whole program must stay below these on a full bus");
    }
    if !(kept && whole) {
        std::process::exit(1);
    }
}

/// A bus without a pause.
struct Bus {
    /// Bytes of data in each frame.
    len: usize,
    /// One frame in so many has an identifier of the profile.
    one_in: u64,
    told: Vec<u16>,
}

/// Processor time of one turn, s.
#[derive(Clone, Copy)]
struct Spent {
    record: f64,
    judge: f64,
    view: f64,
}

impl Spent {
    fn all(&self) -> f64 {
        self.record + self.judge + self.view
    }
}

impl Bus {
    fn new(profile: &Profile, len: usize, one_in: u64) -> Bus {
        let standard = |id| if let Id::Standard(id) = id { Some(id) } else { None };
        let mut told: Vec<u16> = profile.bus.broadcast.iter().filter_map(|b| standard(b.id)).collect();
        told.dedup();
        assert_eq!(told, [0x1A4, 0x2B8, 0x4C3], "the bench knows what these frames carry");
        Bus { len, one_in, told }
    }

    fn tell(&self, profile: &Arc<Profile>) -> bool {
        let (frames, most) = (self.frames(), BIT_S as f64 / bits(self.len as u64) as f64);
        let mut best: Option<Spent> = None;
        for _ in 0..TURNS {
            let dir = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
            let dir = dir.path().join("full");
            let (spent, found) = self.live(&dir, profile);
            self.read_back(&dir, profile, &found);
            best = Some(best.filter(|b| b.all() <= spent.all()).unwrap_or(spent));
        }
        let spent = best.unwrap();
        let (rate, share) = (frames as f64 / spent.all(), spent.all() / BUS_S as f64 * 100.0);
        let us = |s: f64| s / frames as f64 * 1e6;
        println!("{} bytes, one frame in {} carries channels: the bus has {most:.0} frames/s", self.len, self.one_in);
        println!("   one core does {rate:.0} frames/s, {:.0} times the bus (at least {LIMIT_TIMES:.0})", rate / most);
        println!(
            "   {:.2} µs a frame: {:.2} to record, {:.2} to judge, {:.2} for views",
            us(spent.all()),
            us(spent.record),
            us(spent.judge),
            us(spent.view)
        );
        println!("   {share:.2} % of a core at the bus's pace; {frames} of {frames} frames read back in every turn");
        rate / most >= LIMIT_TIMES
    }

    fn frames(&self) -> u64 {
        BUS_S * BIT_S / bits(self.len as u64)
    }

    /// The identifier of a frame, and its data if there were eight bytes.
    fn said(&self, i: u64) -> (u16, [u8; 8]) {
        let noise = i.wrapping_mul(6_364_136_223_846_793_005).to_be_bytes();
        if !i.is_multiple_of(self.one_in) {
            // None of the profile's, and none of a question or an answer.
            let id = 0x080 + (i * 37 % 0x600) as u16;
            return (id + u16::from(self.told.contains(&id)), noise);
        }
        let id = self.told[(i / self.one_in) as usize % self.told.len()];
        // A van under way, as `profiles/courier-van.toml` has its bytes; purged 5 s in 10.
        let (rpm, purge) = (raw_rpm(i).to_be_bytes(), if self.at(i).0 / 5_000_000_000 % 2 == 1 { 100 } else { 0 });
        let data = match id {
            0x1A4 => [0x01, rpm[0], rpm[1], 0x88, 0x13, 0, 0, 0],
            0x2B8 => [0x11, 0x94 + noise[0] % 8, purge, 202, 0x10 + noise[1] % 64, 0x36, 0, 0],
            _ => [130, 125, 70, 160, 130, 0, 0, 0],
        };
        (id, data)
    }

    fn at(&self, i: u64) -> Stamp {
        Stamp((i * bits(self.len as u64) * (1_000_000_000 / BIT_S)) as i64)
    }

    fn record(&self, i: u64) -> Record {
        let (id, data) = self.said(i);
        let mut packet = Vec::new();
        Frame::data(Id::Standard(id), &data[..self.len]).unwrap().encode(&mut packet);
        Record { at: self.at(i), link: 1, seq: 0, body: Body::Can(packet) }
    }

    /// Records and judges as a live run does; what it took, and the findings as JSON.
    fn live(&self, dir: &Path, profile: &Arc<Profile>) -> (Spent, String) {
        let links = vec![LinkInfo { kind: "can".into(), name: "can0".into() }];
        let session = SessionFile::new(1_767_225_600_000_000_000, links.clone(), profile.to_toml());
        let mut writer = Writer::create(dir, &session).unwrap();
        let mut judge = Judge::new(profile.clone(), &links);
        let event = |at, link, e| Record { at, link, seq: 0, body: Body::Event(e) };
        let mut batch = vec![event(Stamp::ZERO, 1, Event::LinkUp { detail: "listens at 1 Mbit/s".into() })];
        let mut spent = Spent { record: 0.0, judge: 0.0, view: 0.0 };
        let (mut readings, mut synced, mut seen) = (0, 0, 0);
        let (each, all) = (GATHER_NS * BIT_S / 1_000_000_000 / bits(self.len as u64), self.frames());
        for from in (0..all).step_by(each as usize) {
            let to = all.min(from + each);
            batch.extend((from..to).map(|i| self.record(i)));
            if to == all {
                batch.push(event(self.at(all - 1), 0, Event::End { cause: "the bus was full for long enough".into() }));
            }
            let begun = processor_s();
            writer.append(&mut batch).unwrap();
            if to == all || self.at(to).0 / 1_000_000_000 > synced {
                synced = self.at(to).0 / 1_000_000_000;
                writer.sync().unwrap();
            }
            let recorded = processor_s();
            for record in &batch {
                judge.record_with(record, &mut |_| readings += 1);
            }
            batch.clear();
            let judged = processor_s();
            seen = judge.snapshot().records;
            spent.record += recorded - begun;
            spent.judge += judged - recorded;
            spent.view += processor_s() - judged;
        }
        assert_eq!((seen, writer.next_seq()), (all + 2, all + 2));
        assert_eq!(readings, if self.len == 8 { all.div_ceil(self.one_in) } else { 0 });
        (spent, serde_json::to_string(&judge.findings("full")).unwrap())
    }

    /// The program itself, fed with these frames at the bus's own pace through a pseudo-terminal.
    fn whole_program(&self, profile: &Arc<Profile>) -> bool {
        let dir = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
        let (mut adapter, port) = pty(true);
        let mut command = Command::new(env!("CARGO_BIN_EXE_soakwatch"));
        command.args(["watch", "--plain", "--profile", &profile.name, "--link"]);
        command.arg(format!("slcan:{},bitrate={BIT_S},ask=no", port.display())).arg("--captures").arg(dir.path());
        command.stdin(Stdio::null()).stdout(Stdio::null());
        let mut child = Guard(command.spawn().unwrap());
        // Its channel is opened, to listen; each command is answered with yes.
        let (mut heard, mut sent) = (Vec::new(), Vec::new());
        let since = Instant::now();
        while !heard.ends_with(slcan::LISTEN) {
            assert!(since.elapsed() < Duration::from_secs(20), "it opens no channel: {heard:?}");
            let mut some = [0; 64];
            let n = adapter.read(&mut some).unwrap_or(0);
            for byte in &some[..n] {
                heard.push(*byte);
                if *byte == b'\r' {
                    write(&mut adapter, b"\r");
                    sent.push(b'\r');
                }
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        let rate = BIT_S as f64 / bits(self.len as u64) as f64;
        let (begun, mut frames, mut before) = (Instant::now(), 0u64, None);
        let (share, took, rss, peak) = loop {
            let gone = begun.elapsed();
            let mut lines = Vec::new();
            while frames < (gone.as_secs_f64() * rate) as u64 {
                let (id, data) = self.said(frames);
                lines.extend(slcan::line(&Frame::data(Id::Standard(id), &data[..self.len]).unwrap()).unwrap());
                frames += 1;
            }
            write(&mut adapter, &lines);
            sent.extend(lines);
            if gone >= SETTLED && before.is_none() {
                before = Some((gone, ticks(&child.0)));
            }
            if let Some((from, ticks_before)) = before.filter(|_| gone >= SETTLED + MEASURED) {
                let hz = rustix::param::clock_ticks_per_second() as f64;
                let used = (ticks(&child.0) - ticks_before) as f64 / hz;
                let share = used / (gone - from).as_secs_f64();
                break (share, begun.elapsed().as_secs_f64(), memory(&child.0, "VmRSS:"), memory(&child.0, "VmHWM:"));
            }
            std::thread::sleep(Duration::from_millis(2));
        };
        let pace = frames as f64 / took;
        // A program that reads too slowly holds the sender up: then this was no full bus.
        assert!(pace > 0.99 * rate, "{pace:.0} frames a second got through of {rate:.0}");
        std::thread::sleep(Duration::from_millis(600));
        kill_process(Pid::from_child(&child.0), Signal::INT).unwrap();
        child.0.wait().unwrap();

        let capture = std::fs::read_dir(dir.path()).unwrap().next().unwrap().unwrap().path();
        let mut reader = Reader::open(&capture).unwrap();
        let mut judge = Judge::new(profile.clone(), &reader.session().links);
        let (mut kept, mut speeds, mut gaps) = (Vec::new(), 0, 0);
        for record in reader.by_ref() {
            let record = record.unwrap();
            judge.record_with(&record, &mut |reading| speeds += u64::from(reading.get(Channel::EngineRpm).is_some()));
            match record.body {
                Body::Bytes(bytes) => kept.extend(bytes),
                Body::Event(Event::Gap { .. }) => gaps += 1,
                _ => {}
            }
        }
        assert_eq!((reader.losses(), gaps), (&[][..], 0));
        assert!(kept == sent, "{} bytes were kept of {}", kept.len(), sent.len());
        assert_eq!(judge.findings("full").undecoded, 0);
        assert_eq!(speeds, frames.div_ceil(self.one_in * self.told.len() as u64));
        println!(
            "the whole program, {frames} frames of 8 bytes as serial-line CAN on a pseudo-terminal, {pace:.0} a second, none lost"
        );
        println!(
            "   {:.2} % of a core (below {:.0})   {rss} kB, at most {peak} kB (below {LIMIT_KB})",
            share * 100.0,
            LIMIT_SHARE * 100.0
        );
        share < LIMIT_SHARE && peak < LIMIT_KB
    }

    /// Not one frame is missing or changed, and the same is found.
    fn read_back(&self, dir: &Path, profile: &Arc<Profile>, found: &str) {
        let mut reader = Reader::open(dir).unwrap();
        let mut judge = Judge::new(profile.clone(), &reader.session().links);
        let mut record = Record { at: Stamp::ZERO, link: 0, seq: 0, body: Body::Event(Event::Tick) };
        let (mut frames, mut events, mut speeds) = (0, 0, 0);
        while reader.next_into(&mut record).unwrap() {
            judge.record_with(&record, &mut |reading| {
                if let Some(rpm) = reading.get(Channel::EngineRpm) {
                    assert_eq!(rpm, f64::from(raw_rpm(frames)) * 0.25);
                    speeds += 1;
                }
            });
            if matches!(record.body, Body::Event(_)) {
                events += 1;
                continue;
            }
            assert_eq!(record, Record { seq: frames + 1, ..self.record(frames) });
            frames += 1;
        }
        assert_eq!((frames, events, reader.losses()), (self.frames(), 2, &[][..]));
        let every = self.one_in * self.told.len() as u64;
        assert_eq!(speeds, if self.len == 8 { frames.div_ceil(every) } else { 0 });
        let again = judge.findings("full");
        assert_eq!((again.undecoded, serde_json::to_string(&again).unwrap().as_str()), (0, found));
    }
}

/// The engine's speed in frame `i`, in quarters of a revolution a minute.
fn raw_rpm(i: u64) -> u16 {
    7200 + (i % 97) as u16
}
