//! Counts the days, prints them for people, and holds a sample to the committed counts.

use super::days::{Day, SHOWN, TESTS, True};
use super::wilson::{bounds, wilson};
use soakwatch::trade::Verdict;
use std::collections::BTreeMap;
use std::fmt::Write;

const COMMITTED: &str = include_str!("table.csv");
const MODELS: [&str; 2] = ["possible", "wrong"];
const TRUE: [&str; 3] = ["sound", "zone", "leaks"];
/// The columns of the file after those that name the cell.
const COUNTED: [&str; 13] = [
    "days",
    "pass",
    "fail",
    "inconclusive",
    "not_run",
    "sized",
    "held",
    "above_truth",
    "timer_pass",
    "timer_fail",
    "oracle_days",
    "oracle_alike",
    "judge_open",
];

/// One test on days of one model and true size, in the order of [`COUNTED`].
#[derive(Debug, Default, Clone, Copy, PartialEq)]
struct Cell([u32; COUNTED.len()]);

impl Cell {
    fn get(&self, column: &str) -> u32 {
        self.0[COUNTED.iter().position(|c| *c == column).expect("a column")]
    }

    fn count(&mut self, column: &str, also: bool) {
        self.0[COUNTED.iter().position(|c| *c == column).expect("a column")] += u32::from(also);
    }

    fn plus(mut self, other: Cell) -> Cell {
        self.0.iter_mut().zip(other.0).for_each(|(a, b)| *a += b);
        self
    }
}

/// Model, what shows the vacuum, test, true size: by their places in the lists.
type Key = (usize, usize, usize, usize);

/// Vehicles of one model: any test, shown by anything.
#[derive(Debug, Default, Clone, Copy)]
struct Vehicles {
    leaks: u32,
    false_passes: u32,
    timer_false_passes: u32,
    sound: u32,
    false_fails: u32,
    timer_false_fails: u32,
    sized: u32,
    held: u32,
}

#[derive(Debug, Default)]
pub struct Table {
    cells: BTreeMap<Key, Cell>,
    vehicles: BTreeMap<String, Vehicles>,
    /// False verdicts in words.
    wrong: Vec<String>,
}

impl Table {
    pub fn count(&mut self, day: &Day) {
        let size = True::of(day.true_mm);
        let model = usize::from(day.drawn.misfit.is_some());
        for g in &day.graded {
            let cell = self.cells.entry((model, g.shown, g.test, size as usize)).or_default();
            cell.count("days", true);
            cell.count(g.verdict.word(), true);
            if let Some((held, above)) = g.sized {
                cell.count("sized", true);
                cell.count("held", held);
                cell.count("above_truth", above);
            }
            cell.count("timer_pass", g.timer == Verdict::Pass);
            cell.count("timer_fail", g.timer == Verdict::Fail);
            if let Some(apart) = g.oracle {
                cell.count("oracle_days", true);
                cell.count("oracle_alike", !apart);
                cell.count("judge_open", !matches!(g.verdict, Verdict::Pass | Verdict::Fail));
            }
            if wrong(g.verdict, size) {
                self.wrong.push(format!(
                    "{:?} {:.3} mm: {} of {} by {}",
                    day.drawn,
                    day.true_mm,
                    g.verdict.word(),
                    TESTS[g.test].name(),
                    SHOWN[g.shown]
                ));
            }
        }
        let mut names = vec![MODELS[model].to_owned()];
        names.extend(day.drawn.misfit.map(|m| format!("{}: {}", MODELS[1], m.word())));
        for name in names {
            let v = self.vehicles.entry(name).or_default();
            let any = |of: fn(&super::days::Graded) -> Verdict| day.graded.iter().any(|g| wrong(of(g), size));
            let (judge, timer) = (u32::from(any(|g| g.verdict)), u32::from(any(|g| g.timer)));
            if size == True::Leaks {
                v.leaks += 1;
                v.false_passes += judge;
                v.timer_false_passes += timer;
            } else if size == True::Sound {
                v.sound += 1;
                v.false_fails += judge;
                v.timer_false_fails += timer;
            }
            for (held, _) in day.graded.iter().filter_map(|g| g.sized) {
                v.sized += 1;
                v.held += u32::from(held);
            }
        }
    }

    fn cell(&self, key: Key) -> Cell {
        self.cells.get(&key).copied().unwrap_or_default()
    }

    /// For people, in the form in which the README shows it.
    pub fn for_people(&self) -> String {
        let mut out = String::new();
        let rate = |k: u32, n: u32| format!("{k} of {n}, ≤ {:.1} %", 100.0 * bounds(k, n).1);
        let share = |k: u32, n: u32| {
            if n == 0 { "–".into() } else { format!("{:.0} %", 100.0 * f64::from(k) / f64::from(n)) }
        };
        let _ = writeln!(
            out,
            "| model | vacuum shown by | test | false pass | false fail | near the limit pass / fail / open | 90 % interval holds | open; oracle | timer: false pass, false fail, open |"
        );
        let _ = writeln!(out, "|---|---|---|---|---|---|---|---|---|");
        for (m, model) in MODELS.iter().enumerate() {
            for (s, shown) in SHOWN.iter().enumerate() {
                for (t, test) in TESTS.iter().enumerate() {
                    let [sound, zone, leaks] = [0, 1, 2].map(|size| self.cell((m, s, t, size)));
                    let far = sound.plus(leaks);
                    let all = far.plus(zone);
                    let open = |c: Cell| c.get("inconclusive") + c.get("not_run");
                    let _ = writeln!(
                        out,
                        "| {model} | {shown} | {} | {} | {} | {} / {} / {} | {} of {} | {}; {} and {} of {} | {}, {}, {} |",
                        test.name().replace('_', " "),
                        rate(leaks.get("pass"), leaks.get("days")),
                        rate(sound.get("fail"), sound.get("days")),
                        zone.get("pass"),
                        zone.get("fail"),
                        open(zone),
                        share(all.get("held"), all.get("sized")),
                        all.get("sized"),
                        share(open(all), all.get("days")),
                        share(all.get("judge_open"), all.get("oracle_days")),
                        share(all.get("oracle_alike"), all.get("oracle_days")),
                        all.get("oracle_days"),
                        share(leaks.get("timer_pass"), leaks.get("days")),
                        share(sound.get("timer_fail"), sound.get("days")),
                        share(far.get("days") - far.get("timer_pass") - far.get("timer_fail"), far.get("days")),
                    );
                }
            }
        }
        let _ = writeln!(
            out,
            "\n| vehicles, any test | false pass | false fail | 90 % interval holds | timer: false pass | timer: false fail |"
        );
        let _ = writeln!(out, "|---|---|---|---|---|---|");
        for (name, v) in &self.vehicles {
            let _ = writeln!(
                out,
                "| {name} | {} | {} | {} of {} | {} | {} |",
                rate(v.false_passes, v.leaks),
                rate(v.false_fails, v.sound),
                wilson(v.held, v.sized).trim(),
                v.sized,
                rate(v.timer_false_passes, v.leaks),
                rate(v.timer_false_fails, v.sound)
            );
        }
        let _ = writeln!(
            out,
            "\nBy true size (pass / fail / inconclusive / not run; intervals that hold the truth, that lie above it, of all):"
        );
        for (&(m, s, t, size), c) in &self.cells {
            let _ = writeln!(
                out,
                "{:8} {:6} {:12} {:5} {:4} / {:4} / {:4} / {:4}   {:4} {:4} of {:4}  {}",
                MODELS[m],
                SHOWN[s],
                TESTS[t].name(),
                TRUE[size],
                c.get("pass"),
                c.get("fail"),
                c.get("inconclusive"),
                c.get("not_run"),
                c.get("held"),
                c.get("above_truth"),
                c.get("sized"),
                wilson(c.get("held"), c.get("sized"))
            );
        }
        if !self.wrong.is_empty() {
            let _ = writeln!(out, "\nFalse verdicts:\n{}", self.wrong.join("\n"));
        }
        out
    }

    /// The counts as a file.
    pub fn to_csv(&self, first: u64, each: u64) -> String {
        let mut out = format!(
            "# vehicles {first} to {} of each kind; tests/calibration says what is counted\n",
            first + each - 1
        );
        let _ = writeln!(out, "model,shown,test,true,{}", COUNTED.join(","));
        for (&(m, s, t, size), c) in &self.cells {
            let counts: Vec<String> = c.0.iter().map(u32::to_string).collect();
            let _ = writeln!(out, "{},{},{},{},{}", MODELS[m], SHOWN[s], TESTS[t].name(), TRUE[size], counts.join(","));
        }
        out
    }

    /// The committed counts.
    pub fn committed() -> Table {
        let mut table = Table::default();
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(COMMITTED.as_bytes());
        let heads: Vec<String> = reader.headers().expect("a header").iter().skip(4).map(str::to_owned).collect();
        assert_eq!(heads, COUNTED, "the committed table has other columns: make it anew");
        for row in reader.records() {
            let row = row.expect("a row");
            let place = |i: usize, of: &[&str]| of.iter().position(|w| *w == &row[i]).expect("a known word");
            let tests = TESTS.map(|t| t.name());
            let key = (place(0, &MODELS), place(1, &SHOWN), place(2, &tests), place(3, &TRUE));
            let counts: Vec<u32> = row.iter().skip(4).map(|c| c.parse().expect("a count")).collect();
            table.cells.insert(key, Cell(counts.try_into().expect("as many as heads")));
        }
        assert_eq!(table.cells.len(), 36, "the committed table lacks cells");
        table
    }

    /// Counts that are not what a sample of the `committed` would give, in words.
    pub fn strays(&self, committed: &Table) -> Vec<String> {
        let mut out = Vec::new();
        for (key, c) in &self.cells {
            let whole = committed.cell(*key);
            for (i, column) in COUNTED.iter().enumerate().skip(1) {
                let of = match *column {
                    "held" | "above_truth" => "sized",
                    "oracle_alike" | "judge_open" => "oracle_days",
                    _ => "days",
                };
                let (n, big) = (f64::from(c.get(of)), f64::from(whole.get(of)));
                let p = if big > 0.0 { f64::from(whole.0[i]) / big } else { 0.0 };
                let spread = (n * p * (1.0 - p) * (1.0 + n / big.max(1.0))).sqrt();
                // The oracle's days are a fixed quarter, whatever the sample.
                let off = (f64::from(c.0[i]) - n * p).abs();
                if *column != "oracle_days" && off > 4.0 * spread + 1.0 {
                    let (m, s, t, size) = *key;
                    out.push(format!(
                        "{} {} {} {}: {column} {} of {n}, expected {:.1}",
                        MODELS[m],
                        SHOWN[s],
                        TESTS[t].name(),
                        TRUE[size],
                        c.0[i],
                        n * p
                    ));
                }
            }
        }
        out
    }
}

/// A pass of a leak, a fail of a sound system.
pub fn wrong(verdict: Verdict, size: True) -> bool {
    matches!((verdict, size), (Verdict::Pass, True::Leaks) | (Verdict::Fail, True::Sound))
}

/// A pass of a sound system, a fail of a leak.
pub fn right(verdict: Verdict, size: True) -> bool {
    matches!((verdict, size), (Verdict::Pass, True::Sound) | (Verdict::Fail, True::Leaks))
}

#[test]
fn a_sample_that_strays_is_named() {
    let cell = |days, pass| {
        let mut c = Cell::default();
        c.0[0] = days;
        c.0[1] = pass;
        c
    };
    let table = |c| Table { cells: [((0, 0, 0, 0), c)].into(), ..Table::default() };
    let committed = table(cell(1000, 500));
    assert!(table(cell(100, 60)).strays(&committed).is_empty());
    // Four deviations of 100 draws of a half are 20, a little more for the committed share's own.
    let strays = table(cell(100, 75)).strays(&committed);
    assert!(strays.len() == 1 && strays[0].contains("pass 75 of 100, expected 50.0"), "{strays:?}");
}
