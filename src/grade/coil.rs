//! The solenoid's current: what it holds with, what flows when it is off, its peak at pull-in, and what is wrong.

use super::draft::Draft;
use super::levels::Levels;
use crate::channel::Channel;
use crate::time::Stamp;
use crate::timeline::Timeline;

/// Currents so far.
#[derive(Debug, Clone, Default)]
pub struct Coil {
    last: Option<Stamp>,
    commanded_since: Option<Stamp>,
    released_since: Option<Stamp>,
    hold_a: Levels,
    off_a: Levels,
    peak_a: f64,
    peaks: u32,
    fault: Option<(Stamp, String)>,
}

impl Coil {
    /// New values, or time passed.
    pub fn step(&mut self, t: &Timeline) {
        let now = t.now();
        if self.last == Some(now) {
            return;
        }
        self.last = Some(now);
        let p = &t.profile.set;
        let command = t.signals.get(Channel::VentSolenoid).map(|v| v >= 0.5);
        let Some(amps) = t.signals.get(Channel::SolenoidA) else { return };
        // Cells of one row may come some milliseconds apart.
        let sampled = t.signals.last(Channel::SolenoidA).map_or(now, |l| l.1.plus(0.2));
        if let Some(peak) = t.signals.get(Channel::SolenoidPeakA)
            && peak > p.solenoid.on_above_a
        {
            self.peak_a = self.peak_a.max(peak);
            self.peaks += 1;
        }
        let on = command.unwrap_or(amps >= p.solenoid.on_above_a);
        if on {
            self.released_since = None;
            let since = *self.commanded_since.get_or_insert(now);
            if now.since(since) > 1.0 && sampled >= since {
                self.hold_a.add(amps);
                self.judge(t, now);
            }
        } else {
            self.commanded_since = None;
            let since = *self.released_since.get_or_insert(now);
            // What flowed before the command changed says nothing about it.
            if now.since(since) > 1.0 && sampled >= since {
                self.off_a.add(amps);
                self.judge(t, now);
            }
        }
    }

    /// Judges the medians now and then, so that one odd sample fails nothing.
    fn judge(&mut self, t: &Timeline, now: Stamp) {
        let s = &t.profile.set.solenoid;
        let n = self.hold_a.count() + self.off_a.count();
        if self.fault.is_some() || !n.is_multiple_of(20) {
            return;
        }
        let fault = match (self.hold_a.median(), self.off_a.median()) {
            (Some(a), _) if self.hold_a.count() >= 20 && a < s.off_below_a => {
                Some(format!("commanded on, it draws {a:.2} A: open coil, feed or ground"))
            }
            (Some(a), _) if self.hold_a.count() >= 20 && a < s.hold_low_a => Some(format!(
                "it holds with {a:.2} A, less than {:.2} A: high resistance in feed, coil or ground",
                s.hold_low_a
            )),
            (Some(a), _) if self.hold_a.count() >= 20 && a > s.hold_high_a => Some(format!(
                "it holds with {a:.2} A, more than {:.2} A: shorted turns, or the chopped hold is missing",
                s.hold_high_a
            )),
            (_, Some(a)) if self.off_a.count() >= 20 && a > s.on_above_a => {
                Some(format!("not commanded, {a:.2} A still flow: the driver or the feed is shorted"))
            }
            _ => None,
        };
        if let Some(text) = fault {
            self.fault = Some((now, text));
        }
    }

    /// What is wrong with its mean current, since when.
    pub fn fault(&self) -> Option<&(Stamp, String)> {
        self.fault.as_ref()
    }

    /// Seen long enough both on and off.
    pub fn seen(&self) -> bool {
        self.hold_a.count() >= 10 && self.off_a.count() >= 10
    }

    /// Seen at least once both on and off.
    pub fn begun(&self) -> bool {
        self.hold_a.count() > 0 && self.off_a.count() > 0
    }

    /// Its peak at pull-in, A, if one was recorded.
    pub fn pull_in_a(&self) -> Option<f64> {
        (self.peaks > 0).then_some(self.peak_a)
    }

    /// What it holds with, A; 0 if that was not seen.
    pub fn holds_with_a(&self) -> f64 {
        self.hold_a.median().unwrap_or(0.0)
    }

    /// What flows when it is off, A; 0 if that was not seen.
    pub fn off_a(&self) -> f64 {
        self.off_a.median().unwrap_or(0.0)
    }

    /// The currents as evidence.
    pub fn note(&self, d: &mut Draft) {
        d.note("hold_a", self.hold_a.median());
        d.note("off_a", self.off_a.median());
        d.note("pull_in_a", self.pull_in_a());
    }
}
