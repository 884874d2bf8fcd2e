//! Excursion: one way of the trace from nothing and back, and whether a relief opened on it.
//!
//! A trace that has come to a stand proves nothing by itself: a resting hand, a leak in balance with the hand and a hand
//! that makes good a leak look the same. Only a relief opens and shuts by turns: the trace drops of itself, quicker than
//! it climbs, and climbs to the same point again. A trace that climbs undiminished, stands, and does not settle as the
//! gas behind a resting syringe must, is a lead.

use crate::physics::gas::GAMMA_AIR;
use crate::profile::Settings;
use crate::time::Stamp;

/// A trace away from nothing, as pressure or as vacuum.
#[derive(Debug, Clone)]
pub(super) struct Excursion {
    sign: f64,
    points: Vec<(Stamp, f64)>,
}

/// What an excursion amounts to.
pub(super) struct Analysed {
    pub seen: Seen,
    pub highest_pa: f64,
    /// Noise of a sample, one standard deviation.
    pub noise_pa: f64,
    pub interval_s: f64,
    /// How fast the trace climbed.
    pub climb_pa_per_s: f64,
}

/// Whether a relief opened.
pub(super) enum Seen {
    /// It opened and shut by turns.
    Openings { opens_pa: Vec<f64>, shuts_pa: Vec<f64> },
    /// It stood, and the hand had not stopped: a relief, or a hand that made good a leak.
    Stood { level_pa: f64 },
    /// No; why not, where something came to a stand.
    No(Option<String>),
}

/// More samples than a hand's stroke can have: thinned by half.
const MOST: usize = 60_000;
/// Turns of the (smoothed) trace are told from noise by this many standard deviations: more than noise alone spans in a
/// minute at 50 Hz.
const TURNS: f64 = 8.0;
/// Filled up again by the hand, it climbs as fast as it came, within these factors.
const CLIMBS_AGAIN: (f64, f64) = (0.25, 3.0);
/// A relief shuts above this share of where it opens.
const SHUTS_ABOVE: f64 = 0.6;
/// It drops of itself in at most this share of the time in which it climbs again.
const SNAPS: f64 = 0.3;
/// Towards a relief the trace climbs undiminished: its later slope over its earlier one.
const UNDIMINISHED: f64 = 0.65;
/// Let go at once: in this share of the time in which the hand had brought it.
const AT_ONCE: f64 = 0.2;
/// From its top a relief is down at its stand so soon, seconds.
const SNAPS_WITHIN_S: f64 = 0.5;
/// At a stand it climbs at most at this share of the rate at which it came: a relief lifts with what flows.
const CREEPS: f64 = 0.05;
/// Of the least settling that a resting syringe shows, at most this share may be seen: one that stopped halfway through
/// the stand shows three quarters.
const SETTLES: f64 = 0.6;
/// And so much of it must be beyond all error, or nothing is told.
const TOLD: f64 = 0.3;

impl Excursion {
    pub fn new(sign: f64) -> Excursion {
        Excursion { sign, points: Vec::new() }
    }

    pub fn sign(&self) -> f64 {
        self.sign
    }

    pub fn first(&self) -> Option<Stamp> {
        self.points.first().map(|p| p.0)
    }

    pub fn last(&self) -> Option<Stamp> {
        self.points.last().map(|p| p.0)
    }

    pub fn add(&mut self, at: Stamp, pa: f64) {
        self.points.push((at, self.sign * pa));
        if self.points.len() >= MOST {
            let mut i = 0;
            self.points.retain(|_| {
                i += 1;
                i % 2 == 0
            });
        }
    }

    /// The moment from which it stood beyond `pa` for some samples in a row.
    pub fn beyond(&self, pa: f64) -> Option<Stamp> {
        self.points.windows(BEYOND).find(|w| w.iter().all(|v| v.1 > pa)).map(|w| w[0].0)
    }

    pub fn analyse(&self, p: &Settings) -> Analysed {
        let v = &self.points;
        let noise_pa = noise(v.iter().map(|x| x.1)).max(0.4 * p.tray.transducer_step_pa);
        let highest_pa = v.windows(3).map(|w| middle(w[0].1, w[1].1, w[2].1)).fold(0.0, f64::max);
        let interval_s = match v.len() {
            0 | 1 => 1.0,
            n => v[n - 1].0.since(v[0].0) / (n - 1) as f64,
        };
        let mut out = Analysed { seen: Seen::No(None), highest_pa, noise_pa, interval_s, climb_pa_per_s: 0.0 };
        if v.len() < 20 {
            return out;
        }
        // Means of three: less noise, and a snap is still a snap.
        let smooth: Vec<(Stamp, f64)> = v.windows(3).map(|w| (w[1].0, (w[0].1 + w[1].1 + w[2].1) / 3.0)).collect();
        let turns = turns(&smooth, TURNS / 3f64.sqrt() * noise_pa + p.tray.transducer_step_pa);
        let (opens_pa, shuts_pa, climb) =
            openings(&smooth, &turns, p.reliefs.flat_band_pa + 3.0 * noise_pa, noise_pa / 3f64.sqrt(), interval_s);
        if !opens_pa.is_empty() {
            out.climb_pa_per_s = climb;
            out.seen = Seen::Openings { opens_pa, shuts_pa };
            return out;
        }
        (out.seen, out.climb_pa_per_s) = stood(&smooth, noise_pa, fine(v), p);
        if let Seen::Stood { level_pa } = out.seen
            && let Some(top) = snapped(&smooth, level_pa, p.reliefs.flat_band_pa + 3.0 * noise_pa, &out)
        {
            out.seen = Seen::Openings { opens_pa: vec![top], shuts_pa: vec![level_pa] };
        }
        out
    }
}

/// Samples in a row that count as standing beyond.
const BEYOND: usize = 10;

/// Noise by the median of second differences: a slope does not count, a few sudden drops neither.
pub(super) fn noise(values: impl Iterator<Item = f64>) -> f64 {
    let v: Vec<f64> = values.collect();
    let mut d: Vec<f64> = v.windows(3).map(|w| (w[2] - 2.0 * w[1] + w[0]).abs()).collect();
    if d.is_empty() {
        return 0.0;
    }
    d.sort_by(f64::total_cmp);
    // Half of a normal distribution lies within 0.6745 of its spread; a second difference spreads √6 times as far.
    d[d.len() / 2] / (0.674_489_750_196_081_7 * 2.449_489_742_783_178)
}

/// Noise by the mean of second differences, those left out that are no noise. Where the steps of the transducer are as
/// coarse as its noise the median only knows whole steps.
fn fine(v: &[(Stamp, f64)]) -> f64 {
    let mut d: Vec<f64> = v.windows(3).map(|w| (w[2].1 - 2.0 * w[1].1 + w[0].1).abs()).collect();
    d.sort_by(f64::total_cmp);
    // The largest tenth belongs to turns and snaps; below it a normal distribution has this mean, in deviations.
    let n = d.len() * 9 / 10;
    d[..n].iter().sum::<f64>() / n.max(1) as f64 / (MEAN_OF_NINE_TENTHS * 2.449_489_742_783_178)
}

/// ∫|x|·φ(x) over the middle nine tenths of a normal distribution, over 0.9: (2·(φ(0) − φ(1.644854)))/0.9.
const MEAN_OF_NINE_TENTHS: f64 = 0.657_348;

fn middle(a: f64, b: f64, c: f64) -> f64 {
    a.max(b).min(a.min(b).max(c))
}

/// The turning points: tops and bottoms by turns, a top first, each beyond the last by `least` or more.
fn turns(v: &[(Stamp, f64)], least: f64) -> Vec<usize> {
    let (mut out, mut up, mut extreme) = (Vec::new(), true, 0);
    for (i, p) in v.iter().enumerate() {
        let beyond = p.1 - v[extreme].1;
        if (up && beyond >= 0.0) || (!up && beyond <= 0.0) {
            extreme = i;
        } else if beyond.abs() >= least {
            out.push(extreme);
            up = !up;
            extreme = i;
        }
    }
    out
}

/// Tops between which the trace dropped of itself and climbed to the same point again; also where it turned below, and
/// how fast it climbed.
fn openings(v: &[(Stamp, f64)], turns: &[usize], band: f64, noise: f64, interval_s: f64) -> (Vec<f64>, Vec<f64>, f64) {
    let (mut opens, mut shuts, mut fastest) = (Vec::new(), Vec::new(), 0.0f64);
    // Every second turn is a top.
    for w in turns.windows(3).step_by(2) {
        let [top, bottom, again] = [w[0], w[1], w[2]];
        let (a, low, b) = (v[top].1, v[bottom].1, v[again].1);
        let climb_s = v[again].0.since(v[bottom].0);
        let same = (a - b).abs() <= band.max(0.03 * a);
        // It shuts with a snap and is filled up again by the hand; a knock on the bottle is over at once.
        let climb = (b - low) / climb_s.max(1e-3);
        // Over the middle of the way, since noise moves the turns.
        let middle = |part: &[(Stamp, f64)], falls: bool| {
            let (upper, lower) = (low + 0.75 * (a - low), low + 0.25 * (a - low));
            let (from, to) = if falls {
                (part.iter().rposition(|x| x.1 >= upper), part.iter().position(|x| x.1 <= lower))
            } else {
                (part.iter().rposition(|x| x.1 <= lower), part.iter().position(|x| x.1 >= upper))
            };
            match (from, to) {
                (Some(i), Some(j)) if i < j => Some(part[j].0.since(part[i].0)),
                // Noise crosses to and fro: that is no snap.
                _ => None,
            }
        };
        let of_itself = match (middle(&v[top..=bottom], true), middle(&v[bottom..=again], false)) {
            (Some(falls_s), Some(climbs_s)) => {
                let one_step = falls_s <= 2.5 * interval_s && falls_s <= 0.7 * climbs_s && again - bottom >= 5;
                one_step || falls_s + noise / climb.max(1.0) <= SNAPS * climbs_s
            }
            _ => false,
        };
        let filled = climbed(v, a, noise).is_some_and(|c| c.1 >= UNDIMINISHED)
            && approach(v, a).is_some_and(|came| {
                again - bottom >= 3 && (CLIMBS_AGAIN.0 * came..=CLIMBS_AGAIN.1 * came).contains(&climb)
            });
        if same && low >= SHUTS_ABOVE * a && of_itself && filled {
            opens.push(0.5 * (a + b));
            shuts.push(low);
            fastest = fastest.max(climb);
        }
    }
    (opens, shuts, fastest)
}

/// How fast the trace first came close to a level, and that over how fast it had been before.
fn climbed(v: &[(Stamp, f64)], level: f64, noise: f64) -> Option<(f64, f64)> {
    let reached = |share: f64| v.iter().position(|x| x.1 >= share * level).map(|i| v[i].0);
    let (a, b, c, d) = (reached(0.3)?, reached(0.55)?, reached(0.65)?, reached(0.9)?);
    let (early, late) = (b.since(a).max(1e-3), d.since(c).max(1e-3));
    let climb = 0.25 * level / late;
    // The noise moves both ends of a short way.
    Some((climb, (early + noise / climb.max(1.0)) / late))
}

/// How fast the trace first came to a level, over the upper part of the way.
fn approach(v: &[(Stamp, f64)], level: f64) -> Option<f64> {
    let there = v.iter().position(|x| x.1 >= 0.9 * level)?;
    let from = v[..there].iter().rposition(|x| x.1 <= 0.4 * level)?;
    let s = v[there].0.since(v[from].0);
    (s > 0.0).then(|| (v[there].1 - v[from].1) / s)
}

/// The top from which the trace dropped of itself, with a snap, to the level at which it then stood while the hand went
/// on: a relief that lifted there and floats. None where it did not.
fn snapped(v: &[(Stamp, f64)], level: f64, band: f64, seen: &Analysed) -> Option<f64> {
    let (at, top) = v.iter().enumerate().max_by(|a, b| a.1.1.total_cmp(&b.1.1)).map(|(i, x)| (i, x.1))?;
    let drop = top - level;
    if drop < band || level < SHUTS_ABOVE * top {
        return None;
    }
    let from = at + v[at..].iter().take_while(|x| x.1 >= level + 0.75 * drop).count().saturating_sub(1);
    let to = at + v[at..].iter().position(|x| x.1 <= level + 0.25 * drop)?;
    let falls_s = v[to].0.since(v[from].0);
    let climbs_s = 0.5 * drop / seen.climb_pa_per_s.max(1.0);
    (falls_s <= (2.5 * seen.interval_s).max(SNAPS * climbs_s)).then_some(top)
}

/// The longest stand, and whether a relief made it; also how fast the trace climbed to it.
fn stood(v: &[(Stamp, f64)], noise: f64, fine: f64, p: &Settings) -> (Seen, f64) {
    let no = |why: Option<String>| (Seen::No(why), 0.0);
    let Some((from, to)) = stand(v, p.reliefs.flat_band_pa + 5.0 * noise, p.reliefs.flat_s) else { return no(None) };
    let mean = |part: &[(Stamp, f64)]| part.iter().map(|x| x.1).sum::<f64>() / part.len().max(1) as f64;
    // Where it came to the level, not only near it.
    let near = mean(&v[from..to]);
    let from = from + v[from..to].iter().position(|x| x.1 >= near - 0.5 * noise).unwrap_or(0);
    let level = mean(&v[from..to]);
    // A relief snaps down to where it floats. What comes down slowly settles, and late in its settling little is left.
    let top = v[..to].iter().enumerate().fold(0, |top, (i, x)| if x.1 > v[top].1 { i } else { top });
    if v[from].0.since(v[top].0) > SNAPS_WITHIN_S {
        return no(Some(format!(
            "the trace came down from {:.0} Pa and stood at {level:.0} Pa: behind a resting syringe it looks the same",
            v[top].1
        )));
    }
    let Some((climb, ratio)) = climbed(&v[..to], level, noise) else { return no(None) };
    if ratio < UNDIMINISHED {
        return no(Some(format!(
            "the trace slowed all the way to {level:.0} Pa: a leak in balance with the hand looks like that"
        )));
    }
    // A leak that was in balance with the hand lets the pressure go when the hand stops: by its law in 0.6 of the time in
    // which the hand had brought it (t = 2(√p0 − √p1)/k, level = (rate/k)²). What stands, and goes at once when it is
    // let go, had no leak behind it.
    let part = |share: f64| move |x: &(Stamp, f64)| x.1 >= share * level;
    let gone = v[from..].iter().rposition(part(0.8)).and_then(|i| {
        let i = from + i;
        v[i..].iter().position(|x| x.1 <= 0.35 * level).map(|j| v[i + j].0.since(v[i].0))
    });
    let interval_s = v[to - 1].0.since(v[from].0) / (to - 1 - from).max(1) as f64;
    if gone.is_none_or(|s| s > (AT_ONCE * level / climb).max(2.5 * interval_s)) {
        return no(Some(format!(
            "the trace stood at {level:.0} Pa and was not let go at once: a leak in balance with the hand stands and runs out like that"
        )));
    }
    // Had the hand rested from the begin of the stand, the gas would have settled by so much between the first and the
    // last third of it, whatever the bottle's time constant. Later on the hand may well have stopped.
    let to = from + v[from..to].partition_point(|x| x.0.since(v[from].0) <= p.reliefs.flat_s);
    let third = (to - from) / 3;
    if third < 5 {
        return no(None);
    }
    let settled = mean(&v[from..from + third]) - mean(&v[to - third..to]);
    let (whole, ramp_s) = (v[to - 1].0.since(v[from].0), level / climb);
    let ratio = p.tray.settling_high_s / p.tray.settling_low_s;
    let expected = (0..=8)
        .map(|i| {
            let tau = p.tray.settling_low_s * libm::pow(ratio, f64::from(i) / 8.0);
            let h = (GAMMA_AIR - 1.0) * climb * tau * -libm::expm1(-ramp_s / (GAMMA_AIR * tau));
            h * (libm::exp(-whole / (6.0 * tau)) - libm::exp(-5.0 * whole / (6.0 * tau)))
        })
        .fold(f64::INFINITY, f64::min);
    // Noise, step and drift are independent of one another.
    let parts = [
        3.0 * fine * (2.0 / third as f64).sqrt(),
        0.2 * p.tray.transducer_step_pa,
        p.tray.drift_pa_per_s * whole * (2.0 / 3.0),
    ];
    let error = parts.iter().map(|e| e * e).sum::<f64>().sqrt();
    if settled < -error - CREEPS * climb * whole * (2.0 / 3.0) {
        return no(Some(format!("the trace still climbed at {level:.0} Pa: go on")));
    }
    // What a resting syringe would certainly have shown.
    let certain = expected - error;
    if certain < TOLD * expected {
        return no(Some(format!(
            "the trace stood at {level:.0} Pa: whether the hand went on cannot be told, behind a resting syringe it looks the same"
        )));
    }
    if settled > certain.min(SETTLES * expected) {
        return no(Some(format!(
            "the trace stood at {level:.0} Pa and settled as behind a resting syringe: the hand had stopped"
        )));
    }
    (Seen::Stood { level_pa: level }, climb)
}

/// The longest stretch that stays within `band`, at least `least_s` long, beginning where the trace came to it.
fn stand(v: &[(Stamp, f64)], band: f64, least_s: f64) -> Option<(usize, usize)> {
    let mut best: Option<(usize, usize)> = None;
    let (mut lows, mut highs) = (std::collections::VecDeque::new(), std::collections::VecDeque::new());
    let mut from = 0;
    for to in 0..v.len() {
        while lows.back().is_some_and(|i: &usize| v[*i].1 >= v[to].1) {
            lows.pop_back();
        }
        lows.push_back(to);
        while highs.back().is_some_and(|i: &usize| v[*i].1 <= v[to].1) {
            highs.pop_back();
        }
        highs.push_back(to);
        while let (Some(l), Some(h)) = (lows.front(), highs.front())
            && v[*h].1 - v[*l].1 > band
        {
            from += 1;
            while lows.front().is_some_and(|i| *i < from) {
                lows.pop_front();
            }
            while highs.front().is_some_and(|i| *i < from) {
                highs.pop_front();
            }
        }
        let long = v[to].0.since(v[from].0);
        if long >= least_s && best.is_none_or(|(a, b)| long > v[b - 1].0.since(v[a].0)) {
            best = Some((from, to + 1));
        }
    }
    best
}

#[cfg(test)]
mod tests;
