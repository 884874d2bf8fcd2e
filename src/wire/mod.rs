//! Wire: pure line codecs. They turn bytes into cells and back, and never judge.

pub mod bench_line;
pub mod table;
