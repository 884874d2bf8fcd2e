//! The 90 % interval of the decay's size, by true size: it must hold the truth about nine times in ten for every hole
//! from none to 2 mm, not only on average over all of them.
//!
//! Whole days of the simulated vehicle, whose physics is not the judge's, are judged; the truth is the simulator's
//! equivalent orifice. Without `SOAKWATCH_SEEDS` a few seeds are played and only gross faults can show; with it, as many
//! seeds a size, and each size with 40 days or more is held to its bounds. `SOAKWATCH_FIRST_SEED` cuts a long run into
//! parts.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use soakwatch::judge::Judge;
use soakwatch::profile;
use soakwatch::record::{Body, LinkInfo, Record};
use soakwatch::sim::{self, Player};
use soakwatch::trade::{Test, Verdict};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

/// True sizes, µm; 0 is tight.
const SIZES_UM: [u32; 13] = [0, 50, 100, 150, 200, 300, 400, 500, 600, 700, 1000, 1500, 2000];
/// What shows the vacuum: the switch alone, a pressure tap beside it, the vehicle's own sensor.
const SHOWN: [&str; 3] = ["switch", "tap", "sensor"];
/// The limit, mm equivalent: 0.020 in, 13 CCR 1968.2 (e)(4), from memory.
const LIMIT_MM: f64 = 0.508;

#[derive(Clone, Copy)]
struct Day {
    um: u32,
    shown: usize,
    seed: u64,
}

struct Size {
    verdict: Verdict,
    truth: f64,
    low: f64,
    best: f64,
    high: f64,
}

fn env(name: &str) -> Option<u64> {
    std::env::var(name).ok().map(|s| s.parse().expect("a number"))
}

/// The decay of one day; `None` where none was sized.
fn play(day: Day) -> Option<Size> {
    let mm = f64::from(day.um) * 1e-3;
    let sensor = SHOWN[day.shown] == "sensor";
    let spec = format!("{}leak-{mm:.2}", if sensor { "ps-" } else { "" });
    let profile = profile::load_builtin(if sensor { "pressure-sensor" } else { "switch-module" }).expect("built in");
    let link = LinkInfo { kind: "sim".into(), name: spec.clone() };
    let mut judge = Judge::new(Arc::new(profile), &[link]);
    let player = Player::new(&spec, day.seed, SHOWN[day.shown] == "tap").expect("a scenario");
    for (seq, (at, bytes)) in player.enumerate() {
        judge.record(&Record { at, link: 1, seq: seq as u64, body: Body::Bytes(bytes) });
    }
    let findings = judge.findings(&spec);
    let f = findings.tests.into_iter().rfind(|f| f.test == Test::VacuumDecay && f.leak_mm.is_some())?;
    let leak = f.leak_mm.as_ref()?;
    let truth = if day.um == 0 { 0.0 } else { sim::equivalent_mm(mm) };
    Some(Size { verdict: f.verdict, truth, low: leak.low.0, best: leak.best.0, high: leak.high.0 })
}

fn play_all(days: &[Day]) -> Vec<Option<Size>> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(BTreeMap::new());
    std::thread::scope(|s| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            s.spawn(|| {
                loop {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    let Some(day) = days.get(i) else { break };
                    let size = play(*day);
                    done.lock().expect("no thread died").insert(i, size);
                }
            });
        }
    });
    done.into_inner().expect("no thread died").into_values().collect()
}

#[derive(Default)]
struct Row {
    days: u32,
    sized: u32,
    held: u32,
    below: u32,
    above: u32,
    verdicts: [u32; 3],
    best: Vec<f64>,
    width: Vec<f64>,
}

fn middle(v: &mut [f64]) -> f64 {
    v.sort_by(f64::total_cmp);
    v.get(v.len() / 2).copied().unwrap_or(f64::NAN)
}

#[test]
fn the_interval_holds_the_truth_at_every_size() {
    let seeds = env("SOAKWATCH_SEEDS");
    let first = env("SOAKWATCH_FIRST_SEED").unwrap_or(1);
    let mut days = Vec::new();
    for seed in first..first + seeds.unwrap_or(2) {
        for (i, um) in SIZES_UM.into_iter().enumerate() {
            // Short runs take what shows the vacuum in turn.
            let shown = (0..SHOWN.len()).filter(|s| seeds.is_some() || (i + seed as usize) % SHOWN.len() == *s);
            days.extend(shown.map(|shown| Day { um, shown, seed }));
        }
    }
    let mut rows: BTreeMap<(usize, u32), Row> = BTreeMap::new();
    let mut wrong = Vec::new();
    for (day, size) in days.iter().zip(play_all(&days)) {
        let row = rows.entry((day.shown, day.um)).or_default();
        row.days += 1;
        let Some(s) = size else { continue };
        row.sized += 1;
        row.held += u32::from(s.low <= s.truth && s.truth <= s.high);
        row.below += u32::from(s.truth > s.high);
        row.above += u32::from(s.truth < s.low);
        row.best.push(s.best);
        row.width.push(s.high - s.low);
        row.verdicts[(s.verdict as usize).min(2)] += 1;
        let false_pass = s.verdict == Verdict::Pass && s.truth >= 0.65;
        if false_pass || (s.verdict == Verdict::Fail && s.truth < 0.4) {
            wrong.push(format!("{} of {} µm, seed {}: {}", SHOWN[day.shown], day.um, day.seed, s.verdict.word()));
        }
    }
    println!("shown   mm    truth  days sized  held  share  high<truth low>truth  best  width  pass/fail/inconclusive");
    let (mut held, mut sized) = (0, 0);
    for ((shown, um), row) in &mut rows {
        let mm = f64::from(*um) * 1e-3;
        println!(
            "{:7} {mm:.2}  {:.3} {:5} {:5} {:5} {:5.1} %  {:9} {:9}  {:.3}  {:.3}  {}/{}/{}",
            SHOWN[*shown],
            if *um == 0 { 0.0 } else { sim::equivalent_mm(mm) },
            row.days,
            row.sized,
            row.held,
            100.0 * f64::from(row.held) / f64::from(row.sized.max(1)),
            row.below,
            row.above,
            middle(&mut row.best),
            middle(&mut row.width),
            row.verdicts[0],
            row.verdicts[1],
            row.verdicts[2],
        );
        held += row.held;
        sized += row.sized;
    }
    println!("all: {held} of {sized} held; limit {LIMIT_MM} mm");
    assert!(wrong.is_empty(), "wrong verdicts:\n{}", wrong.join("\n"));
    assert!(sized * 2 >= days.len() as u32, "only {sized} of {} decays were sized", days.len());
    assert!(held * 100 >= sized * 80, "{held} of {sized} intervals held the truth");
    for ((shown, um), row) in &rows {
        if row.sized >= 40 {
            assert!(row.held * 100 >= row.sized * 85, "{} at {um} µm: {} of {}", SHOWN[*shown], row.held, row.sized);
        }
    }
}
