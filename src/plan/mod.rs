//! What a night will be able to tell, before it is spent: when a tight system's switch should close, which hole the
//! night can show, whether it is worth waiting for, and when in the morning to drive.
//!
//! It rests on the same [`SoakBelief`], the same specification and the same conditions as the judge of a recorded night,
//! so that a plan and the verdict of the night it foresaw cannot disagree. It reads no clock and no file.

mod advice;
mod cold_start;
mod soak;
mod weather;

pub use advice::{Advice, Worth};
pub use cold_start::ColdStart;
pub use soak::{Moment, Soak};
pub use weather::{Weather, Zero};

use crate::channel::Channel;
use crate::grade::verdict::Num;
use crate::grade::{Condition, enabling, model};
use crate::physics::fuel;
use crate::profile::Profile;
use crate::trade::{Subject, Test};
use crate::units::kelvin;
use serde::Serialize;

/// Why there is no plan.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// A table of weather cannot be read.
    #[error("{path}, line {line}, column {column}: {what}")]
    Table {
        /// As named.
        path: String,
        /// Counted from 1.
        line: u64,
        /// Counted from 1, in characters.
        column: usize,
        /// What is wrong, and what would be right.
        what: String,
    },
    /// A time of day was given for weather without one.
    #[error("nothing says which time of day the weather begins at: name it with --from, or give a table with utc")]
    NoClock,
    /// The night does not lie within the weather.
    #[error(
        "the weather is told from {begin} to {end} ({told_by}): choose --from and --until within it, half an hour apart or more"
    )]
    Beyond {
        /// First moment.
        begin: String,
        /// Last moment.
        end: String,
        /// Where the weather comes from.
        told_by: String,
    },
    /// A module on the tray does not stand through a night.
    #[error(
        "the profile {profile} is for a module on the tray, which has no night: name a vehicle's profile with --profile"
    )]
    Tray {
        /// Its name.
        profile: String,
    },
}

/// How warm tank and fuel are when the vent seals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FuelStart {
    /// So warm, °C; the profile's probe error is allowed for.
    Measured(f64),
    /// Driven this many hours ago: what the drive warmed has cooled since, by the profile's lags.
    Driven(f64),
    /// Just driven, as the profile supposes.
    Unknown,
}

/// What is asked.
#[derive(Debug, Clone, Copy)]
pub struct Night<'a> {
    /// The vehicle.
    pub profile: &'a Profile,
    /// From key-off to the end of the plan.
    pub weather: &'a Weather,
    /// Fuel level, % of the nominal tank.
    pub level_pct: Option<f64>,
    /// The fuel at key-off.
    pub fuel: FuelStart,
    /// Barometer at the place, kPa, where the weather does not tell it.
    pub baro_kpa: Option<f64>,
    /// Coolant at key-off, °C; the profile's if it is not known.
    pub coolant_c: Option<f64>,
}

/// A plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// Version of this program.
    pub version: String,
    /// Name of the profile.
    pub profile: String,
    /// What it was worked out from.
    pub given: Given,
    /// What the sealed night will do and can tell.
    pub soak: Soak,
    /// Whether that is worth waiting for.
    pub advice: Advice,
    /// The drive in the morning.
    pub cold_start: ColdStart,
    /// The enabling conditions of both tests.
    pub conditions: Vec<Enabling>,
    /// What is left to say.
    pub notes: Vec<String>,
    /// Through the night.
    pub series: Vec<Moment>,
    #[serde(skip)]
    zero: Zero,
}

/// What a plan was worked out from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Given {
    /// What the clock shows at key-off.
    pub key_off: String,
    /// Key-off as RFC 3339, where the weather is told in UTC.
    pub key_off_utc: Option<String>,
    /// What the clock shows at the end.
    pub until: String,
    /// From key-off to the end, s.
    pub long_s: Num,
    /// Where the weather comes from.
    pub weather: String,
    /// Outside air at key-off and at the end, °C.
    pub ambient_c: [Num; 2],
    /// Barometer at key-off, kPa; null if nobody told.
    pub baro_kpa: Option<Num>,
    /// Allowed swing of the barometer, Pa/h; null where the weather tells its course.
    pub baro_swing_pa_per_h: Option<Num>,
    /// Fuel level, %.
    pub level_pct: Option<Num>,
    /// Vapour volume, L.
    pub vapour_volume_l: Num,
    /// Half-width of its uncertainty (90 %), %.
    pub vapour_volume_spread_pct: Num,
    /// Fuel at key-off, °C, where it was told.
    pub fuel_c: Option<Num>,
    /// Else how far above the outside air it may be, K.
    pub fuel_above_air_k: Option<[Num; 2]>,
    /// Reid vapour pressure, lowest and highest, psi.
    pub rvp_psi: [Num; 2],
    /// Where that comes from.
    pub rvp_source: String,
    /// Coolant at key-off, °C.
    pub coolant_c: Num,
    /// Shortest and longest lag of the coolant behind the air, s.
    pub coolant_lag_s: [Num; 2],
}

/// An enabling condition.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Enabling {
    /// Of which test.
    pub test: Test,
    /// In trade words.
    pub condition: String,
    /// The channel that it looks at.
    pub channel: Option<&'static str>,
    /// What that is expected to be.
    pub value: Option<Num>,
    /// Met, not met, or not known.
    pub met: Option<bool>,
}

impl Enabling {
    fn new(test: Test, c: Condition) -> Enabling {
        let (channel, value) = c.value.unzip();
        Enabling { test, condition: c.text, channel: channel.map(Channel::name), value: value.map(Num), met: c.met }
    }

    /// The channel's unit.
    pub fn unit(&self) -> &'static str {
        self.channel.and_then(Channel::from_name).map_or("", Channel::unit)
    }
}

impl Plan {
    /// What the clock shows, so many seconds after key-off.
    pub fn clock(&self, s: f64) -> String {
        self.zero.clock(s)
    }
}

impl Night<'_> {
    /// Works it out.
    pub fn plan(&self) -> Result<Plan, Error> {
        let p = self.profile;
        if p.subject() == Subject::Module {
            return Err(Error::Tray { profile: p.name.clone() });
        }
        let (soak, series) = soak::follow(self);
        let cold_start = cold_start::find(self);
        let first = enabling::soak(&p.set, self.level_pct, Some(self.weather.ambient_c(0.0)));
        let mut conditions: Vec<Enabling> = first.into_iter().map(|c| Enabling::new(Test::KeyOffSoak, c)).collect();
        let at = cold_start.best_s.map_or(self.weather.long_s(), |s| s.0);
        conditions.extend(cold_start::conditions(self, at).into_iter().map(|c| Enabling::new(Test::VacuumDecay, c)));
        let advice = advice::advise(self.weather, &soak, &conditions);
        let given = self.given();
        let notes = self.notes();
        Ok(Plan {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            profile: p.name.clone(),
            given,
            soak,
            advice,
            cold_start,
            conditions,
            notes,
            series,
            zero: self.weather.zero(),
        })
    }

    /// Barometer at a moment, kPa, as it is told.
    fn baro_kpa_at(&self, s: f64) -> Option<f64> {
        self.weather.baro_kpa(s).or(self.baro_kpa)
    }

    /// How far above the outside air tank and fuel may be, K, where they were not measured.
    fn above_air_k(&self) -> Option<(f64, f64)> {
        let m = &self.profile.set.model;
        let now = (m.start_above_low_k, m.start_above_high_k);
        match self.fuel {
            FuelStart::Measured(_) => None,
            FuelStart::Unknown => Some(now),
            FuelStart::Driven(hours) => {
                let cooled = |k: f64, lag_s: f64| k * libm::exp(-hours.max(0.0) * 3600.0 / lag_s);
                Some((cooled(now.0, m.fuel_lag_low_s), cooled(now.1, m.fuel_lag_high_s)))
            }
        }
    }

    /// Fuel at key-off, K, where it was measured.
    fn fuel_k(&self) -> Option<f64> {
        if let FuelStart::Measured(c) = self.fuel { Some(kelvin(c)) } else { None }
    }

    fn given(&self) -> Given {
        let (p, w) = (self.profile, self.weather);
        let (volume_m3, spread) = p.set.vapour_volume_m3(self.level_pct);
        let course = w.baro_kpa(0.0).is_some();
        Given {
            key_off: w.clock(0.0),
            key_off_utc: w.begins_utc(),
            until: w.clock(w.long_s()),
            long_s: Num(w.long_s()),
            weather: w.source.clone(),
            ambient_c: [w.ambient_c(0.0), w.ambient_c(w.long_s())].map(Num),
            baro_kpa: self.baro_kpa_at(0.0).map(Num),
            baro_swing_pa_per_h: (!course).then_some(Num(p.set.model.baro_unknown_pa_per_h)),
            level_pct: self.level_pct.map(Num),
            vapour_volume_l: Num(volume_m3 * 1e3),
            vapour_volume_spread_pct: Num(spread * 100.0),
            fuel_c: if let FuelStart::Measured(c) = self.fuel { Some(Num(c)) } else { None },
            fuel_above_air_k: self.above_air_k().map(|(low, high)| [Num(low), Num(high)]),
            rvp_psi: <[f64; 2]>::from(model::rvp_psi(&p.set)).map(Num),
            rvp_source: p.source("fuel.rvp_low_psi").to_owned(),
            coolant_c: Num(cold_start::coolant_c(self)),
            coolant_lag_s: [p.set.plan.coolant_lag_low_s, p.set.plan.coolant_lag_high_s].map(Num),
        }
    }

    fn notes(&self) -> Vec<String> {
        let set = &self.profile.set;
        let mut out = Vec::new();
        if !self.weather.unknown.is_empty() {
            out.push(format!("columns that a plan does not use: {}", self.weather.unknown.join(", ")));
        }
        if self.level_pct.is_none() {
            out.push(
                "the fuel level is not known: say --level, it tells more of the vapour volume than anything else"
                    .to_owned(),
            );
        }
        if self.weather.baro_kpa(0.0).is_none() {
            out.push(format!(
                "the barometer's course is not known: a swing of {:.0} Pa/h either way is allowed for; recorded with the night, the verdict will be surer than this plan",
                set.model.baro_unknown_pa_per_h
            ));
        }
        if set.switch.fitted != "yes" {
            out.push("a tight tank that stands above the outside air can pass by the shape of its trace: no plan foresees that".to_owned());
        }
        if set.fuel.ethanol_pct > fuel::ETHANOL_KNOWN_PCT {
            out.push("ethanol blend: its vapour pressure lies outside the petroleum correlation".to_owned());
        }
        out
    }
}
