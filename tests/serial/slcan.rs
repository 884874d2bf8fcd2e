//! A CAN adapter of the serial-line kind played over a pty, with a bus behind it.

use crate::rig::{Pty, Watch, bytes_of, kept_by, readings_of, same_in_another_process, torn};
use soakwatch::channel::Channel;
use soakwatch::profile::load;
use soakwatch::record::{Body, Event};
use soakwatch::wire::ask::may_leave;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Plays the adapter: what it was told, and a vehicle whose bus runs at one bit rate.
struct Player {
    pty: Pty,
    /// The digit of the bus's bit rate.
    right: u8,
    digit: u8,
    open: Option<u8>,
    part: Vec<u8>,
    /// Each line that came, with its moment.
    heard: Vec<(Instant, String)>,
    /// The first frame that was passed on since the channel was opened at the right rate.
    first: Option<Instant>,
    next: Instant,
    count: u32,
    /// Goes out before the next frame.
    noise: Vec<u8>,
    /// The rest of an answer that waits for the word to go on.
    rest: Vec<String>,
}

const PERIOD: Duration = Duration::from_millis(50);

impl Player {
    fn new(right: u8) -> Player {
        Player {
            pty: Pty::new(),
            right,
            digit: 0,
            // Left open by whoever used it before.
            open: Some(b'L'),
            part: Vec::new(),
            heard: Vec::new(),
            first: None,
            next: Instant::now(),
            count: 0,
            noise: Vec::new(),
            rest: Vec::new(),
        }
    }

    fn play(&mut self, longest: Duration, mut enough: impl FnMut(&Player) -> bool) {
        let begun = Instant::now();
        while begun.elapsed() < longest && !enough(self) {
            for byte in self.pty.read() {
                match byte {
                    b'\r' => {
                        let line = String::from_utf8(std::mem::take(&mut self.part)).unwrap();
                        self.heard.push((Instant::now(), line.clone()));
                        self.command(&line);
                    }
                    byte => self.part.push(byte),
                }
            }
            if self.open.is_some() && Instant::now() >= self.next {
                self.next = Instant::now() + PERIOD;
                self.bus();
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// A frame of the vehicle, in pieces; at a wrong bit rate errors.
    fn bus(&mut self) {
        self.count += 1;
        if self.digit != self.right {
            self.pty.pour(b"e1a\r");
            return;
        }
        self.first.get_or_insert_with(Instant::now);
        let noise = std::mem::take(&mut self.noise);
        self.pty.pour(&noise);
        let line = format!("t3A02{:04X}\r", 4000 + self.count % 2);
        let (a, b) = line.as_bytes().split_at(5);
        self.pty.pour(a);
        std::thread::sleep(Duration::from_millis(1));
        self.pty.pour(b);
    }

    fn command(&mut self, line: &str) {
        let yes = b"\r";
        let no = b"\x07";
        match line.as_bytes() {
            [b'C'] => {
                let was = self.open.take();
                self.first = None;
                self.pty.pour(if was.is_some() { yes } else { no });
            }
            [b'S', digit] if self.open.is_none() => {
                self.digit = *digit;
                self.pty.pour(yes);
            }
            [mode @ (b'L' | b'O')] if self.open.is_none() => {
                self.open = Some(*mode);
                self.pty.pour(yes);
            }
            [b't', ..] if self.open == Some(b'O') => {
                self.pty.pour(b"z\r");
                self.frame(line);
            }
            _ => self.pty.pour(no),
        }
    }

    /// A question: masks of 00 (0C, 0D and whatever follows none), or live data; more than seven bytes in parts.
    fn frame(&mut self, line: &str) {
        let data: Vec<u8> = (0..8).map(|i| u8::from_str_radix(&line[5 + 2 * i..7 + 2 * i], 16).unwrap()).collect();
        if data[0] == 0x30 {
            for rest in std::mem::take(&mut self.rest) {
                self.pty.pour(rest.as_bytes());
            }
            return;
        }
        let message = &data[1..=usize::from(data[0])];
        assert!(may_leave(message), "{line}");
        if message[0] != 0x01 {
            return;
        }
        let mut answer = vec![0x41];
        for pid in &message[1..] {
            match pid {
                0x00 => answer.extend([0x00, 0x00, 0x18, 0x00, 0x01]),
                0x20 => answer.extend([0x20, 0x00, 0x02, 0x00, 0x00]),
                0x0C => answer.extend([0x0C, 0x0B, 0xB8]),
                0x0D => answer.extend([0x0D, 0x32]),
                0x2F => answer.extend([0x2F, 0x80]),
                _ => {}
            }
        }
        let hex = |bytes: &[u8]| {
            let mut bytes = bytes.to_vec();
            bytes.resize(8, 0xAA);
            format!("t7E88{}\r", bytes.iter().map(|b| format!("{b:02X}")).collect::<String>())
        };
        match answer.len() {
            1 => {}
            n @ 2..=7 => {
                let all = [&[n as u8], &answer[..]].concat();
                self.pty.pour(hex(&all).as_bytes());
            }
            n => {
                let first = [&[0x10, n as u8], &answer[..6]].concat();
                self.rest = answer[6..].chunks(7).zip(0x21..).map(|(p, n)| hex(&[&[n], p].concat())).collect();
                self.pty.pour(hex(&first).as_bytes());
            }
        }
    }

    fn lines(&self) -> Vec<&str> {
        self.heard.iter().map(|h| h.1.as_str()).collect()
    }
}

const BROADCAST: &str = "[[broadcast]]\nid = \"3A0\"\nbytes = \"1-2\"\norder = \"high_first\"\nresolution = 0.25\n\
                         channel = \"engine_rpm\"\nrate_hz = 20\n";
const OBD: &str = "[[obd]]\npid = 0x0D\nchannel = \"vehicle_speed_kph\"\nrate_hz = 2\n\
                   [[obd]]\npid = 0x0C\nchannel = \"engine_rpm\"\nrate_hz = 2\n\
                   [[obd]]\npid = 0x2F\nchannel = \"fuel_level_pct\"\nrate_hz = 2\n";

fn van(dir: &std::path::Path, rows: &str) -> (String, Arc<soakwatch::profile::Profile>) {
    let file = dir.join("van3.toml").display().to_string();
    std::fs::write(&file, format!("extends = \"switch-module\"\n{rows}")).unwrap();
    let profile = Arc::new(load(&file, &[]).unwrap());
    (file, profile)
}

#[test]
fn serial_line_can_is_heard_at_the_rate_that_is_right_and_only_heard() {
    let dir = tempfile::tempdir().unwrap();
    let (file, profile) = van(dir.path(), BROADCAST);
    // 250 kbit/s; the first that is tried is 500.
    let mut player = Player::new(b'5');
    let port = dir.path().join("adapter");
    player.pty.plug(&port);
    let link = format!("slcan:{},ask=no", port.display());
    let watch = Watch::start(&link, &dir.path().join("captures"), &["--profile", &file]);
    player.play(Duration::from_secs(20), |p| p.first.is_some() && p.count > 120);
    // Noise, a torn line, one too long; then the plug moves.
    player.noise = [b"\xff\xfet3A0\r", &[b'7'; 300][..], b"\r"].concat();
    let so_far = player.count;
    player.play(Duration::from_secs(5), |p| p.count > so_far + 20);
    let mut sent = player.pty.sent.clone();
    let first = std::mem::replace(&mut player.pty, Pty::new());
    std::fs::remove_file(&port).unwrap();
    drop(first);
    watch.hear(" down: ");
    player.pty.plug(&port);
    (player.open, player.first) = (None, None);
    player.part.clear();
    let so_far = player.count;
    player.play(Duration::from_secs(20), |p| p.first.is_some() && p.count > so_far + 40);
    let (_, said, capture) = watch.end_beside(|ended| {
        player.play(Duration::from_secs(10), |_| ended());
        player.play(Duration::from_millis(100), |_| false);
    });
    let lines = player.lines();
    assert!(lines.iter().all(|l| ["C", "L", "S6", "S5"].contains(l)), "it only listens: {lines:?}");
    assert_eq!(player.open, None, "it is left closed");

    let (reader, records) = kept_by(&capture);
    sent.extend_from_slice(&player.pty.sent);
    let bytes = bytes_of(&records);
    assert!(sent.starts_with(&bytes) && bytes.len() + 200 > sent.len(), "every byte is kept: {said}");
    let (readings, _, decoder) = readings_of(&profile, &reader, &records);
    let rpm: Vec<f64> = readings.iter().flatten().filter(|r| r.0 == Channel::EngineRpm).map(|r| r.1).collect();
    assert!(rpm.len() > 60 && rpm.iter().all(|v| *v == 1000.0 || *v == 1000.25), "{rpm:?}");
    assert!(decoder.summary().iter().any(|s| s.contains("errors on the bus")), "{:?}", decoder.summary());
    assert_eq!(readings_of(&profile, &reader, &torn(&records)).0, readings);
    same_in_another_process(&capture, &dir.path().join("elsewhere"));
}

#[test]
fn serial_line_can_is_asked_once_its_traffic_has_proven_the_rate() {
    let dir = tempfile::tempdir().unwrap();
    let (file, profile) = van(dir.path(), OBD);
    let mut player = Player::new(b'6');
    let port = dir.path().join("adapter");
    player.pty.plug(&port);
    let link = format!("slcan:{},bitrate=500000", port.display());
    let watch = Watch::start(&link, &dir.path().join("captures"), &["--profile", &file]);
    let opened = |p: &Player| p.heard.iter().position(|h| h.1 == "O");
    player.play(Duration::from_secs(20), |p| opened(p).is_some());
    let listened = player.heard.iter().position(|h| h.1 == "L").unwrap();
    let open = opened(&player).expect("opened for asking");
    let between = player.heard[open].0.duration_since(player.heard[listened].0);
    assert!(between >= Duration::from_secs_f64(profile.set.bus.listen_s - 0.1), "{between:?}");
    assert!(player.heard[..open].iter().all(|h| !h.1.starts_with('t')), "{:?}", player.lines());
    let asked = |p: &Player| p.heard.iter().filter(|h| h.1.starts_with("t7")).count();
    player.play(Duration::from_secs(20), |p| asked(p) >= 30);
    let (_, said, capture) = watch.end_beside(|ended| {
        player.play(Duration::from_secs(10), |_| ended());
        player.play(Duration::from_millis(100), |_| false);
    });
    assert_eq!(player.open, None, "it is left closed");
    assert!(player.lines().iter().any(|l| l.starts_with("t7E0830")), "a long answer was told to go on");
    let (reader, records) = kept_by(&capture);
    let sent = records.iter().filter(|r| matches!(r.body, Body::CanSent(_))).count();
    assert!(sent >= asked(&player), "each question is recorded: {sent}");
    let said_to =
        |text: &str| records.iter().any(|r| matches!(&r.body, Body::Event(Event::Sent { text: t }) if t == text));
    assert!(said_to("L\r") && said_to("O\r"));
    let (readings, _, decoder) = readings_of(&profile, &reader, &records);
    for (channel, value) in
        [(Channel::VehicleSpeedKph, 50.0), (Channel::EngineRpm, 750.0), (Channel::FuelLevelPct, 12800.0 / 255.0)]
    {
        let all: Vec<f64> = readings.iter().flatten().filter(|r| r.0 == channel).map(|r| r.1).collect();
        assert!(all.len() > 4 && all.iter().all(|v| *v == value), "{channel}: {all:?}, {said}");
    }
    assert_eq!(decoder.undecoded(), 0, "{:?}", decoder.summary());
    same_in_another_process(&capture, &dir.path().join("elsewhere"));
}
