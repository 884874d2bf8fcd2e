//! The bench adapter on the simulated vehicle: sensors with noise and resolution, and the line protocol.

use super::random::Dice;
use super::row::Rows;
use super::scenario::Plan;
use super::vehicle::Vehicle;
use crate::channel::Channel;

/// The channels in the order of the adapter's columns.
const COLUMNS: [Channel; 22] = [
    Channel::Key,
    Channel::EngineRpm,
    Channel::VehicleSpeedKph,
    Channel::CoolantC,
    Channel::IntakeAirC,
    Channel::AmbientC,
    Channel::FuelTempC,
    Channel::FuelLevelPct,
    Channel::BaroKpa,
    Channel::ManifoldKpa,
    Channel::BatteryV,
    Channel::PurgeDutyPct,
    Channel::VentSolenoid,
    Channel::LeakSwitch,
    Channel::SwitchSenseV,
    Channel::SolenoidA,
    Channel::SolenoidPeakA,
    Channel::GroundV,
    Channel::TankSkinC,
    Channel::FuelTrimShortPct,
    Channel::FuelTrimLongPct,
    Channel::TankPressurePa,
];

/// Below this the adapter calls the line closed, above the other open, and between it keeps its word, V.
const CLOSED_BELOW_V: f64 = 1.5;
const OPEN_ABOVE_V: f64 = 3.0;
/// A line as low as this with its weak pull-up on has no bias and is not closed through a contact, V.
const DEAD_BELOW_V: f64 = 0.05;

/// The adapter.
#[derive(Debug, Clone)]
pub struct Adapter {
    rows: Rows,
    dice: Dice,
    noise: f64,
    sensor_vehicle: bool,
    zero_pa: f64,
    baro_off_pa: f64,
    air_off_k: f64,
    skin_off_k: f64,
    level_off_pct: f64,
    word: Option<bool>,
    charge: f64,
    peak: f64,
    window_s: f64,
}

impl Adapter {
    /// For this plan; without a `tap` there is no tank pressure on a vehicle that has no sensor of its own.
    pub fn new(plan: &Plan, seed: u64, tap: bool) -> Adapter {
        let mut d = Dice::new(seed, 60);
        let off = if plan.offsets { 1.0 } else { 0.0 };
        let no_switch = [Channel::LeakSwitch, Channel::SwitchSenseV, Channel::GroundV];
        let columns = COLUMNS
            .into_iter()
            .filter(|c| !(*c == Channel::TankPressurePa && !tap && !plan.sensor_vehicle))
            .filter(|c| !(plan.sensor_vehicle && no_switch.contains(c)))
            .collect();
        let mut adapter = Adapter {
            zero_pa: d.between(-6.0, 6.0) + off * 45.0,
            baro_off_pa: d.between(-40.0, 40.0) + off * 300.0,
            air_off_k: d.between(-0.2, 0.2) + off * 0.9,
            skin_off_k: d.between(-0.2, 0.2) - off * 0.9,
            level_off_pct: d.between(-1.0, 1.0) + off * 4.0,
            rows: Rows::new(columns, (d.between(2.0, 5_000.0) * 1e6) as i64, d.between(-60.0, 60.0)),
            dice: Dice::new(seed, 61),
            noise: plan.noise,
            sensor_vehicle: plan.sensor_vehicle,
            word: None,
            charge: 0.0,
            peak: 0.0,
            window_s: 0.0,
        };
        if let Some(u) = plan.unknowns {
            adapter.zero_pa = u.zero_pa;
            adapter.baro_off_pa = u.baro_off_pa;
            adapter.air_off_k = u.air_off_k;
            adapter.skin_off_k = u.skin_off_k;
            adapter.level_off_pct = u.level_off_pct;
        }
        adapter
    }

    /// The adapter starts anew: its clock begins at zero.
    pub fn restart(&mut self, us: i64) {
        self.rows.restart(us);
    }

    /// The header line.
    pub fn header(&self) -> String {
        self.rows.header()
    }

    /// Follows the solenoid's current between rows.
    pub fn watch(&mut self, v: &Vehicle, dt: f64) {
        let (mean, peak) = v.module.current(v.engine.battery_v);
        self.charge += mean * dt;
        self.window_s += dt;
        self.peak = self.peak.max(peak);
    }

    /// A row of its own for a flip of the contact at `us`; none if the sense line does not show it.
    pub fn edge(&mut self, v: &Vehicle, us: i64, closed: bool) -> Option<&str> {
        if self.sensor_vehicle || !v.now.biased {
            return None;
        }
        let (ground, sense) = v.wires(v.module.current(v.engine.battery_v).0);
        let sense = if closed == v.module.contact {
            sense
        } else if closed {
            ground + 0.01
        } else {
            4.985
        };
        let sense = sense + 0.004 * self.noise * self.dice.normal();
        let before = self.word;
        self.hear(sense, true);
        if self.word == before {
            return None;
        }
        self.rows.begin(us);
        let word = self.word;
        for i in 0..self.rows.len() {
            self.rows.cell();
            match self.rows.column(i) {
                Channel::LeakSwitch => {
                    if let Some(w) = word {
                        self.rows.put(Channel::LeakSwitch, f64::from(w), 1.0, 0, true);
                    }
                }
                Channel::SwitchSenseV => self.rows.put(Channel::SwitchSenseV, sense, 0.01, 2, true),
                _ => {}
            }
        }
        Some(self.rows.end())
    }

    /// The regular row at the vehicle's present moment; `full` fills every cell that can be read now.
    pub fn regular(&mut self, v: &Vehicle, full: bool) -> &str {
        self.rows.begin(v.us());
        let mean = if self.window_s > 0.0 { self.charge / self.window_s } else { 0.0 };
        let (now_a, _) = v.module.current(v.engine.battery_v);
        let (ground, sense) = v.wires(now_a);
        let sense = sense + 0.004 * self.noise * self.dice.normal();
        self.hear(sense, v.now.biased);
        let peak = self.peak;
        self.charge = 0.0;
        self.window_s = 0.0;
        self.peak = 0.0;
        let awake = v.now.awake;
        let e = &v.engine;
        let t = v.truth();
        for i in 0..self.rows.len() {
            let c = self.rows.column(i);
            self.rows.cell();
            let n = self.noise * self.dice.normal();
            // Value, resolution, decimals; controller channels only while it is awake.
            let (value, step, decimals, from_controller) = match c {
                Channel::Key => (f64::from(v.now.key), 1.0, 0, false),
                Channel::EngineRpm => (if e.rpm < 1.0 { 0.0 } else { (e.rpm + 6.0 * n).max(0.0) }, 1.0, 0, true),
                Channel::VehicleSpeedKph => (e.speed_kph, 1.0, 0, true),
                Channel::CoolantC => (e.coolant_c + 0.15 * n, 1.0, 0, true),
                Channel::IntakeAirC => (e.intake_c + 0.15 * n, 1.0, 0, true),
                Channel::AmbientC => (t.air_k - 273.15 + self.air_off_k + 0.04 * n, 0.1, 1, false),
                Channel::FuelTempC => (t.fuel_k - 273.15 + 0.04 * n, 0.1, 1, true),
                Channel::FuelLevelPct => (v.level_pct() + self.level_off_pct + 0.1 * n, 100.0 / 255.0, 1, true),
                Channel::BaroKpa => ((t.baro_pa + self.baro_off_pa + 2.5 * n) * 1e-3, 0.01, 2, false),
                Channel::ManifoldKpa => ((e.manifold_pa + 150.0 * n) * 1e-3, 0.1, 1, true),
                Channel::BatteryV => (e.battery_v + 0.008 * n, 0.01, 2, false),
                Channel::PurgeDutyPct => (100.0 * v.now.purge, 0.4, 1, true),
                Channel::VentSolenoid => (f64::from(v.now.solenoid), 1.0, 0, false),
                Channel::LeakSwitch => match self.word {
                    Some(w) => (f64::from(w), 1.0, 0, false),
                    None => {
                        self.rows.forget(c);
                        continue;
                    }
                },
                Channel::SwitchSenseV => (sense.max(0.0), 0.01, 2, false),
                Channel::SolenoidA => ((mean + 0.0015 * n).max(0.0), 0.001, 3, false),
                Channel::SolenoidPeakA => ((peak + 0.003 * n).max(0.0), 0.001, 3, false),
                // Not among the columns of this one.
                Channel::SolenoidDutyPct => continue,
                Channel::GroundV => ((ground + 0.0015 * n).max(0.0), 0.001, 3, false),
                Channel::TankSkinC => (t.skin_k - 273.15 + self.skin_off_k + 0.04 * n, 0.1, 1, false),
                Channel::FuelTrimShortPct => (e.trim_short, 0.1, 1, true),
                Channel::FuelTrimLongPct => (e.trim_long, 0.1, 1, true),
                Channel::TankPressurePa => (t.pressure_pa + self.zero_pa + 2.0 * n, 1.0, 0, self.sensor_vehicle),
            };
            if awake || !from_controller {
                self.rows.put(c, value, step, decimals, full);
            }
        }
        self.rows.end()
    }

    fn hear(&mut self, sense_v: f64, biased: bool) {
        // The chip's own pull-up is far weaker than a contact, so a line without bias lies dead low.
        self.word = if !biased && sense_v < DEAD_BELOW_V {
            None
        } else if sense_v < CLOSED_BELOW_V {
            Some(true)
        } else if sense_v > OPEN_ABOVE_V {
            Some(false)
        } else {
            self.word
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_without_bias_is_not_called_closed() {
        let mut a = Adapter::new(&Plan::default(), 1, true);
        a.hear(0.012, false);
        assert_eq!(a.word, None);
        a.hear(0.012, true);
        assert_eq!(a.word, Some(true));
    }
}
