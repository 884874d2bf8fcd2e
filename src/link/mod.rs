//! Links: where records come from. One thread each, into the session's bounded queue.
//!
//! A link is named `KIND:TARGET[,key=value]…`, split at the first colon. Live hardware ([`LinkSpec::is_live`])
//! stamps its records with the moment of receipt and may drop when the queue is full, which is counted and told as
//! a gap; a file and the simulator bring their own times and wait for room.

mod adapter;
mod asking;
mod bench;
mod can;
mod feed;
mod file;
mod grades;
mod plain_can;
mod serial;
mod sim;
mod sim_bus;
mod slcan;
mod talker;
mod teller;

pub use asking::Ask;
pub use can::{bring_up, describe, list_can};
pub use feed::{LinkState, PhaseWord, Queue, Stop};
pub use file::FileRows;
pub use grades::{Cell, Fitted, Lack, Means, Need, cell, table};
pub use plain_can::PlainCan;
pub use sim_bus::{VIAS, Via};

use crate::profile::Profile;
use crate::record::LinkInfo;
use crate::sim::bus::{Fault, Outing, Standard};
use crate::trade::Subject;
use crate::wire::slcan as slcan_codec;
use feed::{Feed, Pace};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A link, as named by the person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LinkSpec {
    /// A text-command adapter on a serial port.
    Adapter {
        /// The port's path.
        port: String,
        /// Bits per second of the port; without it those of the dialect are tried.
        baud: Option<u32>,
    },
    /// A bench adapter on a serial port.
    Bench {
        /// The port's path.
        port: String,
        /// Bits per second.
        baud: u32,
    },
    /// A CAN interface of the kernel, listened to or asked.
    Can {
        /// Its name, such as `can0`.
        iface: String,
        /// The bit rate at which it was brought up, bit/s, if said: with it the load of the bus can be told.
        bitrate: Option<u32>,
        /// Whether the vehicle is asked; if not said, as the profile has something to ask for.
        ask: Option<Ask>,
        /// Only frames that the profile knows, and questions and answers, are taken from the kernel.
        wanted: bool,
    },
    /// A file of rows.
    Csv {
        /// The file.
        file: PathBuf,
    },
    /// Serial-line CAN on a serial port, listened to or asked.
    Slcan {
        /// The port's path.
        port: String,
        /// Bits per second of the port.
        baud: u32,
        /// Bit rate of the bus, bit/s; without it the standard's are tried.
        bitrate: Option<u32>,
        /// Whether the vehicle is asked; if not said, as the profile has something to ask for.
        ask: Option<Ask>,
    },
    /// The simulated vehicle.
    Sim {
        /// The scenario's name.
        scenario: String,
        /// Which of its days.
        seed: u64,
        /// Whether the adapter has a pressure tap.
        tap: bool,
    },
    /// The simulated vehicle, reached over its bus.
    SimBus {
        /// The scenario's name.
        scenario: String,
        /// Which of its days.
        seed: u64,
        /// What stands between.
        via: Via,
        /// By what the vehicle answers.
        standard: Standard,
        /// What is wrong on the way.
        faults: Vec<Fault>,
    },
}

/// What each kind of link takes, for messages and help: kind, target, keys.
pub const KINDS: [(&str, &str, &[&str]); 6] = [
    ("adapter", "PORT", &["baud"]),
    ("bench", "PORT", &["baud"]),
    ("can", "IFACE", &["ask", "bitrate", "frames"]),
    ("csv", "FILE", &[]),
    ("slcan", "PORT", &["ask", "baud", "bitrate"]),
    ("sim", "SCENARIO", &["seed", "tap", "via", "bus", "faults"]),
];

/// A link cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The link's name has no kind or no target.
    #[error("\"{link}\" is no link: write KIND:TARGET, such as bench:/dev/ttyUSB0, csv:FILE or sim:tight")]
    NoTarget {
        /// As given.
        link: String,
    },
    /// There is no such kind.
    #[error("\"{link}\": there is no kind of link \"{kind}\"; there are {}", kinds())]
    UnknownKind {
        /// As given.
        link: String,
        /// Its kind.
        kind: String,
    },
    /// There is no such key.
    #[error("\"{link}\": {kind} takes no key \"{key}\"; it takes {}", keys(.kind))]
    UnknownKey {
        /// As given.
        link: String,
        /// Its kind.
        kind: &'static str,
        /// The key.
        key: String,
    },
    /// A key's value makes no sense.
    #[error("\"{link}\": {key}={value} cannot be used; it must be {right}")]
    BadValue {
        /// As given.
        link: String,
        /// The key.
        key: &'static str,
        /// Its value.
        value: String,
        /// What would be right.
        right: &'static str,
    },
    /// The port cannot be opened.
    #[error(
        "{port} cannot be opened: {what}. Check the name (`soakwatch links` lists the ports), the plug and that no \
         other program holds the port"
    )]
    Port {
        /// Its path.
        port: String,
        /// What the system said, or why it is no port.
        what: String,
    },
    /// The CAN interface cannot be opened.
    #[error("can:{iface} cannot be opened: {what}")]
    Can {
        /// Its name.
        iface: String,
        /// What is missing and how to bring it.
        what: String,
    },
    /// A file cannot be read.
    #[error("{path} cannot be read: {source}. Check the name and that you may read it")]
    File {
        /// Its path.
        path: String,
        /// What the system said.
        source: std::io::Error,
    },
    /// A file is no table of channels.
    #[error("{path}, line {line}, column {column}: {what}")]
    Table {
        /// Its path.
        path: String,
        /// Line, from 1.
        line: u64,
        /// Column of the table, from 1.
        column: usize,
        /// What is wrong and what would be right.
        what: String,
    },
    /// What is played and what is judged do not go together.
    #[error(
        "sim:{scenario} plays {played}, and the profile \"{profile}\" judges {judged}: name --profile {right}, or \
         another scenario that `soakwatch links` lists"
    )]
    Pairing {
        /// The scenario.
        scenario: String,
        /// What it plays.
        played: &'static str,
        /// The profile.
        profile: String,
        /// What it judges.
        judged: &'static str,
        /// A profile that goes with the scenario.
        right: &'static str,
    },
    /// The simulator does not know the scenario.
    #[error(transparent)]
    Sim(#[from] crate::sim::Error),
}

fn kinds() -> String {
    KINDS.map(|(kind, target, _)| format!("{kind}:{target}")).join(", ")
}

fn keys(kind: &str) -> String {
    match KINDS.iter().find(|k| k.0 == kind) {
        Some((_, _, keys)) if !keys.is_empty() => keys.join(", "),
        _ => "none".to_owned(),
    }
}

impl LinkSpec {
    /// Reads a link's name.
    pub fn parse(link: &str) -> Result<LinkSpec, Error> {
        let no_target = || Error::NoTarget { link: link.to_owned() };
        let (kind, rest) = link.split_once(':').ok_or_else(no_target)?;
        let Some(&(kind, _, known)) = KINDS.iter().find(|k| k.0 == kind) else {
            return Err(Error::UnknownKind { link: link.to_owned(), kind: kind.to_owned() });
        };
        // A file's name may hold commas: only `,key=value` at the end is an option.
        let mut target = rest;
        let mut options = Vec::new();
        while let Some((before, option)) = target.rsplit_once(',')
            && let Some((key, value)) = option.split_once('=')
            && key.bytes().all(|b| b.is_ascii_lowercase())
        {
            let Some(&key) = known.iter().find(|k| **k == key) else {
                return Err(Error::UnknownKey { link: link.to_owned(), kind, key: key.to_owned() });
            };
            options.push((key, value));
            target = before;
        }
        if target.is_empty() {
            return Err(no_target());
        }
        let get = |key| options.iter().find(|o| o.0 == key).map(|o| o.1);
        let bad =
            |key, value: &str, right| Error::BadValue { link: link.to_owned(), key, value: value.to_owned(), right };
        let named_baud = || {
            let read = |v: &str| {
                let baud = v.parse().ok().filter(|b| (300..=4_000_000).contains(b));
                baud.ok_or_else(|| bad("baud", v, "a number of bits per second from 300 to 4000000"))
            };
            get("baud").map(read).transpose()
        };
        let ask = || get("ask").map(|v| Ask::read(v).ok_or_else(|| bad("ask", v, Ask::RIGHT))).transpose();
        let baud = || named_baud().map(|b| b.unwrap_or(115_200));
        Ok(match kind {
            "adapter" => LinkSpec::Adapter { port: target.to_owned(), baud: named_baud()? },
            "bench" => LinkSpec::Bench { port: target.to_owned(), baud: baud()? },
            "slcan" => {
                let right = "a bit rate that the protocol knows: 10000, 20000, 50000, 100000, 125000, 250000, 500000, \
                             800000 or 1000000";
                let read = |v: &str| {
                    let rate = v.parse().ok().filter(|b| slcan_codec::BITRATES.contains(b));
                    rate.ok_or_else(|| bad("bitrate", v, right))
                };
                let bitrate = get("bitrate").map(read).transpose()?;
                LinkSpec::Slcan { port: target.to_owned(), baud: baud()?, bitrate, ask: ask()? }
            }
            "can" => {
                let right = "the bit rate at which the interface was brought up, from 5000 to 1000000";
                let read = |v: &str| {
                    let rate = v.parse().ok().filter(|b| (5_000..=1_000_000).contains(b));
                    rate.ok_or_else(|| bad("bitrate", v, right))
                };
                let bitrate = get("bitrate").map(read).transpose()?;
                let wanted = match get("frames") {
                    None | Some("all") => false,
                    Some("wanted") => true,
                    Some(v) => return Err(bad("frames", v, "all, or wanted for those that the profile knows")),
                };
                LinkSpec::Can { iface: target.to_owned(), bitrate, ask: ask()?, wanted }
            }
            "csv" => LinkSpec::Csv { file: target.into() },
            _ => {
                let seed = match get("seed") {
                    None => 1,
                    Some(v) => v.parse().map_err(|_| bad("seed", v, "a whole number"))?,
                };
                let tap = match get("tap") {
                    None | Some("yes") => true,
                    Some("no") => false,
                    Some(v) => return Err(bad("tap", v, "yes or no")),
                };
                let (bus, faults) = (get("bus"), get("faults"));
                let Some(via) = get("via") else {
                    if let Some((key, value)) =
                        [("bus", bus), ("faults", faults)].into_iter().find_map(|k| Some((k.0, k.1?)))
                    {
                        return Err(bad(key, value, "named together with via=can, via=slcan or via=adapter"));
                    }
                    return Ok(LinkSpec::Sim { scenario: target.to_owned(), seed, tap });
                };
                let way = VIAS.iter().find(|v| v.0 == via).map(|v| v.1);
                let way = way.ok_or_else(|| bad("via", via, "can, slcan or adapter"))?;
                let standard =
                    Standard::from_name(bus.unwrap_or("can11")).filter(|s| !s.is_old() || way == Via::Adapter);
                let right = "can11, can29 or j1979-2, or with via=adapter also j1850, j1850-pwm, iso9141 or iso14230";
                let standard = standard.ok_or_else(|| bad("bus", bus.unwrap_or(""), right))?;
                let right =
                    "some of silent, slow, pending, wrong-length, interleaved, lost, errors and garbage, joined with +";
                let words = faults.unwrap_or("");
                let faults = Fault::list(words).ok_or_else(|| bad("faults", words, right))?;
                LinkSpec::SimBus { scenario: target.to_owned(), seed, via: way, standard, faults }
            }
        })
    }

    /// What the capture keeps of it. A file's name is kept without its path.
    pub fn info(&self) -> LinkInfo {
        let (kind, name) = match self {
            LinkSpec::Adapter { port, .. } => ("adapter", port.clone()),
            LinkSpec::Bench { port, .. } => ("bench", port.clone()),
            LinkSpec::Can { iface, .. } => ("can", iface.clone()),
            LinkSpec::Csv { file } => ("csv", file_name(file)),
            LinkSpec::Slcan { port, .. } => ("slcan", port.clone()),
            LinkSpec::Sim { scenario, seed, .. } => ("sim", format!("{scenario},seed={seed}")),
            LinkSpec::SimBus { scenario, seed, via, .. } => (via.name(), format!("sim:{scenario},seed={seed}")),
        };
        LinkInfo { kind: kind.to_owned(), name }
    }

    /// Live hardware, whose time is the clock's; not a file or the simulator.
    pub fn is_live(&self) -> bool {
        !matches!(self, LinkSpec::Csv { .. }) && self.simulated().is_none()
    }

    /// The scenario and the seed of what is simulated.
    pub fn simulated(&self) -> Option<(&str, u64)> {
        match self {
            LinkSpec::Sim { scenario, seed, .. } | LinkSpec::SimBus { scenario, seed, .. } => Some((scenario, *seed)),
            _ => None,
        }
    }

    /// The hardware that it takes for itself, by its name and by what that leads to; nothing for a file or the
    /// simulator.
    pub fn device(&self) -> Option<(&str, PathBuf)> {
        match self {
            // Two names may lead to one port.
            LinkSpec::Adapter { port, .. } | LinkSpec::Bench { port, .. } | LinkSpec::Slcan { port, .. } => {
                Some((port, Path::new(port).canonicalize().unwrap_or_else(|_| port.into())))
            }
            LinkSpec::Can { iface, .. } => Some((iface, iface.into())),
            LinkSpec::Csv { .. } | LinkSpec::Sim { .. } | LinkSpec::SimBus { .. } => None,
        }
    }

    /// Whether a second run of it would take bytes from the first, or ask the vehicle twice. A CAN interface hands every
    /// frame to each that only listens.
    pub fn is_exclusive(&self) -> bool {
        !matches!(self, LinkSpec::Can { ask: Some(Ask::No), .. })
    }

    /// Opens the link; what comes back reads it to its end, and is to run in a thread of its own. Whatever can be
    /// wrong with the name is found here.
    pub fn open(&self, queue: Queue, profile: &Arc<Profile>, speed: Option<f64>) -> Result<Run, Error> {
        let feed = Feed::new(queue);
        let pace = Pace::new(speed);
        Ok(match self {
            LinkSpec::Adapter { port, baud } => {
                let adapter = adapter::Adapter::open(port, *baud, profile)?;
                Box::new(move || adapter.run(feed))
            }
            LinkSpec::Bench { port, baud } => {
                let bench = bench::Bench::open(port, *baud)?;
                Box::new(move || bench.run(feed))
            }
            LinkSpec::Can { iface, bitrate, ask, wanted } => {
                let can = can::Can::open(iface, *bitrate, *ask, *wanted, profile)?;
                Box::new(move || can.run(feed))
            }
            LinkSpec::Slcan { port, baud, bitrate, ask } => {
                let slcan = slcan::Slcan::open(port, *baud, *bitrate, *ask, profile)?;
                Box::new(move || slcan.run(feed))
            }
            LinkSpec::Csv { file } => {
                let rows = FileRows::open(file, profile)?;
                Box::new(move || file::run(rows, feed, pace))
            }
            LinkSpec::Sim { scenario, seed, tap } => {
                let play = crate::sim::Play::new(scenario, *seed, *tap)?;
                let on_tray = matches!(play, crate::sim::Play::Tray(_));
                if on_tray != (profile.subject() == Subject::Module) {
                    return Err(pairing(scenario, on_tray, &profile.name));
                }
                Box::new(move || sim::run(play, feed, pace))
            }
            LinkSpec::SimBus { scenario, seed, via, standard, faults } => {
                let outing = Outing::new(scenario, *seed, *standard, faults)?;
                if profile.subject() == Subject::Module {
                    return Err(pairing(scenario, false, &profile.name));
                }
                let (via, seed, profile) = (*via, *seed, Arc::clone(profile));
                Box::new(move || sim_bus::run(via, outing, seed, &profile, feed, pace))
            }
        })
    }
}

fn pairing(scenario: &str, on_tray: bool, profile: &str) -> Error {
    let (vehicle, module) = ("a vehicle", "a module on the tray");
    let (played, judged, right) = match on_tray {
        true => (module, vehicle, "module-on-the-tray"),
        false if scenario.starts_with("ps-") => (vehicle, module, "pressure-sensor"),
        false => (vehicle, module, "switch-module"),
    };
    Error::Pairing { scenario: scenario.to_owned(), played, profile: profile.to_owned(), judged, right }
}

/// What a link's thread runs.
pub type Run = Box<dyn FnOnce() + Send>;

fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// A serial port of this machine.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Port {
    /// Its path.
    pub path: String,
    /// What it says of itself, if anything.
    pub detail: String,
}

/// The serial ports of this machine, in order of their paths; empty where the system tells of none.
pub fn list_ports() -> Vec<Port> {
    // The library takes this folder for granted.
    if cfg!(target_os = "linux") && !Path::new("/sys/class/tty").is_dir() {
        return Vec::new();
    }
    let mut ports: Vec<Port> = serialport::available_ports()
        .unwrap_or_default()
        .into_iter()
        .map(|p| {
            let detail = match p.port_type {
                serialport::SerialPortType::UsbPort(usb) => {
                    let words = [usb.manufacturer, usb.product].into_iter().flatten().collect::<Vec<_>>().join(" ");
                    if words.is_empty() { "USB".to_owned() } else { format!("USB: {words}") }
                }
                serialport::SerialPortType::BluetoothPort => "radio".to_owned(),
                _ => String::new(),
            };
            Port { path: p.port_name, detail }
        })
        .collect();
    ports.sort();
    ports
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_are_read_as_written() {
        let ok = |s: &str| LinkSpec::parse(s).unwrap();
        assert_eq!(ok("bench:/dev/ttyUSB0"), LinkSpec::Bench { port: "/dev/ttyUSB0".into(), baud: 115_200 });
        assert_eq!(ok("bench:COM3,baud=9600"), LinkSpec::Bench { port: "COM3".into(), baud: 9600 });
        assert_eq!(ok("can:can0"), LinkSpec::Can { iface: "can0".into(), bitrate: None, ask: None, wanted: false });
        let can = ok("can:vcan0,bitrate=500000,ask=no,frames=wanted");
        let (bitrate, ask) = (Some(500_000), Some(Ask::No));
        assert_eq!(can, LinkSpec::Can { iface: "vcan0".into(), bitrate, ask, wanted: true });
        assert_eq!(ok("can:can0,frames=all"), ok("can:can0"));
        assert!(matches!(ok("can:can0,ask=at_once"), LinkSpec::Can { ask: Some(Ask::AtOnce), .. }));
        assert!(can.is_live() && can.info() == LinkInfo { kind: "can".into(), name: "vcan0".into() });
        assert_eq!(ok("adapter:/dev/ttyUSB1"), LinkSpec::Adapter { port: "/dev/ttyUSB1".into(), baud: None });
        let want = LinkSpec::Adapter { port: "COM4".into(), baud: Some(9600) };
        assert_eq!(ok("adapter:COM4,baud=9600"), want);
        assert_eq!(want.info(), LinkInfo { kind: "adapter".into(), name: "COM4".into() });
        let want = LinkSpec::Slcan { port: "/dev/ttyACM0".into(), baud: 115_200, bitrate: Some(250_000), ask: None };
        assert_eq!(ok("slcan:/dev/ttyACM0,bitrate=250000"), want);
        assert_eq!(want.info(), LinkInfo { kind: "slcan".into(), name: "/dev/ttyACM0".into() });
        assert_eq!(ok("csv:a:b,c.csv"), LinkSpec::Csv { file: "a:b,c.csv".into() });
        assert_eq!(ok("sim:tight"), LinkSpec::Sim { scenario: "tight".into(), seed: 1, tap: true });
        let want = LinkSpec::Sim { scenario: "leak-0.5".into(), seed: 7, tap: false };
        assert_eq!(ok("sim:leak-0.5,seed=7,tap=no"), want);
        assert_eq!(want.info(), LinkInfo { kind: "sim".into(), name: "leak-0.5,seed=7".into() });
        assert_eq!(ok("csv:/some/where/night.csv").info().name, "night.csv");
    }

    #[test]
    fn faulty_links_are_told_what_is_right() {
        let told = |s: &str| LinkSpec::parse(s).unwrap_err().to_string();
        let no_target = |s: &str| {
            format!("\"{s}\" is no link: write KIND:TARGET, such as bench:/dev/ttyUSB0, csv:FILE or sim:tight")
        };
        for s in ["", "tight", "sim:", "bench:,baud=9600"] {
            assert_eq!(told(s), no_target(s));
        }
        assert_eq!(
            told("smoke:x"),
            "\"smoke:x\": there is no kind of link \"smoke\"; there are adapter:PORT, bench:PORT, can:IFACE, csv:FILE, \
             slcan:PORT, sim:SCENARIO"
        );
        assert_eq!(told("bench:x,speed=1"), "\"bench:x,speed=1\": bench takes no key \"speed\"; it takes baud");
        assert_eq!(told("csv:x,tap=no"), "\"csv:x,tap=no\": csv takes no key \"tap\"; it takes none");
        assert_eq!(
            told("bench:x,baud=fast"),
            "\"bench:x,baud=fast\": baud=fast cannot be used; it must be a number of bits per second from 300 to 4000000"
        );
        assert_eq!(
            told("can:x,bitrate=1"),
            "\"can:x,bitrate=1\": bitrate=1 cannot be used; it must be the bit rate at which the interface was brought \
             up, from 5000 to 1000000"
        );
        assert_eq!(
            told("slcan:x,bitrate=33333"),
            "\"slcan:x,bitrate=33333\": bitrate=33333 cannot be used; it must be a bit rate that the protocol knows: \
             10000, 20000, 50000, 100000, 125000, 250000, 500000, 800000 or 1000000"
        );
        assert_eq!(
            told("can:x,ask=please"),
            "\"can:x,ask=please\": ask=please cannot be used; it must be yes, no, or at_once where the bit rate is known to \
             be right"
        );
        assert_eq!(
            told("can:x,frames=some"),
            "\"can:x,frames=some\": frames=some cannot be used; it must be all, or wanted for those that the profile knows"
        );
        assert_eq!(told("sim:x,seed=-1"), "\"sim:x,seed=-1\": seed=-1 cannot be used; it must be a whole number");
        assert_eq!(told("sim:x,tap=1"), "\"sim:x,tap=1\": tap=1 cannot be used; it must be yes or no");
    }

    #[test]
    fn ports_can_be_listed_anywhere() {
        let ports = list_ports();
        assert!(ports.is_sorted() && ports.iter().all(|p| p.path.starts_with('/')));
    }
}
