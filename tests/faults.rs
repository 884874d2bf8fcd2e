//! Faults told apart: every scenario of the simulated vehicle, judged over its whole day.
//!
//! The simulated vehicle has physics of its own; the verdicts that would not be wrong stand in its scenarios.
//! `SOAKWATCH_SEEDS` sets the seeds a scenario (2 unless said), `SOAKWATCH_ONLY` picks scenarios by a part of the
//! name, `SOAKWATCH_SHOW` prints every finding. The full table at 20 seeds runs in `.ci/run`.

use soakwatch::grade::verdict::Findings;
use soakwatch::judge::Judge;
use soakwatch::profile;
use soakwatch::record::{Body, LinkInfo, Record};
use soakwatch::sim::{self, Player};
use soakwatch::trade::{Test, Verdict};
use std::sync::Arc;

fn judge(scenario: &str, seed: u64, tap: bool) -> Findings {
    let name = if scenario.starts_with("ps-") { "pressure-sensor" } else { "switch-module" };
    let profile = Arc::new(profile::load_builtin(name).expect("built in"));
    let link = LinkInfo { kind: "sim".into(), name: scenario.into() };
    let mut judge = Judge::new(profile, &[link]);
    for (seq, (at, bytes)) in (0..).zip(Player::new(scenario, seed, tap).expect("a scenario")) {
        judge.record(&Record { at, link: 1, seq, body: Body::Bytes(bytes) });
    }
    judge.findings(scenario)
}

#[test]
fn every_scenario_gets_a_verdict_that_is_not_wrong() {
    let env = |k: &str| std::env::var(k).ok();
    let seeds: u64 = env("SOAKWATCH_SEEDS").map_or(1, |s| s.parse().expect("a number of seeds"));
    let only = env("SOAKWATCH_ONLY").unwrap_or_default();
    let show = env("SOAKWATCH_SHOW").is_some();
    let mut wrong = Vec::new();
    for s in sim::scenarios().iter().filter(|s| s.name.contains(&only)) {
        for tap in [false, true] {
            let mut given: Vec<[u32; 4]> = vec![[0; 4]; 7];
            for seed in 1..=seeds {
                let f = judge(s.name, seed, tap);
                for (i, test) in Test::ALL.iter().enumerate() {
                    let v = f.summary[test];
                    given[i][v as usize] += 1;
                    if !s.allowed(*test).contains(&v) {
                        wrong.push(format!("{} seed {seed} tap {tap} {}: {}", s.name, test.name(), v.word()));
                    }
                }
                if show {
                    println!("== {} seed {seed} tap {tap}; undecoded {}", s.name, f.undecoded);
                    for p in &f.phases {
                        println!("   {:9} {:9.1} {:9.1}", p.phase.name(), p.start_s.0, p.end_s.0);
                    }
                    for t in &f.tests {
                        println!(
                            "   {:14} {:12} {:?} {}",
                            t.test.name(),
                            t.verdict.word(),
                            t.start_s.map(|s| s.0),
                            t.reasons.join(" | ")
                        );
                        println!(
                            "        leak {:?} night {:?} withdrawn {:?} {:?}",
                            t.leak_mm, t.night_mm, t.withdrawn_by, t.evidence
                        );
                    }
                    for n in f.notices.iter().take(20) {
                        println!("   ! {n}");
                    }
                }
            }
            let cells: Vec<String> =
                given.iter().map(|g| format!("{:>2}/{:>2}/{:>2}/{:>2}", g[0], g[1], g[2], g[3])).collect();
            println!("{:22} {} {}", s.name, if tap { "tap" } else { "   " }, cells.join("  "));
        }
    }
    println!("(pass/fail/inconclusive/not_run for {})", Test::ALL.map(Test::name).join(", "));
    let _ = Verdict::Pass;
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
}
