//! Plays drawn days and keeps of each what the table counts.

use super::LIMIT_MM;
use super::twins::{Told, Trace, told_apart};
use soakwatch::grade::verdict::{Evidence, Findings};
use soakwatch::grade::{TIMER_RULE, TIMER_RULE_BECAUSE};
use soakwatch::judge::Judge;
use soakwatch::profile;
use soakwatch::record::{Body, LinkInfo, Record};
use soakwatch::sim::Player;
use soakwatch::sim::drawn::{DrawnDay, Misfit};
use soakwatch::trade::{Test, Verdict};
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

/// What is fitted to the vehicle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A switch module, heard without and with a pressure tap.
    Switch,
    /// A tank pressure sensor.
    Sensor,
}

/// What shows the vacuum.
pub const SHOWN: [&str; 3] = ["switch", "tap", "sensor"];
/// The tests that grade a leak.
pub const TESTS: [Test; 2] = [Test::KeyOffSoak, Test::VacuumDecay];

/// The true size against the limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum True {
    /// At most 0.9 times the limit.
    Sound,
    /// Between.
    Zone,
    /// At least 1.1 times the limit.
    Leaks,
}

impl True {
    pub fn of(mm: f64) -> True {
        if mm >= 1.1 * LIMIT_MM {
            True::Leaks
        } else if mm <= 0.9 * LIMIT_MM {
            True::Sound
        } else {
            True::Zone
        }
    }
}

/// One test on one day, by one of [`SHOWN`].
#[derive(Debug, Clone)]
pub struct Graded {
    /// Where it lies in [`SHOWN`].
    pub shown: usize,
    /// Where it lies in [`TESTS`].
    pub test: usize,
    pub verdict: Verdict,
    /// Where the prior was narrowed: the interval held the truth, its lower end was above the truth.
    pub sized: Option<(bool, bool)>,
    /// The timer rule.
    pub timer: Verdict,
    /// It saw the switch stay open in a soak: a week of that sets the fault.
    pub timer_counts_open: bool,
    /// Where there was such a window: the oracle could tell.
    pub oracle: Option<bool>,
}

/// A day.
#[derive(Debug, Clone)]
pub struct Day {
    pub drawn: DrawnDay,
    pub true_mm: f64,
    pub graded: Vec<Graded>,
}

/// So far lie the numbers of the vehicles with a sensor from those with a switch; a whole number of four dozens.
const SENSORS_FROM: u64 = 480_000;

/// The drawn days of these vehicles, counted from `first`; every second one with the model deliberately wrong.
pub fn play_all(kind: Kind, first: u64, of: Range<u64>) -> Vec<Day> {
    let days: Vec<DrawnDay> = of
        .map(|i| DrawnDay {
            vehicle: first + i + if kind == Kind::Sensor { SENSORS_FROM } else { 0 },
            night: 0,
            sensor: kind == Kind::Sensor,
            misfit: (i % 2 == 1).then(|| Misfit::ALL[(i / 2) as usize % Misfit::ALL.len()]),
        })
        .collect();
    // The oracle costs a day of its own: a quarter of the vehicles, by dozens, which have every misfit.
    on_all_cores(&days, |day| play(*day, ((day.vehicle - first) / 12).is_multiple_of(4)))
}

/// In the order of `of`, whichever core was first.
pub fn on_all_cores<T: Sync, U: Send>(of: &[T], f: impl Fn(&T) -> U + Sync) -> Vec<U> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(BTreeMap::new());
    std::thread::scope(|s| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            s.spawn(|| {
                while let Some((i, one)) =
                    Some(next.fetch_add(1, Ordering::Relaxed)).and_then(|i| Some((i, of.get(i)?)))
                {
                    let got = f(one);
                    done.lock().expect("no thread died").insert(i, got);
                }
            });
        }
    });
    done.into_inner().expect("no thread died").into_values().collect()
}

/// Plays and judges a day; with its twin at the limit where an oracle is asked.
pub fn play(drawn: DrawnDay, oracle: bool) -> Day {
    let true_mm = drawn.hole_mm(LIMIT_MM);
    let taps: &[bool] = if drawn.sensor { &[false] } else { &[false, true] };
    let profile = profile::load_builtin(if drawn.sensor { "pressure-sensor" } else { "switch-module" });
    let profile = Arc::new(profile.expect("built in"));
    let link = LinkInfo { kind: "sim".into(), name: "drawn".into() };
    let mut player = Player::drawn(drawn, true_mm, taps);
    let times = player.timetable();
    let mut judges: Vec<(Judge, u64)> =
        taps.iter().map(|_| (Judge::new(profile.clone(), std::slice::from_ref(&link)), 0)).collect();
    let mut own = Trace::default();
    loop {
        let more = player.go_on();
        for (i, (judge, seq)) in judges.iter_mut().enumerate() {
            while let Some((at, bytes, truth)) = player.heard(i) {
                if i == 0 {
                    own.see(truth, times);
                }
                judge.record(&Record { at, link: 1, seq: *seq, body: Body::Bytes(bytes) });
                *seq += 1;
            }
        }
        if !more {
            break;
        }
    }
    let twin = oracle.then(|| {
        let mut player = Player::drawn(drawn, LIMIT_MM, &[false]);
        let mut trace = Trace::default();
        while player.next().is_some() {
            trace.see(player.truth(), times);
        }
        trace
    });
    let mut graded = Vec::new();
    for (i, (judge, _)) in judges.into_iter().enumerate() {
        let findings = judge.findings("drawn");
        let shown = if drawn.sensor { 2 } else { i };
        // Three deviations of the noisiest reading drawn, and the step of its resolution.
        let told = twin.as_ref().map(|t| told_apart(&own, t, shown > 0, shown < 2, 20.0));
        for (test, t) in TESTS.into_iter().enumerate() {
            let oracle = told.map(|t| t[test]).filter(|t| *t != Told::Never).map(|t| t == Told::Apart);
            graded.push(grade(&findings, t, true_mm, Graded { shown, test, oracle, ..NOTHING }));
        }
    }
    Day { drawn, true_mm, graded }
}

const NOTHING: Graded = Graded {
    shown: 0,
    test: 0,
    verdict: Verdict::NotRun,
    sized: None,
    timer: Verdict::NotRun,
    timer_counts_open: false,
    oracle: None,
};

fn grade(findings: &Findings, test: Test, true_mm: f64, mut g: Graded) -> Graded {
    g.verdict = findings.summary[&test];
    let word = |f: &soakwatch::grade::verdict::Finding, key: &str| match f.evidence.get(key) {
        Some(Evidence::Text(word)) => word.clone(),
        _ => String::new(),
    };
    for f in findings.tests.iter().filter(|f| f.test == test && f.start_s.is_some()) {
        if let Some(leak) = f.leak_mm {
            let (low, high) = (leak.low.0, leak.high.0);
            if prior_belief(low, high) < NARROWED {
                // Printed with four decimals: the truth is held to the same.
                g.sized = Some((low <= true_mm + 5e-5 && true_mm - 5e-5 <= high, low > true_mm));
            }
        }
        g.timer = match word(f, TIMER_RULE).as_str() {
            "pass" => Verdict::Pass,
            "small leak" | "large leak" => Verdict::Fail,
            "no decision" => Verdict::Inconclusive,
            "" => Verdict::NotRun,
            other => panic!("the timer rule says `{other}` beside {test:?}"),
        };
        g.timer_counts_open |= word(f, TIMER_RULE_BECAUSE).contains("a week of them");
    }
    g
}

/// An interval is narrow that holds less than this share of the prior belief.
const NARROWED: f64 = 0.75;

/// The share of the prior belief, as stated, that lies from `low` to `high` mm.
fn prior_belief(low: f64, high: f64) -> f64 {
    use soakwatch::sim::drawn::{HOLE_MM, TIGHT};
    let part = |a: f64, b: f64| {
        let (from, to) = (low.clamp(a, b), high.clamp(a, b));
        libm::log(to / from) / libm::log(b / a)
    };
    let tight = if low <= 0.0 { 0.5 * TIGHT } else { 0.0 };
    tight + 0.5 * (1.0 - TIGHT) * part(HOLE_MM.0, LIMIT_MM) + 0.5 * part(LIMIT_MM, HOLE_MM.1)
}

#[test]
fn the_whole_prior_is_one_and_its_interval_is_not_narrow() {
    // By hand: from tight to the limit one half; the prior's own 90 % interval ends where one tenth of all is above it.
    assert!((prior_belief(0.0, 6.0) - 1.0).abs() < 1e-12);
    assert!((prior_belief(0.0, LIMIT_MM) - 0.5).abs() < 1e-12);
    assert!((prior_belief(0.0, LIMIT_MM * libm::pow(6.0 / LIMIT_MM, 0.8)) - 0.9).abs() < 1e-12);
}
