//! The kernel's CAN socket: frames in with their stamps and losses, frames out.

use super::super::feed::Feed;
use crate::poll::may_go;
use crate::profile::Profile;
use crate::time::{Clock, Stamp};
use crate::wire::can_frame::{EXTENDED, FD, Frame, Id, REMOTE};
use nix::errno::Errno;
use nix::sys::socket::sockopt::{RcvBuf, RcvBufForce, RxqOvfl};
use nix::sys::socket::{ControlMessageOwned, MsgFlags, recvmsg, setsockopt};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use socketcan::{CanFdSocket, CanFilter, Socket, SocketOptions};
use std::io::{self, ErrorKind, IoSliceMut, Write};
use std::os::fd::AsRawFd;
use std::time::Duration;

/// How long a read waits: the link must hear a stop in time.
pub(super) const READ: Duration = Duration::from_millis(100);
/// Room in the kernel, bytes; a frame takes about 750 there. Only a privileged program gets so much, others what the
/// system allows.
const ROOM: usize = 8 << 20;
/// Lengths of `struct can_frame` and `struct canfd_frame` (`linux/can.h`).
pub(super) const MTU: (usize, usize) = (16, 72);

/// The kernel takes no more filters of one socket (CAN_RAW_FILTER_MAX of `linux/can/raw.h`).
const MOST_FILTERS: usize = 512;

/// The frames that the profile knows, and questions and answers of diagnosis (ISO 15765-4): what else is on the bus need
/// not reach this program. More than the kernel can tell apart is all of them.
pub(super) fn wanted(profile: &Profile) -> Option<Vec<CanFilter>> {
    // Standard and extended identifiers are told apart by a bit of their own.
    let one = |id: Id, of: u32| match id {
        Id::Standard(id) => (u32::from(id), of & 0x7FF | EXTENDED),
        Id::Extended(id) => (id | EXTENDED, of & 0x1FFF_FFFF | EXTENDED),
    };
    let mut all: Vec<(u32, u32)> = vec![
        one(Id::Standard(0x7DF), u32::MAX),
        one(Id::Standard(0x7E0), 0x7F0),
        one(Id::Extended(0x18DA_0000), 0x1FFF_0000),
        one(Id::Extended(0x18DB_0000), 0x1FFF_0000),
    ];
    all.extend(profile.bus.broadcast.iter().map(|b| one(b.id, u32::MAX)));
    all.sort_unstable();
    all.dedup();
    (all.len() <= MOST_FILTERS).then(|| all.iter().map(|(id, mask)| CanFilter::new(*id, *mask)).collect())
}

/// Opens the socket of an interface that is up, for these frames or for all; errors of the bus come in any case.
pub(super) fn open(iface: &str, filters: Option<&[CanFilter]>) -> io::Result<CanFdSocket> {
    let socket = CanFdSocket::open(iface)?;
    if let Some(filters) = filters {
        socket.set_filters(filters)?;
    }
    socket.set_error_filter_accept_all()?;
    socket.set_recv_timestamp(true)?;
    socket.set_read_timeout(READ)?;
    // A bus on which nobody acknowledges takes nothing after the first few.
    socket.set_write_timeout(READ)?;
    setsockopt(&socket, RxqOvfl, &1)?;
    if setsockopt(&socket, RcvBufForce, &ROOM).is_err() {
        setsockopt(&socket, RcvBuf, &ROOM)?;
    }
    Ok(socket)
}

/// Waits for a frame; true if one is there.
pub(super) fn readable(socket: &CanFdSocket, wait: Duration) -> io::Result<bool> {
    let mut fds = [PollFd::new(socket.as_raw_socket(), PollFlags::IN)];
    let wait = Timespec { tv_sec: wait.as_secs() as i64, tv_nsec: i64::from(wait.subsec_nanos()) };
    match poll(&mut fds, Some(&wait)) {
        Ok(n) => Ok(n > 0),
        Err(rustix::io::Errno::INTR) => Ok(false),
        Err(e) => Err(e.into()),
    }
}

/// Sends a frame. The only way out to the kernel: nothing leaves that may not go.
pub(super) fn send(socket: &CanFdSocket, frame: &Frame) -> io::Result<()> {
    if !may_go(frame) {
        return Err(io::Error::new(ErrorKind::PermissionDenied, "this is no question that may be asked"));
    }
    socket.as_raw_socket().write_all(&raw(frame))
}

/// What came with a frame.
pub(super) struct Heard {
    /// Bytes read.
    pub(super) len: usize,
    /// The kernel's stamp, wall clock.
    pub(super) stamp_ns: Option<i64>,
    /// Frames that found no room in the socket since it was opened; wraps.
    pub(super) overflows: u32,
}

/// A frame as the kernel gives it; nothing if none came in time.
pub(super) fn receive(socket: &CanFdSocket, raw: &mut [u8; MTU.1], room: &mut [u8]) -> io::Result<Option<Heard>> {
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
pub(super) fn capture_time(feed: &Feed, stamp_ns: Option<i64>) -> Stamp {
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
pub(super) fn packet(raw: &[u8]) -> Option<Vec<u8>> {
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
    fn a_question_of_sae_j1979_goes_out_as_the_kernel_wants_it() {
        let frame = Frame::data(Id::Standard(0x7DF), &[2, 1, 0x0C, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC]).unwrap();
        assert_eq!(
            packet(&raw(&frame)).unwrap(),
            [0, 0, 0x07, 0xDF, 8, 0, 0, 0, 2, 1, 0x0C, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC]
        );
        let far = Frame::data(Id::Extended(0x18DB_33F1), &[1, 3]).unwrap();
        assert_eq!(packet(&raw(&far)).unwrap()[..4], [0x98, 0xDB, 0x33, 0xF1]);
    }
}
