//! Outside air, barometer, sun and gusts: functions of time and seed alone.

use super::random::{Dice, Drift};
use super::scenario::Plan;

/// The weather of one day.
#[derive(Debug, Clone)]
pub struct Weather {
    start_hour: f64,
    mean_c: f64,
    swing_k: f64,
    trend_k_per_h: f64,
    trend_from_s: f64,
    garage_k: f64,
    air: Drift,
    baro_pa: f64,
    baro: [Drift; 2],
    ramp_pa: f64,
    ramp_from_s: f64,
    ramp_over_s: f64,
    sun_w: f64,
    gusts: Vec<Gust>,
}

#[derive(Debug, Clone, Copy)]
struct Gust {
    at_s: f64,
    lasts_s: f64,
    pa: f64,
}

impl Weather {
    /// The weather of `seed` for this plan; `parked_s` is when the night begins, `ends_s` when the day is over.
    pub fn new(plan: &Plan, seed: u64, parked_s: f64, ends_s: f64) -> Weather {
        let mut d = Dice::new(seed, 20);
        let mean_c = d.between(11.0, 18.0);
        let swing_k = d.between(3.5, 7.0);
        let baro_pa = d.between(99_800.0, 102_600.0);
        let (mean_c, swing_k) = plan.unknowns.map_or((mean_c, swing_k), |u| (u.mean_c, u.swing_k));
        let mut g = Dice::new(seed, 21);
        let mut gusts = Vec::new();
        if plan.gusts {
            let mut t = 5.0;
            while t < ends_s {
                t += g.between(20.0, 1_500.0);
                let pa = g.between(120.0, 450.0) * if g.unit() < 0.5 { -1.0 } else { 1.0 };
                gusts.push(Gust { at_s: t, lasts_s: g.between(0.15, 0.7), pa });
            }
        }
        Weather {
            start_hour: plan.start_hour,
            mean_c: mean_c + plan.warmer_k,
            swing_k: swing_k * plan.swing,
            trend_k_per_h: plan.trend_k_per_h,
            trend_from_s: parked_s,
            garage_k: plan.garage_k,
            air: Drift::new(seed, 22, 2_400.0, 0.25),
            baro_pa,
            baro: [Drift::new(seed, 23, 21_000.0, 70.0), Drift::new(seed, 24, 5_000.0, 9.0)],
            ramp_pa: plan.baro_ramp_pa,
            ramp_from_s: parked_s,
            ramp_over_s: 3.0 * 3_600.0,
            sun_w: plan.sun_w,
            gusts,
        }
    }

    /// Outside air, °C, at `t` seconds: warmest at 15 h.
    pub fn air_c(&self, t: f64) -> f64 {
        let hour = self.start_hour + t / 3_600.0;
        let day = libm::cos((hour - 15.0) * std::f64::consts::PI / 12.0);
        let parked = (t - self.trend_from_s).max(0.0);
        // A heated garage closes round the vehicle within minutes.
        let garage = if self.garage_k == 0.0 { 0.0 } else { self.garage_k * libm::expm1(-parked / 500.0) };
        let night = self.trend_k_per_h * parked / 3_600.0 - garage;
        self.mean_c + self.swing_k * day + night + self.air.at(t)
    }

    /// Barometer without gusts, Pa.
    pub fn baro_pa(&self, t: f64) -> f64 {
        let ramp = ((t - self.ramp_from_s) / self.ramp_over_s).clamp(0.0, 1.0);
        self.baro_pa + self.baro[0].at(t) + self.baro[1].at(t) + self.ramp_pa * ramp
    }

    /// What a gust or a slammed door adds at the vehicle, Pa.
    pub fn gust_pa(&self, t: f64) -> f64 {
        let next = self.gusts.partition_point(|g| g.at_s + g.lasts_s < t);
        self.gusts.get(next).map_or(0.0, |g| {
            if t < g.at_s { 0.0 } else { g.pa * libm::sin(std::f64::consts::PI * (t - g.at_s) / g.lasts_s) }
        })
    }

    /// When the next gust begins or the present one ends, seconds; infinite if none.
    pub fn next_gust_edge(&self, t: f64) -> (bool, f64) {
        let next = self.gusts.partition_point(|g| g.at_s + g.lasts_s <= t);
        match self.gusts.get(next) {
            None => (false, f64::INFINITY),
            Some(g) if t < g.at_s => (false, g.at_s),
            Some(g) => (true, g.at_s + g.lasts_s),
        }
    }

    /// Sun on the tank's skin, W.
    pub fn sun_w(&self, t: f64) -> f64 {
        let hour = self.start_hour + t / 3_600.0;
        let angle = (hour - 13.5) * std::f64::consts::PI / 13.0;
        // Between a quarter and three quarters of a turn it is night.
        let night = self.sun_w == 0.0 || (1.6..4.7).contains(&angle.abs());
        if night { 0.0 } else { (self.sun_w * libm::cos(angle)).max(0.0) }
    }
}
