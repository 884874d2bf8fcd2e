//! Spoilers: what happens to a parked vehicle that a leak test must know of.

use super::{Happening, Timeline, Vent};
use crate::channel::Channel;
use crate::time::Stamp;

/// Kinds of spoilers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum SpoilerKind {
    /// The fuel level rose.
    Refuelled,
    /// Vacuum or pressure fell to nothing at once with the vent sealed.
    OpenedTank,
    /// The tank or the air warmed.
    Warming,
    /// The barometer rose: that looks like vacuum.
    BarometerRose,
    /// The barometer fell: that hides vacuum.
    BarometerFell,
    /// The supply is held up by a charger.
    Maintainer,
    /// The resting battery is low.
    BatteryLow,
    /// The switch flipped for less than its hold time: a slammed door or a gust.
    Slam,
    /// The controller woke while the vehicle was parked.
    Woke,
    /// Purge ran until the vehicle was parked: the canister is hungry for vapour.
    FreshCanister,
    /// Pressure rose while the tank cooled.
    RisingPressure,
    /// The pressure sensor's zero is off, or the vent does not open.
    PressureZero,
    /// A note on the tray's rig that could not be read.
    RigUnread,
    /// The solenoid was energised with no vacuum behind it: on the tray that shows nothing about the switch.
    NoVacuum,
    /// The adapter restarted.
    AdapterRestart,
    /// The rows' clock stepped.
    ClockStep,
}

/// One of them, with its moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Spoiler {
    /// Which.
    pub kind: SpoilerKind,
    /// When.
    pub at: Stamp,
    /// In words, with the numbers.
    pub text: String,
}

/// Smoothing of the pressure, seconds.
const SMOOTH_S: f64 = 0.7;
/// Pressure that went must stay away this long to count, seconds.
const GONE_S: f64 = 3.0;

/// A flip this close to a turn of the switch is its contact's bounce, seconds.
const CONTACT_S: f64 = 5.0;
/// Purge that ended longer ago than this leaves a canister at rest, seconds.
const FRESH_S: f64 = 60.0;

/// Watches a parked vehicle; each kind is named once a stretch.
#[derive(Debug, Clone, Default)]
pub(super) struct Watch {
    since: Option<Stamp>,
    /// The switch flipped, and it is not yet known whether it turns.
    flip: Option<Stamp>,
    asleep: bool,
    last: Option<Stamp>,
    level: Option<f64>,
    coolest_c: Option<f64>,
    baro_pa: Option<f64>,
    high_supply_since: Option<Stamp>,
    low_supply_since: Option<Stamp>,
    resting_v: Option<f64>,
    smooth_pa: Option<f64>,
    smooth_at: Option<Stamp>,
    before: Option<(Stamp, f64)>,
    /// Pressure that went at once, and when: it must stay away to count.
    gone: Option<(Stamp, f64)>,
    before_that: Option<(Stamp, f64)>,
    pressure_start: Option<(f64, f64)>,
    named: Vec<SpoilerKind>,
}

impl Watch {
    /// The vehicle was just parked, or is driven again.
    pub fn restart(&mut self, _t: Stamp) {
        let resting_v = self.resting_v;
        *self = Watch { resting_v, ..Watch::default() };
    }

    /// Supply before the starter pulled it down, volts.
    pub fn resting_v(&self) -> Option<f64> {
        self.resting_v
    }

    pub fn see(&mut self, t: &Timeline, now: Stamp, parked: bool, out: &mut Vec<Happening>) {
        // Once a second is enough, but for what is sudden.
        self.sudden(t, now, parked, out);
        if self.last.is_some_and(|l| now.since(l) < 1.0) {
            return;
        }
        self.last = Some(now);
        let p = &t.profile.set;
        if let Some(v) = t.signals.get(Channel::BatteryV).filter(|v| *v > p.phases.crank_below_v) {
            self.resting_v = Some(v);
        }
        if !parked {
            return;
        }
        let parked_s = now.since(*self.since.get_or_insert(now));

        if let Some(flip) = self.flip.filter(|f| now.since(*f) > CONTACT_S) {
            self.flip = None;
            // A contact that closes for good bounces too.
            if t.switch().1.since(flip).abs() > CONTACT_S {
                self.name(SpoilerKind::Slam, flip, out, || {
                    "the switch flipped for less than its hold time: a slammed door or a gust; such flips do not count"
                        .into()
                });
            }
        }

        if parked_s > 1.0
            && let Some(on) = t.last_purge_on().filter(|on| now.since(*on) < FRESH_S)
        {
            self.name(SpoilerKind::FreshCanister, now, out, || {
                format!(
                    "purge ran until {:.0} s before: the canister may take vapour up, which draws a little vacuum of its own",
                    now.since(on)
                )
            });
        }
        // A sleeping controller answers nobody; one that answers again was woken.
        let asleep = t.signals.stale(Channel::EngineRpm) || t.signals.stale(Channel::CoolantC);
        if self.asleep && !asleep {
            self.name(SpoilerKind::Woke, now, out, || {
                "the controller answers again while the vehicle is parked: a door or the key woke it".into()
            });
        }
        self.asleep = asleep;

        if parked_s > 40.0
            && let Some(level) = t.signals.get(Channel::FuelLevelPct).and(t.level.settled)
        {
            let base = *self.level.get_or_insert(level);
            if level - base >= p.spoilers.refuel_step_pct {
                self.level = Some(level);
                self.name(SpoilerKind::Refuelled, now, out, || {
                    format!("fuel level rose from {base:.1} to {level:.1} %: fuel was added")
                });
            } else if level < base {
                self.level = Some(level);
            }
        }

        let wall = t.signals.get(Channel::TankSkinC).or_else(|| t.signals.get(Channel::AmbientC));
        if let Some(c) = wall {
            let low = self.coolest_c.map_or(c, |l| l.min(c));
            self.coolest_c = Some(low);
            if c - low >= p.spoilers.warming_k {
                self.name(SpoilerKind::Warming, now, out, || {
                    format!("the tank's surroundings warmed by {:.1} K from {low:.1} °C", c - low)
                });
            }
        }

        if let Some(kpa) = t.signals.get(Channel::BaroKpa) {
            let base = *self.baro_pa.get_or_insert(kpa * 1e3);
            let moved = kpa * 1e3 - base;
            if moved.abs() >= p.spoilers.baro_swing_pa {
                let (kind, how) = if moved > 0.0 {
                    (SpoilerKind::BarometerRose, "rose: that looks like vacuum")
                } else {
                    (SpoilerKind::BarometerFell, "fell: that hides vacuum")
                };
                self.name(kind, now, out, || format!("barometer moved by {moved:+.0} Pa since parking; it {how}"));
            }
        }

        if let Some(v) = t.signals.get(Channel::BatteryV) {
            // Surface charge is gone after a quarter of an hour (common practice).
            if v >= p.spoilers.maintainer_above_v && parked_s > 900.0 {
                let since = *self.high_supply_since.get_or_insert(now);
                if now.since(since) > 120.0 {
                    self.name(SpoilerKind::Maintainer, now, out, || {
                        format!("supply stands at {v:.1} V long after key-off: a battery maintainer is connected")
                    });
                }
            } else {
                self.high_supply_since = None;
            }
            if v < p.soak.battery_stop_v && parked_s > 120.0 {
                let since = *self.low_supply_since.get_or_insert(now);
                if now.since(since) > 60.0 {
                    self.name(SpoilerKind::BatteryLow, now, out, || {
                        format!("battery at rest is down to {v:.1} V: stop the overnight tap or connect a maintainer")
                    });
                }
            } else {
                self.low_supply_since = None;
            }
        }

        if let (Some((pressure, e)), Some(c)) = (t.pressure_pa(), wall) {
            let (p0, c0) = *self.pressure_start.get_or_insert((pressure, c));
            if pressure - p0 > 60.0 + e && c < c0 - 0.5 {
                self.name(SpoilerKind::RisingPressure, now, out, || {
                    format!(
                        "pressure rose by {:.0} Pa while the tank cooled: fuel still evaporates into the headspace",
                        pressure - p0
                    )
                });
            }
        }
    }

    /// Vacuum or pressure that is gone at once, with the vent sealed: somebody opened the cap.
    fn sudden(&mut self, t: &Timeline, now: Stamp, parked: bool, out: &mut Vec<Happening>) {
        let Some((raw, zero_error)) = t.pressure_pa() else { return };
        // A second's mean, as noise is not an opened cap.
        let dt = self.smooth_at.map_or(f64::INFINITY, |at| now.since(at)).max(0.0);
        self.smooth_at = Some(now);
        let gain = (dt / SMOOTH_S).min(1.0);
        let pressure = self.smooth_pa.map_or(raw, |s| s + (raw - s) * gain);
        self.smooth_pa = Some(pressure);
        let e = zero_error + 2.0 * t.pressure_noise_pa();
        let window = t.profile.set.spoilers.sudden_s;
        // A vent that opens, or a key that is just being turned on, explains it.
        if t.vent.state() != Some(Vent::Sealed) || t.key.raw() == Some(true) {
            self.before = None;
            self.before_that = None;
            self.gone = None;
            self.smooth_pa = None;
            return;
        }
        if let Some((at, before)) = self.gone {
            if pressure.abs() > 0.1 * before.abs() + e.min(40.0) {
                // It came back: a gust or a slammed door.
                self.gone = None;
            } else if now.since(at) >= GONE_S {
                self.gone = None;
                self.name(SpoilerKind::OpenedTank, at, out, || {
                    format!("{before:.0} Pa in the sealed tank was gone at once: the cap was opened, or the vent moved")
                });
            }
        }
        if parked && let Some((at, before)) = self.before_that {
            let was_gone = before.abs() >= 80.0 + e && pressure.abs() <= 0.1 * before.abs() + e.min(40.0);
            if was_gone && now.since(at) <= 4.0 * window.max(1.0) {
                self.gone.get_or_insert((now, before));
            }
        }
        if self.before.is_none_or(|(at, _)| now.since(at) >= window) {
            self.before_that = self.before;
            self.before = Some((now, pressure));
        }
    }

    /// The switch flipped for less than its hold time.
    pub fn bounce(&mut self, now: Stamp) {
        self.flip.get_or_insert(now);
    }

    fn name(&mut self, kind: SpoilerKind, at: Stamp, out: &mut Vec<Happening>, text: impl FnOnce() -> String) {
        // Fuel may be added and the cap opened more than once; the others are said once a stretch.
        let again = matches!(kind, SpoilerKind::Refuelled);
        if again || !self.named.contains(&kind) {
            self.named.push(kind);
            out.push(Happening::Spoiler(Spoiler { kind, at, text: text() }));
        }
    }
}
