//! Switch point: the vacuum at which the switch closes and re-opens, over several strokes.
//!
//! Every number carries its interval (90 %): transducer, quantisation, sampling and lag together. A verdict is given
//! only where the whole interval lies on one side of the limit.

use super::edges::{Common, Edge, Edges, OF_90};
use crate::channel::Channel;
use crate::grade::draft::{Draft, Machine};
use crate::time::Stamp;
use crate::timeline::{Happening, Rig, StrokeKind, SwitchState, Timeline};
use crate::trade::{Test, Verdict};

/// The machine: one run from repair to repair.
#[derive(Debug, Default)]
pub(in crate::grade) struct SwitchPoint {
    past: Vec<Draft>,
    run: Run,
}

#[derive(Debug, Clone, Default)]
struct Run {
    start: Option<Stamp>,
    last: Option<Stamp>,
    trace: Edges,
    edges: Vec<Edge>,
    /// Edges of strokes so quick that they tell nothing.
    too_quick: u32,
    /// The deepest vacuum of each draw over which the switch stayed open.
    stayed_open_pa: Vec<f64>,
    /// Of the draw under way: deepest vacuum, and whether the switch was open all the way.
    draw: Option<(f64, bool)>,
}

/// An edge is of use if it is known at least to this share of the span in which sound units close.
const KNOWN: f64 = 0.3;
/// Speeds differ if the quickest is so many times the slowest.
const SPEEDS: f64 = 2.0;

impl Machine for SwitchPoint {
    fn test(&self) -> Test {
        Test::SwitchPoint
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Switch(turn) => {
                if let Some(edge) = self.run.trace.turn(t, turn) {
                    self.run.edge(t, edge);
                }
            }
            Happening::Gap { .. } => self.run.trace.clear(),
            Happening::Rig(..) => {
                self.run.trace.clear();
                self.run.draw = None;
            }
            Happening::Stroke(s) if s.rig == Rig::Module => {
                let deep = self.run.draw.take().filter(|d| d.1 && s.kind == StrokeKind::Draw);
                if let Some((deepest, _)) = deep {
                    self.run.stayed_open(t, deepest);
                }
            }
            Happening::Repair(at) => {
                if self.run.start.is_some() {
                    self.past.push(self.run.draft(t, *at, false));
                }
                self.run = Run::default();
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        if self.run.last != Some(t.now()) && t.profile.set.switch.fitted == "yes" {
            self.run.last = Some(t.now());
            self.run.step(t);
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let mut all = self.past.clone();
        if self.run.start.is_some() {
            all.push(self.run.draft(t, t.now(), true));
        }
        if all.is_empty() {
            let why = if t.profile.set.switch.fitted != "yes" {
                "by its profile this module has no leak switch"
            } else if !t.signals.seen(Channel::TankPressurePa) {
                "there is no tank_pressure_pa channel: the switch's point is read from the transducer"
            } else if !(t.signals.seen(Channel::SwitchSenseV) || t.signals.seen(Channel::LeakSwitch)) {
                "neither leak_switch nor switch_sense_v was recorded"
            } else {
                "no vacuum was drawn on the module"
            };
            let next = "with the module on the rig, draw slowly until the switch closes, hold, and let it back slowly";
            all.push(Draft::not_run(Test::SwitchPoint, rule(t), vec![why.into()], next));
        }
        all
    }

    fn under_way(&self, t: &Timeline) -> Option<(f64, String)> {
        self.run.start?;
        let needed = t.profile.set.tray.strokes_needed;
        let (closings, openings) = self.run.counts();
        let done = (closings.min(openings) as f64 / needed).min(1.0);
        Some((done, format!("{closings} closings and {openings} re-openings of {needed:.0} each")))
    }
}

impl Run {
    fn step(&mut self, t: &Timeline) {
        self.trace.step(t);
        if t.rig().0 != Rig::Module {
            return;
        }
        let Some((pa, _)) = t.pressure_pa() else { return };
        if t.switch().0.is_none() || -pa < t.profile.set.tray.stroke_pa {
            return;
        }
        self.start.get_or_insert(t.now());
        let draw = self.draw.get_or_insert((0.0, true));
        draw.1 &= t.switch_raw() == Some(SwitchState::Open);
        draw.0 = draw.0.max(-pa);
    }

    fn edge(&mut self, t: &Timeline, edge: Edge) {
        // A closing that the syringe did not draw, or an opening that it did not let in, is a contact's own.
        if edge.vacuum_pa < 0.0 || (edge.rate > 0.0) != edge.closes {
            return;
        }
        let s = &t.profile.set.switch;
        let common = Common::of(&t.profile.set, t.zero_pa().1);
        let lag = edge.rate * common.lag_s;
        if OF_90 * (edge.own_pa * edge.own_pa + lag * lag).sqrt() > KNOWN * (s.closes_high_pa - s.closes_low_pa) {
            self.too_quick += 1;
            return;
        }
        self.edges.push(edge);
    }

    fn stayed_open(&mut self, t: &Timeline, deepest_pa: f64) {
        let p = &t.profile.set;
        let common = Common::of(p, t.zero_pa().1);
        let margin = OF_90 * (common.zero_pa + common.gain * deepest_pa) + 3.0 * t.pressure_noise_pa();
        if deepest_pa > p.switch.closes_high_pa + margin {
            self.stayed_open_pa.push(deepest_pa);
        }
    }

    fn counts(&self) -> (usize, usize) {
        let closings = self.edges.iter().filter(|e| e.closes).count();
        (closings, self.edges.len() - closings)
    }

    fn draft(&self, t: &Timeline, end: Stamp, open: bool) -> Draft {
        let p = &t.profile.set;
        let needed = p.tray.strokes_needed as usize;
        let mut d = Draft::run(Test::SwitchPoint, rule(t), self.start.unwrap_or(end), end);
        d.open = open;
        d.rests_on_switch = true;
        let (closings, openings) = self.counts();
        d.note("closings", closings as f64);
        d.note("reopenings", openings as f64);
        d.note("too_quick", f64::from(self.too_quick));

        let common = Common::of(p, t.zero_pa().1);
        let closing: Vec<Edge> = self.edges.iter().copied().filter(|e| e.closes).collect();
        let opening: Vec<Edge> = self.edges.iter().copied().filter(|e| !e.closes).collect();
        let last = self.edges.last().map_or(end, |e| e.at);

        if closing.len() < needed && self.stayed_open_pa.len() >= needed {
            let deepest = self.stayed_open_pa.iter().fold(0.0, |a: f64, b| a.max(*b));
            d.note("stayed_open_to_pa", deepest);
            d.decide(Verdict::Fail, end);
            d.because(format!(
                "in {} draws to as much as {deepest:.0} Pa of vacuum the switch stayed open; sound ones close by {:.0} Pa",
                self.stayed_open_pa.len(),
                p.switch.closes_high_pa
            ));
            d.next("bridge the sense line to ground at the module: a line that falls clears the wiring and condemns the switch");
            return d;
        }

        let mut said = Said::default();
        match Point::of(&closing, common) {
            Some(c) if closing.len() >= needed => {
                c.note(&mut d, "closes");
                said.judge(
                    c.mean_pa,
                    c.half_pa,
                    (p.switch.closes_low_pa, p.switch.closes_high_pa),
                    &format!("it closes at {}", c.words()),
                    "closes",
                );
                said.judge(
                    c.spread_pa,
                    c.spread_half_pa,
                    (f64::NEG_INFINITY, p.tray.repeats_within_pa),
                    &format!("{} closings lie within {:.0} ± {:.0} Pa", closing.len(), c.spread_pa, c.spread_half_pa),
                    "repeats",
                );
                match c.drift {
                    Some((drift, half)) => {
                        d.note("drift_pa", drift);
                        d.note("drift_half_pa", half);
                        said.judge(
                            drift.abs(),
                            half,
                            (f64::NEG_INFINITY, p.tray.drift_within_pa),
                            &format!("from slow to quick strokes its closing point moves by {drift:.0} ± {half:.0} Pa"),
                            "drift",
                        );
                    }
                    None => said.open(
                        format!(
                            "all strokes were equally quick ({:.0} Pa/s): whether its point moves with speed is not shown",
                            c.mean_rate.abs()
                        ),
                        "draw once slowly (10 s to the point) and once quickly (1 s)",
                    ),
                }
            }
            _ => said.open(
                format!("{} of {needed} closings that a draw tells well were seen", closing.len()),
                "draw slowly past the switch's point, let it back slowly, and repeat",
            ),
        }
        match Point::of(&opening, common) {
            Some(o) if opening.len() >= needed => {
                o.note(&mut d, "reopens");
                said.judge(
                    o.mean_pa,
                    o.half_pa,
                    (p.switch.reopens_low_pa, p.switch.reopens_high_pa),
                    &format!("it re-opens at {}", o.words()),
                    "reopens",
                );
            }
            _ => said.open(
                format!("{} of {needed} re-openings that a slow way back tells well were seen", opening.len()),
                "let the vacuum back slowly past the switch's point; a hose pulled off is too quick to tell it",
            ),
        }
        if let Some((mean, half)) = hysteresis(&closing, &opening, common) {
            d.note("hysteresis_pa", mean);
            d.note("hysteresis_half_pa", half);
            said.judge(
                mean,
                half,
                (p.tray.hysteresis_low_pa, f64::INFINITY),
                &format!("its hysteresis is {mean:.0} ± {half:.0} Pa"),
                "hysteresis",
            );
        }
        if self.too_quick > 0 {
            said.asides.push(format!("{} turns of the switch came too quickly to tell its point", self.too_quick));
        }
        if let (Some(c), Some(o)) = (Point::of(&closing, common), Point::of(&opening, common)) {
            said.sound = format!(
                "it closes at {} and re-opens at {} of vacuum, over {} and {} strokes",
                c.words(),
                o.words(),
                closing.len(),
                opening.len()
            );
        }
        said.tell(&mut d, last);
        d
    }
}

/// What the limits make of the numbers.
#[derive(Debug, Default)]
struct Said {
    failed: Vec<String>,
    passed: Vec<String>,
    opened: Vec<String>,
    asides: Vec<String>,
    next: Option<String>,
    /// In one sentence, if all is well.
    sound: String,
    outside: Vec<&'static str>,
}

impl Said {
    /// Guard-banded: pass if all of the interval is inside, fail if none of it is.
    fn judge(&mut self, value: f64, half: f64, limits: (f64, f64), words: &str, name: &'static str) {
        let (low, high) = limits;
        let limit = match (low.is_finite(), high.is_finite()) {
            (true, true) => format!("{low:.0} to {high:.0} Pa"),
            (true, false) => format!("at least {low:.0} Pa"),
            _ => format!("at most {high:.0} Pa"),
        };
        if value - half >= low && value + half <= high {
            self.passed.push(format!("{words}, limit {limit}"));
        } else if value + half < low || value - half > high {
            self.outside.push(name);
            self.failed.push(format!("{words}, outside {limit}"));
        } else {
            self.open(
                format!("{words}: too near the limit of {limit} to tell"),
                "repeat with slow strokes; if it stays on the limit, calibrate the transducer and repeat",
            );
        }
    }

    fn open(&mut self, words: String, next: &str) {
        self.opened.push(words);
        self.next.get_or_insert_with(|| next.to_owned());
    }

    fn tell(self, d: &mut Draft, at: Stamp) {
        if !self.failed.is_empty() {
            d.decide(Verdict::Fail, at);
            d.note("outside", self.outside.join(", "));
            d.next("replace the module: its switch is off its point");
        } else if self.opened.is_empty() {
            d.decide(Verdict::Pass, at);
            d.because(self.sound);
            d.next("none");
        } else if let Some(next) = self.next {
            d.next(next);
        }
        for text in [self.failed, self.opened, self.passed, self.asides].into_iter().flatten() {
            d.because(text);
        }
    }
}

/// What several edges of one kind say together.
#[derive(Debug, Clone, PartialEq)]
struct Point {
    mean_pa: f64,
    /// Half-width (90 %).
    half_pa: f64,
    low_pa: f64,
    high_pa: f64,
    /// Highest less lowest, what goes with speed taken out where that is known.
    spread_pa: f64,
    spread_half_pa: f64,
    /// From the slowest to the quickest, and its half-width.
    drift: Option<(f64, f64)>,
    mean_rate: f64,
    own_pa: f64,
    lag_pa: f64,
    common_pa: f64,
}

impl Point {
    fn of(edges: &[Edge], common: Common) -> Option<Point> {
        if edges.is_empty() {
            return None;
        }
        // Slow strokes tell more: the lag's error grows with speed.
        let weight = |e: &Edge| {
            let lag = e.rate * common.lag_s;
            1.0 / (e.own_pa * e.own_pa + lag * lag).max(1e-3)
        };
        let (mut w, mut wp, mut wr, mut own2) = (0.0, 0.0, 0.0, 0.0);
        for e in edges {
            let k = weight(e);
            w += k;
            wp += k * e.vacuum_pa;
            wr += k * e.rate;
            own2 += k * k * e.own_pa * e.own_pa;
        }
        let (mean_pa, mean_rate) = (wp / w, wr / w);
        // What the point itself scatters from stroke to stroke counts as well.
        let n = edges.len() as f64;
        let scatter2: f64 = edges.iter().map(|e| weight(e) * (e.vacuum_pa - mean_pa) * (e.vacuum_pa - mean_pa)).sum();
        let own_pa = (own2.sqrt() / w).max(if n > 1.0 { (scatter2 / w / (n - 1.0)).sqrt() } else { 0.0 });
        let lag_pa = mean_rate.abs() * common.lag_s;
        let gain_pa = common.gain * mean_pa;
        let common_pa = (gain_pa * gain_pa + common.zero_pa * common.zero_pa).sqrt();
        let half_pa = OF_90 * (own_pa * own_pa + lag_pa * lag_pa + common_pa * common_pa).sqrt();

        // One edge that was timed badly must not speak for the spread of all.
        let edges = &well_timed(edges)[..];
        let drift = drift(edges, common, mean_pa, mean_rate);
        let slope = drift.map_or(0.0, |d| d.slope);
        let rest = |e: &Edge| e.vacuum_pa - slope * (e.rate - mean_rate);
        let by = |a: &&Edge, b: &&Edge| rest(a).total_cmp(&rest(b));
        let (least, most) = (edges.iter().min_by(by)?, edges.iter().max_by(by)?);
        let lag_between = if drift.is_some() { 0.0 } else { (most.rate - least.rate) * common.lag_s };
        let spread_half_pa =
            OF_90 * (least.own_pa * least.own_pa + most.own_pa * most.own_pa + lag_between * lag_between).sqrt();
        let raw = edges.iter().map(|e| e.vacuum_pa);
        Some(Point {
            mean_pa,
            half_pa,
            low_pa: raw.clone().fold(f64::INFINITY, f64::min),
            high_pa: raw.fold(f64::NEG_INFINITY, f64::max),
            spread_pa: rest(most) - rest(least),
            spread_half_pa,
            drift: drift.map(|d| (d.moves_pa, d.half_pa)),
            mean_rate,
            own_pa,
            lag_pa,
            common_pa,
        })
    }

    fn words(&self) -> String {
        format!("{:.0} ± {:.0} Pa", self.mean_pa, self.half_pa)
    }

    fn note(&self, d: &mut Draft, name: &str) {
        d.note(&format!("{name}_pa"), self.mean_pa);
        d.note(&format!("{name}_half_pa"), self.half_pa);
        d.note(&format!("{name}_least_pa"), self.low_pa);
        d.note(&format!("{name}_most_pa"), self.high_pa);
        d.note(&format!("{name}_spread_pa"), self.spread_pa);
        d.note(&format!("{name}_spread_half_pa"), self.spread_half_pa);
        d.note(&format!("{name}_by_transducer_pa"), OF_90 * self.common_pa);
        d.note(&format!("{name}_by_lag_pa"), OF_90 * self.lag_pa);
        d.note(&format!("{name}_by_sampling_pa"), OF_90 * self.own_pa);
    }
}

/// Those known nearly as well as most; all, if they are few.
fn well_timed(edges: &[Edge]) -> Vec<Edge> {
    let mut own: Vec<f64> = edges.iter().map(|e| e.own_pa).collect();
    own.sort_by(f64::total_cmp);
    let most = 2.0 * own[own.len() / 2];
    edges.iter().copied().filter(|e| e.own_pa <= most).collect()
}

#[derive(Debug, Clone, Copy)]
struct Drift {
    slope: f64,
    moves_pa: f64,
    half_pa: f64,
}

/// How the point moves with the speed of the stroke; none where the speeds are too much alike to tell.
fn drift(edges: &[Edge], common: Common, mean_pa: f64, mean_rate: f64) -> Option<Drift> {
    let speeds = edges.iter().map(|e| e.rate.abs());
    let (slow, quick) = (speeds.clone().fold(f64::INFINITY, f64::min), speeds.fold(0.0, f64::max));
    if edges.len() < 2 || quick < SPEEDS * slow {
        return None;
    }
    let weight = |e: &Edge| 1.0 / (e.own_pa * e.own_pa).max(1e-3);
    let (mut w, mut wr, mut wp) = (0.0, 0.0, 0.0);
    for e in edges {
        w += weight(e);
        wr += weight(e) * (e.rate - mean_rate);
        wp += weight(e) * (e.vacuum_pa - mean_pa);
    }
    let (r0, p0) = (wr / w, wp / w);
    let (mut rr, mut rp) = (0.0, 0.0);
    for e in edges {
        let r = e.rate - mean_rate - r0;
        rr += weight(e) * r * r;
        rp += weight(e) * r * (e.vacuum_pa - mean_pa - p0);
    }
    if rr <= 0.0 {
        return None;
    }
    let slope = rp / rr;
    let span = quick - slow;
    // The lag's error moves every point in proportion to its speed: it is an error of the slope.
    let error = (1.0 / rr + common.lag_s * common.lag_s).sqrt();
    Some(Drift { slope, moves_pa: slope * span * edges[0].rate.signum(), half_pa: OF_90 * error * span })
}

/// Closing less the next re-opening, on the mean, with its half-width.
fn hysteresis(closing: &[Edge], opening: &[Edge], common: Common) -> Option<(f64, f64)> {
    let (c, o) = (Point::of(closing, common)?, Point::of(opening, common)?);
    let mean = c.mean_pa - o.mean_pa;
    // The zero falls out; the lag works on both, in opposite ways.
    let lag = (c.mean_rate - o.mean_rate) * common.lag_s;
    let gain = common.gain * mean;
    Some((mean, OF_90 * (c.own_pa * c.own_pa + o.own_pa * o.own_pa + lag * lag + gain * gain).sqrt()))
}

fn rule(t: &Timeline) -> String {
    let (p, s) = (&t.profile.set.switch, |path| t.profile.source(path).to_owned());
    format!(
        "closes within {:.0} to {:.0} Pa of vacuum ({}), re-opens within {:.0} to {:.0} Pa ({}); over {:.0} strokes within {:.0} Pa ({}), hysteresis at least {:.0} Pa ({}), moved by speed at most {:.0} Pa ({}); all of the interval (90 %) inside",
        p.closes_low_pa,
        p.closes_high_pa,
        s("switch.closes_low_pa"),
        p.reopens_low_pa,
        p.reopens_high_pa,
        s("switch.reopens_low_pa"),
        t.profile.set.tray.strokes_needed,
        t.profile.set.tray.repeats_within_pa,
        s("tray.repeats_within_pa"),
        t.profile.set.tray.hysteresis_low_pa,
        s("tray.hysteresis_low_pa"),
        t.profile.set.tray.drift_within_pa,
        s("tray.drift_within_pa")
    )
}
