//! What an invented maker put on its bus beside the standards: identifiers of service 22, and frames that go out by
//! themselves. The built-in profile `courier-van` describes the same bytes from the reader's side.

use super::live::{byte, word};
use super::seen::Seen;
use super::unit::{Context, Who};
use crate::wire::can_frame::{Frame, Id};

/// A frame that goes out by itself while the network is awake.
#[derive(Debug, Clone, Copy)]
pub struct Broadcast {
    /// Its identifier.
    pub id: u16,
    /// Seconds between two.
    pub every_s: f64,
    data: fn(&Seen) -> [u8; 8],
}

/// The frames, in the order of their identifiers: quick states, air and purge, slow temperatures.
pub const BROADCASTS: [Broadcast; 3] = [
    Broadcast { id: 0x1A4, every_s: 0.05, data: states },
    Broadcast { id: 0x2B8, every_s: 0.1, data: air },
    Broadcast { id: 0x4C3, every_s: 1.0, data: slow },
];

impl Broadcast {
    /// The frame now.
    pub fn frame(&self, seen: &Seen) -> Option<Frame> {
        Frame::data(Id::Standard(self.id), &(self.data)(seen))
    }
}

/// Byte 1: bit 0 key, bit 1 vent solenoid, bit 2 leak switch closed. Bytes 2 and 3: engine speed in 0.25/min, high byte
/// first. Bytes 4 and 5: road speed in 0.01 km/h, low byte first.
fn states(s: &Seen) -> [u8; 8] {
    let bits = u8::from(s.key) | u8::from(s.solenoid) << 1 | u8::from(s.switch_closed() == Some(true)) << 2;
    let (rpm, kph) = (word(s.rpm, 0.25), word(s.kph, 0.01));
    [bits, rpm[0], rpm[1], kph[1], kph[0], 0xFF, 0xFF, 0xFF]
}

/// Bytes 1 and 2: manifold in 0.01 kPa, high byte first. Byte 3: purge in 0.4 %. Byte 4: barometer in 0.5 kPa. Bytes 5 and
/// 6: battery in 0.001 V, low byte first.
fn air(s: &Seen) -> [u8; 8] {
    let (manifold, battery) = (word(s.manifold_kpa, 0.01), word(s.battery_v, 0.001));
    let purge = byte(s.purge_pct, 0.4, 0.0);
    [manifold[0], manifold[1], purge, byte(s.baro_kpa, 0.5, 0.0), battery[1], battery[0], 0xFF, 0xFF]
}

/// Byte 1: coolant, byte 2: outside air, byte 3: intake air, each in °C from −40, outside air in halves. Byte 4: level in
/// 0.4 %. Byte 5: fuel in halves of a °C from −40.
fn slow(s: &Seen) -> [u8; 8] {
    let half = |c| byte(c, 0.5, -40.0);
    let level = byte(s.level_pct, 0.4, 0.0);
    [
        byte(s.coolant_c, 1.0, -40.0),
        half(s.ambient_c),
        byte(s.intake_c, 1.0, -40.0),
        level,
        half(s.fuel_c),
        255,
        255,
        255,
    ]
}

/// Identifiers of the engine controller: 2011 the vent (bit 0 solenoid, bit 1 switch closed), 2012 the sense line in
/// millivolts, 2013 the solenoid's current in milliamperes, 2014 the fuel in 0.1 °C, two's complement.
pub fn data(c: Context<'_>, id: u16) -> Option<Vec<u8>> {
    if c.who != Who::Engine {
        return None;
    }
    let s = c.seen;
    Some(match id {
        0x2011 => vec![u8::from(s.solenoid) | u8::from(s.switch_closed()?) << 1],
        0x2012 => word(s.sense_v?, 0.001).to_vec(),
        0x2013 => word(s.solenoid_a, 0.001).to_vec(),
        0x2014 => super::live::signed(s.fuel_c, 0.1).to_vec(),
        _ => return None,
    })
}
