//! The error enums of all rooms.

use crate::{err, hold, soakwatch};
use clap::Parser;
use soakwatch::capture::{self, Reader, SessionFile, Writer};
use soakwatch::cli::{self, Command, Outcome, inputs};
use soakwatch::daemon::client::Client;
use soakwatch::daemon::{self, place};
use soakwatch::decode::Reading;
use soakwatch::grade::verdict::Findings;
use soakwatch::link::{self, FileRows, LinkSpec};
use soakwatch::profile::{self, Profile};
use soakwatch::record::{Body, LinkInfo, Record};
use soakwatch::session::{self, Limits, Options, Session, Sink, SinkError};
use soakwatch::time::Stamp;
use soakwatch::wire::table::{self, Header};
use soakwatch::{sim, view};
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tempfile::TempDir;

const NOT_FOUND: &str = "No such file or directory (os error 2)";

fn here() -> (TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().to_owned();
    (dir, path)
}

fn switch_module() -> Arc<Profile> {
    Arc::new(profile::load_builtin("switch-module").unwrap())
}

fn session_file() -> SessionFile {
    let links = vec![LinkInfo { kind: "bench".into(), name: "the tray".into() }];
    SessionFile::new(1_769_839_200_000_000_000, links, switch_module().to_toml())
}

rows!(TABLE, table_row, table::Error {
    table::Error::DuplicateHeading { .. } => "a heading twice",
    table::Error::OpenQuote => "a quotation mark without its fellow",
});

#[test]
fn headings() {
    let told = |line: &str| Header::parse(line.as_bytes()).unwrap_err();
    hold(
        TABLE,
        table_row,
        &[],
        vec![
            (
                "a heading twice",
                told("time_s,key,battery_v,key"),
                "columns 2 and 4 are both headed \"key\": rename or remove one of them".into(),
            ),
            (
                "a quotation mark without its fellow",
                told("time_s,\"key"),
                "a quotation mark is opened in the headings and not closed: close it on the same line".into(),
            ),
        ],
    );
}

rows!(SIM, sim_row, sim::Error {
    sim::Error::UnknownScenario { .. } => "no such scenario",
    sim::Error::LeakSize { .. } => "no size of a hole",
    sim::Error::NoSwitch { .. } => "a switch fault without switch",
    sim::Error::NoBus { .. } => "a bus without vehicle",
});

#[test]
fn scenarios() {
    let told = |scenario| sim::Player::new(scenario, 1, true).err().unwrap();
    let size = |given| {
        format!(
            "`leak-{given}` is no size of a hole: give its diameter in millimetres, from 0 to 30, as in `leak-0.70`"
        )
    };
    hold(
        SIM,
        sim_row,
        &[],
        vec![
            (
                "no such scenario",
                told("tihgt"),
                "there is no scenario `tihgt`: say `tight`, `leak-0.70`, or another that `soakwatch links` lists".into(),
            ),
            ("no size of a hole", told("leak-big"), size("big")),
            ("no size of a hole", told("tight+leak--1"), size("-1")),
            ("no size of a hole", told("leak-NaN"), size("NaN")),
            (
                "a switch fault without switch",
                told("ps-switch-stuck-open"),
                "`ps-switch-stuck-open`: a vehicle with a tank pressure sensor has no leak switch to be at fault; leave \
                 out `ps-`"
                    .into(),
            ),
            (
                "a bus without vehicle",
                sim::bus::Outing::new("tray-good", 1, sim::bus::Standard::Can11, &[]).err().unwrap(),
                "`tray-good` plays a module on the tray, which has no bus: leave out the way to the bus, or name a \
                 vehicle's day"
                    .into(),
            ),
        ],
    );
}

rows!(PROFILE, profile_row, profile::Error {
    profile::Error::Faulty(_) => "faults",
    profile::Error::NotFound { .. } => "no such profile",
    profile::Error::Unreadable { .. } => "a profile that cannot be read",
});

/// The sentences of single faults are held by `tests/profile_faults.rs`.
#[test]
fn profiles() {
    let (_dir, dir) = here();
    let file = dir.join("van3.toml");
    fs::write(&file, "extends = \"switch-module\"\n[vehicle]\ntank_l = 900\n").unwrap();
    let told = |name: &Path| profile::load(name.to_str().unwrap(), &[]).unwrap_err();
    hold(
        PROFILE,
        profile_row,
        &[],
        vec![
            (
                "faults",
                told(&file),
                format!("{}:3:10: vehicle.tank_l is 900 L; it must be a number from 5 to 400 L", file.display()),
            ),
            (
                "no such profile",
                told(Path::new("switch-modle")),
                "there is no built-in profile and no file \"switch-modle\"; did you mean \"switch-module\"?".into(),
            ),
            (
                "a profile that cannot be read",
                told(&dir),
                format!(
                    "cannot read the profile {}: Is a directory (os error 21); check the file and its permissions",
                    dir.display()
                ),
            ),
        ],
    );
}

rows!(LINK, link_row, link::Error {
    link::Error::NoTarget { .. } => "no link",
    link::Error::UnknownKind { .. } => "no such kind",
    link::Error::UnknownKey { .. } => "no such key",
    link::Error::BadValue { .. } => "a value that cannot be used",
    link::Error::Port { .. } => "a port that cannot be opened",
    link::Error::Can { .. } => "a CAN interface that cannot be opened",
    link::Error::File { .. } => "a file that cannot be read",
    link::Error::Table { .. } => "a file that is no table",
    link::Error::Pairing { .. } => "a play that the profile does not judge",
    link::Error::Sim(_) => "no such simulation",
});

#[test]
fn links() {
    let (_dir, dir) = here();
    let told = |link: &str| LinkSpec::parse(link).unwrap_err();
    let start = |link: &str| match begin(&dir, &[link], None) {
        Err(session::Error::Link(e)) => e,
        _ => panic!("{link}"),
    };
    let file = |text: &[u8]| {
        let path = dir.join("rows.csv");
        fs::write(&path, text).unwrap();
        FileRows::open(&path, &switch_module()).err().unwrap()
    };
    let port = |port: &str, what: &str| {
        format!(
            "{port} cannot be opened: {what}. Check the name (`soakwatch links` lists the ports), the plug and that no \
             other program holds the port"
        )
    };
    let no_link =
        |s: &str| format!("\"{s}\" is no link: write KIND:TARGET, such as bench:/dev/ttyUSB0, csv:FILE or sim:tight");
    let rows = |at: &str, what: &str| format!("{}/rows.csv, line {at}: {what}", dir.display());
    let a_file = dir.join("a file");
    fs::write(&a_file, "").unwrap();
    let mut cases = vec![
        ("no link", told("tight"), no_link("tight")),
        ("no link", told("csv:"), no_link("csv:")),
        (
            "no such kind",
            told("nosuch:x"),
            "\"nosuch:x\": there is no kind of link \"nosuch\"; there are adapter:PORT, bench:PORT, can:IFACE, csv:FILE, slcan:PORT, sim:SCENARIO".into(),
        ),
        (
            "no such key",
            told("bench:x,speed=1"),
            "\"bench:x,speed=1\": bench takes no key \"speed\"; it takes baud".into(),
        ),
        (
            "a value that cannot be used",
            told("sim:tight,tap=1"),
            "\"sim:tight,tap=1\": tap=1 cannot be used; it must be yes or no".into(),
        ),
        ("a port that cannot be opened", start("bench:/dev/nosuch"), port("/dev/nosuch", "No such file or directory")),
        ("a port that cannot be opened", start("bench:/dev/null"), port("/dev/null", "it is no serial port")),
        (
            "a port that cannot be opened",
            start(&format!("bench:{}", a_file.display())),
            port(a_file.to_str().unwrap(), "it is no serial port"),
        ),
        (
            "a CAN interface that cannot be opened",
            // There on every Linux; what else can be missing is told in the link's own tests.
            start("can:lo"),
            "can:lo cannot be opened: it is no CAN interface; `soakwatch links` lists those there are".into(),
        ),
        (
            "a file that cannot be read",
            start("csv:/nowhere/x.csv"),
            format!("/nowhere/x.csv cannot be read: {NOT_FOUND}. Check the name and that you may read it"),
        ),
        (
            "a file that cannot be read",
            start("csv:/"),
            "/ cannot be read: is a directory. Check the name and that you may read it".into(),
        ),
        (
            "a play that the profile does not judge",
            start("sim:tray-good"),
            "sim:tray-good plays a module on the tray, and the profile \"switch-module\" judges a vehicle: name \
             --profile module-on-the-tray, or another scenario that `soakwatch links` lists"
                .into(),
        ),
        (
            "no such simulation",
            start("sim:tihgt"),
            "there is no scenario `tihgt`: say `tight`, `leak-0.70`, or another that `soakwatch links` lists".into(),
        ),
    ];
    let long = [b"time_s,key\n0,1\n".as_slice(), &vec![b'7'; (1 << 20) + 1]].concat();
    let no_text = "this is no UTF-8 text; save the table as CSV in UTF-8, or name the folder of a capture";
    for (text, at, what) in [
        (b"".as_slice(), "1, column 1", "the file is empty; copy it again from where it was written, or name another"),
        (b"\x7fELF\x02\x01\n\x00\x00\"a,a\n", "1, column 1", no_text),
        // UTF-16, as some spreadsheets write "text".
        (b"\xff\xfet\0i\0m\0e\0_\0s\0,\0k\0e\0y\0\n\0", "1, column 1", no_text),
        (
            b"time_s;key\n0;1\n",
            "1, column 1",
            "the cells are parted by semicolons; save the file with commas (RFC 4180)",
        ),
        (
            b"a letter\nto nobody\n",
            "1, column 1",
            "no headings found: a line with time_s (or utc) and channel names such as battery_v and leak_switch must \
             come first, or a profile must say what the headings mean",
        ),
        (
            b"\nkey,battery_v\n1,12\n",
            "2, column 1",
            "there is a column for key but none for the time; add a column time_s (seconds) or utc (RFC 3339), or name \
             a profile that says where time comes from (switch-module does not)",
        ),
        (b"time_s,key,key\n", "1, column 3", "columns 2 and 3 are both headed \"key\": rename or remove one of them"),
        (
            b"time_s,\"key\n0,1\n",
            "1, column 1",
            "a quotation mark is opened in the headings and not closed: close it on the same line",
        ),
        (
            &long[15..],
            "1, column 1",
            "the line is longer than 1 MiB, this is no row; take the line out, or name another file",
        ),
    ] {
        cases.push(("a file that is no table", file(text), rows(at, what)));
    }
    hold(LINK, link_row, &[], cases);
    // The long line may stand further down: found when it is read.
    fs::write(dir.join("rows.csv"), &long).unwrap();
    let e = session::replay(&dir.join("rows.csv"), Limits::Stored(&[]), &mut |_| {}, &mut |_, _| {}).unwrap_err();
    assert!(e.to_string().contains("rows.csv, line 3, column 1: the line is longer than 1 MiB"), "{e}");
}

rows!(CAPTURE, capture_row, capture::Error {
    capture::Error::Io { .. } => "the system refuses",
    capture::Error::Session { .. } => "a faulty session file",
    capture::Error::NoCapture { .. } => "no capture",
    capture::Error::Compressed { .. } => "a compressed raw file",
    capture::Error::Refused { .. } => "a record that cannot be held",
});

/// A sound capture in `dir/name`.
fn sound(dir: &Path, name: &str) -> PathBuf {
    let dir = dir.join(name);
    drop(Writer::create(&dir, &session_file()).unwrap());
    dir
}

#[test]
fn captures() {
    let (_dir, dir) = here();
    let said = |dir: &Path| match Reader::open(dir) {
        Err(e) => e,
        Ok(mut reader) => reader.find_map(Result::err).unwrap(),
    };
    let changed = |name: &str, change: &dyn Fn(&Path)| {
        let dir = sound(&dir, name);
        change(&dir);
        said(&dir)
    };
    let text = fs::read_to_string(sound(&dir, "good").join("session.toml")).unwrap();
    let session = |name: &str, from: &str, to: &str| {
        assert!(text.contains(from));
        changed(name, &|d| fs::write(d.join("session.toml"), text.replacen(from, to, 1)).unwrap())
    };
    let faulty = |name: &str, place: &str, what: &str| {
        format!(
            "{}/{name}/session.toml, line {place}: {what}; restore the file from a copy, the raw records need it to be \
             graded",
            dir.display()
        )
    };
    let at = |rest: &str| format!("{}/{rest}", dir.display());
    let mut writer = Writer::create(&dir.join("w"), &session_file()).unwrap();
    let mut refused = |link, len| {
        let body = Body::Bytes(vec![b'7'; len]);
        writer.append(&mut [Record { at: Stamp::ZERO, link, seq: 0, body }]).unwrap_err()
    };
    let restore = "check the name, or restore it from a copy";
    hold(
        CAPTURE,
        capture_row,
        &[],
        vec![
            (
                "the system refuses",
                said(&dir.join("nowhere")),
                at(&format!("nowhere: cannot look into the capture's folder: {NOT_FOUND}; {restore}")),
            ),
            (
                "the system refuses",
                changed("a", &|d| fs::remove_file(d.join("session.toml")).unwrap()),
                at(&format!("a/session.toml: cannot read the session file: {NOT_FOUND}; {restore}")),
            ),
            (
                "the system refuses",
                changed("b", &|d| fs::create_dir(d.join("raw.0002.pcapng")).unwrap()),
                at(&format!("b/raw.0002.pcapng: cannot read the raw records: Is a directory (os error 21); {restore}")),
            ),
            (
                "the system refuses",
                Writer::create(&dir.join("good"), &session_file()).err().unwrap(),
                at("good/session.toml: cannot create the session file: File exists (os error 17); a capture is never \
                    overwritten, choose another folder"),
            ),
            (
                "a faulty session file",
                session("c", "1769839200000000000", "\"noon\""),
                faulty("c", "3, column 17", "invalid type: string \"noon\", expected i64"),
            ),
            (
                "a faulty session file",
                session("d", "2026-01-31T06:00:00Z", "yesterday"),
                faulty("d", "2, column 11", "`yesterday` is not a time in RFC 3339, such as 2026-01-31T06:00:00Z"),
            ),
            (
                "a faulty session file",
                changed("e", &|d| fs::write(d.join("session.toml"), b"# van\nname = \"\xE9\"\n").unwrap()),
                faulty("e", "2, column 9", "byte 14 is not UTF-8 text"),
            ),
            (
                "no capture",
                said(&dir),
                format!(
                    "{}: no capture here, there is no raw.pcapng in it; name the folder that holds raw.pcapng",
                    dir.display()
                ),
            ),
            (
                "a compressed raw file",
                changed("f", &|d| fs::rename(d.join("raw.pcapng"), d.join("raw.pcapng.zst")).unwrap()),
                at("f/raw.pcapng.zst: it does not begin as a file compressed with zstd does; restore it from a copy"),
            ),
            (
                "a record that cannot be held",
                refused(3, 1),
                at("w/raw.pcapng: not recorded: bytes of link 3, which the session does not have"),
            ),
            (
                "a record that cannot be held",
                refused(1, (1 << 20) + 1),
                at("w/raw.pcapng: not recorded: a record of 1048577 bytes; the most is 1048576, split it"),
            ),
        ],
    );
}

rows!(SESSION, session_row, session::Error {
    session::Error::NoLink => "no link at all",
    session::Error::Mixed => "links that do not go together",
    session::Error::Twice { .. } => "a port twice",
    session::Error::Claimed { .. } => "a link of another run",
    session::Error::Speed { .. } => "no pace",
    session::Error::Folder { .. } => "no folder for the capture",
    session::Error::Link(_) => "a link",
    session::Error::Capture(_) => "a capture",
    session::Error::Profile(_) => "a profile",
    session::Error::System { .. } => "the system has no thread",
    session::Error::Broken { .. } => "a fault of the program",
});

fn begin(dir: &Path, links: &[&str], speed: Option<f64>) -> Result<Session, session::Error> {
    let links = links.iter().map(|l| LinkSpec::parse(l).unwrap()).collect();
    let options = Options { links, profile: switch_module(), captures: dir.join("captures"), speed, last: None };
    Session::start(&options, Vec::new())
}

#[test]
fn sessions() {
    let (_dir, dir) = here();
    let told = |links: &[&str], speed| begin(&dir, links, speed).err().unwrap();
    let judge = |path: &Path| session::replay(path, Limits::Stored(&[]), &mut |_| {}, &mut |_, _| {}).unwrap_err();
    let alias = dir.join("tray");
    std::os::unix::fs::symlink("/dev/null", &alias).unwrap();
    let alias = alias.display().to_string();
    let d = dir.display();
    let speed = |s| format!("a speed of {s} cannot be kept: give a number above 0, such as 60");

    let kept = sound(&dir, "kept");
    let mut session = session_file();
    session.profile["leak"].as_table_mut().unwrap().insert("small_mm".into(), "wide".into());
    fs::remove_file(kept.join("session.toml")).unwrap();
    session.write(&kept).unwrap();

    let no_folder = {
        fs::write(dir.join("captures"), "").unwrap();
        let e = told(&["sim:tight"], Some(1e6));
        fs::remove_file(dir.join("captures")).unwrap();
        e
    };
    let broken = {
        let links = vec![LinkSpec::parse("sim:tight").unwrap()];
        let captures = dir.join("broken");
        let options = Options { links, profile: switch_module(), captures, speed: None, last: None };
        Session::start(&options, vec![Box::new(Falls)]).unwrap().join().unwrap_err()
    };
    let broken_dir = match &broken {
        session::Error::Broken { dir } => dir.display().to_string(),
        other => panic!("{other}"),
    };
    let claimed = {
        let own = session::own_folder();
        fs::create_dir_all(&own).unwrap();
        let lock = fs::File::create(own.join("_dev_zero.lock")).unwrap();
        lock.lock().unwrap();
        told(&["bench:/dev/zero"], None)
    };
    let no_thread = without_threads(&dir);
    hold(
        SESSION,
        session_row,
        &[no_thread],
        vec![
            (
                "no link at all",
                told(&[], None),
                "no link to record from: name one, such as bench:/dev/ttyUSB0 or sim:tight".into(),
            ),
            (
                "links that do not go together",
                told(&["sim:tight", "bench:/dev/ttyUSB0"], None),
                "a file or the simulator brings its own time and cannot be recorded together with another link: name it \
                 alone"
                    .into(),
            ),
            (
                "a port twice",
                told(&["bench:/dev/null", &format!("bench:{alias},baud=9600")], None),
                format!("{alias} is named twice: name each port once, a second link to it would take bytes from the first or record them twice"),
            ),
            (
                "a link of another run",
                claimed,
                "/dev/zero is recorded already by another run: look at that one with `soakwatch attach`, or end it first"
                    .into(),
            ),
            ("no pace", told(&["sim:tight"], Some(0.0)), speed("0")),
            ("no pace", told(&["sim:tight"], Some(-1.0)), speed("-1")),
            ("no pace", told(&["sim:tight"], Some(f64::NAN)), speed("NaN")),
            ("no pace", told(&["sim:tight"], Some(f64::INFINITY)), speed("inf")),
            (
                "no folder for the capture",
                no_folder,
                format!(
                    "{d}/captures: cannot make a folder for the capture: File exists (os error 17). Name another place \
                     with --captures"
                ),
            ),
            (
                "a link",
                told(&["csv:/nowhere/x.csv"], None),
                format!("/nowhere/x.csv cannot be read: {NOT_FOUND}. Check the name and that you may read it"),
            ),
            (
                "a capture",
                judge(&dir),
                format!("{d}: no capture here, there is no raw.pcapng in it; name the folder that holds raw.pcapng"),
            ),
            (
                "a profile",
                judge(&kept),
                format!(
                    "{d}/kept/session.toml: the profile kept with the capture: leak.small_mm is the word \"wide\"; it \
                     must be a number from 0.1 to 10 mm"
                ),
            ),
            (
                "a fault of the program",
                broken,
                format!(
                    "the recorder stopped by a fault of this program; what it recorded is in {broken_dir}, grade it \
                     with: soakwatch regrade {broken_dir}"
                ),
            ),
        ],
    );
    // What it recorded can be graded, as the sentence says.
    let mut progress = |_, _| {};
    session::replay(Path::new(&broken_dir), Limits::Stored(&[]), &mut |_| {}, &mut progress).unwrap();
}

/// A sink with a fault.
struct Falls;

impl Sink for Falls {
    fn begin(&mut self, _: &Path) -> Result<(), SinkError> {
        Ok(())
    }
    fn reading(&mut self, _: &Reading) -> Result<(), SinkError> {
        panic!("a fault of the program, on purpose");
    }
    fn finish(&mut self, _: &Findings) -> Result<(), SinkError> {
        Ok(())
    }
}

/// A system that has no room for another thread's stack.
fn without_threads(dir: &Path) -> &'static str {
    let args = ["watch", "--link", "sim:tight", "--seconds", "1"];
    let ended = crate::program(dir, &args).env("RUST_MIN_STACK", (1u64 << 46).to_string()).output().unwrap();
    assert_eq!(ended.status.code(), Some(2));
    assert_eq!(
        err(&ended),
        "soakwatch: the system cannot start a link: Resource temporarily unavailable (os error 11). Close other \
         programs and try again\n"
    );
    assert!(!dir.join("captures").exists());
    "the system has no thread"
}

rows!(DAEMON, daemon_row, daemon::Error {
    daemon::Error::InUse { .. } => "a socket in use",
    daemon::Error::Socket { .. } => "no place for a socket",
    daemon::Error::Away { .. } => "no daemon",
    daemon::Error::Told { .. } => "what it does not do",
    daemon::Error::Lost { .. } => "a daemon that broke off",
});

#[test]
fn daemons() {
    let (_dir, dir) = here();
    let d = dir.display();
    let at = dir.join("own").join("socket");
    let listener = place::listen(&at).unwrap();
    let in_use = place::listen(&at).err().unwrap();
    let answers = |line: &'static str| {
        let path = dir.join("own").join("other");
        let _ = fs::remove_file(&path);
        let other = std::os::unix::net::UnixListener::bind(&path).unwrap();
        let answer = std::thread::spawn(move || other.accept().unwrap().0.write_all(line.as_bytes()).unwrap());
        let mut client = Client::to(&path).unwrap();
        let told = client.told().unwrap_err();
        answer.join().unwrap();
        told
    };
    fs::write(dir.join("file"), "").unwrap();
    fs::write(dir.join("own").join("plain"), "").unwrap();
    let open = dir.join("open");
    fs::create_dir(&open).unwrap();
    fs::set_permissions(&open, std::os::unix::fs::PermissionsExt::from_mode(0o777)).unwrap();
    let no_place = |path: PathBuf| place::listen(&path).err().unwrap();
    let cannot = |path: &str, why: &str| {
        format!("{d}/{path}: no socket can be made there: {why}. Name another place with --socket")
    };
    hold(
        DAEMON,
        daemon_row,
        &[],
        vec![
            (
                "a socket in use",
                in_use,
                format!(
                    "a daemon answers at {d}/own/socket already: attach to it with `soakwatch attach`, or give this one a --socket of its own"
                ),
            ),
            ("no place for a socket", no_place(dir.join("file/x")), cannot("file/x", "Not a directory (os error 20)")),
            (
                "no place for a socket",
                no_place(dir.join("own/plain")),
                cannot("own/plain", "something that is no socket lies there"),
            ),
            ("no place for a socket", no_place(open.join("x")), cannot("open/x", "others may write to its folder")),
            (
                "no daemon",
                Client::to(&dir.join("none")).err().unwrap(),
                format!(
                    "no daemon answers at {d}/none: {NOT_FOUND}. Start one with `soakwatch daemon`, or name its --socket"
                ),
            ),
            (
                "what it does not do",
                answers("{\"tell\":\"error\",\"why\":\"no vehicle\"}\n"),
                "the daemon says: no vehicle".into(),
            ),
            (
                "a daemon that broke off",
                answers("{\"tell\"\n"),
                "the daemon went away: EOF while parsing an object at line 2 column 0. What it recorded is in its captures".into(),
            ),
        ],
    );
    drop(listener);
    // Nobody answers there any more, so it is taken over.
    place::listen(&at).unwrap();
}

rows!(VIEW, view_row, view::Error {
    view::Error::Write { .. } => "nothing can be written",
    view::Error::Exists { .. } => "an earlier export",
});

rows!(CLI, cli_row, cli::Error {
    cli::Error::Path { .. } => "a path",
    cli::Error::Nothing { .. } => "nothing to grade",
    cli::Error::Into { .. } => "nowhere to write",
    cli::Error::NoGuide { .. } => "no such guide",
    cli::Error::OldBus { .. } => "an older bus on a way of CAN",
    cli::Error::Play { .. } => "nothing to play on",
    cli::Error::Tight { .. } => "no tight reading",
    cli::Error::Kept { .. } => "a profile in the way",
    cli::Error::Several => "several captures",
    cli::Error::Plan(_) => "a plan",
    cli::Error::Daemon(_) => "a daemon",
    cli::Error::Profile(_) => "a profile",
    cli::Error::Link(_) => "a link",
    cli::Error::Session(_) => "a session",
    cli::Error::View(_) => "a view",
});

/// A command as it is called, in this process.
pub fn call(args: &[&str]) -> Result<Outcome, cli::Error> {
    match cli::Line::try_parse_from([&["soakwatch"], args].concat()).unwrap().command {
        Command::Watch(c) => c.run(),
        Command::Regrade(c) => c.run(),
        Command::Export(c) => c.run(),
        Command::Links(c) => c.run(),
        Command::Play(c) => c.run(),
        Command::Profile(c) => c.run(),
        Command::Plan(c) => c.run(),
        Command::Captures(c) => c.run(),
        Command::Daemon(c) => c.run(),
        Command::Attach(c) => c.run(),
        Command::Mark(c) => c.run(),
    }
}

/// A system that has no more files, and a pseudo-terminal takes two.
fn without_terminals(dir: &Path) -> &'static str {
    let few = format!("ulimit -n 4; exec {} play --to slcan", env!("CARGO_BIN_EXE_soakwatch"));
    let ended = std::process::Command::new("sh").args(["-c", &few]).current_dir(dir).output().unwrap();
    assert_eq!(
        err(&ended),
        "soakwatch: the play ended: Too many open files (os error 24). See that the interface stays up and that the \
         system has pseudo-terminals\n"
    );
    assert_eq!(ended.status.code(), Some(2));
    "nothing to play on"
}

/// A disk that fills up.
struct Full;

impl Write for Full {
    fn write(&mut self, _: &[u8]) -> io::Result<usize> {
        Err(io::ErrorKind::StorageFull.into())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[test]
fn commands_and_views() {
    let (_dir, dir) = here();
    let d = dir.display();
    let at = |p: &str| dir.join(p).display().to_string();
    fs::write(at("rows.csv"), "time_s,key\n0,1\n").unwrap();
    fs::create_dir_all(at("empty")).unwrap();
    fs::create_dir_all(at("done")).unwrap();
    fs::write(at("done/gaps.csv"), "").unwrap();
    let export = |into: &str| call(&["export", &at("rows.csv"), "--to", "csv", "--into", into]).unwrap_err();
    let view = |e: cli::Error| match e {
        cli::Error::View(e) => e,
        other => panic!("{other}"),
    };
    let findings = soakwatch::judge::Judge::new(switch_module(), &[]).findings("van 3");
    let exists = format!(
        "{d}/done/gaps.csv is there already and was left as it is. Name another folder with --into, or say --replace."
    );
    let in_the_way = format!(
        "{d}/rows.csv could not be written: File exists (os error 17). A file stands where a folder must be: name \
         another place."
    );
    hold(
        VIEW,
        view_row,
        &[],
        vec![
            ("an earlier export", view(export(&at("done"))), exists.clone()),
            ("nothing can be written", view(export(&at("rows.csv"))), in_the_way),
            (
                "nothing can be written",
                view::csv::findings(&findings, Full, "findings.csv").unwrap_err(),
                "findings.csv could not be written: no storage space. See that the disk has room and that you may write \
                 there."
                    .into(),
            ),
        ],
    );

    let found = |path: &str| inputs::find(&[path.into()]).1.remove(0);
    let path = |p: &str| format!("{p} could not be read: {NOT_FOUND}. Check the path and that you may read it.");
    hold(
        CLI,
        cli_row,
        &[without_terminals(&dir)],
        vec![
            ("a path", found("/nowhere/at/all"), path("/nowhere/at/all")),
            ("a path", call(&["export", "/nowhere", "--to", "csv"]).unwrap_err(), path("/nowhere")),
            (
                "an older bus on a way of CAN",
                call(&["play", "--to", "adapter", "--to", "can:can0", "--bus", "iso9141"]).unwrap_err(),
                "--to can carries CAN, and the vehicle's bus is an older one: say --to adapter, or --bus can11, can29 or \
                 j1979-2"
                    .into(),
            ),
            (
                "nothing to grade",
                found(&at("empty")),
                format!(
                    "{d}/empty holds no capture (a folder with raw.pcapng) and no .csv file. Name another folder or a \
                     file."
                ),
            ),
            (
                "nowhere to write",
                call(&["export", &at("rows.csv"), "--to", "csv"]).unwrap_err(),
                format!("{d}/rows.csv is a file, not a capture's folder: say with --into where to write"),
            ),
            (
                "no such guide",
                call(&["watch", "--profile", "switch-module", "--guide", "tray"]).unwrap_err(),
                "the profile switch-module has no guide tray: it has soak and road; for tray name --profile \
                 module-on-the-tray"
                    .into(),
            ),
            (
                "no such guide",
                call(&["watch", "--profile", "road-log", "--guide", "soak"]).unwrap_err(),
                "the profile road-log has no guide soak: it leads through no job; for soak name --profile switch-module \
                 or pressure-sensor or courier-van"
                    .into(),
            ),
            (
                "no tight reading",
                call(&["regrade", &at("rows.csv"), "--known-leak", "0.5", "--tight", &at("rows.csv")]).unwrap_err(),
                format!(
                    "{d}/rows.csv: neither its soak nor its decay passed without a known hole, so it shows no tight \
                     vehicle; find the leak, or repeat the tight reading"
                ),
            ),
            (
                "a profile in the way",
                call(&["regrade", &at("rows.csv"), "--save-profile", &at("rows.csv")]).unwrap_err(),
                format!("{d}/rows.csv is there already and is left as it is: name another file with --save-profile"),
            ),
            (
                "several captures",
                call(&["regrade", &at("rows.csv"), &at("rows.csv"), "--save-profile", &at("new.toml")]).unwrap_err(),
                "--save-profile writes one profile: grade one capture at a time".into(),
            ),
            (
                "a plan",
                call(&["plan", "--evening", "20", "--morning", "9", "--profile", "module-on-the-tray"]).unwrap_err(),
                "the profile module-on-the-tray is for a module on the tray, which has no night: name a vehicle's profile \
                 with --profile"
                    .into(),
            ),
            (
                "a daemon",
                call(&["mark", "x", "--socket", "/nowhere/s"]).unwrap_err(),
                format!("no daemon answers at /nowhere/s: {NOT_FOUND}. Start one with `soakwatch daemon`, or name its --socket"),
            ),
            (
                "a profile",
                call(&["watch", "--profile", "nosuch"]).unwrap_err(),
                "there is no built-in profile and no file \"nosuch\"; built in are \"switch-module\", \
                 \"pressure-sensor\", \"module-on-the-tray\", \"courier-van\" or \"road-log\"; or give the path of a .toml file"
                    .into(),
            ),
            (
                "a link",
                call(&["watch", "--link", "nosuch:x"]).unwrap_err(),
                "\"nosuch:x\": there is no kind of link \"nosuch\"; there are adapter:PORT, bench:PORT, can:IFACE, csv:FILE, slcan:PORT, sim:SCENARIO"
                    .into(),
            ),
            (
                "a session",
                call(&["watch", "--speed", "0"]).unwrap_err(),
                "a speed of 0 cannot be kept: give a number above 0, such as 60".into(),
            ),
            ("a view", export(&at("done")), exists),
        ],
    );
    // What is told in this process is what the program tells.
    let ended = soakwatch(&dir, &["export", "rows.csv", "--to", "csv"]);
    assert_eq!(ended.status.code(), Some(2));
    assert_eq!(err(&ended), "soakwatch: rows.csv is a file, not a capture's folder: say with --into where to write\n");
}
