use super::*;
use crate::channel::Channel;
use crate::profile::{Calibration, Column, RowTime};
use crate::wire::bench_line::write_line;
use proptest::prelude::*;

fn profile() -> Profile {
    let sets = ["phases.clock_step_s=2".to_owned()];
    crate::profile::load("switch-module", &sets).unwrap()
}

fn decoder_of(profile: Profile, kind: &str) -> Decoder {
    Decoder::new(Arc::new(profile), &[LinkInfo { kind: kind.into(), name: "x".into() }])
}

fn record(at_s: f64, body: Body) -> Record {
    Record { at: Stamp::from_secs(at_s), link: 1, seq: 0, body }
}

fn feed(d: &mut Decoder, chunks: &[(f64, &[u8])]) -> Vec<Item> {
    let mut out = Vec::new();
    for (at, bytes) in chunks {
        d.record(&record(*at, Body::Bytes(bytes.to_vec())), &mut out);
    }
    out
}

/// One line a record, as a file's link delivers it; the stamp is the line's number.
fn file(d: &mut Decoder, text: &str) -> Vec<Item> {
    let chunks: Vec<_> = text.split_inclusive('\n').enumerate().map(|(i, l)| (i as f64, l.as_bytes())).collect();
    feed(d, &chunks)
}

fn values(items: &[Item]) -> Vec<Vec<(Channel, f64)>> {
    items.iter().filter_map(|i| if let Item::Reading(r) = i { Some(r.iter().collect()) } else { None }).collect()
}

fn notices(items: &[Item]) -> Vec<(NoticeKind, &str)> {
    items.iter().filter_map(|i| if let Item::Notice(n) = i { Some((n.kind, n.text.as_str())) } else { None }).collect()
}

use Channel::{BatteryV, EngineRpm, Key};

#[test]
fn a_file_in_any_order_with_blanks_and_line_ends() {
    let mut d = decoder_of(profile(), "csv");
    let items = file(&mut d, "\u{feff}battery_v, time_s ,engine_rpm,,\r\n12.5,0,,,\r\n\r\n, 1 ,800,,\r\n13.9,2,900");
    assert_eq!(
        values(&items),
        [vec![(BatteryV, 12.5)], vec![(EngineRpm, 800.0)], vec![(EngineRpm, 900.0), (BatteryV, 13.9)]]
    );
    assert_eq!(notices(&items), []);
    assert_eq!(d.undecoded(), 0);
}

#[test]
fn foreign_headings_and_assumed_times() {
    let mut p = profile();
    p.row_time = Some(RowTime::Period(0.5));
    p.columns = vec![
        Column { column: "TURNS ()".into(), channel: EngineRpm, scale: 0.25, offset: -1.0 },
        Column { column: "SUPPLY".into(), channel: BatteryV, scale: 0.001, offset: 0.0 },
    ];
    let mut d = decoder_of(p, "csv");
    let items = file(&mut d, "TURNS (), SUPPLY ,OTHER\n3200, 12500, 7,\n4000, 125\n");
    assert_eq!(values(&items), [vec![(EngineRpm, 799.0), (BatteryV, 12.5)], vec![(EngineRpm, 999.0)]]);
    assert_eq!(
        notices(&items),
        [
            (NoticeKind::AssumedTime, "csv:x: row times are assumed, not measured: 0.5 s from row to row"),
            (NoticeKind::UnknownColumn, "csv:x: column \"OTHER\" is no channel and is not read"),
            (NoticeKind::Undecoded, "csv:x: line 3: row cut short, read without its last cell: \"4000, 125\""),
        ]
    );
    assert_eq!(d.undecoded(), 1);
    assert_eq!(d.summary(), ["csv:x: 1 × row cut short, read without its last cell"]);
}

#[test]
fn a_bench_adapter_is_calibrated_and_what_a_file_holds_is_not() {
    let mut p = profile();
    p.columns = vec![Column { column: "MV".into(), channel: BatteryV, scale: 0.001, offset: 0.0 }];
    p.calibrations = vec![Calibration { channel: BatteryV, adapter: [10.0, 14.0], instrument: [10.5, 14.25] }];
    // 12 V is told half-way, and half-way between 10.5 and 14.25 is 12.375.
    let table = "time_s,MV\ntime_s,MV\n1,12000\n";
    let battery = |kind| values(&file(&mut decoder_of(p.clone(), kind), table));
    assert_eq!(battery("bench"), [vec![(BatteryV, 12.375)]]);
    assert_eq!(battery("csv"), [vec![(BatteryV, 12.0)]]);
}

#[test]
fn what_an_adapter_lost_is_counted_over_its_restarts() {
    let mut d = decoder_of(profile(), "bench");
    file(&mut d, "time_s,key,lost\ntime_s,key,lost\n1,1,2\n2,1,\n3,1,5\n0.5,1,0\n1.5,1,4\n");
    assert_eq!(
        d.summary(),
        ["bench:x: the adapter could not send 9 of its readings: shorten its rows, or raise the speed of its line"]
    );
}

#[test]
fn unknown_columns_are_named_together() {
    let mut d = decoder_of(profile(), "csv");
    let items = file(&mut d, "time_s,utc,throttle,key,gear\n0,,1,1,2\ntime_s,utc,throttle,key,gear,more\n1,,1,0,2,3\n");
    assert_eq!(
        notices(&items),
        [(NoticeKind::UnknownColumn, "csv:x: 2 columns are no channels and are not read: \"throttle\", \"gear\"")]
    );
    assert_eq!(values(&items).len(), 2);
}

#[test]
fn a_column_is_read_once_for_a_channel() {
    let mut p = profile();
    p.columns = vec![Column { column: "U".into(), channel: BatteryV, scale: 1.0, offset: 0.0 }];
    let mut d = decoder_of(p, "csv");
    let items = file(&mut d, "time_s,U,battery_v\n0,12,13\n");
    assert_eq!(values(&items), [vec![(BatteryV, 12.0)]]);
    assert_eq!(notices(&items)[0].1, "csv:x: column \"battery_v\" is not read: \"U\" already carries battery_v");
}

#[test]
fn what_cannot_be_a_reading_is_dropped_and_counted() {
    let mut d = decoder_of(profile(), "csv");
    let items = file(&mut d, "time_s,key,battery_v\n0,0.5,12\n1,1.0,NaN\n2,0,inf\n3,2,99\n4,1,x\n");
    assert_eq!(values(&items), [vec![(BatteryV, 12.0)], vec![(Key, 1.0)], vec![(Key, 0.0)], vec![(Key, 1.0)]]);
    assert_eq!(
        notices(&items),
        [
            (
                NoticeKind::Implausible,
                "csv:x: line 2: key \"0.5\" cannot be a reading (only 0 and 1 can be) and is dropped"
            ),
            (
                NoticeKind::Implausible,
                "csv:x: line 3: battery_v \"NaN\" cannot be a reading (0 to 36 V can be) and is dropped"
            ),
            (NoticeKind::Undecoded, "csv:x: line 6: row with a cell that is no number: \"4,1,x\""),
        ]
    );
    assert_eq!(
        d.summary()[1..],
        [
            "csv:x: 2 values of key cannot be readings and were dropped",
            "csv:x: 3 values of battery_v cannot be readings and were dropped"
        ]
        .map(String::from)
    );
}

#[test]
fn rows_of_a_file_that_cannot_be_read() {
    let mut d = decoder_of(profile(), "csv");
    let items = file(&mut d, "noise\ntime_s,key\n0,1,7\nsoon,1\n2,1,,,\n3,\"1\n?\ntime_s,key\n4,0\n");
    assert_eq!(values(&items), [vec![(Key, 1.0)], vec![(Key, 0.0)]]);
    assert_eq!(d.undecoded(), 4, "{:?}", d.summary());
    assert_eq!(
        d.summary(),
        [
            "csv:x: 1 × line before any headings that hold, not read",
            "csv:x: 1 × row with more cells than headings, not read",
            "csv:x: 1 × row cut short, read without its last cell",
            "csv:x: 1 × row without a time, not read",
        ]
    );
}

#[test]
fn time_that_goes_back_in_a_file_is_named() {
    let mut d = decoder_of(profile(), "csv");
    let items = file(&mut d, "time_s,key\n0,1\n10,1\n3,0\n");
    assert_eq!(
        notices(&items),
        [(NoticeKind::ClockStep, "csv:x: line 4: time goes back by 7.000 s; rows from here on are moved")]
    );
    assert_eq!(values(&items).len(), 3);
}

#[test]
fn an_adapter_s_rows_wait_for_a_header_heard_twice() {
    let mut d = decoder_of(profile(), "bench");
    let items = feed(
        &mut d,
        &[
            (1.0, b"9.0,1\ntime_s,k"),
            (1.1, b"ey\n10.0,1\ntime_s,key\r\n10.2,"),
            (1.2, b"0\n10.3,1\n"),
            (1.3, b"10.4,0"),
        ],
    );
    // The two headers differ in nothing but the line end.
    assert_eq!(values(&items), [vec![(Key, 0.0)], vec![(Key, 1.0)]]);
    assert_eq!(d.undecoded(), 2);
    let Some(Item::Reading(last)) = items.last() else { panic!() };
    assert_eq!(last.at, Stamp::from_secs(1.2));
}

#[test]
fn a_link_that_comes_back_must_tell_its_header_again() {
    let mut d = decoder_of(profile(), "bench");
    let head = b"time_s,key\ntime_s,key\n1.0,1\n2.0,";
    let mut items = feed(&mut d, &[(1.0, head)]);
    d.record(&record(2.0, Body::Event(Event::LinkUp { detail: String::new() })), &mut items);
    items.extend(feed(&mut d, &[(3.0, b"0\n0.1,0\n"), (4.0, b"time_s,key\ntime_s,key\n0.3,0\n")]));
    assert_eq!(values(&items), [vec![(Key, 1.0)], vec![(Key, 0.0)]]);
    assert_eq!(d.undecoded(), 2);
    let Some(Item::Reading(last)) = items.last() else { panic!() };
    assert_eq!(last.at, Stamp::from_secs(4.0));
}

#[test]
fn after_a_gap_half_a_line_is_not_read() {
    let mut d = decoder_of(profile(), "bench");
    let mut items = feed(&mut d, &[(1.0, b"time_s,key\ntime_s,key\n1.0,1\n2.")]);
    let gap = Event::Gap { from_ns: 0, to_ns: 0, count: 1, cause: String::new() };
    d.record(&Record { link: 0, ..record(2.0, Body::Event(gap)) }, &mut items);
    items.extend(feed(&mut d, &[(2.5, b"5,0\n2.6,0\n")]));
    assert_eq!(values(&items), [vec![(Key, 1.0)], vec![(Key, 0.0)]]);
    assert_eq!(d.summary(), ["bench:x: 1 × line whose beginning was lost, not read"]);
}

#[test]
fn a_wrong_check_costs_the_row() {
    let mut d = decoder_of(profile(), "bench");
    let mut text = Vec::new();
    for cells in [["time_s", "key"], ["time_s", "key"], ["1.0", "1"], ["1.1", "0"], ["1.2", "1"]] {
        write_line(cells, true, &mut text);
    }
    let at = text.windows(4).position(|w| w == b"1.1,").unwrap();
    text[at] = b'7';
    text.extend_from_slice(b"1.3,1\n");
    let items = feed(&mut d, &[(1.0, &text)]);
    assert_eq!(values(&items).len(), 2);
    assert_eq!(d.summary(), ["bench:x: 2 × line with a wrong or missing check, not read"]);
}

#[test]
fn a_restart_is_named_and_a_damaged_time_is_not_taken_for_one() {
    let mut d = decoder_of(profile(), "bench");
    let items = feed(
        &mut d,
        &[
            (1.0, b"time_s,key\ntime_s,key\n100.0,1\n"),
            (1.5, b"0.5,0\n"),
            (2.0, b"101.0,1\n"),
            (3.0, b"0.1,0\n"),
            (4.0, b"1.1,1\n"),
            (5.0, b"9992.1,1\n"),
            (6.0, b"3.1,0\n"),
            (7.0, b"54.1,1\n"),
            (8.0, b"55.1,1\n"),
        ],
    );
    let keys: Vec<f64> = values(&items).iter().map(|r| r[0].1).collect();
    assert_eq!(keys, [1.0, 1.0, 0.0, 1.0, 0.0, 1.0, 1.0]);
    let said: Vec<_> = notices(&items).into_iter().filter(|n| n.0 != NoticeKind::Undecoded).collect();
    assert_eq!(
        said,
        [
            (
                NoticeKind::AdapterRestart,
                "bench:x: the adapter restarted: its clock went from 101.000 s back to 0.100 s"
            ),
            (NoticeKind::ClockStep, "bench:x: the adapter's clock stepped by +50.000 s against receipt"),
        ]
    );
    assert_eq!(d.summary(), ["bench:x: 2 × row whose time fits neither the row before nor the one after, not read"]);
}

#[test]
fn strange_records_are_counted() {
    let mut d = decoder_of(profile(), "smoke");
    let items = feed(&mut d, &[(1.0, b"1,2\n")]);
    assert_eq!(notices(&items).len(), 1);
    let mut out = Vec::new();
    d.record(&record(2.0, Body::Can(vec![0; 16])), &mut out);
    d.record(&Record { link: 9, ..record(2.0, Body::Bytes(vec![1])) }, &mut out);
    assert_eq!(d.undecoded(), 3);
    assert_eq!(out, []);
}

/// A minute of a bench adapter's bytes with receipt times: rows each 50 ms, received 5 ms later.
fn minute(with_check: bool) -> Vec<(f64, Vec<u8>)> {
    let mut chunks = Vec::new();
    let mut head = Vec::new();
    write_line(["time_s", "key", "battery_v"], with_check, &mut head);
    chunks.push((0.5, [head.clone(), head].concat()));
    for i in 0..1200u32 {
        let t = f64::from(i) * 0.05;
        let mut line = Vec::new();
        let key = if i % 7 == 0 { format!("{}", i % 2) } else { String::new() };
        let cells = [format!("{:.3}", 30.0 + t), key, format!("{:.2}", 12.0 + t / 60.0)];
        write_line(cells.iter().map(String::as_str), with_check, &mut line);
        chunks.push((1.005 + t, line));
    }
    chunks
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    /// Bytes that a serial driver holds back and hands over in other chunks: same values in the same order, each
    /// row's time no earlier than it was and no later than the chunk's receipt.
    #[test]
    fn chunks_do_not_matter(with_check: bool, sizes in prop::collection::vec(1usize..400, 200..400)) {
        let chunks = minute(with_check);
        let bytes: Vec<(f64, u8)> = chunks.iter().flat_map(|(t, b)| b.iter().map(|&b| (*t, b))).collect();
        let plain: Vec<(f64, &[u8])> = chunks.iter().map(|(t, b)| (*t, b.as_slice())).collect();
        let mut d = decoder_of(profile(), "bench");
        let want = feed(&mut d, &plain);
        prop_assert_eq!(want.len(), 1200);

        let (mut at, mut sizes, mut d, mut got) = (0, sizes.into_iter().cycle(), decoder_of(profile(), "bench"), Vec::new());
        while at < bytes.len() {
            let n = sizes.next().unwrap().min(bytes.len() - at);
            let chunk: Vec<u8> = bytes[at..at + n].iter().map(|b| b.1).collect();
            let (first, last) = (bytes[at].0, bytes[at + n - 1].0);
            let before = got.len();
            d.record(&record(last, Body::Bytes(chunk)), &mut got);
            for item in &got[before..] {
                let Item::Reading(r) = item else { continue };
                // A line may have begun a row before the chunk did; its clock is off by the best delay so far.
                prop_assert!(r.at <= Stamp::from_secs(last) && r.at.secs() >= first - 0.06, "{first} {last} {:?}", r.at);
            }
            at += n;
        }
        prop_assert_eq!(values(&got), values(&want));
    }

    #[test]
    fn any_bytes_on_any_link(kind in 0usize..3, chunks in prop::collection::vec(
        prop_oneof![
            prop::collection::vec(any::<u8>(), 0..80),
            "[0-9.,\"\n]{0,40}".prop_map(String::into_bytes),
            Just(b"time_s,key,battery_v,crc\n".to_vec()),
            Just(b"time_s,key,battery_v\n".to_vec()),
        ], 0..60)) {
        let mut d = decoder_of(profile(), ["csv", "bench", "sim"][kind]);
        let mut last = Stamp::ZERO;
        for (i, c) in chunks.into_iter().enumerate() {
            let mut out = Vec::new();
            let r = record(i as f64, Body::Bytes(c));
            d.record(&r, &mut out);
            for item in &out {
                if let Item::Reading(reading) = item {
                    prop_assert!(reading.at >= last && reading.at <= r.at);
                    last = reading.at;
                }
            }
        }
    }
}
