//! A CAN interface of the kernel: listen to every frame, say what the errors mean, come back after the interface
//! went down.
//!
//! It listens only. Whether the controller may acknowledge (`listen-only`) and the bit rate are the interface's own
//! settings, made by whoever brings it up; this program does not change them.

use super::Error;
use super::feed::Feed;
use super::teller::Teller;
use crate::record::{Body, Event};
use crate::time::{Clock, Stamp};
use crate::wire::ask::{Request, may_leave};
use crate::wire::can_frame::{Frame, Id};
use crate::wire::isotp;
use nix::errno::Errno;
use nix::sys::socket::sockopt::{RcvBuf, RcvBufForce, RxqOvfl};
use nix::sys::socket::{ControlMessageOwned, MsgFlags, recvmsg, setsockopt};
use socketcan::{CanFdSocket, Socket, SocketOptions};
use std::io::{self, ErrorKind, IoSliceMut, Write};
use std::os::fd::AsRawFd;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How long a read waits: the link must hear a stop in time.
const READ: Duration = Duration::from_millis(100);
/// Room in the kernel, bytes; a frame takes about 750 there. Only a privileged program gets so much, others what the
/// system allows.
const ROOM: usize = 8 << 20;
/// What stands in `/sys/class/net/IFACE/type` for CAN (ARPHRD_CAN of `linux/if_arp.h`).
const ARPHRD_CAN: &str = "280";
/// Bit of `/sys/class/net/IFACE/flags`: the interface is up (IFF_UP of `linux/if.h`).
const IFF_UP: u32 = 1;
/// Lengths of `struct can_frame` and `struct canfd_frame` (`linux/can.h`).
const MTU: (usize, usize) = (16, 72);

/// An opened interface.
pub(super) struct Can {
    iface: String,
    bitrate: Option<u32>,
    socket: CanFdSocket,
}

impl Can {
    pub(super) fn open(iface: &str, bitrate: Option<u32>) -> Result<Can, Error> {
        let socket = open(iface).map_err(|what| Error::Can { iface: iface.to_owned(), what })?;
        Ok(Can { iface: iface.to_owned(), bitrate, socket })
    }

    /// Reads until it is to end. An interface that goes away is opened again by its name.
    pub(super) fn run(mut self, mut feed: Feed) {
        self.up(&mut feed);
        loop {
            let Err(why) = self.serve(&mut feed) else { return };
            let last = feed.last();
            let why = match why.raw_os_error() {
                // What is removed is set down first.
                Some(e) if [Errno::ENETDOWN as i32, Errno::ENODEV as i32].contains(&e) => {
                    "it was set down or removed".to_owned()
                }
                _ => why.to_string(),
            };
            feed.say(format!("{} is gone ({why}); {}", self.iface, bring_up(&self.iface)));
            let at = feed.now();
            feed.wait(at, Body::Event(Event::LinkDown { detail: format!("{} is gone: {why}", self.iface) }));
            let Some(socket) = feed.retry(|| open(&self.iface)) else { return };
            self.socket = socket;
            let at = feed.now();
            let cause = format!("{} was gone: {why}", self.iface);
            feed.wait(at, Body::Event(Event::Gap { from_ns: last.0, to_ns: at.0, count: 0, cause }));
            self.up(&mut feed);
        }
    }

    fn up(&self, feed: &mut Feed) {
        let rate = self.bitrate.map_or(String::new(), |b| format!(", {b} bit/s"));
        let at = feed.now();
        feed.wait(at, Body::Event(Event::LinkUp { detail: format!("{}{rate}, listening", self.iface) }));
        feed.say("up, no frame heard yet");
    }

    /// Until it is to end, or the interface fails.
    fn serve(&self, feed: &mut Feed) -> io::Result<()> {
        let mut teller = Teller::new(self.bitrate);
        let mut losses = Losses::new(&self.iface);
        let mut room = nix::cmsg_space!(nix::sys::time::TimeSpec, u32);
        while !feed.stopped() {
            let mut raw = [0; MTU.1];
            match receive(&self.socket, &mut raw, &mut room) {
                Ok(Some(heard)) => {
                    let at = capture_time(feed, heard.stamp_ns);
                    losses.of_socket(feed, at, heard.overflows);
                    match packet(&raw[..heard.len]) {
                        Some(packet) => {
                            if let Ok(frame) = Frame::decode(&packet) {
                                teller.hear(&frame);
                            }
                            feed.live(at, Body::Can(packet));
                        }
                        None => return Err(io::Error::other("the kernel gave a frame of an unknown length")),
                    }
                }
                Ok(None) => {}
                Err(e) => return Err(e),
            }
            if teller.is_due() {
                losses.of_interface(feed);
                feed.say(teller.words(Instant::now()));
            }
        }
        losses.of_interface(feed);
        Ok(())
    }

    /// Sends a question as a single frame (ISO 15765-2: all that this program asks fits in one) and records it. The
    /// only way out of this file: nothing leaves that is not on the list.
    #[expect(dead_code, reason = "nothing is asked yet; what asks will call this")]
    pub(super) fn ask(&self, feed: &mut Feed, to: Id, request: &Request) -> io::Result<()> {
        let Some(frame) = single(to, request) else {
            return Err(io::Error::new(ErrorKind::PermissionDenied, "this is no question that may be asked"));
        };
        self.socket.as_raw_socket().write_all(&raw(&frame))?;
        let bytes: Vec<String> = frame.bytes().iter().map(|b| format!("{b:02X}")).collect();
        feed.live(feed.now(), Body::Event(Event::Sent { text: format!("{to} {}", bytes.join(" ")) }));
        Ok(())
    }
}

/// What came with a frame.
struct Heard {
    /// Bytes read.
    len: usize,
    /// The kernel's stamp, wall clock.
    stamp_ns: Option<i64>,
    /// Frames that found no room in the socket since it was opened; wraps.
    overflows: u32,
}

/// A frame as the kernel gives it; nothing if none came in time.
fn receive(socket: &CanFdSocket, raw: &mut [u8; MTU.1], room: &mut [u8]) -> io::Result<Option<Heard>> {
    let mut parts = [IoSliceMut::new(raw)];
    let got = match recvmsg::<()>(socket.as_raw_fd(), &mut parts, Some(room), MsgFlags::empty()) {
        Ok(got) => got,
        Err(Errno::EAGAIN | Errno::EINTR) => return Ok(None),
        Err(e) => return Err(e.into()),
    };
    let mut heard = Heard { len: got.bytes, stamp_ns: None, overflows: 0 };
    for word in got.cmsgs()? {
        match word {
            ControlMessageOwned::ScmTimestampns(t) => {
                heard.stamp_ns = Some(t.tv_sec() * 1_000_000_000 + t.tv_nsec());
            }
            ControlMessageOwned::RxqOvfl(n) => heard.overflows = n,
            _ => {}
        }
    }
    Ok(Some(heard))
}

/// Capture time of a frame, never before the link's last record.
fn capture_time(feed: &Feed, stamp_ns: Option<i64>) -> Stamp {
    let real_ns = Clock::read().real_ns;
    mapped(feed.now(), real_ns, stamp_ns).max(feed.last())
}

/// The kernel stamps by the wall clock, which may have been stepped since: at most a second is believed.
fn mapped(now: Stamp, real_ns: i64, stamp_ns: Option<i64>) -> Stamp {
    let late = stamp_ns.map_or(0, |s| real_ns.saturating_sub(s).clamp(0, 1_000_000_000));
    Stamp(now.0 - late)
}

/// `struct can_frame` or `struct canfd_frame` (`linux/can.h`: word in the machine's order, length, flags, two bytes
/// kept free, data) as a packet of link type 227; nothing for another length. The bits of CAN FD are kept, as is the
/// length that a remote request asks for.
fn packet(raw: &[u8]) -> Option<Vec<u8>> {
    let (head, data) = raw.split_first_chunk::<8>()?;
    let word = u32::from_ne_bytes([head[0], head[1], head[2], head[3]]);
    let (most, fd) = match raw.len() {
        n if n == MTU.0 => (8, 0),
        n if n == MTU.1 => (64, FD | head[5]),
        _ => return None,
    };
    let len = head[4].min(most);
    let mut packet = Vec::with_capacity(8 + usize::from(len));
    packet.extend_from_slice(&word.to_be_bytes());
    packet.extend_from_slice(&[len, fd, 0, 0]);
    if word & REMOTE == 0 {
        packet.extend_from_slice(data.get(..usize::from(len))?);
    }
    Some(packet)
}

/// Bits of the identifier word, and the mark of CAN FD in its flags (`linux/can.h`).
const EXTENDED: u32 = 0x8000_0000;
const REMOTE: u32 = 0x4000_0000;
const FD: u8 = 0x04;

/// A frame of up to 8 bytes as `struct can_frame`.
fn raw(frame: &Frame) -> [u8; MTU.0] {
    let word = match frame.id {
        Id::Standard(id) => u32::from(id),
        Id::Extended(id) => id | EXTENDED,
    };
    let mut raw = [0; MTU.0];
    raw[..4].copy_from_slice(&word.to_ne_bytes());
    let data = frame.bytes();
    raw[4] = data.len() as u8;
    raw[8..8 + data.len()].copy_from_slice(data);
    raw
}

/// A question as the single frame in which it may leave; nothing if it may not, or does not fit.
fn single(to: Id, request: &Request) -> Option<Frame> {
    let message = request.bytes();
    if !may_leave(&message) || message.len() > 7 {
        return None;
    }
    let mut data = [isotp::PADDING; 8];
    data[0] = message.len() as u8;
    data[1..=message.len()].copy_from_slice(&message);
    Frame::data(to, &data)
}

/// Frames that were lost below the program, told as gaps.
struct Losses {
    folder: PathBuf,
    socket: u32,
    interface: u64,
}

impl Losses {
    fn new(iface: &str) -> Losses {
        let folder = Path::new(NET).join(iface).join("statistics");
        Losses { interface: lost_by_interface(&folder), folder, socket: 0 }
    }

    /// The frames before this one that found no room in the socket.
    fn of_socket(&mut self, feed: &mut Feed, at: Stamp, overflows: u32) {
        let count = overflows.wrapping_sub(self.socket);
        self.socket = overflows;
        if count > 0 {
            feed.lost(at, u64::from(count), "the program could not keep up with the bus");
        }
    }

    /// What the adapter and its driver lost.
    fn of_interface(&mut self, feed: &mut Feed) {
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

/// Opens an interface; else what is missing and how to bring it.
fn open(iface: &str) -> Result<CanFdSocket, String> {
    ready(iface)?;
    let set = || {
        let socket = CanFdSocket::open(iface)?;
        socket.set_error_filter_accept_all()?;
        socket.set_recv_timestamp(true)?;
        socket.set_read_timeout(READ)?;
        setsockopt(&socket, RxqOvfl, &1)?;
        if setsockopt(&socket, RcvBufForce, &ROOM).is_err() {
            setsockopt(&socket, RcvBuf, &ROOM)?;
        }
        Ok::<_, io::Error>(socket)
    };
    set().map_err(|e| e.to_string())
}

/// Whether it is there, is a CAN interface and is up; else what is missing and how to bring it.
pub(super) fn ready(iface: &str) -> Result<(), String> {
    check(Path::new(NET), iface)
}

/// Whether it is there, is a CAN interface and is up.
fn check(net: &Path, iface: &str) -> Result<(), String> {
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

/// Where the kernel tells of its network interfaces.
const NET: &str = "/sys/class/net";

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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::can_frame::Kind;

    /// `struct can_frame` and `struct canfd_frame` of `linux/can.h`, laid out by hand.
    fn kernel(word: u32, len: u8, flags: u8, size: usize, data: &[u8]) -> Vec<u8> {
        let mut raw = word.to_ne_bytes().to_vec();
        raw.extend([len, flags, 0, 0]);
        raw.extend(data);
        raw.resize(size, 0);
        raw
    }

    #[test]
    fn frames_of_the_kernel_become_packets() {
        let decode = |raw: &[u8]| Frame::decode(&packet(raw).unwrap()).unwrap();
        let f = decode(&kernel(0x7E8, 3, 0, 16, &[3, 0x41, 0x0C]));
        assert_eq!(f, Frame::data(Id::Standard(0x7E8), &[3, 0x41, 0x0C]).unwrap());
        let f = decode(&kernel(0x98DA_F110, 1, 0, 16, &[9]));
        assert_eq!(f, Frame::data(Id::Extended(0x18DA_F110), &[9]).unwrap());
        // CAN FD with the faster data rate (BRS, bit 0), 12 bytes; and one short enough for a classic frame.
        let p = packet(&kernel(0x123, 12, 1, 72, &[7; 12])).unwrap();
        assert_eq!((p.len(), p[5]), (20, 0x05));
        assert_eq!(Frame::decode(&p).unwrap(), Frame::data(Id::Standard(0x123), &[7; 12]).unwrap());
        assert_eq!(decode(&kernel(0x123, 2, 0, 72, &[1, 2])).kind, Kind::Fd);
        // A remote request keeps the length it asks for, and has no data.
        let p = packet(&kernel(0x4000_0123, 5, 0, 16, &[])).unwrap();
        assert_eq!(p, [0x40, 0, 1, 0x23, 5, 0, 0, 0]);
        assert_eq!(Frame::decode(&p).unwrap().kind, Kind::Remote);
        let f = decode(&kernel(0x2000_0040, 8, 0, 16, &[0; 8]));
        assert_eq!(f, Frame::error(0x40, [0; 8]));
        for wrong in [0, 7, 8, 15, 17, 71] {
            assert_eq!(packet(&vec![0; wrong]), None, "{wrong}");
        }
    }

    #[test]
    fn what_is_asked_leaves_as_a_single_frame() {
        // SAE J1979 engine speed to all controllers (ISO 15765-4: 7DF), padded.
        let frame = single(Id::Standard(0x7DF), &Request::Live(vec![0x0C])).unwrap();
        let raw = raw(&frame);
        assert_eq!(packet(&raw).unwrap(), [0, 0, 0x07, 0xDF, 8, 0, 0, 0, 2, 1, 0x0C, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC]);
        assert!(single(Id::Standard(0x7DF), &Request::Live((1..7).collect())).is_some());
        let far = single(Id::Extended(0x18DB_33F1), &Request::Stored).unwrap();
        assert_eq!(packet(&super::raw(&far)).unwrap()[..4], [0x98, 0xDB, 0x33, 0xF1]);
    }

    #[test]
    fn stamps_of_the_wall_clock_are_believed_up_to_a_second() {
        let now = Stamp(50_000_000_000);
        let at = |stamp| mapped(now, 1_000_000_000_000, stamp).0;
        assert_eq!(at(None), 50_000_000_000);
        assert_eq!(at(Some(999_999_000_000)), 49_999_000_000);
        // The wall clock was set forward, and back, between the stamp and now.
        assert_eq!(at(Some(0)), 49_000_000_000);
        assert_eq!(at(Some(2_000_000_000_000)), 50_000_000_000);
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
        assert_eq!(check(net, "can0"), Ok(()));
        let told = |iface: &str| check(net, iface).unwrap_err();
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
