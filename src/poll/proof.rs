//! The proof of the bit rate: what is heard without an error for long enough is a bus of this rate. Asking at a wrong rate
//! disturbs a moving vehicle's bus.

use crate::time::Stamp;

/// Frames that must be among it.
const FRAMES: u32 = 3;

/// What was heard so far.
#[derive(Debug, Clone, Copy)]
pub struct Proof {
    listen_s: f64,
    since: Option<Stamp>,
    frames: u32,
    /// The last error, if nothing proved the rate since.
    pub spoilt: Option<Stamp>,
    proven: bool,
}

impl Proof {
    /// Proven by clean traffic for so long.
    pub fn new(listen_s: f64) -> Proof {
        Proof { listen_s, since: None, frames: 0, spoilt: None, proven: false }
    }

    /// Known already: the person says so, or the link takes care of it.
    pub fn known() -> Proof {
        Proof { proven: true, ..Proof::new(0.0) }
    }

    /// A frame of the bus was heard whole.
    pub fn frame(&mut self, at: Stamp) {
        let since = *self.since.get_or_insert(at);
        self.frames = self.frames.saturating_add(1);
        if self.frames >= FRAMES && at.since(since) >= self.listen_s {
            (self.proven, self.spoilt) = (true, None);
        }
    }

    /// The adapter tells of an error on the bus. What was proven stays so: a bus has errors now and then.
    pub fn error(&mut self, at: Stamp) {
        if !self.proven {
            (self.since, self.frames, self.spoilt) = (None, 0, Some(at));
        }
    }

    /// The rate is right.
    pub fn proven(&self) -> bool {
        self.proven
    }

    /// Something was heard.
    pub fn begun(&self) -> bool {
        self.frames > 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: f64) -> Stamp {
        Stamp::from_secs(s)
    }

    #[test]
    fn two_seconds_of_clean_traffic_prove_it() {
        let mut p = Proof::new(2.0);
        for i in 0..20 {
            p.frame(at(f64::from(i) * 0.1));
            assert!(!p.proven());
        }
        p.frame(at(2.0));
        assert!(p.proven());
        p.error(at(2.1));
        assert!(p.proven(), "an error later is one of any bus");
    }

    #[test]
    fn an_error_begins_it_anew_and_silence_proves_nothing() {
        let mut p = Proof::new(2.0);
        p.frame(at(0.0));
        p.error(at(1.0));
        for s in [1.5, 2.5, 3.4] {
            p.frame(at(s));
            assert!(!p.proven(), "{s}");
        }
        p.frame(at(3.5));
        assert!(p.proven());
        // Two frames far apart are no traffic.
        let mut p = Proof::new(2.0);
        p.frame(at(0.0));
        p.frame(at(100.0));
        assert!(!p.proven());
    }
}
