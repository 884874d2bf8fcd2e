//! When the switch re-opens, by member and hole, and how well that fits what it was seen to do.

use super::member::Member;
use super::row::{Leaks, Row};
use super::{HOLES, MEMBERS, square};
use crate::physics::posterior::{CELLS, FINE};

/// Seconds from purge-off to re-opening, `[member][hole]`; infinite beyond the horizon. Worked out when first asked
/// for, and for as many holes as are asked for.
#[derive(Debug, Clone, Default)]
pub(super) struct Reopenings {
    s: Vec<f64>,
    holes: usize,
}

impl Reopenings {
    /// Makes sure that the first `holes` are known.
    pub(super) fn follow(&mut self, members: &[(Member, Leaks)], starts: &[Row], holes: usize) {
        if holes <= self.holes {
            return;
        }
        self.holes = holes;
        self.s = vec![f64::INFINITY; MEMBERS * HOLES];
        for (((m, leaks), start), row) in members.iter().zip(starts).zip(self.s.chunks_exact_mut(HOLES)) {
            start.clone().reopens_after(m, leaks, &mut row[..holes]);
        }
    }

    /// Those of one member.
    pub(super) fn of(&self, member: usize) -> &[f64] {
        &self.s[member * HOLES..(member + 1) * HOLES]
    }

    /// It re-opened at `at`, with the error `sigma` (one standard deviation).
    pub(super) fn at(&self, log_like: &mut [f64], at: f64, sigma: f64) {
        let ln_like = |t: f64| if t.is_finite() { -0.5 * square((t - at) / sigma) } else { f64::NEG_INFINITY };
        self.weigh(log_like, |_| false, ln_like);
    }

    /// It had not re-opened by `until`.
    pub(super) fn not_until(&self, log_like: &mut [f64], until: f64, sigma: f64) {
        // Beyond 6.5 deviations it is certain to ten digits; below 10 its likelihood is less than e⁻⁵⁰, and no matter.
        let z = |t: f64| (t - until) / sigma;
        let ln_like = |t: f64| if z(t) > 6.5 { 0.0 } else { ln_normal_share(z(t)) };
        self.weigh(log_like, |t| z(t) < -10.0, ln_like);
    }

    /// Adds `ln_like` of each re-opening to every member and fine cell. Where both of two neighbouring holes are
    /// `hopeless`, the logarithm goes in a straight line from one to the other.
    fn weigh(&self, log_like: &mut [f64], hopeless: impl Fn(f64) -> bool, ln_like: impl Fn(f64) -> f64) {
        for (times, row) in self.s.chunks_exact(HOLES).zip(log_like.chunks_exact_mut(CELLS)) {
            row[0] += ln_like(times[0]);
            let mut here = ln_like(times[1]);
            for (hole, cells) in row[1..].chunks_mut(FINE).enumerate() {
                let (a, b) = (times[1 + hole], times[(2 + hole).min(HOLES - 1)]);
                let next = ln_like(b);
                let straight = hopeless(a) && hopeless(b);
                for (i, cell) in cells.iter_mut().enumerate() {
                    let part = i as f64 / FINE as f64;
                    *cell += if here == next || i == 0 {
                        here
                    } else if straight {
                        here + (next - here) * part
                    } else {
                        ln_like(between(a, b, part))
                    };
                }
                here = next;
            }
        }
    }
}

/// A re-opening time between those of two neighbouring holes: times go as a power of the hole.
pub(super) fn between(a: f64, b: f64, part: f64) -> f64 {
    if part == 0.0 {
        a
    } else if a.is_finite() && b.is_finite() {
        libm::exp(libm::log(a.max(1e-3)) * (1.0 - part) + libm::log(b.max(1e-3)) * part)
    } else if part < 0.5 {
        a
    } else {
        b
    }
}

/// Logarithm of the share of a normal distribution below `z`.
fn ln_normal_share(z: f64) -> f64 {
    libm::log((0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2)).max(1e-300))
}
