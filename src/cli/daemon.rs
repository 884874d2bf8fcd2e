//! `daemon`, `attach` and `mark`: recording without a screen, looking in, adding a note.

use super::outcome::{complain, say};
use super::watch::{title, usual_profile};
use super::{Error, Outcome, ProfileChoice};
use crate::daemon::client::Client;
use crate::daemon::protocol::{Ask, Tell};
use crate::daemon::{self, Run, place, serve};
use crate::link::{LinkSpec, Stop};
use crate::session::{Options, Session, stop_on_signal};
use crate::units::Shown;
use crate::view::console::terminal;
use crate::view::kept::Kept;
use crate::view::show::{self, colour_wanted};
use clap::ValueEnum;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::path::PathBuf;

/// Record and grade without a screen, one vehicle or several, until told to stop (Ctrl-C, SIGTERM, `attach --stop`).
///
/// Look in with `soakwatch attach`, add a note with `soakwatch mark`. What is recorded survives the terminal.
#[derive(Debug, clap::Args)]
pub struct Daemon {
    /// A link, as for `watch`; several are recorded together as one vehicle
    #[arg(long, short, value_name = "LINK", conflicts_with = "vehicle")]
    pub link: Vec<String>,
    /// A vehicle by its name and a link of it; the same name again gives it another link
    #[arg(long, value_name = "NAME=LINK", value_parser = named)]
    pub vehicle: Vec<(String, String)>,
    /// Which limits to judge by.
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// Folder in which each capture's own folder is made
    #[arg(long, value_name = "DIR", default_value = "captures")]
    pub captures: PathBuf,
    /// Where to listen [default: a folder of your own in $XDG_RUNTIME_DIR, else in /tmp]
    #[arg(long, value_name = "PATH")]
    pub socket: Option<PathBuf>,
    /// Play the simulator or a file N times faster than life
    #[arg(long, value_name = "N")]
    pub speed: Option<f64>,
    /// What to write on standard error
    #[arg(long, value_name = "error|warn|info|debug", default_value = "warn")]
    pub log: tracing::Level,
    /// Print a systemd unit that runs this, and end
    #[arg(long)]
    pub print_unit: bool,
}

/// Look at what a daemon records: the console view, or plain lines where the output is no terminal. Ctrl-C leaves it; the
/// recording goes on.
#[derive(Debug, clap::Args)]
pub struct Attach {
    /// Which vehicle, where several are recorded
    #[arg(value_name = "NAME")]
    pub run: Option<String>,
    /// Where the daemon listens
    #[arg(long, value_name = "PATH")]
    pub socket: Option<PathBuf>,
    /// Units on the screen
    #[arg(long, value_enum, default_value = "si")]
    pub units: Shown,
    /// Plain lines, as when the output is no terminal
    #[arg(long)]
    pub plain: bool,
    /// Only list what is recorded
    #[arg(long, conflicts_with = "plain")]
    pub list: bool,
    /// End all that the daemon records, in order
    #[arg(long, conflicts_with_all = ["plain", "list"])]
    pub stop: bool,
}

/// Add a note to what a daemon records.
#[derive(Debug, clap::Args)]
pub struct Mark {
    /// The note
    #[arg(value_name = "TEXT")]
    pub text: String,
    /// What it is: a note, or a repair, after which older verdicts no longer hold
    #[arg(long, value_name = "note|repair", default_value = "note")]
    pub kind: String,
    /// Which vehicle, where several are recorded
    #[arg(long, value_name = "NAME")]
    pub run: Option<String>,
    /// Where the daemon listens
    #[arg(long, value_name = "PATH")]
    pub socket: Option<PathBuf>,
}

/// A vehicle without a name.
const UNNAMED: &str = "vehicle";

impl Daemon {
    /// Runs it until all has ended.
    pub fn run(self) -> Result<Outcome, Error> {
        if self.print_unit {
            unit()?;
            return Ok(Outcome::Fine);
        }
        tracing_subscriber::fmt().with_writer(std::io::stderr).with_ansi(false).with_max_level(self.log).init();
        let mut vehicles: Vec<(String, Vec<String>)> = Vec::new();
        let unnamed = self.link.iter().map(|link| (UNNAMED.to_owned(), link.clone()));
        for (name, link) in unnamed.chain(self.vehicle.iter().cloned()) {
            match vehicles.iter_mut().find(|v| v.0 == name) {
                Some(vehicle) => vehicle.1.push(link),
                None => vehicles.push((name, vec![link])),
            }
        }
        let stop = Stop::default();
        stop_on_signal(stop.clone())?;
        let mut runs = Vec::new();
        for (name, links) in vehicles {
            match self.start(&name, &links) {
                Ok(run) => runs.push(run),
                Err(error) => {
                    end(runs)?;
                    return Err(error);
                }
            }
        }
        if runs.is_empty() {
            return Err(crate::session::Error::NoLink.into());
        }
        let socket = self.socket.clone().unwrap_or_else(place::usual);
        tracing::info!(socket = %socket.display(), vehicles = runs.len(), "recording");
        match serve(runs, &socket, &stop) {
            Ok(runs) => end(runs),
            Err((error, runs)) => {
                end(runs)?;
                Err(error.into())
            }
        }
    }

    fn start(&self, name: &str, links: &[String]) -> Result<Run, Error> {
        let links = links.iter().map(|l| LinkSpec::parse(l)).collect::<Result<Vec<_>, _>>()?;
        let profile = self.profile.or(usual_profile(&links))?;
        let title = format!("{name}, {}", title(&profile.name, &links, self.speed));
        let captures = self.captures.clone();
        let options = Options { links, profile, captures, speed: self.speed, last: None };
        let session = Session::start(&options, vec![Box::new(Kept::default())])?;
        tracing::info!(vehicle = name, capture = %session.dir().display(), "begun");
        Ok(Run { name: name.to_owned(), title, session })
    }
}

/// Ends what still runs, and tells where it is.
fn end(runs: Vec<Run>) -> Result<Outcome, Error> {
    let mut outcome = Outcome::Fine;
    for run in runs {
        run.session.stop().stop();
        let ended = run.session.join()?;
        ended.troubles.iter().for_each(|t| complain(&format!("{}: {t}", run.name)));
        if ended.cut_short {
            outcome = outcome.min(Outcome::Unreadable);
        }
        say(&format!("{}: the capture is in {}", run.name, ended.dir.display()))?;
    }
    Ok(outcome)
}

impl Attach {
    /// Runs it until the run ends, or this view is left.
    pub fn run(self) -> Result<Outcome, Error> {
        let socket = self.socket.clone().unwrap_or_else(place::usual);
        let mut client = Client::to(&socket)?;
        if self.stop || self.list {
            client.ask(&if self.stop { Ask::Stop } else { Ask::Runs })?;
            if let Some(Tell::Runs { runs }) = client.told()? {
                for r in runs {
                    let how = match (&r.trouble, r.ended) {
                        (Some(trouble), _) => format!("NOT RECORDING: {trouble}"),
                        (None, true) => "ended".to_owned(),
                        (None, false) => r.phase,
                    };
                    let much = format!("{}, {}", show::counted(r.records, "record"), show::bytes(r.bytes));
                    say(&show::clean(&format!("{}  {how}, {much}, in {}", r.run, r.capture)))?;
                }
            }
            return Ok(Outcome::Fine);
        }
        let units = self.units.to_possible_value().map(|v| v.get_name().to_owned());
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stdout_with_hz(5));
        bar.set_style(ProgressStyle::with_template("{msg}").unwrap_or_else(|_| ProgressStyle::default_spinner()));
        let mut size = terminal().filter(|_| !self.plain);
        let ask = |size| match size {
            Some((width, height)) => {
                Ask::Screen { run: self.run.clone(), width, height, units: units.clone(), colour: colour_wanted(true) }
            }
            None => Ask::Events { run: self.run.clone(), units: units.clone() },
        };
        client.ask(&ask(size))?;
        while let Some(told) = client.told()? {
            match told {
                Tell::Screen { lines } => bar.set_message(lines.join("\n")),
                Tell::Event { line } => say(&line)?,
                Tell::Ended => break,
                Tell::Runs { .. } | Tell::Done | Tell::Error { .. } => {}
            }
            if size.is_some() && terminal() != size {
                // The terminal has another size: what is drawn for the old one is of no use.
                size = terminal();
                client = Client::to(&socket)?;
                client.ask(&ask(size))?;
            }
        }
        bar.finish_and_clear();
        say("The run has ended.")?;
        Ok(Outcome::Fine)
    }
}

impl Mark {
    /// Runs it.
    pub fn run(self) -> Result<Outcome, Error> {
        let mut client = Client::to(&self.socket.unwrap_or_else(place::usual))?;
        client.ask(&Ask::Mark { run: self.run, kind: Some(self.kind), text: self.text })?;
        match client.told()? {
            Some(_) => Ok(Outcome::Fine),
            None => Err(daemon::Error::Lost { source: std::io::ErrorKind::UnexpectedEof.into() }.into()),
        }
    }
}

fn named(text: &str) -> Result<(String, String), String> {
    let told = "a name and a link, such as van-07=bench:/dev/ttyUSB0".to_owned();
    let (name, link) = text.split_once('=').ok_or_else(|| told.clone())?;
    let sound =
        !name.is_empty() && name.len() <= 64 && name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_.".contains(&b));
    if sound && !link.is_empty() { Ok((name.to_owned(), link.to_owned())) } else { Err(told) }
}

/// A unit for the user's own systemd, with this program's path in it.
fn unit() -> Result<(), Error> {
    let program = std::env::current_exe().map_or_else(|_| "soakwatch".to_owned(), |p| p.display().to_string());
    say(&format!(
        "[Unit]\nDescription=Records and grades the leak tests of vehicles\n\n[Service]\nType=exec\n\
         ExecStart={program} daemon --log info --captures %h/captures --link bench:/dev/ttyUSB0\n\
         KillSignal=SIGTERM\nTimeoutStopSec=30\nRestart=on-failure\nRestartSec=5\nUMask=0077\nNoNewPrivileges=yes\n\n\
         [Install]\nWantedBy=default.target"
    ))
}
