//! Two ways in: any bytes as a raw file; and a capture written by the writer, then damaged. What is read stands in
//! order, ends, and every record that comes back is one that was written.
#![no_main]

use libfuzzer_sys::fuzz_target;
use soakwatch::capture::{Reader, SessionFile, Sink, Writer};
use soakwatch::record::{Body, Event, LinkInfo, Record};
use soakwatch::time::Stamp;
use std::collections::VecDeque;
use std::io::{Cursor, Read, Result};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

#[derive(Clone, Default)]
struct Memory(Arc<Mutex<Vec<u8>>>);

impl Memory {
    fn bytes(&self) -> Vec<u8> {
        self.0.lock().expect("one thread").clone()
    }
}

impl Sink for Memory {
    fn write(&mut self, bytes: &[u8]) -> Result<usize> {
        self.0.lock().expect("one thread").extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn sync(&mut self) -> Result<()> {
        Ok(())
    }
    fn cut(&mut self, len: u64) -> Result<()> {
        self.0.lock().expect("one thread").truncate(len as usize);
        Ok(())
    }
}

fn session() -> SessionFile {
    let link = |kind: &str| LinkInfo { kind: kind.into(), name: "x".into() };
    SessionFile::new(1_769_839_200_123_456_789, vec![link("bench"), link("can")], toml::Table::new())
}

fn read(file: Vec<u8>) -> Vec<Record> {
    let total = file.len() as u64;
    let source: Box<dyn Read + Send> = Box::new(Cursor::new(file));
    let mut reader = Reader::over(session(), VecDeque::from([(PathBuf::from("raw.pcapng"), source)]), total);
    let mut record = Record { at: Stamp::ZERO, link: 0, seq: 0, body: Body::Event(Event::Tick) };
    let mut all: Vec<Record> = Vec::new();
    while reader.next_into(&mut record).expect("memory can be read") {
        assert!(all.last().is_none_or(|l| l.seq < record.seq));
        all.push(record.clone());
        assert!(all.len() as u64 <= total);
    }
    all
}

fn written(mut how: &[u8]) -> (Vec<Record>, Memory) {
    let disk = Memory::default();
    let mut writer = Writer::with_sink(disk.clone(), PathBuf::from("raw.pcapng"), &session()).expect("a head");
    let (mut all, mut at) = (Vec::new(), 0);
    while let Some((&[kind, len], rest)) = how.split_first_chunk::<2>() {
        let (body, rest) = rest.split_at(usize::from(len).min(rest.len()));
        at += i64::from(kind) << 20;
        let (link, body) = match kind & 3 {
            0 => (1, Body::Bytes(body.to_vec())),
            1 => (2, Body::Can(body.to_vec())),
            2 => (0, Body::Event(Event::Tick)),
            _ => (
                u16::from(kind >> 6).min(2),
                Body::Event(Event::Sent { text: String::from_utf8_lossy(body).into_owned() }),
            ),
        };
        all.push(Record { at: Stamp(at), link, seq: 0, body });
        how = rest;
    }
    writer.append(&mut all).expect("memory can be written");
    (all, disk)
}

fuzz_target!(|data: &[u8]| {
    let Some((&[how, x, y, flip], rest)) = data.split_first_chunk::<4>() else { return };
    if how & 1 == 0 {
        read(rest.to_vec());
        return;
    }
    let (all, disk) = written(rest);
    assert_eq!(read(disk.bytes()), all);
    let mut file = disk.bytes();
    let place = (usize::from(x) << 8 | usize::from(y)) % file.len();
    match how >> 1 & 3 {
        0 => file.truncate(place),
        1 => file[place] ^= flip,
        2 => drop(file.drain(place..(place + usize::from(flip)).min(file.len()))),
        _ => drop(file.splice(place..place, [flip; 7])),
    }
    for record in read(file) {
        let gap = matches!(record.body, Body::Event(Event::Gap { .. }));
        assert!(gap || all.contains(&record), "{record:?}");
    }
});
