//! The program itself, as a script drives it: exit codes, sentences, files.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

fn soakwatch(dir: &Path, args: &[&str]) -> Output {
    let program = env!("CARGO_BIN_EXE_soakwatch");
    Command::new(program).args(args).current_dir(dir).stdin(Stdio::null()).output().unwrap()
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

/// The first minutes of a simulated day, as fast as they go; the folder of the capture.
fn record(dir: &Path) -> (Output, PathBuf) {
    let watched = soakwatch(dir, &["watch", "--link", "sim:tight", "--speed", "2000", "--seconds", "1"]);
    let mut captures: Vec<_> = fs::read_dir(dir.join("captures")).unwrap().map(|e| e.unwrap().path()).collect();
    assert_eq!(captures.len(), 1, "{}", err(&watched));
    (watched, captures.remove(0))
}

#[test]
fn a_run_is_kept_and_graded_again_to_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let (watched, capture) = record(dir.path());
    let told = out(&watched);
    assert_eq!(watched.status.code(), Some(3), "no night yet, and the profile asks for one: {told}{}", err(&watched));
    assert!(told.starts_with("This run is simulated"), "{told}");
    let name = capture.file_name().unwrap().to_str().unwrap().to_owned();
    assert!(told.contains(&format!("The capture is in captures/{name}")), "{told}");
    assert!(told.lines().any(|l| l.contains(" engine runs")), "one line an event: {told}");
    assert!(!told.contains('\x1b'), "no colours where there is no terminal");

    let before: Vec<_> = ["raw.pcapng", "session.toml", "samples.csv", "findings.json"]
        .iter()
        .map(|f| (capture.join(f), fs::read(capture.join(f)).unwrap()))
        .collect();
    let again = soakwatch(dir.path(), &["regrade", "--json", "captures"]);
    assert_eq!(again.status.code(), Some(3));
    assert_eq!(again.stdout, fs::read(capture.join("findings.json")).unwrap());
    assert!(before.iter().all(|(f, bytes)| fs::read(f).unwrap() == *bytes), "nothing saved is changed");

    // The decoded samples are a file of rows that can be read again.
    let rows = soakwatch(dir.path(), &["regrade", "--json", capture.join("samples.csv").to_str().unwrap()]);
    let json: serde_json::Value = serde_json::from_slice(&rows.stdout).unwrap();
    assert_eq!(json["capture"], "samples.csv");
    assert_eq!(json["undecoded"], 0);
}

#[test]
fn an_export_is_complete_and_overwrites_nothing_unasked() {
    let dir = tempfile::tempdir().unwrap();
    let (_, capture) = record(dir.path());
    let capture = capture.to_str().unwrap();
    let first = soakwatch(dir.path(), &["export", capture, "--to", "csv"]);
    assert_eq!(first.status.code(), Some(0), "{}", err(&first));
    let export = Path::new(capture).join("export");
    assert_eq!(
        fs::read(export.join("samples.csv")).unwrap(),
        fs::read(Path::new(capture).join("samples.csv")).unwrap()
    );
    let table = |name: &str| {
        let mut reader = csv::Reader::from_path(export.join(name)).unwrap();
        let head: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
        (head, reader.records().map(Result::unwrap).collect::<Vec<_>>())
    };
    assert_eq!(table("findings.csv").1.len(), 7, "one row a test");
    let (head, edges) = table("edges.csv");
    assert_eq!(head.join(","), "time_s,earliest_s,what,from,to");
    assert!(edges.iter().any(|e| &e[2] == "engine" && &e[4] == "running"));
    for e in &edges {
        let [at, earliest] = [&e[0], &e[1]].map(|t| t.parse::<f64>().unwrap());
        assert!(earliest <= at, "{e:?}");
    }
    assert_eq!(table("phases.csv").0.join(","), "phase,start_s,end_s");
    assert_eq!(fs::read_dir(&export).unwrap().count(), 6);

    fs::write(export.join("phases.csv"), "mine").unwrap();
    let second = soakwatch(dir.path(), &["export", capture, "--to", "csv"]);
    assert_eq!(second.status.code(), Some(2));
    assert!(err(&second).contains("is there already and was left as it is"), "{}", err(&second));
    assert_eq!(fs::read(export.join("phases.csv")).unwrap(), b"mine");
    let third = soakwatch(dir.path(), &["export", capture, "--to", "csv", "--replace"]);
    assert_eq!(third.status.code(), Some(0));
    assert!(fs::read(export.join("phases.csv")).unwrap() != b"mine");
}

#[test]
fn what_cannot_be_read_is_told_and_the_rest_is_graded() {
    let dir = tempfile::tempdir().unwrap();
    let at = |p: &str| dir.path().join(p);
    fs::create_dir_all(at("logs/empty")).unwrap();
    fs::write(at("logs/a.csv"), "this is no table\n").unwrap();
    fs::write(at("logs/b.csv"), "time_s,key,engine_rpm\n0,1,800\n1,1,800\n2,1,800\n").unwrap();
    let both = soakwatch(dir.path(), &["regrade", "logs", "--json"]);
    assert_eq!(both.status.code(), Some(2));
    assert_eq!(out(&both).lines().count(), 1);
    let json: serde_json::Value = serde_json::from_str(&out(&both)).unwrap();
    assert_eq!((json["capture"].as_str(), json["summary"]["vacuum_decay"].as_str()), (Some("b.csv"), Some("not_run")));
    assert!(err(&both).starts_with("soakwatch: logs/a.csv, line 1"), "{}", err(&both));
    // Alone, the good one wants what its profile asks for.
    assert_eq!(soakwatch(dir.path(), &["regrade", "logs/b.csv"]).status.code(), Some(3));
    assert_eq!(soakwatch(dir.path(), &["regrade", "logs/b.csv", "--profile", "road-log"]).status.code(), Some(0));
}

#[test]
fn a_wrong_call_is_told_what_is_right() {
    let dir = tempfile::tempdir().unwrap();
    fs::create_dir(dir.path().join("empty")).unwrap();
    fs::write(dir.path().join("rows.csv"), "time_s,key\n0,1\n").unwrap();
    let rows: [(&[&str], &str); 13] = [
        (&["regrade"], "required arguments were not provided"),
        (
            &["regrade", "nowhere"],
            "soakwatch: nowhere could not be read: No such file or directory (os error 2). Check the path and that you \
             may read it.\n",
        ),
        (
            &["regrade", "empty"],
            "soakwatch: empty holds no capture (a folder with raw.pcapng) and no .csv file. Name another folder or a \
             file.\n",
        ),
        (
            &["regrade", "rows.csv", "--profile", "no-such"],
            "soakwatch: there is no built-in profile and no file \"no-such\"",
        ),
        (&["regrade", "rows.csv", "--set", "vehicle.tank_l=9999"], "soakwatch: "),
        (&["export", "rows.csv"], "--to <TO>"),
        (
            &["export", "rows.csv", "--to", "csv"],
            "soakwatch: rows.csv is a file, not a capture's folder: say with --into where to write\n",
        ),
        (&["export", "empty", "--to", "csv"], "soakwatch: empty: no capture here"),
        (&["watch", "--link", "tight"], "soakwatch: \"tight\" is no link"),
        (&["watch", "--link", "sim:no-such"], "soakwatch: there is no scenario"),
        (&["watch", "--link", "bench:/nowhere/port"], "soakwatch: /nowhere/port cannot be opened: "),
        (&["watch", "--speed", "0"], "soakwatch: a speed of 0 cannot be kept"),
        (&["watch", "--seconds", "0"], "a number of seconds above 0, such as 30"),
    ];
    for (args, sentence) in rows {
        let ended = soakwatch(dir.path(), args);
        assert_eq!(ended.status.code(), Some(2), "{args:?}: {}", err(&ended));
        assert!(err(&ended).contains(sentence), "{args:?}: {}", err(&ended));
        assert!(!err(&ended).contains("panicked"), "{args:?}: {}", err(&ended));
    }
    assert!(!dir.path().join("captures").exists(), "a run that cannot begin leaves nothing behind");
    assert!(!dir.path().join("empty/export").exists());
}

#[test]
fn a_reader_that_goes_away_is_no_fault_of_the_program() {
    let dir = tempfile::tempdir().unwrap();
    for n in 0..3 {
        fs::write(dir.path().join(format!("{n}.csv")), "time_s,key\n0,1\n9,1\n").unwrap();
    }
    for args in [&["regrade", "."][..], &["regrade", ".", "--json"], &["links"], &["profile", "show", "switch-module"]]
    {
        let mut child = Command::new(env!("CARGO_BIN_EXE_soakwatch"))
            .args(args)
            .current_dir(dir.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        drop(child.stdout.take());
        let ended = child.wait_with_output().unwrap();
        assert_eq!(err(&ended), "", "{args:?}");
        assert!(ended.status.code().is_some(), "{args:?}: ended by itself");
    }
}

#[test]
fn ctrl_c_ends_in_order_with_a_summary() {
    let dir = tempfile::tempdir().unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_soakwatch"))
        .args(["watch", "--link", "sim:tight", "--speed", "100"])
        .current_dir(dir.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut told = BufReader::new(child.stdout.take().unwrap()).lines().map(Result::unwrap);
    assert!(told.any(|l| l.contains("phase: ")), "it runs");
    assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
    let rest: Vec<String> = told.collect();
    let ended = child.wait_with_output().unwrap();
    assert_eq!(ended.status.code(), Some(3), "{rest:?}");
    assert!(rest.iter().any(|l| l.starts_with("The capture is in captures/")), "{rest:?}");
    let capture = fs::read_dir(dir.path().join("captures")).unwrap().next().unwrap().unwrap().path();
    let again = soakwatch(dir.path(), &["regrade", "--json", "captures"]);
    assert_eq!(again.stdout, fs::read(capture.join("findings.json")).unwrap());
    assert_eq!(err(&again), "", "nothing is lost");
}

#[test]
fn the_lists_are_there() {
    let dir = tempfile::tempdir().unwrap();
    let links = out(&soakwatch(dir.path(), &["links"]));
    for part in ["bench:PORT", "csv:FILE", "sim:tight", "What each link can grade", "relief"] {
        assert!(links.contains(part), "{part:?} is not in\n{links}");
    }
    for command in ["watch", "regrade", "export", "profile", "links"] {
        let help = soakwatch(dir.path(), &[command, "--help"]);
        assert_eq!(help.status.code(), Some(0));
        assert!(out(&help).contains("Usage: soakwatch "));
    }
}
