//! A controller's answers: a question's bytes in, the answer's bytes out. Services 01 to 0A of SAE J1979, and 22 and 19
//! of ISO 14229 (from memory of the standards); what would change a vehicle is refused, and counted.

use super::live;
use super::memory::{Memory, frozen, snapshot};
use super::seen::Seen;
use super::{Standard, maker};

/// Which controller.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Who {
    /// The engine's.
    Engine,
    /// The gearbox's.
    Gearbox,
}

/// All that an answer depends on.
#[derive(Debug, Clone, Copy)]
pub struct Context<'a> {
    /// Who is asked.
    pub who: Who,
    /// By what standard the vehicle answers.
    pub standard: Standard,
    /// The question went to everybody.
    pub to_all: bool,
    /// The vehicle now.
    pub seen: &'a Seen,
    /// The engine controller's memory.
    pub memory: &'a Memory,
}

/// Reasons for "no" (ISO 14229-1).
const NO_SERVICE: u8 = 0x11;
const NO_KIND: u8 = 0x12;
const WRONG_LENGTH: u8 = 0x13;
const CONDITIONS: u8 = 0x22;
const OUT_OF_RANGE: u8 = 0x31;

/// True for a service that actuates, writes, clears, unlocks, resets or keeps a session alive: nobody who only reads
/// sends it.
pub fn meddles(service: u8) -> bool {
    !matches!(service, 0x01..=0x03 | 0x06 | 0x07 | 0x09 | 0x0A | 0x19 | 0x22)
}

/// The answers to a question: none, one, or on the old buses several.
pub fn answers(c: Context<'_>, question: &[u8]) -> Vec<Vec<u8>> {
    let Some((&service, rest)) = question.split_first() else { return Vec::new() };
    if c.standard.is_old() {
        return old(c, service, rest);
    }
    let said = match service {
        0x22 => identifiers(c, rest),
        0x19 => reports(c, rest),
        _ if c.standard == Standard::J1979_2 => Err(NO_SERVICE),
        0x01 => live_data(c, rest),
        0x02 => freeze_frame(c, rest),
        0x03 | 0x07 | 0x0A if !rest.is_empty() => Err(WRONG_LENGTH),
        0x03 | 0x07 | 0x0A => Ok(Some(with_count(codes_of(c, service)))),
        0x06 => monitors(c, rest),
        0x09 => information(c, rest),
        _ if meddles(service) && service < 0x3F => Err(CONDITIONS),
        _ => Err(NO_SERVICE),
    };
    match said {
        Ok(Some(mut answer)) => {
            answer.insert(0, service | 0x40);
            vec![answer]
        }
        // Asked of all, nobody says that he does not have it (ISO 14229-1 and ISO 15765-4).
        Ok(None) | Err(NO_SERVICE | NO_KIND | OUT_OF_RANGE) if c.to_all => Vec::new(),
        Ok(None) => vec![vec![0x7F, service, OUT_OF_RANGE]],
        Err(why) => vec![vec![0x7F, service, why]],
    }
}

/// An answer without its service, nothing where there is nothing to say, or the reason for "no".
type Said = Result<Option<Vec<u8>>, u8>;

fn some(bytes: Vec<u8>) -> Option<Vec<u8>> {
    (!bytes.is_empty()).then_some(bytes)
}

fn pid(c: Context<'_>, pid: u8) -> Option<Vec<u8>> {
    let sensor = c.seen.tank_pa.is_some();
    if pid.is_multiple_of(0x20) {
        let mask = match c.who {
            Who::Engine => live::mask(pid, |p| live::engine_has(p, sensor)),
            Who::Gearbox => live::mask(pid, live::gearbox_has),
        };
        return (pid == 0 || mask != [0; 4]).then(|| mask.to_vec());
    }
    match c.who {
        Who::Engine => live::engine(pid, c.seen, c.memory),
        Who::Gearbox => live::gearbox(pid, c.seen),
    }
}

fn live_data(c: Context<'_>, pids: &[u8]) -> Said {
    if !(1..=6).contains(&pids.len()) {
        return Err(WRONG_LENGTH);
    }
    let all = pids.iter().filter_map(|p| pid(c, *p).map(|data| [&[*p][..], &data].concat()));
    Ok(some(all.flatten().collect()))
}

fn freeze_frame(c: Context<'_>, rest: &[u8]) -> Said {
    let &[pid, frame] = rest else { return Err(WRONG_LENGTH) };
    if frame != 0 || c.who != Who::Engine {
        return Ok(None);
    }
    let has = |p: u8| p == 2 || frozen(p, c.memory).is_some();
    let data = match pid {
        p if p.is_multiple_of(0x20) => {
            let mask = live::mask(p, has);
            (p == 0 || mask != [0; 4]).then(|| mask.to_vec())
        }
        // Without a frame its code reads zero.
        2 => Some(frozen(2, c.memory).unwrap_or(vec![0, 0])),
        p => frozen(p, c.memory),
    };
    Ok(data.map(|d| [&[pid, frame][..], &d].concat()))
}

/// Codes of service 03 (stored), 07 (pending) or 0A (permanent).
fn codes_of(c: Context<'_>, service: u8) -> Vec<u16> {
    let there = c.memory.codes().iter().filter(|code| code.stored != (service == 0x07));
    if c.who == Who::Engine { there.map(|code| code.word).collect() } else { Vec::new() }
}

fn with_count(codes: Vec<u16>) -> Vec<u8> {
    std::iter::once(codes.len() as u8).chain(codes.iter().flat_map(|w| w.to_be_bytes())).collect()
}

fn monitors(c: Context<'_>, rest: &[u8]) -> Said {
    // One identifier; several only where all of them ask which there are, which nobody here does.
    let &[id] = rest else { return Err(WRONG_LENGTH) };
    let has = |id| c.who == Who::Engine && Memory::has_monitor(id);
    if id.is_multiple_of(0x20) {
        let mask = live::mask(id, has);
        return Ok((mask != [0; 4]).then(|| [&[id][..], &mask].concat()));
    }
    Ok(some(monitor_rows(c, id)))
}

fn monitor_rows(c: Context<'_>, id: u8) -> Vec<u8> {
    let rows = if c.who == Who::Engine { c.memory.results(id, c.seen) } else { Vec::new() };
    rows.iter().flat_map(|r| [&[id][..], r].concat()).collect()
}

/// An InfoType's items and how many there are.
fn info(c: Context<'_>, kind: u8) -> Option<(u8, Vec<u8>)> {
    let fill = |text: &str, room: usize| {
        let mut bytes = text.as_bytes().to_vec();
        bytes.resize(room, 0);
        bytes
    };
    Some(match (kind, c.who) {
        (0x02, Who::Engine) => (1, c.memory.vin().to_vec()),
        (0x04, Who::Engine) => (2, [fill("HLC-ENGINE-0007", 16), fill("HLC-VAPOUR-0003", 16)].concat()),
        (0x04, Who::Gearbox) => (1, fill("HLC-GEARBOX-0002", 16)),
        (0x06, Who::Engine) => (2, vec![0x17, 0x91, 0xBC, 0x82, 0x42, 0x00, 0x15, 0x07]),
        (0x06, Who::Gearbox) => (1, vec![0x16, 0xE0, 0x62, 0xBE]),
        (0x08, Who::Engine) => (20, c.memory.counters(c.seen)),
        // The standard's own example of a name: acronym, a zero, text.
        (0x0A, Who::Engine) => (1, fill("ECM\0-EngineControl", 20)),
        (0x0A, Who::Gearbox) => (1, fill("TCM\0-TransmisCtrl", 20)),
        _ => return None,
    })
}

fn information(c: Context<'_>, rest: &[u8]) -> Said {
    let &[kind] = rest else { return Err(WRONG_LENGTH) };
    if kind.is_multiple_of(0x20) {
        let mask = live::mask(kind, |k| info(c, k).is_some());
        return Ok((kind == 0 || mask != [0; 4]).then(|| [&[kind][..], &mask].concat()));
    }
    Ok(info(c, kind).map(|(count, data)| [&[kind, count][..], &data].concat()))
}

/// Service 22: F190 is the VIN, F4xx PIDs, F6xx monitors and F8xx InfoTypes on a vehicle of SAE J1979-2, the rest is the
/// maker's own.
fn identifiers(c: Context<'_>, rest: &[u8]) -> Said {
    if rest.is_empty() || !rest.len().is_multiple_of(2) {
        return Err(WRONG_LENGTH);
    }
    let mut all = Vec::new();
    for id in rest.chunks_exact(2) {
        let newer = c.standard == Standard::J1979_2;
        let data = match (id[0], id[1]) {
            (0xF1, 0x90) if c.who == Who::Engine => Some(c.memory.vin().to_vec()),
            (0xF4, low) if newer => pid(c, low),
            // As services 06 and 09 say it, without repeating the name.
            (0xF6, low) if newer => monitors(c, &[low])?.map(|d| d.chunks(9).flat_map(|r| r[1..].to_vec()).collect()),
            (0xF8, low) if newer => information(c, &[low])?.map(|d| d[1..].to_vec()),
            _ => maker::data(c, u16::from_be_bytes([id[0], id[1]])),
        };
        all.extend(data.map(|d| [id, &d].concat()).unwrap_or_default());
    }
    if all.is_empty() { Err(OUT_OF_RANGE) } else { Ok(Some(all)) }
}

/// Bits of a code's status that this controller keeps: failed, pending, stored, lamp.
const STATUS: u8 = 0x8D;

/// Service 19: codes by status (02), emission-related codes (42) and permanent ones (55), and what stood when a code came
/// (04; record 00, and FF, which asks for all).
fn reports(c: Context<'_>, rest: &[u8]) -> Said {
    let newer = c.standard == Standard::J1979_2;
    let codes: &[_] = if c.who == Who::Engine { c.memory.codes() } else { &[] };
    let status = |stored: bool| if stored { 0x89 } else { 0x05 };
    let three = |word: u16| [word.to_be_bytes()[0], word.to_be_bytes()[1], 0];
    let matching = |mask: u8| codes.iter().map(|c| (c.word, status(c.stored))).filter(move |c| c.1 & mask != 0);
    Ok(Some(match *rest {
        [0x02, mask] => {
            let all = matching(mask).flat_map(|(word, s)| [&three(word)[..], &[s]].concat());
            [0x02, STATUS].into_iter().chain(all).collect()
        }
        // Group 33 is emissions; codes as SAE J2012 writes them are format 04; severity 20: check at the next halt.
        [0x42, 0x33, mask, severity] if newer => {
            let all = matching(mask).filter(|_| severity & 0x20 != 0);
            let all = all.flat_map(|(word, s)| [&[0x20][..], &three(word), &[s]].concat());
            [0x42, 0x33, STATUS, 0xFF, 0x04].into_iter().chain(all).collect()
        }
        [0x55, 0x33] if newer => {
            let all = codes.iter().filter(|c| c.stored);
            let all = all.flat_map(|c| [&three(c.word)[..], &[status(true)]].concat());
            [0x55, 0x33, STATUS, 0x04].into_iter().chain(all).collect()
        }
        [0x04, a, b, failure, record] if newer => {
            let wanted = u16::from_be_bytes([a, b]);
            let code = codes.iter().find(|c| c.word == wanted && failure == 0 && matches!(record, 0x00 | 0xFF));
            let code = code.ok_or(OUT_OF_RANGE)?;
            [&[0x04, a, b, failure, status(code.stored)][..], &snapshot(code, c.memory)].concat()
        }
        [0x02 | 0x42 | 0x55, ..] => return Err(WRONG_LENGTH),
        [0x04, ..] if newer => return Err(WRONG_LENGTH),
        _ => return Err(NO_KIND),
    }))
}

/// SAE J1850, ISO 9141-2 and ISO 14230: messages of at most seven bytes, one PID a question, codes three a message and
/// without a count, texts in numbered parts of four bytes; and by service 06 tests of the maker's own.
fn old(c: Context<'_>, service: u8, rest: &[u8]) -> Vec<Vec<u8>> {
    let said = match (service, rest) {
        (0x01, [one]) => pid(c, *one).map(|d| vec![[&[0x41, *one][..], &d].concat()]),
        (0x02, [..]) => match freeze_frame(c, rest) {
            Ok(Some(d)) => Some(vec![[&[0x42][..], &d].concat()]),
            _ => None,
        },
        (0x06, [test]) => makers_own(c, *test),
        (0x03 | 0x07, []) => Some(three_by_three(service, &codes_of(c, service))),
        (0x09, [kind]) if kind.is_multiple_of(0x20) => {
            let mask = live::mask(*kind, |k| k < 8 && info(c, k).is_some());
            (mask != [0; 4] || *kind == 0).then(|| vec![[&[0x49, *kind, 1][..], &mask].concat()])
        }
        (0x09, [kind]) if *kind < 8 => info(c, *kind).map(|(_, data)| numbered(*kind, &data)),
        _ => None,
    };
    match said {
        Some(answers) => answers,
        // Only ISO 14230 knows a "no".
        None if c.standard == Standard::Iso14230 && !c.to_all => vec![vec![0x7F, service, NO_KIND]],
        None => Vec::new(),
    }
}

/// Service 06 before CAN: the pull (01, its longest) and the hold (02, its shortest), both of component 01.
fn makers_own(c: Context<'_>, test: u8) -> Option<Vec<Vec<u8>>> {
    let (monitor, least) = match test {
        _ if c.who != Who::Engine => return None,
        0 => return Some(vec![vec![0x46, 0, 0xFF, 0xC0, 0, 0, 0]]),
        1 => (0x39, false),
        2 => (0x3B, true),
        _ => return None,
    };
    let rows = c.memory.results(monitor, c.seen);
    let row = rows.first()?;
    let limit = if least { &row[4..6] } else { &row[6..8] };
    Some(vec![[&[0x46, test, u8::from(least) << 7 | 1][..], &row[2..4], limit].concat()])
}

fn three_by_three(service: u8, codes: &[u16]) -> Vec<Vec<u8>> {
    let message = |codes: &[u16]| {
        let mut bytes = vec![service | 0x40];
        bytes.extend(codes.iter().flat_map(|w| w.to_be_bytes()));
        bytes.resize(7, 0);
        bytes
    };
    if codes.is_empty() { vec![message(&[])] } else { codes.chunks(3).map(message).collect() }
}

/// Parts of four bytes, numbered from 1; the first is filled up in front (a VIN of 17 bytes takes five).
fn numbered(kind: u8, data: &[u8]) -> Vec<Vec<u8>> {
    let mut whole = vec![0; (4 - data.len() % 4) % 4];
    whole.extend_from_slice(data);
    (1u8..).zip(whole.chunks(4)).map(|(n, part)| [&[0x49, kind, n][..], part].concat()).collect()
}
