//! `links`: what can be connected, and what each kind of link can grade.

use super::outcome::say;
use super::{Error, Outcome};
use crate::link::{Port, bring_up, describe, list_can, list_ports, table};
use crate::sim;
use std::path::{Path, PathBuf};

/// Show the serial ports, CAN interfaces and built-in scenarios there are, and which test each kind of link can grade.
#[derive(Debug, clap::Args)]
pub struct Links {}

impl Links {
    /// Runs it.
    pub fn run(self) -> Result<Outcome, Error> {
        say("Serial ports, for --link")?;
        say("  bench:PORT    the bench adapter on the module's wires (options: baud=115200)")?;
        say("  slcan:PORT    a CAN adapter of the serial-line kind (baud=115200, bitrate=500000, ask=no)")?;
        say("  adapter:PORT  an adapter that takes text commands, for CAN and older buses (baud=38400)")?;
        let ports = ports();
        if ports.is_empty() {
            say("  none found; plug the adapter in, and see that you may open it (group dialout on most systems)")?;
        }
        for (name, what) in ports {
            say(format!("  {name}  {what}").trim_end())?;
        }
        say("")?;
        say(
            "CAN interfaces, for --link can:IFACE (options: ask=no, or ask=at_once; bitrate=500000, as it was brought up; frames=wanted)",
        )?;
        let interfaces = list_can();
        if interfaces.is_empty() {
            say("  none found; plug the adapter in and load its driver (modprobe can-raw and the adapter's own)")?;
        }
        for (name, up) in &interfaces {
            say(&format!("  can:{name}  {}", describe(name, *up)))?;
        }
        if let Some((name, _)) = interfaces.iter().find(|i| !i.1) {
            say(&format!("  To listen to one that is down, {}", bring_up(name)))?;
        }
        say("")?;
        say("Files, for --link csv:FILE")?;
        say("  any CSV file with a header row: time_s or utc first, then channels; or mapped by a profile")?;
        say("")?;
        say("Simulated vehicles, for --link sim:SCENARIO (options: seed=7, tap=no)")?;
        for scenario in sim::scenarios() {
            say(&format!("  sim:{:20} {}", scenario.name, scenario.title))?;
        }
        say("  Join words with +, as in sim:baro-rising+leak-0.60; leak- takes any size in millimetres;")?;
        say("  ps- in front makes it a vehicle with a tank pressure sensor, as in sim:ps-leak-0.70.")?;
        say("  via=can, via=slcan or via=adapter reaches it over its own bus and asks it, with bus= can11, can29,")?;
        say("  j1979-2, j1850, j1850-pwm, iso9141 or iso14230; `soakwatch play` puts it on a real port.")?;
        say("")?;
        say("A simulated module on the tray, for --link sim:SCENARIO --profile module-on-the-tray")?;
        for scenario in sim::tray::scenarios() {
            say(&format!("  sim:{:27} {}", scenario.name, scenario.title))?;
        }
        say("  Further words are joined with + and without tray-, as in sim:tray-leak-0.20+noisy.")?;
        say("")?;
        say("What each link can grade. A test that lacks a channel is not run, or inconclusive, and says which.")?;
        say("")?;
        table().lines().try_for_each(|line| say(format!("  {line}").trim_end()))?;
        say("")?;
        say("  Name --link twice to record two adapters in one capture: that is how all tests are graded.")?;
        Ok(Outcome::Fine)
    }
}

/// The ports by the name that stays the same when a plug is moved, where the system keeps such names.
fn ports() -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = list_ports()
        .into_iter()
        .map(|Port { path, detail }| match lasting_name(Path::new(&path), Path::new("/dev/serial/by-id")) {
            Some(name) => (name.display().to_string(), format!("{detail} (now {path})")),
            None => (path, detail),
        })
        .collect();
    found.sort();
    found
}

/// The link in `folder` that leads to `port`.
fn lasting_name(port: &Path, folder: &Path) -> Option<PathBuf> {
    let port = port.canonicalize().ok()?;
    let mut names: Vec<PathBuf> = folder.read_dir().ok()?.filter_map(|e| e.ok().map(|e| e.path())).collect();
    names.sort();
    names.into_iter().find(|name| name.canonicalize().is_ok_and(|to| to == port))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_is_named_by_the_name_that_lasts() {
        let dir = tempfile::tempdir().unwrap();
        let (port, by_id) = (dir.path().join("ttyUSB0"), dir.path().join("by-id"));
        std::fs::write(&port, "").unwrap();
        assert_eq!(lasting_name(&port, &by_id), None);
        std::fs::create_dir(&by_id).unwrap();
        std::os::unix::fs::symlink("../ttyUSB0", by_id.join("usb-tray")).unwrap();
        assert_eq!(lasting_name(&port, &by_id), Some(by_id.join("usb-tray")));
    }
}
