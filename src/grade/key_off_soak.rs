//! Key-off soak: does the switch close, or vacuum build, while the sealed tank cools?
//!
//! What counts is an edge from open to closed after sealing. Beside it stands what this night could have shown at
//! all: the largest hole that could still have closed the switch, and the smallest that would have kept it open.

use super::draft::{Book, Draft, Machine, mm};
use super::{Condition, condition, missed, model, within};
use crate::channel::Channel;
use crate::physics::soak_belief::{Probe, SoakBelief};
use crate::physics::supply::SupplyTrace;
use crate::time::Stamp;
use crate::timeline::{Engine, Happening, Spoiler, SpoilerKind, SwitchState, Timeline};
use crate::trade::{Phase, Test, Verdict};

/// The machine.
#[derive(Debug, Default)]
pub struct KeyOffSoak {
    book: Book,
    run: Option<Run>,
    key_off: Option<Stamp>,
    engine_stopped: Option<Stamp>,
    /// The switch was seen to close on vacuum in this record: it works.
    seen_working: bool,
    /// The last soak of this key-off: its trace, what drove it, and when it ended.
    before: Option<Before>,
}

/// What a soak leaves to the next one of the same key-off, where the vent was open only for a moment between.
#[derive(Debug)]
struct Before {
    supply: SupplyTrace,
    drive: Vec<f64>,
    ended: Stamp,
    key_off: Option<Stamp>,
}

/// A vent that was open for longer between two soaks parts them, seconds.
const MOMENT_S: f64 = 300.0;
/// Capture time between two looks at the whole trace, seconds.
const LOOK_S: f64 = 300.0;

/// A pressure that has not moved by this tells nothing of a hole, Pa.
const LEAST_MOVE_PA: f64 = 40.0;
/// However well a zero was seen, as much as this is left, Pa.
const LEAST_ZERO_ERROR_PA: f64 = 8.0;
/// Smaller holes are not spoken of: the ensemble does not tell them from tight.
const LEAST_MM: f64 = 0.05;
/// Capture time between two steps of the ensemble, seconds.
const ADVANCE_S: f64 = 20.0;

#[derive(Debug)]
struct Run {
    start: Stamp,
    end: Option<Stamp>,
    /// None: the record began in the soak.
    key_off: Option<Stamp>,
    seal_seen: bool,
    belief: SoakBelief,
    marked: bool,
    next: Stamp,
    first_switch: Option<SwitchState>,
    seen_open: Option<Stamp>,
    early_edge: Option<Stamp>,
    closed_at: Option<(Stamp, f64)>,
    no_bias: Option<Stamp>,
    lost: Option<Stamp>,
    cell: (f64, f64),
    deepest_pa: Option<f64>,
    highest_pa: Option<f64>,
    /// What to take off the pressure, and the error that is left, Pa.
    zero: Option<(f64, f64)>,
    spoilers: Vec<Spoiler>,
    gap: Option<(Stamp, Stamp)>,
    missed: Vec<String>,
    level_pct: Option<f64>,
    at_edge_pa: Option<f64>,
    decided: Option<(Verdict, Stamp, String)>,
    doubt: Option<(String, String)>,
    edge_bounds: Option<(f64, f64)>,
    tapped: bool,
    /// Only the supply voltage says that the vehicle is parked.
    weak: bool,
    supply: SupplyTrace,
    /// What drove the soak before of the same key-off, Pa/s, by members.
    drive: Option<Vec<f64>>,
    look: Stamp,
    looked_s: f64,
    readings: f64,
}

impl Machine for KeyOffSoak {
    fn test(&self) -> Test {
        Test::KeyOffSoak
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Key(turn) if turn.to == Some(false) => {
                let stopped = self.engine_stopped.filter(|_| t.key_inferred());
                self.key_off = turn.from.and(Some(stopped.unwrap_or(turn.at)));
            }
            Happening::Engine(turn) if turn.to == Some(Engine::Stopped) => {
                self.engine_stopped = turn.from.and(Some(turn.at));
            }
            Happening::Phase(turn) if turn.to == Phase::Soak => {
                let began_before = turn.from == Phase::Unknown;
                let key_off = self.key_off.filter(|_| !began_before);
                let mut run = Run::new(t, turn.at, key_off);
                run.follow(self.before.take());
                self.run = Some(run);
            }
            Happening::Phase(turn) if turn.from == Phase::Soak => self.close(t, turn.at),
            Happening::Switch(turn) => {
                self.seen_working |= turn.from == Some(SwitchState::Open) && turn.to == Some(SwitchState::Closed);
                if let Some(run) = &mut self.run {
                    run.switch(t, turn.from, turn.to, turn.at, turn.uncertainty_s);
                }
            }
            Happening::Gap { from, to } => {
                let longest = t.profile.set.soak.longest_gap_s;
                if let Some(run) = &mut self.run
                    && to.since(*from) > longest
                    && *to > run.start
                {
                    run.gap = Some((*from, *to));
                    // Nobody saw what happened meanwhile: the soak begins anew where the record does.
                    let key_off = run.key_off;
                    self.close(t, *from);
                    self.before = None;
                    let mut run = Run::new(t, *to, key_off);
                    run.follow(None);
                    self.run = Some(run);
                }
            }
            Happening::Spoiler(s) => {
                if let Some(run) = &mut self.run {
                    run.spoilers.push(s.clone());
                }
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        let working = self.seen_working;
        if let Some(run) = &mut self.run {
            run.step(t, working);
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let under_way = self.run.as_ref().filter(|r| r.worth(t, t.now())).map(|r| {
            let mut d = r.draft(t);
            d.open = true;
            d
        });
        self.book.drafts(under_way, |missed| {
            let mut reasons = missed.to_vec();
            if let Some(run) = &self.run {
                reasons.extend(run.missed.iter().cloned());
                if run.missed.is_empty() {
                    reasons.push(format!(
                        "sealed with the key off for {:.0} min so far; under {:.0} min nothing is judged",
                        t.now().since(run.start) / 60.0,
                        t.profile.set.soak.shortest_s / 60.0
                    ));
                }
            }
            if reasons.is_empty() {
                reasons.push("no stretch with the key off and the vent sealed was recorded".into());
            }
            Draft::not_run(
                Test::KeyOffSoak,
                rule(t),
                reasons,
                "park at 15 to 85 % fuel and record a night from before key-off",
            )
        })
    }

    fn under_way(&self, t: &Timeline) -> Option<(f64, String)> {
        let run = self.run.as_ref()?;
        if let Some((verdict, ..)) = &run.decided {
            return Some((1.0, format!("decided: {}; still recorded", verdict.word())));
        }
        let share = run.belief.tight_closes_share();
        let elapsed = t.now().since(run.start);
        let text = if share >= 0.95 {
            "a tight tank would have closed the switch by now".into()
        } else if share > 0.05 {
            format!("a tight tank would have closed it by now in {:.0} of 100 cases", share * 100.0)
        } else {
            "too little cooling yet to close the switch on a tight tank".into()
        };
        Some(((elapsed / t.profile.set.soak.open_after_s).clamp(0.0, 1.0), text))
    }

    fn conditions(&self, t: &Timeline) -> Vec<Condition> {
        conditions(t)
    }
}

impl KeyOffSoak {
    fn close(&mut self, t: &Timeline, at: Stamp) {
        let Some(mut run) = self.run.take() else { return };
        run.end = Some(at);
        self.before = Some(Before {
            supply: std::mem::take(&mut run.supply),
            drive: run.belief.drive_pa_per_s(),
            ended: at,
            key_off: run.key_off,
        });
        if run.worth(t, at) {
            self.book.runs.push(run.draft(t));
            return;
        }
        if run.missed.is_empty() {
            self.book.missed(format!(
                "sealed with the key off for only {:.0} min; under {:.0} min nothing is judged",
                at.since(run.start) / 60.0,
                t.profile.set.soak.shortest_s / 60.0
            ));
        }
        for m in run.missed {
            self.book.missed(m);
        }
    }
}

impl Run {
    fn new(t: &Timeline, start: Stamp, key_off: Option<Stamp>) -> Run {
        // A sensor whose zero was never seen is zeroed at sealing, if the vent stood open until then; else it tells
        // no depth.
        let zero = if t.zero_known() {
            Some((0.0, t.zero_pa().1))
        } else if t.vent_open_before(start) {
            t.pressure_pa().map(|p| (p.0, model::SEALING_PA + t.pressure_noise_pa()))
        } else {
            None
        };
        let tapped = zero.is_some() && t.signals.get(Channel::TankPressurePa).is_some();
        let switch = t.switch().0;
        let mut belief = SoakBelief::new(&model::soak(t, start));
        belief.advance(start.secs(), &model::soak_drive(t));
        Run {
            start,
            end: None,
            key_off,
            seal_seen: t.signals.get(Channel::VentSolenoid).is_some() || t.signals.get(Channel::SolenoidA).is_some(),
            belief,
            marked: false,
            next: t.now().plus(ADVANCE_S),
            first_switch: switch,
            seen_open: (switch == Some(SwitchState::Open)).then_some(start),
            early_edge: None,
            closed_at: None,
            no_bias: (switch == Some(SwitchState::NoBias)).then_some(start),
            lost: None,
            cell: (0.0, 0.0),
            deepest_pa: None,
            highest_pa: None,
            zero,
            spoilers: Vec::new(),
            gap: None,
            missed: conditions(t).iter().filter_map(missed).collect(),
            level_pct: t.settled_level_pct(),
            at_edge_pa: None,
            decided: None,
            doubt: None,
            edge_bounds: None,
            tapped,
            weak: t.engine_weak() && !t.signals.seen(Channel::Key),
            supply: SupplyTrace::default(),
            drive: None,
            look: start,
            looked_s: 0.0,
            readings: 0.0,
        }
    }

    /// The trace goes on where the last soak left it, if the vent was open for a moment only.
    fn follow(&mut self, before: Option<Before>) {
        let before = before
            .filter(|b| self.key_off.is_some() && b.key_off == self.key_off && self.start.since(b.ended) <= MOMENT_S);
        if let Some(b) = before {
            self.supply = b.supply;
            self.drive = Some(b.drive);
        }
        self.supply.seal(self.start.secs(), self.drive.is_some());
    }

    /// From when an edge counts.
    fn counts_from(&self, t: &Timeline) -> Stamp {
        self.key_off.unwrap_or(self.start).plus(t.profile.set.soak.earliest_edge_s)
    }

    fn worth(&self, t: &Timeline, end: Stamp) -> bool {
        self.missed.is_empty() && (self.decided.is_some() || end.since(self.start) >= t.profile.set.soak.shortest_s)
    }

    fn switch(
        &mut self,
        t: &Timeline,
        from: Option<SwitchState>,
        to: Option<SwitchState>,
        at: Stamp,
        uncertainty_s: f64,
    ) {
        match to {
            Some(SwitchState::Open) => {
                self.first_switch.get_or_insert(SwitchState::Open);
                self.seen_open.get_or_insert(at);
            }
            Some(SwitchState::NoBias) => {
                self.no_bias.get_or_insert(at);
            }
            None => {
                self.lost.get_or_insert(at);
            }
            Some(SwitchState::Closed) => {
                self.first_switch.get_or_insert(SwitchState::Closed);
                if from != Some(SwitchState::Open) || self.seen_open.is_none_or(|o| o >= at) {
                    return;
                }
                if at < self.counts_from(t) {
                    self.early_edge = Some(at);
                } else if self.closed_at.is_none() {
                    self.closed_at = Some((at, uncertainty_s));
                    self.at_edge_pa = self.pressure_pa(t);
                    self.judge_edge(t, at, uncertainty_s);
                }
            }
        }
    }

    /// Tank pressure, if its zero is known well enough.
    fn pressure_pa(&self, t: &Timeline) -> Option<f64> {
        let (zero, _) = self.zero?;
        t.pressure_pa().map(|p| p.0 - zero)
    }

    fn zero_error_pa(&self) -> f64 {
        self.zero.map_or(0.0, |z| z.1)
    }

    /// By how much a pressure that stands for hours may read too high, Pa. A zero that was seen with the vent open can
    /// lie too low, where a purge valve that never shuts drew on the tank all the time: the sensor's true zero then
    /// lies between it and the most that is allowed to a sensor. One taken at sealing can lie anywhere below: `None`.
    fn above_error_pa(&self, t: &Timeline) -> Option<f64> {
        let m = &t.profile.set.model;
        let (zero, error) = t.zero_pa();
        t.zero_known().then(|| error.max(m.pressure_zero_pa - zero) + m.pressure_noise_pa)
    }

    fn advance(&mut self, t: &Timeline) {
        let probes = [
            (Probe::Ambient, Channel::AmbientC),
            (Probe::Wall, Channel::TankSkinC),
            (Probe::Fuel, Channel::FuelTempC),
            (Probe::Baro, Channel::BaroKpa),
        ];
        for (probe, channel) in probes {
            if t.signals.stale(channel) {
                self.belief.lose(probe);
            }
        }
        self.belief.advance(t.now().secs(), &model::soak_drive(t));
    }

    /// The switch closed at `at`: is that a pass?
    fn judge_edge(&mut self, t: &Timeline, at: Stamp, uncertainty_s: f64) {
        let p = &t.profile.set;
        self.advance(t);
        let sure = p.leak.sure;
        let up_to = self.belief.closes_up_to_since_mm(sure);
        let from = self.belief.opens_from_since_mm(sure);
        self.edge_bounds = Some((up_to, from));
        let after = at.since(self.key_off.unwrap_or(self.start));
        if let Some(pa) = self.at_edge_pa
            && pa > -0.4 * p.switch.closes_low_pa + self.zero_error_pa().min(60.0)
        {
            self.doubt = Some((
                format!("the switch closed while the pressure tap read {pa:.0} Pa: one of the two is wrong"),
                "check the tap's zero and hose, then the switch circuit".into(),
            ));
            return;
        }
        if let Some(s) = self.spoilers.iter().find(|s| spoils_closing(s.kind)) {
            self.doubt = Some((
                format!("the switch closed {} after key-off, but before that {}", duration(after), s.text),
                "repeat the soak another night with the cap left closed".into(),
            ));
            return;
        }
        if self.weak {
            self.doubt = Some((
                "the switch closed, but only the supply voltage says that the vehicle was parked: that suggests it, and proves nothing".into(),
                "record key or engine_rpm".into(),
            ));
            return;
        }
        if !self.belief.driven() {
            self.doubt = Some((
                "the switch closed, but no temperature was recorded: whether a leaking tank could have closed it too is not known".into(),
                "record ambient_c or tank_skin_c and repeat".into(),
            ));
            return;
        }
        // The ensemble may lag behind a quick tank; but where none of it has come near, nothing has drawn a vacuum.
        if self.belief.tight_deepest_since_pa() < 0.5 * p.switch.closes_low_pa {
            self.doubt = Some((
                format!(
                    "the switch closed {} after key-off, earlier than the cooling so far could have closed it on any tight tank: bias lost, a touched line or a sticking switch look like that",
                    duration(after)
                ),
                "check the sense line's bias with the key off, then repeat".into(),
            ));
            return;
        }
        if up_to < p.leak.small_mm {
            self.decided = Some((
                Verdict::Pass,
                at,
                format!(
                    "the switch closed {} after key-off (± {:.1} s); by then a hole of {} at most could still have closed it, under the limit of {}",
                    duration(after),
                    uncertainty_s,
                    mm(up_to.max(LEAST_MM)),
                    mm(p.leak.small_mm)
                ),
            ));
        } else {
            self.doubt = Some((
                format!(
                    "the switch closed {} after key-off, but this night cooled so fast that a hole of up to {} could have closed it",
                    duration(after),
                    mm(up_to)
                ),
                "run a vacuum decay: it sizes the hole".into(),
            ));
        }
    }

    fn step(&mut self, t: &Timeline, working: bool) {
        if let Some(pa) = self.pressure_pa(t) {
            self.cell.0 += pa;
            self.cell.1 += 1.0;
            self.tapped = true;
        }
        if t.now() < self.next {
            return;
        }
        self.next = t.now().plus(ADVANCE_S);
        self.advance(t);
        if !self.marked && t.now() >= self.counts_from(t) {
            self.marked = true;
            self.belief.mark();
        }
        let (sum, n) = std::mem::take(&mut self.cell);
        let mean = (n > 0.0).then(|| sum / n);
        if let Some(mean) = mean.filter(|_| self.marked) {
            self.deepest_pa = Some(self.deepest_pa.map_or(mean, |d| d.min(mean)));
            self.highest_pa = Some(self.highest_pa.map_or(mean, |h| h.max(mean)));
        }
        self.trace(t, mean, n);
        if self.tapped {
            // Where nothing was read, air may have come in.
            let pa = mean
                .zip(self.above_error_pa(t))
                .map_or(-t.profile.set.switch.closes_high_pa, |(mean, error)| mean - error);
            self.belief.stood(pa);
        }
        if self.decided.is_some() || !self.missed.is_empty() || self.weak {
            return;
        }
        let p = &t.profile.set;
        let sure = p.leak.sure;
        if self.tapped {
            self.judge_pressure(t);
        } else if self.closed_at.is_none()
            && self.doubt.is_none()
            && working
            && self.seal_seen
            && self.seen_open.is_some()
            && self.early_edge.is_none()
            && self.no_bias.is_none()
            && self.lost.is_none()
            && t.switch().0 == Some(SwitchState::Open)
            && !self.spoilers.iter().any(|s| spoils_open(s.kind))
            && t.now().since(self.start) >= p.soak.shortest_s
        {
            let from = self.belief.opens_from_since_mm(sure);
            if from >= p.leak.small_mm && self.belief.tight_closes_share() >= sure {
                self.decided = Some((
                    Verdict::Fail,
                    t.now(),
                    format!(
                        "the switch stayed open although this night's cooling would have closed it over any hole smaller than {}",
                        mm(from)
                    ),
                ));
            }
        }
    }

    /// Keeps the trace while the tank can only have lost gas through a hole.
    fn trace(&mut self, t: &Timeline, mean: Option<f64>, n: f64) {
        let reliefs = &t.profile.set.reliefs;
        match mean.filter(|m| t.zero_known() && *m < reliefs.pressure_low_pa && -*m < reliefs.vacuum_low_pa) {
            Some(mean) => {
                let baro = t.baro_fine_pa().unwrap_or(101_325.0);
                self.supply.push(t.now().secs() - 0.5 * ADVANCE_S, mean, baro);
                self.readings += n;
            }
            None => self.supply.end(),
        }
    }

    /// Could a hole have drawn the trace so far?
    fn judge_trace(&mut self, t: &Timeline) {
        let p = &t.profile.set;
        let span = self.supply.span_s();
        // A module's own vacuum and a whole night tell more; and some leaks open under vacuum only.
        if p.switch.fitted == "yes" {
            return;
        }
        if t.now() < self.look || span < p.soak.shortest_s || span <= self.looked_s || !t.zero_known() {
            return;
        }
        self.look = t.now().plus(LOOK_S);
        self.looked_s = span;
        let noise = t.pressure_noise_pa() / (self.readings * ADVANCE_S / span).max(1.0).sqrt();
        let zero_error = t.zero_pa().1.max(LEAST_ZERO_ERROR_PA);
        if self.supply.furthest_pa() < LEAST_MOVE_PA + zero_error {
            return;
        }
        let specs = self.belief.supplies(self.drive.as_deref(), zero_error, noise);
        if specs.iter().all(|s| self.supply.rules_out(p.leak.small_mm, s)) {
            self.decided = Some((
                Verdict::Pass,
                t.now(),
                format!(
                    "the sealed tank's pressure moved by up to {:.0} Pa in {:.0} min, slowly and as if nothing got out: for a hole of {} or more to show the same, warming and evaporation would have had to follow the pressure in jumps, which they cannot (a leak that opens only under vacuum would not show)",
                    self.supply.furthest_pa(),
                    span / 60.0,
                    mm(p.leak.small_mm)
                ),
            ));
        }
    }

    /// With a pressure channel the depth reached counts, not the switch.
    fn judge_pressure(&mut self, t: &Timeline) {
        let p = &t.profile.set;
        let Some(deepest) = self.deepest_pa else { return };
        let vacuum = -deepest - self.zero_error_pa();
        if !self.belief.driven() || self.spoilers.iter().any(|s| spoils_closing(s.kind)) {
            return;
        }
        self.judge_trace(t);
        if self.decided.is_some() {
            return;
        }
        if let Some(up_to) = self.belief.stands_up_to_mm(p.leak.sure)
            && up_to < p.leak.small_mm
            // A night that cools after all is judged by its vacuum: some leaks open only there.
            && vacuum <= 0.0
            && t.now().since(self.start) >= p.soak.open_after_s
        {
            self.decided = Some((
                Verdict::Pass,
                t.now(),
                format!(
                    "the sealed tank stood above the outside air for {}, up to {:.0} Pa; the air in it would have gone out long ago through any hole larger than {}, under the limit of {} (a leak that opens only under vacuum would not show)",
                    duration(t.now().since(self.start)),
                    self.highest_pa.unwrap_or(0.0),
                    mm(up_to.max(LEAST_MM)),
                    mm(p.leak.small_mm)
                ),
            ));
        } else if vacuum >= p.start_vent.least_vacuum_pa {
            if self.belief.reach_up_to_mm(0.7 * vacuum, 1.0 - p.leak.sure) <= 0.0
                && self.belief.tight_closes_share() < 0.01
            {
                // Deeper than any tight tank could be: the model or the tap is wrong.
                return;
            }
            let up_to = self.belief.reach_up_to_mm(vacuum, p.leak.sure);
            if up_to < p.leak.small_mm {
                self.decided = Some((
                    Verdict::Pass,
                    t.now(),
                    format!(
                        "the sealed tank came to {deepest:.0} Pa; a hole of {} at most could have let it, under the limit of {}",
                        mm(up_to.max(LEAST_MM)),
                        mm(p.leak.small_mm)
                    ),
                ));
            }
        } else if t.now().since(self.start) >= p.soak.shortest_s
            && !self.spoilers.iter().any(|s| spoils_open(s.kind))
            && t.zero_known()
        {
            let seen_at_most = (-deepest + self.zero_error_pa() + 2.0 * t.pressure_noise_pa()).max(20.0);
            let from = self.belief.reach_from_mm(seen_at_most, p.leak.sure);
            if from >= p.leak.small_mm && self.seal_seen {
                self.decided = Some((
                    Verdict::Fail,
                    t.now(),
                    format!(
                        "the sealed tank came only to {deepest:.0} Pa although this night's cooling would have drawn more over any hole smaller than {}",
                        mm(from)
                    ),
                ));
            }
        }
    }

    fn draft(&self, t: &Timeline) -> Draft {
        let p = &t.profile.set;
        let end = self.end.unwrap_or(t.now());
        let mut d = Draft::run(Test::KeyOffSoak, rule(t), self.start, end);
        let sure = p.leak.sure;
        let whole_night = || self.belief.opens_from_since_mm(sure);
        let (up_to, from) = match (self.edge_bounds, self.tapped, self.deepest_pa) {
            // What could have closed it by the time it closed; what would have kept it open all night.
            (Some((up_to, from)), ..) => (up_to, whole_night().max(from)),
            (None, true, Some(deepest)) if -deepest - self.zero_error_pa() >= p.start_vent.least_vacuum_pa => {
                let v = -deepest - self.zero_error_pa();
                (self.belief.reach_up_to_mm(v, sure), self.belief.reach_from_mm(v, sure))
            }
            (None, ..) => (self.belief.closes_up_to_since_mm(sure), whole_night()),
        };
        if self.belief.driven() {
            d.night(up_to, from);
        }
        let tight = self.belief.tight_closes_share();
        d.note("sealed_s", end.since(self.start));
        d.note("key_off_s", self.key_off.map(Stamp::secs));
        d.note("tight_would_close_share", tight);
        d.note("fuel_level_pct", self.level_pct);
        let (v, spread) = t.vapour_volume_m3();
        d.note("vapour_volume_l", v * 1e3);
        d.note("vapour_volume_spread_pct", spread * 100.0);
        d.note("deepest_pa", self.deepest_pa);
        d.note("highest_pa", self.highest_pa);
        d.note("stands_up_to_mm", self.belief.stands_up_to_mm(sure));
        if let Some((at, u)) = self.closed_at {
            d.note("closed_s", at.secs());
            d.note("closed_uncertainty_s", u);
        }
        if p.fuel.ethanol_pct > 15.0 {
            d.note("vapour_model", "ethanol blend: outside the petroleum correlation");
        }
        d.rests_on_switch = !self.tapped;
        let named: Vec<&str> = self.spoilers.iter().map(|s| s.text.as_str()).collect();
        if !named.is_empty() {
            d.note("noticed", named.join("; "));
        }
        if let Some((verdict, at, why)) = &self.decided {
            d.decide(*verdict, *at);
            d.because(why.clone());
            d.next(match verdict {
                Verdict::Pass => "none for the small leak; the vacuum decay confirms it",
                _ => "find the leak: cap seal, filler neck, sender seal, canister, purge valve, lines",
            });
            return d;
        }
        if let Some((why, next)) = &self.doubt {
            d.because(why.clone());
            d.next(next.clone());
        } else {
            self.why_not(t, &mut d, from, tight);
        }
        for s in &self.spoilers {
            d.because(format!("noticed: {}", s.text));
        }
        if let Some((a, b)) = self.gap {
            d.because(format!("the record has a gap of {:.0} s in this soak", b.since(a)));
        }
        d
    }

    /// Why this soak could not tell.
    fn why_not(&self, t: &Timeline, d: &mut Draft, from: f64, tight: f64) {
        let p = &t.profile.set;
        d.next("run a vacuum decay on a road test: it sizes the hole");
        let refuelled = self.spoilers.iter().find(|s| spoils_closing(s.kind));
        if self.tapped {
            match refuelled {
                Some(s) => d.because(format!("{}: what the pressure did before and after is not one test", s.text)),
                None if !self.belief.driven() => {
                    d.because("no temperature was recorded: what this night could have shown cannot be computed");
                    d.next("record ambient_c or tank_skin_c");
                }
                None if from < LEAST_MM => {
                    d.because(format!(
                        "the sealed tank came to {:.0} Pa: this soak cooled too little, or was too short, for even a tight tank to have to draw more",
                        self.deepest_pa.unwrap_or(0.0)
                    ));
                }
                None => d.because(format!(
                    "the sealed tank came to {:.0} Pa: this night a hole of {} would have been enough to hold it there, so it is no proof of a leak of the limit's size",
                    self.deepest_pa.unwrap_or(0.0),
                    mm(from)
                )),
            }
            return;
        }
        if let Some(at) = self.no_bias {
            d.because(format!(
                "the sense line had no bias from {} after sealing: a dead line reads low and looks closed, so the switch could not be read",
                duration(at.since(self.start).max(0.0))
            ));
            d.next("use the bench adapter's own weak pull-up for the night");
        } else if self.first_switch.is_none() {
            d.because("neither the switch nor the tank pressure was recorded in this soak");
            d.next("record leak_switch, switch_sense_v or tank_pressure_pa overnight");
        } else if self.seen_open.is_none() {
            d.because("the switch read closed from the moment of sealing and was never seen open: stuck, shorted, without bias or held by left-over vacuum, it proves nothing");
            d.next("open the vent with the key on and see the switch open, then repeat the soak");
        } else if let Some(at) = self.lost {
            d.because(format!(
                "the switch was no longer sampled from {} after sealing",
                duration(at.since(self.start).max(0.0))
            ));
            d.next("keep the sense line recorded through the night");
        } else if let Some(at) = self.early_edge {
            d.because(format!(
                "the switch closed only {:.0} s after key-off: vacuum left over from purge can do that, so it does not count before {:.0} s",
                at.since(self.key_off.unwrap_or(self.start)),
                p.soak.earliest_edge_s
            ));
        } else if !self.belief.driven() {
            d.because("the switch stayed open, and no temperature was recorded: what this night could have shown cannot be computed");
            d.next("record ambient_c or tank_skin_c");
        } else if tight < 0.5 {
            d.because(format!(
                "the switch stayed open, but this night could hardly have closed it on a tight tank: it cooled too little (in {:.0} of 100 cases a tight one would have closed)",
                tight * 100.0
            ));
            d.next("repeat on a night that cools more, or run a vacuum decay");
        } else {
            d.because(format!(
                "the switch stayed open: this night a hole of {} would have been enough to keep it open, so it is a lead and no proof of a leak of {}",
                mm(from),
                mm(p.leak.small_mm)
            ));
        }
    }
}

/// What makes a closing edge worthless.
fn spoils_closing(kind: SpoilerKind) -> bool {
    matches!(kind, SpoilerKind::Refuelled | SpoilerKind::OpenedTank)
}

/// What makes an open switch worthless.
fn spoils_open(kind: SpoilerKind) -> bool {
    !matches!(
        kind,
        SpoilerKind::Maintainer
            | SpoilerKind::BatteryLow
            | SpoilerKind::Slam
            | SpoilerKind::Woke
            | SpoilerKind::FreshCanister
    )
}

fn conditions(t: &Timeline) -> Vec<Condition> {
    let p = &t.profile.set.soak;
    vec![
        within(
            format!("fuel level {:.0} to {:.0} %", p.level_low_pct, p.level_high_pct),
            Channel::FuelLevelPct,
            t.settled_level_pct(),
            p.level_low_pct,
            p.level_high_pct,
        ),
        {
            let c = t.signals.get(Channel::AmbientC);
            condition(
                format!("outside air above {:.1} °C", p.ambient_low_c),
                c.map(|v| (Channel::AmbientC, v)),
                c.map(|v| v >= p.ambient_low_c),
            )
        },
    ]
}

fn duration(s: f64) -> String {
    if s < 120.0 {
        format!("{s:.0} s")
    } else if s < 7200.0 {
        format!("{:.0} min", s / 60.0)
    } else {
        format!("{:.1} h", s / 3600.0)
    }
}

fn rule(t: &Timeline) -> String {
    let p = &t.profile.set;
    format!(
        "key off, vent sealed, fuel {:.0} to {:.0} % ({}): an edge from open to closed at least {:.0} s after key-off ({}), or a vacuum, that no hole of {} ({}) could have let happen",
        p.soak.level_low_pct,
        p.soak.level_high_pct,
        t.profile.source("soak.level_low_pct"),
        p.soak.earliest_edge_s,
        t.profile.source("soak.earliest_edge_s"),
        mm(p.leak.small_mm),
        t.profile.source("leak.small_mm")
    )
}
