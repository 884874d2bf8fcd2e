//! The poller against a car of frames.

mod car;
mod run;

use super::Proof;
use crate::profile::Profile;
use crate::trade::Phase;
use crate::wire::can_frame::Id;
use car::{Car, Controller, ENGINE, GEARBOX, Regular};
use proptest::prelude::*;
use run::{Change, Run};
use std::sync::Arc;

const ON: Change = Change::Key(true);
const OFF: Change = Change::Key(false);
const RUNS: Change = Change::Rpm(800.0);
const RESTS: Change = Change::Rpm(0.0);
const ENGINE_ASK: Id = Id::Standard(0x7E0);

fn drive(car: Car, until: f64) -> Run {
    let mut run = Run::new(car);
    run.play(&[(0.0, ON), (5.0, RUNS)], until);
    run.hold_silence();
    run
}

fn live(run: &Run, from: f64, to: f64, pid: u8) -> usize {
    let holds = |m: &[u8]| m[0] == 1 && m[1..].contains(&pid);
    run.questions().iter().filter(|q| (from..to).contains(&q.0) && holds(&q.2)).count()
}

#[test]
fn each_channel_is_asked_at_its_rate_and_those_of_one_rate_together() {
    let run = drive(Car::new(vec![Controller::engine()]), 200.0);
    // switch-module.toml: 2/s for 0C, 0B, 2E; 1/s for 0D; 0.2/s for 2F.
    for (pid, rate) in [(0x0C, 2.0), (0x0B, 2.0), (0x2E, 2.0), (0x0D, 1.0), (0x42, 1.0), (0x2F, 0.2), (0x05, 0.2)] {
        let n = live(&run, 80.0, 180.0, pid) as f64;
        assert!((n - 100.0 * rate).abs() <= 1.0 + 2.0 * rate, "{pid:02X}: {n} in 100 s");
    }
    let n = run.asked_between(80.0, 180.0);
    assert!(n < 320, "{n} questions in 100 s: two a second, and a few more where seven data or more are due");
    let told = run.said("questions a second").and_then(|at| run.news().into_iter().find(|n| n.0 == at)).unwrap();
    // Seven data are due at each full second and three half a second later: three questions.
    assert!(told.1.contains("3.0 questions a second, 0."), "{}", told.1);
    let load = run.most_load_pct(500_000.0);
    assert!((0.2..5.0).contains(&load), "{load} %");
}

#[test]
fn nothing_is_asked_before_the_bit_rate_is_proven() {
    let run = drive(Car::new(vec![Controller::engine()]), 10.0);
    let first = run.questions()[0].clone();
    assert!((2.0..2.3).contains(&first.0) && first.1 == Id::Standard(0x7DF) && first.2 == [1, 0], "{first:?}");
    // A gateway lets nothing through by itself: it waits.
    let mut quiet = Car::new(vec![Controller::engine()]);
    quiet.regular.clear();
    let run = drive(quiet, 100.0);
    assert!(run.questions().is_empty() && run.asker.words().contains("ask=at_once"));
}

#[test]
fn what_a_vehicle_does_not_have_is_said_once_and_not_asked() {
    let mut run = Run::new(Car::new(vec![Controller::engine()]));
    run.play(&[(0.0, ON), (5.0, RUNS)], 100.0);
    let said: Vec<_> = run.news().into_iter().filter(|n| n.1.contains("does not tell")).collect();
    assert_eq!(said.len(), 1, "{said:?}");
    assert!(said[0].1.contains("ambient_c (PID 46)"), "{said:?}");
    assert_eq!(live(&run, 0.0, 100.0, 0x46), 0);
}

#[test]
fn what_is_promised_and_never_answered_is_given_up() {
    let mut engine = Controller::engine();
    engine.pids.insert(0x46, Vec::new());
    // The mask names it, and the answer leaves it out.
    let mut run = Run::new(Car::new(vec![engine]));
    run.car.controllers[0].pids.insert(0x46, vec![]);
    run.play(&[(0.0, ON), (5.0, RUNS)], 200.0);
    assert!(run.said("does not tell ambient_c").is_some(), "{:?}", run.news());
    assert!(live(&run, 100.0, 200.0, 0x46) == 0 && live(&run, 100.0, 200.0, 0x0C) > 190);
}

#[test]
fn a_controller_that_takes_one_datum_a_question_gets_one() {
    let mut engine = Controller::engine();
    engine.several = false;
    let run = drive(Car::new(vec![engine]), 100.0);
    for pid in [0x0C, 0x0D, 0x2F] {
        assert!(live(&run, 60.0, 100.0, pid) >= 7, "{pid:02X}");
    }
    assert!(run.questions().iter().filter(|q| q.0 > 30.0 && q.2[0] == 1).all(|q| q.2.len() == 2));
}

#[test]
fn data_come_from_whom_has_them_and_29_bits_are_found() {
    let gearbox = Controller::new(GEARBOX, &[(0x0C, &[0, 0]), (0x46, &[60])]);
    let run = drive(Car::new(vec![Controller::engine(), gearbox]), 60.0);
    let of =
        |id, pid: u8| run.questions().iter().filter(|q| q.1 == id && q.2[0] == 1 && q.2[1..].contains(&pid)).count();
    assert!(of(ENGINE_ASK, 0x0C) > 80 && of(Id::Standard(0x7E1), 0x0C) == 0);
    assert!(of(Id::Standard(0x7E1), 0x46) > 8 && of(ENGINE_ASK, 0x46) == 0);
    let far = Controller { id: Id::Extended(0x18DA_F110), ..Controller::engine() };
    let run = drive(Car::new(vec![far]), 60.0);
    let to = |id| run.questions().iter().filter(|q| q.1 == id && q.0 > 5.0).count();
    assert!(to(Id::Extended(0x18DA_10F1)) > 80 && to(Id::Standard(0x7DF)) == 0);
}

#[test]
fn a_vehicle_of_j1979_2_is_told_by_itself() {
    let newer = Controller { newer: true, ..Controller::engine() };
    let run = drive(Car::new(vec![newer]), 60.0);
    assert!(run.said("by SAE J1979-2 only").is_some());
    let holds =
        |id: [u8; 2]| run.questions().iter().filter(|q| q.2[0] == 0x22 && q.2[1..].chunks(2).any(|c| c == id)).count();
    assert!(holds([0xF4, 0x0C]) > 80 && holds([0xF4, 0x2F]) > 8);
    assert!(holds([0xF8, 0x02]) == 1 && holds([0xF1, 0x90]) == 1);
    assert!(run.asked(&[0x19, 0x42, 0x33, 0x08, 0xFF]) == 1 && run.asked(&[0x03]) == 0);
}

#[test]
fn the_controllers_own_word_is_read_at_key_on_after_start_and_at_the_end() {
    let mut engine = Controller::engine();
    engine.code = true;
    let mut run = Run::new(Car::new(vec![engine]));
    run.play(&[(0.0, ON), (20.0, RUNS), (150.0, Change::End)], 155.0);
    let at = |m: &[u8]| run.questions().iter().filter(|q| q.2 == m).map(|q| q.0).collect::<Vec<_>>();
    assert_eq!(at(&[0x09, 0x02]).len(), 1);
    for twice in [&[0x02, 0x02, 0][..], &[0x02, 0x0C, 0], &[0x02, 0x2F, 0]] {
        let asked = at(twice);
        assert!(asked.len() == 2 && asked[0] < 10.0 && asked[1] >= 150.0, "{twice:02X?}: {asked:?}");
    }
    let codes = at(&[0x03]);
    assert!(codes.len() == 3 && codes[0] < 6.0 && (79.0..84.0).contains(&codes[1]) && codes[2] >= 150.0, "{codes:?}");
    let results = at(&[0x06, 0x3C]);
    assert!(results.len() == 2 && results[1] >= 150.0, "{results:?}");
    assert_eq!((at(&[0x06, 0x39]).len(), at(&[0x09, 0x04]).len()), (0, 0), "no mask names them");
    assert!(run.asker.ended() && run.questions().last().unwrap().0 < 152.1);
}

#[test]
fn no_freeze_frame_is_asked_for_where_no_code_stored_one() {
    let run = drive(Car::new(vec![Controller::engine()]), 30.0);
    assert_eq!((run.asked(&[2, 2, 0]), run.asked(&[2, 0, 0])), (1, 0));
}

#[test]
fn a_controller_that_needs_longer_is_waited_for() {
    // The car itself holds that nobody is asked again while it answers.
    let mut run = Run::new(Car::new(vec![Controller::engine()]));
    run.play(&[(0.0, ON), (5.0, RUNS), (50.0, Change::Pending(3)), (80.0, Change::Pending(0))], 100.0);
    let n = run.asked_between(52.0, 78.0);
    assert!((6..=10).contains(&n), "{n} questions of 3 s each in 26 s");
    assert!(live(&run, 85.0, 100.0, 0x0C) >= 28);
}

#[test]
fn silence_is_met_with_ever_longer_pauses_and_an_end() {
    let mut car = Car::new(vec![]);
    car.regular = vec![Regular::new(0x300, 0.1, true)];
    let run = drive(car, 3600.0);
    let n = run.questions().len();
    // Attempts of four questions at pauses of 0.5, 1, 2, 4, 8, 8 s within 30 s.
    assert!((20..=32).contains(&n), "{n}");
    assert!(run.questions().last().unwrap().0 < 40.0 && run.asker.words().contains("Turn the key on"));
}

/// Key-off told by a bench adapter: after the profile's pause nothing is asked until the key is on again, though the
/// network wakes up twice.
#[test]
fn at_key_off_it_reads_the_codes_once_more_and_falls_silent() {
    let mut run = Run::new(Car::new(vec![Controller { delay_s: 0.02, ..Controller::engine() }]));
    run.car.after_run_s = 600.0;
    let (off, on) = (1000.0, 30_000.0);
    let script = [
        (0.0, ON),
        (0.1, Change::Told(Phase::KeyOn)),
        (5.0, RUNS),
        (5.1, Change::Told(Phase::Running)),
        (off, OFF),
        (off + 0.7, Change::Told(Phase::KeyOff)),
        (off + 60.0, Change::Told(Phase::Soak)),
        (9000.0, Change::Door),
        (20_000.0, Change::Door),
        (on, ON),
        (on + 0.5, Change::Told(Phase::KeyOn)),
    ];
    run.play(&script, on + 60.0);
    run.hold_silence();
    let silent = run.said("listens only: key off").unwrap();
    assert!((off + 10.0..off + 11.5).contains(&silent), "{silent}");
    assert_eq!(run.asked_between(silent, on), 0);
    assert!(run.questions().iter().any(|q| q.0 > off && q.2 == [0x03]), "codes once more");
    assert!(live(&run, on + 5.0, on + 60.0, 0x0C) > 100);
}

/// The key is not seen by anything. The controllers answer for as long as they are asked, and the vehicle must sleep all
/// the same.
#[test]
fn a_vehicle_that_is_only_on_can_may_sleep_too() {
    for timer in [1.0, 20.0, 120.0, 900.0] {
        let mut run = Run::new(Car::new(vec![Controller::engine()]));
        (run.car.after_run_s, run.car.network_s, run.car.questions_keep_awake) = (timer, timer, true);
        let (off, on) = (600.0, 30_000.0);
        run.play(&[(0.0, ON), (5.0, RUNS), (off, OFF), (on, ON), (on + 20.0, RUNS)], on + 60.0);
        run.hold_silence();
        assert!(!run.car.network_awake(on - 1.0) || run.car.key);
        let last = run.questions().iter().rev().find(|q| q.0 < on).unwrap().0;
        assert!(last < off + 60.0 + 1800.0 + 1.0, "timer {timer}: last question {} s after key-off", last - off);
        let silent = run.news().iter().rev().find(|n| n.0 < on && n.1.starts_with("listens only")).unwrap().0;
        assert!(silent < off + 1900.0);
        assert_eq!(run.asked_between(silent, on), 0, "timer {timer}");
        assert!(live(&run, on + 10.0, on + 60.0, 0x0C) > 90, "timer {timer}: it asks again in the morning");
    }
}

#[test]
fn a_stop_for_fuel_on_a_bus_that_never_sleeps_is_noticed() {
    let mut run = Run::new(Car::new(vec![Controller::engine()]));
    run.car.network_s = 1e6;
    run.play(&[(0.0, ON), (5.0, RUNS), (100.0, OFF), (280.0, ON), (283.0, RUNS)], 340.0);
    run.hold_silence();
    assert!(run.said("listens only: the controllers answer no more").is_some_and(|s| (130.0..140.0).contains(&s)));
    assert!((280.0..281.0).contains(&run.said("wakes up").unwrap()));
    assert!(live(&run, 290.0, 340.0, 0x0C) > 90);
}

#[test]
fn an_engine_stopped_at_a_light_is_not_lost() {
    for rest in [30.0, 90.0, 200.0, 700.0] {
        let mut run = Run::new(Car::new(vec![Controller::engine()]));
        run.play(&[(0.0, ON), (5.0, RUNS), (100.0, RESTS), (100.0 + rest, RUNS)], 100.0 + 2.0 * rest + 60.0);
        let back = 100.0 + rest;
        let first = (0..).map(f64::from).find(|s| live(&run, back + s, back + s + 10.0, 0x0C) >= 18).unwrap();
        assert!(first <= rest.max(12.0), "after {rest} s at rest, {first} s until it asks as before");
    }
}

#[test]
fn a_door_at_night_is_asked_about_briefly_where_the_key_is_not_known() {
    let mut run = Run::new(Car::new(vec![Controller::engine()]));
    run.play(&[(0.0, ON), (5.0, RUNS), (100.0, OFF), (9000.0, Change::Door)], 20_000.0);
    run.hold_silence();
    let n = run.asked_between(8999.0, 20_000.0);
    assert!((1..=32).contains(&n) && run.asked_between(9060.0, 20_000.0) == 0, "{n}");
}

#[test]
fn a_low_battery_ends_it_and_is_said() {
    let mut run = Run::new(Car::new(vec![Controller::engine()]));
    let script =
        [(0.0, ON), (0.1, Change::Told(Phase::KeyOn)), (60.0, Change::Volts(11.9)), (63.0, Change::Volts(12.6))];
    run.play(&script, 100.0);
    assert!(run.said("listens only").is_none(), "three seconds are a crank");
    let mut run = Run::new(Car::new(vec![Controller::engine()]));
    run.play(&script[..3], 100.0);
    let silent = run.said("listens only: the battery is at 11.9 V, below 12.2 V").unwrap();
    assert!((70.0..73.0).contains(&silent), "{silent}");
    assert_eq!(run.asked_between(silent + 0.001, 100.0), 0);
}

#[test]
fn maker_s_identifiers_are_asked_of_all_and_then_of_who_answered() {
    let text = "extends = \"switch-module\"\n[[did]]\ndid = 0xF190\nlength = 18\nbytes = \"1-1\"\nresolution = 1\n\
                channel = \"tank_pressure_pa\"\nrate_hz = 2\n[[did]]\ndid = 0x1234\nlength = 2\nbytes = \"1-2\"\n\
                resolution = 1\nchannel = \"fuel_temp_c\"\nrate_hz = 1\n";
    let profile = Arc::new(Profile::from_str("did.toml", text, &[]).unwrap());
    let newer = Controller { newer: true, ..Controller::engine() };
    let mut run = Run::with(Car::new(vec![newer]), &profile);
    run.play(&[(0.0, ON), (5.0, RUNS)], 60.0);
    let asked = |id: Id, did: [u8; 2]| {
        run.questions().iter().filter(|q| q.1 == id && q.0 > 10.0 && q.2[1..].chunks(2).any(|c| c == did)).count()
    };
    assert!(asked(ENGINE_ASK, [0xF1, 0x90]) > 80);
    assert_eq!(asked(ENGINE_ASK, [0x12, 0x34]) + asked(Id::Standard(0x7DF), [0x12, 0x34]), 0);
    assert!(run.said("fuel_temp_c (identifier 1234)").is_some(), "{:?}", run.news());
}

#[test]
fn a_gateway_is_asked_at_once_where_the_person_says_so() {
    let mut quiet = Car::new(vec![Controller::engine()]);
    quiet.regular.clear();
    let mut run = Run::proven(quiet, &run::profile(), Proof::known());
    run.play(&[(0.0, ON), (5.0, RUNS), (100.0, OFF)], 300.0);
    run.hold_silence();
    assert!(live(&run, 50.0, 100.0, 0x0C) > 90);
    assert!(run.said("never speaks by itself").is_some_and(|s| (130.0..140.0).contains(&s)), "{:?}", run.news());
}

#[test]
fn a_charging_battery_or_a_starter_wakes_where_the_bus_is_not_heard() {
    for (volts, why) in [(14.1, "the engine runs"), (9.0, "the starter")] {
        let mut quiet = Car::new(vec![Controller::engine()]);
        quiet.regular.clear();
        let mut run = Run::proven(quiet, &run::profile(), Proof::known());
        let script = [
            (0.0, ON),
            (50.0, OFF),
            (200.0, Change::Supply(12.6)),
            (400.0, Change::Supply(12.4)),
            (499.0, ON),
            (499.5, RUNS),
            (500.0, Change::Supply(volts)),
        ];
        run.play(&script, 560.0);
        run.hold_silence();
        assert_eq!(run.said("wakes up"), run.said(why));
        assert!(run.said(why).is_some() && live(&run, 505.0, 560.0, 0x0C) > 100);
    }
}

/// A name, what happens, how long, and what it says then.
type Row = (&'static str, &'static [(f64, Change)], f64, &'static str);

/// What it is at so long after each beginning.
#[test]
fn a_table_of_states() {
    let rows: &[Row] = &[
        ("nothing heard", &[], 5.0, "asks nothing before it has heard traffic"),
        ("a bus just heard", &[(0.0, ON)], 1.5, "listens until the bit rate is proven"),
        ("key on", &[(0.0, ON)], 20.0, "asks "),
        (
            "key known to be off from the start",
            &[(0.0, Change::Told(Phase::Soak)), (0.0, Change::Door)],
            4.0,
            "listens only: key off",
        ),
        (
            "key known to be on, nobody answers",
            &[(0.0, Change::Told(Phase::KeyOn)), (0.0, Change::Door)],
            15.0,
            "asks whether",
        ),
        ("just off", &[(0.0, ON), (20.0, Change::Told(Phase::KeyOff))], 22.0, "key off: asks for codes once more"),
        (
            "off and on again at once",
            &[(0.0, ON), (20.0, Change::Told(Phase::KeyOff)), (25.0, Change::Told(Phase::KeyOn))],
            27.0,
            "asks ",
        ),
        ("long off", &[(0.0, ON), (20.0, Change::Told(Phase::KeyOff))], 40.0, "listens only: key off"),
        ("key not known, engine at rest", &[(0.0, ON)], 80.0, "engine at rest, key not known"),
        ("key known to be on, engine at rest", &[(0.0, ON), (0.1, Change::Told(Phase::KeyOn))], 200.0, "asks "),
        ("bus gone", &[(0.0, ON), (20.0, OFF)], 50.0, "listens only: the bus fell silent"),
        ("ended", &[(0.0, ON), (20.0, Change::End)], 23.0, "listens only: the capture ends"),
    ];
    for (name, script, until, words) in rows {
        let mut run = Run::new(Car::new(vec![Controller::engine()]));
        run.play(script, *until);
        run.hold_silence();
        assert!(run.asker.words().starts_with(words), "{name}: {}", run.asker.words());
    }
}

fn a_controller() -> impl Strategy<Value = Controller> {
    let few = (any::<bool>(), any::<bool>(), 1u32..200, 0u32..3, any::<bool>(), any::<bool>());
    few.prop_map(|(newer, several, ms, pending, code, far)| Controller {
        id: if far { Id::Extended(0x18DA_F110) } else { ENGINE },
        newer,
        several,
        delay_s: f64::from(ms) * 1e-3,
        pending,
        code,
        ..Controller::engine()
    })
}

fn changes() -> impl Strategy<Value = Vec<(f64, Change)>> {
    let change = prop_oneof![
        3 => any::<bool>().prop_map(Change::Key),
        3 => (0u16..2000).prop_map(|r| Change::Rpm(f64::from(r))),
        1 => Just(Change::Door),
        1 => prop::sample::select(vec![Phase::KeyOff, Phase::Soak, Phase::KeyOn, Phase::Crank, Phase::Running, Phase::Unknown])
            .prop_map(Change::Told),
        1 => (110u8..140).prop_map(|v| Change::Volts(f64::from(v) * 0.1)),
        1 => (0u32..4).prop_map(Change::Pending),
    ];
    prop::collection::vec((1u32..300, change), 1..14).prop_map(|steps| {
        let mut at = 0.0;
        let step = steps.into_iter().map(|(s, c)| {
            at += f64::from(s);
            (at, c)
        });
        [(0.0, ON)].into_iter().chain(step).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 32, ..ProptestConfig::default() })]

    /// Whatever a vehicle does: nobody slow is asked twice at once (the car itself holds that, for controllers that keep to
    /// the time that the profile gives them), nothing is asked in silence, the bus keeps its room, nothing else leaves.
    #[test]
    fn it_stays_polite(controller in a_controller(), script in changes(), timer in 1u16..400, awake: bool) {
        let slow = controller.delay_s >= 0.14;
        let mut run = Run::new(Car::new(vec![controller]));
        (run.car.network_s, run.car.after_run_s, run.car.questions_keep_awake) = (f64::from(timer), f64::from(timer) * 0.5, awake);
        if slow {
            // Slower than allowed: it counts as silent, and may be asked again.
            run.car.controllers[0].delay_s = 0.14;
        }
        let end = script.last().unwrap().0 + 400.0;
        run.play(&script, end);
        run.hold_silence();
        let load = run.most_load_pct(500_000.0);
        prop_assert!(load <= 6.0, "{load} % in the fullest second");
    }
}
