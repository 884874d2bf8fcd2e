//! What is said once before a live run: where the work can hurt someone.

use super::show::wrap;

/// General practice of the trade (no single source); the pressure figure is a usual shop rule.
const CAUTIONS: [&str; 8] = [
    "Petrol vapour explodes. No flame, spark, heater or battery charger near it. Air the place, discharge yourself \
     on bare metal, keep an extinguisher at hand, and connect leads with the power off, away from the exhaust.",
    "Relieve the tank before you open anything. Use inert gas if you pressurise, never shop air, and stay below the \
     limit of the service information (often 3.5 kPa, 14 inH2O). The module's relief opens far below that.",
    "An engine that runs indoors kills. Lead the exhaust outside. Put the vehicle on stands before you go under it.",
    "A road test takes two: one drives, the other watches this screen.",
    "An overnight tap draws on the battery: stop at about 12.2 V at rest.",
    "A solenoid on the bench gets hot at 12 V: seconds only, fused, with all vapour aired out first.",
    "Tap the sense line through 1 MΩ or more, and isolate the adapter from a laptop on mains power.",
    "The maker's service information and local rules come first. A grade is an aid, not an official inspection.",
];

/// Those of a cold-start drive with the vehicle wired and its tank drawn on: for a plan that advises one.
pub fn of_a_drive() -> impl Iterator<Item = &'static str> {
    [0, 1, 2, 3, 4, 7].into_iter().map(|i| CAUTIONS[i])
}

/// The lines, broken to `width` columns. The simulated vehicle is said to be simulated.
pub fn cautions(simulated: bool, width: usize) -> Vec<String> {
    let head = if simulated {
        "This run is simulated: no vehicle is connected and nobody is in danger. Before a real one:"
    } else {
        "Before you start:"
    };
    let mut out = wrap(head, width);
    for caution in CAUTIONS {
        for (i, line) in wrap(caution, width.saturating_sub(4).max(20)).into_iter().enumerate() {
            out.push(format!("  {} {line}", if i == 0 { '*' } else { ' ' }));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cautions_fit_one_small_screen_and_name_what_is_simulated() {
        let lines = cautions(true, 80);
        assert!(lines.len() < 23, "{} lines", lines.len());
        assert!(lines.iter().all(|l| super::super::show::width(l) <= 80));
        assert!(lines[0].contains("simulated"));
        assert!(!cautions(false, 80)[0].contains("simulated"));
        // Trade facts: a road test takes two, an engine indoors kills, vapour explodes; nothing of the bench.
        let drive: Vec<&str> = of_a_drive().collect();
        assert!(
            ["explodes", "indoors kills", "takes two", "12.2 V"].iter().all(|w| drive.iter().any(|c| c.contains(w)))
        );
        assert!(!drive.iter().any(|c| c.contains("bench")));
    }
}
