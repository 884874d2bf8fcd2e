//! Reading a capture back: every sound record in order, and a plain word for each that is lost.

use super::error::{Error, Result};
use super::layout::{
    Carries, EventIn, Frame, IF_TSOFFSET, INTERFACE, Options, PACKET, Packet, SECTION, Why, frame, interfaces, packet,
};
use super::session_file::SessionFile;
use super::window::Window;
use super::{RAW_FILE, SESSION_FILE};
use crate::record::{Body, Event, Record};
use crate::time::Stamp;
use std::collections::VecDeque;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// More sentences than this are only counted: a hostile file must not fill the memory.
const MAX_LOSSES: usize = 200;

/// No packet block with a hash and a number takes fewer bytes.
const SHORTEST_PACKET: u64 = 60;

/// By how much records shrink, roughly: for the bar of progress.
const USUAL_RATIO: u64 = 4;

/// Whether a folder is a capture: it holds `raw.pcapng` or `raw.pcapng.zst`.
pub fn is_capture(dir: &Path) -> bool {
    dir.join(RAW_FILE).is_file() || dir.join(format!("{RAW_FILE}.zst")).is_file()
}

/// Reads the records of a capture in order, with constant memory.
///
/// Use [`Reader::next_into`] for speed, or the iterator. Records that are lost in between are yielded as one
/// [`Event::Gap`] of link 0, stamped with the last good moment and numbered as the first lost record.
pub struct Reader {
    session: SessionFile,
    interfaces: Vec<Carries>,
    waiting: VecDeque<(PathBuf, Box<dyn Read + Send>)>,
    window: Option<Window>,
    /// Interface descriptions seen in this section.
    described: usize,
    total: u64,
    done_before: u64,
    expected: u64,
    last: Stamp,
    ended: bool,
    finished: bool,
    damage: Option<Damage>,
    losses: Vec<String>,
    more_losses: u64,
    /// A byte buffer kept while the caller's record holds an event.
    spare: Vec<u8>,
}

/// Damage that no sound record has followed yet.
struct Damage {
    place: String,
    bytes: u64,
}

impl Reader {
    /// Opens the capture in a folder.
    pub fn open(dir: &Path) -> Result<Reader> {
        let segments = segments(dir)?;
        let session = SessionFile::read(dir)?;
        // What is in a compressed file is longer, by how much is not known before.
        let total = segments.iter().map(|s| if s.compressed { s.len * USUAL_RATIO } else { s.len }).sum();
        let files: Result<VecDeque<_>> = segments.iter().map(|s| Ok((s.path.clone(), open_plain(s)?))).collect();
        Ok(Reader::over(session, files?, total))
    }

    /// Over any sources, in order, with names for messages; `total` is their length in bytes if known.
    pub fn over(session: SessionFile, waiting: VecDeque<(PathBuf, Box<dyn Read + Send>)>, total: u64) -> Reader {
        Reader {
            interfaces: interfaces(&session),
            session,
            waiting,
            window: None,
            described: 0,
            total,
            done_before: 0,
            expected: 0,
            last: Stamp::ZERO,
            ended: false,
            finished: false,
            damage: None,
            losses: Vec::new(),
            more_losses: 0,
            spare: Vec::new(),
        }
    }

    /// The session file of the capture.
    pub fn session(&self) -> &SessionFile {
        &self.session
    }

    /// Bytes read so far, and bytes in all.
    pub fn progress(&self) -> (u64, u64) {
        let done = self.done_before + self.window.as_ref().map_or(0, Window::offset);
        (done, self.total.max(done))
    }

    /// Whether the last record read says that the capture was ended in order.
    pub fn ended(&self) -> bool {
        self.ended
    }

    /// What was lost, in sentences with file and byte; complete once the records are all read.
    pub fn losses(&self) -> &[String] {
        &self.losses
    }

    /// Puts the next record into `record`, whose buffer is used again; false at the end.
    pub fn next_into(&mut self, record: &mut Record) -> Result<bool> {
        let outcome = self.advance(record);
        if !matches!(outcome, Ok(true)) && !self.finished {
            self.finish();
        }
        outcome
    }

    fn advance(&mut self, record: &mut Record) -> Result<bool> {
        while !self.finished {
            let Some((packet, len)) = self.find_packet()? else { return Ok(false) };
            if packet.seq < self.expected {
                self.damaged(Why::Repeated, len);
                continue;
            }
            // Bytes that fell out can take the check with them and leave a number that is none; believed, it would cost
            // all that follows.
            let fell_out = self.damage.as_ref().map_or(0, |d| d.bytes / SHORTEST_PACKET);
            if !packet.checked && packet.seq - self.expected > fell_out {
                self.damaged(Why::Stamp, len);
                continue;
            }
            if let Some(gap) = self.settle(&packet) {
                let (at, seq) = (self.last, self.expected);
                self.keep_buffer(record);
                *record = Record { at, link: 0, seq, body: Body::Event(gap) };
                self.expected = packet.seq;
                return Ok(true);
            }
            if let Err(why) = self.fill(record, &packet, len) {
                self.damaged(why, len);
                continue;
            }
            record.at = Stamp(packet.at_ns);
            record.seq = packet.seq;
            self.ended = matches!(record.body, Body::Event(Event::End { .. }));
            self.last = record.at;
            self.expected = packet.seq.saturating_add(1);
            self.skip(len);
            return Ok(true);
        }
        Ok(false)
    }

    /// The next sound packet block, which stays at the beginning of the window; `None` after the last file.
    fn find_packet(&mut self) -> Result<Option<(Packet, usize)>> {
        loop {
            let Some(window) = &mut self.window else {
                let Some((path, source)) = self.waiting.pop_front() else { return Ok(None) };
                self.window = Some(Window::new(path, source));
                self.described = 0;
                continue;
            };
            match frame(window.bytes()) {
                Frame::Block(PACKET, len) => match packet(&window.bytes()[..len], self.interfaces.len()) {
                    Ok(packet) => return Ok(Some((packet, len))),
                    Err(why) => self.search(why)?,
                },
                Frame::Block(kind, len) => {
                    self.check_head(kind, len);
                    self.skip(len);
                }
                Frame::Needs(n) => {
                    if window.holds(n)? {
                        continue;
                    }
                    if window.bytes().is_empty() {
                        self.done_before += window.offset();
                        self.window = None;
                    } else {
                        self.search(Why::CutShort)?;
                    }
                }
                Frame::Bad => self.search(Why::Length)?,
            }
        }
    }

    /// Moves on from a place that is no sound block to the next that is, or to the end of the file.
    fn search(&mut self, why: Why) -> Result<()> {
        let interfaces = self.interfaces.len();
        let Some(window) = &mut self.window else { return Ok(()) };
        let from = window.offset();
        let place = format!("{} at byte {from}: {why}", window.name());
        window.skip(1);
        'search: while window.holds(4)? {
            let candidate = window.bytes().windows(4).position(|w| {
                let kind = u32::from_le_bytes([w[0], w[1], w[2], w[3]]);
                kind == PACKET || kind == SECTION
            });
            let Some(at) = candidate else {
                window.skip(window.bytes().len() - 3);
                continue;
            };
            window.skip(at);
            loop {
                match frame(window.bytes()) {
                    Frame::Needs(n) if window.holds(n)? => {}
                    Frame::Block(SECTION, len) if is_section(&window.bytes()[..len]) => break 'search,
                    Frame::Block(PACKET, len) if packet(&window.bytes()[..len], interfaces).is_ok() => break 'search,
                    _ => {
                        window.skip(1);
                        continue 'search;
                    }
                }
            }
        }
        if !window.holds(4)? {
            window.skip(4);
        }
        let bytes = window.offset() - from;
        self.note(place, bytes);
        Ok(())
    }

    /// Passes over a block that is sound in form but cannot be handed on.
    fn damaged(&mut self, why: Why, len: usize) {
        if let Some(window) = &self.window {
            let place = format!("{} at byte {}: {why}", window.name(), window.offset());
            self.note(place, len as u64);
        }
        self.skip(len);
    }

    fn note(&mut self, place: String, bytes: u64) {
        match &mut self.damage {
            Some(damage) => damage.bytes += bytes,
            None => self.damage = Some(Damage { place, bytes }),
        }
    }

    /// A sound packet is found: says what was lost before it, and gives the gap if records are missing.
    fn settle(&mut self, packet: &Packet) -> Option<Event> {
        let count = packet.seq - self.expected;
        let damage = self.damage.take();
        if count == 0 {
            if let Some(Damage { place, bytes }) = damage {
                self.lost(format!("{place}; {bytes} bytes were left out, no record is missing"));
            }
            return None;
        }
        let place = damage.map_or_else(
            || {
                let (name, offset) = self.window.as_ref().map_or((String::new(), 0), |w| (w.name(), w.offset()));
                format!("{name} before byte {offset}: the sequence numbers jump")
            },
            |d| d.place,
        );
        let which = match count {
            1 => format!("record {} is missing", self.expected),
            _ => format!("records {} to {} ({count}) are missing", self.expected, packet.seq - 1),
        };
        let cause = format!("{place}; {which}");
        self.lost(cause.clone());
        Some(Event::Gap { from_ns: self.last.0, to_ns: packet.at_ns, count, cause })
    }

    fn finish(&mut self) {
        self.finished = true;
        let after = match self.expected {
            _ if self.ended => "they come after the capture's end".to_string(),
            0 => "there is no whole record in it".to_string(),
            n => format!("what came after record {} is not known", n - 1),
        };
        if let Some(Damage { place, bytes }) = self.damage.take() {
            self.lost(format!("{place}; the last {bytes} bytes were left out, {after}"));
        } else if !self.ended {
            self.lost(format!("the capture was not ended in order: {after}"));
        }
        if self.more_losses > 0 {
            self.losses.push(format!("{} more losses are not listed", self.more_losses));
        }
    }

    fn lost(&mut self, sentence: String) {
        if self.losses.len() < MAX_LOSSES {
            self.losses.push(sentence);
        } else {
            self.more_losses += 1;
        }
    }

    /// Reads body and link out of the packet at the beginning of the window.
    fn fill(&mut self, record: &mut Record, packet: &Packet, len: usize) -> std::result::Result<(), Why> {
        let carries = *self.interfaces.get(packet.interface as usize).ok_or(Why::Interface)?;
        let block = self.window.as_ref().and_then(|w| w.bytes().get(..len)).unwrap_or_default();
        let data = packet.data(block);
        if carries == Carries::Events {
            let EventIn { link, event } = serde_json::from_slice(data).map_err(|_| Why::Event)?;
            if usize::from(link) > self.session.links.len() {
                return Err(Why::Interface);
            }
            record.link = link;
            keep(&mut self.spare, record);
            record.body = Body::Event(event);
            return Ok(());
        }
        let mut buffer = match &mut record.body {
            Body::Bytes(v) | Body::Can(v) | Body::CanSent(v) => std::mem::take(v),
            Body::Event(_) => std::mem::take(&mut self.spare),
        };
        buffer.clear();
        buffer.extend_from_slice(data);
        (record.link, record.body) = match carries {
            Carries::Frames(link) if packet.sent => (link, Body::CanSent(buffer)),
            Carries::Frames(link) => (link, Body::Can(buffer)),
            Carries::Bytes(link) => (link, Body::Bytes(buffer)),
            Carries::Events => return Err(Why::Interface),
        };
        Ok(())
    }

    fn keep_buffer(&mut self, record: &mut Record) {
        keep(&mut self.spare, record);
    }

    /// Looks at a block that is no packet. The interfaces are known from the session file: a head that says
    /// otherwise is named, and the session file believed.
    fn check_head(&mut self, kind: u32, len: usize) {
        let Some(window) = &self.window else { return };
        let block = &window.bytes()[..len];
        match kind {
            SECTION => self.described = 0,
            INTERFACE => {
                let known = self.interfaces.get(self.described);
                self.described += 1;
                let link_type = block.get(8..10).map(|b| u16::from_le_bytes([b[0], b[1]]));
                let offset = Options::of(block.get(16..len - 4).unwrap_or_default())
                    .find(|(code, _)| *code == IF_TSOFFSET)
                    .and_then(|(_, v)| v.try_into().ok().map(i64::from_le_bytes));
                let anchor = self.session.anchor_utc_ns.div_euclid(1_000_000_000);
                if known.map(|c| c.link_type()) != link_type || offset != Some(anchor) {
                    let place = format!("{} at byte {}", window.name(), window.offset());
                    self.lost(format!(
                        "{place}: interface {} is not described as in {SESSION_FILE}, which was believed; \
                         if many are so, the two files may be of different captures",
                        self.described - 1
                    ));
                }
            }
            _ => {}
        }
    }

    fn skip(&mut self, len: usize) {
        if let Some(window) = &mut self.window {
            window.skip(len);
        }
    }
}

impl Iterator for Reader {
    type Item = Result<Record>;

    fn next(&mut self) -> Option<Result<Record>> {
        let mut record = Record { at: Stamp::ZERO, link: 0, seq: 0, body: Body::Bytes(Vec::new()) };
        match self.next_into(&mut record) {
            Ok(true) => Some(Ok(record)),
            Ok(false) => None,
            Err(e) => Some(Err(e)),
        }
    }
}

/// Keeps the buffer of a record that is about to become an event.
fn keep(spare: &mut Vec<u8>, record: &mut Record) {
    if let Body::Bytes(v) | Body::Can(v) | Body::CanSent(v) = &mut record.body {
        *spare = std::mem::take(v);
    }
}

fn is_section(block: &[u8]) -> bool {
    block.len() >= 28 && block[8..12] == [0x4D, 0x3C, 0x2B, 0x1A]
}

/// One raw file of a capture.
pub(super) struct Segment {
    /// Its name when it is not compressed.
    pub(super) name: String,
    pub(super) path: PathBuf,
    pub(super) compressed: bool,
    file: File,
    pub(super) len: u64,
}

/// The raw files of a capture in the order of their numbers; all can be opened.
pub(super) fn segments(dir: &Path) -> Result<Vec<Segment>> {
    let io = |path: &Path, doing| {
        let path = path.to_path_buf();
        move |source| Error::Io { path, doing, source }
    };
    let mut found = Vec::new();
    for entry in fs::read_dir(dir).map_err(io(dir, "look into the capture's folder"))? {
        let path = entry.map_err(io(dir, "look into the capture's folder"))?.path();
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let (plain, compressed) = match name.strip_suffix(".zst") {
            Some(plain) => (plain, true),
            None => (name.as_str(), false),
        };
        if let Some(number) = number_of(plain) {
            found.push((number, compressed, plain.to_owned(), path));
        }
    }
    // The plain file of a number comes first and makes its compressed twin needless.
    found.sort();
    found.dedup_by_key(|(number, ..)| *number);
    if found.first().is_none_or(|(number, ..)| *number != 1) {
        return Err(Error::NoCapture { path: dir.to_path_buf() });
    }
    found
        .into_iter()
        .map(|(_, compressed, name, path)| {
            let file = File::open(&path).map_err(io(&path, "open the raw records"))?;
            let len = file.metadata().map_err(io(&path, "open the raw records"))?.len();
            Ok(Segment { name, path, compressed, file, len })
        })
        .collect()
}

/// What is in a raw file, taken out of its compression.
pub(super) fn open_plain(segment: &Segment) -> Result<Box<dyn Read + Send>> {
    let failed = |source| Error::Io { path: segment.path.clone(), doing: "open the raw records", source };
    let file = segment.file.try_clone().map_err(failed)?;
    if !segment.compressed {
        return Ok(Box::new(file));
    }
    match ruzstd::decoding::StreamingDecoder::new(io::BufReader::new(file)) {
        Ok(plain) => Ok(Box::new(plain)),
        Err(_) => Err(Error::Compressed { path: segment.path.clone() }),
    }
}

/// 1 for `raw.pcapng`, N for `raw.000N.pcapng`.
fn number_of(name: &str) -> Option<u32> {
    if name == RAW_FILE {
        return Some(1);
    }
    let digits = name.strip_prefix("raw.")?.strip_suffix(".pcapng")?;
    if digits.len() < 4 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    digits.parse().ok().filter(|n| *n >= 2)
}
