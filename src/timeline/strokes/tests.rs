//! Strokes of a small rig made here: the syringe moves along a given path, the gas leaks by a given law, the
//! transducer lags, rounds and is noisy.

use super::*;
use crate::profile::load_builtin;
use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::{Rng, SeedableRng};

/// One thing the hand does.
#[derive(Clone, Copy)]
enum Do {
    /// Port open for so many seconds.
    Open(f64),
    /// Plunger moved so that a tight rig would come to this pressure, in so many seconds.
    To(f64, f64),
    /// Plunger at rest.
    Rest(f64),
}

struct Rig {
    hz: f64,
    noise: f64,
    step: f64,
    lag: f64,
    zero: f64,
    /// Fall of √|p| a second, √Pa: the leak.
    leak: f64,
    /// The hand moves evenly, else it starts and stops softly.
    even: bool,
    seed: u64,
}

const RIG: Rig = Rig { hz: 50.0, noise: 3.0, step: 1.0, lag: 0.02, zero: 0.0, leak: 0.0, even: false, seed: 1 };

impl Rig {
    /// Normal by the sum of twelve.
    fn bell(rng: &mut Pcg64Mcg) -> f64 {
        (0..12).map(|_| f64::from(rng.next_u32()) / 4_294_967_296.0).sum::<f64>() - 6.0
    }

    fn trace(&self, script: &[Do]) -> Vec<(f64, f64)> {
        let mut rng = Pcg64Mcg::seed_from_u64(self.seed);
        let dt = 0.001;
        let (mut t, mut p, mut shown, mut due) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
        let mut out = Vec::new();
        for step in script {
            let (Do::Open(s) | Do::To(_, s) | Do::Rest(s)) = *step;
            let from = p;
            let n = (s / dt).round() as usize;
            let way = |x: f64| if self.even { x } else { x * x * x * (10.0 - 15.0 * x + 6.0 * x * x) };
            for i in 0..n {
                match *step {
                    Do::Open(_) => p -= p * dt / 0.05,
                    Do::To(to, _) => {
                        p += (to - from) * (way((i + 1) as f64 / n as f64) - way(i as f64 / n as f64));
                    }
                    Do::Rest(_) => {}
                }
                if !matches!(step, Do::Open(_)) {
                    let root = (p.abs().sqrt() - self.leak * dt).max(0.0);
                    p = p.signum() * root * root;
                }
                shown += (p - shown) * (dt / (self.lag + dt));
                t += dt;
                if t >= due {
                    due += 1.0 / self.hz;
                    let raw = shown + self.zero + self.noise * Rig::bell(&mut rng);
                    let step = self.step.max(1e-9);
                    out.push((t, if self.step > 0.0 { (raw / step).round() * step } else { raw }));
                }
            }
        }
        out
    }

    fn strokes(&self, script: &[Do]) -> Vec<Stroke> {
        let profile = load_builtin("module-on-the-tray").unwrap();
        let mut s = Strokes::new(&profile.set);
        let mut out = Vec::new();
        for (t, p) in self.trace(script) {
            s.see(Stamp::from_secs(t), p, &mut out);
        }
        out.extend(s.under_way());
        out
    }
}

fn names(strokes: &[Stroke]) -> String {
    strokes.iter().map(|s| s.kind.name()).collect::<Vec<_>>().join(" ")
}

use Do::{Open, Rest, To};

/// One of everything, each kind after most others, from strokes of half a second to strokes of a minute.
const DAY: &[Do] = &[
    Open(4.0),
    To(-500.0, 0.5),
    Rest(10.0),
    Open(3.0),
    To(-320.0, 40.0),
    Rest(4.0),
    To(-600.0, 3.0),
    Rest(6.0),
    To(-90.0, 8.0),
    Rest(3.0),
    To(-700.0, 1.0),
    To(-100.0, 4.0),
    Open(3.0),
    To(250.0, 2.0),
    Rest(5.0),
    To(-400.0, 6.0),
    Open(4.0),
];
const DAY_KINDS: &str = "at_zero draw hold release at_zero draw hold draw hold press hold draw press at_zero press hold \
                         draw release at_zero";

#[test]
fn strokes_are_told_at_any_speed_noise_lag_step_and_sampling() {
    let mut wrong = Vec::new();
    for hz in [10.0, 25.0, 50.0, 100.0] {
        for (noise, step) in [(0.0, 0.5), (1.0, 1.0), (3.0, 1.0), (5.0, 0.0), (2.0, 5.0)] {
            for (lag, zero, even, seed) in [(0.0, 0.0, false, 1), (0.05, 15.0, true, 2), (0.1, -20.0, false, 3)] {
                let rig = Rig { hz, noise, step, lag, zero, even, seed, ..RIG };
                let mut strokes = rig.strokes(DAY);
                // A transducer of 5 Pa steps makes a short stop of a turn.
                strokes.retain(|s| step < 5.0 || s.kind != StrokeKind::Hold || s.end.since(s.start) > 2.0);
                // From −100 Pa a hose pulled off is little more than a stroke: it may be told as the press's end.
                let kinds = names(&strokes).replace("press release at_zero press", "press at_zero press");
                if kinds != DAY_KINDS {
                    wrong.push(format!("{hz} Hz, noise {noise}, step {step}, lag {lag}, even {even}:\n  {kinds}"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{} of 60; wanted\n  {DAY_KINDS}\n{}", wrong.len(), wrong.join("\n"));
}

/// By the law of a hole (isothermal, small pressure) d√p/dt = Cd·A·P·√(2/ρ)/(2V): 2 L, Cd 0.6, ρ 1.2, 101.325 kPa.
fn root_fall(mm: f64) -> f64 {
    0.6 * std::f64::consts::PI * mm * mm / 4e6 * 101_325.0 * (2.0f64 / 1.2).sqrt() / (2.0 * 2e-3)
}

#[test]
fn a_leak_of_any_size_is_a_hold_and_a_hand_is_none() {
    let mut wrong = Vec::new();
    for hz in [10.0, 50.0] {
        for mm in [0.1, 0.2, 0.35, 0.5, 0.7, 1.0] {
            for (even, seed) in [(false, 1), (true, 2), (false, 3)] {
                for noise in [1.0, 4.0] {
                    let rig = Rig { hz, noise, even, seed, leak: root_fall(mm), ..RIG };
                    // A quick draw, a slow one; then the hand lets in quickly what is left.
                    let rest_s = if mm < 0.4 { 5.0 } else { 3.5 };
                    for pull_s in [0.6, 3.0] {
                        let script = [Open(3.0), To(-900.0, pull_s), Rest(rest_s), To(-60.0, 1.0), Open(3.0)];
                        let mut strokes = rig.strokes(&script);
                        strokes.retain(|s| s.kind != StrokeKind::Hold || s.from_pa < -100.0);
                        let kinds = names(&strokes);
                        let wanted: &[&str] = match mm {
                            d if d < 0.4 || (d < 0.6 && pull_s < 1.0) => {
                                &["at_zero draw hold press at_zero", "at_zero draw hold release at_zero"]
                            }
                            // Drawn slowly over 0.5 mm there is little left for the hand.
                            d if d < 0.6 => &[
                                "at_zero draw hold at_zero",
                                "at_zero draw hold press at_zero",
                                "at_zero draw hold release at_zero",
                            ],
                            d if d < 0.8 => &["at_zero draw hold at_zero", "at_zero draw hold release at_zero"],
                            // Drawn slowly over such a hole there is little to hold.
                            _ => &["at_zero draw hold at_zero", "at_zero draw release at_zero"],
                        };
                        let hold = strokes.iter().find(|s| s.kind == StrokeKind::Hold);
                        let span = hold.map_or(0.0, |h| h.end.since(h.start));
                        let gone_s = hold.map_or(0.0, |h| h.from_pa.abs().sqrt()) / root_fall(mm);
                        let long = span > gone_s.min(rest_s) - 1.5 && span < gone_s.max(rest_s) + 1.2;
                        if !wanted.contains(&kinds.replace("press release", "press").as_str()) || !long {
                            wrong.push(format!(
                                "{mm} mm, {hz} Hz, noise {noise}, {pull_s} s, seed {seed}:\n  {kinds}; hold {span:.1} s"
                            ));
                        }
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{} wrong\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn a_slow_and_even_way_back_is_the_hand() {
    let profile = load_builtin("module-on-the-tray").unwrap();
    for seconds in [8.0, 15.0, 25.0] {
        for (hz, even, seed) in [(10.0, true, 1), (50.0, true, 2), (25.0, false, 3)] {
            let rig = Rig { hz, even, seed, ..RIG };
            let strokes = rig.strokes(&[Open(4.0), To(-430.0, 15.0), Rest(1.5), To(-35.0, seconds), Open(3.0)]);
            // What bends too little to be told from a leak yet may begin as a hold: one too short to size a hole by.
            let short = profile.set.tray.hold_s;
            let mut holds = strokes.iter().filter(|s| s.kind == StrokeKind::Hold);
            assert!(
                holds.all(|s| s.to_pa - s.from_pa < 60.0 || (s.to_pa < -200.0 && s.end.since(s.start) < short)),
                "{seconds} s: {strokes:#?}"
            );
            assert!(strokes.iter().any(|s| s.kind == StrokeKind::Press && s.to_pa - s.from_pa > 200.0), "{strokes:#?}");
        }
    }
}

#[test]
fn the_zero_is_learnt_and_taken_out() {
    let rig = Rig { zero: 18.0, ..RIG };
    let profile = load_builtin("module-on-the-tray").unwrap();
    let mut s = Strokes::new(&profile.set);
    let mut out = Vec::new();
    for (t, p) in rig.trace(&[Open(6.0), To(-400.0, 2.0), Rest(5.0)]) {
        s.see(Stamp::from_secs(t), p, &mut out);
    }
    assert!((s.zero_pa().unwrap() - 18.0).abs() < 1.5, "{:?}", s.zero_pa());
    let hold = s.under_way().pop().unwrap();
    assert_eq!(hold.kind, StrokeKind::Hold);
    assert!((hold.to_pa + 400.0).abs() < 6.0, "{hold:?}");
    assert!((s.noise_pa() - 3.0).abs() < 0.8, "{}", s.noise_pa());
}

#[test]
fn strokes_follow_one_another_and_a_gap_or_another_part_ends_them() {
    let strokes = RIG.strokes(DAY);
    assert!(strokes.windows(2).all(|w| w[0].end == w[1].start), "{strokes:?}");

    let profile = load_builtin("module-on-the-tray").unwrap();
    let mut s = Strokes::new(&profile.set);
    let mut out = Vec::new();
    for (t, p) in RIG.trace(&[Open(3.0), To(-400.0, 2.0), Rest(4.0)]) {
        s.see(Stamp::from_secs(t), p, &mut out);
    }
    assert_eq!(names(&s.under_way()), "hold");
    s.rig(super::Rig::Sealed, &mut out);
    assert_eq!(names(&out), "at_zero draw hold");
    assert!(out.iter().all(|s| s.rig == super::Rig::Module));
    for (t, p) in RIG.trace(&[Rest(2.0)]) {
        s.see(Stamp::from_secs(20.0 + t), p, &mut out);
    }
    s.gap(&mut out);
    assert_eq!(out[3].rig, super::Rig::Sealed);
    assert_eq!(out[3].start, Stamp::from_secs(20.001));
    assert!(s.under_way().is_empty());
}

#[test]
fn a_relief_that_blows_down_is_a_hold() {
    // Pressed to 520 Pa; the relief lets it down to 260 Pa and closes. The rest stands.
    let mut trace = RIG.trace(&[Open(3.0), To(520.0, 2.0)]);
    let from = trace.last().unwrap().0;
    let quiet = RIG.trace(&[Open(10.0)]);
    trace.extend(quiet.iter().map(|(t, noise)| {
        let p = 260.0 + 260.0 * libm::exp(-t / 0.6);
        (from + t, p + noise)
    }));
    let profile = load_builtin("module-on-the-tray").unwrap();
    let mut s = Strokes::new(&profile.set);
    let mut out = Vec::new();
    for (t, p) in trace {
        s.see(Stamp::from_secs(t), p, &mut out);
    }
    out.extend(s.under_way());
    assert_eq!(names(&out), "at_zero press hold");
}
