//! The proof of lightness: the program watches a bench adapter that sends 17 channels at 50 Hz at life's pace.
//!
//! Once with plain lines and once drawing its screen on a terminal of 80×24, both over pty pairs. The share of a core
//! and the memory are the child's own, from `/proc`, over the stretch after it has settled.
//!
//! `cargo bench --bench live`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

// Each bench uses its part of the day.
#[allow(dead_code)]
mod day;
mod program;

use program::{Guard, memory, pty, ticks, write};
use rustix::termios::{Winsize, tcsetwinsize};
use std::fs::File;
use std::io::Read;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Rows a second.
const HZ: i64 = 50;
/// Before this the program starts and hears the header; the screen waits while the cautions are read.
const SETTLED: Duration = Duration::from_secs(6);
const MEASURED: Duration = Duration::from_secs(20);
/// The morning of the day is the busiest: the record begins so many seconds into it, just before the key.
const FROM_S: i64 = 41_140;

const AIM_SHARE: f64 = 0.03;
const AIM_KB: u64 = 40 * 1024;

fn main() {
    let mut met = true;
    for screen in [false, true] {
        let (share, rss, peak, rows) = watch(screen);
        let how = if screen { "screen of 80×24" } else { "plain lines" };
        println!(
            "{how:16} {:5.2} % of a core (aim: below {:.0})   {rss} kB, at most {peak} kB (aim: below {AIM_KB})   {rows} rows",
            share * 100.0,
            AIM_SHARE * 100.0
        );
        met &= share < AIM_SHARE && peak < AIM_KB;
    }
    if !met {
        println!("an aim was missed");
        std::process::exit(1);
    }
}

/// Share of a core, memory now and at most (kB), and rows that it says it kept.
fn watch(screen: bool) -> (f64, u64, u64, u64) {
    let dir = tempfile::tempdir().unwrap();
    let (mut adapter, port) = pty(true);
    let (mut terminal, tty) = pty(false);
    tcsetwinsize(&terminal, Winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 }).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_soakwatch"));
    command.args(["watch", "--link", &format!("bench:{}", port.display()), "--captures"]).arg(dir.path());
    if screen {
        let end = || File::options().read(true).write(true).open(&tty).unwrap();
        command.env("TERM", "xterm-256color").stdin(end()).stdout(end()).stderr(end());
    } else {
        command.stdin(Stdio::null()).stdout(File::create(dir.path().join("said")).unwrap());
    }
    let mut child = Guard(command.spawn().unwrap());

    let (mut days, mut row, mut line) = (day::Rows::new(HZ), String::new(), Vec::new());
    days.skip_to(FROM_S);
    let mut header = Vec::new();
    day::line(&day::header(), &mut header);
    let (mut drawn, mut drawn_bytes) = ([0; 65536], 0);
    let (begun, mut sent, mut before) = (Instant::now(), 0u64, None);
    // Making the first row plays the simulated night: not at the port's expense.
    days.next_row(&mut row);
    let begun = begun + begun.elapsed();
    write(&mut adapter, &header);
    write(&mut adapter, &header);
    let (share, rss, peak) = loop {
        assert!(child.0.try_wait().unwrap().is_none(), "the program ended early");
        let mut asked = [0; 64];
        if matches!(adapter.read(&mut asked), Ok(n) if asked[..n].contains(&b'?')) {
            write(&mut adapter, &header);
        }
        drawn_bytes += terminal.read(&mut drawn).unwrap_or(0);
        while begun.elapsed().as_millis() as i64 * HZ / 1000 > sent as i64 {
            days.next_row(&mut row);
            day::line(&row, &mut line);
            write(&mut adapter, &line);
            sent += 1;
        }
        let gone = begun.elapsed();
        if gone >= SETTLED && before.is_none() {
            before = Some((gone, ticks(&child.0)));
        }
        if gone >= SETTLED + MEASURED
            && let Some((from, ticks_before)) = before
        {
            let hz = rustix::param::clock_ticks_per_second() as f64;
            let used = (ticks(&child.0) - ticks_before) as f64 / hz;
            break (used / (gone - from).as_secs_f64(), memory(&child.0, "VmRSS:"), memory(&child.0, "VmHWM:"));
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    // The last batch is written at most 200 ms after receipt.
    std::thread::sleep(Duration::from_millis(600));
    let capture = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().path()).find(|p| p.is_dir()).unwrap();
    let kept = soakwatch::capture::Reader::open(&capture).unwrap().map(|r| match r.unwrap().body {
        soakwatch::record::Body::Bytes(bytes) => bytes.iter().filter(|b| **b == b'\n').count() as u64,
        _ => 0,
    });
    let kept = kept.sum::<u64>();
    assert_eq!(drawn_bytes > 20_000, screen, "{drawn_bytes} bytes were drawn");
    assert!(kept >= sent, "{kept} lines were kept of {sent} rows");
    (share, rss, peak, sent)
}
