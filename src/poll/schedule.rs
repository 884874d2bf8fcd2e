//! What live data is due: each datum at its channel's rate, those of one controller together.

use super::own_word::Era;
use super::{Address, Question, To, Wire};
use crate::channel::Channel;
use crate::profile::BusSources;
use crate::time::Stamp;
use crate::wire::ask::Request;
use crate::wire::obd;
use std::collections::{BTreeMap, BTreeSet};

/// PIDs of the engine's speed and of the supply: asked whether or not the profile wants them, since silence hangs on them.
pub(super) const RPM: u8 = 0x0C;
pub(super) const SUPPLY: u8 = 0x42;
/// Their rates where the profile gives none, 1/s.
const OWN_RATE: [(u8, f64); 2] = [(RPM, 0.5), (SUPPLY, 0.2)];
/// What goes unanswered so often while its controller answers other questions is not asked again.
const MISSES: u8 = 3;
/// Due so soon, seconds: asked with what is due now.
const SOON_S: f64 = 0.02;

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Datum {
    /// A PID of SAE J1979.
    Pid(u8),
    /// An identifier of ISO 14229.
    Did(u16),
}

#[derive(Debug, Clone)]
struct Item {
    datum: Datum,
    channel: Option<Channel>,
    period_s: f64,
    due: Stamp,
    giver: Option<Address>,
    misses: u8,
    dropped: bool,
}

/// All that is to be asked again and again.
#[derive(Debug, Clone)]
pub(super) struct Schedule {
    items: Vec<Item>,
    /// Who did not answer to several data in one question.
    one_at_a_time: BTreeSet<Option<Address>>,
}

impl Schedule {
    pub(super) fn new(bus: &BusSources) -> Schedule {
        let item = |datum, channel, rate_hz: f64| Item {
            datum,
            channel,
            period_s: 1.0 / rate_hz,
            due: Stamp::ZERO,
            giver: None,
            misses: 0,
            dropped: false,
        };
        let mut items: Vec<Item> =
            bus.obd.iter().map(|s| item(Datum::Pid(s.pid), Some(s.channel), s.rate_hz)).collect();
        for (pid, rate) in OWN_RATE {
            if !bus.obd.iter().any(|s| s.pid == pid) {
                items.push(item(Datum::Pid(pid), None, rate));
            }
        }
        for s in &bus.did {
            // Two channels of one record are one question, at the quicker rate.
            match items.iter_mut().find(|i| i.datum == Datum::Did(s.did)) {
                Some(i) => i.period_s = i.period_s.min(1.0 / s.rate_hz),
                None => items.push(item(Datum::Did(s.did), Some(s.channel), s.rate_hz)),
            }
        }
        Schedule { items, one_at_a_time: BTreeSet::new() }
    }

    /// The PIDs that are wanted, to know which masks to ask for.
    pub(super) fn pids(&self) -> impl Iterator<Item = u8> + '_ {
        self.items.iter().filter_map(|i| match i.datum {
            Datum::Pid(pid) => Some(pid),
            Datum::Did(_) => None,
        })
    }

    /// Begins: who gives what is now known. Returns what nobody gives, in words.
    pub(super) fn begin(&mut self, at: Stamp, have: &BTreeMap<Address, BTreeSet<u8>>) -> Vec<String> {
        self.one_at_a_time.clear();
        let mut missing = Vec::new();
        for i in &mut self.items {
            (i.due, i.misses, i.dropped, i.giver) = (at, 0, false, None);
            if let Datum::Pid(pid) = i.datum {
                i.giver = have.iter().find(|(_, pids)| pids.contains(&pid)).map(|(who, _)| *who);
                i.dropped = i.giver.is_none();
                missing.extend(i.channel.filter(|_| i.dropped).map(|c| format!("{c} (PID {pid:02X})")));
            }
        }
        missing
    }

    /// What is due, if anything.
    pub(super) fn next(&self, at: Stamp, wire: Wire, era: Era) -> Option<(Question, Vec<Datum>)> {
        let first = self.items.iter().filter(|i| !i.dropped && i.due <= at).min_by_key(|i| i.due)?;
        let most = match first.datum {
            _ if wire == Wire::Text || self.one_at_a_time.contains(&first.giver) => 1,
            Datum::Pid(_) if era == Era::Classic => 6,
            Datum::Pid(_) | Datum::Did(_) => 3,
        };
        let kind = std::mem::discriminant(&first.datum);
        let soon = at.plus(SOON_S);
        let mut also: Vec<&Item> = self
            .items
            .iter()
            .filter(|i| !i.dropped && i.due <= soon && i.giver == first.giver)
            .filter(|i| std::mem::discriminant(&i.datum) == kind && i.datum != first.datum)
            .collect();
        also.sort_by_key(|i| i.due);
        let mut data = vec![first.datum];
        for i in also {
            if data.len() < most && !data.contains(&i.datum) {
                data.push(i.datum);
            }
        }
        let to = match first.giver {
            Some(giver) if wire == Wire::Can => To::One(giver),
            _ => To::All,
        };
        Some((Question { request: request(&data, era), to }, data))
    }

    /// Where the next may become due.
    pub(super) fn wait(&self) -> Option<Stamp> {
        self.items.iter().filter(|i| !i.dropped).map(|i| i.due).min()
    }

    /// It was asked: due again on the grid of its period, so that what was missed is not caught up with.
    pub(super) fn asked(&mut self, at: Stamp, data: &[Datum]) {
        for i in self.items.iter_mut().filter(|i| data.contains(&i.datum)) {
            let behind = (at.since(i.due) / i.period_s).max(0.0);
            i.due = i.due.plus((behind.trunc() + 1.0) * i.period_s);
        }
    }

    /// It was answered by `from` with these data, or with none of them. Returns what is not asked again, in words.
    pub(super) fn answered(&mut self, data: &[Datum], from: Option<Address>, there: &[Datum]) -> Vec<String> {
        if there.is_empty() && data.len() > 1 {
            // It may not take several at once: each gets its own chance.
            let giver = self.items.iter().find(|i| i.datum == data[0]).and_then(|i| i.giver);
            self.one_at_a_time.insert(giver);
            return Vec::new();
        }
        let mut missing = Vec::new();
        for i in self.items.iter_mut().filter(|i| data.contains(&i.datum)) {
            if there.contains(&i.datum) {
                i.misses = 0;
                i.giver = i.giver.or(from);
                continue;
            }
            i.misses += 1;
            if i.misses >= MISSES && !i.dropped {
                i.dropped = true;
                missing.extend(i.channel.map(|c| match i.datum {
                    Datum::Pid(pid) => format!("{c} (PID {pid:02X})"),
                    Datum::Did(did) => format!("{c} (identifier {did:04X})"),
                }));
            }
        }
        missing
    }

    /// What went unanswered of late is not held against anything.
    pub(super) fn forgive(&mut self) {
        self.one_at_a_time.clear();
        self.items.iter_mut().filter(|i| !i.dropped).for_each(|i| i.misses = 0);
    }

    /// The data of `asked` that an answer holds.
    pub(super) fn held(asked: &[Datum], message: &[u8]) -> Vec<Datum> {
        match message.first() {
            Some(0x41) => match obd::answer(message) {
                Ok(obd::Answer::Live(all)) => all.iter().map(|(pid, _)| Datum::Pid(*pid)).collect(),
                _ => Vec::new(),
            },
            // The lengths are the profile's; that it answers is enough.
            Some(0x62) => asked
                .iter()
                .copied()
                .filter(|d| {
                    let id = did(*d).to_be_bytes();
                    message.windows(2).skip(1).any(|w| w == id)
                })
                .collect(),
            _ => Vec::new(),
        }
    }
}

fn did(datum: Datum) -> u16 {
    match datum {
        Datum::Pid(pid) => 0xF400 | u16::from(pid),
        Datum::Did(did) => did,
    }
}

pub(super) fn request(data: &[Datum], era: Era) -> Request {
    let pids: Vec<u8> = data
        .iter()
        .filter_map(|d| match d {
            Datum::Pid(pid) if era == Era::Classic => Some(*pid),
            _ => None,
        })
        .collect();
    if pids.is_empty() { Request::Dids(data.iter().copied().map(did).collect()) } else { Request::Live(pids) }
}
