//! Calls and files that went wrong in the hands of people, through the program.

use crate::{capture, ended_well, err, out, program, soakwatch};
use std::ffi::OsStr;
use std::fs::{self, File};
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

const LONGEST: &str = "long.csv, line 3, column 1: the line is longer than 1 MiB, this is no row; take the line out, or \
                       name another file";

#[test]
fn a_wrong_call_ends_with_2_and_its_sentence() {
    let dir = tempfile::tempdir().unwrap();
    let at = |p: &str| dir.path().join(p);
    fs::create_dir_all(at("rows.csv.d")).unwrap();
    fs::create_dir_all(at("halved")).unwrap();
    fs::write(at("halved/raw.pcapng"), "").unwrap();
    fs::write(at("rows.csv"), "time_s,key\n0,1\n").unwrap();
    fs::write(at("long.csv"), long(1 << 20)).unwrap();
    fs::write(at("bad.toml"), "extends = \"switch-module\"\n[vehicle]\ntank_l = 60 L\n").unwrap();
    let speed = |s: &str| format!("soakwatch: a speed of {s} cannot be kept: give a number above 0, such as 60\n");
    let port = "Check the name (`soakwatch links` lists the ports), the plug and that no other program holds the port";
    let bad = "bad.toml:3:10: 60 L is neither a number nor a text in quotes; put a text in quotes, write a number \
               without its unit\n";
    let rows: Vec<(&[&str], String)> = vec![
        (&["watch", "--speed", "0"], speed("0")),
        (&["watch", "--speed", "-1"], speed("-1")),
        (&["watch", "--speed", "nan"], speed("NaN")),
        (
            &["watch", "--speed", "fast"],
            "error: invalid value 'fast' for '--speed <N>': a number above 0, such as 60\n\nFor more information, try \
             '--help'.\n"
                .into(),
        ),
        (
            &["watch", "--seconds", "-1"],
            "error: invalid value '-1' for '--seconds <N>': a number of seconds above 0, such as 30\n\nFor more \
             information, try '--help'.\n"
                .into(),
        ),
        (
            &["watch", "--profile", "nosuch"],
            "soakwatch: there is no built-in profile and no file \"nosuch\"; built in are \"switch-module\", \
             \"pressure-sensor\", \"module-on-the-tray\", \"courier-van\" or \"road-log\"; or give the path of a .toml file\n"
                .into(),
        ),
        (&["watch", "--profile", "bad.toml"], format!("soakwatch: {bad}")),
        (&["profile", "check", "bad.toml"], format!("{bad}bad.toml: 1 fault\n")),
        (
            &["watch", "--link", "nosuch:x"],
            "soakwatch: \"nosuch:x\": there is no kind of link \"nosuch\"; there are adapter:PORT, bench:PORT, can:IFACE, csv:FILE, slcan:PORT, \
             sim:SCENARIO\n"
                .into(),
        ),
        (
            &["watch", "--link", "sim:nosuch"],
            "soakwatch: there is no scenario `nosuch`: say `tight`, `leak-0.70`, or another that `soakwatch links` \
             lists\n"
                .into(),
        ),
        (
            &["watch", "--link", "bench:/dev/nosuch"],
            format!("soakwatch: /dev/nosuch cannot be opened: No such file or directory. {port}\n"),
        ),
        (
            &["watch", "--link", "bench:rows.csv"],
            format!("soakwatch: rows.csv cannot be opened: it is no serial port. {port}\n"),
        ),
        (
            &["watch", "--link", "csv:rows.csv.d"],
            "soakwatch: rows.csv.d cannot be read: is a directory. Check the name and that you may read it\n".into(),
        ),
        (
            &["watch", "--link", "sim:tight", "--captures", "/dev/full"],
            "soakwatch: /dev/full: cannot make a folder for the capture: File exists (os error 17). Name another place \
             with --captures\n"
                .into(),
        ),
        (
            &["regrade", "halved"],
            "soakwatch: halved/session.toml: cannot read the session file: No such file or directory (os error 2); \
             check the name, or restore it from a copy\n"
                .into(),
        ),
        (&["regrade", "long.csv"], format!("soakwatch: {LONGEST}\n")),
        (
            &["regrade", "rows.csv", "--profile", "rows.csv.d"],
            "soakwatch: cannot read the profile rows.csv.d: Is a directory (os error 21); check the file and its \
             permissions\n"
                .into(),
        ),
    ];
    for (args, sentence) in rows {
        let begun = Instant::now();
        let ended = soakwatch(dir.path(), args);
        assert_eq!((ended.status.code(), err(&ended)), (Some(2), sentence), "{args:?}");
        assert!(begun.elapsed() < Duration::from_secs(5), "{args:?} took {:?}", begun.elapsed());
    }
    assert!(!at("captures").exists(), "what cannot begin leaves nothing behind");
    // A word that is no text at all.
    let ended = soakwatch(dir.path(), &[OsStr::new("watch"), OsStr::new("--link"), OsStr::from_bytes(b"csv:\xff")]);
    assert_eq!(ended_well(&ended), Ok(2));
    assert!(err(&ended).contains("invalid UTF-8"), "{}", err(&ended));
}

/// A table with a line of so many bytes and its line end in it.
fn long(bytes: usize) -> Vec<u8> {
    [b"time_s,key\n0,1\n".as_slice(), &vec![b'7'; bytes], b"\n2,1\n"].concat()
}

#[test]
fn a_poor_file_is_graded_and_what_it_lacks_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let no_reading = "not one reading of a channel is in it: see that there are rows, that each has its time, and that \
                      the headings are channels or mapped by the profile";
    let rows: [(&str, Vec<u8>, &[&str]); 6] = [
        ("only headings", b"time_s,key,battery_v\n".into(), &[no_reading]),
        (
            "no known channel",
            b"time_s,throttle,gear\n0,1,2\n1,1,2\n".into(),
            &[no_reading, "2 columns are no channels and are not read: \"throttle\", \"gear\""],
        ),
        ("blank times", b"time_s,key\n,1\n,1\n".into(), &[no_reading, "line 2: row without a time, not read: \",1\""]),
        (
            "times that run backwards",
            b"time_s,key\n5,1\n6,1\n1,1\n2,1\n".into(),
            &["line 4: time goes back by 5.000 s; rows from here on are moved"],
        ),
        ("a line of 1 MB", long((1 << 20) - 1), &["line 3: line longer than 4096 bytes, not read"]),
        ("a clock in UTC", b"utc,key\n2026-01-31T06:00:00Z,1\n6 o'clock,1\n".into(), &["line 3: row without a time"]),
    ];
    for (name, text, sentences) in rows {
        fs::write(dir.path().join("rows.csv"), text).unwrap();
        let ended = soakwatch(dir.path(), &["regrade", "rows.csv"]);
        assert_eq!(ended.status.code(), Some(3), "{name}: {}", err(&ended));
        let told = out(&ended).split_whitespace().collect::<Vec<_>>().join(" ");
        for sentence in sentences {
            assert!(told.contains(sentence), "{name}: {sentence:?} is not in\n{told}");
        }
        // For other programs nothing but JSON is on stdout.
        let ended = soakwatch(dir.path(), &["regrade", "rows.csv", "--json"]);
        assert_eq!(err(&ended).contains(no_reading), sentences.contains(&no_reading), "{name}: {}", err(&ended));
        assert!(serde_json::from_str::<serde_json::Value>(&out(&ended)).is_ok(), "{name}");
    }
}

#[test]
fn a_file_that_breaks_off_under_a_live_run_is_told_and_what_came_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("long.csv"), long(1 << 20)).unwrap();
    let ended = soakwatch(dir.path(), &["watch", "--link", "csv:long.csv"]);
    assert_eq!((ended.status.code(), err(&ended)), (Some(2), format!("soakwatch: {LONGEST}\n")));
    let again = soakwatch(dir.path(), &["regrade", "--json", "captures"]);
    assert_eq!(again.stdout, fs::read(capture(dir.path()).join("findings.json")).unwrap());
}

#[test]
fn one_port_by_two_names_is_refused() {
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    let dir = tempfile::tempdir().unwrap();
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let port = ptsname(&master, Vec::new()).unwrap().into_string().unwrap();
    std::os::unix::fs::symlink(&port, dir.path().join("tray")).unwrap();
    let ended = soakwatch(dir.path(), &["watch", "--link", &format!("bench:{port}"), "--link", "bench:tray"]);
    assert_eq!(
        (ended.status.code(), err(&ended)),
        (
            Some(2),
            "soakwatch: tray is named twice: name each port once, a second link to it would take bytes \
             from the first or record them twice\n"
                .to_owned()
        )
    );
    assert!(!dir.path().join("captures").exists());
}

const SHORT: [&str; 7] = ["watch", "--link", "sim:tight", "--speed", "2000", "--seconds", "1"];

fn graded_alike(dir: &Path) {
    let again = soakwatch(dir, &["regrade", "--json", "captures"]);
    assert_eq!(err(&again), "", "the capture is whole");
    assert_eq!(again.stdout, fs::read(capture(dir).join("findings.json")).unwrap());
}

#[test]
fn a_reader_that_goes_away_does_not_end_the_recording() {
    let dir = tempfile::tempdir().unwrap();
    let mut child = program(dir.path(), &SHORT).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    let ended = child.wait_with_output().unwrap();
    assert_eq!((ended.status.code(), err(&ended)), (Some(3), String::new()), "the code is the grade's");
    graded_alike(dir.path());
}

#[test]
fn a_full_disk_behind_stdout_is_told() {
    let full = || File::options().write(true).open("/dev/full").unwrap();
    let sentence = "soakwatch: standard output could not be written: No space left on device (os error 28). See that \
                    the disk has room and that you may write there.\n";
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("rows.csv"), "time_s,key\n0,1\n").unwrap();
    for args in [
        &["regrade", "rows.csv"][..],
        &["regrade", "rows.csv", "--json"],
        &["links"],
        &["profile", "list"],
        &["profile", "show", "road-log"],
    ] {
        let ended = program(dir.path(), args).stdout(full()).stderr(Stdio::piped()).output().unwrap();
        assert_eq!((ended.status.code(), err(&ended)), (Some(2), sentence.to_owned()), "{args:?}");
    }
    // The recording goes on, and its place is told where it can be.
    let ended = program(dir.path(), &SHORT).stdout(full()).stderr(Stdio::piped()).output().unwrap();
    let name = capture(dir.path()).file_name().unwrap().to_str().unwrap().to_owned();
    let told = format!("soakwatch: the capture is in captures/{name}\n{sentence}");
    assert_eq!((ended.status.code(), err(&ended)), (Some(2), told));
    graded_alike(dir.path());
    // Nor does a closed stderr make it fall.
    let ended = program(dir.path(), &["regrade", "nowhere"]).stderr(full()).output().unwrap();
    assert_eq!(ended.status.code(), Some(2));
}
