//! The timer rule: what a controller of the simple kind would have decided, told beside each leak verdict.
//!
//! Such a controller holds one time, or one fall of pressure, against fixed thresholds. It takes no account of the
//! vapour volume, the fuel or the vacuum it began with: that is the point of the comparison. It has no part in any
//! verdict.

use super::draft::Draft;
use crate::profile::{Profile, Timer};

/// Evidence: the rule's decision, by its word.
pub const TIMER_RULE: &str = "timer_rule";
/// Evidence: by what.
pub const TIMER_RULE_BECAUSE: &str = "timer_rule_because";

/// What it decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    /// Tight.
    Pass,
    /// A leak that is named small.
    SmallLeak,
    /// A leak that is named large.
    LargeLeak,
    /// Nothing this time.
    None,
}

impl Decision {
    /// The fixed word.
    pub fn word(self) -> &'static str {
        match self {
            Decision::Pass => "pass",
            Decision::SmallLeak => "small leak",
            Decision::LargeLeak => "large leak",
            Decision::None => "no decision",
        }
    }
}

/// A decision and what it came from, in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Said {
    /// The decision.
    pub decision: Decision,
    /// By what.
    pub because: String,
}

impl Said {
    /// Into the evidence of a run.
    pub fn note(self, d: &mut Draft) {
        d.note(TIMER_RULE, self.decision.word());
        d.note(TIMER_RULE_BECAUSE, self.because);
    }
}

fn said(decision: Decision, because: impl Into<String>) -> Said {
    Said { decision, because: because.into() }
}

/// What such a controller's switch did in a soak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SoakSwitch {
    /// It went from open to closed so long after key-off, s.
    Closed(f64),
    /// It was read, and stayed open.
    StayedOpen,
    /// Closed from the start, without bias, lost, or not recorded.
    Unread,
}

/// A soak by the switch. Only a closing decides: nights without one are counted, and a week of them sets the fault.
pub fn soak_by_switch(p: &Profile, seen: SoakSwitch) -> Said {
    let earliest = p.set.soak.earliest_edge_s;
    match seen {
        SoakSwitch::Closed(s) if s >= earliest => {
            said(Decision::Pass, format!("the switch closed {s:.0} s after key-off, {earliest:.0} s or later"))
        }
        SoakSwitch::Closed(s) => said(
            Decision::None,
            format!("the switch closed {s:.0} s after key-off, before {earliest:.0} s: it does not count"),
        ),
        SoakSwitch::StayedOpen => {
            said(Decision::None, "the switch stayed open: one night does not count, a week of them sets the fault")
        }
        SoakSwitch::Unread => said(
            Decision::None,
            "the switch was closed from the start, lost or without bias: nothing that such a controller counts",
        ),
    }
}

/// A soak by a pressure sensor: how far the sealed tank came from the air's pressure, either way, Pa.
pub fn soak_by_pressure(p: &Profile, furthest_pa: Option<f64>) -> Said {
    let needs = p.set.timer.soak_pa;
    match furthest_pa {
        Some(pa) if pa.abs() >= needs => {
            said(Decision::Pass, format!("the sealed tank came to {pa:.0} Pa, {needs:.0} Pa or more either way"))
        }
        Some(pa) => said(
            Decision::None,
            format!("the sealed tank came only to {pa:.0} Pa: one night does not count, a week of them sets the fault"),
        ),
        None => said(Decision::None, "the tank's pressure was not read"),
    }
}

/// A decay by the switch: when it re-opened after purge-off, else how long it was seen closed, s.
pub fn decay_by_switch(p: &Profile, reopened_s: Option<f64>, closed_s: Option<f64>) -> Said {
    let Timer { small_s, large_s, .. } = p.set.timer;
    match (reopened_s, closed_s) {
        (Some(s), _) if s < large_s => {
            said(Decision::LargeLeak, format!("the switch re-opened after {s:.1} s, under {large_s:.1} s"))
        }
        (Some(s), _) if s < small_s => {
            said(Decision::SmallLeak, format!("the switch re-opened after {s:.1} s, under {small_s:.1} s"))
        }
        (Some(s), _) | (None, Some(s)) if s >= small_s => {
            said(Decision::Pass, format!("the switch was closed for {s:.1} s, {small_s:.1} s or more"))
        }
        (_, Some(s)) => {
            said(Decision::None, format!("the hold ended after {s:.1} s with the switch closed, before {small_s:.1} s"))
        }
        _ => said(Decision::None, "the switch was not closed at purge-off: there is no time to take"),
    }
}

/// A decay by a pressure sensor: the fall of the vacuum in the rule's own time, or, where the hold ended before that,
/// by its end, Pa; and whether it lasted so long.
pub fn decay_by_pressure(p: &Profile, fell_pa: Option<f64>, lasted: bool) -> Said {
    let Timer { fall_s, small_fall_pa, large_fall_pa, .. } = p.set.timer;
    let Some(fell) = fell_pa else { return said(Decision::None, "the tank's pressure was not read") };
    let within = format!("{fell:.0} Pa of vacuum went within {fall_s:.0} s");
    if fell >= large_fall_pa {
        said(Decision::LargeLeak, format!("{within}, {large_fall_pa:.0} Pa or more"))
    } else if fell >= small_fall_pa {
        said(Decision::SmallLeak, format!("{within}, {small_fall_pa:.0} Pa or more"))
    } else if lasted {
        said(Decision::Pass, format!("{within}, under {small_fall_pa:.0} Pa"))
    } else {
        said(Decision::None, format!("the hold ended before {fall_s:.0} s"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::orifice;
    use crate::profile::load_builtin;

    #[test]
    fn thresholds_are_those_of_the_formula_that_their_source_names() {
        // The trade's decay formula at 40 L, Cd 0.6, air of 1.2 kg/m³ and 101 325 Pa, for 0.020 and 0.040 in.
        let t = load_builtin("switch-module").unwrap().set.timer;
        let rate = |mm| orifice::leak_rate(0.6, mm, 0.040, 101_325.0, 1.2);
        let fall = |mm| {
            // √p falls in a straight line: by (√1000 − √p1) in the time that the whole takes less the rest.
            let (mut low, mut high) = (0.0, 1000.0);
            for _ in 0..60 {
                let mid = (low + high) / 2.0;
                if orifice::decay_time(1000.0, mid, rate(mm)) > t.fall_s { low = mid } else { high = mid }
            }
            1000.0 - low
        };
        assert!((orifice::decay_time(500.0, 150.0, rate(0.508)) - t.small_s).abs() < 0.5, "{}", t.small_s);
        assert!((orifice::decay_time(500.0, 150.0, rate(1.016)) - t.large_s).abs() < 0.5, "{}", t.large_s);
        assert!((fall(0.508) - t.small_fall_pa).abs() < 5.0 && (fall(1.016) - t.large_fall_pa).abs() < 5.0);
    }

    #[test]
    fn a_soak_is_decided_by_a_counted_closing_alone() {
        let p = load_builtin("switch-module").unwrap();
        let by = |seen| soak_by_switch(&p, seen).decision;
        assert_eq!(by(SoakSwitch::Closed(p.set.soak.earliest_edge_s)), Decision::Pass);
        assert_eq!(by(SoakSwitch::Closed(p.set.soak.earliest_edge_s - 1.0)), Decision::None);
        assert_eq!(by(SoakSwitch::Unread), Decision::None);
        let open = soak_by_switch(&p, SoakSwitch::StayedOpen);
        assert_eq!(open.decision, Decision::None);
        assert!(open.because.contains("a week of them"), "{}", open.because);
        let pressed = |pa| soak_by_pressure(&p, pa).decision;
        assert_eq!([pressed(Some(-260.0)), pressed(Some(260.0))], [Decision::Pass; 2]);
        assert_eq!([pressed(Some(-240.0)), pressed(None)], [Decision::None; 2]);
    }

    #[test]
    fn a_decay_is_decided_by_fixed_times_and_falls() {
        let p = load_builtin("switch-module").unwrap();
        let t = &p.set.timer;
        let by = |reopened, closed| decay_by_switch(&p, reopened, closed).decision;
        assert_eq!(by(Some(t.large_s - 0.1), Some(t.large_s - 0.2)), Decision::LargeLeak);
        assert_eq!(by(Some(t.large_s), None), Decision::SmallLeak);
        assert_eq!(by(Some(t.small_s - 0.1), None), Decision::SmallLeak);
        assert_eq!(by(Some(t.small_s), None), Decision::Pass);
        assert_eq!(by(None, Some(t.small_s)), Decision::Pass);
        assert_eq!(by(None, Some(t.small_s - 0.1)), Decision::None);
        assert_eq!(by(None, None), Decision::None);
        let by = |pa, lasted| decay_by_pressure(&p, pa, lasted).decision;
        assert_eq!(by(Some(t.large_fall_pa), false), Decision::LargeLeak);
        assert_eq!(by(Some(t.small_fall_pa), true), Decision::SmallLeak);
        assert_eq!(by(Some(t.small_fall_pa - 1.0), true), Decision::Pass);
        assert_eq!(by(Some(t.small_fall_pa - 1.0), false), Decision::None);
        assert_eq!(by(None, true), Decision::None);
    }
}
