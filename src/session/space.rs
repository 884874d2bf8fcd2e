//! Room on the disk: how much is left, and a little that is kept back so that a full one still takes the end.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Between two looks.
const EVERY: Duration = Duration::from_secs(10);
const RESERVE_FILE: &str = "reserve";

/// Of one capture's folder.
#[derive(Debug, Default)]
pub(super) struct Space {
    dir: PathBuf,
    warn_bytes: u64,
    reserve: Option<PathBuf>,
    looked: Option<Instant>,
    warning: Option<String>,
}

impl Space {
    /// Keeps `reserve_bytes` back, written out so that the system has really put them aside.
    pub(super) fn new(dir: &Path, warn_bytes: u64, reserve_bytes: usize) -> (Space, io::Result<()>) {
        let path = dir.join(RESERVE_FILE);
        let kept = File::create_new(&path).and_then(|mut file| {
            // Zeros may be stored as a hole.
            file.write_all(&vec![0xA5; reserve_bytes])?;
            file.sync_all()
        });
        let space = Space { dir: dir.to_owned(), warn_bytes, reserve: Some(path), ..Space::default() };
        (space, kept)
    }

    /// What to tell the person of the room that is left; looks now and then.
    pub(super) fn warning(&mut self, written: u64, for_s: f64) -> Option<String> {
        if self.warn_bytes == 0 {
            return None;
        }
        if self.looked.is_none_or(|t| t.elapsed() >= EVERY) {
            self.looked = Some(Instant::now());
            let free = rustix::fs::statvfs(&self.dir).ok().map(|s| s.f_bavail.saturating_mul(s.f_frsize));
            self.warning = free.filter(|free| *free < self.warn_bytes).map(|free| said(free, written, for_s));
        }
        self.warning.clone()
    }

    /// Gives back what was kept. True if there was something.
    pub(super) fn release(&mut self) -> bool {
        self.reserve.take().is_some_and(|path| fs::remove_file(path).is_ok())
    }
}

fn said(free: u64, written: u64, for_s: f64) -> String {
    let megabytes = free as f64 / 1e6;
    let rate = written as f64 / for_s;
    if for_s < 60.0 || rate <= 0.0 {
        return format!("only {megabytes:.0} MB are left on the disk: make room");
    }
    let hours = free as f64 / rate / 3600.0;
    format!("only {megabytes:.0} MB are left on the disk, room for about {hours:.1} h: make room")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_kept_back_is_given_back_once() {
        let dir = tempfile::tempdir().unwrap();
        let (mut space, kept) = Space::new(dir.path(), u64::MAX, 4096);
        kept.unwrap();
        assert_eq!(fs::metadata(dir.path().join(RESERVE_FILE)).unwrap().len(), 4096);
        assert!(space.release() && !space.release());
        assert!(!dir.path().join(RESERVE_FILE).exists());
        // No disk has so much room.
        let told = space.warning(3_600_000, 3600.0).unwrap();
        assert!(told.starts_with("only ") && told.contains("room for about"), "{told}");
    }

    #[test]
    fn room_is_told_in_hours_at_the_rate_so_far() {
        // 7.2 MB in an hour: 36 MB last 5 h.
        assert_eq!(
            said(36_000_000, 7_200_000, 3600.0),
            "only 36 MB are left on the disk, room for about 5.0 h: make room"
        );
        assert_eq!(said(36_000_000, 0, 10.0), "only 36 MB are left on the disk: make room");
    }
}
