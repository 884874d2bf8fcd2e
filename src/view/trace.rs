//! Short traces of the live signals, kept in the view alone.

use crate::channel::Channel;
use crate::judge::Snapshot;
use crate::time::Stamp;
use std::collections::BTreeMap;

/// A trace never holds more points than this.
const POINTS: usize = 64;
/// The first spacing of points, seconds of capture time.
const FIRST_STEP_S: f64 = 0.2;
const BLOCKS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// One trace a channel, from the begin of the phase until now. When a trace is full every second point goes and
/// the spacing doubles, so memory stays the same through the longest night.
#[derive(Debug, Clone, Default)]
pub struct Traces {
    since: Option<Stamp>,
    of: BTreeMap<Channel, Trace>,
}

#[derive(Debug, Clone)]
struct Trace {
    points: Vec<(Stamp, f64)>,
    step_s: f64,
}

impl Traces {
    /// Takes what the snapshot shows.
    pub fn take(&mut self, snapshot: &Snapshot) {
        if self.since != Some(snapshot.phase_since) {
            self.since = Some(snapshot.phase_since);
            self.of.clear();
        }
        for s in &snapshot.signals {
            let trace = self.of.entry(s.channel).or_insert(Trace { points: vec![], step_s: FIRST_STEP_S });
            if trace.points.last().is_some_and(|(t, _)| snapshot.now.since(*t) < trace.step_s) {
                continue;
            }
            trace.points.push((snapshot.now, s.value));
            if trace.points.len() >= POINTS {
                let mut odd = false;
                trace.points.retain(|_| {
                    odd = !odd;
                    odd
                });
                trace.step_s *= 2.0;
            }
        }
    }

    /// A line of at most `columns` blocks, the newest at the right; shorter while there are few points.
    pub fn draw(&self, channel: Channel, columns: usize) -> String {
        let Some(trace) = self.of.get(&channel) else { return String::new() };
        let n = trace.points.len();
        let shown = n.min(columns);
        let values: Vec<f64> = (0..shown).map(|i| trace.points[(i + 1) * n / shown - 1].1).collect();
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        // A quiet signal must not look like a storm.
        let span = (high - low).max(least_span(channel));
        let level = |v: f64| (((v - low) / span) * 7.0).round().clamp(0.0, 7.0) as usize;
        values.into_iter().map(|v| BLOCKS[level(v)]).collect()
    }
}

/// The least change that fills the height of a trace.
fn least_span(channel: Channel) -> f64 {
    match channel.unit() {
        "Pa" => 50.0,
        "°C" => 2.0,
        "rpm" => 200.0,
        "km/h" => 10.0,
        "%" => 5.0,
        "A" => 0.2,
        _ => 1.0,
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::judge::Signal;
    use crate::trade::Phase;

    pub fn snapshot(now_s: f64, signals: &[(Channel, f64)]) -> Snapshot {
        let now = Stamp::from_secs(now_s);
        Snapshot {
            now,
            phase: Phase::Soak,
            phase_since: Stamp::ZERO,
            waits_for: String::new(),
            conditions: vec![],
            signals: signals.iter().map(|&(channel, value)| Signal { channel, value, at: now, stale: false }).collect(),
            tests: vec![],
            stroke: None,
            part: None,
            causes: None,
            events_total: 0,
            events: vec![],
            records: 0,
            undecoded: 0,
            gaps: 0,
            guide: None,
        }
    }

    #[test]
    fn a_night_fits_and_keeps_its_shape() {
        let mut traces = Traces::default();
        for s in 0..43_200 {
            traces.take(&snapshot(s as f64, &[(Channel::TankPressurePa, -(s as f64) / 100.0)]));
        }
        let points = &traces.of[&Channel::TankPressurePa].points;
        assert!(points.len() < POINTS && points[0].0 == Stamp::ZERO);
        let drawn: Vec<char> = traces.draw(Channel::TankPressurePa, 8).chars().collect();
        assert_eq!(drawn.len(), 8);
        assert!(drawn.windows(2).all(|w| w[0] >= w[1]), "a falling pressure falls: {drawn:?}");
        assert!(drawn[0] > drawn[7]);
    }

    #[test]
    fn noise_stays_low_and_a_new_phase_begins_anew() {
        let mut traces = Traces::default();
        for s in 0..5 {
            traces.take(&snapshot(s as f64, &[(Channel::TankPressurePa, (s % 2) as f64)]));
        }
        assert_eq!(traces.draw(Channel::TankPressurePa, 8), "▁▁▁▁▁");
        let mut next = snapshot(5.0, &[(Channel::TankPressurePa, 0.0)]);
        next.phase_since = Stamp::from_secs(5.0);
        traces.take(&next);
        assert_eq!(traces.draw(Channel::TankPressurePa, 8), "▁");
        assert_eq!(traces.draw(Channel::Key, 8), "");
    }
}
