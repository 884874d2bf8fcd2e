//! Days of which everything that a technician does not know is drawn: the hole, the vehicle, the weather, the state in
//! which it is parked, and what its sensors read wrong. For the tables that say how honest the judge's odds are.
//!
//! The ranges are those that the judge's built-in profiles state as possible (`tests/calibration/` holds the two to
//! each other), as far as this tank has such a part. It has one lag of the gas, not two, so that takes the range of a
//! quick pull's re-warming; and one time of evaporation, which takes what both tests hold possible.

use super::equivalent_mm;
use super::gas::Discharge;
use super::player::Player;
use super::random::Dice;
use super::scenario::Plan;

/// Smallest hole that is drawn and largest, mm equivalent.
pub const HOLE_MM: (f64, f64) = (0.05, 6.0);
/// Share of tight tanks among those below the limit.
pub const TIGHT: f64 = 0.5;
/// Nominal volume of every tank, litres, and the share above "full", %, and canister and lines, litres, that a judge
/// who knows the tank assumes.
pub const TANK_L: f64 = 60.0;
/// See [`TANK_L`].
pub const ULLAGE_PCT: f64 = 12.0;
/// See [`TANK_L`].
pub const LINES_L: f64 = 4.0;
/// Half-width of the vapour volume about that, 90 % of it, as a share.
pub const VOLUME: f64 = 0.15;
/// Reid vapour pressure, psi.
pub const RVP_PSI: (f64, f64) = (7.0, 13.0);
/// Gas behind its walls, s.
pub const GAS_LAG_S: (f64, f64) = (5.0, 60.0);
/// Evaporation into the still headspace, s.
pub const EVAPORATION_S: (f64, f64) = (120.0, 3_000.0);
/// Tank and fuel behind the outside air, s.
pub const FUEL_LAG_S: (f64, f64) = (7_200.0, 28_800.0);
/// Fuel behind the skin, s.
pub const WALL_LAG_S: (f64, f64) = (600.0, 7_200.0);
/// Headspace at the start, share of saturation.
pub const SATURATION: (f64, f64) = (0.6, 1.0);
/// Fuel above the air at the start of the drive, K, which warms it further.
pub const WARMER_K: (f64, f64) = (0.0, 12.0);
/// The switch's points, Pa.
pub const CLOSES_PA: (f64, f64) = (200.0, 300.0);
/// See [`CLOSES_PA`].
pub const REOPENS_PA: (f64, f64) = (100.0, 200.0);
/// Reliefs of a module, pressure and vacuum, Pa.
pub const RELIEFS_PA: [(f64, f64); 2] = [(100.0, 500.0), (750.0, 1_800.0)];
/// Reliefs of a vehicle with a pressure sensor, Pa.
pub const SENSOR_RELIEFS_PA: [(f64, f64); 2] = [(1_000.0, 2_000.0), (750.0, 3_000.0)];
/// Most that a pressure reading's zero is off, Pa.
pub const ZERO_PA: f64 = 50.0;
/// Most that a temperature probe is off, K.
pub const PROBE_K: f64 = 1.0;
/// Level, % of nominal.
pub const LEVEL_PCT: (f64, f64) = (16.0, 84.0);

/// A way in which the day is deliberately not what the profiles hold possible.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Misfit {
    /// Gas, fuel and skin follow 1.5 to 3 times slower than the slowest, or faster than the quickest, that is possible.
    Lags,
    /// Another discharge coefficient: 0.8 whatever the Reynolds number; or the hole is a crack, through which the flow
    /// goes with the pressure itself and not its root (alike at 300 Pa).
    Discharge,
    /// Gusts and slammed doors.
    Wind,
    /// Temperature probes are off by 1.5 to 3 times, the pressure zero by 1.2 to 2.5 times what is allowed to them, the
    /// level sender by 5 to 10 %.
    Offset,
    /// The barometer moves by 6 to 12 hPa within three hours of the night, and its sensor reads 10 hPa wrong.
    Barometer,
    /// A large canister, all but empty, takes vapour from the tank all night.
    Canister,
}

impl Misfit {
    /// All of them.
    pub const ALL: [Misfit; 6] =
        [Misfit::Lags, Misfit::Discharge, Misfit::Wind, Misfit::Offset, Misfit::Barometer, Misfit::Canister];

    /// One word.
    pub fn word(self) -> &'static str {
        match self {
            Misfit::Lags => "lags",
            Misfit::Discharge => "discharge",
            Misfit::Wind => "wind",
            Misfit::Offset => "offset",
            Misfit::Barometer => "barometer",
            Misfit::Canister => "canister",
        }
    }
}

/// One day and night of a drawn vehicle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DrawnDay {
    /// Which vehicle.
    pub vehicle: u64,
    /// Which of its days: hole, tank and sensors are the vehicle's, weather, level and start are the day's.
    pub night: u32,
    /// With a tank pressure sensor instead of a switch module.
    pub sensor: bool,
    /// What is deliberately wrong.
    pub misfit: Option<Misfit>,
}

/// What was drawn, where the simulator has no scenario for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Unknowns {
    /// Share of the vapour volume that a judge assumes.
    pub volume: f64,
    pub canister_m3: f64,
    pub rvp_pa: f64,
    pub evaporation_s: f64,
    pub gas_lag_s: f64,
    pub fuel_lag_s: f64,
    pub wall_lag_s: f64,
    pub charcoal_mol: f64,
    pub charcoal_load: f64,
    pub discharge: Discharge,
    /// The flow through the hole goes with the pressure.
    pub crack: bool,
    pub saturation: f64,
    pub warmer_k: f64,
    pub closes_pa: f64,
    pub reopens_pa: f64,
    pub pressure_relief_pa: f64,
    pub vacuum_relief_pa: f64,
    /// Bore of the purge valve, mm.
    pub purge_mm: f64,
    pub mean_c: f64,
    pub swing_k: f64,
    pub zero_pa: f64,
    pub baro_off_pa: f64,
    pub air_off_k: f64,
    pub skin_off_k: f64,
    pub level_off_pct: f64,
}

impl Unknowns {
    /// Volume above "full" of a tank with this level, m³.
    pub fn ullage_m3(&self, level_pct: f64) -> f64 {
        let empty = TANK_L * (1.0 - level_pct / 100.0);
        let vapour = self.volume * (empty + TANK_L * ULLAGE_PCT / 100.0 + LINES_L);
        (vapour - empty) * 1e-3 - self.canister_m3
    }
}

impl DrawnDay {
    /// The hole that is drawn for the vehicle, mm equivalent; 0 if it is tight. As many below `limit_mm` as above.
    pub fn hole_mm(&self, limit_mm: f64) -> f64 {
        let mut d = Dice::new(self.vehicle, 90);
        let (above, tight, place) = (d.unit() < 0.5, d.unit() < TIGHT, d.unit());
        let even_log = |a: f64, b: f64| a * libm::exp(libm::log(b / a) * place);
        if above {
            even_log(limit_mm, HOLE_MM.1)
        } else if tight {
            0.0
        } else {
            even_log(HOLE_MM.0, limit_mm)
        }
    }

    /// Seed of all that is not drawn here: noise, drifts of the weather, the driver.
    fn seed(&self) -> u64 {
        self.vehicle.wrapping_mul(64).wrapping_add(u64::from(self.night))
    }

    fn plan(&self, hole_mm: f64) -> Plan {
        // The vehicle and its instruments.
        let mut v = Dice::new(self.vehicle, 91);
        let mut range = |(low, high): (f64, f64)| v.between(low, high);
        let log = |(low, high): (f64, f64), place: f64| low * libm::exp(libm::log(high / low) * place);
        let reliefs = if self.sensor { SENSOR_RELIEFS_PA } else { RELIEFS_PA };
        let closes_pa = range(CLOSES_PA);
        let mut u = Unknowns {
            volume: 1.0 + VOLUME / 0.9 * range((-1.0, 1.0)),
            canister_m3: range((0.002, 0.006)),
            rvp_pa: range(RVP_PSI) * 6_894.757,
            evaporation_s: log(EVAPORATION_S, range((0.0, 1.0))),
            gas_lag_s: log(GAS_LAG_S, range((0.0, 1.0))),
            fuel_lag_s: log(FUEL_LAG_S, range((0.0, 1.0))),
            wall_lag_s: log(WALL_LAG_S, range((0.0, 1.0))),
            charcoal_mol: range((1.0, 2.5)),
            charcoal_load: 0.0,
            discharge: Discharge::Reynolds,
            crack: false,
            saturation: 0.0,
            warmer_k: 0.0,
            closes_pa,
            reopens_pa: range(REOPENS_PA).min(0.95 * closes_pa),
            pressure_relief_pa: range(reliefs[0]),
            vacuum_relief_pa: range(reliefs[1]),
            purge_mm: range((1.8, 3.0)),
            mean_c: 0.0,
            swing_k: 0.0,
            zero_pa: ZERO_PA * range((-1.0, 1.0)),
            baro_off_pa: range((-100.0, 100.0)),
            air_off_k: PROBE_K * range((-1.0, 1.0)),
            skin_off_k: PROBE_K * range((-1.0, 1.0)),
            level_off_pct: range((-1.0, 1.0)),
        };
        let noise = range((1.0, 3.0));
        // The day.
        let mut n = Dice::new(self.seed(), 92);
        let mut range = |(low, high): (f64, f64)| n.between(low, high);
        let lowest_c = range((5.5, 18.0));
        u.swing_k = range((1.5, 8.0));
        u.mean_c = lowest_c + u.swing_k;
        u.charcoal_load = range((0.1, 0.7));
        u.saturation = range(SATURATION);
        u.warmer_k = range(WARMER_K);
        let mut plan = Plan {
            sensor_vehicle: self.sensor,
            level_pct: Some(range(LEVEL_PCT)),
            start_hour: range((15.0, 21.0)),
            baro_ramp_pa: range((-300.0, 300.0)),
            noise,
            ..Plan::default()
        };
        self.spoil(&mut u, &mut plan);
        plan.hole_mm = sharp_mm(hole_mm, u.discharge);
        plan.unknowns = Some(u);
        plan
    }

    fn spoil(&self, u: &mut Unknowns, plan: &mut Plan) {
        let Some(misfit) = self.misfit else { return };
        let mut d = Dice::new(self.vehicle, 93);
        let slow = d.unit() < 0.5;
        let by = d.between(1.5, 3.0);
        let sign = if d.unit() < 0.5 { -1.0 } else { 1.0 };
        match misfit {
            Misfit::Lags => {
                let beyond = |(low, high): (f64, f64)| if slow { high * by } else { low / by };
                u.gas_lag_s = beyond(GAS_LAG_S);
                u.fuel_lag_s = beyond(FUEL_LAG_S);
                u.wall_lag_s = beyond(WALL_LAG_S);
            }
            Misfit::Discharge if slow => u.discharge = Discharge::Fixed(0.8),
            Misfit::Discharge => u.crack = true,
            Misfit::Wind => plan.gusts = true,
            Misfit::Offset => {
                u.air_off_k = sign * PROBE_K * by;
                u.skin_off_k = if slow { sign } else { -sign } * PROBE_K * d.between(1.5, 3.0);
                u.zero_pa = sign * ZERO_PA * d.between(1.2, 2.5);
                u.level_off_pct = sign * d.between(5.0, 10.0);
            }
            Misfit::Barometer => {
                plan.baro_ramp_pa = sign * d.between(600.0, 1_200.0);
                u.baro_off_pa = if slow { 1_000.0 } else { -1_000.0 };
            }
            Misfit::Canister => {
                u.charcoal_mol = d.between(4.0, 8.0);
                u.charcoal_load = 0.02;
            }
        }
    }
}

/// The hole of this coefficient that reads as `equivalent`, mm.
fn sharp_mm(equivalent: f64, discharge: Discharge) -> f64 {
    if let Discharge::Fixed(cd) = discharge {
        return equivalent * (0.6 / cd).sqrt();
    }
    let (mut low, mut high) = (0.0, equivalent);
    for _ in 0..50 {
        let mid = 0.5 * (low + high);
        if equivalent_mm(mid) < equivalent { low = mid } else { high = mid }
    }
    0.5 * (low + high)
}

impl Player {
    /// A drawn day of a vehicle with this hole (mm equivalent, see [`DrawnDay::hole_mm`]), heard by one adapter for
    /// each of `taps`, which says whether it has a tank pressure tap. See [`Player::go_on`].
    pub fn drawn(day: DrawnDay, hole_mm: f64, taps: &[bool]) -> Player {
        Player::with_taps(&day.plan(hole_mm), day.seed(), taps)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn days() -> impl Iterator<Item = DrawnDay> {
        (0..400).map(|vehicle| DrawnDay { vehicle, night: 0, sensor: vehicle % 2 == 1, misfit: None })
    }

    #[test]
    fn holes_lie_as_stated_about_the_limit() {
        // A quarter tight, a quarter below, half above: 400 draws scatter by 2.5 % at most (binomial).
        let holes: Vec<f64> = days().map(|d| d.hole_mm(0.508)).collect();
        let share = |f: fn(f64) -> bool| holes.iter().filter(|h| f(**h)).count() as f64 / holes.len() as f64;
        assert!((share(|h| h == 0.0) - 0.25).abs() < 0.07);
        assert!((share(|h| h >= 0.508) - 0.5).abs() < 0.08);
        assert!(holes.iter().all(|h| *h == 0.0 || (0.05..=6.0).contains(h)));
    }

    #[test]
    fn the_drawn_hole_reads_as_it_was_drawn() {
        for mm in [0.06, 0.508, 2.0] {
            assert!((equivalent_mm(sharp_mm(mm, Discharge::Reynolds)) / mm - 1.0).abs() < 1e-6, "{mm}");
        }
        assert_eq!(sharp_mm(0.0, Discharge::Reynolds), 0.0);
    }

    #[test]
    fn a_vehicle_keeps_its_parts_and_the_weather_changes() {
        let day = DrawnDay { vehicle: 7, night: 0, sensor: false, misfit: None };
        let parts = |d: DrawnDay| d.plan(0.3).unknowns.expect("drawn");
        let (a, b) = (parts(day), parts(DrawnDay { night: 1, ..day }));
        assert_eq!((a.volume, a.closes_pa, a.zero_pa), (b.volume, b.closes_pa, b.zero_pa));
        assert_ne!((a.mean_c, a.warmer_k), (b.mean_c, b.warmer_k));
    }

    #[test]
    fn every_tank_has_room_above_full() {
        for d in days() {
            let plan = d.plan(0.0);
            let ullage = plan.unknowns.expect("drawn").ullage_m3(plan.level_pct.expect("drawn"));
            assert!(ullage > -0.007 && ullage < 0.025, "{ullage}");
        }
    }

    #[test]
    fn each_misfit_leaves_what_is_held_possible() {
        for misfit in Misfit::ALL {
            for d in days() {
                let (sound, wrong) = (d.plan(0.3), DrawnDay { misfit: Some(misfit), ..d }.plan(0.3));
                assert_ne!(sound, wrong, "{misfit:?}");
            }
        }
    }
}
