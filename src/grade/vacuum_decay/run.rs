//! One decay: what was seen of it, what is believed of the hole, and how that is told.

use super::trace::{Mean, Trace};
use super::{PullSeen, rule};
use crate::channel::Channel;
use crate::grade::draft::{Draft, mm};
use crate::grade::known_leak::Lesson;
use crate::grade::{BELIEF_LARGE, BY, PRIOR_LARGE, VACUUM_GREW, timer_rule};
use crate::physics::decay_belief::{DecayBelief, Pull, Seen};
use crate::physics::posterior::{Posterior, Prior};
use crate::time::Stamp;
use crate::timeline::{SwitchState, Timeline};
use crate::trade::{Test, Verdict};
use std::collections::VecDeque;

#[derive(Debug)]
pub(super) struct Run {
    pub(super) start: Stamp,
    pub(super) end: Option<Stamp>,
    pub(super) tapped: bool,
    pub(super) start_pa: Option<f64>,
    /// Half-width of the error of `start_pa` by noise.
    pub(super) start_error_pa: f64,
    pub(super) zero_error_pa: f64,
    pub(super) lowest_pa: f64,
    pub(super) belief: Option<DecayBelief>,
    pub(super) trace: Trace,
    /// Means of pressure that the belief was given.
    pub(super) means: u32,
    /// Pressures that may have been seen after the vent had opened: that is told some time later.
    pub(super) pending: VecDeque<(Stamp, f64)>,
    /// The vent opened, or was no longer known, at this moment or so many seconds earlier: nothing later counts.
    pub(super) unsealed: Option<(Stamp, f64)>,
    /// The vent is known to have been sealed up to here.
    pub(super) sealed_until: Stamp,
    pub(super) reopened: Option<(Stamp, f64)>,
    pub(super) reopening_weighed: bool,
    /// The switch was seen closed up to here.
    pub(super) closed_until: Option<Stamp>,
    pub(super) next: Stamp,
    pub(super) wait_s: f64,
    pub(super) posterior: Option<Posterior>,
    pub(super) decided: Option<(Verdict, Stamp)>,
    /// The verdict the last look would have given: two looks must agree.
    pub(super) leaning: Option<Verdict>,
    pub(super) missed: Vec<String>,
    pub(super) unknown: Vec<String>,
    pub(super) pull_s: Option<f64>,
    pub(super) moving: bool,
    /// Pressure when the timer rule's own time was over.
    pub(super) timer_pa: Option<f64>,
}

impl Run {
    pub(super) fn pull(&self, pull: Option<PullSeen>) -> Pull {
        let mut out = Pull {
            off_s: self.start.secs(),
            edge_error_s: 0.1,
            pressure_at_off_pa: self.start_pa.filter(|_| self.tapped),
            pressure_error_pa: self.zero_error_pa,
            start_error_pa: self.start_error_pa,
            ..Pull::default()
        };
        if let Some(pull) = pull {
            out.began_s = Some(pull.began.secs());
            if let Some((at, u)) = pull.closed {
                out.closed_s = Some(at.secs() - 0.5 * u);
                out.edge_error_s = (0.5 * u).max(0.05);
            }
            out.strength = pull.strength;
            // And by as much as the pull went on or the decay began within the error of its end.
            let pull_s = self.start.since(pull.began).max(0.5);
            let drawn = self.start_pa.unwrap_or(0.0).abs() / pull_s * out.edge_error_s;
            out.start_error_pa = (self.start_error_pa * self.start_error_pa + drawn * drawn).sqrt();
        }
        out
    }

    pub(super) fn step(&mut self, t: &Timeline, pressure: Option<(f64, f64)>) {
        let now = t.now();
        if let Some((pa, _)) = pressure.filter(|_| self.tapped) {
            self.pending.push_back((now, pa));
        }
        self.sealed(t, now.plus(-seen_late_s(t)));
        self.moving |= t.signals.get(Channel::VehicleSpeedKph).is_some_and(|v| v > 2.0);
        if self.reopened.is_none() && self.unsealed.is_none() && t.switch_raw() == Some(SwitchState::Closed) {
            self.closed_until = Some(now);
        }
        let reopened = !self.tapped && self.reopened().is_some();
        if self.decided.is_none() && if reopened { !self.reopening_weighed } else { now >= self.next } {
            self.reopening_weighed = reopened;
            self.weigh(t, now);
            // Later moments tell less: the next look comes after half the time gone by.
            self.wait_s = (now.since(self.start) * 0.5).max(1.0);
            self.next = now.plus(self.wait_s);
        }
    }

    /// The switch re-opened, it seems by itself.
    pub(super) fn reopens(&mut self, at: Stamp, uncertainty_s: f64) {
        if self.reopened.is_none() && self.unsealed.is_none() {
            self.reopened = Some((at, uncertainty_s));
        }
    }

    /// The vent was still sealed at `until`: what was seen up to then counts.
    pub(super) fn sealed(&mut self, t: &Timeline, until: Stamp) {
        let until = self.unsealed.map_or(until, |(at, u)| until.min(at.plus(-u)));
        self.sealed_until = self.sealed_until.max(until);
        while let Some((at, pa)) = self.pending.pop_front_if(|(at, _)| *at <= self.sealed_until) {
            let mean = self.trace.add(at, pa);
            self.lowest_pa = self.trace.last().map_or(self.lowest_pa, |pa| self.lowest_pa.min(pa));
            if self.timer_pa.is_none() && at.since(self.start) >= t.profile.set.timer.fall_s {
                self.timer_pa = self.trace.last();
            }
            self.believe(t, mean);
        }
    }

    /// No more will be seen.
    pub(super) fn over(&mut self, t: &Timeline, at: Stamp) {
        self.end = Some(at);
        self.sealed(t, at);
        let rest = self.trace.rest();
        self.believe(t, rest);
        self.weigh(t, at);
    }

    fn believe(&mut self, t: &Timeline, mean: Option<Mean>) {
        if let (Some(belief), Some(mean)) = (&mut self.belief, mean) {
            belief.pressure(mean.at_s, mean.pa, mean.lasted_s, t.pressure_noise_pa());
            self.means += 1;
        }
    }

    /// The re-opening, once it is sure that no opened vent had brought it.
    fn reopened(&self) -> Option<(Stamp, f64)> {
        self.reopened.filter(|(at, _)| *at <= self.sealed_until)
    }

    fn closed_until(&self) -> Option<Stamp> {
        self.closed_until.map(|at| at.min(self.sealed_until)).filter(|at| *at > self.start)
    }

    /// What the switch has shown, where it is all that shows the vacuum; `None` while that is nothing.
    fn shown(&self) -> Option<Option<Seen>> {
        if self.tapped {
            Some(None)
        } else if let Some((at, u)) = self.reopened() {
            Some(Some(Seen::Reopened { at_s: at.secs() - 0.5 * u, error_s: (0.5 * u).max(0.05) }))
        } else {
            self.closed_until().map(|until| Some(Seen::StillClosed { until_s: until.secs() }))
        }
    }

    /// What a decay that was seen whole teaches of the vehicle, with a known hole in the line or without one.
    pub(super) fn teach(&mut self, t: &Timeline, lesson: &mut Lesson) {
        let end = self.end.unwrap_or(t.now());
        let known = |at| t.known_leaks().at(at).map(|k| k.mm);
        let over = known(self.start).is_some() && known(self.start) == known(end);
        let never = t.known_leaks().within(self.start, end).is_none();
        let passed = self.decided.is_some_and(|d| d.0 == Verdict::Pass);
        let whole = if self.tapped { self.means >= 3 } else { self.reopened().is_some() || passed };
        let Some(switch) = self.shown().filter(|_| whole && self.doubt(t).is_none()) else { return };
        let own_mm = self.posterior.as_ref().map_or(0.0, |p| p.interval().1);
        match &mut self.belief {
            Some(belief) if over => lesson.decay(t, belief, switch.as_slice()),
            Some(belief) if never && passed => lesson.tight_decay(belief, switch.as_slice(), own_mm),
            _ => {}
        }
    }

    /// Weighs all that was seen by `now`, and decides when it is sure.
    fn weigh(&mut self, t: &Timeline, now: Stamp) {
        let Some(switch) = self.shown() else { return };
        let Some(belief) = &mut self.belief else { return };
        if self.tapped && self.means < 3 {
            return;
        }
        let posterior = belief.posterior(switch.as_slice());
        let p_leak = posterior.p_at_least(t.profile.set.leak.small_mm);
        let sure = t.profile.set.leak.sure;
        let over = self.end.is_some() || (!self.tapped && self.reopened().is_some());
        let leaning = if !posterior.informed() || posterior.unexplained || self.doubt(t).is_some() {
            None
        } else if p_leak <= 1.0 - sure {
            Some(Verdict::Pass)
        } else if p_leak >= sure && self.unknown.is_empty() {
            Some(Verdict::Fail)
        } else {
            None
        };
        if self.decided.is_none()
            && let Some(verdict) = leaning
            && (over || (self.leaning == leaning && now.since(self.start) >= t.profile.set.decay.shortest_s))
        {
            self.decided = Some((verdict, now));
        }
        self.leaning = leaning;
        self.posterior = Some(posterior);
    }

    /// What makes the decay worthless as a measure of the leak.
    fn doubt(&self, t: &Timeline) -> Option<(String, &'static str)> {
        let noise = t.pressure_noise_pa();
        let start = self.start_pa.filter(|_| self.tapped)?;
        let deeper = start - self.lowest_pa;
        (deeper > 30.0 + 4.0 * noise).then(|| {
            (
                format!("the vacuum grew by {deeper:.0} Pa after purge was shut: the purge valve seeps, and hides a leak while the engine runs"),
                "pinch the purge line and repeat",
            )
        })
    }

    /// What a controller with a timer would have made of it.
    fn timer_rule(&self, t: &Timeline) -> timer_rule::Said {
        if t.profile.set.switch.fitted != "yes" {
            let pa = self.timer_pa.or(self.trace.last());
            let fell = pa.zip(self.start_pa).map(|(now, start)| now - start);
            return timer_rule::decay_by_pressure(&t.profile, fell, self.timer_pa.is_some());
        }
        let since_start = |at: Stamp| at.since(self.start);
        let reopened = self.reopened().map(|(at, _)| since_start(at));
        timer_rule::decay_by_switch(&t.profile, reopened, self.closed_until().map(since_start))
    }

    pub(super) fn draft(&self, t: &Timeline) -> Draft {
        let p = &t.profile.set;
        let end = self.end.unwrap_or(t.now());
        let mut d = Draft::run(Test::VacuumDecay, rule(t), self.start, end);
        d.rests_on_switch = !self.tapped;
        self.timer_rule(t).note(&mut d);
        d.note(BY, if self.tapped { "pressure" } else { "switch" });
        let (v, spread) = t.vapour_volume_m3();
        d.note("vapour_volume_l", v * 1e3);
        d.note("vapour_volume_spread_pct", spread * 100.0);
        d.note("fuel_level_pct", t.settled_level_pct());
        d.note("pull_s", self.pull_s);
        if self.tapped {
            d.note("start_pa", self.start_pa);
            d.note("end_pa", self.trace.last());
        } else {
            d.note("start_pa_from", -p.reliefs.vacuum_high_pa);
            d.note("start_pa_to", -p.switch.reopens_low_pa);
        }
        if let Some((at, u)) = self.reopened() {
            d.note("reopened_after_s", at.since(self.start));
            d.note("reopened_uncertainty_s", u);
        } else if let Some(until) = self.closed_until().filter(|_| !self.tapped) {
            d.note("still_closed_after_s", until.since(self.start));
        }
        let Some(posterior) = &self.posterior else {
            d.because(format!("the sealed hold lasted only {:.1} s: too short to judge", end.since(self.start)));
            d.next("repeat and hold the vacuum longer");
            return d;
        };
        let small = p.leak.small_mm;
        let p_leak = posterior.p_at_least(small);
        let (low, high) = posterior.interval();
        let best = posterior.best();
        d.note(BELIEF_LARGE, posterior.p_at_least(p.leak.large_mm));
        d.note(PRIOR_LARGE, Prior::new(small).p_at_least(p.leak.large_mm));
        d.note("explained_by_rebound", posterior.explained_by_rebound);
        let informed = posterior.informed() && !posterior.unexplained;
        let doubt = self.doubt(t);
        if informed && doubt.is_none() {
            d.leak(low, best, high);
        }
        let what = match (self.tapped, self.reopened()) {
            (true, _) => format!(
                "from {:.0} Pa the tank came to {:.0} Pa in {:.1} s",
                self.start_pa.unwrap_or(0.0),
                self.trace.last().unwrap_or(0.0),
                end.since(self.start)
            ),
            (false, Some((at, _))) => {
                format!("the switch re-opened {:.1} s after purge was shut", at.since(self.start))
            }
            (false, None) => format!(
                "the switch was still closed {:.1} s after purge was shut",
                self.closed_until().map_or(0.0, |u| u.since(self.start))
            ),
        };
        match self.decided.filter(|_| doubt.is_none()) {
            Some((Verdict::Fail, at)) => {
                d.decide(Verdict::Fail, at);
                let large = p.leak.large_mm;
                let name = if low >= large {
                    "a large leak"
                } else if high < large {
                    "a small leak"
                } else if best >= large {
                    "a leak, more likely large than small"
                } else {
                    "a leak, more likely small than large"
                };
                d.because(format!("{what}: {name}, a hole of about {} ({low:.2} to {high:.2} mm)", mm(best)));
                d.note("leak_word", name);
                d.next("find the leak: cap seal, filler neck, sender seal, canister, purge valve (pinch its line and repeat), lines");
            }
            Some((_, at)) => {
                d.decide(Verdict::Pass, at);
                d.because(if high < small {
                    format!("{what}: any hole is under {} (at most {high:.2} mm)", mm(small))
                } else {
                    // A bound of 90 % can lie beyond what the belief, which knows the prior, takes for excluded.
                    format!(
                        "{what}: any hole is under {}, a belief of {:.3} (one of {high:.2} mm would do the same one time in ten)",
                        mm(small),
                        1.0 - p_leak
                    )
                });
                d.next("none");
                if p_leak > 0.5 {
                    d.finding.withdrawn_by =
                        Some(format!("the rest of the same decay, which looks like a hole of about {}", mm(best)));
                }
            }
            None => {
                if let Some((_, at)) = self.decided {
                    d.note("decided_and_doubted_s", at.secs());
                }
                if let Some((why, next)) = doubt {
                    d.because(why);
                    d.next(next);
                    d.note(VACUUM_GREW, self.start_pa.unwrap_or(0.0) - self.lowest_pa);
                } else if posterior.unexplained {
                    d.because(format!(
                        "{what}: no tank of this profile decays like that; volume, sensor or profile is wrong"
                    ));
                    d.next("check the profile's tank volume, the fuel level and the pressure tap, then repeat");
                } else if !posterior.informed() {
                    d.because(format!("{what}: too short to tell a leak from a tight tank"));
                    d.next("repeat and hold the vacuum longer");
                } else if p_leak >= p.leak.sure {
                    d.because(format!(
                        "{what}: that looks like a hole of about {}, but it is not known: {}",
                        mm(best),
                        self.unknown.join("; ")
                    ));
                    d.next("repeat after a cold start with coolant and outside air recorded");
                } else {
                    d.because(format!(
                        "{what}: the hole may be {low:.2} to {high:.2} mm; {:.0} of 100 that it is {} or more",
                        p_leak * 100.0,
                        mm(small)
                    ));
                    if posterior.explained_by_rebound > 0.05 {
                        d.because("a tight tank can give a quick pull back by re-warming and evaporation: that is not excluded");
                    }
                    d.next(if self.tapped {
                        "repeat with a longer hold, the fuel level known and the vehicle at rest"
                    } else {
                        "add a pressure tap, or repeat with a longer pull and hold at another fuel level"
                    });
                }
            }
        }
        for u in &self.unknown {
            d.because(format!("not known: {u}"));
        }
        d.belief(posterior, small);
        if self.moving {
            d.note("vehicle", "moving: the fuel may have splashed");
        }
        d
    }
}

/// So long after the vent was opened it may not have been told yet, s: the phase is debounced, and the vent sampled.
fn seen_late_s(t: &Timeline) -> f64 {
    let vent = Channel::VentSolenoid;
    let sampled = t.signals.uncertainty(if t.signals.seen(vent) { vent } else { Channel::SolenoidA });
    t.profile.set.phases.hold_s.max(sampled)
}
