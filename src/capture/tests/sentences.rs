//! Every way a folder, a session or a record can be wrong, with the sentence it gets.

use super::super::layout::Why;
use super::*;
use std::fs;
use std::ops::Range;
use std::path::Path;

/// A folder with a sound capture in it.
fn sound() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let mut writer = Writer::create(dir.path(), &session()).unwrap();
    writer.append(&mut night()).unwrap();
    dir
}

/// What opening says, with the folder's own name taken out.
fn said(dir: &Path) -> String {
    let error = Reader::open(dir).err().expect("opened");
    assert!(!held_by(&error).is_empty());
    let text = error.to_string();
    text.replace(&format!("{}/", dir.display()), "").replace(&dir.display().to_string(), "FOLDER")
}

fn with_session(text: &[u8]) -> String {
    let dir = sound();
    fs::write(dir.path().join(SESSION_FILE), text).unwrap();
    said(dir.path())
}

/// Which test holds the sentence of a variant. A new variant does not compile without a row here.
fn held_by(error: &Error) -> &'static str {
    match error {
        Error::Io { .. } => "a_folder_that_holds_a_capture_already, a_session_file_that_is_absent, faults",
        Error::Session { .. } => "a_session_file_that_is_malformed_is_told_with_its_place",
        Error::NoCapture { .. } => "a_folder_that_is_no_capture",
        Error::Compressed { .. } => "a_raw_file_that_is_compressed",
        Error::Refused { .. } => "what_the_layout_cannot_hold",
    }
}

const RESTORE: &str = "; restore the file from a copy, the raw records need it to be graded";

#[test]
fn a_folder_that_is_no_capture() {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(
        said(dir.path()),
        "FOLDER: no capture here, there is no raw.pcapng in it; name the folder that holds raw.pcapng"
    );
    assert!(!is_capture(dir.path()));
    let nowhere = dir.path().join("nowhere");
    assert_eq!(
        said(&nowhere),
        "FOLDER: cannot look into the capture's folder: No such file or directory (os error 2); check the name, or restore it from a copy"
    );
}

#[test]
fn a_raw_file_that_is_compressed() {
    let dir = sound();
    fs::rename(dir.path().join(RAW_FILE), dir.path().join("raw.pcapng.zst")).unwrap();
    assert!(is_capture(dir.path()));
    assert_eq!(
        said(dir.path()),
        "raw.pcapng.zst: it does not begin as a file compressed with zstd does; restore it from a copy"
    );
    // Once it is there plainly too, that one is read.
    let dir = sound();
    fs::write(dir.path().join("raw.pcapng.zst"), "").unwrap();
    assert_eq!(Reader::open(dir.path()).unwrap().count(), night().len());
}

#[test]
fn a_session_file_that_is_absent() {
    let dir = sound();
    fs::remove_file(dir.path().join(SESSION_FILE)).unwrap();
    assert_eq!(
        said(dir.path()),
        "session.toml: cannot read the session file: No such file or directory (os error 2); check the name, or restore it from a copy"
    );
}

#[test]
fn a_session_file_that_is_malformed_is_told_with_its_place() {
    let good = fs::read_to_string(sound().path().join(SESSION_FILE)).unwrap();
    let rows: [(String, &str); 7] = [
        (String::new(), "session.toml, line 1, column 1: missing field `version`"),
        (
            good.replace("anchor_utc_ns = 1769839200123456789", "anchor_utc_ns = \"noon\""),
            "session.toml, line 3, column 17: invalid type: string \"noon\", expected i64",
        ),
        (
            good.replace("2026-01-31T06:00:00.123456789Z", "yesterday"),
            "session.toml, line 2, column 11: `yesterday` is not a time in RFC 3339, such as 2026-01-31T06:00:00Z",
        ),
        (good.replace("name = \"van 7\"", ""), "session.toml, line 9, column 1: missing field `name`"),
        (
            good.replace("[profile.vehicle]", "[profile.vehicle"),
            "session.toml, line 16, column 17: unclosed table, expected `]`",
        ),
        (good.replace("[profile", "[perfil"), "session.toml, line 1, column 1: missing field `profile`"),
        (
            "x".repeat((4 << 20) + 1),
            "session.toml, line 1, column 1: the file is larger than 4194304 bytes, it is no session file",
        ),
    ];
    for (text, expected) in rows {
        assert_eq!(with_session(text.as_bytes()), format!("{expected}{RESTORE}"));
    }
    let at = good.find("the tray").unwrap();
    let latin = [&good.as_bytes()[..at], b"caf\xE9", &good.as_bytes()[at..]].concat();
    assert_eq!(
        with_session(&latin),
        format!("session.toml, line 7, column 12: byte {} is not UTF-8 text{RESTORE}", at + 3)
    );
}

#[test]
fn a_session_file_cut_anywhere_is_never_a_panic() {
    let good = fs::read_to_string(sound().path().join(SESSION_FILE)).unwrap();
    let dir = sound();
    for cut in 0..good.len() {
        fs::write(dir.path().join(SESSION_FILE), &good[..cut]).unwrap();
        match SessionFile::read(dir.path()) {
            // A cut at the end of a value of the profile is sound TOML; the file's head must be whole then.
            Ok(read) => assert_eq!((read.version, read.links), (session().version, session().links)),
            Err(e) => assert!(matches!(e, Error::Session { .. }), "{e}"),
        }
    }
}

#[test]
fn a_folder_that_holds_a_capture_already() {
    let dir = sound();
    let raw = fs::read(dir.path().join(RAW_FILE)).unwrap();
    let text = Writer::create(dir.path(), &session()).err().unwrap().to_string();
    assert!(text.ends_with(
        "session.toml: cannot create the session file: File exists (os error 17); \
         a capture is never overwritten, choose another folder"
    ));
    fs::remove_file(dir.path().join(SESSION_FILE)).unwrap();
    let text = Writer::create(dir.path(), &session()).err().unwrap().to_string();
    assert!(text.ends_with(
        "raw.pcapng: cannot create the file for the raw records: File exists (os error 17); \
         a capture is never overwritten, choose another folder"
    ));
    assert_eq!(fs::read(dir.path().join(RAW_FILE)).unwrap(), raw);
}

#[test]
fn what_the_layout_cannot_hold() {
    let begin = |session: &SessionFile| Writer::with_sink(Disk::good(), RAW_FILE.into(), session);
    let mut writer = begin(&session()).unwrap();
    let mut rows = vec![
        (3, Body::Bytes(vec![]), "bytes of link 3, which the session does not have"),
        (1, Body::Can(vec![]), "a CAN frame of link 1, which is no CAN link of the session"),
        (7, Body::Event(Event::Tick), "an event of link 7, which the session does not have"),
        (1, Body::Bytes(vec![0; MAX_DATA + 1]), "a record of 1048577 bytes; the most is 1048576, split it"),
    ];
    for (link, body, expected) in rows.drain(..) {
        let text = writer.append(&mut [record(0, link, body)]).unwrap_err().to_string();
        assert_eq!(text, format!("raw.pcapng: not recorded: {expected}"));
    }
    let early = SessionFile { anchor_utc_ns: -1, ..session() };
    assert_eq!(
        begin(&early).err().unwrap().to_string(),
        "raw.pcapng: not recorded: the clock says a date before 1970; set the clock of this machine and start again"
    );
    let mut long = session();
    long.links[0].name = "x".repeat(1 << 16);
    let text = begin(&long).err().unwrap().to_string();
    assert!(text.starts_with("raw.pcapng: not recorded: the file's head cannot hold these links"), "{text}");
    let mut many = session();
    many.links = vec![many.links[0].clone(); 65_536];
    assert_eq!(
        begin(&many).err().unwrap().to_string(),
        "raw.pcapng: not recorded: 65536 links; at most 65535 can be numbered"
    );
}

#[test]
fn a_session_comes_back_as_it_was() {
    let dir = sound();
    let back = SessionFile::read(dir.path()).unwrap();
    assert_eq!(back, session());
    // The anchor as a date: 2026-01-31 06:00:00 UTC is 1769839200 by `date -u -d @1769839200`.
    assert_eq!(back.created.to_string(), "2026-01-31T06:00:00.123456789Z");
    assert_eq!(back.version, env!("CARGO_PKG_VERSION"));
}

/// Damages a block of a file in the way that the name says.
macro_rules! damages {
    ($($why:ident => |$file:ident, $block:ident| $spoil:block),* $(,)?) => {
        const DAMAGES: &[Why] = &[$(Why::$why),*];
        /// A kind of damage without a row does not compile.
        fn spoil(why: Why, file: &mut Vec<u8>, block: Range<usize>) {
            match why { $(Why::$why => { let ($file, $block) = (file, block); $spoil })* }
        }
    };
}

/// Where the options of a block begin: hash (12 bytes), number (12), check over the stamp (8).
fn options_at(block: &[u8]) -> usize {
    28 + u32::from_le_bytes(block[20..24].try_into().unwrap()).next_multiple_of(4) as usize
}

/// Makes an option unknown; it is passed over then.
fn hide(block: &mut [u8], option: usize) {
    block[options_at(block) + option] = 0x77;
}

damages! {
    CutShort => |file, block| { file.truncate(block.end - 1); },
    Length => |file, block| { file[block.start + 4] ^= 1; },
    Options => |file, block| { let at = options_at(&file[block.clone()]); file[block.start + at + 2..][..2].fill(0xFF); },
    Interface => |file, block| { hide(&mut file[block.clone()], 24); file[block.start + 8] = 9; },
    NoHash => |file, block| { hide(&mut file[block], 0); },
    Hash => |file, block| { file[block.start + 28] ^= 1; },
    NoNumber => |file, block| { hide(&mut file[block], 12); },
    Stamp => |file, block| { file[block.start + 16] ^= 1; },
    Event => |file, block| {
        let block = &mut file[block];
        let len = u32::from_le_bytes(block[20..24].try_into().unwrap()) as usize;
        let data = &mut block[28..28 + len];
        let kind = data.windows(4).position(|w| w == b"tick").unwrap();
        data[kind] = b'k';
        let hash = crc32fast::hash(data).to_be_bytes();
        let at = options_at(block) + 5;
        block[at..at + 4].copy_from_slice(&hash);
        hide(block, 24);
    },
    Repeated => |file, block| { let twice = file[block.clone()].to_vec(); file.splice(block.end..block.end, twice); },
}

#[test]
fn every_kind_of_damage_is_told_with_its_byte() {
    let file = written(&mut night());
    // The tick is the last but three.
    let n = night().iter().position(|r| r.body == Body::Event(Event::Tick)).unwrap();
    let block = blocks(&file)[n].clone();
    let missing = format!("record {n} is missing");
    for &why in DAMAGES {
        let mut damaged = file.clone();
        spoil(why, &mut damaged, block.clone());
        let (records, losses) = read(&[&damaged]);
        let bytes = block.len();
        let (at, told, rest) = match why {
            Why::CutShort => {
                let rest = format!(
                    "the last {} bytes were left out, what came after record {} is not known",
                    bytes - 1,
                    n - 1
                );
                (block.start, "the file ends inside a block", rest)
            }
            Why::Length => (block.start, "no block begins there", missing.clone()),
            Why::Options => (block.start, "a block's options are broken", missing.clone()),
            Why::Interface => (block.start, "a block names a link that session.toml does not have", missing.clone()),
            Why::NoHash => (block.start, "a block has no hash", missing.clone()),
            Why::Hash => (block.start, "a block's hash does not fit its data", missing.clone()),
            Why::NoNumber => (block.start, "a block has no sequence number", missing.clone()),
            Why::Stamp => (block.start, "a block's stamp or number does not fit its check", missing.clone()),
            Why::Event => {
                (block.start, "an event is of a kind that this version does not know, a newer one may", missing.clone())
            }
            Why::Repeated => {
                let rest = format!("{bytes} bytes were left out, no record is missing");
                (block.end, "a record is there twice or out of order", rest)
            }
        };
        assert_eq!(losses, [format!("raw.pcapng at byte {at}: {told}; {rest}")]);
        let kept = if why == Why::CutShort { n } else { night().len() };
        assert_eq!(records.len(), kept, "{why}");
    }
}
