//! Holding: what each hold of a vacuum on the tray says of the hole behind it, whatever sits on the rig.

use super::excursion::noise;
use crate::channel::Channel;
use crate::physics::leak_down::{Hold, LeakDown, LeakDownSpec, Ramp, Sized, Unfit, quarter_s, readable_s, sizes};
use crate::profile::Settings;
use crate::time::Stamp;
use crate::timeline::{Rig, Stroke, StrokeKind, Timeline, Vent};
use crate::units::kelvin;
use std::collections::VecDeque;

/// Collects the trace and reads a hold when one ends.
#[derive(Debug, Clone, Default)]
pub(in crate::grade) struct Holding {
    points: VecDeque<(Stamp, f64)>,
    before: Option<Stroke>,
    vent_opened: Option<Stamp>,
}

/// The sealed volume.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::grade) struct Volume {
    pub m3: f64,
    /// Half-width of 90 %, a share.
    pub spread: f64,
    /// Told by the known hole, not by the profile.
    pub learnt: bool,
}

/// A hold that was read.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::grade) struct Held {
    pub rig: Rig,
    pub start: Stamp,
    pub end: Stamp,
    pub from_pa: f64,
    pub said: Said,
    spec: LeakDownSpec,
    interval_s: f64,
}

/// What it says.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::grade) enum Said {
    /// The leak-down was fitted.
    Fit(Box<LeakDown>),
    /// Nothing: why, and what to do with the next one.
    Nothing {
        /// In words.
        why: String,
        /// Which stroke to repeat.
        next: String,
    },
}

/// Samples are kept for a hold of this length, seconds, and so many of them.
const KEPT_S: f64 = 240.0;
const KEPT: usize = 40_000;
/// So many samples tell the interval between them.
const LATELY: usize = 500;
/// At its end a hold's last samples may already be moved, seconds.
const END_S: f64 = 0.12;
/// A vacuum that runs out at once is read so soon after the stroke, seconds.
const SOON_S: f64 = 0.08;
/// A vacuum of which less than this share is left has leaked away: no need to hold any longer.
const GONE: f64 = 0.25;
/// A draw cools the gas. A settling the other way by more than this share of the vacuum is no settling.
const UPHILL: f64 = 0.05;

impl Holding {
    /// A new sample, where there is one.
    pub fn step(&mut self, t: &Timeline) {
        let Some((raw, at)) = t.signals.last(Channel::TankPressurePa) else { return };
        if self.points.back().is_some_and(|p| at <= p.0) {
            return;
        }
        self.points.push_back((at, raw));
        while self.points.len() > KEPT || self.points.front().is_some_and(|p| at.since(p.0) > KEPT_S) {
            self.points.pop_front();
        }
    }

    /// Seconds between samples, by the last of them; a value that stayed the same may have been left out.
    pub fn interval_s(&self) -> f64 {
        let lately: Vec<Stamp> = self.points.iter().rev().take(LATELY).map(|p| p.0).collect();
        let mut apart: Vec<f64> = lately.windows(2).map(|w| w[0].since(w[1])).collect();
        apart.sort_by(f64::total_cmp);
        apart.get(apart.len() / 4).copied().filter(|s| *s > 0.0).unwrap_or(0.02)
    }

    /// The vent turned.
    pub fn vent(&mut self, to: Option<Vent>, at: Stamp) {
        if to == Some(Vent::Open) {
            self.vent_opened = Some(at);
        }
    }

    /// A stroke ended; what it says if it was a hold of a vacuum.
    pub fn stroke(&mut self, t: &Timeline, s: &Stroke) -> Option<Held> {
        let before = self.before.replace(*s);
        let after_draw = before.filter(|b| b.kind == StrokeKind::Draw && b.rig == s.rig);
        let held = match s.kind {
            StrokeKind::Hold => true,
            // A vacuum that runs out at once behind a syringe at rest is told as let go.
            StrokeKind::Release => after_draw.is_some(),
            _ => false,
        };
        if !held || s.from_pa >= -t.profile.set.tray.zero_within_pa {
            return None;
        }
        self.read(t, s, after_draw)
    }

    fn read(&self, t: &Timeline, s: &Stroke, draw: Option<Stroke>) -> Option<Held> {
        let p = &t.profile.set;
        let (zero, zero_error) = t.zero_pa();
        let spec = spec(t, zero_error);
        let opened = self.vent_opened.filter(|at| *at > s.start && *at <= s.end.plus(0.1));
        let let_go = s.kind == StrokeKind::Release;
        // What runs out so fast leaves no time to wait for the hand's last movement.
        let (rest_s, end_s) = if let_go { (SOON_S, 0.0) } else { (p.tray.at_rest_after_s, END_S) };
        let end = opened.unwrap_or(s.end).plus(-end_s);
        let rest = s.start.plus(rest_s);
        let points: Vec<(f64, f64)> = self
            .points
            .iter()
            .filter(|v| v.0 >= rest && v.0 <= end)
            .map(|v| (v.0.since(s.start), v.1 - zero))
            .collect();
        let interval_s = match points.len() {
            0 | 1 => 1.0,
            n => (points[n - 1].0 - points[0].0) / (n - 1) as f64,
        };
        let held_s = end.since(s.start).max(0.0);
        let left = points.last().map_or(0.0, |v| v.1);
        let gone = left > GONE * s.from_pa;
        let said = if opened.is_some() && held_s < p.tray.hold_s {
            // The solenoid's own test; nobody meant to hold.
            return None;
        } else if let_go && held_s < LEAST_RELEASE_S {
            return None;
        } else if s.from_pa > -p.tray.hold_least_pa {
            nothing(format!("{:.0} Pa were held, and at least {:.0} are needed", s.from_pa, -p.tray.hold_least_pa), p)
        } else if held_s < p.tray.hold_s && !gone {
            nothing(format!("it was held for {held_s:.1} s, and {:.0} s are needed", p.tray.hold_s), p)
        } else {
            let points = above_relief(&points, s.rig, p);
            // Its own noise, so that what does not follow the law shows.
            let noise_pa = noise(points.iter().map(|v| v.1)).max(0.4 * p.tray.transducer_step_pa);
            let stroke =
                draw.map(|d| Ramp { from_pa: d.from_pa, to_pa: d.to_pa, seconds: d.end.since(d.start).max(0.02) });
            let fitted = match LeakDown::fit(&Hold { points, noise_pa, stroke }, &spec) {
                // So soon the hand may still have moved: once more from when it must rest.
                Ok(fit) if let_go && fit.misfit > p.tray.misfit_most => {
                    let late = points.partition_point(|v| v.0 < p.tray.at_rest_after_s);
                    LeakDown::fit(&Hold { points: &points[late..], noise_pa, stroke }, &spec)
                }
                fitted => fitted,
            };
            match fitted {
                Ok(fit) if fit.misfit > p.tray.misfit_most => nothing(
                    format!(
                        "from {:.0} to {:.0} Pa it did not fall as through a hole: the syringe moved, or something opened on the way",
                        s.from_pa, left
                    ),
                    p,
                ),
                Ok(fit) if stroke.is_some() && fit.settling_pa < -UPHILL * fit.from_pa => nothing(
                    format!(
                        "from {:.0} to {:.0} Pa it fell as if the draw had warmed the gas: the syringe was still moving",
                        s.from_pa, left
                    ),
                    p,
                ),
                Ok(fit) => Said::Fit(Box::new(fit)),
                // Falls so fast may as well have been let out by hand.
                Err(Unfit::TooFast) if let_go => return None,
                // So may a syringe that was pushed back: no size follows.
                Err(Unfit::TooFast) => nothing(
                    format!(
                        "the vacuum was gone before it could be read: let go, or a hole of more than {:.1} mm",
                        sizes(&spec, p.tray.volume_l * 1e-3, s.from_pa.abs(), interval_s).1
                    ),
                    p,
                ),
                Err(Unfit::TooShallow) => {
                    nothing(format!("{:.0} Pa are too little against noise and zero", s.from_pa), p)
                }
                Err(Unfit::TooShort) => nothing("the gas was still settling when it ended".to_owned(), p),
            }
        };
        Some(Held { rig: s.rig, start: s.start, end, from_pa: s.from_pa, said, spec, interval_s })
    }
}

/// A vacuum that was let go by hand is gone sooner, seconds.
const LEAST_RELEASE_S: f64 = 0.3;

fn nothing(why: String, p: &Settings) -> Said {
    Said::Nothing { why, next: again(p) }
}

/// How to hold, in words.
pub(in crate::grade) fn again(p: &Settings) -> String {
    format!(
        "draw to about {:.0} Pa, close the port and leave the syringe alone for {:.0} s",
        -deep_pa(p),
        2.0 * p.tray.hold_s
    )
}

/// Deep enough to read well, and below where the vacuum relief may open.
fn deep_pa(p: &Settings) -> f64 {
    (2.0 * p.tray.hold_least_pa).max(0.65 * p.reliefs.vacuum_low_pa).min(0.9 * p.reliefs.vacuum_low_pa)
}

/// Why a known hole empties a volume before it can be read, and what would do; both in words. None where it can be read.
pub(super) fn too_small(t: &Timeline, interval_s: f64, v: Volume, mm: f64) -> Option<(String, String)> {
    let p = &t.profile.set;
    let (spec, deep) = (spec(t, t.zero_pa().1), deep_pa(p));
    let falls_s = quarter_s(&spec, v.m3, mm, deep);
    let (reads_s, samples) = readable_s(interval_s);
    // The reading begins when the hand has come to rest.
    let needed_s = p.tray.at_rest_after_s + reads_s;
    let share = needed_s / falls_s;
    let why = format!(
        "{:.2} L are too little for the known hole: {mm} mm let {deep:.0} Pa fall to a quarter in {falls_s:.2} s; the hand needs {:.1} s to come to rest and the transducer {reads_s:.2} s for {samples:.0} samples",
        v.m3 * 1e3,
        p.tray.at_rest_after_s
    );
    let litres = (v.m3 * 1e3 * share * 100.0).ceil() / 100.0;
    let (from, _) = sizes(&spec, v.m3, deep, interval_s);
    let most = (mm / share.sqrt() * 100.0).floor() / 100.0;
    let next = format!(
        "take a bottle of at least {litres:.2} L and set tray.volume_l, or a known hole of at most {most:.2} mm and set tray.reference_mm; this volume can size holes from {from:.2} to {most:.2} mm"
    );
    (share > 1.0).then_some((why, next))
}

/// On the module the vacuum relief itself may leak where it may open: read from below that, if enough is left.
fn above_relief<'a>(points: &'a [(f64, f64)], rig: Rig, p: &Settings) -> &'a [(f64, f64)] {
    if rig != Rig::Module {
        return points;
    }
    let below = points.iter().position(|v| v.1 > -p.reliefs.vacuum_low_pa).unwrap_or(points.len());
    if 2 * below < points.len() { &points[below..] } else { points }
}

fn spec(t: &Timeline, zero_error_pa: f64) -> LeakDownSpec {
    let p = &t.profile.set;
    // The gain's error moves the root of the pressure: a quarter of it the diameter. The area's error moves half.
    let (gain, area) = (0.25 * p.tray.transducer_error_pct * 0.01, 0.5 * p.model.area_error_pct * 0.01);
    LeakDownSpec {
        cd: p.model.discharge_cd,
        baro_pa: t.baro_pa().map_or(101_325.0, |b| b.0),
        gas_k: kelvin(t.signals.get(Channel::AmbientC).unwrap_or(20.0)),
        zero_error_pa,
        settling_s: (p.tray.settling_low_s, p.tray.settling_high_s),
        drift_pa_per_s: p.tray.drift_pa_per_s,
        model_error: (gain * gain + area * area).sqrt(),
    }
}

impl Held {
    /// The equivalent hole, mm.
    pub fn hole(&self, v: Volume) -> Option<Sized> {
        match &self.said {
            Said::Fit(fit) => Some(fit.hole(v.m3, v.spread)),
            _ => None,
        }
    }

    /// Probability that the hole is of `mm` or more; none where the hold says nothing.
    pub fn p_at_least(&self, mm: f64, v: Volume) -> Option<f64> {
        match &self.said {
            Said::Fit(fit) => Some(fit.p_at_least(mm, v.m3, v.spread)),
            Said::Nothing { .. } => None,
        }
    }

    /// The smallest and the largest hole that this volume can size, mm.
    pub fn sizes(&self, v: Volume) -> (f64, f64) {
        sizes(&self.spec, v.m3, self.from_pa.abs(), self.interval_s)
    }

    /// It says something of the hole.
    pub fn speaks(&self) -> bool {
        !matches!(self.said, Said::Nothing { .. })
    }

    /// In a few words: `at 123.4 s 0.31 mm`.
    pub fn words(&self, v: Volume) -> String {
        let at = self.start.secs();
        match (&self.said, self.hole(v)) {
            (Said::Nothing { why, .. }, _) => format!("at {at:.1} s nothing: {why}"),
            (_, Some(s)) => format!("at {at:.1} s {:.2} mm ({:.2} to {:.2})", s.best, s.low, s.high),
            (Said::Fit(_), None) => format!("at {at:.1} s nothing"),
        }
    }
}

impl Volume {
    /// The profile's.
    pub fn of(p: &Settings) -> Volume {
        Volume { m3: p.tray.volume_l * 1e-3, spread: p.tray.volume_spread_pct * 0.01, learnt: false }
    }

    /// What the known hole tells.
    pub fn learnt(held: &Held, mm: f64, p: &Settings) -> Option<Volume> {
        let Said::Fit(fit) = &held.said else { return None };
        let v = fit.volume(mm, p.tray.reference_error_pct * 0.01)?;
        Some(Volume { m3: v.best, spread: 0.5 * (v.high - v.low) / v.best, learnt: true })
    }

    /// `2.00 L (profile)`.
    pub fn words(&self) -> String {
        let from = if self.learnt { "told by the known hole" } else { "by the profile" };
        format!("{:.2} L {from}, within {:.0} %", self.m3 * 1e3, self.spread * 100.0)
    }
}
