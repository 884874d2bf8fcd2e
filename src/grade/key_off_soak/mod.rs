//! Key-off soak: does the switch close, or vacuum build, while the sealed tank cools?
//!
//! What counts is an edge from open to closed after sealing. Beside it stands what this night could have shown at
//! all: the largest hole that could still have closed the switch, and the smallest that would have kept it open.

mod run;
mod words;

use super::draft::{Book, Draft, Machine};
use super::{Condition, enabling};
use crate::channel::Channel;
use crate::physics::posterior::{Posterior, Prior};
use crate::physics::soak_belief::{Probe, Shown, SoakBelief};
use crate::physics::supply::SupplyTrace;
use crate::time::Stamp;
use crate::timeline::{Engine, Happening, Spoiler, SpoilerKind, SwitchState, Timeline};
use crate::trade::{Phase, Test, Verdict};

/// The machine.
#[derive(Debug, Default)]
pub struct KeyOffSoak {
    book: Book,
    run: Option<Run>,
    key_off: Option<Stamp>,
    engine_stopped: Option<Stamp>,
    /// The switch was seen to close on vacuum in this record: it works.
    seen_working: bool,
    /// The last soak of this key-off: its trace, what drove it, and when it ended.
    before: Option<Before>,
}

/// What a soak leaves to the next one of the same key-off, where the vent was open only for a moment between.
#[derive(Debug)]
struct Before {
    supply: SupplyTrace,
    drive: Vec<f64>,
    ended: Stamp,
    key_off: Option<Stamp>,
}

/// A vent that was open for longer between two soaks parts them, seconds.
const MOMENT_S: f64 = 300.0;
/// Capture time between two looks at the whole trace, seconds.
const LOOK_S: f64 = 300.0;
/// Capture time between two looks at what is believed of the hole, seconds.
const BELIEVE_S: f64 = 900.0;

/// A pressure that has not moved by this tells nothing of a hole, Pa.
const LEAST_MOVE_PA: f64 = 40.0;
/// However well a zero was seen, as much as this is left, Pa.
const LEAST_ZERO_ERROR_PA: f64 = 8.0;
/// Smaller holes are not spoken of: the ensemble does not tell them from tight.
const LEAST_MM: f64 = 0.05;
/// Capture time between two steps of the ensemble, seconds.
const ADVANCE_S: f64 = 20.0;

#[derive(Debug)]
struct Run {
    start: Stamp,
    end: Option<Stamp>,
    /// None: the record began in the soak.
    key_off: Option<Stamp>,
    seal_seen: bool,
    belief: SoakBelief,
    marked: bool,
    next: Stamp,
    first_switch: Option<SwitchState>,
    seen_open: Option<Stamp>,
    early_edge: Option<Stamp>,
    closed_at: Option<(Stamp, f64)>,
    no_bias: Option<Stamp>,
    lost: Option<Stamp>,
    cell: (f64, f64),
    deepest_pa: Option<f64>,
    highest_pa: Option<f64>,
    /// What to take off the pressure, and the error that is left, Pa.
    zero: Option<(f64, f64)>,
    spoilers: Vec<Spoiler>,
    gap: Option<(Stamp, Stamp)>,
    missed: Vec<String>,
    level_pct: Option<f64>,
    at_edge_pa: Option<f64>,
    decided: Option<(Verdict, Stamp, String)>,
    doubt: Option<(String, String)>,
    edge_bounds: Option<(f64, f64)>,
    tapped: bool,
    /// Only the supply voltage says that the vehicle is parked.
    weak: bool,
    supply: SupplyTrace,
    /// What drove the soak before of the same key-off, Pa/s, by members.
    drive: Option<Vec<f64>>,
    look: Stamp,
    looked_s: f64,
    readings: f64,
    prior: Prior,
    /// What is believed of the hole, as of the last look.
    posterior: Option<Posterior>,
    believe_at: Stamp,
    /// The belief was not enough for a verdict: not before then is it asked again.
    unsure_until: Stamp,
}

impl Machine for KeyOffSoak {
    fn test(&self) -> Test {
        Test::KeyOffSoak
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Key(turn) if turn.to == Some(false) => {
                let stopped = self.engine_stopped.filter(|_| t.key_inferred());
                self.key_off = turn.from.and(Some(stopped.unwrap_or(turn.at)));
            }
            Happening::Engine(turn) if turn.to == Some(Engine::Stopped) => {
                self.engine_stopped = turn.from.and(Some(turn.at));
            }
            Happening::Phase(turn) if turn.to == Phase::Soak => {
                let began_before = turn.from == Phase::Unknown;
                let key_off = self.key_off.filter(|_| !began_before);
                let mut run = Run::new(t, turn.at, key_off);
                run.follow(self.before.take());
                self.run = Some(run);
            }
            Happening::Phase(turn) if turn.from == Phase::Soak => self.close(t, turn.at),
            Happening::Switch(turn) => {
                self.seen_working |= turn.from == Some(SwitchState::Open) && turn.to == Some(SwitchState::Closed);
                if let Some(run) = &mut self.run {
                    run.switch(t, turn.from, turn.to, turn.at, turn.uncertainty_s);
                }
            }
            Happening::Gap { from, to } => {
                let longest = t.profile.set.soak.longest_gap_s;
                if let Some(run) = &mut self.run
                    && to.since(*from) > longest
                    && *to > run.start
                {
                    run.gap = Some((*from, *to));
                    // Nobody saw what happened meanwhile: the soak begins anew where the record does.
                    let key_off = run.key_off;
                    self.close(t, *from);
                    self.before = None;
                    let mut run = Run::new(t, *to, key_off);
                    run.follow(None);
                    self.run = Some(run);
                }
            }
            Happening::Spoiler(s) => {
                if let Some(run) = &mut self.run {
                    run.spoilers.push(s.clone());
                }
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        let working = self.seen_working;
        if let Some(run) = &mut self.run {
            run.step(t, working);
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let under_way = self.run.as_ref().filter(|r| r.worth(t, t.now())).map(|r| {
            let mut d = r.draft(t);
            d.open = true;
            d
        });
        self.book.drafts(under_way, |missed| {
            let mut reasons = missed.to_vec();
            if let Some(run) = &self.run {
                reasons.extend(run.missed.iter().cloned());
                if run.missed.is_empty() {
                    reasons.push(format!(
                        "sealed with the key off for {:.0} min so far; under {:.0} min nothing is judged",
                        t.now().since(run.start) / 60.0,
                        t.profile.set.soak.shortest_s / 60.0
                    ));
                }
            }
            if reasons.is_empty() {
                reasons.push("no stretch with the key off and the vent sealed was recorded".into());
            }
            Draft::not_run(
                Test::KeyOffSoak,
                words::rule(t),
                reasons,
                "park at 15 to 85 % fuel and record a night from before key-off",
            )
        })
    }

    fn under_way(&self, t: &Timeline) -> Option<(f64, String)> {
        let run = self.run.as_ref()?;
        if let Some((verdict, ..)) = &run.decided {
            return Some((1.0, format!("decided: {}; still recorded", verdict.word())));
        }
        let share = run.belief.tight_closes_share();
        let elapsed = t.now().since(run.start);
        let text = if share >= 0.95 {
            "a tight tank would have closed the switch by now".into()
        } else if share > 0.05 {
            format!("a tight tank would have closed it by now in {:.0} of 100 cases", share * 100.0)
        } else {
            "too little cooling yet to close the switch on a tight tank".into()
        };
        Some(((elapsed / t.profile.set.soak.open_after_s).clamp(0.0, 1.0), text))
    }

    fn conditions(&self, t: &Timeline) -> Vec<Condition> {
        conditions(t)
    }
}

impl KeyOffSoak {
    fn close(&mut self, t: &Timeline, at: Stamp) {
        let Some(mut run) = self.run.take() else { return };
        run.end = Some(at);
        run.look_again(t, self.seen_working);
        self.before = Some(Before {
            supply: std::mem::take(&mut run.supply),
            drive: run.belief.drive_pa_per_s(),
            ended: at,
            key_off: run.key_off,
        });
        if run.worth(t, at) {
            self.book.runs.push(run.draft(t));
            return;
        }
        if run.missed.is_empty() {
            self.book.missed(format!(
                "sealed with the key off for only {:.0} min; under {:.0} min nothing is judged",
                at.since(run.start) / 60.0,
                t.profile.set.soak.shortest_s / 60.0
            ));
        }
        for m in run.missed {
            self.book.missed(m);
        }
    }
}

fn conditions(t: &Timeline) -> Vec<Condition> {
    enabling::soak(&t.profile.set, t.settled_level_pct(), t.signals.get(Channel::AmbientC))
}
