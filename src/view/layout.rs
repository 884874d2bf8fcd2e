//! The screen as text: a pure function of what there is to show and how much room there is.

use super::guide;
use super::show::{self, Ink, paint, part_ink, verdict_ink};
use super::trace::Traces;
use crate::channel::Channel;
use crate::grade::verdict::PartVerdict;
use crate::judge::{Condition, Signal, Snapshot, TestRow};
use crate::session;
use crate::units::Shown;

/// What a view must know of a run besides the judge's picture.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Health {
    /// What runs, for the first line: the profile, and "simulated" if it is.
    pub title: String,
    /// Where the capture is.
    pub capture: String,
    /// Bytes of raw record written.
    pub bytes: u64,
    /// Records waiting to be written.
    pub queued: usize,
    /// What is wrong with the recording, if anything is.
    pub trouble: Option<String>,
    /// What may soon be.
    pub warning: Option<String>,
    /// Records that links had to drop, or that could not be written.
    pub lost: u64,
    /// The links in their order, each in words.
    pub links: Vec<(String, String)>,
    /// What is being typed, if the screen has the keyboard.
    pub typed: Option<String>,
}

impl Health {
    /// Of a session's health now.
    pub fn of(title: &str, capture: &str, health: &session::Health) -> Health {
        let link = |l: &session::LinkHealth| {
            let dropped = if l.dropped > 0 { format!("; {} dropped", show::count(l.dropped)) } else { String::new() };
            (format!("{}:{}", l.info.kind, l.info.name), format!("{}{dropped}", l.words))
        };
        Health {
            title: title.to_owned(),
            capture: capture.to_owned(),
            bytes: health.bytes,
            queued: health.queued,
            trouble: health.trouble.clone(),
            warning: health.warning.clone(),
            lost: health.dropped + health.unwritten,
            links: health.links.iter().map(link).collect(),
            typed: None,
        }
    }
}

/// How much room there is and how to fill it.
#[derive(Debug, Clone, Copy)]
pub struct Look {
    /// Columns of the terminal.
    pub width: usize,
    /// Rows of the terminal; the last is left to the cursor.
    pub height: usize,
    /// Units.
    pub units: Shown,
    /// Colours beside the words.
    pub colour: bool,
}

/// Width of the section names at the left.
const LABEL: usize = 9;
/// Width of a test's name and of its verdict.
const TEST: usize = 15;
const VERDICT: usize = 13;
/// Least width of a signal and of a condition.
const SIGNAL_CELL: usize = 35;
const CONDITION_CELL: usize = 54;

/// The rows of the screen: at most `height - 1`, none wider than `width`. The verdict rows stay whatever the room; live signals fold first, then events and conditions.
pub fn layout(snapshot: &Snapshot, health: &Health, traces: &Traces, look: Look) -> Vec<String> {
    let page = Page { snapshot, health, traces, look, room: look.width.saturating_sub(LABEL) };
    let mut left = look.height.saturating_sub(1);
    let waits = show::wrap(&page.waits(), page.room);
    let conditions = page.snapshot.conditions.len().div_ceil(page.columns(CONDITION_CELL));
    let signals = page.snapshot.signals.len().div_ceil(page.columns(SIGNAL_CELL));
    let events = page.snapshot.events.len();
    let links = page.health.links.len();

    // What must be there first, in this order; then what is left grows.
    let texts: Vec<_> = page.snapshot.tests.iter().map(|t| page.test(t)).collect();
    let tests = grant(&mut left, texts.len());
    let part = grant(&mut left, page.part().iter().count());
    let guide = page.guide();
    let guide_rows = grant(&mut left, guide.as_ref().map_or(0, GuideRows::len));
    let typing = health.typed.as_ref().is_some_and(|t| !t.is_empty() || guide.is_some());
    let mut note_rows = grant(&mut left, typing.into());
    let phase = grant(&mut left, 1);
    let record = grant(&mut left, 1);
    let mut link_rows = grant(&mut left, links.min(1));
    let mut event_rows = grant(&mut left, events.min(1));
    let title = grant(&mut left, 1);
    let mut condition_rows = grant(&mut left, conditions.min(2));
    let wait_rows = grant(&mut left, waits.len().min(1));
    let causes = grant(&mut left, page.causes().iter().count());
    link_rows += grant(&mut left, links.min(3) - link_rows);
    event_rows += grant(&mut left, events.min(3) - event_rows);
    condition_rows += grant(&mut left, conditions.min(4) - condition_rows);
    let mut signal_rows = grant(&mut left, signals.min(2));
    let timer = grant(&mut left, page.timer().iter().count());
    signal_rows += grant(&mut left, signals - signal_rows);
    condition_rows += grant(&mut left, conditions - condition_rows);
    let wait_rows = wait_rows + grant(&mut left, waits.len().min(2) - wait_rows);
    link_rows += grant(&mut left, links - link_rows);
    note_rows += grant(&mut left, usize::from(health.typed.is_some()) - note_rows);
    // The rest of the longer reasons, if all of them fit.
    let second = texts.iter().filter(|t| t.1.is_some()).count();
    let in_full = second <= left && grant(&mut left, second) == second;
    event_rows += grant(&mut left, events.min(12) - event_rows);

    let mut rows = vec![];
    rows.extend(page.title().into_iter().take(title));
    page.section("guide", guide.map_or_else(Vec::new, |g| g.fit(guide_rows)), &mut rows);
    rows.extend(page.record().into_iter().take(record));
    page.section("link", page.links(link_rows), &mut rows);
    let place = if snapshot.stroke.is_some() { "stroke" } else { "phase" };
    page.section(place, page.phase().into_iter().take(phase).collect(), &mut rows);
    page.section("", waits.into_iter().take(wait_rows).collect(), &mut rows);
    page.section("window", page.conditions(condition_rows), &mut rows);
    page.section("signals", page.signals(signal_rows), &mut rows);
    let texts = texts.into_iter().take(tests).flat_map(|(one, two)| match two {
        Some(two) if in_full => two.to_vec(),
        _ => vec![one],
    });
    page.section("tests", texts.collect(), &mut rows);
    page.section("causes", page.causes().into_iter().take(causes).collect(), &mut rows);
    page.section("timer", page.timer().into_iter().take(timer).collect(), &mut rows);
    page.section("part", page.part().into_iter().take(part).collect(), &mut rows);
    page.section("events", page.events(event_rows), &mut rows);
    page.section("note", page.note().into_iter().take(note_rows).collect(), &mut rows);
    // In a very narrow window the parts themselves do not fit.
    rows.into_iter().map(|row| show::clip(&row, look.width)).collect()
}

/// The rows of a guide's step.
struct GuideRows {
    head: String,
    text: Vec<String>,
    rest: Vec<String>,
}

impl GuideRows {
    fn len(&self) -> usize {
        1 + self.text.len() + self.rest.len()
    }

    /// In little room cautions and what is waited for stay longer than the words of the step.
    fn fit(mut self, rows: usize) -> Vec<String> {
        self.rest.truncate(rows.saturating_sub(1));
        self.text.truncate(rows.saturating_sub(1 + self.rest.len()));
        let all = std::iter::once(self.head).chain(self.text).chain(self.rest);
        all.take(rows).collect()
    }
}

/// As much of `left` as is wanted and there is.
fn grant(left: &mut usize, wanted: usize) -> usize {
    let given = wanted.min(*left);
    *left -= given;
    given
}

struct Page<'a> {
    snapshot: &'a Snapshot,
    health: &'a Health,
    traces: &'a Traces,
    look: Look,
    /// Columns right of the section names.
    room: usize,
}

impl Page<'_> {
    fn section(&self, name: &str, lines: Vec<String>, rows: &mut Vec<String>) {
        for (i, line) in lines.into_iter().enumerate() {
            let name = self.ink(Ink::Strong, &show::pad(if i == 0 { name } else { "" }, LABEL.min(self.look.width)));
            rows.push(format!("{name}{line}"));
        }
    }

    fn ink(&self, ink: Ink, text: &str) -> String {
        paint(ink, text, self.look.colour)
    }

    /// How many cells of at least this width stand side by side.
    fn columns(&self, cell: usize) -> usize {
        (self.room / cell).max(1)
    }

    fn title(&self) -> Option<String> {
        let now = show::clock(self.snapshot.now.secs());
        let title = format!("soakwatch  {now} recorded, {}", self.health.title);
        Some(self.ink(Ink::Strong, &show::fit(&title, self.look.width)))
    }

    fn record(&self) -> Option<String> {
        let (s, h) = (self.snapshot, self.health);
        let line = match &h.trouble {
            Some(trouble) => self.ink(Ink::Bad, &show::fit(&format!("NOT RECORDING: {trouble}"), self.room)),
            None => {
                let mut text = format!("{}, {}", show::counted(s.records, "record"), show::bytes(h.bytes));
                if s.gaps > 0 {
                    text += &format!(", {}", show::counted(s.gaps.into(), "gap"));
                }
                for (n, word) in [(h.lost, "lost"), (s.undecoded, "not understood")] {
                    if n > 0 {
                        text += &format!(", {} {word}", show::count(n));
                    }
                }
                // A healthy recorder writes within 0.2 s; a disk that fails is a trouble.
                if h.queued >= 1000 {
                    text += &format!(", {} waiting", show::count(h.queued as u64));
                }
                text += &match &h.warning {
                    Some(warning) => format!("; {warning}"),
                    None => format!(", in {}", h.capture),
                };
                let text = show::fit(&text, self.room);
                self.ink(if s.gaps > 0 || h.lost > 0 || h.warning.is_some() { Ink::Warn } else { Ink::Plain }, &text)
            }
        };
        let mut rows = vec![];
        self.section("record", vec![line], &mut rows);
        rows.pop()
    }

    fn links(&self, rows: usize) -> Vec<String> {
        let line = |(name, words): &(String, String)| show::fit(&format!("{name}: {words}"), self.room);
        let mut lines: Vec<String> = self.health.links.iter().take(rows).map(line).collect();
        let more = self.health.links.len() - lines.len();
        if let Some(last) = lines.last_mut().filter(|_| more > 0) {
            *last = format!("and {} more links", more + 1);
        }
        lines
    }

    fn guide(&self) -> Option<GuideRows> {
        let s = self.snapshot;
        let told = guide::told(s.guide.as_ref()?, s.now.secs(), self.look.units);
        let wrapped = |text: &str, ink| -> Vec<String> {
            show::wrap(text, self.room).iter().map(|line| self.ink(ink, line)).collect()
        };
        let mut rest: Vec<String> = told.caution.iter().flat_map(|c| wrapped(c, Ink::Warn)).collect();
        rest.extend(told.waits.iter().flat_map(|w| wrapped(w, Ink::Plain)));
        let head = self.ink(Ink::Strong, &show::fit(&told.head, self.room));
        Some(GuideRows { head, text: wrapped(&told.text, Ink::Plain), rest })
    }

    fn note(&self) -> Option<String> {
        let typed = self.health.typed.as_ref()?;
        if typed.is_empty() {
            let step = self.snapshot.guide.as_ref().and_then(|g| g.step.as_ref());
            let what = match step.map(|at| at.asks) {
                Some(true) => "Enter: this step is done. skip: go on without it. Other words: a note",
                Some(false) => "goes on by itself. skip: go on without it. Other words: a note",
                None => "type a note and press Enter: it is kept in the record",
            };
            return Some(self.ink(Ink::Dim, &show::fit(what, self.room)));
        }
        // The end of a long note is where the typing goes on.
        let room = self.room.saturating_sub(3);
        let clean = show::clean(typed);
        let mut end = clean.as_str();
        while show::width(end) > room {
            end = end.char_indices().nth(1).map_or("", |(i, _)| &end[i..]);
        }
        Some(format!("> {end}_"))
    }

    fn phase(&self) -> Option<String> {
        let s = self.snapshot;
        if let Some(stroke) = &s.stroke {
            return Some(self.ink(Ink::Strong, &show::fit(&show::words(stroke, self.look.units), self.room)));
        }
        let name = show::fit(show::phase(s.phase), self.room);
        let rest = format!(" for {}", show::span(s.now.since(s.phase_since)));
        let rest = show::fit(&rest, self.room.saturating_sub(show::width(&name)));
        Some(format!("{}{rest}", self.ink(Ink::Strong, &name)))
    }

    fn waits(&self) -> String {
        match self.snapshot.waits_for.as_str() {
            "" => String::new(),
            what => format!("waits for {}", show::words(what, self.look.units)),
        }
    }

    fn conditions(&self, rows: usize) -> Vec<String> {
        let mut order: Vec<&Condition> = self.snapshot.conditions.iter().collect();
        // What is out of its window is told first.
        order.sort_by_key(|c| c.met.map_or(1, |met| if met { 2 } else { 0 }));
        self.cells(&order, rows, CONDITION_CELL, "conditions", |c, width| {
            let (word, ink) = match c.met {
                Some(true) => ("in", Ink::Good),
                Some(false) => ("out", Ink::Bad),
                None => ("unknown", Ink::Warn),
            };
            let mut text = show::words(&c.text, self.look.units);
            if let Some((channel, v)) = c.value {
                text += &format!(": now {}", show::value(channel, v, self.look.units));
            }
            format!("{}{}", self.ink(ink, &show::pad(word, 8)), show::pad(&text, width.saturating_sub(9)) + " ")
        })
    }

    fn signals(&self, rows: usize) -> Vec<String> {
        let mut order: Vec<&Signal> = self.snapshot.signals.iter().collect();
        let engine = self.snapshot.phase.engine_on();
        let rank = |c: Channel| IMPORTANCE.iter().position(|i| *i == c).unwrap_or(IMPORTANCE.len());
        order.sort_by_key(|s| {
            (s.stale, engine != WITH_ENGINE.contains(&s.channel) && rank(s.channel) > 3, rank(s.channel))
        });
        self.cells(&order, rows, SIGNAL_CELL, "signals", |s, width| {
            let value = show::value(s.channel, s.value, self.look.units);
            let blanks = " ".repeat(11usize.saturating_sub(show::width(&value)));
            let text = format!("{}{blanks}{value} ", show::pad(show::channel(s.channel), 16));
            let text = show::fit(&text, width);
            let left = width.saturating_sub(show::width(&text) + 1);
            let (tail, ink) = match s.stale {
                true => (show::pad("(old)", left), Ink::Warn),
                false => (show::pad(&self.traces.draw(s.channel, left), left), Ink::Plain),
            };
            format!("{text}{} ", self.ink(ink, &tail))
        })
    }

    /// Lays cells side by side; what does not fit is counted in the last cell.
    fn cells<T>(
        &self,
        items: &[&T],
        rows: usize,
        least: usize,
        word: &str,
        draw: impl Fn(&T, usize) -> String,
    ) -> Vec<String> {
        let columns = self.columns(least);
        let width = self.room / columns;
        let places = rows * columns;
        let mut cells: Vec<String> = items.iter().take(places).map(|item| draw(item, width)).collect();
        if items.len() > places && places > 0 {
            cells.pop();
            let more = format!("and {} more {word}", items.len() - places + 1);
            cells.push(self.ink(Ink::Dim, &show::fit(&more, width)));
        }
        cells.chunks(columns).map(|row| row.concat().trim_end().to_owned()).collect()
    }

    /// The row of a test, and where that is too short for the text, two rows that say more.
    fn test(&self, t: &TestRow) -> (String, Option<[String; 2]>) {
        let name = show::pad(show::test(t.test), TEST.min(self.room));
        let left = self.room.saturating_sub(TEST);
        let verdict = show::pad(show::verdict(t.verdict), VERDICT.min(left));
        let left = left.saturating_sub(VERDICT);
        let verdict = self.ink(verdict_ink(t.verdict), &verdict);
        let text = match &t.running {
            // A test that is decided and only watched to its end has a reason worth more than a full bar.
            Some((done, what)) if *done < 1.0 || t.text.is_empty() => {
                let done = if done.is_finite() { done.clamp(0.0, 1.0) } else { 0.0 };
                let full = (done * 8.0).round() as usize;
                let bar = format!("[{}{}]", "=".repeat(full), " ".repeat(8 - full));
                format!("{bar} {:3.0} % {what}", done * 100.0)
            }
            _ => t.text.clone(),
        };
        let text = show::words(&text, self.look.units);
        let in_one = format!("{name}{verdict}{}", show::fit(&text, left));
        if show::width(&text) <= left || left < 24 {
            return (in_one, None);
        }
        let lines = show::wrap(&text, left);
        let first = format!("{name}{verdict}{}", lines[0]);
        let rest = show::fit(&lines[1..].join(" "), left);
        (in_one, Some([first, format!("{:1$}{rest}", "", TEST + VERDICT)]))
    }

    /// What a controller's timer rule would have decided of the leak tests that ran.
    fn timer(&self) -> Option<String> {
        let said = |t: &TestRow| Some(format!("{} {}", show::test(t.test), t.timer_rule.as_ref()?));
        let said: Vec<String> = self.snapshot.tests.iter().filter_map(said).collect();
        (!said.is_empty()).then(|| show::fit(&format!("by a timer rule alone: {}", said.join(", ")), self.room))
    }

    /// What may be wrong, once a test has moved it.
    fn causes(&self) -> Option<String> {
        super::causes::line(self.snapshot.causes.as_ref()?, self.room).map(|text| show::fit(&text, self.room))
    }

    /// The verdict on the part on the tray.
    fn part(&self) -> Option<String> {
        let part = self.snapshot.part.as_ref()?;
        let word = show::pad(show::part(part.verdict), (TEST + VERDICT).min(self.room));
        let why = if part.verdict == PartVerdict::Repeat { Some(&part.next) } else { part.reasons.first() };
        let why = show::words(why.map_or("", String::as_str), self.look.units);
        let why = show::fit(&why, self.room.saturating_sub(show::width(&word)));
        Some(format!("{}{why}", self.ink(part_ink(part.verdict), &word)))
    }

    fn events(&self, rows: usize) -> Vec<String> {
        let events = &self.snapshot.events;
        let last = &events[events.len().saturating_sub(rows)..];
        let line = |(at, text): &(crate::time::Stamp, String)| {
            let text = show::words(text, self.look.units);
            show::fit(&format!("{} {text}", show::clock(at.secs())), self.room)
        };
        last.iter().map(line).collect()
    }
}

/// Which signals stay when there is little room.
const IMPORTANCE: [Channel; Channel::COUNT] = [
    Channel::TankPressurePa,
    Channel::LeakSwitch,
    Channel::VentSolenoid,
    Channel::SwitchSenseV,
    Channel::AmbientC,
    Channel::TankSkinC,
    Channel::FuelLevelPct,
    Channel::BatteryV,
    Channel::EngineRpm,
    Channel::PurgeDutyPct,
    Channel::ManifoldKpa,
    Channel::BaroKpa,
    Channel::SolenoidA,
    Channel::GroundV,
    Channel::CoolantC,
    Channel::Key,
    Channel::SolenoidPeakA,
    Channel::SolenoidDutyPct,
    Channel::FuelTempC,
    Channel::VehicleSpeedKph,
    Channel::IntakeAirC,
    Channel::FuelTrimShortPct,
    Channel::FuelTrimLongPct,
];

/// Those that tell most while the engine runs; the others tell most while it does not. The first four of
/// [`IMPORTANCE`] always stay.
const WITH_ENGINE: [Channel; 6] = [
    Channel::EngineRpm,
    Channel::PurgeDutyPct,
    Channel::ManifoldKpa,
    Channel::CoolantC,
    Channel::FuelTrimShortPct,
    Channel::FuelTrimLongPct,
];

#[cfg(test)]
mod tests {
    use super::super::trace::tests::snapshot;
    use super::*;
    use crate::time::Stamp;
    use crate::trade::{Subject, Test, Verdict};

    const LONG: &str = "the switch did not close although the tank cooled by 6.4 K, enough for a hole of 0.21 mm to \
                        have closed it, and the barometer stood still within 12 Pa through the whole of the night";

    fn full(links: usize) -> (Snapshot, Health, Traces) {
        let mut traces = Traces::default();
        let values: Vec<_> = Channel::ALL.iter().map(|c| (*c, c.plausible().0)).collect();
        for t in 0..100 {
            let moved: Vec<_> = values.iter().map(|(c, v)| (*c, v + (t % 7) as f64)).collect();
            traces.take(&snapshot(t as f64, &moved));
        }
        let mut s = snapshot(86_399.0 * 3.0, &values);
        s.waits_for = LONG.to_owned();
        s.conditions = (0..9)
            .map(|i| Condition {
                text: format!("condition {i}: {LONG}"),
                value: Some((Channel::FuelLevelPct, 50.0)),
                met: [Some(true), Some(false), None][i % 3],
            })
            .collect();
        s.tests = Test::of(Subject::Vehicle)
            .iter()
            .enumerate()
            .map(|(i, t)| TestRow {
                test: *t,
                running: (i % 3 == 0).then(|| (f64::NAN, LONG.to_owned())),
                verdict: [Verdict::Pass, Verdict::Fail, Verdict::Inconclusive, Verdict::NotRun][i % 4],
                text: LONG.to_owned(),
                timer_rule: (i == 3).then(|| "small leak".to_owned()),
            })
            .collect();
        s.events = (0..32).map(|i| (Stamp::from_secs(i as f64), format!("event {i}: {LONG}"))).collect();
        let port = "bench:/dev/serial/by-id/a-very-long-name-of-a-port-on-a-hub-behind-another-hub";
        let health = Health {
            title: LONG.into(),
            capture: format!("captures/{LONG}"),
            bytes: 1,
            lost: 5,
            links: vec![(port.into(), LONG.into()); links],
            ..Health::default()
        };
        (s, health, traces)
    }

    fn draw(links: usize, width: usize, height: usize, colour: bool) -> Vec<String> {
        let (s, h, t) = full(links);
        layout(&s, &h, &t, Look { width, height, units: Shown::Inch, colour })
    }

    fn holds_all_tests(rows: &[String]) -> bool {
        Test::of(Subject::Vehicle).iter().all(|t| rows.iter().any(|r| r.contains(show::test(*t))))
    }

    #[test]
    fn a_full_screen_fits_80_by_24() {
        for links in [1, 3, 6] {
            for colour in [false, true] {
                let rows = draw(links, 80, 24, colour);
                let text = rows.join("\n");
                assert!(rows.len() <= 23, "{} rows\n{text}", rows.len());
                assert!(rows.iter().all(|r| show::width(r) <= 80), "{text}");
                assert!(holds_all_tests(&rows), "{text}");
                for part in ["phase", "waits for", "record", "tank pressure", "more signals", "event 31", "out "] {
                    assert!(text.contains(part), "{part:?} is not in\n{text}");
                }
            }
        }
    }

    #[test]
    fn a_wide_screen_uses_its_width() {
        let rows = draw(2, 120, 40, false);
        let text = rows.join("\n");
        assert!(rows.len() <= 39 && rows.iter().all(|r| show::width(r) <= 120), "{text}");
        assert!(rows.iter().any(|r| show::width(r) > 110), "{text}");
        for c in Channel::ALL {
            assert!(text.contains(show::channel(*c)), "{c} is not in\n{text}");
        }
        assert!(holds_all_tests(&rows) && text.contains("condition 8"), "{text}");
    }

    #[test]
    fn verdict_rows_stay_in_the_smallest_window() {
        for (width, height) in [(80, 10), (80, 8), (40, 12), (20, 9), (9, 9), (1, 3)] {
            let rows = draw(3, width, height, false);
            assert!(rows.len() < height.max(1) && rows.iter().all(|r| show::width(r) <= width), "{width}×{height}");
            assert!(height < 8 || width < 30 || holds_all_tests(&rows), "{width}×{height}: {rows:#?}");
        }
    }

    #[test]
    fn the_longest_step_of_a_guide_stands_whole_beside_all_verdicts() {
        let (mut s, mut h, t) = full(3);
        let words = |n: usize, last: &str| format!("{}{last}", "word ".repeat(n / 5 - 2));
        let at = crate::guide::At {
            number: 9,
            title: "A title".into(),
            text: words(280, "text-end"),
            caution: Some(words(140, "danger")),
            waits_for: "fuel level from 15 to 85 % (now 91.0 %)".into(),
            asks: false,
            since: Stamp::ZERO,
            late: Some(words(140, "late-end")),
        };
        let job = crate::trade::Job::Soak;
        s.guide = Some(crate::guide::Standing { job, steps: 12, skipped: 1, heard: 0, step: Some(at) });
        h.typed = Some(format!("{} typed-end", "long ".repeat(40)));
        for (width, height) in [(80, 24), (120, 40)] {
            let rows = layout(&s, &h, &t, Look { width, height, units: Shown::Si, colour: false });
            let text = rows.join("\n");
            assert!(rows.len() < height && rows.iter().all(|r| show::width(r) <= width), "{text}");
            assert!(holds_all_tests(&rows), "{text}");
            for part in ["soak, step 9 of 12: A title", "text-end", "CAUTION", "danger", "now 91.0 %", "late-end"] {
                assert!(text.contains(part), "{part:?} is not in\n{text}");
            }
            assert!(rows.last().unwrap().ends_with("typed-end_"), "{text}");
        }
        // In less room the step's words go first.
        let rows = layout(&s, &h, &t, Look { width: 80, height: 16, units: Shown::Si, colour: false });
        let text = rows.join("\n");
        assert!(holds_all_tests(&rows) && text.contains("danger") && text.contains("step 9 of 12"), "{text}");
    }

    #[test]
    fn a_fault_of_the_record_is_shouted_in_words() {
        let (s, mut h, t) = full(1);
        h.trouble = Some("the disk is full".into());
        let rows = layout(&s, &h, &t, Look { width: 80, height: 24, units: Shown::Si, colour: false });
        assert!(rows.iter().any(|r| r.contains("NOT RECORDING: the disk is full")));
    }
}
