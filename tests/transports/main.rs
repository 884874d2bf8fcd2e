//! Old and new vehicles: the simulated vehicle's own controllers, asked over each transport. `SOAKWATCH_SEEDS` sets the
//! seeds; without it one is played, and not over every way: those left out are printed.

#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used)]

mod day;
mod devices;
mod live;
mod own_word;
mod told;
mod verdicts;
