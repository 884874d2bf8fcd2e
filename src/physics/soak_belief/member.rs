//! One guess at everything that is not measured of a soak, and the row of holes behind it.

use super::super::air_balance::{AirBalance, AirState};
use super::super::fuel::Gasoline;
use super::super::gas;
use super::super::sampling::{even, even_log};
use super::super::supply::SupplySpec;
use super::super::tank::{Cell, Climate, Decays, Outside, TankSpec, Ways};
use super::{BARO, BARO_ASSUMED_PA, CHANNELS, GRID_S, HOLES, SoakSpec};

/// Over how long a member smooths the temperatures, s: some believe a quick change of a probe, some do not.
const SMOOTH_S: (f64, f64) = (120.0, 1200.0);
/// The barometer needs less: it is quiet, and acts at once.
const SMOOTH_BARO_S: f64 = 60.0;
/// By how much sun or a warm floor may heat a tank of which only the outside air is known, K.
const UNSEEN_WARMER_K: f64 = 5.0;
/// Relative part of the temperature change that a badly placed probe may miss.
const PLACE_ERROR: f64 = 0.05;
/// The wall over the gas against wall and fuel together, as a share of the lag.
const WALL_OF_FUEL_LAG: (f64, f64) = (0.1, 1.0);

/// One guess.
#[derive(Debug, Clone)]
pub(super) struct Member {
    pub(super) gasoline: Gasoline,
    pub(super) tank: TankSpec,
    pub(super) decays: Decays,
    pub(super) climate: Climate,
    pub(super) before: Outside,
    pub(super) smooth: [Option<f64>; CHANNELS],
    pub(super) first: [Option<f64>; CHANNELS],
    pub(super) smooth_gain: [f64; CHANNELS],
    pub(super) cells: [Cell; HOLES],
    pub(super) ways: [Ways; HOLES],
    /// Deepest vacuum since the start, and since the mark.
    pub(super) deepest_pa: [f64; HOLES],
    pub(super) deepest_since_pa: [f64; HOLES],
    pub(super) closes_pa: f64,
    pub(super) tight_closed_s: Option<f64>,
    pub(super) start_vacuum_pa: f64,
    pub(super) above_ambient_k: f64,
    pub(super) above_wall_k: f64,
    pub(super) offset_k: f64,
    pub(super) drift_k: f64,
    pub(super) place: f64,
    pub(super) stray: f64,
    pub(super) baro_slope_pa_per_s: f64,
    /// Vapour at the start, share of saturation: the least that any member has.
    pub(super) saturation_least: f64,
    pub(super) air: AirBalance,
    pub(super) first_climate: Climate,
}

impl Member {
    pub(super) fn new(spec: &SoakSpec, u: &[f64], holes_mm: &[f64; HOLES]) -> Member {
        let both = |u: f64| 2.0 * u - 1.0;
        // The spread is a 90 % half-width of an even distribution.
        let volume = spec.volume_m3 * (1.0 + spec.volume_spread / 0.9 * both(u[0])).max(0.05);
        let area = 1.0 + spec.area_error * both(u[1]);
        let fuel_lag_s = even_log(spec.fuel_lag_s, u[7]);
        let tank = TankSpec {
            volume_m3: volume,
            hole_mm: 0.0,
            cd: spec.cd * area,
            rvp_psi: even(spec.rvp_psi, u[2]),
            saturation: even(spec.saturation, u[3]),
            evaporation_s: even_log(spec.evaporation_s, u[4]),
            gas_lag_s: even_log(spec.gas_lag_s, u[6]),
            rewarming_s: 0.0,
            gamma: 1.0,
            // A thin wall over the gas is faster than wall and fuel together.
            wall_lag_s: fuel_lag_s * even(WALL_OF_FUEL_LAG, u[8]),
            fuel_lag_s,
            fuel_behind_wall_s: even_log(spec.fuel_behind_wall_s, u[9]),
            relief_pressure_pa: even(spec.relief_pressure_pa, u[10]),
            relief_vacuum_pa: even(spec.relief_vacuum_pa, u[11]),
        };
        let gasoline = Gasoline::new(tank.rvp_psi);
        let slow = -libm::expm1(-GRID_S / even_log(SMOOTH_S, u[19]));
        let outside = Outside { baro_pa: BARO_ASSUMED_PA, ambient_k: None, wall_k: None, fuel_k: None };
        Member {
            gasoline,
            tank,
            decays: Decays::new(&tank, GRID_S),
            climate: Climate::start(&tank, &gasoline, &outside, 0.0),
            before: outside,
            smooth: [None; CHANNELS],
            first: [None; CHANNELS],
            smooth_gain: [slow, slow, slow, -libm::expm1(-GRID_S / SMOOTH_BARO_S)],
            cells: [Cell::default(); HOLES],
            ways: holes_mm.map(|hole_mm| Ways::new(&TankSpec { hole_mm, ..tank })),
            deepest_pa: [0.0; HOLES],
            deepest_since_pa: [0.0; HOLES],
            closes_pa: even(spec.closes_pa, u[5]),
            tight_closed_s: None,
            start_vacuum_pa: even(spec.start_vacuum_pa, u[12]),
            above_ambient_k: even(spec.start_above_ambient_k, u[13]),
            above_wall_k: even(spec.start_above_wall_k, u[20]),
            offset_k: spec.temperature_error_k * both(u[14]),
            // The part of a probe's error that changes in the night: half of it.
            drift_k: 0.5 * spec.temperature_error_k * both(u[15]),
            place: if spec.temperature_error_k > 0.0 { PLACE_ERROR * both(u[16]) } else { 0.0 },
            stray: both(u[17]),
            baro_slope_pa_per_s: spec.baro_unknown_pa_per_h / 3600.0 * both(u[18]),
            saturation_least: spec.saturation.0.min(spec.saturation.1),
            air: AirBalance::default(),
            first_climate: Climate::start(&tank, &gasoline, &outside, 0.0),
        }
    }

    pub(super) fn listen(&mut self, mean: &[Option<f64>; CHANNELS], steps: u64) {
        for c in 0..CHANNELS {
            if let Some(mean) = mean[c] {
                // A running mean at first, so that the first sample's noise does not stand as the start of the night.
                let gain = self.smooth_gain[c].max(1.0 / steps as f64);
                let smooth = self.smooth[c].map_or(mean, |s| s + (mean - s) * gain);
                self.smooth[c] = Some(smooth);
                self.first[c].get_or_insert(smooth);
            }
        }
    }

    /// The world as this member takes it from the probes.
    pub(super) fn outside(&self, settled: f64, baro_blind_s: f64, stray_k: f64) -> Outside {
        let off = self.offset_k + self.drift_k * settled + self.stray * stray_k;
        let k = |c: usize| {
            let (now, first) = (self.smooth[c]?, self.first[c]?);
            Some(now + off + self.place * (now - first))
        };
        Outside {
            baro_pa: self.smooth[BARO].unwrap_or(BARO_ASSUMED_PA) + self.baro_slope_pa_per_s * baro_blind_s,
            ambient_k: k(0),
            wall_k: k(1),
            fuel_k: k(2),
        }
    }

    pub(super) fn seal(&mut self, outside: &Outside) {
        self.before = *outside;
        self.climate = Climate::start(&self.tank, &self.gasoline, outside, self.above_ambient_k);
        if outside.wall_k.is_some() && outside.fuel_k.is_none() {
            let before = self.gasoline.pressure(self.climate.fuel_k);
            self.climate.fuel_k += self.above_wall_k;
            self.climate.vapour_pa *= self.gasoline.pressure(self.climate.fuel_k) / before.max(1.0);
        }
        for cell in &mut self.cells {
            *cell = Cell { pressure_pa: -self.start_vacuum_pa, deficit_pa: 0.0 };
        }
        self.deepest_pa = [self.start_vacuum_pa; HOLES];
        self.deepest_since_pa = self.deepest_pa;
        self.first_climate = self.climate;
        let c = &self.climate;
        let vapour_pa = self.saturation_least * self.gasoline.pressure(c.fuel_k.min(c.wall_k));
        self.air.seal(AirState { total_pa: c.baro_pa, vapour_pa, gas_k: c.gas_k });
    }

    pub(super) fn driven_pa(&self) -> f64 {
        let (first, now) = (&self.first_climate, &self.climate);
        let vapour = self.gasoline.pressure(now.fuel_k) - self.gasoline.pressure(first.fuel_k);
        vapour + now.baro_pa * libm::log(now.gas_k / first.gas_k)
    }

    pub(super) fn supply(&self, drive_pa_per_s: (f64, f64), zero_error_pa: f64, noise_pa: f64) -> SupplySpec {
        let c = &self.climate;
        let vapour_most_pa = self.vapour_most_pa();
        let mixture = gas::mixture_molar((vapour_most_pa / c.baro_pa).min(0.9));
        SupplySpec {
            volume_m3: self.tank.volume_m3,
            cd: self.tank.cd,
            rho: (gas::density(mixture, c.baro_pa, c.gas_k), gas::air_density(c.baro_pa, c.gas_k)),
            baro_pa: c.baro_pa,
            vapour_most_pa,
            saturation_least: self.saturation_least,
            drive_pa_per_s,
            zero_error_pa,
            noise_pa,
        }
    }

    pub(super) fn vapour_most_pa(&self) -> f64 {
        let c = &self.climate;
        // The fuel's surface may be as warm as the wall, and warmer than either where neither is measured.
        let unseen = if self.smooth[1].is_some() || self.smooth[2].is_some() { 0.0 } else { UNSEEN_WARMER_K };
        self.gasoline.pressure(c.fuel_k.max(c.wall_k) + unseen)
    }

    /// Pressure between the hole before `next` (part 0) and `next` (part 1).
    pub(super) fn behind_pa(&self, next: usize, part: f64) -> f64 {
        let (small, large) = (self.cells[next - 1].pressure_pa, self.cells[next].pressure_pa);
        if small * large > 0.0 {
            // In steady cooling vacuum goes as a power of the hole.
            small * libm::exp(libm::log(large / small) * part)
        } else {
            small + (large - small) * part
        }
    }

    pub(super) fn stood(&mut self, gauge_pa: f64, dt_s: f64) {
        let vapour_pa = self.vapour_most_pa();
        let c = &self.climate;
        let now = AirState { total_pa: c.baro_pa + gauge_pa, vapour_pa, gas_k: c.gas_k };
        self.air.stood(gauge_pa, dt_s, &now);
    }

    pub(super) fn step(&mut self, now_s: f64, outside: &Outside) {
        let push = self.climate.step(&self.gasoline, &self.decays, &self.before, outside);
        self.before = *outside;
        for h in 0..HOLES {
            self.cells[h].step(&push, &self.ways[h], 0.0);
            let vacuum = -self.cells[h].pressure_pa;
            self.deepest_pa[h] = self.deepest_pa[h].max(vacuum);
            self.deepest_since_pa[h] = self.deepest_since_pa[h].max(vacuum);
        }
        if self.tight_closed_s.is_none() && -self.cells[0].pressure_pa >= self.closes_pa {
            self.tight_closed_s = Some(now_s);
        }
    }
}
