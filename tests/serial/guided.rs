//! A person at a terminal: types a note and answers a guide.

use rustix::fs::{Mode, OFlags};
use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{LocalModes, Winsize, tcgetattr, tcsetwinsize};
use std::fs::File;
use std::io::{Read, Write};
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

#[test]
fn a_note_and_answers_typed_at_a_terminal_are_in_the_capture() {
    let dir = tempfile::tempdir().unwrap();
    let mut master: File = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap().into();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let name = ptsname(&master, Vec::new()).unwrap();
    let slave = rustix::fs::open(&name, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty()).unwrap();
    tcsetwinsize(&slave, Winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 }).unwrap();
    let before = tcgetattr(&slave).unwrap();
    assert!(before.local_modes.contains(LocalModes::ECHO | LocalModes::ICANON));

    let mut child = Command::new(env!("CARGO_BIN_EXE_soakwatch"))
        .args(["watch", "--link", "sim:tight", "--speed", "60", "--guide", "soak"])
        .current_dir(dir.path())
        .stdin(Stdio::from(slave.try_clone().unwrap()))
        .stdout(Stdio::from(slave.try_clone().unwrap()))
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let screen = Arc::new(Mutex::new(String::new()));
    let (drawn, mut from) = (screen.clone(), master.try_clone().unwrap());
    std::thread::spawn(move || {
        let mut buffer = [0; 4096];
        while let Ok(n) = from.read(&mut buffer) {
            drawn.lock().unwrap().push_str(&String::from_utf8_lossy(&buffer[..n]));
        }
    });
    let see = |words: &str| {
        let begun = Instant::now();
        while !screen.lock().unwrap().contains(words) {
            assert!(begun.elapsed() < Duration::from_secs(30), "no {words:?} in {}", screen.lock().unwrap());
            std::thread::sleep(Duration::from_millis(20));
        }
    };
    see("step 1 of 13");
    let modes = tcgetattr(&slave).unwrap().local_modes;
    assert!(!modes.intersects(LocalModes::ECHO | LocalModes::ICANON) && modes.contains(LocalModes::ISIG));
    // A slip of the finger is taken back.
    master.write_all("van 7: cap seal worn, öl am Rohrx\x7f".as_bytes()).unwrap();
    see("> van 7: cap seal worn, öl am Rohr_");
    master.write_all(b"\r").unwrap();
    see("note: van 7: cap seal worn, öl am Rohr");
    master.write_all(b"\r").unwrap();
    see("step 2 of 13");
    master.write_all(b"skip\r").unwrap();
    // Level and outside air are in their windows: those two steps are over at once.
    see("step 5 of 13: Tap the three wires");
    kill_process(Pid::from_child(&child), Signal::INT).unwrap();
    let status = child.wait().unwrap();
    let mut complaints = String::new();
    child.stderr.take().unwrap().read_to_string(&mut complaints).unwrap();
    assert_eq!((status.code(), complaints.as_str()), (Some(3), ""));
    let after = tcgetattr(&slave).unwrap();
    assert_eq!(after.local_modes, before.local_modes, "the terminal is as it was");

    let capture = std::fs::read_dir(dir.path().join("captures")).unwrap().next().unwrap().unwrap().path();
    let again = super::rig::regraded(&capture, "");
    assert_eq!(again, std::fs::read_to_string(capture.join("findings.json")).unwrap());
    let found: serde_json::Value = serde_json::from_str(&again).unwrap();
    let notices = found["notices"].as_array().unwrap();
    let note = "note: van 7: cap seal worn, öl am Rohr";
    assert!(notices.iter().any(|n| n.as_str().unwrap().ends_with(note)), "{notices:?}");
    assert_eq!(found["guide"]["guide"], "soak");
    let ended: Vec<&str> =
        found["guide"]["steps"].as_array().unwrap().iter().map(|s| s["ended"].as_str().unwrap()).collect();
    assert_eq!(ended[..2], ["done", "skipped"]);
    assert_eq!(*ended.last().unwrap(), "never_came");
}

#[test]
fn a_script_answers_a_guide_and_an_unguided_run_leaves_its_input_alone() {
    let run = |more: &[&str]| {
        let dir = tempfile::tempdir().unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_soakwatch"))
            .args(["watch", "--link", "sim:tight", "--speed", "60", "--seconds", "3"])
            .args(more)
            .current_dir(dir.path())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        child.stdin.take().unwrap().write_all(b"\nrepair: new cap\nskip").unwrap();
        let out = child.wait_with_output().unwrap();
        String::from_utf8(out.stdout).unwrap()
    };
    let told = run(&["--guide", "soak"]);
    for part in ["guide soak, step 1 of 13", "step 1, A safe place: done", "repair: new cap", "Cap and seal: skipped"] {
        assert!(told.contains(part), "no {part:?} in {told}");
    }
    assert!(told.contains("guide           soak: "), "the summary says how it went: {told}");
    let told = run(&[]);
    assert!(!told.contains("new cap") && !told.contains("guide"), "{told}");
}
