//! The conversation with a text-command adapter, without I/O or clock: finds the speed of its port, sets it up, puts one
//! question at a time as the poller wants it, reads the supply now and then, and begins anew when the adapter restarted
//! or went dumb.

use crate::poll::{Address, Heard, PollState, Poller, Told, Wire};
use crate::profile::Profile;
use crate::time::Stamp;
use crate::wire::addresses::answers;
use crate::wire::can_frame::{Frame, Id};
use crate::wire::dialect::{Bus, Dialect, Meaning};
use crate::wire::isotp::{Got, Receiver};
use crate::wire::text_adapter::{Joined, Joiner, Lines, Older, Said, question};
use std::collections::BTreeMap;
use std::sync::Arc;

/// An adapter that was told to restart says its prompt within this, seconds.
const RESTART_S: f64 = 2.0;
/// What it was in the midst of is over after this.
const CLEAR_S: f64 = 0.2;
/// It does what it is told about itself within this.
const COMMAND_S: f64 = 2.0;
/// After all speeds were tried in vain.
const PAUSE_S: f64 = 5.0;
/// What it said of trouble is shown for so long.
const SHOWN_S: f64 = 10.0;
/// So many answers in a row that cannot be read: it lost its settings.
const STRANGE: u32 = 3;
/// Between two attempts to listen, if it cannot keep up with the bus.
const LISTEN_AGAIN_S: f64 = 1.0;
/// Ends its listening: any character does, and a blank before a command is none.
const INTERRUPT: &[u8] = b" ";

/// What the link is to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Do {
    /// Set the speed of the port.
    Baud(u32),
    /// Send this.
    Send(Vec<u8>),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// The port's speed is to be set, and the adapter to be restarted.
    Begin,
    /// Speed set: what it may be in the midst of is to be ended.
    Speed,
    /// Whatever that was, it says so; nothing of it counts.
    Clearing,
    /// Told to restart.
    Restarting,
    /// Told this command of its setup.
    Setup(usize),
    Idle,
    /// A question of the poller's.
    Asked,
    /// Its supply.
    Volts,
    /// Which bus it found.
    Which,
    /// Passes on what it hears.
    Listening,
    /// Told to stop that.
    Stopping,
    /// Nobody answered at any speed.
    Lost,
}

/// A conversation.
pub(super) struct Talker {
    profile: Arc<Profile>,
    dialect: Dialect,
    bauds: Vec<u32>,
    turn: usize,
    /// The commands of its setup, the choice of the bus last.
    setup: Vec<String>,
    /// To be told next.
    next: Option<String>,
    state: State,
    since: Stamp,
    lines: Lines,
    joiner: Joiner,
    receivers: BTreeMap<Id, Receiver>,
    poller: Poller,
    /// The bus, once it is known.
    bus: Option<Bus>,
    /// What the judge last said.
    phase: Option<Told>,
    begun: bool,
    /// Somebody answered since the adapter was set up.
    answered: bool,
    /// It sends back what it is sent, whatever it is told.
    echoes: bool,
    /// Something came in answer that can be read, or words.
    sense: bool,
    nonsense: bool,
    strange: u32,
    which_wanted: bool,
    volts_at: Stamp,
    listen_at: Stamp,
    trouble: Option<(Stamp, Meaning)>,
}

impl Talker {
    /// `baud`: the only speed to try, if one was named.
    pub(super) fn new(profile: &Arc<Profile>, baud: Option<u32>) -> Talker {
        let dialect = profile.dialect.clone();
        let wanted = Bus::from_name(&profile.set.adapter.bus).unwrap_or(Bus::Search);
        let bus = Some(wanted).filter(|b| *b != Bus::Search);
        let choice = dialect.buses.iter().find(|b| b.0 == wanted).map(|b| b.1.clone());
        Talker {
            bauds: baud.map_or_else(|| dialect.bauds.clone(), |b| vec![b]),
            turn: 0,
            next: None,
            setup: dialect.setup.iter().cloned().chain(choice).collect(),
            state: State::Begin,
            since: Stamp::ZERO,
            lines: Lines::new(dialect.clone()),
            joiner: Joiner::default(),
            receivers: BTreeMap::new(),
            poller: Poller::new(profile, wire(bus)),
            which_wanted: bus.is_none() && dialect.which_bus.is_some(),
            bus,
            phase: None,
            begun: false,
            answered: false,
            echoes: false,
            sense: false,
            nonsense: false,
            strange: 0,
            volts_at: Stamp::ZERO,
            listen_at: Stamp::ZERO,
            trouble: None,
            profile: Arc::clone(profile),
            dialect,
        }
    }

    /// The port was opened again: nothing is known of what is there now.
    pub(super) fn again(&mut self, at: Stamp) {
        self.lines.lost();
        self.begin(at);
    }

    /// What the judge of this capture last said.
    pub(super) fn phase(&mut self, at: Stamp, told: Told) {
        self.phase = Some(told);
        self.poller.phase(at, told);
    }

    /// The capture is to end.
    pub(super) fn end(&mut self, at: Stamp) {
        self.poller.end(at);
    }

    /// Nothing more will be asked.
    pub(super) fn ended(&self) -> bool {
        !self.begun || self.poller.ended()
    }

    /// Something for the record, in words.
    pub(super) fn news(&mut self) -> Option<String> {
        self.poller.news()
    }

    /// What is to be done now. To be called until there is nothing.
    pub(super) fn due(&mut self, at: Stamp) -> Option<Do> {
        let waited = at.since(self.since);
        match self.state {
            State::Begin => {
                (self.state, self.since) = (State::Speed, at);
                Some(Do::Baud(self.baud()))
            }
            State::Speed => {
                (self.state, self.since) = (State::Clearing, at);
                Some(Do::Send(INTERRUPT.to_vec()))
            }
            State::Clearing if waited > CLEAR_S => {
                let restart = self.dialect.restart.clone();
                self.tell(at, State::Restarting, &restart)
            }
            State::Restarting if waited > RESTART_S => {
                self.turn += 1;
                let all = self.turn.is_multiple_of(self.bauds.len().max(1));
                (self.state, self.since) = (if all { State::Lost } else { State::Begin }, at);
                None
            }
            State::Setup(_) if self.next.is_some() => {
                let command = self.next.take()?;
                self.tell(at, self.state, &command)
            }
            State::Lost if waited > PAUSE_S => self.begin(at),
            State::Setup(_) | State::Volts | State::Which | State::Stopping if waited > COMMAND_S => self.begin(at),
            State::Asked if waited > self.profile.set.adapter.patience_s => self.begin(at),
            State::Idle => self.choose(at),
            State::Listening if self.volts_due(at) || self.poller.wait().is_some_and(|w| w <= at) => {
                (self.state, self.since) = (State::Stopping, at);
                Some(Do::Send(INTERRUPT.to_vec()))
            }
            _ => None,
        }
    }

    /// When [`Talker::due`] may next have something, if nothing is heard before.
    pub(super) fn wait(&self) -> Option<Stamp> {
        if self.state == State::Idle { self.poller.wait() } else { None }
    }

    /// The port's speed that is tried.
    pub(super) fn baud(&self) -> u32 {
        self.bauds.get(self.turn % self.bauds.len().max(1)).copied().unwrap_or(38_400)
    }

    fn begin(&mut self, at: Stamp) -> Option<Do> {
        self.fail(at);
        (self.state, self.since, self.next, self.answered) = (State::Begin, at, None, false);
        None
    }

    /// What was asked will not be answered any more.
    fn fail(&mut self, at: Stamp) {
        if self.state == State::Asked {
            self.poller.heard(at, Heard::Nothing);
        }
        self.joiner.lost();
        self.receivers.clear();
        self.strange = 0;
    }

    /// Says a command of the dialect, and nothing else.
    fn tell(&mut self, at: Stamp, state: State, command: &str) -> Option<Do> {
        (self.state, self.since) = (state, at);
        let bytes = self.dialect.command(command)?;
        self.lines.sent(command);
        Some(Do::Send(bytes))
    }

    fn volts_due(&self, at: Stamp) -> bool {
        self.dialect.volts.is_some() && at >= self.volts_at
    }

    fn choose(&mut self, at: Stamp) -> Option<Do> {
        if !self.begun {
            self.begun = true;
            self.poller.begin(at);
        }
        if let Some(which) = self.dialect.which_bus.clone().filter(|_| self.which_wanted && self.answered) {
            return self.tell(at, State::Which, &which);
        }
        if self.volts_due(at) {
            self.volts_at = at.plus(self.profile.set.adapter.volts_s);
            let command = self.dialect.volts.clone()?;
            return self.tell(at, State::Volts, &command);
        }
        if let Some(q) = self.poller.due(at) {
            let Some(bytes) = question(&q.request) else {
                self.poller.heard(at, Heard::Nothing);
                return None;
            };
            (self.state, self.since) = (State::Asked, at);
            (self.sense, self.nonsense) = (false, false);
            self.receivers.clear();
            self.lines.sent(&String::from_utf8_lossy(&bytes));
            return Some(Do::Send(bytes));
        }
        // Only a bus of frames says anything by itself.
        let silent = matches!(self.poller.state(), PollState::Silent(_)) && !self.poller.ended();
        let on_can = wire(self.bus) == Wire::TextOnCan;
        match self.dialect.listen.clone() {
            Some(listen) if silent && on_can && at >= self.listen_at => self.tell(at, State::Listening, &listen),
            _ => None,
        }
    }

    /// How it is, in words.
    pub(super) fn words(&self, at: Stamp) -> String {
        let words = match (self.state, self.bus) {
            (State::Lost, _) => {
                return "no adapter answers at any usual speed of the port: check plug and supply, or name its speed with \
                        baud="
                    .to_owned();
            }
            (State::Begin | State::Speed | State::Clearing | State::Restarting | State::Setup(_), _) => {
                format!("setting the adapter up at {} baud", self.baud())
            }
            (_, Some(bus)) => format!("{}: {}", bus.words(), self.poller.state()),
            (_, None) => self.poller.state().to_string(),
        };
        match self.trouble.filter(|t| at.since(t.0) < SHOWN_S) {
            Some((_, trouble)) => format!("{} ({words})", trouble.words()),
            None => words,
        }
    }

    /// Takes what was read.
    pub(super) fn hear(&mut self, at: Stamp, mut bytes: &[u8]) {
        while let Some(said) = self.lines.next(&mut bytes) {
            match said {
                Said::Prompt => self.prompt(at),
                Said::Echo => match self.state {
                    State::Clearing | State::Restarting | State::Setup(_) => self.echoes = true,
                    // It was told not to: it has forgotten.
                    _ if !self.echoes => self.restarted(at),
                    _ => {}
                },
                Said::Frame(frame) => self.frame(at, &frame),
                Said::Older(older) => {
                    self.sense = true;
                    match self.joiner.hear(&older) {
                        Joined::Whole(message) => self.answer(at, Address::Node(older.from), message),
                        Joined::Part | Joined::Broken => {}
                    }
                }
                Said::Volts(volts) => self.poller.heard(at, Heard::Volts(volts)),
                Said::Word(Meaning::Restarted) => self.restarted(at),
                Said::Word(meaning) => self.word(at, meaning),
                Said::Torn => self.nonsense = true,
                Said::Other(text) => self.other(at, &text),
            }
        }
    }

    fn restarted(&mut self, at: Stamp) {
        if matches!(self.state, State::Begin | State::Speed | State::Clearing | State::Restarting | State::Lost) {
            return;
        }
        self.trouble = Some((at, Meaning::Restarted));
        self.begin(at);
    }

    fn word(&mut self, at: Stamp, meaning: Meaning) {
        self.sense = true;
        match meaning {
            Meaning::Done | Meaning::Unknown | Meaning::Interrupted | Meaning::Restarted => {}
            meaning => self.trouble = Some((at, meaning)),
        }
    }

    fn other(&mut self, at: Stamp, text: &str) {
        if self.state == State::Which
            && let Some(sign) = text.chars().last()
            && let Some((bus, ..)) = self.dialect.buses.iter().find(|b| b.2.eq_ignore_ascii_case(&sign))
            && *bus != Bus::Search
        {
            self.bus = Some(*bus);
            // What goes into one question depends on the bus.
            if wire(self.bus) == Wire::TextOnCan {
                self.poller = Poller::new(&self.profile, Wire::TextOnCan);
                self.poller.begin(at);
                if let Some(told) = self.phase {
                    self.poller.phase(at, told);
                }
            }
        }
        self.nonsense = true;
    }

    fn frame(&mut self, at: Stamp, frame: &Frame) {
        self.sense = true;
        if !answers(frame.id) || self.state != State::Asked {
            return self.poller.heard(at, Heard::Traffic(Some(frame.id)));
        }
        match self.receivers.entry(frame.id).or_default().frame(at, frame.bytes()) {
            Got::Message(message) => self.answer(at, Address::Can(frame.id), message),
            // The adapter gives the flow control itself.
            Got::Owes(_) | Got::Nothing | Got::Broken(_) => {}
        }
    }

    fn answer(&mut self, at: Stamp, from: Address, message: Vec<u8>) {
        (self.trouble, self.answered) = (None, true);
        self.poller.heard(at, Heard::Answer { from, message });
    }

    fn prompt(&mut self, at: Stamp) {
        match self.state {
            State::Begin | State::Speed | State::Clearing | State::Lost => {}
            State::Restarting => {
                self.echoes = false;
                self.set_up(at, 0);
            }
            State::Setup(done) => self.set_up(at, done + 1),
            State::Asked => self.answered(at),
            State::Which => {
                self.which_wanted = false;
                self.state = State::Idle;
            }
            State::Volts | State::Stopping => self.state = State::Idle,
            State::Listening => {
                self.listen_at = at.plus(LISTEN_AGAIN_S);
                self.state = State::Idle;
            }
            // Nobody asked for one.
            State::Idle => self.restarted(at),
        }
    }

    /// Marks the next command of the setup as told; the prompt just came, so it may go.
    fn set_up(&mut self, at: Stamp, next: usize) {
        (self.state, self.since) = match self.setup.get(next) {
            Some(_) => (State::Setup(next), at),
            None => (State::Idle, at),
        };
        self.next = self.setup.get(next).cloned();
    }

    fn answered(&mut self, at: Stamp) {
        let joined: Vec<Older> = self.joiner.end().collect();
        for older in joined {
            self.answer(at, Address::Node(older.from), older.data);
        }
        self.strange = if self.nonsense && !self.sense { self.strange + 1 } else { 0 };
        self.poller.heard(at, Heard::Nothing);
        self.state = State::Idle;
        if self.strange >= STRANGE {
            self.restarted(at);
        }
    }
}

/// What carries the questions on a bus; on one that is not known yet, only what any bus can carry.
fn wire(bus: Option<Bus>) -> Wire {
    match bus {
        Some(Bus::Can11At500 | Bus::Can29At500 | Bus::Can11At250 | Bus::Can29At250) => Wire::TextOnCan,
        _ => Wire::Text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trade::Phase;

    fn at(s: f64) -> Stamp {
        Stamp::from_secs(s)
    }

    fn talker(sets: &[&str], baud: Option<u32>) -> Talker {
        let text = "extends = \"switch-module\"\n[[obd]]\npid = 0x0C\nchannel = \"engine_rpm\"\nrate_hz = 1\n";
        let sets: Vec<String> = sets.iter().map(|s| (*s).to_owned()).collect();
        Talker::new(&Arc::new(Profile::from_str("van.toml", text, &sets).unwrap()), baud)
    }

    /// A vehicle on CAN behind an adapter that does as it is told at once.
    fn answer(text: &str) -> &'static [u8] {
        match text.trim() {
            "" => b"STOPPED\r\r>",
            "ATZ" => b"ATZ\r\rplayed 1\r\r>",
            "ATE0" => b"ATE0\rOK\r\r>",
            "ATRV" => b"12.7V\r\r>",
            "ATDPN" => b"A6\r\r>",
            "ATMA" => b"3A0 01 02\r",
            t if t.starts_with("AT") => b"OK\r\r>",
            // The mask names 0C.
            "0100" => b"7E8 06 41 00 00 10 00 00\r\r>",
            "010C" => b"7E8 04 41 0C 0B B8\r\r>",
            _ => b"NO DATA\r\r>",
        }
    }

    /// Lets it talk, and gives what it sent with the moment. `says` answers.
    fn run(t: &mut Talker, from: f64, to: f64, mut says: impl FnMut(&str) -> &'static [u8]) -> Vec<(f64, String)> {
        let mut sent = Vec::new();
        let mut now = from;
        while now < to {
            while let Some(what) = t.due(at(now)) {
                match what {
                    Do::Baud(baud) => sent.push((now, format!("{baud}"))),
                    Do::Send(bytes) => {
                        let text = String::from_utf8(bytes).unwrap();
                        t.hear(at(now), says(&text));
                        sent.push((now, text.trim().to_owned()));
                    }
                }
            }
            now += 0.05;
        }
        sent
    }

    fn texts(sent: &[(f64, String)]) -> Vec<&str> {
        sent.iter().map(|s| s.1.as_str()).collect()
    }

    #[test]
    fn it_is_set_up_finds_the_bus_and_asks_one_thing_at_a_time() {
        let mut t = talker(&[], Some(9600));
        let sent = run(&mut t, 0.0, 5.0, answer);
        let texts = texts(&sent);
        assert_eq!(texts[..3], ["9600", "", "ATZ"]);
        let at = |what: &str| texts.iter().position(|t| *t == what).unwrap_or_else(|| panic!("no {what} in {texts:?}"));
        assert!(at("ATE0") < at("ATTP0") && at("ATTP0") < at("0100") && at("0100") < at("ATDPN"), "{texts:?}");
        assert!(at("ATDPN") < at("010C") && texts.contains(&"ATRV"), "{texts:?}");
        assert!(
            t.words(Stamp::from_secs(5.0)).starts_with("CAN of 500 kbit/s, 11 bits: asks"),
            "{}",
            t.words(Stamp::ZERO)
        );
        // No answer, no further question; until its patience is over.
        let sent = run(&mut t, 5.0, 50.0, |text| if text.starts_with("01") { b"" } else { answer(text) });
        assert!(sent.iter().filter(|s| s.1.starts_with("01")).count() <= 2, "{sent:?}");
        let anew = sent.iter().find(|s| s.1 == "ATZ").unwrap().0;
        assert!((45.0..47.0).contains(&anew), "{anew}");
    }

    #[test]
    fn every_speed_is_tried_and_then_a_pause_made() {
        let mut t = talker(&[], None);
        let sent = run(&mut t, 0.0, 40.0, |_| b"");
        let bauds: Vec<(f64, u32)> = sent.iter().filter_map(|s| Some((s.0, s.1.parse().ok()?))).collect();
        let n = t.dialect.bauds.len();
        let tried: Vec<u32> = bauds.iter().take(n).map(|b| b.1).collect();
        assert_eq!(tried, t.dialect.bauds);
        assert!(bauds[n].0 - bauds[n - 1].0 > PAUSE_S && bauds[n].1 == bauds[0].1, "{bauds:?}");
        let words = run(&mut t, 40.0, 41.0, |_| b"");
        assert!(words.iter().all(|w| w.1.is_empty() || w.1 == "ATZ" || w.1.parse::<u32>().is_ok()), "{words:?}");
    }

    #[test]
    fn a_restart_is_noticed_by_prompt_echo_or_lost_settings() {
        for noise in [&b"\r\rplayed 1\r\r>"[..], b"LV RESET\r\r>"] {
            let mut t = talker(&[], Some(9600));
            run(&mut t, 0.0, 5.0, answer);
            t.hear(at(5.0), noise);
            assert!(t.words(at(5.0)).starts_with("adapter restarted"), "{}", t.words(at(5.0)));
            assert!(texts(&run(&mut t, 5.0, 7.0, answer)).contains(&"ATZ"));
        }
        let mut t = talker(&[], Some(9600));
        run(&mut t, 0.0, 5.0, answer);
        let sent =
            run(
                &mut t,
                5.0,
                8.0,
                |text| if text.starts_with("010C") { b"010C\r41 0C 0B B8\r\r>" } else { answer(text) },
            );
        assert!(texts(&sent).contains(&"ATZ"), "echo: {sent:?}");
        let mut t = talker(&[], Some(9600));
        run(&mut t, 0.0, 5.0, answer);
        let sent =
            run(&mut t, 5.0, 20.0, |text| if text.starts_with("01") { b"41 0C 0B B8\r\r>" } else { answer(text) });
        assert!(texts(&sent).contains(&"ATZ"), "headers: {sent:?}");
    }

    #[test]
    fn at_key_off_it_asks_no_more_listens_reads_the_supply_and_starts_again() {
        let mut t = talker(&["bus.key_off_pause_s=1"], Some(9600));
        run(&mut t, 0.0, 5.0, answer);
        t.phase(at(5.0), Told { phase: Phase::KeyOff, key_seen: true });
        run(&mut t, 5.0, 10.0, answer);
        // Nothing passes on the bus any more.
        let night = run(&mut t, 10.0, 100.0, |text| if text.trim() == "ATMA" { b"" } else { answer(text) });
        assert!(night.iter().all(|s| ["", "ATMA", "ATRV"].contains(&s.1.as_str())), "{night:?}");
        let volts: Vec<f64> = night.iter().filter(|s| s.1 == "ATRV").map(|s| s.0).collect();
        assert!((8..=9).contains(&volts.len()), "{volts:?}");
        assert!(t.words(at(100.0)).ends_with("listens only: key off"), "{}", t.words(at(100.0)));
        t.phase(at(100.0), Told { phase: Phase::KeyOn, key_seen: true });
        let morning = run(&mut t, 100.0, 105.0, answer);
        assert!(texts(&morning).contains(&"010C"), "{morning:?}");
    }

    #[test]
    fn on_an_older_bus_it_does_not_listen() {
        let mut t = talker(&["bus.key_off_pause_s=1", "adapter.bus=iso_9141_2"], Some(9600));
        // 48 + 6B + 10 + 41 + 00 + 10 = 114; 48 + 6B + 10 + 41 + 0C + 0B + B8 = 1D3.
        let older = |text: &str| match text.trim() {
            "0100" => b"48 6B 10 41 00 00 10 00 00 14\r\r>",
            "010C" => &b"48 6B 10 41 0C 0B B8 D3\r\r>"[..],
            _ => answer(text),
        };
        let day = run(&mut t, 0.0, 5.0, older);
        assert!(texts(&day).contains(&"ATTP3") && texts(&day).contains(&"010C"), "{day:?}");
        assert!(!texts(&day).contains(&"ATDPN"), "the bus is known");
        t.phase(at(5.0), Told { phase: Phase::KeyOff, key_seen: true });
        run(&mut t, 5.0, 10.0, older);
        let night = run(&mut t, 10.0, 60.0, older);
        assert!(night.iter().all(|s| s.1 == "ATRV"), "{night:?}");
    }
}
