//! Guides: the steps of a job in order, and the conditions they wait for, as written in a profile.

use super::fault::nearest;
use super::read::{one_of, setting};
use super::{Holds, SETTINGS, Settings};
use crate::channel::Channel;
use crate::trade::{Phase, Test};

/// One step of a guide.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// A few words.
    pub title: String,
    /// What to do, in plain words.
    pub text: String,
    /// What could hurt somebody or something.
    pub caution: Option<String>,
    /// What the step waits for; none: for the person's word.
    pub until: Option<Until>,
    /// How long it is waited for, and what to do when it does not come.
    pub patience: Option<Patience>,
    /// Where the step comes from.
    pub source: Option<String>,
}

/// How long a step may take.
#[derive(Debug, Clone, PartialEq)]
pub struct Patience {
    /// Seconds.
    pub seconds: f64,
    /// What to do then.
    pub late: String,
}

/// A condition: one of the alternatives holds, each with all of its terms, for long enough.
#[derive(Debug, Clone, PartialEq)]
pub struct Until {
    /// As written.
    pub words: String,
    /// Alternatives of terms.
    pub any: Vec<Vec<Term>>,
    /// For so long without a break, seconds.
    pub hold_s: f64,
}

/// One thing that is read.
#[derive(Debug, Clone, PartialEq)]
pub enum Term {
    /// A channel, or one less another, against limits in the channel's own unit.
    Level {
        /// The channel.
        channel: Channel,
        /// Taken off it.
        less: Option<Channel>,
        /// Must be above.
        above: Option<Bound>,
        /// Must be below.
        below: Option<Bound>,
    },
    /// Something that has states, in one of these.
    State {
        /// What.
        of: Topic,
        /// The words that will do.
        words: Vec<&'static str>,
        /// So often: strokes alone can be counted.
        times: u32,
    },
}

/// A limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Bound {
    /// As written.
    Number(f64),
    /// A setting of the profile.
    Setting(&'static str),
    /// A setting of the profile with the other sign: a vacuum as a gauge pressure.
    Minus(&'static str),
}

impl Bound {
    /// Its value in a profile.
    pub fn value(self, set: &Settings) -> f64 {
        // The reader took only paths of numbers.
        let number = |path| set.number(path).unwrap_or(f64::NAN);
        match self {
            Bound::Number(v) => v,
            Bound::Setting(path) => number(path),
            Bound::Minus(path) => -number(path),
        }
    }
}

/// What has states.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Topic {
    /// The key.
    Key,
    /// The engine.
    Engine,
    /// The vent.
    Vent,
    /// The leak switch.
    Switch,
    /// The purge valve.
    Purge,
    /// The phase of the day.
    Phase,
    /// What sits on the tray's rig, by the last note of kind `rig`.
    Rig,
    /// The strokes that ended since the step was reached.
    Stroke,
    /// A test, by its verdict.
    Test(Test),
}

/// A verdict that was reached, whichever.
pub const DECIDED: &str = "decided";

impl Topic {
    fn named(name: &str) -> Option<Topic> {
        let plain = STATES.iter().find(|s| s.0 == name).map(|s| s.1);
        plain.or_else(|| Test::ALL.into_iter().find(|t| t.name() == name).map(Topic::Test))
    }

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Topic::Test(test) => test.name(),
            plain => STATES.iter().find(|s| s.1 == plain).map_or("", |s| s.0),
        }
    }

    fn words(self) -> Vec<&'static str> {
        match self {
            Topic::Phase => PHASES.iter().map(|p| p.name()).collect(),
            Topic::Test(_) => vec![DECIDED, "pass", "fail", "inconclusive"],
            plain => STATES.iter().find(|s| s.1 == plain).map_or_else(Vec::new, |s| s.2.to_vec()),
        }
    }
}

/// Names with their states. Phases and tests have words of their own.
const STATES: [(&str, Topic, &[&str]); 8] = [
    ("key", Topic::Key, &["on", "off"]),
    ("engine", Topic::Engine, &["running", "stopped"]),
    ("vent", Topic::Vent, &["open", "sealed"]),
    ("switch", Topic::Switch, &["open", "closed"]),
    ("purge", Topic::Purge, &["on", "off"]),
    ("phase", Topic::Phase, &[]),
    ("rig", Topic::Rig, &["module", "plugged", "sealed", "orifice"]),
    ("stroke", Topic::Stroke, &["draw", "press", "hold", "release"]),
];

const PHASES: [Phase; 7] =
    [Phase::KeyOff, Phase::Soak, Phase::KeyOn, Phase::Crank, Phase::Running, Phase::PurgeRun, Phase::Decay];

const OPERATORS: [&str; 5] = ["is", "above", "below", "from", "minus"];
const LEVEL: &str = "write above LIMIT, below LIMIT, or from LIMIT to LIMIT behind a channel";
const LIMIT: &str = "a limit is a number in the channel's own unit, or a setting such as soak.level_low_pct";
const HOLD: &str = "write for 10 s, for 5 min or for 2 h at the end";

/// What is wrong with a condition, and what would be right.
type Wrong = (String, String);

impl Until {
    /// From its words.
    pub(super) fn parse(words: &str) -> Result<Until, Wrong> {
        let mut parser = Parser { words: words.split_whitespace().collect(), at: 0 };
        let (any, hold_s) = parser.until()?;
        Ok(Until { words: words.split_whitespace().collect::<Vec<_>>().join(" "), any, hold_s })
    }

    /// All its terms.
    pub fn terms(&self) -> impl Iterator<Item = &Term> {
        self.any.iter().flatten()
    }
}

struct Parser<'a> {
    words: Vec<&'a str>,
    at: usize,
}

impl<'a> Parser<'a> {
    fn peek(&self, ahead: usize) -> Option<&'a str> {
        self.words.get(self.at + ahead).copied()
    }

    fn take(&mut self) -> Option<&'a str> {
        let word = self.peek(0)?;
        self.at += 1;
        Some(word)
    }

    fn took(&mut self, word: &str) -> bool {
        let is = self.peek(0) == Some(word);
        self.at += usize::from(is);
        is
    }

    fn until(&mut self) -> Result<(Vec<Vec<Term>>, f64), Wrong> {
        let mut any = vec![vec![self.term()?]];
        loop {
            match self.take() {
                None => return Ok((any, 0.0)),
                Some("and") => {
                    let term = self.term()?;
                    any.last_mut().into_iter().for_each(|all| all.push(term.clone()));
                }
                Some("or") => any.push(vec![self.term()?]),
                Some("for") => return Ok((any, self.hold()?)),
                Some(word) => {
                    return Err((
                        format!("\"{word}\" stands behind a condition"),
                        "join conditions with and, or".into(),
                    ));
                }
            }
        }
    }

    fn hold(&mut self) -> Result<f64, Wrong> {
        let wrong = || ("the time behind \"for\" cannot be read".to_owned(), HOLD.to_owned());
        let number: f64 = self.take().and_then(|w| w.parse().ok()).ok_or_else(wrong)?;
        let unit = match self.take() {
            Some("s") => 1.0,
            Some("min") => 60.0,
            Some("h") => 3600.0,
            _ => return Err(wrong()),
        };
        let seconds = number * unit;
        if self.peek(0).is_some() || !(seconds > 0.0 && seconds <= 86_400.0) {
            return Err(wrong());
        }
        Ok(seconds)
    }

    fn term(&mut self) -> Result<Term, Wrong> {
        let Some(name) = self.take() else {
            return Err(("a condition is missing".into(), "write one such as key is off".into()));
        };
        if self.peek(0) == Some("is") {
            let Some(of) = Topic::named(name) else {
                return Err((format!("there is no \"{name}\" that is in a state"), states_near(name)));
            };
            self.at += 1;
            return self.state(of);
        }
        match Channel::from_name(name) {
            Some(channel) => self.level(channel),
            None => Err((format!("there is no channel \"{name}\""), channel_near(name))),
        }
    }

    fn state(&mut self, of: Topic) -> Result<Term, Wrong> {
        let known = of.words();
        let mut words = Vec::new();
        loop {
            let given = self.take().unwrap_or("");
            let Some(word) = known.iter().find(|w| **w == given) else {
                let right = nearest(given, known.iter().copied(), &format!("it can be {}", one_of(&known)));
                return Err((format!("{} is \"{given}\"", of.name()), right));
            };
            words.push(*word);
            // "soak or key_off" goes on with words, "soak or key is on" with another condition.
            let another = self.peek(2).is_some_and(|w| OPERATORS.contains(&w));
            if another || !self.took("or") {
                return Ok(Term::State { of, words, times: self.times(of)? });
            }
        }
    }

    /// `3 times` behind a stroke.
    fn times(&mut self, of: Topic) -> Result<u32, Wrong> {
        if of != Topic::Stroke || self.peek(1) != Some("times") {
            return Ok(1);
        }
        let given = self.take().unwrap_or("");
        self.at += 1;
        let wrong = || (format!("\"{given}\" times cannot be counted"), "write a whole number from 1 to 99".to_owned());
        given.parse().ok().filter(|n| (1..=99).contains(n)).ok_or_else(wrong)
    }

    fn level(&mut self, channel: Channel) -> Result<Term, Wrong> {
        let less = match self.took("minus").then(|| self.take().unwrap_or("")) {
            Some(name) => Some(
                Channel::from_name(name)
                    .ok_or_else(|| (format!("there is no channel \"{name}\""), channel_near(name)))?,
            ),
            None => None,
        };
        if let Some(less) = less.filter(|less| less.unit() != channel.unit()) {
            return Err((
                format!("{channel} and {less} have different units"),
                "take off a channel of the same unit".into(),
            ));
        }
        let (above, below) = match self.take() {
            Some("above") => (Some(self.bound()?), None),
            Some("below") => (None, Some(self.bound()?)),
            Some("from") => {
                let low = self.bound()?;
                if !self.took("to") {
                    return Err(("\"from\" lacks its \"to\"".into(), LEVEL.into()));
                }
                (Some(low), Some(self.bound()?))
            }
            other => return Err((format!("\"{}\" stands behind a channel", other.unwrap_or("nothing")), LEVEL.into())),
        };
        if let (Some(Bound::Number(low)), Some(Bound::Number(high))) = (above, below)
            && low >= high
        {
            return Err((format!("nothing lies from {low} to {high}"), "the lower limit comes first".into()));
        }
        Ok(Term::Level { channel, less, above, below })
    }

    fn bound(&mut self) -> Result<Bound, Wrong> {
        let word = self.take().unwrap_or("");
        if let Ok(number) = word.parse::<f64>() {
            return match number.is_finite() {
                true => Ok(Bound::Number(number)),
                false => Err((format!("\"{word}\" is no limit"), LIMIT.into())),
            };
        }
        let bare = word.strip_prefix('-').unwrap_or(word);
        match setting(bare) {
            Some(s) if matches!(s.holds, Holds::Number { .. }) => {
                Ok(if bare == word { Bound::Setting(s.path) } else { Bound::Minus(s.path) })
            }
            Some(_) => Err((format!("{bare} holds a word"), LIMIT.into())),
            None => Err((format!("\"{word}\" is no limit"), nearest(bare, SETTINGS.iter().map(|s| s.path), LIMIT))),
        }
    }
}

fn channel_near(name: &str) -> String {
    let names = Channel::ALL.iter().map(|c| c.name());
    nearest(name, names, "name a channel, such as battery_v, or write key is off, phase is soak, relief is decided")
}

fn states_near(name: &str) -> String {
    let plain: Vec<&str> = STATES.iter().map(|s| s.0).collect();
    let all = plain.iter().copied().chain(Test::ALL.into_iter().map(Test::name));
    nearest(name, all, &format!("it can be {} or the name of a test", plain.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conditions_are_read_as_people_would() {
        let until = |w: &str| Until::parse(w).unwrap();
        let u = until("battery_v above soak.battery_stop_v and engine is stopped for 1 min");
        assert_eq!((u.any.len(), u.any[0].len(), u.hold_s), (1, 2, 60.0));
        // `or` between words stays within the condition, `or` before another condition parts two.
        let u = until("phase is soak or key_off or key is on and purge is off");
        assert_eq!(u.any.iter().map(Vec::len).collect::<Vec<_>>(), [1, 2]);
        assert_eq!(u.any[0], [Term::State { of: Topic::Phase, words: vec!["soak", "key_off"], times: 1 }]);
        let u = until("tank_pressure_pa below -reliefs.vacuum_low_pa or relief is decided");
        assert_eq!(u.any.len(), 2);
        let Term::Level { below: Some(limit), .. } = &u.any[0][0] else { panic!("{u:?}") };
        let set = super::super::load_builtin("switch-module").unwrap().set;
        assert_eq!(limit.value(&set), -set.reliefs.vacuum_low_pa);
        let u = until("stroke is draw or press 3 times and rig is sealed");
        assert_eq!(u.any[0][0], Term::State { of: Topic::Stroke, words: vec!["draw", "press"], times: 3 });
        assert_eq!(until("  coolant_c   minus ambient_c below 5 ").words, "coolant_c minus ambient_c below 5");
    }
}
