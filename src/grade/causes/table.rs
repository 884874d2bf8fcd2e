//! The table of likelihoods: how each state of a vehicle would look to each test.
//!
//! The first row whose condition holds counts; the last holds for all. The probabilities of a row add up to one. They
//! are held against nothing but sense and the simulated faults: where a source says own estimate, nobody counted.

use super::state::{Hole, Purge, State, Switch, Vent};

/// Of the estimates.
const OWN: &str = "own estimate";
/// Of what every handbook of the trade says.
const USUAL: &str = "common practice; the number is an own estimate";

/// The states that look alike to a test.
pub(super) struct Row {
    /// Which.
    pub when: fn(&State) -> bool,
    /// Probability of each outcome.
    pub p: &'static [f64],
    /// Why.
    pub why: &'static str,
    /// Who says so.
    pub source: &'static str,
}

/// A test's outcomes, and how likely each is.
pub(super) struct Table {
    /// In words.
    pub outcomes: &'static [&'static str],
    /// In order.
    pub rows: &'static [Row],
}

impl Table {
    /// The row of a state. The last row holds for all.
    pub fn row(&self, s: &State) -> &Row {
        self.rows.iter().find(|r| (r.when)(s)).unwrap_or(&self.rows[self.rows.len() - 1])
    }

    /// Probability of an outcome in each of the states.
    pub fn likelihood(&self, outcome: usize, states: &[State]) -> Vec<f64> {
        states.iter().map(|s| self.row(s).p[outcome]).collect()
    }

    /// The same for all outcomes.
    pub fn all(&self, states: &[State]) -> Vec<Vec<f64>> {
        (0..self.outcomes.len()).map(|o| self.likelihood(o, states)).collect()
    }
}

const fn row(when: fn(&State) -> bool, p: &'static [f64], why: &'static str, source: &'static str) -> Row {
    Row { when, p, why, source }
}

/// How a soak looks to the pressure: as a tight tank, or as one with a hole. False verdicts are held to 5 in 1000.
pub(super) static SOAK_LOOKS: Table = Table {
    outcomes: &["as if tight", "as if leaking"],
    rows: &[
        row(|s| s.vent == Vent::Open, &[0.01, 0.99], "an open vent is a hole of millimetres", USUAL),
        row(
            |s| s.hole == Hole::Large,
            &[0.005, 0.995],
            "air comes in as fast as the tank cools; misjudged 5 times in 1000",
            OWN,
        ),
        row(|s| s.hole == Hole::Small, &[0.03, 0.97], "a few leaks open only under a vacuum that no night makes", OWN),
        row(|s| s.switch == Switch::Torn, &[0.1, 0.9], "most torn diaphragms leak like a small or a large hole", USUAL),
        row(|s| s.purge == Purge::Seeps, &[0.25, 0.75], "key off it leaks into the manifold; some seep little", USUAL),
        row(|_| true, &[0.995, 0.005], "a tight tank that cools draws a vacuum; misjudged 5 times in 1000", OWN),
    ],
};

/// What a soak shows of the switch alone: whether it can close over a vacuum.
pub(super) static SWITCH_CLOSES: Table = Table {
    outcomes: &["closes over a vacuum", "never closes"],
    rows: &[
        row(|s| s.switch == Switch::Dead, &[0.005, 0.995], "what is stuck open does not close", USUAL),
        row(|s| s.switch == Switch::Torn, &[0.05, 0.95], "the torn diaphragm is not moved", USUAL),
        row(|s| s.switch == Switch::Contacts, &[0.85, 0.15], "a bad contact may not be read as closed", OWN),
        row(|_| true, &[0.99, 0.01], "a sound switch closes", USUAL),
    ],
};

/// Sealed purge, seen by the switch.
pub(super) static PURGE_BY_SWITCH: Table = Table {
    outcomes: &["the switch closed", "the switch stayed open"],
    rows: &[
        row(|s| s.purge == Purge::NoFlow, &[0.02, 0.98], "nothing draws", USUAL),
        row(|s| s.vent == Vent::Open, &[0.03, 0.97], "air comes in through the vent", USUAL),
        row(|s| s.switch == Switch::Dead, &[0.005, 0.995], "what is stuck open does not close", USUAL),
        row(|s| s.switch == Switch::Torn, &[0.05, 0.95], "the torn diaphragm is not moved", USUAL),
        row(
            |s| s.hole == Hole::Large,
            &[0.45, 0.55],
            "purge wins against 1 to 2 mm, not against an open filler",
            USUAL,
        ),
        row(|s| s.switch == Switch::Contacts, &[0.85, 0.15], "a bad contact may not be read as closed", OWN),
        row(|_| true, &[0.985, 0.015], "purge draws a vacuum in seconds", USUAL),
    ],
};

/// Sealed purge, seen by the pressure.
pub(super) static PURGE_BY_PRESSURE: Table = Table {
    outcomes: &["a vacuum", "a little vacuum", "no vacuum"],
    rows: &[
        row(|s| s.purge == Purge::NoFlow, &[0.02, 0.03, 0.95], "nothing draws", USUAL),
        row(|s| s.vent == Vent::Open, &[0.03, 0.17, 0.80], "air comes in through the vent", USUAL),
        row(
            |s| s.hole == Hole::Large,
            &[0.45, 0.30, 0.25],
            "purge wins against 1 to 2 mm, in part against more, not against an open filler",
            USUAL,
        ),
        row(|s| s.switch == Switch::Torn, &[0.75, 0.2, 0.05], "it leaks like a small or a large hole", OWN),
        row(|_| true, &[0.990, 0.007, 0.003], "purge draws a vacuum in seconds", USUAL),
    ],
};

/// How a sealed hold looks, to switch or pressure, once a vacuum was drawn. The last is told by the pressure alone.
pub(super) static DECAY_LOOKS: Table = Table {
    outcomes: &["as if tight", "as a small leak", "as a large leak", "the vacuum grew"],
    rows: &[
        row(|s| s.vent == Vent::Open, &[0.01, 0.09, 0.89, 0.01], "an open vent is a hole of millimetres", USUAL),
        row(
            |s| s.purge == Purge::Seeps && s.hole == Hole::Tight && s.switch != Switch::Torn,
            &[0.58, 0.02, 0.01, 0.39],
            "with the engine running a seeping valve holds the vacuum, or draws it deeper",
            USUAL,
        ),
        row(|s| s.purge == Purge::Seeps, &[0.25, 0.35, 0.25, 0.15], "a seeping valve hides part of a leak", OWN),
        row(
            |s| s.hole == Hole::Large,
            &[0.004, 0.05, 0.941, 0.005],
            "a large hole loses it in seconds; misjudged as tight 4 times in 1000",
            OWN,
        ),
        row(|s| s.switch == Switch::Torn, &[0.1, 0.4, 0.495, 0.005], "it leaks like a small or a large hole", OWN),
        row(
            |s| s.hole == Hole::Small,
            &[0.005, 0.96, 0.03, 0.005],
            "a small hole loses it within a minute; misjudged as tight 5 times in 1000",
            OWN,
        ),
        row(|_| true, &[0.985, 0.004, 0.001, 0.01], "a tight tank keeps it; misjudged as leaking 5 times in 1000", OWN),
    ],
};

/// Trapped vacuum at key-on, once there was one to vent.
pub(super) static START_VENT: Table = Table {
    outcomes: &["vented", "did not vent, or slowly", "the switch stayed closed", "the line's bias came back"],
    rows: &[
        row(
            |s| s.vent == Vent::Shut && s.switch != Switch::Closed,
            &[0.2, 0.45, 0.345, 0.005],
            "a valve that does not open traps it; a path that is only narrow may pass",
            USUAL,
        ),
        row(|s| s.vent == Vent::Shut, &[0.02, 0.18, 0.6, 0.2], "both keep the switch closed", OWN),
        row(
            |s| s.switch == Switch::Closed,
            &[0.2, 0.05, 0.35, 0.40],
            "a stuck switch stays closed; a line without bias opens with the key",
            USUAL,
        ),
        row(|_| true, &[0.985, 0.003, 0.005, 0.007], "a sound vent empties it in a second", USUAL),
    ],
};

/// The sense line. Without a ground reference a bad ground looks sound.
pub(super) static CIRCUIT: Table = Table {
    outcomes: &[
        "sound",
        "the shared ground rises",
        "stuck closed",
        "stuck open",
        "too much resistance, or chatter",
        "without bias at key-off",
        "closed with the vent commanded open",
    ],
    rows: &[
        row(
            |s| s.switch == Switch::Dead,
            &[0.02, 0.005, 0.005, 0.93, 0.03, 0.005, 0.005],
            "what stays open under a vacuum that is measured is stuck",
            USUAL,
        ),
        row(
            |s| s.switch == Switch::Torn,
            &[0.15, 0.005, 0.005, 0.80, 0.03, 0.005, 0.005],
            "it stays open under a vacuum that is measured, if one can be drawn at all",
            USUAL,
        ),
        row(
            |s| s.switch == Switch::Closed,
            &[0.02, 0.005, 0.60, 0.005, 0.03, 0.24, 0.10],
            "closed with the tank at the air's pressure, or a dead line",
            USUAL,
        ),
        row(
            |s| s.switch == Switch::Contacts,
            &[0.08, 0.01, 0.02, 0.05, 0.82, 0.01, 0.01],
            "the divider with the pull-up shows it",
            USUAL,
        ),
        row(
            |s| s.switch == Switch::Ground,
            &[0.08, 0.85, 0.01, 0.01, 0.04, 0.005, 0.005],
            "current times resistance lifts the ground while the solenoid is on",
            USUAL,
        ),
        row(
            |s| s.vent == Vent::Shut,
            &[0.78, 0.005, 0.01, 0.005, 0.01, 0.01, 0.18],
            "vacuum that cannot leave keeps the switch closed",
            OWN,
        ),
        row(|_| true, &[0.983, 0.001, 0.001, 0.001, 0.002, 0.010, 0.002], "a sound line reads right", OWN),
    ],
};

/// The solenoid's current, seen on and off. Where energising opens the vent, a dead coil leaves it shut.
pub(super) static COIL: Table = Table {
    outcomes: &["current sound", "current wrong"],
    rows: &[
        row(|s| s.vent == Vent::Shut, &[0.6, 0.4], "dead coils are some of the vents that do not open", OWN),
        row(|s| s.vent == Vent::Open, &[0.95, 0.05], "most vents that do not seal are dirty or worn, not dead", OWN),
        row(|s| s.switch == Switch::Ground, &[0.85, 0.15], "the solenoid shares that ground", OWN),
        row(|_| true, &[0.993, 0.007], "a sound coil draws its current", USUAL),
    ],
};

/// The same where energising seals the vent: a dead coil leaves it open.
pub(super) static COIL_SEALS: Table = Table {
    outcomes: COIL.outcomes,
    rows: &[
        row(|s| s.vent == Vent::Open, &[0.6, 0.4], "dead coils are some of the vents that do not seal", OWN),
        row(|s| s.vent == Vent::Shut, &[0.95, 0.05], "most vents that do not open are stuck or blocked, not dead", OWN),
        row(|_| true, &[0.993, 0.007], "a sound coil draws its current", USUAL),
    ],
};

/// A relief that should have opened. That one was seen to open tells nothing that the soak's trace did not.
pub(super) static RELIEF: Table = Table {
    outcomes: &["opened, or was not reached", "stood far above its point"],
    rows: &[
        row(|s| s.vent == Vent::Shut, &[0.8, 0.2], "it blows off through the path that is restricted", OWN),
        row(|_| true, &[0.99, 0.01], "a sound relief opens", USUAL),
    ],
};

/// At the plug, module off: the line must rise to the pull-up and fall when bridged to ground; the ground's drop.
pub(super) static PLUG: Table = Table {
    outcomes: &[
        "wiring sound, nothing found",
        "low or without bias with the module off",
        "it rises: the switch itself is closed",
        "the line is open",
        "resistance",
        "the ground drops volts",
    ],
    rows: &[
        row(
            |s| s.switch == Switch::Closed,
            &[0.05, 0.55, 0.36, 0.01, 0.02, 0.01],
            "a short or a missing bias stays when the module is off, a stuck switch goes",
            USUAL,
        ),
        row(
            |s| s.switch == Switch::Dead,
            &[0.72, 0.01, 0.01, 0.24, 0.01, 0.01],
            "most dead switches are the module's own; the rest is an open line",
            OWN,
        ),
        row(
            |s| s.switch == Switch::Contacts,
            &[0.23, 0.01, 0.01, 0.01, 0.73, 0.01],
            "corroded terminals more often than worn contacts",
            OWN,
        ),
        row(
            |s| s.switch == Switch::Ground,
            &[0.04, 0.01, 0.01, 0.01, 0.03, 0.90],
            "a drop under load is measured directly",
            USUAL,
        ),
        row(|_| true, &[0.95, 0.01, 0.01, 0.01, 0.01, 0.01], "sound wiring reads right", USUAL),
    ],
};

/// Key on and off beside the module: does the valve click?
pub(super) static CLICK: Table = Table {
    outcomes: &["it clicks", "it is silent"],
    rows: &[
        row(
            |s| s.vent == Vent::Shut,
            &[0.5, 0.5],
            "a dead coil or a stuck valve is silent, a blocked filter is not",
            OWN,
        ),
        row(|s| s.vent == Vent::Open, &[0.7, 0.3], "one that is dirty still moves", OWN),
        row(|_| true, &[0.98, 0.02], "a sound valve clicks", USUAL),
    ],
};

/// Cap, seal and filler neck, looked at.
pub(super) static CAP: Table = Table {
    outcomes: &["sound", "loose, cracked or rusted"],
    rows: &[
        row(|s| s.hole == Hole::Large, &[0.55, 0.45], "most large leaks that are found are the cap", USUAL),
        row(|s| s.hole == Hole::Small, &[0.75, 0.25], "cap seal and neck come first among small leaks", USUAL),
        row(|_| true, &[0.95, 0.05], "an old seal that still holds", OWN),
    ],
};

/// The purge line pinched at the tank's side, and the hold repeated.
pub(super) static PINCH: Table = Table {
    outcomes: &["the leak is gone, or the vacuum grows no more", "as before"],
    rows: &[
        row(|s| s.purge == Purge::Seeps, &[0.9, 0.1], "what came through the valve is shut off", USUAL),
        row(|_| true, &[0.03, 0.97], "the line is not the cause", USUAL),
    ],
};

/// A hand pump on the purge valve's line, key off; then its draw by hand with the engine warm.
pub(super) static PURGE_BY_HAND: Table = Table {
    outcomes: &["holds, and draws", "leaks when shut", "draws nothing"],
    rows: &[
        row(|s| s.purge == Purge::Seeps, &[0.07, 0.90, 0.03], "a shut valve must hold", USUAL),
        row(|s| s.purge == Purge::NoFlow, &[0.06, 0.02, 0.92], "a working one is felt to draw", USUAL),
        row(|_| true, &[0.96, 0.02, 0.02], "a sound valve does both", USUAL),
    ],
};

/// A small vacuum drawn by hand at the service port, vent sealed, engine off: pressure and switch watched.
pub(super) static VACUUM_BY_HAND: Table = Table {
    outcomes: &["holds, and the switch closes", "holds, and the switch stays open", "falls", "none to be had"],
    rows: &[
        row(|s| s.vent == Vent::Open, &[0.01, 0.01, 0.10, 0.88], "air comes in through the vent", USUAL),
        row(|s| s.hole == Hole::Large, &[0.01, 0.01, 0.53, 0.45], "a hand cannot keep up with an open filler", USUAL),
        row(|s| s.hole == Hole::Small, &[0.04, 0.01, 0.93, 0.02], "it falls within the minute", USUAL),
        row(|s| s.switch == Switch::Torn, &[0.02, 0.10, 0.83, 0.05], "it falls, and the switch does not move", USUAL),
        row(|s| s.purge == Purge::Seeps, &[0.20, 0.01, 0.77, 0.02], "it goes through the valve", OWN),
        row(|s| s.switch == Switch::Dead, &[0.01, 0.97, 0.01, 0.01], "it holds, and the switch does not move", USUAL),
        row(|_| true, &[0.95, 0.02, 0.02, 0.01], "a tight tank holds, a sound switch closes", USUAL),
    ],
};

/// The module taken off and tried on the tray.
pub(super) static TRAY: Table = Table {
    outcomes: &["fit", "leaks", "never closes", "never opens", "resistance", "does not seal", "does not open"],
    rows: &[
        row(|s| s.switch == Switch::Torn, &[0.02, 0.90, 0.05, 0.01, 0.01, 0.005, 0.005], "the hold sizes it", USUAL),
        row(
            |s| s.vent == Vent::Open,
            &[0.05, 0.02, 0.01, 0.01, 0.01, 0.89, 0.01],
            "no vacuum stands on it but behind a plug",
            USUAL,
        ),
        row(
            |s| s.switch == Switch::Dead,
            &[0.25, 0.01, 0.71, 0.005, 0.015, 0.005, 0.005],
            "unless it was the vehicle's wiring",
            OWN,
        ),
        row(
            |s| s.switch == Switch::Closed,
            &[0.60, 0.01, 0.01, 0.355, 0.015, 0.005, 0.005],
            "a short or a missing bias is the vehicle's",
            OWN,
        ),
        row(
            |s| s.switch == Switch::Contacts,
            &[0.70, 0.01, 0.01, 0.01, 0.26, 0.005, 0.005],
            "corroded terminals stay with the vehicle's plug",
            OWN,
        ),
        row(
            |s| s.vent == Vent::Shut,
            &[0.40, 0.01, 0.01, 0.01, 0.01, 0.01, 0.55],
            "unless the path behind it is blocked, or its feed is dead",
            OWN,
        ),
        row(|_| true, &[0.97, 0.005, 0.005, 0.005, 0.005, 0.005, 0.005], "a sound module is fit", USUAL),
    ],
};

/// Smoke or inert gas, by a licensed shop.
pub(super) static LEAK_SEARCH: Table = Table {
    outcomes: &["at a fitting, the cap or a line", "at the vent module", "through the purge valve", "none"],
    rows: &[
        row(|s| s.hole == Hole::Large, &[0.95, 0.02, 0.01, 0.02], "a large leak is seen at once", USUAL),
        row(|s| s.hole == Hole::Small, &[0.84, 0.02, 0.02, 0.12], "some open only under vacuum", USUAL),
        row(|s| s.vent == Vent::Open, &[0.02, 0.92, 0.01, 0.05], "it comes out of the vent", USUAL),
        row(|s| s.switch == Switch::Torn, &[0.02, 0.85, 0.01, 0.12], "it comes out of the module", USUAL),
        row(|s| s.purge == Purge::Seeps, &[0.02, 0.01, 0.72, 0.25], "it comes out of the intake", USUAL),
        row(|_| true, &[0.03, 0.01, 0.01, 0.95], "a tight system shows none", USUAL),
    ],
};

/// Every table, for the checks.
#[cfg(test)]
pub(super) const ALL: [&Table; 18] = [
    &SOAK_LOOKS,
    &SWITCH_CLOSES,
    &PURGE_BY_SWITCH,
    &PURGE_BY_PRESSURE,
    &DECAY_LOOKS,
    &START_VENT,
    &CIRCUIT,
    &COIL,
    &COIL_SEALS,
    &RELIEF,
    &PLUG,
    &CLICK,
    &CAP,
    &PINCH,
    &PURGE_BY_HAND,
    &VACUUM_BY_HAND,
    &TRAY,
    &LEAK_SEARCH,
];
