//! A drive and a night of the simulated vehicle, recorded over a transport and judged; and the same day by the bench
//! adapter alone.

use soakwatch::capture::Reader;
use soakwatch::grade::verdict::Findings;
use soakwatch::judge::Judge;
use soakwatch::link::LinkSpec;
use soakwatch::profile::{Profile, load_builtin};
use soakwatch::record::{Body, Event, LinkInfo, Record};
use soakwatch::session::{Limits, Options, Session, replay};
use soakwatch::sim::Player;
use soakwatch::time::Stamp;
use soakwatch::trade::{Subject, Test, Verdict};
use soakwatch::view::json;
use std::sync::Arc;

/// A day as it was recorded and judged.
pub struct Day {
    pub link: LinkInfo,
    pub records: Vec<Record>,
    pub findings: Findings,
}

pub fn profile(scenario: &str) -> Arc<Profile> {
    Arc::new(load_builtin(if scenario.starts_with("ps-") { "pressure-sensor" } else { "switch-module" }).unwrap())
}

impl Day {
    /// By a link of the simulated vehicle's bus; a replay finds the same to the byte.
    pub fn over(link: &str, profile: &Arc<Profile>) -> Day {
        let dir = tempfile::tempdir().unwrap();
        let link = LinkSpec::parse(link).unwrap();
        let info = link.info();
        let captures = dir.path().to_owned();
        let options = Options { links: vec![link], profile: profile.clone(), captures, speed: None, last: None };
        let ended = Session::start(&options, Vec::new()).unwrap().join().unwrap();
        assert_eq!(ended.troubles, [""; 0]);
        let again = replay(&ended.dir, Limits::Stored(&[]), &mut |_| {}, &mut |_, _| {}).unwrap();
        assert_eq!(json::line(&again.findings).unwrap(), json::line(&ended.findings).unwrap());
        let records = Reader::open(&ended.dir).unwrap().map(Result::unwrap).collect();
        Day { link: info, records, findings: ended.findings }
    }

    /// By the bench adapter, with or without a pressure tap.
    pub fn bench(scenario: &str, seed: u64, tap: bool) -> Day {
        let link = LinkInfo { kind: "sim".into(), name: scenario.into() };
        let rows = Player::new(scenario, seed, tap).unwrap();
        let records: Vec<Record> =
            rows.map(|(at, bytes)| Record { at, link: 1, seq: 0, body: Body::Bytes(bytes) }).collect();
        let findings = judged(&profile(scenario), std::slice::from_ref(&link), &records);
        Day { link, records, findings }
    }

    /// This one and another as two links of one capture.
    pub fn beside(&self, other: &Day, profile: &Arc<Profile>) -> Findings {
        let second = other.records.iter().filter(|r| r.link == 1).map(|r| Record { link: 2, ..r.clone() });
        let mut all: Vec<Record> = self.records.iter().filter(|r| r.link == 1).cloned().chain(second).collect();
        all.sort_by_key(|r| r.at);
        judged(profile, &[self.link.clone(), other.link.clone()], &all)
    }

    /// Questions that were sent: when, and the message.
    pub fn asked(&self) -> Vec<(Stamp, Vec<u8>)> {
        let question = |r: &Record| {
            let message = match &r.body {
                Body::CanSent(packet) => single(packet.get(8..)?)?,
                // To a text adapter; what serial-line CAN is told this way are its commands.
                Body::Event(Event::Sent { text }) => hex(text.trim())?,
                _ => return None,
            };
            Some((r.at, message)).filter(|m| !m.1.is_empty())
        };
        self.records.iter().filter_map(question).collect()
    }
}

/// The message of a single frame: its length stands before it. Flow control is no question.
fn single(data: &[u8]) -> Option<Vec<u8>> {
    let (pci, message) = data.split_first().filter(|d| d.0 >> 4 == 0)?;
    message.get(..usize::from(*pci)).map(<[u8]>::to_vec)
}

fn hex(digits: &str) -> Option<Vec<u8>> {
    let pairs = digits.as_bytes().chunks(2);
    // Commands are no such digits.
    if digits.len() % 2 == 1 {
        return None;
    }
    pairs.map(|p| u8::from_str_radix(std::str::from_utf8(p).ok()?, 16).ok()).collect()
}

fn judged(profile: &Arc<Profile>, links: &[LinkInfo], records: &[Record]) -> Findings {
    let mut judge = Judge::new(profile.clone(), links);
    for (seq, record) in (0..).zip(records) {
        judge.record(&Record { seq, ..record.clone() });
    }
    judge.findings("day")
}

pub fn tests() -> &'static [Test] {
    Test::of(Subject::Vehicle)
}

pub fn decided(v: Verdict) -> bool {
    matches!(v, Verdict::Pass | Verdict::Fail)
}

/// Seeds from 1 on: one, or as many as `SOAKWATCH_SEEDS` says.
pub fn seeds() -> std::ops::RangeInclusive<u64> {
    1..=std::env::var("SOAKWATCH_SEEDS").map_or(1, |n| n.parse().expect("a number of seeds"))
}
