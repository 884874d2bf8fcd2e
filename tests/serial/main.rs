//! A bench adapter on a real serial port: a pty pair, at life's pace.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod guided;
mod identity;
mod rig;
mod slcan;
mod text_adapter;
mod together;

use rig::{Adapter, Kept, Pty, Watch, same_in_another_process, same_when_replayed, start, wait_for};
use rustix::process::Signal;
use soakwatch::decode::NoticeKind;
use soakwatch::record::Event;
use std::time::Duration;

const ROW: Duration = Duration::from_millis(48);

#[test]
fn a_quiet_adapter_is_recorded_whole() {
    let dir = tempfile::tempdir().unwrap();
    let pty = Pty::new();
    let port = dir.path().join("adapter");
    pty.plug(&port);
    let mut adapter = Adapter::new(pty, true);
    let session = start(&port, &dir.path().join("captures"));
    adapter.boot();
    adapter.answer_until(1);
    adapter.play(80, ROW, |_, row| vec![row]);
    wait_for(&session, |l| l.health.links[0].words == "receiving" && l.snapshot.records > 80);
    session.note("note", "the tray, no vehicle");
    std::thread::sleep(Duration::from_millis(300));
    session.stop().stop();
    let ended = session.join().unwrap();

    let kept = Kept::read(&ended.dir);
    assert_eq!(kept.bytes(), adapter.pty.sent);
    assert_eq!(kept.undecoded, 0, "{:?}", kept.summary);
    assert_eq!(kept.rows(), (1..=80).collect::<Vec<_>>());
    // The pace of the rows is the adapter's own, to the jitter of its first second.
    let spans: Vec<f64> = kept.readings[30..].windows(2).map(|w| w[1].at.since(w[0].at)).collect();
    assert!(spans.iter().all(|s| (0.045..0.2).contains(s)), "{spans:?}");
    let events = kept.events();
    assert!(matches!(events[0], Event::Clock(_)));
    assert!(events.iter().any(|e| matches!(e, Event::LinkUp { detail } if detail.contains("115200"))));
    let asked = events.iter().filter(|e| matches!(e, Event::Sent { text } if text == "?\n")).count();
    assert!(asked >= adapter.asked && asked <= 3, "{asked}");
    assert!(matches!(events.last().unwrap(), Event::End { cause } if cause == "stopped by the person"));
    assert_eq!(ended.health.records, kept.records.len() as u64);
    assert_eq!(ended.troubles, [""; 0]);
    same_when_replayed(&ended, &dir.path().join("elsewhere"));
}

#[test]
fn noise_a_restart_and_a_moved_plug_cost_what_they_damaged_and_no_more() {
    let dir = tempfile::tempdir().unwrap();
    let pty = Pty::new();
    let port = dir.path().join("adapter");
    pty.plug(&port);
    let mut adapter = Adapter::new(pty, true);
    let watch = Watch::start(&format!("bench:{}", port.display()), &dir.path().join("captures"), &[]);
    watch.hear(" up: ");
    adapter.boot();
    adapter.answer_until(1);
    // Rows 1 to 40: some torn into pieces, some damaged.
    adapter.play(40, ROW, |i, mut row| match i {
        7 | 21 => {
            let half = row.len() / 2;
            vec![row[..half].to_vec(), row[half..].to_vec()]
        }
        10 => {
            row[2] ^= 1;
            vec![row]
        }
        15 => vec![row[..9].to_vec()],
        25 => vec![b"\xff\xfe\x00garbage".to_vec(), row],
        30 => vec![row, vec![b'7'; 5000], b"\n".to_vec()],
        _ => vec![row],
    });
    let so_far = adapter.asked;
    // Rows 41 to 60: it restarts and says its header once.
    adapter.boot();
    adapter.play(20, ROW, |_, row| vec![row]);
    assert!(adapter.asked > so_far, "not asked after a restart");
    // The plug moves to another port while the name stays.
    let first = std::mem::replace(&mut adapter.pty, Pty::new());
    let mut sent = first.sent.clone();
    std::fs::remove_file(&port).unwrap();
    drop(first);
    watch.hear(" down: ");
    std::thread::sleep(Duration::from_millis(700));
    adapter.pty.plug(&port);
    let so_far = adapter.asked;
    adapter.answer_until(so_far + 2);
    // Rows 61 to 90.
    adapter.play(30, ROW, |_, row| vec![row]);
    std::thread::sleep(Duration::from_millis(300));
    let (code, said, capture) = watch.end(Some(Signal::INT));
    assert_eq!(code, 3, "{said}");

    let kept = Kept::read(&capture);
    sent.extend_from_slice(&adapter.pty.sent);
    assert_eq!(kept.bytes(), sent);
    // Row 11: wrong check. Row 16 lost its end and ran into row 17. Row 26: garbage before it. Row 31 is whole, what
    // follows it is a line without end.
    let want: Vec<u32> = (1..=90).filter(|r| ![11, 16, 17, 26].contains(r)).collect();
    assert_eq!(kept.rows(), want);
    assert_eq!(kept.undecoded, 4, "{:?}", kept.summary);
    let count = |kind| kept.notices.iter().filter(|n| n.kind == kind).count();
    assert_eq!(count(NoticeKind::AdapterRestart), 1, "{:?}", kept.notices);
    assert!(kept.readings.is_sorted_by_key(|r| r.at));

    let events = kept.events();
    let at = |what: fn(&Event) -> bool| events.iter().position(|e| what(e)).unwrap();
    let down = at(|e| matches!(e, Event::LinkDown { .. }));
    let gap = at(|e| matches!(e, Event::Gap { .. }));
    assert!(down < gap && events[gap + 1..].iter().any(|e| matches!(e, Event::LinkUp { .. })));
    let Event::Gap { from_ns, to_ns, cause, .. } = events[gap] else { panic!() };
    assert!((700_000_000..4_000_000_000).contains(&(to_ns - from_ns)), "{}", to_ns - from_ns);
    assert!(cause.contains("was gone"));
    assert!(matches!(events.last().unwrap(), Event::End { cause } if cause == "stopped by the person"));
    let samples = std::fs::read_to_string(capture.join("samples.csv")).unwrap();
    assert_eq!(samples.lines().count(), 1 + want.len());
    let findings = std::fs::read_to_string(capture.join("findings.json")).unwrap();
    let findings: serde_json::Value = serde_json::from_str(&findings).unwrap();
    assert_eq!(findings["records"], kept.records.len());
    assert_eq!(findings["undecoded"], 4);
    let gone = |g: &&serde_json::Value| g["cause"].as_str().unwrap().contains("was gone");
    assert_eq!(findings["gaps"].as_array().unwrap().iter().filter(gone).count(), 1, "{findings}");
    same_in_another_process(&capture, &dir.path().join("elsewhere"));
}

#[test]
fn every_way_to_be_told_to_end_ends_in_order() {
    for signal in [Signal::INT, Signal::TERM, Signal::HUP] {
        let dir = tempfile::tempdir().unwrap();
        let watch = Watch::start("sim:tight", &dir.path().join("captures"), &["--speed", "20"]);
        watch.hear("soak");
        let (_, said, capture) = watch.end(Some(signal));
        let kept = Kept::read(&capture);
        let last = *kept.events().last().unwrap();
        assert!(matches!(last, Event::End { cause } if cause == "stopped by the person"), "{signal:?}: {said}");
        same_in_another_process(&capture, &dir.path().join("elsewhere"));
    }
}
