//! `play`: the simulated vehicle for others to connect to, over a CAN interface of the kernel or a pseudo-terminal.

use super::outcome::say;
use super::{Error, Outcome};
use crate::link::PlainCan;
use crate::sim::bus::{Device, FAULTS, Fault, Outing, STANDARDS, SerialCan, Standard, TextAdapter};
use crate::sim::{Play as Day, play_to, serve, serve_bus};
use crate::time::Stamp;
use rustix::fs::{Mode, OFlags, fcntl_setfl, open};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::fs::File;
use std::io;
use std::os::fd::OwnedFd;

/// Play a simulated vehicle for others to connect to: to try one's wiring, settings and links without a vehicle. Each
/// way prints a line with what to connect to; Ctrl-C ends it.
#[derive(Debug, clap::Args)]
pub struct Play {
    /// What is played, as after sim: in a link; `soakwatch links` lists them
    #[arg(value_name = "SCENARIO", default_value = "tight")]
    pub scenario: String,
    /// How it is reached: can:IFACE (the vehicle's own bus), or on a pseudo-terminal slcan (serial-line CAN adapter),
    /// adapter (text-command adapter) or bench (bench adapter); several may be named and play the same day
    #[arg(long, value_name = "WAY", required = true, value_parser = way)]
    pub to: Vec<Way>,
    /// What the vehicle answers by: can11, can29, j1979-2 (newer), or through an adapter j1850, j1850-pwm, iso9141,
    /// iso14230 (older)
    #[arg(long, value_name = "BUS", default_value = "can11", value_parser = standard)]
    pub bus: Standard,
    /// What is wrong on the way to the bus, joined with +: silent, slow, pending, wrong-length, interleaved, lost, errors,
    /// garbage
    #[arg(long, value_name = "FAULTS", default_value = "", value_parser = faults)]
    pub faults: Faults,
    /// Which of its days
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// So many times faster than life
    #[arg(long, value_name = "N", default_value_t = 1.0, value_parser = speed)]
    pub speed: f64,
    /// Begin so many seconds into the day; its first key-on is at 60
    #[arg(long, value_name = "SECONDS", default_value_t = 0.0, value_parser = seconds)]
    pub from: f64,
}

/// A way to reach it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Way {
    /// A CAN interface.
    Can(String),
    /// Serial-line CAN on a pty.
    Slcan,
    /// A text-command adapter on a pty.
    Adapter,
    /// A bench adapter on a pty.
    Bench,
}

/// Faults on the way.
#[derive(Debug, Clone, Default)]
pub struct Faults(Vec<Fault>);

impl Play {
    /// Plays until the day is over.
    pub fn run(self) -> Result<Outcome, Error> {
        let muted = self.to.iter().find(|way| self.bus.is_old() && matches!(way, Way::Can(_) | Way::Slcan));
        if let Some(way) = muted {
            let way = if *way == Way::Slcan { "slcan" } else { "can" };
            return Err(Error::OldBus { way });
        }
        // All are opened before any begins.
        let ready = self.to.iter().map(|way| self.open(way)).collect::<Result<Vec<_>, _>>()?;
        let playing: Vec<_> = ready.into_iter().map(std::thread::spawn).collect();
        for play in playing {
            match play.join() {
                Ok(Ok(())) => {}
                Ok(Err(source)) => return Err(Error::Play { source }),
                Err(_) => return Err(Error::Play { source: io::Error::other("a fault of this program") }),
            }
        }
        say("the day is over")?;
        Ok(Outcome::Fine)
    }

    fn open(&self, way: &Way) -> Result<Box<dyn FnOnce() -> io::Result<()> + Send>, Error> {
        let outing =
            || Outing::new(&self.scenario, self.seed, self.bus, &self.faults.0).map_err(crate::link::Error::from);
        let (from, speed) = (self.from, self.speed);
        Ok(match way {
            Way::Can(iface) => {
                let (mut outing, mut bus) = (outing()?, PlainCan::open(iface)?);
                say(&format!("can {iface}"))?;
                Box::new(move || serve_bus(&mut outing, &mut bus, from, speed))
            }
            Way::Slcan | Way::Adapter => {
                let mut device: Box<dyn Device + Send> = match way {
                    Way::Slcan => Box::new(SerialCan::new(outing()?)),
                    _ => Box::new(TextAdapter::new(outing()?, self.seed)),
                };
                let mut pty = Pty::new()?;
                say(&format!("{} {}", if *way == Way::Slcan { "slcan" } else { "adapter" }, pty.path))?;
                Box::new(move || serve(&mut *device, &mut pty.master, from, speed))
            }
            Way::Bench => {
                let mut day = Day::new(&self.scenario, self.seed, true).map_err(crate::link::Error::from)?;
                let mut pty = Pty::new()?;
                say(&format!("bench {}", pty.path))?;
                Box::new(move || {
                    let begin = Stamp::from_secs(from);
                    let _ = day.by_ref().take_while(|(at, _)| *at < begin).last();
                    play_to(&mut day, &mut pty.master, speed)
                })
            }
        })
    }
}

/// The master's side of a pty, and its other side kept open so that it can be written to before anybody comes.
struct Pty {
    master: File,
    path: String,
    _held: OwnedFd,
}

impl Pty {
    fn new() -> Result<Pty, Error> {
        let make = || {
            let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
            grantpt(&master)?;
            unlockpt(&master)?;
            let path = ptsname(&master, Vec::new())?.to_string_lossy().into_owned();
            let held = open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
            // Neither echo nor line editing.
            let mut raw = tcgetattr(&held)?;
            raw.make_raw();
            tcsetattr(&held, OptionalActions::Now, &raw)?;
            fcntl_setfl(&master, OFlags::NONBLOCK)?;
            Ok::<_, rustix::io::Errno>(Pty { master: master.into(), path, _held: held })
        };
        make().map_err(|e| Error::Play { source: e.into() })
    }
}

fn way(text: &str) -> Result<Way, String> {
    match text {
        "slcan" => Ok(Way::Slcan),
        "adapter" => Ok(Way::Adapter),
        "bench" => Ok(Way::Bench),
        _ => match text.split_once(':') {
            Some(("can", iface)) if !iface.is_empty() => Ok(Way::Can(iface.to_owned())),
            _ => Err("say can:IFACE, slcan, adapter or bench".to_owned()),
        },
    }
}

fn standard(text: &str) -> Result<Standard, String> {
    Standard::from_name(text).ok_or_else(|| format!("there are {}", STANDARDS.map(|s| s.0).join(", ")))
}

fn faults(text: &str) -> Result<Faults, String> {
    Fault::list(text).map(Faults).ok_or_else(|| format!("there are {}", FAULTS.map(|f| f.0).join(", ")))
}

fn speed(text: &str) -> Result<f64, String> {
    let fine = text.parse().ok().filter(|s: &f64| *s > 0.0 && s.is_finite());
    fine.ok_or_else(|| "give a number above 0, such as 10".to_owned())
}

fn seconds(text: &str) -> Result<f64, String> {
    let fine = text.parse().ok().filter(|s: &f64| (0.0..=86_400.0).contains(s));
    fine.ok_or_else(|| "give seconds of the day, from 0 to 86400".to_owned())
}
