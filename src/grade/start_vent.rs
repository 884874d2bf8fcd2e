//! Start vent: at key-on the vent opens and trapped vacuum must go.

use super::STAYED_CLOSED;
use super::draft::{Book, Draft, Machine};
use super::vent_path::{path_mm, rate};
use crate::channel::Channel;
use crate::physics::orifice;
use crate::time::Stamp;
use crate::timeline::{Happening, SwitchState, Timeline, Vent};
use crate::trade::{Test, Verdict};
use std::collections::VecDeque;

/// The machine.
#[derive(Debug, Default)]
pub struct StartVent {
    book: Book,
    run: Option<Run>,
    /// The switch was seen open before it closed: only then does closed mean vacuum.
    seen_open: bool,
    key_on: Option<Stamp>,
    /// The last seconds of pressure: the vacuum may be gone before the key is debounced.
    recent: VecDeque<(Stamp, f64)>,
    /// Pressure while the vent was last sealed.
    standing_pa: Option<f64>,
    /// A run whose switch did not open: it waits for a later opening that tells a dead vent from a stuck switch.
    unopened: Option<Run>,
}

#[derive(Debug, Clone)]
struct Run {
    /// Key on.
    start: Stamp,
    /// The vent was commanded open.
    vent_at: Option<(Stamp, f64)>,
    trapped_pa: Option<f64>,
    by_switch: bool,
    opened_at: Option<(Stamp, f64)>,
    /// First pressure at vent opening and the moment a fifth of it was left.
    fifth_at: Option<Stamp>,
    end: Option<Stamp>,
    gap: bool,
    /// The switch was seen to open after the run: it is not stuck.
    opened_later: bool,
}

/// A vacuum that holds the switch takes at least this long to go, seconds: 300 to 200 Pa of 40 L through 6 mm,
/// computed.
const AT_ONCE_S: f64 = 0.12;

/// Evidence that the switch opened before the vent did: the jury holds it against the soak.
pub const BIAS_RETURNED: &str = "bias_returned";

/// How long after key-on the vent may stay unmoved before the run is closed, seconds.
const WAIT_S: f64 = 60.0;

impl Machine for StartVent {
    fn test(&self) -> Test {
        Test::StartVent
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Switch(turn) if turn.to == Some(SwitchState::Open) => {
                self.seen_open = true;
                if let Some(mut run) = self.unopened.take() {
                    run.opened_later = true;
                    self.book.runs.push(run.draft(t));
                }
                if let Some(run) = &mut self.run
                    && run.opened_at.is_none()
                    && turn.from == Some(SwitchState::Closed)
                {
                    run.opened_at = Some((turn.at, turn.uncertainty_s));
                }
            }
            Happening::Key(turn) if turn.to == Some(true) && turn.from == Some(false) => {
                self.key_on = Some(turn.at);
                self.begin(t, turn.at);
            }
            Happening::Key(turn) if turn.to == Some(false) => {
                if let Some(mut run) = self.run.take() {
                    run.end = Some(turn.at);
                    self.close(t, run);
                }
            }
            Happening::Vent(turn) if turn.to == Some(Vent::Open) => {
                if let Some(run) = &mut self.run
                    && run.vent_at.is_none()
                    && turn.from == Some(Vent::Sealed)
                {
                    run.vent_at = Some((turn.at, turn.uncertainty_s));
                }
            }
            Happening::Gap { from, .. } => {
                if let Some(run) = &mut self.run
                    && from.since(run.start) < 10.0
                {
                    run.gap = true;
                }
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        let now = t.now();
        if let Some((pa, _)) = t.pressure_pa() {
            if t.vent().0 != Some(Vent::Open) {
                self.standing_pa = Some(pa);
            }
            self.recent.push_back((now, pa));
            while self.recent.front().is_some_and(|r| now.since(r.0) > 5.0) {
                self.recent.pop_front();
            }
        }
        let Some(run) = &mut self.run else { return };
        // The vent may have opened in the moment before the key was debounced.
        if run.vent_at.is_none() {
            let (vent, since) = t.vent();
            if vent == Some(Vent::Open) && since.since(run.start) > -2.0 {
                run.vent_at = Some((since, 0.0));
            }
        }
        if let (Some(trapped), Some((vent_at, _)), None) = (run.trapped_pa, run.vent_at, run.fifth_at) {
            let e = t.zero_pa().1.min(20.0);
            run.fifth_at = self.recent.iter().find(|(at, pa)| *at >= vent_at && *pa >= 0.2 * trapped - e).map(|r| r.0);
        }
        let waited = now.since(run.start);
        let settled = run.fifth_at.is_some() || (run.opened_at.is_some() && run.trapped_pa.is_none());
        let over = run.vent_at.is_some_and(|(at, _)| now.since(at) > 2.0 * longest_s(t) + 10.0);
        if ((settled && waited > 2.0) || over || waited > WAIT_S)
            && let Some(mut run) = self.run.take()
        {
            run.end = Some(now);
            self.close(t, run);
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let under_way = self.run.as_ref().or(self.unopened.as_ref()).map(|r| {
            let mut d = r.draft(t);
            d.open = true;
            d
        });
        self.book.drafts(under_way, |missed| {
            let mut reasons = missed.to_vec();
            if let Some(lacks) = blind(t) {
                reasons.push(lacks.into());
            } else if reasons.is_empty() {
                reasons.push(match self.key_on {
                    Some(_) => "no vacuum was known to be trapped when the key was turned on".into(),
                    None => "the key was not seen to go from off to on".into(),
                });
            }
            Draft::not_run(Test::StartVent, rule(t), reasons, "needs a soak that closed the switch, then key-on")
        })
    }

    fn under_way(&self, t: &Timeline) -> Option<(f64, String)> {
        let run = self.run.as_ref()?;
        let done = t.now().since(run.start) / WAIT_S;
        Some((
            done.clamp(0.0, 1.0),
            if run.vent_at.is_some() {
                "vent open; waits for the vacuum to go".into()
            } else {
                "waits for the vent to open".into()
            },
        ))
    }
}

impl StartVent {
    fn begin(&mut self, t: &Timeline, at: Stamp) {
        let p = &t.profile.set;
        let pressure =
            self.standing_pa.filter(|_| t.pressure_pa().is_some() && t.zero_pa().1 < p.start_vent.least_vacuum_pa);
        let (switch, since) = t.switch();
        let mut opened_at = None;
        let was_closed = match switch {
            Some(SwitchState::Closed) => true,
            // It opened while the key was being debounced.
            Some(SwitchState::Open) if since.since(at) > -1.0 && self.seen_open && t.now().since(since) < 5.0 => {
                opened_at = Some((since, 0.0));
                true
            }
            _ => false,
        };
        let trapped_pa = pressure.filter(|pa| *pa <= -p.start_vent.least_vacuum_pa);
        if pressure.is_some() && trapped_pa.is_none() && opened_at.is_none() {
            self.book
                .missed(format!("tank pressure at key-on was {:.0} Pa: no vacuum to vent", pressure.unwrap_or(0.0)));
            return;
        }
        if trapped_pa.is_none() && !was_closed {
            self.nothing_trapped(t, switch);
            return;
        }
        if trapped_pa.is_none() && !self.seen_open {
            self.book.missed(
                "the switch was closed at key-on, but had never been seen open: closed proves no vacuum".into(),
            );
            return;
        }
        self.run = Some(Run {
            start: at,
            vent_at: None,
            trapped_pa,
            by_switch: was_closed,
            opened_at,
            fifth_at: None,
            end: None,
            gap: false,
            opened_later: false,
        });
    }

    fn nothing_trapped(&mut self, t: &Timeline, switch: Option<SwitchState>) {
        self.book.missed(match switch {
            Some(SwitchState::Open) => "the switch was open at key-on: no vacuum was trapped".into(),
            Some(_) => "the sense line had no bias at key-on: the switch told nothing".into(),
            // The draft names the channels that are missing.
            None if blind(t).is_some() => return,
            None if t.pressure_pa().is_some() && self.standing_pa.is_some() => format!(
                "tank pressure at key-on is known to {:.0} Pa only: the sensor's zero was not seen with the vent open",
                t.zero_pa().1
            ),
            None if t.profile.set.switch.fitted != "yes" => "the tank pressure was not known at key-on".into(),
            None => "neither the switch nor the tank pressure was known at key-on".into(),
        });
    }

    fn close(&mut self, t: &Timeline, run: Run) {
        if run.trapped_pa.is_none() && run.opened_at.is_none() && run.vent_at.is_some() {
            if let Some(before) = self.unopened.replace(run) {
                self.book.runs.push(before.draft(t));
            }
        } else {
            self.book.runs.push(run.draft(t));
        }
    }
}

impl Run {
    fn draft(&self, t: &Timeline) -> Draft {
        let mut d = Draft::run(Test::StartVent, rule(t), self.start, self.end.unwrap_or(t.now()));
        let p = &t.profile.set;
        let slowest = longest_s(t);
        let quick = quick_s(t);
        if let Some(pa) = self.trapped_pa {
            d.note("trapped_pa", pa);
        }
        d.note("sound_within_s", quick);
        d.note("restricted_from_s", slowest);
        if self.gap {
            d.because("the record has a gap at key-on");
            d.next("repeat after the next soak");
            return d;
        }
        let Some((vent_at, vent_u)) = self.vent_at else {
            if let (Some((at, _)), None) = (self.opened_at, t.vent().0) {
                // The vent's wire is not recorded, but the vacuum went.
                let s = at.since(self.start);
                d.rests_on_switch = true;
                if s <= 10.0 {
                    d.decide(Verdict::Pass, at);
                    d.because(format!("the switch opened {s:.1} s after key-on; the vent's own wire was not recorded"));
                    d.next("none");
                } else {
                    d.because(format!(
                        "the switch opened {s:.1} s after key-on, and nothing tells when the vent was opened"
                    ));
                    d.next("record the vent solenoid");
                }
                return d;
            }
            d.because("the vent was not seen to open after key-on");
            d.next("check whether the controller drives the vent solenoid at key-on");
            return d;
        };
        let waited = self.end.unwrap_or(t.now()).since(vent_at);
        if let Some(pa) = self.trapped_pa {
            // With a tap the path's size follows from the time to a fifth of the vacuum.
            let (v, spread) = t.vapour_volume_m3();
            let vacuum = -pa;
            let size = |s: f64, v: f64| path_mm(vacuum, 0.2 * vacuum, s, rate(t, v, 1.0));
            match self.fifth_at {
                Some(at) => {
                    let s = at.since(vent_at).max(0.0) + vent_u.max(0.05);
                    let least = size(s, v * (1.0 - spread));
                    d.note("vent_time_s", at.since(vent_at).max(0.0));
                    d.note("open_path_at_least_mm", least);
                    let most = size((at.since(vent_at) - 0.2).max(0.02), v * (1.0 + spread));
                    if most < p.vent.restricted_below_mm {
                        d.decide(Verdict::Fail, at);
                        d.because(format!(
                            "{vacuum:.0} Pa took {s:.1} s to vent: a path of at most {most:.1} mm, restricted below {:.1} mm",
                            p.vent.restricted_below_mm
                        ));
                        d.next("check vent filter, hose and canister for blockage");
                    } else if least >= p.vent.restricted_below_mm || at.since(vent_at) <= quick {
                        d.decide(Verdict::Pass, at);
                        d.because(format!(
                            "{vacuum:.0} Pa were gone {:.1} s after the vent opened",
                            at.since(vent_at).max(0.0)
                        ));
                        d.next("none");
                    } else {
                        d.because(format!(
                            "{vacuum:.0} Pa took {s:.1} s to vent: a path of {least:.1} to {most:.1} mm, which may be restricted"
                        ));
                        d.next("repeat with faster sampling, and the fuel level known");
                    }
                }
                None if waited > 2.0 * slowest && !t.zero_known() && !self.by_switch => {
                    d.because(format!("{vacuum:.0} Pa did not vent within {waited:.0} s of the vent's opening command, but the pressure sensor's zero is not known: it may not have been vacuum"));
                    d.next("zero the tap to air, then repeat after the next soak");
                }
                None if waited > 2.0 * slowest => {
                    d.decide(Verdict::Fail, vent_at.plus(2.0 * slowest));
                    d.because(format!(
                        "{vacuum:.0} Pa did not vent within {:.0} s of the vent's opening command",
                        waited
                    ));
                    d.next("check the vent valve (does it move?), then its filter and hose");
                }
                None => d.because("waits for the vacuum to go"),
            }
            return d;
        }
        d.rests_on_switch = true;
        match self.opened_at {
            Some((at, u)) => {
                let s = at.since(vent_at).max(0.0);
                d.note("vent_time_s", s);
                d.note("vent_time_uncertainty_s", u + vent_u);
                let sampling = u + vent_u;
                let early = at.since(vent_at) < -(sampling + 0.3);
                // No vacuum is gone in no time, however wide the vent.
                let at_once = sampling < 0.25 && at.since(vent_at) + sampling < AT_ONCE_S;
                if early || at_once {
                    d.because(if early {
                        format!("the switch opened {:.1} s before the vent did: it was the line's bias coming back, not vacuum venting", -at.since(vent_at))
                    } else {
                        format!("the switch opened within {AT_ONCE_S:.2} s of the vent, faster than vacuum goes: more likely the line's bias came back with the key")
                    });
                    d.note(BIAS_RETURNED, "yes");
                    d.next("check the sense line's bias with the key off");
                } else if s <= quick + u {
                    d.decide(Verdict::Pass, at);
                    d.because(format!("the switch opened {s:.1} s after the vent did"));
                    d.next("none");
                } else if s - u - vent_u > slowest {
                    d.decide(Verdict::Fail, at);
                    d.because(format!(
                        "the switch took {s:.1} s to open after the vent did; even full vacuum through a {:.1} mm path goes in {slowest:.1} s",
                        p.vent.restricted_below_mm
                    ));
                    d.next("check vent filter, hose and canister for blockage");
                } else {
                    d.because(format!(
                        "the switch took {s:.1} s to open after the vent did: slow for a small vacuum, sound for a deep one, and its depth is not known"
                    ));
                    d.next("add a pressure tap, or repeat");
                }
            }
            None if waited > 2.0 * slowest && self.by_switch && !self.opened_later => {
                d.because(format!(
                    "the switch stayed closed for {waited:.0} s after the vent was commanded open, and has not opened since: the vent does not open, its path is blocked, or the switch stuck closed in the night; these cannot be told apart yet"
                ));
                d.next("unplug the module: a line that rises clears the wiring; then listen for the valve and check filter and hose");
                d.note(STAYED_CLOSED, "yes");
            }
            None if waited > 2.0 * slowest && self.by_switch => {
                d.decide(Verdict::Fail, vent_at.plus(2.0 * slowest));
                d.because(format!("the switch stayed closed for {waited:.0} s after the vent was commanded open"));
                d.because(
                    "causes: vent valve does not open, vent path blocked, or the switch stuck closed in the night",
                );
                d.next(
                    "listen for the valve, then check filter and hose; unplug the switch to see whether the line rises",
                );
            }
            None => d.because("waits for the switch to open"),
        }
        d
    }
}

/// What lacks where no channel could ever show trapped vacuum.
fn blind(t: &Timeline) -> Option<&'static str> {
    let seen = |c| t.signals.seen(c);
    if seen(Channel::TankPressurePa) {
        return None;
    }
    if t.profile.set.switch.fitted != "yes" {
        return Some("there is no tank_pressure_pa channel: nothing shows whether vacuum was trapped");
    }
    (!seen(Channel::LeakSwitch) && !seen(Channel::SwitchSenseV)).then_some(
        "there is no leak_switch, switch_sense_v or tank_pressure_pa channel: nothing shows whether vacuum was trapped",
    )
}

/// Time in which the deepest vacuum goes through a sound path.
fn quick_s(t: &Timeline) -> f64 {
    time_through(t, t.profile.set.vent.open_path_mm).clamp(0.3, t.profile.set.start_vent.within_s)
}

/// Time in which the deepest vacuum goes through a path at the restriction limit.
fn longest_s(t: &Timeline) -> f64 {
    time_through(t, t.profile.set.vent.restricted_below_mm).max(quick_s(t))
}

fn time_through(t: &Timeline, path_mm: f64) -> f64 {
    let p = &t.profile.set;
    let (v, spread) = t.vapour_volume_m3();
    orifice::decay_time(p.reliefs.vacuum_high_pa, p.switch.reopens_low_pa, rate(t, v * (1.0 + spread), path_mm))
}

fn rule(t: &Timeline) -> String {
    let p = &t.profile.set;
    format!(
        "at key-on the vent opens: trapped vacuum must go as fast as through a {:.0} mm path, at most {:.1} s ({}); a path under {:.1} mm is restricted ({})",
        p.vent.open_path_mm,
        p.start_vent.within_s,
        t.profile.source("start_vent.within_s"),
        p.vent.restricted_below_mm,
        t.profile.source("vent.restricted_below_mm")
    )
}
