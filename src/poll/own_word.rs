//! The controller's own word: what it is asked at key-on, a minute after engine start, and before this program falls
//! silent. What is asked, in which order, stands in [`list`] and nowhere else.
//!
//! Service and identifier numbers are those of SAE J1979 and, for vehicles that answer only SAE J1979-2, of ISO 14229
//! with the identifiers of SAE J1979-2 (F4xx: PID xx, F6xx: monitor xx, F8xx: InfoType xx); from memory.

use super::schedule::{Datum, request};
use super::{Address, To, Wire};
use crate::wire::ask::Request;
use crate::wire::{obd, uds};
use std::collections::VecDeque;

/// When it is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Occasion {
    /// The controllers began to answer.
    KeyOn,
    /// The engine has run for a minute.
    AfterStart,
    /// Before falling silent.
    Last,
}

/// How a vehicle is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Era {
    /// By SAE J1979.
    Classic,
    /// By SAE J1979-2, on the services of ISO 14229.
    Newer,
}

/// Makes a question for the number that a mask names.
type By = fn(u8) -> Request;

/// One line of the list.
enum Line {
    /// Ask this.
    Ask(Request),
    /// Ask this PID if the controller says that it has it.
    Pid(u8),
    /// Ask for a mask, and then for those of these that it names.
    Named(Request, &'static [u8], By),
    /// Ask which code stored the freeze frame; if there is one, ask for the mask of its PIDs and for these.
    Frozen(&'static [u8]),
    /// Ask for codes of this status, and in the end for what stood when each of them was stored.
    Codes(u8),
}

/// VIN, calibration identifications, their verification numbers, in-use counters (spark and compression ignition), name.
const INFO: &[u8] = &[0x02, 0x04, 0x06, 0x08, 0x0A, 0x0B];
const IN_USE: &[u8] = &[0x08, 0x0B];
/// Fuel vapour: cap, 0.090 in, 0.040 in, 0.020 in, purge flow.
const VAPOUR: &[u8] = &[0x39, 0x3A, 0x3B, 0x3C, 0x3D];
/// Tests of the maker's own on an older bus: the first sixteen, since each takes a slow line some tenths of a second.
const MAKERS: &[u8] = &[1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16];
/// Of a freeze frame: what bears on fuel vapour.
const FROZEN: &[u8] = &[0x03, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0F, 0x1F, 0x2E, 0x2F, 0x32, 0x33, 0x42, 0x46, 0x54];

/// Monitor status since codes were cleared, in this driving cycle; full scales of sensors (the manifold's).
const STATUS: u8 = 0x01;
const THIS_CYCLE: u8 = 0x41;
const FULL_SCALES: u8 = 0x4F;

/// So many codes of one controller are asked for what stood when they were stored; those about fuel vapour first.
const MOST_SNAPSHOTS: usize = 8;

fn list(era: Era, occasion: Occasion, wire: Wire) -> Vec<Line> {
    use Line::{Ask, Codes, Frozen, Named, Pid};
    // The older buses know neither permanent codes nor results by monitor identifier: their tests are the maker's own.
    let on_can = wire != Wire::Text;
    let (info, monitors): (By, By) = match era {
        Era::Classic => (Request::Info, Request::Monitor),
        Era::Newer => (|i| Request::Dids(vec![0xF800 | u16::from(i)]), |m| Request::Dids(vec![0xF600 | u16::from(m)])),
    };
    let mut lines = match occasion {
        Occasion::KeyOn => vec![Named(info(0x00), INFO, info)],
        Occasion::Last => vec![Named(info(0x00), IN_USE, info)],
        Occasion::AfterStart => Vec::new(),
    };
    if era == Era::Newer && occasion == Occasion::KeyOn {
        // The VIN by ISO 14229 itself.
        lines.push(Ask(Request::Dids(vec![0xF190])));
    }
    lines.extend(match era {
        Era::Classic if on_can => vec![Ask(Request::Stored), Ask(Request::Pending), Ask(Request::Permanent)],
        Era::Classic => vec![Ask(Request::Stored), Ask(Request::Pending)],
        // Confirmed, then pending.
        Era::Newer => vec![Codes(0x08), Codes(0x04), Ask(Request::EmissionPermanent)],
    });
    lines.extend([Pid(STATUS), Pid(THIS_CYCLE)]);
    if occasion == Occasion::KeyOn {
        lines.push(Pid(FULL_SCALES));
    }
    if occasion != Occasion::AfterStart {
        let (first, wanted) = if on_can { (0x20, VAPOUR) } else { (0x00, MAKERS) };
        lines.push(Named(monitors(first), wanted, monitors));
    }
    if occasion != Occasion::AfterStart && era == Era::Classic {
        lines.push(Frozen(FROZEN));
    }
    lines
}

/// What becomes of an answer.
#[derive(Debug, Clone)]
enum Then {
    Nothing,
    Named(&'static [u8], By),
    Frozen(&'static [u8]),
    Snapshots,
}

/// A list under way.
#[derive(Debug, Clone)]
pub(super) struct OwnWord {
    /// Who, what, and what then; the first is asked next or is being asked.
    left: VecDeque<(To, Request, Then)>,
    one_by_one: bool,
    again: bool,
}

impl OwnWord {
    /// For these controllers; `has` tells which PIDs one has, as far as it is known.
    pub(super) fn new(
        era: Era,
        occasion: Occasion,
        wire: Wire,
        controllers: &[Address],
        has: impl Fn(To, u8) -> bool,
    ) -> OwnWord {
        let one_by_one = wire == Wire::Can;
        let whom: Vec<To> = if one_by_one { controllers.iter().copied().map(To::One).collect() } else { vec![To::All] };
        let mut left = VecDeque::new();
        for to in whom {
            for line in list(era, occasion, wire) {
                let pid = |pid: u8| request(&[Datum::Pid(pid)], era);
                match line {
                    Line::Ask(request) => left.push_back((to, request, Then::Nothing)),
                    Line::Pid(p) if has(to, p) => left.push_back((to, pid(p), Then::Nothing)),
                    Line::Pid(_) => {}
                    Line::Named(mask, wanted, then) => left.push_back((to, mask, Then::Named(wanted, then))),
                    Line::Codes(status) => left.push_back((to, Request::EmissionCodes(status), Then::Snapshots)),
                    Line::Frozen(wanted) => left.push_back((to, Request::Frozen(0x02), Then::Frozen(wanted))),
                }
            }
        }
        OwnWord { left, one_by_one, again: false }
    }

    /// What to ask now; the same until [`OwnWord::done`].
    pub(super) fn next(&self) -> Option<(To, Request)> {
        self.left.front().map(|(to, request, _)| (*to, request.clone()))
    }

    /// The question was answered by these, or by nobody: then it is asked once more. `busy`: asked again all the same.
    pub(super) fn done(&mut self, answers: &[(Address, Vec<u8>)], busy: bool) {
        let Some((to, request, then)) = self.left.pop_front() else { return };
        if (answers.is_empty() || busy) && !self.again {
            self.again = true;
            return self.left.push_front((to, request, then));
        }
        self.again = false;
        let mut more: Vec<(To, Request, Then)> = Vec::new();
        for (from, message) in answers {
            let to = if self.one_by_one { To::One(*from) } else { To::All };
            let found: Vec<(Request, Then)> = match &then {
                Then::Nothing => Vec::new(),
                Then::Snapshots => {
                    self.snapshots(to, message);
                    Vec::new()
                }
                Then::Named(wanted, ask) => named(message, wanted, *ask),
                Then::Frozen(wanted) => match obd::answer(message) {
                    // No code: no frame.
                    Ok(obd::Answer::Frozen(0x02, _, code)) if code.iter().any(|b| *b != 0) => {
                        vec![(Request::Frozen(0x00), Then::Named(wanted, Request::Frozen))]
                    }
                    _ => Vec::new(),
                },
            };
            for (request, then) in found {
                if !more.iter().any(|m| m.0 == to && m.1 == request) {
                    more.push((to, request, then));
                }
            }
        }
        for m in more.into_iter().rev() {
            self.left.push_front(m);
        }
    }

    /// Puts what stood when these codes were stored behind all else, each once.
    fn snapshots(&mut self, to: To, message: &[u8]) {
        let Ok(uds::Answer::Codes(_, mut codes)) = uds::answer(message) else { return };
        codes.sort_by_key(|c| !c.0.is_vapour());
        for (code, _) in codes {
            let ask = Request::Snapshots(code.three());
            let there = self.left.iter().filter(|l| l.0 == to && matches!(l.1, Request::Snapshots(_)));
            if there.clone().count() < MOST_SNAPSHOTS && !there.clone().any(|l| l.1 == ask) {
                self.left.push_back((to, ask, Then::Nothing));
            }
        }
    }
}

/// Questions for those of `wanted` that a mask of four bytes names, wherever it stands: at the end of its answer, behind
/// the identifier that was asked for. If the mask goes on and something wanted lies there, that is asked for too.
fn named(message: &[u8], wanted: &'static [u8], ask: By) -> Vec<(Request, Then)> {
    let first = match message {
        [0x42 | 0x46 | 0x49, first, ..] | [0x62, _, first, ..] if message.len() >= 6 => *first,
        _ => return Vec::new(),
    };
    let mask = message.last_chunk::<4>().map_or(0, |m| u32::from_be_bytes(*m));
    let there: Vec<u8> = obd::supported(first, mask).collect();
    let mut found: Vec<(Request, Then)> =
        wanted.iter().filter(|w| there.contains(w)).map(|w| (ask(*w), Then::Nothing)).collect();
    if let Some(next) = first.checked_add(0x20).filter(|n| there.contains(n) && wanted.iter().any(|w| w > n)) {
        found.push((ask(next), Then::Named(wanted, ask)));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The mask with its filler as SAE J1979 has it before CAN, from memory.
    #[test]
    fn an_older_bus_is_asked_for_the_makers_tests_that_it_names() {
        let mut word = OwnWord::new(Era::Classic, Occasion::Last, Wire::Text, &[], |_, _| false);
        let mut asked = Vec::new();
        while let Some((_, request)) = word.next() {
            let mask = vec![0x46, 0x00, 0xFF, 0xC0, 0, 0, 1];
            let answer = (Address::Node(0x10), if request == Request::Monitor(0) { mask } else { vec![0x7F] });
            asked.push(request);
            word.done(&[answer], false);
        }
        let monitors = [0, 1, 2].map(Request::Monitor);
        let codes = [Request::Info(0), Request::Stored, Request::Pending];
        assert_eq!(asked, [&codes[..], &monitors, &[Request::Frozen(2)]].concat());
        let after = OwnWord::new(Era::Classic, Occasion::AfterStart, Wire::Text, &[], |_, _| false);
        assert!(!after.left.iter().any(|l| matches!(l.1, Request::Monitor(_))));
    }

    /// Codes as ISO 14229 service 19 42 gives them: the same in both lists, and one that is not about fuel vapour.
    #[test]
    fn a_newer_vehicle_is_asked_what_stood_when_each_code_was_stored() {
        let engine = Address::Can(crate::wire::can_frame::Id::Standard(0x7E8));
        let mut word = OwnWord::new(Era::Newer, Occasion::AfterStart, Wire::Can, &[engine], |_, _| false);
        let mut asked = Vec::new();
        while let Some((to, request)) = word.next() {
            let codes =
                [&[0x59, 0x42, 0x33, 0x8D, 0xFF, 4][..], &[0x20, 3, 1, 0, 9], &[0x20, 4, 0x56, 0, 0x8D]].concat();
            let answer = if matches!(request, Request::EmissionCodes(_)) { codes } else { vec![0x7F, 0x19, 0x31] };
            assert_eq!(to, To::One(engine));
            asked.push(request);
            word.done(&[(engine, answer)], false);
        }
        let lists = [Request::EmissionCodes(8), Request::EmissionCodes(4), Request::EmissionPermanent];
        let stood = [[4, 0x56, 0], [3, 1, 0]].map(Request::Snapshots);
        assert_eq!(asked, [&lists[..], &stood].concat());
    }
}
