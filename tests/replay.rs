//! What was recorded is judged alike live and afterwards, and from less of it differently.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use proptest::prelude::*;
use soakwatch::capture::{Reader, SessionFile, Writer};
use soakwatch::channel::Channel;
use soakwatch::decode::{Decoder, Item, Reading};
use soakwatch::grade::verdict::Findings;
use soakwatch::link::LinkSpec;
use soakwatch::profile::{Profile, load};
use soakwatch::record::{Body, LinkInfo, Record};
use soakwatch::session::{Ended, Limits, Options, Session, Threads, replay, replay_on};
use soakwatch::sim::Player;
use soakwatch::time::Stamp;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

fn profile(name: &str) -> Arc<Profile> {
    Arc::new(load(name, &[]).unwrap())
}

fn run(link: &str, captures: &Path, speed: Option<f64>, last: Option<Duration>) -> Ended {
    let links = vec![LinkSpec::parse(link).unwrap()];
    let captures = captures.to_owned();
    let options = Options { links, profile: profile("switch-module"), captures, speed, last };
    let ended = Session::start(&options, Vec::new()).unwrap().join().unwrap();
    assert_eq!(ended.troubles, [""; 0]);
    ended
}

fn json(f: &Findings) -> String {
    serde_json::to_string(f).unwrap()
}

fn judged(path: &Path) -> (String, Vec<String>) {
    let again = replay(path, Limits::Stored(&[]), &mut |_| {}, &mut |_, _| {}).unwrap();
    let ahead = replay_on(Threads::Two, path, Limits::Stored(&[]), &mut |_| {}, &mut |_, _| {}).unwrap();
    assert_eq!(json(&again.findings), json(&ahead.findings), "one thread and two");
    assert_eq!(again.losses, ahead.losses, "one thread and two");
    (json(&again.findings), again.losses)
}

/// Raw file and session file alone, elsewhere.
fn copy(dir: &Path, elsewhere: &Path) -> PathBuf {
    let copy = elsewhere.join(dir.file_name().unwrap());
    fs::create_dir_all(&copy).unwrap();
    for file in ["raw.pcapng", "session.toml"] {
        fs::copy(dir.join(file), copy.join(file)).unwrap();
    }
    copy
}

fn records(dir: &Path) -> (SessionFile, Vec<Record>) {
    let mut reader = Reader::open(dir).unwrap();
    let all = reader.by_ref().map(Result::unwrap).collect();
    (reader.session().clone(), all)
}

fn write(dir: &Path, session: &SessionFile, all: &mut [Record]) {
    let mut writer = Writer::create(dir, session).unwrap();
    for batch in all.chunks_mut(1000) {
        writer.append(batch).unwrap();
    }
    writer.sync().unwrap();
}

#[test]
fn a_simulated_day_is_judged_alike_and_a_lost_record_is_seen() {
    let root = tempfile::tempdir().unwrap();
    let ended = run("sim:tight,seed=3", &root.path().join("captures"), None, None);
    let (again, losses) = judged(&copy(&ended.dir, &root.path().join("elsewhere")));
    assert_eq!(losses, [""; 0]);
    assert_eq!(json(&ended.findings), again);
    assert_eq!(ended.findings.undecoded, 0);

    // The same day again is another capture with the same findings, but for its name.
    let twice = run("sim:tight,seed=3", &root.path().join("captures"), None, None);
    assert_ne!(twice.dir, ended.dir);
    let named = Findings { capture: ended.findings.capture.clone(), ..twice.findings };
    assert_eq!(json(&named), again);

    // A record less, and nothing that tells of it.
    let (session, all) = records(&ended.dir);
    let hole = all.len() / 2;
    let less = root.path().join("less").join(ended.dir.file_name().unwrap());
    let mut without = all.clone();
    without.remove(hole);
    write(&less, &session, &mut without);
    let (found, losses) = judged(&less);
    assert_eq!(losses, [""; 0]);
    assert_ne!(found, again);
    // All of them written anew are the same capture.
    let anew = root.path().join("anew").join(ended.dir.file_name().unwrap());
    write(&anew, &session, &mut all.clone());
    assert_eq!(judged(&anew).0, again);

    // A flipped bit in a packet of the original: said, and a gap in the findings.
    let damaged = copy(&ended.dir, &root.path().join("damaged"));
    let raw = damaged.join("raw.pcapng");
    let mut bytes = fs::read(&raw).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 0x10;
    fs::write(&raw, bytes).unwrap();
    let (found, losses) = judged(&damaged);
    assert!(!losses.is_empty());
    assert_ne!(found, again);
    assert!(found.contains("\"gaps\":[{\"start_s\":"), "{found}");
}

#[test]
fn a_file_is_judged_alike_live_and_afterwards() {
    let root = tempfile::tempdir().unwrap();
    let file = root.path().join("night.csv");
    // With all that a file may bring: a header twice, blank lines, a restart of its clock, a cut row, no last line end.
    let mut text =
        "time_s,key,leak_switch,tank_pressure_pa,odd\ntime_s,key,leak_switch,tank_pressure_pa,odd\n\n".to_owned();
    for i in 0..4000 {
        text += &format!("{}.25,{},{},-{}\r\n", i % 2500, u8::from(i > 3000), u8::from(i > 400), i % 700);
    }
    text += "9000,1,0";
    fs::write(&file, &text).unwrap();
    let ended = run(&format!("csv:{}", file.display()), &root.path().join("captures"), None, None);
    let (again, _) = judged(&copy(&ended.dir, &root.path().join("elsewhere")));
    assert_eq!(json(&ended.findings), again);

    // The file itself: the same but for its name and the record that ends a capture.
    let (direct, losses) = judged(&file);
    assert_eq!(losses, [""; 0]);
    let named = Findings { capture: "night.csv".into(), records: ended.findings.records - 1, ..ended.findings };
    assert_eq!(json(&named), direct);
    // Every row but the headers lacks its last cell, and the file loses no byte on the way.
    assert_eq!(named.undecoded, 4001);
    let (_, all) = records(&ended.dir);
    let bytes: Vec<u8> =
        all.iter().flat_map(|r| if let Body::Bytes(b) = &r.body { b.clone() } else { vec![] }).collect();
    assert_eq!(bytes, text.as_bytes());
}

#[test]
fn a_speed_is_kept() {
    let root = tempfile::tempdir().unwrap();
    let file = root.path().join("night.csv");
    let rows: String = (0..11).map(|i| format!("{i},1\n")).collect();
    fs::write(&file, format!("time_s,key\n{rows}")).unwrap();
    let begun = Instant::now();
    run(&format!("csv:{}", file.display()), &root.path().join("captures"), Some(10.0), None);
    let took = begun.elapsed().as_secs_f64();
    // The pace begins at the first moment after zero, where a file's headings stand.
    // A busy machine may be late, but nothing may be early.
    assert!((0.9..30.0).contains(&took), "{took}");
}

/// Chunks of a simulated day, each put together from as many as `sizes` says and received with the last of them.
fn rechunked(chunks: &[(Stamp, Vec<u8>)], sizes: &[usize]) -> Vec<(Stamp, Stamp, Vec<u8>)> {
    let mut all = Vec::new();
    let mut left = chunks;
    let mut sizes = sizes.iter().cycle();
    let mut carried = Vec::new();
    while !left.is_empty() {
        let n = (*sizes.next().unwrap()).min(left.len());
        let (now, rest) = left.split_at(n);
        left = rest;
        let mut bytes = std::mem::take(&mut carried);
        bytes.extend(now.iter().flat_map(|c| c.1.iter().copied()));
        // The end of a chunk comes with the next one, as a driver cuts where it likes.
        let keep = if rest.is_empty() { 0 } else { bytes.len() * (n % 3) / 7 };
        carried = bytes.split_off(bytes.len() - keep);
        all.push((now[0].0, now[n - 1].0, bytes));
    }
    all
}

fn decoded(chunks: impl Iterator<Item = (Stamp, Vec<u8>)>) -> (Vec<Reading>, u64) {
    let link = LinkInfo { kind: "bench".into(), name: "the tray".into() };
    let mut decoder = Decoder::new(profile("switch-module"), &[link]);
    let mut items = Vec::new();
    for (seq, (at, bytes)) in (0..).zip(chunks) {
        decoder.record(&Record { at, link: 1, seq, body: Body::Bytes(bytes) }, &mut items);
    }
    let readings = items.into_iter().filter_map(|i| if let Item::Reading(r) = i { Some(r) } else { None });
    (readings.collect(), decoder.undecoded())
}

fn values(readings: &[Reading]) -> Vec<Vec<(Channel, f64)>> {
    readings.iter().map(|r| r.iter().collect()).collect()
}

const DAYS: [&str; 6] = ["tight", "leak-0.70", "drop-outs", "cap-off", "switch-stuck-closed", "refuel-at-night"];

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, max_shrink_iters: 0, failure_persistence: None, ..ProptestConfig::default() })]

    /// A day of any scenario, at any speed, broken off anywhere.
    #[test]
    fn any_live_session_is_judged_alike_afterwards(
        day in 0..DAYS.len(), seed in 0u64..1000, tap: bool, log_speed in 3.0f64..6.0, last_ms in 50u64..900,
    ) {
        let root = tempfile::tempdir().unwrap();
        let link = format!("sim:{},seed={seed},tap={}", DAYS[day], if tap { "yes" } else { "no" });
        let last = Some(Duration::from_millis(last_ms));
        let ended = run(&link, &root.path().join("captures"), Some(libm::pow(10.0, log_speed)), last);
        let (again, losses) = judged(&copy(&ended.dir, &root.path().join("elsewhere")));
        prop_assert_eq!(losses, [""; 0]);
        prop_assert_eq!(json(&ended.findings), again);
    }

    /// Values and order do not depend on how a driver cuts the bytes; times stay within the chunk's span.
    #[test]
    fn chunks_do_not_matter(day in 0..DAYS.len(), seed in 0u64..1000, sizes in prop::collection::vec(1usize..9, 1..40)) {
        let chunks: Vec<(Stamp, Vec<u8>)> = Player::new(DAYS[day], seed, true).unwrap().take(12_000).collect();
        let (want, undecoded) = decoded(chunks.iter().cloned());
        prop_assert!(want.len() > 5_000);
        let pieces = rechunked(&chunks, &sizes);
        let (got, as_undecoded) = decoded(pieces.iter().map(|(_, last, bytes)| (*last, bytes.clone())));
        prop_assert_eq!(values(&got), values(&want));
        prop_assert_eq!(as_undecoded, undecoded);
        // A row comes later than it did, never earlier than it was received before by more than the clock's guess.
        let longest = pieces.windows(2).map(|w| w[1].1.since(w[0].0)).fold(0.0, f64::max);
        for (g, w) in got.iter().zip(&want) {
            prop_assert!((-0.02..=longest + 0.02).contains(&g.at.since(w.at)), "{} after {}", g.at.secs(), w.at.secs());
        }
    }
}
