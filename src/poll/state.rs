//! What the poller does, in words.

use std::fmt;

/// Why it asks nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Silence {
    /// The key is off.
    KeyOff,
    /// Nobody answers.
    NoAnswer,
    /// The controllers answered, and do not any more.
    Gone,
    /// Nobody answers, and nothing else was ever heard on this bus.
    Gateway,
    /// The bus fell silent.
    BusAsleep,
    /// The supply is below the profile's limit.
    Battery {
        /// V.
        volts: f64,
        /// V.
        limit: f64,
    },
    /// The capture ends.
    Ended,
}

/// What it does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PollState {
    /// Asks whether anybody answers.
    Seeking,
    /// Asks which data there are.
    Learning,
    /// Asks for live data.
    Asking {
        /// Questions a second, of late.
        questions_per_s: f64,
        /// Share of the bus that they and their answers take, where the bus is known.
        load_pct: Option<f64>,
    },
    /// Engine at rest and key not known: asks now and then.
    Resting {
        /// The next pause.
        every_s: f64,
    },
    /// Reads the controllers' word once more and falls silent.
    Closing(Silence),
    /// Listens only.
    Silent(Silence),
}

impl fmt::Display for PollState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            PollState::Seeking => f.write_str("asks whether a controller answers"),
            PollState::Learning => f.write_str("asks which data there are"),
            PollState::Asking { questions_per_s, load_pct } => {
                write!(f, "asks for live data")?;
                if *questions_per_s > 0.0 {
                    write!(f, ", {questions_per_s:.1} questions a second")?;
                }
                load_pct.map_or(Ok(()), |l| write!(f, ", {l:.1} % of the bus"))
            }
            PollState::Resting { every_s } => {
                write!(f, "engine at rest, key not known: asks once in {every_s:.0} s, and ever more seldom")
            }
            PollState::Closing(why) => write!(f, "{}: asks for codes once more, then listens only", why.words()),
            PollState::Silent(why) => write!(f, "listens only: {why}"),
        }
    }
}

impl Silence {
    fn words(&self) -> &'static str {
        match self {
            Silence::KeyOff => "key off",
            Silence::Gone => "the controllers answer no more, so the key is off",
            Silence::NoAnswer | Silence::Gateway => "no controller answers",
            Silence::BusAsleep => "the bus fell silent",
            Silence::Battery { .. } => "the battery is low",
            Silence::Ended => "the capture ends",
        }
    }
}

impl fmt::Display for Silence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Silence::NoAnswer => f.write_str("no controller answers. Turn the key on"),
            Silence::Gateway => f.write_str(
                "no controller answers, and this bus never speaks by itself, so that a wake-up cannot be heard on it. Begin \
                 anew with the key on, or add a bench adapter that sees the key",
            ),
            Silence::Battery { volts, limit } => {
                write!(f, "the battery is at {volts:.1} V, below {limit:.1} V. Charge it before the next night")
            }
            other => f.write_str(other.words()),
        }
    }
}
