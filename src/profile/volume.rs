//! The vapour volume that a profile gives at a fuel level.

use super::Settings;

impl Settings {
    /// Volume of air and vapour, cubic metres, at a settled fuel level in percent of the nominal tank, and the
    /// half-width of its uncertainty as a fraction (90 %). Without a level it may be any that a soak is judged at.
    pub fn vapour_volume_m3(&self, level_pct: Option<f64>) -> (f64, f64) {
        let v = &self.vehicle;
        let spread = v.volume_spread_pct * 0.01;
        let volume = |level: f64| (v.tank_l * (1.0 - level * 0.01) + v.tank_l * v.ullage_pct * 0.01 + v.lines_l) * 1e-3;
        match level_pct {
            Some(level) => (volume(level.clamp(0.0, 100.0)), spread),
            None => {
                let (low, high) = (volume(self.soak.level_high_pct), volume(self.soak.level_low_pct));
                let mid = 0.5 * (low + high);
                (mid, (high - mid) / mid + spread)
            }
        }
    }
}
