//! The written layout: which interface is whose, and how one block is taken apart and checked.
//!
//! Taken apart by hand: the library that writes stops at the first damage and allocates for every packet.

use super::session_file::SessionFile;
use crate::record::{Event, LinkId};
use serde::{Deserialize, Serialize};
use std::fmt;

/// A block that claims more is damage.
pub(super) const MAX_BLOCK: usize = 16 << 20;
/// The most packet data one record may hold, bytes.
pub const MAX_DATA: usize = 1 << 20;

pub(super) const SECTION: u32 = 0x0A0D_0D0A;
pub(super) const INTERFACE: u32 = 1;
pub(super) const PACKET: u32 = 6;

/// Link types, by the registry of the pcap formats.
pub(super) const USER0: u16 = 147;
pub(super) const USER1: u16 = 148;
pub(super) const SOCKETCAN: u16 = 227;

/// Option codes.
pub(super) const EPB_FLAGS: u16 = 2;
pub(super) const EPB_HASH: u16 = 3;
pub(super) const EPB_PACKETID: u16 = 5;
pub(super) const STAMP_CHECK: u16 = 0x8001;
pub(super) const IF_TSOFFSET: u16 = 14;
/// `epb_flags`: bits of the direction, and what they hold for a packet that was sent.
pub(super) const DIRECTION: u32 = 0b11;
pub(super) const OUTBOUND: u32 = 0b10;
/// `epb_hash`: first octet for a CRC-32.
pub(super) const HASH_CRC32: u8 = 2;

/// What an interface carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Carries {
    Events,
    Bytes(LinkId),
    Frames(LinkId),
}

impl Carries {
    pub(super) fn link_type(self) -> u16 {
        match self {
            Carries::Events => USER1,
            Carries::Bytes(_) => USER0,
            Carries::Frames(_) => SOCKETCAN,
        }
    }
}

/// The interfaces of a capture, which follow from its links.
pub(super) fn interfaces(session: &SessionFile) -> Vec<Carries> {
    let ids = || (1..=LinkId::MAX).zip(&session.links);
    let mut all = vec![Carries::Events];
    all.extend(ids().map(|(id, _)| Carries::Bytes(id)));
    all.extend(ids().filter(|(_, l)| matches!(l.kind.as_str(), "can" | "slcan")).map(|(id, _)| Carries::Frames(id)));
    all
}

/// An event as it is written: the session's own ones are the bare event.
#[derive(Serialize)]
pub(super) struct EventOut<'a> {
    #[serde(skip_serializing_if = "is_session")]
    pub link: LinkId,
    #[serde(flatten)]
    pub event: &'a Event,
}

/// An event as it is read.
#[derive(Deserialize)]
pub(super) struct EventIn {
    #[serde(default)]
    pub link: LinkId,
    #[serde(flatten)]
    pub event: Event,
}

fn is_session(link: &LinkId) -> bool {
    *link == 0
}

/// The check over data, interface, stamp and number, given the CRC of the data; `head` is the block's first
/// three fields. Of a packet that was sent it covers that too, by one more octet.
pub(super) fn stamp_check(data_crc: u32, head: [u8; 12], seq: u64, sent: bool) -> u32 {
    let mut all = [0; 20];
    all[..12].copy_from_slice(&head);
    all[12..].copy_from_slice(&seq.to_le_bytes());
    let mut crc = crc32fast::Hasher::new_with_initial(data_crc);
    crc.update(&all);
    if sent {
        crc.update(&[OUTBOUND as u8]);
    }
    crc.finalize()
}

/// Why a place in the file is not believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Why {
    CutShort,
    Length,
    Options,
    Interface,
    NoHash,
    Hash,
    NoNumber,
    Stamp,
    Event,
    Repeated,
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Why::CutShort => "the file ends inside a block",
            Why::Length => "no block begins there",
            Why::Options => "a block's options are broken",
            Why::Interface => "a block names a link that session.toml does not have",
            Why::NoHash => "a block has no hash",
            Why::Hash => "a block's hash does not fit its data",
            Why::NoNumber => "a block has no sequence number",
            Why::Stamp => "a block's stamp or number does not fit its check",
            Why::Event => "an event is of a kind that this version does not know, a newer one may",
            Why::Repeated => "a record is there twice or out of order",
        })
    }
}

/// What stands at the beginning of some bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Frame {
    /// A whole block of this type and length.
    Block(u32, usize),
    /// So many bytes are needed to tell.
    Needs(usize),
    /// No block.
    Bad,
}

/// Looks at a block's type and both its lengths.
pub(super) fn frame(bytes: &[u8]) -> Frame {
    let (Some(kind), Some(len)) = (u32_at(bytes, 0), u32_at(bytes, 4)) else { return Frame::Needs(8) };
    let len = len as usize;
    if !(12..=MAX_BLOCK).contains(&len) || !len.is_multiple_of(4) {
        return Frame::Bad;
    }
    match u32_at(bytes, len - 4) {
        None => Frame::Needs(len),
        Some(trailing) if trailing as usize == len => Frame::Block(kind, len),
        Some(_) => Frame::Bad,
    }
}

/// One packet block that is sound; the data is a range of the block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Packet {
    pub interface: u32,
    pub at_ns: i64,
    pub seq: u64,
    /// By this program.
    pub sent: bool,
    pub data_len: usize,
    /// Stamp and number have a check of their own.
    pub checked: bool,
}

/// Where packet data begins in its block.
pub(super) const DATA: usize = 28;

impl Packet {
    /// The packet data within its block.
    pub(super) fn data<'a>(&self, block: &'a [u8]) -> &'a [u8] {
        block.get(DATA..DATA + self.data_len).unwrap_or_default()
    }
}

/// Takes a whole packet block apart and checks it.
pub(super) fn packet(block: &[u8], interfaces: usize) -> Result<Packet, Why> {
    let field = |at| u32_at(block, at).ok_or(Why::Length);
    let (interface, high, low, data_len) = (field(8)?, field(12)?, field(16)?, field(20)? as usize);
    let options_at = data_len.checked_next_multiple_of(4).and_then(|n| n.checked_add(DATA)).ok_or(Why::Length)?;
    let data = block.get(DATA..DATA.saturating_add(data_len)).ok_or(Why::Length)?;
    let options = block.get(options_at..block.len() - 4).ok_or(Why::Length)?;
    let (mut hash, mut seq, mut check, mut sent) = (None, None, None, false);
    let mut options = Options::of(options);
    for option in &mut options {
        match option {
            (EPB_HASH, [HASH_CRC32, a, b, c, d]) => hash = Some(u32::from_be_bytes([*a, *b, *c, *d])),
            (EPB_FLAGS, v) => {
                let flags = v.try_into().map(u32::from_le_bytes).map_err(|_| Why::Options)?;
                sent = flags & DIRECTION == OUTBOUND;
            }
            (EPB_PACKETID, v) => seq = v.try_into().ok().map(u64::from_le_bytes),
            (STAMP_CHECK, v) => check = Some(v.try_into().map(u32::from_be_bytes).map_err(|_| Why::Options)?),
            _ => {}
        }
    }
    if options.broken {
        return Err(Why::Options);
    }
    let crc = crc32fast::hash(data);
    if hash.ok_or(Why::NoHash)? != crc {
        return Err(Why::Hash);
    }
    let seq = seq.ok_or(Why::NoNumber)?;
    let head = *block[8..].first_chunk().ok_or(Why::Length)?;
    if check.is_some_and(|c| c != stamp_check(crc, head, seq, sent)) {
        return Err(Why::Stamp);
    }
    if interface as usize >= interfaces {
        return Err(Why::Interface);
    }
    let at_ns = (u64::from(high) << 32 | u64::from(low)).cast_signed();
    Ok(Packet { interface, at_ns, seq, sent, data_len, checked: check.is_some() })
}

/// The options of a block.
pub(super) struct Options<'a> {
    rest: &'a [u8],
    /// An option runs over the end; set once the iterator is through.
    pub broken: bool,
}

impl<'a> Options<'a> {
    pub(super) fn of(bytes: &'a [u8]) -> Options<'a> {
        Options { rest: bytes, broken: false }
    }
}

impl<'a> Iterator for Options<'a> {
    type Item = (u16, &'a [u8]);

    fn next(&mut self) -> Option<(u16, &'a [u8])> {
        let rest = std::mem::take(&mut self.rest);
        let Some((head, rest)) = rest.split_first_chunk() else {
            self.broken = !rest.is_empty();
            return None;
        };
        let head = u32::from_le_bytes(*head);
        let (code, len) = (head as u16, (head >> 16) as usize);
        if code == 0 {
            return None;
        }
        let Some(after) = rest.get(len.next_multiple_of(4)..) else {
            self.broken = true;
            return None;
        };
        self.rest = after;
        Some((code, &rest[..len]))
    }
}

pub(super) fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    bytes.get(at..)?.first_chunk().map(|b| u32::from_le_bytes(*b))
}
