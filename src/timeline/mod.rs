//! Timeline: a streaming state machine that makes a day out of readings.
//!
//! It knows what key, engine, vent, switch and purge do, from whatever evidence the channels give, and says when
//! each changed and how sure that moment is. From these it tells the phase, and it names what may spoil a test:
//! gaps, refuelling, warming, a swinging barometer, bounce, a battery maintainer.

mod debounce;
mod evidence;
mod known_leak;
mod learn;
mod rig;
mod signals;
mod spoilers;
mod strokes;

pub use debounce::{Debounced, Turn};
pub use evidence::{Engine, SwitchState, Vent};
pub use known_leak::{KnownLeak, KnownLeaks, NOTE as KNOWN_LEAK, TIGHT_NOTE as TIGHT_DECAYS, TightDecays};
pub use rig::Rig;
pub use signals::Signals;
pub use spoilers::{Spoiler, SpoilerKind};
pub use strokes::{Stroke, StrokeKind};

use crate::channel::Channel;
use crate::decode::{Notice, NoticeKind, Reading};
use crate::profile::Profile;
use crate::record::{Event, LinkId};
use crate::time::Stamp;
use crate::trade::{Phase, Subject};
use evidence::EngineSeen;
use learn::{Level, Noise, RowSpacing, Zero};
use spoilers::Watch;
use std::sync::Arc;
use strokes::Strokes;

/// What a technician must be told who tries it.
pub const ENERGISED_WITHOUT_VACUUM: &str = "energising the solenoid without vacuum says nothing about the switch";

/// Something that happened; the tests hear of it in this order.
#[derive(Debug, Clone, PartialEq)]
pub enum Happening {
    /// The key.
    Key(Turn<Option<bool>>),
    /// The engine.
    Engine(Turn<Option<Engine>>),
    /// The vent.
    Vent(Turn<Option<Vent>>),
    /// The leak switch.
    Switch(Turn<Option<SwitchState>>),
    /// The purge valve.
    Purge(Turn<Option<bool>>),
    /// The phase.
    Phase(Turn<Phase>),
    /// Nothing was recorded from `from` to `to`.
    Gap {
        /// Last moment known good.
        from: Stamp,
        /// First moment known good again.
        to: Stamp,
    },
    /// Something that may spoil a test.
    Spoiler(Spoiler),
    /// The switch flipped for less than its hold time.
    Bounce(Stamp),
    /// A note that parts were repaired.
    Repair(Stamp),
    /// A stroke of the syringe on the tray, or a rest between two, ended.
    Stroke(Stroke),
    /// Something else sits on the tray's rig from now on.
    Rig(Stamp, Rig),
}

/// The day so far.
#[derive(Debug)]
pub struct Timeline {
    /// The profile.
    pub profile: Arc<Profile>,
    /// Last values.
    pub signals: Signals,
    now: Stamp,
    key: Debounced<Option<bool>>,
    engine: Debounced<Option<Engine>>,
    vent: Debounced<Option<Vent>>,
    /// When the vent last opened.
    vent_opened: Option<Stamp>,
    switch: Debounced<Option<SwitchState>>,
    /// What the switch was before its last turn.
    switch_before: Option<SwitchState>,
    purge: Debounced<Option<bool>>,
    phase: Debounced<Phase>,
    phases: Vec<(Phase, Stamp)>,
    engine_ran: bool,
    engine_weak: bool,
    key_inferred: bool,
    manifold_at_rest_kpa: Option<f64>,
    /// The barometer was seen between whole steps of 0.5 kPa: it resolves better than a controller's own.
    baro_fine: bool,
    zero: Zero,
    zero_named: bool,
    noise: Noise,
    /// Of this moment: all tests ask for it.
    pressure: Option<(f64, f64)>,
    level: Level,
    /// Away only while it looks at the rest; boxed, as that is at every row.
    watch: Option<Box<Watch>>,
    rows: RowSpacing,
    last_gap_end: Option<Stamp>,
    last_row: Option<Stamp>,
    last_engine_start: Option<Start>,
    last_purge_on: Option<Stamp>,
    first_at: Option<Stamp>,
    /// What sits on the tray's rig, since when.
    rig: (Rig, Stamp),
    known_leaks: KnownLeaks,
    /// On the tray alone.
    strokes: Option<Strokes>,
    strokes_ended: Vec<Stroke>,
    /// The pressure last given to the strokes, and when.
    stroked: Option<(Stamp, f64)>,
}

/// What was known when the engine started.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Start {
    /// When.
    pub at: Stamp,
    /// Coolant then, °C.
    pub coolant_c: Option<f64>,
    /// Outside air then, °C.
    pub ambient_c: Option<f64>,
    /// Intake air then, °C: stands in for the outside air where that is missing.
    pub intake_air_c: Option<f64>,
}

impl Timeline {
    /// An empty day for so many links.
    pub fn new(profile: Arc<Profile>, links: usize) -> Timeline {
        let p = &profile.set;
        let hold = p.phases.hold_s;
        Timeline {
            signals: Signals::new(links, p.phases.stale_s),
            now: Stamp::ZERO,
            key: Debounced::new(None, hold),
            engine: Debounced::new(None, hold),
            // The vent's command is a level, and its moment matters to the tenth of a second.
            vent: Debounced::new(None, 0.0),
            vent_opened: None,
            switch: Debounced::new(None, p.sense.bounce_s),
            switch_before: None,
            purge: Debounced::new(None, hold),
            phase: Debounced::new(Phase::Unknown, hold),
            phases: vec![(Phase::Unknown, Stamp::ZERO)],
            engine_ran: false,
            engine_weak: false,
            key_inferred: false,
            manifold_at_rest_kpa: None,
            baro_fine: false,
            zero: Zero::default(),
            zero_named: false,
            noise: Noise::default(),
            pressure: None,
            level: Level::default(),
            watch: Some(Box::default()),
            rows: RowSpacing::default(),
            last_gap_end: None,
            last_row: None,
            last_engine_start: None,
            last_purge_on: None,
            first_at: None,
            rig: (Rig::Module, Stamp::ZERO),
            known_leaks: KnownLeaks::default(),
            strokes: (profile.subject() == Subject::Module).then(|| Strokes::new(p)),
            strokes_ended: Vec::new(),
            stroked: None,
            profile,
        }
    }

    /// Capture time.
    pub fn now(&self) -> Stamp {
        self.now
    }

    /// The phase that counts, and since when.
    pub fn phase(&self) -> (Phase, Stamp) {
        (self.phase.state(), self.phase.since())
    }

    /// All phases so far with their begins.
    pub fn phases(&self) -> &[(Phase, Stamp)] {
        &self.phases
    }

    /// Key on, off, or not known; since when.
    pub fn key(&self) -> (Option<bool>, Stamp) {
        (self.key.state(), self.key.since())
    }

    /// There is no key channel: the key is inferred from the engine.
    pub fn key_inferred(&self) -> bool {
        self.key_inferred
    }

    /// What the engine does.
    pub fn engine(&self) -> Option<Engine> {
        self.engine.state()
    }

    /// Only the supply voltage says that the engine runs: a suggestion, not a witness.
    pub fn engine_weak(&self) -> bool {
        self.engine_weak
    }

    /// The vent, since when.
    pub fn vent(&self) -> (Option<Vent>, Stamp) {
        (self.vent.state(), self.vent.since())
    }

    /// The vent stood open for ten seconds or more until it sealed at about `at`.
    pub fn vent_open_before(&self, at: Stamp) -> bool {
        self.vent.state() == Some(Vent::Sealed)
            && self.vent_opened.is_some_and(|o| self.vent.since().since(o) >= 10.0)
            && at.since(self.vent.since()).abs() < 30.0
    }

    /// The switch, since when.
    pub fn switch(&self) -> (Option<SwitchState>, Stamp) {
        (self.switch.state(), self.switch.since())
    }

    /// The switch as seen at this very moment, not yet debounced.
    pub fn switch_raw(&self) -> Option<SwitchState> {
        self.switch.raw()
    }

    /// The switch had been closed until it opened at `since`.
    pub fn switch_was_closed_before(&self, since: Stamp) -> bool {
        self.switch_before == Some(SwitchState::Closed) && self.switch.since() == since
    }

    /// Purge on, off, or not known; since when.
    pub fn purge(&self) -> (Option<bool>, Stamp) {
        (self.purge.state(), self.purge.since())
    }

    /// When purge was last on.
    pub fn last_purge_on(&self) -> Option<Stamp> {
        self.last_purge_on
    }

    /// The last engine start.
    pub fn last_start(&self) -> Option<Start> {
        self.last_engine_start
    }

    /// First moment of the record.
    pub fn first_at(&self) -> Stamp {
        self.first_at.unwrap_or(Stamp::ZERO)
    }

    /// End of the last gap in the record.
    pub fn last_gap_end(&self) -> Option<Stamp> {
        self.last_gap_end
    }

    /// Fuel level when it last stood still, percent.
    pub fn settled_level_pct(&self) -> Option<f64> {
        self.level.settled.or(self.signals.last(Channel::FuelLevelPct).map(|v| v.0))
    }

    /// Barometer, pascals: measured, or the manifold with the engine at rest. True if measured.
    pub fn baro_pa(&self) -> Option<(f64, bool)> {
        if let Some(kpa) = self.signals.get(Channel::BaroKpa) {
            return Some((kpa * 1e3, true));
        }
        // An older reading, or the manifold at rest: still within a few hectopascals.
        self.signals.last(Channel::BaroKpa).map(|v| v.0).or(self.manifold_at_rest_kpa).map(|kpa| (kpa * 1e3, false))
    }

    /// Barometer, pascals, where it is measured finely enough to follow the weather.
    pub fn baro_fine_pa(&self) -> Option<f64> {
        self.signals.get(Channel::BaroKpa).filter(|_| self.baro_fine).map(|kpa| kpa * 1e3)
    }

    /// Manifold below the barometer, kilopascals.
    pub fn manifold_vacuum_kpa(&self) -> Option<f64> {
        let baro = self.baro_pa().map_or(101.325, |b| b.0 * 1e-3);
        self.signals.get(Channel::ManifoldKpa).map(|m| baro - m)
    }

    /// Tank pressure with the sensor's zero taken out, pascals gauge, and the zero's remaining error.
    pub fn pressure_pa(&self) -> Option<(f64, f64)> {
        self.pressure
    }

    fn pressure_now(&self) -> Option<(f64, f64)> {
        let raw = self.signals.get(Channel::TankPressurePa)?;
        let (zero, error) = self.zero_pa();
        Some((raw - zero, error))
    }

    /// The pressure sensor's zero as seen with the vent open, and its remaining error, pascals.
    pub fn zero_pa(&self) -> (f64, f64) {
        let m = &self.profile.set.model;
        if let Some(strokes) = &self.strokes {
            return strokes
                .zero_pa()
                .map_or((0.0, m.pressure_zero_pa), |z| (z, self.profile.set.tray.transducer_zero_pa));
        }
        match self.zero.mean() {
            Some(z) => (z, (self.pressure_noise_pa() * 0.5).max(5.0)),
            None => (0.0, m.pressure_zero_pa.max(self.zero.refused_pa)),
        }
    }

    /// The zero was seen with the vent open (on the tray: with the rig at the air's pressure), and believed.
    pub fn zero_known(&self) -> bool {
        match &self.strokes {
            Some(strokes) => strokes.zero_pa().is_some(),
            None => self.zero.mean().is_some(),
        }
    }

    /// Noise of the tank pressure, one standard deviation: the profile's, or what the trace shows if that is more.
    pub fn pressure_noise_pa(&self) -> f64 {
        if let Some(strokes) = &self.strokes {
            return strokes.noise_pa();
        }
        self.profile.set.model.pressure_noise_pa.max(self.noise.sigma())
    }

    /// Volume of air and vapour, cubic metres, and the half-width of its uncertainty as a fraction.
    pub fn vapour_volume_m3(&self) -> (f64, f64) {
        self.profile.set.vapour_volume_m3(self.settled_level_pct())
    }

    /// The known holes that were in the line, by their notes.
    pub fn known_leaks(&self) -> &KnownLeaks {
        &self.known_leaks
    }

    /// What sits on the tray's rig, and since when.
    pub fn rig(&self) -> (Rig, Stamp) {
        self.rig
    }

    /// The stroke under way on the tray, as far as it is recognised.
    pub fn stroke(&self) -> Option<Stroke> {
        self.strokes_under_way().pop()
    }

    /// The strokes that would follow those that ended if the record ended here.
    pub fn strokes_under_way(&self) -> Vec<Stroke> {
        self.strokes.as_ref().map_or(Vec::new(), Strokes::under_way)
    }

    /// Smallest step of the pressure on the tray, pascals: the profile's, or what the trace shows if that is more.
    pub fn pressure_step_pa(&self) -> f64 {
        self.strokes.as_ref().map_or(0.0, Strokes::step_pa)
    }

    /// A reading.
    pub fn reading(&mut self, r: &Reading, out: &mut Vec<Happening>) {
        let t = r.at.max(self.now);
        self.first_at.get_or_insert(t);
        if let Some(last) = self.last_row
            && let Some(from) = self.rows.see(last, t, self.profile.set.phases.gap_s)
        {
            self.gap(from.0, from.1, out);
        }
        self.last_row = Some(t);
        self.signals.take(r);
        self.step(t, out);
    }

    /// Time without a reading.
    pub fn tick(&mut self, t: Stamp, out: &mut Vec<Happening>) {
        if t > self.now {
            self.signals.tick(t);
            self.step(t, out);
        }
    }

    /// What the edge of the program says.
    pub fn event(&mut self, at: Stamp, _link: LinkId, e: &Event, out: &mut Vec<Happening>) {
        match e {
            Event::Gap { from_ns, to_ns, .. } => self.gap(Stamp(*from_ns), Stamp(*to_ns), out),
            Event::Note { note_kind, .. } if note_kind == "repair" => out.push(Happening::Repair(at)),
            Event::Note { note_kind, text } if note_kind == known_leak::NOTE => self.known_leaks.note(at, text),
            Event::Note { note_kind, text } if note_kind == known_leak::TIGHT_NOTE => self.known_leaks.tight_note(text),
            Event::Note { note_kind, text } if note_kind == "rig" && self.on_tray() => self.rig_note(at, text, out),
            _ => {}
        }
        self.tick(at, out);
    }

    /// What the decoder noticed.
    pub fn notice(&mut self, n: &Notice, out: &mut Vec<Happening>) {
        let kind = match n.kind {
            NoticeKind::AdapterRestart => SpoilerKind::AdapterRestart,
            NoticeKind::ClockStep => SpoilerKind::ClockStep,
            _ => return,
        };
        out.push(Happening::Spoiler(Spoiler { kind, at: n.at.max(self.now), text: n.text.clone() }));
    }

    fn on_tray(&self) -> bool {
        self.profile.subject() == Subject::Module
    }

    fn rig_note(&mut self, at: Stamp, text: &str, out: &mut Vec<Happening>) {
        match Rig::parse(text) {
            Some(rig) => {
                self.rig = (rig, at);
                if let Some(strokes) = &mut self.strokes {
                    strokes.rig(rig, &mut self.strokes_ended);
                    out.extend(self.strokes_ended.drain(..).map(Happening::Stroke));
                }
                out.push(Happening::Rig(at, rig));
            }
            None => out.push(Happening::Spoiler(Spoiler {
                kind: SpoilerKind::RigUnread,
                at,
                text: format!(
                    "the rig note {text:?} is not understood, {} still counts: write module, vent plugged, sealed or orifice 0.5 mm",
                    self.rig.0
                ),
            })),
        }
    }

    fn gap(&mut self, from: Stamp, to: Stamp, out: &mut Vec<Happening>) {
        self.last_gap_end = Some(to);
        if let Some(strokes) = &mut self.strokes {
            strokes.gap(&mut self.strokes_ended);
            out.extend(self.strokes_ended.drain(..).map(Happening::Stroke));
        }
        out.push(Happening::Gap { from, to });
    }

    fn step(&mut self, t: Stamp, out: &mut Vec<Happening>) {
        self.now = t;

        let purge = evidence::purge(&self.signals, &self.profile.set, self.purge.raw());
        if purge == Some(true) {
            self.last_purge_on = Some(t);
        }
        if let Some(turn) = self.purge.see(t, purge, || self.signals.uncertainty(Channel::PurgeDutyPct)) {
            out.push(Happening::Purge(turn));
        }

        let seen = if self.on_tray() {
            EngineSeen { engine: None, weak: true }
        } else {
            evidence::engine(self, &self.profile.set)
        };
        self.engine_weak = seen.weak;
        if let Some(turn) = self.engine.see(t, seen.engine, || self.signals.uncertainty(Channel::EngineRpm)) {
            if turn.to == Some(Engine::Running) {
                self.engine_ran = true;
                self.last_engine_start = Some(Start {
                    at: turn.at,
                    coolant_c: self.signals.get(Channel::CoolantC),
                    ambient_c: self.signals.get(Channel::AmbientC),
                    intake_air_c: self.signals.get(Channel::IntakeAirC),
                });
            }
            out.push(Happening::Engine(turn));
        }

        let (key, inferred) = if self.on_tray() { (None, false) } else { evidence::key(self) };
        self.key_inferred = inferred;
        if let Some(turn) = self.key.see(t, key, || self.signals.uncertainty(Channel::Key)) {
            out.push(Happening::Key(turn));
        }

        let vent = evidence::vent(self, &self.profile.set);
        if let Some(turn) = self.vent.see(t, vent, || self.signals.uncertainty(Channel::VentSolenoid)) {
            match turn.to {
                Some(Vent::Open) => {
                    self.vent_opened = Some(turn.at);
                    out.extend(self.no_vacuum(t));
                }
                None => self.vent_opened = None,
                Some(Vent::Sealed) => {}
            }
            out.push(Happening::Vent(turn));
        }

        let switch = evidence::switch(self, &self.profile.set);
        let (told, line) = (Channel::LeakSwitch, Channel::SwitchSenseV);
        let u = || self.signals.uncertainty(if self.signals.seen(told) { told } else { line });
        let bounces = self.switch.bounces();
        let turn = self.switch.see(t, switch, u);
        if self.switch.bounces() > bounces {
            out.push(Happening::Bounce(t));
            self.watch.iter_mut().for_each(|w| w.bounce(t));
        }
        if let Some(turn) = turn {
            self.switch_before = turn.from;
            out.push(Happening::Switch(turn));
        }

        self.stroke_sample(out);
        self.learn(t);
        self.pressure = self.pressure_now();

        let raw = if self.on_tray() { Phase::Unknown } else { evidence::phase(self, &self.profile.set) };
        let (rpm, key) = (Channel::EngineRpm, Channel::Key);
        let u = || self.signals.uncertainty(if self.signals.seen(rpm) { rpm } else { key });
        if let Some(turn) = self.phase.see(t, raw, u) {
            self.phases.push((turn.to, turn.at));
            if turn.to != Phase::Soak || turn.from != Phase::KeyOff {
                self.watch.iter_mut().for_each(|w| w.restart(t));
            }
            out.push(Happening::Phase(turn));
        }

        if self.on_tray() {
            // What spoils a parked vehicle's night does not spoil a stroke.
            return;
        }
        self.watch_spoilers(t, out);
        if !self.zero_named
            && let Some(pa) = self.zero.off_pa()
        {
            self.zero_named = true;
            out.push(Happening::Spoiler(Spoiler {
                kind: SpoilerKind::PressureZero,
                at: t,
                text: format!(
                    "tank pressure stands at {pa:.0} Pa with the vent commanded open: the sensor's zero is off, or the vent does not open"
                ),
            }));
        }
    }

    fn stroke_sample(&mut self, out: &mut Vec<Happening>) {
        let (Some(strokes), Some((pa, at))) = (&mut self.strokes, self.signals.last(Channel::TankPressurePa)) else {
            return;
        };
        // A value repeated from row to row is no new sample.
        let held_s = self.signals.held_interval(Channel::TankPressurePa);
        if self.stroked.is_some_and(|(t, p)| at <= t || (p == pa && at.since(t) < 1.5 * held_s)) {
            return;
        }
        self.stroked = Some((at, pa));
        strokes.see(at, pa, &mut self.strokes_ended);
        out.extend(self.strokes_ended.drain(..).map(Happening::Stroke));
    }

    /// On the tray: the solenoid was energised, and there is no vacuum that it could let out.
    fn no_vacuum(&self, t: Stamp) -> Option<Happening> {
        let p = &self.profile.set;
        let (pa, _) = self.pressure.filter(|_| self.on_tray() && p.vent.energised == "open")?;
        if pa <= -p.switch.closes_low_pa || self.switch.state() == Some(SwitchState::Closed) {
            return None;
        }
        Some(Happening::Spoiler(Spoiler {
            kind: SpoilerKind::NoVacuum,
            at: t,
            text: format!("{ENERGISED_WITHOUT_VACUUM}: the rig stood at {pa:.0} Pa; draw a vacuum and hold it first"),
        }))
    }

    /// Quantities that are learnt on the way: manifold at rest, the pressure's zero, the settled level.
    fn learn(&mut self, t: Stamp) {
        if !self.baro_fine
            && let Some(kpa) = self.signals.get(Channel::BaroKpa)
        {
            let steps = kpa * 2.0;
            self.baro_fine = (steps - steps.round()).abs() > 0.01;
        }
        if self.engine.state() == Some(Engine::Stopped)
            && t.since(self.engine.since()) > 5.0
            && let Some(m) = self.signals.get(Channel::ManifoldKpa)
        {
            self.manifold_at_rest_kpa = Some(m);
        }
        if let Some((v, at)) = self.signals.last(Channel::TankPressurePa) {
            self.noise.see(v, at);
        }
        let vented = self.vent.state() == Some(Vent::Open)
            && t.since(self.vent.since()) > 10.0
            && self.purge.state() != Some(true)
            && t.since(self.purge.since()) > 5.0;
        if vented && let Some((v, at)) = self.signals.last(Channel::TankPressurePa) {
            self.zero.see(v, at, 2.0 * self.profile.set.model.pressure_zero_pa);
        }
        let moving = self.signals.get(Channel::VehicleSpeedKph).is_some_and(|v| v > 1.0);
        if let Some(level) = self.signals.get(Channel::FuelLevelPct) {
            self.level.see(t, level, moving);
        }
    }

    fn watch_spoilers(&mut self, t: Stamp, out: &mut Vec<Happening>) {
        let parked = matches!(self.phase.state(), Phase::KeyOff | Phase::Soak);
        if let Some(mut watch) = self.watch.take() {
            watch.see(self, t, parked, out);
            self.watch = Some(watch);
        }
    }
}
