//! What is done to a finished capture: taking less room, and being made whole again beside its damaged self.

use super::error::{Error, Result};
use super::reader::{Reader, Segment, open_plain, segments};
use super::seal::{self, Seal};
use super::session_file::sync_folder;
use super::writer::Writer;
use crate::record::{Body, Event, Record};
use crate::time::Stamp;
use ruzstd::encoding::{CompressionLevel, compress as squeeze};
use std::fs::{self, File};
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

/// Records in one write.
const BATCH: usize = 4096;

/// Compresses the raw files of a finished capture (RFC 8878). A plain file is removed only after what is in the
/// compressed one was read back and is the same. Returns the bytes before and after.
pub fn compress(dir: &Path) -> Result<(u64, u64)> {
    if seal::check(dir)? != Seal::Whole {
        let what = "only a capture that was ended in order and is as it was then is compressed".to_owned();
        return Err(Error::Refused { path: dir.to_path_buf(), what });
    }
    let (mut before, mut after) = (0, 0);
    for segment in segments(dir)?.iter().filter(|s| !s.compressed) {
        let (plain, packed) = compress_one(dir, segment)?;
        before += plain;
        after += packed;
    }
    Ok((before, after))
}

fn compress_one(dir: &Path, segment: &Segment) -> Result<(u64, u64)> {
    let done = dir.join(format!("{}.zst", segment.name));
    let part = dir.join(format!("{}.zst.part", segment.name));
    let failed = |doing: &'static str| {
        let path = part.clone();
        move |source| Error::Io { path, doing, source }
    };
    let file = File::create(&part).map_err(failed("compress the raw records"))?;
    // The compressor itself has no way to say that reading or writing failed.
    let mut trouble = None;
    let mut source = Quiet { inner: open_plain(segment)?, trouble: None };
    let mut drain = QuietDrain { inner: BufWriter::new(file), trouble: None };
    squeeze(&mut source, &mut drain, CompressionLevel::Fastest);
    for t in [source.trouble.take(), drain.trouble.take()] {
        trouble = trouble.or(t);
    }
    let synced = drain.inner.into_inner().map_err(io::IntoInnerError::into_error).and_then(|f| f.sync_all());
    let kept = trouble.map_or(synced, Err).map_err(failed("compress the raw records"));
    let same = kept.and_then(|()| {
        let packed = ruzstd::decoding::StreamingDecoder::new(io::BufReader::new(
            File::open(&part).map_err(failed("read back what was compressed"))?,
        ))
        .map_err(|_| Error::Compressed { path: part.clone() })?;
        let back = seal::digest(packed).map_err(failed("read back what was compressed"))?;
        Ok(back == seal::digest_of(&segment.path)?)
    });
    if !matches!(same, Ok(true)) {
        // The plain file is still there.
        let _ = fs::remove_file(&part);
    }
    if !same? {
        let what = "what was compressed reads back otherwise; it stays as it was".to_owned();
        return Err(Error::Refused { path: segment.path.clone(), what });
    }
    let len = |path: &Path| fs::metadata(path).map(|m| m.len()).map_err(failed("measure it"));
    let lengths = (len(&segment.path)?, len(&part)?);
    fs::rename(&part, &done).map_err(failed("name the compressed file"))?;
    sync_folder(dir)?;
    fs::remove_file(&segment.path).map_err(failed("remove the plain file"))?;
    Ok(lengths)
}

/// Ends early where it cannot be read, and keeps why.
struct Quiet {
    inner: Box<dyn Read + Send>,
    trouble: Option<io::Error>,
}

impl Read for Quiet {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        match self.inner.read(buffer) {
            Err(e) if e.kind() != io::ErrorKind::Interrupted => {
                self.trouble = Some(e);
                Ok(0)
            }
            other => other,
        }
    }
}

/// Takes everything, and keeps why it could not be written.
struct QuietDrain {
    inner: BufWriter<File>,
    trouble: Option<io::Error>,
}

impl Write for QuietDrain {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.trouble.is_none()
            && let Err(e) = self.inner.write_all(bytes)
        {
            self.trouble = Some(e);
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Writes all that can be read of a capture into a new one beside it, with a gap for what is lost and an end, and
/// leaves the old one as it is. Returns the new folder, and what was lost in sentences.
pub fn mend(dir: &Path) -> Result<(PathBuf, Vec<String>)> {
    let mut reader = Reader::open(dir)?;
    let name = dir.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let new = dir.with_file_name(format!("{name}-mended"));
    fs::create_dir(&new).map_err(|source| Error::Io { path: new.clone(), doing: "make the folder", source })?;
    let mut writer = Writer::create(&new, reader.session())?;
    let mut batch: Vec<Record> = Vec::with_capacity(BATCH);
    let mut last = Stamp::ZERO;
    for record in reader.by_ref() {
        let record = record?;
        last = last.max(record.at);
        batch.push(record);
        if batch.len() == BATCH {
            writer.append(&mut batch)?;
            batch.clear();
        }
    }
    if !reader.ended() {
        let end = Event::End { cause: "not ended in order; mended later".to_owned() };
        batch.push(Record { at: last, link: 0, seq: 0, body: Body::Event(end) });
    }
    writer.append(&mut batch)?;
    writer.sync()?;
    writer.seal()?;
    Ok((new, reader.losses().to_vec()))
}
