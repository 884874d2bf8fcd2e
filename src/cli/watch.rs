//! `watch`: record, grade live, show.

use super::keyboard::Keyboard;
use super::known_leak::Known;
use super::outcome::{complain, say};
use super::{Error, Outcome, ProfileChoice};
use crate::link::{self, LinkSpec};
use crate::profile::{Profile, builtin_names, load_builtin};
use crate::session::{Ended, Limits, Options, Session, stop_on_signal};
use crate::sim::{Play, is_tray};
use crate::trade::Job;
use crate::units::Shown;
use crate::view::block::{Style, block};
use crate::view::cautions::cautions;
use crate::view::console::{Console, terminal};
use crate::view::kept::Kept;
use crate::view::layout::Health;
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// Record and grade live. Ctrl-C ends the run in order, with a summary and the capture's place.
#[derive(Debug, clap::Args)]
pub struct Watch {
    /// Where readings come from: bench:PORT, can:IFACE, slcan:PORT, adapter:PORT, csv:FILE or sim:SCENARIO, with
    /// options after commas such as bench:/dev/ttyUSB0,baud=115200; live ones may be joined by naming more. See
    /// `soakwatch links`
    #[arg(long, short, value_name = "LINK")]
    pub link: Vec<String>,
    /// Which limits to judge by.
    #[command(flatten)]
    pub profile: ProfileChoice,
    /// Play the simulator or a file N times faster than life [default: a simulated day or run in half a minute, a file
    /// at once]; live hardware keeps its own pace
    #[arg(long, value_name = "N", value_parser = speed, allow_negative_numbers = true)]
    pub speed: Option<f64>,
    /// Lead through a job step by step: a night parked, a drive, or a module on the bench; the steps are the profile's
    #[arg(long, value_name = "soak|road|tray", value_parser = job)]
    pub guide: Option<Job>,
    /// A hole of known size in the line.
    #[command(flatten)]
    pub known: Known,
    /// Units on the screen; files are always SI
    #[arg(long, value_enum, default_value = "si")]
    pub units: Shown,
    /// At the end, print the vehicle's number in full, not only its last characters; files keep it masked
    #[arg(long)]
    pub show_vin: bool,
    /// Folder in which the capture's own folder is made
    #[arg(long, value_name = "DIR", default_value = "captures")]
    pub captures: PathBuf,
    /// End the run in order after this many seconds
    #[arg(long, value_name = "N", value_parser = seconds, allow_negative_numbers = true)]
    pub seconds: Option<Duration>,
    /// Print one plain line an event, as when the output is no terminal
    #[arg(long)]
    pub plain: bool,
}

/// What a known hole taught, beside the record.
const LEARNED: &str = "learned.toml";
/// Played when no link is named.
const DEMO: &str = "sim:tight";
/// The same where a guide leads over the tray.
const TRAY_DEMO: &str = "sim:tray-good";
/// What lies on the tray is judged by this if no profile is named.
const TRAY_PROFILE: &str = "module-on-the-tray";
/// A simulated day or run takes this long, seconds.
const DEMO_S: f64 = 30.0;
/// Between two looks at the session.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// The cautions stand so long before a screen takes their place.
const READ_FOR: Duration = Duration::from_secs(4);

impl Watch {
    /// Runs it.
    pub fn run(self) -> Result<Outcome, Error> {
        let links = match &self.link[..] {
            [] if self.guide == Some(Job::Tray) => vec![LinkSpec::parse(TRAY_DEMO)?],
            [] => vec![LinkSpec::parse(DEMO)?],
            named => named.iter().map(|l| LinkSpec::parse(l)).collect::<Result<_, _>>()?,
        };
        let usual = if self.guide == Some(Job::Tray) { TRAY_PROFILE } else { usual_profile(&links) };
        let profile = self.profile.or(usual)?;
        if let Some(job) = self.guide {
            has_guide(&profile, job)?;
        }
        let speed = match self.speed {
            Some(speed) => Some(speed),
            None => demo_speed(&links)?,
        };
        let last = self.seconds;
        let title = title(&profile.name, &links, speed);
        let options = Options { links, profile, captures: self.captures.clone(), speed, last };

        self.known.check()?;
        let notes = self.known.notes(Limits::Given(&options.profile), None)?;
        let session = Session::noted(&options, self.guide, notes, vec![Box::new(Kept::default())])?;
        if let Err(error) = stop_on_signal(session.stop()) {
            session.stop().stop();
            session.join()?;
            return Err(error.into());
        }
        let shown = self.show(&session, &title, self.caution(&options, &session));
        let ended = session.join()?;
        ended.troubles.iter().for_each(|t| complain(t));
        let learned = Some(ended.dir.join(LEARNED));
        let told = shown.and_then(|()| self.tell(&ended));
        let told = told.and_then(|()| self.known.save(&ended.findings, &options.profile, learned, true));
        let mut outcome = Outcome::of(&ended.findings, &options.profile);
        if ended.cut_short {
            outcome = outcome.min(Outcome::Unreadable);
        }
        match told {
            Ok(saved) => Ok(outcome.min(saved)),
            // The reader went away; the night was recorded and graded all the same.
            Err(Error::View(e)) if e.is_broken_pipe() => Ok(outcome),
            Err(error) => {
                complain(&format!("the capture is in {}", ended.dir.display()));
                Err(error)
            }
        }
    }

    fn tell(&self, ended: &Ended) -> Result<(), Error> {
        let mut findings = ended.findings.clone();
        if self.show_vin {
            findings.show_vin();
        }
        block(&findings, &[], Style::of_stdout(self.units)).iter().try_for_each(|line| say(line))?;
        say(&format!("The capture is in {}", ended.dir.display()))?;
        say(&format!("Grade it again with: soakwatch regrade {}", ended.dir.display()))
    }

    /// Shows the run until it ends. A reader that goes away (`… | head`) ends the showing, not the recording of a
    /// night.
    fn show(&self, session: &Session, title: &str, cautioned: Result<(), Error>) -> Result<(), Error> {
        let capture = session.dir().display().to_string();
        let screen = !self.plain && terminal().is_some();
        let mut keyboard = Keyboard::open(screen, self.guide.is_some());
        let mut console = Console::open(self.units, self.plain);
        let mut shown = cautioned;
        loop {
            let look = session.look();
            // What is typed before the guide has begun is an answer to its first step: it waits.
            let begun = self.guide.is_none() || look.snapshot.guide.is_some() || look.ended;
            while begun && let Some(note) = keyboard.note(look.snapshot.guide.as_ref()) {
                session.note(note.kind, &note.text);
            }
            if shown.is_ok() {
                let mut health = Health::of(title, &capture, &look.health);
                health.typed = keyboard.typed().map(str::to_owned);
                shown = console.show(&look.snapshot, &health).map_err(Error::from);
            }
            if look.ended {
                break;
            }
            keyboard.wait(LOOK_EVERY);
        }
        console.close();
        shown
    }

    /// Cautions are for people at a vehicle; a file is past danger. The recording goes on while they are read.
    fn caution(&self, options: &Options, session: &Session) -> Result<(), Error> {
        if options.links.iter().any(|l| matches!(l, LinkSpec::Csv { .. })) {
            return Ok(());
        }
        let simulated = options.links.iter().all(|l| l.simulated().is_some());
        let screen = terminal();
        let width = screen.map_or(100, |(columns, _)| columns.min(100));
        cautions(simulated, width).iter().try_for_each(|line| say(line))?;
        let begun = Instant::now();
        let read = || self.plain || screen.is_none() || begun.elapsed() >= READ_FOR;
        while !read() && !session.look().ended {
            std::thread::sleep(LOOK_EVERY);
        }
        Ok(())
    }
}

/// A simulated vehicle or module brings its kind with its name.
pub(super) fn usual_profile(links: &[LinkSpec]) -> &'static str {
    let sensor = |l: &LinkSpec| l.simulated().is_some_and(|s| s.0.starts_with("ps-"));
    let tray = |l: &LinkSpec| l.simulated().is_some_and(|s| is_tray(s.0));
    if links.iter().any(tray) {
        TRAY_PROFILE
    } else if links.iter().any(sensor) {
        "pressure-sensor"
    } else {
        super::USUAL_PROFILE
    }
}

/// Only the simulator has a pace of its own.
fn demo_speed(links: &[LinkSpec]) -> Result<Option<f64>, Error> {
    for link in links {
        if let Some((scenario, seed)) = link.simulated() {
            let play = Play::new(scenario, seed, true).map_err(link::Error::from)?;
            return Ok(Some((play.lasts_s() / DEMO_S).ceil()));
        }
    }
    Ok(None)
}

pub(super) fn title(profile: &str, links: &[LinkSpec], speed: Option<f64>) -> String {
    let simulated = links.iter().any(|l| l.simulated().is_some());
    let live = links.iter().all(LinkSpec::is_live);
    let mut title = format!("profile {profile}");
    if simulated {
        title += ", SIMULATED";
    }
    match speed {
        Some(speed) if !live => title + &format!(", {speed} times life"),
        _ => title,
    }
}

/// Whether the profile leads through the job; else which do.
fn has_guide(profile: &Profile, job: Job) -> Result<(), Error> {
    if profile.guides.contains_key(&job) {
        return Ok(());
    }
    let own: Vec<&str> = profile.guides.keys().map(|j| j.name()).collect();
    let others = builtin_names().filter(|n| load_builtin(n).is_ok_and(|p| p.guides.contains_key(&job)));
    let others: Vec<&str> = others.collect();
    let mut there = match own.is_empty() {
        true => "it leads through no job".to_owned(),
        false => format!("it has {}", own.join(" and ")),
    };
    if !others.is_empty() {
        there += &format!("; for {} name --profile {}", job.name(), others.join(" or "));
    }
    Err(Error::NoGuide { profile: profile.name.clone(), guide: job.name(), there })
}

fn job(text: &str) -> Result<Job, String> {
    Job::from_name(text).ok_or_else(|| "say soak, road or tray".to_owned())
}

/// What is no pace is told when the session begins.
fn speed(text: &str) -> Result<f64, String> {
    text.parse().map_err(|_| "a number above 0, such as 60".to_owned())
}

fn seconds(text: &str) -> Result<Duration, String> {
    let told = "a number of seconds above 0, such as 30";
    text.parse()
        .ok()
        .filter(|s: &f64| *s > 0.0)
        .and_then(|s| Duration::try_from_secs_f64(s).ok())
        .ok_or_else(|| told.to_owned())
}
