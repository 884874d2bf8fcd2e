//! The whole program on a pseudo-terminal: its ports, its share of a core and its memory, as the system counts them.

use rustix::fs::{Mode, OFlags, fcntl_setfl};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::fs::File;
use std::io::{ErrorKind, Write};
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::process::Child;
use std::time::Duration;

/// A program that is not left behind.
pub struct Guard(pub Child);

impl Drop for Guard {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The near end, which never waits, and the name of the far end.
pub fn pty(raw: bool) -> (File, PathBuf) {
    let near: OwnedFd = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&near).unwrap();
    unlockpt(&near).unwrap();
    let far = PathBuf::from(ptsname(&near, Vec::new()).unwrap().into_string().unwrap());
    if raw {
        let held = rustix::fs::open(&far, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty()).unwrap();
        let mut mode = tcgetattr(&held).unwrap();
        mode.make_raw();
        tcsetattr(&held, OptionalActions::Now, &mode).unwrap();
    }
    fcntl_setfl(&near, OFlags::NONBLOCK).unwrap();
    (near.into(), far)
}

/// A real adapter cannot wait, but it can fill a buffer: what the port has no room for is tried again.
pub fn write(port: &mut File, mut bytes: &[u8]) {
    while !bytes.is_empty() {
        match port.write(bytes) {
            Ok(n) => bytes = &bytes[n..],
            Err(e) if e.kind() == ErrorKind::WouldBlock => std::thread::sleep(Duration::from_millis(1)),
            Err(e) => panic!("the port: {e}"),
        }
    }
}

/// User and system time so far, in clock ticks: fields 14 and 15 of `/proc/PID/stat` (proc(5)).
pub fn ticks(child: &Child) -> u64 {
    let stat = std::fs::read_to_string(format!("/proc/{}/stat", child.id())).unwrap();
    let after_name = stat.rsplit(')').next().unwrap();
    after_name.split_whitespace().skip(11).take(2).map(|f| f.parse::<u64>().unwrap()).sum()
}

/// A line of `/proc/PID/status`, kB.
pub fn memory(child: &Child, what: &str) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap();
    let line = status.lines().find_map(|l| l.strip_prefix(what)).unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}
