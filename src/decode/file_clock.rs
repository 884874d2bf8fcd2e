//! The time of a file's rows, on a clock that never runs backwards.

use super::layout::TimeFrom;
use crate::time::Stamp;
use crate::wire::table::number;

/// Gives each row of a file its time. Where the file's own time runs backwards (a logger that restarted, files
/// joined together), the rest is moved so that it goes on after the last row by the last interval seen.
#[derive(Debug, Clone)]
pub struct FileClock {
    from: TimeFrom,
    rows: u64,
    /// Added to the file's own time.
    shift_ns: i64,
    last_ns: Option<i64>,
    interval_ns: i64,
}

/// The time of one row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FileTime {
    /// As the file has it.
    At(Stamp),
    /// The file's time went back by `by_s`, or begins before zero; this row and the rest are moved.
    SteppedBack {
        /// The row's time after the move.
        at: Stamp,
        /// How far.
        by_s: f64,
    },
    /// The row has no time that can be read.
    Unknown,
}

impl FileClock {
    /// Before the first row.
    pub fn new(from: TimeFrom) -> FileClock {
        FileClock { from, rows: 0, shift_ns: 0, last_ns: None, interval_ns: 0 }
    }

    /// Goes on with a new table of the same file.
    pub fn new_table(&mut self, from: TimeFrom) {
        self.from = from;
    }

    /// The next row's time; `cell` is the one that [`TimeFrom::cell`] names.
    pub fn row(&mut self, cell: &[u8]) -> FileTime {
        let Some(own) = self.own_ns(cell) else { return FileTime::Unknown };
        let Some(last) = self.last_ns else {
            // Stamps count from the capture's beginning and cannot be negative.
            let from_first = !matches!(self.from, TimeFrom::Seconds(_) | TimeFrom::Period(_));
            if from_first || own < 0 {
                self.shift_ns = -own;
            }
            self.last_ns = Some(own + self.shift_ns);
            let at = Stamp(own + self.shift_ns);
            let negative = own < 0 && !from_first;
            return if negative { FileTime::SteppedBack { at, by_s: own as f64 / -1e9 } } else { FileTime::At(at) };
        };
        let at = own.saturating_add(self.shift_ns);
        if at >= last {
            if at > last {
                self.interval_ns = at - last;
            }
            self.last_ns = Some(at);
            return FileTime::At(Stamp(at));
        }
        let moved = last.saturating_add(self.interval_ns);
        self.shift_ns = moved.saturating_sub(own);
        self.last_ns = Some(moved);
        FileTime::SteppedBack { at: Stamp(moved), by_s: (last - at) as f64 / 1e9 }
    }

    /// The time of the last row that had one.
    pub fn last(&self) -> Stamp {
        Stamp(self.last_ns.unwrap_or(0))
    }

    fn own_ns(&mut self, cell: &[u8]) -> Option<i64> {
        match self.from {
            TimeFrom::Seconds(_) | TimeFrom::ForeignSeconds(_) => seconds_ns(cell),
            TimeFrom::Utc(_) => {
                let t: jiff::Timestamp = std::str::from_utf8(cell).ok()?.parse().ok()?;
                i64::try_from(t.as_nanosecond()).ok()
            }
            TimeFrom::Period(s) => {
                let at = Stamp::from_secs(self.rows as f64 * s).0;
                self.rows += 1;
                Some(at)
            }
        }
    }
}

/// Seconds in a cell as nanoseconds, if they are within 200 years of zero.
pub(super) fn seconds_ns(cell: &[u8]) -> Option<i64> {
    let s = number(cell)?;
    (s.abs() < 6.3e9).then(|| Stamp::from_secs(s).0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn times(from: TimeFrom, cells: &[&str]) -> Vec<Option<f64>> {
        let mut clock = FileClock::new(from);
        cells
            .iter()
            .map(|c| match clock.row(c.as_bytes()) {
                FileTime::At(t) | FileTime::SteppedBack { at: t, .. } => Some(t.secs()),
                FileTime::Unknown => None,
            })
            .collect()
    }

    #[test]
    fn own_seconds_stand_and_foreign_ones_count_from_the_first_row() {
        assert_eq!(times(TimeFrom::Seconds(0), &["5.5", "x", "6"]), [Some(5.5), None, Some(6.0)]);
        assert_eq!(times(TimeFrom::ForeignSeconds(0), &["100", "101.25"]), [Some(0.0), Some(1.25)]);
        assert_eq!(times(TimeFrom::Period(0.5), &["", "", ""]), [Some(0.0), Some(0.5), Some(1.0)]);
    }

    #[test]
    fn utc_as_rfc_3339_has_it() {
        // RFC 3339, section 5.8: the first two examples name their instants in two time zones (from memory).
        let a = ["1996-12-19T16:39:57-08:00", "1996-12-20T00:39:58.5Z"];
        assert_eq!(times(TimeFrom::Utc(0), &a), [Some(0.0), Some(1.5)]);
        assert_eq!(times(TimeFrom::Utc(0), &["yesterday", "1996-12-20T00:39:57Z"]), [None, Some(0.0)]);
    }

    #[test]
    fn a_step_back_goes_on_after_the_last_row() {
        let cells = ["0", "10", "20", "3", "4", "25"];
        let want = [0.0, 10.0, 20.0, 30.0, 31.0, 52.0].map(Some);
        assert_eq!(times(TimeFrom::Seconds(0), &cells), want);
        assert_eq!(times(TimeFrom::Seconds(0), &["-3", "-1", "2"]), [0.0, 2.0, 5.0].map(Some));
        let mut clock = FileClock::new(TimeFrom::Seconds(0));
        clock.row(b"20");
        assert_eq!(clock.row(b"3"), FileTime::SteppedBack { at: Stamp::from_secs(20.0), by_s: 17.0 });
    }

    #[test]
    fn times_out_of_reach_are_no_times() {
        assert_eq!(times(TimeFrom::Seconds(0), &["inf", "nan", "1e300", "-1e10"]), [None; 4]);
    }
}
