//! A module on the tray: what the judge gives against what is true, for every scenario of the simulated tray.
//!
//! The simulated tray has a model of its own; the verdicts that would not be wrong stand in its scenarios
//! (`sim::tray::allowed`), and what is to be done with the part beside them. `SOAKWATCH_SEEDS` sets the seeds a
//! scenario; without it two are played. `SOAKWATCH_ONLY` picks scenarios by a part of the name, `SOAKWATCH_SHOW`
//! prints every finding.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod wilson;

use soakwatch::grade::verdict::{Evidence, Finding, Findings, PartVerdict};
use soakwatch::judge::Judge;
use soakwatch::profile;
use soakwatch::record::{Body, Event, LinkInfo, Record};
use soakwatch::sim::tray::{self, Fate, TrayPlayer, Unit};
use soakwatch::sim::{self, Said};
use soakwatch::trade::{Subject, Test, Verdict};
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use wilson::wilson;

/// Sizes of the hold's own table, mm.
const SIZES: [&str; 6] = ["0.10", "0.15", "0.20", "0.25", "0.40", "0.50"];

struct Outcome {
    spec: String,
    seed: u64,
    findings: Findings,
    unit: Unit,
}

fn env(name: &str) -> Option<String> {
    std::env::var(name).ok()
}

fn play(spec: &str, seed: u64) -> Outcome {
    // The bottle's size is for the person to say: the rig does not tell it.
    let sets: &[String] = if spec.contains("small-volume") { &["tray.volume_l=0.25".to_owned()] } else { &[] };
    let profile = std::sync::Arc::new(profile::load("module-on-the-tray", sets).expect("built in"));
    let link = LinkInfo { kind: "sim".into(), name: spec.to_owned() };
    let mut judge = Judge::new(profile, &[link]);
    let player = TrayPlayer::new(spec, seed, true).expect("a scenario");
    let unit = player.unit();
    for (seq, (at, said)) in (0..).zip(player) {
        let body = match said {
            Said::Bytes(bytes) => Body::Bytes(bytes),
            Said::Note(text) => Body::Event(Event::Note { note_kind: "rig".into(), text }),
        };
        judge.record(&Record { at, link: 1, seq, body });
    }
    Outcome { spec: spec.to_owned(), seed, findings: judge.findings(spec), unit }
}

fn play_all() -> Vec<Outcome> {
    let seeds: u64 = env("SOAKWATCH_SEEDS").map_or(2, |s| s.parse().expect("a number of seeds"));
    let only = env("SOAKWATCH_ONLY").unwrap_or_default();
    let mut specs: Vec<String> = tray::scenarios().iter().map(|s| s.name.to_owned()).collect();
    specs.extend(SIZES.iter().map(|s| format!("tray-leak-{s}")));
    let runs: Vec<(String, u64)> = specs
        .into_iter()
        .filter(|s| s.contains(&only))
        .flat_map(|s| (1..=seeds).map(move |n| (s.clone(), n)))
        .collect();
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::new());
    std::thread::scope(|s| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            s.spawn(|| {
                while let Some((i, (spec, seed))) =
                    Some(next.fetch_add(1, Ordering::Relaxed)).and_then(|i| Some((i, runs.get(i)?)))
                {
                    let outcome = play(spec, *seed);
                    done.lock().expect("no thread died").push((i, outcome));
                }
            });
        }
    });
    let mut done = done.into_inner().expect("no thread died");
    done.sort_by_key(|(i, _)| *i);
    done.into_iter().map(|(_, o)| o).collect()
}

fn show(o: &Outcome) {
    let f = &o.findings;
    println!("== {} seed {}; undecoded {} {:?}", o.spec, o.seed, f.undecoded, o.unit);
    for t in &f.tests {
        let from = t.start_s.map(|s| s.0);
        println!("   {:14} {:12} {from:?} {} -> {}", t.test.name(), t.verdict.word(), t.reasons.join(" | "), t.next);
        println!("        leak {:?} withdrawn {:?} {:?}", t.leak_mm, t.withdrawn_by, t.evidence);
    }
    println!("   part {:?}", f.part);
    for n in f.notices.iter().take(20) {
        println!("   ! {n}");
    }
}

fn word(fate: Fate) -> PartVerdict {
    match fate {
        Fate::Fit => PartVerdict::Fit,
        Fate::DoNotFit => PartVerdict::DoNotFit,
        Fate::Repeat => PartVerdict::Repeat,
    }
}

fn number(o: &Outcome, test: Test, name: &str) -> Option<f64> {
    let runs = o.findings.tests.iter().filter(|f| f.test == test);
    runs.rev().find_map(|f| match f.evidence.get(name) {
        Some(Evidence::Num(n)) => Some(n.0),
        _ => None,
    })
}

/// Prints how often each verdict was given; gives the wrong ones in words.
fn by_scenario(all: &[Outcome]) -> Vec<String> {
    let mut wrong = Vec::new();
    let tests = Test::of(Subject::Module);
    let mut rows: BTreeMap<&str, (Vec<[u32; 4]>, [u32; 3])> = BTreeMap::new();
    for o in all {
        let row = rows.entry(&o.spec).or_insert_with(|| (vec![[0; 4]; tests.len()], [0; 3]));
        for (i, test) in tests.iter().enumerate() {
            let v = o.findings.summary[test];
            row.0[i][v as usize] += 1;
            if !tray::allowed(&o.spec, *test).expect("a scenario").contains(&v) {
                let said = o.findings.tests.iter().find(|f| f.test == *test && f.standing() == v);
                let said = said.map_or(String::new(), |f| f.reasons.join("; "));
                wrong.push(format!("{} seed {} {}: {} ({said})", o.spec, o.seed, test.name(), v.word()));
            }
        }
        let part = o.findings.part.as_ref().expect("a module");
        row.1[part.verdict as usize] += 1;
        let (may, _) = tray::parts(&o.spec).expect("a scenario");
        if !may.iter().any(|f| word(*f) == part.verdict) {
            wrong.push(format!("{} seed {} part: {:?} ({})", o.spec, o.seed, part.verdict, part.reasons.join("; ")));
        }
    }
    println!("Each cell: what may be given (P pass, F fail, I inconclusive, N not run) and how often each was given.");
    let heads: String = tests.iter().map(|t| format!("{:15}", t.name())).collect();
    println!("{:29}{heads}part, of fit/not/repeat", "scenario");
    for (spec, (cells, part)) in &rows {
        let mut line = String::new();
        for (t, g) in tests.iter().zip(cells) {
            let may = tray::allowed(spec, *t).expect("a scenario");
            let may: String = may.iter().map(|v| ["P", "F", "I", "N"][*v as usize]).collect();
            line += &format!("{may:3} {:11}", format!("{}/{}/{}/{}", g[0], g[1], g[2], g[3]));
        }
        let (may, tells) = tray::parts(spec).expect("a scenario");
        let best = word(may[0]).word();
        println!("{spec:29}{line}{best}{} {}/{}/{}", if tells { "" } else { "?" }, part[0], part[1], part[2]);
    }
    wrong
}

/// How often each fault was called by its name, by a test that failed for it; gives the runs that did not.
fn by_cause(all: &[Outcome]) -> Vec<String> {
    let mut wrong = Vec::new();
    let mut rows: BTreeMap<&str, (u32, u32, &str)> = BTreeMap::new();
    for o in all {
        let Some((test, words)) = tray::cause(&o.spec).expect("a scenario") else { continue };
        let named = |f: &Finding| {
            f.test == test && f.standing() == Verdict::Fail && f.reasons.iter().any(|r| r.contains(words))
        };
        let told = o.findings.tests.iter().any(named)
            && o.findings.part.as_ref().is_some_and(|p| p.verdict == PartVerdict::DoNotFit);
        let row = rows.entry(&o.spec).or_insert((0, 0, words));
        row.0 += u32::from(told);
        row.1 += 1;
        if !told {
            let part = o.findings.part.as_ref().map(|p| p.reasons.join("; "));
            wrong.push(format!("{} seed {}: not called {words:?}: {part:?}", o.spec, o.seed));
        }
    }
    println!("\nFaults called by their name, the part condemned:");
    for (spec, (told, of, words)) in rows {
        println!(
            "{spec:29}{told:2} of {of}  {}: {words}",
            tray::cause(spec).expect("a scenario").expect("a fault").0.name()
        );
    }
    wrong
}

/// What a run that decides nothing must say: of a volume that is too small, its limit; of a quick hand, its stroke.
fn says(o: &Outcome) -> bool {
    let part = o.findings.part.as_ref().expect("a module");
    let reasons = part.reasons.join("; ");
    match o.spec.as_str() {
        "tray-small-volume" => {
            reasons.contains("0.25 L are too little for the known hole")
                && part.next.contains("a bottle of at least")
                && part.next.contains("this volume can size holes from")
        }
        "tray-quick-hand" => part.verdict != PartVerdict::Repeat || part.next.contains("slow"),
        _ => true,
    }
}

/// Prints given against true; gives how many numbers lay within what was promised, and of how many: the switch's two
/// points within their stated interval, the holds from 0.1 to 0.5 mm within 15 %.
fn by_number(all: &[Outcome]) -> [(u32, u32); 3] {
    let mut sums = [(0, 0); 3];
    let mut worst = [0.0_f64; 3];
    let mut sizes: BTreeMap<String, Vec<(f64, f64)>> = BTreeMap::new();
    for o in all.iter().filter(|o| !o.spec.contains("small-volume")) {
        for (i, (name, truth)) in [("closes", o.unit.closes_pa), ("reopens", o.unit.reopens_pa)].into_iter().enumerate()
        {
            let given = number(o, Test::SwitchPoint, &format!("{name}_pa"));
            let half = number(o, Test::SwitchPoint, &format!("{name}_half_pa"));
            let enough =
                number(o, Test::SwitchPoint, &format!("{}ings", ["clos", "reopen"][i])).is_some_and(|n| n >= 3.0);
            // A contact that fails for itself has no point, and no verdict on it is given.
            let speaks = o.findings.summary[&Test::SwitchCircuit] != Verdict::Fail;
            if let (Some(truth), Some(given), Some(half), true) = (truth, given, half, enough && speaks) {
                sums[i].1 += 1;
                sums[i].0 += u32::from((given - truth).abs() <= half);
                worst[i] = worst[i].max((given - truth).abs());
                if (given - truth).abs() > half {
                    println!("  {} seed {}: {name} at {given:.1} ± {half:.1} Pa, truly {truth:.1}", o.spec, o.seed);
                }
            }
        }
        if !(0.1..=0.5).contains(&o.unit.hole_mm) {
            continue;
        }
        let holds = o.findings.tests.iter().filter(|f| f.test == Test::ModuleHold);
        if holds.clone().all(|f| f.leak_mm.is_none()) {
            println!("  {} seed {}: no size", o.spec, o.seed);
            sums[2].1 += 1;
        }
        if let Some(leak) = holds.rev().find_map(|f| f.leak_mm) {
            let truth = sim::equivalent_mm(o.unit.hole_mm);
            let off = leak.best.0 / truth - 1.0;
            sums[2].1 += 1;
            sums[2].0 += u32::from(off.abs() <= 0.15);
            worst[2] = worst[2].max(off.abs());
            if off.abs() > 0.15 {
                println!("  {} seed {}: {:.3} mm, truly {truth:.3}", o.spec, o.seed, leak.best.0);
            }
            sizes.entry(format!("{:.2}", o.unit.hole_mm)).or_default().push((leak.best.0, off));
        }
    }
    println!("\nGiven against true (95 % bounds of the share within what is promised):");
    for (i, name) in ["closing point, Pa", "re-opening point, Pa", "hold, share of diameter"].into_iter().enumerate() {
        println!("{name:26} {} of {:4}, worst {:.3}", wilson(sums[i].0, sums[i].1), sums[i].1, worst[i]);
    }
    for (mm, given) in sizes {
        let n = given.len() as f64;
        let mean = given.iter().map(|g| g.0).sum::<f64>() / n;
        let worst = given.iter().map(|g| g.1.abs()).fold(0.0, f64::max);
        let truth = sim::equivalent_mm(mm.parse().expect("a number"));
        println!(
            "  hole {mm} mm, equivalent {truth:.3}: given {mean:.3} on the mean of {n}, worst {:.1} %",
            100.0 * worst
        );
    }
    sums
}

#[test]
fn the_tray_is_told_apart() {
    let all = play_all();
    if env("SOAKWATCH_SHOW").is_some() {
        all.iter().for_each(show);
    }
    let wrong = by_scenario(&all);
    let points = by_number(&all);
    let tells = |o: &&Outcome| tray::parts(&o.spec).expect("a scenario").1;
    let told = |o: &&Outcome| {
        let best = word(tray::parts(&o.spec).expect("a scenario").0[0]);
        o.findings.part.as_ref().is_some_and(|p| p.verdict == best)
    };
    let (right, of) = (all.iter().filter(tells).filter(told).count(), all.iter().filter(tells).count());
    println!("the part's best verdict, where a run should tell it: {} of {of}", wilson(right as u32, of as u32));
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
    let unnamed = by_cause(&all);
    assert!(unnamed.is_empty(), "{} faults without their name:\n{}", unnamed.len(), unnamed.join("\n"));
    let silent: Vec<String> = all.iter().filter(|o| !says(o)).map(|o| format!("{} seed {}", o.spec, o.seed)).collect();
    assert!(silent.is_empty(), "not said what limits the run, or what to repeat: {silent:?}");
    // The rest says which stroke to repeat.
    assert!(right * 100 >= of * 97, "the part's best verdict only {right} times of {of}");
    // The intervals promise 90 %; points of one unit share its transducer, so they miss together.
    for (within, of) in &points[..2] {
        assert!(within * 100 >= of * 85, "{within} of {of} switch points within what they state");
    }
    let (within, of) = points[2];
    assert!(within == of, "{within} of {of} holds within 15 %");
}
