//! The edge: plays a day at real or multiplied pace, as a bench adapter or another device would, into something that can
//! be read and written, such as the master side of a pty; or as the vehicle's own bus into a CAN interface.

use super::bus::{Device, Outing};
use super::{Play, Said};
use crate::time::Stamp;
use crate::wire::can_frame::{Frame, Kind};
use std::io::{self, ErrorKind, Read, Write};
use std::time::{Duration, Instant};

/// Plays what is left of the day into `port`, `speed` times as fast as life (infinite: as fast as it is read).
///
/// A note that the technician makes cannot be said on a serial line: it is left out, and whoever records the port
/// writes it.
///
/// Answers a line `?` with the header, twice. `port` must not block on reading (non-blocking, or a short
/// timeout); a read that fails because nobody has opened the other side is taken as silence.
///
/// # Errors
/// Those of writing, but for a full buffer: the player then waits, as no simulated byte may be lost.
pub fn play_to<P: Read + Write>(play: &mut Play, port: &mut P, speed: f64) -> io::Result<()> {
    let begun = Instant::now();
    let mut first = None;
    let header = play.header();
    let mut asked = false;
    for (at, said) in play.by_ref() {
        let Said::Bytes(bytes) = said else { continue };
        let due = at.since(*first.get_or_insert(at)) / speed;
        loop {
            if asks(port, &mut asked) {
                write_all(port, &header)?;
                write_all(port, &header)?;
            }
            let left = due - begun.elapsed().as_secs_f64();
            if left <= 0.0 {
                break;
            }
            std::thread::sleep(Duration::from_secs_f64(left.min(0.02)));
        }
        write_all(port, &bytes)?;
    }
    Ok(())
}

/// Where frames of CAN go and come from.
pub trait FramePort {
    /// A frame that has come; waits a millisecond or so.
    fn read(&mut self) -> io::Result<Option<Frame>>;
    /// Sends a frame; one that finds no room is lost, as on any bus.
    fn write(&mut self, frame: &Frame) -> io::Result<()>;
}

/// Simulated time at life's pace or a multiple of it.
struct Clock {
    begun: Instant,
    from_s: f64,
    speed: f64,
}

impl Clock {
    fn now(&self) -> Stamp {
        Stamp::from_secs(self.from_s + self.begun.elapsed().as_secs_f64() * self.speed)
    }
}

/// Plays a day from `from_s` on, `speed` times as fast as life, as a device on a serial port. What nobody reads is lost
/// once the port is full, as with a real one.
///
/// # Errors
/// Those of writing, but for a full buffer. A read that fails because nobody has opened the other side is silence.
pub fn serve<P: Read + Write>(device: &mut dyn Device, port: &mut P, from_s: f64, speed: f64) -> io::Result<()> {
    while device.next(Stamp::from_secs(from_s)).is_some() {}
    let clock = Clock { begun: Instant::now(), from_s, speed };
    let mut buf = [0u8; 512];
    while !device.done() {
        let now = clock.now();
        if let Ok(n) = port.read(&mut buf)
            && n > 0
        {
            device.bytes(now, &buf[..n]);
        }
        while let Some((_, bytes)) = device.next(now) {
            match port.write(&bytes) {
                Ok(_) => {}
                Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {}
                Err(e) => return Err(e),
            }
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    Ok(())
}

/// The same as the vehicle's own bus. Errors that a driver would report have no frame and are left out.
///
/// # Errors
/// Those of the interface.
pub fn serve_bus(outing: &mut Outing, bus: &mut dyn FramePort, from_s: f64, speed: f64) -> io::Result<()> {
    while outing.next(Stamp::from_secs(from_s)).is_some() {}
    let clock = Clock { begun: Instant::now(), from_s, speed };
    while !outing.done() {
        if let Some(frame) = bus.read()? {
            outing.frame(clock.now(), &frame);
        }
        while let Some((_, frame)) = outing.next(clock.now()) {
            if !matches!(frame.kind, Kind::Error(_)) {
                bus.write(&frame)?;
            }
        }
    }
    Ok(())
}

/// Reads what the host sent; true after a complete `?` line.
fn asks<P: Read>(port: &mut P, question: &mut bool) -> bool {
    let mut buf = [0u8; 64];
    let mut answer = false;
    while let Ok(n) = port.read(&mut buf) {
        for b in &buf[..n] {
            match b {
                b'?' => *question = true,
                b'\n' | b'\r' => answer |= std::mem::take(question),
                _ => *question = false,
            }
        }
        if n < buf.len() {
            break;
        }
    }
    answer
}

fn write_all<P: Write>(port: &mut P, mut bytes: &[u8]) -> io::Result<()> {
    while !bytes.is_empty() {
        match port.write(bytes) {
            Ok(0) => return Err(ErrorKind::WriteZero.into()),
            Ok(n) => bytes = &bytes[n..],
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {
                std::thread::sleep(Duration::from_millis(1));
            }
            Err(e) => return Err(e),
        }
    }
    port.flush()
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Host {
        says: Vec<u8>,
        heard: Vec<u8>,
    }

    impl Read for Host {
        fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
            if self.heard.len() < 2_000 || self.says.is_empty() {
                return Err(ErrorKind::WouldBlock.into());
            }
            let n = self.says.len().min(buf.len());
            buf[..n].copy_from_slice(&self.says[..n]);
            self.says.drain(..n);
            Ok(n)
        }
    }

    impl Write for Host {
        fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
            if self.heard.len() > 40_000 {
                return Err(ErrorKind::BrokenPipe.into());
            }
            let n = buf.len().min(17);
            self.heard.extend_from_slice(&buf[..n]);
            Ok(n)
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    /// A pty's master side that can be told to end.
    struct Master(std::fs::File, std::sync::Arc<std::sync::atomic::AtomicBool>);

    impl Read for Master {
        fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
            self.0.read(buf)
        }
    }

    impl Write for Master {
        fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
            if self.1.load(std::sync::atomic::Ordering::Relaxed) {
                return Err(ErrorKind::BrokenPipe.into());
            }
            self.0.write(buf)
        }
        fn flush(&mut self) -> io::Result<()> {
            self.0.flush()
        }
    }

    #[test]
    fn a_pty_carries_the_adapter_s_lines() {
        use rustix::fs::{Mode, OFlags, fcntl_setfl, open};
        use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
        use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pty");
        grantpt(&master).expect("granted");
        unlockpt(&master).expect("unlocked");
        let name = ptsname(&master, Vec::new()).expect("a name");
        let slave = open(name, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).expect("opens");
        let mut raw = tcgetattr(&slave).expect("settings");
        raw.make_raw();
        tcsetattr(&slave, OptionalActions::Now, &raw).expect("set raw");
        fcntl_setfl(&master, OFlags::NONBLOCK).expect("non-blocking");

        let mut host = std::fs::File::from(slave);
        host.write_all(b"?\n").expect("asked");
        let end = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
        let told = end.clone();
        let adapter = std::thread::spawn(move || {
            let mut p = Play::new("tight", 1, true).expect("known");
            play_to(&mut p, &mut Master(master.into(), told), 3_000.0).expect_err("told to end").kind()
        });
        let mut heard = Vec::new();
        let mut buf = [0u8; 4096];
        while heard.len() < 60_000 {
            let n = host.read(&mut buf).expect("reads");
            heard.extend_from_slice(&buf[..n]);
        }
        end.store(true, std::sync::atomic::Ordering::Relaxed);
        drop(host);
        assert_eq!(adapter.join().expect("joins"), ErrorKind::BrokenPipe);
        let mut direct = crate::sim::Player::new("tight", 1, true).expect("known");
        let header = direct.header();
        let mut want: Vec<u8> = Vec::new();
        // The question was waiting before the first line, so the answer comes before it.
        want.extend_from_slice(&header);
        want.extend_from_slice(&header);
        while want.len() < heard.len() {
            want.extend(direct.next().expect("a long day").1);
        }
        assert!(heard == want[..heard.len()]);
    }

    #[test]
    fn the_header_comes_twice_and_twice_again_when_asked() {
        let mut p = Play::new("tight", 1, true).expect("known");
        let mut host = Host { says: b"?\n".to_vec(), heard: Vec::new() };
        let err = play_to(&mut p, &mut host, f64::INFINITY).expect_err("the host hangs up");
        assert_eq!(err.kind(), ErrorKind::BrokenPipe);
        let text = String::from_utf8(host.heard).expect("ASCII");
        assert_eq!(text.lines().filter(|l| l.starts_with("time_s,")).count(), 4);
    }
}
