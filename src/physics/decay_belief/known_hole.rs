//! What decays over a hole of known size teach about the vehicle: its vapour volume and its switch.
//!
//! How fast a vacuum decays goes as the hole's area over the volume. So a member that fits what was seen behind a hole
//! of another size fits it behind the known one as well, with a volume changed by the ratio of the areas: each member
//! and cell is weighed once, and says which volume it stands for. (Fuel drawn by the engine, which goes with the volume
//! alone, is small beside any hole worth calibrating with.)

use super::{DecayBelief, MEMBERS, Seen};
use crate::physics::posterior::{CELLS, HOLE_LOW_MM, Prior, cell_mm};
use crate::physics::sampling::weighted_quantile;

/// A value and its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Taught {
    /// 5 % point.
    pub low: f64,
    /// Middle.
    pub best: f64,
    /// 95 % point.
    pub high: f64,
}

/// The known hole and what is not known of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reference {
    /// Diameter with which it is equivalent at the reference discharge coefficient, mm.
    pub mm: f64,
    /// Error of that diameter, half-width (90 %), as a share of it.
    pub error: f64,
    /// The vehicle's own leak may be a hole of up to this size, mm.
    pub own_mm: f64,
}

/// What all decays so far say, by member and cell.
#[derive(Debug, Clone, Default)]
pub struct KnownHole {
    log_like: Vec<f64>,
    /// Vapour volume over effective area, as shares of what was supposed.
    factors: Vec<f64>,
    closes_pa: Vec<f64>,
    reopens_pa: Vec<f64>,
    spread: f64,
    decays: u32,
    /// What decays without the known hole say of each member: how a tight tank gives a pull back.
    tight: Vec<f64>,
    tight_decays: u32,
}

/// What they teach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lesson {
    /// Vapour volume as a share of the supposed one.
    pub volume: Taught,
    /// Vacuum at which the switch closes, Pa.
    pub closes_pa: Taught,
    /// Vacuum at which it re-opens, Pa.
    pub reopens_pa: Taught,
    /// Of all volumes from a third to three times the supposed one that fit, the share that the profile allows.
    pub allowed: f64,
    /// Log-likelihood of the best fit: five standard deviations are -12.5.
    pub best_fit: f64,
}

/// Volumes so far from the supposed one are no volumes of this vehicle.
const FURTHEST: f64 = 3.0;
/// Points in which the known hole's own errors are gone through.
const STRATA: u32 = 6;
/// The belief must rest on so many members, else the likelihood is tempered until it does, but no further than this.
const LEAST_MEMBERS: f64 = 6.0;
const LEAST_HEAT: f64 = 0.35;

impl KnownHole {
    /// Takes a decay that was seen whole.
    pub fn add(&mut self, belief: &mut DecayBelief, seen: &[Seen]) {
        let log_like = belief.log_like(seen);
        if self.decays == 0 {
            let members = || belief.members.iter().map(|(m, _)| m);
            self.factors = members().map(|m| m.volume_factor).collect();
            self.closes_pa = members().map(|m| m.closes_pa).collect();
            self.reopens_pa = members().map(|m| m.reopens_pa).collect();
            self.spread = belief.spec.volume_spread / 0.9 + belief.spec.area_error;
            self.log_like = log_like;
        } else {
            // The same members each time: what they suppose of volume and switch is the same guess.
            self.log_like.iter_mut().zip(log_like).for_each(|(sum, l)| *sum += l);
        }
        self.decays += 1;
    }

    /// Takes a decay of the same vehicle without the known hole, over a leak of its own of at most `own_mm`.
    pub fn add_tight(&mut self, belief: &mut DecayBelief, seen: &[Seen], own_mm: f64) {
        let prior = Prior::new(own_mm);
        let log_like = belief.log_like(seen);
        self.tight.resize(MEMBERS, 0.0);
        for (tight, row) in self.tight.iter_mut().zip(log_like.chunks_exact(CELLS)) {
            let below = || row.iter().enumerate().take_while(|(c, _)| cell_mm(*c) <= own_mm);
            let most = below().map(|b| *b.1).fold(f64::NEG_INFINITY, f64::max);
            let sum: f64 = below().map(|(c, l)| prior.of(c) * libm::exp((l - most).max(-700.0))).sum();
            *tight += if most.is_finite() { most + libm::log(sum) } else { -1e3 };
        }
        self.tight_decays += 1;
    }

    /// What the decays without the known hole say of each member, as logarithms of likelihoods; empty without any.
    pub fn tight(&self) -> &[f64] {
        &self.tight
    }

    /// How many decays it rests on: over the known hole, and without it.
    pub fn decays(&self) -> (u32, u32) {
        (self.decays, self.tight_decays)
    }

    /// What they teach; nothing if there was none. `told` is what decays of another record say ([`KnownHole::tight`]), of
    /// the same members.
    pub fn lesson(&self, hole: &Reference, told: &[f64]) -> Option<Lesson> {
        let mut all_like = self.log_like.clone();
        for tight in [&self.tight, told] {
            for (row, tight) in all_like.chunks_exact_mut(CELLS).zip(tight) {
                row.iter_mut().for_each(|l| *l += tight);
            }
        }
        let finite = all_like.iter().copied().filter(|l| l.is_finite());
        let best_fit = finite.fold(f64::NEG_INFINITY, f64::max);
        if self.decays == 0 || !best_fit.is_finite() {
            return None;
        }
        let mut heat = 1.0;
        let mut all = self.weigh(&all_like, hole, best_fit, heat);
        while all.effective < LEAST_MEMBERS && heat > LEAST_HEAT {
            heat *= 0.7;
            all = self.weigh(&all_like, hole, best_fit, heat);
        }
        let taught = |mut points: Vec<(f64, f64)>| {
            points.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
            let at = |q| weighted_quantile(&points, q);
            Taught { low: at(0.05), best: at(0.5), high: at(0.95) }
        };
        let by = |values: &[f64]| taught(values.iter().copied().zip(all.members.iter().copied()).collect());
        Some(Lesson {
            closes_pa: by(&self.closes_pa),
            reopens_pa: by(&self.reopens_pa),
            allowed: if all.anywhere > 0.0 { all.within / all.anywhere } else { 0.0 },
            best_fit,
            volume: taught(all.volumes),
        })
    }

    fn weigh(&self, log_like: &[f64], hole: &Reference, best_fit: f64, heat: f64) -> Weighed {
        let mut all = Weighed { members: vec![0.0; MEMBERS], ..Weighed::default() };
        // Its own error is even over its half-width. The vehicle's own leak adds to its area: as before any reading, half
        // of it is none, the rest lies evenly in the logarithm of the diameter.
        let middle = |i: u32| (f64::from(i) + 0.5) / f64::from(STRATA);
        let own_mm = |i: u32| match (2.0 * middle(i) - 1.0).max(0.0) {
            0.0 => 0.0,
            u => (HOLE_LOW_MM * libm::exp(libm::log((hole.own_mm / HOLE_LOW_MM).max(1.0)) * u)).min(hole.own_mm),
        };
        let areas: Vec<f64> = (0..STRATA * STRATA)
            .map(|i| {
                let known = hole.mm * (1.0 + hole.error / 0.9 * (2.0 * middle(i % STRATA) - 1.0));
                known * known + own_mm(i / STRATA) * own_mm(i / STRATA)
            })
            .collect();
        for (m, row) in log_like.chunks_exact(CELLS).enumerate() {
            for (c, ln) in row.iter().enumerate().skip(1) {
                let below = heat * (ln - best_fit);
                if below < -30.0 {
                    continue;
                }
                let fits = libm::exp(below);
                for area in &areas {
                    let factor = self.factors[m] * area / (cell_mm(c) * cell_mm(c));
                    if !(1.0 / FURTHEST..FURTHEST).contains(&factor) {
                        continue;
                    }
                    all.anywhere += fits;
                    // Cells lie evenly in the logarithm, volumes evenly.
                    if (factor - 1.0).abs() <= self.spread {
                        all.within += fits;
                        all.volumes.push((factor, fits * factor));
                        all.members[m] += fits * factor;
                    }
                }
            }
        }
        let (sum, squares) = all.members.iter().fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
        all.effective = if squares > 0.0 { sum * sum / squares } else { 0.0 };
        all
    }
}

/// The weights of volumes and members.
#[derive(Default)]
struct Weighed {
    volumes: Vec<(f64, f64)>,
    members: Vec<f64>,
    effective: f64,
    within: f64,
    anywhere: f64,
}

#[cfg(test)]
mod tests {
    use super::super::tests::certain;
    use super::*;
    use crate::physics::decay_belief::{DecaySpec, Pull};
    use crate::physics::{gas, orifice};

    const KNOWN: Reference = Reference { mm: 0.508, error: 0.0, own_mm: 0.0 };

    #[test]
    fn the_volume_behind_a_known_hole_by_the_closed_form() {
        // A trace by the closed form of the isothermal decay over 0.508 mm and 46 L, Cd 0.6; the profile supposes 40 L.
        let spec = DecaySpec { volume_m3: 0.040, volume_spread: 0.3, ..certain() };
        let k = orifice::leak_rate(0.6, 0.508, 0.046, spec.baro_pa, gas::air_density(spec.baro_pa, spec.gas_k));
        let mut belief = DecayBelief::new(
            &spec,
            &Pull { began_s: Some(-10.0), pressure_at_off_pa: Some(-1000.0), ..Pull::default() },
        );
        for i in 1..60 {
            let t = f64::from(i);
            let root = (1000.0f64.sqrt() - 0.5 * k * t).max(0.0);
            belief.pressure(t, -root * root, 1.0, 5.0);
        }
        let mut known = KnownHole::default();
        assert_eq!(known.lesson(&KNOWN, &[]), None);
        known.add(&mut belief, &[]);
        let lesson = known.lesson(&KNOWN, &[]).unwrap();
        let v = lesson.volume;
        assert!(v.low < 1.15 && 1.15 < v.high && v.high - v.low < 0.25, "{v:?}");
        assert!((v.best / 1.15 - 1.0).abs() < 0.03, "{v:?}");
        // A larger known hole means a larger volume, an own leak beside it too; an error of it widens.
        let larger = known.lesson(&Reference { mm: 0.55, ..KNOWN }, &[]).unwrap().volume;
        let own = known.lesson(&Reference { own_mm: 0.25, ..KNOWN }, &[]).unwrap().volume;
        let unsure = known.lesson(&Reference { error: 0.1, ..KNOWN }, &[]).unwrap().volume;
        assert!(larger.best > v.best && own.best > v.best);
        assert!(unsure.high - unsure.low > v.high - v.low);
        // A hole said to be far larger would need a volume that the profile does not allow.
        assert!(lesson.allowed > 0.9 && known.lesson(&Reference { mm: 0.8, ..KNOWN }, &[]).unwrap().allowed < 0.05);
    }
}
