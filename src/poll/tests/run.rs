//! Runs asker and car against each other, and keeps what went over the bus.

use super::car::Car;
use crate::poll::{Asker, Proof, Told, may_go};
use crate::profile::{self, Profile};
use crate::time::Stamp;
use crate::trade::Phase;
use crate::wire::can_frame::{Frame, Id};
use crate::wire::isotp::{Part, part};
use std::sync::Arc;

/// What happens to the car, or what another link tells.
#[derive(Debug, Clone, Copy)]
pub enum Change {
    Key(bool),
    Rpm(f64),
    Door,
    Told(Phase),
    /// As the controller tells it, and as the adapter does.
    Volts(f64),
    Supply(f64),
    Pending(u32),
    End,
}

#[derive(Debug, Clone)]
pub enum Line {
    /// This program sent.
    Sent(Frame),
    /// A controller sent; its answers only.
    Answer,
    /// For the record.
    News(String),
}

pub struct Run {
    pub asker: Asker,
    pub car: Car,
    pub now: f64,
    pub log: Vec<(f64, Line)>,
    idle: u32,
}

pub fn profile() -> Arc<Profile> {
    Arc::new(profile::load_builtin("switch-module").unwrap())
}

impl Run {
    pub fn new(car: Car) -> Run {
        Run::with(car, &profile())
    }

    pub fn with(car: Car, profile: &Arc<Profile>) -> Run {
        Run::proven(car, profile, Proof::new(profile.set.bus.listen_s))
    }

    pub fn proven(car: Car, profile: &Arc<Profile>, proof: Proof) -> Run {
        let asker = Asker::new(profile, proof);
        Run { asker, car, now: 0.0, log: Vec::new(), idle: 0 }
    }

    pub fn play(&mut self, script: &[(f64, Change)], until: f64) {
        let mut script = script.iter().peekable();
        while self.now < until {
            while let Some((_, change)) = script.next_if(|s| s.0 <= self.now) {
                self.change(*change);
            }
            let at = Stamp::from_secs(self.now);
            let told = self.log.len();
            self.tell();
            while let Some(frame) = self.asker.due(at) {
                self.tell();
                assert!(may_go(&frame), "{frame:?}");
                self.log.push((self.now, Line::Sent(frame)));
                self.car.hear(self.now, &frame);
            }
            self.tell();
            let next =
                [self.asker.wait().map(|w| w.secs() + 1e-6), self.car.next(self.now), script.peek().map(|s| s.0)];
            let next = next.into_iter().flatten().fold(until, f64::min);
            // What never has something to ask at the moment it named would keep a processor busy.
            let vain = self.log.len() == told && self.asker.wait().is_some_and(|w| w.secs() <= self.now);
            self.idle = if vain { self.idle + 1 } else { 0 };
            assert!(self.idle < 100, "it wakes up in vain at {}: {}", self.now, self.asker.words());
            self.now = next.max(self.now + 1e-4);
            for frame in self.car.take(self.now) {
                if crate::wire::addresses::answers(frame.id) {
                    self.log.push((self.now, Line::Answer));
                }
                self.asker.frame(Stamp::from_secs(self.now), &frame);
            }
        }
    }

    /// What goes into the record before anything else is sent.
    fn tell(&mut self) {
        while let Some(news) = self.asker.news() {
            self.log.push((self.now, Line::News(news)));
        }
    }

    fn change(&mut self, change: Change) {
        let at = Stamp::from_secs(self.now);
        match change {
            Change::Key(on) => self.car.set_key(self.now, on),
            Change::Rpm(rpm) => self.car.rpm = rpm,
            Change::Door => self.car.door(self.now),
            Change::Told(phase) => self.asker.phase(at, Told { phase, key_seen: true }),
            Change::Volts(v) => {
                let bytes = ((v * 1000.0) as u16).to_be_bytes().to_vec();
                self.car.controllers[0].pids.insert(0x42, bytes);
            }
            Change::Supply(v) => self.asker.heard(at, crate::poll::Heard::Volts(v)),
            Change::Pending(n) => self.car.controllers[0].pending = n,
            Change::End => self.asker.end(at),
        }
    }

    /// Questions: when, to whom, what.
    pub fn questions(&self) -> Vec<(f64, Id, Vec<u8>)> {
        let single = |f: &Frame| match part(f.bytes()) {
            Some(Part::Single(m)) => Some(m.to_vec()),
            _ => None,
        };
        let sent = self.log.iter().filter_map(|(at, l)| match l {
            Line::Sent(f) => Some((*at, f.id, single(f)?)),
            _ => None,
        });
        sent.collect()
    }

    pub fn asked(&self, request: &[u8]) -> usize {
        self.questions().iter().filter(|q| q.2 == request).count()
    }

    /// The last question between two moments.
    pub fn asked_between(&self, from: f64, to: f64) -> usize {
        self.questions().iter().filter(|q| (from..to).contains(&q.0)).count()
    }

    pub fn news(&self) -> Vec<(f64, &str)> {
        let news = self.log.iter().filter_map(|(at, l)| match l {
            Line::News(n) => Some((*at, n.as_str())),
            _ => None,
        });
        news.collect()
    }

    /// When it last said this.
    pub fn said(&self, words: &str) -> Option<f64> {
        self.news().iter().rev().find(|n| n.1.contains(words)).map(|n| n.0)
    }

    /// Nothing is asked between falling silent and waking up, whatever went on.
    pub fn hold_silence(&self) {
        let mut silent: Option<f64> = None;
        let mut flows = 0;
        for (at, line) in &self.log {
            match line {
                Line::News(n) if n.starts_with("listens only") => (silent, flows) = (Some(*at), 0),
                Line::News(n) if n.starts_with("wakes up") => silent = None,
                // What was in flight may be answered in several frames, which owes one flow control.
                Line::Sent(f) if silent.is_some() && matches!(part(f.bytes()), Some(Part::Flow(_))) => {
                    flows += 1;
                    assert!(flows == 1, "{flows} flow controls in silence since {silent:?}, at {at}");
                }
                Line::Sent(f) => assert!(silent.is_none(), "{f:?} at {at} in silence since {silent:?}"),
                _ => {}
            }
        }
    }

    /// What this program and its answers take of the bus in any second, in percent, frame by frame.
    pub fn most_load_pct(&self, bitrate: f64) -> f64 {
        let frames: Vec<f64> = self.log.iter().filter(|l| !matches!(l.1, Line::News(_))).map(|l| l.0).collect();
        let mut most = 0;
        let mut first = 0;
        for (i, at) in frames.iter().enumerate() {
            while frames[first] < at - 1.0 {
                first += 1;
            }
            most = most.max(i + 1 - first);
        }
        // 111 bits without stuffing, 135 with the most (ISO 11898-1).
        most as f64 * 135.0 / bitrate * 100.0
    }
}
