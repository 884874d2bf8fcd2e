//! Frames of one link's bus to readings: broadcast frames by the profile, and answers to questions that anybody asked.

use super::reading::Reading;
use super::values::{Values, Who};
use super::{Item, Notice, NoticeKind, Word};
use crate::channel::Channel;
use crate::profile::Profile;
use crate::record::{LinkId, LinkInfo};
use crate::time::Stamp;
use crate::wire::addresses::{answers, asks};
use crate::wire::can_frame::{BUS_OFF, Frame, Id, Kind, PASSIVE, error_words};
use crate::wire::isotp::{Fault, Got, Part, Receiver, part};
use crate::wire::slcan::{self, BusState, Lines, Said};
use std::collections::BTreeMap;
use std::sync::Arc;

/// The frames of one link.
pub(super) struct Frames {
    profile: Arc<Profile>,
    link: LinkId,
    name: String,
    /// Half-received answers, by who answers.
    answers: BTreeMap<Id, Receiver>,
    values: Values,
    /// Of a link that speaks the serial-line protocol.
    lines: Lines,
    unread: u64,
    broken: u64,
    errors: u64,
    said: Vec<&'static str>,
    /// The status bits of codes that were last asked for.
    mask: Option<u8>,
}

/// True for an answer in which a controller speaks of itself (SAE J1979 and J1979-2, ISO 14229; from memory).
fn is_own_word(message: &[u8]) -> bool {
    match message {
        [0x41, pid, ..] => matches!(pid, 0x01 | 0x41),
        [0x62, 0xF1, 0x90, ..] | [0x62, 0xF6 | 0xF8, ..] | [0x62, 0xF4, 0x01 | 0x41, ..] => true,
        [kind, ..] => matches!(kind, 0x42 | 0x43 | 0x46 | 0x47 | 0x49 | 0x4A | 0x59),
        [] => false,
    }
}

impl Frames {
    pub(super) fn new(profile: Arc<Profile>, link: LinkId, info: &LinkInfo) -> Frames {
        Frames {
            values: Values::new(profile.clone()),
            profile,
            link,
            name: format!("{}:{}", info.kind, info.name),
            answers: BTreeMap::new(),
            lines: Lines::default(),
            unread: 0,
            broken: 0,
            errors: 0,
            said: Vec::new(),
            mask: None,
        }
    }

    pub(super) fn packet(&mut self, at: Stamp, packet: &[u8], out: &mut Vec<Item>) {
        let frame = match Frame::decode(packet) {
            Ok(frame) => frame,
            Err(e) => {
                self.unread += 1;
                if self.unread == 1 {
                    self.notice(at, format!("a frame cannot be read: {e}"), out);
                }
                return;
            }
        };
        match frame.kind {
            Kind::Error(class) => {
                self.errors += 1;
                for words in error_words(class, frame.bytes()) {
                    self.bus_word(at, words, out);
                }
            }
            Kind::Remote => {}
            Kind::Classic | Kind::Fd => self.data(at, &frame, out),
        }
    }

    /// Bytes of an adapter that speaks the serial-line protocol.
    pub(super) fn bytes(&mut self, at: Stamp, mut bytes: &[u8], out: &mut Vec<Item>) {
        while let Some(said) = self.lines.next(&mut bytes) {
            match said {
                Said::Frame(frame) => self.data(at, &frame, out),
                Said::State(BusState::Off, ..) => self.bus_word(at, BUS_OFF, out),
                Said::State(BusState::Passive, ..) => self.bus_word(at, PASSIVE, out),
                Said::Errors(n) => self.errors += u64::from(n.max(1)),
                Said::Other => self.unread += 1,
                Said::State(..) | Said::Remote(_) | Said::Yes | Said::No => {}
            }
        }
    }

    /// What was half received is lost.
    pub(super) fn lost(&mut self) {
        self.answers.clear();
        self.lines.lost();
    }

    pub(super) fn undecoded(&self) -> u64 {
        self.unread + self.broken + self.values.broken()
    }

    pub(super) fn summary(&self) -> Vec<String> {
        let counts = [
            (self.unread, "frames that cannot be read"),
            (self.broken + self.values.broken(), "answers that broke off or fit no service"),
            (self.errors, "errors on the bus"),
        ];
        let counts = counts.iter().filter(|c| c.0 > 0).map(|(n, what)| format!("{}: {n} × {what}", self.name));
        counts.chain(self.values.implausible(&self.name)).collect()
    }

    /// A fault of the line repeats itself a thousand times a second: each is said once.
    pub(super) fn bus_word(&mut self, at: Stamp, words: &'static str, out: &mut Vec<Item>) {
        if !self.said.contains(&words) {
            self.said.push(words);
            self.notice(at, words.to_owned(), out);
        }
    }

    fn notice(&self, at: Stamp, text: String, out: &mut Vec<Item>) {
        out.push(Item::Notice(Notice { at, link: self.link, kind: NoticeKind::Undecoded, text }));
    }

    /// A whole answer that came otherwise than in frames.
    pub(super) fn answer(&mut self, at: Stamp, who: Who, message: &[u8], out: &mut Vec<Item>) {
        let mut reading = Reading::new(at, self.link);
        self.values.message(&mut reading, who, message);
        if !reading.is_empty() {
            out.push(Item::Reading(reading));
        }
        self.own_word(at, who, message, out);
    }

    fn own_word(&self, at: Stamp, who: Who, message: &[u8], out: &mut Vec<Item>) {
        if is_own_word(message) {
            let (message, mask) = (message.to_vec(), self.mask.filter(|_| message[0] == 0x59));
            out.push(Item::Word(Word { at, link: self.link, who, message, mask }));
        }
    }

    /// A frame that this program sent.
    pub(super) fn sent(&mut self, packet: &[u8]) {
        if let Ok(frame) = Frame::decode(packet) {
            self.asked(&frame);
        }
    }

    /// A line that this program sent to an adapter: a frame of the serial-line protocol, or a question in hexadecimal.
    pub(super) fn sent_text(&mut self, text: &str) {
        let line = text.trim();
        if let Said::Frame(frame) = slcan::said(line.as_bytes()) {
            self.asked(&frame);
        } else if line.is_ascii() {
            let byte = |i| u8::from_str_radix(line.get(i..i + 2)?, 16).ok();
            self.question(&(0..line.len() / 2).map_while(|i| byte(2 * i)).collect::<Vec<_>>());
        }
    }

    fn asked(&mut self, frame: &Frame) {
        if let Some(Part::Single(question)) = part(frame.bytes()).filter(|_| asks(frame.id)) {
            self.question(question);
        }
    }

    fn question(&mut self, question: &[u8]) {
        match question {
            [0x19, 0x02, mask, ..] | [0x19, 0x42, _, mask, ..] => self.mask = Some(*mask),
            [0x19, ..] => self.mask = None,
            _ => {}
        }
    }

    /// A value that needs no decoding.
    pub(super) fn value(&mut self, at: Stamp, who: Who, channel: Channel, value: f64, out: &mut Vec<Item>) {
        let mut reading = Reading::new(at, self.link);
        self.values.take(&mut reading, who, channel, value);
        if !reading.is_empty() {
            out.push(Item::Reading(reading));
        }
    }

    pub(super) fn data(&mut self, at: Stamp, frame: &Frame, out: &mut Vec<Item>) {
        let mut reading = Reading::new(at, self.link);
        let mut word = None;
        let profile = Arc::clone(&self.profile);
        for b in profile.bus.broadcast.iter().filter(|b| b.id == frame.id) {
            if let Some(v) = b.field.value(frame.bytes()) {
                self.values.take(&mut reading, Who::Can(frame.id), b.channel, v);
            }
        }
        if answers(frame.id) {
            match self.answers.entry(frame.id).or_default().frame(at, frame.bytes()) {
                Got::Message(m) => {
                    self.values.message(&mut reading, Who::Can(frame.id), &m);
                    word = Some(m);
                }
                Got::Broken(Fault::Order | Fault::Silence) => self.broken += 1,
                // Whose frame it is may be guessed wrongly, so what is no transport is no fault.
                Got::Broken(Fault::Strange) | Got::Owes(_) | Got::Nothing => {}
            }
        } else {
            self.asked(frame);
        }
        if !reading.is_empty() {
            out.push(Item::Reading(reading));
        }
        if let Some(message) = word {
            self.own_word(at, Who::Can(frame.id), &message, out);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile;

    fn frames(extra: &str) -> Frames {
        let text = format!("extends = \"switch-module\"\n{extra}");
        let p = Profile::from_str("bus.toml", &text, &[]).unwrap();
        Frames::new(Arc::new(p), 1, &LinkInfo { kind: "can".into(), name: "can0".into() })
    }

    fn play(f: &mut Frames, frames: &[(f64, Id, &[u8])]) -> Vec<(Channel, f64)> {
        let mut out = Vec::new();
        for (s, id, data) in frames {
            let mut packet = Vec::new();
            Frame::data(*id, data).unwrap().encode(&mut packet);
            f.packet(Stamp::from_secs(*s), &packet, &mut out);
        }
        let readings = out.iter().filter_map(|i| match i {
            Item::Reading(r) => Some(r.iter().collect::<Vec<_>>()),
            Item::Word(_) | Item::Notice(_) => None,
        });
        readings.flatten().collect()
    }

    /// However the question was sent, an answer of service 19 comes with the mask that was asked for.
    #[test]
    fn what_a_controller_says_of_itself_is_handed_on() {
        let mut f = frames("");
        let mut out = Vec::new();
        let mut ask = |f: &mut Frames, how: &dyn Fn(&mut Frames)| {
            how(f);
            out.clear();
            for data in [&[0x10, 11, 0x59, 0x42, 0x33, 0x8D, 0xFF, 4][..], &[0x21, 0x20, 4, 0x56, 0, 0x89, 0, 0]] {
                f.data(Stamp::ZERO, &Frame::data(E8, data).unwrap(), &mut out);
            }
            match &out[..] {
                [Item::Word(w)] => (w.who, w.message.len(), w.mask),
                other => panic!("{other:?}"),
            }
        };
        let who = Who::Can(E8);
        assert_eq!(ask(&mut f, &|_| {}), (who, 11, None));
        assert_eq!(ask(&mut f, &|f| f.sent_text("19423308FF\r")), (who, 11, Some(0x08)));
        assert_eq!(ask(&mut f, &|f| f.sent_text("t7E0805194233 04FF0000\r")), (who, 11, Some(0x08)), "no such line");
        assert_eq!(ask(&mut f, &|f| f.sent_text("t7E080519423304FF0000\r")), (who, 11, Some(0x04)));
        let other = Frame::data(Id::Extended(0x18DA_10F1), &[5, 0x19, 0x42, 0x33, 0x0D, 0xFF]).unwrap();
        assert_eq!(ask(&mut f, &|f| f.data(Stamp::ZERO, &other, &mut Vec::new())), (who, 11, Some(0x0D)));
        let mut packet = Vec::new();
        Frame::data(Id::Standard(0x7DF), &[3, 0x19, 0x02, 0x80]).unwrap().encode(&mut packet);
        assert_eq!(ask(&mut f, &|f| f.sent(&packet)), (who, 11, Some(0x80)));
    }

    const E8: Id = Id::Standard(0x7E8);
    const E9: Id = Id::Standard(0x7E9);

    #[test]
    fn answers_become_channels_also_in_parts() {
        let mut f = frames("");
        let got = play(
            &mut f,
            &[
                (0.0, Id::Standard(0x7DF), &[2, 1, 0x0C, 0, 0, 0, 0, 0]),
                (0.02, E8, &[4, 0x41, 0x0C, 0x0B, 0xB8, 0xCC, 0xCC, 0xCC]),
                // Rpm, speed and coolant in one answer of 8 bytes, another controller between its parts.
                (0.1, E8, &[0x10, 8, 0x41, 0x0C, 0x0B, 0xC0, 0x0D, 50]),
                (0.11, E9, &[3, 0x41, 0x0D, 99, 0, 0, 0, 0]),
                (0.12, E8, &[0x21, 0x05, 130, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC]),
            ],
        );
        let rpm = Channel::EngineRpm;
        // The other controller spoke first of the speed, so the speed is its own.
        let speed = (Channel::VehicleSpeedKph, 99.0);
        assert_eq!(got, [(rpm, 750.0), speed, (rpm, 752.0), (Channel::CoolantC, 90.0)]);
    }

    #[test]
    fn a_silent_giver_is_followed_by_another() {
        let mut f = frames("[phases]\nstale_s = 5\n");
        let got = play(
            &mut f,
            &[(0.0, E8, &[3, 0x41, 0x0D, 50]), (1.0, E9, &[3, 0x41, 0x0D, 60]), (7.0, E9, &[3, 0x41, 0x0D, 70])],
        );
        assert_eq!(got.iter().map(|g| g.1).collect::<Vec<_>>(), [50.0, 70.0]);
    }

    #[test]
    fn newer_vehicles_answer_by_identifier() {
        let mut f = frames(
            "[[did]]\ndid = 0x1234\nlength = 2\nbytes = \"1-2\"\norder = \"high_first\"\nsigned = \"yes\"\nresolution = 0.25\nchannel = \"tank_pressure_pa\"\nrate_hz = 2\n",
        );
        let got = play(
            &mut f,
            &[
                (0.0, E8, &[5, 0x62, 0xF4, 0x0C, 0x0B, 0xB8, 0, 0]),
                (0.1, Id::Extended(0x18DA_F110), &[5, 0x62, 0x12, 0x34, 0xFF, 0x9C, 0, 0]),
                (0.2, E8, &[3, 0x7F, 0x22, 0x78, 0, 0, 0, 0]),
            ],
        );
        assert_eq!(got, [(Channel::EngineRpm, 750.0), (Channel::TankPressurePa, -25.0)]);
    }

    #[test]
    fn broadcast_frames_errors_and_damage() {
        let mut f = frames(
            "[[broadcast]]\nid = \"3A0\"\nbytes = \"2\"\nmask = 0x10\nchannel = \"vent_solenoid\"\nrate_hz = 10\n",
        );
        let got = play(&mut f, &[(0.0, Id::Standard(0x3A0), &[0, 0x10]), (0.1, Id::Standard(0x3A0), &[0, 0xEF])]);
        assert_eq!(got, [(Channel::VentSolenoid, 1.0), (Channel::VentSolenoid, 0.0)]);
        let mut out = Vec::new();
        for _ in 0..3 {
            let mut packet = Vec::new();
            Frame::error(0x40, [0; 8]).encode(&mut packet);
            f.packet(Stamp::ZERO, &packet, &mut out);
        }
        f.packet(Stamp::ZERO, &[1, 2, 3], &mut out);
        assert_eq!(out.len(), 2, "each said once: {out:?}");
        assert_eq!(f.undecoded(), 1);
        assert_eq!(f.summary(), ["can:can0: 1 × frames that cannot be read", "can:can0: 3 × errors on the bus"]);
        let before = f.unread;
        let mut out = Vec::new();
        f.bytes(Stamp::ZERO, b"t3A020010\rsf000255\rnoise\r", &mut out);
        assert_eq!((out.len(), f.unread - before), (1, 1), "bus off was said already: {out:?}");
        // An implausible value is dropped and counted.
        assert_eq!(play(&mut f, &[(1.0, E8, &[4, 0x41, 0x0C, 0xFF, 0xFF])]), [(Channel::EngineRpm, 16383.75)]);
        let p = profile::load_builtin("switch-module").unwrap();
        assert!(p.bus.obd.len() >= 10);
    }
}
