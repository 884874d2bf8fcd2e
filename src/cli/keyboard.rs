//! What a person types into a live run: notes, and answers to the guide.
//!
//! With a screen, keys are taken as they come and are shown by the screen itself; without one, lines are taken as the
//! terminal or a pipe gives them. Lines of a pipe are taken in a guided run alone: a script that starts an unguided run
//! in a loop must not lose its own input to it.

use crate::guide::{self, Standing};
use crate::timeline::KNOWN_LEAK;
use crate::view::console::Quiet;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::process::getpgrp;
use rustix::termios::tcgetpgrp;
use std::collections::VecDeque;
use std::io::{self, IsTerminal};
use std::time::{Duration, Instant};

/// Longer notes are cut.
const LONGEST: usize = 500;
/// An answer that is not heard in this time was lost with the recorder.
const UNHEARD: Duration = Duration::from_secs(3);

/// The keyboard, or what stands in for it.
pub struct Keyboard {
    /// Keys one by one; restores the terminal when dropped.
    keys: Option<Quiet>,
    terminal: bool,
    open: bool,
    line: Line,
    /// Lines not yet taken.
    lines: VecDeque<String>,
    /// An answer on its way: the count of answers heard when it was given, and when.
    sent: Option<(u64, Instant)>,
}

/// A note to write into the record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// Its kind.
    pub kind: &'static str,
    /// Its text.
    pub text: String,
}

impl Keyboard {
    /// `screen`: something draws what is typed.
    pub fn open(screen: bool, guided: bool) -> Keyboard {
        let terminal = io::stdin().is_terminal();
        let keys = if screen && terminal && in_front() { Quiet::keys() } else { None };
        let open = if screen { keys.is_some() } else { terminal || guided };
        Keyboard { keys, terminal, open, line: Line::default(), lines: VecDeque::new(), sent: None }
    }

    /// What is being typed, where the screen must show it.
    pub fn typed(&self) -> Option<&str> {
        self.keys.as_ref().filter(|_| self.open).map(|_| self.line.text.as_str())
    }

    /// Waits for keys, but not longer than this.
    pub fn wait(&mut self, at_most: Duration) {
        let begun = Instant::now();
        let listens = self.open && (!self.terminal || in_front());
        if listens {
            self.read(at_most);
        }
        // Keys are drawn at once; all else keeps its pace.
        if !listens || self.keys.is_none() || !self.open {
            std::thread::sleep(at_most.saturating_sub(begun.elapsed()));
        }
    }

    fn read(&mut self, at_most: Duration) {
        let input = io::stdin();
        let patience = Timespec { tv_sec: 0, tv_nsec: i64::from(at_most.subsec_nanos()) };
        let mut ready = [PollFd::new(&input, PollFlags::IN)];
        match poll(&mut ready, Some(&patience)) {
            Ok(0) | Err(_) => return,
            Ok(_) => {}
        }
        let mut buffer = [0; 4096];
        match rustix::io::read(&input, &mut buffer) {
            Ok(0) => {
                self.open = false;
                // A last line without its end.
                let rest = self.line.end();
                self.lines.extend(Some(rest).filter(|l| !l.is_empty()));
            }
            Ok(n) => {
                for byte in &buffer[..n] {
                    self.lines.extend(self.line.byte(*byte, self.keys.is_some()));
                }
            }
            Err(rustix::io::Errno::INTR | rustix::io::Errno::AGAIN) => {}
            Err(_) => self.open = false,
        }
    }

    /// The next note that was typed, if the guide is ready for it.
    pub fn note(&mut self, guide: Option<&Standing>) -> Option<Note> {
        if let (Some((heard, at)), Some(guide)) = (self.sent, guide) {
            let on_its_way = guide.heard == heard && at.elapsed() < UNHEARD;
            if on_its_way && !self.terminal {
                // The next line of a script answers the next step.
                return None;
            }
            if !on_its_way {
                self.sent = None;
            }
        }
        loop {
            let line = self.lines.pop_front()?;
            let Some(note) = meant(&line, guide) else { continue };
            if note.kind == guide::ANSWER {
                // A key that was hit twice must not answer a step that nobody has read.
                if self.sent.is_some() {
                    continue;
                }
                self.sent = guide.map(|g| (g.heard, Instant::now()));
            }
            return Some(note);
        }
    }
}

/// What a line means: an answer to the step the guide is at, or a note.
fn meant(line: &str, guide: Option<&Standing>) -> Option<Note> {
    let line = line.trim();
    let step = guide.and_then(|g| g.step.as_ref());
    match (line, step) {
        ("", Some(at)) => return Some(Note { kind: guide::ANSWER, text: guide::done(at.number) }),
        ("skip", Some(at)) => return Some(Note { kind: guide::ANSWER, text: guide::skip(at.number) }),
        ("", None) => return None,
        _ => {}
    }
    for (word, kind) in [("rig", "rig"), ("repair", "repair"), ("known leak", KNOWN_LEAK)] {
        let rest = line.strip_prefix(word).and_then(|r| r.trim_start().strip_prefix(':')).map(str::trim);
        if let Some(text) = rest.filter(|t| !t.is_empty()) {
            return Some(Note { kind, text: text.to_owned() });
        }
    }
    Some(Note { kind: "note", text: line.to_owned() })
}

/// A job in the background that reads the terminal is stopped by the system, and would record no more.
fn in_front() -> bool {
    // Of a terminal that does not control this job there is nothing to tell, and nothing to fear.
    tcgetpgrp(io::stdin()).map_or(true, |group| group == getpgrp())
}

/// A line as it is typed.
#[derive(Debug, Default)]
struct Line {
    text: String,
    /// Bytes of a character that has not come whole.
    part: Vec<u8>,
    escape: Escape,
}

/// Where in an escape sequence (an arrow key, say) the keys are.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
enum Escape {
    #[default]
    None,
    Begun,
    Inside,
}

impl Line {
    /// The next byte; a line when it ends. `keys`: edited here, not by the terminal.
    fn byte(&mut self, byte: u8, keys: bool) -> Option<String> {
        self.escape = match (self.escape, byte) {
            (Escape::None, 0x1b) => Escape::Begun,
            (Escape::Begun, b'[' | b'O') => Escape::Inside,
            (Escape::Inside, 0x20..0x40) => Escape::Inside,
            (Escape::None, _) => Escape::None,
            // Its last byte, or no sequence at all.
            (Escape::Begun | Escape::Inside, _) => {
                self.escape = Escape::None;
                if !matches!(byte, b'\r' | b'\n') {
                    return None;
                }
                Escape::None
            }
        };
        if self.escape != Escape::None {
            return None;
        }
        match byte {
            b'\r' if keys => return Some(self.end()),
            b'\n' => return Some(self.end()),
            0x7f | 0x08 if keys => drop(self.text.pop()),
            // Ctrl-U.
            0x15 if keys => self.text.clear(),
            b'\t' => self.push(b' '),
            0x00..0x20 | 0x7f => {}
            _ => self.push(byte),
        }
        None
    }

    fn push(&mut self, byte: u8) {
        if byte.is_ascii() {
            // What came before it will never be whole.
            self.part.clear();
        }
        self.part.push(byte);
        match std::str::from_utf8(&self.part) {
            Ok(text) => {
                if self.text.chars().count() < LONGEST {
                    self.text.push_str(text);
                }
                self.part.clear();
            }
            // Half a character; what can never be one is left out.
            Err(e) if e.error_len().is_none() => {}
            Err(_) => self.part.clear(),
        }
    }

    fn end(&mut self) -> String {
        self.part.clear();
        std::mem::take(&mut self.text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::guide::At;
    use crate::time::Stamp;
    use crate::trade::Job;

    fn typed(bytes: &[u8], keys: bool) -> Vec<String> {
        let mut line = Line::default();
        bytes.iter().filter_map(|b| line.byte(*b, keys)).collect()
    }

    #[test]
    fn keys_make_lines() {
        assert_eq!(typed("cap äöü on\r\n".as_bytes(), true), ["cap äöü on", ""]);
        assert_eq!(typed(b"capx\x7f on\n\n", true), ["cap on", ""]);
        assert_eq!(typed(b"wrong\x15right\n", true), ["right"]);
        assert_eq!(typed("grü\x7f\x7f\u{20ac}\n".as_bytes(), true), ["g\u{20ac}"]);
        // Arrow keys, a function key, a lone escape before Enter, control keys, bytes that are no text.
        assert_eq!(typed(b"\x1b[A\x1b[15~\x1bOPok\x1b\n\x01\x04\xff\xc3ok\n", true), ["ok", "ok"]);
        assert_eq!(typed(b"a line\r\nand another\n", false), ["a line", "and another"]);
        assert_eq!(typed(&[&[b'x'; 900][..], b"\n"].concat(), true)[0].len(), LONGEST);
    }

    fn standing(number: usize, heard: u64) -> Standing {
        let at = At {
            number,
            title: "t".into(),
            text: String::new(),
            caution: None,
            waits_for: String::new(),
            asks: true,
            since: Stamp::ZERO,
            late: None,
        };
        Standing { job: Job::Soak, steps: 9, skipped: 0, heard, step: Some(at) }
    }

    #[test]
    fn what_is_typed_becomes_notes_of_its_kind() {
        let at = standing(3, 0);
        let note = |line: &str| meant(line, Some(&at)).map(|n| (n.kind, n.text));
        let is = |kind, text: &str| Some((kind, text.to_owned()));
        assert_eq!(note(""), is("step", "done 3"));
        assert_eq!(note(" skip "), is("step", "skip 3"));
        assert_eq!(note("rig: orifice 0.5 mm"), is("rig", "orifice 0.5 mm"));
        assert_eq!(note("repair: new cap seal"), is("repair", "new cap seal"));
        assert_eq!(note("rig:"), is("note", "rig:"));
        assert_eq!(note("rigged it up"), is("note", "rigged it up"));
        assert_eq!(meant("", None), None);
        assert_eq!(meant("skip", None), Some(Note { kind: "note", text: "skip".into() }));
    }

    #[test]
    fn an_answer_never_reaches_a_step_that_was_not_shown() {
        let mut keys = Keyboard {
            keys: None,
            terminal: true,
            open: false,
            line: Line::default(),
            lines: ["", "", "a note", ""].map(str::to_owned).into(),
            sent: None,
        };
        let next = |k: &mut Keyboard, s: &Standing| k.note(Some(s)).map(|n| n.text);
        assert_eq!(next(&mut keys, &standing(1, 0)).as_deref(), Some("done 1"));
        // The second Enter came before the first was heard; the note in between is none the worse for it.
        assert_eq!(next(&mut keys, &standing(1, 0)).as_deref(), Some("a note"));
        assert_eq!(next(&mut keys, &standing(2, 1)).as_deref(), Some("done 2"));
        // A script's lines wait instead.
        keys.terminal = false;
        keys.lines = ["skip", ""].map(str::to_owned).into();
        keys.sent = None;
        assert_eq!(next(&mut keys, &standing(2, 1)).as_deref(), Some("skip 2"));
        assert_eq!(next(&mut keys, &standing(2, 1)), None);
        assert_eq!(next(&mut keys, &standing(3, 2)).as_deref(), Some("done 3"));
    }
}
