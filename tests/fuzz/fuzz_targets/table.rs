//! Any line is split; what was written is read back; the fast number is the number.
#![no_main]

use libfuzzer_sys::fuzz_target;
use soakwatch::wire::table::{Header, LONGEST_LINE, Last, Splitter, number, write_row};

fuzz_target!(|data: &[u8]| {
    let line = data.split(|b| *b == b'\n').next().unwrap_or_default();
    let mut splitter = Splitter::new();
    let cells = splitter.split(line);
    let mut last = Last::default();
    for i in 0..cells.len() {
        let (fast, slow) = (cells.number(i, &mut last), number(cells.get(i)));
        match (fast, slow) {
            (Some(Ok(a)), Some(b)) => assert_eq!(a.to_bits(), b.to_bits()),
            (Some(Err(_)), None) => {}
            (None, _) => assert!(cells.get(i).is_empty()),
            other => panic!("{other:?}"),
        }
        // The standard library is the oracle for what is a number in both.
        let told = std::str::from_utf8(cells.get(i)).ok().and_then(|t| t.parse::<f64>().ok());
        if let (Some(a), Some(b)) = (slow, told) {
            assert!(a.to_bits() == b.to_bits() || a.is_nan() && b.is_nan(), "{a} {b}");
        }
    }
    let _ = Header::parse(line);
    let Ok(text) = std::str::from_utf8(line) else { return };
    let written: Vec<&str> = text.split(';').map(str::trim_ascii).collect();
    let mut row = Vec::new();
    write_row(written.iter().copied(), &mut row);
    // A lone empty cell is an empty line, and a long one is cut off.
    if row.is_empty() || row.len() > LONGEST_LINE || row.starts_with(b"\xef\xbb\xbf") || row.contains(&b'\r') {
        return;
    }
    let mut splitter = Splitter::new();
    let read: Vec<&[u8]> = splitter.split(&row).iter().collect();
    let bytes: Vec<&[u8]> = written.iter().map(|c| c.as_bytes()).collect();
    assert_eq!(read.len(), bytes.len(), "{row:?}");
    for (read, written) in read.iter().zip(bytes) {
        // A quotation mark within a cell that needs no quotes is the writer's to quote.
        assert_eq!(*read, written.trim_ascii(), "{row:?}");
    }
});
