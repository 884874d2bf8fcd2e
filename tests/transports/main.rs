//! Old and new vehicles: the simulated vehicle's own controllers, asked over each transport.

#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used)]

mod devices;
mod own_word;
mod told;
