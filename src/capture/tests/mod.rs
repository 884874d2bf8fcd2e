mod damage;
mod faults;
mod round_trip;
mod sentences;
mod shelf;

use super::layout::{Frame, PACKET, frame};
use super::*;
use crate::record::{Body, Event, LinkInfo, Record};
use crate::time::{ClockReading, Stamp};
use std::io;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

/// A session with a serial link (1) and a CAN link (2).
fn session() -> SessionFile {
    let link = |kind: &str, name: &str| LinkInfo { kind: kind.into(), name: name.into() };
    let profile = toml::from_str("[vehicle]\ntank_l = 60.0\n[soak]\nmin_s = 300").unwrap();
    SessionFile::new(1_769_839_200_123_456_789, vec![link("bench", "the tray"), link("can", "van 7")], profile)
}

fn record(at: i64, link: u16, body: Body) -> Record {
    Record { at: Stamp(at), link, seq: u64::MAX, body }
}

/// A small capture of every kind of record, ended in order.
fn night() -> Vec<Record> {
    let event = |at, link, e| record(at, link, Body::Event(e));
    let bytes = |at, text: &str| record(at, 1, Body::Bytes(text.as_bytes().to_vec()));
    let mut all = vec![
        event(0, 0, Event::Clock(ClockReading { boot_ns: 5, mono_ns: 4, real_ns: 1_769_839_200_123_456_789 })),
        event(1_000, 1, Event::LinkUp { detail: "115200 baud".into() }),
        event(2_000, 1, Event::Sent { text: "?\n".into() }),
        bytes(3_000, "time_s,leak_switch,tank_pressure_pa\n"),
        record(4_000, 2, Body::Can(vec![0, 0, 7, 0xE8, 8, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8])),
        bytes(5_000, ""),
    ];
    all.extend((0..6).map(|i| bytes(10_000 + i, &format!("{i}.000,0,-{}\n", 10 * i * i * i))));
    all.push(event(20_000, 0, Event::Note { note_kind: "note".into(), text: "van 7: café “tray”".into() }));
    all.push(event(21_000, 0, Event::Tick));
    all.push(event(22_000, 2, Event::LinkDown { detail: "unplugged".into() }));
    all.push(event(
        23_000,
        0,
        Event::Gap { from_ns: 1, to_ns: 2, count: 3, cause: "more than the disk could take".into() },
    ));
    all.push(record(23_900, 2, Body::CanSent(vec![0, 0, 7, 0xDF, 8, 0, 0, 0, 2, 1, 0, 4, 5, 6, 7, 8])));
    all.push(event(24_000, 0, Event::End { cause: "by the person".into() }));
    all
}

/// Memory that stands in for a disk; `plan` is asked before each call.
#[derive(Clone)]
struct Disk {
    bytes: Arc<Mutex<Vec<u8>>>,
    plan: Arc<Mutex<dyn FnMut(Call) -> Fate + Send>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Call {
    Write(usize),
    Sync,
    Cut,
}

enum Fate {
    Works,
    Short(usize),
    Fails(io::ErrorKind),
}

impl Disk {
    fn good() -> Disk {
        Disk::with(|_| Fate::Works)
    }
    fn with(plan: impl FnMut(Call) -> Fate + Send + 'static) -> Disk {
        Disk { bytes: Arc::default(), plan: Arc::new(Mutex::new(plan)) }
    }
    fn contents(&self) -> Vec<u8> {
        self.bytes.lock().unwrap().clone()
    }
    fn ask(&self, call: Call) -> Fate {
        (self.plan.lock().unwrap())(call)
    }
}

impl Sink for Disk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let n = match self.ask(Call::Write(bytes.len())) {
            Fate::Works => bytes.len(),
            Fate::Short(n) => n,
            Fate::Fails(kind) => return Err(kind.into()),
        };
        self.bytes.lock().unwrap().extend_from_slice(&bytes[..n]);
        Ok(n)
    }
    fn sync(&mut self) -> io::Result<()> {
        match self.ask(Call::Sync) {
            Fate::Fails(kind) => Err(kind.into()),
            _ => Ok(()),
        }
    }
    fn cut(&mut self, len: u64) -> io::Result<()> {
        match self.ask(Call::Cut) {
            Fate::Fails(kind) => Err(kind.into()),
            _ => {
                self.bytes.lock().unwrap().truncate(len as usize);
                Ok(())
            }
        }
    }
}

/// The file that these records make, in one batch; their numbers are set.
fn written(records: &mut [Record]) -> Vec<u8> {
    let disk = Disk::good();
    let mut writer = Writer::with_sink(disk.clone(), RAW_FILE.into(), &session()).unwrap();
    writer.append(records).unwrap();
    disk.contents()
}

/// All records read from files of these bytes, and the losses.
fn read(files: &[&[u8]]) -> (Vec<Record>, Vec<String>) {
    let total = files.iter().map(|f| f.len() as u64).sum();
    let files = files.iter().enumerate().map(|(i, bytes)| {
        let name = if i == 0 { RAW_FILE.to_string() } else { format!("raw.{:04}.pcapng", i + 1) };
        (PathBuf::from(name), Box::new(io::Cursor::new(bytes.to_vec())) as Box<dyn io::Read + Send>)
    });
    let mut reader = reader::Reader::over(session(), files.collect(), total);
    let records = reader.by_ref().map(|r| r.unwrap()).collect();
    (records, reader.losses().to_vec())
}

/// Where each packet block of a sound file begins and ends.
fn blocks(file: &[u8]) -> Vec<std::ops::Range<usize>> {
    let mut all = Vec::new();
    let mut at = 0;
    while at < file.len() {
        let Frame::Block(kind, len) = frame(&file[at..]) else { panic!("not sound at {at}") };
        if kind == PACKET {
            all.push(at..at + len);
        }
        at += len;
    }
    all
}
