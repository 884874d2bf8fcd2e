//! Any packet is a frame or refused; a frame is written as it was read; errors have words.
#![no_main]

use libfuzzer_sys::fuzz_target;
use soakwatch::wire::can_frame::{Frame, Kind, error_words};

fuzz_target!(|data: &[u8]| {
    let Ok(frame) = Frame::decode(data) else { return };
    if let Kind::Error(class) = frame.kind {
        let _ = error_words(class, frame.bytes());
    }
    let mut again = Vec::new();
    frame.encode(&mut again);
    assert_eq!(Frame::decode(&again), Ok(frame));
});
