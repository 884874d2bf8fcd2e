//! The append-only writer: a batch is one write, and either all of it is in the file or none.

use super::error::{Error, Result};
use super::layout::{
    Carries, EPB_PACKETID, EventOut, HASH_CRC32, MAX_DATA, OUTBOUND, STAMP_CHECK, interfaces, stamp_check,
};
use super::seal::{self, hex};
use super::session_file::{SessionFile, sync_folder};
use super::{RAW_FILE, SESSION_FILE};
use crate::record::{Body, Record};
use crate::time::Stamp;
use pcap_file::pcapng::PcapNgWriter;
use pcap_file::pcapng::blocks::enhanced_packet::{EnhancedPacketBlock, EnhancedPacketOption};
use pcap_file::pcapng::blocks::interface_description::{
    InterfaceDescriptionBlock, InterfaceDescriptionOption, InterfaceTsResolution,
};
use pcap_file::pcapng::blocks::opt_common::{CommonOption, UnknownOption};
use pcap_file::pcapng::blocks::section_header::{SectionHeaderBlock, SectionHeaderOption};
use pcap_file::{DataLink, Endianness};
use sha2::{Digest, Sha256};
use std::borrow::Cow;
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Where the writer puts its bytes. A test may put faults in the way.
pub trait Sink {
    /// Puts bytes at the end; may take fewer than given.
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize>;
    /// Makes what was written survive a power cut.
    fn sync(&mut self) -> io::Result<()>;
    /// Cuts back to `len` bytes.
    fn cut(&mut self, len: u64) -> io::Result<()>;
    /// A new one beside it, for the next file of the capture.
    fn next(&self, _path: &Path) -> io::Result<Self>
    where
        Self: Sized,
    {
        Err(io::ErrorKind::Unsupported.into())
    }
}

/// When the next file of a capture is begun.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Roll {
    /// The file has so many bytes.
    pub bytes: u64,
    /// Its first record is so old, nanoseconds of capture time.
    pub age_ns: i64,
}

impl Roll {
    /// Never.
    pub const NEVER: Roll = Roll { bytes: u64::MAX, age_ns: i64::MAX };
}

/// A file, opened so that it can only grow at its end.
#[derive(Debug)]
pub struct FileSink(File);

impl FileSink {
    /// Creates the file; fails if it is there.
    pub fn create(path: &Path) -> io::Result<FileSink> {
        OpenOptions::new().append(true).create_new(true).open(path).map(FileSink)
    }
}

impl Sink for FileSink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }
    fn sync(&mut self) -> io::Result<()> {
        self.0.sync_data()
    }
    fn cut(&mut self, len: u64) -> io::Result<()> {
        self.0.set_len(len)
    }
    fn next(&self, path: &Path) -> io::Result<FileSink> {
        FileSink::create(path)
    }
}

/// Appends records to `raw.pcapng`, and to the files that follow it.
pub struct Writer<S: Sink = FileSink> {
    sink: S,
    path: PathBuf,
    encoder: PcapNgWriter<Vec<u8>>,
    json: Vec<u8>,
    interfaces: Vec<Carries>,
    anchor: Duration,
    next_seq: u64,
    /// Length of the file up to the last whole block.
    sound: u64,
    /// Bytes after `sound` could not be cut off yet.
    torn: bool,
    /// The head of each file.
    head: Vec<u8>,
    roll: Roll,
    number: u32,
    /// Stamp of the file's first record.
    began: Option<Stamp>,
    /// A sync failed: what was written may not be there, and what follows goes to a new file.
    unsure: bool,
    /// Of the file so far.
    hash: Sha256,
    /// Names and digests of the files before it, and their length.
    before: Vec<(String, String)>,
    bytes_before: u64,
}

impl Writer<FileSink> {
    /// Begins a capture: the folder, `session.toml` and the head of `raw.pcapng`, all synced. Fails if a capture
    /// is there already.
    pub fn create(dir: &Path, session: &SessionFile) -> Result<Writer<FileSink>> {
        session.write(dir)?;
        let path = dir.join(RAW_FILE);
        let sink = FileSink::create(&path).map_err(|source| Error::Io {
            path: path.clone(),
            doing: "create the file for the raw records",
            source,
        })?;
        let writer = Writer::with_sink(sink, path, session)?;
        sync_folder(dir)?;
        Ok(writer)
    }
}

impl<S: Sink> Writer<S> {
    /// Writes and syncs the head of a raw file into a sink; `path` is for messages.
    pub fn with_sink(sink: S, path: PathBuf, session: &SessionFile) -> Result<Writer<S>> {
        let refused = |what: String| Error::Refused { path: path.clone(), what };
        let anchor = u64::try_from(session.anchor_utc_ns).map_err(|_| {
            refused("the clock says a date before 1970; set the clock of this machine and start again".to_string())
        })?;
        let anchor = Duration::from_secs(anchor / 1_000_000_000);
        let interfaces = interfaces(session);
        if session.links.len() > usize::from(u16::MAX) {
            return Err(refused(format!("{} links; at most 65535 can be numbered", session.links.len())));
        }
        let encoder = head(session, &interfaces, anchor)
            .map_err(|e| refused(format!("the file's head cannot hold these links: {e}; give shorter names")))?;
        let mut writer = Writer {
            sink,
            path,
            head: encoder.get_ref().clone(),
            encoder,
            json: Vec::new(),
            interfaces,
            anchor,
            next_seq: 0,
            sound: 0,
            torn: false,
            roll: Roll::NEVER,
            number: 1,
            began: None,
            unsure: false,
            hash: Sha256::new(),
            before: Vec::new(),
            bytes_before: 0,
        };
        writer.flush("write the head of the raw records")?;
        writer.sync()?;
        Ok(writer)
    }

    /// Begins a new file whenever one is full.
    pub fn rolling(mut self, roll: Roll) -> Writer<S> {
        self.roll = roll;
        self
    }

    /// Appends a batch in one write and gives its records consecutive numbers.
    ///
    /// On an error nothing of the batch is in the file and no number is used up: the batch may be tried again, or
    /// given up and a gap event appended later. (If the system refuses the cut back too, it is done before the
    /// next write; until then a reader sees what is whole of the batch.) An empty batch writes nothing.
    pub fn append(&mut self, records: &mut [Record]) -> Result<()> {
        if records.is_empty() {
            return Ok(());
        }
        let now = records.iter().map(|r| r.at).max().unwrap_or_default();
        let old = self.began.is_some_and(|began| now.0.saturating_sub(began.0) >= self.roll.age_ns);
        if self.began.is_some() && (old || self.unsure || self.sound >= self.roll.bytes) {
            self.next_file();
        }
        self.encoder.get_mut().clear();
        for (seq, record) in (self.next_seq..).zip(records.iter()) {
            self.encode(record, seq).map_err(|what| Error::Refused { path: self.path.clone(), what })?;
        }
        self.flush("write records")?;
        for record in records {
            record.seq = self.next_seq;
            self.next_seq += 1;
        }
        self.began.get_or_insert(now);
        Ok(())
    }

    /// Goes on in a new file. Where that cannot be begun, or the old one cannot be finished, it goes on in the old
    /// one, and tries again with the next batch.
    fn next_file(&mut self) {
        let path = self.path.with_file_name(format!("raw.{:04}.pcapng", self.number + 1));
        if self.torn && self.sink.cut(self.sound).is_err() {
            return;
        }
        self.torn = false;
        // A file that could not be synced is left as it is: that is why a new one is begun.
        if self.sink.sync().is_err() && !self.unsure {
            return;
        }
        let Ok(sink) = self.sink.next(&path) else { return };
        let old = std::mem::replace(&mut self.sink, sink);
        let sound = std::mem::take(&mut self.sound);
        self.encoder.get_mut().clone_from(&self.head);
        let hash = std::mem::take(&mut self.hash);
        if self.flush("begin the next file").and_then(|()| self.sync()).is_err() {
            (self.sink, self.sound, self.hash, self.torn) = (old, sound, hash, false);
            // A head that is not whole would only be told as damage.
            let _ = std::fs::remove_file(&path);
            return;
        }
        self.before.push((file_name(&self.path), hex(&hash.finalize())));
        self.bytes_before += sound;
        (self.path, self.number, self.began, self.unsure) = (path, self.number + 1, None, false);
    }

    /// Ends the capture: writes the digests of its files beside them. Nothing may be appended after it.
    pub fn seal(&mut self) -> Result<()> {
        let failed = |path: &Path, source| Error::Io { path: path.to_path_buf(), doing: "end the capture", source };
        if self.torn {
            self.sink.cut(self.sound).map_err(|e| failed(&self.path, e))?;
            self.torn = false;
        }
        let dir = self.path.parent().unwrap_or(Path::new("."));
        let mut files = vec![(SESSION_FILE.to_owned(), seal::digest_of(&dir.join(SESSION_FILE))?)];
        files.append(&mut self.before.clone());
        files.push((file_name(&self.path), hex(&self.hash.clone().finalize())));
        seal::write(dir, &files)
    }

    /// Makes everything appended so far survive a power cut. After an error do not trust that it will: the system
    /// may have dropped what it could not write.
    pub fn sync(&mut self) -> Result<()> {
        self.sink.sync().map_err(|source| {
            self.unsure = true;
            Error::Io { path: self.path.clone(), doing: "make sure that the records are on the disk", source }
        })
    }

    /// The number the next record will get, which is how many were written.
    pub fn next_seq(&self) -> u64 {
        self.next_seq
    }

    /// Length of all files in bytes, up to the last whole block.
    pub fn bytes(&self) -> u64 {
        self.bytes_before + self.sound
    }

    /// The raw file that is written now.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn encode(&mut self, record: &Record, seq: u64) -> std::result::Result<(), String> {
        let (carries, data) = match &record.body {
            Body::Bytes(bytes) => (Carries::Bytes(record.link), bytes.as_slice()),
            Body::Can(frame) | Body::CanSent(frame) => (Carries::Frames(record.link), frame.as_slice()),
            Body::Event(event) => {
                let known = record.link == 0 || self.interfaces.contains(&Carries::Bytes(record.link));
                if !known {
                    return Err(format!("an event of link {}, which the session does not have", record.link));
                }
                self.json.clear();
                serde_json::to_writer(&mut self.json, &EventOut { link: record.link, event })
                    .map_err(|e| format!("an event cannot be kept as JSON: {e}"))?;
                (Carries::Events, self.json.as_slice())
            }
        };
        let Some(interface) = self.interfaces.iter().position(|i| *i == carries) else {
            return Err(match carries {
                Carries::Frames(link) => format!("a CAN frame of link {link}, which is no CAN link of the session"),
                _ => format!("bytes of link {}, which the session does not have", record.link),
            });
        };
        if data.len() > MAX_DATA {
            return Err(format!("a record of {} bytes; the most is {MAX_DATA}, split it", data.len()));
        }
        // A negative stamp goes in as two's complement and comes back unchanged.
        let stamp = record.at.0.cast_unsigned();
        let crc = crc32fast::hash(data);
        let mut hash = [HASH_CRC32; 5];
        hash[1..].copy_from_slice(&crc.to_be_bytes());
        let mut head = [0; 12];
        head[..4].copy_from_slice(&(interface as u32).to_le_bytes());
        head[4..8].copy_from_slice(&((stamp >> 32) as u32).to_le_bytes());
        head[8..].copy_from_slice(&(stamp as u32).to_le_bytes());
        let sent = matches!(record.body, Body::CanSent(_));
        let check = stamp_check(crc, head, seq, sent).to_be_bytes();
        let number = seq.to_le_bytes();
        let other = |code, value| EnhancedPacketOption::Common(CommonOption::Unknown(UnknownOption::new(code, value)));
        let block = EnhancedPacketBlock {
            interface_id: interface as u32,
            timestamp: self.anchor + Duration::from_nanos(stamp),
            original_len: data.len() as u32,
            data: Cow::Borrowed(data),
            options: [
                Some(EnhancedPacketOption::Hash(Cow::Borrowed(&hash))),
                sent.then_some(EnhancedPacketOption::Flags(OUTBOUND)),
                Some(other(EPB_PACKETID, &number)),
                Some(other(STAMP_CHECK, &check)),
            ]
            .into_iter()
            .flatten()
            .collect(),
        };
        self.encoder.write_pcapng_block(block).map(drop).map_err(|e| e.to_string())
    }

    /// Puts what the encoder holds at the end of the file, all or nothing.
    fn flush(&mut self, doing: &'static str) -> Result<()> {
        let failed = |path: &Path, source| Error::Io { path: path.to_path_buf(), doing, source };
        if self.torn {
            self.sink.cut(self.sound).map_err(|e| failed(&self.path, e))?;
            self.torn = false;
        }
        let mut rest = self.encoder.get_ref().as_slice();
        while !rest.is_empty() {
            let source = match self.sink.write(rest) {
                Ok(0) => io::ErrorKind::WriteZero.into(),
                Ok(n) => {
                    rest = &rest[n.min(rest.len())..];
                    continue;
                }
                Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
                Err(e) => e,
            };
            // If the cut fails too it is tried again first thing next time; a reader copes with the torn end.
            self.torn = self.sink.cut(self.sound).is_err();
            return Err(failed(&self.path, source));
        }
        self.hash.update(self.encoder.get_ref());
        self.sound += self.encoder.get_ref().len() as u64;
        Ok(())
    }
}

fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// The section and its interfaces, left in the encoder's buffer.
fn head(
    session: &SessionFile,
    interfaces: &[Carries],
    anchor: Duration,
) -> std::result::Result<PcapNgWriter<Vec<u8>>, pcap_file::pcapng::PcapNgWriteError> {
    let section = SectionHeaderBlock {
        endianness: Endianness::Little,
        options: vec![SectionHeaderOption::UserApplication(Cow::Owned(format!("soakwatch {}", session.version)))],
        ..Default::default()
    };
    let mut encoder = PcapNgWriter::with_section_header(Vec::new(), section)?;
    for carries in interfaces {
        let name = match carries {
            Carries::Events => "session".to_string(),
            Carries::Bytes(id) | Carries::Frames(id) => {
                session.links.get(usize::from(*id) - 1).map_or(String::new(), |l| format!("{}:{}", l.kind, l.name))
            }
        };
        encoder.write_pcapng_block(InterfaceDescriptionBlock {
            linktype: DataLink::from(u32::from(carries.link_type())),
            snaplen: 0,
            options: vec![
                InterfaceDescriptionOption::IfName(Cow::Owned(name)),
                InterfaceDescriptionOption::IfTsResol(InterfaceTsResolution::NANO),
                InterfaceDescriptionOption::IfTsOffset(anchor.as_secs().cast_signed()),
            ],
        })?;
    }
    Ok(encoder)
}
