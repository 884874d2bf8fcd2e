//! What must hold between settings: limits that stand the right way round.

use super::read::paths;

/// How two settings must lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Order {
    /// The first below the second.
    Below,
    /// The first not above the second.
    NotAbove,
}

/// Two settings, how they must lie, and why.
#[derive(Debug, Clone)]
pub(super) struct Rule {
    pub first: &'static str,
    pub order: Order,
    pub second: &'static str,
    pub why: &'static str,
}

impl Rule {
    /// Whether the two values obey.
    pub fn holds(&self, first: f64, second: f64) -> bool {
        match self.order {
            Order::Below => first < second,
            Order::NotAbove => first <= second,
        }
    }

    /// The rule as a sentence.
    pub fn words(&self) -> String {
        let order = match self.order {
            Order::Below => "must be below",
            Order::NotAbove => "must not be above",
        };
        format!("{} {order} {} ({})", self.first, self.second, self.why)
    }
}

/// All rules: the written ones, and that every `…_low_…` is not above its `…_high_…`.
pub(super) fn rules() -> Vec<Rule> {
    let mut rules: Vec<Rule> =
        RULES.iter().map(|&(first, order, second, why)| Rule { first, order, second, why }).collect();
    for first in paths() {
        let partner = first.replace("_low_", "_high_");
        if let Some(second) = paths().find(|p| *p == partner && *p != first) {
            rules.push(Rule { first, order: Order::NotAbove, second, why: "lowest and highest of one span" });
        }
    }
    rules
}

use Order::{Below, NotAbove};

const RULES: &[(&str, Order, &str, &str)] = &[
    ("vent.restricted_below_mm", Below, "vent.open_path_mm", "a sound path must not count as restricted"),
    ("switch.reopens_low_pa", Below, "switch.closes_low_pa", "the switch re-opens at a lower vacuum than it closes at"),
    (
        "switch.reopens_high_pa",
        Below,
        "switch.closes_high_pa",
        "the switch re-opens at a lower vacuum than it closes at",
    ),
    ("switch.closes_high_pa", Below, "reliefs.vacuum_low_pa", "a relief that opens first would keep the switch open"),
    ("sense.dead_below_v", Below, "sense.closed_below_v", "a closed switch must be told from no bias"),
    ("sense.closed_below_v", Below, "sense.open_above_v", "between them lies the hysteresis"),
    ("sense.open_above_v", Below, "sense.pull_up_v", "an open line stands at the pull-up voltage"),
    ("solenoid.off_below_a", Below, "solenoid.on_above_a", "between them lies the hysteresis"),
    ("solenoid.on_above_a", NotAbove, "solenoid.hold_low_a", "a sound hold must read as on"),
    ("phases.stopped_below_rpm", Below, "phases.running_above_rpm", "between them lies the hysteresis"),
    ("phases.crank_below_v", Below, "phases.charging_above_v", "cranking pulls the supply down, charging lifts it"),
    ("phases.purge_off_pct", Below, "phases.purge_on_pct", "between them lies the hysteresis"),
    ("soak.level_low_pct", Below, "soak.level_high_pct", "else no level would do"),
    ("soak.shortest_s", NotAbove, "soak.open_after_s", "a soak too short to be judged cannot mean anything"),
    ("decay.ambient_low_c", Below, "decay.ambient_high_c", "else no temperature would do"),
    ("leak.small_mm", Below, "leak.large_mm", "small leaks lie between them"),
    ("timer.large_s", Below, "timer.small_s", "a larger hole re-opens the switch sooner"),
    ("timer.small_fall_pa", Below, "timer.large_fall_pa", "a larger hole lets more vacuum go"),
    ("tray.zero_within_pa", Below, "switch.reopens_low_pa", "at zero every switch is open"),
    ("tray.tight_mm", Below, "tray.reference_mm", "a tight rig must be told from the known hole"),
    ("tray.hold_limit_mm", NotAbove, "tray.reference_mm", "the control must show that the limit can be seen"),
    ("soak.battery_stop_v", Below, "spoilers.maintainer_above_v", "a battery at rest lies between them"),
];

#[cfg(test)]
mod tests {
    use super::super::read::setting;
    use super::super::{Holds, SETTINGS};
    use super::*;

    #[test]
    fn every_rule_names_two_numbers_of_the_table() {
        for rule in rules() {
            for path in [rule.first, rule.second] {
                assert!(
                    matches!(setting(path).map(|s| s.holds), Some(Holds::Number { .. })),
                    "{path} in a rule is no number of the table"
                );
            }
        }
    }

    #[test]
    fn every_span_of_the_table_is_under_a_rule() {
        let spans = SETTINGS
            .iter()
            .filter(|s| s.path.contains("_low_") && paths().any(|p| p == s.path.replace("_low_", "_high_")));
        let mut seen = 0;
        for span in spans {
            assert!(rules().iter().any(|r| r.first == span.path && r.second == span.path.replace("_low_", "_high_")));
            seen += 1;
        }
        assert!(seen >= 12, "the table holds {seen} spans");
    }
}
