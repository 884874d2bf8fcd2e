//! The capture: append, recover, read. It knows records only.
//!
//! A capture is a folder: `session.toml` ([`SessionFile`], written and synced before the first record, never
//! changed) and `raw.pcapng`, later `raw.0002.pcapng` and so on, which are read in the order of their numbers. A
//! raw file may be compressed as a whole (RFC 8878, `.zst`). `seal.sha256` ([`check_seal`]) is written last.
//!
//! ## The layout of the raw files
//!
//! pcapng, little-endian, each file a section of its own with the same interfaces. Everything needed to read
//! the packets also follows from `session.toml`, so a damaged file head loses nothing.
//!
//! | interface | link type | packet data |
//! |---|---|---|
//! | 0 | 148 (USER1) | an event as a JSON object with a `kind`; an event of a link also has `"link":N` |
//! | N = 1, 2, … | 147 (USER0) | bytes of link N as they came |
//! | after those, one for each link of a CAN kind, in link order | 227 (SocketCAN) | a frame |
//!
//! A record is one enhanced packet block:
//!
//! - stamp: capture time in nanoseconds (`if_tsresol` 9, `if_tsoffset` = the UTC second of the anchor). A
//!   negative stamp, which only faulty input has, is stored as two's complement: it comes back unchanged here,
//!   and other readers show a date far in the future.
//! - `epb_flags` (option 2): outbound, for a CAN frame that this program sent; others have none.
//! - `epb_hash` (option 3): type 2, CRC-32/ISO-HDLC of the packet data, big-endian.
//! - `epb_packetid` (option 5): sequence number, consecutive from 0 through all files of a capture.
//! - option 0x8001 (local use): CRC-32/ISO-HDLC, big-endian, of the packet data followed by interface number,
//!   stamp (high, low) and sequence number as they stand in the block, and by an octet 2 if it was sent. The hash
//!   covers the data alone; without this a flipped bit in a stamp would be believed. A block without the option is
//!   read all the same, unless its number leaves out more records than could have stood in the damaged bytes before it.
//!
//! ## What survives
//!
//! A batch is one write. After a crash or a full disk everything up to the last whole block is read. After
//! damage in mid-file reading goes on at the next block that is wholly sound; the records between are counted by
//! their missing numbers and yielded as a gap. What was lost is said by [`Reader::losses`]. A block that claims
//! more than 16 MiB is damage.

mod error;
mod layout;
mod reader;
mod seal;
mod session_file;
mod shelve;
mod state;
#[cfg(test)]
mod tests;
mod walk;
mod window;
mod writer;

pub use error::{Error, Result};
pub use layout::MAX_DATA;
pub use reader::{Reader, is_capture};
pub use seal::{Seal, check as check_seal};
pub use session_file::SessionFile;
pub use shelve::{compress, mend};
pub use state::{State, look};
pub use walk::{Walk, walk};
pub use writer::{FileSink, Roll, Sink, Writer};

/// Name of the session file in a capture's folder.
pub const SESSION_FILE: &str = "session.toml";
/// Name of the first raw file in a capture's folder.
pub const RAW_FILE: &str = "raw.pcapng";
/// Name of the list of digests, written when a recording ended in order.
pub const SEAL_FILE: &str = "seal.sha256";
