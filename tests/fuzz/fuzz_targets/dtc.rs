//! A code is written so that it can be read back, whatever its bytes.
#![no_main]

use libfuzzer_sys::fuzz_target;
use soakwatch::wire::dtc::Code;

fuzz_target!(|bytes: [u8; 3]| {
    let Some(code) = Code::from_three(bytes) else { return assert_eq!(bytes[..2], [0, 0]) };
    let text = code.to_string();
    let letter = "PCBU".find(&text[..1]).expect("a letter") as u16;
    let word = letter << 14 | u16::from_str_radix(&text[1..5], 16).expect("digits");
    assert_eq!(word.to_be_bytes(), bytes[..2]);
    assert_eq!(text.len(), if bytes[2] == 0 { 5 } else { 8 });
    assert!(!code.is_vapour() || text.starts_with("P04") || text.starts_with("P24"));
});
