//! Relief on the tray: where each relief opens and shuts, from the trace while the syringe goes on.

use super::excursion::{Excursion, Seen};
use crate::channel::Channel;
use crate::grade::draft::{Draft, Machine};
use crate::grade::relief::FAILS_ABOVE;
use crate::time::Stamp;
use crate::timeline::{Happening, Rig, Timeline, Vent};
use crate::trade::{Test, Verdict};
use std::collections::VecDeque;

/// The machine: a run is both reliefs, from repair to repair or from decision to decision.
#[derive(Debug, Default)]
pub(in crate::grade) struct Relief {
    decided: Vec<Draft>,
    run: Run,
    last: Option<Stamp>,
    /// The last seconds, since a stroke begins before it is seen.
    recent: VecDeque<(Stamp, f64)>,
    excursion: Option<Excursion>,
    back_since: Option<Stamp>,
}

#[derive(Debug, Clone, Default)]
struct Run {
    start: Option<Stamp>,
    end: Stamp,
    sides: [Side; 2],
}

/// One relief so far.
#[derive(Debug, Clone, Default)]
struct Side {
    opens_pa: Vec<f64>,
    shuts_pa: Vec<f64>,
    /// Error of one opening point, Pa: the largest so far.
    error_pa: f64,
    /// Far beyond where it should have opened: when, and how far.
    over: Option<(Stamp, f64)>,
    highest_pa: f64,
    /// Where it stood while the hand went on.
    stands_pa: Vec<f64>,
    /// Why what came to a stand was no relief, in words.
    stood: Option<String>,
}

/// What one relief's traces amount to.
struct Opinion {
    verdict: Option<Verdict>,
    reached: bool,
    why: String,
    next: String,
}

const NAMES: [&str; 2] = ["pressure", "vacuum"];

impl Machine for Relief {
    fn test(&self) -> Test {
        Test::Relief
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Vent(turn) if turn.to == Some(Vent::Open) => self.finish(t),
            Happening::Gap { .. } | Happening::Rig(..) => {
                self.finish(t);
                self.recent.clear();
            }
            Happening::Repair(_) => {
                self.finish(t);
                if self.run.start.is_some() {
                    let d = self.run.draft(t);
                    self.decided.push(d);
                    self.run = Run::default();
                }
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        let Some((raw, at)) = t.signals.last(Channel::TankPressurePa) else { return };
        if self.last.is_some_and(|l| at <= l) {
            return;
        }
        self.last = Some(at);
        if t.rig().0 != Rig::Module || t.vent().0 == Some(Vent::Open) {
            self.recent.clear();
            return;
        }
        let pa = raw - t.zero_pa().0;
        let away = t.profile.set.tray.zero_within_pa.max(t.zero_pa().1);
        if let Some(e) = &mut self.excursion {
            if pa * e.sign() > 0.6 * away {
                self.back_since = None;
            } else if at.since(*self.back_since.get_or_insert(at)) > 0.2 || pa * e.sign() < -away {
                self.finish(t);
            }
        }
        match &mut self.excursion {
            Some(e) => e.add(at, pa),
            None if pa.abs() > away => {
                let mut e = Excursion::new(pa.signum());
                for (at, pa) in self.recent.drain(..) {
                    e.add(at, pa);
                }
                e.add(at, pa);
                self.excursion = Some(e);
            }
            None => {
                self.recent.push_back((at, pa));
                while self.recent.front().is_some_and(|r| at.since(r.0) > 2.0) {
                    self.recent.pop_front();
                }
            }
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let mut all = self.decided.clone();
        let mut run = self.run.clone();
        if let Some(e) = &self.excursion {
            run.take(t, e);
        }
        if run.start.is_some() {
            let mut d = run.draft(t);
            d.open = true;
            // After a decision, strokes that decide nothing are no run of their own.
            if all.is_empty() || d.finding.decided_s.is_some() {
                all.push(d);
            }
        }
        if all.is_empty() {
            let reason = if t.signals.seen(Channel::TankPressurePa) {
                "no pressure and no vacuum stood on the module yet"
            } else {
                "there is no tank_pressure_pa channel: only a pressure trace can show a relief"
            };
            all.push(Draft::not_run(Test::Relief, rule(t), vec![reason.into()], &both_ways(t)));
        }
        all
    }

    fn under_way(&self, _t: &Timeline) -> Option<(f64, String)> {
        self.excursion.as_ref().map(|e| {
            let go = if e.sign() > 0.0 { "press" } else { "draw" };
            (0.5, format!("goes on to {go}; when the gauge stands, go on for some seconds"))
        })
    }
}

impl Relief {
    fn finish(&mut self, t: &Timeline) {
        self.back_since = None;
        let Some(e) = self.excursion.take() else { return };
        self.run.take(t, &e);
        let d = self.run.draft(t);
        if d.finding.decided_s.is_some() {
            self.decided.push(d);
            self.run = Run::default();
        }
    }
}

impl Run {
    fn take(&mut self, t: &Timeline, e: &Excursion) {
        let (Some(first), Some(last)) = (e.first(), e.last()) else { return };
        self.start.get_or_insert(first);
        self.end = self.end.max(last);
        let which = usize::from(e.sign() < 0.0);
        let side = &mut self.sides[which];
        let p = &t.profile.set;
        let high = [p.reliefs.pressure_high_pa, p.reliefs.vacuum_high_pa][which];
        let (zero, gain) = (t.zero_pa().1, p.tray.transducer_error_pct * 0.01);
        let analysed = e.analyse(p);
        side.highest_pa = side.highest_pa.max(analysed.highest_pa);
        let error = |level: f64| {
            // A peak is missed by what the trace climbs between samples and within the lag.
            zero + gain * level
                + 2.0 * analysed.noise_pa
                + analysed.climb_pa_per_s * (analysed.interval_s + p.tray.lag_high_s)
        };
        if side.over.is_none() {
            let beyond = FAILS_ABOVE * high;
            side.over =
                e.beyond(beyond + zero + gain * beyond + 3.0 * analysed.noise_pa).map(|at| (at, analysed.highest_pa));
        }
        match analysed.seen {
            Seen::Openings { opens_pa, shuts_pa } => {
                let most = opens_pa.iter().copied().fold(0.0, f64::max);
                side.error_pa = side.error_pa.max(error(most));
                side.opens_pa.extend(opens_pa);
                side.shuts_pa.extend(shuts_pa);
            }
            Seen::Stood { level_pa } => {
                side.error_pa = side.error_pa.max(error(level_pa));
                side.stands_pa.push(level_pa);
                side.stood = Some(format!(
                    "the trace stood at {level_pa:.0} Pa while the hand went on: a relief that floats there, or a hand that made good a leak"
                ));
            }
            Seen::No(why) => {
                if let Some(why) = why {
                    side.stood = Some(why);
                }
            }
        }
    }

    fn draft(&self, t: &Timeline) -> Draft {
        let mut d = Draft::run(Test::Relief, rule(t), self.start.unwrap_or(self.end), self.end);
        let opinions = [0, 1].map(|i| self.sides[i].opinion(t, i));
        for (i, side) in self.sides.iter().enumerate() {
            let name = NAMES[i];
            let mean = |v: &[f64]| (!v.is_empty()).then(|| v.iter().sum::<f64>() / v.len() as f64);
            d.note(&format!("{name}_opens_pa"), mean(&side.opens_pa));
            d.note(&format!("{name}_shuts_pa"), mean(&side.shuts_pa));
            d.note(&format!("{name}_openings"), side.opens_pa.len() as f64);
            d.note(&format!("{name}_highest_pa"), side.highest_pa);
            if !side.opens_pa.is_empty() {
                d.note(&format!("{name}_error_pa"), side.error_pa);
            }
        }
        let fails = opinions.iter().any(|o| o.verdict == Some(Verdict::Fail));
        let passes = opinions.iter().all(|o| o.verdict == Some(Verdict::Pass));
        for o in &opinions {
            d.because(o.why.clone());
        }
        if fails {
            d.decide(Verdict::Fail, self.end);
            // What fails is said first.
            d.finding
                .reasons
                .sort_by_key(|r| !opinions.iter().any(|o| o.verdict == Some(Verdict::Fail) && o.why == *r));
            d.next("replace the module, or check that its relief's path to the vent is free");
        } else if passes {
            d.decide(Verdict::Pass, self.end);
            d.next("none");
        } else {
            if opinions.iter().all(|o| !o.reached) {
                d.finding.verdict = Verdict::NotRun;
            }
            let next: Vec<&str> = opinions.iter().filter(|o| o.verdict.is_none()).map(|o| o.next.as_str()).collect();
            d.next(next.join("; "));
        }
        if d.finding.verdict == Verdict::NotRun {
            d.finding.start_s = None;
            d.finding.end_s = None;
        }
        d
    }
}

impl Side {
    fn opinion(&self, t: &Timeline, which: usize) -> Opinion {
        let p = &t.profile.set;
        let r = &p.reliefs;
        let (low, high) = [(r.pressure_low_pa, r.pressure_high_pa), (r.vacuum_low_pa, r.vacuum_high_pa)][which];
        let name = NAMES[which];
        let say = |verdict, why: String| Opinion { verdict, reached: true, why, next: one_way(t, which) };
        if let Some((_, level)) = self.over {
            return say(
                Some(Verdict::Fail),
                format!(
                    "the {name} relief did not open: the gauge came to {level:.0} Pa, and it should have opened by {high:.0} Pa"
                ),
            );
        }
        if self.opens_pa.is_empty() {
            let least = self.stands_pa.iter().copied().fold(f64::INFINITY, f64::min);
            let most = self.stands_pa.iter().copied().fold(0.0, f64::max);
            let same = most - least <= r.flat_band_pa + self.error_pa;
            // That no one would do twice who was to press on to its limit.
            if self.stands_pa.len() as f64 >= p.tray.relief_openings_needed && same && most + self.error_pa < low {
                let n = self.stands_pa.len();
                return say(
                    Some(Verdict::Fail),
                    format!(
                        "the {name} relief opens at {most:.0} Pa: the trace stood there {n} times while the hand went on; sound from {low:.0} to {high:.0} Pa, error {:.0} Pa",
                        self.error_pa
                    ),
                );
            }
            let reached = self.highest_pa >= low || self.stood.is_some();
            let why = match &self.stood {
                Some(why) => format!("{name} relief: {why}"),
                None if self.highest_pa <= 0.0 => format!("the {name} side was not tried"),
                None => format!(
                    "the {name} side came to {:.0} Pa and no relief opened; they open within {low:.0} to {high:.0} Pa",
                    self.highest_pa
                ),
            };
            return Opinion { verdict: None, reached, why, next: one_way(t, which) };
        }
        let n = self.opens_pa.len();
        let least = self.opens_pa.iter().copied().fold(f64::INFINITY, f64::min);
        let most = self.opens_pa.iter().copied().fold(0.0, f64::max);
        let mean = self.opens_pa.iter().sum::<f64>() / n as f64;
        let shuts = if self.shuts_pa.is_empty() {
            String::new()
        } else {
            format!(" and shuts again at {:.0} Pa", self.shuts_pa.iter().sum::<f64>() / self.shuts_pa.len() as f64)
        };
        let times = |n: usize| if n == 1 { "once".to_owned() } else { format!("{n} times") };
        // What stood between where it shuts and where it opens, while the hand went on, was the same relief floating.
        let shut = self.shuts_pa.iter().copied().fold(least, f64::min);
        let floats = |level: &&f64| **level >= shut - self.error_pa && **level <= most + self.error_pa;
        let floated = self.stands_pa.iter().filter(floats).count();
        let stood = if floated > 0 { format!(", and floated there {}", times(floated)) } else { String::new() };
        let what = format!("the {name} relief opens at {mean:.0} Pa{shuts}, {}{stood}", times(n));
        if ((n + floated) as f64) < p.tray.relief_openings_needed {
            return say(None, format!("{what}; {:.0} are needed", p.tray.relief_openings_needed));
        }
        if most - least > 2.0 * (r.flat_band_pa + self.error_pa) {
            return say(None, format!("the {name} relief's openings do not agree: {least:.0} to {most:.0} Pa"));
        }
        let error = self.error_pa + 0.5 * (most - least);
        let limits = format!("sound from {low:.0} to {high:.0} Pa, error {error:.0} Pa");
        if mean - error >= low && mean + error <= high {
            say(Some(Verdict::Pass), format!("{what} ({limits})"))
        } else if mean + error < low || mean - error > high {
            say(Some(Verdict::Fail), format!("{what}: not {limits}"))
        } else {
            say(None, format!("{what}: too near a limit to be sure ({limits})"))
        }
    }
}

fn one_way(t: &Timeline, which: usize) -> String {
    let r = &t.profile.set.reliefs;
    let (go, high) = [("press", r.pressure_high_pa), ("draw", -r.vacuum_high_pa)][which];
    format!(
        "{go} steadily up to {high:.0} Pa, and where the gauge comes to a stand go on at the same speed for {:.0} s; twice",
        r.flat_s
    )
}

fn both_ways(t: &Timeline) -> String {
    format!("{}; {}", one_way(t, 0), one_way(t, 1))
}

fn rule(t: &Timeline) -> String {
    let r = &t.profile.set.reliefs;
    format!(
        "the pressure relief opens within {:.0} to {:.0} Pa ({}), the vacuum relief within {:.0} to {:.0} Pa ({}), each shown {:.0} times while the syringe goes on",
        r.pressure_low_pa,
        r.pressure_high_pa,
        t.profile.source("reliefs.pressure_low_pa"),
        r.vacuum_low_pa,
        r.vacuum_high_pa,
        t.profile.source("reliefs.vacuum_low_pa"),
        t.profile.set.tray.relief_openings_needed
    )
}
