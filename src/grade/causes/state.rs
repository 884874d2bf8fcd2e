//! What a vehicle can be: a hole or none, and the state of three parts. Each is independent of the others before
//! anything is seen, so that two faults may be there at once, and one that is found does not clear the rest.

use super::Cause;

/// The hole to the outside that is not in a part: by the profile's limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Hole {
    /// None, or one below the limit.
    Tight,
    Small,
    /// A large leak, or the cap off.
    Large,
}

/// Switch, diaphragm and sense line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Switch {
    Sound,
    Torn,
    /// Stuck open, or an open sense circuit.
    Dead,
    /// Stuck closed, shorted, or without bias.
    Closed,
    Contacts,
    Ground,
}

/// Purge valve and its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purge {
    Sound,
    NoFlow,
    /// Seeps when shut, or is stuck open.
    Seeps,
}

/// Vent valve, its coil and its path.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Vent {
    Sound,
    /// Does not seal.
    Open,
    /// Does not open, or its path is restricted.
    Shut,
}

/// One state of the whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct State {
    pub hole: Hole,
    pub switch: Switch,
    pub purge: Purge,
    pub vent: Vent,
}

const HOLES: [(Hole, Option<Cause>); 3] =
    [(Hole::Tight, None), (Hole::Small, Some(Cause::SmallLeak)), (Hole::Large, Some(Cause::LargeLeakOrCapOff))];
const SWITCHES: [(Switch, Option<Cause>); 6] = [
    (Switch::Sound, None),
    (Switch::Torn, Some(Cause::TornDiaphragm)),
    (Switch::Dead, Some(Cause::DeadSwitch)),
    (Switch::Closed, Some(Cause::SwitchStuckClosedOrNoBias)),
    (Switch::Contacts, Some(Cause::ContactResistance)),
    (Switch::Ground, Some(Cause::SharedGroundHigh)),
];
const PURGES: [(Purge, Option<Cause>); 3] =
    [(Purge::Sound, None), (Purge::NoFlow, Some(Cause::NoPurgeFlow)), (Purge::Seeps, Some(Cause::PurgeValveSeeps))];
const VENTS: [(Vent, Option<Cause>); 3] = [
    (Vent::Sound, None),
    (Vent::Open, Some(Cause::VentStuckOpen)),
    (Vent::Shut, Some(Cause::VentStuckClosedOrRestricted)),
];

impl State {
    /// Whether this cause is there.
    pub fn has(&self, cause: Cause) -> bool {
        let causes = [
            HOLES.iter().find(|h| h.0 == self.hole).and_then(|h| h.1),
            SWITCHES.iter().find(|s| s.0 == self.switch).and_then(|s| s.1),
            PURGES.iter().find(|p| p.0 == self.purge).and_then(|p| p.1),
            VENTS.iter().find(|v| v.0 == self.vent).and_then(|v| v.1),
        ];
        match cause {
            Cause::Sound => causes.iter().all(Option::is_none),
            cause => causes.contains(&Some(cause)),
        }
    }

    /// How many faults it has.
    pub fn faults(&self) -> usize {
        Cause::ALL.iter().filter(|c| **c != Cause::Sound && self.has(**c)).count()
    }
}

/// All states of a vehicle with a switch module, or of one without, each with its probability before anything is seen.
pub(super) fn states(switch_fitted: bool) -> (Vec<State>, Vec<f64>) {
    let switches = if switch_fitted { &SWITCHES[..] } else { &SWITCHES[..1] };
    let mut all = Vec::new();
    let mut prior = Vec::new();
    for (hole, h) in HOLES {
        for (switch, s) in switches {
            for (purge, p) in PURGES {
                for (vent, v) in VENTS {
                    all.push(State { hole, switch: *switch, purge, vent });
                    prior.push(share(h, &HOLES) * share(*s, switches) * share(p, &PURGES) * share(v, &VENTS));
                }
            }
        }
    }
    (all, prior)
}

/// Prior of one fault of a part; of none: what the part's faults leave.
fn share<T>(cause: Option<Cause>, part: &[(T, Option<Cause>)]) -> f64 {
    match cause {
        Some(cause) => cause.prior(),
        None => 1.0 - part.iter().filter_map(|p| p.1).map(Cause::prior).sum::<f64>(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_prior_adds_up_and_each_cause_has_its_own_share() {
        for fitted in [true, false] {
            let (states, prior) = states(fitted);
            assert_eq!(states.len(), if fitted { 162 } else { 27 });
            assert!((prior.iter().sum::<f64>() - 1.0).abs() < 1e-12);
            for cause in Cause::of(fitted) {
                let p: f64 = states.iter().zip(&prior).filter(|(s, _)| s.has(*cause)).map(|(_, p)| p).sum();
                assert!(*cause == Cause::Sound || (p - cause.prior()).abs() < 1e-12, "{cause:?} {p}");
                assert!(p > 0.0);
            }
            assert!(states.iter().any(|s| s.faults() == if fitted { 4 } else { 3 }));
        }
    }
}
