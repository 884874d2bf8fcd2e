//! The daemon as its users meet it: the program, its socket, several viewers, some of them stuck, and strangers.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

const PROGRAM: &str = env!("CARGO_BIN_EXE_soakwatch");

struct Daemon {
    dir: TempDir,
    child: Child,
}

impl Daemon {
    /// Two simulated vehicles, played so many times faster than life.
    fn begin(speed: u32) -> Daemon {
        let dir = tempfile::tempdir().unwrap();
        let child = Command::new(PROGRAM)
            .args(["daemon", "--vehicle", "van-07=sim:tight", "--vehicle", "van-08=sim:leak-2.00,seed=3"])
            .args(["--speed", &speed.to_string(), "--socket", "own/socket", "--captures", "captures"])
            .current_dir(dir.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let daemon = Daemon { dir, child };
        // The socket is there once all vehicles are recorded.
        let begun = Instant::now();
        while UnixStream::connect(daemon.socket()).is_err() {
            assert!(begun.elapsed() < Duration::from_secs(60), "no daemon came");
            std::thread::sleep(Duration::from_millis(20));
        }
        daemon
    }

    fn socket(&self) -> PathBuf {
        self.dir.path().join("own/socket")
    }

    fn call(&self, args: &[&str]) -> Output {
        Command::new(PROGRAM).args(args).args(["--socket", "own/socket"]).current_dir(self.dir.path()).output().unwrap()
    }

    fn open(&self) -> UnixStream {
        let stream = UnixStream::connect(self.socket()).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
        stream
    }

    /// Ends by itself or because it was told to; every capture is whole, and sealed.
    fn ended(mut self) -> (Vec<Value>, String) {
        let begun = Instant::now();
        while self.child.try_wait().unwrap().is_none() {
            assert!(begun.elapsed() < Duration::from_secs(120), "it does not end");
            std::thread::sleep(Duration::from_millis(50));
        }
        let Output { status, stdout, stderr } = self.child.wait_with_output().unwrap();
        let (stdout, stderr) = (text(&stdout), text(&stderr));
        assert_eq!(status.code(), Some(0), "{stdout}{stderr}");
        let socket = self.dir.path().join("own/socket");
        assert!(!socket.exists(), "a socket is left behind");
        let shelf = Command::new(PROGRAM).args(["captures"]).current_dir(self.dir.path()).output().unwrap();
        assert_eq!((shelf.status.code(), text(&shelf.stdout).matches(": whole, sealed").count()), (Some(0), 2));
        let findings = stdout.lines().map(|line| findings(self.dir.path(), line)).collect();
        (findings, stderr)
    }
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// `van-07: the capture is in captures/…`
fn findings(dir: &Path, line: &str) -> Value {
    let (_, capture) = line.split_once(": the capture is in ").expect(line);
    let capture = dir.join(capture);
    let kept = std::fs::read(capture.join("findings.json")).unwrap();
    let again = Command::new(PROGRAM).args(["regrade", "--json"]).arg(&capture).output().unwrap();
    assert_eq!(again.stdout, kept, "graded again otherwise");
    serde_json::from_slice(&kept).unwrap()
}

fn ask(stream: &mut UnixStream, ask: &Value) {
    stream.write_all(format!("{ask}\n").as_bytes()).unwrap();
}

fn told(read: &mut impl BufRead) -> Value {
    let mut line = String::new();
    read.read_line(&mut line).unwrap();
    serde_json::from_str(&line).expect(&line)
}

#[test]
fn two_vehicles_are_recorded_looked_at_and_noted() {
    let d = Daemon::begin(4000);
    let list = d.call(&["attach", "--list"]);
    assert_eq!(list.status.code(), Some(0));
    let list = text(&list.stdout);
    assert!(list.contains("van-07  ") && list.contains("van-08  ") && list.contains("in captures/"), "{list}");

    let unnamed = d.call(&["attach", "--plain"]);
    assert_eq!(unnamed.status.code(), Some(2));
    assert_eq!(text(&unnamed.stderr), "soakwatch: the daemon says: name the vehicle: van-07, van-08\n");
    let odd = d.call(&["mark", "x", "--run", "van-07", "--kind", "odd"]);
    assert_eq!(text(&odd.stderr), "soakwatch: the daemon says: a mark is a note or a repair\n");

    // A second one at the same place.
    let second = d.call(&["daemon", "--link", "sim:tight", "--captures", "other"]);
    assert_eq!(second.status.code(), Some(2));
    assert!(text(&second.stderr).contains("a daemon answers at own/socket already"), "{}", text(&second.stderr));

    assert_eq!(d.call(&["mark", "new cap, van 7", "--kind", "repair", "--run", "van-07"]).status.code(), Some(0));
    let seen = d.call(&["attach", "van-07", "--plain"]);
    let seen = text(&seen.stdout);
    assert!(seen.contains("new cap, van 7") && seen.ends_with("The run has ended.\n"), "{seen}");

    let (findings, stderr) = d.ended();
    let verdict = |f: &Value, test: &str| f["summary"][test].as_str().unwrap().to_owned();
    assert_eq!(verdict(&findings[0], "vacuum_decay"), "pass");
    assert_eq!(verdict(&findings[1], "vacuum_decay"), "fail");
    assert_eq!(stderr, "", "quiet unless asked");
}

#[test]
fn stuck_viewers_cost_nothing_and_a_daemon_told_to_stop_stops() {
    let d = Daemon::begin(1500);
    let screen = json!({"ask": "screen", "run": "van-07", "width": 80, "height": 24});
    let mut viewers: Vec<UnixStream> = (0..50).map(|_| d.open()).collect();
    viewers.iter_mut().for_each(|v| ask(v, &screen));
    // Every second one reads; the others never do, and their side of the socket fills up.
    for v in viewers.iter_mut().step_by(2) {
        let mut read = BufReader::new(v.try_clone().unwrap());
        for _ in 0..3 {
            let lines = told(&mut read)["lines"].as_array().expect("a picture").clone();
            assert!(lines.len() < 24 && lines[0].as_str().unwrap().starts_with("soakwatch  "), "{lines:?}");
        }
    }
    // It still answers at once, and records go on.
    let records = || {
        let mut s = d.open();
        ask(&mut s, &json!({"ask": "runs"}));
        told(&mut BufReader::new(s))["runs"][0]["records"].as_u64().unwrap()
    };
    let (before, begun) = (records(), Instant::now());
    std::thread::sleep(Duration::from_millis(500));
    assert!(records() > before && begun.elapsed() < Duration::from_secs(5));
    assert_eq!(d.call(&["attach", "--stop"]).status.code(), Some(0));
    let (findings, _) = d.ended();
    assert_eq!(findings.len(), 2);
}

#[test]
fn what_is_no_question_is_told_and_forgiven() {
    let d = Daemon::begin(1500);
    let mut s = d.open();
    let mut read = BufReader::new(s.try_clone().unwrap());
    let mut why = |line: &[u8]| {
        s.write_all(line).unwrap();
        let told = told(&mut read);
        assert_eq!(told["tell"], "error", "{told}");
        told["why"].as_str().unwrap().to_owned()
    };
    assert!(why(b"{\n").starts_with("that is no question: "));
    assert!(why(b"\xff\xfe\n").starts_with("that is no question: "));
    assert!(why(b"{\"ask\":\"erase\"}\n").contains("unknown variant `erase`"));
    assert_eq!(
        why(b"{\"ask\":\"mark\",\"run\":\"van-99\",\"text\":\"x\"}\n"),
        "no vehicle \"van-99\" is recorded: van-07, van-08"
    );
    let deep = format!("{}\n", "[".repeat(10_000));
    assert!(why(deep.as_bytes()).starts_with("that is no question: "));
    let mut long = vec![b'x'; 200_000];
    long.push(b'\n');
    assert_eq!(why(&long), "that line is longer than 65536 bytes");
    assert_eq!(why(b"{\"ask\":\"events\",\"run\":\"van-07\",\"units\":\"ells\"}\n"), "no units \"ells\"");
    ask(&mut s, &json!({"ask": "runs"}));
    assert_eq!(told(&mut read)["tell"], "runs", "the conversation went on");
    drop((s, read));
    d.call(&["attach", "--stop"]);
    d.ended();
}

#[test]
fn another_user_comes_to_nothing() {
    let d = Daemon::begin(1500);
    let mode =
        |path: &Path| std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(path).unwrap().permissions()) & 0o777;
    assert_eq!((mode(&d.socket()), mode(d.socket().parent().unwrap())), (0o600, 0o700));
    if rustix::process::geteuid().is_root() {
        // Even where the folder lets them come near it.
        for open in [d.dir.path(), &d.dir.path().join("own")] {
            std::fs::set_permissions(open, std::os::unix::fs::PermissionsExt::from_mode(0o755)).unwrap();
        }
        let python = "import socket, sys\ns = socket.socket(socket.AF_UNIX)\ntry:\n    s.connect(sys.argv[1])\nexcept OSError as e:\n    print(e)\nelse:\n    print(s.recv(1000))";
        let stranger = Command::new("setpriv")
            .args(["--reuid=65534", "--clear-groups", "python3", "-c", python])
            .arg(d.socket())
            .output();
        match stranger {
            Ok(out) if out.status.success() => {
                assert!(text(&out.stdout).contains("Permission denied"), "{}", text(&out.stdout));
                std::fs::set_permissions(d.socket(), std::os::unix::fs::PermissionsExt::from_mode(0o777)).unwrap();
                let out = Command::new("setpriv")
                    .args(["--reuid=65534", "--clear-groups", "python3", "-c", python])
                    .arg(d.socket())
                    .output()
                    .unwrap();
                assert!(text(&out.stdout).contains("this daemon belongs to another user"), "{}", text(&out.stdout));
            }
            other => println!("left out: no setpriv with python3 here to be another user with: {other:?}"),
        }
    } else {
        println!("left out: only root can be another user");
    }
    d.call(&["attach", "--stop"]);
    d.ended();
}

#[test]
fn a_unit_for_systemd_is_printed() {
    let out = Command::new(PROGRAM).args(["daemon", "--print-unit"]).output().unwrap();
    let unit = text(&out.stdout);
    assert!(unit.starts_with("[Unit]\n") && unit.contains("\nExecStart=/") && unit.contains("\n[Install]\n"), "{unit}");
}
