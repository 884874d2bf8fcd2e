//! Time as everybody in the house means it: nanoseconds since the capture began.
//!
//! The stamp counts suspended time and never follows the wall clock. [`Clock`] is the only place that reads a
//! clock; it belongs to the edge (links and session). The core is handed [`Stamp`]s and asks nobody.

use rustix::time::{ClockId, clock_gettime};

/// A moment, in nanoseconds since the capture began (may be negative only in faulty input).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Stamp(pub i64);

impl Stamp {
    /// The beginning of the capture.
    pub const ZERO: Stamp = Stamp(0);

    /// From seconds; rounds to the nearest nanosecond and saturates. NaN gives zero.
    pub fn from_secs(s: f64) -> Stamp {
        Stamp(rounded(s * 1e9))
    }

    /// Seconds since the capture began.
    pub fn secs(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// Seconds from `earlier` to `self` (negative if `earlier` is later).
    pub fn since(self, earlier: Stamp) -> f64 {
        self.0.saturating_sub(earlier.0) as f64 / 1e9
    }

    /// This moment moved by `s` seconds; saturates.
    pub fn plus(self, s: f64) -> Stamp {
        Stamp(self.0.saturating_add(rounded(s * 1e9)))
    }
}

/// `x.round() as i64`, without the call that `round` is on processors of the common denominator: every row asks.
#[inline]
fn rounded(x: f64) -> i64 {
    let whole = x as i64;
    let rest = x - whole as f64;
    whole.saturating_add(i64::from(rest >= 0.5)).saturating_sub(i64::from(rest <= -0.5))
}

/// The three clocks read together, so that suspends and steps of the wall clock can be seen afterwards.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct ClockReading {
    /// `CLOCK_BOOTTIME`, ns: counts suspend.
    pub boot_ns: i64,
    /// `CLOCK_MONOTONIC`, ns: stands still in suspend.
    pub mono_ns: i64,
    /// `CLOCK_REALTIME`, ns since 1970-01-01 UTC: the wall clock, which may be stepped.
    pub real_ns: i64,
}

/// The edge's clock: boot time since an anchor, and the UTC moment of that anchor.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    anchor_boot_ns: i64,
    anchor_real_ns: i64,
}

impl Clock {
    /// Starts a capture now: stamp zero is this moment.
    pub fn start() -> Clock {
        let now = Clock::read();
        Clock { anchor_boot_ns: now.boot_ns, anchor_real_ns: now.real_ns }
    }

    /// Time since the anchor.
    pub fn now(&self) -> Stamp {
        Stamp(nanos(ClockId::Boottime) - self.anchor_boot_ns)
    }

    /// UTC of stamp zero, in nanoseconds since 1970.
    pub fn anchor_utc_ns(&self) -> i64 {
        self.anchor_real_ns
    }

    /// All three clocks.
    pub fn read() -> ClockReading {
        ClockReading {
            boot_ns: nanos(ClockId::Boottime),
            mono_ns: nanos(ClockId::Monotonic),
            real_ns: nanos(ClockId::Realtime),
        }
    }
}

fn nanos(id: ClockId) -> i64 {
    let t = clock_gettime(id);
    t.tv_sec * 1_000_000_000 + t.tv_nsec
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Against the standard library.
        #[test]
        fn rounding_is_that_of_the_standard_library(x in any::<f64>(), halves in -40_000_000i64..40_000_000) {
            let near = halves as f64 * 0.5;
            let all = [x, near, near.next_up(), near.next_down(), near * 1e9, f64::NAN, f64::INFINITY, -9.3e18, 9.3e18];
            for x in all {
                prop_assert_eq!(rounded(x), x.round() as i64, "{}", x);
            }
        }
    }
}
