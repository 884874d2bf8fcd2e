//! One soak as it goes: what counts as an edge, what the trace shows, and when it is decided.

use super::super::draft::mm;
use super::super::{missed, model};
use super::words::duration;
use super::*;

impl Run {
    pub(super) fn new(t: &Timeline, start: Stamp, key_off: Option<Stamp>) -> Run {
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
            prior: Prior::new(t.profile.set.leak.small_mm),
            posterior: None,
            believe_at: start,
            unsure_until: start,
        }
    }

    /// Weighs the hole by what was seen, and gives the belief that it is of the limit's size or more.
    fn believe(&mut self, t: &Timeline, shown: Shown, proved_below_mm: Option<f64>) -> f64 {
        self.believe_at = t.now().plus(BELIEVE_S);
        let posterior = self.belief.posterior(&self.prior, shown, proved_below_mm);
        self.posterior.insert(posterior).p_at_least(t.profile.set.leak.small_mm)
    }

    /// A verdict needs both: the bounds, in which no member may disagree, and the belief.
    fn believes(&mut self, t: &Timeline, verdict: Verdict, shown: Shown, proved_below_mm: Option<f64>) -> bool {
        if t.now() < self.unsure_until {
            return false;
        }
        let p = self.believe(t, shown, proved_below_mm);
        let sure = t.profile.set.leak.sure;
        let yes = if verdict == Verdict::Pass { p <= 1.0 - sure } else { p >= sure };
        if !yes {
            self.unsure_until = t.now().plus(LOOK_S);
        }
        yes
    }

    fn deepest(&self) -> Option<Shown> {
        self.deepest_pa.map(|pa| Shown::Deepest { pa, zero_error_pa: self.zero_error_pa() })
    }

    /// Brings the belief up to date where nothing has decided it yet. An open switch tells of the hole only if the
    /// switch is known to work.
    pub(super) fn look_again(&mut self, t: &Timeline, working: bool) {
        if self.decided.is_some() || !self.marked || !self.belief.driven() {
            return;
        }
        if self.tapped {
            if let Some(shown) = self.deepest().filter(|_| !self.spoilers.iter().any(|s| spoils_closing(s.kind))) {
                self.believe(t, shown, None);
            }
        } else if self.tells_open(working) {
            self.believe(t, Shown::StaysOpen, None);
        }
    }

    /// Whether the switch, open all the time, tells anything.
    fn tells_open(&self, working: bool) -> bool {
        self.closed_at.is_none()
            && self.doubt.is_none()
            && working
            && self.seal_seen
            && self.seen_open.is_some()
            && self.early_edge.is_none()
            && self.no_bias.is_none()
            && self.lost.is_none()
            && !self.spoilers.iter().any(|s| spoils_open(s.kind))
    }

    /// The trace goes on where the last soak left it, if the vent was open for a moment only.
    pub(super) fn follow(&mut self, before: Option<Before>) {
        let before = before
            .filter(|b| self.key_off.is_some() && b.key_off == self.key_off && self.start.since(b.ended) <= MOMENT_S);
        if let Some(b) = before {
            self.supply = b.supply;
            self.drive = Some(b.drive);
        }
        self.supply.seal(self.start.secs(), self.drive.is_some());
    }

    /// From when an edge counts.
    pub(super) fn counts_from(&self, t: &Timeline) -> Stamp {
        self.key_off.unwrap_or(self.start).plus(t.profile.set.soak.earliest_edge_s)
    }

    pub(super) fn worth(&self, t: &Timeline, end: Stamp) -> bool {
        self.missed.is_empty() && (self.decided.is_some() || end.since(self.start) >= t.profile.set.soak.shortest_s)
    }

    pub(super) fn switch(
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
    pub(super) fn pressure_pa(&self, t: &Timeline) -> Option<f64> {
        let (zero, _) = self.zero?;
        t.pressure_pa().map(|p| p.0 - zero)
    }

    pub(super) fn zero_error_pa(&self) -> f64 {
        self.zero.map_or(0.0, |z| z.1)
    }

    /// By how much a pressure that stands for hours may read too high, Pa. A zero that was seen with the vent open can
    /// lie too low, where a purge valve that never shuts drew on the tank all the time: the sensor's true zero then
    /// lies between it and the most that is allowed to a sensor. One taken at sealing can lie anywhere below: `None`.
    pub(super) fn above_error_pa(&self, t: &Timeline) -> Option<f64> {
        let m = &t.profile.set.model;
        let (zero, error) = t.zero_pa();
        t.zero_known().then(|| error.max(m.pressure_zero_pa - zero) + m.pressure_noise_pa)
    }

    pub(super) fn advance(&mut self, t: &Timeline) {
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
    pub(super) fn judge_edge(&mut self, t: &Timeline, at: Stamp, uncertainty_s: f64) {
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
        let believed = self.believe(t, Shown::Closes, None);
        if up_to < p.leak.small_mm && believed <= 1.0 - sure {
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
        } else if up_to < p.leak.small_mm {
            self.doubt = Some((
                format!(
                    "the switch closed {} after key-off, which is not how most tight tanks of this profile would have closed it: {:.1} of 100 for a hole of {} or more, and a pass needs less",
                    duration(after),
                    believed * 100.0,
                    mm(p.leak.small_mm)
                ),
                "run a vacuum decay: it sizes the hole".into(),
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

    pub(super) fn step(&mut self, t: &Timeline, working: bool) {
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
        if t.now() >= self.believe_at {
            self.look_again(t, working);
        }
        let p = &t.profile.set;
        let sure = p.leak.sure;
        if self.tapped {
            self.judge_pressure(t);
        } else if self.tells_open(working)
            && t.switch().0 == Some(SwitchState::Open)
            && t.now().since(self.start) >= p.soak.shortest_s
        {
            let from = self.belief.opens_from_since_mm(sure);
            if from >= p.leak.small_mm
                && self.belief.tight_closes_share() >= sure
                && self.believes(t, Verdict::Fail, Shown::StaysOpen, None)
            {
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
    pub(super) fn trace(&mut self, t: &Timeline, mean: Option<f64>, n: f64) {
        let reliefs = &t.profile.set.reliefs;
        match mean.filter(|m| t.zero_known() && -*m < reliefs.vacuum_low_pa) {
            Some(mean) => {
                let baro = t.baro_fine_pa().unwrap_or(101_325.0);
                self.supply.push(t.now().secs() - 0.5 * ADVANCE_S, mean, baro, reliefs.pressure_low_pa);
                self.readings += n;
            }
            None => self.supply.end(),
        }
    }

    /// Could a hole have drawn the trace so far?
    pub(super) fn judge_trace(&mut self, t: &Timeline) {
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
        if let Some(shown) = self.deepest()
            && specs.iter().all(|s| self.supply.rules_out(p.leak.small_mm, s))
            && self.believes(t, Verdict::Pass, shown, Some(p.leak.small_mm))
        {
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
    pub(super) fn judge_pressure(&mut self, t: &Timeline) {
        let p = &t.profile.set;
        let Some((deepest, shown)) = self.deepest_pa.zip(self.deepest()) else { return };
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
            && self.believes(t, Verdict::Pass, shown, None)
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
            if up_to < p.leak.small_mm && self.believes(t, Verdict::Pass, shown, None) {
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
            if from >= p.leak.small_mm && self.seal_seen && self.believes(t, Verdict::Fail, shown, None) {
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
}

/// What makes a closing edge worthless.
pub(super) fn spoils_closing(kind: SpoilerKind) -> bool {
    matches!(kind, SpoilerKind::Refuelled | SpoilerKind::OpenedTank)
}

/// What makes an open switch worthless.
pub(super) fn spoils_open(kind: SpoilerKind) -> bool {
    !matches!(
        kind,
        SpoilerKind::Maintainer
            | SpoilerKind::BatteryLow
            | SpoilerKind::Slam
            | SpoilerKind::Woke
            | SpoilerKind::FreshCanister
    )
}
