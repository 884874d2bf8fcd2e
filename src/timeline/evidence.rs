//! Evidence: from the last values to what key, engine, vent, switch and purge do now, and so to the phase.

use super::{Signals, Timeline};
use crate::channel::Channel;
use crate::profile::Settings;
use crate::trade::Phase;

/// What the engine does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Engine {
    /// At rest.
    Stopped,
    /// Turned by the starter.
    Cranking,
    /// Running.
    Running,
}

/// What the vent does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Vent {
    /// Closed: the tank is sealed, if the valve obeys.
    Sealed,
    /// Open to fresh air, if the valve obeys.
    Open,
}

/// What the leak switch's line says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SwitchState {
    /// Pulled up: the switch is open.
    Open,
    /// Pulled low: the switch is closed.
    Closed,
    /// Nobody pulls the line up: it says nothing.
    NoBias,
}

/// The engine, and whether only the supply voltage says so.
pub(super) struct EngineSeen {
    pub engine: Option<Engine>,
    pub weak: bool,
}

pub(super) fn engine(t: &Timeline, p: &Settings) -> EngineSeen {
    let s = &t.signals;
    let strong = |engine| EngineSeen { engine: Some(engine), weak: false };
    let volts = s.get(Channel::BatteryV);
    let key_off = s.get(Channel::Key).is_some_and(|k| k < 0.5);
    if let Some(rpm) = awake(s, Channel::EngineRpm) {
        return strong(if rpm >= p.phases.running_above_rpm {
            Engine::Running
        } else if rpm > p.phases.stopped_below_rpm {
            // Between the two: dying engines stay running, a turning starter cranks.
            if t.engine.state() == Some(Engine::Running) { Engine::Running } else { Engine::Cranking }
        } else if volts.is_some_and(|v| v < p.phases.crank_below_v) && !key_off && dipped(t, p) {
            Engine::Cranking
        } else {
            Engine::Stopped
        });
    }
    if key_off {
        return strong(Engine::Stopped);
    }
    if s.get(Channel::VehicleSpeedKph).is_some_and(|v| v > 10.0) {
        return strong(Engine::Running);
    }
    if let Some(vacuum) = t.manifold_vacuum_kpa().filter(|_| t.baro_pa().is_some()) {
        if vacuum >= p.phases.manifold_vacuum_kpa {
            return strong(Engine::Running);
        }
        if vacuum < 3.0 && volts.is_some_and(|v| v < p.phases.charging_above_v) {
            return strong(Engine::Stopped);
        }
    }
    match volts {
        Some(v) if v >= p.phases.charging_above_v => EngineSeen { engine: Some(Engine::Running), weak: true },
        Some(_) => EngineSeen { engine: Some(Engine::Stopped), weak: true },
        None => EngineSeen { engine: None, weak: true },
    }
}

/// With the key off a controller falls silent within moments, and what it said last may stand for half a minute: it then
/// counts only as long as it is still being said.
fn awake(s: &Signals, c: Channel) -> Option<f64> {
    let key_off = s.get(Channel::Key).is_some_and(|k| k < 0.5);
    if key_off { s.lately(c, KEY_OFF_S) } else { s.get(c) }
}

/// How long after key-off a controller may be taken at its last word, seconds: an engine has come to rest by then (own
/// choice).
const KEY_OFF_S: f64 = 2.0;

/// A battery that was always low is weak, not cranking: the supply must have been higher before.
fn dipped(t: &Timeline, p: &Settings) -> bool {
    t.engine.raw() == Some(Engine::Cranking)
        || t.watch.as_ref().and_then(|w| w.resting_v()).is_some_and(|v| v > p.phases.crank_below_v)
}

/// The key, and whether it had to be inferred.
pub(super) fn key(t: &Timeline) -> (Option<bool>, bool) {
    if let Some(k) = t.signals.get(Channel::Key) {
        return (Some(k >= 0.5), false);
    }
    if t.signals.seen(Channel::Key) {
        // It was sampled once and fell silent with everything else: it is not known now.
        return (None, true);
    }
    match t.engine.state() {
        Some(Engine::Running | Engine::Cranking) => (Some(true), true),
        // After a run an engine at rest for a minute means a parked vehicle; before the first start the
        // controller answers because somebody turned the key.
        Some(Engine::Stopped) if t.engine_ran => (Some(t.now.since(t.engine.since()) < 60.0), true),
        Some(Engine::Stopped) if t.signals.get(Channel::EngineRpm).is_some() => (Some(true), true),
        _ => (None, true),
    }
}

pub(super) fn vent(t: &Timeline, p: &Settings) -> Option<Vent> {
    let s = &t.signals;
    let energised = s.get(Channel::VentSolenoid).map(|v| v >= 0.5).or_else(|| {
        let a = s.get(Channel::SolenoidA)?;
        if a >= p.solenoid.on_above_a {
            Some(true)
        } else if a <= p.solenoid.off_below_a {
            Some(false)
        } else {
            None
        }
    });
    let opens = p.vent.energised == "open";
    match energised {
        Some(on) => Some(if on == opens { Vent::Open } else { Vent::Sealed }),
        // A vent that seals without power is sealed when nothing is powered, seen or not.
        None if opens && t.key.state() == Some(false) && !s.seen(Channel::VentSolenoid) => Some(Vent::Sealed),
        None => None,
    }
}

pub(super) fn switch(t: &Timeline, p: &Settings) -> Option<SwitchState> {
    if p.switch.fitted != "yes" {
        return None;
    }
    let s = &t.signals;
    let volts = s.get(Channel::SwitchSenseV);
    let told = s.get(Channel::LeakSwitch).map(|v| if v >= 0.5 { SwitchState::Closed } else { SwitchState::Open });
    let by_level = volts.map(|v| {
        if v >= p.sense.open_above_v {
            SwitchState::Open
        } else if v <= p.sense.closed_below_v {
            SwitchState::Closed
        } else {
            // Between the levels the line keeps what it said.
            t.switch.raw().unwrap_or(SwitchState::Open)
        }
    });
    let dead = volts.is_some_and(|v| v <= p.sense.dead_below_v);
    let key_off = t.key.state() != Some(true);
    match (told, by_level) {
        // The adapter gave the state before and gives none now, while the line lies at nothing.
        (None, Some(SwitchState::Closed)) if dead && s.seen(Channel::LeakSwitch) => Some(SwitchState::NoBias),
        (_, Some(SwitchState::Closed)) if dead && key_off && p.sense.bias != "always" => Some(SwitchState::NoBias),
        (Some(told), _) => Some(told),
        (None, by_level) => by_level,
    }
}

pub(super) fn purge(s: &Signals, p: &Settings, was: Option<bool>) -> Option<bool> {
    let duty = awake(s, Channel::PurgeDutyPct)?;
    Some(if duty >= p.phases.purge_on_pct {
        true
    } else if duty <= p.phases.purge_off_pct {
        false
    } else {
        was.unwrap_or(false)
    })
}

pub(super) fn phase(t: &Timeline, p: &Settings) -> Phase {
    let vent = t.vent.state();
    match (t.engine.raw(), t.key.raw()) {
        (Some(Engine::Running), _) => match (vent, t.purge.raw()) {
            (Some(Vent::Sealed), Some(true)) => Phase::PurgeRun,
            (Some(Vent::Sealed), Some(false)) if vacuum_stands(t, p) => Phase::Decay,
            _ => Phase::Running,
        },
        (Some(Engine::Cranking), _) => Phase::Crank,
        (Some(Engine::Stopped), Some(true)) => Phase::KeyOn,
        (Some(Engine::Stopped) | None, Some(false)) => {
            if vent == Some(Vent::Sealed) {
                Phase::Soak
            } else {
                Phase::KeyOff
            }
        }
        (None, Some(true)) => Phase::KeyOn,
        (Some(Engine::Stopped), None) if t.engine_weak => Phase::Unknown,
        _ => Phase::Unknown,
    }
}

/// A sealed stretch is a decay as long as it follows a purge run, or while something shows vacuum.
fn vacuum_stands(t: &Timeline, p: &Settings) -> bool {
    matches!(t.phase.state(), Phase::PurgeRun | Phase::Decay)
        || matches!(t.phase.raw(), Phase::PurgeRun | Phase::Decay)
        || t.switch.state() == Some(SwitchState::Closed)
        || t.pressure_pa().is_some_and(|(v, e)| v + e <= -p.decay.least_vacuum_pa)
}
