//! Rig: what sits on the tray's rig, told by notes.

use std::fmt;

/// What sits on the rig from a note of kind `rig` on.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Rig {
    /// The module: what is judged.
    #[default]
    Module,
    /// The module with its vent-side port plugged: what leaks then is no vent valve.
    VentPlugged,
    /// A plug in the module's place: the rig must then be tight.
    Sealed,
    /// A plug with a known hole.
    Orifice {
        /// Its diameter, millimetres.
        mm: f64,
    },
}

impl Rig {
    /// From a note: `module`, `vent plugged`, `sealed` or `orifice 0.5 mm`. None if it says something else.
    pub fn parse(text: &str) -> Option<Rig> {
        let text = text.trim().to_ascii_lowercase();
        match text.as_str() {
            "module" => return Some(Rig::Module),
            "vent plugged" => return Some(Rig::VentPlugged),
            "sealed" => return Some(Rig::Sealed),
            _ => {}
        }
        let mm: f64 = text.strip_prefix("orifice")?.strip_suffix("mm")?.trim().parse().ok()?;
        // A plug with a hole of more than a hand's breadth is a slip of the pen.
        (mm > 0.0 && mm < 50.0).then_some(Rig::Orifice { mm })
    }
}

impl fmt::Display for Rig {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Rig::Module => f.write_str("module"),
            Rig::VentPlugged => f.write_str("vent plugged"),
            Rig::Sealed => f.write_str("sealed"),
            Rig::Orifice { mm } => write!(f, "orifice {mm} mm"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_is_read_back_as_it_is_told() {
        for rig in [Rig::Module, Rig::VentPlugged, Rig::Sealed, Rig::Orifice { mm: 0.5 }] {
            assert_eq!(Rig::parse(&rig.to_string()), Some(rig));
        }
        assert_eq!(Rig::parse(" Orifice 0.5mm "), Some(Rig::Orifice { mm: 0.5 }));
        for wrong in ["", "orifice", "orifice mm", "orifice -1 mm", "orifice NaN mm", "orifice 0.5", "plug"] {
            assert_eq!(Rig::parse(wrong), None, "{wrong:?}");
        }
    }
}
