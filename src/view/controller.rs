//! What controllers said of themselves, in lines for the end of a run.

use super::show;
use crate::grade::controller::{
    CodeSaid, ControllerWord, FirstLast, MakerTest, MonitorResult, MonitorState, Outcome, Readiness, Said, list,
};

/// Lines with the word that heads each: some for each controller, three for each disagreement. The rest, with all times,
/// stands in the JSON.
pub fn lines(word: &ControllerWord) -> Vec<(String, String)> {
    let told = word.controllers.iter().flat_map(|s| {
        let head = if is_long(s) { "controller".to_owned() } else { format!("controller {}", s.who) };
        let head = std::iter::once(head).chain(std::iter::repeat(String::new()));
        head.zip(controller(s))
    });
    let differ = word.disagreements.iter().enumerate().flat_map(|(i, d)| {
        let head = if i == 0 { "disagree" } else { "" };
        [
            (head.to_owned(), d.controller.clone()),
            (String::new(), format!("but {}", d.tool)),
            (String::new(), format!("so: {}", d.text)),
        ]
    });
    told.chain(differ).collect()
}

/// An identifier of 29 bits does not fit the heads' column.
fn is_long(said: &Said) -> bool {
    said.who.len() > 4
}

/// Who it is; its codes; its vapour monitor; tests of its maker's own.
fn controller(said: &Said) -> impl Iterator<Item = String> {
    let mut who: Vec<String> = is_long(said).then(|| said.who.clone()).into_iter().chain(said.name.clone()).collect();
    who.extend(said.vin.as_ref().map(|v| format!("VIN {v}")));
    who.extend(calibrations(said));
    let kinds = ["stored", "pending", "permanent"];
    let mut told: Vec<String> = kinds.iter().filter_map(|kind| Some(codes(kind, said.codes.get(kind)?))).collect();
    let frame = said.freeze_frame.as_ref().and_then(|f| f.code.as_ref());
    told.extend(frame.map(|code| format!("freeze frame of {}", code.code)));
    let mut records: Vec<_> = said.snapshots.iter().map(|s| format!("freeze frame of {}", s.code.code)).collect();
    records.dedup();
    told.extend(records);
    told.extend(said.readiness.as_ref().filter(|r| r.last.said.lamp).map(|_| "lamp on".to_owned()));
    let mut monitor: Vec<String> = said.readiness.as_ref().map(ready).into_iter().collect();
    for m in &said.monitors {
        monitor.push(format!("{} {}", m.watches, result(m.unit, &m.results.last.said)));
    }
    monitor.dedup();
    monitor.extend(said.in_use.as_ref().map(|n| {
        let n = n.last.said;
        format!("completed {} times in {} trips that met its conditions", n.completed, n.conditions)
    }));
    [who, told, monitor, makers(&said.maker_tests)]
        .into_iter()
        .filter(|parts| !parts.is_empty())
        .map(|parts| parts.join("; "))
}

fn ready(r: &FirstLast<Readiness>) -> String {
    let (first, last) = (r.first.said.vapour, r.last.said.vapour);
    match last {
        MonitorState::Absent => "no vapour monitor".to_owned(),
        _ if first == last => format!("vapour monitor {}", last.words()),
        _ => format!("vapour monitor {} at {}, {} before", last.words(), show::clock(r.last.at_s.0), first.words()),
    }
}

fn codes(kind: &str, codes: &FirstLast<Vec<CodeSaid>>) -> String {
    match codes.changed() {
        false => format!("{kind}: {}", list(&codes.last.said)),
        true => format!(
            "{kind}: {} at {}, {} at {}",
            list(&codes.first.said),
            show::clock(codes.first.at_s.0),
            list(&codes.last.said),
            show::clock(codes.last.at_s.0)
        ),
    }
}

fn result(unit: &str, r: &MonitorResult) -> String {
    let number = |v: f64| {
        let text = format!("{v:.3}");
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    let all =
        |word: &str| format!("{word} ({} of {} to {} {unit})", number(r.value.0), number(r.low.0), number(r.high.0));
    match r.result {
        Outcome::NotRun => "not run".to_owned(),
        Outcome::Pass => all("pass"),
        Outcome::Fail => all("fail"),
    }
}

/// Those of which it had a result.
fn makers(all: &[MakerTest]) -> Vec<String> {
    let tests = all.iter().filter_map(|t| {
        let r = t.results.last.said;
        let word = match r.result {
            Outcome::NotRun => return None,
            Outcome::Pass => "pass",
            Outcome::Fail => "fail",
        };
        let limit = t.limit_kind.words();
        Some(format!("{}/{} {word} ({}, {limit} {})", t.test, t.component, r.value, r.limit))
    });
    let tests: Vec<String> = tests.collect();
    let head = "tests of the maker's own, figures without a unit, their scaling is the maker's own:";
    if tests.is_empty() { tests } else { vec![format!("{head} {}", tests.join(", "))] }
}

fn calibrations(said: &Said) -> Option<String> {
    let each = said.calibrations.iter().map(|c| match (&c.id, &c.cvn) {
        (Some(id), Some(cvn)) => format!("{id} ({cvn})"),
        (id, cvn) => id.as_ref().or(cvn.as_ref()).cloned().unwrap_or_default(),
    });
    (!said.calibrations.is_empty()).then(|| format!("calibration {}", each.collect::<Vec<_>>().join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grade::controller::{At, Disagreement, LimitKind, MakerResult};
    use crate::grade::verdict::{Num, Secs};
    use std::collections::BTreeMap;

    fn both<T: Clone>(first: T, last: T) -> FirstLast<T> {
        FirstLast { first: At { at_s: Secs(1.0), said: first }, last: At { at_s: Secs(3661.0), said: last } }
    }

    fn makers_own(value: u16, result: Outcome) -> MakerTest {
        let said = MakerResult { value, limit: 512, result };
        MakerTest {
            test: "05".into(),
            component: "10".into(),
            limit_kind: LimitKind::Max,
            scaling: "the maker's own",
            results: both(said, said),
        }
    }

    #[test]
    fn a_controller_in_a_few_lines_and_where_it_differs() {
        let ready = |vapour| Readiness { lamp: vapour == MonitorState::Complete, stored_codes: 0, vapour };
        let mut said = Said {
            who: "7E8".into(),
            link: "can:can0".into(),
            name: Some("ECM".into()),
            vin: None,
            calibrations: vec![],
            codes: BTreeMap::from([("stored", both(vec![], vec![])), ("pending", both(vec![], vec![]))]),
            readiness: Some(both(ready(MonitorState::NotComplete), ready(MonitorState::Complete))),
            this_cycle: None,
            monitors: vec![],
            maker_tests: vec![makers_own(513, Outcome::Fail), makers_own(0, Outcome::NotRun)],
            in_use: None,
            freeze_frame: None,
            snapshots: vec![],
        };
        let r = |value| MonitorResult { value: Num(value), low: Num(12.5), high: Num(100.0), result: Outcome::Fail };
        assert_eq!(result("s", &r(9.0)), "fail (9 of 12.5 to 100 s)");
        let d = Disagreement { controller: "it says".into(), tool: "we say".into(), text: "do this".into() };
        let lines = lines(&ControllerWord { controllers: vec![said.clone()], disagreements: vec![d] });
        let told: Vec<_> = lines.iter().map(|(head, text)| (head.as_str(), text.as_str())).collect();
        assert_eq!(
            told,
            [
                ("controller 7E8", "ECM"),
                ("", "stored: no code; pending: no code; lamp on"),
                ("", "vapour monitor complete at 01:01:01, not complete before"),
                (
                    "",
                    "tests of the maker's own, figures without a unit, their scaling is the maker's own: \
                     05/10 fail (513, at most 512)",
                ),
                ("disagree", "it says"),
                ("", "but we say"),
                ("", "so: do this"),
            ]
        );
        said.who = "18DAF110".into();
        let long = super::lines(&ControllerWord { controllers: vec![said], disagreements: vec![] });
        assert_eq!(long[0], ("controller".to_owned(), "18DAF110; ECM".to_owned()));
    }
}
