//! What the engine controller keeps: its own verdict on the vapour system as codes, monitor results, readiness and
//! counters. All of it follows from what it saw itself, the sealed check and the state of the switch after a night.
//!
//! Its memory was cleared some days before, after a repair; the vapour monitor has not run since. A code is pending
//! after the first trip on which its monitor failed, and stored, permanent and with the lamp on after the second.

use super::live;
use super::seen::Seen;
use crate::sim::random::Dice;
use crate::time::Stamp;

/// A code and what is known of it.
#[derive(Debug, Clone, Copy)]
pub struct Code {
    /// SAE J2012, as its two bytes.
    pub word: u16,
    /// The trip on which its monitor failed first.
    since: u16,
    /// It failed on a second trip.
    pub stored: bool,
    /// What stood when it came.
    pub then: Seen,
}

/// The memory.
#[derive(Debug, Clone)]
pub struct Memory {
    van: u8,
    km: f64,
    km_at_lamp: Option<f64>,
    warm_ups: u8,
    starts: u16,
    trip: u16,
    warmed: bool,
    codes: Vec<Code>,
    judged_s: f64,
    on_this_trip: bool,
    last: Option<(Stamp, Seen)>,
    dead_coil_s: f64,
    stuck_s: f64,
}

/// A hold must last so long for each 40 L of vapour, s: by the controller's own calibration at 0.020 and 0.040 in. Own
/// choice: a fast orifice decay from 500 to about 150 Pa takes about 53 and 13 s there (computed, Cd 0.6).
const HOLD_020_S: f64 = 42.0;
const HOLD_040_S: f64 = 12.5;
/// The switch (the sensor's target) must answer a pull within this, s.
const PULL_S: f64 = 24.0;
/// Nights without closure that make a code.
const OPEN_NIGHTS: u16 = 6;
/// A monitor of a circuit needs so long, s.
const COIL_S: f64 = 2.0;
const STUCK_S: f64 = 60.0;

impl Memory {
    /// Of the van that `seed` gives.
    pub fn new(seed: u64) -> Memory {
        let mut d = Dice::new(seed, 90);
        Memory {
            van: 1 + (seed % 12) as u8,
            km: d.between(60.0, 240.0),
            km_at_lamp: None,
            warm_ups: d.between(4.0, 9.0) as u8,
            starts: d.between(8.0, 25.0) as u16,
            trip: 0,
            warmed: false,
            codes: Vec::new(),
            judged_s: -1.0,
            on_this_trip: false,
            last: None,
            dead_coil_s: 0.0,
            stuck_s: 0.0,
        }
    }

    /// The vehicle at a moment; moments do not run backwards.
    pub fn observe(&mut self, at: Stamp, seen: &Seen) {
        let Some((before, was)) = self.last.replace((at, *seen)) else { return };
        let dt = at.since(before).clamp(0.0, 2.0);
        self.km += was.kph * dt / 3_600.0;
        if seen.key && !was.key {
            self.trip += 1;
            (self.warmed, self.on_this_trip) = (false, false);
            (self.dead_coil_s, self.stuck_s) = (0.0, 0.0);
        }
        if seen.coolant_c > 70.0 && seen.runs() && !self.warmed {
            self.warmed = true;
            self.warm_ups = self.warm_ups.saturating_add(1);
        }
        if seen.key && seen.solenoid && was.solenoid && seen.solenoid_a < 0.03 {
            self.dead_coil_s += dt;
            if self.dead_coil_s > COIL_S {
                self.failed(0x0447, seen);
            }
        }
        // With the vent commanded open and the engine running for long, nothing should hold the switch.
        let held = seen.runs() && seen.solenoid && seen.switch_closed() == Some(true);
        self.stuck_s = if held { self.stuck_s + dt } else { 0.0 };
        if self.stuck_s > STUCK_S {
            self.failed(0x0452, seen);
        }
        if let Some(check) = seen.story.check.filter(|c| c.at_s > self.judged_s) {
            self.judged_s = check.at_s;
            self.on_this_trip = true;
            if !check.answered || check.pull_s > PULL_S {
                self.failed(0x0455, seen);
            } else if check.lost && check.hold_s < limit_s(HOLD_040_S, check.level_pct, seen) {
                self.failed(0x0442, seen);
            } else if check.lost && check.hold_s < limit_s(HOLD_020_S, check.level_pct, seen) {
                self.failed(0x0456, seen);
            }
        }
    }

    fn failed(&mut self, word: u16, seen: &Seen) {
        match self.codes.iter_mut().find(|c| c.word == word) {
            Some(c) if c.since < self.trip && !c.stored => {
                c.stored = true;
                self.km_at_lamp.get_or_insert(self.km);
            }
            Some(_) => {}
            None => self.codes.push(Code { word, since: self.trip, stored: false, then: *seen }),
        }
    }

    /// The codes, in the order in which they came.
    pub fn codes(&self) -> &[Code] {
        &self.codes
    }

    fn vapour_done(&self) -> bool {
        self.judged_s > 0.0
    }

    /// PID 01: lamp and number of stored codes; monitors there are, and those not complete since the memory was cleared.
    pub fn status(&self) -> [u8; 4] {
        let stored = self.codes.iter().filter(|c| c.stored).count().min(127) as u8;
        let lamp = if stored > 0 { 0x80 } else { 0 };
        [lamp | stored, CONTINUOUS, THERE, if self.vapour_done() { 0 } else { VAPOUR }]
    }

    /// PID 41: the same on this trip.
    pub fn this_trip(&self, seen: &Seen) -> [u8; 4] {
        // Fuel and components are watched all the time; catalyst and oxygen sensors some minutes after the start.
        let others = if seen.running_s > 400.0 { 0 } else { THERE & !VAPOUR };
        [0, CONTINUOUS, THERE, others | if self.on_this_trip { 0 } else { VAPOUR }]
    }

    /// Warm-ups since the memory was cleared.
    pub fn warm_ups(&self) -> u8 {
        self.warm_ups
    }

    /// Distance since then, km.
    pub fn since_clear_km(&self) -> f64 {
        self.km
    }

    /// Distance with the lamp on, km.
    pub fn lamp_km(&self) -> f64 {
        self.km_at_lamp.map_or(0.0, |at| self.km - at)
    }

    /// The monitors of service 06 there are: cap off, 0.040 in, 0.020 in, purge flow.
    pub fn has_monitor(id: u8) -> bool {
        matches!(id, 0x39 | 0x3B | 0x3C | 0x3D)
    }

    /// Results of a monitor, each test's identifier, scaling, value, least and most; all zero as long as it has not run.
    pub fn results(&self, id: u8, seen: &Seen) -> Vec<[u8; 8]> {
        let check = seen.story.check.filter(|_| self.vapour_done());
        let tenths = |s: f64| (s * 10.0).round().clamp(0.0, 65_535.0) as u16;
        let pull = |test| match check {
            Some(c) => row(test, TENTHS_S, tenths(c.pull_s), 0, tenths(PULL_S)),
            None => row(test, TENTHS_S, 0, 0, 0),
        };
        let hold = |test, each| match check {
            Some(c) if c.answered => {
                row(test, TENTHS_S, tenths(c.hold_s), tenths(limit_s(each, c.level_pct, seen)), 65_535)
            }
            // A pull without an answer leaves nothing to hold.
            _ => row(test, TENTHS_S, 0, 0, 0),
        };
        match id {
            0x39 => vec![pull(0x81)],
            0x3B => vec![hold(0x82, HOLD_040_S)],
            0x3C => {
                let nights = match seen.story.closed_after_night {
                    Some(closed) => row(0x84, COUNTS, u16::from(!closed), 0, OPEN_NIGHTS),
                    None => row(0x84, COUNTS, 0, 0, 0),
                };
                let mut all = vec![hold(0x83, HOLD_020_S)];
                if seen.sense_v.is_some() {
                    all.push(nights);
                }
                all
            }
            0x3D => vec![pull(0x85)],
            _ => Vec::new(),
        }
    }

    /// In-use counters of service 09 InfoType 08 (spark ignition, 20 of two bytes each): general conditions, starts, then
    /// completions and conditions of catalysts, oxygen sensors, EGR, air, vapour and secondary oxygen sensors.
    pub fn counters(&self, seen: &Seen) -> Vec<u8> {
        let starts = self.starts + seen.story.starts;
        let others = self.starts / 2;
        let mut all = [0u16; 20];
        (all[0], all[1]) = (others, starts);
        (all[2], all[3]) = (others.saturating_sub(1), others);
        (all[6], all[7]) = (others, others);
        all[14] = u16::from(self.vapour_done());
        all[15] = seen.story.chances;
        (all[16], all[17]) = (others, others);
        all.iter().flat_map(|n| n.to_be_bytes()).collect()
    }

    /// Invented: its first letters belong to no maker.
    pub fn vin(&self) -> [u8; 17] {
        let mut vin = *b"HARB0URLANEVAN000";
        (vin[15], vin[16]) = (b'0' + self.van / 10, b'0' + self.van % 10);
        vin
    }
}

fn limit_s(each_40_l: f64, level_pct: f64, seen: &Seen) -> f64 {
    // Vapour room: a tank of 60 L and 10 L of ullage, canister and lines.
    let litres = 60.0 * (1.0 - level_pct / 100.0) + 10.0;
    // A sensor's pull goes on to 900 Pa, from where the decay takes longer (computed: 1.7 times).
    each_40_l * litres / 40.0 * if seen.tank_pa.is_some() { 1.7 } else { 1.0 }
}

fn row(test: u8, scaling: u8, value: u16, least: u16, most: u16) -> [u8; 8] {
    let ([v, w], [l, m], [n, o]) = (value.to_be_bytes(), least.to_be_bytes(), most.to_be_bytes());
    [test, scaling, v, w, l, m, n, o]
}

/// Monitors of PID 01 (SAE J1979, from memory): misfire, fuel and components complete; spark ignition.
const CONTINUOUS: u8 = 0x07;
/// Catalyst, vapour, oxygen sensors and their heaters.
const THERE: u8 = 0x65;
const VAPOUR: u8 = 0x04;
/// Unit and scaling numbers of service 06: tenths of a second, counts.
const TENTHS_S: u8 = 0x11;
const COUNTS: u8 = 0x24;

/// A PID of the freeze frame: what stood when the first code came.
pub fn frozen(pid: u8, memory: &Memory) -> Option<Vec<u8>> {
    let code = memory.codes.first()?;
    match pid {
        0x02 => Some(code.word.to_be_bytes().to_vec()),
        _ => then(pid, code, memory),
    }
}

/// A PID as it stood when a code came. Monitor states and counters are no part of it.
fn then(pid: u8, code: &Code, memory: &Memory) -> Option<Vec<u8>> {
    let kept = matches!(pid, 0x03..=0x0F | 0x1F | 0x2E | 0x2F | 0x32 | 0x33 | 0x42 | 0x46);
    live::engine(pid, &code.then, memory).filter(|_| kept)
}

/// The record of a code by SAE J1979-2: its number, how many identifiers, and these with their bytes.
pub fn snapshot(code: &Code, memory: &Memory) -> Vec<u8> {
    let all: Vec<Vec<u8>> =
        (0x03..=0x46).filter_map(|pid| Some([&[0xF4, pid][..], &then(pid, code, memory)?].concat())).collect();
    [vec![0x00, all.len() as u8], all.concat()].concat()
}
