//! The judge: decode, timeline and grade driven as one, a record at a time.
//!
//! It reads no clock and does no I/O: live links, saved captures and the simulator drive the same code, and
//! cannot be told apart by it. Its findings are a function of the records, the profile and this build.

use crate::channel::Channel;
use crate::decode::{Decoder, Item, NoticeKind, Reading};
use crate::grade::causes::Causes;
use crate::grade::controller::Controllers;
use crate::grade::verdict::{Findings, GapSpan, Num, Part, PhaseSpan, StrokeSpan};
use crate::grade::{Bench, Graded, TIMER_RULE};
use crate::guide::{self, Guide, Standing};
use crate::profile::Profile;
use crate::record::{Body, Event, LinkId, LinkInfo, Record};
use crate::time::Stamp;
use crate::timeline::{
    Engine, Happening, KNOWN_LEAK, KnownLeaks, Stroke, StrokeKind, SwitchState, TIGHT_DECAYS, TightDecays, Timeline,
    Vent,
};
use crate::trade::{Job, Phase, Subject, Test, Verdict};
use std::collections::VecDeque;
use std::sync::Arc;

pub use crate::grade::Condition;

/// A live signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// Which.
    pub channel: Channel,
    /// Last value.
    pub value: f64,
    /// When it was sampled.
    pub at: Stamp,
    /// Older than its usual interval allows.
    pub stale: bool,
}

/// One row a test.
#[derive(Debug, Clone, PartialEq)]
pub struct TestRow {
    /// Which.
    pub test: Test,
    /// Runs now: how far, 0 to 1, and what it waits for.
    pub running: Option<(f64, String)>,
    /// The verdict as `summary` has it so far.
    pub verdict: Verdict,
    /// First reason of the last run, or what it waits for.
    pub text: String,
    /// A leak test that ran: what a controller's timer rule would have decided of that run.
    pub timer_rule: Option<String>,
}

/// A picture of the judge for a view. Views may miss some.
#[derive(Debug, Clone, PartialEq)]
pub struct Snapshot {
    /// Capture time of the last record.
    pub now: Stamp,
    /// Phase now.
    pub phase: Phase,
    /// Since when.
    pub phase_since: Stamp,
    /// What the phase waits for, in words.
    pub waits_for: String,
    /// Conditions of the tests that could run in this phase.
    pub conditions: Vec<Condition>,
    /// Every channel seen so far.
    pub signals: Vec<Signal>,
    /// All of what is under test.
    pub tests: Vec<TestRow>,
    /// A module on the tray alone: the stroke under way and what sits on the rig, in words.
    pub stroke: Option<String>,
    /// A module on the tray alone: what to do with the part.
    pub part: Option<Part>,
    /// A vehicle alone: what may be wrong.
    pub causes: Option<Causes>,
    /// Number of events so far; `events` holds the last of them.
    pub events_total: u64,
    /// The last events in words, oldest first, at most 32.
    pub events: Vec<(Stamp, String)>,
    /// Records judged.
    pub records: u64,
    /// Lines, rows or frames not understood.
    pub undecoded: u64,
    /// Gaps so far.
    pub gaps: u32,
    /// Where the guide stands, if there is one.
    pub guide: Option<Standing>,
}

/// What the judge saw on its way, for sinks and exports.
#[derive(Debug, Clone, Copy)]
pub enum Seen<'a> {
    /// Channels sampled at one moment.
    Reading(&'a Reading),
    /// A state that changed, or something noticed.
    Happening(&'a Happening),
}

/// Decode, timeline and grade as one.
pub struct Judge {
    profile: Arc<Profile>,
    links: Vec<LinkInfo>,
    decoder: Decoder,
    timeline: Timeline,
    bench: Bench,
    now: Stamp,
    records: u64,
    gaps: Vec<GapSpan>,
    notices: Vec<String>,
    unsaid: u64,
    events: VecDeque<(Stamp, String)>,
    events_total: u64,
    items: Vec<Item>,
    happenings: Vec<Happening>,
    said: Vec<(Test, Verdict)>,
    strokes: Vec<StrokeSpan>,
    guide: Option<Guide>,
    controllers: Controllers,
}

/// Notices kept in words; more are only counted.
const NOTICES: usize = 200;
/// Events kept for a view.
const EVENTS: usize = 32;

impl Judge {
    /// For the links of a capture, numbered from 1.
    pub fn new(profile: Arc<Profile>, links: &[LinkInfo]) -> Judge {
        let pid_54 = profile.pid_54();
        Judge {
            decoder: Decoder::new(Arc::clone(&profile), links),
            timeline: Timeline::new(Arc::clone(&profile), links.len()),
            bench: Bench::new(profile.subject()),
            profile,
            links: links.to_vec(),
            now: Stamp::ZERO,
            records: 0,
            gaps: Vec::new(),
            notices: Vec::new(),
            unsaid: 0,
            events: VecDeque::new(),
            events_total: 0,
            items: Vec::new(),
            happenings: Vec::new(),
            said: Vec::new(),
            strokes: Vec::new(),
            guide: None,
            controllers: Controllers::new(pid_54),
        }
    }

    /// Takes for known from the start what no record tells, as if it were the first of them: a note given with a regrade.
    pub fn presume(&mut self, event: &Event) {
        let mut happenings = Vec::new();
        self.event(Stamp::ZERO, 0, event, &mut happenings);
        self.hear(&happenings);
    }

    /// Takes the next record, in append order.
    pub fn record(&mut self, record: &Record) {
        self.record_with(record, &mut |_| {});
    }

    /// Takes the next record, and shows each reading it held to `sink` (a samples file, an export).
    pub fn record_with(&mut self, record: &Record, sink: &mut dyn FnMut(&Reading)) {
        self.record_seen(record, &mut |seen| {
            if let Seen::Reading(r) = seen {
                sink(r);
            }
        });
    }

    /// Takes the next record, and shows all that was seen in it.
    pub fn record_seen(&mut self, record: &Record, sink: &mut dyn FnMut(Seen<'_>)) {
        let mut items = std::mem::take(&mut self.items);
        items.clear();
        self.decoder.record(record, &mut items);
        let event = match &record.body {
            Body::Event(event) => Some((record.link, event)),
            _ => None,
        };
        self.decoded(record.at, &items, event, sink);
        self.items = items;
    }

    /// Takes the decoder out, so that it may run ahead in another thread; what it makes of the records comes back by
    /// [`Judge::decoded`], and it itself by [`Judge::decoder_back`] before the findings are asked for.
    pub fn decoder_apart(&mut self) -> Decoder {
        std::mem::replace(&mut self.decoder, Decoder::new(Arc::clone(&self.profile), &[]))
    }

    /// Gives back what [`Judge::decoder_apart`] took.
    pub fn decoder_back(&mut self, decoder: Decoder) {
        self.decoder = decoder;
    }

    /// Takes the next record, stamped `at`, as the decoder made `items` of it; an event with its link.
    pub fn decoded(
        &mut self,
        at: Stamp,
        items: &[Item],
        event: Option<(LinkId, &Event)>,
        sink: &mut dyn FnMut(Seen<'_>),
    ) {
        self.records += 1;
        self.now = self.now.max(at);
        let mut happenings = std::mem::take(&mut self.happenings);
        for item in items {
            happenings.clear();
            match item {
                Item::Reading(r) => {
                    sink(Seen::Reading(r));
                    self.timeline.reading(r, &mut happenings);
                }
                Item::Word(w) => {
                    if let Some(news) = self.controllers.hear(w, &self.link_name(w.link)) {
                        self.say(w.at, news);
                    }
                    continue;
                }
                Item::Notice(n) => {
                    if n.kind != NoticeKind::Undecoded {
                        self.say(n.at, n.text.clone());
                    }
                    self.notice(format!("{:.1} s: {}", n.at.secs(), n.text));
                    self.timeline.notice(n, &mut happenings);
                }
            }
            happenings.iter().for_each(|h| sink(Seen::Happening(h)));
            self.hear(&happenings);
            self.bench.step(&self.timeline);
            self.lead(None);
        }
        if let Some((link, e)) = event {
            happenings.clear();
            self.event(at, link, e, &mut happenings);
            happenings.iter().for_each(|h| sink(Seen::Happening(h)));
            self.hear(&happenings);
            self.bench.step(&self.timeline);
            self.lead(Some(e));
        }
        self.happenings = happenings;
    }

    fn event(&mut self, at: Stamp, link: LinkId, e: &Event, happenings: &mut Vec<Happening>) {
        match e {
            Event::Gap { from_ns, to_ns, count, cause } => {
                let lost = if *count > 0 { format!(" ({count} records)") } else { String::new() };
                self.gap(Stamp(*from_ns), Stamp(*to_ns), self.link_name(link), format!("{cause}{lost}"));
            }
            Event::LinkUp { detail } => self.say(at, format!("{} up: {detail}", self.link_name(link))),
            Event::LinkDown { detail } => self.say(at, format!("{} down: {detail}", self.link_name(link))),
            // The guide tells of its own notes.
            Event::Note { note_kind, text } if note_kind == guide::BEGIN => {
                self.begin_guide(at, text);
            }
            Event::Note { note_kind, .. } if note_kind == guide::ANSWER && self.guide.is_some() => {}
            // Numbers are for the judge alone.
            Event::Note { note_kind, .. } if note_kind == TIGHT_DECAYS => {}
            Event::Note { note_kind, text } => {
                let line = format!("{note_kind}: {text}");
                self.notice(format!("{:.1} s: {line}", at.secs()));
                self.say(at, line);
                if note_kind == KNOWN_LEAK && !KnownLeaks::understands(text) {
                    let told =
                        "that note is not understood, and changes nothing: write known leak: 0.5 mm, 0.020 in, or none";
                    self.notice(format!("{:.1} s: {told}", at.secs()));
                    self.say(at, told.to_owned());
                }
            }
            Event::Asking { detail } => self.say(at, format!("{}: {detail}", self.link_name(link))),
            Event::End { cause } => self.say(at, format!("end: {cause}")),
            Event::Tick | Event::Clock(_) | Event::Sent { .. } => {}
        }
        self.timeline.event(at, link, e, happenings);
    }

    fn hear(&mut self, happenings: &[Happening]) {
        for h in happenings {
            match h {
                Happening::Gap { from, to }
                    if !self.gaps.iter().any(|g| g.start_s.0 <= from.secs() + 0.5 && to.secs() <= g.end_s.0 + 0.5) =>
                {
                    self.gap(*from, *to, "capture".into(), format!("no row for {:.0} s", to.since(*from)));
                }
                Happening::Spoiler(s) => {
                    self.notice(format!("{:.1} s: {}", s.at.secs(), s.text));
                    self.say(s.at, s.text.clone());
                }
                Happening::Stroke(stroke) => {
                    self.strokes.push(span_of(stroke));
                    if stroke.kind != StrokeKind::AtZero {
                        self.say(stroke.end, words_of(stroke));
                    }
                }
                _ => {
                    if let Some((at, text)) = words(h) {
                        self.say(at, text);
                    }
                }
            }
            self.bench.happening(&self.timeline, h);
            if let Some(guide) = &mut self.guide {
                guide.happening(h);
            }
        }
    }

    fn begin_guide(&mut self, at: Stamp, name: &str) {
        if self.guide.is_some() {
            return self
                .notice(format!("{:.1} s: the guide {name} was asked for beside another: left alone", at.secs()));
        }
        self.guide = Job::from_name(name).and_then(|job| Guide::begin(job, &self.profile, at));
        match &self.guide {
            Some(_) => self.say(at, format!("the guide {name} begins")),
            None => self.notice(format!("{:.1} s: this profile has no guide {name}", at.secs())),
        }
    }

    /// Goes on in the guide, after what just came was judged.
    fn lead(&mut self, event: Option<&Event>) {
        let Some(guide) = &mut self.guide else { return };
        let mut said = Vec::new();
        let mut summary = || self.bench.grade(&self.timeline).summary;
        if let Some(Event::Note { note_kind, text }) = event {
            guide.note(&self.timeline, self.now, note_kind, text, &mut summary, &mut said);
        }
        guide.look(&self.timeline, &mut summary, &mut said);
        for (at, text) in said {
            self.say(at, text);
        }
    }

    fn gap(&mut self, from: Stamp, to: Stamp, link: String, cause: String) {
        self.say(to, format!("gap of {:.1} s: {cause}", to.since(from)));
        self.gaps.push(GapSpan { start_s: from.into(), end_s: to.into(), link, cause });
    }

    fn link_name(&self, link: u16) -> String {
        match usize::from(link).checked_sub(1).and_then(|i| self.links.get(i)) {
            Some(l) => format!("{}:{}", l.kind, l.name),
            None => "capture".into(),
        }
    }

    fn say(&mut self, at: Stamp, text: String) {
        self.events_total += 1;
        if self.events.len() == EVENTS {
            self.events.pop_front();
        }
        self.events.push_back((at, text));
    }

    fn notice(&mut self, text: String) {
        if self.notices.len() < NOTICES {
            self.notices.push(text);
        } else {
            self.unsaid += 1;
        }
    }

    /// The phase now, and whether the key itself is measured rather than inferred from the engine.
    pub fn phase(&self) -> (Phase, bool) {
        (self.timeline.phase().0, self.timeline.signals.get(Channel::Key).is_some())
    }

    /// A picture for a view. Verdicts are made anew at most once a second of capture time, and at each event.
    pub fn snapshot(&mut self) -> Snapshot {
        let graded = self.bench.grade(&self.timeline);
        for (test, verdict) in &graded.summary {
            let before = self.said.iter().find(|s| s.0 == *test).map_or(Verdict::NotRun, |s| s.1);
            if before == *verdict {
                continue;
            }
            self.said.retain(|s| s.0 != *test);
            self.said.push((*test, *verdict));
            if verdict.is_decided() {
                let why = last_run(&graded, *test).and_then(|f| f.reasons.first().cloned()).unwrap_or_default();
                let text = format!("{}: {}; {why}", test.name(), verdict.word());
                self.say(self.timeline.now(), text);
            }
        }
        let (phase, phase_since) = self.timeline.phase();
        let under_way = self.bench.under_way(&self.timeline);
        let tests = under_way
            .into_iter()
            .map(|(test, running)| {
                let run = last_run(&graded, test);
                let text = run.and_then(|f| f.reasons.first().cloned()).unwrap_or_default();
                let timer_rule = run.and_then(|f| f.word(TIMER_RULE)).map(str::to_owned);
                TestRow { test, running, verdict: graded.summary[&test], text, timer_rule }
            })
            .collect();
        Snapshot {
            now: self.now,
            phase,
            phase_since,
            waits_for: waits_for(phase, &self.timeline),
            conditions: self.bench.conditions(&self.timeline),
            signals: self
                .timeline
                .signals
                .all()
                .map(|(channel, value, at, stale)| Signal { channel, value, at, stale })
                .collect(),
            tests,
            stroke: (self.profile.subject() == Subject::Module).then(|| self.on_the_rig()),
            causes: self.bench.causes(&self.timeline, &graded),
            part: graded.part,
            events_total: self.events_total,
            events: self.events.iter().cloned().collect(),
            records: self.records,
            undecoded: self.decoder.undecoded(),
            gaps: self.gaps.len() as u32,
            guide: self.guide.as_ref().map(|g| g.standing(&self.timeline)),
        }
    }

    /// The stroke under way and what sits on the rig, in words.
    fn on_the_rig(&self) -> String {
        let (rig, _) = self.timeline.rig();
        match self.timeline.stroke() {
            Some(stroke) => words_of(&stroke),
            None => format!("waits for a stroke; on the rig: {rig}"),
        }
    }

    /// What this record's decays without a known hole say, to be told to another record of the same vehicle.
    pub fn tight_decays(&self) -> Option<TightDecays> {
        self.bench.tight_decays(&self.timeline)
    }

    /// All findings as if the record ended here.
    pub fn findings(&self, capture: &str) -> Findings {
        let graded = self.bench.grade(&self.timeline);
        let controller = self.controllers.beside(&graded);
        let known_leak = self.bench.learned(&self.timeline, &graded.findings);
        let causes = self.bench.causes(&self.timeline, &graded);
        let end = self.timeline.now().max(self.now);
        let phases = self.timeline.phases();
        let mut spans: Vec<PhaseSpan> = Vec::new();
        for (i, (phase, start)) in phases.iter().enumerate() {
            let stop = phases.get(i + 1).map_or(end, |n| n.1);
            if stop > *start {
                spans.push(PhaseSpan { phase: *phase, start_s: (*start).into(), end_s: stop.into() });
            }
        }
        let mut notices = self.notices.clone();
        notices.extend(self.decoder.summary());
        if self.unsaid > 0 {
            notices.push(format!("{} more notices are not written out", self.unsaid));
        }
        let strokes = (self.profile.subject() == Subject::Module).then(|| {
            let under_way = self.timeline.strokes_under_way();
            self.strokes.iter().cloned().chain(under_way.iter().map(span_of)).collect()
        });
        Findings {
            capture: capture.to_owned(),
            profile: self.profile.name.clone(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            duration_s: end.into(),
            records: self.records,
            undecoded: self.decoder.undecoded(),
            gaps: self.gaps.clone(),
            phases: spans,
            tests: graded.findings,
            summary: graded.summary,
            counts: graded.counts,
            notices,
            strokes,
            part: graded.part,
            causes,
            guide: self.guide.as_ref().map(Guide::run),
            known_leak,
            controller,
        }
    }
}

fn span_of(s: &Stroke) -> StrokeSpan {
    StrokeSpan {
        stroke: s.kind.name(),
        start_s: s.start.into(),
        end_s: s.end.into(),
        from_pa: Num(s.from_pa),
        to_pa: Num(s.to_pa),
        rig: s.rig.to_string(),
    }
}

fn words_of(s: &Stroke) -> String {
    let took = s.end.since(s.start);
    let what = match s.kind {
        StrokeKind::AtZero => format!("at zero for {took:.1} s"),
        kind => format!("{} from {:.0} to {:.0} Pa in {took:.1} s", kind.name(), s.from_pa, s.to_pa),
    };
    format!("{what}; on the rig: {}", s.rig)
}

fn last_run(graded: &Graded, test: Test) -> Option<&crate::grade::verdict::Finding> {
    // The run that gave the summary's verdict, else the last one.
    let of = || graded.findings.iter().rev().filter(move |f| f.test == test);
    of().find(|f| f.standing() == graded.summary[&test]).or_else(|| of().next())
}

fn words(h: &Happening) -> Option<(Stamp, String)> {
    Some(match h {
        Happening::Phase(t) => (t.at, format!("phase: {}", t.to.name())),
        Happening::Switch(t) => (
            t.at,
            match t.to? {
                SwitchState::Open => "leak switch open".into(),
                SwitchState::Closed => "leak switch closed".into(),
                SwitchState::NoBias => "sense line has no bias: the switch cannot be read".into(),
            },
        ),
        Happening::Vent(t) => (
            t.at,
            match t.to? {
                Vent::Open => "vent open".into(),
                Vent::Sealed => "vent sealed".into(),
            },
        ),
        Happening::Key(t) => (t.at, if t.to? { "key on".into() } else { "key off".into() }),
        Happening::Engine(t) => (
            t.at,
            match t.to? {
                Engine::Running => "engine runs".into(),
                Engine::Cranking => return None,
                Engine::Stopped => "engine at rest".into(),
            },
        ),
        Happening::Repair(at) => (*at, "repair noted".into()),
        Happening::Rig(at, rig) => (*at, format!("on the rig: {rig}")),
        Happening::Purge(_)
        | Happening::Gap { .. }
        | Happening::Spoiler(_)
        | Happening::Bounce(_)
        | Happening::Stroke(_) => return None,
    })
}

fn waits_for(phase: Phase, t: &Timeline) -> String {
    if t.profile.subject() == Subject::Module {
        return "the next stroke: draw, press, hold or release".into();
    }
    match phase {
        Phase::Soak => match t.switch().0 {
            Some(SwitchState::Closed) => "the key: the switch is closed, the soak goes on".into(),
            Some(SwitchState::Open) => "the cooling tank to close the switch".into(),
            Some(SwitchState::NoBias) | None => "the tank to cool".into(),
        },
        Phase::KeyOff => "the vent to seal".into(),
        Phase::KeyOn => "the engine to start".into(),
        Phase::Crank => "the engine to run".into(),
        Phase::Running => match t.vent().0 {
            Some(_) => "the controller to seal the vent and purge".into(),
            None => "a vent state: nothing tells whether it is sealed".into(),
        },
        Phase::PurgeRun => "purge to draw a vacuum".into(),
        Phase::Decay => "the vacuum to decay".into(),
        Phase::Unknown => "channels that tell key and engine".into(),
    }
}
