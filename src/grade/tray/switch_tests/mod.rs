//! The tray's tests on traces made here: a hand, a small volume, a switch, a transducer and a sense line, each in a
//! few lines and of its own, so that what is true is known.

mod circuit;
mod point;

use crate::channel::Channel;
use crate::decode::Reading;
use crate::grade::verdict::{Evidence, Finding, Part};
use crate::grade::{Bench, Graded};
use crate::profile::load_builtin;
use crate::record::Event;
use crate::time::Stamp;
use crate::timeline::Timeline;
use crate::trade::{Subject, Test, Verdict};
use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::{Rng, SeedableRng};
use std::sync::Arc;

/// One thing the hand does.
#[derive(Clone, Copy)]
enum Do {
    /// Port open for so many seconds.
    Open(f64),
    /// Plunger moved until the rig stands at this pressure, in so many seconds.
    To(f64, f64),
    /// Plunger at rest.
    Rest(f64),
    /// The solenoid energised: the vent opens.
    Energise(f64),
    /// A note on the rig.
    Note(&'static str),
}

#[derive(Clone, Copy)]
struct Rig {
    hz: f64,
    noise: f64,
    step: f64,
    lag: f64,
    gain: f64,
    zero: f64,
    closes: f64,
    reopens: f64,
    /// The closing point differs from stroke to stroke by up to this much either way.
    wanders: f64,
    /// The closing point grows with the speed of the stroke by this many seconds of it.
    drags: f64,
    /// Never closes, or never opens.
    stuck: Option<bool>,
    contact_ohm: f64,
    ground_ohm: f64,
    /// The contact bounces for so long at each edge.
    bounces_s: f64,
    /// It lets go again and again, once it is closed.
    chatters: bool,
    seed: u64,
}

const SOUND: Rig = Rig {
    hz: 50.0,
    noise: 2.0,
    step: 1.0,
    lag: 0.02,
    gain: 1.0,
    zero: 4.0,
    closes: 250.0,
    reopens: 150.0,
    wanders: 0.0,
    drags: 0.0,
    stuck: None,
    contact_ohm: 3.0,
    ground_ohm: 0.02,
    bounces_s: 0.004,
    chatters: false,
    seed: 1,
};

use Do::{Energise, Note, Open, Rest, To};

/// Slow and quick strokes over the point, with stops, and the solenoid with a vacuum behind it and without.
const ROUND: &[Do] = &[
    Open(3.0),
    To(-400.0, 6.0),
    Rest(2.0),
    To(-40.0, 6.0),
    Open(2.0),
    To(-450.0, 2.5),
    Rest(2.0),
    To(-50.0, 3.0),
    Open(2.0),
    To(-380.0, 9.0),
    Rest(1.5),
    To(-60.0, 5.0),
    Open(2.0),
    To(-420.0, 4.0),
    Rest(2.0),
    To(-40.0, 8.0),
    Open(1.5),
    Energise(2.0),
    Open(1.0),
    To(-500.0, 3.0),
    Rest(2.0),
    Energise(2.0),
    Open(3.0),
];

impl Rig {
    /// What the judge makes of the script.
    fn judged(&self, script: &[Do]) -> Graded {
        let profile = Arc::new(load_builtin("module-on-the-tray").unwrap());
        let mut t = Timeline::new(Arc::clone(&profile), 1);
        let mut bench = Bench::new(Subject::Module);
        let mut rng = Pcg64Mcg::seed_from_u64(self.seed);
        let mut bell = || (0..12).map(|_| f64::from(rng.next_u32()) / 4_294_967_296.0).sum::<f64>() - 6.0;
        let dt = 0.001;
        let (mut now, mut p, mut shown, mut due) = (0.0f64, 0.0f64, self.zero, 0.0f64);
        let (mut closed, mut turned, mut closes) = (self.stuck == Some(false), -10.0, self.closes);
        let mut out = Vec::new();
        for step in script {
            if let Note(text) = step {
                let note = Event::Note { note_kind: "rig".into(), text: (*text).into() };
                out.clear();
                t.event(Stamp::from_secs(now), 0, &note, &mut out);
                out.iter().for_each(|h| bench.happening(&t, h));
                continue;
            }
            let (Open(s) | To(_, s) | Rest(s) | Energise(s)) = *step else { continue };
            let from = p;
            let n = (s / dt).round() as usize;
            let way = |x: f64| x * x * x * (10.0 - 15.0 * x + 6.0 * x * x);
            for i in 0..n {
                let before = p;
                match *step {
                    To(to, _) => p += (to - from) * (way((i + 1) as f64 / n as f64) - way(i as f64 / n as f64)),
                    Open(_) | Energise(_) => p -= p * dt / 0.04,
                    _ => {}
                }
                let rate = (before - p) / dt;
                let on_rig = t.rig().0 == crate::timeline::Rig::Module;
                let vacuum = if on_rig { -p } else { 0.0 };
                let was = closed;
                if vacuum > closes + self.drags * rate.max(0.0) {
                    closed = true;
                } else if vacuum < self.reopens {
                    closed = false;
                }
                closed = self.stuck.map_or(closed, |open| !open);
                if closed != was {
                    turned = now;
                    if !closed {
                        closes = self.closes + self.wanders * (bell() / 2.0).clamp(-1.0, 1.0);
                    }
                }
                shown += (p * self.gain + self.zero - shown) * (dt / (self.lag + dt));
                now += dt;
                if now < due {
                    continue;
                }
                due += 1.0 / self.hz;
                let energised = matches!(step, Energise(_));
                let amps = if energised { 0.9 } else { 0.0 };
                let ground = amps * self.ground_ohm;
                // While it bounces or chatters the contact is off every other row or so.
                let bouncing = now - turned < self.bounces_s && ((now - turned) * self.hz) as u64 % 2 == 1;
                let letting_go = self.chatters && closed && (now * 2.2).fract() < 0.35;
                let made = closed && !bouncing && !letting_go;
                let line = if made { 5.0 * self.contact_ohm / (1000.0 + self.contact_ohm) + ground } else { 4.98 };
                let raw = shown + self.noise * bell();
                let mut r = Reading::new(Stamp::from_secs(now), 1);
                r.set(Channel::TankPressurePa, (raw / self.step).round() * self.step);
                r.set(Channel::SwitchSenseV, line + 0.004 * bell());
                r.set(Channel::SolenoidA, amps + 0.002 * bell());
                r.set(Channel::SolenoidPeakA, amps * 1.6);
                r.set(Channel::GroundV, ground + 0.002 * bell());
                r.set(Channel::VentSolenoid, f64::from(u8::from(energised)));
                r.set(Channel::BatteryV, 13.6);
                out.clear();
                t.reading(&r, &mut out);
                out.iter().for_each(|h| bench.happening(&t, h));
                bench.step(&t);
            }
        }
        bench.grade(&t)
    }

    fn finding(&self, script: &[Do], test: Test) -> Finding {
        self.judged(script).findings.into_iter().find(|f| f.test == test).unwrap()
    }
}

fn number(f: &Finding, name: &str) -> f64 {
    match f.evidence.get(name) {
        Some(Evidence::Num(n)) => n.0,
        other => panic!("{name} is {other:?} in {f:#?}"),
    }
}

fn says(f: &Finding, part: &str) -> bool {
    f.reasons.iter().any(|r| r.contains(part))
}

#[test]
fn without_a_control_nothing_is_cleared_or_condemned() {
    let part = |rig: Rig| -> Part { rig.judged(ROUND).part.unwrap() };
    for rig in [SOUND, Rig { contact_ohm: 400.0, ..SOUND }] {
        let part = part(rig);
        assert_eq!(part.verdict.word(), "repeat", "{part:#?}");
    }
}

#[test]
fn on_the_tray_every_test_has_its_word() {
    let g = SOUND.judged(&[Open(2.0)]);
    assert_eq!(
        g.summary.keys().copied().collect::<std::collections::BTreeSet<_>>(),
        Test::of(Subject::Module).iter().copied().collect()
    );
    assert!(g.findings.iter().all(|f| f.verdict == Verdict::NotRun || f.test == Test::SwitchCircuit), "{g:#?}");
    assert!(g.findings.iter().all(|f| !f.reasons.is_empty() && !f.next.is_empty()), "{g:#?}");
}
