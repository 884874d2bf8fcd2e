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
    /// One, or two that hang on the same vehicle.
    lines: Vec<SerialLine>,
    next_row_us: i64,
    next_full_us: i64,
    restart_us: Option<i64>,
    solenoid: bool,
}

/// An adapter and what comes of its bytes.
#[derive(Debug, Clone)]
struct SerialLine {
    adapter: Adapter,
    dice: Dice,
    ready: VecDeque<(Stamp, Vec<u8>, Truth)>,
    last: Stamp,
    truth: Truth,
    drop_outs: bool,
    silent_until_us: i64,
    next_outage_us: i64,
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
        Ok(Player::with_plan(&Plan::parse(scenario)?, seed, tap, 1))
    }

    /// The same day for two adapters on one vehicle, the first without a tap, the second with it: each says what it
    /// says on a day of its own, since a tap changes nothing of the vehicle. See [`Player::go_on`].
    pub fn both(scenario: &str, seed: u64) -> Result<Player, Error> {
        Ok(Player::with_taps(&Plan::parse(scenario)?, seed, &[false, true]))
    }

    /// One vehicle and an adapter for each of `taps`, which says whether it has one.
    pub(super) fn with_taps(plan: &Plan, seed: u64, taps: &[bool]) -> Player {
        let mut p = Player::with_plan(plan, seed, false, 1);
        p.lines = taps.iter().flat_map(|tap| Player::with_plan(plan, seed, *tap, 1).lines).collect();
        p
    }

    pub(super) fn with_plan(plan: &Plan, seed: u64, tap: bool, substeps: i64) -> Player {
        let vehicle = Vehicle::new(plan, seed, substeps);
        let parked_us = (vehicle.day.parked_s * 1e6) as i64;
        let mut line = SerialLine {
            adapter: Adapter::new(plan, seed, tap),
            dice: Dice::new(seed, 70),
            ready: VecDeque::new(),
            last: Stamp::ZERO,
            truth: vehicle.truth(),
            drop_outs: plan.drop_outs,
            silent_until_us: 0,
            next_outage_us: if plan.drop_outs { 300_000_000 } else { i64::MAX },
            carried: Vec::new(),
        };
        line.send_header(&vehicle);
        Player {
            restart_us: plan.restart.then_some(parked_us + 9_100_000_000),
            vehicle,
            lines: vec![line],
            next_row_us: NIGHT_US,
            next_full_us: 0,
            solenoid: false,
        }
    }

    /// Plays a step; false at the end of the day. What came of it is asked for by [`Player::heard`].
    pub fn go_on(&mut self) -> bool {
        let more = !self.vehicle.done();
        if more {
            self.advance();
        }
        more
    }

    /// The next chunk that came from the first (0) or the second adapter (1), if there is one yet.
    pub fn heard(&mut self, adapter: usize) -> Option<(Stamp, Vec<u8>, Truth)> {
        self.lines.get_mut(adapter)?.ready.pop_front()
    }

    /// The truth at the moment the last chunk was sent.
    pub fn truth(&self) -> Truth {
        self.lines[0].truth
    }

    /// The adapter's header line, as it is sent again on request.
    pub fn header(&self) -> Vec<u8> {
        self.lines[0].adapter.header().into_bytes()
    }

    /// Key-off in the evening, key-on in the morning and the end, in seconds.
    pub fn timetable(&self) -> (f64, f64, f64) {
        (self.vehicle.day.parked_s, self.vehicle.day.morning_s, self.vehicle.day.ends_s)
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
        let Player { vehicle: v, lines, .. } = self;
        for line in lines.iter_mut() {
            line.adapter.watch(v, (us - before) as f64 * 1e-6);
        }
        if let Some(at) = self.restart_us.filter(|r| us >= *r) {
            // Eight seconds of silence while it boots, then it says its header and begins from nothing.
            if us < at + 8_000_000 {
                self.next_row_us = us + NIGHT_US;
                return;
            }
            self.restart_us = None;
            for line in lines.iter_mut() {
                line.adapter.restart(us);
                line.send_header(v);
            }
            self.next_full_us = us;
        }
        for f in &v.flips {
            for line in lines.iter_mut() {
                if let Some(row) = line.adapter.edge(v, f.at_us, f.closed) {
                    let row = row.as_bytes().to_vec();
                    line.send(v, f.at_us, row);
                }
            }
        }
        // A solenoid that was switched gets its row at once: the pull-in is short.
        let switched = v.now.solenoid != self.solenoid;
        self.solenoid = v.now.solenoid;
        if us >= self.next_row_us || switched {
            let full = us >= self.next_full_us;
            for line in lines.iter_mut() {
                let row = line.adapter.regular(v, full).as_bytes().to_vec();
                line.send(v, us, row);
            }
            let every = self.row_every_us();
            self.next_row_us = (us / every + 1) * every;
            if full {
                let full_every = if every == NIGHT_US { FULL_NIGHT_US } else { FULL_AWAKE_US };
                self.next_full_us = us + full_every;
            }
        }
    }
}

impl SerialLine {
    fn send_header(&mut self, v: &Vehicle) {
        for _ in 0..2 {
            // Spared by the drop-outs: a record alone cannot ask for it again.
            let h = self.adapter.header().into_bytes();
            self.queue(v, v.us(), h);
        }
    }

    /// Queues a line sent at `us`: it is received some milliseconds later, never out of order.
    fn send(&mut self, v: &Vehicle, us: i64, bytes: Vec<u8>) {
        let bytes = if self.drop_outs { self.damage(us, bytes) } else { bytes };
        if !bytes.is_empty() {
            self.queue(v, us, bytes);
        }
    }

    fn queue(&mut self, v: &Vehicle, us: i64, bytes: Vec<u8>) {
        let late =
            0.0015 + 0.003 * self.dice.unit() + if self.dice.unit() < 0.01 { 0.014 * self.dice.unit() } else { 0.0 };
        let at = Stamp(us * 1_000).plus(late).max(Stamp(self.last.0 + 1_000));
        self.last = at;
        self.ready.push_back((at, bytes, v.truth()));
    }

    fn damage(&mut self, us: i64, mut bytes: Vec<u8>) -> Vec<u8> {
        if us >= self.next_outage_us {
            self.silent_until_us = us + (self.dice.between(3.0, 70.0) * 1e6) as i64;
            self.next_outage_us = self.silent_until_us + (self.dice.between(600.0, 7_000.0) * 1e6) as i64;
        }
        if us < self.silent_until_us {
            return Vec::new();
        }
        let mut out = std::mem::take(&mut self.carried);
        let chance = self.dice.unit();
        let place = (self.dice.unit() * bytes.len() as f64) as usize;
        if chance < 0.004 {
            // A flipped bit: the check sum no longer fits.
            bytes[place] ^= 0x04;
        } else if chance < 0.008 {
            let end = (place + 1 + (self.dice.unit() * 40.0) as usize).min(bytes.len());
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
}

impl Iterator for Player {
    type Item = (Stamp, Vec<u8>);

    fn next(&mut self) -> Option<(Stamp, Vec<u8>)> {
        while self.lines[0].ready.is_empty() {
            if !self.go_on() {
                return None;
            }
        }
        let line = &mut self.lines[0];
        let (at, bytes, truth) = line.ready.pop_front()?;
        line.truth = truth;
        Some((at, bytes))
    }
}
