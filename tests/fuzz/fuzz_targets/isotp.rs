//! Any frames at any times leave a receiver sound, and a message arrives whole over any sound conversation, also after
//! them.
#![no_main]

use libfuzzer_sys::fuzz_target;
use soakwatch::time::Stamp;
use soakwatch::wire::isotp::{Got, LONGEST, Part, Receiver, Send, Sender, part};

const ROOMS: [usize; 8] = [8, 12, 16, 20, 24, 32, 48, 64];

fn carry(sender: &mut Sender, receiver: &mut Receiver, mut now: Stamp) -> Vec<u8> {
    loop {
        match sender.poll(now) {
            Send::Frame(data) => match receiver.frame(now, &data) {
                Got::Message(m) => return m,
                Got::Owes(flow) => sender.flow(now, flow),
                Got::Nothing => {}
                Got::Broken(f) => panic!("{f:?}"),
            },
            Send::Until(t) => now = t,
            other => panic!("{other:?}"),
        }
    }
}

fuzz_target!(|data: &[u8]| {
    let Some((&[how, block, pause], rest)) = data.split_first_chunk::<3>() else { return };
    let mut receiver = Receiver::new(block, pause);
    let mut sender = Sender::new(rest, ROOMS[usize::from(how & 7)]);
    let (mut now, mut left) = (Stamp::ZERO, rest);
    // Frames as they may come: a byte of length and pause before each.
    while let Some((&head, after)) = left.split_first() {
        let (frame, after) = after.split_at(usize::from(head & 0x3F).min(after.len()));
        now = now.plus(f64::from(head >> 6) * 0.4);
        if let Got::Message(m) = receiver.frame(now, frame) {
            assert!(!m.is_empty() && m.len() <= LONGEST);
        }
        if let (Some(s), Some(Part::Flow(flow))) = (sender.as_mut(), part(frame)) {
            let _ = s.poll(now);
            s.flow(now, flow);
        }
        let _ = receiver.tick(now);
        left = after;
    }
    if let Some(mut sender) = Sender::new(rest, ROOMS[usize::from(how & 7)]) {
        assert_eq!(carry(&mut sender, &mut receiver, now.plus(0.01)), rest);
    }
});
