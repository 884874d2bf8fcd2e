//! Switch circuit on the tray: levels and contact resistance, bounce and chatter, the shared ground, open and short.
//!
//! On the tray the vacuum is known, so a switch that never turns is told from one that was never asked to.

use super::edges::{Edge, Edges};
use crate::channel::Channel;
use crate::grade::contact::{BETWEEN_S, SharedGround, between_words, excess_ohm, next_step, too_much_words};
use crate::grade::draft::{Draft, Machine};
use crate::grade::levels::Levels;
use crate::time::Stamp;
use crate::timeline::{
    ENERGISED_WITHOUT_VACUUM, Happening, Rig, SpoilerKind, Stroke, StrokeKind, SwitchState, Timeline, Turn,
};
use crate::trade::{Test, Verdict};

/// The machine: one run from repair to repair.
#[derive(Debug, Default)]
pub(in crate::grade) struct SwitchCircuit {
    past: Vec<Draft>,
    run: Run,
}

#[derive(Debug, Clone, Default)]
struct Run {
    start: Option<Stamp>,
    last: Option<Stamp>,
    trace: Edges,
    closed_v: Levels,
    open_v: Levels,
    /// While the solenoid is on.
    closed_on_v: Levels,
    open_on_v: Levels,
    between_v: Levels,
    between_s: f64,
    ground: SharedGround,
    seen_open: bool,
    seen_closed: bool,
    turned_after_open: bool,
    no_bias: Option<Stamp>,
    edges: u32,
    /// Longest bounce of an edge.
    bounce_s: f64,
    /// Sampling interval of the best timed edge.
    sampled_s: f64,
    /// Edges timed well enough to see a bounce.
    timed_edges: u32,
    long_bounces: u32,
    /// Turns against the vacuum: it let go while vacuum grew, or made while it went.
    wrong_turns: u32,
    /// Short flips away from any edge.
    flips: Vec<Stamp>,
    chatters: Option<Stamp>,
    /// Too large a share of the edges was odd when the last one came.
    odd_edges: Option<Stamp>,
    closed_flat_s: f64,
    /// The line has read open since then, without a flip.
    open_since: Option<Stamp>,
    open_deep_s: f64,
    deepest_open_pa: f64,
    energised_without_vacuum: u32,
    faults: Vec<(Stamp, String, String)>,
}

/// A switch counts as stuck when it stood wrong for this long in all, seconds.
const STUCK_S: f64 = 3.0;
/// A switch that is stuck does not close at this many times the highest sound point either; one that closes late may.
const STUCK_BEYOND: f64 = 1.5;
/// So many edges bounce, or turns go the wrong way, before the contact is at fault: one may be a jolt.
const AGAIN: u32 = 2;
/// And they are one in so many of all edges.
const ODD_SHARE: u32 = 4;
/// A flip this close to a turn belongs to it, seconds.
const OWN_S: f64 = 1.0;

impl Machine for SwitchCircuit {
    fn test(&self) -> Test {
        Test::SwitchCircuit
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Switch(turn) => self.run.turn(t, turn),
            Happening::Bounce(at) => self.run.flip(t, *at),
            Happening::Gap { .. } | Happening::Rig(..) => {
                self.run.trace.clear();
                self.run.open_since = None;
            }
            Happening::Stroke(s) => self.run.stroke(t, s),
            Happening::Spoiler(s) if s.kind == SpoilerKind::NoVacuum => self.run.energised_without_vacuum += 1,
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
        let seen = t.signals.seen(Channel::LeakSwitch) || t.signals.seen(Channel::SwitchSenseV);
        if t.profile.set.switch.fitted == "yes" && seen && self.run.last != Some(t.now()) {
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
                "by its profile this module has no leak switch"
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
        let r = &self.run;
        let seen = [r.seen_open, r.turned_after_open, r.ground.seen_on()];
        let waits = match seen {
            [false, ..] => "waits to see the switch open",
            [true, false, _] => "waits for a draw that closes the switch",
            [true, true, false] => "waits for the solenoid, to see the shared ground under current",
            _ => "all seen; watched to the end",
        };
        Some((seen.iter().filter(|s| **s).count() as f64 / 3.0, waits.into()))
    }
}

impl Run {
    fn turn(&mut self, t: &Timeline, turn: &Turn<Option<SwitchState>>) {
        match turn.to {
            Some(SwitchState::Open) => self.seen_open = true,
            Some(SwitchState::Closed) => {
                self.seen_closed = true;
                self.turned_after_open |= turn.from == Some(SwitchState::Open);
            }
            Some(SwitchState::NoBias) => {
                self.no_bias.get_or_insert(turn.at);
            }
            None => {}
        }
        self.flips.retain(|f| turn.at.since(*f) > OWN_S);
        if let Some(edge) = self.trace.turn(t, turn) {
            self.edge(t, edge);
        }
    }

    fn edge(&mut self, t: &Timeline, edge: Edge) {
        self.edges += 1;
        self.bounce_s = self.bounce_s.max(edge.bounced_s);
        self.sampled_s = if self.edges == 1 { edge.sampled_s } else { self.sampled_s.min(edge.sampled_s) };
        self.timed_edges += u32::from(edge.sampled_s <= t.profile.set.tray.bounce_within_s);
        // Between two samples a contact may have been at rest for nearly all of their distance.
        if edge.bounced_s - edge.sampled_s > t.profile.set.tray.bounce_within_s {
            self.long_bounces += 1;
        }
        let moves = edge.rate.abs() > t.profile.set.tray.moving_pa_per_s;
        if moves && (edge.rate > 0.0) != edge.closes {
            self.wrong_turns += 1;
        }
        // Only where most edges do so is it the contact: a hand that hovers at the point, or a vacuum that leaks away
        // there, makes one look like it.
        let odd = self.long_bounces + self.wrong_turns;
        self.odd_edges = (odd >= AGAIN && ODD_SHARE * odd >= self.edges).then_some(edge.at);
    }

    fn flip(&mut self, t: &Timeline, at: Stamp) {
        self.flips.push(at);
        self.flips.retain(|f| at.since(*f) < 60.0);
        // The last may yet turn out to lead to a turn.
        let away = self.flips.iter().filter(|f| at.since(**f) > OWN_S).count();
        if away as f64 > t.profile.set.sense.chatter_per_min {
            self.chatters.get_or_insert(at);
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
        self.last = Some(now);
        self.trace.step(t);
        if t.switch_raw() == Some(SwitchState::Open) {
            self.open_since.get_or_insert(now);
        } else {
            self.open_since = None;
        }
        let p = &t.profile.set;
        let (switch, since) = t.switch();
        let settled = t.switch_raw() == switch && now.since(since) > p.sense.bounce_s;
        let amps = t.signals.get(Channel::SolenoidA);
        let solenoid_off = amps.is_none_or(|a| a <= p.solenoid.off_below_a)
            && t.signals.get(Channel::VentSolenoid).is_none_or(|v| v < 0.5);

        if let Some(v) = t.signals.get(Channel::SwitchSenseV) {
            if settled {
                match switch {
                    Some(SwitchState::Closed) if v <= p.sense.closed_below_v => {
                        if solenoid_off { &mut self.closed_v } else { &mut self.closed_on_v }.add(v);
                    }
                    Some(SwitchState::Open) if v >= p.sense.open_above_v => {
                        if solenoid_off { &mut self.open_v } else { &mut self.open_on_v }.add(v);
                    }
                    _ => {}
                }
            }
            if v > p.sense.closed_below_v && v < p.sense.open_above_v {
                self.between_s += dt;
                self.between_v.add(v);
                if self.between_s > BETWEEN_S {
                    let volts = self.between_v.median().unwrap_or(v);
                    self.fault(now, "contacts", between_words(&p.sense, volts));
                }
            }
        }
        if let Some(text) = self.ground.see(t, solenoid_off) {
            self.fault(now, "ground", text);
        }
        self.watch_stuck(t, dt, switch.filter(|_| settled));
    }

    /// A vacuum that is held shows a switch that does not close; one that goes as it is drawn may not reach it.
    fn stroke(&mut self, t: &Timeline, s: &Stroke) {
        let open = self.open_since.is_some_and(|o| o <= s.start);
        let least = (-s.from_pa).min(-s.to_pa);
        let deep = STUCK_BEYOND * t.profile.set.switch.closes_high_pa + 3.0 * t.pressure_noise_pa();
        if s.kind == StrokeKind::Hold && s.rig == Rig::Module && open && least > deep {
            self.open_deep_s += s.end.since(s.start);
            self.deepest_open_pa = self.deepest_open_pa.max(least);
        }
    }

    fn watch_stuck(&mut self, t: &Timeline, dt: f64, switch: Option<SwitchState>) {
        let p = &t.profile.set;
        // Only what sits on the rig feels its vacuum; and a vented diaphragm feels none.
        let Some((pa, e)) = t.pressure_pa().filter(|_| t.rig().0 == Rig::Module) else { return };
        let margin = e + 3.0 * t.pressure_noise_pa() + p.tray.transducer_error_pct * 0.01 * pa.abs();
        match switch {
            Some(SwitchState::Closed) if -pa < p.switch.reopens_low_pa - margin => {
                self.closed_flat_s += dt;
                if self.closed_flat_s > STUCK_S {
                    let text = format!(
                        "the switch reads closed while the rig stands at {pa:.0} Pa: stuck closed, or the sense line shorted to ground"
                    );
                    self.fault(t.now(), "stuck closed", text);
                }
            }
            _ => {}
        }
    }

    fn draft(&self, t: &Timeline, end: Stamp, open: bool) -> Draft {
        let s = &t.profile.set.sense;
        let mut d = Draft::run(Test::SwitchCircuit, rule(t), self.start.unwrap_or(end), end);
        d.open = open;
        d.note("closed_v", self.closed_v.median());
        d.note("open_v", self.open_v.median());
        d.note("closed_solenoid_on_v", self.closed_on_v.median());
        d.note("open_solenoid_on_v", self.open_on_v.median());
        if let Some(v) = self.closed_v.median() {
            d.note("excess_ohm", excess_ohm(s, v));
        }
        if self.ground.seen_on() {
            d.note("ground_rise_v", self.ground.rise_v());
        }
        d.note("edges", f64::from(self.edges));
        if self.edges > 0 {
            d.note("bounce_s", self.bounce_s);
            d.note("bounce_sampled_s", self.sampled_s);
        }
        d.note("long_bounces", f64::from(self.long_bounces));
        d.note("wrong_turns", f64::from(self.wrong_turns));

        let mut faults = self.faults.clone();
        if let Some(text) =
            self.closed_v.median().filter(|_| self.closed_v.count() >= 5).and_then(|v| too_much_words(s, v))
            && !faults.iter().any(|f| f.1 == "contacts")
        {
            faults.push((end, "contacts".into(), text));
        }
        if let Some(at) = self.chatters.or(self.odd_edges) {
            let text = format!(
                "the contact chatters: {} of {} edges took longer than {:.0} ms to come to rest, {} turns went against the vacuum",
                self.long_bounces,
                self.edges,
                t.profile.set.tray.bounce_within_s * 1e3,
                self.wrong_turns
            );
            faults.push((at, "chatter".into(), text));
        }
        if !self.seen_closed && self.open_deep_s > STUCK_S {
            let text = format!(
                "the switch never closed, not with {:.0} Pa of vacuum held either: stuck open, or an open sense circuit",
                self.deepest_open_pa
            );
            faults.push((end, "stuck open".into(), text));
        }
        if let Some(first) = faults.iter().map(|f| f.0).min() {
            d.decide(Verdict::Fail, first);
            for (_, _, text) in &faults {
                d.because(text.clone());
            }
            d.note("faults", faults.iter().map(|f| f.1.as_str()).collect::<Vec<_>>().join(", "));
            d.next(match faults[0].1.as_str() {
                "chatter" => "replace the module: its contact does not stay where it is put",
                part => next_step(part),
            });
        } else {
            self.judge_sound(t, &mut d, end);
        }
        if self.energised_without_vacuum > 0 {
            let often = match self.energised_without_vacuum {
                1 => "once".to_owned(),
                n => format!("{n} times"),
            };
            d.because(format!("{ENERGISED_WITHOUT_VACUUM}; it was tried {often}"));
        }
        d
    }

    fn judge_sound(&self, t: &Timeline, d: &mut Draft, end: Stamp) {
        let s = &t.profile.set.sense;
        let levels = self.closed_v.count() >= 5 && self.open_v.count() >= 5;
        let ground = self.ground.seen_on() && self.ground.seen_off() >= 5;
        if let Some(at) = self.no_bias {
            d.because(format!(
                "the sense line had no bias at {:.0} s: with nobody pulling it up it says nothing",
                at.secs()
            ));
            d.next("switch the bench adapter's pull-up on");
        } else if !self.seen_open && self.seen_closed {
            d.because("the switch was only seen closed, and the rig never stood at zero meanwhile");
            d.next("let the rig to zero and watch the line rise");
        } else if !self.seen_open {
            d.because("the sense line never told a state");
            d.next("check the adapter's sense tap and its pull-up");
        } else if !self.turned_after_open {
            d.because("the switch was only seen open: only a vacuum can show that it closes");
            d.next("draw a vacuum past the switch's point");
        } else if !levels {
            d.because("the switch was seen open and closed, but too briefly for the sense line's voltage in both states: contact resistance is not judged");
            d.next("record switch_sense_v, and hold a second past the point");
        } else if !ground {
            d.because(if t.signals.seen(Channel::GroundV) {
                "the shared ground was not seen with the solenoid on and off: a bad one shows under current alone"
            } else {
                "the shared ground was not recorded (ground_v), so a bad one would not be seen"
            });
            d.next("connect the ground reference lead and energise the solenoid for two seconds, a vacuum held");
        } else {
            let closed = self.closed_v.median().unwrap_or(0.0);
            d.decide(Verdict::Pass, end);
            d.because(format!(
                "both states seen: open {:.2} V, closed {closed:.2} V, {:.0} ohm beyond the built-in resistor; the shared ground stays down with the solenoid on",
                self.open_v.median().unwrap_or(0.0),
                excess_ohm(s, closed).max(0.0)
            ));
            d.next("none");
        }
        let within = t.profile.set.tray.bounce_within_s;
        if self.edges > 0 && self.timed_edges == 0 {
            d.because(format!(
                "the line was sampled each {:.0} ms: a bounce of {:.0} ms would not be seen, and is not judged",
                self.sampled_s * 1e3,
                within * 1e3
            ));
        }
    }
}

fn rule(t: &Timeline) -> String {
    let (s, tray) = (&t.profile.set.sense, &t.profile.set.tray);
    format!(
        "sense line above {:.1} V open, below {:.1} V closed; at most {:.0} ohm beyond the built-in resistor ({}); ground rise under {:.2} V with the solenoid on ({}); at rest within {:.0} ms of an edge ({}); closed only with vacuum, open only without",
        s.open_above_v,
        s.closed_below_v,
        s.excess_ohm,
        t.profile.source("sense.excess_ohm"),
        s.ground_rise_v,
        t.profile.source("sense.ground_rise_v"),
        tray.bounce_within_s * 1e3,
        t.profile.source("tray.bounce_within_s")
    )
}
