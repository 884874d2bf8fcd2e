//! What the physics is told: from the timeline and the profile to the specifications of the two beliefs.

use crate::channel::Channel;
use crate::physics::decay_belief::DecaySpec;
use crate::physics::fuel;
use crate::physics::posterior::Prior;
use crate::physics::soak_belief::{SoakDrive, SoakSpec};
use crate::profile::Settings;
use crate::time::Stamp;
use crate::timeline::{SwitchState, Timeline};
use crate::units::kelvin;

/// Ordinary purge through an open vent leaves up to this much in the tank, Pa: the error of a zero taken at sealing.
pub const SEALING_PA: f64 = 25.0;

/// A warm idle, to which the profile's idle consumption refers: common practice, from memory.
const WARM_IDLE_RPM: f64 = 800.0;
const WARM_IDLE_KPA: f64 = 35.0;

/// What is known before a soak that was sealed at `start`.
pub fn soak(t: &Timeline, start: Stamp) -> SoakSpec {
    let p = &t.profile.set;
    let start_vacuum_pa = match (t.pressure_pa().filter(|_| t.zero_known()), t.switch().0) {
        (Some((pa, e)), _) => (-pa - e, -pa + e),
        (None, Some(SwitchState::Closed)) => (p.switch.reopens_low_pa, p.reliefs.vacuum_high_pa),
        (None, _) if t.vent_open_before(start) => AFTER_OPEN_VENT_PA,
        (None, _) => (0.0, p.switch.closes_high_pa),
    };
    soak_at(p, t.settled_level_pct(), start_vacuum_pa)
}

/// Reid vapour pressure of what is in the tank, psi: the season's gasoline with its ethanol.
pub fn rvp_psi(p: &Settings) -> (f64, f64) {
    fuel::blended((p.fuel.rvp_low_psi, p.fuel.rvp_high_psi), p.fuel.ethanol_pct)
}

/// A vent that stood open until it sealed left next to nothing, Pa of vacuum.
pub const AFTER_OPEN_VENT_PA: (f64, f64) = (0.0, 30.0);

/// What is known before a soak at a fuel level, sealed at this vacuum.
pub fn soak_at(p: &Settings, level_pct: Option<f64>, start_vacuum_pa: (f64, f64)) -> SoakSpec {
    let (v, spread) = p.vapour_volume_m3(level_pct);
    let m = &p.model;
    SoakSpec {
        volume_m3: v,
        volume_spread: spread,
        cd: m.discharge_cd,
        area_error: m.area_error_pct * 0.01,
        rvp_psi: rvp_psi(p),
        closes_pa: (p.switch.closes_low_pa, p.switch.closes_high_pa),
        relief_pressure_pa: (p.reliefs.pressure_low_pa, p.reliefs.pressure_high_pa),
        relief_vacuum_pa: (p.reliefs.vacuum_low_pa, p.reliefs.vacuum_high_pa),
        gas_lag_s: (m.vapour_lag_low_s, m.vapour_lag_high_s),
        fuel_lag_s: (m.fuel_lag_low_s, m.fuel_lag_high_s),
        fuel_behind_wall_s: (m.wall_lag_low_s, m.wall_lag_high_s),
        evaporation_s: (m.evaporation_low_s, m.evaporation_high_s),
        saturation: (m.saturation_low, 1.0),
        start_vacuum_pa,
        start_above_ambient_k: (m.start_above_low_k, m.start_above_high_k),
        start_above_wall_k: (m.start_above_wall_low_k, m.start_above_wall_high_k),
        baro_unknown_pa_per_h: m.baro_unknown_pa_per_h,
        temperature_error_k: m.temperature_error_k,
        seed: m.seed as u64,
    }
}

/// What is measured now.
pub fn soak_drive(t: &Timeline) -> SoakDrive {
    let k = |c| t.signals.get(c).map(kelvin);
    SoakDrive {
        ambient_k: k(Channel::AmbientC),
        wall_k: k(Channel::TankSkinC),
        fuel_k: k(Channel::FuelTempC),
        baro_pa: t.baro_fine_pa(),
    }
}

/// Relative strength of purge: duty, and how far the flow through its valve is choked.
pub fn purge_strength(t: &Timeline) -> f64 {
    let duty = t.signals.get(Channel::PurgeDutyPct).unwrap_or(0.0) * 0.01;
    let Some(m) = t.signals.get(Channel::ManifoldKpa) else { return duty };
    let baro = t.baro_pa().map_or(101.325, |b| b.0 * 1e-3);
    // Elliptic approximation of nozzle flow, choked below 0.53 (as in ISO 6358; from memory).
    let x = ((m / baro - 0.53) / 0.47).clamp(0.0, 1.0);
    duty * (1.0 - x * x).sqrt()
}

/// What is known before a decay.
pub fn decay(t: &Timeline) -> DecaySpec {
    let p = &t.profile.set;
    let m = &p.model;
    let (volume_m3, volume_spread) = t.vapour_volume_m3();
    let known = |c| t.signals.last(c).map(|v: (f64, Stamp)| kelvin(v.0));
    let fuel_k = match (known(Channel::FuelTempC), known(Channel::TankSkinC), known(Channel::AmbientC)) {
        (Some(k), ..) => (k - 2.0, k + 2.0),
        (None, Some(k), _) => (k - 3.0, k + 5.0),
        (None, None, Some(k)) => (k - 3.0, k + 12.0),
        _ => (278.0, 308.0),
    };
    DecaySpec {
        volume_m3,
        volume_spread,
        cd: m.discharge_cd,
        area_error: m.area_error_pct * 0.01,
        model_error: m.time_error_pct * 0.01,
        baro_pa: t.baro_pa().map_or(101_325.0, |b| b.0),
        gas_k: 0.5 * (fuel_k.0 + fuel_k.1),
        rvp_psi: rvp_psi(p),
        fuel_k,
        closes_pa: (p.switch.closes_low_pa, p.switch.closes_high_pa),
        reopens_pa: (p.switch.reopens_low_pa, p.switch.reopens_high_pa),
        relief_vacuum_pa: (p.reliefs.vacuum_low_pa, p.reliefs.vacuum_high_pa),
        gamma: (1.0, 1.4),
        rewarming_s: (m.rewarming_low_s, m.rewarming_high_s),
        evaporation_s: (m.reevaporation_low_s, m.reevaporation_high_s),
        vapour_rise_pa_per_s: (-m.vapour_fall_pa_per_s, m.vapour_rise_pa_per_s),
        fuel_draw_m3_per_s: fuel_draw(t),
        prior: Prior::new(p.leak.small_mm),
        seed: m.seed as u64,
    }
}

/// Fuel that the running engine draws from the tank now, m³/s. A throttled engine's goes as speed times manifold
/// pressure, so what it draws at a warm idle is scaled by both, where they are known.
fn fuel_draw(t: &Timeline) -> (f64, f64) {
    let v = &t.profile.set.vehicle;
    let speed = t.signals.get(Channel::EngineRpm).map_or(1.0, |rpm| rpm / WARM_IDLE_RPM);
    let air = t.signals.get(Channel::ManifoldKpa).map_or(1.0, |kpa| kpa / WARM_IDLE_KPA);
    let per_l_per_h = 1e-3 / 3600.0 * (speed * air).clamp(0.5, 10.0);
    (v.idle_fuel_low_l_per_h * per_l_per_h, v.idle_fuel_high_l_per_h * per_l_per_h)
}
