//! Live data: values of the vehicle as the bytes of SAE J1979's PIDs. The scaling is written here once more, from the
//! standard's side of the sender, and is not the reader's turned round.

use super::memory::Memory;
use super::seen::Seen;

/// The PIDs of service 01 that the engine controller has on every vehicle, in order.
const ENGINE: [u8; 20] = [
    0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0F, 0x1C, 0x1F, 0x21, 0x2E, 0x2F, 0x30, 0x31, 0x33, 0x41,
    0x42,
];
/// Ambient air is on all of them too, and tank pressure only where there is a sensor.
const AMBIENT: u8 = 0x46;
const SENSOR: [u8; 3] = [0x32, 0x53, 0x54];

/// The PIDs an engine controller has.
pub fn engine_has(pid: u8, sensor: bool) -> bool {
    ENGINE.contains(&pid) || pid == AMBIENT || (sensor && SENSOR.contains(&pid))
}

/// The PIDs a gearbox controller has: its monitor status, road speed and supply.
pub fn gearbox_has(pid: u8) -> bool {
    matches!(pid, 0x01 | 0x0D | 0x42)
}

/// The mask of what there is from `first` + 1 to `first` + 32, where the last bit says that a further mask follows.
pub fn mask(first: u8, has: impl Fn(u8) -> bool) -> [u8; 4] {
    let there = |i: u8| first.checked_add(i).is_some_and(&has);
    let more = (first / 0x20 + 1..8).any(|block| (1..=32u8).any(|i| (block * 0x20).checked_add(i).is_some_and(&has)));
    let bits = (1..=32u8).fold(0u32, |bits, i| {
        let set = if i == 32 { more } else { there(i) };
        bits << 1 | u32::from(set)
    });
    bits.to_be_bytes()
}

/// The bytes of a PID of the engine controller that [`engine_has`].
pub fn engine(pid: u8, seen: &Seen, memory: &Memory) -> Option<Vec<u8>> {
    Some(match pid {
        0x01 => memory.status().to_vec(),
        // Open loop while cold or standing, else closed loop; one bank.
        0x03 if !seen.runs() => vec![0, 0],
        0x03 => vec![if seen.running_s < 25.0 { 1 } else { 2 }, 0],
        0x04 => vec![byte(if seen.runs() { seen.manifold_kpa / seen.baro_kpa } else { 0.0 }, 1.0 / 255.0, 0.0)],
        0x05 => vec![byte(seen.coolant_c, 1.0, -40.0)],
        0x06 => vec![byte(seen.trim_short, 100.0 / 128.0, -100.0)],
        0x07 => vec![byte(seen.trim_long, 100.0 / 128.0, -100.0)],
        0x0B => vec![byte(seen.manifold_kpa, 1.0, 0.0)],
        0x0C => word(seen.rpm, 0.25).to_vec(),
        0x0D => vec![byte(seen.kph, 1.0, 0.0)],
        0x0F => vec![byte(seen.intake_c, 1.0, -40.0)],
        // Certified to the rules of California.
        0x1C => vec![1],
        0x1F => word(seen.running_s, 1.0).to_vec(),
        0x21 => word(memory.lamp_km(), 1.0).to_vec(),
        0x2E => vec![byte(seen.purge_pct, 100.0 / 255.0, 0.0)],
        0x2F => vec![byte(seen.level_pct, 100.0 / 255.0, 0.0)],
        0x30 => vec![memory.warm_ups()],
        0x31 => word(memory.since_clear_km(), 1.0).to_vec(),
        0x32 => signed(seen.tank_pa?, 0.25).to_vec(),
        0x33 => vec![byte(seen.baro_kpa, 1.0, 0.0)],
        0x41 => memory.this_trip(seen).to_vec(),
        0x42 => word(seen.battery_v, 0.001).to_vec(),
        0x46 => vec![byte(seen.ambient_c, 1.0, -40.0)],
        0x53 => word(seen.baro_kpa + seen.tank_pa? * 1e-3, 0.005).to_vec(),
        0x54 => signed(seen.tank_pa?, 1.0).to_vec(),
        _ => return None,
    })
}

/// The same of the gearbox controller.
pub fn gearbox(pid: u8, seen: &Seen) -> Option<Vec<u8>> {
    Some(match pid {
        // No lamp, no codes, no monitors of its own.
        0x01 => vec![0, 0, 0, 0],
        0x0D => vec![byte(seen.kph, 1.0, 0.0)],
        // At the end of a longer wire.
        0x42 => word(seen.battery_v - 0.08, 0.001).to_vec(),
        _ => return None,
    })
}

/// `value` = count × `step` + `least`, held to the byte's ends.
pub fn byte(value: f64, step: f64, least: f64) -> u8 {
    ((value - least) / step).round().clamp(0.0, 255.0) as u8
}

/// The same in two bytes without offset.
pub fn word(value: f64, step: f64) -> [u8; 2] {
    ((value / step).round().clamp(0.0, 65_535.0) as u16).to_be_bytes()
}

/// Two's complement.
pub fn signed(value: f64, step: f64) -> [u8; 2] {
    ((value / step).round().clamp(-32_768.0, 32_767.0) as i16).to_be_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of SAE J1979's support masks: each bit a PID, the highest bit of the first byte PID 01 (from memory).
    #[test]
    fn masks_say_what_there_is_and_that_more_follows() {
        assert_eq!(mask(0, |p| p == 1 || p == 0x0C || p == 0x20), [0x80, 0x10, 0, 0]);
        assert_eq!(mask(0, |p| p == 0x41), [0, 0, 0, 1]);
        assert_eq!(mask(0x20, |p| p == 0x41), [0, 0, 0, 1]);
        assert_eq!(mask(0x40, |p| p == 0x41 || p == 0x46), [0x84, 0, 0, 0]);
        assert_eq!(mask(0xE0, |_| true), [0xFF, 0xFF, 0xFF, 0xFE]);
    }

    #[test]
    fn every_pid_of_the_list_has_its_standard_length() {
        use crate::wire::obd::length;
        for pid in 1..=0xFFu8 {
            let got = engine(pid, &super::super::tests::seen(true), &Memory::new(1));
            assert_eq!(got.is_some(), engine_has(pid, true), "{pid:02X}");
            if let Some(bytes) = got {
                assert_eq!(bytes.len(), length(pid), "{pid:02X}");
            }
        }
    }
}
