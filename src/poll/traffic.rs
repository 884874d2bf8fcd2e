//! What the bus says by itself, and what of it is a wake-up: traffic after silence, of the whole bus or of one
//! identifier. A parked vehicle's network may never fall silent as a whole while somebody sits in it, but what the
//! engine's controllers send ceases with the key and comes back with it.

use crate::time::Stamp;
use crate::wire::can_frame::Id;
use std::collections::BTreeMap;

/// Frames in a row, none farther than `REGULAR_S` from the last, make an identifier a regular one.
const REGULAR: u8 = 10;
const REGULAR_S: f64 = 2.0;
/// Identifiers that are watched; more are only counted as traffic.
const MOST: usize = 1024;

#[derive(Debug, Clone, Copy)]
struct Seen {
    last: Stamp,
    row: u8,
    regular: bool,
}

/// What was heard of the bus itself.
#[derive(Debug, Clone)]
pub(super) struct Traffic {
    quiet_s: f64,
    last: Option<Stamp>,
    ids: BTreeMap<Id, Seen>,
}

impl Traffic {
    /// `quiet_s`: what says nothing for so long has fallen silent.
    pub(super) fn new(quiet_s: f64) -> Traffic {
        Traffic { quiet_s, last: None, ids: BTreeMap::new() }
    }

    /// Something was heard; true if it looks like a wake-up. `listening` is when asking ended, if it did.
    pub(super) fn heard(&mut self, at: Stamp, id: Option<Id>, listening: Option<Stamp>) -> bool {
        let long = |last: Stamp| at.since(last) >= self.quiet_s;
        let mut woke = self.last.is_none_or(long);
        self.last = Some(at);
        let Some(id) = id else { return woke };
        let room = self.ids.len() < MOST;
        match self.ids.get_mut(&id) {
            Some(seen) => {
                woke |= seen.regular && long(seen.last);
                seen.row = if at.since(seen.last) <= REGULAR_S { seen.row.saturating_add(1) } else { 1 };
                if seen.row >= REGULAR && !seen.regular {
                    seen.regular = true;
                    // One that nobody sent before: a controller was powered up.
                    woke |= listening.is_some_and(|since| at.since(since) >= self.quiet_s);
                }
                seen.last = at;
            }
            None if room => {
                self.ids.insert(id, Seen { last: at, row: 1, regular: false });
            }
            None => {}
        }
        woke
    }

    /// The bus speaks by itself.
    pub(super) fn spoke(&self) -> bool {
        self.last.is_some()
    }

    /// The bus spoke by itself before, and has fallen silent.
    pub(super) fn ceased(&self, at: Stamp) -> bool {
        self.last.is_some_and(|last| at.since(last) >= self.quiet_s)
    }

    /// When it will have, if nothing more comes.
    pub(super) fn will_cease(&self) -> Option<Stamp> {
        self.last.map(|last| last.plus(self.quiet_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: f64) -> Stamp {
        Stamp::from_secs(s)
    }

    #[test]
    fn the_first_frame_and_one_after_silence_wake() {
        let mut t = Traffic::new(5.0);
        assert!(!t.ceased(at(100.0)), "what never spoke has not fallen silent");
        assert!(t.heard(at(0.0), None, None));
        assert!(!t.heard(at(4.9), None, None));
        assert!(!t.ceased(at(9.8)) && t.ceased(at(9.9)));
        assert!(t.heard(at(9.9), None, None));
    }

    #[test]
    fn an_identifier_that_comes_back_wakes_a_bus_that_never_slept() {
        let (engine, body) = (Some(Id::Standard(0x100)), Some(Id::Standard(0x400)));
        let mut t = Traffic::new(5.0);
        for i in 0..100 {
            t.heard(at(f64::from(i) * 0.1), engine, None);
            t.heard(at(f64::from(i) * 0.1), body, None);
        }
        // Key off: the engine's frame ceases, the body's goes on.
        for i in 100..300 {
            assert!(!t.heard(at(f64::from(i) * 0.1), body, Some(at(10.0))), "{i}");
        }
        assert!(t.heard(at(30.0), engine, Some(at(10.0))));
    }

    #[test]
    fn a_rare_frame_is_no_wake_up_and_a_new_regular_one_is() {
        let (body, door, engine) = (Some(Id::Standard(1)), Some(Id::Standard(2)), Some(Id::Standard(3)));
        let mut t = Traffic::new(5.0);
        t.heard(at(0.0), body, None);
        let since = Some(at(0.0));
        for i in 1..300 {
            let now = f64::from(i) * 0.1;
            assert!(!t.heard(at(now), body, since));
            if i % 100 == 0 {
                assert!(!t.heard(at(now), door, since), "{now}");
            }
        }
        let woke: Vec<bool> = (0..10).map(|i| t.heard(at(30.0 + f64::from(i) * 0.1), engine, since)).collect();
        assert_eq!(woke.iter().filter(|w| **w).count(), 1);
        assert!(woke[9]);
    }

    #[test]
    fn what_is_kept_is_bounded() {
        let mut t = Traffic::new(5.0);
        for i in 0..100_000 {
            t.heard(at(f64::from(i) * 1e-3), Some(Id::Extended(i as u32)), None);
        }
        assert_eq!(t.ids.len(), MOST);
    }
}
