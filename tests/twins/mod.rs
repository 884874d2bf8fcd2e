//! An oracle for tests: could the same day with another hole be told from this one? It knows all but the hole.

use soakwatch::sim::Truth;
use std::collections::BTreeMap;

/// Could two days be told apart?
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Told {
    /// They could be told apart.
    Apart,
    /// They looked alike.
    Alike,
    /// There was no such window.
    Never,
}

/// What the instruments could have seen of one day: the truth where a row was received, and nowhere else.
#[derive(Default)]
pub struct Trace {
    /// One entry a second of the night: contact, tank pressure.
    night: BTreeMap<i64, (bool, f64)>,
    /// Seconds into the sealed hold, contact, tank pressure.
    hold: Vec<(f64, bool, f64)>,
    hold_from: Option<f64>,
    purged: bool,
}

impl Trace {
    /// A moment at which a row was received; when the night begins and ends.
    pub fn see(&mut self, t: Truth, (parked, morning, _): (f64, f64, f64)) {
        if t.t_s > parked + 10.0 && t.t_s < morning - 1.0 {
            self.night.insert(t.t_s as i64, (t.contact_closed, t.pressure_pa));
        }
        if t.checking && t.purge > 0.01 {
            self.purged = true;
        } else if t.checking && self.purged {
            let from = *self.hold_from.get_or_insert(t.t_s);
            self.hold.push((t.t_s - from, t.contact_closed, t.pressure_pa));
        }
    }

    /// The last closed moment of the hold, if the switch was closed in it at all and opened before its end.
    fn reopens(&self) -> Option<f64> {
        let end = self.hold.last()?.0;
        let last = self.hold.iter().rfind(|h| h.1)?.0;
        (last < end - 0.5).then_some(last)
    }
}

/// Alike within noise: less than a minute of the night, and less than a second of the re-opening, in which the switch
/// differs, and no lasting difference of pressure beyond `noise_pa` where a tap shows it.
///
/// It knows the vehicle (the twins share volume, fuel and lags), so no judge can do better.
pub fn told_apart(a: &Trace, b: &Trace, tap: bool, has_switch: bool, noise_pa: f64) -> [Told; 2] {
    let (mut switch, mut pressure) = (0, 0);
    for (s, x) in &a.night {
        if let Some(y) = b.night.get(s) {
            switch += u32::from(x.0 != y.0);
            pressure += u32::from((x.1 - y.1).abs() > noise_pa);
        }
    }
    let night = if (has_switch && switch >= 60) || (tap && pressure >= 60) { Told::Apart } else { Told::Alike };
    let hold = match (a.hold.first(), b.hold.first()) {
        (Some(x), Some(y)) => {
            let edge = match (a.reopens(), b.reopens()) {
                (Some(p), Some(q)) => (p - q).abs() >= 1.0,
                (None, None) => false,
                _ => true,
            };
            let end = a.hold.last().expect("not empty").0.min(b.hold.last().expect("not empty").0);
            let at = |t: &Trace| t.hold.iter().rfind(|h| h.0 <= end).expect("begins at 0").2;
            let fell = ((at(a) - x.2) - (at(b) - y.2)).abs() > noise_pa;
            if (has_switch && edge) || (tap && fell) { Told::Apart } else { Told::Alike }
        }
        _ => Told::Never,
    };
    [night, hold]
}
