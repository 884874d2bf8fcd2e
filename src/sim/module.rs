//! The vent-side module: vent valve, leak switch, reliefs, and the three wires.

use super::random::Dice;
use super::scenario::{Plan, SwitchFault, VentFault};

/// A change of the switch's contact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flip {
    /// Microseconds of simulated time.
    pub at_us: i64,
    /// Closed from here on.
    pub closed: bool,
}

/// The module.
#[derive(Debug, Clone)]
pub struct Module {
    fault: SwitchFault,
    vent_fault: VentFault,
    closes_pa: f64,
    reopens_pa: f64,
    /// Opening pressure of the pressure relief, Pa.
    pub pressure_relief_pa: f64,
    /// Opening vacuum of the vacuum relief, Pa.
    pub vacuum_relief_pa: f64,
    vent_mm: f64,
    contact_ohm: f64,
    ground_ohm: f64,
    dice: Dice,
    /// The diaphragm has pulled the contact in.
    drawn: bool,
    /// The contact as it is now, bounce included.
    pub contact: bool,
    ahead: Vec<Flip>,
    /// 0 sealed to 1 open.
    pub valve: f64,
    energised: bool,
    since_command_s: f64,
    rough_ohm: f64,
    rough_left_us: i64,
}

/// Supply of the sense line, V.
const PULL_UP_V: f64 = 5.0;
/// Its resistor, Ω.
const PULL_UP_OHM: f64 = 1_000.0;
/// The adapter's own weak pull-up lifts a dead line by this much, V.
const DEAD_LINE_V: f64 = 0.012;
/// The coil, Ω.
const COIL_OHM: f64 = 8.6;
/// Duration of the full pull-in current, s.
const PULL_IN_S: f64 = 0.12;
/// Time from command to movement, and the movement itself, s.
const VALVE_DELAY_S: f64 = 0.020;
const VALVE_MOVES_S: f64 = 0.018;

impl Module {
    /// A unit drawn from `seed`, with the plan's faults. A vent valve with `rests_open` is sealed by energising it.
    pub fn new(plan: &Plan, seed: u64) -> Module {
        let mut d = Dice::new(seed, 30);
        let closes_pa = d.between(205.0, 295.0);
        let reopens_pa = (closes_pa * d.between(0.50, 0.66)).clamp(104.0, 196.0);
        let pressure_relief_pa = d.between(160.0, 420.0);
        let vacuum_relief_pa = d.between(800.0, 1_650.0);
        let vent_mm = d.between(5.5, 7.5);
        let contact_ohm = d.between(0.2, 2.0);
        let ground_ohm = d.between(0.01, 0.04);
        let [closes_pa, reopens_pa, pressure_relief_pa, vacuum_relief_pa] = match plan.unknowns {
            Some(u) => [u.closes_pa, u.reopens_pa, u.pressure_relief_pa, u.vacuum_relief_pa],
            None => [closes_pa, reopens_pa, pressure_relief_pa, vacuum_relief_pa],
        };
        Module {
            fault: plan.switch,
            vent_fault: plan.vent,
            closes_pa,
            reopens_pa,
            pressure_relief_pa,
            vacuum_relief_pa,
            vent_mm,
            contact_ohm,
            ground_ohm: ground_ohm + plan.ground_ohm,
            dice: Dice::new(seed, 31),
            drawn: false,
            contact: plan.switch == SwitchFault::StuckClosed,
            ahead: Vec::new(),
            valve: 0.0,
            energised: false,
            since_command_s: 1e9,
            rough_ohm: 0.0,
            rough_left_us: 0,
        }
    }

    /// Vacuum at which this unit closes and re-opens, Pa.
    #[cfg(test)]
    pub fn points(&self) -> (f64, f64) {
        (self.closes_pa, self.reopens_pa)
    }

    /// Commands the solenoid.
    pub fn energise(&mut self, on: bool) {
        if on != self.energised {
            self.energised = on;
            self.since_command_s = 0.0;
        }
    }

    /// The solenoid is energised.
    pub fn energised(&self) -> bool {
        self.energised
    }

    /// Seconds since the last command.
    pub fn since_command_s(&self) -> f64 {
        self.since_command_s
    }

    /// Moves the valve on by `dt`; `energised_is_open` says what the solenoid does.
    pub fn move_valve(&mut self, dt: f64, energised_is_open: bool) {
        let before = self.since_command_s;
        self.since_command_s += dt;
        let target = match self.vent_fault {
            VentFault::StuckOpen => 1.0,
            VentFault::NeverOpens => 0.0,
            VentFault::DeadCoil => f64::from(!energised_is_open),
            VentFault::None | VentFault::Path(_) => f64::from(self.energised == energised_is_open),
        };
        if before >= VALVE_DELAY_S + VALVE_MOVES_S || self.vent_fault == VentFault::StuckOpen {
            self.valve = target;
        } else if self.since_command_s > VALVE_DELAY_S {
            let step = (self.since_command_s - before.max(VALVE_DELAY_S)) / VALVE_MOVES_S;
            self.valve += (target - self.valve).clamp(-step, step);
        }
    }

    /// Effective area of the vent path, m².
    pub fn vent_area(&self) -> f64 {
        let mm = match self.vent_fault {
            VentFault::Path(mm) => mm,
            _ => self.vent_mm,
        };
        area_m2(mm) * self.valve
    }

    /// Area of the hole that a torn diaphragm leaves, m².
    pub fn torn_area(&self) -> f64 {
        if self.fault == SwitchFault::Torn { area_m2(1.3) } else { 0.0 }
    }

    /// The diaphragm sees the gauge pressure go from `from` to `to` Pa in the step that ends at `end_us`.
    /// Returns the contact's flips up to then, in order of time.
    pub fn diaphragm(&mut self, from: f64, to: f64, end_us: i64, dt_us: i64, out: &mut Vec<Flip>) {
        let works = matches!(self.fault, SwitchFault::None | SwitchFault::Corroded);
        let level = if self.drawn { -self.reopens_pa } else { -self.closes_pa };
        let crosses = if self.drawn { to > level } else { to < level };
        if works && crosses {
            self.drawn = !self.drawn;
            let share = if (to - from).abs() > 1e-9 { ((level - from) / (to - from)).clamp(0.0, 1.0) } else { 1.0 };
            let at_us = end_us - dt_us + (share * dt_us as f64) as i64;
            self.bounce(at_us);
        }
        let done = self.ahead.iter().take_while(|f| f.at_us <= end_us).count();
        for f in self.ahead.drain(..done) {
            if f.closed != self.contact {
                self.contact = f.closed;
                out.push(f);
            }
        }
        if self.fault == SwitchFault::Corroded {
            self.rough_left_us -= dt_us;
            if self.rough_left_us <= 0 {
                // Oxide on the contact: its resistance wanders by jumps, more often while the contact is loaded.
                self.rough_ohm = 150.0 * libm::exp(self.dice.between(0.0, 3.4));
                self.rough_left_us = (self.dice.between(0.3, 25.0) * 1e6) as i64;
            }
        }
    }

    fn bounce(&mut self, at_us: i64) {
        self.ahead.clear();
        let rough = self.fault == SwitchFault::Corroded;
        let flips = if rough { 9 } else { 1 + 2 * (self.dice.unit() * 3.0) as usize };
        let mut t = at_us;
        for i in 0..flips {
            self.ahead.push(Flip { at_us: t, closed: (i % 2 == 0) == self.drawn });
            t += (self.dice.between(1.5, if rough { 90.0 } else { 11.0 }) * 1e3) as i64;
        }
    }

    /// Current in the solenoid now, A: mean over the chopping, and the peak of it.
    pub fn current(&self, battery_v: f64) -> (f64, f64) {
        if !self.energised || self.vent_fault == VentFault::DeadCoil {
            (0.0, 0.0)
        } else if self.since_command_s < PULL_IN_S {
            let full = battery_v / (COIL_OHM + self.ground_ohm);
            let rise = -libm::expm1(-self.since_command_s / 0.008);
            (full * rise, full * rise)
        } else {
            (0.15, 0.19)
        }
    }

    /// Module ground against battery negative, V.
    pub fn ground_v(&self, solenoid_a: f64, biased: bool) -> f64 {
        let sense_a = if biased && self.contact { PULL_UP_V / (PULL_UP_OHM + self.contact_ohm) } else { 0.0 };
        self.ground_ohm * (solenoid_a + sense_a)
    }

    /// Voltage of the sense line against battery negative, V.
    pub fn sense_v(&self, ground_v: f64, biased: bool) -> f64 {
        if !biased {
            return DEAD_LINE_V + if self.contact { 0.0 } else { 0.004 };
        }
        if !self.contact {
            return PULL_UP_V - 0.015;
        }
        let ohm = self.contact_ohm + if self.fault == SwitchFault::Corroded { self.rough_ohm } else { 0.0 };
        ground_v + (PULL_UP_V - ground_v) * ohm / (PULL_UP_OHM + ohm)
    }
}

/// m² of a round hole of `mm`.
pub fn area_m2(mm: f64) -> f64 {
    crate::units::hole_area_m2(mm)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit(fault: SwitchFault) -> Module {
        let plan = Plan { switch: fault, ..Plan::default() };
        Module::new(&plan, 5)
    }

    #[test]
    fn the_switch_closes_near_one_inch_of_water_and_reopens_lower() {
        // Trade facts: closes about 249 Pa (units 200 to 300), re-opens at a lower vacuum.
        for seed in 0..50 {
            let (c, o) = Module::new(&Plan::default(), seed).points();
            assert!((200.0..300.0).contains(&c) && o < 0.8 * c && o >= 100.0);
        }
    }

    #[test]
    fn edges_are_timed_inside_the_step_and_settle() {
        let mut m = unit(SwitchFault::None);
        let (c, _) = m.points();
        let mut out = Vec::new();
        m.diaphragm(0.0, -2.0 * c, 1_000_000, 1_000_000, &mut out);
        assert!((out[0].at_us - 500_000).abs() < 2 && out[0].closed);
        m.diaphragm(-2.0 * c, -2.0 * c, 2_000_000, 1_000_000, &mut out);
        assert!(m.contact, "settles closed");
        assert!(out.windows(2).all(|w| w[0].at_us < w[1].at_us && w[0].closed != w[1].closed));
    }

    #[test]
    fn a_bad_ground_lifts_the_low_level_by_current_times_resistance() {
        let mut m = Module::new(&Plan { ground_ohm: 3.0, switch: SwitchFault::StuckClosed, ..Plan::default() }, 5);
        m.energise(true);
        m.move_valve(0.1, true);
        let (a, _) = m.current(12.0);
        let g = m.ground_v(a, true);
        assert!(g > 3.0 * a && g < 3.2 * a + 0.1, "{g}");
        assert!(m.sense_v(g, true) > g);
    }

    #[test]
    fn a_stuck_or_torn_switch_does_not_move() {
        for f in [SwitchFault::StuckOpen, SwitchFault::StuckClosed, SwitchFault::Torn] {
            let mut m = unit(f);
            let before = m.contact;
            let mut out = Vec::new();
            m.diaphragm(0.0, -900.0, 1_000_000, 1_000_000, &mut out);
            assert!(out.is_empty() && m.contact == before);
        }
    }
}
