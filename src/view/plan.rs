//! A plan as text for people, and as JSON.

use super::Error;
use super::block::Style;
use super::cautions;
use super::show::{self, Ink, paint};
use crate::plan::{Plan, Worth};
use crate::trade::Test;
use serde::Serialize;

/// Where the words beside a heading begin.
const INDENT: usize = 16;

/// The object that `plan --json` prints.
#[derive(Serialize)]
struct Json<'a> {
    #[serde(flatten)]
    plan: &'a Plan,
    cautions: Vec<&'a str>,
}

/// One line without its line end. Always SI; what is not a finite number is `null`.
pub fn json(plan: &Plan) -> Result<String, Error> {
    let whole = Json { plan, cautions: cautions::of_a_drive().collect() };
    serde_json::to_string(&whole).map_err(|e| Error::Write { what: "JSON".to_owned(), source: e.into() })
}

/// The lines of the text; `plot` stands after what the night can tell.
pub fn text(plan: &Plan, plot: &[String], style: Style) -> Vec<String> {
    let mut page = Page { style, out: Vec::new() };
    let (g, s) = (&plan.given, &plan.soak);
    let head = format!("Plan of a night, profile {}", show::clean(&plan.profile));
    page.out.push(paint(Ink::Strong, &head, style.colour));
    page.item("key-off", &format!("{}, until {}, {}", g.key_off, g.until, show::span(g.long_s.0)));
    page.item("outside air", &format!("{:.1} °C to {:.1} °C; {}", g.ambient_c[0].0, g.ambient_c[1].0, g.weather));
    let fuel = match (&g.fuel_c, &g.fuel_above_air_k) {
        (Some(c), _) => format!("{:.1} °C at key-off", c.0),
        (None, Some(k)) => format!("{:.0} to {:.0} K above the air at key-off, not measured", k[0].0, k[1].0),
        (None, None) => "not known".to_owned(),
    };
    page.item("fuel", &fuel);
    page.item("", &format!("RVP {:.1} to {:.1} psi ({})", g.rvp_psi[0].0, g.rvp_psi[1].0, g.rvp_source));
    let level = g.level_pct.map_or("level not known".to_owned(), |l| format!("level {:.0} %", l.0));
    page.item("", &format!("{level}: {:.0} L of vapour, ± {:.0} %", g.vapour_volume_l.0, g.vapour_volume_spread_pct.0));
    let baro = g.baro_kpa.map_or("not known".to_owned(), |b| format!("{:.1} kPa at the place", b.0));
    page.item("barometer", &baro);

    let clock = |at: f64| plan.clock(at);
    page.head("Tight system");
    let vacuum = match s.by_switch {
        true => format!("closes the switch (at {:.0} to {:.0} Pa)", s.vacuum_pa[0].0, s.vacuum_pa[1].0),
        false => format!("comes to {:.0} Pa of vacuum", s.vacuum_pa[0].0),
    };
    let between = match (s.tight_early_s, s.tight_typical_s, s.tight_late_s) {
        (Some(early), Some(typical), Some(late)) => {
            format!("{} to {} (5 to 95 %), typically {}", clock(early.0), clock(late.0), clock(typical.0))
        }
        (Some(early), Some(typical), None) => {
            format!("from {} (5 %), typically {}", clock(early.0), clock(typical.0))
        }
        (Some(early), None, _) => format!("from {} (5 %)", clock(early.0)),
        (None, ..) => "hardly ever".to_owned(),
    };
    page.item("when", &format!("{vacuum}: {between}"));
    page.item(
        "by the end",
        &format!(
            "in {:.0} of 100 cases, sealed for {}; then at {:.0} Pa ({:.0} to {:.0} Pa)",
            s.tight_share.0 * 100.0,
            show::span(s.sealed_s.0),
            s.tight_end_pa[1].0,
            s.tight_end_pa[0].0,
            s.tight_end_pa[2].0
        ),
    );
    page.head("This night");
    let hole = |mm: f64| show::hole(mm, style.units);
    page.item(
        "holes",
        &format!(
            "up to {} could still {}, from {} on would keep it {}; the limit is {}",
            hole(s.night_mm.closes_up_to.0),
            if s.by_switch { "close it" } else { "let it come so far" },
            hole(s.night_mm.opens_from.0),
            if s.by_switch { "open" } else { "above that" },
            hole(s.limit_mm.0)
        ),
    );
    let (word, ink) = match plan.advice.worth_waiting {
        Worth::Yes => ("yes", Ink::Good),
        Worth::Perhaps => ("perhaps", Ink::Warn),
        Worth::No => ("no", Ink::Bad),
    };
    page.inked("worth waiting", word, ink);
    for reason in &plan.advice.reasons {
        page.item("", reason);
    }
    page.item("next", &plan.advice.next);
    page.out.extend(plot.iter().cloned());

    page.head("Cold-start drive");
    let c = &plan.cold_start;
    match (c.from_s, c.to_s, c.best_s) {
        (Some(from), Some(to), Some(best)) => {
            page.item("start", &format!("{} to {}, best about {}", clock(from.0), clock(to.0), clock(best.0)));
        }
        _ => page.item("start", "at no time are all conditions met"),
    }
    let lags = [g.coolant_lag_s[0].0, g.coolant_lag_s[1].0].map(|s| s / 3600.0);
    let early = c.perhaps_from_s.map_or(String::new(), |s| format!("; a quick one is ready at {}", clock(s.0)));
    page.item(
        "coolant",
        &format!("from {:.0} °C with a lag of {:.1} to {:.1} h behind the air{early}", g.coolant_c.0, lags[0], lags[1]),
    );
    for (test, name) in [(Test::KeyOffSoak, "for the soak"), (Test::VacuumDecay, "for the decay")] {
        let mut name = name;
        for e in plan.conditions.iter().filter(|e| e.test == test) {
            let met = e.met.map_or("not known", |met| if met { "met" } else { "NOT MET" });
            let value = e.value.map_or(String::new(), |v| format!(": {:.1} {}", v.0, e.unit()));
            page.item(name, &format!("{met}, {}{value}", e.condition));
            name = "";
        }
    }
    if !plan.notes.is_empty() {
        page.head("Notes");
        plan.notes.iter().for_each(|n| page.item("", n));
    }
    page.head("Before the drive");
    cautions::of_a_drive().for_each(|c| page.item("  *", c));
    page.out
}

struct Page {
    style: Style,
    out: Vec<String>,
}

impl Page {
    fn head(&mut self, title: &str) {
        self.out.push(paint(Ink::Strong, title, self.style.colour));
    }

    fn item(&mut self, name: &str, text: &str) {
        let text = show::words(text, self.style.units);
        for (i, line) in show::wrap(&text, self.style.width.saturating_sub(INDENT).max(20)).iter().enumerate() {
            let name = if i == 0 { format!("  {name}") } else { String::new() };
            self.out.push(format!("{name:INDENT$}{line}"));
        }
    }

    fn inked(&mut self, name: &str, word: &str, ink: Ink) {
        let name = format!("  {name}");
        self.out.push(format!("{name:INDENT$}{}", paint(ink, word, self.style.colour)));
    }
}
