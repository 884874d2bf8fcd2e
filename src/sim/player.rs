//! Plays a day: bytes of the bench adapter, each chunk at the moment it would be received.

use super::Error;
use super::adapter::Adapter;
use super::random::Dice;
use super::scenario::Plan;
use super::vehicle::{Truth, Vehicle};
use crate::time::Stamp;
use std::collections::VecDeque;

/// A simulated day as an iterator over chunks of serial bytes with their time of receipt.
#[derive(Debug, Clone)]
pub struct Player {
    vehicle: Vehicle,
    adapter: Adapter,
    plan: Plan,
    line: Dice,
    ready: VecDeque<(Stamp, Vec<u8>, Truth)>,
    last: Stamp,
    truth: Truth,
    next_row_us: i64,
    next_full_us: i64,
    silent_until_us: i64,
    next_outage_us: i64,
    restart_us: Option<i64>,
    solenoid: bool,
    carried: Vec<u8>,
}

/// Time between rows: around a test, with the key on, at night; and between full rows.
const QUICK_US: i64 = 50_000;
const AWAKE_US: i64 = 100_000;
const NIGHT_US: i64 = 1_000_000;
const FULL_AWAKE_US: i64 = 1_000_000;
const FULL_NIGHT_US: i64 = 10_000_000;

impl Player {
    /// A day of `scenario` (see [`super::scenarios`]) for `seed`; with or without a tank pressure `tap`.
    pub fn new(scenario: &str, seed: u64, tap: bool) -> Result<Player, Error> {
        Ok(Player::with_plan(Plan::parse(scenario)?, seed, tap, 1))
    }

    pub(super) fn with_plan(plan: Plan, seed: u64, tap: bool, substeps: i64) -> Player {
        let vehicle = Vehicle::new(&plan, seed, substeps);
        let adapter = Adapter::new(&plan, seed, tap);
        let parked_us = (vehicle.day.parked_s * 1e6) as i64;
        let restart_us = plan.restart.then_some(parked_us + 9_100_000_000);
        let truth = vehicle.truth();
        let mut p = Player {
            line: Dice::new(seed, 70),
            next_outage_us: if plan.drop_outs { 300_000_000 } else { i64::MAX },
            vehicle,
            adapter,
            plan,
            ready: VecDeque::new(),
            last: Stamp::ZERO,
            truth,
            next_row_us: NIGHT_US,
            next_full_us: 0,
            silent_until_us: 0,
            restart_us,
            solenoid: false,
            carried: Vec::new(),
        };
        p.send_header();
        p
    }

    /// The truth at the moment the last chunk was sent.
    pub fn truth(&self) -> Truth {
        self.truth
    }

    /// The adapter's header line, as it is sent again on request.
    pub fn header(&self) -> Vec<u8> {
        self.adapter.header().into_bytes()
    }

    /// Key-off in the evening, key-on in the morning and the end, in seconds.
    pub fn timetable(&self) -> (f64, f64, f64) {
        (self.vehicle.day.parked_s, self.vehicle.day.morning_s, self.vehicle.day.ends_s)
    }

    fn send_header(&mut self) {
        for _ in 0..2 {
            // Spared by the drop-outs: a record alone cannot ask for it again.
            let h = self.adapter.header().into_bytes();
            self.queue(self.vehicle.us(), h);
        }
    }

    /// Queues a line sent at `us`: it is received some milliseconds later, never out of order.
    fn send(&mut self, us: i64, bytes: Vec<u8>) {
        let bytes = if self.plan.drop_outs { self.damage(us, bytes) } else { bytes };
        if !bytes.is_empty() {
            self.queue(us, bytes);
        }
    }

    fn queue(&mut self, us: i64, bytes: Vec<u8>) {
        let late =
            0.0015 + 0.003 * self.line.unit() + if self.line.unit() < 0.01 { 0.014 * self.line.unit() } else { 0.0 };
        let at = Stamp(us * 1_000).plus(late).max(Stamp(self.last.0 + 1_000));
        self.last = at;
        self.ready.push_back((at, bytes, self.vehicle.truth()));
    }

    fn damage(&mut self, us: i64, mut bytes: Vec<u8>) -> Vec<u8> {
        if us >= self.next_outage_us {
            self.silent_until_us = us + (self.line.between(3.0, 70.0) * 1e6) as i64;
            self.next_outage_us = self.silent_until_us + (self.line.between(600.0, 7_000.0) * 1e6) as i64;
        }
        if us < self.silent_until_us {
            return Vec::new();
        }
        let mut out = std::mem::take(&mut self.carried);
        let chance = self.line.unit();
        let place = (self.line.unit() * bytes.len() as f64) as usize;
        if chance < 0.004 {
            // A flipped bit: the check sum no longer fits.
            bytes[place] ^= 0x04;
        } else if chance < 0.008 {
            let end = (place + 1 + (self.line.unit() * 40.0) as usize).min(bytes.len());
            bytes.drain(place..end);
        } else if chance < 0.010 {
            bytes.truncate(place);
        } else if chance < 0.030 {
            // The rest comes with the next chunk.
            self.carried = bytes.split_off(place);
        }
        out.append(&mut bytes);
        out
    }

    fn row_every_us(&self) -> i64 {
        let v = &self.vehicle;
        if v.now.checking || (v.now.key && v.module.since_command_s() < 4.0) || v.module.since_command_s() < 1.0 {
            QUICK_US
        } else if v.now.key || v.engine.rpm > 1.0 {
            AWAKE_US
        } else {
            NIGHT_US
        }
    }

    fn advance(&mut self) {
        let before = self.vehicle.us();
        self.vehicle.step(self.next_row_us.max(before + 1));
        let us = self.vehicle.us();
        self.adapter.watch(&self.vehicle, (us - before) as f64 * 1e-6);
        if let Some(at) = self.restart_us.filter(|r| us >= *r) {
            // Eight seconds of silence while it boots, then it says its header and begins from nothing.
            if us < at + 8_000_000 {
                self.next_row_us = us + NIGHT_US;
                return;
            }
            self.restart_us = None;
            self.adapter.restart(us);
            self.send_header();
            self.next_full_us = us;
        }
        for i in 0..self.vehicle.flips.len() {
            let f = self.vehicle.flips[i];
            if let Some(row) = self.adapter.edge(&self.vehicle, f.at_us, f.closed) {
                let row = row.as_bytes().to_vec();
                self.send(f.at_us, row);
            }
        }
        // A solenoid that was switched gets its row at once: the pull-in is short.
        let switched = self.vehicle.now.solenoid != self.solenoid;
        self.solenoid = self.vehicle.now.solenoid;
        if us >= self.next_row_us || switched {
            let full = us >= self.next_full_us;
            let row = self.adapter.regular(&self.vehicle, full).as_bytes().to_vec();
            self.send(us, row);
            let every = self.row_every_us();
            self.next_row_us = (us / every + 1) * every;
            if full {
                let full_every = if every == NIGHT_US { FULL_NIGHT_US } else { FULL_AWAKE_US };
                self.next_full_us = us + full_every;
            }
        }
    }
}

impl Iterator for Player {
    type Item = (Stamp, Vec<u8>);

    fn next(&mut self) -> Option<(Stamp, Vec<u8>)> {
        while self.ready.is_empty() {
            if self.vehicle.done() {
                return None;
            }
            self.advance();
        }
        let (at, bytes, truth) = self.ready.pop_front()?;
        self.truth = truth;
        Some((at, bytes))
    }
}
