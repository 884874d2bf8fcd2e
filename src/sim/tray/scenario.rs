//! What may be at fault on the tray: in the part, in the rig, in its instruments, or in how it is worked.

use super::super::Error;
use crate::trade::{Test, Verdict};

/// What is wrong with the switch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Switch {
    /// Nothing.
    Sound,
    /// Never closes.
    StuckOpen,
    /// Never opens.
    StuckClosed,
    /// Works, with high and jumping contact resistance.
    Corroded,
    /// Lets go again and again near its points.
    Chatters,
    /// The diaphragm is torn: never closes, and lets air in.
    Torn,
}

/// What is wrong with the vent valve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Vent {
    /// Nothing.
    Sound,
    /// Never seals.
    NeverSeals,
    /// Draws its current and never opens.
    NeverOpens,
    /// Opens to this many millimetres only.
    Path(f64),
    /// The coil is broken.
    CoilOpen,
    /// Most turns of the coil are shorted.
    CoilShort,
}

/// How the technician works.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Habit {
    /// All in turn, calmly.
    Calm,
    /// Every stroke as quick as the hand can.
    Quick,
    /// Leaves out the positive control.
    NoControl,
    /// Energises the solenoid, never draws a vacuum on the part.
    SolenoidOnly,
}

/// Everything in which a run may differ from the good one.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Hole of diaphragm and seals, mm.
    pub hole_mm: f64,
    /// The switch.
    pub switch: Switch,
    /// Range of its closing point, Pa of vacuum.
    pub closes_pa: Option<(f64, f64)>,
    /// The vent valve.
    pub vent: Vent,
    /// Some ohms in the shared ground.
    pub bad_ground: bool,
    /// Opening point of the pressure relief, Pa.
    pub pressure_relief_pa: Option<f64>,
    /// Opening point of the vacuum relief, Pa of vacuum.
    pub vacuum_relief_pa: Option<f64>,
    /// Hole of the rig itself, mm.
    pub rig_hole_mm: f64,
    /// Bottle, litres.
    pub bottle_l: f64,
    /// Factor on the noise of the transducer.
    pub noise: f64,
    /// How it is worked.
    pub habit: Habit,
}

impl Default for Plan {
    fn default() -> Plan {
        Plan {
            hole_mm: 0.0,
            switch: Switch::Sound,
            closes_pa: None,
            vent: Vent::Sound,
            bad_ground: false,
            pressure_relief_pa: None,
            vacuum_relief_pa: None,
            rig_hole_mm: 0.0,
            bottle_l: 2.0,
            noise: 1.0,
            habit: Habit::Calm,
        }
    }
}

/// A scenario of the tray by name.
#[derive(Debug, Clone, Copy)]
pub struct Scenario {
    /// The word that chooses it.
    pub name: &'static str,
    /// One line for people.
    pub title: &'static str,
    apply: fn(&mut Plan),
}

/// All named scenarios of the tray. `tray-leak-` takes any size; words after the first are joined by `+`, without
/// `tray-`, as in `tray-leak-0.20+noisy`.
pub fn scenarios() -> &'static [Scenario] {
    SCENARIOS
}

const SCENARIOS: &[Scenario] = &[
    Scenario { name: "tray-good", title: "A sound module, worked calmly", apply: |_| {} },
    Scenario {
        name: "tray-leak-0.30",
        title: "Diaphragm or seals leak like a hole of 0.3 mm",
        apply: |p| p.hole_mm = 0.30,
    },
    Scenario { name: "tray-leak-0.80", title: "And like one of 0.8 mm", apply: |p| p.hole_mm = 0.80 },
    Scenario {
        name: "tray-torn",
        title: "Torn diaphragm: never closes and lets air in",
        apply: |p| p.switch = Switch::Torn,
    },
    Scenario { name: "tray-switch-stuck-open", title: "Switch never closes", apply: |p| p.switch = Switch::StuckOpen },
    Scenario {
        name: "tray-switch-stuck-closed",
        title: "Switch never opens",
        apply: |p| p.switch = Switch::StuckClosed,
    },
    Scenario {
        name: "tray-corroded",
        title: "Contact with high, jumping resistance",
        apply: |p| p.switch = Switch::Corroded,
    },
    Scenario {
        name: "tray-chatter",
        title: "Contact lets go again and again near its points",
        apply: |p| p.switch = Switch::Chatters,
    },
    Scenario {
        name: "tray-closes-early",
        title: "Switch closes at too little vacuum",
        apply: |p| p.closes_pa = Some((115.0, 150.0)),
    },
    Scenario {
        name: "tray-closes-late",
        title: "Switch closes at too much vacuum",
        apply: |p| p.closes_pa = Some((380.0, 460.0)),
    },
    Scenario { name: "tray-vent-never-opens", title: "Vent valve never opens", apply: |p| p.vent = Vent::NeverOpens },
    Scenario { name: "tray-vent-never-seals", title: "Vent valve never seals", apply: |p| p.vent = Vent::NeverSeals },
    Scenario {
        name: "tray-vent-restricted",
        title: "Vent path narrowed to 1.5 mm",
        apply: |p| p.vent = Vent::Path(1.5),
    },
    Scenario { name: "tray-coil-open", title: "Solenoid's coil is broken", apply: |p| p.vent = Vent::CoilOpen },
    Scenario {
        name: "tray-coil-short",
        title: "Solenoid's coil is shorted and draws far too much",
        apply: |p| p.vent = Vent::CoilShort,
    },
    Scenario {
        name: "tray-ground-resistance",
        title: "About 3 ohm in the shared ground",
        apply: |p| p.bad_ground = true,
    },
    Scenario {
        name: "tray-relief-low",
        title: "Pressure relief opens at 60 Pa",
        apply: |p| p.pressure_relief_pa = Some(60.0),
    },
    Scenario {
        name: "tray-relief-very-low",
        title: "At 45 Pa, where a resting hand settles by hardly more than the rig's errors",
        apply: |p| p.pressure_relief_pa = Some(45.0),
    },
    Scenario {
        name: "tray-relief-high",
        title: "Pressure relief does not open within reach",
        apply: |p| p.pressure_relief_pa = Some(8_000.0),
    },
    Scenario {
        name: "tray-vacuum-relief-low",
        title: "Vacuum relief opens at 500 Pa",
        apply: |p| p.vacuum_relief_pa = Some(500.0),
    },
    Scenario {
        name: "tray-no-control",
        title: "A sound module, the positive control left out",
        apply: |p| p.habit = Habit::NoControl,
    },
    Scenario {
        name: "tray-rig-leaks",
        title: "A sound module on a rig that leaks like a hole of 0.25 mm",
        apply: |p| p.rig_hole_mm = 0.25,
    },
    Scenario {
        name: "tray-small-volume",
        title: "A sound module with a bottle of 0.25 litres, too little for the 0.5 mm hole",
        apply: |p| p.bottle_l = 0.25,
    },
    Scenario { name: "tray-noisy", title: "Transducer six times as noisy", apply: |p| p.noise = 6.0 },
    Scenario {
        name: "tray-quick-hand",
        title: "Every stroke as quick as the hand can",
        apply: |p| p.habit = Habit::Quick,
    },
    Scenario {
        name: "tray-solenoid-without-vacuum",
        title: "The solenoid is clicked, and no vacuum drawn on the part",
        apply: |p| p.habit = Habit::SolenoidOnly,
    },
];

/// What the name of every scenario of the tray begins with.
pub const PREFIX: &str = "tray-";

impl Plan {
    /// From the scenario's words, `tray-` in front.
    pub fn parse(spec: &str) -> Result<Plan, Error> {
        let mut plan = Plan::default();
        let unknown = |word: &str| Error::UnknownScenario { given: word.to_owned() };
        for word in spec.strip_prefix(PREFIX).ok_or_else(|| unknown(spec))?.split('+') {
            if let Some(s) = SCENARIOS.iter().find(|s| s.name.strip_prefix(PREFIX) == Some(word)) {
                (s.apply)(&mut plan);
            } else if let Some(size) = word.strip_prefix("leak-") {
                plan.hole_mm = match size.parse::<f64>() {
                    Ok(mm) if (0.0..=30.0).contains(&mm) => mm,
                    _ => return Err(Error::LeakSize { given: size.to_owned() }),
                };
            } else {
                return Err(unknown(word));
            }
        }
        Ok(plan)
    }

    /// The verdicts that would not be wrong for `test`, whatever its words. What is true follows from the faults
    /// alone: a hole of 0.3 mm and more is no part to fit, one up to 0.12 mm is as good as none, and between them
    /// opinions may differ.
    pub fn allowed(&self, test: Test) -> &'static [Verdict] {
        use Verdict::{Fail as F, Inconclusive as I, NotRun as N, Pass as P};
        let torn = self.switch == Switch::Torn;
        let open = self.vent == Vent::NeverSeals;
        let untried = self.habit == Habit::SolenoidOnly;
        // No vacuum to speak of can be drawn on it.
        let gross = open || torn || self.hole_mm >= 1.0;
        let no_control = matches!(self.habit, Habit::NoControl) || self.rig_hole_mm > 0.0;
        match test {
            Test::SwitchPoint if untried => &[I, N],
            Test::SwitchPoint if open => &[I, N],
            Test::SwitchPoint if torn => &[F, I, N],
            Test::SwitchPoint => match self.switch {
                Switch::StuckOpen | Switch::StuckClosed => &[F, I, N],
                Switch::Corroded | Switch::Chatters => &[P, F, I],
                _ if self.closes_pa.is_some() => &[F, I],
                _ => &[P, I],
            },
            Test::ModuleHold if untried || no_control => &[I, N],
            Test::ModuleHold if gross => &[F, I, N],
            Test::ModuleHold if self.hole_mm >= 0.3 => &[F, I],
            Test::ModuleHold if self.hole_mm > 0.12 => &[P, F, I],
            Test::ModuleHold => &[P, I],
            Test::Relief if untried => &[N, I],
            Test::Relief if self.pressure_relief_pa.is_some() || self.vacuum_relief_pa.is_some() => &[F, I, N],
            Test::Relief if gross || self.hole_mm >= 0.4 => &[P, I, N],
            Test::Relief => &[P, I],
            Test::VentSolenoid => match self.vent {
                Vent::CoilOpen | Vent::CoilShort => &[F],
                _ if untried => &[I, N],
                Vent::NeverOpens | Vent::Path(_) => &[F, I],
                Vent::NeverSeals => &[F, I, N],
                // Without a vacuum that stands there is nothing to collapse.
                Vent::Sound if gross || self.hole_mm >= 0.4 => &[P, I],
                Vent::Sound => &[P, I],
            },
            Test::SwitchCircuit if self.bad_ground => &[F, I],
            Test::SwitchCircuit => match self.switch {
                Switch::Corroded | Switch::Chatters => &[F],
                Switch::StuckOpen | Switch::StuckClosed => &[F, I],
                // With vacuum enough it is seen not to close, and that may be called the circuit's.
                Switch::Torn => &[F, I, N],
                Switch::Sound if untried => &[I, N],
                // Seen to close and to open with the vent-side port plugged, if at all.
                Switch::Sound if open => &[P, I, N],
                Switch::Sound => &[P, I],
            },
            Test::KeyOffSoak | Test::StartVent | Test::PurgeResponse | Test::VacuumDecay => &[],
        }
    }

    /// What may be said of the part, the best answer first.
    pub fn parts(&self) -> &'static [Fate] {
        use Fate::{DoNotFit, Fit, Repeat};
        let part_bad = self.hole_mm >= 0.3
            || self.switch != Switch::Sound
            || self.closes_pa.is_some()
            || self.vent != Vent::Sound
            || self.bad_ground
            || self.pressure_relief_pa.is_some()
            || self.vacuum_relief_pa.is_some();
        let too_small = self.bottle_l < TOO_SMALL_L;
        if too_small || self.rig_hole_mm > 0.0 || matches!(self.habit, Habit::NoControl | Habit::SolenoidOnly) {
            &[Repeat]
        } else if part_bad {
            &[DoNotFit, Repeat]
        } else if self.hole_mm > 0.12 {
            &[DoNotFit, Fit, Repeat]
        } else {
            &[Fit, Repeat]
        }
    }

    /// The first of [`Plan::parts`] can be told from this run, and not only on a lucky seed. Holes near the limit lie
    /// within the rig's uncertainty of it; a quick hand and a noisy transducer leave something open. What gas settles
    /// behind a hand that rests at 45 Pa (2.6 Pa, computed) is hardly beyond noise and drift (1.2 to 1.6 Pa).
    pub fn tells(&self) -> bool {
        let zone = self.hole_mm > 0.12 && self.hole_mm < 0.3;
        let hard = self.noise > 1.0 || self.habit == Habit::Quick;
        let slight = self.pressure_relief_pa.is_some_and(|pa| pa < 50.0);
        !(zone || hard || slight)
    }

    /// What the part's fault is to be called: the test that must fail, and words of its reasons. None where the part is
    /// sound, near the limit, or not to be judged by this run.
    pub fn cause(&self) -> Option<(Test, &'static str)> {
        use Test::{ModuleHold, Relief, SwitchCircuit, SwitchPoint, VentSolenoid};
        if self.parts()[0] != Fate::DoNotFit || !self.tells() {
            return None;
        }
        Some(match (self.switch, self.vent) {
            (Switch::StuckOpen, _) => (SwitchCircuit, "stuck open"),
            (Switch::StuckClosed, _) => (SwitchCircuit, "stuck closed"),
            (Switch::Corroded, _) => (SwitchCircuit, "ohm too much in the closed circuit"),
            (Switch::Chatters, _) => (SwitchCircuit, "the contact chatters"),
            (Switch::Torn, _) => (ModuleHold, "diaphragm"),
            (_, Vent::NeverSeals) => (VentSolenoid, "the vent valve does not seal"),
            (_, Vent::NeverOpens) => (VentSolenoid, "the valve does not move, or its path is blocked"),
            (_, Vent::Path(_)) => (VentSolenoid, "restricted below"),
            (_, Vent::CoilOpen) => (VentSolenoid, "open coil"),
            (_, Vent::CoilShort) => (VentSolenoid, "shorted turns"),
            _ if self.bad_ground => (SwitchCircuit, "high resistance in the shared ground"),
            _ if self.closes_pa.is_some() => (SwitchPoint, "it closes at"),
            _ if self.pressure_relief_pa.is_some_and(|pa| pa > 500.0) => (Relief, "the pressure relief did not open"),
            _ if self.pressure_relief_pa.is_some() => (Relief, "the pressure relief opens at"),
            _ if self.vacuum_relief_pa.is_some() => (Relief, "the vacuum relief opens at"),
            _ => (ModuleHold, "holds agree that it is 0.20 mm or more"),
        })
    }
}

/// A hand takes 0.3 s to rest, and 15 samples at 50 Hz as long again; in that time 0.5 mm empty 0.42 L of 490 Pa to a
/// quarter (Bernoulli, computed).
const TOO_SMALL_L: f64 = 0.42;

/// What is to be done with a part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// It is sound, and everything that shows it was done.
    Fit,
    /// It is at fault.
    DoNotFit,
    /// This run cannot tell.
    Repeat,
}
