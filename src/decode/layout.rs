//! What each column of a table carries, by its headings and the profile.

use crate::channel::Channel;
use crate::profile::{Calibration, Profile, RowTime};
use crate::wire::table::Header;

/// Where a row's time comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TimeFrom {
    /// This cell, in seconds from the start (`time_s`).
    Seconds(usize),
    /// This cell of a foreign table, in seconds; counted from the first row.
    ForeignSeconds(usize),
    /// This cell, RFC 3339; counted from the first row.
    Utc(usize),
    /// The number of the row, times an assumed period in seconds.
    Period(f64),
}

impl TimeFrom {
    /// The cell to look into, if there is one.
    pub fn cell(self) -> Option<usize> {
        match self {
            TimeFrom::Seconds(i) | TimeFrom::ForeignSeconds(i) | TimeFrom::Utc(i) => Some(i),
            TimeFrom::Period(_) => None,
        }
    }
}

/// The columns of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    /// Where time comes from; nothing if the table does not tell.
    pub time: Option<TimeFrom>,
    /// Columns that carry a channel, in order.
    pub values: Vec<Value>,
    /// The cell in which an adapter counts what it could not send.
    pub lost: Option<usize>,
    /// Sentences about columns that are not used.
    pub unused: Vec<String>,
    /// Number of columns, without the check.
    pub width: usize,
    /// Rows end with a check cell.
    pub crc: bool,
}

/// A column that carries a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Value {
    /// Which cell.
    pub cell: usize,
    /// Which channel.
    pub channel: Channel,
    /// Factor.
    pub scale: f64,
    /// Added after scaling.
    pub offset: f64,
    /// Plausible from.
    pub low: f64,
    /// Plausible to.
    pub high: f64,
    /// Only 0 and 1 can be a reading.
    pub state: bool,
}

/// Heads an adapter's count of readings that it took and could not send.
const LOST: &str = "lost";

impl Layout {
    /// By the headings and the profile's own list of foreign headings.
    pub fn new(header: &Header, profile: &Profile) -> Layout {
        let own = header.position("time_s").map(TimeFrom::Seconds);
        let utc = || header.position("utc").map(TimeFrom::Utc);
        let foreign = || match profile.row_time.as_ref()? {
            RowTime::Column(heading) => header.position(heading.trim()).map(TimeFrom::ForeignSeconds),
            RowTime::Period(s) => Some(TimeFrom::Period(*s)),
        };
        let time = own.or_else(utc).or_else(foreign);
        let mut layout = Layout {
            time,
            values: Vec::new(),
            lost: header.position(LOST),
            unused: Vec::new(),
            width: header.headings.len(),
            crc: header.crc,
        };
        let mut carried: Vec<(Channel, &str)> = Vec::new();
        let mut unknown: Vec<String> = Vec::new();
        for (cell, heading) in header.headings.iter().enumerate() {
            let mapped = profile.columns.iter().find(|c| c.column.trim() == heading);
            let (channel, scale, offset) = match mapped {
                Some(c) => (c.channel, c.scale, c.offset),
                None => match Channel::from_name(heading) {
                    Some(channel) => (channel, 1.0, 0.0),
                    None => {
                        let is_time = time.and_then(TimeFrom::cell) == Some(cell) || heading == "utc";
                        if !is_time && layout.lost != Some(cell) && !heading.is_empty() {
                            unknown.push(format!("\"{heading}\""));
                        }
                        continue;
                    }
                },
            };
            if let Some((_, other)) = carried.iter().find(|(c, _)| *c == channel) {
                layout.unused.push(format!("column \"{heading}\" is not read: \"{other}\" already carries {channel}"));
                continue;
            }
            carried.push((channel, heading));
            let (low, high) = channel.plausible();
            layout.values.push(Value { cell, channel, scale, offset, low, high, state: channel.is_state() });
        }
        match &unknown[..] {
            [] => {}
            [one] => layout.unused.push(format!("column {one} is no channel and is not read")),
            all => layout.unused.push(format!(
                "{} columns are no channels and are not read: {}",
                all.len(),
                all.join(", ")
            )),
        }
        layout
    }

    /// Puts a bench adapter's calibrations behind whatever scaling there is.
    pub fn calibrate(&mut self, calibrations: &[Calibration]) {
        for v in &mut self.values {
            if let Some(own) = calibrations.iter().find(|c| c.channel == v.channel) {
                v.scale *= own.scale();
                v.offset = v.offset * own.scale() + own.offset();
            }
        }
    }

    /// True if these headings can head a table: there is a time, and they are headings, not values.
    pub fn heads(&self) -> bool {
        match self.time {
            None => false,
            // An assumed period would make a table of anything, so a known column must be there too.
            Some(TimeFrom::Period(_)) => !self.values.is_empty(),
            Some(_) => true,
        }
    }
}
