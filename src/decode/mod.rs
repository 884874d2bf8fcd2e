//! Decode: records to readings, by profile.

mod reading;

pub use reading::Reading;
