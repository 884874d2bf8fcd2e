//! Bad input: every way to fail has a row, and each row a sentence.
//!
//! `rows!` maps each variant of an error enum to the name of its row without a wildcard: a variant without a row does
//! not compile. The tests reach every row with real bad input, through the public face or the program itself, and hold
//! the exact sentence.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fmt::Display;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// The names of the rows of an enum, and the row of each variant.
macro_rules! rows {
    ($all:ident, $row:ident, $error:ty { $($variant:pat => $name:literal),* $(,)? }) => {
        const $all: &[&str] = &[$($name),*];
        fn $row(error: &$error) -> &'static str {
            match error { $($variant => $name),* }
        }
    };
}

mod calls;
mod errors;
mod mutate;
mod notices;
mod plans;

/// Each error falls in the row it stands in and has its sentence, and every row is reached. `reached` names rows whose
/// errors only the program can show.
fn hold<E: Display>(all: &[&str], row: fn(&E) -> &'static str, reached: &[&str], cases: Vec<(&str, E, String)>) {
    let mut seen: BTreeSet<&str> = reached.iter().copied().collect();
    for (name, error, sentence) in cases {
        assert_eq!(error.to_string(), sentence, "row {name}");
        assert_eq!(row(&error), name, "{error}");
        seen.insert(name);
    }
    assert_eq!(seen, all.iter().copied().collect(), "rows that nothing reaches, or that are no rows");
}

/// The program, in a folder.
fn soakwatch(dir: &Path, args: &[impl AsRef<OsStr>]) -> Output {
    program(dir, args).output().unwrap()
}

fn program(dir: &Path, args: &[impl AsRef<OsStr>]) -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_soakwatch"));
    program.args(args).current_dir(dir).stdin(Stdio::null());
    program
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// It ended by itself with one of its own codes, and a 2 was explained.
fn ended_well(output: &Output) -> Result<i32, String> {
    let told = err(output);
    match output.status.code() {
        Some(code @ 0..=3) if !told.contains("panicked") && (code != 2 || !told.trim().is_empty()) => Ok(code),
        code => Err(format!("code {code:?}, stderr: {told:?}")),
    }
}

/// The only capture in `captures`.
fn capture(dir: &Path) -> PathBuf {
    let mut found: Vec<_> = std::fs::read_dir(dir.join("captures")).unwrap().map(|e| e.unwrap().path()).collect();
    assert_eq!(found.len(), 1);
    found.remove(0)
}
