//! The part on the tray: diaphragm switch, vent valve, reliefs, leaks, and its three wires.

use super::super::random::Dice;
use super::scenario::{Plan, Switch, Vent};
use crate::units::hole_area_m2;

/// A change of the contact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flip {
    /// Microseconds of simulated time.
    pub at_us: i64,
    /// Closed from here on.
    pub closed: bool,
}

/// What is true of this unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// The switch closes at this vacuum, Pa; none if it does not work.
    pub closes_pa: Option<f64>,
    /// And re-opens at this one, Pa.
    pub reopens_pa: Option<f64>,
    /// The pressure relief opens and closes again at, Pa above the room.
    pub pressure_relief_pa: (f64, f64),
    /// The vacuum relief opens and closes again at, Pa below the room.
    pub vacuum_relief_pa: (f64, f64),
    /// Hole of diaphragm and seals, sharp-edged, mm.
    pub hole_mm: f64,
    /// The open vent path, mm.
    pub vent_mm: f64,
}

/// A spring-loaded valve that lifts at one pressure and falls back at a lower one.
#[derive(Debug, Clone, Copy)]
struct Relief {
    opens_pa: f64,
    closes_pa: f64,
    /// Seat's bore, mm.
    bore_mm: f64,
    /// Pressure from the closing point to full lift, Pa.
    span_pa: f64,
    /// 0 shut to 1.
    lift: f64,
}

impl Relief {
    fn follow(&mut self, over_pa: f64, dt: f64) {
        let lifted = self.lift > 0.0;
        let wanted = if over_pa > self.opens_pa || (lifted && over_pa > self.closes_pa) {
            ((over_pa - self.closes_pa) / self.span_pa).min(1.0)
        } else {
            0.0
        };
        self.lift += (wanted - self.lift) * -libm::expm1(-dt / 0.006);
        if wanted == 0.0 && self.lift < 1e-4 {
            self.lift = 0.0;
        }
    }

    fn area(&self) -> f64 {
        self.lift * hole_area_m2(self.bore_mm)
    }
}

/// The module.
#[derive(Debug, Clone)]
pub struct Part {
    unit: Unit,
    switch: Switch,
    vent: Vent,
    closes_pa: f64,
    reopens_pa: f64,
    reliefs: [Relief; 2],
    ground_ohm: f64,
    contact_ohm: f64,
    pull_up_ohm: f64,
    supply_v: f64,
    dice: Dice,
    /// What the diaphragm feels, Pa: it follows the pressure within some milliseconds.
    felt_pa: f64,
    drawn: bool,
    /// The contact as it is now, bounce included.
    pub contact: bool,
    ahead: Vec<Flip>,
    /// 0 sealed to 1 open.
    valve: f64,
    energised: bool,
    since_command_s: f64,
    coil_a: f64,
    rough_ohm: f64,
    rough_left_s: f64,
    flutter_left_s: f64,
}

/// Supply of the sense line, V.
const PULL_UP_V: f64 = 5.0;
/// A sound coil, Ω: about 1.5 A from 12 V (trade facts, from memory).
const COIL_OHM: f64 = 8.6;
/// A coil with most of its turns shorted, Ω.
const SHORTED_OHM: f64 = 1.6;
/// Resistance of the tray's supply and its fuse, Ω.
const SUPPLY_OHM: f64 = 0.12;
/// Full current for so long, s; then chopped to this share of the time.
const PULL_IN_S: f64 = 0.12;
const HOLD_SHARE: f64 = 0.104;
/// From command to movement, and the movement itself, s.
const VALVE_DELAY_S: f64 = 0.020;
const VALVE_MOVES_S: f64 = 0.018;
/// Rise of the coil's current, s.
const COIL_S: f64 = 0.008;
/// The diaphragm's lag, s.
const FELT_S: f64 = 0.004;

impl Part {
    /// A unit drawn from `seed`, with the plan's faults.
    pub fn new(plan: &Plan, seed: u64) -> Part {
        let mut d = Dice::new(seed, 130);
        let closes_pa = plan.closes_pa.map_or(d.between(222.0, 278.0), |(low, high)| d.between(low, high));
        let reopens_pa = closes_pa * d.between(0.52, 0.66);
        let drawn = (d.between(170.0, 420.0), d.between(850.0, 1_600.0));
        let gap = (d.between(0.80, 0.93), d.between(0.82, 0.94));
        let relief = |opens_pa: f64, share: f64, bore_mm| Relief {
            opens_pa,
            closes_pa: opens_pa * share,
            bore_mm,
            span_pa: 0.45 * opens_pa,
            lift: 0.0,
        };
        let reliefs = [
            relief(plan.pressure_relief_pa.unwrap_or(drawn.0), gap.0, 5.0),
            relief(plan.vacuum_relief_pa.unwrap_or(drawn.1), gap.1, 4.0),
        ];
        let vent_mm = d.between(5.5, 7.0);
        let vent_mm = if let Vent::Path(mm) = plan.vent { mm } else { vent_mm };
        let works = matches!(plan.switch, Switch::Sound | Switch::Corroded | Switch::Chatters);
        let torn_mm = if plan.switch == Switch::Torn { TORN_MM } else { 0.0 };
        let unit = Unit {
            closes_pa: works.then_some(closes_pa),
            reopens_pa: works.then_some(reopens_pa),
            pressure_relief_pa: (reliefs[0].opens_pa, reliefs[0].closes_pa),
            vacuum_relief_pa: (reliefs[1].opens_pa, reliefs[1].closes_pa),
            hole_mm: plan.hole_mm.max(torn_mm),
            vent_mm,
        };
        Part {
            unit,
            switch: plan.switch,
            vent: plan.vent,
            closes_pa,
            reopens_pa,
            reliefs,
            ground_ohm: d.between(0.01, 0.04) + if plan.bad_ground { d.between(2.4, 3.4) } else { 0.0 },
            contact_ohm: d.between(0.2, 2.0),
            pull_up_ohm: d.between(990.0, 1_010.0),
            supply_v: d.between(12.2, 12.8),
            dice: Dice::new(seed, 131),
            felt_pa: 0.0,
            drawn: false,
            contact: plan.switch == Switch::StuckClosed,
            ahead: Vec::new(),
            valve: f64::from(plan.vent == Vent::NeverSeals),
            energised: false,
            since_command_s: 1e9,
            coil_a: 0.0,
            rough_ohm: 200.0,
            rough_left_s: 0.0,
            flutter_left_s: 0.0,
        }
    }

    /// What is true of it.
    pub fn unit(&self) -> Unit {
        self.unit
    }

    /// Switches the solenoid.
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

    /// The vent valve, 0 sealed to 1 open.
    pub fn valve(&self) -> f64 {
        self.valve
    }

    /// Something of it moves, so that steps must be short.
    pub fn stirs(&self) -> bool {
        self.since_command_s < 0.3 || self.reliefs.iter().any(|r| r.lift > 0.0)
    }

    /// Areas of what is open to the room, m².
    pub fn openings(&self) -> [f64; 4] {
        let vent = hole_area_m2(self.unit.vent_mm) * self.valve;
        [hole_area_m2(self.unit.hole_mm), vent, self.reliefs[0].area(), self.reliefs[1].area()]
    }

    /// A step to `end_us` under the gauge pressure `pa`; flips of the contact go to `out` in order of time.
    pub fn step(&mut self, pa: f64, end_us: i64, dt: f64, out: &mut Vec<Flip>) {
        self.move_valve(dt);
        self.reliefs[0].follow(pa, dt);
        self.reliefs[1].follow(-pa, dt);
        let full_a = self.full_a();
        self.coil_a += (if self.energised { full_a } else { 0.0 } - self.coil_a) * -libm::expm1(-dt / COIL_S);
        let before = self.felt_pa;
        self.felt_pa += (pa - before) * -libm::expm1(-dt / FELT_S);
        self.diaphragm(before, end_us, dt);
        let done = self.ahead.iter().take_while(|f| f.at_us <= end_us).count();
        for f in self.ahead.drain(..done) {
            if f.closed != self.contact {
                self.contact = f.closed;
                out.push(f);
            }
        }
        if self.switch == Switch::Corroded {
            self.rough_left_s -= dt;
            if self.rough_left_s <= 0.0 {
                // Oxide on the contact: its resistance wanders by jumps.
                self.rough_ohm = 130.0 * libm::exp(self.dice.between(0.0, 2.6));
                self.rough_left_s = self.dice.between(0.2, 6.0);
            }
        }
    }

    fn move_valve(&mut self, dt: f64) {
        let before = self.since_command_s;
        self.since_command_s += dt;
        let target = match self.vent {
            Vent::NeverSeals => 1.0,
            Vent::NeverOpens | Vent::CoilOpen | Vent::CoilShort => 0.0,
            Vent::Sound | Vent::Path(_) => f64::from(self.energised),
        };
        if before >= VALVE_DELAY_S + VALVE_MOVES_S || self.vent == Vent::NeverSeals {
            self.valve = target;
        } else if self.since_command_s > VALVE_DELAY_S {
            let step = (self.since_command_s - before.max(VALVE_DELAY_S)) / VALVE_MOVES_S;
            self.valve += (target - self.valve).clamp(-step, step);
        }
    }

    fn diaphragm(&mut self, before: f64, end_us: i64, dt: f64) {
        if !matches!(self.switch, Switch::Sound | Switch::Corroded | Switch::Chatters) {
            return;
        }
        let level = if self.drawn { -self.reopens_pa } else { -self.closes_pa };
        let crosses = if self.drawn { self.felt_pa > level } else { self.felt_pa < level };
        if crosses {
            self.drawn = !self.drawn;
            let way = self.felt_pa - before;
            let share = if way.abs() > 1e-9 { ((level - before) / way).clamp(0.0, 1.0) } else { 1.0 };
            self.bounce(end_us - ((1.0 - share) * dt * 1e6) as i64);
            self.flutter_left_s = self.dice.between(0.03, 0.2);
        } else if self.switch == Switch::Chatters && self.drawn {
            // A weak contact: within a quarter of its points it lets go again and again.
            let near = -self.felt_pa > 0.75 * self.reopens_pa && -self.felt_pa < 1.25 * self.closes_pa;
            self.flutter_left_s -= dt;
            if near && self.flutter_left_s <= 0.0 && self.ahead.is_empty() {
                let off_us = (self.dice.between(4.0, 45.0) * 1e3) as i64;
                self.ahead.push(Flip { at_us: end_us, closed: false });
                self.ahead.push(Flip { at_us: end_us + off_us, closed: true });
                self.flutter_left_s = off_us as f64 * 1e-6 + self.dice.between(0.02, 0.35);
            }
        }
    }

    fn bounce(&mut self, at_us: i64) {
        self.ahead.clear();
        let rough = self.switch == Switch::Corroded;
        let flips = if rough { 7 } else { 1 + 2 * (self.dice.unit() * 3.0) as usize };
        let mut t = at_us;
        for i in 0..flips {
            self.ahead.push(Flip { at_us: t, closed: (i % 2 == 0) == self.drawn });
            t += (self.dice.between(0.6, if rough { 14.0 } else { 3.0 }) * 1e3) as i64;
        }
    }

    fn coil_ohm(&self) -> Option<f64> {
        match self.vent {
            Vent::CoilOpen => None,
            Vent::CoilShort => Some(SHORTED_OHM),
            _ => Some(COIL_OHM),
        }
    }

    fn full_a(&self) -> f64 {
        self.coil_ohm().map_or(0.0, |ohm| self.supply_v / (ohm + self.ground_ohm + SUPPLY_OHM))
    }

    /// Current in the solenoid now, A: mean over the chopping, and its peak.
    pub fn current(&self) -> (f64, f64) {
        if self.energised && self.since_command_s >= PULL_IN_S {
            let mean = HOLD_SHARE * self.full_a();
            (mean, 1.25 * mean)
        } else if self.energised {
            (self.coil_a, self.coil_a)
        } else {
            (0.0, 0.0)
        }
    }

    /// The tray's supply under load, V.
    pub fn supply_v(&self) -> f64 {
        self.supply_v - SUPPLY_OHM * self.current().0
    }

    /// Module ground against the supply's negative, V.
    pub fn ground_v(&self) -> f64 {
        let sense_a = if self.contact { PULL_UP_V / self.pull_up_ohm } else { 0.0 };
        self.ground_ohm * (self.current().0 + sense_a)
    }

    /// Sense line against the supply's negative with the contact as given, V.
    pub fn sense_v(&self, closed: bool) -> f64 {
        if !closed {
            return PULL_UP_V - 0.015;
        }
        let ohm = self.contact_ohm + if self.switch == Switch::Corroded { self.rough_ohm } else { 0.0 };
        let ground = self.ground_v();
        ground + (PULL_UP_V - ground) * ohm / (self.pull_up_ohm + ohm)
    }
}

/// Hole of a torn diaphragm, mm.
const TORN_MM: f64 = 1.3;

#[cfg(test)]
mod tests {
    use super::*;

    fn part(word: &str) -> Part {
        Part::new(&Plan::parse(word).expect("a scenario"), 5)
    }

    /// Leads the part from 0 to `to` Pa and back in `s` seconds each; gives the flips with the pressure of each.
    fn ramp(p: &mut Part, to: f64, s: f64) -> Vec<(bool, f64)> {
        let (mut out, mut all, n) = (Vec::new(), Vec::new(), (s * 2_000.0) as i64);
        for i in 1..=2 * n {
            let pa = to * if i <= n { i as f64 } else { (2 * n - i) as f64 } / n as f64;
            p.step(pa, i * 500, 0.0005, &mut out);
            all.extend(out.drain(..).map(|f| (f.closed, pa)));
        }
        all
    }

    #[test]
    fn a_sound_switch_closes_and_reopens_at_its_points() {
        let mut p = part("tray-good");
        let (closes, reopens) = (p.unit().closes_pa.expect("works"), p.unit().reopens_pa.expect("works"));
        let flips = ramp(&mut p, -500.0, 20.0);
        let first = flips.iter().find(|f| f.0).expect("closes");
        let last = flips.iter().rfind(|f| !f.0).expect("opens");
        assert!((first.1 + closes).abs() < 1.0 && (last.1 + reopens).abs() < 1.0, "{flips:?}");
        assert!(flips.len() <= 10 && reopens < 0.7 * closes);
    }

    #[test]
    fn faulty_switches_are_faulty() {
        for (word, closed) in
            [("tray-switch-stuck-open", false), ("tray-torn", false), ("tray-switch-stuck-closed", true)]
        {
            let mut p = part(word);
            assert!(ramp(&mut p, -900.0, 5.0).is_empty() && p.contact == closed, "{word}");
        }
        assert!(ramp(&mut part("tray-chatter"), -500.0, 20.0).len() > 20);
    }

    #[test]
    fn currents_follow_ohm() {
        // 12.2 to 12.8 V over 8.6 Ω, supply and ground: about 1.4 A; a bad ground takes its share (Ohm's law).
        let full = |word| {
            let mut p = part(word);
            p.energise(true);
            let mut peak: f64 = 0.0;
            let mut ground: f64 = 0.0;
            for i in 1..=400 {
                p.step(0.0, i * 500, 0.0005, &mut Vec::new());
                peak = peak.max(p.current().1);
                ground = ground.max(p.ground_v());
            }
            (peak, p.current().0, ground)
        };
        let good = full("tray-good");
        assert!((1.35..1.5).contains(&good.0) && (0.13..0.16).contains(&good.1) && good.2 < 0.1, "{good:?}");
        let bad = full("tray-ground-resistance");
        assert!((0.95..1.2).contains(&bad.0) && bad.2 / bad.0 > 2.4, "{bad:?}");
        assert!(full("tray-coil-short").0 > 5.0 && full("tray-coil-open").0 == 0.0);
    }
}
