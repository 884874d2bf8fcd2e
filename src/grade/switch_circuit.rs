//! Switch circuit: the sense line's levels, its bias, chatter, excess resistance, a stuck switch, a shared ground.

use super::contact::{BETWEEN_S, SharedGround, between_words, excess_ohm, next_step, too_much_words};
use super::draft::{Draft, Machine};
use super::levels::Levels;
use super::{CLOSED_VENTED, FAULTS, NO_BIAS_S};
use crate::channel::Channel;
use crate::time::Stamp;
use crate::timeline::{Happening, SwitchState, Timeline, Turn, Vent};
use crate::trade::{Test, Verdict};
use std::collections::VecDeque;

/// The machine: one run from repair to repair.
#[derive(Debug, Default)]
pub struct SwitchCircuit {
    past: Vec<Draft>,
    run: Run,
}

/// Flips this close to a turn of the switch are those of a contact near its point, seconds.
const NEAR_POINT_S: f64 = 30.0;

#[derive(Debug, Clone, Default)]
struct Run {
    start: Option<Stamp>,
    seen_open: Option<Stamp>,
    seen_closed: Option<Stamp>,
    turned_after_open: bool,
    no_bias: Option<Stamp>,
    no_bias_s: f64,
    /// Sense voltage while closed, solenoid off, bias certain.
    closed_v: Levels,
    open_v: Levels,
    between_since: Option<Stamp>,
    between_v: Levels,
    between_s: f64,
    ground: SharedGround,
    /// The switch last turned.
    turned: Option<Stamp>,
    bounces: VecDeque<Stamp>,
    chatter_minutes: Vec<Stamp>,
    closed_vented_since: Option<Stamp>,
    /// It read closed like that for over a minute, and has not opened since.
    closed_vented: Option<Stamp>,
    closed_flat_since: Option<Stamp>,
    open_deep_since: Option<Stamp>,
    faults: Vec<(Stamp, String, String)>,
    last: Option<Stamp>,
}

impl Machine for SwitchCircuit {
    fn test(&self) -> Test {
        Test::SwitchCircuit
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Switch(turn) => {
                self.run.turned = Some(turn.at);
                self.run.bounces.retain(|b| turn.at.since(*b) > NEAR_POINT_S);
                self.run.turn(turn);
            }
            Happening::Bounce(at) => self.run.bounce(t, *at),
            Happening::Repair(at) => {
                if self.run.start.is_some() {
                    let d = self.run.draft(t, *at, false);
                    self.past.push(d);
                }
                self.run = Run::default();
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        let seen = t.signals.seen(Channel::LeakSwitch) || t.signals.seen(Channel::SwitchSenseV);
        if t.profile.set.switch.fitted == "yes" && seen {
            self.run.step(t);
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let mut all = self.past.clone();
        if self.run.start.is_some() {
            all.push(self.run.draft(t, t.now(), true));
        }
        if all.is_empty() {
            let why = if t.profile.set.switch.fitted == "yes" {
                "neither leak_switch nor switch_sense_v was recorded"
            } else {
                "by its profile this vehicle has no leak switch"
            };
            all.push(Draft::not_run(
                Test::SwitchCircuit,
                rule(t),
                vec![why.into()],
                "tap the sense line with the bench adapter",
            ));
        }
        all
    }

    fn under_way(&self, _t: &Timeline) -> Option<(f64, String)> {
        self.run.start?;
        let seen = [self.run.seen_open.is_some(), self.run.turned_after_open];
        let waits = match seen {
            [false, _] => "waits to see the switch open",
            [true, false] => "waits to see the switch close",
            [true, true] => "both states seen; watched to the end",
        };
        Some((seen.iter().filter(|s| **s).count() as f64 * 0.5, waits.into()))
    }
}

impl Run {
    fn turn(&mut self, turn: &Turn<Option<SwitchState>>) {
        match turn.to {
            Some(SwitchState::Open) => {
                self.seen_open.get_or_insert(turn.at);
                self.closed_vented = None;
            }
            Some(SwitchState::Closed) => {
                self.seen_closed.get_or_insert(turn.at);
                self.turned_after_open |= turn.from == Some(SwitchState::Open);
            }
            Some(SwitchState::NoBias) => {
                self.no_bias.get_or_insert(turn.at);
            }
            None => {}
        }
    }

    fn bounce(&mut self, t: &Timeline, at: Stamp) {
        // Near its point every contact bounces in a gust, and so does a parked vehicle's in the wind.
        if self.turned.is_some_and(|turn| at.since(turn) < NEAR_POINT_S) || t.key().0 != Some(true) {
            return;
        }
        self.bounces.push_back(at);
        while self.bounces.front().is_some_and(|b| at.since(*b) > 60.0) {
            self.bounces.pop_front();
        }
        if self.bounces.len() as f64 > t.profile.set.sense.chatter_per_min {
            if self.chatter_minutes.last().is_none_or(|last| at.since(*last) > 60.0) {
                self.chatter_minutes.push(at);
            }
            self.bounces.clear();
            // One such minute may be a gust; a second one is the switch.
            if self.chatter_minutes.len() == 2 {
                self.fault(
                    at,
                    "contacts",
                    format!(
                        "the switch chatters: more than {:.0} short flips a minute, in separate minutes",
                        t.profile.set.sense.chatter_per_min
                    ),
                );
            }
        }
    }

    fn fault(&mut self, at: Stamp, part: &str, text: String) {
        if !self.faults.iter().any(|f| f.1 == part) {
            self.faults.push((at, part.to_owned(), text));
        }
    }

    fn step(&mut self, t: &Timeline) {
        let now = t.now();
        self.start.get_or_insert(now);
        let dt = self.last.map_or(0.0, |l| now.since(l)).clamp(0.0, 2.0);
        if self.last == Some(now) {
            return;
        }
        self.last = Some(now);
        let p = &t.profile.set;
        let key_on = t.key().0 == Some(true);
        let (switch, since) = t.switch();
        if switch == Some(SwitchState::NoBias) {
            self.no_bias_s += dt;
        }
        let settled = t.switch_raw() == switch && now.since(since) > p.sense.bounce_s;
        let amps = t.signals.get(Channel::SolenoidA);
        let solenoid_off = amps.is_none_or(|a| a <= p.solenoid.off_below_a)
            && t.signals.get(Channel::VentSolenoid).is_none_or(|v| v < 0.5);

        if let Some(v) = t.signals.get(Channel::SwitchSenseV) {
            let bias_sure = key_on || p.sense.bias == "always";
            if settled && bias_sure && solenoid_off {
                match switch {
                    Some(SwitchState::Closed) if v <= p.sense.closed_below_v => self.closed_v.add(v),
                    Some(SwitchState::Open) if v >= p.sense.open_above_v => self.open_v.add(v),
                    _ => {}
                }
            }
            if v > p.sense.closed_below_v && v < p.sense.open_above_v && key_on {
                self.between_since.get_or_insert(now);
                self.between_s += dt;
                self.between_v.add(v);
                if self.between_s > BETWEEN_S {
                    let volts = self.between_v.median().unwrap_or(v);
                    self.fault(now, "contacts", between_words(&p.sense, volts));
                }
            }
            // A closed line with too much resistance, though still below the closed level.
            if self.closed_v.count() == 40 || (self.closed_v.count() > 40 && self.closed_v.count().is_multiple_of(200))
            {
                self.judge_contact(t, now);
            }
        }

        if let Some(text) = self.ground.see(t, solenoid_off) {
            self.fault(now, "ground", text);
        }

        self.judge_stuck(t, now, switch, settled);
    }

    fn judge_contact(&mut self, t: &Timeline, now: Stamp) {
        let Some(volts) = self.closed_v.median() else { return };
        if let Some(text) = too_much_words(&t.profile.set.sense, volts) {
            self.fault(now, "contacts", text);
        }
    }

    fn judge_stuck(&mut self, t: &Timeline, now: Stamp, switch: Option<SwitchState>, settled: bool) {
        let p = &t.profile.set;
        let closed = switch == Some(SwitchState::Closed) && settled;
        let vented = t.vent().0 == Some(Vent::Open) && t.purge().0 != Some(true);
        let held = |since: &mut Option<Stamp>, is: bool| {
            if !is {
                *since = None;
                return 0.0;
            }
            now.since(*since.get_or_insert(now))
        };
        let vented_s = held(&mut self.closed_vented_since, closed && vented);
        if vented_s > 60.0 {
            self.closed_vented.get_or_insert(now.plus(-vented_s));
        }
        if vented_s > 60.0 && self.seen_open.is_none() {
            self.fault(
                now,
                "stuck closed",
                "the switch reads closed for over a minute with the vent open and purge off, and was never seen open: stuck closed, or the sense line shorted to ground".into(),
            );
        }
        // The pressure tap is a witness only once its zero is known.
        if let Some((pa, e)) = t.pressure_pa().filter(|(_, e)| *e <= 25.0) {
            let margin = e + 3.0 * t.pressure_noise_pa();
            let flat_s = held(
                &mut self.closed_flat_since,
                closed && pa > -(p.switch.reopens_low_pa - margin).max(0.0) && pa < 2000.0,
            );
            if flat_s > 20.0 && p.switch.reopens_low_pa > margin {
                self.fault(
                    now,
                    "stuck closed",
                    format!("the switch reads closed while the tank stands at {pa:.0} Pa: stuck closed, or the sense line shorted to ground"),
                );
            }
            let open = switch == Some(SwitchState::Open) && settled;
            let deep_s = held(&mut self.open_deep_since, open && pa < -(p.switch.closes_high_pa + margin));
            if deep_s > 5.0 {
                self.fault(
                    now,
                    "stuck open",
                    format!("the switch stays open at {pa:.0} Pa, where every sound one is closed: stuck open, or an open sense circuit"),
                );
            }
        } else {
            self.closed_flat_since = None;
            self.open_deep_since = None;
        }
    }

    fn draft(&self, t: &Timeline, end: Stamp, open: bool) -> Draft {
        let mut d = Draft::run(Test::SwitchCircuit, rule(t), self.start.unwrap_or(end), end);
        d.open = open;
        d.note("closed_v", self.closed_v.median());
        d.note("open_v", self.open_v.median());
        if let Some(v) = self.closed_v.median() {
            d.note("excess_ohm", excess_ohm(&t.profile.set.sense, v));
        }
        if self.ground.seen_on() {
            d.note("ground_rise_v", self.ground.rise_v());
        }
        d.note("chatter_minutes", self.chatter_minutes.len() as f64);
        if let Some(first) = self.faults.iter().map(|f| f.0).min() {
            d.decide(Verdict::Fail, first);
            for (_, _, text) in &self.faults {
                d.because(text.clone());
            }
            d.note(FAULTS, self.faults.iter().map(|f| f.1.as_str()).collect::<Vec<_>>().join(", "));
            d.next(next_step(&self.faults[0].1));
            return d;
        }
        if let Some(at) = self.no_bias {
            d.note(NO_BIAS_S, self.no_bias_s);
            d.because(format!(
                "the sense line lost its bias with the key off ({:.0} s): with nobody pulling it up it says nothing then",
                at.secs()
            ));
        }
        if let Some(since) = self.closed_vented {
            d.note(CLOSED_VENTED, "yes");
            d.because(format!(
                "the switch has read closed since {:.0} s, over a minute of it with the vent commanded open and purge off: it is stuck, or the vent does not open",
                since.secs()
            ));
            d.next("unplug the module: a line that rises clears the wiring; then listen for the vent valve");
            return d;
        }
        let levels = self.closed_v.count() >= 5 && self.open_v.count() >= 5;
        match (self.seen_open.is_some(), self.turned_after_open) {
            (true, true) if levels => {
                d.decide(Verdict::Pass, end);
                d.because(format!(
                    "both states seen: open {:.2} V, closed {:.2} V, {:.0} ohm beyond the built-in resistor",
                    self.open_v.median().unwrap_or(0.0),
                    self.closed_v.median().unwrap_or(0.0),
                    excess_ohm(&t.profile.set.sense, self.closed_v.median().unwrap_or(0.0)).max(0.0)
                ));
                d.next("none");
            }
            (true, true) => {
                d.because("the switch was seen open and closed, but the sense line's voltage was not recorded in both states: contact resistance is not judged");
                d.next("record switch_sense_v");
            }
            (true, false) => {
                d.because("the switch was only seen open: whether it can close is not shown (a solenoid command alone cannot show it, only vacuum can)");
                d.next("draw a vacuum: a sealed purge run, or a syringe at the tap");
            }
            (false, _) if self.seen_closed.is_some() => {
                d.because("the switch was only seen closed: stuck closed, shorted, without bias or held by vacuum cannot be told apart yet");
                d.next("open the vent and watch the line rise");
            }
            _ => {
                d.because("the sense line never told a state");
                d.next("check the adapter's sense tap and the line's bias");
            }
        }
        d
    }
}

fn rule(t: &Timeline) -> String {
    let s = &t.profile.set.sense;
    format!(
        "sense line above {:.1} V open, below {:.1} V closed; at most {:.0} ohm beyond the built-in resistor ({}); ground rise under {:.2} V with the solenoid on ({}); no chatter; closed only with vacuum",
        s.open_above_v,
        s.closed_below_v,
        s.excess_ohm,
        t.profile.source("sense.excess_ohm"),
        s.ground_rise_v,
        t.profile.source("sense.ground_rise_v")
    )
}
