//! A file of rows: one record a line, stamped with the row's own time.

use super::feed::{Feed, Pace};
use super::{Error, file_name};
use crate::channel::Channel;
use crate::decode::{Decoder, Layout};
use crate::profile::Profile;
use crate::record::{Body, Event, LinkInfo, Record};
use crate::time::Stamp;
use crate::wire::table::Header;
use std::collections::VecDeque;
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The header must stand within so many lines: a logged terminal session may begin in the middle of something.
const HEADER_WITHIN: u64 = 64;
/// A line longer than this is no row; the record keeps lines whole.
const LONGEST: usize = 1 << 20;

/// The rows of a file as records of link 1.
pub struct FileRows {
    path: PathBuf,
    reader: BufReader<File>,
    /// Lines read while looking for the header.
    ahead: VecDeque<Vec<u8>>,
    /// Reads the times; what else it finds is left to the judge.
    decoder: Decoder,
    items: Vec<crate::decode::Item>,
    lines: u64,
    done: u64,
    total: u64,
}

impl FileRows {
    /// Opens the file and looks for its header.
    pub fn open(path: &Path, profile: &Arc<Profile>) -> Result<FileRows, Error> {
        let open = || {
            let file = File::open(path)?;
            let meta = file.metadata()?;
            if meta.is_dir() {
                return Err(std::io::ErrorKind::IsADirectory.into());
            }
            Ok((file, meta.len()))
        };
        let (file, total) = open().map_err(|source| Error::File { path: path.display().to_string(), source })?;
        let info = LinkInfo { kind: "csv".to_owned(), name: file_name(path) };
        let decoder = Decoder::new(profile.clone(), &[info]);
        let mut rows = FileRows {
            path: path.to_owned(),
            reader: BufReader::with_capacity(1 << 16, file),
            ahead: VecDeque::new(),
            decoder,
            items: Vec::new(),
            lines: 0,
            done: 0,
            total,
        };
        rows.find_header(profile)?;
        Ok(rows)
    }

    /// How the capture names the file.
    pub fn info(&self) -> LinkInfo {
        LinkInfo { kind: "csv".to_owned(), name: file_name(&self.path) }
    }

    /// Bytes read so far, and bytes in all.
    pub fn progress(&self) -> (u64, u64) {
        (self.done, self.total)
    }

    /// Puts the next line into `record`, whose buffer is used again; false at the end.
    pub fn next_into(&mut self, record: &mut Record) -> Result<bool, Error> {
        let mut line = match &mut record.body {
            Body::Bytes(b) => std::mem::take(b),
            _ => Vec::new(),
        };
        line.clear();
        if let Some(ahead) = self.ahead.pop_front() {
            line = ahead;
        } else if !self.read_line(&mut line, self.lines + 1)? {
            return Ok(false);
        }
        self.done += line.len() as u64;
        let at = self.decoder.file_time();
        *record = Record { at, link: 1, seq: self.lines, body: Body::Bytes(line) };
        self.lines += 1;
        // The decoder that judges will read the same times: one place knows how.
        self.items.clear();
        self.decoder.record(record, &mut self.items);
        record.at = self.decoder.file_time();
        Ok(true)
    }

    fn read_line(&mut self, line: &mut Vec<u8>, number: u64) -> Result<bool, Error> {
        let limit = LONGEST as u64 + 1;
        let n = (&mut self.reader)
            .take(limit)
            .read_until(b'\n', line)
            .map_err(|source| Error::File { path: self.path.display().to_string(), source })?;
        if n as u64 == limit {
            let what =
                "the line is longer than 1 MiB, this is no row; take the line out, or name another file".to_owned();
            return Err(self.fault(number, 1, what));
        }
        Ok(n > 0)
    }

    fn fault(&self, line: u64, column: usize, what: String) -> Error {
        Error::Table { path: self.path.display().to_string(), line, column, what }
    }

    fn find_header(&mut self, profile: &Profile) -> Result<(), Error> {
        let mut first: Option<Error> = None;
        for number in 1..=HEADER_WITHIN {
            let mut line = Vec::new();
            if !self.read_line(&mut line, number)? {
                break;
            }
            let text = line.trim_ascii();
            match Header::parse(text) {
                Ok(header) => {
                    let layout = Layout::new(&header, profile);
                    if layout.heads() {
                        self.ahead.push_back(line);
                        return Ok(());
                    }
                    if !layout.values.is_empty() {
                        let known = layout.values[0].channel;
                        let what = format!(
                            "there is a column for {known} but none for the time; add a column time_s (seconds) or utc \
                             (RFC 3339), or name a profile that says where time comes from ({} does not)",
                            profile.name
                        );
                        first = Some(self.fault(number, 1, what));
                        break;
                    }
                }
                // Values may well be alike; headings may not.
                Err(e) if text.iter().any(u8::is_ascii_alphabetic) && !is_binary(text) && first.is_none() => {
                    let column = match &e {
                        crate::wire::table::Error::DuplicateHeading { second, .. } => *second,
                        crate::wire::table::Error::OpenQuote => 1,
                    };
                    first = Some(self.fault(number, column, e.to_string()));
                }
                Err(_) => {}
            }
            self.ahead.push_back(line);
        }
        Err(first.unwrap_or_else(|| {
            let begin = self.ahead.front().map(Vec::as_slice).unwrap_or_default();
            let what = if self.ahead.is_empty() {
                "the file is empty; copy it again from where it was written, or name another".to_owned()
            } else if self.ahead.iter().any(|line| is_binary(line)) {
                "this is no UTF-8 text; save the table as CSV in UTF-8, or name the folder of a capture".to_owned()
            } else if begin.contains(&b';') && !begin.contains(&b',') {
                "the cells are parted by semicolons; save the file with commas (RFC 4180)".to_owned()
            } else {
                format!(
                    "no headings found: a line with time_s (or utc) and channel names such as {} and {} must come \
                     first, or a profile must say what the headings mean",
                    Channel::BatteryV,
                    Channel::LeakSwitch
                )
            };
            self.fault(1, 1, what)
        }))
    }
}

/// Control characters that no text holds. Text in another character set than UTF-8 passes: its numbers can be read.
fn is_binary(line: &[u8]) -> bool {
    line.iter().any(|b| matches!(b, 0..=8 | 14..=26 | 28..=31))
}

/// Hands the file's lines over until it ends.
pub(super) fn run(mut rows: FileRows, mut feed: Feed, mut pace: Pace) {
    feed.say("reading");
    let mut record = Record { at: Stamp::ZERO, link: 1, seq: 0, body: Body::Bytes(Vec::new()) };
    loop {
        match rows.next_into(&mut record) {
            Ok(true) => {}
            Ok(false) => return feed.say("read to the end"),
            Err(e) => {
                feed.fail(e.to_string());
                feed.wait(record.at, Body::Event(Event::LinkDown { detail: e.to_string() }));
                return;
            }
        }
        let body = std::mem::replace(&mut record.body, Body::Bytes(Vec::new()));
        if !pace.wait(record.at, &feed) || !feed.wait(record.at, body) {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    fn open(text: &[u8], profile: &str) -> Result<Vec<(f64, String)>, String> {
        let mut file = tempfile::NamedTempFile::with_prefix("night").unwrap();
        file.write_all(text).unwrap();
        let profile = Arc::new(crate::profile::load_builtin(profile).unwrap());
        let path = file.path().display().to_string();
        let short = |e: Error| e.to_string().replace(&path, "FILE");
        let mut rows = FileRows::open(file.path(), &profile).map_err(short)?;
        let mut record = Record { at: Stamp::ZERO, link: 1, seq: 0, body: Body::Bytes(Vec::new()) };
        let mut all = Vec::new();
        while rows.next_into(&mut record).map_err(short)? {
            assert_eq!(record.seq, all.len() as u64);
            let Body::Bytes(b) = &record.body else { panic!() };
            all.push((record.at.secs(), String::from_utf8_lossy(b).into_owned()));
        }
        assert_eq!(rows.progress(), (text.len() as u64, text.len() as u64));
        Ok(all)
    }

    fn times(text: &str, profile: &str) -> Vec<f64> {
        open(text.as_bytes(), profile).unwrap().into_iter().map(|l| l.0).collect()
    }

    #[test]
    fn lines_are_kept_whole_and_stamped_with_their_own_time() {
        let text = "time_s,key\r\n0.5,1\r\n\r\n2.25,0\r\nx,1\r\n3,1";
        let lines = open(text.as_bytes(), "switch-module").unwrap();
        assert_eq!(lines.iter().map(|l| l.1.as_str()).collect::<String>(), text);
        assert_eq!(lines.iter().map(|l| l.0).collect::<Vec<_>>(), [0.0, 0.5, 0.5, 2.25, 2.25, 3.0]);
    }

    #[test]
    fn times_go_on_where_the_file_steps_back() {
        assert_eq!(times("time_s,key\n5,1\n6,1\n1,1\n2,1\n", "switch-module"), [0.0, 5.0, 6.0, 7.0, 8.0]);
    }

    #[test]
    fn assumed_times_count_rows() {
        // The profile's own period, 0.49 s; blank lines and a row with too many cells.
        let text = "ENGINE_RPM (),COOLANT_TEMPERATURE ()\n0,80,\n\n1,2,3\n700,81,\n";
        assert_eq!(times(text, "road-log"), [0.0, 0.0, 0.0, 0.49, 0.98]);
    }

    #[test]
    fn a_logged_terminal_session_is_a_file_too() {
        let text = "?\n.512,1\ntime_s,key\ntime_s,key\n7.0,1\n7.5,0\n";
        assert_eq!(times(text, "switch-module"), [0.0, 0.0, 0.0, 0.0, 7.0, 7.5]);
    }

    #[test]
    fn what_is_no_table_is_told_so_with_its_place() {
        let told = |text: &[u8]| open(text, "switch-module").unwrap_err();
        assert_eq!(
            told(b""),
            "FILE, line 1, column 1: the file is empty; copy it again from where it was written, or name another"
        );
        assert_eq!(
            told(b"time_s;key\n0;1\n"),
            "FILE, line 1, column 1: the cells are parted by semicolons; save the file with commas (RFC 4180)"
        );
        assert_eq!(
            told(b"\x7fELF\0\0\n"),
            "FILE, line 1, column 1: this is no UTF-8 text; save the table as CSV in UTF-8, or name the folder of a capture"
        );
        assert_eq!(
            told(b"a letter\nto nobody\n"),
            "FILE, line 1, column 1: no headings found: a line with time_s (or utc) and channel names such as \
             battery_v and leak_switch must come first, or a profile must say what the headings mean"
        );
        assert_eq!(
            told(b"\n\nkey,battery_v\n1,12\n"),
            "FILE, line 3, column 1: there is a column for key but none for the time; add a column time_s (seconds) \
             or utc (RFC 3339), or name a profile that says where time comes from (switch-module does not)"
        );
        assert_eq!(
            told(b"time_s,key,battery_v,key\n"),
            "FILE, line 1, column 4: columns 2 and 4 are both headed \"key\": rename or remove one of them"
        );
        assert_eq!(
            told(&[b"time_s,key\n0,1\n", vec![b'7'; LONGEST + 9].as_slice()].concat()),
            "FILE, line 3, column 1: the line is longer than 1 MiB, this is no row; take the line out, or name another file"
        );
    }

    #[test]
    fn a_file_that_is_not_there() {
        let profile = Arc::new(crate::profile::load_builtin("switch-module").unwrap());
        let told = |p: &str| FileRows::open(Path::new(p), &profile).err().unwrap().to_string();
        assert!(told("/nowhere/x.csv").starts_with("/nowhere/x.csv cannot be read: No such file"));
        assert_eq!(told("/"), "/ cannot be read: is a directory. Check the name and that you may read it");
    }
}
