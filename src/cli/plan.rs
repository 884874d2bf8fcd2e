//! `plan`: what a night will be able to tell, before it is spent.

use super::outcome::say;
use super::{Error, Outcome, ProfileChoice, USUAL_PROFILE};
use crate::physics::gas::station_pressure;
use crate::plan::{FuelStart, Night, Weather};
use crate::profile::Profile;
use crate::units::Shown;
use crate::view;
use crate::view::block::Style;
use crate::view::console::terminal;
use crate::view::show;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Say what tonight's key-off soak can tell and whether it is worth waiting for: when a tight system's switch should
/// close, which hole the night can show, and when in the morning a cold-start drive would meet its conditions.
///
/// It rests on the same model as the verdict of the recorded night. Temperatures are in °C, pressures in kPa.
#[derive(Debug, clap::Args)]
pub struct Plan {
    /// Outside air at key-off
    #[arg(long, value_name = "°C", value_parser = celsius, allow_negative_numbers = true, requires = "morning",
          required_unless_present = "weather")]
    pub evening: Option<f64>,
    /// Outside air at the end of the night; in between it follows a smooth cooling curve
    #[arg(long, value_name = "°C", value_parser = celsius, allow_negative_numbers = true, requires = "evening")]
    pub morning: Option<f64>,
    /// Instead of two temperatures, a CSV file of hours: utc or time_s, ambient_c, and if it can be had baro_kpa (at the
    /// place itself, not reduced to sea level)
    #[arg(long, value_name = "FILE", conflicts_with_all = ["evening", "morning"])]
    pub weather: Option<PathBuf>,
    /// Time of key-off; UTC for a file with utc [default: 20:00, or a file's first row]
    #[arg(long, value_name = "HH:MM", value_parser = time_of_day)]
    pub from: Option<i64>,
    /// Time at which the night ends [default: 07:00, or a file's last row]
    #[arg(long, value_name = "HH:MM", value_parser = time_of_day)]
    pub until: Option<i64>,
    /// Fuel level, of the nominal tank
    #[arg(long, value_name = "%", value_parser = percent, allow_negative_numbers = true)]
    pub level: Option<f64>,
    /// Fuel at key-off, if it is measured
    #[arg(long, value_name = "°C", value_parser = celsius, allow_negative_numbers = true)]
    pub fuel_temp: Option<f64>,
    /// Instead, hours between the last drive and key-off; 0 is straight from a drive [default: 0]
    #[arg(long, value_name = "HOURS", value_parser = hours, allow_negative_numbers = true, conflicts_with = "fuel_temp")]
    pub driven_ago: Option<f64>,
    /// Coolant at key-off [default: plan.coolant_c of the profile, a warm engine]
    #[arg(long, value_name = "°C", value_parser = celsius, allow_negative_numbers = true)]
    pub coolant: Option<f64>,
    /// Barometer at the place itself
    #[arg(long, value_name = "KPA", value_parser = kilopascals, allow_negative_numbers = true)]
    pub baro: Option<f64>,
    /// Instead, the barometer as forecasts give it, reduced to sea level
    #[arg(long, value_name = "KPA", value_parser = kilopascals, allow_negative_numbers = true, requires = "altitude",
          conflicts_with = "baro")]
    pub sea_level_baro: Option<f64>,
    /// Height of the place above the sea, with --sea-level-baro
    #[arg(long, value_name = "M", value_parser = metres, allow_negative_numbers = true, requires = "sea_level_baro")]
    pub altitude: Option<f64>,
    /// Reid vapour pressure of the gasoline without its ethanol, one value or LOW..HIGH [default: the profile's range]. What its ethanol may
    /// add, up to 1 psi, comes on top: --set fuel.ethanol_pct=0 for a value measured on the blend
    #[arg(long, value_name = "PSI", value_parser = range, conflicts_with = "season")]
    pub rvp: Option<(f64, f64)>,
    /// Instead, the season whose fuel is in the tank: `season.…` of the profile
    #[arg(long, value_enum)]
    pub season: Option<Season>,
    /// Which limits to plan by.
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// One JSON object for other programs; always SI
    #[arg(long)]
    pub json: bool,
    /// Draw the plot with ASCII characters alone
    #[arg(long)]
    pub plain: bool,
    /// Columns of the text [default: the terminal's, or 80]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(60..=200))]
    pub columns: Option<u16>,
    /// Units of the text
    #[arg(long, value_enum, default_value = "si")]
    pub units: Shown,
}

/// A season's fuel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Season {
    /// Summer fuel
    Summer,
    /// Spring or autumn: either may be in the tank
    Between,
    /// Winter fuel
    Winter,
}

/// Key-off and end of the night, if nobody says, s since midnight.
const USUAL_NIGHT: (i64, i64) = (20 * 3600, 7 * 3600);
/// A table of weather larger than this is none.
const LARGEST: u64 = 4 << 20;

impl Plan {
    /// Runs it.
    pub fn run(self) -> Result<Outcome, Error> {
        let profile = self.profile()?;
        let weather = match (&self.weather, self.evening, self.morning) {
            (Some(path), ..) => {
                let name = path.display().to_string();
                let table = Weather::table(&name, &read(path)?, self.from)?;
                table.between(self.from, self.until)?
            }
            (None, evening, morning) => {
                let (from, until) = (self.from.unwrap_or(USUAL_NIGHT.0), self.until.unwrap_or(USUAL_NIGHT.1));
                Weather::cooling(evening.unwrap_or_default(), morning.unwrap_or_default(), (from, until))
            }
        };
        let fuel = match (self.fuel_temp, self.driven_ago) {
            (Some(c), _) => FuelStart::Measured(c),
            (None, Some(hours)) => FuelStart::Driven(hours),
            (None, None) => FuelStart::Unknown,
        };
        let reduced = self.sea_level_baro.zip(self.altitude);
        let night = Night {
            profile: &profile,
            weather: &weather,
            level_pct: self.level,
            fuel,
            baro_kpa: self.baro.or(reduced.map(|(kpa, m)| station_pressure(kpa, m))),
            coolant_c: self.coolant,
        };
        let plan = night.plan()?;
        if self.json {
            say(&view::plan::json(&plan)?)?;
        } else {
            let screen = terminal().map(|(columns, _)| columns);
            let width = self.columns.map(usize::from).or(screen).unwrap_or(80).clamp(60, 200);
            let style = Style { width, units: self.units, colour: show::colour_wanted(screen.is_some()) };
            let plot = view::plot::plot(&plan, width, self.units, self.plain);
            view::plan::text(&plan, &plot, style).iter().try_for_each(|line| say(line))?;
        }
        Ok(Outcome::Fine)
    }

    /// The profile, with the fuel that was named.
    fn profile(&self) -> Result<Arc<Profile>, Error> {
        let mut choice = self.profile.clone();
        let named = match (self.rvp, self.season) {
            (Some(range), _) => Some(range),
            (None, Some(season)) => {
                let s = &choice.or(USUAL_PROFILE)?.set.season;
                Some(match season {
                    Season::Summer => (s.summer_low_psi, s.summer_high_psi),
                    Season::Between => (s.between_low_psi, s.between_high_psi),
                    Season::Winter => (s.winter_low_psi, s.winter_high_psi),
                })
            }
            (None, None) => None,
        };
        if let Some((low, high)) = named {
            choice.set.push(format!("fuel.rvp_low_psi={low}"));
            choice.set.push(format!("fuel.rvp_high_psi={high}"));
        }
        let mut profile = choice.or(USUAL_PROFILE)?;
        if let Some(season) = self.season {
            let season = format!("{season:?}").to_lowercase();
            let source = |end| profile.source(&format!("season.{season}_{end}_psi")).to_owned();
            let told = format!("{season}: {}; {}", source("low"), source("high"));
            Arc::make_mut(&mut profile).sources.insert("fuel.rvp_low_psi".to_owned(), told);
        }
        Ok(profile)
    }
}

fn read(path: &Path) -> Result<Vec<u8>, Error> {
    let mut bytes = Vec::new();
    let read = File::open(path).and_then(|f| f.take(LARGEST + 1).read_to_end(&mut bytes));
    read.map_err(|source| Error::Path { path: path.display().to_string(), source })?;
    if bytes.len() as u64 > LARGEST {
        let what = format!("the file is larger than {LARGEST} bytes: it is no table of a night's hours");
        return Err(crate::plan::Error::Table { path: path.display().to_string(), line: 1, column: 1, what }.into());
    }
    Ok(bytes)
}

fn number_in(text: &str, low: f64, high: f64, told: &str) -> Result<f64, String> {
    text.parse().ok().filter(|v| (low..=high).contains(v)).ok_or_else(|| format!("{told}, {low} to {high}"))
}

fn celsius(text: &str) -> Result<f64, String> {
    number_in(text, -60.0, 130.0, "a temperature in °C")
}

fn percent(text: &str) -> Result<f64, String> {
    number_in(text, 0.0, 100.0, "a level in percent")
}

fn hours(text: &str) -> Result<f64, String> {
    number_in(text, 0.0, 1000.0, "hours")
}

fn kilopascals(text: &str) -> Result<f64, String> {
    number_in(text, 40.0, 115.0, "a barometer in kPa")
}

fn metres(text: &str) -> Result<f64, String> {
    number_in(text, -500.0, 6000.0, "a height in metres")
}

fn range(text: &str) -> Result<(f64, f64), String> {
    let told = "psi, such as 9 or 7..10";
    let one = |t: &str| number_in(t.trim(), 1.0, 16.0, told);
    let (low, high) = text.split_once("..").unwrap_or((text, text));
    let (low, high) = (one(low)?, one(high)?);
    if low > high { Err(format!("{told}: the lower one first")) } else { Ok((low, high)) }
}

fn time_of_day(text: &str) -> Result<i64, String> {
    let told = || "a time of day such as 20:30".to_owned();
    let (h, m) = text.split_once(':').ok_or_else(told)?;
    let part = |t: &str, most: i64| {
        let digits = (1..=2).contains(&t.len()) && t.bytes().all(|b| b.is_ascii_digit());
        t.parse::<i64>().ok().filter(|v| digits && *v < most)
    };
    Ok(part(h, 24).ok_or_else(told)? * 3600 + part(m, 60).ok_or_else(told)? * 60)
}
