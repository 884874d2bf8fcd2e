//! Contact: the arithmetic of a sense line and of a shared ground, for a vehicle and for the tray alike.

use super::levels::Levels;
use crate::channel::Channel;
use crate::profile::Sense;
use crate::timeline::Timeline;

/// The line may stand between open and closed for so long before it is a fault, seconds.
pub const BETWEEN_S: f64 = 5.0;

/// Resistance of the closed circuit beyond the built-in resistor, ohms: by the divider with the pull-up (Ohm's law).
pub fn excess_ohm(s: &Sense, closed_v: f64) -> f64 {
    let rest = (s.pull_up_v - closed_v).max(1e-3);
    closed_v.max(0.0) * s.pull_up_ohm / rest - s.series_ohm
}

/// A line that stands between open and closed, in words.
pub fn between_words(s: &Sense, volts: f64) -> String {
    format!(
        "the sense line stands at {volts:.2} V, neither open (above {:.1} V) nor closed (below {:.1} V): {:.0} ohm too much in the closed circuit",
        s.open_above_v,
        s.closed_below_v,
        excess_ohm(s, volts)
    )
}

/// A closed line with too much resistance, in words; none if it is sound.
pub fn too_much_words(s: &Sense, volts: f64) -> Option<String> {
    let excess = excess_ohm(s, volts);
    (excess >= s.excess_ohm).then(|| {
        format!(
            "the closed switch leaves {volts:.2} V on the sense line: {excess:.0} ohm more than it should have (limit {:.0})",
            s.excess_ohm
        )
    })
}

/// The next step for a fault of the circuit.
pub fn next_step(part: &str) -> &'static str {
    match part {
        "ground" => "clean and re-make the module's ground, then measure its drop with the solenoid on",
        "contacts" => {
            "clean the connector's terminals; if the resistance stays, the switch is worn: replace the module"
        }
        "stuck closed" => {
            "unplug the module: a line that rises to the pull-up clears the wiring and condemns the switch"
        }
        _ => {
            "bridge the sense line to ground at the module: a line that falls clears the wiring and condemns the switch"
        }
    }
}

/// The ground that switch and solenoid share: what it rises by while the solenoid is on.
#[derive(Debug, Clone, Default)]
pub struct SharedGround {
    off: Levels,
    rise_v: f64,
    rises: u32,
    seen_on: bool,
}

impl SharedGround {
    /// The values of now. A fault, in words, when it becomes certain.
    pub fn see(&mut self, t: &Timeline, solenoid_off: bool) -> Option<String> {
        let p = &t.profile.set;
        let g = t.signals.get(Channel::GroundV)?;
        let amps = t.signals.get(Channel::SolenoidA);
        let on = amps.is_some_and(|a| a >= p.solenoid.on_above_a)
            || (amps.is_none() && t.signals.get(Channel::VentSolenoid).is_some_and(|v| v >= 0.5));
        if !on {
            if solenoid_off {
                self.off.add(g);
            }
            return None;
        }
        self.seen_on = true;
        let rise = g - self.off.median().unwrap_or(0.0);
        if rise < p.sense.ground_rise_v {
            return None;
        }
        self.rises += 1;
        self.rise_v = self.rise_v.max(rise);
        if self.rises != 3 && rise < 2.0 * p.sense.ground_rise_v {
            return None;
        }
        let per_amp = t.signals.get(Channel::SolenoidPeakA).filter(|a| *a > 0.05).map(|a| rise / a);
        Some(format!(
            "the module's ground rises by {rise:.2} V while the solenoid is on{}: high resistance in the shared ground",
            per_amp.map_or(String::new(), |r| format!(", about {r:.1} ohm"))
        ))
    }

    /// It was seen with the solenoid on.
    pub fn seen_on(&self) -> bool {
        self.seen_on
    }

    /// Readings with the solenoid off.
    pub fn seen_off(&self) -> u32 {
        self.off.count()
    }

    /// Highest rise that counted, volts.
    pub fn rise_v(&self) -> f64 {
        self.rise_v
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::load_builtin;

    #[test]
    fn the_divider_obeys_ohms_law() {
        // Ohm's law by hand: 5 V over 1000 ohm and 111.11 ohm in series is 4.5 mA, which leaves 0.5 V on the lower.
        let mut s = load_builtin("switch-module").unwrap().set.sense;
        assert!((excess_ohm(&s, 0.5) - 1000.0 / 9.0).abs() < 1e-9);
        // The same from the other end: 220 ohm below 10 kohm at 12 V carry 12/10220 A, 0.258317 V.
        (s.pull_up_v, s.pull_up_ohm, s.series_ohm) = (12.0, 10_000.0, 180.0);
        assert!((excess_ohm(&s, 12.0 / 10_220.0 * 220.0) - 40.0).abs() < 1e-9);
        // A line below ground by an offset has none; one at the pull-up is an open circuit, and stays finite.
        assert_eq!(excess_ohm(&s, -0.02), -180.0);
        assert!(excess_ohm(&s, 12.0) > 1e6 && excess_ohm(&s, 13.0).is_finite());
    }

    #[test]
    fn the_limit_counts_from_its_own_value_on() {
        let s = load_builtin("switch-module").unwrap().set.sense;
        let at = |ohm: f64| s.pull_up_v * ohm / (ohm + s.pull_up_ohm);
        assert!(too_much_words(&s, at(s.excess_ohm - 0.5)).is_none());
        assert!(too_much_words(&s, at(s.excess_ohm + 0.5)).is_some());
    }
}
