//! Lines come out of any chunks alike, and a frame that was read is written and read again alike.
#![no_main]

use libfuzzer_sys::fuzz_target;
use soakwatch::wire::slcan::{Lines, Said, line, said};

fn gather(chunks: &[&[u8]]) -> Vec<Said> {
    let (mut lines, mut all) = (Lines::default(), Vec::new());
    for chunk in chunks {
        let mut rest = *chunk;
        while let Some(s) = lines.next(&mut rest) {
            all.push(s);
        }
    }
    all
}

fuzz_target!(|data: &[u8]| {
    let Some((&cut, text)) = data.split_first() else { return };
    let (a, b) = text.split_at(usize::from(cut).min(text.len()));
    let whole = gather(&[text]);
    assert_eq!(gather(&[a, b]), whole);
    for s in whole {
        if let Said::Frame(frame) = s {
            let text = line(&frame).expect("a classic frame has a line");
            assert_eq!(said(text.strip_suffix(b"\r").expect("a line end")), Said::Frame(frame));
        }
    }
});
