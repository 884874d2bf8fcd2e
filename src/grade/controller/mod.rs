//! The controller's own word: what controllers said of themselves in a capture, taken from the records alone, and where
//! it differs from what was graded. Nothing of it changes a verdict.
//!
//! Figures by SAE J1979, SAE J1979-2 and ISO 14229-1, from memory of them.

mod disagree;
mod said;
#[cfg(test)]
mod tests;

pub use said::{
    At, Calibration, CodeSaid, ControllerWord, Disagreement, FirstLast, Freeze, InUse, LimitKind, MakerResult,
    MakerTest, MonitorResult, MonitorSaid, MonitorState, Outcome, Readiness, Said, SnapshotSaid, Vin,
};

use super::Graded;
use super::verdict::Num;
use crate::decode::{Who, Word};
use crate::record::LinkId;
use crate::wire::dtc::Code;
use crate::wire::obd::{self, Makers, Monitor, Pid54};
use crate::wire::uds::{self, status};
use std::collections::BTreeMap;

/// Collects what controllers say.
#[derive(Debug, Clone, Default)]
pub struct Controllers {
    all: BTreeMap<(LinkId, Who), Said>,
    pid_54: Pid54,
}

/// An older bus tells three codes a message: those that follow within this time belong to the same answer, seconds.
const ONE_ANSWER_S: f64 = 1.0;
/// A controller that claims more calibrations, codes or tests than this is not believed further.
const MOST: usize = 64;

impl Controllers {
    /// With this reading of PID 54.
    pub fn new(pid_54: Pid54) -> Controllers {
        Controllers { all: BTreeMap::new(), pid_54 }
    }

    /// Takes an answer; what is new in it and worth a line for the person is given back.
    pub fn hear(&mut self, word: &Word, link: &str) -> Option<String> {
        let pid_54 = self.pid_54;
        let said = self.all.entry((word.link, word.who)).or_insert_with(|| Said::of(word.who, link));
        match word.message.first() {
            Some(0x59 | 0x62) => match uds::answer(&word.message) {
                Ok(uds::Answer::Codes(report, codes)) => said.by_status(word, report, &codes),
                Ok(uds::Answer::Snapshots(code, _, data)) => {
                    said.stood(word, code, &data, pid_54);
                    None
                }
                Ok(uds::Answer::Data(data)) => said.by_identifier(word, &data),
                _ => None,
            },
            _ => match obd::answer(&word.message) {
                Ok(obd::Answer::Codes(service, codes)) => {
                    let kind = match service {
                        0x03 => STORED,
                        0x07 => PENDING,
                        _ => PERMANENT,
                    };
                    said.codes(word, kind, codes)
                }
                Ok(obd::Answer::Live(all)) => {
                    all.iter().for_each(|(pid, data)| said.live(word, *pid, data));
                    None
                }
                Ok(obd::Answer::Monitors(all)) => {
                    all.iter().for_each(|m| said.monitor(word, *m));
                    None
                }
                // On CAN there is no such answer.
                Ok(obd::Answer::Makers(m)) if matches!(word.who, Who::Node(_)) => {
                    said.maker_test(word, m);
                    None
                }
                Ok(obd::Answer::Info(kind, _, data)) => said.info(word, kind, &data),
                Ok(obd::Answer::Frozen(pid, 0, data)) => {
                    said.frozen(word, pid, &data, pid_54);
                    None
                }
                _ => None,
            },
        }
    }

    /// All that was said, beside what was graded; nothing if no controller said anything of itself.
    pub fn beside(&self, graded: &Graded) -> Option<ControllerWord> {
        let controllers: Vec<Said> = self.all.values().filter(|s| !s.is_silent()).cloned().collect();
        (!controllers.is_empty()).then(|| ControllerWord {
            disagreements: disagree::between(&controllers, &graded.findings, &graded.summary),
            controllers,
        })
    }
}

const STORED: &str = "stored";
const PENDING: &str = "pending";
const PERMANENT: &str = "permanent";

impl CodeSaid {
    fn of(code: Code) -> CodeSaid {
        CodeSaid { code: code.to_string(), means: code.words().unwrap_or_else(|| code.system()), word: code.word() }
    }
}

impl Said {
    fn of(who: Who, link: &str) -> Said {
        Said {
            who: who.to_string(),
            link: link.to_owned(),
            name: None,
            vin: None,
            calibrations: Vec::new(),
            codes: BTreeMap::new(),
            readiness: None,
            this_cycle: None,
            monitors: Vec::new(),
            maker_tests: Vec::new(),
            in_use: None,
            freeze_frame: None,
            snapshots: Vec::new(),
        }
    }

    fn is_silent(&self) -> bool {
        *self == Said { who: self.who.clone(), link: self.link.clone(), ..Said::of(Who::Adapter, "") }
    }

    fn codes(&mut self, word: &Word, kind: &'static str, codes: Vec<Code>) -> Option<String> {
        let mut codes: Vec<CodeSaid> = codes.into_iter().take(MOST).map(CodeSaid::of).collect();
        let before = self.codes.remove(kind);
        if let (Who::Node(_), Some(b)) = (word.who, &before)
            && word.at.secs() - b.last.at_s.0 < ONE_ANSWER_S
        {
            let more: Vec<_> = codes.drain(..).filter(|c| !b.last.said.contains(c)).collect();
            codes = b.last.said.iter().cloned().chain(more).take(MOST).collect();
            // An answer that goes on takes the place of its own begin.
            let first = if b.first.at_s == b.last.at_s { None } else { before.clone() };
            self.codes.insert(kind, FirstLast::next(first, word.at, codes));
            return None;
        }
        let news = before.as_ref().map_or(!codes.is_empty(), |b| b.last.said != codes);
        let line = news.then(|| format!("controller {}: {kind} {}", self.who, list(&codes)));
        self.codes.insert(kind, FirstLast::next(before, word.at, codes));
        line
    }

    /// Service 19: the mask that was asked for tells which lists the answer is whole for.
    fn by_status(&mut self, word: &Word, report: u8, codes: &[(Code, u8)]) -> Option<String> {
        if report == 0x55 {
            return self.codes(word, PERMANENT, codes.iter().map(|c| c.0).collect());
        }
        let all = |bit: u8| !codes.is_empty() && codes.iter().all(|c| c.1 & bit != 0);
        let asked = |bit: u8| word.mask.map_or_else(|| all(bit), |mask| mask & bit != 0);
        let with = |bit: u8| codes.iter().filter(|c| c.1 & bit != 0).map(|c| c.0).collect::<Vec<_>>();
        let stored = asked(status::CONFIRMED).then(|| self.codes(word, STORED, with(status::CONFIRMED))).flatten();
        let pending = asked(status::PENDING).then(|| self.codes(word, PENDING, with(status::PENDING))).flatten();
        stored.or(pending)
    }

    /// Service 22 as SAE J1979-2 uses it: one identifier an answer.
    fn by_identifier(&mut self, word: &Word, data: &[u8]) -> Option<String> {
        match data {
            [0xF1, 0x90, vin @ ..] => self.info(word, 0x02, vin),
            [0xF4, pid, data @ ..] => {
                self.live(word, *pid, data);
                None
            }
            [0xF6, id, rows @ ..] if !id.is_multiple_of(0x20) => {
                // A row is that of service 06 without the monitor's identifier.
                for row in rows.chunks_exact(8) {
                    if let Ok(obd::Answer::Monitors(m)) = obd::answer(&[&[0x46, *id], row].concat()) {
                        m.iter().for_each(|m| self.monitor(word, *m));
                    }
                }
                None
            }
            [0xF8, kind, items @ ..] if !kind.is_multiple_of(0x20) => {
                let each = match kind {
                    0x02 => 17,
                    0x04 => 16,
                    0x06 => 4,
                    0x0A => 20,
                    _ => 2,
                };
                // Some put the number of items first.
                self.info(word, *kind, &items[usize::from(items.len() % each == 1)..])
            }
            _ => None,
        }
    }

    fn live(&mut self, word: &Word, pid: u8, data: &[u8]) {
        let &[a, b, c, d] = data else { return };
        let vapour = match () {
            // Compression ignition has another monitor in this place.
            () if b & 0x08 != 0 || c & VAPOUR == 0 => MonitorState::Absent,
            () if d & VAPOUR != 0 => MonitorState::NotComplete,
            () => MonitorState::Complete,
        };
        match pid {
            0x01 => {
                let said = Readiness { lamp: a & 0x80 != 0, stored_codes: a & 0x7F, vapour };
                self.readiness = Some(FirstLast::next(self.readiness.take(), word.at, said));
            }
            0x41 => self.this_cycle = Some(FirstLast::next(self.this_cycle.take(), word.at, vapour)),
            _ => {}
        }
    }

    fn monitor(&mut self, word: &Word, m: Monitor) {
        let Some(watches) = obd::monitor_words(m.monitor) else { return };
        let known = obd::scaled(m.scaling, m.value).map(|s| s.1);
        let unit = known.unwrap_or("raw");
        let scale = |raw: u16| Num(obd::scaled(m.scaling, raw).map_or(f64::from(raw), |s| s.0));
        let (value, low, high) = (scale(m.value), scale(m.low), scale(m.high));
        let result = match () {
            () if (m.value, m.low, m.high) == (0, 0, 0) => Outcome::NotRun,
            () if low <= value && value <= high => Outcome::Pass,
            () => Outcome::Fail,
        };
        let said = MonitorResult { value, low, high, result };
        let test = format!("{:02X}", m.test);
        let place = self.monitors.iter().position(|s| s.id == m.monitor && s.test == test && s.unit == unit);
        match place {
            Some(i) => {
                let before = self.monitors[i].results.clone();
                self.monitors[i].results = FirstLast::next(Some(before), word.at, said);
            }
            None if self.monitors.len() < MOST => {
                let results = FirstLast::next(None, word.at, said);
                let monitor = format!("{:02X}", m.monitor);
                self.monitors.push(MonitorSaid { monitor, watches, test, unit, results, id: m.monitor });
                self.monitors.sort_by(|a, b| (a.id, &a.test, a.unit).cmp(&(b.id, &b.test, b.unit)));
            }
            None => {}
        }
    }

    /// What the numbers mean is the maker's own, so nothing is set beside what was found here.
    fn maker_test(&mut self, word: &Word, m: Makers) {
        let limit_kind = if m.least { LimitKind::Min } else { LimitKind::Max };
        let within = if m.least { m.value >= m.limit } else { m.value <= m.limit };
        let result = match () {
            // As on CAN: rather no result than a pass that was not earned.
            () if (m.value, m.limit) == (0, 0) => Outcome::NotRun,
            () if within => Outcome::Pass,
            () => Outcome::Fail,
        };
        let said = MakerResult { value: m.value, limit: m.limit, result };
        let (test, component) = (format!("{:02X}", m.test), format!("{:02X}", m.component));
        let key = (&test, &component, limit_kind);
        match self.maker_tests.binary_search_by(|t| (&t.test, &t.component, t.limit_kind).cmp(&key)) {
            Ok(i) => {
                let before = self.maker_tests[i].results.clone();
                self.maker_tests[i].results = FirstLast::next(Some(before), word.at, said);
            }
            Err(i) if self.maker_tests.len() < MOST => {
                let results = FirstLast::next(None, word.at, said);
                self.maker_tests
                    .insert(i, MakerTest { test, component, limit_kind, scaling: "the maker's own", results });
            }
            Err(_) => {}
        }
    }

    /// Vehicle information by its InfoType.
    fn info(&mut self, word: &Word, kind: u8, data: &[u8]) -> Option<String> {
        match kind {
            0x02 => {
                let vin = Vin::new(printable(data));
                let new = self.vin.as_ref() != Some(&vin) && data.len() >= 17;
                if new {
                    self.vin = Some(vin);
                }
                return new.then(|| format!("controller {} told the vehicle's number", self.who));
            }
            0x04 => {
                let ids: Vec<String> = data.chunks(16).take(MOST).map(printable).filter(|id| !id.is_empty()).collect();
                self.calibrate(ids, |c, id| c.id = Some(id));
            }
            0x06 => {
                let hex = |b: &[u8]| b.iter().map(|b| format!("{b:02X}")).collect::<String>();
                self.calibrate(data.chunks_exact(4).take(MOST).map(hex).collect(), |c, cvn| c.cvn = Some(cvn));
            }
            0x08 => {
                let count = |i: usize| data.get(2 * i..2 * i + 2).map(|b| u16::from_be_bytes([b[0], b[1]]));
                // Items of SAE J1979's list for spark ignition, from 0: conditions, starts, …, vapour.
                if let (Some(general_conditions), Some(starts), Some(completed), Some(conditions)) =
                    (count(0), count(1), count(14), count(15))
                {
                    let said = InUse { starts, general_conditions, completed, conditions };
                    self.in_use = Some(FirstLast::next(self.in_use.take(), word.at, said));
                }
            }
            0x0A => self.name = Some(printable(data)).filter(|n| !n.is_empty()).or(self.name.take()),
            _ => {}
        }
        None
    }

    fn calibrate(&mut self, all: Vec<String>, set: impl Fn(&mut Calibration, String)) {
        for (i, text) in all.into_iter().enumerate() {
            if self.calibrations.len() <= i {
                self.calibrations.push(Calibration { id: None, cvn: None });
            }
            set(&mut self.calibrations[i], text);
        }
    }

    fn frozen(&mut self, word: &Word, pid: u8, data: &[u8], pid_54: Pid54) {
        let code = match (pid, data) {
            (0x02, [a, b]) => Some(Code::from_word([*a, *b]).map(CodeSaid::of)),
            _ => None,
        };
        let value = stood(pid, data, pid_54);
        // Without a code there is no frame.
        if matches!(code, Some(None)) || (code.is_none() && value.is_none()) {
            return;
        }
        let frame = self.freeze_frame.get_or_insert_with(|| Freeze {
            at_s: word.at.into(),
            code: None,
            values: BTreeMap::new(),
        });
        if let Some(code) = code {
            // Asked again, a frame of another code has taken its place.
            if code != frame.code {
                *frame = Freeze { at_s: word.at.into(), code, values: BTreeMap::new() };
            }
        }
        frame.values.extend(value);
    }

    /// The records of one code: they take the place of those that it had before.
    fn stood(&mut self, word: &Word, code: Code, data: &[u8], pid_54: Pid54) {
        // The maker's own identifiers have lengths that only the maker knows.
        let length = |id: u16| Some(obd::length(id as u8)).filter(|n| id >> 8 == 0xF4 && *n > 0);
        let code = CodeSaid::of(code);
        self.snapshots.retain(|s| s.code != code);
        let room = MOST.saturating_sub(self.snapshots.len());
        for s in uds::snapshots(data, length).into_iter().take(room) {
            let values = s.values.iter().filter_map(|(id, data)| stood(*id as u8, data, pid_54)).collect();
            let (at_s, record) = (word.at.into(), format!("{:02X}", s.record));
            self.snapshots.push(SnapshotSaid { at_s, code: code.clone(), record, values, unread: s.unread });
        }
        self.snapshots.sort_by(|a, b| (&a.code.code, &a.record).cmp(&(&b.code.code, &b.record)));
    }
}

/// What a PID told of the moment of a fault, by the name of its channel.
fn stood(pid: u8, data: &[u8], pid_54: Pid54) -> Option<(&'static str, Num)> {
    let name = FROZEN.iter().find(|f| f.0 == pid)?.1;
    Some((name, Num(obd::value(pid, data, pid_54, None)?)))
}

/// Codes in words, for people.
pub fn list(codes: &[CodeSaid]) -> String {
    match codes {
        [] => "no code".to_owned(),
        all => all.iter().map(|c| format!("{} ({})", c.code, c.means)).collect::<Vec<_>>().join(", "),
    }
}

/// What a text of a controller holds that can be read: letters, digits and signs of ASCII, without the filling.
fn printable(bytes: &[u8]) -> String {
    let text: String = bytes.iter().filter(|b| (0x20..0x7F).contains(*b)).map(|b| char::from(*b)).collect();
    text.trim().to_owned()
}

/// The bit of the vapour monitor in PIDs 01 and 41, bytes C and D, spark ignition.
const VAPOUR: u8 = 0x04;

/// PIDs of a freeze frame that bear on fuel vapour, by the names of channels.
const FROZEN: [(u8, &str); 15] = [
    (0x05, "coolant_c"),
    (0x06, "fuel_trim_short_pct"),
    (0x07, "fuel_trim_long_pct"),
    (0x0B, "manifold_kpa"),
    (0x0C, "engine_rpm"),
    (0x0D, "vehicle_speed_kph"),
    (0x0F, "intake_air_c"),
    (0x1F, "since_start_s"),
    (0x2E, "purge_duty_pct"),
    (0x2F, "fuel_level_pct"),
    (0x32, "tank_pressure_pa"),
    (0x33, "baro_kpa"),
    (0x42, "battery_v"),
    (0x46, "ambient_c"),
    (0x54, "tank_pressure_pa"),
];
