//! Files that follow one another, the seal, compression, mending.

use super::*;
use std::fs;
use std::path::Path;

/// A capture of many records in files of about 4 kB, ended in order and sealed. Returns what was recorded.
fn recorded(dir: &Path, roll: Roll, seal: bool) -> Vec<Record> {
    let mut writer = Writer::create(dir, &session()).unwrap().rolling(roll);
    let mut all = Vec::new();
    for i in 0..40 {
        let text = format!("{i}.000,0,-{}\n", 7 * i).repeat(10);
        let mut batch = vec![record(i64::from(i) * 1_000_000_000, 1, Body::Bytes(text.into_bytes()))];
        writer.append(&mut batch).unwrap();
        all.extend(batch);
    }
    if seal {
        let mut end = vec![record(40_000_000_000, 0, Body::Event(Event::End { cause: "by the person".into() }))];
        writer.append(&mut end).unwrap();
        writer.sync().unwrap();
        writer.seal().unwrap();
        all.extend(end);
    }
    all
}

const SMALL: Roll = Roll { bytes: 4096, ..Roll::NEVER };

fn back(dir: &Path) -> (Vec<Record>, Vec<String>) {
    let mut reader = Reader::open(dir).unwrap();
    let records = reader.by_ref().map(|r| r.unwrap()).collect();
    (records, reader.losses().to_vec())
}

fn raw_files(dir: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(dir).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.retain(|n| n.starts_with("raw."));
    names.sort();
    names
}

#[test]
fn full_files_are_followed_by_the_next_and_nothing_is_lost_between() {
    let root = tempfile::tempdir().unwrap();
    let by_size = root.path().join("size");
    let all = recorded(&by_size, SMALL, true);
    let files = raw_files(&by_size);
    assert!(files.len() >= 2 && files.contains(&"raw.0002.pcapng".to_owned()), "{files:?}");
    assert_eq!(back(&by_size), (all, Vec::new()));
    // 41 s of record in files of 10 s.
    let by_age = root.path().join("age");
    let all = recorded(&by_age, Roll { age_ns: 10_000_000_000, ..Roll::NEVER }, true);
    assert_eq!(raw_files(&by_age).len(), 5);
    assert_eq!(back(&by_age), (all, Vec::new()));
}

#[test]
fn a_seal_fits_what_was_written_and_is_read_by_another_program_too() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path().join("night");
    recorded(&dir, SMALL, true);
    assert_eq!(check_seal(&dir).unwrap(), Seal::Whole);
    // coreutils, by its documented form of lists; every system that runs this has it.
    let told =
        std::process::Command::new("sha256sum").args(["--check", "--quiet", SEAL_FILE]).current_dir(&dir).output();
    match told {
        Ok(out) => assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stdout)),
        Err(e) => println!("sha256sum cannot be asked here: {e}"),
    }
}

#[test]
fn a_seal_shows_every_change() {
    let root = tempfile::tempdir().unwrap();
    let changed = |name: &str, change: &dyn Fn(&Path)| {
        let dir = root.path().join(name);
        recorded(&dir, SMALL, true);
        change(&dir);
        match check_seal(&dir).unwrap() {
            Seal::Broken(why) => why.join("; "),
            other => format!("{other:?}"),
        }
    };
    let flip = |file: &'static str| {
        move |dir: &Path| {
            let mut bytes = fs::read(dir.join(file)).unwrap();
            let middle = bytes.len() / 2;
            bytes[middle] ^= 1;
            fs::write(dir.join(file), bytes).unwrap();
        }
    };
    let after = "is not as it was when the recording ended";
    assert_eq!(changed("a", &flip("raw.0002.pcapng")), format!("raw.0002.pcapng {after}"));
    assert_eq!(changed("b", &flip(SESSION_FILE)), format!("{SESSION_FILE} {after}"));
    let gone = changed("c", &|d| fs::remove_file(d.join("raw.0002.pcapng")).unwrap());
    assert!(gone.ends_with("raw.0002.pcapng is gone"), "{gone}");
    let more = changed("d", &|d| assert!(fs::copy(d.join(RAW_FILE), d.join("raw.0900.pcapng")).unwrap() > 0));
    assert_eq!(more, "raw.0900.pcapng was not there when the recording ended");
    let torn = changed("e", &|d| fs::write(d.join(SEAL_FILE), "half a li").unwrap());
    assert!(torn.starts_with("seal.sha256, line 1: no digest and name"), "{torn}");
    assert!(changed("f", &|d| fs::write(d.join(SEAL_FILE), [0xff]).unwrap()).starts_with("seal.sha256 is no text"));
    assert_eq!(changed("g", &|d| fs::remove_file(d.join(SEAL_FILE)).unwrap()), "None");
}

#[test]
fn a_compressed_capture_reads_as_before_and_keeps_its_seal() {
    let root = tempfile::tempdir().unwrap();
    let dir = root.path().join("night");
    let all = recorded(&dir, SMALL, true);
    let (before, after) = compress(&dir).unwrap();
    assert!(after < before / 2, "{before} {after}");
    assert!(raw_files(&dir).iter().all(|n| n.ends_with(".zst")), "{:?}", raw_files(&dir));
    assert_eq!(back(&dir), (all.clone(), Vec::new()));
    assert_eq!(check_seal(&dir).unwrap(), Seal::Whole);
    let state = look(&dir).unwrap();
    assert!(state.whole() && state.compressed && state.records == all.len() as u64);
    assert_eq!(compress(&dir).unwrap(), (0, 0), "there is nothing left to do");
    // A part that fell out of it is told, whatever the compression makes of it.
    let path = dir.join("raw.0002.pcapng.zst");
    let mut bytes = fs::read(&path).unwrap();
    bytes.truncate(bytes.len() / 2);
    fs::write(&path, bytes).unwrap();
    let mut reader = Reader::open(&dir).unwrap();
    let read: Result<Vec<Record>> = reader.by_ref().collect();
    assert!(read.is_err() || !reader.losses().is_empty());
}

#[test]
fn what_was_not_ended_in_order_is_not_compressed() {
    let root = tempfile::tempdir().unwrap();
    let dir = root.path().join("night");
    recorded(&dir, SMALL, false);
    let told = compress(&dir).unwrap_err().to_string();
    assert!(told.contains("only a capture that was ended in order"), "{told}");
    assert!(raw_files(&dir).iter().all(|n| n.ends_with(".pcapng")));
}

#[test]
fn a_damaged_capture_is_mended_beside_itself() {
    let root = tempfile::tempdir().unwrap();
    let dir = root.path().join("night");
    let all = recorded(&dir, SMALL, false);
    let path = dir.join("raw.0002.pcapng");
    let mut bytes = fs::read(&path).unwrap();
    let hurt = blocks(&bytes)[1].clone();
    bytes[hurt.start + 40] ^= 0x55;
    fs::write(&path, &bytes).unwrap();
    let old = look(&dir).unwrap();
    assert!(!old.whole() && !old.ended && old.seal == Seal::None && old.losses.len() == 2, "{old:?}");
    let (new, losses) = mend(&dir).unwrap();
    assert_eq!((new.file_name().unwrap().to_str().unwrap(), &losses), ("night-mended", &old.losses));
    let state = look(&new).unwrap();
    assert!(state.whole() && state.ended && state.seal == Seal::Whole && state.gaps == (1, 1), "{state:?}");
    let kept: Vec<Body> = back(&new).0.into_iter().map(|r| r.body).filter(|b| matches!(b, Body::Bytes(_))).collect();
    assert_eq!(kept.len(), all.len() - 1);
    // The old one is as it was, and nothing is overwritten.
    assert_eq!(fs::read(&path).unwrap(), bytes);
    assert!(mend(&dir).unwrap_err().to_string().contains("a capture is never overwritten"));
}
