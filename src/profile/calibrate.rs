//! Calibration of the bench adapter: two points a channel, kept with every session that used them.

use super::read::{Item, Key, Reader};
use crate::channel::Channel;
use toml::de::DeValue;

/// A channel's two points, as the bench adapter told them and as an instrument did at the same moments. Between and
/// beyond them the channel is taken for a straight line. Used for `bench:` links alone: a file that this tool wrote
/// holds calibrated values already.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Which channel.
    pub channel: Channel,
    /// What the adapter told, in the channel's unit.
    pub adapter: [f64; 2],
    /// What the instrument told.
    pub instrument: [f64; 2],
}

/// A slope outside this is a slip of the pen or another unit, not an error of a sound adapter.
const SLOPE: (f64, f64) = (0.5, 2.0);
const KEYS: [&str; 4] = ["channel", "adapter", "instrument", "source"];

impl Calibration {
    /// Factor on what the adapter tells.
    pub fn scale(&self) -> f64 {
        (self.instrument[1] - self.instrument[0]) / (self.adapter[1] - self.adapter[0])
    }

    /// Added after the factor.
    pub fn offset(&self) -> f64 {
        self.instrument[0] - self.adapter[0] * self.scale()
    }
}

impl Reader<'_> {
    pub(super) fn calibrate(&mut self, item: Item<'_, '_>) {
        let DeValue::Array(rows) = item.get_ref() else {
            self.fault(item.span(), "calibrate is not a list of tables", "head each with [[calibrate]]");
            return;
        };
        for row in rows {
            self.calibration(row);
        }
    }

    fn calibration(&mut self, row: Item<'_, '_>) {
        let DeValue::Table(table) = row.get_ref() else {
            self.fault(row.span(), "a row of calibrate is not a table", "head each with [[calibrate]]");
            return;
        };
        let before = self.faults.len();
        let (mut channel, mut adapter, mut instrument, mut source) = (None, None, None, None);
        for (key, item) in table {
            let key: Key<'_, '_> = key;
            match key.get_ref().as_ref() {
                "channel" => channel = self.channel(item).map(|c| (c, item.span())),
                "adapter" => adapter = self.points("adapter", item),
                "instrument" => instrument = self.points("instrument", item),
                "source" => source = self.words("source", item),
                _ => self.unknown_in("[[calibrate]]", key, &KEYS),
            }
        }
        let (Some((channel, at)), Some(adapter), Some(instrument)) = (channel, adapter, instrument) else {
            if self.faults.len() == before {
                let right = "give channel = \"…\", adapter = [first, second], instrument = [first, second]";
                self.fault(row.span(), "a [[calibrate]] lacks its channel or points", right);
            }
            return;
        };
        let own = Calibration { channel, adapter, instrument };
        if channel.is_state() {
            let right = "leave it out: calibrate the voltage or current behind it";
            self.fault(at, format!("{channel} is a state and has no points"), right);
        } else if self.layer.calibrations.iter().any(|(c, _)| c.channel == channel) {
            self.fault(at, format!("{channel} is calibrated twice"), "leave one [[calibrate]] out");
        } else if !(SLOPE.0..=SLOPE.1).contains(&own.scale()) {
            let what = format!("from one point to the other {channel} goes {} times as far as told", own.scale());
            let right = format!(
                "take two points well apart, both in {}; a sound adapter is within {} to {}",
                if channel.unit().is_empty() { "the same unit" } else { channel.unit() },
                SLOPE.0,
                SLOPE.1
            );
            self.fault(at, what, right);
        } else {
            self.layer.calibrations.push((own, source));
        }
    }

    fn points(&mut self, what: &str, item: Item<'_, '_>) -> Option<[f64; 2]> {
        if let DeValue::Array(list) = item.get_ref()
            && let [first, second] = &list[..]
        {
            let first = self.number(what, first, -1e6, 1e6);
            let second = self.number(what, second, -1e6, 1e6);
            return Some([first?, second?]);
        }
        self.fault(item.span(), format!("{what} is not two points"), format!("write {what} = [first, second]"));
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_points_lie_on_the_line() {
        // Points of a water column: 204 mm are 2000.6 Pa (conventional millimetre of water, 9.80665 Pa).
        let c = Calibration { channel: Channel::TankPressurePa, adapter: [3.1, -1967.4], instrument: [0.0, -2000.557] };
        for (told, is) in [(3.1, 0.0), (-1967.4, -2000.557), (-982.15, -1000.2785)] {
            assert!((told * c.scale() + c.offset() - is).abs() < 1e-9, "{told}");
        }
    }
}
