//! The trade's words: what is tested, the tests, the verdicts, the phases of a day and the jobs, with their fixed
//! names.

use serde::Serialize;

/// What is under test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Subject {
    /// A vehicle, parked or driven.
    Vehicle,
    /// A module that lies on the tray, off the vehicle.
    Module,
}

/// The tests, each judged by a machine of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Test {
    /// Does the switch close while the parked tank cools?
    KeyOffSoak,
    /// Does trapped vacuum vent when the key is turned on?
    StartVent,
    /// Does sealed purge draw a vacuum?
    PurgeResponse,
    /// How long does the sealed vacuum stand?
    VacuumDecay,
    /// Is the sense line sound?
    SwitchCircuit,
    /// Does the vent solenoid draw its current and move air?
    VentSolenoid,
    /// Does the pressure relief open where it should?
    Relief,
    /// Where does the switch of a module on the tray close and re-open?
    SwitchPoint,
    /// How tight are the diaphragm and the seals of a module on the tray?
    ModuleHold,
}

impl Test {
    /// All, in the order of the table.
    pub const ALL: [Test; 9] = [
        Test::KeyOffSoak,
        Test::StartVent,
        Test::PurgeResponse,
        Test::VacuumDecay,
        Test::SwitchCircuit,
        Test::VentSolenoid,
        Test::Relief,
        Test::SwitchPoint,
        Test::ModuleHold,
    ];

    /// Those of a subject, in the order in which they are told.
    pub fn of(subject: Subject) -> &'static [Test] {
        match subject {
            Subject::Vehicle => &[
                Test::KeyOffSoak,
                Test::StartVent,
                Test::PurgeResponse,
                Test::VacuumDecay,
                Test::SwitchCircuit,
                Test::VentSolenoid,
                Test::Relief,
            ],
            Subject::Module => {
                &[Test::SwitchPoint, Test::ModuleHold, Test::Relief, Test::VentSolenoid, Test::SwitchCircuit]
            }
        }
    }

    /// The fixed name.
    pub fn name(self) -> &'static str {
        match self {
            Test::KeyOffSoak => "key_off_soak",
            Test::StartVent => "start_vent",
            Test::PurgeResponse => "purge_response",
            Test::VacuumDecay => "vacuum_decay",
            Test::SwitchCircuit => "switch_circuit",
            Test::VentSolenoid => "vent_solenoid",
            Test::Relief => "relief",
            Test::SwitchPoint => "switch_point",
            Test::ModuleHold => "module_hold",
        }
    }
}

/// The jobs that a person can be led through.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Job {
    /// A night parked.
    Soak,
    /// A drive that runs the engine's own tests.
    Road,
    /// A module on the bench.
    Tray,
}

impl Job {
    /// All.
    pub const ALL: [Job; 3] = [Job::Soak, Job::Road, Job::Tray];

    /// The fixed name.
    pub fn name(self) -> &'static str {
        match self {
            Job::Soak => "soak",
            Job::Road => "road",
            Job::Tray => "tray",
        }
    }

    /// By its fixed name.
    pub fn from_name(name: &str) -> Option<Job> {
        Job::ALL.into_iter().find(|j| j.name() == name)
    }
}

/// The verdict words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The test was done and the part or system met its limit.
    Pass,
    /// The test was done and the limit was not met.
    Fail,
    /// The test was done or begun and cannot tell; the reasons say what is missing.
    Inconclusive,
    /// The conditions never came.
    NotRun,
}

impl Verdict {
    /// Pass or fail.
    pub fn is_decided(self) -> bool {
        matches!(self, Verdict::Pass | Verdict::Fail)
    }

    /// The fixed word.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Pass => "pass",
            Verdict::Fail => "fail",
            Verdict::Inconclusive => "inconclusive",
            Verdict::NotRun => "not_run",
        }
    }
}

/// The phases of a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Phase {
    /// Key off, not yet known to be sealed and settled.
    KeyOff,
    /// Key off and sealed: the tank cools, the small-leak check runs.
    Soak,
    /// Key on, engine at rest.
    KeyOn,
    /// The starter turns the engine.
    Crank,
    /// Engine running, vent open or its state not known.
    Running,
    /// Engine running, vent sealed, purge on.
    PurgeRun,
    /// Engine running, vent sealed, purge off: the vacuum decays.
    Decay,
    /// Not enough evidence.
    Unknown,
}

impl Phase {
    /// The fixed name.
    pub fn name(self) -> &'static str {
        match self {
            Phase::KeyOff => "key_off",
            Phase::Soak => "soak",
            Phase::KeyOn => "key_on",
            Phase::Crank => "crank",
            Phase::Running => "running",
            Phase::PurgeRun => "purge_run",
            Phase::Decay => "decay",
            Phase::Unknown => "unknown",
        }
    }

    /// The engine runs in this phase.
    pub fn engine_on(self) -> bool {
        matches!(self, Phase::Running | Phase::PurgeRun | Phase::Decay)
    }
}
