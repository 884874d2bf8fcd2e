//! Faulty profiles: each fault with its place, what is wrong and what would be right; all of them, not the first.

#![allow(missing_docs, clippy::panic, clippy::unwrap_used)]

use proptest::prelude::*;
use soakwatch::profile::{self, Error, Fault, Place, Profile, builtin_names};
use std::fs;
use std::path::Path;

/// The sentences that a text gets, one a line.
fn sentences(text: &str) -> String {
    match Profile::from_str("van3.toml", text, &[]) {
        Ok(p) => panic!("taken as sound: {}", p.name),
        Err(e) => e.to_string(),
    }
}

/// Under a sound head, line 1.
fn on_base(rest: &str) -> String {
    sentences(&format!("extends = \"switch-module\"\n{rest}"))
}

#[test]
fn each_fault_says_where_what_and_what_would_be_right() {
    for (rest, expected) in [
        (
            "[[obd]]\npid = 0x04\nchannel = \"engine_rpm\"\nrate_hz = 1",
            "van3.toml:3:7: PID 04 carries nothing this program can scale; take one of 05 06 07 0B 0C 0D 0F 1F 2E 2F \
             32 33 42 46 53 54",
        ),
        ("[[obd]]\npid = 0x0C", "van3.toml:2:1: an [[obd]] lacks its pid, channel or rate_hz; give all three"),
        (
            "[[obd]]\npid = 0x0C\nchannel = \"engine_rpm\"\nrate_hz = 500",
            "van3.toml: the rates of [[obd]] and [[did]] make 503 questions a second, and a controller that takes \
             0.05 s answers 20; lower rates, or the same rate for what can go into one question",
        ),
        (
            "[bus]\nbitrate = 10000",
            "van3.toml: the rates of [[obd]] and [[did]] would take 20.5 % of a bus of 10000 bit/s; lower the rates; \
             bus.most_load_pct allows 5 %",
        ),
        (
            "[[broadcast]]\nid = \"3A0\"\nbytes = \"9\"\nmask = 0x100\nchannel = \"key\"\nrate_hz = 1",
            "van3.toml:5:8: mask 100 does not fit bytes 9 to 9; it must have bits, and none beyond FF",
        ),
        (
            "[[broadcast]]\nid = \"3A\"\nbytes = \"1\"\nchannel = \"key\"\nrate_hz = 1",
            "van3.toml:3:6: \"3A\" is no identifier of a frame; three hexadecimal digits up to 7FF, or eight up to \
             1FFFFFFF",
        ),
        (
            "[[broadcast]]\nid = \"3A0\"\nbytes = \"1-2\"\nchannel = \"key\"\nrate_hz = 1\n[[broadcast]]\nid = \
             \"3A0\"\nbytes = \"2\"\nchannel = \"leak_switch\"\nrate_hz = 1",
            "van3.toml:7:1: leak_switch takes bits of frame 3A0 that key takes too; give each its own bytes or mask",
        ),
        (
            "[[broadcast]]\nid = \"3A0\"\nbytes = \"2-1\"\nchannel = \"key\"\nrate_hz = 1",
            "van3.toml:4:9: bytes is \"2-1\"; write one byte or two with a dash, counted from 1: \"4\" or \"4-5\"",
        ),
        (
            "[[broadcast]]\nid = \"3A0\"\nbytes = \"1\"\nmask = 5\nchannel = \"key\"\nrate_hz = 1",
            "van3.toml:5:8: mask 5 has a hole; a number's bits lie side by side",
        ),
        (
            "[[did]]\ndid = 0x1234\nlength = 2\nbytes = \"1-2\"\nchannel = \"key\"\nrate_hz = 1\n[[did]]\ndid = \
             0x1234\nlength = 2\nbytes = \"2\"\nmask = 1\nchannel = \"leak_switch\"\nrate_hz = 1",
            "van3.toml:8:1: leak_switch takes bits of identifier 1234 that key takes too; give each its own bytes or mask",
        ),
        (
            "[[obd]]\npid = 0x46\nchannel = \"ambient_c\"\nrate_hz = 1\n[[obd]]\npid = 0x46\nchannel = \
             \"intake_air_c\"\nrate_hz = 1",
            "van3.toml:6:1: intake_air_c takes PID 46, and ambient_c does too; leave one out",
        ),
        (
            "[[did]]\ndid = 0x1234\nlength = 2\nbytes = \"3\"\nchannel = \"key\"\nrate_hz = 1",
            "van3.toml:5:9: byte 3 lies beyond the 2 bytes there are; count from 1",
        ),
        ("[vehicle]\ntank_l = 900", "van3.toml:3:10: vehicle.tank_l is 900 L; it must be a number from 5 to 400 L"),
        ("[vehicle]\ntank_l = nan", "van3.toml:3:10: vehicle.tank_l is NaN L; it must be a number from 5 to 400 L"),
        (
            "[vehicle]\ntank_l = \"60 L\"",
            "van3.toml:3:10: vehicle.tank_l is the word \"60 L\"; it must be a number from 5 to 400 L",
        ),
        ("[vehicle]\ntank_l = true", "van3.toml:3:10: vehicle.tank_l is true; it must be a number from 5 to 400 L"),
        (
            "[vehicle]\ntank_litres = 60",
            "van3.toml:3:1: there is no setting vehicle.tank_litres; did you mean \"vehicle.tank_l\"?",
        ),
        ("[fuel]\ntank_l = 60", "van3.toml:3:1: there is no setting fuel.tank_l; did you mean \"vehicle.tank_l\"?"),
        (
            "[fuel]\ncolour_of_the_pump = 1",
            "van3.toml:3:1: there is no setting fuel.colour_of_the_pump; [fuel] holds rvp_low_psi, rvp_high_psi, \
             ethanol_pct",
        ),
        ("tank_l = 60", "van3.toml:2:1: there is no key or table \"tank_l\"; did you mean \"vehicle.tank_l\"?"),
        ("[vehicel]\ntank_l = 60", "van3.toml:2:2: there is no key or table \"vehicel\"; did you mean \"vehicle\"?"),
        ("vehicle = 60", "van3.toml:2:11: vehicle is a table, not a value; write [vehicle]"),
        (
            "[vent]\nenergised = \"shut\"",
            "van3.toml:3:13: vent.energised is \"shut\"; it must be \"open\" or \"sealed\"",
        ),
        ("[vent]\nenergised = 1", "van3.toml:3:13: vent.energised is the number 1; it must be \"open\" or \"sealed\""),
        (
            "[vehicle]\ntank_l = { source = \"a guess\" }",
            "van3.toml:3:1: vehicle.tank_l has no value; it must be a number from 5 to 400 L",
        ),
        (
            "[vehicle]\ntank_l = { value = 60, sorce = \"a guess\" }",
            "van3.toml:3:24: there is no \"sorce\" in vehicle.tank_l; did you mean \"source\"?",
        ),
        (
            "[vehicle]\ntank_l = { value = 60, source = \"\" }",
            "van3.toml:3:33: the source of vehicle.tank_l is not a text; write it in quotes, not empty",
        ),
        ("name = 3", "van3.toml:2:8: name is not a text; write it in quotes, not empty"),
        (
            "asks = [\"key_off_sock\"]",
            "van3.toml:2:9: there is no test \"key_off_sock\"; did you mean \"key_off_soak\"?",
        ),
        ("asks = [\"relief\", \"relief\"]", "van3.toml:2:19: relief is asked for twice; leave one out"),
        ("asks = \"relief\"", "van3.toml:2:8: asks is not a list; write it as [\"key_off_soak\", …], or [] for none"),
        (
            "[[csv]]\ncolumn = \"RPM\"\nchannel = \"engine_rmp\"",
            "van3.toml:4:11: there is no channel \"engine_rmp\"; did you mean \"engine_rpm\"?",
        ),
        (
            "[[csv]]\ncolumn = \"A\"\nchannel = \"key\"\n[[csv]]\ncolumn = \" A \"\nchannel = \"battery_v\"",
            "van3.toml:6:10: the column \"A\" is mapped twice; leave one [[csv]] out",
        ),
        (
            "[[csv]]\ncolumn = \"A\"",
            "van3.toml:2:1: a [[csv]] lacks its column or channel; give column = \"…\", channel = \"…\"",
        ),
        (
            "[[csv]]\ncolumn = \"A\"\nchannel = \"key\"\nscale = 0",
            "van3.toml:5:9: scale is 0, which makes every value alike; give the factor",
        ),
        (
            "[[csv]]\ncolumn = \"A\"\nchannel = \"key\"\nfactor = 2",
            "van3.toml:5:1: there is no \"factor\" in [[csv]]; here belongs \"column\", \"channel\", \"scale\", \"offset\" \
             or \"source\"",
        ),
        ("csv = 1", "van3.toml:2:7: csv is not a list of tables; head each with [[csv]]"),
        ("csv = [1]", "van3.toml:2:8: a row of csv is not a table; head each with [[csv]]"),
        ("calibrate = 1", "van3.toml:2:13: calibrate is not a list of tables; head each with [[calibrate]]"),
        ("calibrate = [1]", "van3.toml:2:14: a row of calibrate is not a table; head each with [[calibrate]]"),
        (
            "[[calibrate]]\nchannel = \"battery_v\"\nadapter = [10, 14]",
            "van3.toml:2:1: a [[calibrate]] lacks its channel or points; give channel = \"…\", adapter = [first, \
             second], instrument = [first, second]",
        ),
        (
            "[[calibrate]]\nchannel = \"battery_v\"\nadapter = [10]\ninstrument = [10, 14]",
            "van3.toml:4:11: adapter is not two points; write adapter = [first, second]",
        ),
        (
            "[[calibrate]]\nchannel = \"battery_v\"\nadapter = [10, \"14 V\"]\ninstrument = [10, 14]",
            "van3.toml:4:16: adapter is \"14 V\"; it must be a number from -1000000 to 1000000",
        ),
        (
            "[[calibrate]]\nchannel = \"battery_v\"\nadapter = [10, 10]\ninstrument = [10, 14]",
            "van3.toml:3:11: from one point to the other battery_v goes inf times as far as told; take two points well \
             apart, both in V; a sound adapter is within 0.5 to 2",
        ),
        (
            "[[calibrate]]\nchannel = \"baro_kpa\"\nadapter = [98, 101]\ninstrument = [980, 1010]",
            "van3.toml:3:11: from one point to the other baro_kpa goes 10 times as far as told; take two points well \
             apart, both in kPa; a sound adapter is within 0.5 to 2",
        ),
        (
            "[[calibrate]]\nchannel = \"key\"\nadapter = [0, 1]\ninstrument = [0, 1]",
            "van3.toml:3:11: key is a state and has no points; leave it out: calibrate the voltage or current behind it",
        ),
        (
            "[[calibrate]]\nchannel = \"battery_v\"\nadapter = [1, 2]\ninstrument = [1, 2]\n[[calibrate]]\nchannel = \
             \"battery_v\"\nadapter = [1, 2]\ninstrument = [1, 2]",
            "van3.toml:7:11: battery_v is calibrated twice; leave one [[calibrate]] out",
        ),
        (
            "[[calibrate]]\ngain = 2",
            "van3.toml:3:1: there is no \"gain\" in [[calibrate]]; here belongs \"channel\", \"adapter\", \
             \"instrument\" or \"source\"",
        ),
        ("time = 1", "van3.toml:2:8: time is a table, not a value; write [time] with column or period_s"),
        ("[time]", "van3.toml:2:1: time has neither column nor period_s; give one of them"),
        ("[time]\ncolumn = \"t\"\nperiod_s = 1", "van3.toml:2:1: time has both column and period_s; keep one of them"),
        ("[time]\nperiod_s = 0", "van3.toml:3:12: time.period_s is 0; it must be a number from 0.001 to 3600"),
        ("guide = 1", "van3.toml:2:9: guide is a table, not a value; head each step with [[guide.soak]] or its kin"),
        (
            "[guide]\nsoak = 1",
            "van3.toml:3:8: guide.soak is not a list of steps; head each step with [[guide.soak]], or write soak = [] for \
             no guide",
        ),
        (
            "[guide]\nsoak = [1]",
            "van3.toml:3:9: a step of guide.soak is not a table; head each step with [[guide.soak]]",
        ),
        ("[[guide.soka]]\ntitle = \"A\"", "van3.toml:2:9: there is no guide \"soka\"; did you mean \"soak\"?"),
        (
            "[[guide.road]]\ntitle = \"A\"",
            "van3.toml:2:1: a step lacks its title or text; give title = \"…\", text = \"…\"",
        ),
        (
            "[[guide.road]]\ntitle = \"A\"\ntext = \"B\"\nuntill = \"key is on\"",
            "van3.toml:5:1: there is no \"untill\" in [[guide.road]]; did you mean \"until\"?",
        ),
        (
            "[[guide.road]]\ntitle = \"A\"\ntext = \"B\"\npatience_s = 9",
            "van3.toml:2:1: the step \"A\" has only one of patience_s and late; give patience_s and, in late, what to do \
             when the step does not come in that time",
        ),
        (
            "[[guide.road]]\ntitle = \"A\"\ntext = \"B\"\npatience_s = 0\nlate = \"C\"",
            "van3.toml:5:14: patience_s is 0; it must be a number from 1 to 259200",
        ),
        (
            "[[guide.road]]\ntitle = \"A title that is far too long for a screen of 80\"\ntext = \"B\"",
            "van3.toml:3:9: title has 47 characters; say it in at most 44, so that it fits a small screen",
        ),
        (
            "[switch]\ncloses_low_pa = 400",
            "van3.toml:3:1: switch.closes_low_pa is 400 and switch.closes_high_pa is 300; switch.closes_low_pa must \
             not be above switch.closes_high_pa (lowest and highest of one span)",
        ),
        (
            "[leak]\nsmall_mm = 1.2",
            "van3.toml:3:1: leak.small_mm is 1.2 and leak.large_mm is 1.016; leak.small_mm must be below \
             leak.large_mm (small leaks lie between them)",
        ),
    ] {
        assert_eq!(on_base(rest), expected, "\n{rest}");
    }
    assert_eq!(
        sentences("extends = \"switch-modul\""),
        "van3.toml:1:11: there is no built-in profile \"switch-modul\"; did you mean \"switch-module\"?"
    );
}

#[test]
fn a_condition_of_a_guide_says_what_is_wrong_in_it() {
    for (until, expected) in [
        (
            "key",
            "\"nothing\" stands behind a channel; write above LIMIT, below LIMIT, or from LIMIT to LIMIT behind a channel",
        ),
        ("keys is on", "there is no \"keys\" that is in a state; did you mean \"key\"?"),
        ("key is onn", "key is \"onn\"; did you mean \"on\"?"),
        ("vent is closed", "vent is \"closed\"; it can be \"open\" or \"sealed\""),
        ("phase is soaked", "phase is \"soaked\"; did you mean \"soak\"?"),
        ("relief is done", "relief is \"done\"; it can be \"decided\", \"pass\", \"fail\" or \"inconclusive\""),
        ("battery above 12", "there is no channel \"battery\"; did you mean \"battery_v\"?"),
        (
            "battery_v over 12",
            "\"over\" stands behind a channel; write above LIMIT, below LIMIT, or from LIMIT to LIMIT behind a channel",
        ),
        (
            "battery_v above soak.battery_stop",
            "\"soak.battery_stop\" is no limit; did you mean \"soak.battery_stop_v\"?",
        ),
        (
            "battery_v above sense.bias",
            "sense.bias holds a word; a limit is a number in the channel's own unit, or a setting such as \
             soak.level_low_pct",
        ),
        (
            "battery_v above inf",
            "\"inf\" is no limit; a limit is a number in the channel's own unit, or a setting such as soak.level_low_pct",
        ),
        (
            "battery_v from 12",
            "\"from\" lacks its \"to\"; write above LIMIT, below LIMIT, or from LIMIT to LIMIT behind a channel",
        ),
        ("battery_v from 13 to 12", "nothing lies from 13 to 12; the lower limit comes first"),
        (
            "coolant_c minus battery_v below 5",
            "coolant_c and battery_v have different units; take off a channel of the same unit",
        ),
        ("key is on and", "a condition is missing; write one such as key is off"),
        ("key is on now", "\"now\" stands behind a condition; join conditions with and, or"),
        (
            "key is on for ten s",
            "the time behind \"for\" cannot be read; write for 10 s, for 5 min or for 2 h at the end",
        ),
        ("stroke is draw no times", "\"no\" times cannot be counted; write a whole number from 1 to 99"),
    ] {
        let rest = format!("[[guide.soak]]\ntitle = \"A\"\ntext = \"B\"\nuntil = \"{until}\"");
        assert_eq!(on_base(&rest), format!("van3.toml:5:9: until: {expected}"), "{until}");
    }
}

#[test]
fn limits_the_wrong_way_round_are_found_in_every_pair() {
    // Pairs that must stand in order, each broken through its first or second member.
    for (set, other) in [
        ("fuel.rvp_low_psi=14", "fuel.rvp_high_psi"),
        ("vent.restricted_below_mm=6", "vent.open_path_mm"),
        ("switch.reopens_high_pa=300", "switch.closes_high_pa"),
        ("switch.reopens_low_pa=200", "switch.closes_low_pa"),
        ("switch.reopens_low_pa=201", "switch.reopens_high_pa"),
        ("switch.closes_high_pa=750", "reliefs.vacuum_low_pa"),
        ("reliefs.pressure_low_pa=501", "reliefs.pressure_high_pa"),
        ("reliefs.vacuum_high_pa=749", "reliefs.vacuum_low_pa"),
        ("sense.dead_below_v=1.5", "sense.closed_below_v"),
        ("sense.closed_below_v=3", "sense.open_above_v"),
        ("sense.open_above_v=5", "sense.pull_up_v"),
        ("solenoid.off_below_a=0.05", "solenoid.on_above_a"),
        ("solenoid.on_above_a=0.09", "solenoid.hold_low_a"),
        ("solenoid.pull_in_low_a=3.1", "solenoid.pull_in_high_a"),
        ("solenoid.hold_high_a=0.07", "solenoid.hold_low_a"),
        ("phases.stopped_below_rpm=400", "phases.running_above_rpm"),
        ("phases.crank_below_v=13.2", "phases.charging_above_v"),
        ("phases.purge_off_pct=2", "phases.purge_on_pct"),
        ("soak.level_low_pct=85", "soak.level_high_pct"),
        ("soak.shortest_s=14401", "soak.open_after_s"),
        ("decay.ambient_high_c=4", "decay.ambient_low_c"),
        ("leak.large_mm=0.5", "leak.small_mm"),
        ("timer.large_s=51", "timer.small_s"),
        ("timer.large_fall_pa=236", "timer.small_fall_pa"),
        ("model.vapour_lag_low_s=1801", "model.vapour_lag_high_s"),
        ("model.fuel_lag_high_s=7199", "model.fuel_lag_low_s"),
        ("model.evaporation_low_s=7201", "model.evaporation_high_s"),
        ("spoilers.maintainer_above_v=12.2", "soak.battery_stop_v"),
    ] {
        let error = profile::load("switch-module", &[set.to_string()]).unwrap_err();
        let faults = error.faults();
        let key = set.split('=').next().unwrap();
        assert!(faults.iter().any(|f| f.what.contains(key) && f.what.contains(other)), "{set}: {error}");
        assert!(faults.iter().all(|f| f.file == format!("--set {set}")), "{set}: {error}");
    }
    // Equal ends of a span are a span.
    profile::load("switch-module", &["fuel.rvp_low_psi=9".into(), "fuel.rvp_high_psi=9".into()]).unwrap();
}

#[test]
fn all_faults_are_told_at_once_in_the_order_of_the_file() {
    let text = "name = \"\"\nextends = \"switch-module\"\nasks = [\"x\"]\n[vehicle]\ntank_l = 1\nullage = 3\n\
                [leak]\nsmall_mm = 2\n";
    let error = Profile::from_str("van3.toml", text, &["a.b=1".to_string()]).unwrap_err();
    let lines: Vec<u32> = error.faults().iter().filter_map(|f| f.place).map(|p| p.line).collect();
    assert_eq!(lines, [1, 3, 5, 6, 8], "{error}");
    assert_eq!(error.faults().len(), 6);
    assert!(error.faults().iter().any(|f| f.file == "--set a.b=1" && f.place.is_none()));
}

#[test]
fn a_broken_line_is_named_once_and_the_rest_still_checked() {
    let text = "extends = \"switch-module\"
[vehicle]
tank_l = 60 L
ullage_pct 12
lines_l = 4,5
volume_spread_pct =
[vent]
energised = open
restricted_below_mm = 99
[fuel
ethanol_pct = 1
[sense]
bias = 'always
pull_up_v = 05
series_ohm == 3
[leak]
small_mm = 20
[leak]
large_mm = 30
";
    assert_eq!(
        sentences(text).lines().collect::<Vec<_>>(),
        [
            "van3.toml:3:10: 60 L is neither a number nor a text in quotes; put a text in quotes, write a number without its unit",
            "van3.toml:4:12: this is no setting; write KEY = VALUE",
            "van3.toml:5:12: something stands behind the value; one KEY = VALUE a line, decimals with a dot, remarks \
             behind a #",
            "van3.toml:6:20: the value is missing; write a number, or a text in quotes",
            "van3.toml:8:13: open is neither a number nor a text in quotes; put a text in quotes, write a number without its unit",
            "van3.toml:9:23: vent.restricted_below_mm is 99 mm; it must be a number from 0.5 to 30 mm",
            "van3.toml:10:6: unclosed table; here belongs `]`",
            "van3.toml:13:15: invalid literal string; here belongs `'`",
            "van3.toml:14:13: unexpected leading zero; take it out",
            "van3.toml:15:13: extra `=`; take it out",
            "van3.toml:17:12: leak.small_mm is 20 mm; it must be a number from 0.1 to 10 mm",
            "van3.toml:18:2: duplicate key; each line is KEY = VALUE or a [table] heading, each key once",
        ]
    );
    // Nothing to blank: it still ends.
    assert!(sentences("name = \'\'\'\n").starts_with("van3.toml:"));
}

#[test]
fn a_profile_that_extends_nothing_must_be_complete() {
    let error = Profile::from_str("van3.toml", "[vehicle]\ntank_l = 62", &[]).unwrap_err().to_string();
    assert!(error.starts_with("van3.toml:1:1: "), "{error}");
    assert!(error.contains("settings are missing: subject.is, vehicle.ullage_pct, vehicle.lines_l"), "{error}");
    assert!(error.ends_with("write extends = \"switch-module\" to take them from there"), "{error}");
}

#[test]
fn a_set_argument_gets_a_sentence() {
    for (set, expected) in [
        ("vehicle.tank_l", "--set vehicle.tank_l: there is no = in it; write it as vehicle.tank_l=62"),
        (
            "vehicle.tank=62",
            "--set vehicle.tank=62: there is no setting \"vehicle.tank\"; did you mean \"vehicle.tank_l\"?",
        ),
        (
            "nothing.like.it=1",
            "--set nothing.like.it=1: there is no setting \"nothing.like.it\"; `soakwatch profile show switch-module` \
             lists every setting",
        ),
        (
            "vehicle.tank_l=62L",
            "--set vehicle.tank_l=62L: vehicle.tank_l is the word \"62L\"; it must be a number from 5 to 400 L",
        ),
        (
            "vehicle.tank_l=inf",
            "--set vehicle.tank_l=inf: vehicle.tank_l is inf L; it must be a number from 5 to 400 L",
        ),
        ("switch.fitted=true", "--set switch.fitted=true: switch.fitted is \"true\"; it must be \"yes\" or \"no\""),
        (
            "asks=soak",
            "--set asks=soak: there is no test \"soak\"; it must be \"key_off_soak\", \"start_vent\", \
          \"purge_response\", \"vacuum_decay\", \"switch_circuit\", \"vent_solenoid\", \"relief\", \"switch_point\" or \"module_hold\"",
        ),
        (
            "time.period_s=soon",
            "--set time.period_s=soon: time.period_s is \"soon\"; it must be a number from 0.001 to 3600 s",
        ),
        (
            "extends=road-log",
            "--set extends=road-log: extends cannot be set on the command line; write it in a profile file and name \
             that with --profile",
        ),
        ("name=", "--set name=: name is empty; give it a text"),
    ] {
        assert_eq!(profile::load("switch-module", &[set.to_string()]).unwrap_err().to_string(), expected);
    }
}

#[test]
fn a_profile_that_is_not_there_or_not_readable_gets_a_sentence() {
    assert_eq!(
        profile::load("switch-modle", &[]).unwrap_err().to_string(),
        "there is no built-in profile and no file \"switch-modle\"; did you mean \"switch-module\"?"
    );
    assert_eq!(
        profile::load("/nowhere/at/all.toml", &[]).unwrap_err().to_string(),
        "there is no built-in profile and no file \"/nowhere/at/all.toml\"; built in are \"switch-module\", \
         \"pressure-sensor\", \"module-on-the-tray\", \"courier-van\" or \"road-log\"; or give the path of a .toml file"
    );
    assert!(matches!(profile::load_builtin("van3"), Err(Error::NotFound { .. })));
    // A folder is no file.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_str().unwrap();
    let error = profile::load(path, &[]).unwrap_err();
    assert!(matches!(error, Error::Unreadable { .. }));
    let sentence = error.to_string();
    assert!(sentence.starts_with(&format!("cannot read the profile {path}: ")), "{sentence}");
    assert!(sentence.ends_with("; check the file and its permissions"), "{sentence}");
}

fn write(folder: &Path, name: &str, text: impl AsRef<[u8]>) -> String {
    let path = folder.join(name);
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_string()
}

#[test]
fn files_extend_files_beside_them_and_faults_name_the_right_one() {
    let folder = tempfile::tempdir().unwrap();
    write(
        folder.path(),
        "fleet.toml",
        "extends = \"road-log\"\n[vehicle]\ntank_l = { value = 70, source = \"plate\" }\n[switch]\ncloses_high_pa = 280\n",
    );
    let van = write(
        folder.path(),
        "van 7.toml",
        "extends = \"fleet.toml\"\nasks = [\"relief\"]\n[vehicle]\ntank_l = 75\n[[csv]]\ncolumn = \"ENGINE_RPM ()\"\n\
         channel = \"engine_rpm\"\nscale = 0.25\n",
    );
    let p = profile::load(&van, &["leak.sure=0.9".to_string()]).unwrap();
    assert_eq!((p.name.as_str(), p.base.as_deref()), ("van 7", Some("road-log")));
    assert_eq!(p.title, profile::load_builtin("road-log").unwrap().title);
    assert_eq!((p.set.vehicle.tank_l, p.set.switch.closes_high_pa, p.set.leak.sure), (75.0, 280.0, 0.9));
    // The new value stands without the old value's source.
    assert_eq!(p.source("vehicle.tank_l"), "no source given");
    assert_eq!(p.source("leak.sure"), "set on the command line");
    assert_eq!(p.asks.len(), 1);
    assert_eq!(p.columns.len(), 11, "a mapping of the same heading replaces the one beneath");
    assert_eq!(p.columns.iter().filter(|c| c.scale == 0.25).count(), 1);

    // A channel's calibration replaces the one beneath, and its source with it.
    let points = |battery: &str, source: &str| {
        format!("[[calibrate]]\nchannel = \"battery_v\"\nadapter = [10, 14]\ninstrument = {battery}\n{source}\n")
    };
    let one = format!("extends = \"fleet.toml\"\n{}", points("[10, 14.2]", "source = \"meter A\""));
    write(folder.path(), "adapter 1.toml", &one);
    let two = format!("extends = \"adapter 1.toml\"\n{}", points("[9.9, 14]", "source = \"meter B\""));
    let p = profile::load(&write(folder.path(), "adapter 2.toml", &two), &[]).unwrap();
    assert_eq!(p.calibrations.iter().map(|c| c.instrument).collect::<Vec<_>>(), [[9.9, 14.0]]);
    assert_eq!(p.source("calibrate.battery_v"), "meter B");

    // A span broken across two files is named where it was given last.
    let low = write(folder.path(), "low.toml", "extends = \"fleet.toml\"\n[switch]\ncloses_low_pa = 290\n");
    let faults = profile::load(&low, &[]).unwrap_err();
    assert_eq!(faults.faults()[0].file, low);
    assert_eq!(faults.faults()[0].place, Some(Place { line: 3, column: 1 }));

    // Faults of a file beneath carry that file's name.
    let bad = write(folder.path(), "bad.toml", "extends = \"switch-module\"\nx = 1\n");
    let on_bad = write(folder.path(), "on_bad.toml", "extends = \"bad.toml\"\ny = 1\n");
    let error = profile::load(&on_bad, &[]).unwrap_err();
    let files: Vec<&str> = error.faults().iter().map(|f| f.file.as_str()).collect();
    assert_eq!(files, [bad.as_str(), on_bad.as_str()]);

    let lost = write(folder.path(), "lost.toml", "extends = \"flet.toml\"\n");
    let sentence = profile::load(&lost, &[]).unwrap_err().to_string();
    assert!(
        sentence.starts_with(&format!("{lost}:1:11: cannot read \"")) && sentence.contains("built in are"),
        "{sentence}"
    );
}

#[test]
fn circles_are_found() {
    let folder = tempfile::tempdir().unwrap();
    let a = write(folder.path(), "a.toml", "extends = \"b.toml\"\n");
    write(folder.path(), "b.toml", "extends = \"./a.toml\"\n");
    let own = write(folder.path(), "own.toml", "extends = \"own.toml\"\n");
    for path in [a, own] {
        let error = profile::load(&path, &[]).unwrap_err();
        assert!(error.faults().iter().any(|f| f.what.ends_with("extends itself in a circle")), "{error}");
    }
}

#[test]
fn text_that_is_not_utf_8_is_placed() {
    let folder = tempfile::tempdir().unwrap();
    let path = write(folder.path(), "latin.toml", b"# a\n# gr\xFC\xDFe\n");
    assert_eq!(
        profile::load(&path, &[]).unwrap_err().to_string(),
        format!("{path}:2:5: this is not UTF-8 text; save the file as UTF-8")
    );
}

/// The line and column lie in the text, or just behind the end of a line.
fn inside(text: &str, fault: &Fault) -> bool {
    let Some(Place { line, column }) = fault.place else { return false };
    let lines: Vec<&str> = text.split('\n').collect();
    (line as usize)
        .checked_sub(1)
        .and_then(|i| lines.get(i))
        .is_some_and(|l| column >= 1 && column as usize <= l.chars().count() + 1)
}

fn text_of(name: &str) -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("profiles/{name}.toml"))).unwrap()
}

/// Bits of TOML that break things when they land in the wrong place.
const BITS: [&str; 22] = [
    "=",
    "\"",
    "[",
    "]",
    "[[",
    "{",
    "}",
    "\n",
    "#",
    ",",
    ".",
    "nan",
    "-1",
    "1e999",
    "true",
    "'''",
    "\u{0}",
    "ü",
    "\r",
    "0x",
    "2026-01-01",
    "[leak]\n",
];

#[derive(Debug, Clone)]
enum Change {
    Cut(usize, usize),
    Put(usize, usize),
    Copy(usize, usize, usize),
}

fn changes() -> impl Strategy<Value = Vec<Change>> {
    let one = prop_oneof![
        (any::<usize>(), 1..40usize).prop_map(|(at, n)| Change::Cut(at, n)),
        (any::<usize>(), any::<usize>()).prop_map(|(at, bit)| Change::Put(at, bit)),
        (any::<usize>(), any::<usize>(), 1..60usize).prop_map(|(from, to, n)| Change::Copy(from, to, n)),
    ];
    prop::collection::vec(one, 1..5)
}

fn mutate(text: &str, changes: &[Change]) -> String {
    let mut chars: Vec<char> = text.chars().collect();
    for change in changes {
        let len = chars.len() + 1;
        match *change {
            Change::Cut(at, n) => {
                let at = at % len;
                let end = (at + n).min(chars.len());
                chars.drain(at..end);
            }
            Change::Put(at, bit) => {
                let at = at % len;
                chars.splice(at..at, BITS[bit % BITS.len()].chars());
            }
            Change::Copy(from, to, n) => {
                let from = from % len;
                let bit: Vec<char> = chars[from..(from + n).min(chars.len())].to_vec();
                let to = to % len;
                chars.splice(to..to, bit);
            }
        }
    }
    chars.into_iter().collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_mutated_profile_loads_or_has_a_fault_in_the_file(which in 0..3usize, changes in changes()) {
        let name = builtin_names().nth(which).unwrap();
        let text = mutate(&text_of(name), &changes);
        match Profile::from_str("m.toml", &text, &[]) {
            // Whatever loads survives being kept and read back.
            Ok(p) => prop_assert!(Profile::from_table(&p.to_toml(), &[]).unwrap() == (p, vec![])),
            Err(error) => {
                prop_assert!(!error.faults().is_empty());
                for fault in error.faults() {
                    prop_assert!(fault.file != "m.toml" || inside(&text, fault), "{}\n{}", fault, text);
                    prop_assert!(!fault.what.is_empty() && !fault.right.is_empty());
                }
                prop_assert!(error.faults().iter().any(|f| f.file == "m.toml"), "{}", error);
            }
        }
    }

    #[test]
    fn no_set_argument_panics(set in "[a-z_.]{0,20}=?[ -~]{0,10}") {
        if let Err(error) = profile::load("switch-module", std::slice::from_ref(&set)) {
            prop_assert!(error.faults().iter().all(|f| f.file == format!("--set {set}")), "{}", error);
        }
    }
}
