//! A text-command adapter played over a pty: speed, echo, torn chunks, words of trouble, a restart, a moved plug.

use crate::rig::{Pty, Watch, bytes_of, kept_by, readings_of, same_in_another_process, torn};
use soakwatch::channel::Channel;
use soakwatch::decode::{Notice, NoticeKind};
use soakwatch::profile::{Profile, load};
use soakwatch::record::{Body, Event, Record};
use soakwatch::wire::ask::may_leave;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// What the played vehicle answers with.
#[derive(Clone, Copy, PartialEq)]
pub enum Vehicle {
    /// CAN, 11 bits.
    Can,
    /// ISO 9141-2: three bytes of header, a sum behind.
    Iso9141,
}

/// Plays the adapter: what it was told last about itself, and the vehicle behind it.
pub struct Player {
    pub pty: Pty,
    vehicle: Vehicle,
    /// It understands nothing at another speed of the port.
    baud: u32,
    echo: bool,
    headers: bool,
    found: bool,
    part: Vec<u8>,
    /// Each command that came whole.
    pub heard: Vec<String>,
    pub questions: usize,
    /// PID 0C.
    pub rpm: [u8; 2],
    /// Its next answers.
    words: Vec<&'static str>,
}

impl Player {
    pub fn new(vehicle: Vehicle, baud: u32) -> Player {
        Player {
            pty: Pty::new(),
            vehicle,
            baud,
            echo: true,
            headers: false,
            found: false,
            part: Vec::new(),
            heard: Vec::new(),
            questions: 0,
            rpm: [0x0B, 0xB8],
            words: Vec::new(),
        }
    }

    /// Answers what comes for so long, or until `enough`.
    pub fn play(&mut self, longest: Duration, mut enough: impl FnMut(&Player) -> bool) {
        let begun = Instant::now();
        while begun.elapsed() < longest && !enough(self) {
            let came = self.pty.read();
            if came.is_empty() {
                std::thread::sleep(Duration::from_millis(3));
            }
            if self.pty.baud() != self.baud {
                // Bits of another length are no characters.
                if !came.is_empty() {
                    self.pty.pour(b"\xf8\x80");
                }
                continue;
            }
            for byte in came {
                match byte {
                    b'\r' => {
                        let line = String::from_utf8(std::mem::take(&mut self.part)).unwrap();
                        self.command(line.trim());
                    }
                    byte => self.part.push(byte),
                }
            }
        }
    }

    fn command(&mut self, command: &str) {
        self.heard.push(command.to_owned());
        if self.echo {
            self.pty.pour(format!("{command}\r").as_bytes());
        }
        let says = match command {
            "ATZ" => return self.restart(),
            "ATE0" => {
                self.echo = false;
                "OK".to_owned()
            }
            "ATH1" => {
                self.headers = true;
                "OK".to_owned()
            }
            "ATCSM1" => "?".to_owned(),
            "ATRV" => "12.7V".to_owned(),
            "ATDPN" if self.vehicle == Vehicle::Can => "A6".to_owned(),
            "ATDPN" => "A3".to_owned(),
            at if at.starts_with("AT") => "OK".to_owned(),
            hex => self.question(hex),
        };
        self.say(&format!("{says}\r\r>"));
    }

    /// As after power-up, its name first.
    fn restart(&mut self) {
        (self.echo, self.headers, self.found) = (true, false, false);
        self.part.clear();
        self.say("\r\rplayed adapter 1\r\r>");
    }

    fn question(&mut self, hex: &str) -> String {
        self.questions += 1;
        let bytes = unhex(hex);
        if let Some(word) = self.words.pop() {
            return word.to_owned();
        }
        let searching = if std::mem::replace(&mut self.found, true) { "" } else { "SEARCHING...\r" };
        let mut answer = vec![0x41];
        if bytes[0] == 0x01 {
            for pid in &bytes[1..] {
                let data: &[u8] = match pid {
                    // 0C and 0D, 20; 2F, 40; 42. Behind a mask the next is named (SAE J1979).
                    0x00 => &[0x00, 0x18, 0x00, 0x01],
                    0x20 => &[0x00, 0x02, 0x00, 0x01],
                    0x40 => &[0x40, 0x00, 0x00, 0x00],
                    0x0C => &self.rpm,
                    0x0D => &[0x32],
                    0x2F => &[0x80],
                    0x42 => &[0x37, 0xDC],
                    _ => continue,
                };
                answer.push(*pid);
                answer.extend(data);
            }
        }
        match answer.len() {
            1 => "NO DATA".to_owned(),
            _ => format!("{searching}{}", self.lines(&answer)),
        }
    }

    fn lines(&self, message: &[u8]) -> String {
        let hex = |bytes: &[u8]| bytes.iter().map(|b| format!("{b:02X}")).collect::<Vec<_>>().join(" ");
        if !self.headers {
            return hex(message);
        }
        match self.vehicle {
            Vehicle::Iso9141 => {
                let mut all = [&[0x48, 0x6B, 0x10], message].concat();
                all.push(all.iter().fold(0, |s: u8, b| s.wrapping_add(*b)));
                hex(&all)
            }
            Vehicle::Can if message.len() <= 7 => format!("7E8 {:02X} {}", message.len(), hex(message)),
            Vehicle::Can => {
                let mut lines = vec![format!("7E8 10 {:02X} {}", message.len(), hex(&message[..6]))];
                let rest = message[6..].chunks(7).zip(1..);
                lines.extend(rest.map(|(part, n)| format!("7E8 2{n} {}", hex(part))));
                lines.join("\r")
            }
        }
    }

    /// In pieces, as a slow port gives them.
    fn say(&mut self, text: &str) {
        for piece in text.as_bytes().chunks(7) {
            self.pty.pour(piece);
            std::thread::sleep(Duration::from_millis(1));
        }
    }
}

fn unhex(digits: &str) -> Vec<u8> {
    (0..digits.len() / 2).map(|i| u8::from_str_radix(&digits[2 * i..2 * i + 2], 16).unwrap()).collect()
}

/// All that was sent is on one of the two lists: commands of the dialect that keep nothing, and questions that may leave.
pub fn polite(heard: &[String], profile: &Profile) {
    for command in heard {
        let digits = command.len().is_multiple_of(2) && command.bytes().all(|b| b.is_ascii_hexdigit());
        if digits {
            assert!(may_leave(&unhex(command)), "{command}");
        } else {
            assert!(profile.dialect.commands().any(|c| c == command), "{command}");
            assert!(!command.starts_with("ATSP") && !command.starts_with("ATPP"), "{command}");
        }
    }
}

const OBD: &str = "extends = \"switch-module\"\nname = \"van 3\"\n\
    [[obd]]\npid = 0x0C\nchannel = \"engine_rpm\"\nrate_hz = 2\n[[obd]]\npid = 0x0D\nchannel = \"vehicle_speed_kph\"\n\
    rate_hz = 2\n[[obd]]\npid = 0x2F\nchannel = \"fuel_level_pct\"\nrate_hz = 2\n[adapter]\nvolts_s = 1\n";

pub fn van(dir: &Path) -> (String, Arc<Profile>) {
    let file = dir.join("van3.toml").display().to_string();
    std::fs::write(&file, OBD).unwrap();
    let profile = Arc::new(load(&file, &[]).unwrap());
    (file, profile)
}

#[test]
fn a_text_adapter_is_found_asked_begun_anew_and_followed_to_another_port() {
    let dir = tempfile::tempdir().unwrap();
    let (profile_file, profile) = van(dir.path());
    let mut player = Player::new(Vehicle::Can, 115_200);
    let port = dir.path().join("adapter");
    player.pty.plug(&port);
    let link = format!("adapter:{}", port.display());
    let watch = Watch::start(&link, &dir.path().join("captures"), &["--profile", &profile_file]);
    let long = Duration::from_secs(20);
    player.play(long, |p| p.questions >= 20);
    assert!(player.questions >= 20 && !player.echo, "{:?}", player.heard);
    // Trouble in words and noise: it goes on asking.
    player.words = vec!["NO DATA", "7E8 03 41 0D <DATA ERROR", "BUFFER FULL", "CAN ERROR", "7E8 03 41"];
    let so_far = player.questions;
    player.play(long, |p| p.questions >= so_far + 15);
    assert!(player.words.is_empty());
    // It loses its supply for a moment.
    let set_up = player.heard.iter().filter(|c| *c == "ATH1").count();
    player.restart();
    player.play(long, |p| p.heard.iter().filter(|c| *c == "ATH1").count() > set_up);
    let so_far = player.questions;
    player.play(long, |p| p.questions >= so_far + 10);
    assert!(player.headers && !player.echo, "{:?}", player.heard);
    // The plug moves to another port while the name stays.
    let mut sent = player.pty.sent.clone();
    let (first, baud) = (std::mem::replace(&mut player.pty, Pty::new()), player.baud);
    std::fs::remove_file(&port).unwrap();
    drop(first);
    watch.hear(" down: ");
    (player.echo, player.headers) = (true, false);
    player.part.clear();
    player.pty.plug(&port);
    let so_far = player.questions;
    player.play(long, |p| p.questions >= so_far + 10);
    assert_eq!(player.pty.baud(), baud, "it remembers the speed");
    let (code, said, capture) = watch.end_beside(|ended| player.play(Duration::from_secs(10), |_| ended()));
    assert_eq!(code, 3, "{said}");
    assert!(!said.contains("ATZ") && !said.contains("NO DATA"), "the adapter's own words are not for people: {said}");

    polite(&player.heard, &profile);
    let (reader, records) = kept_by(&capture);
    sent.extend_from_slice(&player.pty.sent);
    assert!(sent.starts_with(&bytes_of(&records)), "every byte that was read is kept");
    let restarts = |all: &[Notice]| all.iter().filter(|n| n.kind == NoticeKind::AdapterRestart).count();
    let (readings, notices, decoder) = readings_of(&profile, &reader, &records);
    assert_eq!(restarts(&notices), 1, "{:?}", decoder.summary());
    let all = |c: Channel| readings.iter().flatten().filter(|r| r.0 == c).map(|r| r.1).collect::<Vec<f64>>();
    // SAE J1979: 0BB8 / 4 rpm, 32 km/h, 80 of 255.
    for (channel, value) in
        [(Channel::EngineRpm, 750.0), (Channel::VehicleSpeedKph, 50.0), (Channel::FuelLevelPct, 12800.0 / 255.0)]
    {
        let all = all(channel);
        assert!(all.len() > 8 && all.iter().all(|v| *v == value), "{channel}: {all:?}");
    }
    let volts = all(Channel::BatteryV);
    assert!(volts.len() > 3 && volts.iter().all(|v| *v == 12.7 || *v == 14.3), "{volts:?}");
    let asked = |r: &&Record| matches!(&r.body, Body::Event(Event::Sent { text }) if text.starts_with("01"));
    let questions = records.iter().filter(asked).count();
    assert!(questions >= player.heard.iter().filter(|h| h.starts_with("01")).count(), "each question is recorded");
    assert!(
        records.iter().any(|r| matches!(&r.body, Body::Event(Event::Gap { cause, .. }) if cause.contains("was gone")))
    );
    // However the port chopped it.
    let (again, told, torn) = readings_of(&profile, &reader, &torn(&records));
    assert_eq!((again, restarts(&told)), (readings, restarts(&notices)));
    assert_eq!(decoder.summary(), torn.summary());
    assert!(decoder.summary().iter().any(|s| s.contains("came damaged")), "{:?}", decoder.summary());
    same_in_another_process(&capture, &dir.path().join("elsewhere"));
}

#[test]
fn an_older_bus_is_asked_one_thing_at_a_time() {
    let dir = tempfile::tempdir().unwrap();
    let (profile_file, profile) = van(dir.path());
    let mut player = Player::new(Vehicle::Iso9141, 9600);
    let port = dir.path().join("adapter");
    player.pty.plug(&port);
    let link = format!("adapter:{},baud=9600", port.display());
    let more = ["--profile", &profile_file, "--set", "adapter.bus=iso_9141_2"];
    let watch = Watch::start(&link, &dir.path().join("captures"), &more);
    player.play(Duration::from_secs(20), |p| p.questions >= 25);
    let (_, said, capture) = watch.end_beside(|ended| player.play(Duration::from_secs(10), |_| ended()));
    polite(&player.heard, &profile);
    assert!(player.heard.iter().any(|c| c == "ATTP3"), "{:?}", player.heard);
    let live = |c: &&String| c.starts_with("01");
    assert!(player.heard.iter().filter(live).all(|c| c.len() == 4), "{:?}", player.heard);
    let (reader, records) = kept_by(&capture);
    let (readings, _, decoder) = readings_of(&profile, &reader, &records);
    for channel in [Channel::EngineRpm, Channel::VehicleSpeedKph, Channel::FuelLevelPct, Channel::BatteryV] {
        assert!(readings.iter().flatten().any(|r| r.0 == channel), "no {channel}: {said}");
    }
    assert_eq!(decoder.undecoded(), 0, "{:?}", decoder.summary());
    same_in_another_process(&capture, &dir.path().join("elsewhere"));
}
