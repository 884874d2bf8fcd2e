//! A capture as a fast bench adapter would leave it: 17 channels, each filled in every row, each row checked.
//!
//! The values are those of the simulated vehicle, held from its rows to an even grid, so that every test runs as on
//! any day. Quantities get the last digit of their sensor's noise, as no real one stands still for hours.

use soakwatch::capture::{SessionFile, Writer};
use soakwatch::channel::Channel;
use soakwatch::decode::{Decoder, Item};
use soakwatch::profile::load_builtin;
use soakwatch::record::{Body, Event, LinkInfo, Record};
use soakwatch::sim::Player;
use soakwatch::time::Stamp;
use soakwatch::wire::bench_line::write_line;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::sync::Arc;

/// The channels: decimals, and by how many of its last digits the sensor trembles.
pub const CHANNELS: [(Channel, usize, i64); 17] = [
    (Channel::Key, 0, 0),
    (Channel::EngineRpm, 0, 0),
    (Channel::VehicleSpeedKph, 0, 0),
    (Channel::CoolantC, 0, 0),
    (Channel::AmbientC, 2, 2),
    (Channel::FuelLevelPct, 1, 0),
    (Channel::BaroKpa, 3, 2),
    (Channel::ManifoldKpa, 1, 1),
    (Channel::BatteryV, 2, 1),
    (Channel::PurgeDutyPct, 1, 0),
    (Channel::VentSolenoid, 0, 0),
    (Channel::LeakSwitch, 0, 0),
    (Channel::SwitchSenseV, 3, 4),
    (Channel::SolenoidA, 3, 1),
    (Channel::GroundV, 3, 1),
    (Channel::TankSkinC, 2, 2),
    (Channel::TankPressurePa, 0, 2),
];

/// Rows a second.
pub const HZ: i64 = 10;

/// The rows of one or more simulated days, without end line and check.
pub struct Rows {
    player: Player,
    decoder: Decoder,
    items: Vec<Item>,
    next: Option<(Stamp, Vec<u8>)>,
    days: u64,
    begun_us: i64,
    now_us: i64,
    every_us: i64,
    values: [f64; CHANNELS.len()],
    draw: u64,
    vents: Vents,
}

impl Rows {
    /// From the first day on, `hz` rows a second.
    pub fn new(hz: i64) -> Rows {
        let (player, decoder) = day(1);
        let (values, draw) = ([0.0; CHANNELS.len()], 1);
        let (next, items) = (None, Vec::new());
        Rows {
            player,
            decoder,
            items,
            next,
            days: 1,
            begun_us: 0,
            now_us: 0,
            every_us: 1_000_000 / hz,
            values,
            draw,
            vents: Vents::AsDriven,
        }
    }

    /// Leaves out what lies before this second.
    pub fn skip_to(&mut self, s: i64) {
        self.now_us = s * 1_000_000;
    }

    /// The next row's time in milliseconds, and its cells joined by commas, time first.
    pub fn next_row(&mut self, row: &mut String) -> i64 {
        self.now_us += self.every_us;
        loop {
            if self.next.is_none() {
                self.next = self.player.next();
            }
            match self.next.take() {
                None => {
                    self.days += 1;
                    self.begun_us = self.now_us;
                    (self.player, self.decoder) = day(self.days);
                }
                Some((at, bytes)) if self.begun_us + at.0 / 1_000 > self.now_us => {
                    self.next = Some((at, bytes));
                    break;
                }
                Some((at, bytes)) => self.take(at, bytes),
            }
        }
        let ms = self.now_us / 1_000;
        row.clear();
        let _ = write!(row, "{}.{:03}", ms / 1_000, ms % 1_000);
        for (i, (channel, decimals, tremble)) in CHANNELS.into_iter().enumerate() {
            let (low, high) = channel.plausible();
            let digit = [1.0, 0.1, 0.01, 0.001][decimals];
            let held =
                if channel == Channel::VentSolenoid && self.vents == Vents::NeverSeals { 1.0 } else { self.values[i] };
            let value = (held + self.tremble(tremble) * digit).clamp(low, high);
            let _ = write!(row, ",{:.decimals$}", if value == 0.0 { 0.0 } else { value });
        }
        ms
    }

    fn take(&mut self, at: Stamp, bytes: Vec<u8>) {
        self.items.clear();
        self.decoder.record(&Record { at, link: 1, seq: 0, body: Body::Bytes(bytes) }, &mut self.items);
        for item in &self.items {
            let Item::Reading(reading) = item else { continue };
            for (value, (channel, ..)) in self.values.iter_mut().zip(CHANNELS) {
                *value = reading.get(channel).unwrap_or(*value);
            }
        }
    }

    /// Knuth's linear congruential generator (MMIX): the same on every machine.
    fn tremble(&mut self, most: i64) -> f64 {
        if most == 0 {
            return 0.0;
        }
        self.draw = self.draw.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.draw >> 33) as i64 % (2 * most + 1) - most) as f64
    }
}

fn day(seed: u64) -> (Player, Decoder) {
    let link = LinkInfo { kind: "bench".into(), name: "tray".into() };
    let profile = Arc::new(load_builtin("switch-module").unwrap());
    (Player::new("tight", seed, true).unwrap(), Decoder::new(profile, &[link]))
}

/// The headings.
pub fn header() -> String {
    let mut row = "time_s".to_owned();
    for (channel, ..) in CHANNELS {
        row.push(',');
        row.push_str(channel.name());
    }
    row
}

/// A line with its check, as the adapter sends it.
pub fn line(row: &str, out: &mut Vec<u8>) {
    out.clear();
    write_line(row.split(','), true, out);
}

/// What the vent does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Vents {
    /// As on the simulated day.
    AsDriven,
    /// It never seals: the values are the same, but nothing can be inferred from them.
    NeverSeals,
}

/// Makes the capture in `dir`, and the same rows as a plain table in `table`. Returns the number of rows.
pub fn capture(dir: &Path, hours: i64, vents: Vents, table: Option<&Path>) -> u64 {
    let _ = std::fs::remove_dir_all(dir);
    let link = LinkInfo { kind: "bench".into(), name: "tray".into() };
    let profile = load_builtin("switch-module").unwrap();
    let session = SessionFile::new(1_767_225_600_000_000_000, vec![link], profile.to_toml());
    let mut writer = Writer::create(dir, &session).unwrap();
    let mut table = table.map(|t| std::io::BufWriter::new(std::fs::File::create(t).unwrap()));
    let record = |at: Stamp, link, body| Record { at, link, seq: 0, body };
    let mut batch = vec![record(Stamp::ZERO, 1, Body::Event(Event::LinkUp { detail: "115200 Bd".into() }))];
    let (mut row, mut bytes) = (header(), Vec::new());
    if let Some(table) = &mut table {
        writeln!(table, "{row}").unwrap();
    }
    line(&row, &mut bytes);
    batch.extend([1, 2].map(|ms| record(Stamp(ms * 1_000_000), 1, Body::Bytes(bytes.clone()))));
    let mut rows = Rows::new(HZ);
    rows.vents = vents;
    let count = hours * 3600 * HZ;
    let mut at = Stamp::ZERO;
    for i in 0..count {
        let ms = rows.next_row(&mut row);
        line(&row, &mut bytes);
        // Received up to 3 ms late.
        at = Stamp((ms + (i * 7919) % 4) * 1_000_000);
        batch.push(record(at, 1, Body::Bytes(bytes.clone())));
        if let Some(table) = &mut table {
            writeln!(table, "{row}").unwrap();
        }
        if batch.len() >= 4096 {
            writer.append(&mut batch).unwrap();
            batch.clear();
        }
    }
    batch.push(record(at, 0, Body::Event(Event::End { cause: "made whole".into() })));
    writer.append(&mut batch).unwrap();
    writer.sync().unwrap();
    count as u64
}
