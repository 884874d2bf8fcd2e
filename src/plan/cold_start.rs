//! The drive in the morning: from when on the coolant is near enough to the air, and when best to start.

use super::Night;
use crate::grade::enabling::{self, Start};
use crate::grade::{Condition, verdict::Secs};
use serde::Serialize;

/// Grid of the search, s.
const STEP_S: f64 = 60.0;

/// When a start would meet all conditions of a vacuum decay, seconds since key-off; nulls where it never would.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ColdStart {
    /// From here on if the engine cools as slowly as the profile allows.
    pub from_s: Option<Secs>,
    /// Until here, or the end of the plan.
    pub to_s: Option<Secs>,
    /// When the air, and the fuel behind it, is coolest within that: then vapour hides a leak least.
    pub best_s: Option<Secs>,
    /// From here on if it cools as quickly as the profile allows.
    pub perhaps_from_s: Option<Secs>,
}

/// Coolant through the night.
pub(super) struct Coolant {
    /// By the shortest and the longest lag, every [`STEP_S`].
    steps: Vec<[f64; 2]>,
}

impl Coolant {
    /// °C by the shortest and the longest lag, `s` seconds after key-off.
    pub(super) fn at(&self, s: f64) -> [f64; 2] {
        let last = self.steps.len() - 1;
        self.steps[((s / STEP_S).round().max(0.0) as usize).min(last)]
    }
}

/// Coolant at key-off, °C.
pub(super) fn coolant_c(night: &Night<'_>) -> f64 {
    night.coolant_c.unwrap_or(night.profile.set.plan.coolant_c)
}

/// Follows the outside air by either lag: Newton's law of cooling.
pub(super) fn coolant(night: &Night<'_>) -> Coolant {
    let plan = &night.profile.set.plan;
    let keep = [plan.coolant_lag_low_s, plan.coolant_lag_high_s].map(|lag| libm::exp(-STEP_S / lag));
    let mut now = [coolant_c(night); 2];
    let n = (night.weather.long_s() / STEP_S).ceil() as u32;
    let steps = (0..=n).map(|i| {
        let s = f64::from(i) * STEP_S;
        if i > 0 {
            let air = night.weather.ambient_c(s - 0.5 * STEP_S);
            now = [0, 1].map(|k| air + (now[k] - air) * keep[k]);
        }
        now
    });
    Coolant { steps: steps.collect() }
}

/// The conditions of a start `s` seconds after key-off, for an engine that cools slowly.
pub(super) fn conditions(night: &Night<'_>, s: f64) -> Vec<Condition> {
    start(night, s, coolant(night).at(s)[1])
}

fn start(night: &Night<'_>, s: f64, coolant_c: f64) -> Vec<Condition> {
    let known = Start {
        coolant_c: Some(coolant_c),
        air_c: Some(night.weather.ambient_c(s)),
        at_intake: false,
        level_pct: night.level_pct,
        battery_v: None,
        baro_kpa: night.baro_kpa_at(s),
    };
    enabling::decay(&night.profile.set, &known)
}

/// The longest stretch in which no condition is known to fail.
pub(super) fn find(night: &Night<'_>) -> ColdStart {
    let coolant = coolant(night);
    let met = |s: f64, by: usize| start(night, s, coolant.at(s)[by]).iter().all(|c| c.met != Some(false));
    let n = (night.weather.long_s() / STEP_S) as u32;
    let times = || (0..=n).map(|i| f64::from(i) * STEP_S);
    let mut stretches: Vec<(f64, f64)> = Vec::new();
    for s in times().filter(|s| met(*s, 1)) {
        match stretches.last_mut().filter(|(_, to)| s - *to <= 1.5 * STEP_S) {
            Some(stretch) => stretch.1 = s,
            None => stretches.push((s, s)),
        }
    }
    let longest = stretches.iter().copied().max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)));
    let best = longest.and_then(|(from, to)| {
        let within = times().filter(|s| (from..=to).contains(s));
        // The last of equals: the fuel follows the air by hours.
        within.min_by(|a, b| night.weather.ambient_c(*a).total_cmp(&night.weather.ambient_c(*b)).then(b.total_cmp(a)))
    });
    ColdStart {
        from_s: longest.map(|l| Secs(l.0)),
        to_s: longest.map(|l| Secs(l.1)),
        best_s: best.map(Secs),
        perhaps_from_s: times().find(|s| met(*s, 0)).map(Secs),
    }
}
