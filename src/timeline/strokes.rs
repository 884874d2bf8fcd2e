//! Strokes: what the syringe does to a module on the tray, from the pressure trace alone.

use super::Rig;
use crate::time::Stamp;

/// What a stretch of the trace is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StrokeKind {
    /// The syringe pulls: pressure falls.
    Draw,
    /// The syringe pushes: pressure rises.
    Press,
    /// The syringe rests with the port closed: the pressure stands, or leaks towards nothing.
    Hold,
    /// Pressure goes to nothing at once: a pulled hose, an opened valve or vent.
    Release,
    /// Open to the air, or at its pressure.
    AtZero,
}

impl StrokeKind {
    /// The fixed name.
    pub fn name(self) -> &'static str {
        match self {
            StrokeKind::Draw => "draw",
            StrokeKind::Press => "press",
            StrokeKind::Hold => "hold",
            StrokeKind::Release => "release",
            StrokeKind::AtZero => "at_zero",
        }
    }
}

/// One stretch of the trace. Stretches follow one another without a break, but for gaps in the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    /// What.
    pub kind: StrokeKind,
    /// Its begin.
    pub start: Stamp,
    /// Its end; of one under way, the last sample.
    pub end: Stamp,
    /// Pressure at its begin, pascals gauge, the zero taken out.
    pub from_pa: f64,
    /// Pressure at its end.
    pub to_pa: f64,
    /// What sat on the rig.
    pub rig: Rig,
}
