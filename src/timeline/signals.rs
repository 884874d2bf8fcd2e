//! Signals: the last value of every channel, how often it is really sampled, and whether it is stale.

use crate::channel::Channel;
use crate::decode::Reading;
use crate::record::LinkId;
use crate::time::Stamp;

/// Spacings kept a channel.
const KEPT: usize = 16;
/// A quantity sent only on change is doubted after this silence, seconds, if it used to change far more often.
const DEAD_S: f64 = 1800.0;

/// What is known of one channel.
#[derive(Debug, Clone, Copy)]
struct Line {
    value: f64,
    at: Stamp,
    previous_at: Stamp,
    changed_at: Stamp,
    link: LinkId,
    samples: u64,
    repeats: u64,
    /// Times between the last changes, ns.
    spacings: [i64; KEPT],
    spacings_n: usize,
    /// Times between the last samples, ns.
    samplings: [i64; 4],
}

/// The last values of all channels.
#[derive(Debug, Clone)]
pub struct Signals {
    now: Stamp,
    stale_s: f64,
    /// Certainly not yet stale, ns.
    fresh_ns: i64,
    lines: [Option<Line>; Channel::COUNT],
    /// Per link: time of the last row and the one before.
    rows: Vec<(Stamp, Stamp)>,
}

impl Signals {
    /// For so many links; `stale_s` from the profile.
    pub fn new(links: usize, stale_s: f64) -> Signals {
        Signals {
            now: Stamp::ZERO,
            stale_s,
            fresh_ns: Stamp::from_secs(stale_s).0 - 1,
            lines: [None; Channel::COUNT],
            rows: vec![(Stamp(i64::MIN / 2), Stamp(i64::MIN / 2)); links + 1],
        }
    }

    /// Takes a reading in.
    pub fn take(&mut self, r: &Reading) {
        self.now = self.now.max(r.at);
        let link = usize::from(r.link).min(self.rows.len() - 1);
        let row = &mut self.rows[link];
        if r.at > row.0 {
            *row = (r.at, row.0);
        }
        for (c, value) in r.iter() {
            let slot = &mut self.lines[c as usize];
            match slot {
                None => {
                    *slot = Some(Line {
                        value,
                        at: r.at,
                        previous_at: r.at,
                        changed_at: r.at,
                        link: r.link,
                        samples: 1,
                        repeats: 0,
                        spacings: [0; KEPT],
                        spacings_n: 0,
                        samplings: [0; 4],
                    });
                }
                Some(l) => {
                    let i = (l.samples % 4) as usize;
                    l.samplings[i] = r.at.0.saturating_sub(l.at.0);
                    l.samples += 1;
                    if l.value == value {
                        l.repeats += 1;
                    } else {
                        l.spacings[l.spacings_n % KEPT] = r.at.0.saturating_sub(l.changed_at.0);
                        l.spacings_n += 1;
                        l.changed_at = r.at;
                        l.value = value;
                    }
                    l.previous_at = l.at;
                    l.at = r.at;
                    l.link = r.link;
                }
            }
        }
    }

    /// Time passes without a reading.
    pub fn tick(&mut self, now: Stamp) {
        self.now = self.now.max(now);
    }

    /// The last value, however old.
    pub fn last(&self, c: Channel) -> Option<(f64, Stamp)> {
        self.lines[c as usize].as_ref().map(|l| (l.value, l.at))
    }

    /// The channel was sampled at least once.
    pub fn seen(&self, c: Channel) -> bool {
        self.lines[c as usize].is_some()
    }

    /// The value, if it is not stale.
    pub fn get(&self, c: Channel) -> Option<f64> {
        let l = self.lines[c as usize].as_ref()?;
        (!self.line_stale(l, c)).then_some(l.value)
    }

    /// The value, if it was sampled within `least_s` or about as lately as it usually is: for what ends at once.
    pub fn lately(&self, c: Channel, least_s: f64) -> Option<f64> {
        let l = self.lines[c as usize].as_ref()?;
        let within = least_s.max(1.5 * widest(l)).min(self.stale_s);
        (self.now.since(l.at) <= within).then_some(l.value)
    }

    /// When the link that gives this channel last spoke.
    pub fn row_at(&self, c: Channel) -> Option<Stamp> {
        self.lines[c as usize].as_ref().map(|l| self.row(l).0)
    }

    /// The last rows of a channel's link.
    fn row(&self, l: &Line) -> (Stamp, Stamp) {
        self.rows[usize::from(l.link).min(self.rows.len() - 1)]
    }

    /// Stale: silent for longer than its kind of sampling allows.
    pub fn stale(&self, c: Channel) -> bool {
        self.lines[c as usize].as_ref().is_some_and(|l| self.line_stale(l, c))
    }

    #[inline]
    fn line_stale(&self, l: &Line, c: Channel) -> bool {
        self.now.0.saturating_sub(l.at.0) > self.fresh_ns && self.silent_too_long(l, c)
    }

    #[cold]
    fn silent_too_long(&self, l: &Line, c: Channel) -> bool {
        let silent = self.now.since(l.at);
        if silent <= self.stale_s {
            return false;
        }
        if regular(l, c) {
            return silent > 4.0 * widest(l);
        }
        // A quantity that used to change every few seconds and has stood like iron for half an hour is not
        // measured any more: its controller sleeps.
        if !c.is_state() && l.spacings_n >= 8 && silent > DEAD_S.max(50.0 * spacing(l, 2)) {
            return true;
        }
        // Sent only when it changes: good as long as its link still speaks.
        let row = self.row(l);
        self.now.since(row.0) > self.stale_s.max(4.0 * row.0.since(row.1).clamp(0.0, 600.0))
    }

    /// How far back the true moment of a change seen at the last sample may lie, seconds.
    pub fn uncertainty(&self, c: Channel) -> f64 {
        let Some(l) = self.lines[c as usize].as_ref() else { return 0.0 };
        let own = l.at.since(l.previous_at);
        let row = self.row(l);
        let by_row = if row.0 == l.at { row.0.since(row.1) } else { self.now.since(row.0) };
        let sampled = if regular(l, c) { own } else { own.min(by_row.max(0.0)) };
        sampled.max(self.held_interval(c))
    }

    /// The real sampling interval of a quantity whose values are repeated from row to row, from its changes;
    /// zero where every row brings a new value.
    pub fn held_interval(&self, c: Channel) -> f64 {
        let Some(l) = self.lines[c as usize].as_ref() else { return 0.0 };
        if c.is_state() || l.spacings_n < 8 || l.repeats * 2 < l.samples {
            return 0.0;
        }
        spacing(l, 4)
    }

    /// Every channel seen, with value, time and staleness.
    pub fn all(&self) -> impl Iterator<Item = (Channel, f64, Stamp, bool)> + '_ {
        Channel::ALL
            .iter()
            .filter_map(|&c| self.lines[c as usize].as_ref().map(|l| (c, l.value, l.at, self.line_stale(l, c))))
    }
}

fn seconds(ns: i64) -> f32 {
    Stamp(ns).secs() as f32
}

/// The widest of the last times between samples, seconds.
fn widest(l: &Line) -> f64 {
    f64::from(l.samplings.iter().fold(0f32, |a, b| a.max(seconds(*b))))
}

/// Time between the last changes, seconds: the shortest but for one `part` of them (2: the median).
fn spacing(l: &Line, part: usize) -> f64 {
    let mut s = l.spacings.map(seconds);
    let n = l.spacings_n.min(KEPT);
    s[..n].sort_by(f32::total_cmp);
    f64::from(s[n / part])
}

/// Sampled again and again whether it changes or not (else it is sent only when it changes).
fn regular(l: &Line, c: Channel) -> bool {
    if l.samples >= 5 && l.repeats * 5 >= l.samples {
        return true;
    }
    if c.is_state() || l.samples < 8 {
        return false;
    }
    let (low, high) = l.samplings.iter().fold((f32::MAX, 0f32), |(a, b), x| (a.min(seconds(*x)), b.max(seconds(*x))));
    high <= 3.0 * low.max(1e-3)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(at: f64, cells: &[(Channel, f64)]) -> Reading {
        let mut r = Reading::new(Stamp::from_secs(at), 1);
        for (c, v) in cells {
            r.set(*c, *v);
        }
        r
    }

    #[test]
    fn a_channel_sent_only_on_change_is_held_while_its_link_speaks() {
        let mut s = Signals::new(1, 30.0);
        s.take(&reading(0.0, &[(Channel::LeakSwitch, 0.0)]));
        for i in 1..600 {
            s.take(&reading(f64::from(i), &[(Channel::AmbientC, 20.0 - f64::from(i) * 0.001)]));
        }
        assert_eq!(s.get(Channel::LeakSwitch), Some(0.0));
        s.tick(Stamp::from_secs(700.0));
        assert_eq!(s.get(Channel::LeakSwitch), None, "the link fell silent");
    }

    #[test]
    fn a_channel_sampled_row_by_row_goes_stale_when_its_cells_turn_blank() {
        let mut s = Signals::new(1, 30.0);
        for i in 0..60 {
            s.take(&reading(f64::from(i), &[(Channel::LeakSwitch, 0.0), (Channel::AmbientC, 20.0)]));
        }
        for i in 60..120 {
            s.take(&reading(f64::from(i), &[(Channel::AmbientC, 20.0)]));
        }
        assert_eq!(s.get(Channel::LeakSwitch), None);
        assert_eq!(s.get(Channel::AmbientC), Some(20.0));
    }

    #[test]
    fn held_values_show_their_true_interval() {
        // Rows each 0.5 s, a new value each fourth row: the true interval is 2 s.
        let mut s = Signals::new(1, 30.0);
        for i in 0..200 {
            s.take(&reading(f64::from(i) * 0.5, &[(Channel::EngineRpm, f64::from(700 + (i / 4) % 7 * 10))]));
        }
        assert!((s.held_interval(Channel::EngineRpm) - 2.0).abs() < 0.01, "{}", s.held_interval(Channel::EngineRpm));
    }
}
