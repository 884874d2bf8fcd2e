//! What the program found live it finds again: in another process, from the raw file and the session file alone.

use crate::rig::{Kept, Pty, Watch, differs_without, same_in_another_process};
use rustix::process::Signal;
use soakwatch::sim::Player;
use std::fs;
use std::time::{Duration, Instant};

#[test]
fn a_simulated_day_is_graded_alike_in_another_process() {
    let dir = tempfile::tempdir().unwrap();
    let watch = Watch::start("sim:leak-0.70,seed=5", &dir.path().join("captures"), &["--speed", "1000000"]);
    let (code, said, capture) = watch.end(None);
    assert_eq!(code, 1, "a hole of 0.70 mm fails: {said}");
    let records = Kept::read(&capture).records.len();
    assert!(records > 10_000);
    same_in_another_process(&capture, &dir.path().join("elsewhere"));
    differs_without(records / 3, &capture, dir.path());
}

/// The simulated adapter's day as a terminal would log it.
fn night() -> Vec<u8> {
    Player::new("drop-outs", 9, true).unwrap().flat_map(|(_, bytes)| bytes).collect()
}

#[test]
fn a_logged_night_is_graded_alike_in_another_process() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("night.csv");
    fs::write(&file, night()).unwrap();
    let watch = Watch::start(&format!("csv:{}", file.display()), &dir.path().join("captures"), &[]);
    let (code, said, capture) = watch.end(None);
    assert!([0, 1, 3].contains(&code), "{said}");
    let kept = Kept::read(&capture);
    assert_eq!(kept.bytes(), fs::read(&file).unwrap());
    same_in_another_process(&capture, &dir.path().join("elsewhere"));
    differs_without(kept.records.len() / 2, &capture, dir.path());
}

/// The morning of a simulated day, from before key-on to after the decay, 60 times faster than life through a pty.
#[test]
fn a_morning_over_a_pty_is_graded_alike_in_another_process() {
    const FASTER: f64 = 60.0;
    let dir = tempfile::tempdir().unwrap();
    let mut pty = Pty::new();
    let port = dir.path().join("adapter");
    pty.plug(&port);
    let day: Vec<_> = Player::new("leak-0.70", 5, true).unwrap().collect();
    let header = day[0].1.split_inclusive(|b| *b == b'\n').next().unwrap().to_vec();
    assert!(header.starts_with(b"time_s,"));
    let last = day.last().unwrap().0;
    let morning: Vec<_> = day.into_iter().filter(|(at, _)| last.since(*at) < 600.0).collect();

    let watch = Watch::start(&format!("bench:{}", port.display()), &dir.path().join("captures"), &[]);
    watch.hear(" up: ");
    pty.pour(&header);
    pty.pour(&header);
    let begun = Instant::now();
    for (at, bytes) in &morning {
        let due = Duration::from_secs_f64(at.since(morning[0].0) / FASTER);
        std::thread::sleep(due.saturating_sub(begun.elapsed()));
        pty.pour(bytes);
        for _ in 0..pty.asked() {
            pty.pour(&header);
        }
    }
    std::thread::sleep(Duration::from_millis(300));
    let (_, said, capture) = watch.end(Some(Signal::INT));
    let kept = Kept::read(&capture);
    assert_eq!(kept.bytes(), pty.sent, "{said}");
    assert!(kept.readings.len() > 1000, "{}", kept.readings.len());
    let findings: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(capture.join("findings.json")).unwrap()).unwrap();
    assert!(findings["phases"].as_array().unwrap().len() > 2, "{findings}");
    same_in_another_process(&capture, &dir.path().join("elsewhere"));
    let chunks = kept.records.iter().filter(|r| matches!(r.body, soakwatch::record::Body::Bytes(_))).count();
    differs_without(chunks / 2, &capture, dir.path());
}
