//! The `[[obd]]`, `[[did]]` and `[[broadcast]]` rows of a profile's text.

use super::bus::{BroadcastSource, DidSource, Field, ObdSource};
use super::read::{Item, Reader};
use crate::channel::Channel;
use crate::wire::can_frame::Id;
use crate::wire::obd;
use std::ops::Range;
use toml::de::{DeTable, DeValue};

const OBD: [&str; 4] = ["pid", "channel", "rate_hz", "source"];
const DID: [&str; 11] =
    ["did", "length", "bytes", "mask", "order", "signed", "resolution", "offset", "channel", "rate_hz", "source"];
const BROADCAST: [&str; 10] =
    ["id", "bytes", "mask", "order", "signed", "resolution", "offset", "channel", "rate_hz", "source"];

/// What rows of all three kinds share.
#[derive(Default)]
struct Row {
    number: Option<(u32, Range<usize>)>,
    id: Option<Id>,
    length: Option<u8>,
    bytes: Option<(u8, u8)>,
    bytes_span: Option<Range<usize>>,
    mask: Option<(u64, Range<usize>)>,
    low_first: Option<bool>,
    signed: bool,
    resolution: Option<f64>,
    offset: f64,
    channel: Option<Channel>,
    rate_hz: Option<f64>,
    source: Option<String>,
}

impl Reader<'_> {
    pub(super) fn bus_rows(&mut self, name: &'static str, item: Item<'_, '_>) {
        let DeValue::Array(rows) = item.get_ref() else {
            self.fault(item.span(), format!("{name} is not a list of tables"), format!("head each with [[{name}]]"));
            return;
        };
        for row in rows {
            let DeValue::Table(table) = row.get_ref() else {
                let right = format!("head each with [[{name}]]");
                self.fault(row.span(), format!("a row of {name} is not a table"), right);
                continue;
            };
            let before = self.faults.len();
            let read = self.bus_row(name, table);
            if self.faults.len() == before {
                match name {
                    "obd" => self.obd_row(row.span(), read),
                    "did" => self.did_row(row.span(), read),
                    _ => self.broadcast_row(row.span(), read),
                }
            }
        }
    }

    fn bus_row(&mut self, name: &str, table: &DeTable<'_>) -> Row {
        let known: &[&str] = match name {
            "obd" => &OBD,
            "did" => &DID,
            _ => &BROADCAST,
        };
        let mut r = Row::default();
        for (key, item) in table {
            let word: &str = key.get_ref();
            if !known.contains(&word) {
                self.unknown_in(&format!("[[{name}]]"), key, known);
                continue;
            }
            match word {
                "pid" => r.number = self.whole("pid", item, 0xFF).map(|n| (n as u32, item.span())),
                "did" => r.number = self.whole("did", item, 0xFFFF).map(|n| (n as u32, item.span())),
                "id" => r.id = self.frame_id(item),
                "length" => r.length = self.whole("length", item, 255).map(|n| n as u8).filter(|n| *n > 0),
                "bytes" => (r.bytes, r.bytes_span) = (self.byte_span(item), Some(item.span())),
                "mask" => r.mask = self.whole("mask", item, u64::MAX).map(|m| (m, item.span())),
                "order" => r.low_first = self.one_word("order", item, "low_first", "high_first"),
                "signed" => r.signed = self.one_word("signed", item, "yes", "no").unwrap_or(false),
                "resolution" => {
                    r.resolution = self.number("resolution", item, -1e9, 1e9);
                    if r.resolution == Some(0.0) {
                        self.fault(item.span(), "resolution is 0, which makes every value alike", "give the factor");
                    }
                }
                "offset" => r.offset = self.number("offset", item, -1e9, 1e9).unwrap_or(0.0),
                "channel" => r.channel = self.channel(item),
                "rate_hz" => r.rate_hz = self.number("rate_hz", item, 0.001, 1000.0),
                _ => r.source = self.words("source", item),
            }
        }
        r
    }

    fn obd_row(&mut self, span: Range<usize>, r: Row) {
        let (Some((pid, at)), Some(channel), Some(rate_hz)) = (r.number, r.channel, r.rate_hz) else {
            return self.fault(span, "an [[obd]] lacks its pid, channel or rate_hz", "give all three");
        };
        let pid = pid as u8;
        if obd::value(pid, &vec![0; obd::length(pid)], obd::Pid54::Signed, None).is_none() {
            let what = format!("PID {pid:02X} carries nothing this program can scale");
            return self.fault(at, what, "take one of 05 06 07 0B 0C 0D 0F 1F 2E 2F 32 33 42 46 53 54");
        }
        if self.layer.bus.obd.iter().any(|(o, _)| o.channel == channel) {
            return self.fault(span, format!("{channel} has two [[obd]]"), "leave one out");
        }
        if let Some((other, _)) = self.layer.bus.obd.iter().find(|(o, _)| o.pid == pid) {
            let what = format!("{channel} takes PID {pid:02X}, and {} does too", other.channel);
            return self.fault(span, what, "leave one out");
        }
        self.layer.bus.obd.push((ObdSource { pid, channel, rate_hz }, r.source));
    }

    fn did_row(&mut self, span: Range<usize>, r: Row) {
        let (Some((did, _)), Some(length), Some(channel), Some(rate_hz)) =
            (r.number.clone(), r.length, r.channel, r.rate_hz)
        else {
            return self.fault(span, "a [[did]] lacks its did, length, channel or rate_hz", "give all four");
        };
        let source = r.source.clone();
        let Some(field) = self.field(span.clone(), r, length) else { return };
        if self.layer.bus.did.iter().any(|(d, _)| d.channel == channel) {
            return self.fault(span, format!("{channel} has two [[did]]"), "leave one out");
        }
        if let Some((other, _)) = self.layer.bus.did.iter().find(|(d, _)| u32::from(d.did) == did && d.length != length)
        {
            let what = format!("identifier {did:04X} has {length} bytes here and {} elsewhere", other.length);
            return self.fault(span, what, "give its one length");
        }
        if let Some((other, _)) =
            self.layer.bus.did.iter().find(|(d, _)| u32::from(d.did) == did && d.field.shares(&field))
        {
            let what = format!("{channel} takes bits of identifier {did:04X} that {} takes too", other.channel);
            return self.fault(span, what, "give each its own bytes or mask");
        }
        self.layer.bus.did.push((DidSource { did: did as u16, length, field, channel, rate_hz }, source));
    }

    fn broadcast_row(&mut self, span: Range<usize>, r: Row) {
        let (Some(id), Some(channel), Some(rate_hz)) = (r.id, r.channel, r.rate_hz) else {
            return self.fault(span, "a [[broadcast]] lacks its id, channel or rate_hz", "give all three");
        };
        let source = r.source.clone();
        let Some(field) = self.field(span.clone(), r, 64) else { return };
        if let Some((other, _)) = self.layer.bus.broadcast.iter().find(|(b, _)| b.id == id && b.field.shares(&field)) {
            let what = format!("{channel} takes bits of frame {id} that {} takes too", other.channel);
            return self.fault(span, what, "give each its own bytes or mask");
        }
        if self.layer.bus.broadcast.iter().any(|(b, _)| b.channel == channel) {
            return self.fault(span, format!("{channel} has two [[broadcast]]"), "leave one out");
        }
        self.layer.bus.broadcast.push((BroadcastSource { id, field, channel, rate_hz }, source));
    }

    fn field(&mut self, span: Range<usize>, r: Row, room: u8) -> Option<Field> {
        let Some((first, last)) = r.bytes else {
            self.fault(span, "the row lacks its bytes", "write bytes = \"4-5\", counted from 1");
            return None;
        };
        let at = r.bytes_span.unwrap_or(span);
        if last > room {
            self.fault(at, format!("byte {last} lies beyond the {room} bytes there are"), "count from 1");
            return None;
        }
        if last - first > 7 {
            self.fault(at, "a number takes at most 8 bytes", "name the bytes of this number only");
            return None;
        }
        let whole = u64::MAX >> (64 - 8 * u32::from(last + 1 - first));
        let (mask, at) = r.mask.unwrap_or((whole, at));
        if mask == 0 || mask & !whole != 0 {
            let what = format!("mask {mask:X} does not fit bytes {first} to {last}");
            self.fault(at, what, format!("it must have bits, and none beyond {whole:X}"));
            return None;
        }
        let low = mask >> mask.trailing_zeros();
        if low & low.wrapping_add(1) != 0 {
            self.fault(at, format!("mask {mask:X} has a hole"), "a number's bits lie side by side");
            return None;
        }
        Some(Field {
            first,
            last,
            mask,
            low_first: r.low_first.unwrap_or(true),
            signed: r.signed,
            resolution: r.resolution.unwrap_or(1.0),
            offset: r.offset,
        })
    }

    fn whole(&mut self, what: &str, item: Item<'_, '_>, high: u64) -> Option<u64> {
        let found = match item.get_ref() {
            DeValue::Integer(i) => u64::from_str_radix(i.as_str(), i.radix()).ok().filter(|n| *n <= high),
            _ => None,
        };
        if found.is_none() {
            let right = format!("it must be a whole number from 0 to 0x{high:X}, as in 0x0C");
            self.fault(item.span(), format!("{what} cannot be read"), right);
        }
        found
    }

    fn one_word(&mut self, what: &str, item: Item<'_, '_>, yes: &str, no: &str) -> Option<bool> {
        let word = self.words(what, item)?;
        if word == yes || word == no {
            return Some(word == yes);
        }
        self.fault(item.span(), format!("{what} is \"{word}\""), format!("it must be \"{yes}\" or \"{no}\""));
        None
    }

    fn frame_id(&mut self, item: Item<'_, '_>) -> Option<Id> {
        let text = self.words("id", item)?;
        let number = u32::from_str_radix(&text, 16).ok().filter(|_| text.bytes().all(|b| b.is_ascii_hexdigit()));
        let id = match (text.len(), number) {
            (3, Some(n @ 0..=0x7FF)) => Some(Id::Standard(n as u16)),
            (8, Some(n @ 0..=0x1FFF_FFFF)) => Some(Id::Extended(n)),
            _ => None,
        };
        if id.is_none() {
            let right = "three hexadecimal digits up to 7FF, or eight up to 1FFFFFFF";
            self.fault(item.span(), format!("\"{text}\" is no identifier of a frame"), right);
        }
        id
    }

    fn byte_span(&mut self, item: Item<'_, '_>) -> Option<(u8, u8)> {
        let text = self.words("bytes", item)?;
        let (first, last) = text.split_once('-').unwrap_or((&text, &text));
        match (first.trim().parse::<u8>(), last.trim().parse::<u8>()) {
            (Ok(first), Ok(last)) if 1 <= first && first <= last => Some((first, last)),
            _ => {
                let right = "write one byte or two with a dash, counted from 1: \"4\" or \"4-5\"";
                self.fault(item.span(), format!("bytes is \"{text}\""), right);
                None
            }
        }
    }
}
