//! Units: conversions by their defined factors, and what the user wants to read.
//!
//! Inside the house pressures are pascals gauge (negative is vacuum), temperatures kelvin, volumes cubic metres,
//! times seconds. Channels carry the unit in their name. Only `view` converts for display.

/// Pascals in one conventional inch of water. Source: NIST SP 811, appendix B (from memory).
pub const PA_PER_INH2O: f64 = 249.088_9;
/// Pascals in one pound per square inch. Source: NIST SP 811, appendix B (from memory).
pub const PA_PER_PSI: f64 = 6_894.757;
/// Millimetres in one inch, exact.
pub const MM_PER_INCH: f64 = 25.4;
/// Litres in one US gallon, exact by definition (231 in³).
pub const L_PER_GAL: f64 = 3.785_411_784;
/// 0 °C in kelvin, exact.
pub const ZERO_C: f64 = 273.15;

/// °C to kelvin.
pub fn kelvin(celsius: f64) -> f64 {
    celsius + ZERO_C
}

/// Kelvin to °C.
pub fn celsius(kelvin: f64) -> f64 {
    kelvin - ZERO_C
}

/// °C to °F.
pub fn fahrenheit(celsius: f64) -> f64 {
    celsius * 1.8 + 32.0
}

/// Area in m² of a round hole of `mm` diameter.
pub fn hole_area_m2(mm: f64) -> f64 {
    let d = mm * 1e-3;
    std::f64::consts::FRAC_PI_4 * d * d
}

/// Which units the person reads. Files and JSON are always SI.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum Shown {
    /// Pascal, °C, millimetre.
    #[default]
    Si,
    /// Inches of water, °F, inch.
    Inch,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_trade_s_leak_sizes_in_millimetres() {
        // 13 CCR 1968.2 (e)(4), from memory: 0.020 in and 0.040 in.
        assert!((0.020 * MM_PER_INCH - 0.508).abs() < 1e-12);
        assert!((0.040 * MM_PER_INCH - 1.016).abs() < 1e-12);
    }

    #[test]
    fn pressures_by_their_definitions() {
        // Conventional water of 1000 kg/m³ under standard gravity of 9.80665 m/s², one inch of it: 249.08891 Pa. The
        // pound is 0.45359237 kg (NIST SP 811, from memory; the figures are computed here from the definitions).
        assert!((1000.0 * 9.80665 * 0.0254 / PA_PER_INH2O - 1.0).abs() < 1e-6);
        assert!((0.453_592_37 * 9.80665 / (0.0254 * 0.0254) / PA_PER_PSI - 1.0).abs() < 1e-6);
    }

    #[test]
    fn fixed_points_of_the_temperature_scales() {
        // The inch is exact by the international yard; ice and steam points by definition of the Fahrenheit scale.
        assert_eq!(fahrenheit(0.0), 32.0);
        assert!((fahrenheit(100.0) - 212.0).abs() < 1e-9);
        assert_eq!(celsius(kelvin(20.0)), 20.0);
    }
}
