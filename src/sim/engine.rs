//! Engine, battery, coolant, fuel trims and the manifold that purge draws into.

use super::random::{Dice, Drift};
use super::relax::Relax;

/// What the engine is asked to do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Duty {
    /// Stands.
    Off,
    /// Key on, stands.
    KeyOn,
    /// Turned by the starter.
    Crank,
    /// Runs; road speed in km/h.
    Run(f64),
}

/// What the engine breathes during a step.
#[derive(Debug, Clone, Copy)]
pub struct Around {
    /// Outside air, °C.
    pub air_c: f64,
    /// Barometer, Pa.
    pub baro_pa: f64,
    /// Petrol vapour that purge brings, mol/s.
    pub vapour_mol_s: f64,
}

/// The engine's state.
#[derive(Debug, Clone)]
pub struct Engine {
    /// 1/min.
    pub rpm: f64,
    /// km/h.
    pub speed_kph: f64,
    /// Manifold, Pa absolute.
    pub manifold_pa: f64,
    /// Coolant, °C.
    pub coolant_c: f64,
    /// Intake air, °C.
    pub intake_c: f64,
    /// Battery, V.
    pub battery_v: f64,
    /// Short-term trim, %.
    pub trim_short: f64,
    /// Long-term trim, %.
    pub trim_long: f64,
    /// Heat that exhaust, road and pump give the fuel, W.
    pub tank_heat_w: f64,
    exhaust: f64,
    exhaust_w: f64,
    rest_v: f64,
    maintained: bool,
    since_off_s: f64,
    since_start_s: f64,
    load: Drift,
    lambda: Drift,
}

impl Engine {
    /// Parked with this coolant.
    pub fn new(seed: u64, coolant_c: f64, baro_pa: f64, maintained: bool) -> Engine {
        let mut d = Dice::new(seed, 40);
        Engine {
            rpm: 0.0,
            speed_kph: 0.0,
            manifold_pa: baro_pa,
            coolant_c,
            intake_c: coolant_c.min(30.0),
            battery_v: 12.6,
            trim_short: 0.0,
            trim_long: d.between(-2.5, 2.5),
            tank_heat_w: 0.0,
            exhaust: 0.0,
            exhaust_w: d.between(25.0, 75.0),
            rest_v: d.between(12.45, 12.7),
            maintained,
            since_off_s: 3_600.0,
            since_start_s: 0.0,
            load: Drift::new(seed, 41, 6.0, 1.0),
            lambda: Drift::new(seed, 42, 1.4, 1.1),
        }
    }

    /// The engine turns by itself.
    pub fn runs(&self) -> bool {
        self.rpm > 400.0
    }

    /// Seconds since it started, 0 if it stands.
    pub fn since_start_s(&self) -> f64 {
        self.since_start_s
    }

    /// One step of `dt` from time `t`.
    pub fn step(&mut self, t: f64, dt: f64, duty: Duty, around: Around, relax: &mut Relax) {
        let Around { air_c, baro_pa, vapour_mol_s } = around;
        let mut near = |from: f64, to: f64, lag: f64| from + (to - from) * relax.share(dt, lag);
        let load = self.load.at(t);
        let (rpm, manifold, volts) = match duty {
            Duty::Off => {
                let fading = 0.4 * libm::exp(-self.since_off_s / 2_400.0);
                let rest = if self.maintained && self.since_off_s > 60.0 { 13.45 } else { self.rest_v + fading };
                (0.0, baro_pa, rest)
            }
            Duty::KeyOn => (0.0, baro_pa, self.rest_v - 0.25),
            Duty::Crank => (215.0 + 12.0 * load, 0.93 * baro_pa, 9.9),
            Duty::Run(kph) => {
                let cold = ((60.0 - self.coolant_c) / 60.0).clamp(0.0, 1.0);
                let idle = 740.0 + 330.0 * cold + 700.0 * fading(self.since_start_s / 1.2);
                let drive = if kph > 3.0 { 1_050.0 + 22.0 * kph + 120.0 * load } else { 0.0 };
                let pull = if kph > 3.0 { 14_000.0 + 20_000.0 * load } else { 0.0 };
                let manifold = (35_000.0 + 2_500.0 * cold + pull).clamp(22_000.0, 0.9 * baro_pa);
                (idle.max(drive), manifold, 14.15 + 0.05 * load)
            }
        };
        self.rpm = near(self.rpm, rpm, if rpm > self.rpm { 0.25 } else { 0.45 });
        self.manifold_pa = near(self.manifold_pa, manifold, if self.rpm < 300.0 { 0.8 } else { 0.35 });
        self.battery_v = near(self.battery_v, volts, 0.12);
        self.speed_kph = if let Duty::Run(kph) = duty { kph } else { 0.0 };
        let running = matches!(duty, Duty::Run(_));
        if running {
            self.since_start_s += dt;
            self.since_off_s = 0.0;
            self.coolant_c = near(self.coolant_c, 118.0, 520.0).min(90.0);
        } else {
            self.since_start_s = 0.0;
            self.since_off_s += dt;
            self.coolant_c = near(self.coolant_c, air_c, 5_200.0);
        }
        let intake = air_c + if running { 9.0 } else { 0.12 * (self.coolant_c - air_c) };
        self.intake_c = near(self.intake_c, intake, 150.0);
        let hot = if !running {
            0.0
        } else if self.speed_kph > 3.0 {
            1.0
        } else {
            0.35
        };
        self.exhaust = near(self.exhaust, hot, if running { 420.0 } else { 380.0 });
        self.tank_heat_w = self.exhaust * self.exhaust_w + if running { 22.0 } else { 0.0 };

        if running {
            // Fuel at about 0.25 g/s at idle and with load; purge vapour takes its place, so the trim goes lean.
            let fuel = 0.00025 * (self.rpm / 800.0) * (self.manifold_pa / 35_000.0);
            let rich = 100.0 * vapour_mol_s * super::gas::M_VAPOUR / fuel;
            self.trim_short = near(self.trim_short, self.lambda.at(t) - rich.min(25.0) - self.trim_long * 0.1, 0.8);
            self.trim_long = near(self.trim_long, (self.trim_long + self.trim_short).clamp(-15.0, 15.0), 400.0);
        } else {
            self.trim_short = 0.0;
        }
    }
}

/// `exp(−x)`; nothing where that vanishes beside any number of this file.
fn fading(x: f64) -> f64 {
    if x < 50.0 { libm::exp(-x) } else { 0.0 }
}
