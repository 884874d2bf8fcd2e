//! The module on the tray: a rig of bottle, syringe and transducer on its tank-side port, worked by hand.
//!
//! It shares with the simulated vehicle the flow through holes, the seeded chance and the adapter's rows, and nothing
//! else.
//!
//! | part | what it does |
//! |---|---|
//! | `scenario` | the faults, by name; and which verdicts would not be wrong |
//! | `hand` | the technician: order, speeds and unsteadiness of the strokes, bleed valve, solenoid, notes |
//! | `bottle` | air in bottle and syringe, with heat to the wall |
//! | `part` | switch, valve, reliefs, leaks and the three wires |
//! | `player` | transducer, rows and notes with their receipt |
//!
//! Left out: the hose has no resistance (the transducer sits on the bottle), the air is dry, the rubber of the
//! plunger neither sticks nor leaks, and the bench adapter's wires stay on the part while a plug sits on the rig.

mod bottle;
mod hand;
mod part;
mod player;
mod scenario;
#[cfg(test)]
mod tests;

pub use part::Unit;
pub use player::TrayPlayer;
pub use scenario::{Fate, PREFIX, Scenario, scenarios};

use super::Error;
use crate::trade::{Test, Verdict};

/// The verdicts that would not be wrong for `test` in this scenario, whatever its words.
pub fn allowed(scenario: &str, test: Test) -> Result<&'static [Verdict], Error> {
    scenario::Plan::parse(scenario).map(|p| p.allowed(test))
}

/// What may be said of the part after this scenario, the best answer first; and whether the run should tell that.
pub fn parts(scenario: &str) -> Result<(&'static [Fate], bool), Error> {
    scenario::Plan::parse(scenario).map(|p| (p.parts(), p.tells()))
}

/// What the part's fault must be called in this scenario: the test that fails, and words of its reasons.
pub fn cause(scenario: &str) -> Result<Option<(Test, &'static str)>, Error> {
    scenario::Plan::parse(scenario).map(|p| p.cause())
}

/// What sits on the rig.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rig {
    /// The part.
    Module,
    /// The part with a plug in its vent-side port.
    VentPlugged,
    /// A plug.
    Sealed,
    /// A plug with a sharp-edged hole of so many millimetres.
    Orifice(f64),
}

impl Rig {
    /// How the technician notes it.
    pub fn note(self) -> String {
        match self {
            Rig::Module => "module".to_owned(),
            Rig::VentPlugged => "vent plugged".to_owned(),
            Rig::Sealed => "sealed".to_owned(),
            Rig::Orifice(mm) => format!("orifice {mm:.1} mm"),
        }
    }
}

/// The truth at one moment, for tests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// Simulated time, s.
    pub t_s: f64,
    /// Pressure in the bottle against the room, Pa.
    pub pressure_pa: f64,
    /// The contact, bounce included.
    pub contact_closed: bool,
    /// The vent valve, 0 sealed to 1 open.
    pub vent_open: f64,
    /// Solenoid energised.
    pub solenoid: bool,
    /// What sits on the rig.
    pub rig: Rig,
    /// Gas volume, m³.
    pub volume_m3: f64,
}
