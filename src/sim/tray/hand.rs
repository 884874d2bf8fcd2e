//! The technician: what is put on the rig, told, drawn, held and let go, in an order and at speeds from the seed.

use super::super::random::{Dice, Drift};
use super::Rig;
use super::scenario::{Habit, Plan};
use std::collections::VecDeque;

/// One thing to do.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Step {
    /// Takes off what sits on the rig, puts this on, and tells so.
    Put(Rig),
    /// Bleed open, plunger brought to `ml`; then so many seconds of rest.
    Rest { ml: f64, s: f64 },
    /// Plunger moved.
    Stroke(Aim),
    /// The same, if the last stroke did not close the switch.
    Further(Aim),
    /// Bleed shut, plunger at rest.
    Hold { s: f64 },
    /// Bleed opened under pressure.
    Release { s: f64 },
    /// Solenoid on or off.
    Energise(bool),
    /// Where no vacuum ever stood on the part, does what is kept for that.
    IfNothingStood,
    /// Tells that the plug comes off the vent-side port, and pulls it.
    Unplug,
}

/// What a stroke is to reach.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Aim {
    /// The gauge is to stand here, Pa.
    to_pa: f64,
    /// At this rate, Pa/s.
    pa_s: f64,
    /// How many times quicker the hand may get where the gauge lags behind.
    push: f64,
    /// The stroke goes on for so long though the gauge has come to a stand, s; 0 if to its end.
    stays_s: f64,
}

/// What the hand sees and hears.
#[derive(Debug, Clone, Copy)]
pub struct Sees {
    /// Gauge, Pa.
    pub pa: f64,
    /// Barometer, Pa.
    pub baro_pa: f64,
    /// Gas volume, m³.
    pub m3: f64,
    /// The contact.
    pub closed: bool,
}

/// The hand on syringe, bleed valve and button.
#[derive(Debug, Clone)]
pub struct Hand {
    steps: VecDeque<Step>,
    /// What is done if no vacuum stands on the part.
    else_steps: Vec<Step>,
    /// A vacuum stood on the part behind a resting syringe.
    stood: bool,
    /// Seconds in the present step.
    in_step_s: f64,
    tremor: Drift,
    creep: Drift,
    reaction_s: f64,
    /// Gas in the syringe, ml.
    pub plunger_ml: f64,
    speed_ml_s: f64,
    wanted_ml_s: f64,
    first_ml_s: f64,
    looked: (f64, f64),
    furthest_pa: f64,
    still_s: f64,
    reached_s: Option<f64>,
    /// The bleed valve is open.
    pub bleed: bool,
    /// The solenoid is switched on.
    pub energised: bool,
    /// What sits on the rig.
    pub rig: Rig,
    t_s: f64,
}

/// What the syringe takes, ml.
pub const SYRINGE_ML: f64 = 100.0;
/// The plug for the positive control has a hole of this size, mm.
const REFERENCE_MM: f64 = 0.5;
/// What stands behind a resting syringe for so long, s, and at least so deep, Pa, stands.
const STANDS_S: f64 = 2.0;
const STANDS_PA: f64 = 100.0;
/// No hand is quicker, ml/s.
const QUICKEST_ML_S: f64 = 70.0;
/// No pressing beyond this, Pa: well below 3.5 kPa (trade facts, common practice).
const MOST_PRESSED_PA: f64 = 1_200.0;
/// No drawing beyond this, Pa.
const MOST_DRAWN_PA: f64 = -2_600.0;

impl Hand {
    /// With the habits of the plan.
    pub fn new(plan: &Plan, seed: u64) -> Hand {
        Hand {
            steps: script(plan, seed),
            else_steps: plugged(plan, seed),
            stood: false,
            in_step_s: 0.0,
            tremor: Drift::new(seed, 140, 0.45, 0.22),
            creep: Drift::new(seed, 141, 1.7, 0.006),
            reaction_s: Dice::new(seed, 142).between(0.12, 0.3),
            plunger_ml: 4.0,
            speed_ml_s: 0.0,
            wanted_ml_s: 0.0,
            first_ml_s: 0.0,
            looked: (0.0, 0.0),
            furthest_pa: 0.0,
            still_s: 0.0,
            reached_s: None,
            bleed: true,
            energised: false,
            rig: Rig::Module,
            t_s: 0.0,
        }
    }

    /// All is done.
    pub fn done(&self) -> bool {
        self.steps.is_empty()
    }

    /// Gas in the syringe with the unsteadiness of a hand that holds it, ml.
    pub fn syringe_ml(&self) -> f64 {
        self.plunger_ml + if self.bleed { 0.0 } else { self.creep.at(self.t_s) }
    }

    /// A step of `dt`; gives what the technician notes.
    pub fn step(&mut self, dt: f64, sees: Sees) -> Option<Rig> {
        self.t_s += dt;
        let now = *self.steps.front()?;
        let fresh = self.in_step_s == 0.0;
        self.in_step_s += dt;
        let mut told = None;
        let over = match now {
            Step::Put(rig) => {
                self.bleed = true;
                // Half of the time to take the old one off, then the note, then the new one is tightened.
                if self.in_step_s >= 4.0 && self.rig != rig {
                    self.rig = rig;
                    told = Some(rig);
                }
                self.in_step_s >= 9.0
            }
            Step::Rest { ml, s } => {
                self.bleed = true;
                let left = ml - self.plunger_ml;
                self.glide(dt, if left.abs() < 0.02 { 0.0 } else { (2.5 * left).clamp(-25.0, 25.0) });
                left.abs() < 0.05 && self.in_step_s >= s
            }
            Step::Stroke(aim) => self.stroke(dt, fresh, aim, sees),
            Step::Further(_) if fresh && sees.closed => true,
            Step::Further(aim) => self.stroke(dt, fresh, aim, sees),
            Step::Hold { s } => {
                self.bleed = false;
                self.glide(dt, 0.0);
                self.stood |= self.rig == Rig::Module && self.in_step_s > STANDS_S && sees.pa < -STANDS_PA;
                self.in_step_s >= s
            }
            Step::IfNothingStood => {
                if !self.stood {
                    for (i, step) in self.else_steps.drain(..).enumerate() {
                        self.steps.insert(i + 1, step);
                    }
                }
                true
            }
            Step::Unplug => {
                self.bleed = false;
                self.glide(dt, 0.0);
                if fresh {
                    told = Some(Rig::Module);
                }
                if self.in_step_s > 1.0 {
                    self.rig = Rig::Module;
                }
                self.in_step_s >= 3.0
            }
            Step::Release { s } => {
                self.bleed = true;
                self.glide(dt, 0.0);
                self.in_step_s >= s
            }
            Step::Energise(on) => {
                self.energised = on;
                true
            }
        };
        if over {
            self.steps.pop_front();
            self.in_step_s = 0.0;
            self.reached_s = None;
            self.still_s = 0.0;
        }
        told
    }

    /// The plunger comes to this speed within a tenth of a second.
    fn glide(&mut self, dt: f64, ml_s: f64) {
        self.speed_ml_s += (ml_s - self.speed_ml_s) * -libm::expm1(-dt / 0.09);
        let to = self.plunger_ml + self.speed_ml_s * dt;
        self.plunger_ml = to.clamp(0.0, SYRINGE_ML);
        if to != self.plunger_ml {
            self.speed_ml_s = 0.0;
        }
    }

    fn stroke(&mut self, dt: f64, fresh: bool, aim: Aim, sees: Sees) -> bool {
        let way = if fresh { (aim.to_pa - sees.pa).signum() } else { -self.wanted_ml_s.signum() };
        if fresh {
            self.bleed = false;
            // Somewhere between a slow and a quick compression.
            self.first_ml_s = (aim.pa_s * sees.m3 * 1e6 / (1.15 * sees.baro_pa)).min(QUICKEST_ML_S);
            self.wanted_ml_s = -way * self.first_ml_s;
            self.looked = (0.0, sees.pa);
            self.furthest_pa = sees.pa;
        }
        if self.reached_s.is_none() && (sees.pa - aim.to_pa) * way >= 0.0 {
            self.reached_s = Some(self.in_step_s);
        }
        if self.in_step_s - self.looked.0 >= 0.3 {
            self.look(way, aim, sees.pa);
        }
        let stood = aim.stays_s > 0.0 && self.still_s >= aim.stays_s;
        if stood || self.reached_s.is_some_and(|s| self.in_step_s >= s + self.reaction_s) {
            return true;
        }
        let before = self.plunger_ml;
        let tremor = (1.0 + self.tremor.at(self.t_s)).max(0.1);
        self.glide(dt, self.wanted_ml_s * tremor);
        let at_end = self.plunger_ml == before && (before == 0.0 || before == SYRINGE_ML);
        at_end && self.in_step_s > 0.3
    }

    /// Looks at the gauge and moves quicker or slower.
    fn look(&mut self, way: f64, aim: Aim, pa: f64) {
        let s = self.in_step_s - self.looked.0;
        let rate = (pa - self.looked.1) / s * way;
        let factor = (aim.pa_s / rate.max(0.1 * aim.pa_s)).clamp(0.7, 1.35);
        let most = (aim.push * self.first_ml_s).min(QUICKEST_ML_S);
        let speed = (self.wanted_ml_s.abs() * factor).clamp((0.3 * self.first_ml_s).min(most), most);
        self.wanted_ml_s = -way * speed;
        // A relief that opens lets the gauge fall back a little: only what goes beyond counts.
        let beyond = (pa - self.furthest_pa) * way;
        if beyond > 0.25 * aim.pa_s * s {
            (self.furthest_pa, self.still_s) = (pa, 0.0);
        } else {
            self.still_s += s;
        }
        self.looked = (self.in_step_s, pa);
    }
}

/// Everything the technician does on this run.
fn script(plan: &Plan, seed: u64) -> VecDeque<Step> {
    let mut d = Dice::new(seed, 143);
    let mut all = vec![Step::Rest { ml: 4.0, s: d.between(4.0, 7.0) }];
    if plan.habit != Habit::NoControl {
        let orifice = Rig::Orifice(REFERENCE_MM);
        let order = if d.unit() < 0.7 { [Rig::Sealed, orifice] } else { [orifice, Rig::Sealed] };
        for rig in order {
            all.push(Step::Put(rig));
            if rig == Rig::Sealed {
                let s = d.between(26.0, 42.0);
                hold(&mut all, &mut d, plan, s);
                continue;
            }
            // Twice, since one may be spoilt; by then it is empty.
            for _ in 0..2 {
                let s = d.between(8.0, 13.0);
                hold(&mut all, &mut d, plan, s);
            }
        }
        all.push(Step::Put(Rig::Module));
    }
    let mut blocks: Vec<fn(&mut Vec<Step>, &mut Dice, &Plan)> = match plan.habit {
        Habit::SolenoidOnly => vec![dry_solenoid, dry_solenoid, dry_solenoid],
        _ => vec![
            switch_strokes,
            holds,
            press,
            press,
            press,
            deep_draw,
            deep_draw,
            wet_solenoid,
            dry_solenoid,
            wet_solenoid,
        ],
    };
    // An order of its own for every seed.
    for i in (1..blocks.len()).rev() {
        let j = (d.unit() * (i as f64 + 1.0)) as usize;
        blocks.swap(i, j);
    }
    for block in blocks {
        block(&mut all, &mut d, plan);
    }
    if plan.habit != Habit::SolenoidOnly {
        all.push(Step::IfNothingStood);
    }
    all.push(Step::Rest { ml: 4.0, s: 5.0 });
    all.into()
}

/// With the vent-side port plugged: draws, holds, and pulls the plug; twice.
fn plugged(plan: &Plan, seed: u64) -> Vec<Step> {
    let mut d = Dice::new(seed, 144);
    let mut all = Vec::new();
    for _ in 0..2 {
        all.push(Step::Put(Rig::VentPlugged));
        rest(&mut all, &mut d, 4.0);
        let deep = if plan.vacuum_relief_pa.is_some() { 0.7 } else { 1.0 };
        let to_pa = -deep * d.between(480.0, 620.0);
        all.push(Step::Stroke(Aim { to_pa, pa_s: d.between(250.0, 500.0), push: 20.0, stays_s: 0.0 }));
        all.push(Step::Hold { s: d.between(3.0, 5.0) });
        all.push(Step::Unplug);
        release(&mut all, &mut d);
    }
    all
}

fn rest(all: &mut Vec<Step>, d: &mut Dice, ml: f64) {
    all.push(Step::Rest { ml, s: d.between(2.5, 6.0) });
}

fn release(all: &mut Vec<Step>, d: &mut Dice) {
    all.push(Step::Release { s: d.between(1.5, 3.0) });
}

/// One draw, held, and released.
fn hold(all: &mut Vec<Step>, d: &mut Dice, plan: &Plan, s: f64) {
    let rate = if plan.habit == Habit::Quick { (900.0, 2_600.0) } else { (70.0, 320.0) };
    rest(all, d, 4.0);
    let deep = if plan.vacuum_relief_pa.is_some() { 0.6 } else { 1.0 };
    let to_pa = -deep * d.between(520.0, 700.0);
    all.push(Step::Stroke(Aim { to_pa, pa_s: d.between(rate.0, rate.1), push: 20.0, stays_s: 0.0 }));
    all.push(Step::Hold { s });
    release(all, d);
}

fn holds(all: &mut Vec<Step>, d: &mut Dice, plan: &Plan) {
    for _ in 0..2 {
        let s = d.between(32.0, 48.0);
        hold(all, d, plan, s);
    }
}

/// Slow and quick over the switch point, several times, each time let in again by the syringe or by the bleed.
fn switch_strokes(all: &mut Vec<Step>, d: &mut Dice, plan: &Plan) {
    let quick_hand = plan.habit == Habit::Quick;
    let slow = [true, false, true, false, true, false];
    let turned = d.unit() < 0.5;
    rest(all, d, 4.0);
    for (i, slow) in slow.into_iter().enumerate() {
        let mut rate = || match (quick_hand, slow != turned) {
            (true, _) => d.between(700.0, 2_400.0),
            (false, true) => d.between(18.0, 45.0),
            (false, false) => d.between(110.0, 420.0),
        };
        let (down, up) = (rate(), rate());
        let draw = Aim { to_pa: -d.between(345.0, 450.0), pa_s: down, push: 30.0, stays_s: 0.0 };
        all.push(Step::Stroke(draw));
        all.push(Step::Further(Aim { to_pa: -d.between(590.0, 640.0), ..draw }));
        all.push(Step::Hold { s: d.between(0.8, 3.0) });
        if i == 2 || i == 5 {
            release(all, d);
            rest(all, d, 4.0);
        } else {
            let back = Aim { to_pa: -d.between(10.0, 45.0), pa_s: up, push: 4.0, stays_s: 0.0 };
            all.push(Step::Stroke(back));
            all.push(Step::Hold { s: d.between(0.6, 2.0) });
        }
    }
}

/// Pressed until the gauge stands though the plunger goes on; then held, to see where the relief shuts.
fn press(all: &mut Vec<Step>, d: &mut Dice, _: &Plan) {
    rest(all, d, 92.0);
    let pa_s = d.between(25.0, 80.0);
    let aim = Aim { to_pa: MOST_PRESSED_PA, pa_s, push: 2.0, stays_s: d.between(5.0, 8.0) };
    all.push(Step::Stroke(aim));
    all.push(Step::Hold { s: d.between(4.0, 8.0) });
    release(all, d);
}

fn deep_draw(all: &mut Vec<Step>, d: &mut Dice, _: &Plan) {
    rest(all, d, 2.0);
    let pa_s = d.between(60.0, 170.0);
    let aim = Aim { to_pa: MOST_DRAWN_PA, pa_s, push: 2.0, stays_s: d.between(5.0, 8.0) };
    all.push(Step::Stroke(aim));
    all.push(Step::Hold { s: d.between(4.0, 8.0) });
    release(all, d);
}

/// Solenoid under a held vacuum, for seconds.
fn wet_solenoid(all: &mut Vec<Step>, d: &mut Dice, plan: &Plan) {
    rest(all, d, 4.0);
    let deep = if plan.vacuum_relief_pa.is_some() { 0.7 } else { 1.0 };
    let to_pa = -deep * d.between(430.0, 620.0);
    all.push(Step::Stroke(Aim { to_pa, pa_s: d.between(150.0, 350.0), push: 20.0, stays_s: 0.0 }));
    all.push(Step::Hold { s: d.between(3.0, 7.0) });
    all.push(Step::Energise(true));
    all.push(Step::Hold { s: d.between(2.5, 5.0) });
    all.push(Step::Energise(false));
    all.push(Step::Hold { s: d.between(1.0, 3.0) });
    release(all, d);
}

fn dry_solenoid(all: &mut Vec<Step>, d: &mut Dice, _: &Plan) {
    rest(all, d, 4.0);
    all.push(Step::Energise(true));
    all.push(Step::Rest { ml: 4.0, s: d.between(1.5, 3.5) });
    all.push(Step::Energise(false));
    all.push(Step::Rest { ml: 4.0, s: d.between(1.5, 3.0) });
}
