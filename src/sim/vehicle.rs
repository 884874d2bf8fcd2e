//! The whole vehicle: weather, tank, module, engine and controller stepped together.

use super::controller::{Commands, Controller, Day, Inputs};
use super::engine::{Around, Engine};
use super::gas::{Discharge, Petrol};
use super::module::{Flip, Module, area_m2};
use super::random::{Dice, Drift};
use super::relax::Relax;
use super::scenario::{Plan, PurgeFault};
use super::tank::{Build, Opens, Port, SKIN_TO_FUEL, Surroundings, Tank};
use super::weather::Weather;

/// The truth at one moment, for tests: what no instrument of the judge has told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// Simulated time, s.
    pub t_s: f64,
    /// Tank pressure against the outside air, Pa.
    pub pressure_pa: f64,
    /// The switch's contact, bounce included.
    pub contact_closed: bool,
    /// The vent valve, 0 sealed to 1 open.
    pub vent_open: f64,
    /// Vent solenoid energised.
    pub solenoid: bool,
    /// Flow through the purge valve, 0 to 1 of its full area.
    pub purge: f64,
    /// A sealed check runs.
    pub checking: bool,
    /// Outside air, K.
    pub air_k: f64,
    /// Tank skin, K.
    pub skin_k: f64,
    /// Liquid, K.
    pub fuel_k: f64,
    /// Headspace gas, K.
    pub gas_k: f64,
    /// Barometer, Pa.
    pub baro_pa: f64,
    /// Partial pressure of vapour over its saturation pressure.
    pub saturation: f64,
    /// All vapour volume, m³.
    pub vapour_m3: f64,
    /// Liquid, % of nominal.
    pub level_pct: f64,
}

/// The vehicle.
#[derive(Debug, Clone)]
pub struct Vehicle {
    plan: Plan,
    weather: Weather,
    /// The tank.
    pub tank: Tank,
    /// The module.
    pub module: Module,
    /// The engine.
    pub engine: Engine,
    controller: Controller,
    /// The timetable.
    pub day: Day,
    /// The controller's commands.
    pub now: Commands,
    /// Flips of the contact in the last step.
    pub flips: Vec<Flip>,
    us: i64,
    /// Outside air now, °C.
    air_c: f64,
    /// Barometer now, Pa.
    baro_pa: f64,
    relax: Relax,
    gauge: f64,
    vapour_to_engine: f64,
    purge_area: f64,
    purge_mm: f64,
    slosh: Drift,
    substeps: i64,
    aired: bool,
    hole_open: bool,
}

/// Bore of the purge valve where nothing else is said, mm.
const PURGE_MM: f64 = 2.3;

impl Vehicle {
    /// At the start of the day. Every step is cut into `substeps` (1, or more to test the integration).
    pub fn new(plan: &Plan, seed: u64, substeps: i64) -> Vehicle {
        let day = Day::new(plan, seed);
        let weather = Weather::new(plan, seed, day.parked_s, day.ends_s);
        let mut d = Dice::new(seed, 10);
        let mut build = Build {
            nominal_m3: 0.060,
            ullage_m3: 0.060 * d.between(0.105, 0.135),
            canister_m3: d.between(0.0034, 0.0046),
            petrol: Petrol::with_rvp(d.between(54_000.0, 72_000.0)),
            evaporation_s: d.between(400.0, 1_100.0),
            gas_lag_s: d.between(12.0, 30.0),
            skin_to_air: d.between(5.0, 8.0),
            skin_to_fuel: SKIN_TO_FUEL,
            charcoal_mol: d.between(1.2, 1.8),
            charcoal_load: 0.35,
            discharge: Discharge::Reynolds,
        };
        let level = d.between(28.0, 72.0);
        let warmer = d.between(0.5, 3.0);
        let coolant_above = d.between(22.0, 40.0);
        let level = plan.level_pct.unwrap_or(if plan.fill == super::scenario::Fill::None { level } else { 32.0 });
        let (air_c, baro) = (weather.air_c(0.0), weather.baro_pa(0.0));
        let air = air_c + 273.15;
        let liquid_m3 = build.nominal_m3 * level / 100.0;
        let (mut warmer, mut saturation) = (warmer, 0.97);
        if let Some(u) = plan.unknowns {
            (warmer, saturation) = (u.warmer_k, u.saturation);
            build.ullage_m3 = u.ullage_m3(level);
            build.canister_m3 = u.canister_m3;
            build.petrol = Petrol::with_rvp(u.rvp_pa);
            build.evaporation_s = u.evaporation_s;
            build.gas_lag_s = u.gas_lag_s;
            build.charcoal_mol = u.charcoal_mol;
            build.charcoal_load = u.charcoal_load;
            build.discharge = u.discharge;
            build.let_lag(liquid_m3, u.fuel_lag_s, u.wall_lag_s);
        }
        let tank = Tank::at_rest(build, liquid_m3, air + warmer, air, baro, saturation);
        // The vehicle was driven some hours ago, so that its evening start is a warm one.
        let engine = Engine::new(seed, air - 273.15 + coolant_above, baro, plan.maintainer);
        let controller = Controller::new(plan, day.clone(), seed);
        let mut v = Vehicle {
            plan: plan.clone(),
            weather,
            tank,
            module: Module::new(plan, seed),
            engine,
            controller,
            day,
            now: Commands {
                key: false,
                duty: super::engine::Duty::Off,
                solenoid: false,
                purge: 0.0,
                awake: false,
                biased: true,
                checking: false,
            },
            flips: Vec::new(),
            us: 0,
            air_c,
            baro_pa: baro,
            relax: Relax::default(),
            gauge: 0.0,
            vapour_to_engine: 0.0,
            purge_area: 0.0,
            purge_mm: plan.unknowns.map_or(PURGE_MM, |u| u.purge_mm),
            slosh: Drift::new(seed, 11, 1.1, 1.5),
            substeps: substeps.max(1),
            aired: false,
            hole_open: false,
        };
        v.now = v.command(0.0);
        if plan.sensor_vehicle {
            v.module.valve = 1.0;
        }
        v
    }

    /// Simulated time, µs.
    pub fn us(&self) -> i64 {
        self.us
    }

    /// What the controller has seen and counted.
    pub fn story(&self) -> super::controller::Story {
        self.controller.story
    }

    /// The sensor of a vehicle that has one, Pa gauge.
    pub fn sensor_pa(&self) -> Option<f64> {
        self.plan.sensor_vehicle.then_some(self.gauge)
    }

    /// The day is over.
    pub fn done(&self) -> bool {
        self.us as f64 * 1e-6 >= self.day.ends_s
    }

    /// The truth now.
    pub fn truth(&self) -> Truth {
        let t = &self.tank;
        let pv = t.headspace.vapour * super::gas::R * t.gas_k / t.headspace_m3();
        Truth {
            t_s: self.us as f64 * 1e-6,
            pressure_pa: self.gauge,
            contact_closed: self.module.contact,
            vent_open: self.module.valve,
            solenoid: self.module.energised(),
            purge: self.purge_area / area_m2(self.purge_mm),
            checking: self.now.checking,
            air_k: self.air_c + 273.15,
            skin_k: t.skin_k,
            fuel_k: t.fuel_k,
            gas_k: t.gas_k,
            baro_pa: self.baro_pa,
            saturation: pv / t.saturated_pa,
            vapour_m3: t.vapour_m3(),
            level_pct: 100.0 * t.liquid_m3 / t.build.nominal_m3,
        }
    }

    /// Level as the sender feels it, %.
    pub fn level_pct(&self) -> f64 {
        let moving = (self.engine.speed_kph / 15.0).min(1.0);
        100.0 * self.tank.liquid_m3 / self.tank.build.nominal_m3 + moving * self.slosh.at(self.us as f64 * 1e-6)
    }

    /// Voltages now: module ground, sense line; with this solenoid current.
    pub fn wires(&self, solenoid_a: f64) -> (f64, f64) {
        let ground = self.module.ground_v(solenoid_a, self.now.biased);
        (ground, self.module.sense_v(ground, self.now.biased))
    }

    /// Steps on, at most to `limit_us`; short where flows are fast, long at night.
    pub fn step(&mut self, limit_us: i64) {
        let t = self.us as f64 * 1e-6;
        // Commands first: a solenoid that has just been switched asks for short steps.
        self.now = self.command(t);
        self.module.energise(self.now.solenoid);
        let (in_gust, gust_edge) = self.weather.next_gust_edge(t);
        let stirred = self.module.since_command_s();
        let want = if stirred < 0.15 {
            5_000
        } else if stirred < 3.0 || self.now.checking {
            20_000
        } else if in_gust || self.now.key {
            50_000
        } else if self.now.awake || self.engine.rpm > 1.0 || self.fuelling(t) {
            100_000
        } else {
            1_000_000
        };
        let edge = gust_edge.min(self.controller.next_act_s(t));
        let edge_us = if edge.is_finite() { (edge * 1e6).round() as i64 } else { i64::MAX };
        let end = (self.us + want).min(limit_us).min(edge_us.max(self.us + 1));
        self.flips.clear();
        let parts = self.substeps;
        let whole = end - self.us;
        for i in 1..=parts {
            let to = end - whole * (parts - i) / parts;
            if to > self.us {
                self.advance(to);
            }
        }
    }

    fn fuelling(&self, t: f64) -> bool {
        self.day.fuelling.is_some_and(|f| t >= f.from_s - 1e-7 && t < f.to_s + 5.0)
    }

    fn command(&mut self, t: f64) -> Commands {
        let (_, sense_v) = self.wires(self.module.current(self.engine.battery_v).0);
        let see = Inputs {
            coolant_c: self.engine.coolant_c,
            air_c: self.air_c,
            level_pct: self.level_pct(),
            battery_v: self.engine.battery_v,
            baro_pa: self.baro_pa,
            running_s: self.engine.since_start_s(),
            sense_v,
            tank_pa: self.gauge,
        };
        self.controller.command(t, see)
    }

    fn advance(&mut self, to_us: i64) {
        let t = self.us as f64 * 1e-6;
        let dt_us = to_us - self.us;
        let dt = dt_us as f64 * 1e-6;
        self.now = self.command(t);
        self.module.energise(self.now.solenoid);
        self.module.move_valve(dt, !self.plan.sensor_vehicle);
        let air_c = self.air_c;
        let around = Around { air_c, baro_pa: self.baro_pa, vapour_mol_s: self.vapour_to_engine };
        self.engine.step(t, dt, self.now.duty, around, &mut self.relax);
        self.us = to_us;
        let end = to_us as f64 * 1e-6;
        self.air_c = self.weather.air_c(end);
        self.baro_pa = self.weather.baro_pa(end);
        let outside = self.baro_pa + self.weather.gust_pa(end);

        self.fuel(t, dt, air_c);
        let ports = self.ports(t, outside);
        let around = Surroundings {
            air_k: air_c + 273.15,
            heat_w: self.engine.tank_heat_w,
            sun_w: self.weather.sun_w(t),
            motion: (self.engine.speed_kph / 30.0).min(1.0),
        };
        let before = self.gauge;
        self.tank.step(dt, around, &ports, &mut self.relax);
        self.gauge = self.tank.pa - outside;
        self.module.diaphragm(before, self.gauge, to_us, dt_us, &mut self.flips);
        let purging = if self.engine.runs() { self.purge_area } else { 0.0 };
        // About 0.2 of the mass flow of air per area and pressure at choked flow, mol/(s·m²·Pa).
        self.vapour_to_engine = purging * 0.08 * outside * self.tank.canister_vapour();
    }

    fn fuel(&mut self, t: f64, dt: f64, air_c: f64) {
        if self.engine.runs() {
            // 0.25 g/s at idle, m³/s.
            let burnt = 3.4e-7 * (self.engine.rpm / 800.0) * (self.engine.manifold_pa / 35_000.0);
            self.tank.pour(-burnt * dt, 0.0);
        }
        if let Some(f) = self.day.fuelling {
            let (a, b) = (f.from_s + 20.0, f.to_s - 20.0);
            if t >= a - 1e-7 && t < b - 1e-7 {
                self.tank.pour(f.m3 * dt / (b - a), 285.0_f64.max(air_c + 272.0));
            } else if t >= b - 1e-7 && !self.aired {
                self.aired = true;
                self.tank.air_out(f.air_out);
            }
        }
    }

    fn ports(&mut self, t: f64, outside: f64) -> [Port; 7] {
        let cap_open = self.day.fuelling.is_some_and(|f| t >= f.from_s - 1e-7 && t < f.to_s - 1e-7);
        if let Some(opens) = self.plan.hole_opens_pa {
            self.hole_open = self.gauge < -opens;
        } else {
            self.hole_open = true;
        }
        let hole = if self.hole_open { area_m2(self.plan.hole_mm) } else { 0.0 };
        let full = area_m2(self.purge_mm);
        self.purge_area = match self.plan.purge {
            PurgeFault::None => full * self.now.purge,
            PurgeFault::StuckClosed => 0.0,
            PurgeFault::StuckOpen => full,
            PurgeFault::Seeps(mm) => (full * self.now.purge).max(area_m2(mm)),
        };
        let head = |area| Port { area, outside_pa: outside, at_headspace: true, opens: Opens::Always };
        let crack = self.plan.unknowns.is_some_and(|u| u.crack);
        let side = |area, opens| Port { area, outside_pa: outside, at_headspace: false, opens };
        // A pressure-sensor vehicle has its reliefs in the cap; they open later.
        let (over, under) = if self.plan.sensor_vehicle && self.plan.unknowns.is_none() {
            (2_500.0, 2_500.0)
        } else {
            (self.module.pressure_relief_pa, self.module.vacuum_relief_pa)
        };
        [
            Port { opens: if crack { Opens::Crack } else { Opens::Always }, ..head(hole) },
            head(if cap_open { area_m2(28.0) } else { 0.0 }),
            head(self.module.torn_area()),
            side(self.module.vent_area(), Opens::Always),
            Port { outside_pa: self.engine.manifold_pa.min(outside), ..side(self.purge_area, Opens::Always) },
            side(area_m2(5.0), Opens::Above(over)),
            side(area_m2(5.0), Opens::Below(under)),
        ]
    }
}
