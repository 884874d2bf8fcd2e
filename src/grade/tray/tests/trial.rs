//! A rig for the tests of this room: a bottle with a hole, reliefs and a vent, worked by a script, its trace with seeded
//! noise and lag. Its gas is moles and temperature of the wall's lag, to first order; the simulator has its own.

use crate::channel::Channel;
use crate::decode::Reading;
use crate::grade::draft::{Draft, Machine};
use crate::grade::verdict::Evidence;
use crate::physics::{gas, orifice};
use crate::profile::{Profile, load};
use crate::record::Event;
use crate::time::Stamp;
use crate::timeline::{Rig, Timeline};
use rand_core::Rng;
use rand_pcg::Pcg64;
use std::sync::Arc;

/// One thing the hand does.
#[derive(Debug, Clone, Copy)]
pub enum Do {
    /// Bleed open for so many seconds.
    Open(f64),
    /// Plunger moved at so many Pa/s of a tight bottle until the gauge comes to this pressure, or for 20 s.
    To(f64, f64),
    /// Plunger moved at so many Pa/s for so many seconds, whatever the gauge does.
    On(f64, f64),
    /// Plunger at rest.
    Rest(f64),
    /// This is put on the rig (bleed open for 4 s).
    Put(Rig),
    /// The plug comes off the vent-side port, the syringe at rest.
    Unplug,
    /// Solenoid on or off.
    Energise(bool),
}

/// A spring-loaded valve.
#[derive(Debug, Clone, Copy)]
pub struct Valve {
    /// Opens at, Pa.
    pub opens_pa: f64,
    /// Shuts at, Pa.
    pub shuts_pa: f64,
    /// When open, mm; grows with what it is beyond.
    pub mm: f64,
    /// Floats in balance with the flow, without a snap.
    pub floats: bool,
}

/// The rig, and the part on it.
#[derive(Debug, Clone)]
pub struct Trial {
    pub litres: f64,
    /// Hole of the module.
    pub hole_mm: f64,
    /// Hole of the rig itself.
    pub rig_hole_mm: f64,
    pub settling_s: f64,
    pub noise_pa: f64,
    pub step_pa: f64,
    pub lag_s: f64,
    pub zero_pa: f64,
    pub hz: f64,
    /// Pressure and vacuum relief.
    pub reliefs: [Option<Valve>; 2],
    /// Open vent path; 0: the valve does not move.
    pub vent_mm: f64,
    /// The vent valve stands open.
    pub vent_stands_open: bool,
    pub pull_in_a: f64,
    pub hold_a: f64,
    pub seed: u64,
    pub sets: &'static [&'static str],
}

impl Default for Trial {
    fn default() -> Trial {
        Trial {
            litres: 2.0,
            hole_mm: 0.0,
            rig_hole_mm: 0.0,
            settling_s: 2.0,
            noise_pa: 1.2,
            step_pa: 1.0,
            lag_s: 0.015,
            zero_pa: 4.0,
            hz: 50.0,
            reliefs: [None, None],
            vent_mm: 6.0,
            vent_stands_open: false,
            pull_in_a: 1.4,
            hold_a: 0.15,
            seed: 1,
            sets: &[],
        }
    }
}

/// The positive control, done rightly.
pub const CONTROL: &[Do] = &[
    Do::Open(4.0),
    Do::Put(Rig::Sealed),
    Do::To(-550.0, 250.0),
    Do::Rest(25.0),
    Do::Open(3.0),
    Do::Put(Rig::Orifice { mm: 0.5 }),
    Do::To(-550.0, 600.0),
    Do::Rest(12.0),
    Do::Open(3.0),
    Do::Put(Rig::Module),
];

const BARO: f64 = 101_325.0;
const DT: f64 = 0.0005;

struct State {
    m: f64,
    h: f64,
    shown: f64,
    lifted: [bool; 2],
    bleed: bool,
    energised_s: Option<f64>,
    t: f64,
    due: f64,
    sent: f64,
}

impl Trial {
    pub fn profile(&self) -> Profile {
        let sets: Vec<String> = self.sets.iter().map(|s| (*s).to_owned()).collect();
        load("module-on-the-tray", &sets).unwrap()
    }

    /// Runs the script through the timeline into the machine; what it says at the end.
    pub fn run<M: Machine + Default>(&self, script: &[&[Do]]) -> Vec<Draft> {
        let mut machine = M::default();
        let mut t = Timeline::new(Arc::new(self.profile()), 1);
        let mut pcg = Pcg64::new(u128::from(self.seed), 77);
        let mut bell =
            move || (0..4).map(|_| f64::from(pcg.next_u32()) / 4_294_967_296.0 - 0.5).sum::<f64>() * 3f64.sqrt();
        let mut s = State {
            m: 0.0,
            h: 0.0,
            shown: 0.0,
            lifted: [false; 2],
            bleed: true,
            energised_s: None,
            t: 0.0,
            due: 0.0,
            sent: f64::NAN,
        };
        let mut rig = Rig::Module;
        for step in script.iter().flat_map(|part| part.iter()) {
            s.bleed = matches!(step, Do::Open(_) | Do::Put(_));
            let most = match *step {
                Do::Open(x) | Do::Rest(x) | Do::On(_, x) => x,
                Do::Put(_) => 4.0,
                Do::To(..) => 20.0,
                Do::Unplug => 0.0,
                Do::Energise(on) => {
                    s.energised_s = on.then_some(0.0);
                    0.0
                }
            };
            if let Some(r) = match *step {
                Do::Put(r) => Some(r),
                Do::Unplug => Some(Rig::Module),
                _ => None,
            } {
                rig = r;
                let mut out = Vec::new();
                let note = Event::Note { note_kind: "rig".to_owned(), text: r.to_string() };
                t.event(Stamp::from_secs(s.t), 1, &note, &mut out);
                for h in &out {
                    machine.happening(&t, h);
                }
            }
            let (way, begun) = (if let Do::To(to, _) = *step { (to - (s.m + s.h)).signum() } else { 0.0 }, s.t);
            while s.t - begun < most {
                let hand = match *step {
                    Do::To(to, rate) if (s.m + s.h - to) * way < 0.0 => way * rate,
                    Do::To(..) => break,
                    Do::On(rate, _) => rate,
                    _ => 0.0,
                };
                self.step(&mut s, rig, hand);
                if s.t >= s.due {
                    s.due += 1.0 / self.hz;
                    self.row(&mut s, &mut bell, &mut t, &mut machine);
                }
            }
        }
        // Some seconds more, so that the last stroke ends.
        s.bleed = true;
        for _ in 0..8000 {
            self.step(&mut s, rig, 0.0);
            if s.t >= s.due {
                s.due += 1.0 / self.hz;
                self.row(&mut s, &mut bell, &mut t, &mut machine);
            }
        }
        machine.drafts(&t)
    }

    fn step(&self, s: &mut State, rig: Rig, hand: f64) {
        let p = s.m + s.h;
        let rho = gas::air_density(BARO, 293.15);
        let k = |mm: f64| orifice::leak_rate(0.6, mm, self.litres * 1e-3, BARO, rho);
        let mut mm2 = self.rig_hole_mm * self.rig_hole_mm + if s.bleed { 16.0 } else { 0.0 };
        match rig {
            Rig::Sealed => {}
            Rig::VentPlugged => mm2 += self.hole_mm * self.hole_mm,
            Rig::Orifice { mm } => mm2 += mm * mm,
            Rig::Module => {
                mm2 += self.hole_mm * self.hole_mm;
                // 20 ms until the valve moves.
                if self.vent_stands_open || s.energised_s.is_some_and(|e| e > 0.02) {
                    mm2 += self.vent_mm * self.vent_mm;
                }
                for (i, valve) in self.reliefs.iter().enumerate() {
                    let Some(v) = valve else { continue };
                    let x = if i == 0 { p } else { -p };
                    if v.floats {
                        mm2 += v.mm * v.mm * ((x - v.opens_pa) / 10.0).clamp(0.0, 1.0);
                    } else {
                        s.lifted[i] = x > v.opens_pa || (s.lifted[i] && x > v.shuts_pa);
                        mm2 += if s.lifted[i] { v.mm * v.mm } else { 0.0 };
                    }
                }
            }
        }
        // Moles go to nothing no faster than to nothing.
        let leak = (k(1.0) * mm2 * p.abs().sqrt() * DT).min(0.7 * p.abs()) * -p.signum();
        let dm = hand * DT / 1.4 + leak;
        s.m += dm;
        s.h += 0.4 * dm - s.h * DT / self.settling_s;
        s.shown += (s.m + s.h - s.shown) * DT / (self.lag_s + DT);
        s.t += DT;
        if let Some(e) = &mut s.energised_s {
            *e += DT;
        }
    }

    fn row<M: Machine>(&self, s: &mut State, bell: &mut impl FnMut() -> f64, t: &mut Timeline, machine: &mut M) {
        let mut r = Reading::new(Stamp::from_secs(s.t), 1);
        let pa = ((s.shown + self.zero_pa + self.noise_pa * bell()) / self.step_pa).round() * self.step_pa;
        // Only changes are sent.
        if pa != s.sent {
            r.set(Channel::TankPressurePa, pa);
            s.sent = pa;
        }
        r.set(Channel::VentSolenoid, f64::from(u8::from(s.energised_s.is_some())));
        let (mean, peak) = match s.energised_s {
            Some(e) if e < 0.12 => (self.pull_in_a, self.pull_in_a),
            Some(_) => (self.hold_a, 1.2 * self.hold_a),
            None => (0.0, 0.0),
        };
        r.set(Channel::SolenoidA, mean);
        r.set(Channel::SolenoidPeakA, peak);
        r.set(Channel::AmbientC, 20.0);
        r.set(Channel::BaroKpa, BARO * 1e-3);
        let mut out = Vec::new();
        t.reading(&r, &mut out);
        for h in &out {
            machine.happening(t, h);
        }
        machine.step(t);
    }
}

/// The one draft.
pub fn only(mut drafts: Vec<Draft>) -> Draft {
    assert_eq!(drafts.len(), 1, "{drafts:#?}");
    drafts.remove(0)
}

/// A number of evidence.
pub fn number(d: &Draft, name: &str) -> f64 {
    match d.finding.evidence.get(name) {
        Some(Evidence::Num(n)) => n.0,
        other => panic!("{name}: {other:?} of {d:#?}"),
    }
}

/// A word of evidence.
pub fn word(d: &Draft, name: &str) -> String {
    match d.finding.evidence.get(name) {
        Some(Evidence::Text(s)) => s.clone(),
        other => panic!("{name}: {other:?} of {d:#?}"),
    }
}
