//! The simulated vehicle: a whole day of a tank, a module, an engine and a controller, told by a bench adapter. And
//! the module alone on a tray, worked by hand ([`tray`]).
//!
//! It has physics of its own, richer than the judge's and on purpose different from it, and knows nothing of profiles
//! or grading. The same scenario, seed and tap give the same bytes on every machine: draws come from a PCG generator,
//! weather is a function of time alone, and transcendental functions come from `libm`.
//!
//! | part | what it does |
//! |---|---|
//! | `scenario` | the faults, by name; and which verdicts would not be wrong for each test |
//! | [`drawn`] | days of which all that a technician does not know is drawn |
//! | `controller` | the day: a warm evening start, 25 min of driving, a night of 11 h, a cold start with the sealed check |
//! | `weather` | outside air, barometer, sun, gusts |
//! | `tank` | air and vapour in headspace and canister, one pressure; heat of skin, liquid and gas; charcoal |
//! | `gas` | nozzle flow with a Reynolds-dependent coefficient; petrol as three components under Raoult's law |
//! | `module` | vent valve, switch with hysteresis and bounce, reliefs, sense line and shared ground |
//! | `engine` | speed, manifold, coolant, battery, trims |
//! | [`tray`] | the module on a tray: a model of its own |
//! | `play` | one face for both: bytes of the adapter, and what the technician notes |
//! | [`bus`] | controllers that answer on the vehicle's network, and what stands in between |
//! | `adapter`, `row`, `player`, `port` | sensors with noise and resolution; rows and their receipt; a real port |
//!
//! Left out: the fuel does not weather (its composition stays), evaporation does not cool it, the lines between tank
//! and canister have no resistance, and no valve in the tank closes on a slope.
//!
//! ```
//! let day = soakwatch::sim::Player::new("leak-0.70", 1, true)?;
//! let (at, bytes) = day.take(1).next().expect("the header comes first");
//! assert!(at.secs() < 1.0 && bytes.starts_with(b"time_s,key,"));
//! # Ok::<(), soakwatch::sim::Error>(())
//! ```

mod adapter;
pub mod bus;
mod controller;
pub mod drawn;
mod engine;
mod gas;
mod module;
mod play;
mod player;
mod port;
mod random;
mod relax;
mod row;
mod scenario;
mod tank;
#[cfg(test)]
mod tests;
pub mod tray;
mod vehicle;
mod weather;

pub use play::{Play, Said, is_tray};
pub use player::Player;
pub use port::{FramePort, play_to, serve, serve_bus};
pub use scenario::{Scenario, scenarios};
pub use vehicle::Truth;

use crate::trade::{Test, Verdict};

/// Why a scenario cannot be played.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// No scenario of this name.
    #[error("there is no scenario `{given}`: say `tight`, `leak-0.70`, or another that `soakwatch links` lists")]
    UnknownScenario {
        /// The word.
        given: String,
    },
    /// The size of a leak cannot be read.
    #[error("`leak-{given}` is no size of a hole: give its diameter in millimetres, from 0 to 30, as in `leak-0.70`")]
    LeakSize {
        /// What stood after `leak-`.
        given: String,
    },
    /// A vehicle's bus where there is no vehicle.
    #[error(
        "`{given}` plays a module on the tray, which has no bus: leave out the way to the bus, or name a vehicle's day"
    )]
    NoBus {
        /// The scenario.
        given: String,
    },
    /// A switch fault on a vehicle without switch.
    #[error("`{given}`: a vehicle with a tank pressure sensor has no leak switch to be at fault; leave out `ps-`")]
    NoSwitch {
        /// The whole scenario.
        given: String,
    },
}

/// The hole with discharge coefficient 0.6 that passes as much air at 300 Pa as a sharp-edged one of `hole_mm`: what
/// an equivalent-orifice figure should read. About 8 % wider at the sizes of small leaks.
pub fn equivalent_mm(hole_mm: f64) -> f64 {
    let flux = gas::Gas::new(293.15, 0.0).flux(101_325.0, 101_025.0);
    let cd = gas::discharge_at(crate::units::hole_area_m2(hole_mm), flux);
    hole_mm * (cd / 0.6).sqrt()
}

/// The verdicts that would not be wrong for `test` in this scenario, whatever its words; with or without a pressure
/// `tap`.
pub fn allowed(scenario: &str, test: Test, tap: bool) -> Result<&'static [Verdict], Error> {
    scenario::Plan::parse(scenario).map(|p| p.allowed(test, tap))
}
