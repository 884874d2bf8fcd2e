//! What a text-command adapter says comes out of any chunks alike, and older buses' messages are joined or refused.
#![no_main]

use libfuzzer_sys::fuzz_target;
use soakwatch::profile;
use soakwatch::wire::dialect::Dialect;
use soakwatch::wire::text_adapter::{Joiner, Lines, Said};
use std::sync::LazyLock;

static DIALECT: LazyLock<Dialect> =
    LazyLock::new(|| profile::load_builtin("switch-module").expect("a built-in profile").dialect);

fn gather(sent: &str, chunks: &[&[u8]]) -> Vec<Said> {
    let mut lines = Lines::new(DIALECT.clone());
    lines.sent(sent);
    let mut all = Vec::new();
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
    let whole = gather("010C\r", &[text]);
    assert_eq!(gather("010C\r", &[a, b]), whole);
    let mut joiner = Joiner::default();
    for s in &whole {
        match s {
            Said::Older(older) => drop(joiner.hear(older)),
            Said::Prompt => assert!(joiner.end().all(|o| !o.data.is_empty())),
            _ => {}
        }
    }
});
