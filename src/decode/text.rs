//! What a text-command adapter passes on, to readings: frames of CAN, messages of the older buses, the supply that it
//! measures itself.

use super::frames::Frames;
use super::values::Who;
use super::{Item, Notice, NoticeKind};
use crate::channel::Channel;
use crate::profile::Profile;
use crate::record::{Event, LinkId, LinkInfo};
use crate::time::Stamp;
use crate::wire::dialect::Meaning;
use crate::wire::text_adapter::{Joined, Joiner, Lines, Said};
use std::sync::Arc;

/// The text of one link.
pub(super) struct Text {
    link: LinkId,
    name: String,
    frames: Frames,
    lines: Lines,
    joiner: Joiner,
    /// The command that brings the adapter to its begin.
    restart: String,
    /// It passed something on since it was last brought there.
    spoke: bool,
    torn: u64,
    damaged: u64,
    overruns: u64,
}

impl Text {
    pub(super) fn new(profile: Arc<Profile>, link: LinkId, info: &LinkInfo) -> Text {
        Text {
            link,
            name: format!("{}:{}", info.kind, info.name),
            lines: Lines::new(profile.dialect.clone()),
            restart: profile.dialect.restart.clone(),
            frames: Frames::new(profile, link, info),
            joiner: Joiner::default(),
            spoke: false,
            torn: 0,
            damaged: 0,
            overruns: 0,
        }
    }

    pub(super) fn bytes(&mut self, at: Stamp, mut bytes: &[u8], out: &mut Vec<Item>) {
        while let Some(said) = self.lines.next(&mut bytes) {
            match said {
                Said::Frame(frame) => {
                    self.spoke = true;
                    self.frames.data(at, &frame, out);
                }
                Said::Older(older) => {
                    self.spoke = true;
                    match self.joiner.hear(&older) {
                        Joined::Whole(message) => self.frames.answer(at, Who::Node(older.from), &message, out),
                        Joined::Part => {}
                        Joined::Broken => self.torn += 1,
                    }
                }
                Said::Volts(volts) => {
                    self.spoke = true;
                    self.frames.value(at, Who::Adapter, Channel::BatteryV, volts, out);
                }
                Said::Prompt => {
                    for older in self.joiner.end() {
                        self.frames.answer(at, Who::Node(older.from), &older.data, out);
                    }
                }
                Said::Word(meaning) => self.word(at, meaning, out),
                Said::Torn => self.torn += 1,
                Said::Echo | Said::Other(_) => {}
            }
        }
    }

    fn word(&mut self, at: Stamp, meaning: Meaning, out: &mut Vec<Item>) {
        match meaning {
            // What nobody answered is no fault of the record.
            Meaning::Done | Meaning::Working | Meaning::NoAnswer | Meaning::Interrupted | Meaning::Unknown => return,
            Meaning::Damaged => self.damaged += 1,
            Meaning::Overrun => self.overruns += 1,
            Meaning::NoBus
            | Meaning::BusFault
            | Meaning::BusBusy
            | Meaning::Restarted
            | Meaning::GoesOff
            | Meaning::Fault => {}
        }
        self.frames.bus_word(at, meaning.words(), out);
    }

    pub(super) fn event(&mut self, at: Stamp, event: &Event, out: &mut Vec<Item>) {
        match event {
            Event::Sent { text } => {
                let again = text.trim_end() == self.restart;
                if again && self.spoke {
                    let text = "adapter restarted, or fell silent and was begun anew".to_owned();
                    out.push(Item::Notice(Notice { at, link: self.link, kind: NoticeKind::AdapterRestart, text }));
                }
                self.spoke &= !again;
                self.lines.sent(text);
                self.frames.sent_text(text);
            }
            Event::Gap { .. } | Event::LinkUp { .. } | Event::LinkDown { .. } => {
                self.frames.lost();
                self.lines.lost();
                self.joiner.lost();
                self.spoke &= !matches!(event, Event::LinkUp { .. });
            }
            _ => {}
        }
    }

    pub(super) fn undecoded(&self) -> u64 {
        self.frames.undecoded() + self.torn + self.damaged
    }

    pub(super) fn summary(&self) -> Vec<String> {
        let counts = [
            (self.torn, "lines that are no whole message"),
            (self.damaged, "answers that came damaged"),
            (self.overruns, "times that the adapter could not keep up and lost part of what came"),
        ];
        let counts = counts.iter().filter(|c| c.0 > 0).map(|(n, what)| format!("{}: {n} × {what}", self.name));
        counts.chain(self.frames.summary()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile;
    use proptest::prelude::*;

    fn text() -> Text {
        let obd = |pid: &str, channel: &str| format!("[[obd]]\npid = {pid}\nchannel = \"{channel}\"\nrate_hz = 0.5\n");
        let rows = [("0x0C", "engine_rpm"), ("0x0D", "vehicle_speed_kph"), ("0x2F", "fuel_level_pct")];
        let rows: String = rows.iter().map(|(pid, channel)| obd(pid, channel)).collect();
        let profile = Profile::from_str("van.toml", &format!("extends = \"switch-module\"\n{rows}"), &[]).unwrap();
        Text::new(Arc::new(profile), 1, &LinkInfo { kind: "adapter".into(), name: "port".into() })
    }

    fn play(t: &mut Text, chunks: &[&[u8]]) -> (Vec<(Channel, f64)>, Vec<String>) {
        let mut out = Vec::new();
        for chunk in chunks {
            t.bytes(Stamp::from_secs(1.0), chunk, &mut out);
        }
        let (mut values, mut notices) = (Vec::new(), Vec::new());
        for item in out {
            match item {
                Item::Reading(r) => values.extend(r.iter()),
                Item::Notice(n) => notices.push(n.text),
                Item::Word(_) => {}
            }
        }
        (values, notices)
    }

    const RPM: (Channel, f64) = (Channel::EngineRpm, 750.0);
    const SPEED: (Channel, f64) = (Channel::VehicleSpeedKph, 50.0);

    #[test]
    fn an_answer_is_the_same_by_whatever_bus_it_came() {
        // The same values by SAE J1979: 0BB8 / 4 = 750 rpm, 32 = 50 km/h.
        let narrow: &[u8] = b"7E8 06 41 0C 0B B8 0D 32 00 \r\r>";
        let wide: &[u8] = b"18 DA F1 10 06 41 0C 0B B8 0D 32 00\r\r>";
        // 48 + 6B + 10 + 41 + 0C + 0B + B8 = 1D3; 48 + 6B + 10 + 41 + 0D + 32 = 143.
        let iso_9141: &[u8] = b"48 6B 10 41 0C 0B B8 D3\r\r>48 6B 10 41 0D 32 43\r\r>";
        // 84 + F1 + 10 + 41 + 0C + 0B + B8 = 295; 83 + F1 + 10 + 41 + 0D + 32 = 204.
        let iso_14230: &[u8] = b"84 F1 10 41 0C 0B B8 95\r\r>83 F1 10 41 0D 32 04\r\r>";
        // CRC of SAE J1850; the second with the tester's acknowledgement.
        let pulse_width: &[u8] = b"41 6B 10 41 0C 0B B8 D6\r\r>41 6B 10 41 0D 32 F6 F1\r\r>";
        for bytes in [narrow, wide, iso_9141, iso_14230, pulse_width] {
            let mut t = text();
            assert_eq!(play(&mut t, &[bytes]), (vec![RPM, SPEED], vec![]), "{}", String::from_utf8_lossy(bytes));
            assert_eq!((t.undecoded(), t.summary()), (0, vec![]));
        }
    }

    #[test]
    fn an_answer_in_frames_the_supply_and_words() {
        let mut t = text();
        let parts: [&[u8]; 3] = [
            b"7E8 10 08 41 0C 0B B8 0D 32\r7E8 21 2F ",
            b"80 00 00 00 00 00\r>14.",
            b"1V\r\r>NO DATA\r\r>CAN ERROR\r\r>",
        ];
        let (values, notices) = play(&mut t, &parts);
        let level = (Channel::FuelLevelPct, 128.0 * 100.0 / 255.0);
        assert_eq!(values, [RPM, SPEED, level, (Channel::BatteryV, 14.1)]);
        assert_eq!(notices, ["a fault on the bus: check the plug and the lines"]);
        assert_eq!(t.undecoded(), 0);
        play(&mut t, &[b"48 6B 10 41 0C 0B B8 D4\r7E8 03 41 0D <DATA ERROR\r>"]);
        assert_eq!(
            t.summary(),
            ["adapter:port: 1 × lines that are no whole message", "adapter:port: 1 × answers that came damaged"]
        );
    }

    #[test]
    fn what_was_sent_is_no_answer_and_a_second_begin_is_told() {
        let mut t = text();
        let mut out = Vec::new();
        let sent = |t: &mut Text, text: &str, out: &mut Vec<Item>| {
            t.event(Stamp::ZERO, &Event::Sent { text: text.to_owned() }, out);
        };
        let restart = profile::load_builtin("switch-module").unwrap().dialect.restart;
        sent(&mut t, &restart, &mut out);
        sent(&mut t, "010C0D2F0105\r", &mut out);
        assert_eq!(play(&mut t, &[b"010C0D2F0105\r7E8 03 41 0D 32\r>"]).0, [SPEED]);
        assert!(out.is_empty());
        sent(&mut t, &format!("{restart}\r"), &mut out);
        assert!(matches!(&out[..], [Item::Notice(Notice { kind: NoticeKind::AdapterRestart, .. })]), "{out:?}");
    }

    proptest! {
        #[test]
        fn chunks_do_not_matter(cut in 0usize..90, other in 0usize..90) {
            let all = b"7E8 06 41 0C 0B B8 0D 32 00\r\r>12.6V\r\r>48 6B 10 41 0D 32 43\r>7E8 03 41 0D 32 \x00\r>SEARCHING...\r>";
            let (a, b) = (cut.min(other).min(all.len()), cut.max(other).min(all.len()));
            let whole = play(&mut text(), &[all]);
            prop_assert_eq!(play(&mut text(), &[&all[..a], &all[a..b], &all[b..]]), whole);
        }
    }
}
