//! Legs: a noisy trace as straight lines.
//!
//! A leg grows as long as one line from its begin passes all its samples within the noise (a cone that narrows); so
//! it is short where the pressure turns and long where it does not, at any speed and any sampling.

use crate::time::Stamp;

/// A straight piece of the trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Leg {
    pub start: Stamp,
    pub end: Stamp,
    /// Raw pressure at its begin, pascals.
    pub from_pa: f64,
    /// And at its end.
    pub to_pa: f64,
    /// Pascals a second.
    pub rate: f64,
    /// One standard deviation of it.
    pub rate_error: f64,
    /// Samples in it.
    pub samples: u32,
}

/// How wide the cone is, in standard deviations of the noise.
const WIDE: f64 = 3.5;
/// A leg ends after this long, seconds, so that what goes on is told in time; or up to four times later, where only
/// that tells its rate through the noise.
const LONGEST_S: f64 = 3.0;
/// A second difference of independent samples spreads √6 times as far as they do, and half of a normal distribution
/// lies within 0.6745 of its spread.
const MEDIAN_OF_SECOND_DIFFERENCES: f64 = 2.449_489_742_783_178 * 0.674_489_750_196_081_7;
/// Samples before the trace's own noise and step are believed.
const ENOUGH: u32 = 100;

/// Breaks samples into legs.
#[derive(Debug, Clone)]
pub(super) struct Legs {
    noise: Noise,
    sure_pa_per_s: f64,
    open: Option<Open>,
}

#[derive(Debug, Clone, Copy)]
struct Open {
    start: Stamp,
    from_pa: f64,
    last: Stamp,
    /// Slopes between which the line still may lie.
    least: f64,
    most: f64,
    last_pa: f64,
    /// Sums of the samples, times from the start.
    n: f64,
    t: f64,
    p: f64,
    tt: f64,
    tp: f64,
}

impl Legs {
    /// With the least noise and step, pascals, and how well the rate of a leg is to be known, Pa/s.
    pub fn new(noise_pa: f64, step_pa: f64, sure_pa_per_s: f64) -> Legs {
        Legs { noise: Noise::new(noise_pa, step_pa), sure_pa_per_s, open: None }
    }

    pub fn noise_pa(&self) -> f64 {
        self.noise.sigma()
    }

    pub fn step_pa(&self) -> f64 {
        self.noise.step()
    }

    /// How far samples of a leg may lie from its line, pascals.
    pub fn wide_pa(&self) -> f64 {
        WIDE * self.noise.sigma() + self.noise.step()
    }

    /// A sample; the leg that ended with the one before, if one did.
    pub fn see(&mut self, at: Stamp, pa: f64) -> Option<Leg> {
        self.noise.see(pa);
        let (wide, sigma) = (self.wide_pa(), self.noise.sigma());
        let Some(open) = &mut self.open else {
            self.open = Some(Open::new(at, pa));
            return None;
        };
        if at <= open.last {
            return None;
        }
        let long = at.since(open.start);
        let enough = long > LONGEST_S && (long > 4.0 * LONGEST_S || open.leg(sigma).rate_error <= self.sure_pa_per_s);
        if !enough && open.grow(at, pa, wide) {
            return None;
        }
        let leg = open.leg(sigma);
        let mut next = Open::new(leg.end, leg.to_pa);
        next.grow(at, pa, wide);
        self.open = Some(next);
        (leg.end > leg.start).then_some(leg)
    }

    /// Ends the leg under way, if it has begun, and forgets the trace.
    pub fn close(&mut self) -> Option<Leg> {
        let leg = self.open.take()?.leg(self.noise.sigma());
        self.noise.forget();
        (leg.end > leg.start).then_some(leg)
    }
}

impl Open {
    fn new(start: Stamp, from_pa: f64) -> Open {
        Open {
            start,
            from_pa,
            last: start,
            least: f64::NEG_INFINITY,
            most: f64::INFINITY,
            last_pa: from_pa,
            n: 0.0,
            t: 0.0,
            p: 0.0,
            tt: 0.0,
            tp: 0.0,
        }
    }

    /// Takes the sample in if a line still passes all.
    fn grow(&mut self, at: Stamp, pa: f64, wide: f64) -> bool {
        let t = at.since(self.start);
        let (least, most) =
            (self.least.max((pa - wide - self.from_pa) / t), self.most.min((pa + wide - self.from_pa) / t));
        if least > most {
            return false;
        }
        (self.least, self.most, self.last, self.last_pa) = (least, most, at, pa);
        let p = pa - self.from_pa;
        self.n += 1.0;
        self.t += t;
        self.p += p;
        self.tt += t * t;
        self.tp += t * p;
        true
    }

    fn leg(&self, sigma: f64) -> Leg {
        let span = self.last.since(self.start);
        let spread = self.tt - self.t * self.t / self.n.max(1.0);
        let (from_pa, rate, rate_error) = if self.n >= 4.0 && spread > 0.0 {
            // The line of least squares.
            let rate = (self.tp - self.t * self.p / self.n) / spread;
            (self.from_pa + (self.p - rate * self.t) / self.n, rate, sigma / spread.sqrt())
        } else if span > 0.0 {
            (self.from_pa, (self.last_pa - self.from_pa) / span, 1.5 * sigma / span)
        } else {
            (self.from_pa, 0.0, 0.0)
        };
        let to_pa = from_pa + rate * span;
        Leg { start: self.start, end: self.last, from_pa, to_pa, rate, rate_error, samples: self.n as u32 }
    }
}

/// Noise and step of a trace that also moves.
#[derive(Debug, Clone, Copy)]
struct Noise {
    least_pa: f64,
    least_step_pa: f64,
    before: Option<(f64, Option<f64>)>,
    /// Running median of the second differences.
    median: f64,
    step: f64,
    n: u32,
}

impl Noise {
    fn new(least_pa: f64, least_step_pa: f64) -> Noise {
        Noise { least_pa, least_step_pa, before: None, median: 0.0, step: f64::INFINITY, n: 0 }
    }

    fn see(&mut self, pa: f64) {
        if let Some((last, before)) = self.before {
            let change = (pa - last).abs();
            if change > 1e-6 {
                self.step = self.step.min(change);
            }
            if let Some(before) = before {
                let second = (pa - 2.0 * last + before).abs();
                self.n = self.n.saturating_add(1);
                // A step up or down by a share: strokes are rarer than rests, so they move the median little.
                let gain = (4.0 / f64::from(self.n)).clamp(0.01, 0.5) * self.median.max(self.least_pa).max(0.1);
                self.median += if second > self.median { gain } else { -gain };
                self.median = self.median.max(0.0);
            }
        }
        self.before = Some((pa, self.before.map(|b| b.0)));
    }

    fn forget(&mut self) {
        self.before = None;
    }

    fn sigma(&self) -> f64 {
        let own = if self.n < ENOUGH { 0.0 } else { self.median / MEDIAN_OF_SECOND_DIFFERENCES };
        self.least_pa.max(own)
    }

    fn step(&self) -> f64 {
        let own = if self.n < ENOUGH || !self.step.is_finite() { 0.0 } else { self.step };
        self.least_step_pa.max(own)
    }
}
