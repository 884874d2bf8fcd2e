//! Maps an adapter's own clock to capture time.
//!
//! A row is received some time after it was sampled, never before. So the least `receipt − time_s` of the recent
//! past is the best guess of how the two clocks differ; a row's time is `time_s` plus that. The past is kept in
//! [`BUCKETS`] of [`BUCKET_NS`], about a minute in all: a crystal that drifts by 200 ppm is followed within 15 ms.

use crate::time::Stamp;

const BUCKETS: usize = 8;
const BUCKET_NS: i64 = 8_000_000_000;
const EMPTY: i64 = i64::MAX;

/// The lower envelope of receipt minus adapter time.
#[derive(Debug, Clone)]
pub struct AdapterClock {
    step_ns: i64,
    least: [i64; BUCKETS],
    /// Number of the bucket that receipts fall in now.
    bucket: i64,
    last_own: Option<i64>,
    last_at: i64,
}

/// What the adapter's clock did besides going on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Odd {
    /// It went backwards: the adapter restarted.
    Restart {
        /// From this reading, s.
        from_s: f64,
        /// To this one, s.
        to_s: f64,
    },
    /// It moved against receipt by more than allowed; positive is forward.
    Step {
        /// By so much, s.
        by_s: f64,
    },
}

impl AdapterClock {
    /// A clock nobody has heard yet; steps beyond `step_s` are named.
    pub fn new(step_s: f64) -> AdapterClock {
        let step_ns = Stamp::from_secs(step_s).0;
        AdapterClock { step_ns, least: [EMPTY; BUCKETS], bucket: 0, last_own: None, last_at: i64::MIN }
    }

    /// Forgets the adapter, not the time: a new one may be there.
    pub fn forget(&mut self) {
        self.least = [EMPTY; BUCKETS];
        self.last_own = None;
    }

    /// True if a row that says `own_ns` would be a restart or a step forward.
    pub fn is_odd(&self, receipt: Stamp, own_ns: i64) -> bool {
        let back = self.last_own.is_some_and(|last| own_ns < last);
        let least = self.envelope();
        back || (least != EMPTY && receipt.0.saturating_sub(own_ns) < least.saturating_sub(self.step_ns))
    }

    /// The capture time of a row that says `own_ns`, received at `receipt`: never later than that, never earlier
    /// than the row before.
    pub fn map(&mut self, receipt: Stamp, own_ns: i64) -> (Stamp, Option<Odd>) {
        let offset = receipt.0.saturating_sub(own_ns);
        let mut odd = None;
        if let Some(last) = self.last_own.filter(|&last| own_ns < last) {
            odd = Some(Odd::Restart { from_s: last as f64 / 1e9, to_s: own_ns as f64 / 1e9 });
            self.forget();
        }
        let bucket = receipt.0.div_euclid(BUCKET_NS);
        if bucket != self.bucket {
            odd = odd.or(self.close_bucket(bucket));
        }
        let least = self.envelope();
        if least != EMPTY && offset < least.saturating_sub(self.step_ns) {
            odd = Some(Odd::Step { by_s: (least - offset) as f64 / 1e9 });
            self.least = [EMPTY; BUCKETS];
        }
        let slot = &mut self.least[bucket.rem_euclid(BUCKETS as i64) as usize];
        *slot = offset.min(*slot);
        self.last_own = Some(own_ns);
        self.last_at = own_ns.saturating_add(self.envelope()).max(self.last_at).min(receipt.0);
        (Stamp(self.last_at), odd)
    }

    /// Goes on to `bucket`. If all of the one that ends came late by more than a step against the rest, the
    /// adapter's clock had stood still; a backlog would have caught up.
    fn close_bucket(&mut self, bucket: i64) -> Option<Odd> {
        let ended = self.least[self.bucket.rem_euclid(BUCKETS as i64) as usize];
        let least = self.envelope();
        for b in (self.bucket + 1..=bucket).take(BUCKETS) {
            self.least[b.rem_euclid(BUCKETS as i64) as usize] = EMPTY;
        }
        let ended_slot = self.bucket.rem_euclid(BUCKETS as i64) as usize;
        self.bucket = bucket;
        if ended == EMPTY || ended - least <= self.step_ns {
            return None;
        }
        self.least = [EMPTY; BUCKETS];
        self.least[ended_slot] = ended;
        Some(Odd::Step { by_s: (least - ended) as f64 / 1e9 })
    }

    fn envelope(&self) -> i64 {
        self.least.iter().copied().min().unwrap_or(EMPTY)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const MS: i64 = 1_000_000;

    #[test]
    fn jitter_of_receipt_does_not_move_rows() {
        // Rows each 100 ms, received 1 to 40 ms later: after the first second the times are even to the millisecond.
        let mut clock = AdapterClock::new(2.0);
        for i in 0..3000i64 {
            let sampled = i * 100 * MS;
            let late = 1 + (i * 7919) % 40;
            let (at, odd) = clock.map(Stamp(sampled + late * MS + 500 * MS), sampled);
            assert_eq!(odd, None);
            if i > 40 {
                assert_eq!(at.0, sampled + 501 * MS, "row {i}");
            }
        }
    }

    #[test]
    fn drift_of_200_ppm_is_followed() {
        // 200 ppm is the worst of ceramic resonators and uncalibrated oscillators (common practice).
        for ppm in [-200.0, 200.0] {
            let mut clock = AdapterClock::new(2.0);
            for i in 0..400_000i64 {
                let receipt = i * 100 * MS;
                let own = (receipt as f64 * (1.0 + ppm * 1e-6)) as i64;
                let (at, odd) = clock.map(Stamp(receipt), own);
                assert_eq!(odd, None);
                assert!(receipt - at.0 <= 15 * MS && at.0 <= receipt, "{ppm} ppm, row {i}: {}", receipt - at.0);
            }
        }
    }

    #[test]
    fn restart_step_and_standstill_are_named() {
        let mut clock = AdapterClock::new(2.0);
        let s = 1000 * MS;
        clock.map(Stamp(10 * s), 100 * s);
        assert!(clock.is_odd(Stamp(11 * s), s / 2));
        let (at, odd) = clock.map(Stamp(11 * s), s / 2);
        assert_eq!((at, odd), (Stamp(11 * s), Some(Odd::Restart { from_s: 100.0, to_s: 0.5 })));
        assert!(!clock.is_odd(Stamp(12 * s), 3 * s));
        assert!(clock.is_odd(Stamp(12 * s), 7 * s));
        let (at, odd) = clock.map(Stamp(12 * s), 7 * s);
        assert_eq!((at, odd), (Stamp(12 * s), Some(Odd::Step { by_s: 5.5 })));
        // Now it stands for 30 s and goes on: named once, and times come back to receipt.
        let mut steps = Vec::new();
        let mut last = Stamp::ZERO;
        for i in 1..300 {
            let (at, odd) = clock.map(Stamp(42 * s + i * s / 10), 7 * s + i * s / 10);
            steps.extend(odd);
            last = at;
        }
        assert_eq!(steps, [Odd::Step { by_s: -30.0 }]);
        assert_eq!(last, Stamp(42 * s + 299 * s / 10));
    }

    #[test]
    fn a_backlog_is_no_step() {
        // Twenty seconds of rows come in one burst; they were sampled when the adapter says.
        let mut clock = AdapterClock::new(2.0);
        let s = 1000 * MS;
        for i in 0..600 {
            let sampled = i * s / 10;
            let receipt = if (200..400).contains(&i) { 40 * s } else { sampled };
            let (at, odd) = clock.map(Stamp(receipt), sampled);
            assert_eq!((at, odd), (Stamp(sampled), None));
        }
    }

    proptest! {
        #[test]
        fn never_later_than_receipt_never_backwards(rows in prop::collection::vec((0i64..30_000, -500i64..90_000), 1..200)) {
            let mut clock = AdapterClock::new(2.0);
            let (mut receipt, mut last) = (0, Stamp(i64::MIN));
            for (later, own) in rows {
                receipt += later * MS;
                let (at, _) = clock.map(Stamp(receipt), own * MS);
                prop_assert!(at <= Stamp(receipt) && at >= last);
                last = at;
            }
        }
    }
}
