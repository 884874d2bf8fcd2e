//! Vacuum decay: sealed and purge off, how long does the vacuum stand? That sizes the hole.

mod run;
mod trace;

use super::draft::{Book, Draft, Machine, mm};
use super::enabling::{self, Start};
use super::known_leak::Lesson;
use super::{Condition, missed, model};
use crate::channel::Channel;
use crate::physics::decay_belief::DecayBelief;
use crate::time::Stamp;
use crate::timeline::{Happening, SwitchState, Timeline, Vent};
use crate::trade::{Phase, Test};
use run::Run;
use trace::Trace;

/// Pressures up to so long after purge was shut count as its start, s.
const AT_START_S: f64 = 0.1;

/// The machine.
#[derive(Debug, Default)]
pub struct VacuumDecay {
    book: Book,
    lesson: Lesson,
    pull: Option<PullSeen>,
    run: Option<Run>,
    recent: Vec<(Stamp, f64)>,
    /// Where the sensor's zero was never seen: what it read when sealed purge began, the vent having been open.
    base_pa: Option<f64>,
    /// Smoothed pressure while the vent was last open.
    open_pa: Option<f64>,
}

/// The sealed purge run that drew the vacuum.
#[derive(Debug, Clone)]
struct PullSeen {
    began: Stamp,
    closed: Option<(Stamp, f64)>,
    strength: Vec<(f64, f64)>,
    next: Stamp,
}

impl Machine for VacuumDecay {
    fn test(&self) -> Test {
        Test::VacuumDecay
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Phase(turn) => {
                if turn.from == Phase::Decay {
                    self.close(t, turn.at);
                }
                if turn.to == Phase::PurgeRun {
                    // Since it was sealed purge may have drawn already: what stood before counts.
                    self.base_pa = self.open_pa.filter(|_| t.vent_open_before(turn.at));
                    let (switch, since) = t.switch();
                    let closed = (switch == Some(SwitchState::Closed) && since >= turn.at).then_some((since, 0.1));
                    self.pull = Some(PullSeen { began: turn.at, closed, strength: Vec::new(), next: turn.at });
                } else if turn.to == Phase::Decay {
                    let pull = self.pull.take();
                    self.begin(t, turn.at, pull);
                } else {
                    self.pull = None;
                }
            }
            Happening::Switch(turn) => {
                self.lesson.edge(t, turn);
                if let Some(pull) = &mut self.pull
                    && turn.to == Some(SwitchState::Closed)
                    && turn.from == Some(SwitchState::Open)
                    && turn.at >= pull.began
                {
                    pull.closed = Some((turn.at, turn.uncertainty_s));
                }
                if let Some(run) = &mut self.run
                    && turn.to == Some(SwitchState::Open)
                    && turn.from == Some(SwitchState::Closed)
                {
                    run.reopens(turn.at, turn.uncertainty_s);
                }
            }
            Happening::Vent(turn) => {
                if let Some(run) = self.run.as_mut().filter(|r| turn.to != Some(Vent::Sealed) && r.unsealed.is_none()) {
                    run.unsealed = Some((turn.at, turn.uncertainty_s));
                }
            }
            Happening::Gap { from, .. } => {
                self.pull = None;
                // What was seen before the gap stands; what came after may be another decay.
                self.close(t, *from);
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        let now = t.now();
        self.lesson.step(t);
        if t.vent().0 == Some(Vent::Open)
            && let Some((pa, _)) = t.pressure_pa()
        {
            self.open_pa = Some(self.open_pa.map_or(pa, |o| o + 0.1 * (pa - o)));
        }
        let pressure = pressure(t, self.base_pa);
        if let Some((pa, _)) = pressure.filter(|_| self.pull.is_some() || self.run.is_some()) {
            self.recent.push((now, pa));
            if self.recent.len() > 400 {
                self.recent.drain(..200);
            }
        }
        if let Some(pull) = &mut self.pull
            && now >= pull.next
            && pull.strength.len() < 400
        {
            pull.next = now.plus(0.5);
            pull.strength.push((now.secs(), model::purge_strength(t)));
        }
        if let Some(run) = &mut self.run {
            run.step(t, pressure);
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let under_way = self.run.as_ref().filter(|r| r.missed.is_empty()).map(|r| {
            let mut d = r.draft(t);
            d.open = true;
            d
        });
        self.book.drafts(under_way, |missed| {
            let mut reasons = missed.to_vec();
            if let Some(run) = &self.run {
                reasons.extend(run.missed.iter().cloned());
            }
            if reasons.is_empty() {
                reasons.extend(start_conditions(t).iter().filter_map(super::missed));
                let shows = [Channel::LeakSwitch, Channel::SwitchSenseV, Channel::TankPressurePa];
                if !shows.iter().any(|c| t.signals.seen(*c)) {
                    reasons.push("neither the leak switch nor the tank pressure was recorded".into());
                }
                if t.vent().0.is_none() && !t.signals.seen(Channel::VentSolenoid) {
                    reasons.push("nothing tells whether the vent was sealed".into());
                }
            }
            if reasons.is_empty() {
                reasons.push("no sealed stretch with vacuum and purge off was recorded".into());
            }
            Draft::not_run(
                Test::VacuumDecay,
                rule(t),
                reasons,
                "start cold (coolant near outside air), drive until the controller seals the vent and purges, and record to the end of the hold",
            )
        })
    }

    fn under_way(&self, t: &Timeline) -> Option<(f64, String)> {
        let run = self.run.as_ref()?;
        let elapsed = t.now().since(run.start);
        let limit = t.profile.set.leak.small_mm;
        Some(match (&run.posterior, run.decided) {
            (_, Some((verdict, _))) => (1.0, format!("decided: {}; still recorded", verdict.word())),
            (Some(p), None) => (
                (2.0 * (p.p_at_least(limit) - 0.5)).abs(),
                format!(
                    "{elapsed:.0} s; {:.0} of 100 for a hole of {} or more",
                    p.p_at_least(limit) * 100.0,
                    mm(limit)
                ),
            ),
            (None, None) => (0.0, format!("{elapsed:.0} s of decay")),
        })
    }

    fn lesson(&self) -> Option<&Lesson> {
        Some(&self.lesson)
    }

    fn conditions(&self, t: &Timeline) -> Vec<Condition> {
        start_conditions(t)
    }
}

/// Tank pressure and the error of its zero, if that is known well enough to tell a depth.
fn pressure(t: &Timeline, base_pa: Option<f64>) -> Option<(f64, f64)> {
    let (pa, error) = t.pressure_pa()?;
    if t.zero_known() {
        return Some((pa, error));
    }
    base_pa.map(|base| (pa - base, model::SEALING_PA + t.pressure_noise_pa()))
}

impl VacuumDecay {
    fn begin(&mut self, t: &Timeline, at: Stamp, pull: Option<PullSeen>) {
        let p = &t.profile.set;
        let pressure = pressure(t, self.base_pa);
        let tapped = pressure.is_some();
        // Purge draws a hundred pascals a second and more: what stood before it was shut is not the start.
        let near: Vec<f64> = self
            .recent
            .iter()
            .filter(|(when, _)| (-AT_START_S / 4.0..=AT_START_S).contains(&when.since(at)))
            .map(|r| r.1)
            .collect();
        let start_pa =
            if near.is_empty() { pressure.map(|v| v.0) } else { Some(near.iter().sum::<f64>() / near.len() as f64) };
        let error = pressure.map_or(0.0, |v| v.1);
        let (switch, since) = t.switch();
        // The switch may have re-opened while the phase was being debounced.
        let reopened = (switch == Some(SwitchState::Open) && since >= at && t.switch_was_closed_before(since))
            .then_some((since, 0.1));
        if tapped {
            if start_pa.is_none_or(|pa| pa + error > -p.decay.least_vacuum_pa) {
                self.book.missed(format!(
                    "tank pressure at purge-off was {:.0} Pa; {:.0} Pa of vacuum are needed",
                    start_pa.unwrap_or(0.0),
                    p.decay.least_vacuum_pa
                ));
                return;
            }
        } else if switch != Some(SwitchState::Closed) && reopened.is_none() {
            self.book.missed("the switch was not closed at purge-off: there was no vacuum to decay".into());
            return;
        }
        let start = t.last_start();
        let all = start_conditions(t);
        let mut unknown: Vec<String> = all.iter().filter(|c| c.met.is_none()).map(|c| c.text.clone()).collect();
        if t.engine_weak() {
            unknown.push("only the supply voltage says that the engine runs, and when it started".into());
        }
        if start.is_none() {
            unknown.push("the engine's start was not recorded: whether it was cold".into());
        }
        let mut run = Run {
            start: at,
            end: None,
            tapped,
            start_pa,
            start_error_pa: t.pressure_noise_pa() * (3.0 / near.len().max(1) as f64).sqrt(),
            zero_error_pa: error,
            lowest_pa: start_pa.unwrap_or(0.0),
            belief: None,
            trace: Trace::new(at),
            means: 0,
            pending: self.recent.iter().copied().filter(|(when, _)| *when > at).collect(),
            unsealed: None,
            sealed_until: at,
            reopened,
            reopening_weighed: false,
            closed_until: None,
            next: at.plus(1.0),
            wait_s: 1.0,
            posterior: None,
            decided: None,
            leaning: None,
            missed: all.iter().filter_map(missed).collect(),
            unknown,
            pull_s: pull.as_ref().map(|pull| at.since(pull.began)),
            moving: false,
            timer_pa: None,
        };
        if run.missed.is_empty() {
            run.belief = Some(DecayBelief::new(&model::decay(t), &run.pull(pull)));
        }
        self.run = Some(run);
    }

    fn close(&mut self, t: &Timeline, at: Stamp) {
        self.recent.clear();
        let Some(mut run) = self.run.take() else { return };
        if run.missed.is_empty() {
            run.over(t, at);
            run.teach(t, &mut self.lesson);
            self.book.runs.push(run.draft(t));
        }
        for m in run.missed {
            self.book.missed(m);
        }
    }
}

/// The conditions of a start, with what was known then.
fn start_conditions(t: &Timeline) -> Vec<Condition> {
    let Some(start) = t.last_start() else { return Vec::new() };
    let known = Start {
        coolant_c: start.coolant_c,
        air_c: start.ambient_c.or(start.intake_air_c),
        at_intake: start.ambient_c.is_none(),
        level_pct: t.settled_level_pct(),
        battery_v: t.signals.get(Channel::BatteryV),
        baro_kpa: t.baro_pa().map(|b| b.0 * 1e-3),
    };
    enabling::decay(&t.profile.set, &known)
}

fn rule(t: &Timeline) -> String {
    let p = &t.profile.set;
    format!(
        "after a cold start, vent sealed, purge off: the decay sizes the hole; {} or more fails as small, {} or more as large ({}); a verdict needs a belief of {:.3}, prior odds 1:1; Cd {:.2}",
        mm(p.leak.small_mm),
        mm(p.leak.large_mm),
        t.profile.source("leak.small_mm"),
        p.leak.sure,
        p.model.discharge_cd
    )
}
