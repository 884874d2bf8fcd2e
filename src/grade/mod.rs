//! Grade: a machine a test, and a jury that applies what one says about another.

pub mod causes;
mod coil;
mod contact;
pub mod controller;
mod draft;
pub(crate) mod enabling;
mod jury;
mod key_off_soak;
mod known_leak;
mod levels;
pub(crate) mod model;
mod purge_response;
mod relief;
mod start_vent;
mod switch_circuit;
mod timer_rule;
mod tray;
mod vacuum_decay;
mod vent_path;
mod vent_solenoid;
pub mod verdict;

use crate::channel::Channel;
use crate::time::Stamp;
use crate::timeline::{Happening, TightDecays, Timeline};
use crate::trade::{Phase, Subject, Test, Verdict};
use causes::Causes;
use draft::Machine;
pub use known_leak::tight_by;
use std::collections::BTreeMap;
pub use timer_rule::{TIMER_RULE, TIMER_RULE_BECAUSE};
use verdict::{Counts, Finding, KnownHole, Part};

/// Evidence: the belief, 0 to 1, that the hole is of the limit's size or more.
pub const BELIEF: &str = "belief_at_or_above_limit";
/// Evidence: what was believed of the hole before, in words.
pub const PRIOR: &str = "prior";

/// Evidence: what showed the vacuum, `switch` or `pressure`.
pub const BY: &str = "by";
/// Evidence of a soak: what the switch did.
const SWITCH_WAS: &str = "switch_was";
const STAYED_OPEN: &str = "open throughout";
/// Evidence: belief and prior belief, 0 to 1, that the hole is of the size that is called large, or more.
const BELIEF_LARGE: &str = "belief_at_or_above_large";
const PRIOR_LARGE: &str = "prior_at_or_above_large";
/// Evidence of a decay: by how much the vacuum grew after purge was shut, Pa.
const VACUUM_GREW: &str = "vacuum_grew_pa";
/// Evidence of what rests on a switch circuit that failed: the test that voided it.
const VOIDED_BY: &str = "voided_by";
/// Evidence of a purge response: switch and pressure say the opposite.
const CONTRADICTED: &str = "switch_against_pressure";
/// Evidence of a start vent: the switch stayed closed, and has not opened since.
const STAYED_CLOSED: &str = "stayed_closed";
/// Evidence of a switch circuit: its faults; how long the line was seen without bias, s; it reads closed with the vent commanded open.
const FAULTS: &str = "faults";
const NO_BIAS_S: &str = "no_bias_s";
const CLOSED_VENTED: &str = "closed_with_the_vent_open";
/// Evidence of what ran with a hole of known size in the line, mm.
const KNOWN_LEAK_MM: &str = "known_leak_mm";
/// Evidence of a vent solenoid: what is wrong, `coil` or `not moved`; that its current was seen on and off.
const FAULT: &str = "fault";
const COIL_SEEN: &str = "current_seen_on_and_off";

/// One condition a test waits for, with its state now.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// In trade words: "fuel level 15 to 85 %".
    pub text: String,
    /// The value now, if the channel is there.
    pub value: Option<(Channel, f64)>,
    /// In the window, out of it, or not known.
    pub met: Option<bool>,
}

fn condition(text: String, value: Option<(Channel, f64)>, met: Option<bool>) -> Condition {
    Condition { text, value, met }
}

/// A window condition on one channel: in, out, or not known.
fn within(text: String, channel: Channel, value: Option<f64>, low: f64, high: f64) -> Condition {
    condition(text, value.map(|v| (channel, v)), value.map(|v| (low..=high).contains(&v)))
}

/// A condition that is missed, in words; `None` while it is met or not known.
fn missed(c: &Condition) -> Option<String> {
    (c.met == Some(false)).then(|| match c.value {
        Some((channel, v)) => format!("{} not met: it was {v:.1} {}", c.text, channel.unit()),
        None => format!("{} not met", c.text),
    })
}

/// The machines of a subject, one a test.
#[derive(Debug)]
pub struct Bench {
    subject: Subject,
    machines: Vec<Box<dyn Machine>>,
    repairs: Vec<Stamp>,
}

/// What the tests found, and one verdict each.
#[derive(Debug, Clone, PartialEq)]
pub struct Graded {
    /// Every run of every test, in the order of the tests and of time.
    pub findings: Vec<Finding>,
    /// One verdict a test.
    pub summary: BTreeMap<Test, Verdict>,
    /// Runs by verdict.
    pub counts: BTreeMap<Test, Counts>,
    /// What to do with the part; a module on the tray alone.
    pub part: Option<Part>,
}

impl Bench {
    /// The tests of what is under test.
    pub fn new(subject: Subject) -> Bench {
        let machines = Test::of(subject).iter().map(|test| machine(subject, *test)).collect();
        Bench { subject, machines, repairs: Vec::new() }
    }

    /// Something happened.
    pub fn happening(&mut self, t: &Timeline, h: &Happening) {
        if let Happening::Repair(at) = h {
            self.repairs.push(*at);
        }
        for m in &mut self.machines {
            m.happening(t, h);
        }
    }

    /// Values are new, or time passed.
    pub fn step(&mut self, t: &Timeline) {
        for m in &mut self.machines {
            m.step(t);
        }
    }

    /// What a known hole in the line taught, if there was one.
    pub fn learned(&self, t: &Timeline, findings: &[Finding]) -> Option<KnownHole> {
        self.machines.iter().find_map(|m| m.lesson()?.learned(t, findings))
    }

    /// What decays without a known hole say of the members of the ensemble.
    pub fn tight_decays(&self, t: &Timeline) -> Option<TightDecays> {
        self.machines.iter().find_map(|m| m.lesson()?.tight_decays(t))
    }

    /// All verdicts as if the record ended now.
    pub fn grade(&self, t: &Timeline) -> Graded {
        let drafts = self.machines.iter().flat_map(|m| m.drafts(t)).collect();
        let mut findings = jury::deliberate(drafts, &self.repairs);
        known_leak::mark(&mut findings, t);
        let summary = jury::summary(&mut findings, Test::of(self.subject), &self.repairs);
        let counts = jury::counts(&findings);
        let part = match self.subject {
            Subject::Vehicle => None,
            Subject::Module => Some(tray::part::judge(&t.profile, &findings, &summary)),
        };
        Graded { findings, summary, counts, part }
    }

    /// What may be wrong with the vehicle, and which test would tell most next. A module on the tray has its `part`.
    pub fn causes(&self, t: &Timeline, graded: &Graded) -> Option<Causes> {
        (self.subject == Subject::Vehicle).then(|| causes::judge(&t.profile, &graded.findings, &self.repairs))
    }

    /// For each test the run under way: how far, and what it waits for.
    pub fn under_way(&self, t: &Timeline) -> Vec<(Test, Option<(f64, String)>)> {
        self.machines.iter().map(|m| (m.test(), m.under_way(t))).collect()
    }

    /// The conditions of the tests that could run in this phase, with their state now.
    pub fn conditions(&self, t: &Timeline) -> Vec<Condition> {
        let parked = match t.phase().0 {
            Phase::KeyOff | Phase::Soak => Some(true),
            Phase::Unknown => None,
            _ => Some(false),
        };
        let now = |test| parked.is_none_or(|parked| parked == (test == Test::KeyOffSoak));
        self.machines.iter().filter(|m| now(m.test())).flat_map(|m| m.conditions(t)).collect()
    }
}

fn machine(subject: Subject, test: Test) -> Box<dyn Machine> {
    let tray = subject == Subject::Module;
    match test {
        Test::KeyOffSoak => Box::<key_off_soak::KeyOffSoak>::default(),
        Test::StartVent => Box::<start_vent::StartVent>::default(),
        Test::PurgeResponse => Box::<purge_response::PurgeResponse>::default(),
        Test::VacuumDecay => Box::<vacuum_decay::VacuumDecay>::default(),
        Test::SwitchCircuit if tray => Box::<tray::switch_circuit::SwitchCircuit>::default(),
        Test::SwitchCircuit => Box::<switch_circuit::SwitchCircuit>::default(),
        Test::VentSolenoid if tray => Box::<tray::vent_solenoid::VentSolenoid>::default(),
        Test::VentSolenoid => Box::<vent_solenoid::VentSolenoid>::default(),
        Test::Relief if tray => Box::<tray::relief::Relief>::default(),
        Test::Relief => Box::<relief::Relief>::default(),
        Test::SwitchPoint => Box::<tray::switch_point::SwitchPoint>::default(),
        Test::ModuleHold => Box::<tray::module_hold::ModuleHold>::default(),
    }
}
