//! What a soak has to say: its verdict, reasons and numbers.

use super::super::draft::{Draft, mm};
use super::super::timer_rule::{self, SoakSwitch};
use super::super::{BY, STAYED_OPEN, SWITCH_WAS};
use super::run::spoils_closing;
use super::*;

impl Run {
    pub(super) fn draft(&self, t: &Timeline) -> Draft {
        let mut d = self.told(t);
        if let Some(posterior) = &self.posterior {
            d.belief(posterior, t.profile.set.leak.small_mm);
        }
        d
    }

    fn told(&self, t: &Timeline) -> Draft {
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
        if p.fuel.ethanol_pct > crate::physics::fuel::ETHANOL_KNOWN_PCT {
            d.note("vapour_model", "ethanol blend: outside the petroleum correlation");
        }
        if let Some(posterior) = self.posterior.as_ref().filter(|p| p.informed()) {
            let (low, high) = posterior.interval();
            d.leak(low, posterior.best(), high);
        }
        d.rests_on_switch = !self.tapped;
        self.timer_rule(t).note(&mut d);
        d.note(BY, if self.tapped { "pressure" } else { "switch" });
        d.note(SWITCH_WAS, self.switch_was());
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

    /// What the switch did, in a word.
    fn switch_was(&self) -> &'static str {
        if self.no_bias.is_some() {
            "without bias"
        } else if self.closed_at.is_some() {
            "closed"
        } else if self.early_edge.is_some() {
            "closed early"
        } else if self.first_switch.is_none() || self.lost.is_some() {
            "not read"
        } else if self.seen_open.is_none() {
            "closed from the start"
        } else {
            STAYED_OPEN
        }
    }

    /// What a controller with a timer would have made of it.
    fn timer_rule(&self, t: &Timeline) -> timer_rule::Said {
        if t.profile.set.switch.fitted != "yes" {
            let furthest =
                self.deepest_pa.into_iter().chain(self.highest_pa).max_by(|a, b| a.abs().total_cmp(&b.abs()));
            return timer_rule::soak_by_pressure(&t.profile, furthest);
        }
        let key_off = self.key_off.unwrap_or(self.start);
        let seen = match (self.closed_at.map(|c| c.0).or(self.early_edge), self.seen_open) {
            (Some(at), _) => SoakSwitch::Closed(at.since(key_off)),
            (None, Some(_)) if self.no_bias.is_none() && self.lost.is_none() => SoakSwitch::StayedOpen,
            _ => SoakSwitch::Unread,
        };
        timer_rule::soak_by_switch(&t.profile, seen)
    }

    /// Why this soak could not tell.
    pub(super) fn why_not(&self, t: &Timeline, d: &mut Draft, from: f64, tight: f64) {
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
            if p.switch.fitted == "yes" {
                d.because("neither the switch nor the tank pressure was recorded in this soak");
                d.next("record leak_switch, switch_sense_v or tank_pressure_pa overnight");
            } else {
                d.because("the tank pressure was not recorded in this soak");
                d.next("record tank_pressure_pa overnight");
            }
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

pub(super) fn duration(s: f64) -> String {
    if s < 120.0 {
        format!("{s:.0} s")
    } else if s < 7200.0 {
        format!("{:.0} min", s / 60.0)
    } else {
        format!("{:.1} h", s / 3600.0)
    }
}

pub(super) fn rule(t: &Timeline) -> String {
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
