//! The sealed night through the judge's own ensemble.

use super::Night;
use crate::grade::model::{self, AFTER_OPEN_VENT_PA};
use crate::grade::verdict::{NightMm, Num, Secs};
use crate::physics::posterior::Prior;
use crate::physics::soak_belief::{GRID_S, Probe, Shown, SoakBelief, SoakDrive};
use crate::profile::Settings;
use crate::units::kelvin;
use serde::Serialize;

/// Between two rows of the series, s.
const ROW_S: f64 = 900.0;
/// Between two looks at what a verdict would be, s.
const LOOK_S: f64 = 300.0;
/// Error of a sensor's zero that was seen with the vent open, Pa.
const ZERO_ERROR_PA: f64 = 8.0;

/// What the sealed night will do and can tell. Times are seconds since key-off.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Soak {
    /// A switch shows it; else a pressure sensor.
    pub by_switch: bool,
    /// Vacuum at which the switch closes, lowest and highest, Pa; for a sensor the vacuum that counts.
    pub vacuum_pa: [Num; 2],
    /// Sealed for so long.
    pub sealed_s: Secs,
    /// Share of tight systems that come to that vacuum by the end, 0 to 1.
    pub tight_share: Num,
    /// By when 5 % of tight systems have come to it; null if so many do not.
    pub tight_early_s: Option<Secs>,
    /// By when half have.
    pub tight_typical_s: Option<Secs>,
    /// By when 95 % have.
    pub tight_late_s: Option<Secs>,
    /// Gauge pressure of a tight system at the end, Pa: 5, 50 and 95 %.
    pub tight_end_pa: [Num; 3],
    /// The whole night: the largest hole that could still close the switch, the smallest that keeps it open.
    pub night_mm: NightMm,
    /// The profile's limit, mm.
    pub limit_mm: Num,
    /// Share of tight systems that come to it while that passes, 0 to 1.
    pub passing_share: Num,
    /// A switch that closes until then passes; null if none does.
    pub closed_passes_until_s: Option<Secs>,
    /// The largest hole that could have closed the switch by when 95 % of the tight systems have, mm.
    pub closes_up_to_at_late_mm: Option<Num>,
    /// A switch that is still open from then on fails; null if it never does.
    pub open_fails_from_s: Option<Secs>,
}

/// One moment of the night.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Moment {
    /// Since key-off.
    pub time_s: Secs,
    /// What the clock shows.
    pub clock: String,
    /// Outside air, °C.
    pub ambient_c: Num,
    /// Coolant by its shortest and longest lag, °C.
    pub coolant_c: [Num; 2],
    /// Gauge pressure of a tight system, Pa: 5, 50 and 95 %; null once the vent is open.
    pub tight_pa: Option<[Num; 3]>,
    /// The same behind a hole of the limit's size.
    pub limit_hole_pa: Option<[Num; 3]>,
    /// The night's bounds so far.
    pub night_mm: Option<NightMm>,
}

/// Drives the ensemble as the judge does, every 20 s.
pub(super) fn follow(night: &Night<'_>) -> (Soak, Vec<Moment>) {
    let p = &night.profile.set;
    let by_switch = p.switch.fitted == "yes";
    let mut spec = model::soak_at(p, night.level_pct, AFTER_OPEN_VENT_PA);
    if let Some(above) = night.above_air_k() {
        spec.start_above_ambient_k = above;
    }
    if !by_switch {
        // Without a switch the judge asks who came to this vacuum.
        spec.closes_pa = (p.start_vent.least_vacuum_pa, p.start_vent.least_vacuum_pa);
    }
    let sealed_s = night.weather.long_s().min(p.plan.sealed_for_s);
    let (sure, limit) = (p.leak.sure, p.leak.small_mm);
    let mut belief = SoakBelief::new(&spec);
    let mut series = Vec::new();
    let mut verdicts = Verdicts::new(p);
    let coolant = super::cold_start::coolant(night);
    let steps = (night.weather.long_s() / GRID_S) as u32;
    for step in 0..=steps {
        let s = f64::from(step) * GRID_S;
        let sealed = s <= sealed_s;
        if sealed {
            advance(&mut belief, night, s);
            if s >= p.soak.earliest_edge_s && s < p.soak.earliest_edge_s + GRID_S {
                belief.mark();
            }
        }
        let row = s % ROW_S == 0.0 || step == steps;
        let last = sealed && s + GRID_S > sealed_s;
        let counts = sealed && s > p.soak.earliest_edge_s;
        if counts && (s % LOOK_S == 0.0 || last) {
            verdicts.look(&belief, s);
        }
        let bounds = (counts && row).then(|| (belief.closes_up_to_since_mm(sure), belief.opens_from_since_mm(sure)));
        if row {
            let three = |(low, middle, high): (f64, f64, f64)| [low, middle, high].map(Num);
            series.push(Moment {
                time_s: Secs(s),
                clock: night.weather.clock(s),
                ambient_c: Num(night.weather.ambient_c(s)),
                coolant_c: coolant.at(s).map(Num),
                tight_pa: sealed.then(|| three(belief.tight_pressure_pa())),
                limit_hole_pa: sealed.then(|| three(belief.pressure_behind_pa(limit))),
                night_mm: bounds.map(|(up, from)| NightMm { closes_up_to: Num(up), opens_from: Num(from) }),
            });
        }
    }
    let at = |share| belief.tight_closes_at(share).map(Secs);
    let (low, middle, high) = belief.tight_pressure_pa();
    let soak = Soak {
        by_switch,
        vacuum_pa: [spec.closes_pa.0, spec.closes_pa.1].map(Num),
        sealed_s: Secs(sealed_s),
        tight_share: Num(belief.tight_closes_share()),
        tight_early_s: at(0.05),
        tight_typical_s: at(0.5),
        tight_late_s: at(0.95),
        tight_end_pa: [low, middle, high].map(Num),
        night_mm: NightMm {
            closes_up_to: Num(belief.closes_up_to_since_mm(sure)),
            opens_from: Num(belief.opens_from_since_mm(sure)),
        },
        limit_mm: Num(limit),
        passing_share: Num(verdicts.passing_share),
        closed_passes_until_s: verdicts.passes_s.map(Secs),
        closes_up_to_at_late_mm: verdicts.late_mm.map(Num),
        open_fails_from_s: verdicts.fails_s.map(Secs),
    };
    (soak, series)
}

/// What the judge would say of a switch that closes now, or is still open: by the same bounds and the same belief.
struct Verdicts<'a> {
    set: &'a Settings,
    prior: Prior,
    share: f64,
    passing_share: f64,
    passes_s: Option<f64>,
    late_mm: Option<f64>,
    fails_s: Option<f64>,
}

impl Verdicts<'_> {
    fn new(set: &Settings) -> Verdicts<'_> {
        let prior = Prior::new(set.leak.small_mm);
        Verdicts { set, prior, share: 0.0, passing_share: 0.0, passes_s: None, late_mm: None, fails_s: None }
    }

    fn look(&mut self, belief: &SoakBelief, s: f64) {
        let (sure, limit) = (self.set.leak.sure, self.set.leak.small_mm);
        let leak = |shown| belief.posterior(&self.prior, shown, None).p_at_least(limit);
        let closes = match self.set.switch.fitted.as_str() {
            "yes" => Shown::Closes,
            _ => Shown::Deepest { pa: -self.set.start_vent.least_vacuum_pa, zero_error_pa: ZERO_ERROR_PA },
        };
        let up_to = belief.closes_up_to_since_mm(sure);
        let share = belief.tight_closes_share();
        // Only where some tight system comes to it now does it matter.
        if share > self.share && up_to < limit && leak(closes) <= 1.0 - sure {
            self.passes_s = Some(s);
            self.passing_share += share - self.share;
        }
        self.share = self.share.max(share);
        if self.late_mm.is_none() && belief.tight_closes_at(0.95).is_some() {
            self.late_mm = Some(up_to);
        }
        let from = belief.opens_from_since_mm(sure);
        let open_counts = s >= self.set.soak.shortest_s && share >= sure && from >= limit;
        if self.fails_s.is_none() && open_counts && leak(Shown::StaysOpen) >= sure {
            self.fails_s = Some(s);
        }
    }
}

/// One step: what the probes of such a night would read.
fn advance(belief: &mut SoakBelief, night: &Night<'_>, s: f64) {
    // Fuel, and a barometer that was only read in the evening, are known at key-off and not followed.
    let evening = s <= GRID_S;
    let told = night.weather.baro_kpa(s);
    let baro_kpa = if evening { night.baro_kpa_at(s) } else { told };
    belief.advance(
        s,
        &SoakDrive {
            ambient_k: Some(kelvin(night.weather.ambient_c(s))),
            wall_k: None,
            fuel_k: night.fuel_k().filter(|_| evening),
            baro_pa: baro_kpa.map(|kpa| kpa * 1e3),
        },
    );
    if s == GRID_S {
        belief.lose(Probe::Fuel);
        if told.is_none() {
            belief.lose(Probe::Baro);
        }
    }
}
