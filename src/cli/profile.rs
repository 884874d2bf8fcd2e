//! `soakwatch profile`: what profiles there are, what one holds, and whether a file is sound.

use super::{Error, Outcome};
use crate::profile::{self, Profile, SETTINGS, STEP};
use crate::view;
use std::io::{self, Write};

/// The profiles: the vehicle's volumes, limits and timings, each with its unit and source.
#[derive(Debug, Clone, clap::Args)]
pub struct Profiles {
    /// What to do with them
    #[command(subcommand)]
    pub action: Action,
}

/// What can be asked of profiles.
#[derive(Debug, Clone, clap::Subcommand)]
pub enum Action {
    /// Name the built-in profiles
    List,
    /// Show every setting of a profile: its value, unit, meaning and where the value comes from
    ///
    /// What is shown is itself a complete profile: save it as a .toml file and change it.
    Show {
        /// A built-in profile's name, or a .toml file
        #[arg(value_name = "PROFILE")]
        name: String,
        /// Change one setting first, as in vehicle.tank_l=62; may be given again
        #[arg(long = "set", value_name = "KEY=VALUE")]
        sets: Vec<String>,
    },
    /// Say whether profile files are sound, and if not, everything that is wrong and what would be right
    ///
    /// Ends with 0 if all are sound, with 2 if one is not.
    Check {
        /// The .toml files, or built-in profiles' names
        #[arg(required = true, value_name = "FILE")]
        files: Vec<String>,
    },
}

impl Profiles {
    /// Runs it: fine if all is sound, unreadable if not.
    pub fn run(self) -> Result<Outcome, Error> {
        let ended = self.answer(&mut io::stdout().lock(), &mut io::stderr().lock());
        Ok(ended.map_err(view::Error::write("standard output"))?)
    }

    /// Writes the answer to `out`, and why there is none to `err`.
    pub fn answer(&self, out: &mut dyn Write, err: &mut dyn Write) -> io::Result<Outcome> {
        match &self.action {
            Action::List => list(out, err),
            Action::Show { name, sets } => match profile::load(name, sets) {
                Ok(profile) => show(&profile, out).map(|()| Outcome::Fine),
                Err(error) => complain(&error, err),
            },
            Action::Check { files } => {
                let mut outcome = Outcome::Fine;
                for file in files {
                    match profile::load(file, &[]) {
                        Ok(profile) => sound(file, &profile, out)?,
                        Err(error) => {
                            faulty(file, &error, err)?;
                            outcome = Outcome::Unreadable;
                        }
                    }
                }
                Ok(outcome)
            }
        }
    }
}

/// One line a fault.
fn complain(error: &profile::Error, err: &mut dyn Write) -> io::Result<Outcome> {
    writeln!(err, "{error}").map(|()| Outcome::Unreadable)
}

fn list(out: &mut dyn Write, err: &mut dyn Write) -> io::Result<Outcome> {
    let width = profile::builtin_names().map(str::len).max().unwrap_or(0);
    let mut outcome = Outcome::Fine;
    for name in profile::builtin_names() {
        match profile::load_builtin(name) {
            Ok(p) => writeln!(out, "{name:width$}  {}", p.title)?,
            Err(error) => outcome = complain(&error, err)?,
        }
    }
    Ok(outcome)
}

fn sound(file: &str, profile: &Profile, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{file}: sound, {} settings", SETTINGS.len())?;
    let bare: Vec<&str> = SETTINGS.iter().map(|s| s.path).filter(|p| !profile.sources.contains_key(*p)).collect();
    if !bare.is_empty() {
        writeln!(out, "  without a source: {}", bare.join(", "))?;
        writeln!(
            out,
            "  (a source is asked for as {{ value = …, source = \"…\" }}; findings quote it beside the limit)"
        )?;
    }
    Ok(())
}

fn faulty(file: &str, error: &profile::Error, err: &mut dyn Write) -> io::Result<()> {
    writeln!(err, "{error}")?;
    match error.faults().len() {
        0 => Ok(()),
        1 => writeln!(err, "{file}: 1 fault"),
        n => writeln!(err, "{file}: {n} faults"),
    }
}

/// Writes a profile as a commented TOML file that loads as the same profile.
fn show(profile: &Profile, out: &mut dyn Write) -> io::Result<()> {
    let table = profile.to_toml();
    for key in ["name", "title", "asks"] {
        if let Some(value) = table.get(key) {
            writeln!(out, "{key} = {value}")?;
        }
    }
    let mut section = "";
    for setting in SETTINGS {
        let Some((table_name, key)) = setting.path.split_once('.') else { continue };
        if table_name != section {
            writeln!(out, "\n[{table_name}]")?;
            section = table_name;
        }
        let value = table.get(table_name).and_then(|t| t.get(key));
        let (Some(value), Some(source)) = (value.and_then(|v| v.get("value")), value.map(|v| v.get("source"))) else {
            continue;
        };
        // "62", not "62.0": whole numbers are written as people write them.
        let value = profile.set.number(setting.path).map_or_else(|| value.to_string(), |v| v.to_string());
        writeln!(out, "# {} ({})", setting.doc.trim(), setting.holds)?;
        match source {
            Some(source) => writeln!(out, "{key} = {{ value = {value}, source = {source} }}")?,
            None => writeln!(out, "{key} = {value}")?,
        }
    }
    if let Some(toml::Value::Table(time)) = table.get("time") {
        writeln!(out, "\n# Time of rows where a file has neither time_s nor utc.\n[time]")?;
        for (key, value) in time {
            writeln!(out, "{key} = {value}")?;
        }
    }
    let lists = [
        ("csv", "Foreign headings and the channels they carry: value * scale + offset."),
        ("calibrate", "Two points of a bench adapter's channel, as it told them and as an instrument did."),
        ("obd", "Live data of SAE J1979 (PIDs of service 01), scaled as the standard has it."),
        ("did", "Data by identifier (ISO 14229 service 22)."),
        ("broadcast", "Frames that the vehicle sends by itself."),
    ];
    for (list, remark) in lists {
        let Some(toml::Value::Array(rows)) = table.get(list) else { continue };
        writeln!(out, "\n# {remark}")?;
        for row in rows {
            writeln!(out, "[[{list}]]")?;
            for (key, value) in row.as_table().into_iter().flatten() {
                writeln!(out, "{key} = {value}")?;
            }
        }
    }
    // What every profile stands on needs no showing.
    let usual = profile::load_builtin(super::USUAL_PROFILE).is_ok_and(|base| base.dialect == profile.dialect);
    if let Some(dialect) = table.get("dialect").filter(|_| !usual) {
        writeln!(out, "\n# How text-command adapters are spoken to.")?;
        write!(out, "{}", toml::Table::from_iter([("dialect".to_owned(), dialect.clone())]))?;
    }
    if let Some(toml::Value::Table(guides)) = table.get("guide") {
        writeln!(out, "\n# The steps of each job, for `soakwatch watch --guide`.")?;
        for (job, steps) in guides {
            for step in steps.as_array().into_iter().flatten() {
                writeln!(out, "[[guide.{job}]]")?;
                let written = |key| step.get(key).map(|value| (key, value));
                for (key, value) in STEP.into_iter().filter_map(written) {
                    writeln!(out, "{key} = {value}")?;
                }
                writeln!(out)?;
            }
        }
    }
    Ok(())
}
