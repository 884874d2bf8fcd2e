//! Who gives a channel, where two links do: the bench adapter measures at the part, with its own sensors; what a
//! controller tells of the same is coarser (its barometer steps by 1 kPa) and later.

use super::{Item, Reading};
use crate::channel::Channel;
use crate::record::{LinkId, LinkInfo};
use crate::time::Stamp;

/// Which channels come from a bench adapter at present.
pub(super) struct Givers {
    /// Of each link: it tells what a controller says.
    told: Vec<bool>,
    measured: [Option<Stamp>; Channel::COUNT],
    stale_s: f64,
}

impl Givers {
    /// Nothing if all links are of one kind.
    pub(super) fn new(links: &[LinkInfo], stale_s: f64) -> Option<Givers> {
        let told: Vec<bool> = links.iter().map(|l| matches!(l.kind.as_str(), "can" | "slcan" | "adapter")).collect();
        let both = told.contains(&true) && told.contains(&false);
        both.then_some(Givers { told, measured: [None; Channel::COUNT], stale_s })
    }

    /// Takes out of the items from `from` on what a controller tells of a channel that is measured.
    pub(super) fn sift(&mut self, from: usize, out: &mut Vec<Item>) {
        // What lies before is not looked at: a batch may hold much.
        let mut kept = from;
        for i in from..out.len() {
            if let Item::Reading(reading) = &mut out[i] {
                self.reading(reading);
                if reading.is_empty() {
                    continue;
                }
            }
            out.swap(kept, i);
            kept += 1;
        }
        out.truncate(kept);
    }

    fn reading(&mut self, reading: &mut Reading) {
        let told = |link: LinkId| usize::from(link).checked_sub(1).and_then(|i| self.told.get(i)).copied();
        let told = told(reading.link).unwrap_or(false);
        let at = reading.at;
        for (channel, _) in reading.clone().iter() {
            let measured = &mut self.measured[channel as usize];
            if !told {
                *measured = Some(at);
            } else if measured.is_some_and(|last| at.since(last) < self.stale_s) {
                reading.unset(channel);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn links(kinds: &[&str]) -> Vec<LinkInfo> {
        kinds.iter().map(|k| LinkInfo { kind: (*k).to_owned(), name: "x".to_owned() }).collect()
    }

    fn reading(s: f64, link: LinkId, values: &[(Channel, f64)]) -> Item {
        let mut r = Reading::new(Stamp::from_secs(s), link);
        values.iter().for_each(|(c, v)| r.set(*c, *v));
        Item::Reading(r)
    }

    #[test]
    fn what_is_measured_counts_more_than_what_is_told_of_it() {
        assert!(Givers::new(&links(&["can", "adapter"]), 30.0).is_none());
        assert!(Givers::new(&links(&["bench"]), 30.0).is_none());
        let mut g = Givers::new(&links(&["can", "bench"]), 30.0).unwrap();
        let (baro, rpm) = (Channel::BaroKpa, Channel::EngineRpm);
        let told = |s| reading(s, 1, &[(baro, 101.0), (rpm, 800.0)]);
        let mut out = vec![told(0.0)];
        // Nobody has measured it yet.
        g.sift(0, &mut out);
        out.push(reading(1.0, 2, &[(baro, 101.32)]));
        out.push(told(2.0));
        out.push(reading(2.5, 1, &[(baro, 101.0)]));
        g.sift(1, &mut out);
        let seen = |item: &Item| match item {
            Item::Reading(r) => (r.at.secs(), r.iter().collect::<Vec<_>>()),
            Item::Notice(_) | Item::Word(_) => (0.0, Vec::new()),
        };
        let seen: Vec<_> = out.iter().map(seen).collect();
        let both = vec![(rpm, 800.0), (baro, 101.0)];
        assert_eq!(seen, [(0.0, both), (1.0, vec![(baro, 101.32)]), (2.0, vec![(rpm, 800.0)])]);
        // The bench adapter has fallen silent.
        let mut out = vec![told(31.5)];
        g.sift(0, &mut out);
        assert_eq!(out, [told(31.5)]);
    }
}
