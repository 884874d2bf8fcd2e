//! Sound input, changed at random: whatever comes of it, nobody falls and a refusal has words.

use crate::{ended_well, soakwatch};
use proptest::prelude::*;
use soakwatch::capture::{SessionFile, Writer};
use soakwatch::judge::Judge;
use soakwatch::link::LinkSpec;
use soakwatch::profile::{self, builtin_names};
use soakwatch::record::{Body, Event, LinkInfo, Record};
use soakwatch::session::{Limits, Replayed, replay};
use soakwatch::sim::{Play, Player};
use soakwatch::time::Stamp;
use std::ffi::OsString;
use std::fs;
use std::os::unix::ffi::OsStringExt;
use std::path::Path;
use std::sync::{Arc, LazyLock};

/// Bits that break things when they land in the wrong place.
const BITS: [&[u8]; 24] = [
    b",",
    b"\n",
    b"\"",
    b"\r",
    b"\0",
    b"\xff",
    b"-",
    b".",
    b"1e308",
    b"nan",
    b"inf",
    b"=",
    b":",
    b"[",
    b"]",
    b"'''",
    b"time_s,key\n",
    b"utc",
    b"crc",
    b"9999999999",
    b"+",
    b"\x0a\x0d\x0d\x0a",
    b"\x06\0\0\0",
    b"\xef\xbb\xbf",
];

#[derive(Debug, Clone)]
enum Change {
    Cut(usize, usize),
    Put(usize, usize),
    Flip(usize, u8),
    Copy(usize, usize, usize),
}

fn changes() -> impl Strategy<Value = Vec<Change>> {
    let one = prop_oneof![
        (any::<usize>(), 1..60usize).prop_map(|(at, n)| Change::Cut(at, n)),
        (any::<usize>(), 0..BITS.len()).prop_map(|(at, bit)| Change::Put(at, bit)),
        (any::<usize>(), 1..=255u8).prop_map(|(at, x)| Change::Flip(at, x)),
        (any::<usize>(), any::<usize>(), 1..200usize).prop_map(|(from, to, n)| Change::Copy(from, to, n)),
    ];
    prop::collection::vec(one, 1..6)
}

fn mutate(sound: &[u8], changes: &[Change]) -> Vec<u8> {
    let mut bytes = sound.to_vec();
    for change in changes {
        let len = bytes.len() + 1;
        match *change {
            Change::Cut(at, n) => drop(bytes.drain(at % len..(at % len + n).min(len - 1))),
            Change::Put(at, bit) => drop(bytes.splice(at % len..at % len, BITS[bit].iter().copied())),
            Change::Flip(at, x) => bytes.get_mut(at % len).into_iter().for_each(|b| *b ^= x),
            Change::Copy(from, to, n) => {
                let part = bytes[from % len..(from % len + n).min(len - 1)].to_vec();
                drop(bytes.splice(to % len..to % len, part));
            }
        }
    }
    bytes
}

/// Some minutes of a simulated day: rows of an adapter with checks, and their receipt.
static DAY: LazyLock<Vec<(Stamp, Vec<u8>)>> =
    LazyLock::new(|| Player::new("leak-0.70", 1, true).unwrap().take(400).collect());

/// The same as one text.
fn rows() -> Vec<u8> {
    DAY.iter().flat_map(|(_, bytes)| bytes.clone()).collect()
}

/// A small capture: some rows, a gap, a note, the end.
fn record(dir: &Path) {
    let links = vec![LinkInfo { kind: "sim".into(), name: "leak-0.70".into() }];
    let profile = profile::load_builtin("switch-module").unwrap().to_toml();
    let mut writer = Writer::create(dir, &SessionFile::new(1_769_839_200_000_000_000, links, profile)).unwrap();
    let event = |e| Record { at: Stamp::from_secs(90.0), link: 0, seq: 0, body: Body::Event(e) };
    let bytes = |(at, b): &(Stamp, Vec<u8>)| Record { at: *at, link: 1, seq: 0, body: Body::Bytes(b.clone()) };
    let mut records: Vec<Record> = DAY.iter().take(120).map(bytes).collect();
    records.push(event(Event::Gap { from_ns: 0, to_ns: 1, count: 1, cause: "a gap".into() }));
    records.push(event(Event::Note { note_kind: "repair".into(), text: "cap".into() }));
    records.push(event(Event::End { cause: "over".into() }));
    writer.append(&mut records).unwrap();
}

/// Judged, or refused in words.
fn judge(path: &Path) -> Result<(), TestCaseError> {
    match replay(path, Limits::Stored(&[]), &mut |_| {}, &mut |_, _| {}) {
        Ok(Replayed { findings, losses, .. }) => {
            prop_assert!(losses.iter().all(|l| !l.is_empty()));
            prop_assert!(serde_json::to_string(&findings).is_ok());
        }
        Err(e) => prop_assert!(e.to_string().contains(&path.display().to_string()), "no place: {e}"),
    }
    Ok(())
}

fn quick(cases: u32) -> ProptestConfig {
    ProptestConfig { cases, failure_persistence: None, ..ProptestConfig::default() }
}

fn word(sound: &str, changes: &[Change]) -> String {
    String::from_utf8_lossy(&mutate(sound.as_bytes(), changes)).into_owned()
}

const LINKS: [&str; 6] = [
    "bench:/nowhere/port,baud=9600",
    "csv:rows.csv",
    "sim:leak-0.70,seed=7,tap=no",
    "sim:ps-baro-rising+leak-0.55",
    "sim:tight",
    "csv:/nowhere/a,b.csv",
];
const SETS: [&str; 6] = [
    "vehicle.tank_l=62",
    "leak.sure=0.9",
    "vent.energised=sealed",
    "asks=key_off_soak,relief",
    "time.period_s=0.49",
    "name=van 3",
];

proptest! {
    #![proptest_config(quick(48))]

    #[test]
    fn a_table_of_rows(changes in changes()) {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("rows.csv");
        fs::write(&file, mutate(&rows(), &changes)).unwrap();
        judge(&file)?;
    }

    #[test]
    fn a_raw_file_and_its_session(raw in changes(), session in prop::option::weighted(0.3, changes())) {
        let dir = tempfile::tempdir().unwrap();
        record(dir.path());
        let change = |name, changes: &[Change]| {
            let file = dir.path().join(name);
            fs::write(&file, mutate(&fs::read(&file).unwrap(), changes)).unwrap();
        };
        change("raw.pcapng", &raw);
        session.iter().for_each(|changes| change("session.toml", changes));
        judge(dir.path())?;
    }
}

proptest! {
    #![proptest_config(quick(96))]

    /// As it comes from a port: torn anywhere.
    #[test]
    fn lines_of_an_adapter(changes in changes(), chunk in 1..300usize) {
        let profile = Arc::new(profile::load_builtin("switch-module").unwrap());
        let mut judge = Judge::new(profile, &[LinkInfo { kind: "bench".into(), name: "the tray".into() }]);
        for (i, part) in mutate(&rows(), &changes).chunks(chunk).enumerate() {
            let at = Stamp::from_secs(i as f64 * 0.05);
            judge.record(&Record { at, link: 1, seq: i as u64, body: Body::Bytes(part.to_vec()) });
        }
        prop_assert!(serde_json::to_string(&judge.findings("van 3")).is_ok());
    }

    #[test]
    fn a_link(which in 0..LINKS.len(), changes in changes()) {
        let word = word(LINKS[which], &changes);
        match LinkSpec::parse(&word) {
            Ok(LinkSpec::Sim { scenario, seed, tap }) => if let Err(e) = Play::new(&scenario, seed, tap) {
                prop_assert!(!e.to_string().is_empty());
            },
            Ok(_) => {}
            Err(e) => prop_assert!(e.to_string().contains(&word), "{e}"),
        }
    }

    #[test]
    fn a_set(which in 0..SETS.len(), changes in changes()) {
        let set = word(SETS[which], &changes);
        if let Err(e) = profile::load("switch-module", std::slice::from_ref(&set)) {
            prop_assert!(e.faults().iter().all(|f| f.file == format!("--set {set}")), "{e}");
            prop_assert!(!e.faults().is_empty());
        }
    }
}

proptest! {
    #![proptest_config(quick(12))]

    /// The program itself over all of them at once.
    #[test]
    fn the_program(
        which in (0..LINKS.len(), 0..SETS.len(), 0..3usize),
        changes in prop::collection::vec(changes(), 5),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        record(&at("van"));
        fs::write(at("rows.csv"), mutate(&rows(), &changes[0])).unwrap();
        fs::write(at("van/raw.pcapng"), mutate(&fs::read(at("van/raw.pcapng")).unwrap(), &changes[1])).unwrap();
        let name = builtin_names().nth(which.2).unwrap();
        let built_in = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("profiles/{name}.toml"));
        fs::write(at("p.toml"), mutate(&fs::read(built_in).unwrap(), &changes[2])).unwrap();
        // No argument can hold a NUL.
        let arg = |mut bytes: Vec<u8>| { bytes.retain(|b| *b != 0); OsString::from_vec(bytes) };
        let link = arg([b"--link=", mutate(LINKS[which.0].as_bytes(), &changes[3]).as_slice()].concat());
        let set = arg([b"--set=", mutate(SETS[which.1].as_bytes(), &changes[4]).as_slice()].concat());
        let words = |words: &[&str]| words.iter().map(OsString::from).collect::<Vec<_>>();
        let mut watch = words(&["watch", "--plain", "--seconds=0.2", "--speed=1000"]);
        watch.push(link);
        let mut set_word = words(&["regrade", "rows.csv"]);
        set_word.push(set);
        for args in [
            words(&["regrade", ".", "--json"]),
            words(&["regrade", "rows.csv", "--profile", "p.toml"]),
            words(&["profile", "check", "p.toml"]),
            words(&["export", "van", "--to", "csv"]),
            watch,
            set_word,
        ] {
            let ended = soakwatch(dir.path(), &args);
            prop_assert!(ended_well(&ended).is_ok(), "{args:?}: {:?}", ended_well(&ended));
        }
    }
}
