//! Findings as a short block of text, for people: the end of a live run and `regrade`.

use super::console::terminal;
use super::show::{self, Ink, paint, part_ink, verdict_ink};
use crate::grade::verdict::{Evidence, Finding, Findings, Num, Part, PartVerdict, Test, Verdict};
use crate::grade::{BELIEF, TIMER_RULE, TIMER_RULE_BECAUSE};
use crate::units::Shown;

/// How to show it.
#[derive(Debug, Clone, Copy)]
pub struct Style {
    /// Columns there are.
    pub width: usize,
    /// Units.
    pub units: Shown,
    /// Colour the verdict words.
    pub colour: bool,
}

impl Style {
    /// For what stdout is: a terminal's width and colours, or 100 plain columns.
    pub fn of_stdout(units: Shown) -> Style {
        let size = terminal();
        let width = size.map_or(100, |(columns, _)| columns.min(120));
        Style { width, units, colour: show::colour_wanted(size.is_some()) }
    }
}

/// At most this many gaps and this many notices are told one by one.
const TOLD: usize = 6;
/// Where the reasons begin.
const REASON: usize = 2 + 16 + 14;

/// The block: a head line, one verdict a test with its first reason, the hole, the next step, then what was lost.
/// `losses` are the reader's sentences on damage of the file.
pub fn block(f: &Findings, losses: &[String], style: Style) -> Vec<String> {
    let mut out = vec![format!(
        "{}: {}, {}, profile {}",
        paint(Ink::Strong, &show::clean(&f.capture), style.colour),
        show::span(f.duration_s.0),
        show::counted(f.records, "record"),
        show::clean(&f.profile)
    )];
    let mut told: Vec<Test> = Vec::new();
    for test in f.tests.iter().map(|t| t.test) {
        if !told.contains(&test) {
            told.push(test);
            test_lines(f, test, style, &mut out);
        }
    }
    if let Some(part) = &f.part {
        part_lines(part, style, &mut out);
    }
    for (word, text) in f.causes.iter().flat_map(super::causes::lines) {
        hang(&word, &text, style, &mut out);
    }
    let mut note = |word: &str, text: &str| hang(word, text, style, &mut out);
    let lost: f64 = f.gaps.iter().map(|g| g.end_s.0 - g.start_s.0).sum();
    if !f.gaps.is_empty() {
        note("gaps", &format!("{}, {} in all", f.gaps.len(), show::span(lost)));
    }
    for g in f.gaps.iter().take(TOLD) {
        note("", &format!("{} to {}, {}: {}", show::clock(g.start_s.0), show::clock(g.end_s.0), g.link, g.cause));
    }
    if f.undecoded > 0 {
        note("not read", &format!("{}, not or not wholly understood; kept", show::counted(f.undecoded, "line")));
    }
    for (i, (word, text)) in f.controller.iter().flat_map(super::controller::lines).enumerate() {
        note(if i == 0 || !word.is_empty() { &word } else { "" }, &text);
    }
    for (i, text) in f.known_leak.iter().flat_map(super::learned::lines).enumerate() {
        note(if i == 0 { "known hole" } else { "" }, &text);
    }
    for (i, (word, text)) in f.guide.iter().flat_map(super::guide::summary).enumerate() {
        note(if i == 0 { "guide" } else { "" }, &if word.is_empty() { text } else { format!("{word} {text}") });
    }
    for (i, loss) in losses.iter().enumerate() {
        note(if i == 0 { "lost" } else { "" }, loss);
    }
    for (i, notice) in f.notices.iter().take(TOLD).enumerate() {
        note(if i == 0 { "noticed" } else { "" }, notice);
    }
    if f.notices.len() > TOLD {
        note("", &format!("and {} more (see --json)", f.notices.len() - TOLD));
    }
    out
}

fn test_lines(f: &Findings, test: Test, style: Style, out: &mut Vec<String>) {
    let runs: Vec<&Finding> = f.tests.iter().filter(|t| t.test == test).collect();
    let verdict = f.summary.get(&test).copied().unwrap_or(Verdict::NotRun);
    // The run that speaks for the test: the last one that says what the summary says.
    let Some(run) = runs.iter().rev().find(|t| t.standing() == verdict).or(runs.last()) else { return };
    let mut reason = match &run.withdrawn_by {
        Some(why) => format!("withdrawn: {why}"),
        None => run.reasons.first().cloned().unwrap_or_default(),
    };
    if runs.len() > 1 {
        let c = f.counts.get(&test).copied().unwrap_or_default();
        let counts = [(c.pass, "pass"), (c.fail, "fail"), (c.inconclusive, "inconclusive")];
        let counts: Vec<_> = counts.iter().filter(|c| c.0 > 0).map(|(n, w)| format!("{n} {w}")).collect();
        reason = format!("{} runs ({}). {reason}", runs.len(), counts.join(", "));
    }
    let lines = show::wrap(&show::words(&reason, style.units), room(style, REASON));
    let first = lines.first().map_or("", String::as_str);
    let word = paint(verdict_ink(verdict), &show::pad(show::verdict(verdict), 14), style.colour);
    out.push(format!("  {}{word}{first}", show::pad(show::test(test), 16)).trim_end().to_owned());
    out.extend(lines.iter().skip(1).map(|l| format!("{:REASON$}{l}", "")));
    let mut more = |text: String| {
        let text = show::words(&text, style.units);
        out.extend(show::wrap(&text, room(style, REASON)).iter().map(|l| format!("{:REASON$}{l}", "")));
    };
    let size = |n: Num| show::hole(n.0, style.units);
    if let Some(leak) = run.leak_mm {
        // The upper end of a 90 % interval is a 95 % bound where the lower end is nothing.
        more(match leak.low.0 < show::NO_HOLE_MM {
            true => format!("hole at most {} (95 %)", size(leak.high)),
            false => format!("hole {}, between {} and {} (90 %)", size(leak.best), size(leak.low), size(leak.high)),
        });
    }
    if let Some(Evidence::Num(belief)) = run.evidence.get(BELIEF) {
        more(format!("belief in a hole of the limit's size or more: {:.3} (0.5 before anything was seen)", belief.0));
    }
    if let Some(night) = run.night_mm {
        let closes = size(night.closes_up_to);
        more(match night.opens_from.0 < show::NO_HOLE_MM {
            true => format!("this night: a hole up to {closes} could close the switch; any hole could keep it open"),
            false => format!(
                "this night: a hole up to {closes} could close the switch, one from {} keeps it open",
                size(night.opens_from)
            ),
        });
    }
    if let Some(decision) = run.word(TIMER_RULE) {
        let why = run.word(TIMER_RULE_BECAUSE).unwrap_or_default();
        more(format!("by a timer rule alone: {decision}; {why}"));
    }
    if matches!(verdict, Verdict::Fail | Verdict::Inconclusive) && !run.next.is_empty() {
        more(format!("next: {}", run.next));
    }
}

/// The verdict on the part on the tray, with its reasons.
fn part_lines(part: &Part, style: Style, out: &mut Vec<String>) {
    let word = paint(part_ink(part.verdict), &show::pad(show::part(part.verdict), 14), style.colour);
    let next = (part.verdict != PartVerdict::Fit).then(|| format!("next: {}", part.next));
    let lines: Vec<String> = part
        .reasons
        .iter()
        .chain(&next)
        .flat_map(|text| show::wrap(&show::words(text, style.units), room(style, REASON)))
        .collect();
    let first = lines.first().map_or("", String::as_str);
    out.push(format!("  {}{word}{first}", show::pad("the part", 16)).trim_end().to_owned());
    out.extend(lines.iter().skip(1).map(|l| format!("{:REASON$}{l}", "")));
}

/// A note, in at most three lines: the whole of it stands in the JSON.
fn hang(word: &str, text: &str, style: Style, out: &mut Vec<String>) {
    let columns = room(style, 18);
    let mut lines = show::wrap(&show::words(text, style.units), columns);
    if lines.len() > 3 {
        lines.truncate(3);
        lines[2] = show::fit(&format!("{} …", lines[2]), columns);
    }
    for (i, line) in lines.iter().enumerate() {
        out.push(format!("  {}{line}", show::pad(if i == 0 { word } else { "" }, 16)));
    }
}

fn room(style: Style, left: usize) -> usize {
    style.width.saturating_sub(left).max(24)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::grade::verdict::*;

    fn run(test: Test, verdict: Verdict, reason: &str) -> Finding {
        Finding {
            test,
            verdict,
            start_s: None,
            end_s: None,
            decided_s: None,
            withdrawn_by: None,
            rule: String::new(),
            reasons: vec![reason.to_owned(), "a second reason".to_owned()],
            next: "smoke the filler neck".to_owned(),
            evidence: Default::default(),
            leak_mm: None,
            night_mm: None,
        }
    }

    #[test]
    fn a_night_on_one_screen() {
        let mut decay = run(Test::VacuumDecay, Verdict::Fail, "re-opened 3.1 s after purge-off from 498.1778 Pa");
        decay.evidence.insert(TIMER_RULE.into(), "large leak".into());
        decay.evidence.insert(TIMER_RULE_BECAUSE.into(), "re-opened after 3.1 s".into());
        decay.leak_mm = Some(LeakMm { low: Num(0.9), best: Num(1.016), high: Num(f64::NAN) });
        let f = Findings {
            capture: "van-07".into(),
            profile: "switch-module".into(),
            version: "0".into(),
            duration_s: Secs(45_060.0),
            records: 432_100,
            undecoded: 2,
            gaps: vec![GapSpan {
                start_s: Secs(60.0),
                end_s: Secs(73.5),
                link: "bench".into(),
                cause: "the port went away".into(),
            }],
            phases: vec![],
            tests: vec![
                run(Test::KeyOffSoak, Verdict::Inconclusive, "long ".repeat(30).trim()),
                run(Test::StartVent, Verdict::Pass, "first"),
                run(Test::StartVent, Verdict::Pass, "again"),
                decay,
            ],
            summary: [
                (Test::KeyOffSoak, Verdict::Inconclusive),
                (Test::StartVent, Verdict::Pass),
                (Test::VacuumDecay, Verdict::Fail),
            ]
            .into(),
            counts: [(Test::StartVent, Counts { pass: 2, ..Counts::default() })].into(),
            guide: None,
            known_leak: None,
            controller: None,
            notices: vec!["a column \u{1b}[2J is no channel".into()],
            strokes: None,
            part: None,
            causes: None,
        };
        let style = Style { width: 80, units: Shown::Inch, colour: false };
        let lines = block(&f, &["raw.pcapng, byte 99: 3 records lost".into()], style);
        let text = lines.join("\n");
        assert!(lines.iter().all(|l| show::width(l) <= 80), "{text}");
        assert_eq!(lines[0], "van-07: 12 h 31 min, 432 100 records, profile switch-module");
        for part in [
            "key-off soak    inconclusive  long long",
            "next: smoke the filler neck",
            "start vent      pass          2 runs (2 pass). again",
            "vacuum decay    fail          re-opened 3.1 s after purge-off from 2.00",
            "hole 0.040 in, between 0.035 in and ? (90 %)",
            "by a timer rule alone: large leak; re-opened",
            "gaps            1, 13.5 s in all",
            "00:01:00 to 00:01:13, bench: the port went away",
            "lost            raw.pcapng, byte 99: 3 records lost",
            "noticed         a column ·[2J is no channel",
        ] {
            assert!(text.contains(part), "{part:?} is not in\n{text}");
        }
        assert_eq!(text.matches("next:").count(), 2, "a pass needs no next step");
        let coloured = block(&f, &[], Style { colour: true, ..style }).join("\n");
        assert!(coloured.contains("\x1b[31;1mfail"), "the word stands beside the colour");
    }
}
