//! The peer, kept running so that starting Python and loading its libraries is not counted.

use std::io::{BufRead, BufReader, Lines, Write};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};

/// A script of `tests/benches/` that answers a word a line: a kind of work by the processor time it took, `tell` by
/// what it found.
pub struct Peer {
    child: Child,
    said: Lines<BufReader<ChildStdout>>,
}

impl Peer {
    pub fn start(script: &str, given: &[&Path]) -> Peer {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/benches").join(script);
        let mut child = Command::new("python3")
            .arg(script)
            .args(given)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 is needed for the comparison");
        let said = BufReader::new(child.stdout.take().unwrap()).lines();
        Peer { child, said }
    }

    fn ask(&mut self, what: &str) -> String {
        writeln!(self.child.stdin.as_mut().unwrap(), "{what}").unwrap();
        self.said.next().expect("the peer ended early: see what it said; it needs requirements.txt").unwrap()
    }

    /// Seconds of one turn from this input, by Python's own clock of its processor time.
    pub fn turn(&mut self, input: &str) -> f64 {
        self.ask(input).parse().unwrap()
    }

    pub fn end(mut self) -> serde_json::Value {
        let found = serde_json::from_str(&self.ask("tell")).unwrap();
        drop(self.child.stdin.take());
        assert!(self.child.wait().unwrap().success());
        found
    }
}
