//! Plays a run on the tray: transducer, rows and notes, each at the moment it would be received.

use super::super::Error;
use super::super::play::Said;
use super::super::random::{Dice, Drift};
use super::super::row::Rows;
use super::bottle::{Bottle, Room};
use super::hand::{Hand, Sees};
use super::part::{Flip, Part, Unit};
use super::scenario::Plan;
use super::{Rig, Truth};
use crate::channel::Channel;
use crate::time::Stamp;
use crate::units::hole_area_m2;
use std::collections::VecDeque;

const COLUMNS: [Channel; 10] = [
    Channel::AmbientC,
    Channel::BaroKpa,
    Channel::BatteryV,
    Channel::VentSolenoid,
    Channel::LeakSwitch,
    Channel::SwitchSenseV,
    Channel::SolenoidA,
    Channel::SolenoidPeakA,
    Channel::GroundV,
    Channel::TankPressurePa,
];

/// Rows at 50 Hz; one a second has every cell filled.
const ROW_US: i64 = 20_000;
const FULL_US: i64 = 1_000_000;
/// The longest and shortest step of the physics.
const STEP_US: i64 = 2_000;
const SHORT_US: i64 = 500;
const SHORTEST_US: i64 = 20;
/// The bleed valve, mm, and the time in which a finger opens it, s.
const BLEED_MM: f64 = 4.0;
const BLEED_S: f64 = 0.06;
/// Gas in the hose and the part, m³.
const HOSE_M3: f64 = 0.000_02;
/// Below this the adapter calls the line closed, above the other open, and between it keeps its word, V.
const CLOSED_BELOW_V: f64 = 1.5;
const OPEN_ABOVE_V: f64 = 3.0;
/// The transducer's range, Pa.
const RANGE_PA: f64 = 5_000.0;

/// What the transducer makes of the pressure.
#[derive(Debug, Clone)]
struct Transducer {
    zero_pa: f64,
    wander: Drift,
    gain: f64,
    lag_s: f64,
    noise_pa: f64,
    step_pa: f64,
    shows_pa: f64,
}

/// A run on the tray as an iterator over what is heard and noted, with its time.
#[derive(Debug, Clone)]
pub struct TrayPlayer {
    part: Part,
    hand: Hand,
    bottle: Bottle,
    bottle_m3: f64,
    rig_hole_mm: f64,
    orifice_error: f64,
    bleed: f64,
    baro: Drift,
    baro_pa: f64,
    warmth: Drift,
    warm_k: f64,
    touch: Drift,
    transducer: Transducer,
    rows: Rows,
    dice: Dice,
    line: Dice,
    word: Option<bool>,
    charge: f64,
    peak: f64,
    window_s: f64,
    us: i64,
    flips: Vec<Flip>,
    next_row_us: i64,
    next_full_us: i64,
    ready: VecDeque<(Stamp, Said, Truth)>,
    last: Stamp,
    truth: Truth,
}

impl TrayPlayer {
    /// A run of `scenario` (see [`super::scenarios`]) for `seed`; without a `tap` there is no transducer on the rig.
    pub fn new(scenario: &str, seed: u64, tap: bool) -> Result<TrayPlayer, Error> {
        let plan = Plan::parse(scenario)?;
        let mut d = Dice::new(seed, 120);
        let bottle_m3 = plan.bottle_l * 1e-3 * d.between(0.97, 1.03);
        let baro_pa = d.between(96_500.0, 102_500.0);
        let warm_k = d.between(290.0, 297.0);
        let film = d.between(0.5, 1.4);
        let transducer = Transducer {
            zero_pa: d.between(-6.0, 6.0),
            wander: Drift::new(seed, 121, 180.0, 0.4),
            gain: d.between(0.995, 1.005),
            lag_s: d.between(0.008, 0.025),
            noise_pa: 1.2 * plan.noise,
            step_pa: 1.25,
            shows_pa: 0.0,
        };
        let columns = COLUMNS.into_iter().filter(|c| tap || *c != Channel::TankPressurePa).collect();
        let rows = Rows::new(columns, (d.between(2.0, 5_000.0) * 1e6) as i64, d.between(-60.0, 60.0));
        let orifice_error = d.between(0.98, 1.02);
        let hand = Hand::new(&plan, seed);
        let room = Room { air_k: warm_k, baro_pa, hand_w: 0.0 };
        let m3 = bottle_m3 + HOSE_M3 + hand.syringe_ml() * 1e-6;
        let mut p = TrayPlayer {
            part: Part::new(&plan, seed),
            bottle: Bottle::at_rest(m3, film, room),
            bottle_m3,
            rig_hole_mm: plan.rig_hole_mm,
            orifice_error,
            bleed: 1.0,
            baro: Drift::new(seed, 122, 400.0, 6.0),
            baro_pa,
            warmth: Drift::new(seed, 123, 300.0, 0.08),
            warm_k,
            touch: Drift::new(seed, 124, 25.0, 0.02),
            transducer,
            rows,
            dice: Dice::new(seed, 125),
            line: Dice::new(seed, 126),
            word: None,
            charge: 0.0,
            peak: 0.0,
            window_s: 0.0,
            us: 0,
            flips: Vec::new(),
            next_row_us: ROW_US,
            next_full_us: 0,
            ready: VecDeque::new(),
            last: Stamp::ZERO,
            truth: Truth {
                t_s: 0.0,
                pressure_pa: 0.0,
                contact_closed: false,
                vent_open: 0.0,
                solenoid: false,
                rig: hand.rig,
                volume_m3: m3,
            },
            hand,
        };
        for _ in 0..2 {
            let header = p.header();
            p.send(header);
        }
        Ok(p)
    }

    /// What is true of the part that is tried.
    pub fn unit(&self) -> Unit {
        self.part.unit()
    }

    /// The truth at the moment of what was given last.
    pub fn truth(&self) -> Truth {
        self.truth
    }

    /// The adapter's header line, as it is sent again on request.
    pub fn header(&self) -> Vec<u8> {
        self.rows.header().into_bytes()
    }

    fn room(&self) -> Room {
        let t = self.us as f64 * 1e-6;
        Room {
            air_k: self.warm_k + self.warmth.at(t),
            baro_pa: self.baro_pa + self.baro.at(t),
            hand_w: self.touch.at(t).max(0.0),
        }
    }

    fn now(&self) -> Truth {
        Truth {
            t_s: self.us as f64 * 1e-6,
            pressure_pa: self.bottle.pa() - self.room().baro_pa,
            contact_closed: self.part.contact,
            vent_open: self.part.valve(),
            solenoid: self.part.energised(),
            rig: self.hand.rig,
            volume_m3: self.bottle.m3,
        }
    }

    /// A line is received some milliseconds after it was sent, never out of order.
    fn send(&mut self, bytes: Vec<u8>) {
        let late = 0.0015 + 0.003 * self.line.unit();
        let at = Stamp(self.us * 1_000).plus(late).max(Stamp(self.last.0 + 1_000));
        self.queue(at, Said::Bytes(bytes));
    }

    fn queue(&mut self, at: Stamp, said: Said) {
        self.last = at;
        self.ready.push_back((at, said, self.now()));
    }

    fn advance(&mut self) {
        let room = self.room();
        let rig_hole = hole_area_m2(self.rig_hole_mm);
        let on_rig = match self.hand.rig {
            Rig::Module => self.part.openings(),
            // Its reliefs blow into the vent-side port too.
            Rig::VentPlugged => [self.part.openings()[0], 0.0, 0.0, 0.0],
            Rig::Sealed => [0.0; 4],
            Rig::Orifice(mm) => [hole_area_m2(mm * self.orifice_error), 0.0, 0.0, 0.0],
        };
        let bleed = hole_area_m2(BLEED_MM) * self.bleed;
        let areas = [rig_hole, bleed, on_rig[0], on_rig[1], on_rig[2], on_rig[3]];
        let calm = if self.part.stirs() || (0.001..0.999).contains(&self.bleed) { SHORT_US } else { STEP_US };
        let inflow = self.bottle.inflow(room, &areas);
        let steady_us = (self.bottle.steady_s(room, inflow) * 1e6).min(1e6) as i64;
        let to_row = self.next_row_us - self.us;
        let dt_us = calm.min(steady_us.max(SHORTEST_US)).min(to_row.max(1));
        let dt = dt_us as f64 * 1e-6;

        let gauge = self.bottle.pa() - room.baro_pa;
        let sees = Sees { pa: gauge, baro_pa: room.baro_pa, m3: self.bottle.m3, closed: self.part.contact };
        let told = self.hand.step(dt, sees);
        self.part.energise(self.hand.energised);
        let finger = dt / BLEED_S;
        self.bleed += (f64::from(self.hand.bleed) - self.bleed).clamp(-finger, finger);
        let m3 = self.bottle_m3 + HOSE_M3 + self.hand.syringe_ml() * 1e-6;
        self.bottle.step(dt, m3, room, inflow);
        self.us += dt_us;
        let gauge = self.bottle.pa() - room.baro_pa;
        let at_part = if matches!(self.hand.rig, Rig::Module | Rig::VentPlugged) { gauge } else { 0.0 };
        let mut flips = std::mem::take(&mut self.flips);
        self.part.step(at_part, self.us, dt, &mut flips);
        let t = &mut self.transducer;
        t.shows_pa += (gauge - t.shows_pa) * -libm::expm1(-dt / t.lag_s);
        let (mean, peak) = self.part.current();
        self.charge += mean * dt;
        self.window_s += dt;
        self.peak = self.peak.max(peak);

        if let Some(rig) = told {
            let at = Stamp(self.us * 1_000).max(Stamp(self.last.0 + 1_000));
            self.queue(at, Said::Note(rig.note()));
        }
        for f in flips.drain(..) {
            self.edge(f);
        }
        self.flips = flips;
        if self.us >= self.next_row_us {
            self.regular();
            self.next_row_us = (self.us / ROW_US + 1) * ROW_US;
        }
    }

    fn hear(&mut self, sense_v: f64) {
        if sense_v < CLOSED_BELOW_V {
            self.word = Some(true);
        } else if sense_v > OPEN_ABOVE_V {
            self.word = Some(false);
        }
    }

    /// A row of its own for a flip of the contact, if the sense line shows it.
    fn edge(&mut self, flip: Flip) {
        let sense = self.part.sense_v(flip.closed) + 0.004 * self.dice.normal();
        let before = self.word;
        self.hear(sense);
        let Some(word) = self.word.filter(|_| self.word != before) else { return };
        self.rows.begin(flip.at_us);
        for i in 0..self.rows.len() {
            self.rows.cell();
            match self.rows.column(i) {
                c @ Channel::LeakSwitch => self.rows.put(c, f64::from(word), 1.0, 0, true),
                c @ Channel::SwitchSenseV => self.rows.put(c, sense, 0.01, 2, true),
                _ => {}
            }
        }
        let row = self.rows.end().as_bytes().to_vec();
        self.send(row);
    }

    fn regular(&mut self) {
        let full = self.us >= self.next_full_us;
        if full {
            self.next_full_us = self.us + FULL_US;
        }
        let room = self.room();
        let mean = if self.window_s > 0.0 { self.charge / self.window_s } else { 0.0 };
        let peak = self.peak;
        (self.charge, self.window_s, self.peak) = (0.0, 0.0, 0.0);
        let sense = self.part.sense_v(self.part.contact) + 0.004 * self.dice.normal();
        self.hear(sense);
        let t = &self.transducer;
        let shows = (t.shows_pa * t.gain + t.zero_pa + t.wander.at(self.us as f64 * 1e-6)).clamp(-RANGE_PA, RANGE_PA);
        let (noise_pa, step_pa) = (t.noise_pa, t.step_pa);
        self.rows.begin(self.us);
        for i in 0..self.rows.len() {
            let c = self.rows.column(i);
            self.rows.cell();
            let n = self.dice.normal();
            // Value, resolution, decimals.
            let (value, step, decimals) = match c {
                Channel::AmbientC => (room.air_k - 273.15 + 0.03 * n, 0.1, 1),
                Channel::BaroKpa => ((room.baro_pa + 2.5 * n) * 1e-3, 0.01, 2),
                Channel::BatteryV => (self.part.supply_v() + 0.006 * n, 0.01, 2),
                Channel::VentSolenoid => (f64::from(self.part.energised()), 1.0, 0),
                Channel::LeakSwitch => match self.word {
                    Some(word) => (f64::from(word), 1.0, 0),
                    None => continue,
                },
                Channel::SwitchSenseV => (sense.max(0.0), 0.01, 2),
                Channel::SolenoidA => ((mean + 0.0015 * n).max(0.0), 0.001, 3),
                Channel::SolenoidPeakA => ((peak + 0.003 * n).max(0.0), 0.001, 3),
                Channel::GroundV => ((self.part.ground_v() + 0.0015 * n).max(0.0), 0.001, 3),
                _ => (shows + noise_pa * n, step_pa, 2),
            };
            self.rows.put(c, value, step, decimals, full);
        }
        let row = self.rows.end().as_bytes().to_vec();
        self.send(row);
    }
}

impl Iterator for TrayPlayer {
    type Item = (Stamp, Said);

    fn next(&mut self) -> Option<(Stamp, Said)> {
        while self.ready.is_empty() {
            if self.hand.done() {
                return None;
            }
            self.advance();
        }
        let (at, said, truth) = self.ready.pop_front()?;
        self.truth = truth;
        Some((at, said))
    }
}
