//! Lines come out of any chunks alike, and a frame that was read is written and read again alike.
#![no_main]

use chunks::however_cut;
use libfuzzer_sys::fuzz_target;
use soakwatch::wire::slcan::{Lines, Said, line, said};

fuzz_target!(|data: &[u8]| {
    let fresh = || {
        let mut lines = Lines::default();
        move |rest: &mut &[u8]| lines.next(rest)
    };
    for s in however_cut(data, fresh) {
        if let Said::Frame(frame) = s {
            let text = line(&frame).expect("a classic frame has a line");
            assert_eq!(said(text.strip_suffix(b"\r").expect("a line end")), Said::Frame(frame));
        }
    }
});
