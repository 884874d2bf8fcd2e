//! What a text-command adapter says comes out of any chunks alike, and older buses' messages are joined or refused.
#![no_main]

use chunks::however_cut;
use libfuzzer_sys::fuzz_target;
use soakwatch::profile;
use soakwatch::wire::dialect::Dialect;
use soakwatch::wire::text_adapter::{Joiner, Lines, Said};
use std::sync::LazyLock;

static DIALECT: LazyLock<Dialect> =
    LazyLock::new(|| profile::load_builtin("switch-module").expect("a built-in profile").dialect);

fuzz_target!(|data: &[u8]| {
    let fresh = || {
        let mut lines = Lines::new(DIALECT.clone());
        lines.sent("010C\r");
        move |rest: &mut &[u8]| lines.next(rest)
    };
    let mut joiner = Joiner::default();
    for s in however_cut(data, fresh) {
        match s {
            Said::Older(older) => drop(joiner.hear(&older)),
            Said::Prompt => assert!(joiner.end().all(|o| !o.data.is_empty())),
            _ => {}
        }
    }
});
