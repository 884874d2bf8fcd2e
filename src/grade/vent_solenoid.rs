//! Vent solenoid: its current's signature, and whether the valve moves air.

use super::coil::Coil;
use super::draft::{Draft, Machine};
use super::{COIL_SEEN, FAULT};
use crate::channel::Channel;
use crate::time::Stamp;
use crate::timeline::{Engine, Happening, SwitchState, Timeline, Turn, Vent};
use crate::trade::{Test, Verdict};

/// The machine: one run from repair to repair.
#[derive(Debug, Default)]
pub struct VentSolenoid {
    past: Vec<Draft>,
    run: Run,
}

#[derive(Debug, Clone, Default)]
struct Run {
    start: Option<Stamp>,
    last: Option<Stamp>,
    coil: Coil,
    /// Vacuum stood when the vent was opened; watched until it goes.
    watch: Option<Watch>,
    moved: Option<(Stamp, f64)>,
    not_moved: Option<(Stamp, f64)>,
    /// After that the switch was seen to open: it is not stuck.
    opened_since: bool,
    opened_without_vacuum: u32,
    seen_open_switch: bool,
}

#[derive(Debug, Clone, Copy)]
struct Watch {
    at: Stamp,
    vacuum_pa: Option<f64>,
    /// With the engine running a purge valve stuck open would hold the vacuum, however far the vent opens.
    engine_at_rest: bool,
}

/// A sound vent empties the deepest vacuum in a second or two; this long nothing at all means it does not move.
const NO_EFFECT_S: f64 = 15.0;

impl Machine for VentSolenoid {
    fn test(&self) -> Test {
        Test::VentSolenoid
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Vent(turn) => self.run.vent(t, turn),
            Happening::Switch(turn) if turn.to == Some(SwitchState::Open) => {
                if let Some(w) = self.run.watch
                    && w.vacuum_pa.is_none()
                    && turn.at.since(w.at) > -0.5
                {
                    self.run.moved = Some((turn.at, turn.at.since(w.at).max(0.0)));
                    self.run.watch = None;
                }
                self.run.seen_open_switch = true;
                self.run.opened_since |= self.run.not_moved.is_some();
            }
            Happening::Gap { .. } => self.run.watch = None,
            Happening::Repair(at) => {
                if self.run.start.is_some() {
                    self.past.push(self.run.draft(t, *at, false));
                }
                self.run = Run::default();
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        if t.signals.seen(Channel::VentSolenoid) || t.signals.seen(Channel::SolenoidA) {
            self.run.step(t);
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let mut all = self.past.clone();
        if self.run.start.is_some() {
            all.push(self.run.draft(t, t.now(), true));
        }
        if all.is_empty() {
            all.push(Draft::not_run(
                Test::VentSolenoid,
                rule(t),
                vec!["neither vent_solenoid nor solenoid_a was recorded".into()],
                "clip the bench adapter to the solenoid feed",
            ));
        }
        all
    }

    fn under_way(&self, t: &Timeline) -> Option<(f64, String)> {
        self.run.start?;
        let electrical = self.run.coil.begun();
        let waits = match (t.signals.seen(Channel::SolenoidA), electrical, self.run.moved.is_some()) {
            (true, false, _) => "waits for the solenoid to switch",
            (_, _, false) => "waits for a vacuum to vent through it",
            _ => "seen; watched to the end",
        };
        Some((f64::from(u8::from(electrical) + u8::from(self.run.moved.is_some())) * 0.5, waits.into()))
    }
}

impl Run {
    fn vent(&mut self, t: &Timeline, turn: &Turn<Option<Vent>>) {
        if turn.to != Some(Vent::Open) {
            self.watch = None;
            return;
        }
        if turn.from != Some(Vent::Sealed) {
            return;
        }
        let p = &t.profile.set;
        let vacuum_pa = t.pressure_pa().filter(|(pa, e)| *pa + e <= -p.start_vent.least_vacuum_pa).map(|v| -v.0);
        let by_switch = t.switch().0 == Some(SwitchState::Closed)
            && self.seen_open_switch
            && !t.signals.seen(Channel::TankPressurePa);
        if vacuum_pa.is_some() || by_switch {
            self.watch = Some(Watch { at: turn.at, vacuum_pa, engine_at_rest: t.engine() != Some(Engine::Running) });
        } else {
            self.opened_without_vacuum += 1;
        }
    }

    fn step(&mut self, t: &Timeline) {
        let now = t.now();
        self.start.get_or_insert(now);
        if self.last == Some(now) {
            return;
        }
        self.last = Some(now);

        if let Some(w) = self.watch {
            let waited = now.since(w.at);
            if let (Some(vacuum), Some((pa, e))) = (w.vacuum_pa, t.pressure_pa())
                && pa >= -(0.3 * vacuum).max(e)
            {
                self.moved = Some((now, waited));
                self.watch = None;
            } else if waited > NO_EFFECT_S {
                if w.engine_at_rest {
                    self.not_moved = Some((now, waited));
                }
                self.watch = None;
            }
        }
        self.coil.step(t);
    }

    fn draft(&self, t: &Timeline, end: Stamp, open: bool) -> Draft {
        let s = &t.profile.set.solenoid;
        let mut d = Draft::run(Test::VentSolenoid, rule(t), self.start.unwrap_or(end), end);
        d.open = open;
        self.coil.note(&mut d);
        if self.coil.seen() {
            d.note(COIL_SEEN, "yes");
        }
        if let Some((_, seconds)) = self.moved {
            d.note("vacuum_gone_s", seconds);
        }
        if let Some((at, text)) = self.coil.fault() {
            d.decide(Verdict::Fail, *at);
            d.because(text.clone());
            d.note(FAULT, "coil");
            d.next("measure the coil's resistance and the feed at the module");
            return d;
        }
        if let Some((at, seconds)) = self.not_moved.filter(|_| self.moved.is_none()) {
            d.rests_on_switch = !t.signals.seen(Channel::TankPressurePa);
            if !d.rests_on_switch && !t.zero_known() && t.switch().0 != Some(SwitchState::Closed) {
                d.because(format!("{seconds:.0} s after it was commanded open the pressure had not moved, but the sensor's zero is not known: it may not have been vacuum"));
                d.next("zero the tap to air, then repeat");
                return d;
            }
            if d.rests_on_switch && !self.opened_since {
                d.because(format!("{seconds:.0} s after it was commanded open the switch still read closed, and has not opened since: the valve does not move, its path is blocked, or the switch is stuck"));
                d.next("unplug the module: a line that rises clears the wiring; then listen for the valve's click");
                return d;
            }
            d.decide(Verdict::Fail, at);
            d.note(FAULT, "not moved");
            d.because(format!("{seconds:.0} s after it was commanded open the vacuum still stood: the valve does not move, or its path is blocked"));
            d.next("listen for the valve's click; then check filter, hose and canister");
            return d;
        }
        if let Some(peak) = self.coil.pull_in_a().filter(|a| *a > s.pull_in_high_a) {
            d.decide(Verdict::Fail, end);
            d.note(FAULT, "coil");
            d.because(format!("pull-in peaks at {peak:.2} A, more than {:.1} A: shorted turns", s.pull_in_high_a));
            d.next("measure the coil's resistance");
            return d;
        }
        match (self.coil.seen(), self.moved) {
            (true, Some((_, seconds))) => {
                d.decide(Verdict::Pass, end);
                d.because(format!(
                    "holds with {:.2} A, off {:.2} A, and a standing vacuum went {seconds:.1} s after it opened",
                    self.coil.holds_with_a(),
                    self.coil.off_a()
                ));
                d.next("none");
            }
            (true, None) => {
                d.because(format!(
                    "its current is sound (holds with {:.2} A), but it was never opened against a vacuum: that it moves air is not shown",
                    self.coil.holds_with_a()
                ));
                d.next("open it after a sealed purge run or a soak that closed the switch");
            }
            (false, Some((_, seconds))) => {
                d.because(format!(
                    "a standing vacuum went {seconds:.1} s after it opened, but its current was not recorded on and off"
                ));
                d.next("record solenoid_a");
            }
            (false, None) => {
                d.because(if t.signals.seen(Channel::SolenoidA) {
                    "it was not seen both on and off"
                } else {
                    "its current was not recorded, and it was never opened against a vacuum"
                });
                d.next("record solenoid_a through a key-on and a sealed purge run");
            }
        }
        if self.opened_without_vacuum > 0 && self.moved.is_none() {
            d.because("it was opened with no vacuum in the tank: that shows nothing about the valve's path, nor about the switch");
        }
        d
    }
}

fn rule(t: &Timeline) -> String {
    let s = &t.profile.set.solenoid;
    format!(
        "energised it holds with {:.2} to {:.2} A mean ({}), off it draws under {:.2} A, and a standing vacuum collapses when it opens",
        s.hold_low_a,
        s.hold_high_a,
        t.profile.source("solenoid.hold_low_a"),
        s.off_below_a
    )
}
