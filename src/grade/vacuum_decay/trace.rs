//! The pressure after purge-off, as means over times that grow with the decay.

use crate::time::Stamp;
use std::collections::VecDeque;

/// Shortest mean, s, and its length as a share of the time since purge-off: a decay slows down as it goes.
const SHORTEST_S: f64 = 0.2;
const LENGTH: f64 = 0.08;
/// The last pressure is a mean over so long, s.
const LAST_S: f64 = 0.5;

/// A mean.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mean {
    /// About this capture time, s.
    pub(super) at_s: f64,
    pub(super) pa: f64,
    /// Since the last point of the mean before, s.
    pub(super) lasted_s: f64,
}

/// The trace.
#[derive(Debug, Clone)]
pub(super) struct Trace {
    start: Stamp,
    /// Last point of the last whole mean.
    from: Stamp,
    /// Of the mean under way: end, last point, sums of times since `start` and of pressures, and their number.
    until: Stamp,
    at: Stamp,
    sums: (f64, f64),
    points: u32,
    recent: VecDeque<(Stamp, f64)>,
    recent_sum: f64,
}

impl Trace {
    /// From purge-off.
    pub(super) fn new(start: Stamp) -> Trace {
        Trace {
            start,
            from: start,
            until: start,
            at: start,
            sums: (0.0, 0.0),
            points: 0,
            recent: VecDeque::new(),
            recent_sum: 0.0,
        }
    }

    /// Takes a point; gives the mean that it ends.
    pub(super) fn add(&mut self, at: Stamp, pa: f64) -> Option<Mean> {
        let whole = if at >= self.until { self.rest() } else { None };
        let s = at.since(self.start);
        if self.points == 0 {
            self.until = at.plus((LENGTH * s).max(SHORTEST_S));
        }
        self.sums = (self.sums.0 + s, self.sums.1 + pa);
        self.points += 1;
        self.at = at;
        self.recent.push_back((at, pa));
        self.recent_sum += pa;
        while let Some((_, old)) = self.recent.pop_front_if(|(when, _)| at.since(*when) > LAST_S) {
            self.recent_sum -= old;
        }
        whole
    }

    /// Ends the mean under way.
    pub(super) fn rest(&mut self) -> Option<Mean> {
        let n = f64::from(self.points);
        let (seconds, pressures) = std::mem::take(&mut self.sums);
        let lasted_s = self.at.since(self.from);
        self.from = self.at;
        self.points = 0;
        (n > 0.0 && lasted_s > 0.0).then(|| Mean { at_s: self.start.secs() + seconds / n, pa: pressures / n, lasted_s })
    }

    /// The pressure at the end, Pa.
    pub(super) fn last(&self) -> Option<f64> {
        (!self.recent.is_empty()).then(|| self.recent_sum / self.recent.len() as f64)
    }
}
