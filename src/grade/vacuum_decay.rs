//! stub
use super::draft::*;
use crate::timeline::*;
use crate::trade::*;
/// x
#[derive(Debug, Default)]
pub struct VacuumDecay {}
impl Machine for VacuumDecay {
    fn test(&self) -> Test {
        Test::VacuumDecay
    }
    fn happening(&mut self, _t: &Timeline, _h: &Happening) {}
    fn step(&mut self, _t: &Timeline) {}
    fn drafts(&self, _t: &Timeline) -> Vec<Draft> {
        vec![Draft::not_run(Test::VacuumDecay, String::new(), vec![], "")]
    }
    fn under_way(&self, _t: &Timeline) -> Option<(f64, String)> {
        None
    }
}
