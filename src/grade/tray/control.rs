//! Positive control: before a part is cleared or condemned, the same rig must read a known hole as that hole, and be
//! tight with a plug in the module's place.

use super::holding::{Held, Said, Volume, again, too_small};
use super::part::SOUND;
use crate::grade::draft::{Draft, mm};
use crate::profile::Settings;
use crate::time::Stamp;
use crate::timeline::{Rig, Timeline};

/// The holds on plugs, newest last.
#[derive(Debug, Clone, Default)]
pub(in crate::grade) struct Control {
    sealed: Vec<Held>,
    orifice: Vec<(f64, Held)>,
}

/// What the control says.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::grade) struct Checked {
    /// `None` when the rig is sound; else why it is not shown to be, in words.
    pub fault: Option<String>,
    /// Which control to do.
    pub next: String,
    /// Since when the rig counts as checked.
    pub at: Option<Stamp>,
    /// What volume holds are read with; none where it is not known yet.
    pub volume: Option<Volume>,
}

impl Control {
    /// A hold on a plug.
    pub fn add(&mut self, held: Held) {
        match held.rig {
            Rig::Sealed => self.sealed.push(held),
            Rig::Orifice { mm } => self.orifice.push((mm, held)),
            Rig::Module | Rig::VentPlugged => {}
        }
    }

    /// Both controls, as they stand.
    pub fn judge(&self, t: &Timeline, interval_s: f64) -> Checked {
        let p = &t.profile.set;
        let learns = p.tray.volume_known == "no";
        let speaks = self.orifice.iter().rev().find(|o| o.1.speaks());
        let volume = match speaks {
            _ if !learns => Some(Volume::of(p)),
            Some((mm, held)) => Volume::learnt(held, *mm, p),
            None => None,
        };
        let done = |fault: Option<String>, next: String, at| Checked { fault, next, at, volume };
        let on_sealed = format!("plug the module's place, note the rig as sealed, then {}", again(p));
        let known = p.tray.reference_mm;
        let on_orifice = format!(
            "put the {known} mm hole in the module's place, note the rig as orifice {known} mm, then {}",
            again(p)
        );

        let sealed = self.sealed.iter().rev().find(|h| h.speaks());
        if let (Some(held), Some(v)) = (sealed, volume)
            && let Some(fault) = not_tight(held, v, p)
        {
            return done(Some(fault), format!("find the rig's own leak, then {on_sealed}"), None);
        }
        if let Some(v) = volume
            && !learns
            && p.tray.rig_checked != "yes"
            && let Some((fault, next)) = too_small(t, interval_s, v, known)
        {
            return done(Some(fault), next, None);
        }
        if let (Some((mm, held)), Some(v)) = (speaks, volume)
            && !learns
            && let Some((fault, next)) = misread(*mm, held, v, p)
        {
            return done(Some(fault), format!("{next}, then {on_orifice}"), None);
        }
        if p.tray.rig_checked == "yes" && volume.is_some() {
            return done(None, String::new(), Some(Stamp::ZERO));
        }
        let both = format!(
            "the rig has not shown today that it reads a known {known} mm hole, and that it is tight without one"
        );
        match (sealed, speaks, volume) {
            (Some(s), Some((_, o)), Some(_)) => done(None, String::new(), Some(s.end.max(o.end))),
            (Some(_), Some((mm, o)), None) => {
                let why = format!(
                    "the volume is not known, and the {mm} mm hole does not tell it: {}",
                    o.words(Volume::of(p))
                );
                done(Some(why), on_orifice, None)
            }
            (None, None, _) => {
                let tried = self.sealed.iter().chain(self.orifice.iter().map(|o| &o.1)).next_back();
                let why = tried.and_then(spoilt).map_or(both.clone(), |why| format!("{both}: {why}"));
                done(Some(why), format!("{on_sealed}; and {on_orifice}"), None)
            }
            (Some(_), None, _) => {
                let tried = self.orifice.last().and_then(|o| spoilt(&o.1));
                let why = format!("the rig is tight, but it has not shown today that it reads a known {known} mm hole");
                done(Some(tried.map_or(why.clone(), |t| format!("{why}: {t}"))), on_orifice, None)
            }
            (None, Some(_), _) => {
                let tried = self.sealed.last().and_then(spoilt);
                let why =
                    "the rig reads the known hole, but it has not shown today that it is tight without one".to_owned();
                done(Some(tried.map_or(why.clone(), |t| format!("{why}: {t}"))), on_sealed, None)
            }
        }
    }

    /// The readings as evidence of a finding.
    pub fn note(&self, d: &mut Draft, checked: &Checked, p: &Settings) {
        d.note(super::part::CONTROL, checked.fault.as_deref().unwrap_or(SOUND));
        let v = checked.volume.unwrap_or(Volume::of(p));
        if let Some(held) = self.sealed.iter().rev().find(|h| h.speaks()) {
            d.note("control_sealed_up_to_mm", held.hole(v).map(|s| s.high));
        }
        if let Some((mm, held)) = self.orifice.iter().rev().find(|o| o.1.speaks()) {
            d.note("control_hole_mm", *mm);
            // A volume that was told by this very hole reads it rightly whatever it is.
            if !v.learnt {
                d.note("control_reads_mm", held.hole(v).map(|s| s.best));
            }
        }
        let told = |held: &Held, what: String| format!("{what} {}", held.words(v));
        let mut all: Vec<(Stamp, String)> =
            self.sealed.iter().map(|h| (h.start, told(h, "sealed".to_owned()))).collect();
        all.extend(self.orifice.iter().map(|(mm, h)| (h.start, told(h, format!("{mm} mm")))));
        all.sort_by_key(|a| a.0);
        if !all.is_empty() {
            d.note("control_runs", all.into_iter().map(|a| a.1).collect::<Vec<_>>().join("; "));
        }
        if p.tray.rig_checked == "yes" {
            d.note("control_in_another_capture", "yes");
        }
    }
}

fn spoilt(held: &Held) -> Option<String> {
    match &held.said {
        Said::Nothing { why, .. } => Some(format!("the hold at {:.1} s says nothing, {why}", held.start.secs())),
        _ => None,
    }
}

fn not_tight(held: &Held, v: Volume, p: &Settings) -> Option<String> {
    let s = held.hole(v)?;
    if s.high < p.tray.tight_mm {
        None
    } else if s.low >= p.tray.tight_mm {
        Some(format!(
            "the rig itself leaks: with its plug it reads {}, and must read less than {:.2} mm",
            mm(s.best),
            p.tray.tight_mm
        ))
    } else {
        Some(format!(
            "the rig is not shown to be tight: with its plug it reads up to {}, and must read less than {:.2} mm",
            mm(s.high),
            p.tray.tight_mm
        ))
    }
}

fn misread(known: f64, held: &Held, v: Volume, p: &Settings) -> Option<(String, String)> {
    let spread = p.tray.reference_spread_pct * 0.01;
    let right_at = Volume::learnt(held, known, p).map(|v| v.m3 * 1e3);
    let s = held.hole(v)?;
    let off = s.best / known - 1.0;
    if off.abs() <= spread && s.high - s.low <= 2.0 * spread * known {
        return None;
    }
    let volume = right_at.map_or(String::new(), |l| format!("; it would be right for a volume of {l:.2} L"));
    let fault = if off.abs() > spread {
        format!("the rig reads the known {known} mm hole as {}, {:+.0} %{volume}", mm(s.best), off * 100.0)
    } else {
        format!("the rig reads the known {known} mm hole as {:.2} to {:.2} mm: not sure enough", s.low, s.high)
    };
    Some((fault, "check tray.volume_l, the rig's joints and the hole".to_owned()))
}
