//! The scenarios: a healthy vehicle, and each way in which it, its night or its instruments can be at fault.
//!
//! A scenario is one word, or several joined by `+` (`baro-rising+leak-0.50`); `leak-` takes any size in
//! millimetres, and the prefix `ps-` turns the vehicle into one with a tank pressure sensor and no switch.

use super::Error;
use crate::trade::{Test, Verdict};

/// When the controller keeps the sense line's pull-up on while the key is off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bias {
    /// Always.
    Always,
    /// For 3 s in every minute.
    Pulsed,
    /// Never.
    None,
}

/// What is wrong with the switch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SwitchFault {
    /// Nothing.
    None,
    /// Never closes.
    StuckOpen,
    /// Never opens.
    StuckClosed,
    /// Works, with high and jumping contact resistance.
    Corroded,
    /// The diaphragm is torn: never closes, and lets air in.
    Torn,
}

/// What is wrong with the vent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum VentFault {
    /// Nothing.
    None,
    /// The valve never seals.
    StuckOpen,
    /// The valve never opens.
    NeverOpens,
    /// The coil is broken: no current, and the valve stays where it rests.
    DeadCoil,
    /// The open path is only this wide, mm.
    Path(f64),
}

/// What is wrong with the purge valve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PurgeFault {
    /// Nothing.
    None,
    /// Never flows.
    StuckClosed,
    /// Always flows fully.
    StuckOpen,
    /// Leaks through a hole of this many millimetres when closed.
    Seeps(f64),
}

/// When fuel is added.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fill {
    /// Not at all.
    None,
    /// In the night.
    AtNight,
    /// Shortly before the vehicle is parked.
    BeforeParking,
}

/// Everything in which a day may differ from the healthy one.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Tank pressure sensor instead of a switch module.
    pub sensor_vehicle: bool,
    /// Hole in the tank top, mm.
    pub hole_mm: f64,
    /// The hole opens only beyond this vacuum, Pa.
    pub hole_opens_pa: Option<f64>,
    /// The switch.
    pub switch: SwitchFault,
    /// The vent.
    pub vent: VentFault,
    /// The purge valve.
    pub purge: PurgeFault,
    /// Extra resistance in the shared ground, Ω.
    pub ground_ohm: f64,
    /// Pull-up at key-off.
    pub bias: Bias,
    /// Level at the start, % of nominal; drawn from the seed if none.
    pub level_pct: Option<f64>,
    /// Fuelling.
    pub fill: Fill,
    /// Hour of the day at the start.
    pub start_hour: f64,
    /// Added to the outside temperature, K.
    pub warmer_k: f64,
    /// Factor on the swing between day and night.
    pub swing: f64,
    /// Warming of the night, K/h.
    pub trend_k_per_h: f64,
    /// Warmer than outside where it is parked for the night, K.
    pub garage_k: f64,
    /// Sun on the tank, W at its highest.
    pub sun_w: f64,
    /// Change of the barometer in the night, Pa.
    pub baro_ramp_pa: f64,
    /// Gusts and doors.
    pub gusts: bool,
    /// A door opened at night wakes the controller for a while.
    pub woken: bool,
    /// The engine stops at every halt.
    pub stop_start: bool,
    /// A charger on the battery.
    pub maintainer: bool,
    /// Factor on sensor noise.
    pub noise: f64,
    /// Sensors read wrong by a constant.
    pub offsets: bool,
    /// The serial line loses bytes and tears rows.
    pub drop_outs: bool,
    /// The adapter restarts in the night.
    pub restart: bool,
    /// What a day of its own draws, see `drawn`; else the seed alone makes the vehicle.
    pub unknowns: Option<super::drawn::Unknowns>,
}

impl Default for Plan {
    fn default() -> Plan {
        Plan {
            sensor_vehicle: false,
            hole_mm: 0.0,
            hole_opens_pa: None,
            switch: SwitchFault::None,
            vent: VentFault::None,
            purge: PurgeFault::None,
            ground_ohm: 0.0,
            bias: Bias::Always,
            level_pct: None,
            fill: Fill::None,
            start_hour: 17.9,
            warmer_k: 0.0,
            swing: 1.0,
            trend_k_per_h: 0.0,
            garage_k: 0.0,
            sun_w: 0.0,
            baro_ramp_pa: 0.0,
            gusts: false,
            woken: false,
            stop_start: false,
            maintainer: false,
            noise: 1.0,
            offsets: false,
            drop_outs: false,
            restart: false,
            unknowns: None,
        }
    }
}

/// A scenario by name.
#[derive(Debug, Clone, Copy)]
pub struct Scenario {
    /// The word that chooses it.
    pub name: &'static str,
    /// One line for people.
    pub title: &'static str,
    apply: fn(&mut Plan),
}

impl Scenario {
    /// True size of the hole to the outside, mm; 0 if tight.
    pub fn hole_mm(&self) -> f64 {
        self.plan().hole_mm
    }

    /// The verdicts that would not be wrong for this test on this day, with or without a pressure `tap`.
    pub fn allowed(&self, test: Test, tap: bool) -> &'static [Verdict] {
        self.plan().allowed(test, tap)
    }

    fn plan(&self) -> Plan {
        let mut p = Plan::default();
        (self.apply)(&mut p);
        p
    }
}

/// All named scenarios. Each can also be played with a leak of any size (`+leak-0.70`) and on the other kind of
/// vehicle (`ps-`).
pub fn scenarios() -> &'static [Scenario] {
    SCENARIOS
}

/// Diameter of an open filler, mm.
const CAP_MM: f64 = 25.0;

const SCENARIOS: &[Scenario] = &[
    Scenario { name: "tight", title: "Healthy and tight", apply: |_| {} },
    Scenario { name: "leak-0.30", title: "Hole of 0.3 mm, below the limit", apply: |p| p.hole_mm = 0.30 },
    Scenario { name: "leak-0.50", title: "Hole of 0.5 mm, just about the limit", apply: |p| p.hole_mm = 0.50 },
    Scenario { name: "leak-0.70", title: "Small leak of 0.7 mm", apply: |p| p.hole_mm = 0.70 },
    Scenario { name: "leak-1.10", title: "Large leak of 1.1 mm", apply: |p| p.hole_mm = 1.10 },
    Scenario { name: "leak-2.00", title: "Large leak of 2 mm", apply: |p| p.hole_mm = 2.00 },
    Scenario { name: "cap-off", title: "Fuel cap left off", apply: |p| p.hole_mm = CAP_MM },
    Scenario {
        name: "leak-under-vacuum",
        title: "Hole of 0.9 mm that opens only under vacuum",
        apply: |p| {
            p.hole_mm = 0.9;
            p.hole_opens_pa = Some(60.0);
        },
    },
    Scenario {
        name: "switch-stuck-open",
        title: "Leak switch never closes",
        apply: |p| p.switch = SwitchFault::StuckOpen,
    },
    Scenario {
        name: "switch-stuck-closed",
        title: "Leak switch never opens",
        apply: |p| p.switch = SwitchFault::StuckClosed,
    },
    Scenario {
        name: "switch-corroded",
        title: "Contact with high, jumping resistance",
        apply: |p| p.switch = SwitchFault::Corroded,
    },
    Scenario {
        name: "diaphragm-torn",
        title: "Torn diaphragm: never closes and lets air in",
        apply: |p| p.switch = SwitchFault::Torn,
    },
    Scenario { name: "vent-stuck-open", title: "Vent valve never seals", apply: |p| p.vent = VentFault::StuckOpen },
    Scenario { name: "vent-never-opens", title: "Vent valve never opens", apply: |p| p.vent = VentFault::NeverOpens },
    Scenario {
        name: "solenoid-dead",
        title: "Vent solenoid's coil is broken",
        apply: |p| p.vent = VentFault::DeadCoil,
    },
    Scenario {
        name: "vent-restricted",
        title: "Vent path narrowed to 1.8 mm",
        apply: |p| p.vent = VentFault::Path(1.8),
    },
    Scenario {
        name: "vent-filter-blocked",
        title: "Vent filter all but blocked",
        apply: |p| p.vent = VentFault::Path(0.8),
    },
    Scenario {
        name: "purge-stuck-closed",
        title: "Purge valve never flows",
        apply: |p| p.purge = PurgeFault::StuckClosed,
    },
    Scenario {
        name: "purge-stuck-open",
        title: "Purge valve never closes",
        apply: |p| p.purge = PurgeFault::StuckOpen,
    },
    Scenario {
        name: "purge-seeping",
        title: "Closed purge valve leaks like a hole of 0.75 mm",
        apply: |p| p.purge = PurgeFault::Seeps(0.75),
    },
    Scenario { name: "ground-high", title: "3 ohm in the module's shared ground", apply: |p| p.ground_ohm = 3.0 },
    Scenario { name: "bias-none", title: "No pull-up on the sense line at key-off", apply: |p| p.bias = Bias::None },
    Scenario { name: "bias-pulsed", title: "Pull-up pulsed at key-off", apply: |p| p.bias = Bias::Pulsed },
    Scenario { name: "refuel-at-night", title: "Fuelled two hours into the night", apply: |p| p.fill = Fill::AtNight },
    Scenario {
        name: "fresh-fill",
        title: "Fuelled just before parking: headspace full of air",
        apply: |p| p.fill = Fill::BeforeParking,
    },
    Scenario { name: "baro-rising", title: "Barometer rises 8 hPa in three hours", apply: |p| p.baro_ramp_pa = 800.0 },
    Scenario {
        name: "baro-falling",
        title: "Barometer falls 8 hPa in three hours",
        apply: |p| p.baro_ramp_pa = -800.0,
    },
    Scenario {
        name: "warming-night",
        title: "Parked in a heated garage: the night gets warmer",
        apply: |p| {
            p.garage_k = 8.0;
            p.trend_k_per_h = 0.5;
            p.swing = 0.2;
        },
    },
    Scenario { name: "cold-night", title: "Below freezing", apply: |p| p.warmer_k = -20.0 },
    Scenario {
        name: "hot-park",
        title: "Parked at midday in hot sun",
        apply: |p| {
            p.start_hour = 10.8;
            p.warmer_k = 9.0;
            p.sun_w = 120.0;
        },
    },
    Scenario { name: "fuel-low", title: "Fuel level 8 %", apply: |p| p.level_pct = Some(8.0) },
    Scenario { name: "fuel-high", title: "Fuel level 95 %", apply: |p| p.level_pct = Some(95.0) },
    Scenario { name: "battery-maintainer", title: "A charger on the battery", apply: |p| p.maintainer = true },
    Scenario { name: "night-wake", title: "A door opened at night wakes the controller", apply: |p| p.woken = true },
    Scenario { name: "stop-start", title: "Engine stops at every halt", apply: |p| p.stop_start = true },
    Scenario { name: "wind", title: "Gusts and slammed doors", apply: |p| p.gusts = true },
    Scenario { name: "sensors-noisy", title: "Sensors six times as noisy", apply: |p| p.noise = 6.0 },
    Scenario { name: "sensors-offset", title: "Sensors off by a constant", apply: |p| p.offsets = true },
    Scenario { name: "drop-outs", title: "Serial line loses bytes and tears rows", apply: |p| p.drop_outs = true },
    Scenario { name: "clock-jump", title: "Adapter restarts in the night", apply: |p| p.restart = true },
];

impl Plan {
    /// From the scenario's words.
    pub fn parse(spec: &str) -> Result<Plan, Error> {
        let mut plan = Plan::default();
        let words = match spec.strip_prefix("ps-") {
            Some(rest) => {
                plan.sensor_vehicle = true;
                rest
            }
            None => spec,
        };
        for word in words.split('+') {
            if let Some(s) = SCENARIOS.iter().find(|s| s.name == word) {
                (s.apply)(&mut plan);
            } else if let Some(size) = word.strip_prefix("leak-") {
                plan.hole_mm = match size.parse::<f64>() {
                    Ok(mm) if (0.0..=30.0).contains(&mm) => mm,
                    _ => return Err(Error::LeakSize { given: size.to_owned() }),
                };
            } else {
                return Err(Error::UnknownScenario { given: word.to_owned() });
            }
        }
        if plan.sensor_vehicle
            && (plan.switch != SwitchFault::None || plan.ground_ohm > 0.0 || plan.bias != Bias::Always)
        {
            return Err(Error::NoSwitch { given: spec.to_owned() });
        }
        Ok(plan)
    }

    /// The verdicts that would not be wrong for `test` on this day. What is true follows from the faults alone:
    /// a hole of 0.65 mm and more is a leak, one below 0.4 mm is none, and between them opinions may differ. With a
    /// pressure `tap` (or the vehicle's own sensor) the leak tests need no switch, so a dead one spoils none of them.
    pub fn allowed(&self, test: Test, tap: bool) -> &'static [Verdict] {
        use Verdict::{Fail as F, Inconclusive as I, NotRun as N, Pass as P};
        let tap = tap || self.sensor_vehicle;
        let dead = matches!(self.switch, SwitchFault::StuckOpen | SwitchFault::StuckClosed | SwitchFault::Corroded);
        let blind = dead && !tap;
        let torn = self.switch == SwitchFault::Torn;
        let vent_open = self.vent == VentFault::StuckOpen;
        let vent_shut = matches!(self.vent, VentFault::NeverOpens | VentFault::DeadCoil);
        let vent_narrow = matches!(self.vent, VentFault::Path(_));
        let purge_leaks = matches!(self.purge, PurgeFault::StuckOpen | PurgeFault::Seeps(_));
        let hole = self.hole_mm.max(if torn { 1.3 } else { 0.0 }).max(if vent_open { 6.0 } else { 0.0 });
        let out_of_window = self.level_pct.is_some_and(|l| !(15.0..=85.0).contains(&l)) || self.warmer_k < -10.0;
        let leaky = hole >= 0.65;
        let zone = (0.4..0.65).contains(&hole);
        match test {
            // A pulsed pull-up shows the switch once a pulse: late, and true.
            Test::KeyOffSoak if blind || (self.bias == Bias::None && !tap) || out_of_window => &[I, N],
            Test::KeyOffSoak if leaky || purge_leaks => &[F, I, N],
            Test::KeyOffSoak if zone => &[P, F, I, N],
            Test::KeyOffSoak => &[P, I, N],
            Test::StartVent if blind => &[I, N],
            Test::StartVent => match self.vent {
                VentFault::None => &[P, I, N],
                VentFault::StuckOpen => &[I, N],
                VentFault::NeverOpens | VentFault::DeadCoil | VentFault::Path(_) => &[F, I, N],
            },
            Test::PurgeResponse if out_of_window && hole < 2.5 => &[P, I, N],
            Test::PurgeResponse if self.purge == PurgeFault::StuckClosed || hole >= 2.5 => &[F, I, N],
            Test::PurgeResponse if blind || torn || hole >= 1.4 || self.purge == PurgeFault::StuckOpen => &[P, F, I, N],
            Test::PurgeResponse => &[P, I, N],
            Test::VacuumDecay if self.purge == PurgeFault::StuckClosed => &[I, N],
            Test::VacuumDecay if blind => &[I, N],
            Test::VacuumDecay if leaky => &[F, I, N],
            Test::VacuumDecay if zone => &[P, F, I, N],
            Test::VacuumDecay => &[P, I, N],
            Test::SwitchCircuit if self.sensor_vehicle => &[N],
            Test::SwitchCircuit if dead || self.ground_ohm > 1.0 => &[F, I],
            // The tap may show vacuum enough, and the switch open.
            Test::SwitchCircuit if torn && tap => &[P, F, I],
            Test::SwitchCircuit if self.bias != Bias::Always => &[P, F, I],
            Test::SwitchCircuit => &[P, I],
            Test::VentSolenoid if vent_open || vent_shut => &[F, I, N],
            Test::VentSolenoid if vent_narrow => &[P, F, I, N],
            Test::VentSolenoid => &[P, I, N],
            // A pull that finds no end (dead switch, leaking purge) does reach the vacuum relief; and a hole that
            // opens under vacuum holds pressure.
            Test::Relief if leaky && !dead && !torn && !purge_leaks && self.hole_opens_pa.is_none() => &[I, N],
            Test::Relief => &[P, I, N],
            Test::SwitchPoint | Test::ModuleHold => &[N],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trade::Subject;

    #[test]
    fn words_join_and_bad_ones_are_named() {
        let p = Plan::parse("ps-baro-rising+leak-0.55").expect("joins");
        assert!(p.sensor_vehicle && p.baro_ramp_pa > 0.0 && p.hole_mm == 0.55);
        assert!(matches!(Plan::parse("tihgt"), Err(Error::UnknownScenario { given }) if given == "tihgt"));
        assert!(matches!(Plan::parse("leak-big"), Err(Error::LeakSize { .. })));
        assert!(matches!(Plan::parse("ps-switch-stuck-open"), Err(Error::NoSwitch { .. })));
    }

    #[test]
    fn a_leak_may_never_pass_and_a_tight_tank_never_fail() {
        for (s, tap) in scenarios().iter().flat_map(|s| [(s, false), (s, true)]) {
            let soak = s.allowed(Test::KeyOffSoak, tap);
            let decay = s.allowed(Test::VacuumDecay, tap);
            if s.hole_mm() >= 0.65 {
                assert!(!soak.contains(&Verdict::Pass) && !decay.contains(&Verdict::Pass), "{}", s.name);
            }
            assert!(s.allowed(Test::Relief, tap).iter().all(|v| *v != Verdict::Fail));
        }
        let tight = Plan::parse("tight").expect("known");
        for tap in [false, true] {
            assert!(Test::of(Subject::Vehicle).iter().all(|t| !tight.allowed(*t, tap).contains(&Verdict::Fail)));
        }
    }

    #[test]
    fn a_dead_switch_lets_a_tight_tank_pass_by_the_tap_alone() {
        let dead = Plan::parse("switch-stuck-open").expect("known");
        for test in [Test::KeyOffSoak, Test::StartVent, Test::VacuumDecay] {
            assert!(!dead.allowed(test, false).contains(&Verdict::Pass));
            assert!(dead.allowed(test, true).contains(&Verdict::Pass));
        }
    }
}
