//! The conditions under which soak and decay mean anything: for the judge as the record goes, and for a plan before.

use super::{Condition, condition, within};
use crate::channel::Channel;
use crate::profile::Settings;

/// Of a key-off soak, with what is known at its begin.
pub fn soak(set: &Settings, level_pct: Option<f64>, ambient_c: Option<f64>) -> Vec<Condition> {
    let p = &set.soak;
    vec![
        within(
            format!("fuel level {:.0} to {:.0} %", p.level_low_pct, p.level_high_pct),
            Channel::FuelLevelPct,
            level_pct,
            p.level_low_pct,
            p.level_high_pct,
        ),
        condition(
            format!("outside air above {:.1} °C", p.ambient_low_c),
            ambient_c.map(|v| (Channel::AmbientC, v)),
            ambient_c.map(|v| v >= p.ambient_low_c),
        ),
    ]
}

/// What is known at an engine start whose drive may hold a vacuum decay.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Start {
    /// Coolant.
    pub coolant_c: Option<f64>,
    /// Outside air, or air at the intake.
    pub air_c: Option<f64>,
    /// The air was measured at the intake.
    pub at_intake: bool,
    /// Settled fuel level.
    pub level_pct: Option<f64>,
    /// Supply.
    pub battery_v: Option<f64>,
    /// Barometer.
    pub baro_kpa: Option<f64>,
}

/// Of a decay after that start.
pub fn decay(set: &Settings, start: &Start) -> Vec<Condition> {
    let p = &set.decay;
    let by = if start.at_intake { "intake air" } else { "outside air" };
    let above = start.coolant_c.zip(start.air_c).map(|(c, a)| c - a);
    let one = |text: String, channel, value: Option<f64>, met: Option<bool>| {
        condition(text, value.map(|v| (channel, v)), met)
    };
    vec![
        one(
            format!("coolant at start at most {:.1} K above {by}", p.start_above_ambient_k),
            Channel::CoolantC,
            start.coolant_c,
            above.map(|k| k <= p.start_above_ambient_k),
        ),
        within(
            format!("outside air at start {:.1} to {:.0} °C", p.ambient_low_c, p.ambient_high_c),
            Channel::AmbientC,
            start.air_c,
            p.ambient_low_c,
            p.ambient_high_c,
        ),
        one(
            format!("fuel level at most {:.0} %", p.level_high_pct),
            Channel::FuelLevelPct,
            start.level_pct,
            start.level_pct.map(|v| v <= p.level_high_pct),
        ),
        one(
            format!("supply above {:.0} V", p.battery_low_v),
            Channel::BatteryV,
            start.battery_v,
            start.battery_v.map(|v| v >= p.battery_low_v),
        ),
        one(
            format!("barometer above {:.0} kPa", p.baro_low_kpa),
            Channel::BaroKpa,
            start.baro_kpa,
            start.baro_kpa.map(|v| v >= p.baro_low_kpa),
        ),
    ]
}
