//! What was heard: the jury's findings as likelihoods of the states.
//!
//! One run speaks for each test. What did not run, was withdrawn, rests on a circuit that failed, or stands against
//! another run of the same test, moves nothing. Two tests may see one event; it is counted once: the vacuum that goes
//! at key-on by the start vent, not by the solenoid again; a switch that never closed by the tests in which it should
//! have, not by the circuit again; a relief that opened by the soak's trace.

use super::state::{State, Switch};
use super::table::{self, Table};
use crate::grade::verdict::{Evidence, Finding, Verdict};
use crate::grade::{
    BELIEF, BELIEF_LARGE, BY, CLOSED_VENTED, COIL_SEEN, CONTRADICTED, FAULT, FAULTS, KNOWN_LEAK_MM, NO_BIAS_S,
    PRIOR_LARGE, STAYED_CLOSED, STAYED_OPEN, SWITCH_WAS, VACUUM_GREW, VOIDED_BY, start_vent::BIAS_RETURNED,
};
use crate::profile::Profile;
use crate::trade::Test;

/// One test's word on the states.
pub(super) struct Heard {
    pub test: Test,
    /// What it found, in words.
    pub outcome: String,
    /// Of what was found, in each state; up to a factor common to all.
    pub likelihood: Vec<f64>,
    /// Where the reasons stand.
    pub table: &'static Table,
}

/// All that the tests say.
pub(super) fn all(profile: &Profile, findings: &[&Finding], states: &[State]) -> Vec<Heard> {
    let run = |test| speaker(findings, test);
    let vented = run(Test::StartVent).and_then(|f| start_vent(f, states));
    let at_vent = vented.is_some();
    let told = [
        run(Test::KeyOffSoak).and_then(|f| soak(f, states)),
        vented,
        run(Test::PurgeResponse).and_then(|f| purge(f, states)),
        run(Test::VacuumDecay).and_then(|f| decay(f, states)),
        run(Test::SwitchCircuit).and_then(|f| circuit(profile, f, at_vent, states)),
        run(Test::VentSolenoid).and_then(|f| solenoid(profile, f, at_vent, states)),
        run(Test::Relief).and_then(|f| relief(f, states)),
    ];
    told.into_iter().flatten().collect()
}

/// Whether the leak tests that ran saw the pressure.
pub(super) fn by_pressure(findings: &[&Finding]) -> bool {
    findings.iter().any(|f| f.word(BY) == Some("pressure"))
}

/// The run that speaks for a test: the last that decided, else the last. None where they disagree.
fn speaker<'a>(findings: &[&'a Finding], test: Test) -> Option<&'a Finding> {
    let shows_leaks = matches!(test, Test::KeyOffSoak | Test::PurgeResponse | Test::VacuumDecay);
    let stands = |f: &&&Finding| {
        f.test == test
            && f.verdict != Verdict::NotRun
            && f.withdrawn_by.is_none()
            && !f.evidence.contains_key(VOIDED_BY)
            // The hole is in the line on purpose.
            && !(f.evidence.contains_key(KNOWN_LEAK_MM) && shows_leaks)
    };
    let runs: Vec<&Finding> = findings.iter().filter(stands).copied().collect();
    let of = |v| runs.iter().rev().find(|f| f.verdict == v).copied();
    match (of(Verdict::Pass), of(Verdict::Fail)) {
        (Some(_), Some(_)) => None,
        (one, other) => one.or(other).or(runs.last().copied()),
    }
}

fn number(f: &Finding, name: &str) -> Option<f64> {
    match f.evidence.get(name) {
        Some(Evidence::Num(v)) => Some(v.0),
        _ => None,
    }
}

fn of_table(f: &Finding, table: &'static Table, outcome: usize, states: &[State]) -> Heard {
    heard(f, table, table.outcomes[outcome], table.likelihood(outcome, states))
}

fn heard(f: &Finding, table: &'static Table, outcome: impl Into<String>, likelihood: Vec<f64>) -> Heard {
    Heard { test: f.test, outcome: outcome.into(), likelihood, table }
}

/// Belief, 0 to 1, that the hole is of the limit's size or more, at prior odds 1:1: the leak test's own, else what its
/// verdict promises.
fn belief(f: &Finding) -> Option<f64> {
    let own = number(f, BELIEF);
    own.or(match f.verdict {
        Verdict::Pass => Some(PROMISED),
        Verdict::Fail => Some(1.0 - PROMISED),
        _ => None,
    })
    .map(|b| b.clamp(1e-6, 1.0 - 1e-6))
}

/// A verdict on the leak is wrong no more often.
const PROMISED: f64 = 0.005;

/// The tank and, where only the switch was read, the switch. With a sound switch the belief says how much likelier a
/// leak makes what it did than a tight tank; over a switch that cannot close it stays open for certain.
fn soak(f: &Finding, states: &[State]) -> Option<Heard> {
    let looks = &table::SOAK_LOOKS;
    if f.word(BY) == Some("pressure") {
        let b = belief(f)?;
        let likelihood = |s: &State| {
            let p = looks.row(s).p;
            2.0 * (p[0] * (1.0 - b) + p[1] * b)
        };
        return Some(heard(f, looks, leaning(b), states.iter().map(likelihood).collect()));
    }
    let tight_closes = number(f, "tight_would_close_share").unwrap_or(0.5).clamp(0.05, 0.95);
    let (closed, b) = match (f.word(SWITCH_WAS)?, f.verdict) {
        // Closed, and not believed: a touched line, a fast night.
        ("closed", Verdict::Pass) => (true, belief(f)?),
        (STAYED_OPEN, _) => {
            let night = 1.0 / (2.0 - tight_closes);
            (false, belief(f).unwrap_or(night).max(0.5))
        }
        _ => return None,
    };
    let odds = b / (1.0 - b);
    // In a tank with a leak, and in a tight one.
    let (leaking, tight) = if closed { (odds.min(1.0) * tight_closes, tight_closes) } else { (1.0, 1.0 / odds) };
    let never = if closed { 0.0 } else { 1.0 };
    let likelihood = |s: &State| {
        let (tank, closes) = (looks.row(s).p, table::SWITCH_CLOSES.row(s).p);
        let moved = closes[0] * (tank[0] * tight + tank[1] * leaking) + closes[1] * never;
        // One that reads closed all the time shows no edge; that it shows none says little about this night.
        if s.switch == Switch::Closed { moved.max(0.5 * (tight + leaking)) } else { moved }
    };
    let what = if closed { "the switch closed" } else { "the switch stayed open" };
    Some(heard(f, looks, format!("{what}; {}", leaning(b)), states.iter().map(likelihood).collect()))
}

fn leaning(b: f64) -> String {
    format!("belief in a leak {}", share(b))
}

/// Never 0 or 1.
fn share(p: f64) -> String {
    match p {
        p if p > 0.999 => "over 0.999".to_owned(),
        p if p < 0.001 => "under 0.001".to_owned(),
        p => format!("{p:.3}"),
    }
}

fn start_vent(f: &Finding, states: &[State]) -> Option<Heard> {
    let outcome = match f.verdict {
        Verdict::Pass => 0,
        Verdict::Fail => 1,
        _ if f.evidence.contains_key(STAYED_CLOSED) => 2,
        _ if f.evidence.contains_key(BIAS_RETURNED) => 3,
        _ => return None,
    };
    // Seen by the pressure, the switch has no part in it.
    let by_pressure = f.evidence.contains_key("trapped_pa");
    let table = &table::START_VENT;
    let as_seen = |s: &State| State { switch: if by_pressure { Switch::Sound } else { s.switch }, ..*s };
    let likelihood = states.iter().map(|s| table.row(&as_seen(s)).p[outcome]).collect();
    Some(heard(f, table, table.outcomes[outcome], likelihood))
}

/// A vacuum that reached so far is one, though not enough, Pa.
const A_LITTLE_PA: f64 = 40.0;

fn purge(f: &Finding, states: &[State]) -> Option<Heard> {
    if !f.verdict.is_decided() || f.evidence.contains_key(CONTRADICTED) {
        return None;
    }
    let passed = f.verdict == Verdict::Pass;
    if f.word(BY) == Some("pressure") {
        let little = number(f, "deepest_pa").is_some_and(|pa| pa < -A_LITTLE_PA);
        let outcome = if passed { 0 } else { 2 - usize::from(little) };
        return Some(of_table(f, &table::PURGE_BY_PRESSURE, outcome, states));
    }
    Some(of_table(f, &table::PURGE_BY_SWITCH, usize::from(!passed), states))
}

/// That it ran at all says that there was a vacuum, which the purge response says already.
fn decay(f: &Finding, states: &[State]) -> Option<Heard> {
    let looks = &table::DECAY_LOOKS;
    if f.evidence.contains_key(VACUUM_GREW) {
        return Some(of_table(f, looks, 3, states));
    }
    let b = belief(f)?;
    let large = number(f, BELIEF_LARGE).unwrap_or(0.5 * b).min(b);
    let prior_large = number(f, PRIOR_LARGE).unwrap_or(0.25).clamp(0.01, 0.49);
    let fits = [(1.0 - b) / 0.5, (b - large) / (0.5 - prior_large), large / prior_large];
    let likelihood = |s: &State| looks.row(s).p.iter().zip(fits).map(|(p, fits)| p * fits).sum::<f64>();
    let outcome = if b > 0.5 { format!("{}, in a large one {}", leaning(b), share(large)) } else { leaning(b) };
    Some(heard(f, looks, outcome, states.iter().map(likelihood).collect()))
}

/// A line that nobody pulls up stays so for minutes; a torn row shows it so for a moment, s.
const LONG_S: f64 = 60.0;

fn circuit(profile: &Profile, f: &Finding, at_vent: bool, states: &[State]) -> Option<Heard> {
    let table: &'static Table = &table::CIRCUIT;
    let has = |fault: &str| f.word(FAULTS).is_some_and(|all| all.split(", ").any(|one| one == fault));
    // What lifts the ground disturbs all else that is read on the line, so it is named first.
    // Where the profile says that the bias sleeps, its sleep is no fault.
    let no_bias = number(f, NO_BIAS_S).is_some_and(|s| s >= LONG_S) && profile.set.sense.bias == "always";
    let outcome = match f.verdict {
        Verdict::Fail if has("ground") => 1,
        Verdict::Fail if has("stuck closed") => 2,
        // A line between its levels is no open switch; but what stands there may not be read as closed either.
        Verdict::Fail if has("contacts") => 4,
        Verdict::Fail if has("stuck open") => 3,
        Verdict::Inconclusive if f.evidence.contains_key(CLOSED_VENTED) && !at_vent => 6,
        Verdict::Pass | Verdict::Inconclusive if no_bias => 5,
        Verdict::Pass => 0,
        _ => return None,
    };
    let ground_seen = f.evidence.contains_key("ground_rise_v");
    let as_read = |s: &State| {
        let hidden = s.switch == Switch::Ground && !ground_seen;
        State { switch: if hidden { Switch::Sound } else { s.switch }, ..*s }
    };
    let likelihood = |s: &State| table.row(&as_read(s)).p[outcome];
    Some(heard(f, table, table.outcomes[outcome], states.iter().map(likelihood).collect()))
}

fn solenoid(profile: &Profile, f: &Finding, at_vent: bool, states: &[State]) -> Option<Heard> {
    let coil = if profile.set.vent.energised == "open" { &table::COIL } else { &table::COIL_SEALS };
    match f.word(FAULT) {
        Some("coil") => Some(of_table(f, coil, 1, states)),
        Some("not moved") if !at_vent => Some(of_table(f, &table::START_VENT, 1, states)),
        _ if f.evidence.contains_key(COIL_SEEN) => Some(of_table(f, coil, 0, states)),
        _ => None,
    }
}

fn relief(f: &Finding, states: &[State]) -> Option<Heard> {
    (f.verdict == Verdict::Fail).then(|| of_table(f, &table::RELIEF, 1, states))
}
