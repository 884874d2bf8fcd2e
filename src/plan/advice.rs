//! Whether the night is worth waiting for, in words.

use super::{Enabling, Soak, Weather};
use crate::trade::Test;
use serde::Serialize;

/// Whether it is worth waiting for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Worth {
    /// A tight system will pass, or a leaking one will fail.
    Yes,
    /// It may.
    Perhaps,
    /// Neither is to be expected.
    No,
}

impl Worth {
    /// The fixed word.
    pub fn word(self) -> &'static str {
        match self {
            Worth::Yes => "yes",
            Worth::Perhaps => "perhaps",
            Worth::No => "no",
        }
    }
}

/// The advice.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    /// Whether the night is worth waiting for.
    pub worth_waiting: Worth,
    /// Why, and what either outcome would mean.
    pub reasons: Vec<String>,
    /// What to do.
    pub next: String,
}

/// A night that closes fewer tight systems tells nothing by staying open.
const HARDLY: f64 = 0.05;
/// Closed in so many, it may be waited for.
const MOSTLY: f64 = 0.95;

pub(super) fn advise(weather: &Weather, soak: &Soak, conditions: &[Enabling]) -> Advice {
    let limit = soak.limit_mm.0;
    let share = soak.tight_share.0;
    let hundred = share * 100.0;
    let failing = conditions.iter().filter(|c| c.test == Test::KeyOffSoak && c.met == Some(false));
    let failing: Vec<String> = failing
        .map(|c| format!("{} is not met: it is {:.1} {}", c.condition, c.value.map_or(f64::NAN, |v| v.0), c.unit()))
        .collect();
    let mut reasons = Vec::new();
    let (comes, shows) = if soak.by_switch {
        ("closes the switch".to_owned(), "a switch that closes")
    } else {
        (format!("comes to {:.0} Pa of vacuum", soak.vacuum_pa[0].0), "a vacuum as deep")
    };
    let passes = soak.closed_passes_until_s.map(|s| s.0);
    let passing = soak.passing_share.0;
    let mut worth = if passing >= MOSTLY {
        let by = soak.tight_late_s.map_or(String::new(), |s| format!(" by {}", weather.clock(s.0)));
        reasons.push(format!(
            "a tight system {comes}{by}, and that will pass: no hole of {limit:.2} mm could have done it"
        ));
        Worth::Yes
    } else if passing > HARDLY {
        let of = passing * 100.0;
        let last = passes.map_or(String::new(), |p| format!(" if it does so by {}", weather.clock(p)));
        reasons.push(format!(
            "a tight system {comes} in {hundred:.0} of 100 cases, and in {of:.0} of 100 that will pass{last}; else a hole of {limit:.2} mm might have done it too"
        ));
        Worth::Perhaps
    } else if share > HARDLY {
        let most = soak.closes_up_to_at_late_mm.map_or(soak.night_mm.closes_up_to.0, |mm| mm.0);
        reasons.push(match most < limit {
            true => format!("{shows} will hardly pass: that no hole of {limit:.2} mm did it will not be sure enough"),
            false => format!("{shows} will not pass: this night a hole of up to {most:.2} mm could do it as well"),
        });
        Worth::No
    } else {
        reasons.push(format!("hardly a tight system {comes} ({hundred:.0} of 100): the night cools it too little"));
        Worth::No
    };
    let from = soak.night_mm.opens_from.0;
    let stays = if soak.by_switch { "a switch that stays open" } else { "a pressure that stays above that" };
    if let Some(fails) = soak.open_fails_from_s {
        reasons.push(format!("{stays} until {} will fail: any smaller hole would have let it", weather.clock(fails.0)));
        worth = Worth::Yes;
    } else if from >= 0.05 {
        reasons.push(format!(
            "{stays} to the end will mean a hole of {from:.2} mm or more: a lead, and no proof of {limit:.2} mm"
        ));
    } else {
        reasons.push(format!("{stays} to the end will mean nothing"));
    }
    if !failing.is_empty() {
        worth = Worth::No;
        reasons.splice(0..0, failing);
    }
    let next = match worth {
        Worth::Yes => {
            "park, and record the night from before key-off; the cold-start drive in the morning sizes a hole"
        }
        Worth::Perhaps => "record the night if it costs nothing, and plan the cold-start drive: it sizes the hole",
        Worth::No => "do not wait for this night's soak: the cold-start drive sizes the hole",
    };
    Advice { worth_waiting: worth, reasons, next: next.to_owned() }
}
