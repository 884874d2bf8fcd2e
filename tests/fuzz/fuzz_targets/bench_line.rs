//! Lines come out of any chunks alike, and a line that was written with its check is believed.
#![no_main]

use libfuzzer_sys::fuzz_target;
use soakwatch::wire::bench_line::{Belief, Line, Lines, checked, is_header, write_line};

fn gather(chunks: &[&[u8]]) -> Vec<Option<Vec<u8>>> {
    let (mut lines, mut all) = (Lines::default(), Vec::new());
    for chunk in chunks {
        let mut rest = *chunk;
        while let Some(line) = lines.next(&mut rest) {
            all.push(match line {
                Line::Whole(l) => Some(l.to_vec()),
                _ => None,
            });
        }
    }
    all
}

fuzz_target!(|data: &[u8]| {
    let Some((&cut, text)) = data.split_first() else { return };
    let (a, b) = text.split_at(usize::from(cut).min(text.len()));
    let whole = gather(&[text]);
    assert_eq!(gather(&[a, b]), whole);
    let mut belief = Belief::default();
    for line in whole.into_iter().flatten() {
        if is_header(&line) {
            belief.hear(&line);
        }
        if let Some(body) = checked(&line) {
            assert!(line.starts_with(body));
        }
        let Ok(text) = std::str::from_utf8(&line) else { continue };
        let mut out = Vec::new();
        write_line([text, "1"], true, &mut out);
        let line = out.strip_suffix(b"\n").expect("a line end");
        assert!(is_header(line) || checked(line).is_some());
    }
});
