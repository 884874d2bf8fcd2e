//! The next test: what each that could be done is expected to tell, and what it takes.

use super::bayes::information_bits;
use super::state::State;
use super::table::{self, Table};
use super::{Choice, NextTest};
use crate::grade::verdict::Num;
use crate::trade::Test;

/// What one can do.
struct Step {
    test: &'static str,
    minutes: f64,
    source: &'static str,
    what: &'static str,
    /// Needs a switch module.
    module: bool,
    /// Cannot be trusted while the switch's circuit is at fault, unless the pressure is tapped.
    rests_on_switch: bool,
    outcomes: fn(&[State], bool) -> Vec<Vec<f64>>,
}

const OWN: &str = "own estimate";
const USUAL: &str = "common practice";

/// In the order in which equals are told.
const STEPS: [Step; 13] = [
    Step {
        test: "cap_and_seal",
        minutes: 5.0,
        source: USUAL,
        what: "look at cap, seal and filler neck; refit the cap until it clicks",
        module: false,
        rests_on_switch: false,
        outcomes: |s, _| table::CAP.all(s),
    },
    Step {
        test: "switch_circuit_at_the_plug",
        minutes: 15.0,
        source: OWN,
        what: "power off, module unplugged: the line must rise to its pull-up and fall when bridged to ground; measure the ground's drop with the solenoid on",
        module: true,
        rests_on_switch: false,
        outcomes: |s, _| table::PLUG.all(s),
    },
    Step {
        test: "vent_click",
        minutes: 5.0,
        source: USUAL,
        what: "turn the key on and off and listen at the vent valve",
        module: false,
        rests_on_switch: false,
        outcomes: |s, _| table::CLICK.all(s),
    },
    Step {
        test: "purge_valve_by_hand",
        minutes: 20.0,
        source: OWN,
        what: "a hand pump on the purge valve's line with the key off: it must hold; with the engine warm it must be felt to draw",
        module: false,
        rests_on_switch: false,
        outcomes: |s, _| table::PURGE_BY_HAND.all(s),
    },
    Step {
        test: "vacuum_by_hand",
        minutes: 25.0,
        source: OWN,
        what: "vent sealed, key off: draw some 500 Pa by hand at the service port, and watch pressure and switch for a minute",
        module: false,
        rests_on_switch: false,
        outcomes: |s, _| table::VACUUM_BY_HAND.all(s),
    },
    Step {
        test: "start_vent",
        minutes: 10.0,
        source: OWN,
        what: "key on while a vacuum is trapped: after a soak that closed the switch, or a sealed hold",
        module: false,
        rests_on_switch: true,
        outcomes: |s, _| table::START_VENT.all(s),
    },
    Step {
        test: "purge_response",
        minutes: 40.0,
        source: OWN,
        what: "drive after a cold start until the controller seals the vent and purges",
        module: false,
        rests_on_switch: true,
        outcomes: |s, by_pressure| purge(by_pressure).all(s),
    },
    Step {
        test: "vacuum_decay",
        minutes: 45.0,
        source: OWN,
        what: "drive after a cold start until a sealed purge and its hold are over",
        module: false,
        rests_on_switch: true,
        outcomes: purge_then_decay,
    },
    Step {
        test: "pinch_purge_line",
        minutes: 55.0,
        source: OWN,
        what: "pinch the purge line at the tank's side once the vacuum is drawn, and repeat the vacuum decay",
        module: false,
        rests_on_switch: true,
        outcomes: |s, _| table::PINCH.all(s),
    },
    Step {
        test: "module_on_the_tray",
        minutes: 45.0,
        source: OWN,
        what: "take the module off and try it on the tray",
        module: true,
        rests_on_switch: false,
        outcomes: |s, _| table::TRAY.all(s),
    },
    Step {
        test: "relief_on_the_tray",
        minutes: 45.0,
        source: OWN,
        what: "the same for the reliefs and their path",
        module: true,
        rests_on_switch: false,
        outcomes: |s, _| table::RELIEF.all(s),
    },
    Step {
        test: "leak_search",
        minutes: 60.0,
        source: USUAL,
        what: "a leak search with smoke or inert gas by a licensed shop, under the pressure limit of the service information",
        module: false,
        rests_on_switch: false,
        outcomes: |s, _| table::LEAK_SEARCH.all(s),
    },
    Step {
        test: "key_off_soak",
        minutes: 600.0,
        source: "a night",
        what: "park it once more and record the night",
        module: false,
        rests_on_switch: true,
        outcomes: soak,
    },
];

fn purge(by_pressure: bool) -> &'static Table {
    if by_pressure { &table::PURGE_BY_PRESSURE } else { &table::PURGE_BY_SWITCH }
}

/// What a hold looks like, and what comes out of it: decided as it looks, or not. A switch alone decides fewer (own
/// estimate). By columns: a pass, no decision, a small leak, a large leak, a vacuum that grew.
const DECAY_BY_PRESSURE: [[f64; 5]; 4] =
    [[0.95, 0.05, 0.0, 0.0, 0.0], [0.0, 0.15, 0.85, 0.0, 0.0], [0.0, 0.05, 0.05, 0.90, 0.0], [0.0, 0.0, 0.0, 0.0, 1.0]];
const DECAY_BY_SWITCH: [[f64; 5]; 4] =
    [[0.6, 0.4, 0.0, 0.0, 0.0], [0.05, 0.65, 0.25, 0.05, 0.0], [0.0, 0.35, 0.05, 0.60, 0.0], [0.6, 0.4, 0.0, 0.0, 0.0]];

/// Without a vacuum there is nothing to hold.
fn purge_then_decay(states: &[State], by_pressure: bool) -> Vec<Vec<f64>> {
    let purge = purge(by_pressure);
    let results = if by_pressure { &DECAY_BY_PRESSURE } else { &DECAY_BY_SWITCH };
    let drawn = purge.likelihood(0, states);
    let mut all: Vec<Vec<f64>> = (1..purge.outcomes.len()).map(|o| purge.likelihood(o, states)).collect();
    for result in 0..5 {
        let chance = |(s, drawn): (&State, &f64)| {
            drawn * table::DECAY_LOOKS.row(s).p.iter().zip(results).map(|(p, row)| p * row[result]).sum::<f64>()
        };
        all.push(states.iter().zip(&drawn).map(chance).collect());
    }
    all
}

/// Half of the nights can tell a tight tank (own estimate); a leak is rarely shown by one.
fn soak(states: &[State], by_pressure: bool) -> Vec<Vec<f64>> {
    let closes = |s: &State| if by_pressure { 1.0 } else { table::SWITCH_CLOSES.row(s).p[0] };
    let passes = |s: &State| closes(s) * table::SOAK_LOOKS.row(s).p[0] * 0.5;
    let fails = |s: &State| closes(s) * table::SOAK_LOOKS.row(s).p[1] * if by_pressure { 0.15 } else { 0.02 };
    let passed: Vec<f64> = states.iter().map(passes).collect();
    let failed: Vec<f64> = states.iter().map(fails).collect();
    let rest = passed.iter().zip(&failed).map(|(p, f)| 1.0 - p - f).collect();
    vec![passed, failed, rest]
}

/// All that can be done, what tells most first; equals by what they take.
pub(super) fn rank(
    states: &[State],
    p: &[f64],
    fitted: bool,
    by_pressure: bool,
    circuit_failed: bool,
    told: &[Test],
) -> Vec<NextTest> {
    let can = |s: &&Step| (fitted || !s.module) && !(s.rests_on_switch && circuit_failed && !by_pressure);
    let mut next: Vec<NextTest> = STEPS
        .iter()
        .filter(can)
        .map(|s| NextTest {
            test: s.test,
            bits: Num({
                let fresh = information_bits(p, &(s.outcomes)(states, by_pressure));
                if told.iter().any(|t| t.name() == s.test) { REPEATED * fresh } else { fresh }
            }),
            minutes: s.minutes,
            what: s.what,
            minutes_source: s.source,
        })
        .collect();
    next.sort_by(|a, b| b.bits.0.total_cmp(&a.bits.0).then(a.minutes.total_cmp(&b.minutes)));
    next
}

/// What a repeat tells of what a fresh test would: in half of the cases, the rest of which tell nothing, what brought the
/// first outcome brings it again whatever the vehicle is. Such an erasure takes just that share of the information. Own
/// estimate.
const REPEATED: f64 = 0.5;

/// Less than this is not worth the way, bits.
const WORTH: f64 = 0.15;

/// The most bits a minute among those that tell at least a quarter as much as the best: a look at the cap comes before
/// an hour of work, but not a step that tells next to nothing.
pub(super) fn choose(next: &[NextTest], open_bits: f64) -> Option<Choice> {
    let best = next.first().filter(|n| n.bits.0 >= WORTH)?;
    let rate = |n: &NextTest| n.bits.0 / n.minutes;
    let chosen = next
        .iter()
        .filter(|n| n.bits.0 >= (0.25 * best.bits.0).max(WORTH))
        .fold(best, |chosen, n| if rate(n) > rate(chosen) { n } else { chosen });
    let mut why = format!(
        "of {open_bits:.2} bit that are open it is expected to tell {:.2} in {:.0} min",
        chosen.bits.0, chosen.minutes
    );
    if chosen.test == best.test {
        why += ", more than any other";
    } else {
        why += &format!(
            "; {} would tell {:.2} and take {:.0} min",
            best.test.replace('_', " "),
            best.bits.0,
            best.minutes
        );
    }
    Some(Choice { test: chosen.test, why })
}

#[cfg(test)]
pub(super) fn tables(states: &[State]) -> Vec<(&'static str, Vec<Vec<f64>>)> {
    let both = |s: &Step| [false, true].map(|tap| (s.test, (s.outcomes)(states, tap)));
    STEPS.iter().flat_map(both).collect()
}
