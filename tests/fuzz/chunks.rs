//! For targets that read lines: the first byte says where the rest is cut.

use std::fmt::Debug;

/// All that a fresh reader makes of the data; it must make the same of them cut in two.
pub fn however_cut<T, Next>(data: &[u8], fresh: impl Fn() -> Next) -> Vec<T>
where
    T: Debug + PartialEq,
    Next: FnMut(&mut &[u8]) -> Option<T>,
{
    let Some((&cut, text)) = data.split_first() else { return Vec::new() };
    let (a, b) = text.split_at(usize::from(cut).min(text.len()));
    let gather = |chunks: &[&[u8]]| {
        let (mut next, mut all) = (fresh(), Vec::new());
        for chunk in chunks {
            let mut rest = *chunk;
            while let Some(one) = next(&mut rest) {
                all.push(one);
            }
        }
        all
    };
    let whole = gather(&[text]);
    assert_eq!(gather(&[a, b]), whole);
    whole
}
