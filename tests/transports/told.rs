//! What the simulated controllers are asked over CAN frames, recorded, judged and graded again: the controller's own word
//! in the findings is what the vehicle keeps. With `SOAKWATCH_BUS_CAPTURE` the capture is left there with every message
//! of the conversation, for `tests/reference/read_by_tshark.py`.

use serde_json::{Value, json};
use soakwatch::capture::{Reader, SessionFile, Writer};
use soakwatch::judge::Judge;

use soakwatch::poll::{Address, Heard, Question, Talk, To};
use soakwatch::profile;
use soakwatch::record::{Body, LinkInfo, Record};
use soakwatch::sim::Player;
use soakwatch::sim::bus::{Outing, Standard};
use soakwatch::time::Stamp;
use soakwatch::trade::{Test, Verdict};
use soakwatch::view::json;
use soakwatch::wire::ask::Request;
use soakwatch::wire::can_frame::{Frame, Id};
use std::path::Path;
use std::sync::Arc;

const VIN: &str = "HARB0URLANEVAN002";

/// A conversation with the engine controller, and all of it as records.
struct Van {
    outing: Outing,
    talk: Talk,
    engine: Address,
    records: Vec<Record>,
    /// Requests and answers, as (sent, message).
    messages: Vec<(bool, Vec<u8>)>,
}

impl Van {
    fn new(scenario: &str, standard: Standard) -> Van {
        let id = if standard == Standard::Can29 { Id::Extended(0x18DA_F110) } else { Id::Standard(0x7E8) };
        Van {
            outing: Outing::new(scenario, 1, standard, &[]).unwrap(),
            talk: Talk::with_flow(2, 1),
            engine: Address::Can(id),
            records: Vec::new(),
            messages: Vec::new(),
        }
    }

    fn until(&mut self, s: f64) {
        while self.outing.next(Stamp::from_secs(s)).is_some() {}
    }

    fn record(&mut self, at: Stamp, frame: &Frame, sent: bool) {
        let mut packet = Vec::new();
        frame.encode(&mut packet);
        let body = if sent { Body::CanSent(packet) } else { Body::Can(packet) };
        self.records.push(Record { at, link: 1, seq: 0, body });
    }

    fn ask(&mut self, request: Request) {
        self.messages.push((true, request.bytes()));
        self.talk.ask(&Question { request, to: To::One(self.engine) }).unwrap();
        let until = self.outing.now().plus(0.3);
        loop {
            while let Some(frame) = self.talk.poll() {
                let now = self.outing.now();
                self.record(now, &frame, true);
                self.outing.frame(now, &frame);
            }
            let Some((at, frame)) = self.outing.next(until) else { break };
            self.record(at, &frame, false);
            if let Some(Heard::Answer { message, .. }) = self.talk.frame(at, &frame) {
                let later = message.ends_with(&[0x78]) && message[0] == 0x7F;
                self.messages.push((false, message));
                if !later {
                    break;
                }
            }
        }
        self.talk.over();
    }

    fn snapshot(&mut self, newer: bool) {
        let did = |id: u16| Request::Dids(vec![id]);
        let all = if newer {
            vec![
                did(0xF802),
                did(0xF804),
                did(0xF806),
                did(0xF808),
                Request::EmissionCodes(0x08),
                Request::EmissionCodes(0x04),
                Request::EmissionPermanent,
                did(0xF401),
                did(0xF441),
                did(0xF639),
                did(0xF63B),
                did(0xF63C),
                did(0xF63D),
                did(0xF190),
                Request::Snapshots([0x04, 0x56, 0x00]),
            ]
        } else {
            let mut all = vec![
                Request::Info(0x02),
                Request::Info(0x04),
                Request::Info(0x06),
                Request::Info(0x08),
                Request::Info(0x0A),
                Request::Stored,
                Request::Pending,
                Request::Permanent,
                Request::Live(vec![0x01]),
                Request::Live(vec![0x41]),
                Request::Live(vec![0x05, 0x0C, 0x0D, 0x2F]),
                Request::CodesByStatus(0x0D),
            ];
            all.extend([0x39, 0x3B, 0x3C, 0x3D].map(Request::Monitor));
            all.extend([0x02, 0x05, 0x0C, 0x2F].map(Request::Frozen));
            all.push(did(0xF190));
            all
        };
        all.into_iter().for_each(|r| self.ask(r));
    }

    /// Judges what was recorded, live and from a capture in `dir`; both must give the same bytes.
    fn findings(&mut self, dir: &Path) -> Value {
        let profile = Arc::new(profile::load_builtin("switch-module").unwrap());
        let links = vec![LinkInfo { kind: "can".into(), name: "can0".into() }];
        let mut live = Judge::new(profile.clone(), &links);
        let session = SessionFile::new(1_769_839_200_000_000_000, links.clone(), toml::Table::new());
        let mut writer = Writer::create(dir, &session).unwrap();
        writer.append(&mut self.records).unwrap();
        self.records.iter().for_each(|r| live.record(r));
        let mut again = Judge::new(profile, &links);
        for record in Reader::open(dir).unwrap() {
            again.record(&record.unwrap());
        }
        let text = json::line(&live.findings("van")).unwrap();
        assert_eq!(json::line(&again.findings("van")).unwrap(), text);
        assert!(!text.contains(VIN), "the number is masked");
        let mut shown = live.findings("van");
        shown.show_vin();
        assert!(json::line(&shown).unwrap().contains(VIN));
        serde_json::from_str(&text).unwrap()
    }
}

/// A day in the words of the van's one controller.
fn day(scenario: &str, standard: Standard, dir: &Path) -> (Value, Van) {
    let mut van = Van::new(scenario, standard);
    van.until(70.0);
    van.snapshot(standard == Standard::J1979_2);
    let (_, _, end) = van.outing.timetable();
    van.until(end - 152.0);
    van.snapshot(standard == Standard::J1979_2);
    let f = van.findings(dir);
    assert_eq!(f["undecoded"], 0, "{standard:?}");
    assert_eq!(f["controller"]["controllers"].as_array().unwrap().len(), 1, "{standard:?}");
    (f["controller"]["controllers"][0].clone(), van)
}

#[test]
fn the_van_is_what_it_says_by_every_way_of_asking() {
    for standard in [Standard::Can11, Standard::Can29, Standard::J1979_2] {
        let scratch = tempfile::tempdir().unwrap();
        let dir = match std::env::var_os("SOAKWATCH_BUS_CAPTURE") {
            Some(dir) => Path::new(&dir).join(format!("{standard:?}")),
            None => scratch.path().join("van"),
        };
        let (said, van) = day("leak-0.80", standard, &dir);
        assert_eq!(said["vin"], "*************N002", "{standard:?}");
        let ids: Vec<_> = said["calibrations"].as_array().unwrap().iter().map(|c| c["id"].clone()).collect();
        assert_eq!(ids, [json!("HLC-ENGINE-0007"), json!("HLC-VAPOUR-0003")], "{standard:?}");
        assert_eq!(said["calibrations"][0]["cvn"], "1791BC82");
        // By the morning's check it has a code of the very small leak that it did not have in the evening.
        let pending = &said["codes"]["pending"];
        assert_eq!(pending["first"]["said"], json!([]), "{standard:?}");
        let code = json!([{"code": "P0456", "means": "vapour system, very small leak"}]);
        assert_eq!(pending["last"]["said"], code, "{standard:?}");
        assert_eq!(said["readiness"]["first"]["said"]["vapour"], "not_complete");
        assert_eq!(said["readiness"]["last"]["said"]["vapour"], "complete");
        assert_eq!(said["in_use"]["last"]["said"]["completed"], 1);
        let rows = said["monitors"].as_array().unwrap();
        let row = rows.iter().find(|m| m["monitor"] == "3C" && m["test"] == "83").unwrap();
        assert_eq!(
            (&row["first"]["said"]["result"], &row["last"]["said"]["result"]),
            (&json!("not_run"), &json!("fail"))
        );
        assert_eq!((&row["unit"], &row["watches"]), (&json!("s"), &json!("leak of 0.020 in")));
        let row = rows.iter().find(|m| m["monitor"] == "3B").unwrap();
        assert_eq!(row["last"]["said"]["result"], "pass", "0.8 mm is less than 0.040 in");
        let frame = if standard == Standard::J1979_2 {
            assert_eq!((said["snapshots"].as_array().unwrap().len(), &said["freeze_frame"]), (1, &Value::Null));
            let frame = &said["snapshots"][0];
            assert_eq!((&frame["record"], &frame["unread"]), (&json!("00"), &json!(0)));
            assert_eq!(frame["values"].as_object().unwrap().len(), 13, "{frame}");
            frame
        } else {
            assert_eq!(said["name"], "ECM-EngineControl");
            &said["freeze_frame"]
        };
        assert_eq!(frame["code"]["code"], "P0456");
        assert!(frame["values"]["fuel_level_pct"].as_f64().unwrap() > 10.0);
        if std::env::var_os("SOAKWATCH_BUS_CAPTURE").is_some() {
            let hex = |m: &Vec<u8>| m.iter().map(|b| format!("{b:02x}")).collect::<String>();
            let all: Vec<_> = van.messages.iter().map(|(sent, m)| json!({"sent": sent, "bytes": hex(m)})).collect();
            std::fs::write(dir.join("messages.json"), serde_json::to_vec(&all).unwrap()).unwrap();
        }
    }
}

#[test]
fn a_tight_van_has_nothing_to_tell() {
    let scratch = tempfile::tempdir().unwrap();
    let (said, _) = day("tight", Standard::Can11, &scratch.path().join("van"));
    for kind in ["stored", "pending", "permanent"] {
        assert_eq!(said["codes"][kind]["last"]["said"], json!([]), "{kind}");
    }
    assert_eq!(said["freeze_frame"], Value::Null);
    assert!(said["monitors"].as_array().unwrap().iter().all(|m| m["last"]["said"]["result"] != "fail"));
}

/// A bench adapter on a tight van beside the CAN of one with a hole: the verdicts are those of the bench alone, and the
/// difference is said with both sides.
#[test]
fn what_a_controller_says_changes_no_verdict() {
    let scratch = tempfile::tempdir().unwrap();
    let (_, van) = day("leak-0.80", Standard::Can11, &scratch.path().join("van"));
    let profile = Arc::new(profile::load_builtin("switch-module").unwrap());
    let links = ["bench", "can"].map(|kind| LinkInfo { kind: kind.into(), name: "x".into() });
    let (mut alone, mut beside) = (Judge::new(profile.clone(), &links), Judge::new(profile, &links));
    let day = Player::new("tight", 1, true).unwrap();
    let end = day.timetable().2;
    let mut words = van.records.iter().peekable();
    let mut told = 0;
    for (at, bytes) in day {
        let row = Record { at, link: 1, seq: 0, body: Body::Bytes(bytes) };
        alone.record(&row);
        while let Some(word) = words.next_if(|w| w.at <= at) {
            told += 1;
            beside.record(&Record { link: 2, ..word.clone() });
        }
        beside.record(&row);
    }
    assert!(told > 150 && end > 3600.0, "{told}");
    let (alone, beside) = (alone.findings("x"), beside.findings("x"));
    assert_eq!(alone.summary[&Test::VacuumDecay], Verdict::Pass);
    assert_eq!((alone.summary, alone.counts), (beside.summary, beside.counts));
    assert_eq!(alone.controller, None);
    let differ = beside.controller.unwrap().disagreements;
    for d in &differ {
        println!("{}\n  {}\n  {}", d.controller, d.tool, d.text);
    }
    let code = differ.iter().find(|d| d.controller.contains("pending P0456")).unwrap();
    assert!(code.tool.contains(": pass ("), "{code:?}");
    assert!(differ.iter().any(|d| d.controller.contains("monitor 3C (leak of 0.020 in), test 83, fails")));
}
