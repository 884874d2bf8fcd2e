//! Edges of the switch on the tray: the vacuum at which it turned, how sure that is, and how long it bounced.

use crate::channel::Channel;
use crate::profile::Settings;
use crate::time::Stamp;
use crate::timeline::{Rig, SwitchState, Timeline, Turn, Vent};
use std::collections::VecDeque;

/// One turn of the switch, worked by the syringe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Edge {
    /// It closed; else it re-opened.
    pub closes: bool,
    /// The moment: half the sampling interval before the first sample that showed it.
    pub at: Stamp,
    /// Vacuum then, pascals, corrected for the sampling interval and the mean lag of the transducer.
    pub vacuum_pa: f64,
    /// How fast the vacuum grew then, pascals a second; negative where it went.
    pub rate: f64,
    /// One standard deviation of what differs from edge to edge: noise, quantisation, sampling.
    pub own_pa: f64,
    /// Between the first and the last flip, seconds; zero where one sample was open and the next closed for good.
    pub bounced_s: f64,
    /// Flips seen.
    pub flips: u32,
    /// Sampling interval of the line, seconds.
    pub sampled_s: f64,
}

/// What all edges of a rig share, one standard deviation each.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Common {
    /// Error of the transducer's gain, a share.
    pub gain: f64,
    /// Error of its zero, pascals.
    pub zero_pa: f64,
    /// Error of its lag, seconds.
    pub lag_s: f64,
}

/// A half-width of 90 % is so many standard deviations of a normal distribution.
pub(super) const OF_90: f64 = 1.644_853_626_951_472_7;
/// A rectangle's half-width is so many of its standard deviations.
const OF_RECTANGLE: f64 = 1.732_050_807_568_877_2;

impl Common {
    /// From the profile; `zero_pa` is the half-width of the zero's error (90 %).
    pub fn of(p: &Settings, zero_pa: f64) -> Common {
        Common {
            gain: p.tray.transducer_error_pct * 0.01 / OF_90,
            zero_pa: zero_pa / OF_90,
            lag_s: 0.5 * (p.tray.lag_high_s - p.tray.lag_low_s) / OF_RECTANGLE,
        }
    }
}

/// Finds edges.
#[derive(Debug, Clone, Default)]
pub(super) struct Edges {
    /// Vacuum and when, the last seconds.
    trace: VecDeque<(Stamp, f64)>,
    last: Option<(Stamp, f64)>,
    /// Flips of the line lately: when, and how long before that the line was last sampled.
    flips: VecDeque<(Stamp, f64)>,
    raw: Option<SwitchState>,
    line: Sampling,
    vent_open: Option<Stamp>,
}

/// The trace is kept for so long, seconds.
const KEPT_S: f64 = 4.0;
/// A line through the trace spans at most so much either side of an edge, seconds and pascals.
const SPAN_S: f64 = 0.3;
const SPAN_PA: f64 = 40.0;
/// A straight trace lies about its line by no more than so many times the noise; fewer samples are not shortened.
const BENT: f64 = 1.2;
const SHORTEST: usize = 7;
/// Flips closer than this belong to one edge, seconds.
const ONE_EDGE_S: f64 = 1.0;

impl Edges {
    /// Values are new.
    pub fn step(&mut self, t: &Timeline) {
        let now = t.now();
        if let (Some((raw_pa, at)), Some((pa, _))) = (t.signals.last(Channel::TankPressurePa), t.pressure_pa()) {
            let held_s = t.signals.held_interval(Channel::TankPressurePa);
            let again = self.last.is_some_and(|(l, p)| at <= l || (p == raw_pa && at.since(l) < 1.5 * held_s));
            if !again {
                self.last = Some((at, raw_pa));
                self.trace.push_back((at, -pa));
                while self.trace.front().is_some_and(|f| now.since(f.0) > KEPT_S) {
                    self.trace.pop_front();
                }
            }
        }
        if t.vent().0 == Some(Vent::Open) {
            self.vent_open = Some(now);
        }
        let raw = t.switch_raw();
        let flipped = raw != self.raw && self.raw.is_some() && raw.is_some();
        let interval_s = self.line.see(t, flipped);
        if raw != self.raw {
            if flipped {
                self.flips.push_back((now, interval_s));
            }
            self.raw = raw;
            while self.flips.front().is_some_and(|f| now.since(f.0) > KEPT_S) {
                self.flips.pop_front();
            }
        }
    }

    /// Something tore the trace: a gap, another part on the rig.
    pub fn clear(&mut self) {
        let line = Sampling { last_row: None, last: None, last_line: None, ..self.line.clone() };
        *self = Edges { line, ..Edges::default() };
    }

    /// The edge of a turn that the timeline believes; none where the syringe did not make it.
    pub fn turn(&self, t: &Timeline, turn: &Turn<Option<SwitchState>>) -> Option<Edge> {
        let closes = match (turn.from, turn.to) {
            (Some(SwitchState::Open), Some(SwitchState::Closed)) => true,
            (Some(SwitchState::Closed), Some(SwitchState::Open)) => false,
            _ => return None,
        };
        let vented = self.vent_open.is_some_and(|v| turn.at.since(v) < 0.5);
        if vented || t.rig().0 != Rig::Module {
            return None;
        }
        // The flips that led to it: the first of them is where the diaphragm got there.
        let mut first = (turn.at, turn.uncertainty_s);
        let mut flips = 0;
        for f in self.flips.iter().rev().filter(|f| f.0 <= turn.at) {
            if first.0.since(f.0) > ONE_EDGE_S {
                break;
            }
            first = *f;
            flips += 1;
        }
        let sampled_s = first.1;
        let at = first.0.plus(-0.5 * sampled_s);
        let line = self.line(at, t.pressure_noise_pa() + 0.5 * t.pressure_step_pa())?;
        let p = &t.profile.set.tray;
        let lag_s = 0.5 * (p.lag_low_s + p.lag_high_s);
        let noise = t.pressure_noise_pa() / line.weight.sqrt();
        let step = 0.5 * t.pressure_step_pa() / OF_RECTANGLE;
        // A stroke may begin or end within the interval: then the rate at one moment of it says too little.
        let sampling = (line.rate.abs() * sampled_s).max(self.moved(first.0.plus(-sampled_s), first.0));
        let sampling = 0.5 * sampling / OF_RECTANGLE;
        Some(Edge {
            closes,
            at,
            vacuum_pa: line.vacuum_pa + line.rate * lag_s,
            rate: line.rate,
            own_pa: (noise * noise + step * step + sampling * sampling).sqrt(),
            bounced_s: turn.at.since(first.0),
            flips: flips.max(1),
            sampled_s,
        })
    }

    /// How far the trace moved between two moments, pascals.
    fn moved(&self, from: Stamp, to: Stamp) -> f64 {
        let within = || self.trace.iter().filter(|s| s.0 >= from && s.0 <= to).map(|s| s.1);
        (within().fold(f64::NEG_INFINITY, f64::max) - within().fold(f64::INFINITY, f64::min)).max(0.0)
    }

    /// The trace about a moment as a line, over so short a stretch that it is one within the noise: against a leak the hand
    /// pulls unsteadily.
    fn line(&self, at: Stamp, noise_pa: f64) -> Option<Line> {
        let rough =
            fit(self.trace.iter().filter(|s| s.0.since(at).abs() <= 0.5 * SPAN_S), at).or_else(|| self.two(at))?;
        let mut span = (SPAN_PA / rough.rate.abs().max(1.0)).min(SPAN_S);
        loop {
            let close: Vec<&(Stamp, f64)> = self.trace.iter().filter(|s| s.0.since(at).abs() <= span).collect();
            if close.len() < 4 {
                return self.two(at).or(Some(rough));
            }
            let Some(line) = fit(close.iter().copied(), at) else { return Some(rough) };
            let off = |s: &&(Stamp, f64)| s.1 - line.vacuum_pa - line.rate * s.0.since(at);
            let bent = (close.iter().map(|s| off(s) * off(s)).sum::<f64>() / close.len() as f64).sqrt();
            if bent <= BENT * noise_pa || close.len() < SHORTEST {
                return Some(line);
            }
            span *= 0.6;
        }
    }

    /// The line between the samples before and after.
    fn two(&self, at: Stamp) -> Option<Line> {
        let after = self.trace.iter().position(|s| s.0 >= at)?;
        let (a, b) = (self.trace.get(after.checked_sub(1)?)?, self.trace.get(after)?);
        let dt = b.0.since(a.0);
        if dt <= 0.0 || dt > 2.0 {
            return None;
        }
        let rate = (b.1 - a.1) / dt;
        Some(Line { vacuum_pa: a.1 + rate * at.since(a.0), rate, weight: 1.0 })
    }
}

/// How finely the line's state is timed.
///
/// An adapter that times edges on the chip sends the state when it changes, in a row of its own, and now and then in
/// between; so what lies between two samples says nothing, and what lies between two rows little. That it does so is
/// seen from edges that come off the beat.
#[derive(Debug, Clone, Default)]
struct Sampling {
    last_row: Option<Stamp>,
    last: Option<Stamp>,
    /// Usual spacing of rows and of samples of the state, seconds.
    rows_s: Usual,
    samples_s: Usual,
    /// An edge came between two beats: of the samples, of the rows.
    on_change: bool,
    rows_of_their_own: bool,
    /// The sense line's voltage last showed the state before.
    last_line: Option<Stamp>,
    /// Closest samples of the state that were ever seen, seconds.
    finest_s: Option<f64>,
}

/// No edge is taken for better timed than this, seconds.
const FINEST_S: f64 = 0.001;
/// Sooner than this share of the usual spacing is off the beat.
const OFF_BEAT: f64 = 0.75;

impl Sampling {
    /// Values of now. How far back the true moment may lie if the line flipped now, seconds.
    fn see(&mut self, t: &Timeline, flipped: bool) -> f64 {
        let now = t.now();
        let row_s = self.last_row.map(|l| now.since(l)).filter(|s| *s > 0.0);
        let sampled = t.signals.last(sense(t)).filter(|s| s.1 == now).is_some();
        let own_s = self.last.filter(|_| sampled).map(|l| now.since(l)).filter(|s| *s > 0.0);
        if let Some(own_s) = own_s
            && flipped
        {
            self.on_change |= self.samples_s.enough() && own_s < OFF_BEAT * self.samples_s.median();
            self.rows_of_their_own |=
                self.rows_s.enough() && row_s.is_some_and(|r| r < OFF_BEAT * self.rows_s.median());
            self.finest_s = Some(self.finest_s.map_or(own_s, |f| f.min(own_s)));
        } else {
            own_s.into_iter().for_each(|s| self.samples_s.add(s));
            row_s.into_iter().for_each(|s| self.rows_s.add(s));
        }
        if row_s.is_some() || self.last_row.is_none() {
            self.last_row = Some(now);
        }
        if sampled {
            self.last = Some(now);
        }
        let own_s = own_s.unwrap_or_else(|| t.signals.uncertainty(sense(t)));
        // The voltage just before bounds the moment too.
        let line_s = self.last_line.map(|l| now.since(l)).filter(|s| *s > 0.0);
        let own_s = line_s.map_or(own_s, |l| l.min(own_s));
        if t.signals.last(Channel::SwitchSenseV).is_some_and(|s| s.1 == now) {
            self.last_line = Some(now);
        }
        let row_s = row_s.unwrap_or(own_s);
        match (self.on_change, self.rows_of_their_own) {
            (true, true) => self.finest_s.unwrap_or(row_s).max(FINEST_S).min(row_s.max(FINEST_S)),
            (true, false) => row_s.min(own_s),
            (false, _) => own_s,
        }
    }
}

/// The usual of the last spacings: their median.
#[derive(Debug, Clone, Default)]
struct Usual(VecDeque<f64>);

impl Usual {
    fn add(&mut self, s: f64) {
        self.0.push_back(s);
        if self.0.len() > 15 {
            self.0.pop_front();
        }
    }

    fn enough(&self) -> bool {
        self.0.len() >= 5
    }

    fn median(&self) -> f64 {
        let mut all: Vec<f64> = self.0.iter().copied().collect();
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied().unwrap_or(0.0)
    }
}

/// The channel that tells the switch.
fn sense(t: &Timeline) -> Channel {
    if t.signals.seen(Channel::LeakSwitch) { Channel::LeakSwitch } else { Channel::SwitchSenseV }
}

struct Line {
    vacuum_pa: f64,
    rate: f64,
    /// So many samples as good as the value at the moment is known.
    weight: f64,
}

/// Least squares; none from fewer than four samples or from one side alone.
fn fit<'a>(samples: impl Iterator<Item = &'a (Stamp, f64)>, at: Stamp) -> Option<Line> {
    let (mut n, mut st, mut sp, mut stt, mut stp) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let (mut before, mut after) = (false, false);
    for (when, vacuum) in samples {
        let x = when.since(at);
        before |= x <= 0.0;
        after |= x >= 0.0;
        n += 1.0;
        st += x;
        sp += vacuum;
        stt += x * x;
        stp += x * vacuum;
    }
    let spread = stt - st * st / n;
    if n < 4.0 || !before || !after || spread <= 0.0 {
        return None;
    }
    let rate = (stp - st * sp / n) / spread;
    let mean_x = st / n;
    let variance = 1.0 / n + mean_x * mean_x / spread;
    Some(Line { vacuum_pa: sp / n - rate * mean_x, rate, weight: 1.0 / variance })
}
