//! The tests of a module that lies on the tray, and the verdict on the part.

mod control;
mod edges;
mod holding;
pub(super) mod module_hold;
pub(super) mod part;
pub(super) mod switch_circuit;
pub(super) mod switch_point;

use super::draft::{Draft, Machine};
use crate::timeline::{Happening, Timeline};
use crate::trade::Test;

/// Stands in for a test that is not judged yet.
#[derive(Debug)]
pub(super) struct Waiting(pub Test);

impl Machine for Waiting {
    fn test(&self) -> Test {
        self.0
    }

    fn happening(&mut self, _t: &Timeline, _h: &Happening) {}

    fn step(&mut self, _t: &Timeline) {}

    fn drafts(&self, _t: &Timeline) -> Vec<Draft> {
        let why = "this version does not judge it on the tray".to_owned();
        vec![Draft::not_run(self.0, String::new(), vec![why], "judge it by hand")]
    }

    fn under_way(&self, _t: &Timeline) -> Option<(f64, String)> {
        None
    }
}

#[cfg(test)]
mod switch_tests;
