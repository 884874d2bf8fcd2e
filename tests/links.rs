//! The table of what each link can grade, held against the judge: simulated days of which only those channels are left
//! that the link brings. What the standard data gives, it gives only while the key is on: a parked vehicle is not asked.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use soakwatch::channel::Channel;
use soakwatch::decode::{Decoder, Item, Reading};
use soakwatch::grade::verdict::Findings;
use soakwatch::judge::Judge;
use soakwatch::link::{Cell, Fitted, Means, Need, cell};
use soakwatch::profile::{Profile, load_builtin};
use soakwatch::record::{Body, LinkInfo, Record};
use soakwatch::sim::Player;
use soakwatch::time::Stamp;
use soakwatch::trade::{Subject, Test, Verdict};
use std::sync::Arc;

/// The three wires and the lead to battery negative.
const WIRES: [Channel; 7] = [
    Channel::LeakSwitch,
    Channel::SwitchSenseV,
    Channel::SolenoidA,
    Channel::SolenoidPeakA,
    Channel::SolenoidDutyPct,
    Channel::GroundV,
    Channel::BatteryV,
];
/// SAE J1979 service 01: 0C 0D 05 0F 0B 2E 06 07 42 2F 46 33.
const STANDARD: [Channel; 12] = [
    Channel::EngineRpm,
    Channel::VehicleSpeedKph,
    Channel::CoolantC,
    Channel::IntakeAirC,
    Channel::ManifoldKpa,
    Channel::PurgeDutyPct,
    Channel::FuelTrimShortPct,
    Channel::FuelTrimLongPct,
    Channel::BatteryV,
    Channel::FuelLevelPct,
    Channel::AmbientC,
    Channel::BaroKpa,
];

fn channels(need: Need) -> &'static [Channel] {
    match need {
        Need::Key => &[Channel::Key],
        Need::Night => &[Channel::TankSkinC],
        Need::Drive => &[Channel::EngineRpm, Channel::ManifoldKpa, Channel::PurgeDutyPct, Channel::BaroKpa],
        Need::Start => &[Channel::FuelLevelPct, Channel::CoolantC, Channel::AmbientC],
        Need::Pressure => &[Channel::TankPressurePa],
        Need::Fuel => &[Channel::FuelTempC, Channel::FuelLevelPct, Channel::AmbientC],
        Need::Reach => &[Channel::TankPressurePa, Channel::BaroKpa],
    }
}

struct Day {
    profile: Arc<Profile>,
    readings: Vec<Reading>,
}

impl Day {
    fn new(scenario: &str, fitted: Fitted) -> Day {
        let name = if fitted == Fitted::Sensor { "pressure-sensor" } else { "switch-module" };
        let profile = Arc::new(load_builtin(name).unwrap());
        let link = LinkInfo { kind: "sim".into(), name: scenario.into() };
        let mut decoder = Decoder::new(profile.clone(), &[link]);
        let mut items = Vec::new();
        for (at, bytes) in Player::new(scenario, 1, true).unwrap() {
            decoder.record(&Record { at, link: 1, seq: 0, body: Body::Bytes(bytes) }, &mut items);
        }
        let reading = |i| if let Item::Reading(r) = i { Some(r) } else { None };
        Day { profile, readings: items.into_iter().filter_map(reading).collect() }
    }

    /// Judged with these channels: at any time, and only while the key is on.
    fn judged(&self, always: &[Channel], awake: &[Channel]) -> Findings {
        let all: Vec<Channel> =
            Channel::ALL.iter().copied().filter(|c| always.contains(c) || awake.contains(c)).collect();
        let link = LinkInfo { kind: "csv".into(), name: "day.csv".into() };
        let mut judge = Judge::new(self.profile.clone(), &[link]);
        let mut seq = 0;
        let mut put = |at: Stamp, line: String| {
            judge.record(&Record { at, link: 1, seq, body: Body::Bytes(line.into_bytes()) });
            seq += 1;
        };
        let heads: Vec<&str> = all.iter().map(|c| c.name()).collect();
        put(Stamp::ZERO, format!("time_s,{}\n", heads.join(",")));
        let mut on = false;
        for r in &self.readings {
            on = r.get(Channel::Key).map_or(on, |k| k > 0.5);
            let cell = |c: &Channel| {
                let there = on || always.contains(c);
                r.get(*c).filter(|_| there).map_or(String::new(), |v| v.to_string())
            };
            let cells: Vec<String> = all.iter().map(cell).collect();
            if cells.iter().any(|c| !c.is_empty()) {
                put(r.at, format!("{:.9},{}\n", r.at.secs(), cells.join(",")));
            }
        }
        judge.findings("day.csv")
    }
}

/// The base of a row: at any time, and while the key is on.
fn base(means: Means) -> (Vec<Channel>, Vec<Channel>) {
    match means {
        Means::Bench => (WIRES.to_vec(), vec![]),
        Means::Standard => (vec![], STANDARD.to_vec()),
        Means::Both => (WIRES.to_vec(), STANDARD.to_vec()),
    }
}

fn decided(v: Verdict) -> bool {
    matches!(v, Verdict::Pass | Verdict::Fail)
}

#[test]
fn what_the_table_says_can_be_graded_is_graded_and_the_rest_is_not() {
    let mut graded = 0;
    for (scenario, fitted) in [
        ("tight", Fitted::Switch),
        ("leak-0.70", Fitted::Switch),
        ("ps-tight", Fitted::Sensor),
        ("ps-leak-0.70", Fitted::Sensor),
    ] {
        let day = Day::new(scenario, fitted);
        let whole = day.judged(Channel::ALL, &[]);
        for (means, links) in Means::ALL {
            let (least, awake) = base(means);
            let mut most = least.clone();
            for test in Test::of(Subject::Vehicle) {
                if let Cell::Graded(needs) = cell(means, fitted, *test) {
                    most.extend(needs.iter().flat_map(|n| channels(*n)));
                }
            }
            let (least, most) = (day.judged(&least, &awake), day.judged(&most, &awake));
            for test in Test::of(Subject::Vehicle) {
                let (want, with, without) = (whole.summary[test], most.summary[test], least.summary[test]);
                let place = format!("{scenario} by {links}, {}: {want:?}, {with:?}, {without:?}", test.name());
                match cell(means, fitted, *test) {
                    Cell::Graded(needs) => {
                        assert_eq!(with, want, "{place}");
                        assert!(needs.is_empty() || !decided(without), "it needs less than is said: {place}");
                        assert!(!needs.is_empty() || without == want, "it needs more than is said: {place}");
                        graded += usize::from(decided(with));
                    }
                    Cell::Not(_) => assert!(!decided(with), "{place}"),
                }
            }
        }
    }
    // Of these days the table has something to say.
    assert!(graded >= 25, "{graded}");
}
