//! Plans that cannot be made: each with its sentence and its place.

use crate::errors::call;
use crate::{err, hold, soakwatch};
use soakwatch::{cli, plan};
use std::fs;

rows!(PLAN, plan_row, plan::Error {
    plan::Error::Table { .. } => "a table",
    plan::Error::NoClock => "no clock",
    plan::Error::Beyond { .. } => "beyond the weather",
    plan::Error::Tray { .. } => "a module",
});

#[test]
fn weather_and_nights() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("w.csv").display().to_string();
    let with = |text: &[u8], more: &[&str]| {
        fs::write(&path, text).unwrap();
        match call(&[&["plan", "--weather", &path], more].concat()).unwrap_err() {
            cli::Error::Plan(e) => e,
            other => panic!("{other}"),
        }
    };
    let at = |line: u64, column: usize, what: &str| format!("{path}, line {line}, column {column}: {what}");
    let tables: Vec<(&[u8], String)> = vec![
        (b"", at(1, 1, "there is no row: give a header such as utc,ambient_c and a row an hour")),
        (
            b"\n\xffwhen,ambient_c\n",
            at(2, 1, "there is no column for the time: head one utc (RFC 3339) or time_s (seconds)"),
        ),
        (b"time_s,air\n0,1\n", at(1, 1, "there is no column ambient_c: head the outside air so, in \u{b0}C")),
        (
            b"time_s,ambient_c,ambient_c\n",
            at(1, 18, "columns 2 and 3 are both headed \"ambient_c\": rename or remove one of them"),
        ),
        (
            b"time_s,\"ambient_c\n",
            at(1, 1, "a quotation mark is opened in the headings and not closed: close it on the same line"),
        ),
        (b"time_s,ambient_c\n0,20\n3600,mild\n", at(3, 6, "\"mild\" is no number for ambient_c")),
        (b"time_s,ambient_c\n0,20\n3600,293\n", at(3, 6, "293 \u{b0}C is no ambient_c: -60 to 100 \u{b0}C can be")),
        (
            b"utc,ambient_c,baro_kpa\n2026-01-31T20:00:00Z,9,1013\n",
            at(2, 24, "1013 kPa is no baro_kpa: 40 to 115 kPa can be"),
        ),
        (b"utc,ambient_c\n8 pm,9\n", at(2, 1, "\"8 pm\" is no time as RFC 3339 has it, such as 2026-01-31T20:00:00Z")),
        (b"ambient_c,time_s\n9,late\n", at(2, 3, "\"late\" is no number of seconds for time_s")),
        (b"time_s,ambient_c\n3600,9\n3600,8\n", at(3, 1, "the time is not later than that of line 2")),
        (
            b"time_s,ambient_c\n0,9\n7200,\n14400,5\n",
            at(4, 7, "more than 3 h since the last ambient_c: a plan needs the air at least every 3 h"),
        ),
        (
            b"time_s,ambient_c\n0,9\n600,8\n",
            at(1, 1, "less than half an hour of ambient_c is in it: give a row an hour for the whole night"),
        ),
    ];
    let mut cases: Vec<_> = tables.iter().map(|(text, told)| ("a table", with(text, &[]), told.clone())).collect();
    let long = [b"time_s,ambient_c\n0,".as_slice(), &[b'9'; 5000]].concat();
    cases.push(("a table", with(&long, &[]), at(2, 1, "the line is longer than 4096 bytes: this is no row")));
    let huge = vec![b'\n'; (4 << 20) + 1];
    let told = at(1, 1, "the file is larger than 4194304 bytes: it is no table of a night's hours");
    cases.push(("a table", with(&huge, &[]), told));
    let hours = b"time_s,ambient_c\n0,20\n7200,18\n";
    cases.push((
        "no clock",
        with(hours, &["--until", "6:00"]),
        "nothing says which time of day the weather begins at: name it with --from, or give a table with utc".into(),
    ));
    cases.push((
        "beyond the weather",
        with(hours, &["--from", "20:00", "--until", "06:00"]),
        "the weather is told from 20:00 to 22:00 (w.csv, straight lines between its rows): choose --from and --until \
         within it, half an hour apart or more"
            .into(),
    ));
    let tray = plan::Error::Tray { profile: "module-on-the-tray".into() };
    let told = tray.to_string();
    cases.push(("a module", tray, told));
    hold(PLAN, plan_row, &[], cases);
}

#[test]
fn wrong_calls_end_with_2() {
    let dir = tempfile::tempdir().unwrap();
    let told = |args: &[&str]| {
        let ended = soakwatch(dir.path(), &[&["plan"], args].concat());
        assert_eq!(ended.status.code(), Some(2), "{args:?}");
        err(&ended)
    };
    let rows: [(&[&str], &str); 9] = [
        (&[], "--evening"),
        (&["--evening", "20"], "--morning"),
        (&["--evening", "20", "--morning", "cold"], "a temperature in \u{b0}C, -60 to 130"),
        (&["--evening", "20", "--morning", "9", "--from", "25:00"], "a time of day such as 20:30"),
        (&["--evening", "20", "--morning", "9", "--rvp", "9..7"], "the lower one first"),
        (&["--evening", "20", "--morning", "9", "--level", "120"], "a level in percent, 0 to 100"),
        (&["--evening", "20", "--morning", "9", "--sea-level-baro", "101"], "--altitude"),
        (&["--evening", "20", "--morning", "9", "--set", "vehicle.tank_l=62 L"], "vehicle.tank_l"),
        (&["--weather", "nowhere.csv"], "nowhere.csv could not be read: No such file or directory"),
    ];
    for (args, part) in rows {
        let said = told(args);
        assert!(said.contains(part), "{args:?}: {said}");
    }
}
