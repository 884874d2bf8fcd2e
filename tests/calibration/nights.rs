//! How many nights it takes until a verdict is true: the same vehicles, judged and by the timer rule.

use super::LIMIT_MM;
use super::days::{Graded, SHOWN, True, on_all_cores, play};
use super::table::{right, wrong};
use soakwatch::sim::drawn::DrawnDay;
use soakwatch::trade::Verdict;
use std::fmt::Write;

/// A week of soaks.
const WEEK: u32 = 7;

/// What came of a vehicle: a true verdict first, after so many nights; or a false one first; or none in a week.
#[derive(Debug, Clone, Copy)]
enum Came {
    True(u32),
    False,
    None,
}

/// Follows one vehicle by all that is shown of it: judged, and by the timer rule.
fn follow(vehicle: u64, sensor: bool) -> Vec<(usize, True, [Came; 2])> {
    let day = |night| DrawnDay { vehicle, night, sensor, misfit: None };
    let size = True::of(day(0).hole_mm(LIMIT_MM));
    let shown: Vec<usize> = if sensor { vec![2] } else { vec![0, 1] };
    let mut came = vec![[Came::None; 2]; shown.len()];
    let mut open = vec![0; shown.len()];
    for night in 1..=WEEK {
        let graded = play(day(night), false).graded;
        for (i, s) in shown.iter().enumerate() {
            let mine: Vec<&Graded> = graded.iter().filter(|g| g.shown == *s).collect();
            open[i] += u32::from(mine.iter().any(|g| g.timer_counts_open));
            let week = if open[i] == WEEK { Verdict::Fail } else { Verdict::Inconclusive };
            let said: [Vec<Verdict>; 2] =
                [mine.iter().map(|g| g.verdict).collect(), mine.iter().map(|g| g.timer).chain([week]).collect()];
            for (c, said) in came[i].iter_mut().zip(said) {
                if matches!(c, Came::None) {
                    *c = if said.iter().any(|v| wrong(*v, size)) {
                        Came::False
                    } else if said.iter().any(|v| right(*v, size)) {
                        Came::True(night)
                    } else {
                        Came::None
                    };
                }
            }
        }
        if came.iter().flatten().all(|c| !matches!(c, Came::None)) {
            break;
        }
    }
    shown.into_iter().zip(came).map(|(s, c)| (s, size, c)).collect()
}

/// Follows `each` vehicles of each kind and tells what came, as a table.
pub fn compare(first: u64, each: u64) -> String {
    // Not the vehicles of the other table.
    let vehicles: Vec<(u64, bool)> =
        (0..each).flat_map(|i| [(first + 240_000 + i, false), (first + 720_000 + i, true)]).collect();
    let came: Vec<_> = on_all_cores(&vehicles, |(v, sensor)| follow(*v, *sensor)).into_iter().flatten().collect();
    let mut out = String::from(
        "| vacuum shown by | true | vehicles | judge: true on night 1, within 7, false first, mean nights | timer rule: the same |\n|---|---|---|---|---|\n",
    );
    for (s, shown) in SHOWN.iter().enumerate() {
        for (size, word) in [(True::Sound, "sound"), (True::Leaks, "leaks")] {
            let of: Vec<[Came; 2]> = came.iter().filter(|c| c.0 == s && c.1 == size).map(|c| c.2).collect();
            let told = [0, 1].map(|who| {
                let nights: Vec<u32> =
                    of.iter().filter_map(|c| if let Came::True(n) = c[who] { Some(n) } else { None }).collect();
                let first = nights.iter().filter(|n| **n == 1).count();
                let bad = of.iter().filter(|c| matches!(c[who], Came::False)).count();
                let mean = f64::from(nights.iter().sum::<u32>()) / nights.len().max(1) as f64;
                format!("{first}, {}, {bad}, {mean:.1}", nights.len())
            });
            let _ = writeln!(out, "| {shown} | {word} | {} | {} | {} |", of.len(), told[0], told[1]);
        }
    }
    out
}
