//! Ideal gas.

/// Molar gas constant, J/(mol·K), exact. Source: SI brochure, 9th edition (2019).
pub const R: f64 = 8.314_462_618_153_24;
/// Molar mass of dry air, kg/mol. Source: US Standard Atmosphere 1976 (from memory).
pub const M_AIR: f64 = 0.028_964_4;
/// Molar mass of gasoline vapour, kg/mol. Source: EPA AP-42 ch. 7.1, about 62 to 68 g/mol (from memory).
pub const M_VAPOUR: f64 = 0.066;
/// Ratio of specific heats of air. Source: handbook value for diatomic gases, 7/5.
pub const GAMMA_AIR: f64 = 1.4;

/// Density in kg/m³ of a gas of molar mass `molar` (kg/mol) at `abs_pa` (Pa absolute) and `t_k` (K).
pub fn density(molar: f64, abs_pa: f64, t_k: f64) -> f64 {
    abs_pa * molar / (R * t_k)
}

/// Density in kg/m³ of dry air at `abs_pa` (Pa absolute) and `t_k` (K).
pub fn air_density(abs_pa: f64, t_k: f64) -> f64 {
    density(M_AIR, abs_pa, t_k)
}

/// Moles in `volume_m3` at `abs_pa` (Pa absolute) and `t_k` (K).
pub fn moles(abs_pa: f64, volume_m3: f64, t_k: f64) -> f64 {
    abs_pa * volume_m3 / (R * t_k)
}

/// How much a sealed dry gas loses per kelvin of cooling, Pa/K, at `abs_pa` (Pa absolute) and `t_k` (K).
pub fn pascals_per_kelvin(abs_pa: f64, t_k: f64) -> f64 {
    abs_pa / t_k
}

/// Barometer in Pa at a height of `altitude_m` above the sea, from one reduced to sea level. Sound up to 11 km. Source:
/// US Standard Atmosphere 1976, lapse rate of 6.5 K/km from 288.15 K.
pub fn station_pressure(sea_level_pa: f64, altitude_m: f64) -> f64 {
    let exponent = 9.806_65 * M_AIR / (R * 0.0065);
    sea_level_pa * libm::pow(1.0 - 0.0065 * altitude_m / 288.15, exponent)
}

/// Mean molar mass, kg/mol, of air with a share `vapour` (0 to 1, by moles) of gasoline vapour.
pub fn mixture_molar(vapour: f64) -> f64 {
    M_AIR + (M_VAPOUR - M_AIR) * vapour
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sealed_dry_air_loses_346_pascals_a_kelvin() {
        // Trade facts, computed from the gas law: 20 °C, 101.325 kPa.
        assert!((pascals_per_kelvin(101_325.0, 293.15) - 346.0).abs() < 0.5);
    }

    #[test]
    fn air_density_at_the_standard_atmosphere() {
        // US Standard Atmosphere 1976, sea level: 1.2250 kg/m³ (from memory).
        assert!((air_density(101_325.0, 288.15) - 1.2250).abs() < 2e-4);
    }

    #[test]
    fn barometer_by_height() {
        // US Standard Atmosphere 1976, table of pressures by height (from memory), Pa.
        for (m, pa) in [(0.0, 101_325.0), (1000.0, 89_874.6), (2000.0, 79_495.2), (3000.0, 70_108.5)] {
            let got = station_pressure(101_325.0, m);
            assert!((got / pa - 1.0).abs() < 2e-4, "{m} m: {got} against {pa}");
        }
    }

    #[test]
    fn molar_volume_at_normal_conditions() {
        // CODATA: 22.413 969 54 L/mol at 273.15 K and 101.325 kPa (from memory).
        assert!((moles(101_325.0, 22.413_969_54e-3, 273.15) - 1.0).abs() < 1e-9);
    }
}
