use super::*;
use crate::sim::controller::{OwnCheck, Story};
use crate::wire::isotp::{Flow, Got, Receiver, flow_frame};
use crate::wire::obd::{self, Answer};

pub fn seen(sensor: bool) -> Seen {
    Seen {
        key: true,
        awake: true,
        rpm: 812.4,
        kph: 47.0,
        coolant_c: 88.2,
        intake_c: 21.0,
        ambient_c: 11.6,
        fuel_c: 17.3,
        level_pct: 52.0,
        baro_kpa: 101.2,
        manifold_kpa: 35.4,
        battery_v: 14.12,
        purge_pct: 24.0,
        trim_short: -3.2,
        trim_long: 1.6,
        running_s: 300.0,
        solenoid: true,
        solenoid_a: 0.31,
        sense_v: (!sensor).then_some(4.98),
        tank_pa: sensor.then_some(-612.3),
        story: Story::default(),
    }
}

/// A tester at the other end: asks a single frame, takes answers by the transport protocol.
struct Tester {
    net: Network,
    now: Stamp,
    to_one: [Id; 2],
    from: [Id; 2],
    all: Id,
}

impl Tester {
    fn new(standard: Standard, seen: &Seen) -> Tester {
        let mut net = Network::new(standard, 3);
        net.see(Stamp::ZERO, seen);
        let (to_one, from, all) = match standard {
            Standard::Can29 => (
                [Id::Extended(0x18DA_10F1), Id::Extended(0x18DA_18F1)],
                [Id::Extended(0x18DA_F110), Id::Extended(0x18DA_F118)],
                Id::Extended(0x18DB_33F1),
            ),
            _ => (
                [Id::Standard(0x7E0), Id::Standard(0x7E1)],
                [Id::Standard(0x7E8), Id::Standard(0x7E9)],
                Id::Standard(0x7DF),
            ),
        };
        Tester { net, now: Stamp::ZERO, to_one, from, all }
    }

    fn ask(&mut self, to: Id, message: &[u8]) -> Vec<(usize, Vec<u8>)> {
        let mut data = vec![message.len() as u8];
        data.extend_from_slice(message);
        data.resize(8, 0xCC);
        self.net.frame(self.now, &Frame::data(to, &data).unwrap());
        let mut receivers = [Receiver::new(2, 1), Receiver::default()];
        let mut got = Vec::new();
        let until = self.now.plus(0.2);
        while let Some((at, frame)) = self.net.next(until) {
            let Some(i) = self.from.iter().position(|f| *f == frame.id) else { continue };
            match receivers[i].frame(at, frame.bytes()) {
                Got::Message(m) => got.push((i, m)),
                Got::Owes(flow) => {
                    self.net.frame(at.plus(0.001), &Frame::data(self.to_one[i], &flow_frame(flow)).unwrap());
                }
                Got::Nothing => {}
                Got::Broken(why) => panic!("{why:?}"),
            }
        }
        self.now = until;
        got
    }

    fn all(&mut self, message: &[u8]) -> Vec<(usize, Vec<u8>)> {
        self.ask(self.all, message)
    }

    fn engine(&mut self, message: &[u8]) -> Vec<u8> {
        let got = self.ask(self.to_one[0], message);
        assert!(got.len() == 1 && got[0].0 == 0, "{got:?}");
        got[0].1.clone()
    }
}

/// The scaling by hand from SAE J1979: rpm/4, °C + 40, 255ths, volts in thousandths.
#[test]
fn live_data_answers_in_the_standards_scaling() {
    for standard in [Standard::Can11, Standard::Can29] {
        let mut t = Tester::new(standard, &seen(false));
        assert_eq!(t.engine(&[0x01, 0x0C]), [0x41, 0x0C, 0x0C, 0xB2]);
        assert_eq!(t.engine(&[0x01, 0x05, 0x2F, 0x42]), [0x41, 0x05, 128, 0x2F, 133, 0x42, 0x37, 0x28]);
        // Six at once take three frames, and flow control in blocks of two.
        let six = t.engine(&[0x01, 0x0C, 0x0D, 0x05, 0x0F, 0x46, 0x33]);
        assert_eq!(six, [0x41, 0x0C, 0x0C, 0xB2, 0x0D, 47, 0x05, 128, 0x0F, 61, 0x46, 52, 0x33, 101]);
        // Those it does not have are left out, and asked alone of all it stays silent.
        assert_eq!(t.engine(&[0x01, 0x32, 0x0D]), [0x41, 0x0D, 47]);
        assert_eq!(t.all(&[0x01, 0x32]), []);
        assert_eq!(t.engine(&[0x01, 0x32]), [0x7F, 0x01, 0x31]);
    }
    let mut t = Tester::new(Standard::Can11, &seen(true));
    // −612.3 Pa in quarters: −2449 = F66F.
    assert_eq!(t.engine(&[0x01, 0x32]), [0x41, 0x32, 0xF6, 0x6F]);
    assert_eq!(t.engine(&[0x01, 0x54]), [0x41, 0x54, 0xFD, 0x9C]);
}

#[test]
fn both_controllers_answer_what_is_asked_of_all() {
    let mut t = Tester::new(Standard::Can29, &seen(false));
    let got = t.all(&[0x01, 0x0D]);
    let mut who: Vec<usize> = got.iter().map(|g| g.0).collect();
    who.sort_unstable();
    assert_eq!(who, [0, 1]);
    assert_eq!(got[0].1, [0x41, 0x0D, 47]);
}

#[test]
fn everything_that_is_said_to_be_there_is_there() {
    let mut t = Tester::new(Standard::Can11, &seen(true));
    let mut pids = Vec::new();
    for first in [0x00, 0x20, 0x40, 0x60] {
        let got = t.engine(&[0x01, first]);
        if got[0] == 0x7F {
            break;
        }
        let mask = u32::from_be_bytes(got[2..6].try_into().unwrap());
        pids.extend(obd::supported(first, mask).filter(|p| !p.is_multiple_of(0x20)));
    }
    for pid in &pids {
        let Ok(Answer::Live(all)) = obd::answer(&t.engine(&[0x01, *pid])) else { panic!("{pid:02X}") };
        assert_eq!((all.len(), all[0].0), (1, *pid));
    }
    for wanted in [0x0C, 0x0D, 0x05, 0x0F, 0x46, 0x2F, 0x33, 0x0B, 0x42, 0x2E, 0x06, 0x07, 0x32, 0x54, 0x1F, 0x31] {
        assert!(pids.contains(&wanted), "{wanted:02X}");
    }
}

fn checked(answered: bool, pull_s: f64, hold_s: f64, lost: bool) -> Seen {
    let check = OwnCheck { at_s: 50.0, pull_s, answered, hold_s, lost, level_pct: 50.0 };
    let story = Story { starts: 2, chances: 1, check: Some(check), closed_after_night: Some(false) };
    Seen { story, ..seen(false) }
}

#[test]
fn the_controllers_own_verdict_is_told_by_all_its_services() {
    let mut t = Tester::new(Standard::Can11, &seen(false));
    // Not tested yet: zeros, not complete, no code.
    assert_eq!(t.engine(&[0x06, 0x3B]), [0x46, 0x3B, 0x82, 0x11, 0, 0, 0, 0, 0, 0]);
    assert_eq!(t.engine(&[0x01, 0x01])[2..], [0, 0x07, 0x65, 0x04]);
    assert_eq!(t.engine(&[0x07]), [0x47, 0]);
    assert_eq!(t.engine(&[0x02, 0x02, 0x00]), [0x42, 2, 0, 0, 0]);
    // A hold of 9 s with 40 L of vapour is below the limit of 0.040 in.
    t.net.see(t.now, &checked(true, 6.0, 9.0, true));
    let got = t.engine(&[0x06, 0x3B]);
    let Ok(Answer::Monitors(rows)) = obd::answer(&got) else { panic!("{got:02X?}") };
    assert_eq!((rows[0].value, rows[0].low), (90, 125));
    assert_eq!(obd::scaled(rows[0].scaling, rows[0].value), Some((9.0, "s")));
    assert_eq!(t.engine(&[0x07]), [0x47, 1, 0x04, 0x42]);
    assert_eq!(t.engine(&[0x03]), [0x43, 0]);
    assert_eq!(t.engine(&[0x0A]), [0x4A, 0]);
    assert_eq!(t.engine(&[0x01, 0x01])[2..], [0, 0x07, 0x65, 0x00]);
    assert_eq!(t.engine(&[0x02, 0x02, 0x00]), [0x42, 2, 0, 0x04, 0x42]);
    assert_eq!(t.engine(&[0x02, 0x0C, 0x00]), [0x42, 0x0C, 0, 0x0C, 0xB2]);
    let counters = t.engine(&[0x09, 0x08]);
    assert_eq!((counters.len(), counters[2]), (43, 20));
    assert_eq!(counters[3 + 28..3 + 32], [0, 1, 0, 1]);
    assert_eq!(t.engine(&[0x19, 0x02, 0x04]), [0x59, 0x02, 0x8D, 0x04, 0x42, 0x00, 0x05]);
    // Which monitors there are: 39, 3B, 3C, 3D.
    assert_eq!(t.engine(&[0x06, 0x00]), [0x46, 0x00, 0, 0, 0, 1]);
    assert_eq!(t.engine(&[0x06, 0x20]), [0x46, 0x20, 0, 0, 0, 0xB8]);
}

#[test]
fn a_second_trip_with_the_same_fault_stores_the_code() {
    let mut t = Tester::new(Standard::Can11, &seen(false));
    let dead = Seen { solenoid_a: 0.0, ..seen(false) };
    for (i, s) in (0..).zip([seen(false), Seen { key: false, ..dead }, dead, dead, dead, dead]) {
        t.net.see(Stamp::from_secs(f64::from(i) * 2.0), &s);
    }
    t.now = Stamp::from_secs(12.0);
    assert_eq!((t.engine(&[0x07]), t.engine(&[0x03])), (vec![0x47, 1, 0x04, 0x47], vec![0x43, 0]));
    for (i, s) in (7..).zip([Seen { key: false, ..dead }, dead, dead, dead, dead]) {
        t.net.see(Stamp::from_secs(f64::from(i) * 2.0), &s);
    }
    t.now = Stamp::from_secs(30.0);
    assert_eq!((t.engine(&[0x07]), t.engine(&[0x03])), (vec![0x47, 0], vec![0x43, 1, 0x04, 0x47]));
    assert_eq!(t.engine(&[0x0A]), [0x4A, 1, 0x04, 0x47]);
    assert_eq!(t.engine(&[0x01, 0x01])[2], 0x81);
}

#[test]
fn a_newer_vehicle_answers_by_identifier_alone() {
    let mut t = Tester::new(Standard::J1979_2, &checked(true, 6.0, 9.0, true));
    t.net.see(Stamp(1), &checked(true, 6.0, 9.0, true));
    assert_eq!(t.all(&[0x01, 0x0C]), []);
    assert_eq!(t.engine(&[0x01, 0x0C]), [0x7F, 0x01, 0x11]);
    assert_eq!(t.engine(&[0x22, 0xF4, 0x0C, 0xF4, 0x05]), [0x62, 0xF4, 0x0C, 0x0C, 0xB2, 0xF4, 0x05, 128]);
    assert_eq!(t.engine(&[0x22, 0xF1, 0x90])[3..], *b"HARB0URLANEVAN004");
    assert_eq!(
        t.engine(&[0x19, 0x42, 0x33, 0x05, 0xFF]),
        [0x59, 0x42, 0x33, 0x8D, 0xFF, 0x04, 0x20, 0x04, 0x42, 0x00, 0x05]
    );
    assert_eq!(t.engine(&[0x19, 0x55, 0x33]), [0x59, 0x55, 0x33, 0x8D, 0x04]);
    assert_eq!(t.engine(&[0x22, 0xF6, 0x3B]), [0x62, 0xF6, 0x3B, 0x82, 0x11, 0, 90, 0, 125, 0xFF, 0xFF]);
    // Its own: vent and sense line.
    assert_eq!(t.engine(&[0x22, 0x20, 0x11, 0x20, 0x12]), [0x62, 0x20, 0x11, 1, 0x20, 0x12, 0x13, 0x74]);
    assert_eq!(t.engine(&[0x22, 0x99, 0x99]), [0x7F, 0x22, 0x31]);
    // What stood when P0442 came: record 00 with the identifiers of fifteen PIDs; of no other code, and of no other record.
    let stood = t.engine(&[0x19, 0x04, 0x04, 0x42, 0x00, 0xFF]);
    assert_eq!(stood[..8], [0x59, 0x04, 0x04, 0x42, 0x00, 0x05, 0x00, 15]);
    assert_eq!(stood[8..12], [0xF4, 0x03, 2, 0]);
    let pids: Vec<u8> = stood.windows(2).filter(|w| w[0] == 0xF4).map(|w| w[1]).collect();
    assert_eq!(pids.len(), 15, "{pids:02X?}");
    assert_eq!(t.engine(&[0x19, 0x04, 0x04, 0x42, 0x00, 0x00]), stood);
    assert_eq!(t.engine(&[0x19, 0x04, 0x04, 0x56, 0x00, 0xFF]), [0x7F, 0x19, 0x31]);
    assert_eq!(t.engine(&[0x19, 0x04, 0x04, 0x42, 0x00, 0x01]), [0x7F, 0x19, 0x31]);
    assert_eq!(t.engine(&[0x19, 0x04, 0x04, 0x42, 0x00]), [0x7F, 0x19, 0x13]);
    assert_eq!(t.engine(&[0x19, 0x06]), [0x7F, 0x19, 0x12]);
    assert_eq!(t.engine(&[0x22, 0xF4]), [0x7F, 0x22, 0x13]);
}

#[test]
fn who_the_vehicle_is() {
    let mut t = Tester::new(Standard::Can11, &seen(false));
    assert_eq!(t.engine(&[0x09, 0x02]), [&[0x49, 0x02, 1][..], b"HARB0URLANEVAN004"].concat());
    assert_eq!(t.engine(&[0x09, 0x00]), [0x49, 0x00, 0x55, 0x40, 0, 0]);
    let names = t.all(&[0x09, 0x0A]);
    assert_eq!(names.len(), 2);
    let engine = names.iter().find(|n| n.0 == 0).unwrap();
    assert_eq!((engine.1.len(), &engine.1[3..6]), (23, &b"ECM"[..]));
    assert_eq!(t.engine(&[0x09, 0x04]).len(), 3 + 32);
}

#[test]
fn what_would_change_the_vehicle_is_refused_and_counted() {
    let mut t = Tester::new(Standard::Can11, &seen(false));
    assert_eq!(t.engine(&[0x04]), [0x7F, 0x04, 0x22]);
    assert_eq!(t.engine(&[0x31, 1, 2, 3]), [0x7F, 0x31, 0x22]);
    assert_eq!(t.engine(&[0x01, 0x0C])[0], 0x41);
    assert_eq!(t.net.meddled(), [0x04, 0x31]);
}

#[test]
fn the_network_sleeps_after_key_off_unless_somebody_asks() {
    let off = Seen { key: false, awake: false, rpm: 0.0, ..seen(false) };
    let mut t = Tester::new(Standard::Can11, &seen(false));
    assert_eq!(t.engine(&[0x01, 0x0D]), [0x41, 0x0D, 47]);
    t.net.see(t.now, &off);
    // The question just before keeps it awake for 5 s; each further one again.
    assert!(t.net.awake());
    t.now = t.now.plus(3.0);
    assert_eq!(t.engine(&[0x01, 0x0D])[0], 0x41);
    t.now = t.now.plus(6.0);
    t.net.see(t.now, &off);
    assert!(!t.net.awake());
    assert_eq!(t.net.next(t.now.plus(3_600.0)), None);
    // The first frame in its sleep only wakes it.
    t.now = t.now.plus(3_600.0);
    assert_eq!(t.ask(t.to_one[0], &[0x01, 0x0D]), []);
    assert!(t.net.awake());
    assert_eq!(t.engine(&[0x01, 0x0D])[0], 0x41);
}

#[test]
fn what_nobody_takes_is_given_up() {
    let mut t = Tester::new(Standard::Can11, &seen(false));
    t.net.frame(t.now, &Frame::data(Id::Standard(0x7E0), &[2, 0x09, 0x02, 0, 0, 0, 0, 0]).unwrap());
    let answer = |t: &mut Tester, s: f64| {
        let until = t.now.plus(s);
        let mut n = 0;
        while let Some((_, f)) = t.net.next(until) {
            n += usize::from(f.id == Id::Standard(0x7E8));
        }
        t.now = until;
        n
    };
    assert_eq!(answer(&mut t, 1.5), 1, "the first part, and no flow control");
    let go = Frame::data(Id::Standard(0x7E0), &flow_frame(Flow::Go { block: 0, pause: 0 })).unwrap();
    t.net.frame(t.now, &go);
    assert_eq!(answer(&mut t, 1.0), 0);
    assert_eq!(t.engine(&[0x01, 0x0D])[0], 0x41);
}

/// Broadcast frames: byte 1's key bit and the speed in bytes 2 and 3.
#[test]
fn frames_go_out_by_themselves_at_their_rates() {
    let mut t = Tester::new(Standard::Can11, &seen(false));
    let mut counts = [0; 3];
    let mut last = Stamp::ZERO;
    while let Some((at, f)) = t.net.next(Stamp::from_secs(10.01)) {
        assert!(at > last);
        last = at;
        let i = BROADCASTS.iter().position(|b| f.id == Id::Standard(b.id)).unwrap();
        counts[i] += 1;
        if i == 0 {
            assert_eq!(f.bytes()[..3], [0b011, 0x0C, 0xB2]);
        }
    }
    assert_eq!(counts, [200, 100, 10]);
}

/// Every named fault in the path, for an hour of a day: whatever is asked, nothing panics, time never runs backwards, and
/// some questions are answered rightly in spite of all.
#[test]
fn a_faulty_path_delays_tears_and_loses_and_never_ends_it() {
    for (name, fault) in FAULTS {
        let mut o = Outing::new("tight", 1, Standard::Can11, &[fault]).unwrap();
        let (mut asked, mut right, mut last) = (0, 0, Stamp::ZERO);
        let mut receiver = Receiver::default();
        for i in 0..900 {
            let at = Stamp::from_secs(70.0 + f64::from(i));
            while let Some((when, _)) = o.next(at) {
                assert!(when >= last && when <= at, "{name}");
                last = when;
            }
            asked += 1;
            o.frame(at, &Frame::data(Id::Standard(0x7DF), &[4, 1, 0x0D, 0x05, 0x42, 0, 0, 0]).unwrap());
            let mut got = false;
            while let Some((when, frame)) = o.next(at.plus(0.9)) {
                assert!(when >= last, "{name}");
                last = when;
                if frame.id != Id::Standard(0x7E8) {
                    continue;
                }
                match receiver.frame(when, frame.bytes()) {
                    Got::Message(m) => got |= m.len() == 8 && m[..2] == [0x41, 0x0D] && m[3] == 0x05 && m[5] == 0x42,
                    Got::Owes(flow) => {
                        o.frame(when, &Frame::data(Id::Standard(0x7E0), &flow_frame(flow)).unwrap());
                    }
                    _ => {}
                }
            }
            right += i32::from(got);
        }
        assert!(o.network().meddled().is_empty(), "{name}");
        let share = f64::from(right) / f64::from(asked);
        let (low, high) = match fault {
            // Deaf for 300 s of the 900.
            Fault::Silent => (0.6, 0.7),
            // Up to three times 0.9 s late.
            Fault::Pending => (0.2, 0.9),
            Fault::WrongLength | Fault::Lost => (0.85, 0.99),
            Fault::Garbage => (0.9, 1.0),
            Fault::Slow | Fault::Interleaved | Fault::Errors => (1.0, 1.0),
        };
        assert!((low..=high).contains(&share), "{name}: {share}");
    }
}
