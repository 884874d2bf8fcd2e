//! The tests of a module that lies on the tray, and the verdict on the part.

mod collapse;
mod control;
mod edges;
mod excursion;
mod holding;
pub(super) mod module_hold;
pub(super) mod part;
pub(super) mod relief;
pub(super) mod switch_circuit;
pub(super) mod switch_point;
pub(super) mod vent_solenoid;

#[cfg(test)]
mod switch_tests;
#[cfg(test)]
mod tests;
