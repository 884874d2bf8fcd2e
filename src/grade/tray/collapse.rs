//! Collapse: how wide a path is from how quickly it lets a small volume's vacuum go, with a transducer that lags.

use super::holding::Volume;
use crate::grade::vent_path;
use crate::physics::gas::GAMMA_AIR;
use crate::timeline::Timeline;

/// How quickly the vacuum went from [`FROM`] to [`TO`] of what stood, by the samples on either side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Collapse {
    vacuum_pa: f64,
    /// At least so many seconds: between the samples inside.
    at_least_s: f64,
    /// At most so many: between the samples outside.
    at_most_s: f64,
}

const FROM: f64 = 0.8;
const TO: f64 = 0.2;

impl Collapse {
    /// From samples (seconds from the command, share of the vacuum that stood).
    pub fn of(trace: &[(f64, f64)], vacuum_pa: f64) -> Collapse {
        let gone = trace.iter().position(|v| v.1 <= TO).unwrap_or(trace.len().saturating_sub(1));
        let before = trace[..gone].iter().rposition(|v| v.1 >= FROM);
        let at = |i: usize| trace.get(i).map_or(0.0, |v| v.0);
        let (outside, inside) = match before {
            Some(i) => (at(i), at((i + 1).min(gone))),
            None => (0.0, at(0)),
        };
        let last_inside = at(gone.saturating_sub(1)).max(inside);
        Collapse { vacuum_pa, at_least_s: (last_inside - inside).max(0.0), at_most_s: (at(gone) - outside).max(1e-4) }
    }
}

/// The narrowest path in mm that may have let it go, and the widest if one can be told.
pub(super) fn open_path_mm(t: &Timeline, v: Volume, c: &Collapse) -> (f64, Option<f64>) {
    let p = &t.profile.set;
    // Quickly let in, the gas is warmed by it: the pressure rises up to γ times as fast as the moles.
    let settled = p.tray.settling_low_s / (p.tray.settling_low_s + c.at_least_s);
    let slowest = 1.0 + (GAMMA_AIR - 1.0) * settled;
    let mm = |seconds: f64, spread: f64, gamma: f64, lag: f64| {
        let of_1_mm = gamma * vent_path::rate(t, v.m3 * (1.0 + spread), 1.0);
        let ideal = vent_path::path_mm(FROM * c.vacuum_pa, TO * c.vacuum_pa, seconds, of_1_mm);
        if lag <= 0.0 {
            return Some(ideal);
        }
        // The lag makes every path look slower: the path that looks as slow as what was seen is wider.
        let (mut low, mut high) = (ideal, 40.0);
        if shows_s(c.vacuum_pa, of_1_mm * high * high, lag) > seconds {
            return None;
        }
        for _ in 0..40 {
            let mid = 0.5 * (low + high);
            if shows_s(c.vacuum_pa, of_1_mm * mid * mid, lag) > seconds {
                low = mid;
            } else {
                high = mid;
            }
        }
        Some(0.5 * (low + high))
    };
    let least = mm(c.at_most_s, -v.spread, GAMMA_AIR, p.tray.lag_low_s).unwrap_or(0.0);
    let most = if c.at_least_s > 0.0 { mm(c.at_least_s, v.spread, slowest, p.tray.lag_high_s) } else { None };
    (least, most)
}

/// Seconds from [`FROM`] to [`TO`] that a transducer of first order with this lag shows of the root law.
fn shows_s(vacuum_pa: f64, k: f64, lag: f64) -> f64 {
    let root = vacuum_pa.sqrt();
    let whole = 2.0 * root / k;
    let dt = (whole.min(lag)) / 50.0;
    let (mut shown, mut t, mut from) = (vacuum_pa, 0.0, None);
    loop {
        let left = (root - 0.5 * k * t).max(0.0);
        shown += (left * left - shown) * dt / (lag + dt);
        t += dt;
        if from.is_none() && shown <= FROM * vacuum_pa {
            from = Some(t);
        }
        if shown <= TO * vacuum_pa || t > whole + 20.0 * lag {
            return t - from.unwrap_or(t);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_lag_the_root_law_s_own_time_shows() {
        // t = 2(√p0 − √p1)/k: the closed form of the isothermal decay (trade facts).
        let k = 50.0;
        let want = 2.0 * ((FROM * 500.0f64).sqrt() - (TO * 500.0f64).sqrt()) / k;
        assert!((shows_s(500.0, k, 1e-4) / want - 1.0).abs() < 0.01);
        // A lag much longer than the collapse shows its own exponential: ln(0.8/0.2) of it.
        assert!((shows_s(500.0, 1e4, 0.1) / (0.1 * libm::log(4.0)) - 1.0).abs() < 0.05);
    }

    #[test]
    fn samples_bound_the_time_from_both_sides() {
        let trace: Vec<(f64, f64)> =
            (0..20).map(|i| (f64::from(i) * 0.02, 1.0 - 0.1 * f64::from(i.max(3) - 3))).collect();
        let c = Collapse::of(&trace, 500.0);
        // From 0.8 to 0.2 it takes 0.12 s.
        assert!(c.at_least_s <= 0.12 && c.at_most_s >= 0.12 && c.at_most_s - c.at_least_s <= 0.041, "{c:?}");
    }
}
