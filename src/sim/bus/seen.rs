//! What the engine controller's own sensors read at one moment.

use super::super::controller::Story;
use super::super::vehicle::Vehicle;

/// A snapshot of the vehicle as its engine controller sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Key on.
    pub key: bool,
    /// The controller itself wants to be awake.
    pub awake: bool,
    /// 1/min.
    pub rpm: f64,
    /// km/h.
    pub kph: f64,
    /// °C.
    pub coolant_c: f64,
    /// °C.
    pub intake_c: f64,
    /// °C.
    pub ambient_c: f64,
    /// °C.
    pub fuel_c: f64,
    /// % of the tank.
    pub level_pct: f64,
    /// kPa.
    pub baro_kpa: f64,
    /// kPa absolute.
    pub manifold_kpa: f64,
    /// V.
    pub battery_v: f64,
    /// Commanded purge, %.
    pub purge_pct: f64,
    /// %.
    pub trim_short: f64,
    /// %.
    pub trim_long: f64,
    /// Since the engine started, s.
    pub running_s: f64,
    /// The vent solenoid is commanded.
    pub solenoid: bool,
    /// Its mean current, A.
    pub solenoid_a: f64,
    /// Sense line of the leak switch, V; none on a vehicle with a sensor.
    pub sense_v: Option<f64>,
    /// Tank pressure sensor, Pa gauge; none on a vehicle with a switch.
    pub tank_pa: Option<f64>,
    /// What the controller found itself.
    pub story: Story,
}

impl Seen {
    /// The vehicle now.
    pub(in super::super) fn of(v: &Vehicle) -> Seen {
        let (e, t) = (&v.engine, v.truth());
        let solenoid_a = v.module.current(e.battery_v).0;
        let tank_pa = v.sensor_pa();
        Seen {
            key: v.now.key,
            awake: v.now.awake,
            rpm: if e.rpm < 1.0 { 0.0 } else { e.rpm },
            kph: e.speed_kph,
            coolant_c: e.coolant_c,
            intake_c: e.intake_c,
            ambient_c: t.air_k - 273.15,
            fuel_c: t.fuel_k - 273.15,
            level_pct: v.level_pct(),
            baro_kpa: t.baro_pa * 1e-3,
            manifold_kpa: e.manifold_pa * 1e-3,
            battery_v: e.battery_v,
            purge_pct: 100.0 * v.now.purge,
            trim_short: e.trim_short,
            trim_long: e.trim_long,
            running_s: e.since_start_s(),
            solenoid: v.now.solenoid,
            solenoid_a,
            sense_v: tank_pa.is_none().then(|| v.wires(solenoid_a).1),
            tank_pa,
            story: v.story(),
        }
    }

    /// The engine turns by itself.
    pub fn runs(&self) -> bool {
        self.rpm > 400.0
    }

    /// The controller's own reading of the leak switch.
    pub fn switch_closed(&self) -> Option<bool> {
        self.sense_v.map(|v| v < 2.0)
    }
}
