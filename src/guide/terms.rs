//! Conditions against what is known now: met or not, and in words.

use super::Summary;
use crate::channel::Channel;
use crate::profile::{Bound, DECIDED, Settings, Term, Topic, Until};
use crate::timeline::{Engine, Rig, SwitchState, Timeline, Vent};
use crate::trade::{Phase, Verdict};

/// What is known beside the timeline.
#[derive(Debug, Default)]
pub(super) struct Known {
    pub verdicts: Summary,
    /// Strokes that ended since the step was reached.
    pub strokes: Vec<&'static str>,
}

impl Known {
    /// Whether the condition is met; none if it cannot be read.
    pub fn met(&self, until: &Until, t: &Timeline, set: &Settings) -> Option<bool> {
        let all = |terms: &Vec<Term>| {
            let mut met = Some(true);
            for term in terms {
                match self.term(term, t, set) {
                    Some(true) => {}
                    Some(false) => return Some(false),
                    None => met = None,
                }
            }
            met
        };
        let any: Vec<Option<bool>> = until.any.iter().map(all).collect();
        match any.contains(&Some(true)) {
            true => Some(true),
            false if any.contains(&None) => None,
            false => Some(false),
        }
    }

    fn term(&self, term: &Term, t: &Timeline, set: &Settings) -> Option<bool> {
        match term {
            Term::Level { channel, less, above, below } => {
                let v = level(*channel, *less, t)?;
                let over = above.is_none_or(|b| v > b.value(set));
                Some(over && below.is_none_or(|b| v < b.value(set)))
            }
            Term::State { of: Topic::Stroke, words, times } => Some(self.counted(words) >= *times),
            Term::State { of, words, .. } => {
                let now = self.state(*of, t)?;
                let decided = words.contains(&DECIDED) && matches!(now, "pass" | "fail");
                Some(decided || words.contains(&now))
            }
        }
    }

    fn counted(&self, words: &[&str]) -> u32 {
        self.strokes.iter().filter(|s| words.contains(s)).count() as u32
    }

    fn state(&self, of: Topic, t: &Timeline) -> Option<&'static str> {
        let word = |is: bool, yes, no| Some(if is { yes } else { no });
        match of {
            Topic::Key => word(t.key().0?, "on", "off"),
            Topic::Engine => word(t.engine()? == Engine::Running, "running", "stopped"),
            Topic::Vent => word(t.vent().0? == Vent::Open, "open", "sealed"),
            Topic::Switch => match t.switch().0? {
                SwitchState::Open => Some("open"),
                SwitchState::Closed => Some("closed"),
                SwitchState::NoBias => None,
            },
            Topic::Purge => word(t.purge().0?, "on", "off"),
            Topic::Phase => Some(t.phase().0).filter(|p| *p != Phase::Unknown).map(Phase::name),
            Topic::Rig => Some(match t.rig().0 {
                Rig::Module => "module",
                Rig::VentPlugged => "plugged",
                Rig::Sealed => "sealed",
                Rig::Orifice { .. } => "orifice",
            }),
            // Counted, not in a state.
            Topic::Stroke => self.strokes.last().copied(),
            Topic::Test(test) => Some(self.verdicts.get(&test).copied().unwrap_or(Verdict::NotRun).word()),
        }
    }

    /// The condition in words, each term with what is so now.
    pub fn words(&self, until: &Until, t: &Timeline, set: &Settings) -> String {
        let hold = if until.hold_s > 0.0 { format!(", for {:.0} s", until.hold_s) } else { String::new() };
        let term = |term: &Term| format!("{} ({})", wanted(term, set), self.now(term, t));
        joined(until, " and ", term) + &hold
    }

    /// Why a condition that is met is met.
    pub fn because(&self, until: &Until, t: &Timeline, set: &Settings) -> String {
        let holds = |terms: &&Vec<Term>| terms.iter().all(|term| self.term(term, t, set) == Some(true));
        let met = until.any.iter().find(holds);
        let word = |term: &Term| match term {
            Term::Level { channel, less, .. } => format!("{} {}", named(*channel, *less), self.value(term, t)),
            Term::State { of, .. } => format!("{} {}", subject(*of), self.value(term, t)),
        };
        met.into_iter().flatten().map(word).collect::<Vec<_>>().join(", ")
    }

    fn now(&self, term: &Term, t: &Timeline) -> String {
        match self.value(term, t).as_str() {
            "" => "not read".to_owned(),
            value => format!("now {value}"),
        }
    }

    fn value(&self, term: &Term, t: &Timeline) -> String {
        match term {
            Term::Level { channel, less, .. } => {
                level(*channel, *less, t).map_or_else(String::new, |v| amount(*channel, *less, v))
            }
            Term::State { of: Topic::Stroke, words, .. } => self.counted(words).to_string(),
            Term::State { of, .. } => self.state(*of, t).map_or_else(String::new, |w| w.replace('_', " ")),
        }
    }
}

/// A channel's value now, or how far it is above another's.
fn level(channel: Channel, less: Option<Channel>, t: &Timeline) -> Option<f64> {
    // The fuel level is read with the key on, and counts as it then stood.
    let of = |c| if c == Channel::FuelLevelPct { t.settled_level_pct() } else { t.signals.get(c) };
    Some(of(channel)? - less.map_or(Some(0.0), of)?)
}

fn joined(until: &Until, and: &str, term: impl Fn(&Term) -> String) -> String {
    let all = |terms: &Vec<Term>| terms.iter().map(&term).collect::<Vec<_>>().join(and);
    until.any.iter().map(all).collect::<Vec<_>>().join(", or ")
}

/// What a term asks for.
fn wanted(term: &Term, set: &Settings) -> String {
    match term {
        Term::Level { channel, less, above, below } => {
            // As people write it: "15 %", not "15.0 %".
            let bare = |b: &Bound| format!("{}", (b.value(set) * 1e3).round() / 1e3 + 0.0);
            let limit = |b: &Bound| format!("{} {}", bare(b), unit(*channel, *less)).trim_end().to_owned();
            let limits = match (above, below) {
                (Some(low), Some(high)) => format!("from {} to {}", bare(low), limit(high)),
                (Some(low), None) => format!("above {}", limit(low)),
                (None, Some(high)) => format!("below {}", limit(high)),
                (None, None) => String::new(),
            };
            format!("{} {limits}", named(*channel, *less))
        }
        Term::State { of: Topic::Stroke, words, times } => match times {
            1 => format!("a stroke: {}", words.join(" or ")),
            n => format!("{}, {n} times", words.join(" or ")),
        },
        Term::State { of, words, .. } => format!("{} {}", subject(*of), words.join(" or ").replace('_', " ")),
    }
}

fn named(channel: Channel, less: Option<Channel>) -> String {
    match less {
        Some(less) => format!("{} less {}", channel.words(), less.words()),
        None => channel.words().to_owned(),
    }
}

fn subject(of: Topic) -> String {
    match of {
        Topic::Switch => "leak switch".to_owned(),
        other => other.name().replace('_', " "),
    }
}

/// The unit; a difference of temperatures is in kelvin.
fn unit(channel: Channel, less: Option<Channel>) -> &'static str {
    match channel.unit() {
        "°C" if less.is_some() => "K",
        unit => unit,
    }
}

/// A number with its unit.
fn amount(channel: Channel, less: Option<Channel>, v: f64) -> String {
    let unit = unit(channel, less);
    let decimals = match unit {
        "Pa" | "rpm" | "km/h" | "" => 0,
        "V" | "A" => 2,
        _ => 1,
    };
    // `+ 0.0` turns a rounded negative nothing into nothing.
    let scale = [1.0, 10.0, 100.0][decimals];
    let v = (v * scale).round() / scale + 0.0;
    format!("{v:.decimals$} {unit}").trim_end().to_owned()
}
