//! Answers made by hand from SAE J1979, SAE J1979-2 and ISO 14229-1 (from memory), and what becomes of them.

use super::*;
use crate::grade::verdict::{Evidence, Finding, LeakMm, Secs, Test, Verdict};
use crate::time::Stamp;
use crate::trade::Subject;
use crate::wire::can_frame::Id;

const E8: Who = Who::Can(Id::Standard(0x7E8));

fn heard(all: &[(f64, Who, Option<u8>, &[u8])]) -> (Controllers, Vec<String>) {
    let mut c = Controllers::default();
    let mut news = Vec::new();
    for (at, who, mask, message) in all {
        let word = Word { at: Stamp::from_secs(*at), link: 1, who: *who, message: message.to_vec(), mask: *mask };
        news.extend(c.hear(&word, "can:can0"));
    }
    (c, news)
}

fn graded(verdicts: &[(Test, Verdict, Option<f64>)]) -> Graded {
    let run = |(test, verdict, mm): &(Test, Verdict, Option<f64>)| Finding {
        test: *test,
        verdict: *verdict,
        start_s: Some(Secs(100.0)),
        end_s: Some(Secs(200.0)),
        decided_s: Some(Secs(200.0)),
        withdrawn_by: None,
        rule: String::new(),
        reasons: vec!["the reason".into()],
        next: String::new(),
        evidence: BTreeMap::<String, Evidence>::new(),
        leak_mm: mm.map(|mm| LeakMm { low: Num(mm * 0.9), best: Num(mm), high: Num(mm * 1.1) }),
        night_mm: None,
    };
    let of = |test: &Test| verdicts.iter().find(|v| v.0 == *test).map_or(Verdict::NotRun, |v| v.1);
    Graded {
        findings: verdicts.iter().map(run).collect(),
        summary: Test::of(Subject::Vehicle).iter().map(|t| (*t, of(t))).collect(),
        counts: BTreeMap::new(),
        part: None,
    }
}

fn word(all: &[(f64, Who, Option<u8>, &[u8])], verdicts: &[(Test, Verdict, Option<f64>)]) -> ControllerWord {
    heard(all).0.beside(&graded(verdicts)).unwrap()
}

fn one(all: &[(f64, Who, Option<u8>, &[u8])]) -> Said {
    let mut word = word(all, &[]);
    assert_eq!(word.controllers.len(), 1);
    word.controllers.remove(0)
}

const VIN: &[u8] = b"\x49\x02\x01HARB0URLANEVAN004";

#[test]
fn who_it_is_and_its_software() {
    let ids = [&[0x49, 0x04, 2][..], b"HLC-ENGINE-0007\0", b"HLC-VAPOUR-0003\0"].concat();
    let said = one(&[
        (1.0, E8, None, VIN),
        (1.1, E8, None, &ids),
        (1.2, E8, None, &[0x49, 0x06, 2, 0x17, 0x91, 0xBC, 0x82, 0x42, 0x00, 0x15, 0x07]),
        (1.3, E8, None, b"\x49\x0A\x01ECM\0-EngineControl\0\0"),
    ]);
    assert_eq!(said.name.as_deref(), Some("ECM-EngineControl"));
    let calibrations: Vec<_> = said.calibrations.iter().map(|c| (c.id.as_deref(), c.cvn.as_deref())).collect();
    let both = [(Some("HLC-ENGINE-0007"), Some("1791BC82")), (Some("HLC-VAPOUR-0003"), Some("42001507"))];
    assert_eq!(calibrations, both);
    // Masked wherever it is printed, unless asked for.
    let mut vin = said.vin.clone().unwrap();
    assert_eq!(vin.to_string(), "*************N004");
    let json = serde_json::to_string(&said).unwrap();
    assert!(json.contains("*************N004") && !json.contains("HARB0UR"));
    vin.shown = true;
    assert_eq!(vin.to_string(), "HARB0URLANEVAN004");
}

#[test]
fn the_same_by_sae_j1979_2() {
    let f802 = [&[0x62, 0xF8, 0x02][..], b"HARB0URLANEVAN004"].concat();
    let f804 = [&[0x62, 0xF8, 0x04, 1][..], b"HLC-ENGINE-0007\0"].concat();
    let (c, news) = heard(&[
        (1.0, E8, None, &f802),
        (1.1, E8, None, &[&[0x62, 0xF1, 0x90][..], b"HARB0URLANEVAN004"].concat()),
        (1.2, E8, None, &f804),
        (1.3, E8, None, &[0x62, 0xF8, 0x06, 0x17, 0x91, 0xBC, 0x82]),
        (1.4, E8, None, &[0x62, 0xF4, 0x01, 0x81, 0x07, 0x65, 0x04]),
        (1.5, E8, None, &[0x62, 0xF6, 0x3B, 0x82, 0x11, 0, 90, 0, 125, 0xFF, 0xFF]),
        // Stored asked for, then pending: status of P0456 is confirmed and failed, of P0442 pending.
        (2.0, E8, Some(0x08), &[0x59, 0x42, 0x33, 0x8D, 0xFF, 0x04, 0x20, 0x04, 0x56, 0x00, 0x89]),
        (2.1, E8, Some(0x04), &[0x59, 0x42, 0x33, 0x8D, 0xFF, 0x04, 0x20, 0x04, 0x42, 0x00, 0x05]),
        (2.2, E8, None, &[0x59, 0x55, 0x33, 0x8D, 0x04]),
        // What stood for P0456, and then once more; its second record holds an identifier of the maker's own.
        (2.3, E8, None, &[0x59, 0x04, 0x04, 0x56, 0, 0x89, 0x00, 1, 0xF4, 0x05, 0x28]),
        (
            2.4,
            E8,
            None,
            &[
                0x59, 0x04, 0x04, 0x56, 0, 0x89, 0x00, 2, 0xF4, 0x05, 0x82, 0xF4, 0x32, 0xFC, 0x18, 0x01, 2, 0xF4,
                0x2F, 0x80, 0x20, 0x11, 7,
            ],
        ),
        (2.5, E8, None, &[0x59, 0x04, 0x04, 0x42, 0, 0x05]),
    ]);
    assert_eq!(
        news,
        [
            "controller 7E8 told the vehicle's number",
            "controller 7E8: stored P0456 (vapour system, very small leak)",
            "controller 7E8: pending P0442 (vapour system, small leak)",
        ]
    );
    let said = &c.beside(&graded(&[])).unwrap().controllers[0];
    assert_eq!(said.vin.as_ref().unwrap().to_string(), "*************N004");
    let first = &said.calibrations[0];
    assert_eq!((first.id.as_deref(), first.cvn.as_deref()), (Some("HLC-ENGINE-0007"), Some("1791BC82")));
    let ready = said.readiness.as_ref().unwrap().last.said;
    assert_eq!((ready.lamp, ready.stored_codes, ready.vapour), (true, 1, MonitorState::NotComplete));
    // 9.0 s where 12.5 s is the least.
    let m = &said.monitors[0];
    let r = m.results.last.said;
    assert_eq!((m.monitor.as_str(), m.watches, m.unit), ("3B", "leak of 0.040 in", "s"));
    assert_eq!((r.value, r.low, r.result), (Num(9.0), Num(12.5), Outcome::Fail));
    let kinds: Vec<_> = said.codes.iter().map(|(kind, c)| (*kind, c.last.said.len())).collect();
    assert_eq!(kinds, [("pending", 1), ("permanent", 0), ("stored", 1)]);
    assert_eq!(said.freeze_frame, None);
    let told = serde_json::to_value(&said.snapshots).unwrap();
    let code = serde_json::json!({"code": "P0456", "means": "vapour system, very small leak"});
    assert_eq!(
        told,
        serde_json::json!([
            {"at_s": 2.4, "code": code, "record": "00", "values": {"coolant_c": 90.0, "tank_pressure_pa": -250.0}, "unread": 0},
            {"at_s": 2.4, "code": code, "record": "01", "values": {"fuel_level_pct": 50.1961}, "unread": 3},
        ])
    );
}

#[test]
fn codes_at_the_start_and_at_the_end() {
    let (c, news) = heard(&[
        (1.0, E8, None, &[0x43, 0]),
        (1.1, E8, None, &[0x47, 1, 0x04, 0x56]),
        (1.2, E8, None, &[0x4A, 0]),
        (90.0, E8, None, &[0x43, 2, 0x04, 0x56, 0x03, 0x01]),
    ]);
    assert_eq!(news[1], "controller 7E8: stored P0456 (vapour system, very small leak), P0301 (ignition or misfire)");
    let said = &c.beside(&graded(&[])).unwrap().controllers[0];
    let stored = &said.codes["stored"];
    assert!(stored.changed() && stored.first.said.is_empty());
    assert_eq!((stored.first.at_s, stored.last.at_s, stored.last.said.len()), (Secs(1.0), Secs(90.0), 2));
    assert!(!said.codes["pending"].changed());
}

#[test]
fn an_older_bus_tells_three_codes_a_message() {
    let node = Who::Node(0x10);
    let said = one(&[
        (1.0, node, None, &[0x43, 0x04, 0x42, 0x04, 0x46, 0x04, 0x55]),
        (1.1, node, None, &[0x43, 0x04, 0x56, 0, 0, 0, 0]),
        (60.0, node, None, &[0x43, 0, 0, 0, 0, 0, 0]),
    ]);
    let stored = &said.codes["stored"];
    assert_eq!((stored.first.said.len(), stored.last.said.len()), (4, 0));
}

/// Service 06 before CAN, by SAE J1979 from memory: test, kind of limit with component, value, limit.
#[test]
fn an_older_bus_tells_tests_of_the_makers_own() {
    let node = Who::Node(0x10);
    let all: &[(f64, Who, Option<u8>, &[u8])] = &[
        (0.9, node, None, &[0x46, 0x00, 0xFF, 0x08, 0, 0, 0]),
        (1.0, node, None, &[0x46, 0x3C, 0x81, 0x00, 0x64, 0x00, 0x50]),
        (1.1, node, None, &[0x46, 0x05, 0x10, 0x02, 0x01, 0x02, 0x00]),
        (1.2, node, None, &[0x46, 0x05, 0x90, 0x02, 0x01, 0x02, 0x00]),
        (1.3, node, None, &[0x46, 0x05, 0x11, 0, 0, 0, 0]),
        (1.4, node, None, &[0x46, 0x05, 0x12, 0x02, 0x00, 0x02, 0x00]),
        (60.0, node, None, &[0x46, 0x3C, 0x81, 0x00, 0x4F, 0x00, 0x50]),
    ];
    let said = one(all);
    assert_eq!(said.monitors, [], "a test numbered 3C is no monitor 3C");
    let last = |t: &MakerTest| (t.test.clone() + "/" + &t.component, t.limit_kind, t.results.last.said.result);
    let told: Vec<_> = said.maker_tests.iter().map(last).collect();
    assert_eq!(
        told,
        [
            ("05/10".to_owned(), LimitKind::Max, Outcome::Fail),
            ("05/10".to_owned(), LimitKind::Min, Outcome::Pass),
            ("05/11".to_owned(), LimitKind::Max, Outcome::NotRun),
            ("05/12".to_owned(), LimitKind::Max, Outcome::Pass),
            ("3C/01".to_owned(), LimitKind::Min, Outcome::Fail),
        ]
    );
    let r = &said.maker_tests[4].results;
    assert_eq!(r.first.said, MakerResult { value: 100, limit: 80, result: Outcome::Pass });
    assert_eq!((r.last.said.value, r.last.at_s), (79, Secs(60.0)));
    let json = serde_json::to_value(&said.maker_tests[0]).unwrap();
    assert_eq!(json["scaling"], "the maker's own");
    assert_eq!((&json["limit_kind"], &json["last"]["said"]["result"]), (&"max".into(), &"fail".into()));
    assert_eq!(json.get("unit"), None);
    // Nothing is read into it: neither beside a pass nor beside a fail. And on CAN there is no such answer.
    for verdict in [Verdict::Pass, Verdict::Fail] {
        assert_eq!(word(all, &[(Test::VacuumDecay, verdict, Some(0.7))]).disagreements, []);
    }
    let (on_can, _) = heard(&[(1.0, E8, None, &[0x46, 0x3C, 0x81, 0x00, 0x64, 0x00, 0x50])]);
    assert!(on_can.beside(&graded(&[])).is_none());
}

#[test]
fn readiness_counters_and_the_freeze_frame() {
    let mut counters = vec![0x49, 0x08, 20];
    for n in (0u16..20).map(|i| 100 + i) {
        counters.extend(n.to_be_bytes());
    }
    let said = one(&[
        (1.0, E8, None, &[0x41, 0x01, 0x00, 0x07, 0x65, 0x04]),
        (1.1, E8, None, &[0x41, 0x41, 0x00, 0x07, 0x65, 0x04]),
        (1.2, E8, None, &counters),
        (1.3, E8, None, &[0x42, 0x02, 0, 0x04, 0x56]),
        (1.4, E8, None, &[0x42, 0x05, 0, 0x82]),
        (1.5, E8, None, &[0x42, 0x32, 0, 0xFC, 0x18]),
        (1.6, E8, None, &[0x42, 0x2F, 1, 0x82]),
        (99.0, E8, None, &[0x41, 0x01, 0x00, 0x07, 0x65, 0x00]),
        (99.1, E8, None, &[0x42, 0x02, 0, 0x04, 0x56]),
        (99.2, E8, None, &[0x42, 0x05, 0, 0x82]),
    ]);
    let ready = said.readiness.as_ref().unwrap();
    assert_eq!((ready.first.said.vapour, ready.last.said.vapour), (MonitorState::NotComplete, MonitorState::Complete));
    assert_eq!(said.this_cycle.as_ref().unwrap().last.said, MonitorState::NotComplete);
    // SAE J1979's list for spark ignition: vapour is the fifteenth and sixteenth.
    let n = said.in_use.as_ref().unwrap().last.said;
    assert_eq!((n.general_conditions, n.starts, n.completed, n.conditions), (100, 101, 114, 115));
    let frame = said.freeze_frame.as_ref().unwrap();
    assert_eq!(frame.code.as_ref().unwrap().code, "P0456");
    let values: Vec<_> = frame.values.iter().map(|(k, v)| (*k, v.0)).collect();
    assert_eq!(values, [("coolant_c", 90.0), ("tank_pressure_pa", -250.0)], "of frame 0 alone");
    assert_eq!(frame.at_s, Secs(1.3));
    // A code that outranks it takes its frame, and with it what stood then.
    let taken = one(&[
        (1.0, E8, None, &[0x42, 0x02, 0, 0x04, 0x56]),
        (1.1, E8, None, &[0x42, 0x05, 0, 0x82]),
        (9.0, E8, None, &[0x42, 0x02, 0, 0x03, 0x01]),
        (9.1, E8, None, &[0x42, 0x0C, 0, 0x0B, 0xB8]),
    ]);
    let frame = taken.freeze_frame.unwrap();
    assert_eq!((frame.at_s, frame.code.unwrap().code), (Secs(9.0), "P0301".to_owned()));
    assert_eq!(frame.values.keys().collect::<Vec<_>>(), [&"engine_rpm"]);
    // Compression ignition has no such monitor; a code of nothing is no frame.
    let diesel = one(&[(1.0, E8, None, &[0x41, 0x01, 0x00, 0x0F, 0x65, 0x04]), (1.1, E8, None, &[0x42, 2, 0, 0, 0])]);
    assert_eq!(diesel.readiness.unwrap().last.said.vapour, MonitorState::Absent);
    assert_eq!(diesel.freeze_frame, None);
}

/// Monitor 3C, test 81: pascals by scaling FE (0.25 Pa a bit, two's complement).
fn monitor(id: u8, value: i16, low: i16, high: i16) -> Vec<u8> {
    let ([a, b], [c, d], [e, f]) = (value.to_be_bytes(), low.to_be_bytes(), high.to_be_bytes());
    vec![0x46, id, 0x81, 0xFE, a, b, c, d, e, f]
}

#[test]
fn results_against_their_own_limits() {
    let said = one(&[
        (1.0, E8, None, &monitor(0x3C, 0, 0, 0)),
        (2.0, E8, None, &monitor(0x3C, -400, -1000, -200)),
        (3.0, E8, None, &monitor(0x01, 1, 0, 2)),
    ]);
    assert_eq!(said.monitors.len(), 1, "of the vapour system alone");
    let r = &said.monitors[0].results;
    assert_eq!((r.first.said.result, r.last.said.result), (Outcome::NotRun, Outcome::Pass));
    assert_eq!((r.last.said.value, r.last.said.low, r.last.said.high), (Num(-100.0), Num(-250.0), Num(-50.0)));
}

#[test]
fn it_stores_a_code_and_the_test_passes() {
    let all: &[(f64, Who, Option<u8>, &[u8])] =
        &[(5.0, E8, None, &[0x43, 1, 0x04, 0x56]), (5.1, E8, None, &[0x47, 1, 0x04, 0x56])];
    let pass = [(Test::VacuumDecay, Verdict::Pass, None), (Test::SwitchCircuit, Verdict::Pass, None)];
    let d = word(all, &pass).disagreements;
    assert_eq!(d.len(), 1, "{d:?}");
    assert_eq!(d[0].controller, "controller 7E8 at 5 s: stored P0456 (vapour system, very small leak)");
    assert_eq!(d[0].tool, "vacuum_decay: pass (100 to 200 s): the reason");
    // It fails here too, or was not decided: they do not differ.
    assert_eq!(word(all, &[(Test::VacuumDecay, Verdict::Fail, Some(0.6))]).disagreements, []);
    assert_eq!(word(all, &[(Test::VacuumDecay, Verdict::Inconclusive, None)]).disagreements, []);
    // A permanent code outlives the fault by rule.
    let permanent: &[(f64, Who, Option<u8>, &[u8])] =
        &[(5.0, E8, None, &[0x43, 0]), (5.1, E8, None, &[0x4A, 1, 0x04, 0x56])];
    assert_eq!(word(permanent, &pass).disagreements, []);
}

#[test]
fn it_stores_no_code_and_the_test_fails() {
    let fail = [(Test::VacuumDecay, Verdict::Fail, Some(0.6))];
    let all: &[(f64, Who, Option<u8>, &[u8])] = &[(5.0, E8, None, &[0x43, 1, 0x03, 0x01]), (5.1, E8, None, &[0x47, 0])];
    let d = word(all, &fail).disagreements;
    assert_eq!(d.len(), 1);
    assert_eq!(
        d[0].controller,
        "controller 7E8 at 5 s: stored P0301 (ignition or misfire), pending no code; none of this fault"
    );
    assert!(d[0].tool.starts_with("vacuum_decay: fail"));
    // Who was never asked for codes is not held to have none.
    assert_eq!(word(&[(5.0, E8, None, VIN)], &fail).disagreements, []);
}

#[test]
fn its_monitors_and_its_readiness_differ() {
    let fail = |mm| [(Test::VacuumDecay, Verdict::Fail, Some(mm))];
    let passes = |id| word(&[(7.0, E8, None, &monitor(id, -400, -1000, -200))], &fail(0.7)).disagreements;
    assert_eq!(passes(0x3C).len(), 1, "0.7 mm is no hole that 0.020 in lets pass");
    assert_eq!(
        passes(0x3C)[0].controller,
        "controller 7E8 at 7 s: monitor 3C (leak of 0.020 in), test 81, passes: -100 Pa, limits -250 to -50"
    );
    assert_eq!(passes(0x3B), [], "0.7 mm is less than the 0.040 in that it looks for");
    let large = word(&[(7.0, E8, None, &monitor(0x3B, -400, -1000, -200))], &fail(1.2)).disagreements;
    assert_eq!(large.len(), 1);
    let pass = [(Test::KeyOffSoak, Verdict::Pass, None)];
    let out = word(&[(7.0, E8, None, &monitor(0x3C, -40, -1000, -200))], &pass).disagreements;
    assert!(out[0].controller.contains("fails: -10 Pa") && out[0].tool.starts_with("key_off_soak: pass"));
    assert_eq!(word(&[(7.0, E8, None, &monitor(0x3C, 0, 0, 0))], &pass).disagreements, [], "not run: no word");
    let ready = word(&[(7.0, E8, None, &[0x41, 0x01, 0x00, 0x07, 0x65, 0x04])], &pass).disagreements;
    assert!(ready[0].controller.contains("not complete since codes were cleared"));
}

#[test]
fn whatever_is_answered_is_taken_or_left() {
    let mut rng = 1u32;
    let mut next = || {
        rng = rng.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (rng >> 24) as u8
    };
    let mut c = Controllers::default();
    for i in 0..20_000 {
        let heads = [0x41, 0x42, 0x43, 0x46, 0x47, 0x49, 0x4A, 0x59, 0x62];
        let n = usize::from(next() & 31);
        let mut message = vec![heads[i % heads.len()]];
        message.extend((0..n).map(|_| next()));
        for who in [E8, Who::Node(0x10)] {
            let word = Word { at: Stamp::from_secs(i as f64), link: 1, who, message: message.clone(), mask: None };
            c.hear(&word, "can:can0");
        }
    }
    let all = c.beside(&graded(&[])).unwrap();
    for said in &all.controllers {
        assert!(said.monitors.len() <= MOST && said.calibrations.len() <= MOST && said.maker_tests.len() <= MOST);
    }
    serde_json::to_string(&all).unwrap();
}
