//! The vapour volume that a profile gives at a fuel level.

use super::Settings;

impl Settings {
    /// Volume of air and vapour, cubic metres, at a settled fuel level in percent of the nominal tank, and the
    /// half-width of its uncertainty as a fraction (90 %). Without a level it may be any that a soak is judged at.
    pub fn vapour_volume_m3(&self, level_pct: Option<f64>) -> (f64, f64) {
        match level_pct {
            Some(level) => self.volume_at(level.clamp(0.0, 100.0)),
            None => {
                let (low, _) = self.volume_at(self.soak.level_high_pct);
                let (high, spread) = self.volume_at(self.soak.level_low_pct);
                let mid = 0.5 * (low + high);
                (mid, (high - mid) / mid + spread)
            }
        }
    }

    /// From the tank, or from what was measured: then only what the level has changed since is as unsure as the tank.
    fn volume_at(&self, level_pct: f64) -> (f64, f64) {
        let v = &self.vehicle;
        let spread = v.volume_spread_pct * 0.01;
        if v.measured_l > 0.0 {
            let more = v.tank_l * (v.measured_level_pct - level_pct) * 0.01;
            let litres = (v.measured_l + more).max(0.05 * v.tank_l);
            let (own, since) = (v.measured_l * v.measured_spread_pct * 0.01, more * spread);
            return (litres * 1e-3, (own * own + since * since).sqrt() / litres);
        }
        let litres = v.tank_l * (1.0 - level_pct * 0.01) + v.tank_l * v.ullage_pct * 0.01 + v.lines_l;
        (litres * 1e-3, spread)
    }
}

#[cfg(test)]
mod tests {
    use crate::profile::load;

    #[test]
    fn a_measured_volume_goes_with_the_level() {
        let set = |sets: &[&str]| {
            let sets: Vec<String> = sets.iter().map(|s| format!("vehicle.{s}")).collect();
            load("switch-module", &sets).unwrap().set
        };
        // By hand: 60 L, 12 % above full, 4 L of lines; at 40 % that is 36 + 7.2 + 4.
        let (v, spread) = set(&[]).vapour_volume_m3(Some(40.0));
        assert!((v - 0.0472).abs() < 1e-12 && (spread - 0.15).abs() < 1e-12);
        let measured = set(&["measured_l=50", "measured_level_pct=40", "measured_spread_pct=4"]);
        let (v, spread) = measured.vapour_volume_m3(Some(40.0));
        assert!((v - 0.050).abs() < 1e-12 && (spread - 0.04).abs() < 1e-12);
        // 10 % of 60 L less room; 2 L and 6 L × 15 % together of 44 L.
        let (v, spread) = measured.vapour_volume_m3(Some(50.0));
        assert!((v - 0.044).abs() < 1e-12 && (spread - (2.0f64 * 2.0 + 0.9 * 0.9).sqrt() / 44.0).abs() < 1e-9);
        let (_, unknown) = measured.vapour_volume_m3(None);
        assert!(unknown > 0.5);
    }
}
