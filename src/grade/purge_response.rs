//! Purge response: with the vent sealed and purge on, the engine must draw a vacuum in the tank.

use super::draft::{Book, Draft, Machine};
use super::{BY, CONTRADICTED, Condition, condition};
use crate::channel::Channel;
use crate::time::Stamp;
use crate::timeline::{Happening, SwitchState, Timeline, Vent};
use crate::trade::{Phase, Test, Verdict};

/// The machine.
#[derive(Debug, Default)]
pub struct PurgeResponse {
    book: Book,
    run: Option<Run>,
    /// Seconds of purge with the vent not known, and where they lie.
    vent_unknown: Option<(Stamp, Stamp, f64)>,
    vent_open_s: f64,
    last: Option<Stamp>,
}

#[derive(Debug, Clone)]
struct Run {
    start: Stamp,
    end: Option<Stamp>,
    /// The switch was open when sealed purge began.
    open_first: bool,
    closed_at: Option<(Stamp, f64)>,
    /// Pressure when sealed purge began: where the sensor's zero is not known the fall from it counts.
    start_pa: Option<f64>,
    least_pa: f64,
    reached_at: Option<Stamp>,
    /// Seconds with enough suction.
    drawn_s: f64,
    suction_sum: f64,
    suction_s: f64,
    failed_at: Option<Stamp>,
    gap: bool,
}

impl Machine for PurgeResponse {
    fn test(&self) -> Test {
        Test::PurgeResponse
    }

    fn happening(&mut self, t: &Timeline, h: &Happening) {
        match h {
            Happening::Phase(turn) if turn.to == Phase::PurgeRun => {
                let (switch, since) = t.switch();
                // The switch may have closed while the phase was still being debounced.
                let closed_in_run = switch == Some(SwitchState::Closed) && since >= turn.at;
                self.run = Some(Run {
                    start: turn.at,
                    end: None,
                    open_first: switch == Some(SwitchState::Open) || closed_in_run,
                    closed_at: closed_in_run.then_some((since, 0.0)),
                    start_pa: t.pressure_pa().map(|p| p.0).filter(|_| !t.zero_known()),
                    least_pa: f64::INFINITY,
                    reached_at: None,
                    drawn_s: 0.0,
                    suction_sum: 0.0,
                    suction_s: 0.0,
                    failed_at: None,
                    gap: false,
                });
            }
            Happening::Phase(turn) if turn.from == Phase::PurgeRun => {
                if let Some(mut run) = self.run.take() {
                    run.end = Some(turn.at);
                    self.close(t, run);
                }
            }
            Happening::Switch(turn) => {
                if let Some(run) = &mut self.run
                    && turn.at >= run.start
                    && turn.to == Some(SwitchState::Closed)
                    && turn.from == Some(SwitchState::Open)
                    && run.closed_at.is_none()
                {
                    run.closed_at = Some((turn.at, turn.uncertainty_s));
                }
            }
            Happening::Gap { .. } => {
                if let Some(run) = &mut self.run {
                    run.gap = true;
                }
            }
            _ => {}
        }
    }

    fn step(&mut self, t: &Timeline) {
        let now = t.now();
        let dt = self.last.map_or(0.0, |l| now.since(l)).clamp(0.0, 5.0);
        self.last = Some(now);
        let p = &t.profile.set;
        if let Some(run) = &mut self.run {
            if let Some(suction) = t.manifold_vacuum_kpa() {
                run.suction_sum += suction * dt;
                run.suction_s += dt;
                if suction >= p.purge_response.manifold_vacuum_kpa {
                    run.drawn_s += dt;
                }
            }
            if let Some((pa, e)) = t.pressure_pa() {
                run.least_pa = run.least_pa.min(pa);
                let reached = match run.start_pa {
                    Some(start) => pa + 2.0 * t.pressure_noise_pa() <= start - p.purge_response.response_pa,
                    None => pa + e <= -p.purge_response.response_pa,
                };
                if reached && run.reached_at.is_none() {
                    run.reached_at = Some(now);
                }
            }
            let seen = run.reached_at.is_some() || run.closed_at.is_some();
            if !seen && run.failed_at.is_none() && run.drawn_s >= p.purge_response.within_s {
                run.failed_at = Some(now);
            }
        } else if t.phase().0 == Phase::Running && t.purge().0 == Some(true) {
            match t.vent().0 {
                None => {
                    let span = self.vent_unknown.get_or_insert((now, now, 0.0));
                    span.1 = now;
                    span.2 += dt;
                }
                Some(Vent::Open) => self.vent_open_s += dt,
                Some(Vent::Sealed) => {}
            }
        }
    }

    fn drafts(&self, t: &Timeline) -> Vec<Draft> {
        let under_way = self.run.as_ref().map(|run| {
            let mut d = run.draft(t);
            d.open = true;
            d
        });
        let rule = rule(t);
        self.book.drafts(under_way, |missed| {
            if let Some((from, to, seconds)) = self.vent_unknown {
                let mut d = Draft::run(Test::PurgeResponse, rule, from, to);
                d.because(format!(
                    "purge ran for {seconds:.0} s, but nothing tells whether the vent was sealed: purge with the vent open draws no vacuum, so no vacuum would mean nothing"
                ));
                d.next("record the vent solenoid (bench adapter on the module's three wires) and repeat the drive");
                d.note("purge_s", seconds);
                return d;
            }
            let mut reasons = missed.to_vec();
            if self.vent_open_s > 0.0 {
                reasons.push(format!(
                    "purge ran for {:.0} s with the vent open: ordinary purge, not a test",
                    self.vent_open_s
                ));
            } else if !t.signals.seen(Channel::PurgeDutyPct) {
                reasons.push("there is no purge_duty_pct channel".into());
            }
            if reasons.is_empty() {
                reasons.push("purge never ran with the vent sealed".into());
            }
            Draft::not_run(
                Test::PurgeResponse,
                rule,
                reasons,
                "drive after a cold start until the controller seals the vent and purges",
            )
        })
    }

    fn under_way(&self, t: &Timeline) -> Option<(f64, String)> {
        let run = self.run.as_ref()?;
        let within = t.profile.set.purge_response.within_s;
        if run.closed_at.is_some() || run.reached_at.is_some() {
            return Some((1.0, "vacuum is there; purge goes on".into()));
        }
        Some(((run.drawn_s / within).clamp(0.0, 1.0), format!("waits for vacuum, {:.0} of {within:.0} s", run.drawn_s)))
    }

    fn conditions(&self, t: &Timeline) -> Vec<Condition> {
        let p = &t.profile.set.purge_response;
        vec![condition(
            format!("manifold at least {:.0} kPa below the barometer", p.manifold_vacuum_kpa),
            t.manifold_vacuum_kpa().and(t.signals.get(Channel::ManifoldKpa)).map(|v| (Channel::ManifoldKpa, v)),
            t.manifold_vacuum_kpa().map(|v| v >= p.manifold_vacuum_kpa),
        )]
    }
}

impl PurgeResponse {
    fn close(&mut self, t: &Timeline, run: Run) {
        let p = &t.profile.set.purge_response;
        let seconds = run.end.unwrap_or(t.now()).since(run.start);
        let seen = run.closed_at.is_some() || run.reached_at.is_some();
        if !seen && seconds < 2.0 {
            self.book.missed(format!("sealed purge lasted only {seconds:.1} s"));
            return;
        }
        if !seen && run.suction_s > 0.0 && run.drawn_s < 0.2 * run.suction_s {
            let mean = run.suction_sum / run.suction_s;
            self.book.missed(if mean < 0.0 {
                "the engine was in boost: the manifold stood above the barometer and drew nothing".into()
            } else {
                format!(
                    "manifold was only {mean:.0} kPa below the barometer (needed {:.0}): too little suction to judge by",
                    p.manifold_vacuum_kpa
                )
            });
            return;
        }
        self.book.runs.push(run.draft(t));
    }
}

impl Run {
    fn draft(&self, t: &Timeline) -> Draft {
        let p = &t.profile.set.purge_response;
        let end = self.end.unwrap_or(t.now());
        let mut d = Draft::run(Test::PurgeResponse, rule(t), self.start, end);
        d.note("sealed_purge_s", end.since(self.start));
        d.note("enough_suction_s", self.drawn_s);
        if self.suction_s > 0.0 {
            d.note("manifold_vacuum_kpa", self.suction_sum / self.suction_s);
        }
        let tapped = self.least_pa.is_finite();
        d.note(BY, if tapped { "pressure" } else { "switch" });
        if tapped {
            d.note("deepest_pa", self.least_pa);
        }
        if let (Some(at), true) = (self.reached_at, tapped) {
            d.decide(Verdict::Pass, at);
            let fell = if self.start_pa.is_some() { "by" } else { "to" };
            d.because(format!(
                "tank pressure fell {fell} {:.0} Pa {:.1} s after sealed purge began",
                if self.start_pa.is_some() { p.response_pa } else { -p.response_pa },
                at.since(self.start)
            ));
            d.note("response_s", at.since(self.start));
            d.next("go on to the vacuum decay");
            return d;
        }
        if let (Some((at, uncertainty)), true) = (self.closed_at, self.open_first) {
            if tapped && self.least_pa > -0.5 * t.profile.set.switch.closes_low_pa {
                d.because(format!(
                    "the switch closed, but the pressure tap saw no more than {:.0} Pa: one of the two is wrong",
                    self.least_pa
                ));
                d.next("check the tap's hose and zero, then the switch circuit");
                d.note(CONTRADICTED, "yes");
                return d;
            }
            d.rests_on_switch = true;
            d.decide(Verdict::Pass, at);
            d.because(format!("the switch closed {:.1} s after sealed purge began", at.since(self.start)));
            d.note("response_s", at.since(self.start));
            d.note("response_uncertainty_s", uncertainty);
            d.next("go on to the vacuum decay");
            return d;
        }
        let switch_seen = t.signals.seen(Channel::LeakSwitch) || t.signals.seen(Channel::SwitchSenseV);
        d.rests_on_switch = !tapped;
        if !tapped && !switch_seen {
            d.because("neither the leak switch nor the tank pressure was recorded: nothing could show the vacuum");
            d.next("connect the bench adapter to the module or a pressure tap");
        } else if !tapped && !self.open_first {
            d.because(
                "the switch was not seen open when sealed purge began: a switch that is closed already proves nothing",
            );
            d.next("let the vent open, see the switch open, then repeat the sealed purge");
        } else if self.suction_s == 0.0 {
            d.because("no manifold pressure was recorded: whether there was suction is not known");
            d.next("record manifold_kpa");
        } else if self.gap {
            d.because("the record has a gap in this run");
            d.next("repeat the sealed purge");
        } else if t.engine_weak() {
            d.because("only the supply voltage says that the engine runs");
            d.next("record engine_rpm or manifold_kpa");
        } else if let Some(at) = self.failed_at.or((self.drawn_s >= p.shortest_s && self.end.is_some()).then_some(end))
        {
            d.decide(Verdict::Fail, at);
            d.because(format!(
                "{:.0} s of sealed purge with enough suction and no vacuum{}",
                self.drawn_s,
                if tapped {
                    format!(": the tank came only to {:.0} Pa", self.least_pa)
                } else {
                    ": the switch stayed open".into()
                }
            ));
            d.because(
                "causes: no purge flow (valve stuck closed, line blocked), vent stuck open, a gross leak or the cap off"
                    .to_owned() + if tapped { "" } else { ", or a dead switch" },
            );
            d.next("check cap and purge line first; a stronger purge that closes the switch points to a leak, none at all to the purge valve or the vent");
        } else {
            d.because(format!(
                "sealed purge with enough suction lasted {:.0} s and showed no vacuum; {:.0} s are needed to judge that",
                self.drawn_s, p.shortest_s
            ));
            d.next("repeat with a longer sealed purge at steady idle");
        }
        d
    }
}

fn rule(t: &Timeline) -> String {
    let p = &t.profile.set.purge_response;
    format!(
        "vent sealed, manifold at least {:.0} kPa below the barometer, purge on: the switch must close, or the tank come to {:.0} Pa, within {:.0} s ({})",
        p.manifold_vacuum_kpa,
        -p.response_pa,
        p.within_s,
        t.profile.source("purge_response.within_s")
    )
}
