//! What controllers answer, to values of channels, whatever bus or adapter brought the answer.

use super::reading::Reading;
use crate::channel::Channel;
use crate::profile::Profile;
use crate::time::Stamp;
use crate::wire::can_frame::Id;
use crate::wire::obd::{self, Pid54};
use crate::wire::uds;
use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

/// Who gives a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Who {
    /// The sender of a frame on CAN.
    Can(Id),
    /// A controller's byte on an older bus.
    Node(u8),
    /// The adapter itself.
    Adapter,
}

impl fmt::Display for Who {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Who::Can(id) => write!(f, "{id}"),
            Who::Node(node) => write!(f, "{node:02X}"),
            Who::Adapter => f.write_str("adapter"),
        }
    }
}

/// The values of one link.
pub(super) struct Values {
    profile: Arc<Profile>,
    pid_54: Pid54,
    /// Who gives a channel: the first who did, until it falls silent.
    givers: [Option<(Who, Stamp)>; Channel::COUNT],
    /// Full scale of the manifold's PID where a controller told one, kPa.
    full_scale_kpa: Option<f64>,
    implausible: [u64; Channel::COUNT],
    broken: u64,
    /// Who said "later", and when first.
    put_off: BTreeMap<Who, Stamp>,
    /// The answer at hand was put off for long: from when its values are nobody knows.
    late: bool,
}

impl Values {
    pub(super) fn new(profile: Arc<Profile>) -> Values {
        Values {
            pid_54: profile.pid_54(),
            profile,
            givers: [None; Channel::COUNT],
            full_scale_kpa: None,
            implausible: [0; Channel::COUNT],
            broken: 0,
            put_off: BTreeMap::new(),
            late: false,
        }
    }

    /// Answers that fit no service.
    pub(super) fn broken(&self) -> u64 {
        self.broken
    }

    /// What was no reading, in words.
    pub(super) fn implausible(&self, name: &str) -> impl Iterator<Item = String> {
        let all = Channel::ALL.iter().zip(self.implausible).filter(|(_, n)| *n > 0);
        all.map(move |(c, n)| format!("{name}: {n} values of {c} cannot be readings and were dropped"))
    }

    /// Takes a whole answer of a controller; what it says is added to the reading.
    pub(super) fn message(&mut self, reading: &mut Reading, who: Who, message: &[u8]) {
        if let [0x7F, _, uds::PENDING, ..] = message {
            self.put_off.entry(who).or_insert(reading.at);
            return;
        }
        let set = &self.profile.set.bus;
        let since = self.put_off.remove(&who);
        self.late = since.is_some_and(|since| reading.at.since(since) > set.answer_s + set.slack_s);
        match message.first() {
            Some(0x62) => self.by_identifier(reading, who, message),
            Some(0x41) => match obd::answer(message) {
                Ok(obd::Answer::Live(all)) => all.iter().for_each(|(pid, data)| self.live(reading, who, *pid, data)),
                Ok(_) => {}
                Err(_) => self.broken += 1,
            },
            // Codes and the rest say nothing about a channel.
            _ => {}
        }
        self.late = false;
    }

    fn live(&mut self, reading: &mut Reading, who: Who, pid: u8, data: &[u8]) {
        if pid == 0x4F {
            self.full_scale_kpa = data.get(3).filter(|full| **full > 0).map(|full| f64::from(*full) * 10.0);
        }
        let profile = Arc::clone(&self.profile);
        for s in profile.bus.obd.iter().filter(|s| s.pid == pid) {
            if let Some(v) = obd::value(pid, data, self.pid_54, self.full_scale_kpa) {
                self.take(reading, who, s.channel, v);
            }
        }
    }

    /// Service 22: F4xx is PID xx (SAE J1979-2), the rest is the profile's.
    fn by_identifier(&mut self, reading: &mut Reading, who: Who, message: &[u8]) {
        let Ok(uds::Answer::Data(data)) = uds::answer(message) else { return };
        let profile = Arc::clone(&self.profile);
        let length = |id: u16| match id {
            0xF400..=0xF4FF => Some(obd::length(id as u8)).filter(|n| *n > 0),
            _ => profile.bus.did.iter().find(|d| d.did == id).map(|d| usize::from(d.length)),
        };
        let Some(records) = uds::records(&data, length) else {
            // Somebody else asked for something this profile does not know.
            return;
        };
        for (id, data) in records {
            if (0xF400..=0xF4FF).contains(&id) {
                self.live(reading, who, id as u8, data);
            }
            for s in profile.bus.did.iter().filter(|s| s.did == id) {
                if let Some(v) = s.field.value(data) {
                    self.take(reading, who, s.channel, v);
                }
            }
        }
    }

    /// Takes a value, if it can be one and its channel is this giver's.
    pub(super) fn take(&mut self, reading: &mut Reading, who: Who, channel: Channel, value: f64) {
        if self.late && is_timed(channel) {
            return;
        }
        let (low, high) = channel.plausible();
        if !(low..=high).contains(&value) || (channel.is_state() && value != 0.0 && value != 1.0) {
            self.implausible[channel as usize] += 1;
            return;
        }
        // Two controllers may answer one question, and need not agree.
        let giver = &mut self.givers[channel as usize];
        let stale_s = self.profile.set.phases.stale_s;
        match giver {
            Some((first, last)) if *first != who && reading.at.since(*last) < stale_s => {}
            _ => {
                *giver = Some((who, reading.at));
                reading.set(channel, value);
            }
        }
    }
}

/// Channels whose moment is judged, to a second and less: a value of two seconds ago beside a state of now tells of a
/// current that flows through a solenoid that is off.
fn is_timed(channel: Channel) -> bool {
    use Channel::{GroundV, SolenoidA, SolenoidDutyPct, SolenoidPeakA, SwitchSenseV, TankPressurePa};
    let part = [GroundV, SolenoidA, SolenoidDutyPct, SolenoidPeakA, SwitchSenseV, TankPressurePa];
    channel.is_state() || part.contains(&channel)
}
