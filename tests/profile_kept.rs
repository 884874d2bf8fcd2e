//! A profile kept with a capture reads back equal, also by another version of the tool; and `profile` the command.

#![allow(missing_docs, clippy::panic, clippy::unwrap_used)]

use soakwatch::channel::Channel;
use soakwatch::cli::profile::{Action, Profiles};
use soakwatch::profile::{self, Profile, SETTINGS, builtin_names};
use std::fs;

#[test]
fn what_is_kept_reads_back_equal() {
    for name in builtin_names() {
        for sets in [vec![], vec!["vehicle.tank_l=61.300000000000004".to_string(), "asks=relief".to_string()]] {
            let p = profile::load(name, &sets).unwrap();
            // Through text, as session.toml keeps it.
            let table: toml::Table = p.to_toml().to_string().parse().unwrap();
            assert_eq!(Profile::from_table(&table, &[]).unwrap(), (p, vec![]));
        }
    }
}

#[test]
fn calibrations_are_kept_and_shown() {
    let text = "extends = \"switch-module\"\n[[calibrate]]\nchannel = \"tank_pressure_pa\"\nadapter = [3.1, -1967.4]\n\
                instrument = [0, -2000.557]\nsource = \"water column, adapter 1\"\n";
    let p = Profile::from_str("adapter 1.toml", text, &[]).unwrap();
    let table: toml::Table = p.to_toml().to_string().parse().unwrap();
    assert_eq!(Profile::from_table(&table, &[]).unwrap(), (p.clone(), vec![]));
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("adapter 1.toml");
    fs::write(&file, text).unwrap();
    let (_, out, _) = run(Action::Show { name: file.display().to_string(), sets: vec![] });
    let shown = Profile::from_str("adapter 1.toml", &out, &[]).unwrap();
    assert_eq!((shown.calibrations, shown.sources), (p.calibrations, p.sources));
}

#[test]
fn sources_on_the_bus_are_kept_and_shown() {
    let text = "extends = \"pressure-sensor\"\n[[did]]\ndid = 0x1234\nlength = 4\nbytes = \"1-2\"\norder = \"high_first\"\n\
                signed = \"yes\"\nresolution = 0.25\noffset = -40\nchannel = \"fuel_temp_c\"\nrate_hz = 0.5\n\
                [[broadcast]]\nid = \"18FEF100\"\nbytes = \"1-8\"\nchannel = \"key\"\nrate_hz = 10\nsource = \"measured\"\n\
                [[obd]]\npid = 0x54\nchannel = \"tank_pressure_pa\"\nrate_hz = 2\n";
    let p = Profile::from_str("van 9.toml", text, &[]).unwrap();
    let pids: Vec<u8> = p.bus.obd.iter().filter(|s| s.channel == Channel::TankPressurePa).map(|s| s.pid).collect();
    assert_eq!(pids, [0x54], "the profile's own takes the place of the one below it");
    let table: toml::Table = p.to_toml().to_string().parse().unwrap();
    assert_eq!(Profile::from_table(&table, &[]).unwrap(), (p.clone(), vec![]));
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("van 9.toml");
    fs::write(&file, text).unwrap();
    let (_, out, _) = run(Action::Show { name: file.display().to_string(), sets: vec![] });
    let shown = Profile::from_str("van 9.toml", &out, &[]).unwrap();
    assert_eq!((shown.bus, shown.sources), (p.bus, p.sources));
}

#[test]
fn a_kept_profile_can_be_set_anew() {
    let table = profile::load_builtin("road-log").unwrap().to_toml();
    let (p, warnings) = Profile::from_table(&table, &["leak.sure=0.95".to_string()]).unwrap();
    assert!(warnings.is_empty());
    assert_eq!((p.set.leak.sure, p.name.as_str()), (0.95, "road-log"));
    assert!(Profile::from_table(&table, &["leak.shure=0.95".to_string()]).is_err());
}

#[test]
fn settings_that_an_older_version_did_not_keep_come_from_the_built_in_base_with_a_warning() {
    let sensor = profile::load("pressure-sensor", &["vehicle.tank_l=77".to_string()]).unwrap();
    let mut table = sensor.to_toml();
    table["vent"].as_table_mut().unwrap().remove("energised");
    table.remove("spoilers");
    let (p, warnings) = Profile::from_table(&table, &[]).unwrap();
    assert_eq!(p, sensor, "the profile it stands on says \"sealed\", the base of all would say \"open\"");
    assert_eq!(
        warnings,
        ["the kept profile lacks vent.energised, spoilers.refuel_step_pct, spoilers.warming_k, \
          spoilers.baro_swing_pa, spoilers.maintainer_above_v, spoilers.sudden_s, taken from the built-in \
          pressure-sensor"]
    );
    // What the kept profile maps and asks stays its own.
    let mut bare = profile::load_builtin("road-log").unwrap().to_toml();
    bare.remove("csv");
    bare.remove("time");
    bare.remove("leak");
    let (p, _) = Profile::from_table(&bare, &[]).unwrap();
    assert!(p.columns.is_empty() && p.row_time.is_none());
}

#[test]
fn settings_of_a_newer_version_are_left_out_with_a_warning() {
    let own = profile::load_builtin("switch-module").unwrap();
    let mut table = own.to_toml();
    table["leak"].as_table_mut().unwrap().insert("huge_mm".into(), toml::Value::Float(3.0));
    table.insert("weather".into(), toml::Table::new().into());
    let (p, warnings) = Profile::from_table(&table, &[]).unwrap();
    assert_eq!(p, own);
    assert_eq!(
        warnings,
        [
            "the setting leak.huge_mm is not known to this version and was left out",
            "\"weather\" is not known to this version and was left out"
        ]
    );
}

#[test]
fn a_damaged_kept_profile_is_told_without_a_false_place() {
    let mut table = profile::load_builtin("switch-module").unwrap().to_toml();
    table["leak"].as_table_mut().unwrap().insert("small_mm".into(), "wide".into());
    assert_eq!(
        Profile::from_table(&table, &[]).unwrap_err().to_string(),
        "the profile kept with the capture: leak.small_mm is the word \"wide\"; it must be a number from 0.1 to 10 mm"
    );
    table = profile::load_builtin("switch-module").unwrap().to_toml();
    table.insert("extends".into(), "road-log".into());
    let error = Profile::from_table(&table, &[]).unwrap_err();
    assert!(error.to_string().contains("it extends another profile"), "{error}");
}

fn run(action: Action) -> (u8, String, String) {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let code = Profiles { action }.answer(&mut out, &mut err).unwrap().code();
    (code, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

#[test]
fn list_names_the_built_in_profiles() {
    let (code, out, err) = run(Action::List);
    assert_eq!((code, err.as_str()), (0, ""));
    assert_eq!(
        out.lines().map(|l| l.split_whitespace().next().unwrap()).collect::<Vec<_>>(),
        builtin_names().collect::<Vec<_>>()
    );
}

#[test]
fn show_gives_value_unit_source_and_meaning_and_is_itself_a_profile() {
    for name in builtin_names() {
        let sets = vec!["vehicle.tank_l=62".to_string()];
        let (code, out, err) = run(Action::Show { name: name.to_string(), sets: sets.clone() });
        assert_eq!((code, err.as_str()), (0, ""));
        assert!(
            out.contains(
                "# Nominal tank volume. (5 to 400 L)\ntank_l = { value = 62, source = \"set on the command line\" }\n"
            ),
            "{out}"
        );
        for s in SETTINGS {
            assert!(out.contains(s.doc.trim()), "{name} lacks the meaning of {}", s.path);
        }
        let mut p = profile::load(name, &sets).unwrap();
        p.base = None;
        assert_eq!(Profile::from_str("shown.toml", &out, &[]).unwrap(), p);
    }
    let (code, out, err) = run(Action::Show { name: "tray".to_string(), sets: vec![] });
    assert_eq!((code, out.as_str()), (2, ""));
    assert!(err.starts_with("there is no built-in profile and no file \"tray\"; "), "{err}");
}

#[test]
fn check_tells_sound_from_faulty() {
    let folder = tempfile::tempdir().unwrap();
    let good = folder.path().join("good.toml");
    let bad = folder.path().join("bad.toml");
    fs::write(&good, "extends = \"switch-module\"\n[vehicle]\ntank_l = 62\n").unwrap();
    fs::write(&bad, "extends = \"switch-module\"\n[vehicle]\ntank_l = 1\nlines = 3\n").unwrap();
    let (good, bad) = (good.to_str().unwrap().to_string(), bad.to_str().unwrap().to_string());

    let (code, out, _) = run(Action::Check { files: vec![good.clone(), "road-log".to_string()] });
    assert_eq!(code, 0);
    assert!(
        out.starts_with(&format!("{good}: sound, {} settings\n  without a source: vehicle.tank_l\n", SETTINGS.len())),
        "{out}"
    );
    assert!(out.ends_with(&format!("road-log: sound, {} settings\n", SETTINGS.len())), "{out}");

    let (code, out, err) = run(Action::Check { files: vec![bad.clone(), good] });
    assert_eq!(code, 2);
    assert!(err.contains(&format!("{bad}:3:10: vehicle.tank_l is 1 L; ")), "{err}");
    assert!(
        err.contains(&format!("{bad}:4:1: there is no setting vehicle.lines; did you mean \"vehicle.lines_l\"?")),
        "{err}"
    );
    assert!(err.contains(&format!("{bad}: 2 faults\n")), "{err}");
    assert!(out.contains("sound"), "the files after a faulty one are checked as well");
}

#[test]
fn guides_are_shown_and_kept_and_one_of_a_newer_version_is_left_out() {
    let own = profile::load_builtin("switch-module").unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let show = Profiles { action: Action::Show { name: "switch-module".into(), sets: vec![] } };
    show.answer(&mut out, &mut err).unwrap();
    let shown = Profile::from_str("shown.toml", std::str::from_utf8(&out).unwrap(), &[]).unwrap();
    assert_eq!(shown.guides, own.guides);
    // A file's own guide stands for the whole of that job; an empty one takes it away; others stay.
    let text = "extends = \"switch-module\"\n[guide]\nroad = []\nsoak = [{ title = \"A\", text = \"B\" }]\n";
    let p = Profile::from_str("van.toml", text, &[]).unwrap();
    assert_eq!(p.guides.iter().map(|(j, s)| (j.name(), s.len())).collect::<Vec<_>>(), [("soak", 1)]);

    let mut table = own.to_toml();
    table["guide"]["soak"][0].as_table_mut().unwrap().insert("until".into(), "moon is full".into());
    let (kept, warnings) = Profile::from_table(&table, &[]).unwrap();
    assert_eq!(kept.guides.keys().map(|j| j.name()).collect::<Vec<_>>(), ["road"]);
    assert_eq!(
        warnings,
        ["the guide soak is left out, this version cannot read it: until: there is no \"moon\" that is in a state"]
    );
}
