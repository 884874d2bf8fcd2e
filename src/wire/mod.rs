//! Wire: pure codecs, one file a standard. They turn bytes into cells, frames and messages and back, and never judge.

pub mod addresses;
pub mod ask;
pub mod bench_line;
pub mod can_frame;
pub mod dialect;
pub mod dtc;
pub mod isotp;
pub mod obd;
pub mod slcan;
pub mod table;
pub mod text_adapter;
pub mod uds;
