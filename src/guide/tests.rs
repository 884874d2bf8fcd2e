//! The guide, driven by records through the judge as in a run.

use super::*;
use crate::grade::verdict::{Ending, GuideRun};
use crate::judge::Judge;
use crate::record::{Body, Event, LinkInfo, Record};

/// A judge on a profile with these steps as its guide for the night, and rows of one link.
struct Run {
    judge: Judge,
    seq: u64,
    at: f64,
    /// Events so far, in words.
    told: Vec<String>,
}

const HEAD: &str = "time_s,key,engine_rpm,battery_v,fuel_level_pct,coolant_c,ambient_c,vent_solenoid\n";

impl Run {
    fn new(steps: &str) -> Run {
        let text = format!("extends = \"switch-module\"\n{steps}");
        let profile = Arc::new(Profile::from_str("van.toml", &text, &[]).unwrap());
        let link = LinkInfo { kind: "csv".into(), name: "rows.csv".into() };
        let mut run = Run { judge: Judge::new(profile, &[link]), seq: 0, at: 0.0, told: vec![] };
        run.record(1, Body::Bytes(HEAD.into()));
        run.note(BEGIN, "soak");
        run
    }

    fn record(&mut self, link: u16, body: Body) {
        self.judge.record(&Record { at: Stamp::from_secs(self.at), link, seq: self.seq, body });
        self.seq += 1;
        let s = self.judge.snapshot();
        let new = (s.events_total - self.told.len() as u64) as usize;
        self.told.extend(s.events[s.events.len() - new..].iter().map(|e| e.1.clone()));
    }

    fn note(&mut self, kind: &str, text: &str) {
        self.record(0, Body::Event(Event::Note { note_kind: kind.into(), text: text.into() }));
    }

    /// Rows of the cells after the time, a second apart.
    fn rows(&mut self, seconds: u32, cells: &str) {
        for _ in 0..seconds {
            self.at += 1.0;
            self.record(1, Body::Bytes(format!("{:.1},{cells}\n", self.at).into()));
        }
    }

    fn tick(&mut self, seconds: f64) {
        self.at += seconds;
        self.record(0, Body::Event(Event::Tick));
    }

    fn step(&mut self) -> Option<At> {
        self.judge.snapshot().guide.unwrap().step
    }

    fn number(&mut self) -> usize {
        self.step().map_or(0, |at| at.number)
    }

    fn ended(&self) -> GuideRun {
        self.judge.findings("x").guide.unwrap()
    }
}

fn step(title: &str, more: &str) -> String {
    format!("[[guide.soak]]\ntitle = \"{title}\"\ntext = \"Do {title}.\"\n{more}\n")
}

#[test]
fn steps_wait_for_their_own_condition_and_true_ones_pass_at_once() {
    let steps = [
        step("one", ""),
        step("two", "until = \"battery_v above soak.battery_stop_v\""),
        step("three", "until = \"fuel_level_pct from soak.level_low_pct to 50\""),
        step("four", "until = \"key is off and engine is stopped\""),
    ];
    let mut run = Run::new(&steps.concat());
    run.rows(5, "1,0,12.61,60,15,14,1");
    assert_eq!(run.number(), 1, "nobody said that it is done");
    run.note(ANSWER, &done(1));
    let at = run.step().unwrap();
    assert_eq!((at.number, at.asks), (3, false), "two was true when it was reached");
    assert_eq!(at.waits_for, "fuel level from 15 to 50 % (now 60.0 %)");
    let two = "step 2, two: done, battery 12.61 V";
    assert!(run.told.iter().any(|t| t == two), "{:?}", run.told);
    // What is read is not asked for.
    run.note(ANSWER, &done(3));
    assert_eq!(run.number(), 3);
    assert!(run.told.last().unwrap().contains("not yet, it waits for fuel level"), "{:?}", run.told);
    run.rows(120, "1,0,12.61,40,15,14,1");
    assert_eq!(run.number(), 4);
    run.rows(5, "0,0,12.61,40,15,14,0");
    assert_eq!(run.step(), None);
    let ended = run.ended();
    assert!(ended.steps.iter().all(|s| s.ended == Ending::Done), "{ended:?}");
    let because: Vec<&str> = ended.steps.iter().map(|s| s.because.as_str()).collect();
    assert_eq!(because, ["said by the person", "battery 12.61 V", "fuel level 40.0 %", "key off, engine stopped"]);
    assert!(run.told.last().unwrap().contains("all steps"), "{:?}", run.told);
}

#[test]
fn an_answer_to_another_step_changes_nothing_and_a_skip_is_kept() {
    let mut run = Run::new(&[step("one", ""), step("two", ""), step("three", "")].concat());
    run.note(ANSWER, &done(2));
    run.note(ANSWER, "done");
    run.note(ANSWER, "perhaps 1");
    assert_eq!(run.number(), 1);
    run.note(ANSWER, &skip(1));
    assert_eq!((run.number(), run.judge.snapshot().guide.unwrap().heard), (2, 4));
    // The words behind the number are for people.
    run.note(ANSWER, "done 2, Two");
    let ended: Vec<(usize, Ending)> = run.ended().steps.iter().map(|s| (s.step, s.ended)).collect();
    assert_eq!(ended, [(1, Ending::Skipped), (2, Ending::Done), (3, Ending::NeverCame)]);
    assert_eq!(run.ended().steps[2].because, "waited for until the end");
}

#[test]
fn what_cannot_be_read_is_asked_for() {
    let steps = [step("one", "until = \"tank_pressure_pa below -100\""), step("two", "until = \"purge is on\"")];
    let mut run = Run::new(&steps.concat());
    run.rows(3, "1,0,12.6,40,15,14,1");
    let at = run.step().unwrap();
    assert!(at.asks, "there is no such column");
    assert_eq!(at.waits_for, "tank pressure below -100 Pa (not read)");
    run.note(ANSWER, &done(1));
    run.note(ANSWER, &done(2));
    assert_eq!(run.step(), None);
}

#[test]
fn a_condition_holds_without_a_break() {
    let mut run = Run::new(&step("one", "until = \"battery_v above 12 for 10 s\""));
    run.rows(8, "1,0,12.6,40,15,14,1");
    run.rows(1, "1,0,11.9,40,15,14,1");
    run.rows(9, "1,0,12.6,40,15,14,1");
    assert_eq!(run.number(), 1);
    run.rows(3, "1,0,12.6,40,15,14,1");
    assert_eq!(run.step(), None);
    let at = run.ended().steps[0].at_s.unwrap().0;
    assert!((19.0..=21.0).contains(&at), "{at}");
}

#[test]
fn patience_ends_and_says_what_to_do() {
    let more =
        "until = \"coolant_c minus ambient_c below decay.start_above_ambient_k\"\npatience_s = 60\nlate = \"Wait.\"";
    let mut run = Run::new(&step("cold", more));
    run.rows(58, "1,0,12.6,40,80,14,1");
    let at = run.step().unwrap();
    assert_eq!((at.late, at.waits_for.as_str()), (None, "coolant less outside air below 5.6 K (now 66.0 K)"));
    run.rows(3, "1,0,12.6,40,80,14,1");
    assert_eq!(run.step().unwrap().late.as_deref(), Some("Wait."));
    run.rows(60, "1,0,12.6,40,80,14,1");
    assert_eq!(run.told.iter().filter(|t| t.contains("has not come: Wait.")).count(), 1, "{:?}", run.told);
    run.rows(1, "1,0,12.6,40,16,14,1");
    assert_eq!(run.step(), None, "late is not too late");
    // Time passes without rows as well.
    let mut run = Run::new(&step("key", "until = \"key is on\"\npatience_s = 60\nlate = \"Turn it.\""));
    run.tick(61.0);
    assert!(run.step().unwrap().late.is_some());
}

#[test]
fn alternatives_and_states_are_heard() {
    let steps = [
        step("one", "until = \"phase is soak or running or battery_v above 20\""),
        step("two", "until = \"battery_v above 20 or vent is sealed and key is off\""),
        step("three", "until = \"relief is decided\""),
    ];
    let mut run = Run::new(&steps.concat());
    run.rows(5, "1,800,14.1,40,15,14,1");
    assert_eq!(run.number(), 2);
    assert_eq!(run.ended().steps[0].because, "phase running");
    run.rows(5, "0,0,12.6,40,15,14,0");
    assert_eq!(run.number(), 3);
    assert_eq!(run.ended().steps[1].because, "vent sealed, key off");
    let at = run.step().unwrap();
    assert_eq!((at.asks, at.waits_for.as_str()), (false, "relief decided (now not run)"));
}

#[test]
fn what_cannot_begin_is_noticed() {
    let mut run = Run::new(&step("one", ""));
    run.note(BEGIN, "road");
    assert_eq!(run.number(), 1);
    let notices = run.judge.findings("x").notices;
    assert!(notices.iter().any(|n| n.contains("the guide road was asked for beside another")), "{notices:?}");
    let mut run = Run::new("[guide]\nsoak = []\n");
    assert_eq!(run.judge.snapshot().guide, None);
    run.note(ANSWER, &done(1));
    let findings = run.judge.findings("x");
    assert_eq!(findings.guide, None);
    assert!(findings.notices.iter().any(|n| n.contains("no guide soak")), "{:?}", findings.notices);
}
