//! Vent solenoid on the tray: its current, and whether a held vacuum goes when it is energised and stands when it is
//! not; how wide the open path is follows from the time in which the vacuum goes.

use super::collapse::{Collapse, open_path_mm};
use super::holding::Volume;
use crate::channel::Channel;
use crate::grade::coil::Coil;
use crate::grade::draft::{Draft, Machine};
use crate::time::Stamp;
use crate::timeline::{Happening, Rig, Timeline, Turn, Vent};
use crate::trade::{Test, Verdict};
use std::collections::VecDeque;

/// The machine: one run from repair to repair.
#[derive(Debug, Default)]
pub(in crate::grade) struct VentSolenoid {
    past: Vec<Draft>,
    run: Run,
    rig: Option<Rig>,
}

#[derive(Debug, Clone, Default)]
struct Run {
    start: Option<Stamp>,
    energised: bool,
    coil: Coil,
    /// The last seconds of pressure, the zero taken out.
    recent: VecDeque<(Stamp, f64)>,
    watch: Option<Watch>,
    /// Vacuum that went, newest last.
    went: Vec<Went>,
    /// Vacuum that stood although the solenoid was energised: when that was certain, what stood, for how long.
    stayed: Vec<(Stamp, f64, f64)>,
    /// Vacuum that stood with the vent-side port plugged, and went when the plug was pulled.
    unplugged: Vec<Went>,
    pulled: Option<Watch>,
    /// With the port free and the solenoid off a vacuum stood, since when; and whether for long enough.
    stands_since: Option<Stamp>,
    stands: bool,
    without_vacuum: u32,
    /// A vacuum that was not standing before: it says nothing.
    not_standing: u32,
}

/// A held vacuum when the solenoid was energised.
#[derive(Debug, Clone, Copy)]
struct Watch {
    at: Stamp,
    vacuum_pa: f64,
    /// How fast it had been falling, Pa/s.
    leaking_pa_per_s: f64,
}

impl Watch {
    fn is_gone(&self, t: &Timeline, pa: f64) -> bool {
        -pa <= 0.1 * self.vacuum_pa.max(10.0 * t.zero_pa().1)
    }

    /// The leak that was there before may have let it out; an open path would have been much quicker.
    fn by_leak(&self, went: &Went) -> bool {
        self.leaking_pa_per_s > 0.0 && went.seconds > 0.2 * self.vacuum_pa / self.leaking_pa_per_s
    }
}

#[derive(Debug, Clone, Copy)]
struct Went {
    at: Stamp,
    vacuum_pa: f64,
    /// From the command to a fifth of it.
    seconds: f64,
    /// The narrowest and the widest path that fits, mm; none if too few samples caught it.
    path_mm: (f64, Option<f64>),
}

/// What stood before something was opened.
enum Standing {
    Nothing,
    /// Too quickly changing to say what let it out.
    Moves,
    Stands(Watch),
}

/// What tells a vent that stands open from a torn diaphragm, in words.
pub(super) const PLUG: &str = "if nothing stands however you draw, plug the module's vent-side port, note the rig as vent plugged, draw about -500 Pa and hold it for 3 s; then note the rig as module and pull the plug, the syringe at rest; twice. If it stands behind the plug alone, the vent valve does not seal; if it does not stand there either, it is diaphragm, seals or housing";
/// Pulled so many times, the plug shows that the vent does not seal; once may be a slip of the hand.
const PULLS_NEEDED: usize = 2;
/// What to do, in words.
const DRAW: &str = "draw about -500 Pa, hold it for 3 s, then energise for 2 to 3 s, not longer";
/// How long before the command the vacuum must have stood, seconds.
const STOOD_S: f64 = 1.0;
/// It stood if it had not fallen by more than this share in that time.
const STANDS: f64 = 0.2;
/// So long is watched for the vacuum to go, seconds.
const WATCH_S: f64 = 10.0;
/// Energised for so long at least, a vacuum that still stands has not been let out, seconds.
const LEAST_S: f64 = 1.0;
/// The share of the vacuum above which nothing was let out.
const STOOD_STILL: f64 = 0.7;

impl Machine for VentSolenoid {
    fn test(&self) -> Test {
        Test::VentSolenoid
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Vent(turn) => self.run.vent(t, turn),
            Happening::Gap { .. } => {
                // Nobody saw what went meanwhile, nor what stood.
                (self.run.watch, self.run.pulled, self.run.stands_since) = (None, None, None);
                self.run.recent.clear();
            }
            Happening::Rig(at, rig) => {
                self.run.watch = None;
                self.run.pulled = None;
                let from = self.rig.replace(*rig).unwrap_or_default();
                if from == Rig::VentPlugged && *rig == Rig::Module {
                    self.run.plug_comes_off(t, *at);
                }
            }
            Happening::Repair(at) => {
                if self.run.energised {
                    self.past.push(self.run.draft(t, *at, false));
                }
                self.run = Run::default();
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        if t.signals.seen(Channel::VentSolenoid) || t.signals.seen(Channel::SolenoidA) {
            self.run.step(t);
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let mut all = self.past.clone();
        if self.run.energised || self.run.coil.fault().is_some() || !self.run.unplugged.is_empty() {
            all.push(self.run.draft(t, t.now(), true));
        }
        if all.is_empty() {
            let (why, next) = match self.run.start {
                Some(_) => ("the solenoid was not energised", DRAW),
                None => (
                    "neither vent_solenoid nor solenoid_a was recorded",
                    "put the bench adapter into the solenoid's feed",
                ),
            };
            all.push(Draft::not_run(Test::VentSolenoid, rule(t), vec![why.into()], next));
        }
        all
    }

    fn under_way(&self, t: &Timeline) -> Option<(f64, String)> {
        self.run.start?;
        let (electrical, moved) = (self.run.coil.begun(), !self.run.went.is_empty());
        let waits = match (t.signals.seen(Channel::SolenoidA), electrical, moved) {
            (true, false, _) => "waits for the solenoid to be energised",
            (_, _, false) => "waits for a held vacuum to be let out by it",
            _ => "seen; watched to the end",
        };
        Some((f64::from(u8::from(electrical) + u8::from(moved)) * 0.5, waits.into()))
    }
}

impl Run {
    fn vent(&mut self, t: &Timeline, turn: &Turn<Option<Vent>>) {
        if turn.to != Some(Vent::Open) {
            if let Some(w) = self.watch.take() {
                self.still_there(t, w, turn.at);
            }
            return;
        }
        if turn.from != Some(Vent::Sealed) || t.rig().0 != Rig::Module {
            return;
        }
        match self.standing(t, turn.at) {
            Standing::Nothing => self.without_vacuum += u32::from(t.signals.seen(Channel::TankPressurePa)),
            Standing::Moves => self.not_standing += 1,
            Standing::Stands(w) => self.watch = Some(w),
        }
    }

    /// What stood before this moment.
    fn standing(&self, t: &Timeline, at: Stamp) -> Standing {
        let before: Vec<(f64, f64)> = self
            .recent
            .iter()
            .filter(|v| v.0 <= at && at.since(v.0) <= STOOD_S + 1.0)
            .map(|v| (v.0.since(at), v.1))
            .collect();
        let (Some(first), Some(last)) = (before.first(), before.last()) else { return Standing::Nothing };
        let (zero_error, vacuum_pa) = (t.zero_pa().1, -last.1);
        if vacuum_pa - zero_error < t.profile.set.start_vent.least_vacuum_pa {
            return Standing::Nothing;
        }
        let span = last.0 - first.0;
        let fell = -first.1 - vacuum_pa;
        if span < 0.5 * STOOD_S || fell.abs() > STANDS * vacuum_pa * span.max(STOOD_S) {
            return Standing::Moves;
        }
        Standing::Stands(Watch { at, vacuum_pa, leaking_pa_per_s: (fell / span).max(0.0) })
    }

    fn plug_comes_off(&mut self, t: &Timeline, at: Stamp) {
        if t.vent().0 != Some(Vent::Open)
            && let Standing::Stands(w) = self.standing(t, at)
        {
            self.pulled = Some(w);
        }
    }

    /// Whether the vent seals its port: what stands there, and what goes when a plug comes off.
    fn seals(&mut self, t: &Timeline, at: Stamp, pa: f64) {
        let off = t.vent().0 != Some(Vent::Open);
        let vacuum = -pa - t.zero_pa().1 >= t.profile.set.start_vent.least_vacuum_pa;
        if !off {
            self.pulled = None;
        }
        if let Some(w) = self.pulled {
            if w.is_gone(t, pa) {
                self.pulled = None;
                let went = self.how_it_went(t, w, at);
                if !w.by_leak(&went) {
                    self.unplugged.push(went);
                }
            } else if at.since(w.at) > WATCH_S {
                self.pulled = None;
                self.stands |= vacuum;
            }
        } else if off && vacuum && t.rig().0 == Rig::Module {
            let since = *self.stands_since.get_or_insert(at);
            self.stands |= at.since(since) >= STOOD_S;
        } else {
            self.stands_since = None;
        }
    }

    fn step(&mut self, t: &Timeline) {
        self.start.get_or_insert(t.now());
        self.energised |= t.vent().0 == Some(Vent::Open);
        self.coil.step(t);
        let Some((raw, at)) = t.signals.last(Channel::TankPressurePa) else { return };
        let pa = raw - t.zero_pa().0;
        if self.recent.back().is_none_or(|p| at > p.0) {
            self.recent.push_back((at, pa));
            self.seals(t, at, pa);
        }
        while self.recent.front().is_some_and(|p| t.now().since(p.0) > WATCH_S + STOOD_S + 2.0) {
            self.recent.pop_front();
        }
        if let Some(w) = self.watch {
            if at > w.at && w.is_gone(t, pa) {
                self.watch = None;
                self.gone(t, w, at);
            } else if t.now().since(w.at) > WATCH_S {
                self.watch = None;
                self.still_there(t, w, t.now());
            }
        }
    }

    /// The vacuum is gone.
    fn gone(&mut self, t: &Timeline, w: Watch, at: Stamp) {
        let went = self.how_it_went(t, w, at);
        if w.by_leak(&went) {
            self.not_standing += 1;
        } else {
            self.went.push(went);
        }
    }

    /// How quickly, and through how wide a path.
    fn how_it_went(&self, t: &Timeline, w: Watch, at: Stamp) -> Went {
        let p = &t.profile.set;
        let trace: Vec<(f64, f64)> = self
            .recent
            .iter()
            .filter(|v| w.at.since(v.0) < 0.5)
            .map(|v| (v.0.since(w.at), -v.1 / w.vacuum_pa))
            .collect();
        let seconds = trace.iter().find(|v| v.0 >= 0.0 && v.1 <= 0.2).map_or(at.since(w.at), |v| v.0);
        let mut v = Volume::of(p);
        if p.tray.volume_known == "no" {
            v.spread = v.spread.max(0.5);
        }
        let collapse = Collapse::of(&trace, w.vacuum_pa);
        let path_mm = open_path_mm(t, v, &collapse);
        Went { at, vacuum_pa: w.vacuum_pa, seconds, path_mm }
    }

    /// It was watched to the end, or the solenoid was switched off again.
    fn still_there(&mut self, t: &Timeline, w: Watch, at: Stamp) {
        let Some((_, pa)) = self.recent.iter().rev().find(|v| v.0 <= at) else { return };
        let (left, watched) = (-pa, at.since(w.at));
        let leaked = w.leaking_pa_per_s * watched;
        if watched >= LEAST_S && left + t.zero_pa().1 >= STOOD_STILL * (w.vacuum_pa - leaked).max(0.3 * w.vacuum_pa) {
            self.stayed.push((at, left, watched));
        } else {
            self.not_standing += 1;
        }
    }

    fn draft(&self, t: &Timeline, end: Stamp, open: bool) -> Draft {
        let s = &t.profile.set.solenoid;
        let limit = t.profile.set.vent.restricted_below_mm;
        let mut d = Draft::run(Test::VentSolenoid, rule(t), self.start.unwrap_or(end), end);
        d.open = open;
        self.coil.note(&mut d);
        if self.without_vacuum > 0 {
            d.note("energised_without_vacuum", f64::from(self.without_vacuum));
        }
        let widest_low = self.went.iter().map(|w| w.path_mm.0).fold(0.0, f64::max);
        let narrowest_high = self.went.iter().filter_map(|w| w.path_mm.1).reduce(f64::min);
        if let Some(w) = self.went.last() {
            d.note("vacuum_gone_s", w.seconds);
            d.note("let_out_pa", w.vacuum_pa);
            d.note("open_path_at_least_mm", widest_low);
            d.note("open_path_at_most_mm", narrowest_high);
        }
        self.verdict(t, &mut d, widest_low, narrowest_high, end);
        if self.without_vacuum > 0 {
            let times =
                if self.without_vacuum == 1 { "once".to_owned() } else { format!("{} times", self.without_vacuum) };
            d.because(format!(
                "it was energised {times} with no vacuum held: that shows its current, and nothing of the vent's path; energising the solenoid without vacuum says nothing about the switch"
            ));
        }
        if d.finding.verdict == Verdict::Pass && limit > 0.0 {
            d.note("restricted_below_mm", limit);
            d.note("hold_low_a", s.hold_low_a);
        }
        d
    }

    fn verdict(&self, t: &Timeline, d: &mut Draft, widest_low: f64, narrowest_high: Option<f64>, end: Stamp) {
        let s = &t.profile.set.solenoid;
        let limit = t.profile.set.vent.restricted_below_mm;
        if let Some((at, text)) = self.coil.fault() {
            d.decide(Verdict::Fail, *at);
            d.because(text.clone());
            d.next("measure the coil's resistance and the feed at the module");
            return;
        }
        if let ([.., w], false) = (self.unplugged.as_slice(), self.stands)
            && self.unplugged.len() >= PULLS_NEEDED
        {
            let at_least = self.unplugged.iter().map(|w| w.path_mm.0).fold(f64::INFINITY, f64::min);
            d.note("unplugged", self.unplugged.len() as f64);
            d.note("unplugged_path_at_least_mm", at_least);
            d.decide(Verdict::Fail, w.at);
            d.because(format!(
                "the vent valve does not seal: with the vent-side port plugged {:.0} Pa of vacuum stood, and {} times it went when the plug was pulled while the solenoid was off, through a path of at least {at_least:.1} mm; with the port free nothing ever stood",
                w.vacuum_pa,
                self.unplugged.len()
            ));
            d.next("look for dirt on the vent valve's seat; replace the module");
            return;
        }
        if let Some(peak) = self.coil.pull_in_a().filter(|a| *a > s.pull_in_high_a) {
            d.decide(Verdict::Fail, end);
            d.because(format!("pull-in peaks at {peak:.2} A, more than {:.1} A: shorted turns", s.pull_in_high_a));
            d.next("measure the coil's resistance");
            return;
        }
        if let Some(peak) = self.coil.pull_in_a().filter(|a| *a < s.pull_in_low_a && self.coil.seen()) {
            d.because(format!(
                "pull-in peaks at {peak:.2} A, less than {:.1} A: high resistance in feed, coil or ground, or sampled too slowly to catch it",
                s.pull_in_low_a
            ));
            d.next("measure the coil's resistance and the feed at the module; record its peak by the adapter");
            return;
        }
        match (self.stayed.as_slice(), self.went.is_empty()) {
            ([.., (at, left, watched)], true) => {
                d.decide(Verdict::Fail, *at);
                d.because(format!(
                    "energised for {watched:.1} s, {left:.0} Pa of vacuum still stood: the valve does not move, or its path is blocked"
                ));
                d.next("listen for the valve's click; without one replace the module, with one look at the vent port");
                return;
            }
            ([_, ..], false) => {
                d.because("sometimes the vacuum went when it was energised, sometimes it stayed: the valve sticks, or the supply drops");
                d.next(format!("repeat: {DRAW}"));
                return;
            }
            ([], _) => {}
        }
        if let (Some(high), Some(w)) = (narrowest_high, self.went.last())
            && high < limit
        {
            d.decide(Verdict::Fail, w.at);
            d.because(format!(
                "{:.0} Pa took {:.2} s to go: an open path of at most {high:.1} mm, restricted below {limit:.1} mm",
                w.vacuum_pa, w.seconds
            ));
            d.next("look at the vent port and at the valve's travel; replace the module");
            return;
        }
        match (self.coil.seen(), self.went.last()) {
            (true, Some(_)) if let Some(w) = self.went.iter().find(|w| w.path_mm.0 >= limit) => {
                d.decide(Verdict::Pass, w.at);
                d.because(format!(
                    "it holds with {:.2} A and draws {:.2} A when off; {:.0} Pa of vacuum stood while it was off and went within {:.2} s when it was energised, through a path of at least {widest_low:.1} mm",
                    self.coil.holds_with_a(),
                    self.coil.off_a(),
                    w.vacuum_pa,
                    w.seconds
                ));
                d.next("none");
            }
            (true, Some(w)) => {
                let high = narrowest_high.map_or("more".to_owned(), |h| format!("{h:.1} mm"));
                d.because(format!(
                    "{:.0} Pa of vacuum went within {:.2} s when it was energised, but that is a path of {widest_low:.1} mm to {high}: restricted below {limit:.1} mm, and so not told",
                    w.vacuum_pa, w.seconds
                ));
                d.next(format!("take a larger bottle or sample faster, and repeat: {DRAW}"));
            }
            (true, None) => {
                d.because(format!(
                    "its current is sound (it holds with {:.2} A), but no held vacuum was let out by it: that it moves air is not shown",
                    self.coil.holds_with_a()
                ));
                if self.not_standing > 0 {
                    d.because(
                        "when it was energised the vacuum was not standing: a leak or a moving syringe looks the same",
                    );
                }
                match (self.stands, self.unplugged.len()) {
                    (true, _) => d.next(DRAW),
                    (false, 0) => {
                        d.because("no vacuum stood on the module at all: not drawn, a vent valve that does not seal, or a torn diaphragm");
                        d.next(format!("{DRAW}; {PLUG}"));
                    }
                    (false, _) => {
                        d.because("with the vent-side port plugged a vacuum stood, and it went when the plug was pulled while the solenoid was off: the vent valve does not seal, or the bleed was opened");
                        d.next(PLUG);
                    }
                }
            }
            (false, Some(w)) => {
                d.because(format!(
                    "{:.0} Pa of vacuum went within {:.2} s when it was energised, but its current was not recorded long enough both on and off",
                    w.vacuum_pa, w.seconds
                ));
                d.next("record solenoid_a, energise for 2 to 3 s");
            }
            (false, None) => {
                d.because(if t.signals.seen(Channel::SolenoidA) {
                    "it was not seen long enough both on and off"
                } else {
                    "its current was not recorded, and no held vacuum was let out by it"
                });
                d.next(DRAW);
            }
        }
    }
}

fn rule(t: &Timeline) -> String {
    let p = &t.profile.set;
    let s = &p.solenoid;
    format!(
        "energised it pulls in with {:.1} to {:.1} A and holds with {:.2} to {:.2} A mean ({}), off it draws under {:.2} A; a held vacuum stands while it is off and goes when it is energised, through a path of {:.1} mm or more ({})",
        s.pull_in_low_a,
        s.pull_in_high_a,
        s.hold_low_a,
        s.hold_high_a,
        t.profile.source("solenoid.hold_low_a"),
        s.off_below_a,
        p.vent.restricted_below_mm,
        t.profile.source("vent.restricted_below_mm")
    )
}
