//! A vehicle for the poller's tests, of frames on a bus: its controllers answer, its network sleeps. Small on purpose and
//! without physics; it shares the codec of ISO 15765-2 with the poller.

use crate::time::Stamp;
use crate::wire::addresses::{answers, ask_id};
use crate::wire::can_frame::{Frame, Id};
use crate::wire::isotp::{Part, Send, Sender, part};
use std::collections::{BTreeMap, VecDeque};

pub const ENGINE: Id = Id::Standard(0x7E8);
pub const GEARBOX: Id = Id::Standard(0x7E9);

/// How a controller behaves.
#[derive(Debug, Clone)]
pub struct Controller {
    pub id: Id,
    /// PIDs with their bytes; the engine's speed is the car's.
    pub pids: BTreeMap<u8, Vec<u8>>,
    pub newer: bool,
    /// Takes several data in one question.
    pub several: bool,
    pub delay_s: f64,
    /// Says so often "I need longer" before each answer, a second apart.
    pub pending: u32,
    pub code: bool,
    pub busy_until: f64,
}

impl Controller {
    pub fn new(id: Id, pids: &[(u8, &[u8])]) -> Controller {
        let pids = pids.iter().map(|(p, b)| (*p, b.to_vec())).collect();
        Controller { id, pids, newer: false, several: true, delay_s: 0.01, pending: 0, code: false, busy_until: 0.0 }
    }

    /// An engine's controller with what the built-in profile asks for, but for the outside air.
    pub fn engine() -> Controller {
        let pids: &[(u8, &[u8])] = &[
            (0x01, &[0x82, 0x07, 0x65, 0x04]),
            (0x05, &[130]),
            (0x06, &[128]),
            (0x07, &[128]),
            (0x0B, &[35]),
            (0x0C, &[0, 0]),
            (0x0D, &[50]),
            (0x0F, &[60]),
            (0x2E, &[40]),
            (0x2F, &[128]),
            (0x33, &[101]),
            (0x42, &[0x36, 0xB0]),
        ];
        Controller::new(ENGINE, pids)
    }

    fn mask(&self, first: u8) -> [u8; 4] {
        let there = |pid: u16| match pid {
            0x20 | 0x40 | 0x60 => self.pids.keys().any(|p| u16::from(*p) > pid),
            _ => u8::try_from(pid).is_ok_and(|p| self.pids.contains_key(&p)),
        };
        let bits = (1..=32u16).filter(|i| there(u16::from(first) + i)).fold(0u32, |m, i| m | 1 << (32 - i));
        bits.to_be_bytes()
    }

    fn pid(&self, pid: u8, rpm: f64) -> Option<Vec<u8>> {
        match pid {
            0x00 | 0x20 | 0x40 => Some(self.mask(pid).to_vec()),
            0x0C => self.pids.get(&pid).map(|_| ((rpm * 4.0) as u16).to_be_bytes().to_vec()),
            _ => self.pids.get(&pid).cloned(),
        }
    }

    /// The answer, if it gives one; `to_all`: nobody says no to a question to all (ISO 14229, ISO 15765-4).
    fn answer(&self, request: &[u8], rpm: f64, to_all: bool) -> Option<Vec<u8>> {
        let no = |why: u8| (!to_all).then(|| vec![0x7F, request[0], why]);
        match request {
            [0x22, ids @ ..] if self.newer => {
                let mut out = vec![0x62];
                for id in ids.chunks_exact(2) {
                    let data = match (id[0], id[1]) {
                        (0xF4, pid) => self.pid(pid, rpm),
                        (0xF8, 0x00) => Some(vec![0x40, 0, 0, 0]),
                        (0xF8, 0x02) | (0xF1, 0x90) => Some([b"\x01".as_slice(), &[b'V'; 17]].concat()),
                        _ => None,
                    };
                    if let Some(data) = data {
                        out.extend_from_slice(id);
                        out.extend(data);
                    }
                }
                if out.len() > 1 { Some(out) } else { no(0x31) }
            }
            [0x19, report, ..] if self.newer => Some(vec![0x59, *report, 0x33, 0xFF, 0xFF, 0x04]),
            _ if self.newer => no(0x11),
            [0x01, pids @ ..] if pids.len() == 1 || self.several => {
                let mut out = vec![0x41];
                for pid in pids {
                    if let Some(data) = self.pid(*pid, rpm) {
                        out.push(*pid);
                        out.extend(data);
                    }
                }
                (out.len() > 1).then_some(out)
            }
            [0x01, ..] => None,
            [0x02, 0x02, 0] if self.code => Some(vec![0x42, 0x02, 0, 0x04, 0x55]),
            [0x02, 0x02, 0] => Some(vec![0x42, 0x02, 0, 0, 0]),
            [0x02, 0x00, 0] => Some([&[0x42, 0x00, 0][..], &self.mask(0)].concat()),
            [0x02, pid, 0] => self.pid(*pid, rpm).map(|d| [&[0x42, *pid, 0][..], &d].concat()),
            [0x03] if self.code => Some(vec![0x43, 1, 0x04, 0x55]),
            [kind @ (0x03 | 0x07 | 0x0A)] => Some(vec![kind + 0x40, 0]),
            [0x06, 0x20] => Some(vec![0x46, 0x20, 0, 0, 0x00, 0x18]),
            [0x06, id] => Some(vec![0x46, *id, 0x81, 0xFE, 0, 1, 0, 0, 0, 9]),
            [0x09, 0x00] => Some(vec![0x49, 0x00, 0x40, 0, 0, 0]),
            [0x09, 0x02] => Some([&[0x49, 2, 1][..], &[b'V'; 17]].concat()),
            _ => no(0x11),
        }
    }
}

/// A frame that a controller sends by itself.
#[derive(Debug, Clone)]
pub struct Regular {
    pub id: Id,
    pub period_s: f64,
    /// Only with the key on; else as long as the network is awake.
    pub with_key: bool,
    next: f64,
}

impl Regular {
    pub fn new(id: u16, period_s: f64, with_key: bool) -> Regular {
        Regular { id: Id::Standard(id), period_s, with_key, next: 0.0 }
    }
}

#[derive(Debug, Clone)]
pub struct Car {
    pub controllers: Vec<Controller>,
    pub regular: Vec<Regular>,
    pub key: bool,
    pub rpm: f64,
    /// Controllers answer for so long after key-off, and after each question then if questions keep them awake.
    pub after_run_s: f64,
    /// The network goes to sleep this long after the last reason to be awake.
    pub network_s: f64,
    pub questions_keep_awake: bool,
    /// What keeps controllers and network awake ends here.
    controllers_until: f64,
    network_until: f64,
    /// Frames to come: when, which. And answers of several frames under way.
    coming: VecDeque<(f64, Frame)>,
    sending: BTreeMap<Id, Sender>,
}

impl Car {
    pub fn new(controllers: Vec<Controller>) -> Car {
        Car {
            controllers,
            regular: vec![Regular::new(0x0C0, 0.1, true), Regular::new(0x300, 0.1, false)],
            key: false,
            rpm: 0.0,
            after_run_s: 1.0,
            network_s: 20.0,
            questions_keep_awake: false,
            controllers_until: -1.0,
            network_until: -1.0,
            coming: VecDeque::new(),
            sending: BTreeMap::new(),
        }
    }

    pub fn set_key(&mut self, at: f64, on: bool) {
        self.key = on;
        self.rpm = if on { self.rpm } else { 0.0 };
        self.controllers_until = at + self.after_run_s;
        self.network_until = at + self.network_s;
        self.regular.iter_mut().for_each(|r| r.next = r.next.max(at + r.period_s));
    }

    /// Somebody opens a door.
    pub fn door(&mut self, at: f64) {
        self.network_until = self.network_until.max(at + self.network_s);
        self.regular.iter_mut().for_each(|r| r.next = r.next.max(at));
    }

    pub fn controllers_awake(&self, at: f64) -> bool {
        self.key || at < self.controllers_until
    }

    pub fn network_awake(&self, at: f64) -> bool {
        self.key || at < self.network_until
    }

    /// A frame of the tester.
    pub fn hear(&mut self, at: f64, frame: &Frame) {
        if !self.controllers_awake(at) {
            return;
        }
        if self.questions_keep_awake && !self.key {
            self.controllers_until = at + self.after_run_s;
            self.network_until = at + self.network_s;
        }
        match part(frame.bytes()) {
            Some(Part::Single(request)) => {
                let rpm = self.rpm;
                let mut answers_of = Vec::new();
                for c in &mut self.controllers {
                    let to_all = match c.id {
                        Id::Standard(_) => frame.id == Id::Standard(0x7DF),
                        Id::Extended(_) => frame.id == Id::Extended(0x18DB_33F1),
                    };
                    if !to_all && ask_id(c.id) != Some(frame.id) {
                        continue;
                    }
                    assert!(at >= c.busy_until, "{} is asked again while it answers", c.id);
                    let Some(answer) = c.answer(request, rpm, to_all) else { continue };
                    let mut when = at + c.delay_s;
                    for _ in 0..c.pending {
                        answers_of.push((when, c.id, vec![0x7F, request[0], 0x78]));
                        when += 1.0;
                    }
                    c.busy_until = when;
                    answers_of.push((when, c.id, answer));
                }
                for (when, id, message) in answers_of {
                    let mut sender = Sender::new(&message, 8).unwrap();
                    if let Send::Frame(data) = sender.poll(Stamp::from_secs(when)) {
                        self.put(when, Frame::data(id, &data).unwrap());
                    }
                    self.sending.insert(id, sender);
                }
            }
            Some(Part::Flow(flow)) => {
                let now = Stamp::from_secs(at);
                let Some(id) = self.sending.keys().copied().find(|id| ask_id(*id) == Some(frame.id)) else { return };
                let mut sender = self.sending.remove(&id).unwrap();
                sender.flow(now, flow);
                let mut when = at;
                loop {
                    match sender.poll(Stamp::from_secs(when)) {
                        Send::Frame(data) => self.put(when + 0.0005, Frame::data(id, &data).unwrap()),
                        Send::Until(t) => when = t.secs(),
                        _ => break,
                    }
                    when += 0.0005;
                }
                self.sending.insert(id, sender);
            }
            _ => {}
        }
    }

    fn put(&mut self, when: f64, frame: Frame) {
        assert!(answers(frame.id));
        let place = self.coming.iter().position(|c| c.0 > when).unwrap_or(self.coming.len());
        self.coming.insert(place, (when, frame));
    }

    /// When the next frame comes.
    pub fn next(&self, at: f64) -> Option<f64> {
        let regular = self.regular.iter().filter(|r| self.speaks(r, at)).map(|r| r.next);
        regular.chain(self.coming.front().map(|c| c.0)).min_by(f64::total_cmp)
    }

    fn speaks(&self, r: &Regular, at: f64) -> bool {
        if r.with_key { self.key } else { self.network_awake(at) }
    }

    /// The frames that are due.
    pub fn take(&mut self, at: f64) -> Vec<Frame> {
        let mut out = Vec::new();
        for i in 0..self.regular.len() {
            if self.speaks(&self.regular[i], at) && self.regular[i].next <= at {
                let r = &mut self.regular[i];
                r.next = at + r.period_s;
                out.push(Frame::data(r.id, &[0; 8]).unwrap());
            }
        }
        while self.coming.front().is_some_and(|c| c.0 <= at) {
            out.extend(self.coming.pop_front().map(|c| c.1));
        }
        out
    }
}
