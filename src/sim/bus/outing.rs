//! A day of the vehicle with its network, on simulated time.

use super::super::scenario::Plan;
use super::super::vehicle::{Truth, Vehicle};
use super::super::{Error, is_tray};
use super::path::{Fault, Path};
use super::{Network, Seen, Standard};
use crate::time::Stamp;
use crate::wire::can_frame::Frame;

/// The vehicle and its network: frames go in, time goes on, frames come out.
#[derive(Debug, Clone)]
pub struct Outing {
    vehicle: Vehicle,
    path: Path,
}

impl Outing {
    /// The day `seed` of `scenario` (see [`crate::sim::scenarios`]) on a vehicle that answers by `standard`, with
    /// `faults` in the path.
    pub fn new(scenario: &str, seed: u64, standard: Standard, faults: &[Fault]) -> Result<Outing, Error> {
        if is_tray(scenario) {
            return Err(Error::NoBus { given: scenario.to_owned() });
        }
        let vehicle = Vehicle::new(&Plan::parse(scenario)?, seed, 1);
        let mut path = Path::new(Network::new(standard, seed), faults, seed);
        path.network.see(Stamp::ZERO, &Seen::of(&vehicle));
        Ok(Outing { vehicle, path })
    }

    /// Simulated time so far.
    pub fn now(&self) -> Stamp {
        Stamp(self.vehicle.us() * 1_000)
    }

    /// The day is over.
    pub fn done(&self) -> bool {
        self.vehicle.done()
    }

    /// The truth now.
    pub fn truth(&self) -> Truth {
        self.vehicle.truth()
    }

    /// Key-off in the evening, key-on in the morning and the end, in seconds.
    pub fn timetable(&self) -> (f64, f64, f64) {
        (self.vehicle.day.parked_s, self.vehicle.day.morning_s, self.vehicle.day.ends_s)
    }

    /// By which standard the vehicle answers.
    pub fn standard(&self) -> Standard {
        self.path.network.standard()
    }

    /// The network, as it stands behind its path.
    pub fn network(&self) -> &Network {
        &self.path.network
    }

    /// A frame of somebody else on the bus, at `at`, which is not before now.
    pub fn frame(&mut self, at: Stamp, frame: &Frame) {
        self.path.frame(at.max(self.now()), frame);
    }

    /// Lets the day go on until a frame comes, or until `until`, when nothing comes back. The day's end ends it too.
    pub fn next(&mut self, until: Stamp) -> Option<(Stamp, Frame)> {
        loop {
            if let Some(came) = self.path.next(self.now().min(until)) {
                return Some(came);
            }
            if self.now() >= until || self.done() {
                return None;
            }
            let due = self.path.due().unwrap_or(until).min(until);
            // Up to the microsecond behind it.
            self.vehicle.step((due.0.div_euclid(1_000) + 1).max(self.vehicle.us() + 1));
            self.path.network.see(self.now(), &Seen::of(&self.vehicle));
        }
    }
}
