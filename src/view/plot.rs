//! A plan's night as a plot of characters: what the tank's pressure will do if it is tight, and behind a hole of the
//! limit's size.

use super::show;
use crate::plan::{Moment, Plan};
use crate::units::{PA_PER_INH2O, Shown};

/// Rows of the plot itself.
const ROWS: usize = 14;
/// Columns left of the plot: number, blank and axis.
const MARGIN: usize = 9;

/// The characters it is drawn with.
struct Ink {
    tight: char,
    hole: char,
    both: char,
    closing: char,
    axis: char,
    closing_axis: char,
    floor: char,
    corner: char,
}

const BLOCKS: Ink =
    Ink {
        tight: '▓', hole: '░', both: '▒', closing: '─', axis: '│', closing_axis: '┼', floor: '─', corner: '└'
    };
const ASCII: Ink =
    Ink { tight: '#', hole: 'o', both: '%', closing: '-', axis: '|', closing_axis: '=', floor: '-', corner: '+' };

/// A round step of the scale, Pa or inH2O, so that `span` needs at most four of them.
fn step(span: f64) -> f64 {
    [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 100.0, 200.0, 250.0, 500.0, 1000.0, 2000.0, 5000.0]
        .into_iter()
        .find(|s| span / s <= 4.0)
        .unwrap_or(10_000.0)
}

/// The plot in at most `width` columns; ASCII alone if `plain`.
pub fn plot(plan: &Plan, width: usize, units: Shown, plain: bool) -> Vec<String> {
    let ink = if plain { ASCII } else { BLOCKS };
    let (scale, unit) = match units {
        Shown::Si => (1.0, "Pa"),
        Shown::Inch => (PA_PER_INH2O, "inH2O"),
    };
    let columns = width.saturating_sub(MARGIN).max(20);
    let sealed: Vec<&Moment> = plan.series.iter().filter(|m| m.tight_pa.is_some()).collect();
    // Once the vent is open there is nothing more to see.
    let Some(last) = sealed.last().map(|m| m.time_s.0).filter(|s| *s > 0.0) else { return Vec::new() };
    let closing = [-plan.soak.vacuum_pa[1].0 / scale, -plan.soak.vacuum_pa[0].0 / scale];
    let bands = |s: f64| {
        let next = sealed.iter().position(|m| m.time_s.0 >= s)?;
        let (b, a) = (sealed[next], sealed[next.saturating_sub(1)]);
        let x = if next == 0 { 0.0 } else { (s - a.time_s.0) / (b.time_s.0 - a.time_s.0) };
        let between = |of: fn(&Moment) -> Option<[crate::grade::verdict::Num; 3]>| {
            let (a, b) = (of(a)?, of(b)?);
            Some([0, 2].map(|i| (a[i].0 + (b[i].0 - a[i].0) * x) / scale))
        };
        Some((between(|m| m.tight_pa)?, between(|m| m.limit_hole_pa)?))
    };
    let at = |column: usize| last * (column as f64 + 0.5) / columns as f64;
    let shown: Vec<_> = (0..columns).map(|c| bands(at(c))).collect();
    let ends = shown.iter().flatten().flat_map(|(t, h)| t.iter().chain(h)).chain(&closing).copied();
    let (low, high) = ends.fold((0.0f64, 0.0f64), |(low, high), v| (low.min(v), high.max(v)));
    let step = step(high - low);
    let (bottom, top) = ((low / step).floor() * step, (high / step).ceil() * step);
    let row_high = (top - bottom) / ROWS as f64;
    let mut out = vec![format!("Tank pressure, {unit}")];
    for row in 0..ROWS {
        // Each row stands for the band of pressures about its middle.
        let (over, under) = (top - row_high * row as f64, top - row_high * (row + 1) as f64);
        let touches = |[low, high]: [f64; 2]| low <= over && high >= under;
        let closes = touches(closing);
        let cell = |bands: &Option<([f64; 2], [f64; 2])>| match bands.map(|(t, h)| (touches(t), touches(h))) {
            Some((true, true)) => ink.both,
            Some((true, false)) => ink.tight,
            Some((false, true)) => ink.hole,
            Some((false, false)) | None if closes => ink.closing,
            _ => ' ',
        };
        // The mark of the scale that lies in this row.
        let mark = (over / step).floor() * step;
        let label = if mark > under || row + 1 == ROWS && mark >= under { number(mark) } else { String::new() };
        let axis = if closes { ink.closing_axis } else { ink.axis };
        let cells: String = shown.iter().map(cell).collect();
        out.push(format!("{label:>7} {axis}{cells}").trim_end().to_owned());
    }
    out.push(format!("{:>7} {}{}", "", ink.corner, ink.floor.to_string().repeat(columns)));
    out.push(hours(plan, last, columns));
    let limit = show::hole(plan.soak.limit_mm.0, units);
    let vacuum = if plan.soak.by_switch { "the switch closes" } else { "vacuum that counts" };
    let legend = [
        format!("{} tight", ink.tight),
        format!("{} hole of {limit}", ink.hole),
        format!("{} both", ink.both),
        format!("{} {vacuum}", ink.closing),
    ];
    out.push(format!("{:MARGIN$}{}", "", legend.join("   ")));
    out
}

fn number(v: f64) -> String {
    let text = format!("{v:.1}");
    // A rounded nothing has no sign, and whole numbers no decimals.
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// The clock under the axis, at whole hours of the plan.
fn hours(plan: &Plan, last_s: f64, columns: usize) -> String {
    let room = (columns / 9).max(2) as f64;
    let every =
        [0.25, 0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 12.0].into_iter().find(|h| last_s / 3600.0 / h < room).unwrap_or(24.0);
    let mut line = String::new();
    for i in 0.. {
        let s = f64::from(i) * every * 3600.0;
        let label = plan.clock(s);
        // It begins under its column.
        let column = MARGIN + (s / last_s * columns as f64) as usize;
        if s > last_s || column + label.len() > MARGIN + columns {
            break;
        }
        line += &" ".repeat(column.saturating_sub(line.len()));
        line += &label;
    }
    line
}
