//! What each link can grade: the one table, for people and for tests.

use crate::trade::{Subject, Test};
use std::fmt::Write;

/// What a vehicle is looked at with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Means {
    /// The bench adapter on the module's wires.
    Bench,
    /// The data of the standards alone (SAE J1979 and its successor), by whatever link.
    Standard,
    /// The bench adapter, and the standard data beside it in the same capture.
    Both,
}

/// How the vehicle shows its tank's vacuum.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fitted {
    /// By a switch on the vent.
    Switch,
    /// By a tank pressure sensor.
    Sensor,
}

/// What must be recorded too.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Need {
    /// The key's wire.
    Key,
    /// A temperature of the night.
    Night,
    /// What the engine does.
    Drive,
    /// The vapour's volume, and whether it was a cold start.
    Start,
    /// The pressure in the tank.
    Pressure,
    /// The fuel's temperature and level.
    Fuel,
    /// A pressure that reaches the relief, and the air's.
    Reach,
}

/// Why a test cannot be graded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Lack {
    /// The vehicle has no such part.
    NoSwitch,
    /// Nobody asks a vehicle that sleeps, and nothing else tells of the night.
    Asleep,
    /// Nothing tells whether the vent is sealed.
    NoVent,
    /// No data of the standards shows the part.
    NoWire,
}

/// What becomes of a test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cell {
    /// It is graded as soon as its conditions come.
    Graded(&'static [Need]),
    /// It is not run or inconclusive.
    Not(Lack),
}

impl Means {
    /// All, with the links that bring them.
    pub const ALL: [(Means, &str); 3] =
        [(Means::Bench, "bench"), (Means::Standard, "can, slcan or adapter"), (Means::Both, "bench and one of these")];
}

impl Fitted {
    /// Both, in words.
    pub const ALL: [(Fitted, &str); 2] = [(Fitted::Switch, "switch on vent"), (Fitted::Sensor, "pressure sensor")];
}

impl Need {
    /// All, each with its letter and in words.
    pub const ALL: [(Need, char, &str); 7] = [
        (Need::Key, 'k', "with the key's wire"),
        (Need::Night, 'n', "with outside air or the tank's skin temperature"),
        (Need::Drive, 'e', "with engine speed, manifold and purge duty"),
        (Need::Start, 'c', "with fuel level, coolant and outside air"),
        (Need::Pressure, 'p', "with the sensor's own signal or a pressure tap"),
        (Need::Fuel, 'f', "with fuel temperature, fuel level and outside air"),
        (Need::Reach, 'r', "with a pressure tap and a barometer, if the pressure reaches the relief"),
    ];
}

impl Lack {
    /// All, each with its number and in words.
    pub const ALL: [(Lack, char, &str); 4] = [
        (Lack::NoSwitch, '1', "there is no leak switch to judge"),
        (Lack::Asleep, '2', "not run: a parked vehicle is not asked, so that it can sleep"),
        (Lack::NoVent, '3', "not run or inconclusive: nothing tells whether the vent is sealed"),
        (Lack::NoWire, '4', "not run: no standard data shows the part"),
    ];
}

/// What becomes of a test with these means on such a vehicle.
pub fn cell(means: Means, fitted: Fitted, test: Test) -> Cell {
    use Need::{Drive, Fuel, Key, Night, Pressure, Reach, Start};
    let bench = means != Means::Standard;
    let switch = fitted == Fitted::Switch;
    match test {
        Test::SwitchCircuit if !switch => Cell::Not(Lack::NoSwitch),
        Test::KeyOffSoak | Test::StartVent if !bench => Cell::Not(Lack::Asleep),
        Test::PurgeResponse | Test::VacuumDecay if !bench => Cell::Not(Lack::NoVent),
        Test::Relief if !bench && !switch => Cell::Not(Lack::NoVent),
        _ if !bench => Cell::Not(Lack::NoWire),
        Test::KeyOffSoak if switch => Cell::Graded(&[Key, Night]),
        Test::KeyOffSoak => Cell::Graded(&[Key, Pressure, Fuel]),
        Test::StartVent if switch => Cell::Graded(&[Key]),
        Test::StartVent => Cell::Graded(&[Key, Pressure]),
        Test::PurgeResponse | Test::VacuumDecay => match (means, switch) {
            (Means::Both, true) => Cell::Graded(&[]),
            (Means::Both, false) => Cell::Graded(&[Pressure]),
            (_, true) if test == Test::PurgeResponse => Cell::Graded(&[Drive]),
            (_, true) => Cell::Graded(&[Drive, Start]),
            (_, false) if test == Test::PurgeResponse => Cell::Graded(&[Drive, Pressure]),
            (_, false) => Cell::Graded(&[Drive, Start, Pressure]),
        },
        Test::VentSolenoid if !switch => Cell::Graded(&[Pressure]),
        Test::SwitchCircuit | Test::VentSolenoid => Cell::Graded(&[]),
        Test::Relief => Cell::Graded(&[Key, Reach]),
        // Those of a module on the tray.
        Test::SwitchPoint | Test::ModuleHold => Cell::Not(Lack::NoWire),
    }
}

impl Cell {
    /// As it stands in the table.
    fn mark(self) -> String {
        match self {
            Cell::Graded([]) => "yes".to_owned(),
            Cell::Graded(needs) => Need::ALL.iter().filter(|n| needs.contains(&n.0)).map(|n| n.1).collect(),
            Cell::Not(lack) => Lack::ALL.iter().filter(|l| l.0 == lack).map(|l| format!("no {}", l.1)).collect(),
        }
    }
}

/// The table with its legend, as `soakwatch links` prints it and the README quotes it.
pub fn table() -> String {
    let heads = ["soak", "start", "purge", "decay", "circuit", "solenoid", "relief"];
    let mut out = format!("{:23}{:17}", "link", "vehicle");
    for head in heads {
        let _ = write!(out, "{head:<9}");
    }
    for (means, links) in Means::ALL {
        for (fitted, vehicle) in Fitted::ALL {
            out.truncate(out.trim_end().len());
            let _ = write!(out, "\n{links:23}{vehicle:17}");
            for test in Test::of(Subject::Vehicle) {
                let _ = write!(out, "{:<9}", cell(means, fitted, *test).mark());
            }
        }
    }
    out.truncate(out.trim_end().len());
    out.push_str("\n\nyes  with the module's three wires and the ground reference lead\n");
    for (_, letter, words) in Need::ALL {
        let _ = writeln!(out, "{letter}    {words}");
    }
    for (_, number, words) in Lack::ALL {
        let _ = writeln!(out, "no {number} {words}");
    }
    out.push_str(
        "\ncan and slcan grade more where the profile says what the vehicle's own frames and identifiers mean.\n\
         csv grades what its columns hold, sim all that its vehicle has.\n",
    );
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_fits_and_every_mark_is_explained() {
        let table = table();
        assert!(table.lines().all(|l| l.chars().count() <= 103), "{table}");
        assert_eq!(table.lines().take_while(|l| !l.is_empty()).count(), 1 + 6);
        for test in Test::of(Subject::Vehicle) {
            for (means, _) in Means::ALL {
                for (fitted, _) in Fitted::ALL {
                    assert!(cell(means, fitted, *test).mark().len() <= 4);
                }
            }
        }
        let used = |c: char| table.lines().skip(1).take(6).any(|l| l[40..].contains(c));
        assert!(Need::ALL.iter().all(|n| used(n.1)) && Lack::ALL.iter().all(|l| used(l.1)), "{table}");
    }

    #[test]
    fn the_readme_quotes_it() {
        let readme = include_str!("../../README.md");
        assert!(readme.contains(&format!("```text\n{}```", table())), "put this into README.md:\n{}", table());
    }
}
