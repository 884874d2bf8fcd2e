//! Causes: which fault would explain all that the tests found together, how sure that is, and which test would tell
//! most next.
//!
//! It takes the jury's findings and nothing else: verdicts, typed evidence, the leak tests' own beliefs. A vehicle is
//! a hole or none and the state of three parts ([`state`]); each test moves the belief in those states by a table
//! ([`table`]), or by its own posterior where it has one ([`heard`]). No verdict depends on it.

mod bayes;
mod heard;
mod next;
mod state;
mod table;

use super::verdict::{Finding, Num, Verdict};
use crate::profile::Profile;
use crate::time::Stamp;
use crate::trade::Test;
use bayes::{entropy_bits, log_odds, posterior};
use heard::Heard;
use serde::Serialize;
use state::State;

/// What can be wrong, or nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// None of the others.
    Sound,
    /// A hole from the profile's small to its large limit.
    SmallLeak,
    /// A hole beyond that, or the cap off.
    LargeLeakOrCapOff,
    /// The switch's diaphragm is torn: it leaks and does not close.
    TornDiaphragm,
    /// The switch never closes, or its circuit is open.
    DeadSwitch,
    /// The line reads closed whatever the vacuum: stuck, shorted, or without bias.
    SwitchStuckClosedOrNoBias,
    /// Worn contacts or corroded terminals.
    ContactResistance,
    /// High resistance in the ground that switch and solenoid share.
    SharedGroundHigh,
    /// Purge draws nothing: valve stuck closed, or its line blocked.
    NoPurgeFlow,
    /// The purge valve leaks when shut, or is stuck open.
    PurgeValveSeeps,
    /// The vent does not seal.
    VentStuckOpen,
    /// The vent does not open: stuck, its coil dead, or its path restricted.
    VentStuckClosedOrRestricted,
}

impl Cause {
    /// All, in the order of the table.
    pub const ALL: [Cause; 12] = [
        Cause::Sound,
        Cause::SmallLeak,
        Cause::LargeLeakOrCapOff,
        Cause::NoPurgeFlow,
        Cause::PurgeValveSeeps,
        Cause::VentStuckOpen,
        Cause::VentStuckClosedOrRestricted,
        Cause::TornDiaphragm,
        Cause::DeadSwitch,
        Cause::SwitchStuckClosedOrNoBias,
        Cause::ContactResistance,
        Cause::SharedGroundHigh,
    ];

    /// Those of a vehicle with a switch module, or of one without.
    pub fn of(switch_fitted: bool) -> &'static [Cause] {
        if switch_fitted { &Cause::ALL } else { &Cause::ALL[..7] }
    }

    /// Probability before anything is seen, of a vehicle that somebody had reason to test. Own estimate: no survey of
    /// such vehicles is known. That a sound vehicle is likeliest is what most nights show; leaks and caps come before
    /// valves, and valves before the module's own faults (common practice). For [`Cause::Sound`] it is what the others
    /// leave.
    pub fn prior(self) -> f64 {
        match self {
            Cause::Sound => 0.0,
            Cause::SmallLeak => 0.10,
            Cause::LargeLeakOrCapOff => 0.08,
            Cause::NoPurgeFlow => 0.03,
            Cause::PurgeValveSeeps => 0.04,
            Cause::VentStuckOpen => 0.02,
            Cause::VentStuckClosedOrRestricted => 0.03,
            Cause::TornDiaphragm | Cause::DeadSwitch | Cause::SwitchStuckClosedOrNoBias | Cause::ContactResistance => {
                0.02
            }
            Cause::SharedGroundHigh => 0.01,
        }
    }

    /// The fixed name.
    pub fn name(self) -> &'static str {
        match self {
            Cause::Sound => "sound",
            Cause::SmallLeak => "small_leak",
            Cause::LargeLeakOrCapOff => "large_leak_or_cap_off",
            Cause::NoPurgeFlow => "no_purge_flow",
            Cause::PurgeValveSeeps => "purge_valve_seeps",
            Cause::VentStuckOpen => "vent_stuck_open",
            Cause::VentStuckClosedOrRestricted => "vent_stuck_closed_or_restricted",
            Cause::TornDiaphragm => "torn_diaphragm",
            Cause::DeadSwitch => "dead_switch",
            Cause::SwitchStuckClosedOrNoBias => "switch_stuck_closed_or_no_bias",
            Cause::ContactResistance => "contact_resistance",
            Cause::SharedGroundHigh => "shared_ground_high",
        }
    }

    /// In trade words.
    pub fn words(self) -> &'static str {
        match self {
            Cause::Sound => "sound",
            Cause::SmallLeak => "small leak",
            Cause::LargeLeakOrCapOff => "large leak or cap off",
            Cause::NoPurgeFlow => "no purge flow",
            Cause::PurgeValveSeeps => "purge valve seeps",
            Cause::VentStuckOpen => "vent stuck open",
            Cause::VentStuckClosedOrRestricted => "vent stuck closed or restricted",
            Cause::TornDiaphragm => "torn diaphragm",
            Cause::DeadSwitch => "dead switch",
            Cause::SwitchStuckClosedOrNoBias => "switch stuck closed, shorted or without bias",
            Cause::ContactResistance => "contact resistance",
            Cause::SharedGroundHigh => "shared ground high",
        }
    }
}

/// One cause and its probability.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Probability {
    /// Which.
    pub cause: Cause,
    /// That it is there, alone or beside others, 0 to 1.
    pub p: Num,
}

/// What moved the belief in a cause most.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MovedBy {
    /// Which cause.
    pub cause: Cause,
    /// The test.
    pub test: Test,
    /// What it found, in words.
    pub outcome: String,
    /// By how much the logarithm of the cause's odds would differ without it, nats.
    pub log_odds: Num,
    /// The same in words.
    pub words: String,
    /// Why it would look so, by the table, and who says so.
    pub because: String,
}

/// A test that could be done next.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextTest {
    /// Its name.
    pub test: &'static str,
    /// What it is expected to tell of what is wrong, bits.
    pub bits: Num,
    /// What it takes until it has told, minutes.
    pub minutes: f64,
    /// What to do.
    pub what: &'static str,
    /// Where the minutes come from.
    pub minutes_source: &'static str,
}

/// The test to do next.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Choice {
    /// Its name.
    pub test: &'static str,
    /// Why that one.
    pub why: String,
}

/// What may be wrong, and how to find out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Causes {
    /// The likeliest first. Two faults may be there at once, so these need not add up to one; `sound` and "at least one
    /// fault" do.
    pub probabilities: Vec<Probability>,
    /// Probability of two faults or more at once.
    pub several_at_once: Num,
    /// For each cause that was moved: by what most.
    pub moved_by: Vec<MovedBy>,
    /// Uncertainty left, bits.
    pub open_bits: Num,
    /// What can be done next, that which tells most first.
    pub next: Vec<NextTest>,
    /// Which of them to do.
    pub choice: Option<Choice>,
    /// What must be repaired before a leak test that rests on it can tell anything.
    pub repair_first: Option<String>,
    /// What was believed before, with its source.
    pub prior: String,
}

impl Causes {
    /// Some test has moved the belief.
    pub fn moved(&self) -> bool {
        !self.moved_by.is_empty()
    }

    /// The causes that are worth a word: those of this probability or more, and at least one.
    pub fn likely(&self) -> impl Iterator<Item = &Probability> {
        self.probabilities.iter().enumerate().filter(|(i, p)| *i == 0 || p.p.0 >= LIKELY).map(|(_, p)| p)
    }
}

/// A cause of this probability is told to people.
pub const LIKELY: f64 = 0.05;
/// What moves the odds by less than a tenth moves nothing, nats.
const MOVES: f64 = 0.1;
/// A cause that is less likely than this, and was not likelier before, is not spoken of among what moved.
const SPOKEN_OF: f64 = 0.005;

/// From all findings of a vehicle. Those from before the last repair tell of another vehicle.
pub(super) fn judge(profile: &Profile, findings: &[Finding], repairs: &[Stamp]) -> Causes {
    let fitted = profile.set.switch.fitted == "yes";
    let (states, prior) = state::states(fitted);
    let last = repairs.iter().max().map_or(f64::NEG_INFINITY, |r| r.secs());
    let now: Vec<&Finding> = findings.iter().filter(|f| f.start_s.is_some_and(|s| s.0 >= last)).collect();
    let heard = heard::all(profile, &now, &states);
    let rows = |but: Option<usize>| -> Vec<f64> {
        let likelihoods: Vec<&[f64]> =
            heard.iter().enumerate().filter(|(i, _)| Some(*i) != but).map(|(_, h)| h.likelihood.as_slice()).collect();
        posterior(&prior, &likelihoods)
    };
    let p = rows(None);
    let of = |cause: Cause, p: &[f64]| -> f64 {
        states.iter().zip(p).filter(|(s, _)| s.has(cause)).map(|(_, p)| p).sum::<f64>().clamp(0.0, 1.0)
    };
    let mut probabilities: Vec<Probability> =
        Cause::of(fitted).iter().map(|c| Probability { cause: *c, p: Num(of(*c, &p)) }).collect();
    probabilities.sort_by(|a, b| b.p.0.total_cmp(&a.p.0).then(a.cause.cmp(&b.cause)));
    let without: Vec<Vec<f64>> = (0..heard.len()).map(|i| rows(Some(i))).collect();
    let moved_by = probabilities
        .iter()
        .filter_map(|Probability { cause, p }| {
            if p.0.max(of(*cause, &prior)) < SPOKEN_OF {
                return None;
            }
            most_moving(&heard, &without, |row| log_odds(p.0) - log_odds(of(*cause, row)))
                .map(|(h, by)| moved(*cause, h, by, &states))
        })
        .collect();
    let circuit = now.iter().rev().find(|f| f.test == Test::SwitchCircuit && f.standing() == Verdict::Fail);
    let repair_first = circuit.map(|f| {
        format!("repair the switch circuit first ({}): until then no leak verdict can rest on the switch", f.next)
    });
    let by_pressure = !fitted || heard::by_pressure(&now);
    let told: Vec<Test> = heard.iter().map(|h| h.test).collect();
    let next = next::rank(&states, &p, fitted, by_pressure, circuit.is_some(), &told);
    let open_bits = entropy_bits(&p);
    Causes {
        choice: next::choose(&next, open_bits),
        several_at_once: Num(states.iter().zip(&p).filter(|(s, _)| s.faults() > 1).map(|(_, p)| p).sum()),
        probabilities,
        moved_by,
        open_bits: Num(open_bits),
        next,
        repair_first,
        prior: prior_words(fitted, of(Cause::Sound, &prior), heard.is_empty()),
    }
}

/// The evidence whose absence would change most, if it changes enough.
fn most_moving<'a>(
    heard: &'a [Heard],
    without: &[Vec<f64>],
    change: impl Fn(&[f64]) -> f64,
) -> Option<(&'a Heard, f64)> {
    let all = heard.iter().zip(without).map(|(h, row)| (h, change(row)));
    // The first of equals, so that the order is fixed.
    let most = all.fold(None, |best: Option<(&Heard, f64)>, (h, by)| match best {
        Some((_, before)) if by.abs() <= before.abs() => best,
        _ => Some((h, by)),
    });
    most.filter(|(_, by)| by.abs() >= MOVES)
}

fn moved(cause: Cause, h: &Heard, by: f64, states: &[State]) -> MovedBy {
    let times = libm::exp(by.abs());
    let times = if times >= 9.5 { format!("{times:.0}") } else { format!("{times:.1}") };
    let words = match by > 0.0 {
        true => format!("raised the odds {times}-fold"),
        false => format!("cut the odds {times}-fold"),
    };
    // The row of the state that has this cause alone.
    let row = states.iter().find(|s| s.has(cause) && s.faults() <= 1).map(|s| h.table.row(s));
    let because = row.map_or(String::new(), |r| format!("{} ({})", r.why, r.source));
    MovedBy { cause, test: h.test, outcome: h.outcome.clone(), log_odds: Num(by), words, because }
}

fn prior_words(fitted: bool, sound: f64, nothing: bool) -> String {
    let mut parts = vec![format!("sound {sound:.2}")];
    let faults = Cause::of(fitted).iter().filter(|c| **c != Cause::Sound);
    parts.extend(faults.map(|c| format!("{} {:.2}", c.words(), c.prior())));
    let unmoved = if nothing { "nothing moved it yet: the probabilities are this prior. " } else { "" };
    format!(
        "{unmoved}{} (own estimate for a vehicle that there is reason to test; no survey is known)",
        parts.join(", ")
    )
}

#[cfg(test)]
mod tests;
