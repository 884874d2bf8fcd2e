//! Module hold: how tight diaphragm and seals are, from holds of a vacuum on the module; and only on a rig that was
//! shown to be able to tell.

use super::control::{Checked, Control};
use super::holding::{Held, Holding, Said, Volume, again};
use crate::channel::Channel;
use crate::grade::draft::{Draft, Machine, mm};
use crate::timeline::{Happening, Rig, StrokeKind, Timeline};
use crate::trade::{Test, Verdict};

/// The machine: one run from repair to repair, and a new one after a hold that contradicts what was decided.
#[derive(Debug, Default)]
pub(in crate::grade) struct ModuleHold {
    holding: Holding,
    control: Control,
    past: Vec<Draft>,
    held: Vec<Held>,
    /// With the vent-side port plugged: diaphragm, seals and housing without the vent valve.
    plugged: Vec<Held>,
    decided: Option<Draft>,
}

impl Machine for ModuleHold {
    fn test(&self) -> Test {
        Test::ModuleHold
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Vent(turn) => self.holding.vent(turn.to, turn.at),
            Happening::Stroke(s) => {
                if let Some(held) = self.holding.stroke(t, s) {
                    self.take(t, held);
                }
            }
            Happening::Repair(_) => {
                self.close(t);
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        self.holding.step(t);
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let mut all = self.past.clone();
        if let Some(d) = &self.decided {
            all.push(d.clone());
        } else if self.tried() {
            let mut d = self.judge(t);
            d.open = true;
            all.push(d);
        }
        if all.is_empty() {
            all.push(self.not_run(t));
        }
        all
    }

    fn under_way(&self, t: &Timeline) -> Option<(f64, String)> {
        let p = &t.profile.set;
        let s = t.stroke().filter(|s| s.kind == StrokeKind::Hold && s.from_pa <= -p.tray.hold_least_pa)?;
        let held = s.end.since(s.start);
        let waits = match s.rig {
            Rig::Module => "holds; leave the syringe alone",
            _ => "control holds; leave the syringe alone",
        };
        Some(((held / p.tray.hold_s).clamp(0.0, 1.0), waits.into()))
    }
}

impl ModuleHold {
    fn take(&mut self, t: &Timeline, held: Held) {
        if held.rig == Rig::VentPlugged {
            if held.speaks() {
                self.plugged.push(held);
            }
        } else if held.rig != Rig::Module {
            self.control.add(held);
            let checked = self.checked(t);
            if let (Some(d), Some(fault)) = (&mut self.decided, &checked.fault) {
                d.finding.withdrawn_by.get_or_insert_with(|| format!("positive control: {fault}"));
            }
        } else {
            let volume = self.checked(t).volume;
            if let Some(d) = &mut self.decided
                && let Some(v) = volume
                && contradicts(d, &held, v, t)
            {
                let what = held.words(v);
                d.finding.withdrawn_by.get_or_insert_with(|| format!("another hold: {what}"));
            }
            if self.decided.as_ref().is_some_and(|d| d.finding.withdrawn_by.is_some()) {
                self.past.extend(self.decided.take());
                self.held.clear();
            }
            // Many a stroke is followed by a short rest that nobody meant: the last one speaks for them.
            if !held.speaks() {
                self.held.retain(Held::speaks);
            }
            self.held.push(held);
        }
        if self.decided.is_none() && self.tried() {
            let d = self.judge(t);
            self.decided = d.finding.decided_s.is_some().then_some(d);
        }
    }

    fn close(&mut self, t: &Timeline) {
        if let Some(d) = self.decided.take() {
            self.past.push(d);
        } else if self.tried() {
            self.past.push(self.judge(t));
        }
        self.held.clear();
        self.plugged.clear();
    }

    fn checked(&self, t: &Timeline) -> Checked {
        self.control.judge(t, self.holding.interval_s())
    }

    fn tried(&self) -> bool {
        !self.held.is_empty() || !self.plugged.is_empty()
    }

    /// All holds since the last repair together.
    fn judge(&self, t: &Timeline) -> Draft {
        let p = &t.profile.set;
        let checked = self.checked(t);
        let all = || self.held.iter().chain(&self.plugged);
        let start = all().map(|h| h.start).min().unwrap_or(t.now());
        let end = all().map(|h| h.end).max().unwrap_or(t.now());
        let mut d = Draft::run(Test::ModuleHold, rule(t), start, end);
        self.control.note(&mut d, &checked, p);
        let Some(v) = checked.volume else {
            d.because(checked.fault.unwrap_or_default());
            d.next(checked.next);
            return d;
        };
        d.note("volume_l", v.m3 * 1e3);
        d.note("volume_spread_pct", v.spread * 100.0);
        d.note("volume_learnt", if v.learnt { "yes" } else { "no" });
        let (limit, sure) = (p.tray.hold_limit_mm, p.leak.sure);
        // What leaks behind a plugged vent-side port leaks with the port free too. What is tight there clears nothing.
        let leaks = |h: &&Held| h.p_at_least(limit, v).is_some_and(|p| p >= sure);
        let leaks_plugged = self.plugged.iter().filter(leaks).count();
        let spoken: Vec<&Held> =
            self.held.iter().filter(|h| h.speaks()).chain(self.plugged.iter().filter(leaks)).collect();
        if !spoken.is_empty() {
            d.note("holds", spoken.iter().map(|h| h.words(v)).collect::<Vec<_>>().join("; "));
        }
        let Some(last) = spoken.last() else {
            let (why, next) = self.held.iter().rev().find_map(nothing).unwrap_or_default();
            d.because(format!("no hold says anything yet: {why}"));
            match checked.fault {
                Some(fault) => {
                    d.because(fault);
                    d.next(checked.next);
                }
                None => d.next(next),
            }
            return d;
        };
        let (from, to) = last.sizes(v);
        d.note("sizes_from_mm", from);
        d.note("sizes_to_mm", to);
        d.note("held_from_pa", last.from_pa);
        // The one in the middle speaks for its numbers.
        let mut fitted: Vec<(f64, &Held)> = spoken.iter().filter_map(|h| Some((h.hole(v)?.best, *h))).collect();
        fitted.sort_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((_, h)) = fitted.get(fitted.len() / 2)
            && let Said::Fit(fit) = &h.said
        {
            d.note("zero_pa", fit.zero_pa);
            d.note("settled_pa", fit.settling_pa);
            d.note("settling_s", fit.settling_s);
            d.note("drift_pa_per_s", fit.drift_pa_per_s);
            d.note("misfit", fit.misfit);
        }
        let sizes: Vec<_> = spoken.iter().filter_map(|h| h.hole(v)).collect();
        let lowest = sizes.iter().map(|s| s.best).fold(f64::INFINITY, f64::min);
        let highest = sizes.iter().map(|s| s.best).fold(0.0, f64::max);
        let best = sizes.iter().map(|s| s.best).sum::<f64>() / sizes.len() as f64;
        let low = sizes.iter().map(|s| s.low).fold(f64::INFINITY, f64::min);
        let high = sizes.iter().map(|s| s.high).fold(0.0, f64::max);
        d.leak(low, best, high);
        d.because(format!("it holds like a hole of {} behind {}", mm(best), v.words()));

        let needed = p.tray.holds_needed as usize;
        // By what leaks, the area: of two pinpricks far below the limit one may well be twice as wide.
        let agree = 2.0 * p.tray.holds_agree_pct * 0.01 * highest.max(limit) * highest.max(limit);
        let disagree = highest * highest - lowest * lowest > agree;
        if disagree {
            d.because(format!(
                "the holds do not agree: {lowest:.2} to {highest:.2} mm; a seat that does not fall back, or a hand on the syringe or the bottle"
            ));
        }
        // The rig comes first: until it is known to read rightly, another hold would say as little.
        if let Some(fault) = &checked.fault {
            d.because(fault.clone());
            d.next(checked.next.clone());
            return d;
        }
        if disagree {
            d.next(format!("hold once more: {}", again(p)));
            return d;
        }
        let ps: Vec<f64> = spoken.iter().filter_map(|h| h.p_at_least(limit, v)).collect();
        let verdict = if ps.iter().all(|p| *p >= sure) {
            Some(Verdict::Fail)
        } else if ps.iter().all(|p| *p <= 1.0 - sure) {
            Some(Verdict::Pass)
        } else {
            None
        };
        if v.learnt {
            d.because("the volume was not known: the known hole tells it, so that only the sealed plug checks the rig");
        }
        if spoken.len() < needed {
            d.because(format!("{} of {needed} holds are done", spoken.len()));
            d.next(format!("hold once more: {}", again(p)));
            return d;
        }
        let at = end.max(checked.at.unwrap_or(end));
        match verdict {
            Some(Verdict::Fail) => {
                d.decide(Verdict::Fail, at);
                d.because(format!(
                    "{} holds agree that it is {limit:.2} mm or more: diaphragm, seals or the vent valve's seat let air in",
                    spoken.len()
                ));
                let tight = |h: &Held| h.p_at_least(limit, v).is_some_and(|p| p <= 1.0 - sure);
                if leaks_plugged > 0 {
                    d.because("it leaks as much with the vent-side port plugged: the diaphragm is torn, or a seal or the housing is open; it is not the vent valve");
                    d.next("replace the module");
                } else if !self.plugged.is_empty() && self.plugged.iter().all(tight) {
                    d.because("with the vent-side port plugged it is tight: what leaks is the vent valve's seat");
                    d.next("look for dirt on the vent valve's seat; replace the module");
                } else {
                    d.next("replace the module; to tell which of them it is, plug its vent-side port, note the rig as vent plugged and hold again: what is tight then leaks at the vent valve's seat");
                }
            }
            Some(_) => {
                d.decide(Verdict::Pass, at);
                d.because(format!("{} holds agree that it is less than {limit:.2} mm", spoken.len()));
                d.next("none");
            }
            None => {
                d.because(format!("that is too near {limit:.2} mm to be sure of either side"));
                d.next(format!(
                    "hold longer, or measure the volume better (within {:.0} % now): {}",
                    v.spread * 100.0,
                    again(p)
                ));
            }
        }
        d
    }

    fn not_run(&self, t: &Timeline) -> Draft {
        let p = &t.profile.set;
        let checked = self.checked(t);
        let why = if !t.signals.seen(Channel::TankPressurePa) {
            "there is no tank_pressure_pa channel: without a transducer nothing is held".to_owned()
        } else {
            "no vacuum was held on the module; if the syringe was drawn and nothing stood, the module does not seal: its vent valve or its diaphragm is open".to_owned()
        };
        let next = if checked.fault.is_some() {
            checked.next.clone()
        } else {
            format!("{}; {}", again(p), super::vent_solenoid::PLUG)
        };
        let mut d = Draft::not_run(Test::ModuleHold, rule(t), vec![why], &next);
        self.control.note(&mut d, &checked, p);
        d
    }
}

/// A later hold against what was decided.
fn contradicts(decided: &Draft, held: &Held, v: Volume, t: &Timeline) -> bool {
    let p = &t.profile.set;
    let Some(at_least) = held.p_at_least(p.tray.hold_limit_mm, v) else { return false };
    match decided.finding.verdict {
        Verdict::Pass => at_least > 0.5,
        Verdict::Fail => at_least < 0.5,
        _ => false,
    }
}

fn nothing(held: &Held) -> Option<(String, String)> {
    match &held.said {
        Said::Nothing { why, next } => Some((
            format!("at {:.1} s {why}", held.start.secs()),
            format!("repeat the hold at {:.1} s: {next}", held.start.secs()),
        )),
        _ => None,
    }
}

fn rule(t: &Timeline) -> String {
    let p = &t.profile.set;
    format!(
        "diaphragm and seals together leak less than a hole of {:.2} mm ({}), in {:.0} holds that agree, on a rig that reads a known {:.2} mm hole within {:.0} % and is tight to {:.2} mm without one",
        p.tray.hold_limit_mm,
        t.profile.source("tray.hold_limit_mm"),
        p.tray.holds_needed,
        p.tray.reference_mm,
        p.tray.reference_spread_pct,
        p.tray.tight_mm
    )
}
