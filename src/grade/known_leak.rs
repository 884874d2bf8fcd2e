//! What a hole of known size in the line does to the grades, and what it teaches about the vehicle.

use super::draft::mm;
use super::verdict::{Finding, KnownHole, LeakMm, Num, Range};
use crate::physics::decay_belief::known_hole::{self, Reference};
use crate::physics::decay_belief::{DecayBelief, Seen};
use crate::time::Stamp;
use crate::timeline::{SwitchState, TightDecays, Timeline, Turn};
use crate::trade::{Test, Verdict};
use std::collections::VecDeque;

/// Says with each finding that a known hole was in the line while it ran; a leak that was found is then no fault.
pub fn mark(findings: &mut [Finding], t: &Timeline) {
    for f in findings {
        let (Some(start), Some(end)) = (f.start_s, f.end_s) else { continue };
        let Some(known) = t.known_leaks().within(Stamp::from_secs(start.0), Stamp::from_secs(end.0)) else { continue };
        let told = format!("with a known hole of {} in the line", mm(known.mm));
        f.evidence.insert(super::KNOWN_LEAK_MM.to_owned(), known.mm.into());
        if f.verdict == Verdict::Fail && matches!(f.test, Test::KeyOffSoak | Test::VacuumDecay) {
            f.withdrawn_by
                .get_or_insert_with(|| format!("{told}: it reads as the leak that it is, and tells of no fault"));
        }
        f.reasons.push(told);
    }
}

/// How long a pressure is remembered for an edge that is told late, s.
const REMEMBERED_S: f64 = 5.0;
/// 90 % of a normal distribution lie within so many standard deviations.
const SIGMAS: f64 = 1.645;
/// However often it was seen, a point is not known better, Pa.
const LEAST_PA: f64 = 2.0;
/// What is learned must be narrower than what the profile has, at least by this.
const NARROWER: f64 = 0.85;
/// The vehicle's own leak may have at most this diameter, as a share of the known hole's.
const OWN_MOST: f64 = 0.6;
/// Of the volumes that fit so few within the profile's range are too few.
const ALLOWED_LEAST: f64 = 0.05;
/// Five standard deviations.
const FITS_NOTHING: f64 = -12.5;

/// An edge of the switch with the pressure at it.
#[derive(Debug, Clone, Copy)]
struct Edge {
    vacuum_pa: f64,
    /// Half-width (90 %) of what is its own.
    error_pa: f64,
    /// Half-width of what all edges share: the sensor's zero.
    zero_pa: f64,
}

/// What was gathered for it.
#[derive(Debug, Default)]
pub struct Lesson {
    decays: known_hole::KnownHole,
    /// Supposed volume, its spread and the level at the first decay.
    supposed: Option<(f64, f64, Option<f64>)>,
    closes: Vec<Edge>,
    reopens: Vec<Edge>,
    recent: VecDeque<(Stamp, f64)>,
}

impl Lesson {
    /// Time passed. Edges are gathered from the start: a known hole may come later, and the switch is the same.
    pub fn step(&mut self, t: &Timeline) {
        let Some((pa, _)) = t.pressure_pa().filter(|_| t.zero_known()) else { return };
        let now = t.now();
        if self.recent.back().is_none_or(|r| r.0 < now) {
            self.recent.push_back((now, pa));
        }
        while self.recent.pop_front_if(|r| now.since(r.0) > REMEMBERED_S).is_some() {}
    }

    /// The switch turned.
    pub fn edge(&mut self, t: &Timeline, turn: &Turn<Option<SwitchState>>) {
        let edges = match (turn.from, turn.to) {
            (Some(SwitchState::Open), Some(SwitchState::Closed)) => &mut self.closes,
            (Some(SwitchState::Closed), Some(SwitchState::Open)) => &mut self.reopens,
            _ => return,
        };
        // It turned some time within the uncertainty before it was seen turned.
        let half = 0.5 * turn.uncertainty_s;
        let at = turn.at.plus(-half);
        let near: Vec<f64> =
            self.recent.iter().filter(|r| r.0.since(at).abs() <= half.max(0.06)).map(|r| r.1).collect();
        let pa = |s: f64| {
            let moment = at.plus(s);
            let next = self.recent.iter().position(|r| r.0 >= moment)?;
            let (b, a) = (self.recent[next], self.recent[next.checked_sub(1)?]);
            let x = moment.since(a.0) / b.0.since(a.0);
            (b.0.since(a.0) < 1.5).then_some(a.1 + (b.1 - a.1) * x)
        };
        let reach = half.max(0.2);
        let (Some(before), Some(after)) = (pa(-reach), pa(reach)) else { return };
        let n = near.len().max(1) as f64;
        let slope = (after - before) / (2.0 * reach);
        let middle = if near.is_empty() { 0.5 * (before + after) } else { near.iter().sum::<f64>() / n };
        let noise = SIGMAS * t.pressure_noise_pa() / n.sqrt();
        let moved = slope.abs() * (half.max(0.02) + t.profile.set.model.pressure_lag_s);
        // A vent that opens takes the vacuum away in a moment: that is no point of the switch.
        if slope.abs() > 400.0 || middle > -5.0 {
            return;
        }
        edges.push(Edge {
            vacuum_pa: -middle,
            error_pa: (noise * noise + moved * moved).sqrt(),
            zero_pa: t.zero_pa().1,
        });
    }

    /// A decay over the known hole ended.
    pub fn decay(&mut self, t: &Timeline, belief: &mut DecayBelief, seen: &[Seen]) {
        self.decays.add(belief, seen);
        self.supposed.get_or_insert_with(|| {
            let level = t.settled_level_pct();
            let (v, spread) = t.profile.set.vapour_volume_m3(level);
            (v, spread, level)
        });
    }

    /// A decay without the known hole ended that passed: the hole is at most `own_mm`.
    pub fn tight_decay(&mut self, belief: &mut DecayBelief, seen: &[Seen], own_mm: f64) {
        self.decays.add_tight(belief, seen, own_mm);
    }

    /// What the decays without the known hole say, for another record.
    pub fn tight_decays(&self, t: &Timeline) -> Option<TightDecays> {
        let log_like = self.decays.tight();
        let most = log_like.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let told = || log_like.iter().map(|l| l - most).collect();
        most.is_finite().then(|| TightDecays { seed: t.profile.set.model.seed as u64, log_like: told() })
    }

    /// What all that teaches; nothing if there was no known hole. `findings` may show how tight the vehicle is.
    pub fn learned(&self, t: &Timeline, findings: &[Finding]) -> Option<KnownHole> {
        let known = t.known_leaks().last()?;
        let set = &t.profile.set;
        let tight = tight_by(findings).into_iter().chain(known.tight.clone()).min_by(|a, b| a.0.total_cmp(&b.0));
        let mut out = KnownHole {
            size_mm: Num(known.mm),
            own_leak_at_most_mm: tight.as_ref().map(|t| Num(t.0)),
            tight_by: tight.as_ref().map(|t| t.1.clone()),
            decays: self.decays.decays().0,
            tight_decays: self.decays.decays().1 + u32::from(!t.known_leaks().tight().log_like.is_empty()),
            level_pct: None,
            volume_l: None,
            closes_pa: None,
            reopens_pa: None,
            refused: None,
        };
        let own_mm = match tight {
            None => {
                out.refused = Some("a tight reading without the known hole is needed, of the same vehicle on the same day: its own leak would be taken for a smaller volume; name that capture with --tight".to_owned());
                return Some(out);
            }
            Some((own, _)) if own > OWN_MOST * known.mm => {
                out.refused = Some(format!(
                    "without the known hole the vehicle's own leak may be {}: beside {} that is too much to learn from; find a surer tight reading, or use a larger known hole",
                    mm(own),
                    mm(known.mm)
                ));
                return Some(out);
            }
            Some((own, _)) => own,
        };
        let hole = Reference { mm: known.mm, error: set.tray.reference_error_pct * 0.01, own_mm };
        let told = t.known_leaks().tight();
        let told: &[f64] = if told.seed == set.model.seed as u64 { &told.log_like } else { &[] };
        let lesson = self.decays.lesson(&hole, told);
        let (Some((supposed, spread, level)), Some(lesson)) = (self.supposed, lesson) else {
            out.refused = Some("no vacuum decay over the known hole was seen whole, from sealed purge on".to_owned());
            return Some(out);
        };
        if lesson.best_fit < FITS_NOTHING {
            out.refused = Some("no tank of this profile decays over the known hole as this one did: check the size of the hole, the pressure tap and the profile".to_owned());
            return Some(out);
        }
        if lesson.allowed < ALLOWED_LEAST {
            out.refused = Some(format!(
                "the decay over the known hole needs a vapour volume beyond the {:.0} L ± {:.0} % of the profile: put the tank's own volume into it, or a larger vehicle.volume_spread_pct, and grade again",
                supposed * 1e3,
                spread * 100.0
            ));
            return Some(out);
        }
        let v = lesson.volume;
        if let Some(level) = level.filter(|_| v.high - v.low < NARROWER * 2.0 * spread) {
            let litres = |share: f64| Num(share * supposed * 1e3);
            out.level_pct = Some(Num(level));
            out.volume_l = Some(Range { low: litres(v.low), best: litres(v.best), high: litres(v.high) });
        }
        let point = |edges: &[Edge], by_decays: known_hole::Taught, (low, high): (f64, f64)| {
            let taught = points(edges).unwrap_or(by_decays);
            let (a, b) = (taught.low.max(low), taught.high.min(high));
            let narrower = taught.high - taught.low < NARROWER * (high - low) && a < b;
            narrower.then_some(Range { low: Num(taught.low), best: Num(taught.best), high: Num(taught.high) })
        };
        let s = &set.switch;
        if s.fitted == "yes" {
            out.closes_pa = point(&self.closes, lesson.closes_pa, (s.closes_low_pa, s.closes_high_pa));
            out.reopens_pa = point(&self.reopens, lesson.reopens_pa, (s.reopens_low_pa, s.reopens_high_pa));
        }
        if out.volume_l.is_none() && out.closes_pa.is_none() && out.reopens_pa.is_none() {
            out.refused = Some("what was seen is no narrower than what the profile has already: add a pressure tap, or record more decays over the known hole".to_owned());
        }
        Some(out)
    }
}

/// All edges of one kind together.
fn points(edges: &[Edge]) -> Option<known_hole::Taught> {
    let zero = edges.iter().map(|e| e.zero_pa).fold(0.0, f64::max);
    let weight = |e: &Edge| 1.0 / (e.error_pa * e.error_pa).max(1.0);
    let sum: f64 = edges.iter().map(weight).sum();
    if sum <= 0.0 {
        return None;
    }
    let best = edges.iter().map(|e| weight(e) * e.vacuum_pa).sum::<f64>() / sum;
    let own = (1.0 / sum).sqrt();
    // Where edges differ by more than their errors, the point itself moves.
    let scatter =
        (edges.iter().map(|e| weight(e) * (e.vacuum_pa - best) * (e.vacuum_pa - best)).sum::<f64>() / sum).sqrt();
    let scatter = if edges.len() > 1 { scatter } else { 0.0 };
    let half = (zero * zero + own * own + scatter * scatter).sqrt().max(LEAST_PA);
    Some(known_hole::Taught { low: best - half, best, high: best + half })
}

/// The smallest bound on the vehicle's own leak that a pass without the known hole gives, mm, and which test gave it.
pub fn tight_by(findings: &[Finding]) -> Option<(f64, String)> {
    let passed =
        findings.iter().filter(|f| f.standing() == Verdict::Pass && !f.evidence.contains_key(super::KNOWN_LEAK_MM));
    let bounds = passed.filter_map(|f| {
        let most = match f.test {
            Test::KeyOffSoak => f.night_mm.map(|n| n.closes_up_to.0),
            Test::VacuumDecay => f.leak_mm.as_ref().map(|LeakMm { high, .. }| high.0),
            _ => None,
        };
        most.map(|mm| (mm, f.test.name().to_owned()))
    });
    bounds.min_by(|a, b| a.0.total_cmp(&b.0))
}
