//! Relief: pressure (or vacuum) must stand at the relief's value while supply goes on.
//!
//! A leak in balance with the supply flattens a trace too. The two are told apart by how the flat is reached: up to
//! a relief the trace climbs undiminished and then stops; towards a balance it slows down all the way.

use super::draft::{Book, Draft, Machine};
use crate::channel::Channel;
use crate::time::Stamp;
use crate::timeline::{Engine, Happening, SpoilerKind, Timeline, Vent};
use crate::trade::{Phase, Test, Verdict};

/// The machine.
#[derive(Debug, Default)]
pub struct Relief {
    book: Book,
    trace: Trace,
    last: Option<Stamp>,
    beyond: [Option<Stamp>; 2],
    done: [bool; 2],
    highest_pa: f64,
    lowest_pa: f64,
    seen: bool,
}

impl Machine for Relief {
    fn test(&self) -> Test {
        Test::Relief
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Vent(_) | Happening::Gap { .. } => self.trace.clear(),
            // An engine at rest draws nothing: that its controller falls silent, or speaks again, changes no supply.
            Happening::Purge(turn) => {
                let on = turn.from == Some(true) || turn.to == Some(true);
                if on || t.engine() != Some(Engine::Stopped) {
                    self.trace.clear();
                }
            }
            Happening::Repair(_) => self.done = [false; 2],
            // Fuel that runs in pushes harder than any relief is made for; the level shows it only afterwards.
            Happening::Spoiler(s) if s.kind == SpoilerKind::Refuelled => {
                for d in &mut self.book.runs {
                    let end = d.finding.end_s.map_or(0.0, |e| e.0);
                    if d.finding.verdict == Verdict::Fail && (s.at.secs() - end).abs() < REFUELLING_S {
                        d.finding.withdrawn_by.get_or_insert_with(|| format!("{:.1} s: {}", s.at.secs(), s.text));
                    }
                }
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        let Some((pa, e)) = t.pressure_pa() else { return };
        // The rows of another link bring no pressure: they would only repeat the last one.
        let row = t.signals.row_at(Channel::TankPressurePa);
        if t.vent().0 != Some(Vent::Sealed) || self.last == row {
            return;
        }
        self.last = row;
        self.seen = true;
        self.highest_pa = self.highest_pa.max(pa);
        self.lowest_pa = self.lowest_pa.min(pa);
        let wall = t.signals.get(Channel::TankSkinC).or_else(|| t.signals.get(Channel::FuelTempC));
        self.trace.add(t.now(), pa, wall);
        for side in [Side::Pressure, Side::Vacuum] {
            if !self.done[side as usize] {
                self.judge(t, side, pa, e);
            }
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        self.book.drafts(None, |_| {
            let reason = if self.seen {
                format!(
                    "pressure in the sealed tank ranged from {:.0} to {:.0} Pa: neither relief was reached",
                    self.lowest_pa, self.highest_pa
                )
            } else if t.signals.seen(Channel::TankPressurePa) {
                "the tank was never sealed while its pressure was recorded".into()
            } else {
                "there is no tank_pressure_pa channel: only a pressure trace can show a relief".into()
            };
            Draft::not_run(Test::Relief, rule(t), vec![reason], "the module's relief is best tried on the bench")
        })
    }

    fn under_way(&self, _t: &Timeline) -> Option<(f64, String)> {
        None
    }
}

/// Times the highest opening point.
pub(super) const FAILS_ABOVE: f64 = 1.4;

/// How far a refuelling and the pressure it made may lie apart, seconds.
const REFUELLING_S: f64 = 900.0;

/// Which relief.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Side {
    Pressure = 0,
    Vacuum = 1,
}

impl Relief {
    fn judge(&mut self, t: &Timeline, side: Side, pa: f64, e: f64) {
        let r = &t.profile.set.reliefs;
        let (sign, low, high, name) = match side {
            Side::Pressure => (1.0, r.pressure_low_pa, r.pressure_high_pa, "pressure"),
            Side::Vacuum => (-1.0, r.vacuum_low_pa, r.vacuum_high_pa, "vacuum"),
        };
        let now = t.now();
        let margin = e + 3.0 * t.pressure_noise_pa();
        let beyond = &mut self.beyond[side as usize];
        // A relief's pressure rises with what flows through it: only well above its opening point has it failed.
        if sign * pa > FAILS_ABOVE * high + margin {
            let since = *beyond.get_or_insert(now);
            if now.since(since) > 5.0 && e <= 25.0 {
                let mut d = Draft::run(Test::Relief, rule(t), since, now);
                d.decide(Verdict::Fail, now);
                d.because(format!(
                    "the sealed tank stood at {pa:.0} Pa: the {name} relief should have opened by {:.0} Pa",
                    sign * high
                ));
                d.note("stood_at_pa", pa);
                d.next("replace the module, or check that its relief's path to the vent is free");
                self.done[side as usize] = true;
                self.book.runs.push(d);
                return;
            }
        } else {
            *beyond = None;
        }
        if sign * pa < low - e {
            return;
        }
        let supply = match side {
            Side::Vacuum => t.phase().0 == Phase::PurgeRun && t.purge().0 == Some(true),
            Side::Pressure => t.phase().0 != Phase::PurgeRun,
        };
        if !supply {
            return;
        }
        // Warmth supplies slowly: the flat must last long enough for the temperature to show that it goes on.
        let flat_s = if side == Side::Pressure { r.flat_s.max(300.0) } else { r.flat_s };
        let noise = 2.0 * t.pressure_noise_pa();
        let Some(flat) = self.trace.flat(now, flat_s, r.flat_band_pa.max(noise)) else { return };
        if side == Side::Pressure && flat.warmed_k.is_none_or(|k| k < 0.2) {
            return;
        }
        let mut d = Draft::run(Test::Relief, rule(t), flat.from, now);
        d.note("stood_at_pa", flat.level_pa);
        d.note("side", name);
        if let Some(ratio) = flat.climb_ratio {
            d.note("climb_ratio", ratio);
        }
        match flat.climb_ratio {
            Some(ratio) if ratio >= 0.65 => {
                d.decide(Verdict::Pass, now);
                d.because(format!(
                    "the trace climbed undiminished to {:.0} Pa and stood there for {:.0} s while supply went on: the {name} relief opens within {low:.0} to {high:.0} Pa",
                    flat.level_pa, flat_s
                ));
                d.next("none");
            }
            None => {
                d.because(format!(
                    "the trace stands at {:.0} Pa, within the {name} relief's range, but too little of its way there was recorded: a leak in balance with the supply could look the same",
                    flat.level_pa
                ));
                d.next("record the whole climb from the sealed vent on, or try the relief on the bench");
            }
            Some(_) => {
                d.because(format!(
                    "the trace stands at {:.0} Pa, within the {name} relief's range, but it slowed on the way there: a leak in balance with the supply would look the same",
                    flat.level_pa
                ));
                d.next("size the leak by the vacuum decay, or try the relief on the bench");
            }
        }
        self.done[side as usize] = true;
        self.book.runs.push(d);
    }
}

/// A trace of means in constant memory: when it is full, two neighbours become one.
#[derive(Debug, Clone)]
struct Trace {
    cell_s: f64,
    cells: Vec<Cell>,
}

impl Default for Trace {
    fn default() -> Trace {
        Trace { cell_s: 0.5, cells: Vec::new() }
    }
}

#[derive(Debug, Clone, Copy)]
struct Cell {
    at: Stamp,
    sum: f64,
    n: f64,
    wall_c: Option<f64>,
}

struct Flat {
    from: Stamp,
    level_pa: f64,
    warmed_k: Option<f64>,
    climb_ratio: Option<f64>,
}

impl Trace {
    fn clear(&mut self) {
        self.cells.clear();
        self.cell_s = 0.5;
    }

    fn add(&mut self, now: Stamp, pa: f64, wall_c: Option<f64>) {
        match self.cells.last_mut() {
            Some(c) if now.since(c.at) < self.cell_s => {
                c.sum += pa;
                c.n += 1.0;
            }
            _ => self.cells.push(Cell { at: now, sum: pa, n: 1.0, wall_c }),
        }
        if self.cells.len() >= 2048 {
            let halved: Vec<Cell> = self
                .cells
                .chunks_exact(2)
                .map(|c| Cell { at: c[0].at, sum: c[0].sum + c[1].sum, n: c[0].n + c[1].n, wall_c: c[0].wall_c })
                .collect();
            self.cells = halved;
            self.cell_s *= 2.0;
        }
    }

    fn flat(&self, now: Stamp, seconds: f64, band_pa: f64) -> Option<Flat> {
        let first = self.cells.partition_point(|c| now.since(c.at) > seconds);
        let tail = &self.cells[first..];
        if first == 0 || tail.len() < 4 {
            return None;
        }
        let (low, high, sum) = tail.iter().fold((f64::MAX, f64::MIN, 0.0), |(l, h, s), c| {
            let v = c.sum / c.n;
            (l.min(v), h.max(v), s + v)
        });
        if high - low > band_pa {
            return None;
        }
        let level = sum / tail.len() as f64;
        let warmed_k = match (tail[0].wall_c, tail[tail.len() - 1].wall_c) {
            (Some(a), Some(b)) => Some(b - a),
            _ => None,
        };
        Some(Flat { from: tail[0].at, level_pa: level, warmed_k, climb_ratio: self.climb_ratio(level) })
    }

    /// Slope over the upper half of the climb to `level`, divided by the slope over its lower part.
    fn climb_ratio(&self, level: f64) -> Option<f64> {
        let reached = |share: f64| self.cells.iter().find(|c| c.sum / c.n / level >= share).map(|c| c.at);
        if self.cells.first().is_none_or(|c| c.sum / c.n / level > 0.3) {
            return None;
        }
        let (a, b, c, d) = (reached(0.3)?, reached(0.55)?, reached(0.65)?, reached(0.9)?);
        let (early, late) = (b.since(a), d.since(c));
        // A climb of a few cells cannot be judged.
        (early >= 2.0 * self.cell_s && late > 0.0).then(|| early / late)
    }
}

fn rule(t: &Timeline) -> String {
    let r = &t.profile.set.reliefs;
    format!(
        "pressure relief opens within {:.0} to {:.0} Pa ({}), vacuum relief within {:.0} to {:.0} Pa ({}): the trace must stand there while supply goes on",
        r.pressure_low_pa,
        r.pressure_high_pa,
        t.profile.source("reliefs.pressure_low_pa"),
        r.vacuum_low_pa,
        r.vacuum_high_pa,
        t.profile.source("reliefs.vacuum_low_pa")
    )
}
