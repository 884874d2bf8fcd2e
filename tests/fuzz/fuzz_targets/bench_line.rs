//! Lines come out of any chunks alike, and a line that was written with its check is believed.
#![no_main]

use chunks::however_cut;
use libfuzzer_sys::fuzz_target;
use soakwatch::wire::bench_line::{Belief, Line, Lines, checked, is_header, write_line};

fuzz_target!(|data: &[u8]| {
    let fresh = || {
        let mut lines = Lines::default();
        move |rest: &mut &[u8]| match lines.next(rest)? {
            Line::Whole(l) => Some(Some(l.to_vec())),
            _ => Some(None),
        }
    };
    let mut belief = Belief::default();
    for line in however_cut(data, fresh).into_iter().flatten() {
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
