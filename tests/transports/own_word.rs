//! The simulated engine controller's own verdict on days of known holes.

use soakwatch::sim::bus::{Outing, Standard};
use soakwatch::time::Stamp;
use soakwatch::wire::can_frame::{Frame, Id};
use soakwatch::wire::isotp::{Got, Receiver, flow_frame};
use soakwatch::wire::obd::{self, Answer};

/// Asks the engine controller.
fn ask(o: &mut Outing, question: &[u8]) -> Answer {
    let mut data = vec![question.len() as u8];
    data.extend_from_slice(question);
    let to = Id::Standard(0x7E0);
    o.frame(o.now(), &Frame::data(to, &data).unwrap());
    let mut receiver = Receiver::default();
    let until = o.now().plus(0.2);
    while let Some((at, frame)) = o.next(until) {
        if frame.id != Id::Standard(0x7E8) {
            continue;
        }
        match receiver.frame(at, frame.bytes()) {
            Got::Message(message) => return obd::answer(&message).unwrap(),
            Got::Owes(flow) => o.frame(at, &Frame::data(to, &flow_frame(flow)).unwrap()),
            _ => {}
        }
    }
    panic!("no answer to {question:02X?}");
}

fn codes(o: &mut Outing, service: u8) -> Vec<String> {
    match ask(o, &[service]) {
        Answer::Codes(_, codes) => codes.iter().map(ToString::to_string).collect(),
        other => panic!("{other:?}"),
    }
}

/// What a controller with a fixed threshold ought to find at these sizes; between 0.4 and 0.7 mm opinions may differ.
#[test]
fn the_controller_finds_what_the_hole_deserves() {
    for (scenario, pending, stored) in [
        ("tight", "", ""),
        ("leak-0.30", "", ""),
        ("leak-0.80", "P0456", ""),
        ("leak-2.00", "P0442", ""),
        ("cap-off", "P0455", ""),
        ("solenoid-dead", "", "P0447"),
        ("switch-stuck-closed", "", "P0452"),
        ("ps-tight", "", ""),
        ("ps-leak-0.80", "P0456", ""),
        // The pull does not reach its target.
        ("ps-leak-2.00", "P0455", ""),
    ] {
        for seed in 1..=3 {
            let mut o = Outing::new(scenario, seed, Standard::Can11, &[]).unwrap();
            // Just before the last key-off.
            let end = Stamp::from_secs(o.timetable().2 - 152.0);
            while o.next(end).is_some() {}
            let (now, then) = (codes(&mut o, 7).join(" "), codes(&mut o, 3).join(" "));
            println!("{scenario} {seed}: pending {now:?}, stored {then:?}, {:?}", ask(&mut o, &[0x06, 0x3B]));
            assert!(now.contains(pending) && then.contains(stored), "{scenario} {seed}");
            assert!(pending.len() + stored.len() > 0 || now.len() + then.len() == 0, "{scenario} {seed}");
        }
    }
}
