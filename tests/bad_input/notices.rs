//! Lines and rows that cannot be read, or not wholly: nothing stops, each kind is told once with its place.

use crate::hold;
use soakwatch::decode::{Decoder, Fault, Item, NoticeKind};
use soakwatch::profile;
use soakwatch::record::{Body, Event, LinkInfo, Record};
use soakwatch::time::Stamp;
use soakwatch::wire::bench_line::write_line;
use soakwatch::wire::table::LONGEST_LINE;
use std::collections::BTreeSet;
use std::sync::Arc;

rows!(NOTICES, notice_row, NoticeKind {
    NoticeKind::Undecoded => "not understood",
    NoticeKind::UnknownColumn => "no channel",
    NoticeKind::AdapterRestart => "a restart",
    NoticeKind::ClockStep => "a clock that steps",
    NoticeKind::AssumedTime => "assumed times",
    NoticeKind::AdapterLost => "lost in the adapter",
    NoticeKind::Implausible => "no reading",
});

rows!(FAULTS, fault_row, Fault {
    Fault::BeforeHeader => "before the headings",
    Fault::BadHeader => "bad headings",
    Fault::Check => "a wrong check",
    Fault::TooLong => "too long",
    Fault::Torn => "torn",
    Fault::TooMany => "too many cells",
    Fault::Cut => "cut short",
    Fault::NoTime => "no time",
    Fault::NoNumber => "no number",
    Fault::OddTime => "an odd time",
    Fault::Strange => "a strange link",
});

/// What a decoder says to a table of events and lines, each with its receipt in seconds.
fn told(kind: &str, profile: &str, records: &[(f64, Body)]) -> Vec<(NoticeKind, String)> {
    let profile = Arc::new(profile::load(profile, &["phases.clock_step_s=2".to_owned()]).unwrap());
    let mut decoder = Decoder::new(profile, &[LinkInfo { kind: kind.into(), name: "x".into() }]);
    let mut items = Vec::new();
    for (at, body) in records {
        decoder.record(&Record { at: Stamp::from_secs(*at), link: 1, seq: 0, body: body.clone() }, &mut items);
    }
    items
        .into_iter()
        .filter_map(|i| match i {
            Item::Word(_) => None,
            Item::Notice(n) => Some((n.kind, n.text)),
            Item::Reading(_) => None,
        })
        .collect()
}

/// One line a record, a second apart.
fn lines(kind: &str, profile: &str, text: &str) -> Vec<(NoticeKind, String)> {
    let records: Vec<_> =
        text.split_inclusive('\n').enumerate().map(|(i, l)| (i as f64, Body::Bytes(l.into()))).collect();
    told(kind, profile, &records)
}

fn only(mut told: Vec<(NoticeKind, String)>) -> (NoticeKind, String) {
    assert_eq!(told.len(), 1, "{told:?}");
    told.remove(0)
}

#[test]
fn every_kind_of_notice() {
    let cases = [
        (
            "not understood",
            lines("csv", "switch-module", "time_s,key\n0,on\n"),
            "csv:x: line 2: row with a cell that is no number: \"0,on\"",
        ),
        (
            "no channel",
            lines("csv", "switch-module", "time_s,key,gear\n0,1,2\n"),
            "csv:x: column \"gear\" is no channel and is not read",
        ),
        (
            "a restart",
            lines("bench", "switch-module", &format!("{HEAD}{HEAD}100,1\n101,1\n0.5,1\n1.5,1\n2.5,1\n")),
            "bench:x: the adapter restarted: its clock went from 101.000 s back to 0.500 s",
        ),
        (
            "a clock that steps",
            lines("bench", "switch-module", &format!("{HEAD}{HEAD}0,1\n1,1\n52,1\n53,1\n")),
            "bench:x: the adapter's clock stepped by +50.000 s against receipt",
        ),
        (
            "a clock that steps",
            lines("csv", "switch-module", "time_s,key\n5,1\n6,1\n1,1\n"),
            "csv:x: line 4: time goes back by 5.000 s; rows from here on are moved",
        ),
        (
            "assumed times",
            lines("csv", "road-log", "ENGINE_RPM ()\n800\n"),
            "csv:x: row times are assumed, not measured: 0.49 s from row to row",
        ),
        (
            "lost in the adapter",
            lines("bench", "switch-module", "time_s,key,lost\ntime_s,key,lost\n1,1,0\n2,1,3\n3,1,7\n4,1,\n"),
            "bench:x: the adapter could not send 3 of its readings: shorten its rows, or raise the speed of its line",
        ),
        (
            "no reading",
            lines("csv", "switch-module", "time_s,battery_v\n0,99\n"),
            "csv:x: line 2: battery_v \"99\" cannot be a reading (0 to 36 V can be) and is dropped",
        ),
        (
            "no reading",
            lines("csv", "switch-module", "time_s,key\n0,2\n"),
            "csv:x: line 2: key \"2\" cannot be a reading (only 0 and 1 can be) and is dropped",
        ),
    ];
    let mut seen = BTreeSet::new();
    for (row, told, sentence) in cases {
        let (kind, text) = only(told);
        assert_eq!((notice_row(&kind), text.as_str()), (row, sentence));
        seen.insert(row);
    }
    assert_eq!(seen, NOTICES.iter().copied().collect());
}

const HEAD: &str = "time_s,key\n";

#[test]
fn every_fault_of_a_line() {
    let csv = |text: &str| lines("csv", "switch-module", text);
    let bench = |text: &str| lines("bench", "switch-module", text);
    let long = "7".repeat(LONGEST_LINE + 1);
    let mut checked = Vec::new();
    for cells in [["time_s", "key"], ["time_s", "key"], ["1", "1"]] {
        write_line(cells, true, &mut checked);
    }
    let checked = String::from_utf8(checked).unwrap().replace("\n1,1,", "\n1,0,");
    let bytes = |text: &str| Body::Bytes(text.into());
    let gap = Body::Event(Event::Gap { from_ns: 0, to_ns: 1, count: 1, cause: "lost".into() });
    let cases = [
        (Fault::BeforeHeader, bench("1,1\n"), "line 1: line before any headings that hold, not read: \"1,1\""),
        (
            Fault::BadHeader,
            bench("time_s,key,key\ntime_s,key,key\n"),
            "line 2: headings that cannot be read, columns 2 and 3 are both headed \"key\": rename or remove one of them",
        ),
        (Fault::Check, bench(&checked), "line 3: line with a wrong or missing check, not read: \"CHECKED\""),
        (Fault::TooLong, bench(&format!("{HEAD}{HEAD}{long}\n")), "line 3: line longer than 4096 bytes, not read"),
        (Fault::TooLong, csv(&format!("{HEAD}{long}\n")), "line 2: line longer than 4096 bytes, not read"),
        (
            Fault::Torn,
            told("bench", "switch-module", &[(0.0, bytes(HEAD)), (1.0, bytes(HEAD)), (2.0, gap), (3.0, bytes("1\n"))]),
            "line 3: line whose beginning was lost, not read",
        ),
        (
            Fault::TooMany,
            csv(&format!("{HEAD}0,1,1\n")),
            "line 2: row with more cells than headings, not read: \"0,1,1\"",
        ),
        (Fault::Cut, csv("time_s,key,battery_v\n0,1\n"), "line 2: row cut short, read without its last cell: \"0,1\""),
        (
            Fault::Cut,
            csv("time_s,key,battery_v\n0,1,\"12\n"),
            "line 2: row cut short, read without its last cell: \"0,1,\"12\"",
        ),
        (Fault::NoTime, csv(&format!("{HEAD},1\n,1\n")), "line 2: row without a time, not read: \",1\""),
        (Fault::NoTime, csv("utc,key\nyesterday,1\n"), "line 2: row without a time, not read: \"yesterday,1\""),
        (Fault::NoNumber, csv(&format!("{HEAD}0,on\n")), "line 2: row with a cell that is no number: \"0,on\""),
        (
            Fault::OddTime,
            bench(&format!("{HEAD}{HEAD}100,1\n7,1\n102,1\n")),
            "line 5: row whose time fits neither the row before nor the one after, not read: \"7,1\"",
        ),
        (
            Fault::Strange,
            lines("smoke", "switch-module", "1,1\n"),
            "line 0: record of a kind of link that this build cannot read, judge it by the version that wrote it",
        ),
    ];
    let mut rows = Vec::new();
    for (fault, told, sentence) in cases {
        let (kind, text) = only(told);
        assert_eq!(kind, NoticeKind::Undecoded);
        let sentence = sentence.replace("CHECKED", checked.lines().last().unwrap());
        assert_eq!(text.split_once(":x: ").unwrap().1, sentence);
        assert!(text.contains(fault.words()), "{text}");
        rows.push((fault_row(&fault), fault.words(), fault.words().to_owned()));
    }
    let words = |w: &&'static str| Fault::ALL.iter().find(|f| f.words() == *w).map_or("", fault_row);
    hold(FAULTS, words, &[], rows);
}
