//! The live view: a screen that is redrawn in place on a terminal, else one plain line an event.

use super::layout::{Health, Look, layout};
use super::show::{self, colour_wanted};
use super::trace::Traces;
use super::{Error, guide};
use crate::judge::Snapshot;
use crate::trade::{Test, Verdict};
use crate::units::Shown;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use rustix::termios::{LocalModes, OptionalActions, SpecialCodeIndex, Termios, tcgetattr, tcsetattr};
use std::collections::BTreeMap;
use std::io::{self, IsTerminal, Write};

/// How often the screen may be drawn: enough for the eye, little for a slow SSH line.
const DRAWS_PER_S: u8 = 5;

/// Columns and rows of the terminal on stdout; none if there is none.
pub fn terminal() -> Option<(usize, usize)> {
    let out = io::stdout();
    if !out.is_terminal() {
        return None;
    }
    // A terminal that does not know its size (a bare serial console) is taken for the usual smallest one.
    let size = rustix::termios::tcgetwinsize(&out).ok().filter(|s| s.ws_col > 0 && s.ws_row > 0);
    Some(size.map_or((80, 24), |s| (s.ws_col.into(), s.ws_row.into())))
}

/// The live view.
pub enum Console {
    /// Redrawn in place.
    Screen {
        /// Draws and redraws.
        bar: ProgressBar,
        /// Keeps the terminal from writing over it.
        quiet: Option<Quiet>,
        /// Kept for the short traces.
        traces: Traces,
        /// Units.
        units: Shown,
    },
    /// One line an event.
    Plain {
        /// What was told already.
        told: Told,
        /// Units.
        units: Shown,
    },
}

impl Console {
    /// A screen if stdout is a terminal and `plain` is not asked for.
    pub fn open(units: Shown, plain: bool) -> Console {
        if plain || terminal().is_none() {
            return Console::Plain { told: Told::default(), units };
        }
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stdout_with_hz(DRAWS_PER_S));
        // The template is ours and sound; the fallback shows the same message beside a counter.
        bar.set_style(ProgressStyle::with_template("{msg}").unwrap_or_else(|_| ProgressStyle::default_spinner()));
        Console::Screen { bar, quiet: Quiet::keep(), traces: Traces::default(), units }
    }

    /// Shows the picture. Pictures may be missed; what the record says is not lost by it.
    pub fn show(&mut self, snapshot: &Snapshot, health: &Health) -> Result<(), Error> {
        match self {
            Console::Screen { bar, traces, units, .. } => {
                traces.take(snapshot);
                let (width, height) = terminal().unwrap_or((80, 24));
                let look = Look { width, height, units: *units, colour: colour_wanted(true) };
                bar.set_message(layout(snapshot, health, traces, look).join("\n"));
                Ok(())
            }
            Console::Plain { told, units } => {
                let mut out = io::stdout().lock();
                let lines = told.lines(snapshot, health, *units);
                let put = |line: &String| writeln!(out, "{line}");
                lines.iter().try_for_each(put).map_err(Error::write("standard output"))
            }
        }
    }

    /// It is redrawn in place, and shows what is typed.
    pub fn is_screen(&self) -> bool {
        matches!(self, Console::Screen { .. })
    }

    /// Takes the screen away, so that the summary has the room.
    pub fn close(self) {
        if let Console::Screen { bar, quiet, .. } = self {
            bar.finish_and_clear();
            drop(quiet);
        }
    }
}

/// While it lives the terminal writes no "^C" for Ctrl-C: behind a full last row that would push the screen up.
pub struct Quiet(Termios);

impl Quiet {
    fn keep() -> Option<Quiet> {
        Quiet::without(LocalModes::ECHOCTL, OptionalActions::Now)
    }

    /// Keys come one by one and are not written by the terminal either; what was typed before is thrown away, since
    /// nobody could see it. Ctrl-C stays a signal.
    pub fn keys() -> Option<Quiet> {
        Quiet::without(LocalModes::ECHOCTL | LocalModes::ECHO | LocalModes::ICANON, OptionalActions::Flush)
    }

    fn without(modes: LocalModes, when: OptionalActions) -> Option<Quiet> {
        let input = io::stdin();
        let before = tcgetattr(&input).ok()?;
        let mut quiet = before.clone();
        quiet.local_modes.remove(modes);
        quiet.special_codes[SpecialCodeIndex::VMIN] = 1;
        quiet.special_codes[SpecialCodeIndex::VTIME] = 0;
        tcsetattr(&input, when, &quiet).ok()?;
        Some(Quiet(before))
    }
}

impl Drop for Quiet {
    fn drop(&mut self) {
        // A terminal that went away needs no restoring.
        let _ = tcsetattr(io::stdin(), OptionalActions::Now, &self.0);
    }
}

/// What the plain view has told already.
#[derive(Debug, Default)]
pub struct Told {
    events: u64,
    verdicts: BTreeMap<Test, Verdict>,
    trouble: Option<String>,
    warned: bool,
    step: Option<usize>,
}

impl Told {
    /// The lines for what is new in this picture: time since the start, then words.
    pub fn lines(&mut self, s: &Snapshot, health: &Health, units: Shown) -> Vec<String> {
        let mut out = vec![];
        let mut line = |at: f64, text: &str| {
            out.push(format!("{} {}", show::clock(at), show::clean(&show::words(text, units))));
        };
        let new = s.events_total.saturating_sub(self.events);
        let kept = s.events.len() as u64;
        if new > kept {
            line(s.now.secs(), &format!("{} events passed too fast to be shown; all are recorded", new - kept));
        }
        for (at, text) in &s.events[(kept - new.min(kept)) as usize..] {
            line(at.secs(), text);
        }
        self.events = s.events_total;
        // Steps that ended at once are among the events.
        let step = s.guide.as_ref().and_then(|g| g.step.as_ref()).map(|at| at.number);
        if let Some(guide) = s.guide.as_ref().filter(|_| step.is_some() && step != self.step) {
            line(s.now.secs(), &guide::line(guide, units));
        }
        self.step = step;
        for t in &s.tests {
            let before = self.verdicts.insert(t.test, t.verdict).unwrap_or(Verdict::NotRun);
            // The judge's own events tell a pass and a fail.
            if before != t.verdict && matches!(t.verdict, Verdict::Inconclusive | Verdict::NotRun) {
                line(s.now.secs(), &format!("{}: {}; {}", show::test(t.test), show::verdict(t.verdict), t.text));
            }
        }
        if let Some(warning) = health.warning.as_ref().filter(|_| !self.warned) {
            self.warned = true;
            line(s.now.secs(), warning);
        }
        if self.trouble != health.trouble {
            self.trouble.clone_from(&health.trouble);
            line(
                s.now.secs(),
                &health.trouble.as_ref().map_or("recording again".into(), |t| format!("NOT RECORDING: {t}")),
            );
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::super::trace::tests::snapshot;
    use super::*;
    use crate::judge::TestRow;
    use crate::time::Stamp;

    #[test]
    fn every_event_is_one_line_and_told_once() {
        let mut told = Told::default();
        let mut s = snapshot(61.0, &[]);
        let health = Health::default();
        s.events = vec![(Stamp::from_secs(60.5), "vacuum of 249.0889 Pa".into())];
        s.events_total = 1;
        let row = |verdict| TestRow {
            test: Test::KeyOffSoak,
            running: None,
            verdict,
            text: "closed".into(),
            timer_rule: None,
        };
        s.tests = vec![row(Verdict::NotRun)];
        let lines = told.lines(&s, &health, Shown::Inch);
        assert_eq!(lines, ["00:01:00 vacuum of 1.00 inH2O"]);
        assert!(told.lines(&s, &health, Shown::Si).is_empty());
        s.tests = vec![row(Verdict::Inconclusive)];
        assert_eq!(told.lines(&s, &health, Shown::Si), ["00:01:01 key-off soak: inconclusive; closed"]);
        s.events_total = 5;
        let lines = told.lines(&s, &health, Shown::Si);
        assert_eq!(lines.len(), 2, "three are gone and said to be: {lines:?}");
        assert!(lines[0].contains("3 events passed too fast"));
    }
}
