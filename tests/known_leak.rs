//! A known hole in the line: what a simulated vehicle's day over it teaches, against the simulator's own truth.
//!
//! The simulated hole's equivalent diameter is told as that of the reference orifice; the profile's tank is wrong on
//! purpose, and says how unsure it is. `SOAKWATCH_SEEDS` plays more vehicles.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use soakwatch::grade::verdict::{Findings, Range};
use soakwatch::judge::Judge;
use soakwatch::profile::{self, Profile};
use soakwatch::record::{Body, Event, LinkInfo, Record};
use soakwatch::sim::{self, Player};
use soakwatch::time::Stamp;
use soakwatch::trade::{Test, Verdict};
use std::process::{Command, Stdio};
use std::sync::Arc;

struct Truth {
    volume_l: f64,
    /// Vacuum at the flips of the contact.
    closes_pa: f64,
    reopens_pa: f64,
}

/// Days of one vehicle in one record, the adapter restarted between them, each with its note; judged, and what was true
/// at the last decay.
fn days(all: &[(&str, Option<&str>)], seed: u64, tap: bool, profile: &Arc<Profile>) -> (Findings, Truth) {
    let link = LinkInfo { kind: "sim".into(), name: "days".into() };
    let mut judge = Judge::new(profile.clone(), &[link]);
    let mut truth = Truth { volume_l: 0.0, closes_pa: 0.0, reopens_pa: f64::INFINITY };
    let (mut seq, mut begin) = (0, Stamp::ZERO);
    for (scenario, known) in all {
        if let Some(text) = known {
            let event = Event::Note { note_kind: "known_leak".into(), text: (*text).into() };
            judge.record(&Record { at: begin, link: 0, seq, body: Body::Event(event) });
            seq += 1;
        }
        let mut player = Player::new(scenario, seed, tap).unwrap();
        let mut end = begin;
        while let Some((at, bytes)) = player.next() {
            end = begin.plus(at.secs());
            judge.record(&Record { at: end, link: 1, seq, body: Body::Bytes(bytes) });
            seq += 1;
            let now = player.truth();
            if now.checking {
                truth.volume_l = now.vapour_m3 * 1e3;
                // Open only above its point, closed only below it.
                let vacuum = -now.pressure_pa;
                if now.contact_closed {
                    truth.reopens_pa = truth.reopens_pa.min(vacuum);
                } else if now.purge > 0.0 {
                    truth.closes_pa = truth.closes_pa.max(vacuum);
                }
            }
        }
        begin = end.plus(60.0);
    }
    (judge.findings("days"), truth)
}

fn seeds() -> std::ops::Range<u64> {
    let n = std::env::var("SOAKWATCH_SEEDS").map_or(6, |s| s.parse().expect("a number"));
    let first = std::env::var("SOAKWATCH_FIRST_SEED").map_or(301, |s| s.parse().expect("a number"));
    first..first + n
}

fn load(sets: &[String]) -> Arc<Profile> {
    Arc::new(profile::load("switch-module", sets).unwrap())
}

/// A tank that is up to 15 % wrong, and said to be 35 % unsure.
fn unsure_tank(seed: u64) -> Vec<String> {
    let tank = 60.0 * [0.86, 1.15, 0.93, 1.08][seed as usize % 4];
    vec![format!("vehicle.tank_l={tank}"), "vehicle.volume_spread_pct=35".to_owned()]
}

fn holds(r: Option<&Range>, truth: f64) -> Option<bool> {
    r.map(|r| r.low.0 <= truth && truth <= r.high.0)
}

/// Width of the last decay's size, mm, and whether it holds the truth.
fn sized(f: &Findings, truth: f64) -> Option<(f64, bool)> {
    let decay = f.tests.iter().rfind(|f| f.test == Test::VacuumDecay)?.leak_mm.as_ref()?;
    Some((decay.high.0 - decay.low.0, decay.low.0 <= truth && truth <= decay.high.0))
}

#[test]
fn what_is_learned_is_true_and_makes_later_days_surer() {
    let known = sim::equivalent_mm(0.5);
    let note = format!("{known:.4} mm");
    // Volume, closing and re-opening point: how often learned, and how often the interval holds the truth.
    let (mut learned, mut held) = ([0u32; 3], [0u32; 3]);
    let (mut before, mut after, mut days_n) = (0.0, 0.0, 0u32);
    let (mut old_width, mut new_width, mut truths, mut sizes) = (0.0, 0.0, 0u32, 0u32);
    for seed in seeds() {
        let old = load(&unsure_tank(seed));
        let (f, t) = days(&[("tight", None), ("leak-0.50", Some(&note))], seed, true, &old);
        let k = f.known_leak.as_ref().unwrap();
        assert_eq!((k.decays, k.tight_decays, k.refused.as_ref()), (1, 1, None), "{k:?}");
        let all = [(&k.volume_l, t.volume_l), (&k.closes_pa, t.closes_pa), (&k.reopens_pa, t.reopens_pa)];
        for (i, (range, truth)) in all.into_iter().enumerate() {
            let told = holds(range.as_ref(), truth);
            learned[i] += u32::from(told.is_some());
            held[i] += u32::from(told == Some(true));
        }
        // A leak that was put there is no fault of the vehicle.
        let over = f.tests.iter().rfind(|f| f.test == Test::VacuumDecay).unwrap();
        assert!(over.reasons.iter().any(|r| r.contains("with a known hole of 0.54 mm")), "{:?}", over.reasons);
        assert_ne!(over.standing(), Verdict::Fail);
        let level = k.level_pct.unwrap().0;
        let guess = old.set.vapour_volume_m3(Some(level)).0 * 1e3;
        before += (guess / t.volume_l - 1.0).abs();
        after += (k.volume_l.as_ref().unwrap().best.0 / t.volume_l - 1.0).abs();
        days_n += 1;
        // Another leak of the same vehicle, with the switch alone and with the tap.
        let text = soakwatch::view::learned::profile(&f, &old).unwrap();
        let new = Arc::new(Profile::from_str("learned", &text, &[]).unwrap());
        assert_eq!((new.name.as_str(), new.base.as_deref()), ("switch-module-learned", Some("switch-module")));
        assert!(new.source("vehicle.measured_l").contains("learned from days with a known hole of 0.54 mm"));
        assert_eq!(new.set.vehicle.tank_l, old.set.vehicle.tank_l);
        let truth = sim::equivalent_mm(0.7);
        let widths = [&old, &new].map(|p| sized(&days(&[("leak-0.70", None)], seed, true, p).0, truth));
        if let [Some(old), Some(new)] = widths {
            old_width += old.0;
            new_width += new.0;
            truths += u32::from(new.1);
            sizes += 1;
        }
    }
    println!("learned {learned:?}, held {held:?} of {days_n}; volume off by {before:.3} before, {after:.3} after");
    println!("another day: width {old_width:.3} before, {new_width:.3} after, holding {truths} of {sizes}");
    for i in 0..3 {
        // Nine in ten, less what so few days may miss by chance: two standard deviations.
        let n = f64::from(learned[i]);
        assert!(f64::from(held[i]) >= 0.9 * n - 2.0 * (0.09 * n).sqrt(), "{i}: {held:?} of {learned:?}");
    }
    assert!(learned[0] == days_n && learned[2] == days_n && learned[1] * 2 >= days_n, "{learned:?}");
    assert!(after < 0.5 * before, "{after} of {before}");
    assert!(sizes * 2 > days_n && new_width < 0.85 * old_width, "{new_width} of {old_width} in {sizes}");
    assert!(f64::from(truths) >= 0.9 * f64::from(sizes) - 2.0 * (0.09 * f64::from(sizes)).sqrt());
}

#[test]
fn a_vehicle_s_own_sensor_teaches_its_volume_too() {
    let sets = unsure_tank(302);
    let old = Arc::new(profile::load("pressure-sensor", &sets).unwrap());
    let note = format!("{:.4} mm", sim::equivalent_mm(0.5));
    let (f, t) = days(&[("ps-tight", None), ("ps-leak-0.50", Some(&note))], 302, false, &old);
    let k = f.known_leak.as_ref().unwrap();
    assert_eq!(holds(k.volume_l.as_ref(), t.volume_l), Some(true), "{} L: {k:?}", t.volume_l);
    assert!(k.closes_pa.is_none() && k.reopens_pa.is_none(), "it has no switch");
    let text = soakwatch::view::learned::profile(&f, &old).unwrap();
    let new = Profile::from_str("learned", &text, &[]).unwrap();
    assert_eq!((new.base.as_deref(), new.set.switch.fitted.as_str()), (Some("pressure-sensor"), "no"));
}

#[test]
fn without_enough_to_go_by_nothing_is_learned() {
    let known = sim::equivalent_mm(0.5);
    let refused = |all: &[(&str, Option<&str>)], tap, sets: &[String]| {
        let p = load(sets);
        let (f, _) = days(all, 301, tap, &p);
        assert_eq!(soakwatch::view::learned::profile(&f, &p), None, "nothing to save");
        let k = f.known_leak.unwrap();
        assert!(k.volume_l.is_none() && k.closes_pa.is_none() && k.reopens_pa.is_none());
        k.refused.unwrap()
    };
    // No tight reading.
    let alone = refused(&[("leak-0.50", Some(&format!("{known} mm")))], true, &unsure_tank(301));
    assert!(alone.starts_with("a tight reading without the known hole is needed"), "{alone}");
    // One that leaves room for a leak nearly as large.
    let weak = refused(&[("leak-0.50", Some(&format!("{known} mm, tight 0.45 mm by x")))], true, &unsure_tank(301));
    assert!(weak.contains("may be 0.45 mm"), "{weak}");
    // No decay over it.
    let none = refused(&[("tight+purge-stuck-closed", Some(&format!("{known} mm, tight 0.1 mm by x")))], true, &[]);
    assert!(none.starts_with("no vacuum decay over the known hole"), "{none}");
    // The switch alone tells no volume better than a good profile's.
    let switch = refused(&[("leak-0.50", Some(&format!("{known} mm, tight 0.1 mm by x")))], false, &[]);
    assert!(switch.starts_with("what was seen is no narrower"), "{switch}");
    // A note that nobody understands changes nothing, and says so.
    let (f, _) = days(&[("tight", Some("half a millimetre"))], 301, false, &load(&[]));
    assert_eq!(f.known_leak, None);
    assert!(f.notices.iter().any(|n| n.contains("not understood")), "{:?}", f.notices);
    // A wrong size of the hole wants a volume that no profile of this vehicle allows.
    let wrong = refused(&[("leak-0.50", Some("1.2 mm, tight 0.1 mm by x"))], true, &[]);
    assert!(wrong.contains("beyond the") || wrong.starts_with("no tank of this profile"), "{wrong}");
}

#[test]
fn through_the_program() {
    let dir = tempfile::tempdir().unwrap();
    let run = |args: &[&str]| {
        let program = env!("CARGO_BIN_EXE_soakwatch");
        let ended = Command::new(program).args(args).current_dir(dir.path()).stdin(Stdio::null()).output().unwrap();
        let text = |b: &[u8]| String::from_utf8_lossy(b).into_owned();
        (ended.status.code(), text(&ended.stdout), text(&ended.stderr))
    };
    let watch = |scenario: &str, captures: &str, more: &[&str]| {
        let link = format!("sim:{scenario},seed=304");
        let args = ["watch", "--link", &link, "--speed", "1000000", "--captures", captures];
        let told = run(&[&args, more].concat());
        let mut made = std::fs::read_dir(dir.path().join(captures)).unwrap().map(|e| e.unwrap().path());
        (told, made.next().unwrap())
    };
    let ((_, text, _), tight) = watch("tight", "a", &[]);
    assert!(!text.contains("known hole"), "{text}");
    let size = format!("{:.4}mm", sim::equivalent_mm(0.5));
    let tight = tight.strip_prefix(dir.path()).unwrap().display().to_string();
    let unsure = "vehicle.volume_spread_pct=35";
    let more = ["--known-leak", &size, "--tight", &tight, "--save-profile", "van.toml", "--set", unsure];
    let ((code, text, err), capture) = watch("leak-0.50", "b", &more);
    assert_eq!(code, Some(3), "no fault, and no pass: {text}{err}");
    assert!(text.contains("What the known hole taught is in van.toml") && text.contains("learned.toml"), "{text}");
    let saved = std::fs::read_to_string(dir.path().join("van.toml")).unwrap();
    assert_eq!(saved, std::fs::read_to_string(capture.join("learned.toml")).unwrap());
    assert!(saved.contains("extends = \"switch-module\""), "{saved}");
    // The tight day's decay was told to this one: together they know the volume better than the profile.
    assert!(saved.contains("measured_l = "), "{saved}");
    assert_eq!(run(&["profile", "check", "van.toml"]).0, Some(0));
    // The note stands in the record: graded again it is all the same.
    let capture = capture.display().to_string();
    let again = run(&["regrade", "--json", &capture]);
    let kept = std::fs::read_to_string(format!("{capture}/findings.json")).unwrap();
    assert_eq!((again.0, &again.1), (Some(3), &kept));
    assert!(kept.contains("with a known hole of 0.54 mm"), "{kept}");
    let (code, _, err) = run(&["regrade", &capture, "--save-profile", "van.toml"]);
    assert_eq!(code, Some(2));
    assert!(err.contains("van.toml is there already and is left as it is"), "{err}");
    // A capture without the note can be told of it afterwards.
    let (code, _, err) = run(&["regrade", &tight, "--known-leak", "0.5mm", "--save-profile", "no.toml"]);
    assert_eq!(code, Some(3), "{err}");
    assert!(err.contains("no.toml was not written: a tight reading"), "{err}");
}
