//! The vent's path as a hole: how wide it must be for a vacuum to go in the time that was seen.

use crate::physics::{gas, orifice};
use crate::timeline::Timeline;

/// How fast a path of `mm` fills the volume: see [`orifice::leak_rate`].
pub fn rate(t: &Timeline, volume_m3: f64, mm: f64) -> f64 {
    let baro = t.baro_pa().map_or(101_325.0, |b| b.0);
    orifice::leak_rate(t.profile.set.model.discharge_cd, mm, volume_m3, baro, gas::air_density(baro, 293.15))
}

/// Diameter in mm of the path through which a vacuum goes from `from_pa` to `to_pa` (both positive) in `s` seconds,
/// where a path of 1 mm has the rate `of_1_mm` of [`rate`].
pub fn path_mm(from_pa: f64, to_pa: f64, s: f64, of_1_mm: f64) -> f64 {
    // The rate goes with the square of the diameter.
    (orifice::decay_time(from_pa, to_pa, of_1_mm) / s).sqrt()
}
