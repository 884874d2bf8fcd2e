//! The driver's day and the engine controller: keys, ordinary purge, the sealed check, and what happens at key-off.

use super::engine::Duty;
use super::random::{Dice, Drift};
use super::scenario::Bias;
use super::scenario::{Fill, Plan};

/// One trip, times in seconds of the day.
#[derive(Debug, Clone, Copy)]
pub struct Trip {
    /// Key on.
    pub on_s: f64,
    /// Starter.
    pub crank_s: f64,
    /// On the road from here
    pub drive_from_s: f64,
    /// to here.
    pub drive_to_s: f64,
    /// Key off.
    pub off_s: f64,
}

/// Fuel added, or the cap opened.
#[derive(Debug, Clone, Copy)]
pub struct Fuelling {
    /// Cap opened.
    pub from_s: f64,
    /// Cap closed; fuel flows between, but for the first and last 20 s.
    pub to_s: f64,
    /// m³.
    pub m3: f64,
    /// Share of the vapour that the wind carries off meanwhile.
    pub air_out: f64,
}

/// The day's timetable.
#[derive(Debug, Clone)]
pub struct Day {
    /// In order.
    pub trips: Vec<Trip>,
    /// Fuelling, if any.
    pub fuelling: Option<Fuelling>,
    /// The evening's last key-off.
    pub parked_s: f64,
    /// The morning's key-on.
    pub morning_s: f64,
    /// End of the record.
    pub ends_s: f64,
}

impl Day {
    /// The timetable of `seed`.
    pub fn new(plan: &Plan, seed: u64) -> Day {
        let mut d = Dice::new(seed, 50);
        let on = 60.0;
        let whole = |v: f64| v.round();
        let mut trip = |on_s: f64, idle_s: f64, drive_s: f64| {
            let crank_s = on_s + whole(d.between(2.0, 5.0));
            let drive_from_s = on_s + idle_s;
            let drive_to_s = drive_from_s + drive_s;
            Trip { on_s, crank_s, drive_from_s, drive_to_s, off_s: drive_to_s + 45.0 }
        };
        let mut trips = Vec::new();
        let mut fuelling = None;
        let evening = if plan.fill == Fill::BeforeParking {
            let first = trip(on, 40.0, 1_080.0);
            trips.push(first);
            let from_s = first.off_s + 40.0;
            fuelling = Some(Fuelling { from_s, to_s: from_s + 200.0, m3: 0.018, air_out: 0.5 });
            trip(from_s + 250.0, 20.0, 180.0)
        } else {
            trip(on, 60.0, 1_380.0)
        };
        trips.push(evening);
        let parked_s = evening.off_s;
        if plan.fill == Fill::AtNight {
            let from_s = parked_s + 7_200.0;
            fuelling = Some(Fuelling { from_s, to_s: from_s + 220.0, m3: 0.018, air_out: 0.3 });
        }
        let morning_s = parked_s + 39_600.0;
        let morning = trip(morning_s, 385.0, 420.0);
        trips.push(morning);
        Day { trips, fuelling, parked_s, morning_s, ends_s: morning.off_s + 150.0 }
    }
}

/// What the controller sees.
#[derive(Debug, Clone, Copy)]
pub struct Inputs {
    /// Coolant, °C.
    pub coolant_c: f64,
    /// Outside air, °C.
    pub air_c: f64,
    /// Level, %.
    pub level_pct: f64,
    /// V.
    pub battery_v: f64,
    /// Pa.
    pub baro_pa: f64,
    /// The engine has run so long, s.
    pub running_s: f64,
    /// Sense line, V.
    pub sense_v: f64,
    /// Tank pressure sensor, Pa gauge.
    pub tank_pa: f64,
}

/// What it commands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Commands {
    /// Key.
    pub key: bool,
    /// Engine.
    pub duty: Duty,
    /// Vent solenoid.
    pub solenoid: bool,
    /// Purge valve, 0 to 1.
    pub purge: f64,
    /// The controller is awake and its channels can be read.
    pub awake: bool,
    /// Pull-up on the sense line.
    pub biased: bool,
    /// A sealed check runs.
    pub checking: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Check {
    Waiting,
    Sealing(f64),
    Pull { since: f64, seen: Option<f64> },
    Hold { since: f64, seen: bool, gone: Option<f64> },
    Done,
}

/// What a sealed check came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OwnCheck {
    /// When it ended, s.
    pub at_s: f64,
    /// From the start of the pull to the response; to its end if there was none, s.
    pub pull_s: f64,
    /// The switch closed (the sensor fell to its target).
    pub answered: bool,
    /// From the end of the pull to the loss of vacuum; to the end of the hold if it stood, s.
    pub hold_s: f64,
    /// The vacuum was lost within the hold.
    pub lost: bool,
    /// Fuel level, %.
    pub level_pct: f64,
}

/// What the controller has seen and counted since its memory was cleared: the ground of its own word.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Story {
    /// Starts of the engine.
    pub starts: u16,
    /// Trips on which the sealed check could run.
    pub chances: u16,
    /// The last sealed check.
    pub check: Option<OwnCheck>,
    /// Whether the switch was closed at the key-on after a night.
    pub closed_after_night: Option<bool>,
}

/// The controller.
#[derive(Debug, Clone)]
pub struct Controller {
    day: Day,
    sensor_vehicle: bool,
    bias: Bias,
    trip: usize,
    cold_start: bool,
    check: Check,
    check_after_s: f64,
    check_purge: f64,
    extra_s: f64,
    purge_high: f64,
    low_since: Option<f64>,
    speed: Drift,
    stop_start: bool,
    woken: bool,
    pulled_s: f64,
    /// What it has to tell.
    pub story: Story,
    out: Commands,
}

/// A stop so long is a night, s.
const NIGHT_S: f64 = 21_600.0;
/// Sealed pull gives up after this, s.
const PULL_LIMIT_S: f64 = 25.0;
/// Sealed hold ends after this, s.
const HOLD_LIMIT_S: f64 = 110.0;
/// The hold after a pull without response, s.
const HOLD_BLIND_S: f64 = 20.0;
/// The controller stays awake after key-off, s.
const AFTER_RUN_S: f64 = 8.0;
/// The same where it runs a key-off test of its own.
const KEY_OFF_TEST_S: f64 = 2_100.0;
/// When a door wakes the controller, and for how long, s.
const WOKEN_AFTER_S: f64 = 10_800.0;
const WOKEN_FOR_S: f64 = 45.0;
/// Vacuum at which a pressure-sensor vehicle ends its pull, Pa.
const SENSOR_TARGET_PA: f64 = 900.0;

impl Controller {
    /// For this day.
    pub fn new(plan: &Plan, day: Day, seed: u64) -> Controller {
        let mut d = Dice::new(seed, 51);
        Controller {
            day,
            sensor_vehicle: plan.sensor_vehicle,
            bias: plan.bias,
            trip: 0,
            cold_start: false,
            check: Check::Waiting,
            check_after_s: d.between(140.0, 200.0),
            check_purge: d.between(0.10, 0.14),
            extra_s: d.between(2.0, 3.5),
            purge_high: d.between(0.20, 0.34),
            low_since: None,
            speed: Drift::new(seed, 52, 28.0, 17.0),
            stop_start: plan.stop_start,
            woken: plan.woken,
            pulled_s: 0.0,
            story: Story::default(),
            out: Commands {
                key: false,
                duty: Duty::Off,
                solenoid: false,
                purge: 0.0,
                awake: false,
                biased: plan.bias == Bias::Always,
                checking: false,
            },
        }
    }

    /// The next moment at which the driver does something, s.
    pub fn next_act_s(&self, t: f64) -> f64 {
        let key =
            self.day.trips.iter().flat_map(|p| [p.on_s, p.crank_s, p.crank_s + 1.0, p.off_s, p.off_s + AFTER_RUN_S]);
        let cap = self.day.fuelling.iter().flat_map(|f| [f.from_s, f.from_s + 20.0, f.to_s - 20.0, f.to_s]);
        key.chain(cap).chain([self.day.ends_s]).filter(|s| *s > t + 1e-7).fold(f64::INFINITY, f64::min)
    }

    /// Commands at `t` seconds.
    pub fn command(&mut self, t: f64, see: Inputs) -> Commands {
        while self.trip + 1 < self.day.trips.len() && t >= self.day.trips[self.trip + 1].on_s - 1e-7 {
            self.trip += 1;
        }
        let trip = self.day.trips[self.trip];
        let key = t >= trip.on_s - 1e-7 && t < trip.off_s - 1e-7;
        if key && !self.out.key {
            self.cold_start = see.coolant_c - see.air_c < 5.6;
            self.check = Check::Waiting;
            let night = self.trip > 0 && trip.on_s - self.day.trips[self.trip - 1].off_s > NIGHT_S;
            if night && !self.sensor_vehicle {
                self.story.closed_after_night = Some(see.sense_v < 2.0);
            }
        }
        let cranked = self.out.duty == Duty::Crank;
        let last_off = if self.trip == 0 && t < trip.on_s {
            None
        } else if t < trip.on_s {
            Some(self.day.trips[self.trip - 1].off_s)
        } else if key {
            None
        } else {
            Some(trip.off_s)
        };
        self.out.key = key;
        self.out.duty = if !key {
            Duty::Off
        } else if t < trip.crank_s - 1e-7 {
            Duty::KeyOn
        } else if t < trip.crank_s + 1.0 {
            Duty::Crank
        } else {
            match self.halt(t, trip) {
                Some(s) if (14.0..42.0).contains(&s) => Duty::KeyOn,
                Some(s) if (42.0..42.7).contains(&s) => Duty::Crank,
                _ => Duty::Run(self.road_speed(t, trip)),
            }
        };
        // A stop at a halt is no start of its own.
        if self.out.duty == Duty::Crank && !cranked && t < trip.crank_s + 1.0 {
            self.story.starts += 1;
        }
        self.out.purge = 0.0;
        self.out.checking = false;
        if key {
            self.out.awake = true;
            self.out.biased = true;
            self.out.solenoid = !self.sensor_vehicle;
            if let Duty::Run(kph) = self.out.duty {
                self.run(t, kph, see);
            }
        } else {
            let since = last_off.map_or(f64::INFINITY, |off| t - off);
            let awake_s = if self.sensor_vehicle { KEY_OFF_TEST_S } else { AFTER_RUN_S };
            let roused = self.woken && (t - self.day.parked_s - WOKEN_AFTER_S).abs() < WOKEN_FOR_S / 2.0;
            self.out.awake = since < awake_s || roused;
            self.out.biased = since < AFTER_RUN_S
                || roused
                || match self.bias {
                    Bias::Always => true,
                    Bias::Pulsed => (t - 60.0 * (t / 60.0).floor()) < 3.0,
                    Bias::None => false,
                };
            // Pressure phase, a short vent, then the vacuum phase.
            self.out.solenoid = self.sensor_vehicle
                && since < KEY_OFF_TEST_S
                && ((10.0..700.0).contains(&since) || (760.0..KEY_OFF_TEST_S - 5.0).contains(&since));
        }
        self.out
    }

    /// Seconds into a halt with the engine stopped, where the vehicle does so.
    fn halt(&self, t: f64, trip: Trip) -> Option<f64> {
        let on_road = t - trip.drive_from_s;
        let s = on_road - 300.0 * (on_road / 300.0).floor() - 240.0;
        (self.stop_start && on_road > 0.0 && t < trip.drive_to_s && s >= 0.0).then_some(s)
    }

    fn road_speed(&self, t: f64, trip: Trip) -> f64 {
        let (a, b) = (t - trip.drive_from_s, trip.drive_to_s - t);
        if a <= 0.0 || b <= 0.0 {
            return 0.0;
        }
        let cruise = (34.0 + self.speed.at(t)).clamp(0.0, 90.0);
        let moving = cruise.min(2.2 * a).min(2.5 * b);
        match self.halt(t, trip) {
            Some(s) => moving.min((30.0 - 2.5 * s).max(2.2 * (s - 46.0)).max(0.0)),
            None => moving,
        }
    }

    fn run(&mut self, t: f64, kph: f64, see: Inputs) {
        self.low_since = if see.sense_v < 2.0 { Some(self.low_since.unwrap_or(t)) } else { None };
        let closed = if self.sensor_vehicle {
            see.tank_pa < -SENSOR_TARGET_PA
        } else {
            self.low_since.is_some_and(|s| t - s >= 0.05)
        };
        let open = if self.sensor_vehicle { see.tank_pa > -150.0 } else { !closed };
        let windows = self.cold_start
            && (4.4..=35.0).contains(&see.air_c)
            && (15.0..=85.0).contains(&see.level_pct)
            && see.battery_v > 11.0
            && see.baro_pa > 75_000.0;
        self.check = match self.check {
            Check::Waiting if see.running_s >= self.check_after_s => {
                if windows && kph < 1.0 {
                    self.story.chances += 1;
                    Check::Sealing(t)
                } else {
                    Check::Done
                }
            }
            Check::Sealing(since) if t - since >= 2.0 => Check::Pull { since: t, seen: None },
            Check::Pull { since, seen } => {
                let seen = seen.or(closed.then_some(t));
                let until = seen.map_or(since + PULL_LIMIT_S, |s| s) + self.extra_s;
                if t >= until {
                    self.pulled_s = seen.unwrap_or(t) - since;
                    Check::Hold { since: t, seen: seen.is_some(), gone: None }
                } else {
                    Check::Pull { since, seen }
                }
            }
            Check::Hold { since, seen, gone } => {
                let gone = gone.or((seen && open).then_some(t));
                let until = gone.map_or(since + if seen { HOLD_LIMIT_S } else { HOLD_BLIND_S }, |g| g + 3.0);
                if t >= until {
                    self.story.check = Some(OwnCheck {
                        at_s: t,
                        pull_s: self.pulled_s,
                        answered: seen,
                        hold_s: gone.unwrap_or(t) - since,
                        lost: gone.is_some(),
                        level_pct: see.level_pct,
                    });
                    Check::Done
                } else {
                    Check::Hold { since, seen, gone }
                }
            }
            other => other,
        };
        match self.check {
            Check::Waiting | Check::Done => {
                // Ordinary purge with the vent open, once the mixture control is warm.
                let phase = t - 90.0 * (t / 90.0).floor();
                if see.coolant_c > 40.0 && see.running_s > 75.0 && phase < 76.0 {
                    self.out.purge = self.purge_high * (phase / 12.0).min(1.0);
                }
            }
            Check::Sealing(_) | Check::Pull { .. } | Check::Hold { .. } => {
                self.out.checking = true;
                self.out.solenoid = self.sensor_vehicle;
                if matches!(self.check, Check::Pull { .. }) {
                    self.out.purge = self.check_purge;
                }
            }
        }
    }
}
