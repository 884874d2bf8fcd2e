//! The poller: one question at a time, at the rates of the profile, within what the bus and its controllers can bear;
//! silent when the vehicle is to sleep.

use super::load::{Load, bits};
use super::own_word::{Era, Occasion, OwnWord};
use super::schedule::{Datum, RPM, SUPPLY, Schedule};
use super::state::{PollState, Silence};
use super::traffic::Traffic;
use super::{Address, Heard, Question, To, Told, Wire};
use crate::profile::Profile;
use crate::time::Stamp;
use crate::trade::Phase;
use crate::wire::ask::Request;
use crate::wire::obd;
use crate::wire::uds::PENDING;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

/// "Busy, ask again" (ISO 14229).
const BUSY: u8 = 0x21;
/// So many questions without an answer, and the controllers are taken to have gone.
const LOST: u32 = 3;
/// A controller that needs longer may say so this often.
const MOST_PENDING: u32 = 12;
/// First pause between attempts, seconds; it doubles.
const FIRST_PAUSE_S: f64 = 0.5;
/// First pause between looks at an engine at rest, seconds; it doubles.
const FIRST_LOOK_S: f64 = 10.0;
/// After so long the load is told, seconds: the first questions are behind it then.
const LOAD_S: f64 = 30.0;
/// The last questions at the end of a capture take no longer, seconds.
const LAST_S: f64 = 2.0;

/// What a question is for.
#[derive(Debug, Clone, PartialEq)]
enum Purpose {
    /// Is anybody there?
    Seek,
    /// Which PIDs are there?
    Mask,
    Live(Vec<Datum>),
    Own,
    /// Does the engine run again?
    Look,
}

/// What was asked and is not done with.
#[derive(Debug, Clone)]
struct Flight {
    question: Question,
    purpose: Purpose,
    deadline: Stamp,
    pending: u32,
    answers: Vec<(Address, Vec<u8>)>,
}

#[derive(Debug, Clone, PartialEq)]
enum Mode {
    /// Asks whether anybody answers, since then; `step` counts the questions of an attempt.
    Seeking {
        since: Stamp,
        step: u8,
        pause_s: f64,
        next: Stamp,
    },
    /// Asks which PIDs there are.
    Learning(VecDeque<(To, u8)>),
    Asking,
    /// The engine is at rest and nobody tells of the key: looks at it now and then.
    Resting {
        since: Stamp,
        gap_s: f64,
        next: Stamp,
        unanswered: u32,
    },
    /// Reads the controllers' word once more, then falls silent.
    Closing {
        until: Stamp,
        why: Silence,
    },
    /// Asks nothing.
    Silent {
        since: Stamp,
        why: Silence,
    },
}

/// Says what to ask next.
pub struct Poller {
    profile: Arc<Profile>,
    wire: Wire,
    era: Era,
    mode: Mode,
    have: BTreeMap<Address, BTreeSet<u8>>,
    schedule: Schedule,
    own: Option<OwnWord>,
    own_turn: bool,
    flight: Option<Flight>,
    unanswered: u32,
    traffic: Traffic,
    load: Load,
    bitrate: f64,
    /// Nothing before this, so that the bus is not taken up.
    not_before: Stamp,
    told: Option<Told>,
    key_off_since: Option<Stamp>,
    /// Engine at rest since; and running since.
    stopped_since: Option<Stamp>,
    running_since: Option<Stamp>,
    after_start_read: bool,
    asking_since: Option<Stamp>,
    volts: Option<f64>,
    low_since: Option<Stamp>,
    now: Stamp,
    news: VecDeque<String>,
}

impl Poller {
    /// Asks for what the profile's `[[obd]]` and `[[did]]` want.
    pub fn new(profile: &Arc<Profile>, wire: Wire) -> Poller {
        Poller {
            wire,
            era: Era::Classic,
            mode: Mode::Seeking { since: Stamp::ZERO, step: 0, pause_s: FIRST_PAUSE_S, next: Stamp::ZERO },
            have: BTreeMap::new(),
            schedule: Schedule::new(&profile.bus),
            own: None,
            own_turn: false,
            flight: None,
            unanswered: 0,
            traffic: Traffic::new(profile.set.bus.quiet_s),
            load: Load::default(),
            bitrate: profile.set.bus.bitrate,
            not_before: Stamp::ZERO,
            told: None,
            key_off_since: None,
            stopped_since: None,
            running_since: None,
            after_start_read: false,
            asking_since: None,
            volts: None,
            low_since: None,
            now: Stamp::ZERO,
            news: VecDeque::new(),
            profile: Arc::clone(profile),
        }
    }

    /// The bit rate of the bus, where it is known; else the profile's is taken.
    pub fn bitrate(&mut self, bitrate: f64) {
        self.bitrate = bitrate;
    }

    /// The bus is ready to be asked from now on.
    pub fn begin(&mut self, at: Stamp) {
        self.seek(at);
    }

    /// What the judge of this capture last said.
    pub fn phase(&mut self, at: Stamp, told: Told) {
        self.now = self.now.max(at);
        let before = self.told.replace(told);
        let off = told.key_seen && matches!(told.phase, Phase::KeyOff | Phase::Soak);
        self.key_off_since = if off { self.key_off_since.or(Some(at)) } else { None };
        let on = |t: Told| matches!(t.phase, Phase::KeyOn | Phase::Crank) || t.phase.engine_on();
        if matches!(self.mode, Mode::Silent { .. }) && on(told) && !before.is_some_and(on) {
            self.wake(at, "the key is on");
        }
    }

    /// What the link heard.
    pub fn heard(&mut self, at: Stamp, heard: Heard) {
        self.now = self.now.max(at);
        match heard {
            Heard::Traffic(id) => {
                let listening = match &self.mode {
                    Mode::Silent { since, .. } => Some(*since),
                    _ => None,
                };
                if self.traffic.heard(at, id, listening) && listening.is_some() && self.key_off_since.is_none() {
                    self.wake(at, "the bus speaks again");
                }
            }
            Heard::Part(from) => {
                if let Some(f) = self.flight.as_mut().filter(|f| f.of(from)) {
                    f.deadline = f.deadline.max(at.plus(crate::wire::isotp::SILENCE_S));
                }
            }
            Heard::Answer { from, message } => self.answer(at, from, message),
            Heard::Nothing => self.done(at),
            Heard::Volts(v) => self.supply(at, v),
        }
    }

    /// The next question, if one is due. It counts as sent.
    pub fn due(&mut self, at: Stamp) -> Option<Question> {
        self.now = self.now.max(at);
        self.pass(at);
        if self.flight.is_some() || at < self.not_before {
            return None;
        }
        let (question, purpose) = self.choose(at)?;
        let message = question.request.bytes();
        let set = &self.profile.set.bus;
        let deadline = match self.wire {
            Wire::Can => at.plus(set.answer_s + set.slack_s),
            // The adapter tells by itself when nobody answers; this is for one that has gone dumb.
            Wire::Text | Wire::TextOnCan => at.plus(set.pending_s),
        };
        self.took(at, 1, bits(self.any_address(), message.len()));
        self.flight = Some(Flight { question: question.clone(), purpose, deadline, pending: 0, answers: Vec::new() });
        Some(question)
    }

    /// When [`Poller::due`] may next have something, if nothing is heard before.
    pub fn wait(&self) -> Option<Stamp> {
        if let Some(f) = &self.flight {
            return Some(f.deadline);
        }
        let next = match &self.mode {
            Mode::Silent { .. } => return None,
            Mode::Resting { .. } if self.own.is_some() => Some(self.now),
            Mode::Seeking { next, .. } | Mode::Resting { next, .. } => Some(*next),
            Mode::Asking if self.own.is_none() => self.schedule.wait(),
            Mode::Closing { .. } if self.own.is_none() => None,
            Mode::Asking | Mode::Learning(_) | Mode::Closing { .. } => Some(self.now),
        };
        let closes = match &self.mode {
            Mode::Closing { until, .. } => Some(*until),
            _ => None,
        };
        let quiet = matches!(self.mode, Mode::Seeking { .. } | Mode::Resting { .. })
            .then(|| self.traffic.will_cease().filter(|t| *t > self.now));
        let timers = [next.map(|n| n.max(self.not_before)), closes, quiet.flatten()];
        timers.into_iter().flatten().min()
    }

    /// A question is in flight.
    pub fn awaits(&self) -> bool {
        self.flight.is_some()
    }

    /// What it does, in words for the person.
    pub fn state(&self) -> PollState {
        match &self.mode {
            Mode::Seeking { .. } => PollState::Seeking,
            Mode::Learning(_) => PollState::Learning,
            Mode::Asking => {
                let (questions_per_s, bits) = self.load.rates(self.now);
                let load_pct = (self.wire == Wire::Can).then_some(100.0 * bits / self.bitrate);
                PollState::Asking { questions_per_s, load_pct }
            }
            Mode::Resting { gap_s, .. } => PollState::Resting { every_s: *gap_s },
            Mode::Closing { why, .. } => PollState::Closing(*why),
            Mode::Silent { why, .. } => PollState::Silent(*why),
        }
    }

    /// Something for the record, in words: a change of state, or what this vehicle does not have. To be asked for until
    /// there is nothing more.
    pub fn news(&mut self) -> Option<String> {
        self.news.pop_front()
    }

    /// The capture is to end: the controllers' word is read once more. [`Poller::ended`] tells when that is done.
    pub fn end(&mut self, at: Stamp) {
        match self.mode {
            Mode::Asking | Mode::Resting { .. } => self.close(at, at.plus(LAST_S), Silence::Ended),
            Mode::Closing { why: Silence::Ended, .. } => {}
            _ => self.silent(at, Silence::Ended),
        }
    }

    /// Nothing more will be asked, and nothing is awaited.
    pub fn ended(&self) -> bool {
        matches!(self.mode, Mode::Silent { why: Silence::Ended, .. }) && self.flight.is_none()
    }

    // --- what passes with time ---

    fn pass(&mut self, at: Stamp) {
        if self.flight.as_ref().is_some_and(|f| at > f.deadline) {
            self.done(at);
        }
        self.tell_load(at);
        let set = &self.profile.set.bus;
        let key_off = self.key_off_since.is_some();
        let unattended = !self.told.is_some_and(|t| t.key_seen);
        match self.mode {
            Mode::Seeking { since, .. } => {
                let key_on = self.told.is_some_and(|t| t.key_seen) && !key_off;
                if key_off {
                    self.silent(at, Silence::KeyOff);
                } else if !key_on && self.asleep(at) {
                    self.silent(at, Silence::BusAsleep);
                } else if !key_on && at.since(since) >= set.no_answer_s && self.flight.is_none() {
                    self.silent(at, Silence::NoAnswer);
                }
            }
            Mode::Learning(_) | Mode::Asking if key_off => {
                let until = self.key_off_since.unwrap_or(at).max(at).plus(set.key_off_pause_s);
                self.close(at, until, Silence::KeyOff);
            }
            Mode::Learning(_) | Mode::Asking if self.low(at) => {
                self.silent(at, Silence::Battery { volts: self.volts.unwrap_or(0.0), limit: self.battery_limit() });
            }
            Mode::Asking if unattended && self.stopped_since.is_some_and(|s| at.since(s) >= set.stopped_s) => {
                self.rest(at);
            }
            Mode::Asking
                if !self.after_start_read && self.running_since.is_some_and(|s| at.since(s) >= set.after_start_s) =>
            {
                self.after_start_read = true;
                self.read_own_word(Occasion::AfterStart);
            }
            Mode::Resting { since, .. } => {
                if key_off || at.since(since) >= set.rest_most_s {
                    self.silent(at, Silence::KeyOff);
                } else if self.asleep(at) {
                    self.silent(at, Silence::BusAsleep);
                } else if self.low(at) {
                    self.silent(at, Silence::Battery { volts: self.volts.unwrap_or(0.0), limit: self.battery_limit() });
                } else if !unattended {
                    // The key is seen after all, and it is on.
                    self.enter(Mode::Asking);
                }
            }
            Mode::Closing { until, why } => {
                let read = self.own.is_none();
                if why == Silence::KeyOff && !key_off {
                    self.enter(Mode::Asking);
                } else if at >= until || (read && why == Silence::Ended && self.flight.is_none()) {
                    self.silent(at, why);
                }
            }
            Mode::Learning(_) | Mode::Asking | Mode::Silent { .. } => {}
        }
    }

    /// Tells once how much of the bus the live data take.
    fn tell_load(&mut self, at: Stamp) {
        if self.asking_since.is_some_and(|s| at.since(s) >= LOAD_S) {
            self.asking_since = None;
            self.news.push_back(self.state().to_string());
        }
    }

    /// The bus spoke by itself and does no more. A text adapter that is asking hears nothing but answers.
    fn asleep(&self, at: Stamp) -> bool {
        self.wire == Wire::Can && self.traffic.ceased(at)
    }

    // --- what to ask ---

    fn choose(&mut self, at: Stamp) -> Option<(Question, Purpose)> {
        match &mut self.mode {
            Mode::Seeking { next, .. } if at < *next => None,
            Mode::Seeking { step, .. } => {
                // By SAE J1979, on CAN by 11 and 29 bits in turn; if nobody knows it, by J1979-2.
                let each = if self.wire == Wire::Can { 2 } else { 1 };
                let request = if *step < each { Request::Live(vec![0x00]) } else { Request::Dids(vec![0xF400]) };
                Some((Question { request, to: To::All }, Purpose::Seek))
            }
            Mode::Learning(left) => {
                let (to, first) = *left.front()?;
                Some((
                    Question { request: super::schedule::request(&[Datum::Pid(first)], self.era), to },
                    Purpose::Mask,
                ))
            }
            Mode::Asking => {
                let live = self.schedule.next(at, self.wire, self.era);
                let own = self.own.as_ref().and_then(OwnWord::next);
                match (live, own) {
                    (Some((question, data)), own) if own.is_none() || !self.own_turn => {
                        self.own_turn = true;
                        self.schedule.asked(at, &data);
                        Some((question, Purpose::Live(data)))
                    }
                    (_, Some((to, request))) => {
                        self.own_turn = false;
                        Some((Question { request, to }, Purpose::Own))
                    }
                    _ => None,
                }
            }
            Mode::Resting { .. } | Mode::Closing { .. } if self.own.is_some() => {
                let (to, request) = self.own.as_ref().and_then(OwnWord::next)?;
                Some((Question { request, to }, Purpose::Own))
            }
            Mode::Resting { next, .. } if at < *next => None,
            Mode::Resting { .. } => {
                let giver = self.have.iter().find(|(_, pids)| pids.contains(&RPM)).map(|h| *h.0);
                let to = giver.filter(|_| self.wire == Wire::Can).map_or(To::All, To::One);
                Some((Question { request: super::schedule::request(&[Datum::Pid(RPM)], self.era), to }, Purpose::Look))
            }
            Mode::Closing { .. } | Mode::Silent { .. } => None,
        }
    }

    // --- what was answered ---

    fn answer(&mut self, at: Stamp, from: Address, message: Vec<u8>) {
        self.took(at, 0, bits(Some(from), message.len()));
        let set = &self.profile.set.bus;
        let Some(f) = self.flight.as_mut().filter(|f| f.of(from)) else { return };
        let asked = f.question.request.bytes().first().copied().unwrap_or(0);
        match message[..] {
            [0x7F, service, PENDING, ..] if service == asked => {
                f.pending += 1;
                if f.pending <= MOST_PENDING {
                    f.deadline = f.deadline.max(at.plus(set.pending_s));
                }
                return;
            }
            [0x7F, service, ..] if service == asked => {}
            [service, ..] if service == asked | 0x40 => {}
            // No answer to this.
            _ => return,
        }
        if let Some(before) = f.answers.iter_mut().find(|a| a.0 == from) {
            // An older bus answers in several messages.
            if self.wire != Wire::Text {
                *before = (from, message.clone());
            }
        } else {
            f.answers.push((from, message.clone()));
        }
        // All who may answer have.
        let all = match f.question.to {
            To::One(_) => true,
            To::All => {
                self.wire == Wire::Can
                    && !matches!(f.purpose, Purpose::Seek)
                    && !self.have.is_empty()
                    && self.have.keys().all(|who| f.answers.iter().any(|a| a.0 == *who))
            }
        };
        self.learn(at, &message);
        if all {
            self.done(at);
        }
    }

    /// The question in flight is done with.
    fn done(&mut self, at: Stamp) {
        let Some(f) = self.flight.take() else { return };
        let no = |m: &[u8]| m.first() == Some(&0x7F);
        let positive = f.answers.iter().filter(|a| !no(&a.1));
        if f.answers.is_empty() {
            if matches!(f.purpose, Purpose::Live(_)) {
                self.unanswered += 1;
            }
        } else {
            self.unanswered = 0;
        }
        match f.purpose {
            Purpose::Seek => {
                let found: Vec<(Address, Vec<u8>)> = positive.cloned().collect();
                self.sought(at, &f.question.request, &found);
            }
            Purpose::Mask => {
                for (from, message) in positive {
                    self.have.entry(*from).or_default().extend(pids_of(message));
                }
                if let Mode::Learning(left) = &mut self.mode {
                    left.pop_front();
                }
                self.learnt(at);
            }
            Purpose::Live(data) => {
                let from = positive.clone().next().map(|a| a.0);
                let busy = f.answers.iter().any(|a| a.1.get(2) == Some(&BUSY) && no(&a.1));
                let there: Vec<Datum> = positive.flat_map(|a| Schedule::held(&data, &a.1)).collect();
                if !busy {
                    let missing = self.schedule.answered(&data, from, &there);
                    self.tell_missing(&missing);
                }
                if self.unanswered >= LOST {
                    // They have gone: what was not answered may be there all the same.
                    self.unanswered = 0;
                    self.schedule.forgive();
                    self.seek(at);
                }
            }
            Purpose::Own => {
                let busy = f.answers.iter().any(|a| a.1.get(2) == Some(&BUSY) && no(&a.1));
                if let Some(own) = &mut self.own {
                    own.done(&f.answers, busy);
                    if own.next().is_none() {
                        self.own = None;
                    }
                }
            }
            Purpose::Look => {
                let Mode::Resting { gap_s, next, unanswered, .. } = &mut self.mode else { return };
                if f.answers.is_empty() {
                    *unanswered += 1;
                    *next = at.plus(FIRST_PAUSE_S);
                    if *unanswered >= LOST {
                        self.silent(at, Silence::NoAnswer);
                    }
                } else {
                    *unanswered = 0;
                    *gap_s *= 2.0;
                    *next = at.plus(*gap_s);
                    if self.stopped_since.is_none() {
                        self.enter(Mode::Asking);
                    }
                }
            }
        }
    }

    fn sought(&mut self, at: Stamp, request: &Request, found: &[(Address, Vec<u8>)]) {
        let set = &self.profile.set.bus;
        let Mode::Seeking { step, pause_s, next, .. } = &mut self.mode else { return };
        if found.is_empty() {
            *step += 1;
            if *step >= if self.wire == Wire::Can { 4 } else { 2 } {
                (*step, *next) = (0, at.plus(*pause_s));
                *pause_s = (*pause_s * 2.0).min(set.retry_most_s);
            }
            return;
        }
        self.era = if matches!(request, Request::Live(_)) { Era::Classic } else { Era::Newer };
        // They were only away for a moment, as in a crank.
        let known = !self.have.is_empty() && found.iter().all(|(from, _)| self.have.contains_key(from));
        if known {
            return self.enter(Mode::Asking);
        }
        self.have = found.iter().map(|(from, m)| (*from, pids_of(m).collect())).collect();
        // Further masks, as far as something behind them is wanted.
        let most = self.schedule.pids().max().unwrap_or(0);
        let firsts: Vec<u8> = [0x20, 0x40].into_iter().filter(|f| *f < most.max(0x4F)).collect();
        let whom: Vec<To> = match self.wire {
            Wire::Can => self.have.keys().copied().map(To::One).collect(),
            Wire::Text | Wire::TextOnCan => vec![To::All],
        };
        let left: VecDeque<(To, u8)> = whom.into_iter().flat_map(|to| firsts.iter().map(move |f| (to, *f))).collect();
        self.enter(Mode::Learning(left));
        self.learnt(at);
    }

    /// Goes on to the next mask that is there, or to asking.
    fn learnt(&mut self, at: Stamp) {
        let have = &self.have;
        let has = |to: To, pid: u8| has(have, to, pid);
        let Mode::Learning(left) = &mut self.mode else { return };
        while left.front().is_some_and(|(to, first)| !has(*to, *first)) {
            left.pop_front();
        }
        if !left.is_empty() {
            return;
        }
        let missing = self.schedule.begin(at, &self.have);
        let who: Vec<String> = self.have.keys().map(Address::to_string).collect();
        self.news.push_back(match self.era {
            Era::Classic => format!("answered by {}", who.join(", ")),
            Era::Newer => format!("answered by {}, by SAE J1979-2 only", who.join(", ")),
        });
        self.tell_missing(&missing);
        self.enter(Mode::Asking);
        self.read_own_word(Occasion::KeyOn);
    }

    fn tell_missing(&mut self, missing: &[String]) {
        if !missing.is_empty() {
            self.news.push_back(format!("this vehicle does not tell {}: not asked again", missing.join(", ")));
        }
    }

    fn read_own_word(&mut self, occasion: Occasion) {
        let who: Vec<Address> = self.have.keys().copied().collect();
        let own = OwnWord::new(self.era, occasion, self.wire, &who, |to, pid| has(&self.have, to, pid));
        self.own = Some(own).filter(|own| own.next().is_some());
    }

    /// What an answer says of engine and supply.
    fn learn(&mut self, at: Stamp, message: &[u8]) {
        let value = |pid: u8, data: &[u8]| obd::value(pid, data, obd::Pid54::Signed, None);
        let mut told: Vec<(u8, f64)> = Vec::new();
        match message {
            [0x41, ..] => {
                if let Ok(obd::Answer::Live(all)) = obd::answer(message) {
                    told.extend(all.iter().filter_map(|(pid, data)| Some((*pid, value(*pid, data)?))));
                }
            }
            [0x62, data @ ..] => {
                let records = crate::wire::uds::records(data, |id| (id >> 8 == 0xF4).then(|| obd::length(id as u8)));
                for (id, data) in records.into_iter().flatten() {
                    told.extend(value(id as u8, data).map(|v| (id as u8, v)));
                }
            }
            _ => {}
        }
        let phases = &self.profile.set.phases;
        let (stopped, running) = (phases.stopped_below_rpm, phases.running_above_rpm);
        for (pid, v) in told {
            match pid {
                RPM if v > stopped => {
                    self.stopped_since = None;
                    if v >= running {
                        self.running_since = self.running_since.or(Some(at));
                    }
                }
                RPM => {
                    self.stopped_since = self.stopped_since.or(Some(at));
                    (self.running_since, self.after_start_read) = (None, false);
                }
                SUPPLY => self.supply(at, v),
                _ => {}
            }
        }
    }

    fn supply(&mut self, at: Stamp, volts: f64) {
        let before = self.volts.replace(volts);
        let phases = &self.profile.set.phases;
        let (cranks, charges) = (phases.crank_below_v, phases.charging_above_v);
        if matches!(self.mode, Mode::Silent { .. }) && self.key_off_since.is_none() {
            if before.is_some_and(|b| b < charges && volts >= charges) {
                self.wake(at, "the battery is charged, so the engine runs");
            } else if before.is_some_and(|b| b > cranks && volts <= cranks) {
                self.wake(at, "the starter draws the battery down");
            }
        }
        let low = volts < self.battery_limit() && self.running_since.is_none();
        self.low_since = if low { self.low_since.or(Some(at)) } else { None };
    }

    fn battery_limit(&self) -> f64 {
        self.profile.set.soak.battery_stop_v
    }

    fn low(&self, at: Stamp) -> bool {
        self.low_since.is_some_and(|s| at.since(s) >= self.profile.set.bus.low_for_s)
    }

    // --- from state to state ---

    fn enter(&mut self, mode: Mode) {
        if std::mem::discriminant(&self.mode) != std::mem::discriminant(&mode) {
            self.mode = mode;
            self.asking_since = (self.mode == Mode::Asking).then_some(self.now);
            self.news.push_back(match self.state() {
                // How much that is, is told once it is known.
                PollState::Asking { .. } => PollState::Asking { questions_per_s: 0.0, load_pct: None }.to_string(),
                state => state.to_string(),
            });
        } else {
            self.mode = mode;
        }
    }

    fn seek(&mut self, at: Stamp) {
        self.enter(Mode::Seeking { since: at, step: 0, pause_s: FIRST_PAUSE_S, next: at });
    }

    fn rest(&mut self, at: Stamp) {
        self.enter(Mode::Resting { since: at, gap_s: FIRST_LOOK_S, next: at.plus(FIRST_LOOK_S), unanswered: 0 });
        self.read_own_word(Occasion::Last);
    }

    fn close(&mut self, at: Stamp, until: Stamp, why: Silence) {
        if self.have.is_empty() {
            return self.silent(at, why);
        }
        self.enter(Mode::Closing { until, why });
        self.read_own_word(Occasion::Last);
    }

    fn silent(&mut self, at: Stamp, why: Silence) {
        let why = match why {
            Silence::NoAnswer if self.wire == Wire::Can && !self.traffic.spoke() => Silence::Gateway,
            Silence::NoAnswer if !self.have.is_empty() => Silence::Gone,
            why => why,
        };
        self.own = None;
        self.enter(Mode::Silent { since: at, why });
    }

    fn wake(&mut self, at: Stamp, why: &str) {
        if matches!(self.mode, Mode::Silent { why: Silence::Ended, .. }) {
            return;
        }
        self.news.push_back(format!("wakes up: {why}"));
        // Whatever answered before may have changed overnight.
        self.have.clear();
        (self.unanswered, self.low_since) = (0, None);
        (self.stopped_since, self.running_since, self.after_start_read) = (None, None, false);
        self.seek(at);
    }

    /// Counts what went over the bus, and leaves room for others before the next question.
    fn took(&mut self, at: Stamp, questions: u32, bits: f64) {
        self.load.add(at, questions, bits);
        if self.wire == Wire::Can {
            let pause = bits / (self.bitrate * self.profile.set.bus.most_load_pct / 100.0);
            self.not_before = self.not_before.max(at).plus(pause);
        }
    }

    fn any_address(&self) -> Option<Address> {
        self.have.keys().next().copied()
    }
}

impl Flight {
    /// Whether this controller was asked.
    fn of(&self, from: Address) -> bool {
        match self.question.to {
            To::All => true,
            To::One(one) => one == from,
        }
    }
}

/// Whether the one, or one of all, has a PID.
fn has(have: &BTreeMap<Address, BTreeSet<u8>>, to: To, pid: u8) -> bool {
    match to {
        To::One(one) => have.get(&one).is_some_and(|p| p.contains(&pid)),
        To::All => have.values().any(|p| p.contains(&pid)),
    }
}

/// The PIDs that a mask names: the answer to PID 00, 20, … or to F400, F420, …
fn pids_of(message: &[u8]) -> impl Iterator<Item = u8> {
    let found = match *message {
        [0x41, first, a, b, c, d] | [0x62, 0xF4, first, a, b, c, d] => Some((first, u32::from_be_bytes([a, b, c, d]))),
        _ => None,
    };
    found.into_iter().flat_map(|(first, mask)| obd::supported(first, mask))
}
