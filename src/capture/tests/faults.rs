//! The system refuses at every call in turn.

use super::*;
use std::io::ErrorKind;

/// Plays a session against a disk: four batches, each synced; a batch that fails is given up and the next begins
/// with a gap event. Returns what the writer said was written and the errors.
fn play(disk: &Disk) -> Option<(Vec<Record>, Vec<String>)> {
    let mut writer = Writer::with_sink(disk.clone(), RAW_FILE.into(), &session()).ok()?;
    let (mut kept, mut errors, mut lost) = (Vec::new(), Vec::new(), 0);
    for part in night().chunks(4) {
        let mut batch = part.to_vec();
        if lost > 0 {
            let gap = Event::Gap { from_ns: 0, to_ns: 1, count: lost, cause: "the disk refused".into() };
            batch.insert(0, record(0, 0, Body::Event(gap)));
        }
        match writer.append(&mut batch) {
            Ok(()) => {
                kept.extend(batch);
                lost = 0;
            }
            Err(e) => {
                errors.push(e.to_string());
                lost += part.len() as u64;
                // Read while the writer is still alive, and as a crash now would leave it.
                holds(&disk.contents(), &kept);
            }
        }
        if let Err(e) = writer.sync() {
            errors.push(e.to_string());
        }
    }
    Some((kept, errors))
}

/// The file reads back as exactly these records.
fn holds(file: &[u8], kept: &[Record]) {
    let (back, _) = read(&[file]);
    assert_eq!(back, kept);
    assert!(back.iter().map(|r| r.seq).eq(0..back.len() as u64));
}

/// How many calls a session makes when all goes well.
fn calls() -> usize {
    let (count, counted) = std::sync::mpsc::channel();
    let disk = Disk::with(move |_| {
        count.send(()).unwrap();
        Fate::Works
    });
    play(&disk).unwrap();
    counted.try_iter().count()
}

#[test]
fn a_batch_is_one_write() {
    // Head: write, sync. Then a write and a sync for each of five batches, and nothing else.
    assert_eq!(calls(), 2 + 5 * 2);
}

#[test]
fn a_refusal_at_any_call_leaves_a_file_that_reads_as_the_writer_said() {
    for kind in [ErrorKind::StorageFull, ErrorKind::Other] {
        for first in 0..calls() + 3 {
            // One to four refusals in a row, so that the cut back is refused too.
            for many in 1..=4 {
                let mut n = 0;
                let disk = Disk::with(move |_| {
                    n += 1;
                    if (first..first + many).contains(&(n - 1)) { Fate::Fails(kind) } else { Fate::Works }
                });
                match play(&disk) {
                    Some((kept, errors)) => {
                        holds(&disk.contents(), &kept);
                        assert_eq!(errors.is_empty(), first >= calls(), "refused from call {first}");
                    }
                    None => assert!(first < 2),
                }
            }
        }
    }
}

#[test]
fn a_disk_that_fills_up_in_mid_batch_keeps_whole_batches_and_goes_on_when_there_is_room() {
    for short in 0..700 {
        for cut_fails in [false, true] {
            let (mut writes, mut cuts) = (0, 0);
            let disk = Disk::with(move |call| match call {
                Call::Write(_) => {
                    writes += 1;
                    match writes {
                        3 => Fate::Short(short),
                        4 => Fate::Fails(ErrorKind::StorageFull),
                        _ => Fate::Works,
                    }
                }
                Call::Cut => {
                    cuts += 1;
                    if cut_fails && cuts == 1 { Fate::Fails(ErrorKind::Other) } else { Fate::Works }
                }
                Call::Sync => Fate::Works,
            });
            let batch = |i: i64| vec![record(i, 1, Body::Bytes(vec![b'a'; 300])); 2];
            let mut writer = Writer::with_sink(disk.clone(), RAW_FILE.into(), &session()).unwrap();
            let mut kept = batch(1);
            writer.append(&mut kept).unwrap();
            let mut again = batch(2);
            let said = writer.append(&mut again).unwrap_err().to_string();
            // A write of nothing is a refusal of its own kind; after it the disk is not asked again.
            let why =
                if short == 0 { "cannot write records: write zero" } else { "cannot write records: no storage space" };
            assert!(said.starts_with(&format!("raw.pcapng: {why}")), "{said}");
            if cut_fails {
                // The torn batch stands there until the next call; a reader copes, and sees what is whole of it.
                assert_eq!(read(&[&disk.contents()]).0[..2], kept);
            } else {
                holds(&disk.contents(), &kept);
            }
            if short == 0 {
                continue;
            }
            writer.append(&mut again).unwrap();
            kept.extend(again);
            holds(&disk.contents(), &kept);
            assert_eq!(disk.contents().len() as u64, writer.bytes());
        }
    }
}

#[test]
fn a_write_that_is_only_interrupted_or_short_is_carried_on() {
    let mut n = 0;
    let disk = Disk::with(move |call| {
        n += 1;
        match call {
            Call::Write(_) if n % 3 == 0 => Fate::Fails(ErrorKind::Interrupted),
            Call::Write(len) => Fate::Short(len.min(7)),
            _ => Fate::Works,
        }
    });
    let (kept, errors) = play(&disk).unwrap();
    assert_eq!((kept.len(), errors), (night().len(), vec![]));
    holds(&disk.contents(), &kept);
}

#[test]
fn a_refused_record_leaves_the_whole_batch_out_and_uses_no_number() {
    let disk = Disk::good();
    let mut writer = Writer::with_sink(disk.clone(), RAW_FILE.into(), &session()).unwrap();
    let mut kept = night()[..3].to_vec();
    writer.append(&mut kept).unwrap();
    for (link, body) in [
        (3, Body::Bytes(vec![1])),
        (0, Body::Bytes(vec![1])),
        (1, Body::Can(vec![1; 16])),
        (3, Body::Event(Event::Tick)),
        (1, Body::Bytes(vec![0; MAX_DATA + 1])),
    ] {
        let mut batch = vec![night()[3].clone(), record(0, link, body)];
        writer.append(&mut batch).unwrap_err();
        assert_eq!(writer.next_seq(), 3);
    }
    let mut more = vec![record(9, 1, Body::Bytes(vec![0; MAX_DATA]))];
    writer.append(&mut more).unwrap();
    kept.extend(more);
    holds(&disk.contents(), &kept);
}

#[test]
fn a_read_that_fails_in_mid_file_gives_what_came_before() {
    struct Failing(io::Cursor<Vec<u8>>);
    impl io::Read for Failing {
        fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
            match self.0.read(buf)? {
                0 => Err(io::Error::other("bad sector")),
                n => Ok(n),
            }
        }
    }
    let mut records = night();
    let file = written(&mut records);
    for cut in 0..file.len() {
        let source = Box::new(Failing(io::Cursor::new(file[..cut].to_vec()))) as Box<dyn io::Read + Send>;
        let mut reader = reader::Reader::over(session(), [(RAW_FILE.into(), source)].into(), 0);
        let whole = blocks(&file).iter().filter(|b| b.end <= cut).count();
        for record in &records[..whole] {
            assert_eq!(reader.next().unwrap().unwrap(), *record);
        }
        let said = reader.next().unwrap().unwrap_err().to_string();
        assert_eq!(said, "raw.pcapng: cannot read the raw records: bad sector; check the disk and its cable");
        assert!(reader.next().is_none());
    }
}
