//! A hole of known size in the line, told by notes.

use crate::time::Stamp;
use crate::units::MM_PER_INCH;
use std::fmt;

/// The kind of note that tells of it.
pub const NOTE: &str = "known_leak";
/// The kind of note that tells of decays without it, in another record.
pub const TIGHT_NOTE: &str = "tight_decays";
/// The note once it was taken out.
const NONE: &str = "none";
/// Smaller ones decay too slowly to teach anything, larger ones too quickly, mm.
const SIZES_MM: (f64, f64) = (0.1, 3.0);

/// A reference orifice that was put into the line of a vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownLeak {
    /// Its diameter, millimetres.
    pub mm: f64,
    /// Without it the vehicle's own leak was at most so large, millimetres, and where that was read.
    pub tight: Option<(f64, String)>,
}

impl KnownLeak {
    /// From a note or a command: `0.5`, `0.5 mm`, `0.020 in`, and behind it perhaps `, tight 0.21 mm by NAME`.
    pub fn parse(text: &str) -> Option<KnownLeak> {
        let (size, tight) = match text.split_once(',') {
            Some((size, rest)) => {
                let (own, by) = rest.trim().strip_prefix("tight ")?.split_once(" by ")?;
                (size, Some((diameter_mm(own).filter(|mm| *mm >= 0.0)?, by.trim().to_owned())))
            }
            None => (text, None),
        };
        let mm = diameter_mm(size).filter(|mm| (SIZES_MM.0..=SIZES_MM.1).contains(mm))?;
        Some(KnownLeak { mm, tight })
    }
}

fn diameter_mm(text: &str) -> Option<f64> {
    let text = text.trim();
    let (number, factor) = match (text.strip_suffix("mm"), text.strip_suffix("in")) {
        (Some(n), _) => (n, 1.0),
        (None, Some(n)) => (n, MM_PER_INCH),
        (None, None) => (text, 1.0),
    };
    number.trim().parse().ok().map(|d: f64| d * factor).filter(|mm| mm.is_finite())
}

impl fmt::Display for KnownLeak {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.3} mm", self.mm)?;
        self.tight.as_ref().map_or(Ok(()), |(mm, by)| write!(f, ", tight {mm:.3} mm by {by}"))
    }
}

/// What decays of a tight vehicle say of each member of the ensemble: logarithms of likelihoods.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TightDecays {
    /// Seed of the ensemble.
    pub seed: u64,
    /// A number a member.
    pub log_like: Vec<f64>,
}

impl TightDecays {
    /// From a note: `seed 1: -0.12 -3.40 …`.
    pub fn parse(text: &str) -> Option<TightDecays> {
        let (seed, rest) = text.strip_prefix("seed ")?.split_once(':')?;
        let log_like: Option<Vec<f64>> =
            rest.split_whitespace().map(|w| w.parse().ok().filter(|l: &f64| *l <= 0.0)).collect();
        Some(TightDecays { seed: seed.parse().ok()?, log_like: log_like? })
    }
}

impl fmt::Display for TightDecays {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "seed {}:", self.seed)?;
        // Below exp(-99) nothing is left of a member.
        self.log_like.iter().try_for_each(|l| write!(f, " {:.2}", l.clamp(-99.0, 0.0)))
    }
}

/// What was in the line, and from when on.
#[derive(Debug, Clone, Default)]
pub struct KnownLeaks {
    notes: Vec<(Stamp, Option<KnownLeak>)>,
    tight: TightDecays,
}

impl KnownLeaks {
    /// Whether a note means anything.
    pub fn understands(text: &str) -> bool {
        text.trim() == NONE || KnownLeak::parse(text).is_some()
    }

    /// A note: a hole, or `none` once it was taken out. What is not understood changes nothing.
    pub(super) fn note(&mut self, at: Stamp, text: &str) {
        if text.trim() == NONE {
            self.notes.push((at, None));
        } else if let Some(known) = KnownLeak::parse(text) {
            self.notes.push((at, Some(known)));
        }
    }

    /// A note on decays of another record. What is not understood changes nothing.
    pub(super) fn tight_note(&mut self, text: &str) {
        if let Some(tight) = TightDecays::parse(text) {
            self.tight = tight;
        }
    }

    /// What decays of another record said of the members.
    pub fn tight(&self) -> &TightDecays {
        &self.tight
    }

    /// The hole that was in the line at `at`.
    pub fn at(&self, at: Stamp) -> Option<&KnownLeak> {
        self.notes.iter().rev().find(|n| n.0 <= at).and_then(|n| n.1.as_ref())
    }

    /// A hole that was in the line at some time from `from` to `to`.
    pub fn within(&self, from: Stamp, to: Stamp) -> Option<&KnownLeak> {
        let later = self.notes.iter().filter(|n| from <= n.0 && n.0 <= to).find_map(|n| n.1.as_ref());
        self.at(from).or(later)
    }

    /// The hole last put in.
    pub fn last(&self) -> Option<&KnownLeak> {
        self.notes.iter().rev().find_map(|n| n.1.as_ref())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_as_people_write_them() {
        let mm = |t: &str| KnownLeak::parse(t).map(|k| k.mm);
        assert_eq!([mm("0.5"), mm("0.5mm"), mm(" 0.5 mm ")], [Some(0.5); 3]);
        // 0.020 in is 0.508 mm, 13 CCR 1968.2 (e)(4), from memory.
        assert!((mm("0.020in").unwrap() - 0.508).abs() < 1e-12);
        for wrong in ["", "mm", "half", "0", "-0.5 mm", "NaN", "0.5 cm", "5", "0.05", "0.5, tight", "0.5, tight x by y"]
        {
            assert_eq!(mm(wrong), None, "{wrong:?}");
        }
        let whole = KnownLeak { mm: 0.508, tight: Some((0.21, "van-07, the tight one".into())) };
        assert_eq!(KnownLeak::parse(&whole.to_string()), Some(whole));
        let tight = TightDecays { seed: 7, log_like: vec![0.0, -1.25, -200.0] };
        assert_eq!(tight.to_string(), "seed 7: 0.00 -1.25 -99.00");
        assert_eq!(TightDecays::parse(&tight.to_string()).unwrap().log_like, [0.0, -1.25, -99.0]);
        assert_eq!(
            [TightDecays::parse("seed x: 0"), TightDecays::parse("seed 1: 3"), TightDecays::parse("")],
            [None, None, None]
        );
    }

    #[test]
    fn what_was_in_the_line_and_when() {
        let mut all = KnownLeaks::default();
        let s = Stamp::from_secs;
        all.note(s(10.0), "0.5");
        all.note(s(15.0), "gibberish");
        all.note(s(20.0), "none");
        let at = |t| all.at(s(t)).map(|k| k.mm);
        assert_eq!([at(9.0), at(10.0), at(19.0), at(20.0)], [None, Some(0.5), Some(0.5), None]);
        let within = |a, b| all.within(s(a), s(b)).is_some();
        assert!(within(0.0, 10.0) && within(12.0, 30.0) && !within(0.0, 9.0) && !within(20.0, 30.0));
        assert_eq!(all.last().map(|k| k.mm), Some(0.5));
        assert_eq!(["none", "0.5", "gibberish"].map(KnownLeaks::understands), [true, true, false]);
    }
}
