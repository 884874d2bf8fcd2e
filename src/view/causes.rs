//! What may be wrong, in lines for people.

use super::show;
use crate::grade::causes::{Causes, MovedBy};

/// One line for the screen, of this many columns where that can be: as many of the likeliest causes as fit, and the next
/// test. None while nothing was seen.
pub fn line(c: &Causes, columns: usize) -> Option<String> {
    if !c.moved() {
        return None;
    }
    let mut causes: Vec<String> = c.likely().take(3).map(|p| format!("{} {:.2}", p.cause.words(), p.p.0)).collect();
    let next = match (&c.repair_first, &c.choice) {
        (Some(_), _) => "; next: repair the switch circuit".to_owned(),
        (None, Some(choice)) => format!("; next: {}", name(choice.test)),
        (None, None) => String::new(),
    };
    while causes.len() > 1 && show::width(&causes.join(", ")) + show::width(&next) > columns {
        causes.pop();
    }
    Some(causes.join(", ") + &next)
}

/// Lines with the word that heads each, for the end of a run.
pub fn lines(c: &Causes) -> Vec<(String, String)> {
    if !c.moved() {
        return vec![("causes".to_owned(), "no test has moved them: see causes in the JSON for the prior".to_owned())];
    }
    let mut out: Vec<(String, String)> = Vec::new();
    for p in c.likely() {
        let by = c.moved_by.iter().find(|m| m.cause == p.cause).map_or(String::new(), |m| format!(": {}", why(m)));
        let head = if out.is_empty() { "causes" } else { "" };
        out.push((head.to_owned(), format!("{:.2} {}{by}", p.p.0, p.cause.words())));
    }
    let mut head = "next test";
    let mut next = |text: String| {
        out.push((head.to_owned(), text));
        head = "";
    };
    if let Some(first) = &c.repair_first {
        next(first.clone());
    }
    if let Some(choice) = &c.choice {
        let what = c.next.iter().find(|n| n.test == choice.test).map_or("", |n| n.what);
        next(format!("{}: {what}", name(choice.test)));
        next(choice.why.clone());
    } else if let Some(best) = c.next.first() {
        next(format!("none that is worth it: {} would tell most, {:.2} bit", name(best.test), best.bits.0));
    }
    out
}

fn why(m: &MovedBy) -> String {
    format!("{} ({}) {}", show::test(m.test), m.outcome, m.words)
}

fn name(test: &str) -> String {
    test.replace('_', " ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grade::causes::{Cause, Choice, NextTest, Probability};
    use crate::grade::verdict::Num;
    use crate::trade::Test;

    #[test]
    fn the_likeliest_cause_comes_with_what_moved_it_and_the_next_test() {
        let mut c = Causes {
            probabilities: vec![
                Probability { cause: Cause::SmallLeak, p: Num(0.912) },
                Probability { cause: Cause::LargeLeakOrCapOff, p: Num(0.061) },
                Probability { cause: Cause::Sound, p: Num(0.031) },
            ],
            several_at_once: Num(0.05),
            moved_by: vec![],
            open_bits: Num(1.2),
            next: vec![NextTest {
                test: "cap_and_seal",
                bits: Num(0.3),
                minutes: 5.0,
                what: "look at the cap",
                minutes_source: "own estimate",
            }],
            choice: Some(Choice { test: "cap_and_seal", why: "it is expected to tell 0.30".into() }),
            repair_first: None,
            prior: String::new(),
        };
        assert_eq!(line(&c, 71), None, "the prior alone is no news");
        assert_eq!(lines(&c).len(), 1);
        c.moved_by.push(MovedBy {
            cause: Cause::SmallLeak,
            test: Test::VacuumDecay,
            outcome: "belief in a leak 0.999".into(),
            log_odds: Num(4.6),
            words: "raised the odds 100-fold".into(),
            because: String::new(),
        });
        assert_eq!(line(&c, 71).unwrap(), "small leak 0.91, large leak or cap off 0.06; next: cap and seal");
        assert_eq!(line(&c, 40).unwrap(), "small leak 0.91; next: cap and seal");
        let lines = lines(&c);
        let said = "0.91 small leak: vacuum decay (belief in a leak 0.999) raised the odds 100-fold";
        assert_eq!(lines[0], ("causes".to_owned(), said.to_owned()));
        assert_eq!(lines[2], ("next test".to_owned(), "cap and seal: look at the cap".to_owned()));
        assert_eq!(lines.len(), 4, "0.03 is not worth a word: {lines:?}");
        c.repair_first = Some("repair the ground".into());
        assert!(line(&c, 71).unwrap().ends_with("next: repair the switch circuit"));
        assert_eq!(super::lines(&c)[2].1, "repair the ground");
    }
}
