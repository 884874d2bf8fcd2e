//! Where a controller and this program differ, in words, with what each has to show.

use super::said::{Disagreement, MonitorSaid, MonitorState, Outcome, Said};
use super::{PENDING, STORED, list};
use crate::grade::verdict::{Finding, Test, Verdict};
use crate::units::MM_PER_INCH;
use std::collections::BTreeMap;

/// Which tests here ask what these codes tell (SAE J2012, from memory).
fn tests_of(word: u16) -> &'static [Test] {
    match word {
        0x0442 | 0x0455..=0x0457 => LEAK,
        0x0441 | 0x0443..=0x0445 | 0x0458 | 0x0459 | 0x0496 | 0x0497 => &[Test::PurgeResponse],
        0x0446..=0x0449 | 0x0498 | 0x0499 | 0x2421 | 0x2422 => &[Test::VentSolenoid, Test::StartVent],
        0x0450..=0x0454 => &[Test::SwitchCircuit],
        _ => &[],
    }
}

const LEAK: &[Test] = &[Test::KeyOffSoak, Test::VacuumDecay];

/// The hole that a monitor watches for, mm, by its name in SAE J1979.
fn watched_mm(monitor: u8) -> Option<f64> {
    Some(
        MM_PER_INCH
            * match monitor {
                0x39 => 0.150,
                0x3A => 0.090,
                0x3B => 0.040,
                0x3C => 0.020,
                _ => return None,
            },
    )
}

/// What was found here.
struct Ours<'a> {
    findings: &'a [Finding],
    summary: &'a BTreeMap<Test, Verdict>,
}

impl Ours<'_> {
    fn verdict(&self, test: Test) -> Option<Verdict> {
        self.summary.get(&test).copied()
    }

    fn is(&self, test: Test, verdict: Verdict) -> bool {
        self.verdict(test) == Some(verdict)
    }

    /// The run that speaks for the test.
    fn run(&self, test: Test) -> Option<&Finding> {
        let verdict = self.verdict(test)?;
        self.findings.iter().rev().find(|f| f.test == test && f.standing() == verdict)
    }

    fn words(&self, test: Test) -> String {
        let verdict = self.verdict(test).unwrap_or(Verdict::NotRun).word();
        let Some(run) = self.run(test) else { return format!("{}: {verdict}", test.name()) };
        let window = match (run.start_s, run.end_s) {
            (Some(from), Some(to)) => format!(" ({:.0} to {:.0} s)", from.0, to.0),
            _ => String::new(),
        };
        format!("{}: {verdict}{window}: {}", test.name(), run.reasons.first().map_or("", String::as_str))
    }

    /// The hole that a test found, mm.
    fn hole_mm(&self, test: Test) -> Option<f64> {
        self.run(test)?.leak_mm.map(|l| l.best.0).filter(|mm| mm.is_finite())
    }
}

/// All differences: by controller, codes first, then what it does not store, monitors, readiness.
pub(super) fn between(
    controllers: &[Said],
    findings: &[Finding],
    summary: &BTreeMap<Test, Verdict>,
) -> Vec<Disagreement> {
    let ours = Ours { findings, summary };
    let mut all = Vec::new();
    for said in controllers {
        codes_against_passes(said, &ours, &mut all);
        monitors(said, &ours, &mut all);
        readiness(said, &ours, &mut all);
    }
    fails_without_codes(controllers, &ours, &mut all);
    all
}

fn codes_against_passes(said: &Said, ours: &Ours<'_>, all: &mut Vec<Disagreement>) {
    let mut told = Vec::new();
    for (kind, text) in [
        (
            STORED,
            "its code tells of earlier trips and its own limits, this verdict of this capture alone: a leak or fault \
             that comes and goes gives both. Repeat the test before the code is put down to the past",
        ),
        (
            PENDING,
            "its code is of this or the last trip and not yet confirmed by a second one. Repeat the test, warm and cold",
        ),
    ] {
        let Some(list) = said.codes.get(kind) else { continue };
        for code in &list.last.said {
            if told.contains(&code.word) {
                continue;
            }
            told.push(code.word);
            for test in tests_of(code.word).iter().filter(|t| ours.is(**t, Verdict::Pass)) {
                all.push(Disagreement {
                    controller: format!(
                        "controller {} at {:.0} s: {kind} {} ({})",
                        said.who, list.last.at_s.0, code.code, code.means
                    ),
                    tool: ours.words(*test),
                    text: text.to_owned(),
                });
            }
        }
    }
}

/// A test fails here, and no controller has a code for it.
fn fails_without_codes(controllers: &[Said], ours: &Ours<'_>, all: &mut Vec<Disagreement>) {
    // Who watches the vapour system speaks for all; else whoever told its codes.
    let watches = |s: &&Said| s.readiness.as_ref().is_some_and(|r| r.last.said.vapour != MonitorState::Absent);
    let tells = |s: &&Said| s.codes.contains_key(STORED);
    let Some(said) = controllers.iter().filter(tells).find(watches).or(controllers.iter().find(tells)) else {
        return;
    };
    let has = |test: Test| {
        controllers.iter().any(|s| {
            let told = [STORED, PENDING].iter().filter_map(|kind| s.codes.get(kind));
            told.flat_map(|l| &l.last.said).any(|c| tests_of(c.word).contains(&test))
        })
    };
    let tests = [Test::KeyOffSoak, Test::VacuumDecay, Test::PurgeResponse, Test::VentSolenoid, Test::SwitchCircuit];
    for test in tests.into_iter().filter(|t| ours.is(*t, Verdict::Fail) && !has(*t)) {
        let lists = [STORED, PENDING].iter().filter_map(|kind| Some((kind, said.codes.get(kind)?)));
        let lists: Vec<String> = lists.map(|(kind, l)| format!("{kind} {}", list(&l.last.said))).collect();
        let at = said.codes[STORED].last.at_s.0;
        all.push(Disagreement {
            controller: format!("controller {} at {at:.0} s: {}; none of this fault", said.who, lists.join(", ")),
            tool: ours.words(test),
            text:
                "it stores a code after its own test failed on two trips that met its conditions, which may not have \
                   come; and it may limit otherwise. No code is no proof of a sound system"
                    .to_owned(),
        });
    }
}

fn monitors(said: &Said, ours: &Ours<'_>, all: &mut Vec<Disagreement>) {
    let mut ids: Vec<u8> = said.monitors.iter().map(|m| m.id).collect();
    ids.dedup();
    for id in ids {
        let rows = || said.monitors.iter().filter(|m| m.id == id);
        let with = |outcome| rows().find(|m| m.results.last.said.result == outcome);
        let tests = match id {
            0x3C => LEAK,
            0x3D => &[Test::PurgeResponse],
            _ => &[Test::VacuumDecay],
        };
        if let Some(row) = with(Outcome::Fail) {
            for test in tests.iter().filter(|t| ours.is(**t, Verdict::Pass)) {
                all.push(Disagreement {
                    controller: row_words(said, row),
                    tool: ours.words(*test),
                    text: "its last own test was outside its limits: it may have run on another day or at another \
                           level and temperature. Repeat the test here under its conditions"
                        .to_owned(),
                });
            }
        } else if let Some(row) = with(Outcome::Pass) {
            for test in tests.iter().filter(|t| ours.is(**t, Verdict::Fail)) {
                // It looks for larger holes only, and the one found is none of those.
                let hole = ours.hole_mm(*test);
                let its_own = watched_mm(id).is_none_or(|mm| hole.map_or(id == 0x3C, |hole| hole >= mm));
                if its_own {
                    all.push(Disagreement {
                        controller: row_words(said, row),
                        tool: ours.words(*test),
                        text: "its last own test was within its limits, and may be older than the fault. Let it run \
                               again, and repeat the test here"
                            .to_owned(),
                    });
                }
            }
        }
    }
}

fn row_words(said: &Said, row: &MonitorSaid) -> String {
    let last = &row.results.last;
    let r = last.said;
    let word = if r.result == Outcome::Fail { "fails" } else { "passes" };
    format!(
        "controller {} at {:.0} s: monitor {} ({}), test {}, {word}: {} {}, limits {} to {}",
        said.who,
        last.at_s.0,
        row.monitor,
        row.watches,
        row.test,
        number(r.value.0),
        row.unit,
        number(r.low.0),
        number(r.high.0)
    )
}

/// At most four decimals, and no idle zeros.
fn number(v: f64) -> String {
    let text = format!("{v:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn readiness(said: &Said, ours: &Ours<'_>, all: &mut Vec<Disagreement>) {
    let Some(ready) = said.readiness.as_ref().filter(|r| r.last.said.vapour == MonitorState::NotComplete) else {
        return;
    };
    let decided = |t: &&Test| ours.is(**t, Verdict::Pass) || ours.is(**t, Verdict::Fail);
    let Some(test) = LEAK.iter().find(decided) else { return };
    all.push(Disagreement {
        controller: format!(
            "controller {} at {:.0} s: its vapour monitor is not complete since codes were cleared",
            said.who, ready.last.at_s.0
        ),
        tool: ours.words(*test),
        text: "it has no verdict of its own yet, so that no code and no lamp say nothing about the vapour system"
            .to_owned(),
    });
}
