//! The program plays a vehicle on pseudo-terminals, and the program watches it there, at life's pace.

use soakwatch::capture::Reader;
use soakwatch::channel::Channel;
use soakwatch::decode::{Decoder, Item};
use soakwatch::profile::load_builtin;
use soakwatch::record::Record;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};
use std::sync::Arc;

#[test]
fn one_vehicle_is_watched_over_three_serial_ports_at_once() {
    let program = env!("CARGO_BIN_EXE_soakwatch");
    let mut play = Command::new(program)
        // The engine starts at about 63 s.
        .args(["play", "tight", "--to", "slcan", "--to", "adapter", "--to", "bench", "--from", "66"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(play.stdout.take().unwrap()).lines();
    let names: Vec<String> = (0..3).map(|_| lines.next().unwrap().unwrap().replacen(' ', ":", 1)).collect();
    let dir = tempfile::tempdir().unwrap();
    let watched = Command::new(program)
        .args(["watch", "--plain", "--seconds", "14", "--captures"])
        .arg(dir.path())
        .args(names.iter().flat_map(|l| ["--link", l]))
        .output();
    play.kill().unwrap();
    play.wait().unwrap();
    let watched = watched.unwrap();
    assert_eq!(String::from_utf8_lossy(&watched.stderr), "");
    let capture = std::fs::read_dir(dir.path()).unwrap().next().unwrap().unwrap().path();

    let mut reader = Reader::open(&capture).unwrap();
    let links = reader.session().links.clone();
    let records: Vec<Record> = reader.by_ref().map(Result::unwrap).collect();
    // What one link tells alone: beside the bench adapter the others tell nothing that it measures.
    let speeds = |link: u16| -> Vec<f64> {
        let mut decoder = Decoder::new(Arc::new(load_builtin("switch-module").unwrap()), &links);
        let mut items = Vec::new();
        records.iter().filter(|r| r.link == link).for_each(|r| decoder.record(r, &mut items));
        let of = |i: &Item| if let Item::Reading(r) = i { r.get(Channel::EngineRpm) } else { None };
        items.iter().filter_map(of).collect()
    };
    let bench = speeds(3);
    let mean = |all: &[f64]| all.iter().sum::<f64>() / all.len() as f64;
    assert!(bench.len() > 20 && mean(&bench) > 500.0, "{bench:?}");
    // Serial-line CAN asks too, once it has listened; held here is what the text adapter brings.
    let asked = speeds(2);
    assert!(asked.len() > 3, "{asked:?}");
    // One vehicle: the engine idles at one speed.
    assert!((mean(&asked) - mean(&bench)).abs() < 150.0, "{asked:?} {bench:?}");
    let heard = links.iter().map(|l| l.kind.clone()).collect::<Vec<_>>();
    assert_eq!(heard, ["slcan", "adapter", "bench"]);
}
