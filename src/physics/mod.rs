//! The physics of a sealed headspace: pure functions with units, and two ensembles that say what is still possible.
//!
//! | file | what it knows |
//! |---|---|
//! | [`gas`] | ideal gas, density |
//! | [`fuel`] | vapour pressure of motor gasoline |
//! | [`orifice`] | flow through a small hole, its decay time, the hole that a flow is equivalent to |
//! | [`tank`] | the forward model: a headspace stepped through time, with air, vapour, heat, leak, reliefs, barometer, purge |
//! | [`air_balance`] | which hole could have let a tank stand at a pressure for so long, from the air alone |
//! | [`soak_belief`] | which holes could have closed, or kept open, the leak switch in this night |
//! | [`leak_down`] | the hole behind a small closed volume that was drawn or pressed and held; or that volume |
//! | [`supply`] | whether a hole could have drawn a short trace, from the supply that it would have needed |
//! | [`posterior`] | what is believed of a hole, before and after |
//! | [`decay_belief`] | which holes fit one sealed pull and the decay after it |
//!
//! Nothing here does I/O or reads a clock; transcendental functions come from `libm`, sums run in a fixed order, so
//! that the same input gives the same bits on every machine.

pub mod air_balance;
pub mod decay_belief;
pub mod fuel;
pub mod gas;
pub mod leak_down;
pub mod orifice;
pub mod posterior;
mod sampling;
pub mod soak_belief;
pub mod supply;
pub mod tank;
