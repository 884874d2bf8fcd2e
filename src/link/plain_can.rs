//! A CAN interface as a plain member of the bus: for who plays a vehicle, never for who reads one.

use super::Error;
use super::can::check;
use crate::sim::FramePort;
use crate::wire::can_frame::{Frame, Id, Kind};
use socketcan::{CanFrame, CanSocket, EmbeddedFrame, ExtendedId, Id as SocketId, Socket, SocketOptions, StandardId};
use std::io::{self, ErrorKind};
use std::time::Duration;

/// An opened interface that sends whatever it is given.
pub struct PlainCan {
    socket: CanSocket,
}

impl PlainCan {
    /// Opens an interface that is up.
    pub fn open(iface: &str) -> Result<PlainCan, Error> {
        let fail = |what: String| Error::Can { iface: iface.to_owned(), what };
        check(iface).map_err(fail)?;
        let open = || {
            let socket = CanSocket::open(iface)?;
            socket.set_error_filter_drop_all()?;
            socket.set_read_timeout(Duration::from_millis(1))?;
            Ok::<_, io::Error>(socket)
        };
        Ok(PlainCan { socket: open().map_err(|e| fail(e.to_string()))? })
    }
}

impl FramePort for PlainCan {
    fn read(&mut self) -> io::Result<Option<Frame>> {
        match self.socket.read_frame() {
            Ok(CanFrame::Data(frame)) => {
                let id = match frame.id() {
                    SocketId::Standard(id) => Id::Standard(id.as_raw()),
                    SocketId::Extended(id) => Id::Extended(id.as_raw()),
                };
                Ok(Frame::data(id, frame.data()))
            }
            Ok(CanFrame::Remote(_) | CanFrame::Error(_)) => Ok(None),
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {
                Ok(None)
            }
            Err(e) => Err(e),
        }
    }

    fn write(&mut self, frame: &Frame) -> io::Result<()> {
        let id = match frame.id {
            Id::Standard(id) => StandardId::new(id).map(SocketId::Standard),
            Id::Extended(id) => ExtendedId::new(id).map(SocketId::Extended),
        };
        let sound = id.filter(|_| frame.kind == Kind::Classic).and_then(|id| CanFrame::new(id, frame.bytes()));
        let Some(frame) = sound else { return Ok(()) };
        match self.socket.write_frame(&frame) {
            // No room: nobody acknowledges, or the bus is full.
            Err(e) if e.raw_os_error() == Some(nix::errno::Errno::ENOBUFS as i32) => Ok(()),
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {
                Ok(())
            }
            other => other,
        }
    }
}
