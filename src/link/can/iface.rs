//! CAN interfaces of this machine: which there are, how to bring one up, what was lost there, and whether one may speak.

use super::super::feed::Feed;
use nix::errno::Errno;
use socketcan::CanInterface;
use socketcan::nl::{CanCtrlMode, CanState, NlError};
use std::io;
use std::path::{Path, PathBuf};

/// What stands in `/sys/class/net/IFACE/type` for CAN (ARPHRD_CAN of `linux/if_arp.h`).
const ARPHRD_CAN: &str = "280";
/// Bit of `/sys/class/net/IFACE/flags`: the interface is up (IFF_UP of `linux/if.h`).
const IFF_UP: u32 = 1;
/// Where the kernel tells of its network interfaces.
const NET: &str = "/sys/class/net";

/// Whether it is there, is a CAN interface and is up.
pub(in crate::link) fn check(iface: &str) -> Result<(), String> {
    check_in(Path::new(NET), iface)
}

fn check_in(net: &Path, iface: &str) -> Result<(), String> {
    let sound = !iface.is_empty() && iface.len() < 16 && !iface.contains(|c: char| c == '/' || c.is_whitespace());
    match State::of(net, iface).filter(|_| sound) {
        None => Err(missing(iface, kernel_has_can())),
        Some(State::Other) => Err("it is no CAN interface; `soakwatch links` lists those there are".to_owned()),
        Some(State::Down) => Err(format!("it is down; {}", bring_up(iface))),
        Some(State::Up) => Ok(()),
    }
}

fn missing(iface: &str, kernel_has_can: bool) -> String {
    match kernel_has_can {
        true => {
            format!("there is no such interface. Plug the adapter in and load its driver, then {}", bring_up(iface))
        }
        false => "this kernel has no CAN. Load it (`modprobe can-raw`) or start a kernel that has it, and load the \
                  driver of the adapter"
            .to_owned(),
    }
}

/// How to bring an interface up. The two bit rates are those of ISO 15765-4.
pub fn bring_up(iface: &str) -> String {
    format!(
        "bring it up with `ip link set {iface} up type can bitrate 500000 listen-only on` (or 250000, as the vehicle has \
         it)"
    )
}

fn kernel_has_can() -> bool {
    use nix::sys::socket::{AddressFamily, SockFlag, SockProtocol, SockType, socket};
    socket(AddressFamily::Can, SockType::Raw, SockFlag::SOCK_CLOEXEC, SockProtocol::CanRaw).is_ok()
}

/// What an interface is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum State {
    Up,
    Down,
    /// No CAN at all.
    Other,
}

impl State {
    fn of(net: &Path, iface: &str) -> Option<State> {
        let read = |name: &str| std::fs::read_to_string(net.join(iface).join(name)).ok();
        if read("type")?.trim() != ARPHRD_CAN {
            return Some(State::Other);
        }
        let flags = read("flags")?;
        let flags = u32::from_str_radix(flags.trim().trim_start_matches("0x"), 16).ok()?;
        Some(if flags & IFF_UP == 0 { State::Down } else { State::Up })
    }
}

/// The CAN interfaces of this machine, in order of their names: name, and whether it is up.
pub fn list_can() -> Vec<(String, bool)> {
    interfaces(Path::new(NET))
}

fn interfaces(net: &Path) -> Vec<(String, bool)> {
    let names = net.read_dir().into_iter().flatten().filter_map(|e| e.ok()?.file_name().into_string().ok());
    let mut found: Vec<(String, bool)> = names
        .filter_map(|name| match State::of(net, &name)? {
            State::Other => None,
            state => Some((name, state == State::Up)),
        })
        .collect();
    found.sort();
    found
}

/// Sets whether an interface only listens: it neither acknowledges nor sends. Takes the privilege CAP_NET_ADMIN; the
/// interface is down for a moment.
pub(super) fn listen_only(iface: &str, on: bool) -> io::Result<()> {
    let interface = CanInterface::open(iface).map_err(said)?;
    interface.bring_down().map_err(said)?;
    let set = interface.set_ctrlmode(CanCtrlMode::ListenOnly, on);
    // It is to come up again whatever became of that.
    interface.bring_up().map_err(said)?;
    set.map_err(said)
}

/// Whether an interface only listens; nothing for one that has no such mode, as a virtual one.
pub(super) fn listens_only(iface: &str) -> Option<bool> {
    let modes = CanInterface::open(iface).ok()?.ctrlmodes().ok()??;
    Some(modes.has_mode(CanCtrlMode::ListenOnly))
}

/// How an interface is, in words.
pub fn describe(iface: &str, up: bool) -> String {
    let rate = bitrate(iface).map_or(String::new(), |b| format!(", {b} bit/s"));
    let listens = if listens_only(iface) == Some(true) { ", listen-only" } else { "" };
    let state = CanInterface::open(iface).ok().and_then(|i| i.state().ok()).flatten().filter(|_| up);
    format!("{}{rate}{listens}{}", if up { "up" } else { "down" }, state.map_or("", bus_words))
}

/// What an interface tells of its bus.
fn bus_words(state: CanState) -> &'static str {
    match state {
        CanState::ErrorActive | CanState::Stopped => "",
        CanState::ErrorWarning => ", many errors on the bus",
        CanState::ErrorPassive => {
            ", so many errors on the bus that it only watches: a wrong bit rate, or nobody acknowledges"
        }
        CanState::BusOff => ", bus off: set it down and up again once wiring and bit rate are right",
        CanState::Sleeping => ", sleeping",
    }
}

/// The bit rate of an interface, where it has one.
pub(super) fn bitrate(iface: &str) -> Option<u32> {
    CanInterface::open(iface).ok()?.bit_rate().ok()?.filter(|b| *b > 0)
}

fn said(e: socketcan::Error) -> io::Error {
    match e {
        socketcan::Error::Io(e) => e,
        socketcan::Error::Nl(NlError::Netlink { errno }) => io::Error::from_raw_os_error(errno),
        other => io::Error::other(other.to_string()),
    }
}

/// This program may not do that.
pub(super) fn forbidden(e: &io::Error) -> bool {
    [Errno::EPERM as i32, Errno::EACCES as i32].iter().any(|n| e.raw_os_error() == Some(*n))
}

/// Frames that were lost below the program, told as gaps.
pub(super) struct Losses {
    folder: PathBuf,
    socket: u32,
    interface: u64,
}

impl Losses {
    pub(super) fn new(iface: &str) -> Losses {
        let folder = Path::new(NET).join(iface).join("statistics");
        Losses { interface: lost_by_interface(&folder), folder, socket: 0 }
    }

    /// The frames before this one that found no room in the socket.
    pub(super) fn of_socket(&mut self, feed: &mut Feed, at: crate::time::Stamp, overflows: u32) {
        let count = overflows.wrapping_sub(self.socket);
        self.socket = overflows;
        if count > 0 {
            feed.lost(at, u64::from(count), "the program could not keep up with the bus");
        }
    }

    /// A new socket counts from nothing.
    pub(super) fn new_socket(&mut self) {
        self.socket = 0;
    }

    /// What the adapter and its driver lost.
    pub(super) fn of_interface(&mut self, feed: &mut Feed) {
        let now = lost_by_interface(&self.folder);
        // The counters begin again with a new interface of the same name.
        let count = now.saturating_sub(self.interface);
        self.interface = now;
        if count > 0 {
            feed.lost(feed.now(), count, "the CAN adapter or its driver lost frames");
        }
    }
}

/// Overruns, and frames dropped for want of memory (`Documentation/ABI/testing/sysfs-class-net-statistics` of the
/// kernel). Errors of the bus are counted elsewhere.
fn lost_by_interface(folder: &Path) -> u64 {
    ["rx_over_errors", "rx_fifo_errors", "rx_missed_errors", "rx_dropped"]
        .map(|name| number(&folder.join(name)))
        .iter()
        .sum()
}

fn number(file: &Path) -> u64 {
    std::fs::read_to_string(file).ok().and_then(|text| text.trim().parse().ok()).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The states of `linux/can/netlink.h`.
    #[test]
    fn a_bus_in_trouble_is_told() {
        assert_eq!((bus_words(CanState::ErrorActive), bus_words(CanState::Sleeping)), ("", ", sleeping"));
        let told = [CanState::ErrorWarning, CanState::ErrorPassive, CanState::BusOff].map(bus_words);
        let wants = ["many errors", "nobody acknowledges", "bus off"];
        assert!(told.iter().zip(wants).all(|(told, want)| told.contains(want)), "{told:?}");
    }

    #[test]
    fn interfaces_are_told_apart() {
        let dir = tempfile::tempdir().unwrap();
        let net = dir.path();
        let add = |name: &str, kind: &str, flags: &str| {
            std::fs::create_dir(net.join(name)).unwrap();
            std::fs::write(net.join(name).join("type"), format!("{kind}\n")).unwrap();
            std::fs::write(net.join(name).join("flags"), format!("{flags}\n")).unwrap();
        };
        // Seen on Linux 6.1: 0x40080 of an interface that is down, 0x400c1 up; loopback has type 772.
        add("can1", "280", "0x40080");
        add("can0", "280", "0x400c1");
        add("lo", "772", "0x9");
        assert_eq!(interfaces(net), [("can0".to_owned(), true), ("can1".to_owned(), false)]);
        assert_eq!(check_in(net, "can0"), Ok(()));
        let told = |iface: &str| check_in(net, iface).unwrap_err();
        assert_eq!(told("lo"), "it is no CAN interface; `soakwatch links` lists those there are");
        assert_eq!(
            told("can1"),
            "it is down; bring it up with `ip link set can1 up type can bitrate 500000 listen-only on` (or 250000, as the \
             vehicle has it)"
        );
        for iface in ["can7", "../can0", "", "a b", "a-name-too-long-for-linux"] {
            assert_eq!(told(iface), missing(iface, kernel_has_can()));
        }
        assert!(missing("can0", true).starts_with("there is no such interface. Plug the adapter in"));
        assert!(missing("can0", false).starts_with("this kernel has no CAN. Load it (`modprobe can-raw`)"));
        assert!(interfaces(&net.join("nowhere")).is_empty());
    }
}
