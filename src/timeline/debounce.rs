//! Debouncing: a state counts when it has stood for its hold time; its edge keeps the time at which it began.

use crate::time::Stamp;

/// A state that changed, with when and how sure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn<T> {
    /// The state left.
    pub from: T,
    /// The state now.
    pub to: T,
    /// First sample of the new state.
    pub at: Stamp,
    /// The true moment lies up to this many seconds earlier.
    pub uncertainty_s: f64,
}

/// A state with its hold time.
#[derive(Debug, Clone)]
pub struct Debounced<T> {
    hold_s: f64,
    state: T,
    since: Stamp,
    candidate: Option<(T, Stamp, f64)>,
    /// Candidates that did not last: bounces.
    bounces: u32,
}

impl<T: Copy + PartialEq> Debounced<T> {
    /// Begins in `state`.
    pub fn new(state: T, hold_s: f64) -> Debounced<T> {
        Debounced { hold_s, state, since: Stamp::ZERO, candidate: None, bounces: 0 }
    }

    /// The state that counts.
    pub fn state(&self) -> T {
        self.state
    }

    /// Since when.
    pub fn since(&self) -> Stamp {
        self.since
    }

    /// The state seen last, whether it has lasted or not.
    pub fn raw(&self) -> T {
        self.candidate.map_or(self.state, |c| c.0)
    }

    /// How many candidates did not last, so far.
    pub fn bounces(&self) -> u32 {
        self.bounces
    }

    /// Takes what is seen now. A first state, or one that has stood for the hold time, is returned as a turn. How
    /// sure the moment is, is asked only where a new state begins.
    pub fn see(&mut self, now: Stamp, seen: T, uncertainty_s: impl FnOnce() -> f64) -> Option<Turn<T>> {
        if seen == self.state {
            if self.candidate.take().is_some() {
                self.bounces += 1;
            }
            return None;
        }
        match self.candidate {
            Some((c, _, _)) if c == seen => {}
            other => {
                // Passing through a third state is no bounce.
                self.candidate = Some((seen, now, uncertainty_s()));
                if other.is_none() && self.hold_s > 0.0 {
                    return None;
                }
            }
        }
        let (to, at, uncertainty_s) = self.candidate?;
        if now.since(at) < self.hold_s {
            return None;
        }
        let turn = Turn { from: self.state, to, at, uncertainty_s };
        self.state = to;
        self.since = at;
        self.candidate = None;
        Some(turn)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_flip_is_a_bounce_and_a_lasting_one_keeps_its_begin() {
        let mut d = Debounced::new(false, 0.3);
        let t = Stamp::from_secs;
        assert!(d.see(t(1.0), true, || 0.1).is_none());
        assert!(d.see(t(1.1), false, || 0.1).is_none());
        assert_eq!(d.bounces(), 1);
        assert!(d.see(t(2.0), true, || 0.1).is_none());
        let turn = d.see(t(2.4), true, || 0.1).unwrap();
        assert_eq!((turn.at, turn.from, turn.to), (t(2.0), false, true));
    }

    #[test]
    fn no_hold_time_turns_at_once() {
        let mut d = Debounced::new(None, 0.0);
        assert_eq!(d.see(Stamp::from_secs(5.0), Some(1), || 0.0).map(|t| t.at), Some(Stamp::from_secs(5.0)));
    }
}
