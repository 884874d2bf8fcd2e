//! Strokes: what the syringe does to a module on the tray, from the pressure trace alone.
//!
//! The trace is first broken into straight legs, each as long as the noise lets it be, so that a quick stroke and a
//! slow one are seen alike. Then legs join into strokes. What moves away from the air's pressure is the syringe.
//! What moves towards it may also be a leak, and three things tell them apart: a leak only slows down, it does not
//! stop halfway, and it does not go to nothing at once.

mod legs;

use super::Rig;
use crate::profile::Settings;
use crate::time::Stamp;
use legs::{Leg, Legs};

/// What a stretch of the trace is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StrokeKind {
    /// The syringe pulls: pressure falls.
    Draw,
    /// The syringe pushes, or a bleed valve lets vacuum out slowly: pressure rises.
    Press,
    /// The syringe rests with the port closed: the pressure stands, or leaks towards nothing.
    Hold,
    /// Pressure goes to nothing at once: a pulled hose, an opened valve or vent.
    Release,
    /// Open to the air, or at its pressure.
    AtZero,
}

impl StrokeKind {
    /// The fixed name.
    pub fn name(self) -> &'static str {
        match self {
            StrokeKind::Draw => "draw",
            StrokeKind::Press => "press",
            StrokeKind::Hold => "hold",
            StrokeKind::Release => "release",
            StrokeKind::AtZero => "at_zero",
        }
    }
}

/// One stretch of the trace. Stretches follow one another without a break, but for gaps in the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    /// What.
    pub kind: StrokeKind,
    /// Its begin.
    pub start: Stamp,
    /// Its end; of one under way, the last sample.
    pub end: Stamp,
    /// Pressure at its begin, pascals gauge, the zero taken out.
    pub from_pa: f64,
    /// Pressure at its end.
    pub to_pa: f64,
    /// What sat on the rig.
    pub rig: Rig,
}

/// The rate of a leg is to be known to this share of the least rate that counts.
const SURE: f64 = 0.1;
/// A movement away from nothing counts from this share of the least rate on.
const AWAY: f64 = 0.5;
/// A leak may seem to quicken by this factor before it is the hand.
const QUICKENS: f64 = 1.3;
/// Drawn gas gives back at most 29 % of a quick stroke by re-warming (γ = 1.4): what goes further has leaked, or was
/// let out.
const GIVES_BACK: f64 = 0.35;
/// A hand that brings the pressure back halfway does it within this, seconds.
const HAND_S: f64 = 2.5;
/// A leak that stops runs on at less than this share of what its law asks for.
const STOPS: f64 = 0.25;
/// A line through a bent trace leaves at most so many widths of the noise between them.
const BENT: f64 = 3.0;
/// Fewer samples than this do not make a straight line.
const STRAIGHT: u32 = 6;
/// What leaks for so many times the least rest, and then comes back quicker, was at rest.
const LONG: f64 = 3.0;
/// Over so long a way back, seconds, its shape tells a hand from a hole once it has ended; a quicker one is told while
/// it goes on.
const EVEN_S: f64 = 6.0;
/// What is left of a pressure that was let go, at most.
const GONE: f64 = 0.1;
/// How far back the last rate of a leak is taken, seconds.
const LATELY_S: f64 = 0.5;

/// The limits by which strokes are told.
#[derive(Debug, Clone, Copy)]
struct Bands {
    moving_pa_per_s: f64,
    stroke_pa: f64,
    still_s: f64,
    release_s: f64,
    zero_within_pa: f64,
    relief_pa: [f64; 2],
}

impl Bands {
    fn of(p: &Settings) -> Bands {
        let t = &p.tray;
        Bands {
            moving_pa_per_s: t.moving_pa_per_s,
            stroke_pa: t.stroke_pa,
            still_s: t.still_s,
            release_s: t.release_s,
            zero_within_pa: t.zero_within_pa,
            relief_pa: [p.reliefs.vacuum_low_pa, p.reliefs.pressure_low_pa],
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum State {
    Unknown,
    Zero,
    /// The syringe, or an open port, moves the pressure up (1) or down (-1).
    Move(f64),
    /// The syringe rests.
    Rest,
}

/// Makes strokes of samples.
#[derive(Debug, Clone)]
pub(super) struct Strokes {
    bands: Bands,
    legs: Legs,
    state: State,
    /// Legs of the stroke under way.
    own: Vec<Leg>,
    /// Legs since that do not fit it, and are too little for another.
    maybe: Vec<Leg>,
    zero: Option<f64>,
    zero_legs: u32,
    /// Zero error to allow for until the rig was seen at zero.
    zero_error_pa: f64,
    rig: Rig,
}

impl Strokes {
    pub fn new(p: &Settings) -> Strokes {
        Strokes {
            bands: Bands::of(p),
            legs: Legs::new(p.tray.transducer_noise_pa, p.tray.transducer_step_pa, SURE * p.tray.moving_pa_per_s),
            state: State::Unknown,
            own: Vec::new(),
            maybe: Vec::new(),
            zero: None,
            zero_legs: 0,
            zero_error_pa: p.model.pressure_zero_pa,
            rig: Rig::Module,
        }
    }

    /// What the transducer reads at the air's pressure, once it was seen there.
    pub fn zero_pa(&self) -> Option<f64> {
        self.zero
    }

    /// Noise of the trace, one standard deviation, pascals.
    pub fn noise_pa(&self) -> f64 {
        self.legs.noise_pa()
    }

    /// Smallest step of the trace, pascals.
    pub fn step_pa(&self) -> f64 {
        self.legs.step_pa()
    }

    /// A sample, raw. Strokes that ended are handed to `out`.
    pub fn see(&mut self, at: Stamp, raw_pa: f64, out: &mut Vec<Stroke>) {
        if let Some(leg) = self.legs.see(at, raw_pa) {
            self.take(leg, out);
        }
    }

    /// Nothing was recorded for a while: what was under way has ended.
    pub fn gap(&mut self, out: &mut Vec<Stroke>) {
        self.flush(out);
    }

    /// Something else sits on the rig.
    pub fn rig(&mut self, rig: Rig, out: &mut Vec<Stroke>) {
        self.flush(out);
        self.rig = rig;
    }

    /// The strokes that would follow if the record ended here; the last is the one under way.
    pub fn under_way(&self) -> Vec<Stroke> {
        let mut out = Vec::new();
        self.clone().flush(&mut out);
        out
    }

    fn flush(&mut self, out: &mut Vec<Stroke>) {
        if let Some(leg) = self.legs.close() {
            self.take(leg, out);
        }
        self.own.append(&mut self.maybe);
        self.end(out);
        self.state = State::Unknown;
    }

    fn gauge(&self, raw_pa: f64) -> f64 {
        raw_pa - self.zero.unwrap_or(0.0)
    }

    fn zero_band(&self) -> f64 {
        let unknown = if self.zero.is_none() { self.zero_error_pa } else { 0.0 };
        self.bands.zero_within_pa.max(unknown)
    }

    fn at_zero(&self, leg: &Leg) -> bool {
        let band = self.zero_band();
        self.gauge(leg.from_pa).abs() <= band && self.gauge(leg.to_pa).abs() <= band
    }

    /// 1 rising, -1 falling, 0 standing.
    fn direction(&self, leg: &Leg) -> f64 {
        // Away from nothing no leak moves it, and warmth but slowly.
        let away = self.gauge(leg.to_pa) * leg.rate > 0.0;
        let moving = self.bands.moving_pa_per_s * if away { AWAY } else { 1.0 };
        if leg.rate.abs() <= moving + 3.0 * leg.rate_error { 0.0 } else { leg.rate.signum() }
    }

    /// Moves towards the air's pressure without passing it.
    fn towards(&self, leg: &Leg) -> bool {
        let (from, to) = (self.gauge(leg.from_pa), self.gauge(leg.to_pa));
        self.direction(leg) == -from.signum() && (from * to >= 0.0 || to.abs() <= self.zero_band())
    }

    fn take(&mut self, leg: Leg, out: &mut Vec<Stroke>) {
        let direction = self.direction(&leg);
        match self.state {
            State::Unknown => {
                self.state = if self.at_zero(&leg) {
                    State::Zero
                } else if direction == 0.0 || self.towards(&leg) {
                    State::Rest
                } else {
                    State::Move(direction)
                };
                self.own.push(leg);
            }
            State::Zero if self.at_zero(&leg) => self.fits(leg),
            State::Zero => {
                self.maybe.push(leg);
                let gone = self.gauge(leg.to_pa);
                if gone.abs() >= self.bands.stroke_pa {
                    self.end(out);
                    self.state = State::Move(gone.signum());
                    self.own.append(&mut self.maybe);
                }
            }
            State::Move(way) if direction == way && !self.at_zero(&leg) => self.fits(leg),
            State::Move(way) => {
                self.maybe.push(leg);
                let still = duration(&self.maybe) >= self.bands.still_s;
                let back = (self.maybe[0].from_pa - leg.to_pa) * way;
                if self.maybe.iter().all(|l| self.at_zero(l)) && (still || direction == 0.0) {
                    self.end(out);
                    self.state = State::Zero;
                    self.own.append(&mut self.maybe);
                } else if still || (back >= self.bands.stroke_pa && !self.pops(leg.to_pa)) {
                    self.end(out);
                    self.state = State::Rest;
                    for leg in std::mem::take(&mut self.maybe) {
                        self.take(leg, out);
                    }
                }
            }
            State::Rest if self.at_zero(&leg) => {
                self.own.append(&mut self.maybe);
                self.end(out);
                self.state = State::Zero;
                self.own.push(leg);
            }
            State::Rest if direction == 0.0 => self.fits(leg),
            State::Rest if self.towards(&leg) && self.is_leak(&leg) && self.slows(&leg) => self.fits(leg),
            State::Rest => {
                let even = self.towards(&leg) && self.is_leak(&leg);
                self.maybe.push(leg);
                let moved = leg.to_pa - self.maybe[0].from_pa;
                if moved.abs() < self.bands.stroke_pa {
                    return;
                }
                // What does not slow down as it comes back was the hand from where it began to move; and a stop too
                // short to be one belongs to what follows.
                let stood = self.own.iter().take_while(|l| self.direction(l) == 0.0).count();
                let back = &self.own[stood..];
                let long = duration(back) >= LONG * self.bands.still_s;
                // An even way back goes on as it began.
                let way: Vec<Leg> = back.iter().chain(if even { &self.maybe[..] } else { &[] }).copied().collect();
                let rested = duration(&self.own) >= 2.0 * self.bands.still_s
                    && (duration(back) * rate(back)).abs() < self.bands.stroke_pa;
                let away = moved * self.gauge(leg.to_pa) > 0.0;
                let leaked = away || rested || (long && !self.straight(&way));
                let mut held = if leaked { self.own.len() } else { stood };
                if duration(&self.own[..held]) < self.bands.still_s {
                    held = 0;
                }
                let mut all = self.own.split_off(held);
                all.append(&mut self.maybe);
                self.end(out);
                self.state = State::Move(moved.signum());
                self.own = all;
            }
        }
        if self.state == State::Zero && self.maybe.is_empty() {
            self.learn_zero();
        }
    }

    fn fits(&mut self, leg: Leg) {
        self.own.append(&mut self.maybe);
        self.own.push(leg);
    }

    /// No quicker than the pressure fell before. Until the syringe has surely come to rest, all may be a leak.
    fn is_leak(&self, leg: &Leg) -> bool {
        let Some(start) = self.own.first().map(|l| l.start) else { return true };
        if leg.start.since(start) < self.bands.still_s {
            return true;
        }
        let last = leg.start;
        let lately = self.own.iter().rev().take_while(|l| last.since(l.end) < LATELY_S);
        let lately: Vec<Leg> = lately.copied().collect();
        let (Some(end), Some(begin)) = (lately.first(), lately.last()) else { return true };
        let span = end.end.since(begin.start).max(1e-3);
        let before = ((end.to_pa - begin.from_pa) / span).abs();
        let error = leg.rate_error + 2.0 * self.noise_pa() / span;
        leg.rate.abs() <= QUICKENS * before + self.bands.moving_pa_per_s + 3.0 * error
    }

    /// Came back evenly, or quicker and quicker, where the law of a hole would have bent the trace well beyond the
    /// noise.
    fn straight(&self, legs: &[Leg]) -> bool {
        let Some((first, last)) = legs.first().zip(legs.last()) else { return false };
        let settled = |l: &&Leg| l.end.since(first.start) > self.bands.still_s;
        let Some(first) = legs.iter().find(settled) else { return false };
        let (from, to) = (self.gauge(first.from_pa).abs(), self.gauge(last.to_pa).abs());
        let bend = bend(from, to);
        let chord = |at: Stamp| from + (to - from) * at.since(first.start) / last.end.since(first.start).max(1e-3);
        let bent = legs
            .iter()
            .filter(|l| l.end > first.start && l.end < last.end)
            .map(|l| chord(l.end) - self.gauge(l.to_pa).abs())
            .fold(0.0, f64::max);
        bend > 2.0 * self.legs.wide_pa() && bent < 0.4 * bend
    }

    /// Slows down with the pressure as what flows through a hole does, or more.
    fn slows(&self, leg: &Leg) -> bool {
        // A straight leg from far to near: what flows through a hole would have bent it by this much.
        let (from, to) = (self.gauge(leg.from_pa).abs(), self.gauge(leg.to_pa).abs());
        if leg.samples >= STRAIGHT && bend(from, to) > BENT * self.legs.wide_pa() {
            return false;
        }
        let Some(first) = self.own.first() else { return true };
        let settled = |l: &&Leg| l.end.since(first.start) > self.bands.still_s;
        let Some(early) = self.own.iter().find(settled) else { return true };
        let level = |l: &Leg| self.gauge(0.5 * (l.from_pa + l.to_pa)).abs();
        let law = early.rate.abs() * (level(leg) / level(early).max(1.0)).sqrt();
        leg.rate.abs() <= QUICKENS * law + self.bands.moving_pa_per_s + 3.0 * (leg.rate_error + early.rate_error)
    }

    fn learn_zero(&mut self) {
        let Some(leg) = self.own.last() else { return };
        let long = leg.end.since(leg.start) >= self.bands.still_s;
        if !long || leg.rate.abs() > self.bands.moving_pa_per_s {
            return;
        }
        let mean = 0.5 * (leg.from_pa + leg.to_pa);
        self.zero_legs += 1;
        // A zero that drifts: the last legs count.
        let weight = 1.0 / f64::from(self.zero_legs.min(8));
        self.zero = Some(self.zero.map_or(mean, |z| z + (mean - z) * weight));
    }

    /// The stroke under way has ended.
    fn end(&mut self, out: &mut Vec<Stroke>) {
        let own = std::mem::take(&mut self.own);
        let Some((first, last)) = own.first().zip(own.last()) else { return };
        let (from, to) = (self.gauge(first.from_pa), self.gauge(last.to_pa));
        // A lagging transducer and a slow last bit must not hide that it went at once.
        let gone_pa = (2.0 * self.zero_band()).max(GONE * from.abs());
        let let_go = to.abs() <= gone_pa && from.abs() > self.bands.stroke_pa.max(gone_pa);
        let kind = match self.state {
            State::Zero => StrokeKind::AtZero,
            State::Move(way) if let_go && self.went_in(&own[self.began(&own)..], gone_pa) <= self.bands.release_s => {
                // The syringe may have brought part of it back before it was let go.
                let (before, gone) = own.split_at(self.began(&own));
                let moved = before.first().map_or(0.0, |b| (b.from_pa - gone[0].from_pa).abs());
                if moved >= self.bands.stroke_pa && duration(before) > self.bands.release_s {
                    out.push(self.stroke(syringe(way), before));
                    out.push(self.stroke(StrokeKind::Release, gone));
                    return;
                }
                StrokeKind::Release
            }
            State::Move(_) if self.blows_down(from, to) => StrokeKind::Hold,
            State::Move(way) => syringe(way),
            State::Unknown | State::Rest => {
                let stood = self.began(&own);
                if let_go && self.went_in(&own[stood..], gone_pa) <= self.bands.release_s {
                    // What stood before it went was a hold, if it stood long enough.
                    let (held, gone) = own.split_at(stood);
                    if duration(held) >= self.bands.still_s {
                        out.push(self.stroke(StrokeKind::Hold, held));
                        out.push(self.stroke(StrokeKind::Release, gone));
                        return;
                    }
                    StrokeKind::Release
                } else if let Some((begin, until)) = self.comes_back_evenly(&own) {
                    let way = (own[until - 1].to_pa - own[begin].from_pa).signum();
                    let parts = [
                        (StrokeKind::Hold, 0, begin),
                        (syringe(way), begin, until),
                        (StrokeKind::Hold, until, own.len()),
                    ];
                    let parts = parts.iter().filter(|p| p.1 < p.2);
                    out.extend(parts.map(|p| self.stroke(p.0, &own[p.1..p.2])));
                    return;
                } else if let Some(stop) = self.stops_halfway(&own) {
                    let way = (own[stop - 1].to_pa - first.from_pa).signum();
                    out.push(self.stroke(syringe(way), &own[..stop]));
                    out.push(self.stroke(StrokeKind::Hold, &own[stop..]));
                    return;
                } else {
                    StrokeKind::Hold
                }
            }
        };
        out.push(self.stroke(kind, &own));
    }

    /// The leg in which the last movement began.
    fn began(&self, own: &[Leg]) -> usize {
        let moves = |l: &Leg| self.direction(l) != 0.0;
        let until = own.iter().rposition(moves).map_or(0, |i| i + 1);
        own[..until].iter().rposition(|l| !moves(l)).map_or(0, |i| i + 1)
    }

    /// How long it took until no more than this was left, seconds.
    fn went_in(&self, legs: &[Leg], left_pa: f64) -> f64 {
        let near = legs.iter().position(|l| self.gauge(l.to_pa).abs() <= left_pa).map_or(legs.len(), |i| i + 1);
        duration(&legs[..near])
    }

    fn stroke(&self, kind: StrokeKind, legs: &[Leg]) -> Stroke {
        let (first, last) = (&legs[0], &legs[legs.len() - 1]);
        Stroke {
            kind,
            start: first.start,
            end: last.end,
            from_pa: self.gauge(first.from_pa),
            to_pa: self.gauge(last.to_pa),
            rig: self.rig,
        }
    }

    /// The legs in which it came back as no hole lets it: the hand. What stood before or after, if long enough to be a
    /// hold, is left out.
    fn comes_back_evenly(&self, own: &[Leg]) -> Option<(usize, usize)> {
        let moves = |l: &Leg| self.direction(l) != 0.0;
        let (mut begin, mut until) = (own.iter().position(moves)?, own.iter().rposition(moves)? + 1);
        if duration(&own[begin..until]) < EVEN_S || !self.straight(&own[begin..until]) {
            return None;
        }
        if duration(&own[..begin]) < self.bands.still_s {
            begin = 0;
        }
        if duration(&own[until..]) < self.bands.still_s {
            until = own.len();
        }
        Some((begin, until))
    }

    /// A relief closes on the way: from beyond its least opening point to not far below it.
    fn blows_down(&self, from: f64, to: f64) -> bool {
        let opens = self.bands.relief_pa[usize::from(from > 0.0)];
        from.abs() >= opens && from * to > 0.0 && to.abs() < from.abs() && to.abs() >= 0.5 * opens
    }

    /// A relief popped while the syringe goes on: the stroke is not over yet.
    fn pops(&self, to_pa: f64) -> bool {
        let from = self.maybe.first().map_or(0.0, |l| self.gauge(l.from_pa));
        self.blows_down(from, self.gauge(to_pa))
    }

    /// Where a way back that began at once stops dead short of nothing: it was the hand, no leak does so.
    fn stops_halfway(&self, own: &[Leg]) -> Option<usize> {
        let first = own.first()?;
        let stop = own.iter().rposition(|l| self.direction(l) != 0.0)? + 1;
        let (back, rest) = own.split_at(stop);
        let (from, stood) = (self.gauge(first.from_pa), self.gauge(rest.first()?.from_pa));
        let way = duration(back);
        let went = stood.abs() < (1.0 - GIVES_BACK) * from.abs() && stood * from > 0.0;
        if !went || way > HAND_S || duration(rest) < self.bands.still_s || self.blows_down(from, stood) {
            return None;
        }
        // By the law of a hole the rate goes with the root of the pressure.
        let mean_rate = (from - stood).abs() / way.max(1e-3);
        let law = mean_rate * (stood.abs() / (0.5 * (from + stood)).abs()).sqrt();
        (rate(rest).abs() < STOPS * law).then_some(stop)
    }
}

fn syringe(way: f64) -> StrokeKind {
    if way > 0.0 { StrokeKind::Press } else { StrokeKind::Draw }
}

/// How far the trace of a hole lies below the straight line between two pressures, by d√p/dt = const.
fn bend(from_pa: f64, to_pa: f64) -> f64 {
    let fall = from_pa.sqrt() - to_pa.sqrt();
    0.25 * fall * fall
}

fn duration(legs: &[Leg]) -> f64 {
    legs.first().zip(legs.last()).map_or(0.0, |(a, b)| b.end.since(a.start))
}

fn rate(legs: &[Leg]) -> f64 {
    let moved = legs.first().zip(legs.last()).map_or(0.0, |(a, b)| b.to_pa - a.from_pa);
    moved / duration(legs).max(1e-3)
}

#[cfg(test)]
mod tests;
