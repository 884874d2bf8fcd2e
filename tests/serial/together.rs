//! Two links in one capture, the documented way to grade a vehicle whole: the bench adapter tells of the key, and the
//! vehicle is asked only while it is on.

use crate::rig::{Pty, Watch, kept_by, readings_of, same_in_another_process};
use crate::text_adapter::{Player, Vehicle, polite, van};
use soakwatch::channel::Channel;
use soakwatch::record::{Body, Event};
use soakwatch::wire::bench_line::write_line;
use std::time::{Duration, Instant};

struct Bench {
    pty: Pty,
    begun: Instant,
}

impl Bench {
    fn line(&mut self, cells: &[&str]) {
        let mut line = Vec::new();
        write_line(cells.iter().copied(), true, &mut line);
        self.pty.pour(&line);
    }

    fn row(&mut self, key: &str) {
        for _ in 0..self.pty.asked() {
            self.line(&["time_s", "key", "battery_v"]);
        }
        let time = format!("{:.3}", self.begun.elapsed().as_secs_f64());
        self.line(&[&time, key, "12.61"]);
    }

    /// Tells of the key for so long while the other adapter plays, or until `enough`.
    fn tell(&mut self, key: &str, player: &mut Player, longest: f64, enough: impl Fn(&Player) -> bool) {
        let begun = Instant::now();
        while begun.elapsed().as_secs_f64() < longest && !enough(player) {
            self.row(key);
            player.play(Duration::from_millis(60), |_| false);
        }
    }
}

#[test]
fn a_vehicle_is_asked_beside_the_bench_adapter_and_left_alone_while_the_key_is_off() {
    let dir = tempfile::tempdir().unwrap();
    let (file, profile) = van(dir.path());
    let mut bench = Bench { pty: Pty::new(), begun: Instant::now() };
    let mut player = Player::new(Vehicle::Can, 38_400);
    let (one, other) = (dir.path().join("bench"), dir.path().join("adapter"));
    bench.pty.plug(&one);
    player.pty.plug(&other);
    let other = format!("adapter:{}", other.display());
    let more = ["--link", &other, "--profile", &file, "--set", "bus.key_off_pause_s=1"];
    let watch = Watch::start(&format!("bench:{}", one.display()), &dir.path().join("captures"), &more);
    watch.hear(" up: ");
    bench.line(&["time_s", "key", "battery_v"]);
    bench.line(&["time_s", "key", "battery_v"]);
    bench.tell("1", &mut player, 25.0, |p| p.questions >= 15);
    assert!(player.questions >= 15, "{:?}", player.heard);
    // The engine stops. Debounce, the word of the controllers once more, the pause.
    player.rpm = [0, 0];
    bench.tell("0", &mut player, 4.0, |_| false);
    let (asked, heard) = (player.questions, player.heard.len());
    bench.tell("0", &mut player, 5.0, |_| false);
    assert_eq!(player.questions, asked, "{:?}, {}", &player.heard[heard..], watch.said());
    let night = &player.heard[heard..];
    assert!(
        night.iter().any(|c| c == "ATRV") && night.iter().all(|c| ["ATRV", "ATMA"].contains(&c.as_str())),
        "{night:?}"
    );
    bench.tell("1", &mut player, 20.0, |p| p.questions >= asked + 10);
    assert!(player.questions >= asked + 10, "{:?}", &player.heard[heard..]);
    let (_, said, capture) = watch.end_beside(|ended| player.play(Duration::from_secs(10), |_| ended()));
    polite(&player.heard, &profile);
    let (reader, records) = kept_by(&capture);
    let kinds: Vec<&str> = reader.session().links.iter().map(|l| l.kind.as_str()).collect();
    assert_eq!(kinds, ["bench", "adapter"]);
    let told = |words: &str| {
        records.iter().any(|r| matches!(&r.body, Body::Event(Event::Asking { detail }) if detail.contains(words)))
    };
    assert!(told("key off") && told("wakes up"), "{said}");
    let (readings, ..) = readings_of(&profile, &reader, &records);
    for channel in [Channel::Key, Channel::EngineRpm, Channel::FuelLevelPct] {
        assert!(readings.iter().flatten().any(|r| r.0 == channel), "no {channel}");
    }
    same_in_another_process(&capture, &dir.path().join("elsewhere"));
}
