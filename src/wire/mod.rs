//! Wire: pure codecs, one file a standard. They turn bytes into cells, frames and messages and back, and never judge.

pub mod bench_line;
pub mod can_frame;
pub mod isotp;
pub mod table;
