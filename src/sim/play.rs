//! One face for what can be played: a day of the vehicle, or a run on the tray.

use super::tray::{self, TrayPlayer};
use super::{Error, Player};
use crate::time::Stamp;

/// What the simulator gives at a moment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Said {
    /// Serial bytes of the adapter.
    Bytes(Vec<u8>),
    /// The technician notes, with kind `rig`, what sits on the rig of the tray from now on.
    Note(String),
}

/// A scenario being played: those that begin with `tray-` on the tray, all others on the vehicle.
// One of them lives for a whole run: what a move of it costs does not matter.
#[allow(clippy::large_enum_variant)]
#[derive(Debug, Clone)]
pub enum Play {
    /// A day of the vehicle.
    Vehicle(Player),
    /// A run on the tray.
    Tray(TrayPlayer),
}

/// About as long as a run on the tray, s.
const TRAY_S: f64 = 600.0;

impl Play {
    /// A play of `scenario` for `seed`; with or without a pressure `tap` (on the tray: the transducer).
    pub fn new(scenario: &str, seed: u64, tap: bool) -> Result<Play, Error> {
        if is_tray(scenario) {
            TrayPlayer::new(scenario, seed, tap).map(Play::Tray)
        } else {
            Player::new(scenario, seed, tap).map(Play::Vehicle)
        }
    }

    /// The adapter's header line, as it is sent again on request.
    pub fn header(&self) -> Vec<u8> {
        match self {
            Play::Vehicle(p) => p.header(),
            Play::Tray(p) => p.header(),
        }
    }

    /// How long it lasts, s; about, on the tray.
    pub fn lasts_s(&self) -> f64 {
        match self {
            Play::Vehicle(p) => p.timetable().2,
            Play::Tray(_) => TRAY_S,
        }
    }
}

impl From<Player> for Play {
    fn from(player: Player) -> Play {
        Play::Vehicle(player)
    }
}

impl Iterator for Play {
    type Item = (Stamp, Said);

    fn next(&mut self) -> Option<(Stamp, Said)> {
        match self {
            Play::Vehicle(p) => p.next().map(|(at, bytes)| (at, Said::Bytes(bytes))),
            Play::Tray(p) => p.next(),
        }
    }
}

/// Whether a scenario of this name plays the module on the tray.
pub fn is_tray(scenario: &str) -> bool {
    scenario.starts_with(tray::PREFIX)
}
