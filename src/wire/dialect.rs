//! The dialect of a text-command adapter: its command strings, prompt and words, as data of a profile, and what they
//! mean in this program's own terms.

/// Longest command.
const LONGEST_COMMAND: usize = 24;

/// A bus that the adapter is told to use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Bus {
    /// Any: the adapter looks for it.
    Search,
    /// SAE J1850, pulse width, 41.6 kbit/s.
    J1850Pwm,
    /// SAE J1850, variable pulse width, 10.4 kbit/s.
    J1850Vpw,
    /// ISO 9141-2.
    Iso9141,
    /// ISO 14230-4, begun at 5 baud.
    Iso14230Slow,
    /// ISO 14230-4, begun fast.
    Iso14230Fast,
    /// ISO 15765-4, 11 bits, 500 kbit/s.
    Can11At500,
    /// ISO 15765-4, 29 bits, 500 kbit/s.
    Can29At500,
    /// ISO 15765-4, 11 bits, 250 kbit/s.
    Can11At250,
    /// ISO 15765-4, 29 bits, 250 kbit/s.
    Can29At250,
}

impl Bus {
    /// All, with the word by which profiles name it and the words for people.
    pub const ALL: [(Bus, &str, &str); 10] = [
        (Bus::Search, "search", "the bus that is found"),
        (Bus::J1850Pwm, "j1850_pwm", "SAE J1850 PWM"),
        (Bus::J1850Vpw, "j1850_vpw", "SAE J1850 VPW"),
        (Bus::Iso9141, "iso_9141_2", "ISO 9141-2"),
        (Bus::Iso14230Slow, "iso_14230_slow", "ISO 14230-4, slow start"),
        (Bus::Iso14230Fast, "iso_14230_fast", "ISO 14230-4, fast start"),
        (Bus::Can11At500, "can_11_500", "CAN of 500 kbit/s, 11 bits"),
        (Bus::Can29At500, "can_29_500", "CAN of 500 kbit/s, 29 bits"),
        (Bus::Can11At250, "can_11_250", "CAN of 250 kbit/s, 11 bits"),
        (Bus::Can29At250, "can_29_250", "CAN of 250 kbit/s, 29 bits"),
    ];

    /// By the word of a profile.
    pub fn from_name(name: &str) -> Option<Bus> {
        Bus::ALL.iter().find(|b| b.1 == name).map(|b| b.0)
    }

    /// The word of a profile.
    pub fn name(self) -> &'static str {
        Bus::ALL.iter().find(|b| b.0 == self).map_or("", |b| b.1)
    }

    /// In words.
    pub fn words(self) -> &'static str {
        Bus::ALL.iter().find(|b| b.0 == self).map_or("", |b| b.2)
    }
}

/// What a word of the adapter means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Meaning {
    /// Done.
    Done,
    /// It is still at it.
    Working,
    /// Nobody answered.
    NoAnswer,
    /// No bus was found.
    NoBus,
    /// The bus is in a bad state.
    BusFault,
    /// The bus is taken.
    BusBusy,
    /// An answer was damaged on the bus.
    Damaged,
    /// Its buffer overflowed: part of what came is lost.
    Overrun,
    /// It was interrupted.
    Interrupted,
    /// It does not know the command.
    Unknown,
    /// It restarted.
    Restarted,
    /// It will switch itself off.
    GoesOff,
    /// It is at fault.
    Fault,
}

impl Meaning {
    /// All, with the word by which profiles name it and the words for people.
    pub const ALL: [(Meaning, &str, &str); 13] = [
        (Meaning::Done, "done", "done"),
        (Meaning::Working, "working", "looking for the bus"),
        (Meaning::NoAnswer, "no_answer", "no answer from the vehicle"),
        (Meaning::NoBus, "no_bus", "bus not found: key off, no contact in the plug, or another bus"),
        (Meaning::BusFault, "bus_fault", "a fault on the bus: check the plug and the lines"),
        (Meaning::BusBusy, "bus_busy", "the bus is busy"),
        (Meaning::Damaged, "damaged", "an answer came damaged"),
        (Meaning::Overrun, "overrun", "the adapter could not keep up, and lost part of what came"),
        (Meaning::Interrupted, "interrupted", "the adapter was interrupted"),
        (Meaning::Unknown, "unknown", "the adapter does not know what it was told"),
        (Meaning::Restarted, "restarted", "adapter restarted"),
        (Meaning::GoesOff, "goes_off", "the adapter is about to switch itself off"),
        (Meaning::Fault, "fault", "the adapter reports a fault of its own"),
    ];

    /// By the word of a profile.
    pub fn from_name(name: &str) -> Option<Meaning> {
        Meaning::ALL.iter().find(|m| m.1 == name).map(|m| m.0)
    }

    /// The word of a profile.
    pub fn name(self) -> &'static str {
        Meaning::ALL.iter().find(|m| m.0 == self).map_or("", |m| m.1)
    }

    /// In words.
    pub fn words(self) -> &'static str {
        Meaning::ALL.iter().find(|m| m.0 == self).map_or("", |m| m.2)
    }
}

/// Command strings, prompt and words of a kind of adapter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dialect {
    /// Bits per second of its port, in the order in which they are tried.
    pub bauds: Vec<u32>,
    /// Ends what was asked for.
    pub prompt: u8,
    /// Brings it to its begin.
    pub restart: String,
    /// Said after that, in order; what one of them does not know is passed over.
    pub setup: Vec<String>,
    /// Asks for the supply's voltage.
    pub volts: Option<String>,
    /// Asks which bus is in use; the last character of the answer is its sign.
    pub which_bus: Option<String>,
    /// Lets it pass on every frame of CAN, without taking part in the bus, until it is sent a character.
    pub listen: Option<String>,
    /// How each bus is chosen, for this power-up only, and by which sign it is told.
    pub buses: Vec<(Bus, String, char)>,
    /// What it says, `*` standing for any run of characters, and what that means.
    pub says: Vec<(String, Meaning)>,
    /// Beginnings of commands that change what it keeps without power: never sent.
    pub lasting: Vec<String>,
}

impl Dialect {
    /// What is wrong with a command, in words; nothing if it may be sent. A command that could be read as a question to
    /// the vehicle is none.
    pub fn fault_of(&self, command: &str) -> Option<&'static str> {
        let plain = command.bytes().all(|b| b.is_ascii_graphic() || b == b' ');
        let bare: String = command.chars().filter(|c| *c != ' ').map(|c| c.to_ascii_uppercase()).collect();
        if bare.is_empty() || !plain || command.len() > LONGEST_COMMAND {
            Some("a command is 1 to 24 printable characters")
        } else if bare.bytes().all(|b| b.is_ascii_hexdigit()) {
            Some("hexadecimal digits alone would go out to the vehicle")
        } else if self.lasting.iter().any(|stem| bare.starts_with(&stem.to_ascii_uppercase().replace(' ', ""))) {
            Some("it would change what the adapter keeps without power")
        } else {
            None
        }
    }

    /// All its commands.
    pub fn commands(&self) -> impl Iterator<Item = &str> {
        let one = [Some(&self.restart), self.volts.as_ref(), self.which_bus.as_ref(), self.listen.as_ref()]
            .into_iter()
            .flatten();
        one.chain(&self.setup).chain(self.buses.iter().map(|b| &b.1)).map(String::as_str)
    }

    /// The bytes of a command of this dialect; nothing for any other: the closed list.
    pub fn command(&self, command: &str) -> Option<Vec<u8>> {
        let listed = self.commands().any(|c| c == command) && self.fault_of(command).is_none();
        listed.then(|| [command.as_bytes(), b"\r"].concat())
    }

    /// What a line means; nothing for a line that is none of its words.
    pub fn meaning(&self, line: &str) -> Option<Meaning> {
        // The longest pattern says the most.
        let met = self.says.iter().filter(|(pattern, _)| fits(pattern.as_bytes(), line.as_bytes()));
        met.max_by_key(|(pattern, _)| pattern.len()).map(|s| s.1)
    }
}

/// Whether the text is as the pattern has it.
fn fits(pattern: &[u8], text: &[u8]) -> bool {
    match (pattern.split_first(), text.split_first()) {
        (None, None) => true,
        (Some((b'*', rest)), _) => (0..=text.len()).any(|skip| fits(rest, &text[skip..])),
        (Some((p, rest)), Some((t, after))) => p.eq_ignore_ascii_case(t) && fits(rest, after),
        (None, Some(_)) | (Some(_), None) => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dialect() -> Dialect {
        Dialect {
            bauds: vec![9600],
            prompt: b'>',
            restart: "XZ".into(),
            setup: vec!["XE0".into(), "XPP 01".into(), "04".into()],
            volts: Some("XV".into()),
            which_bus: None,
            listen: None,
            buses: vec![(Bus::Iso9141, "XP3".into(), '3')],
            says: vec![("NO DATA".into(), Meaning::NoAnswer), ("BUS INIT*ERROR".into(), Meaning::NoBus)],
            lasting: vec!["XPP".into()],
        }
    }

    #[test]
    fn only_what_is_on_the_list_and_changes_nothing_for_good_may_be_sent() {
        let d = dialect();
        assert_eq!(d.command("XZ").as_deref(), Some(&b"XZ\r"[..]));
        assert_eq!(d.command("XP3").as_deref(), Some(&b"XP3\r"[..]));
        assert_eq!(d.command("XQ"), None, "not on the list");
        assert_eq!(d.command("XPP 01"), None, "on the list, and lasting");
        assert_eq!(d.command("04"), None, "on the list, and a question that clears codes");
        for (command, word) in
            [("", "1 to 24"), ("X\rZ", "1 to 24"), ("0 4", "hexadecimal"), ("x pp", "keeps without power")]
        {
            assert!(d.fault_of(command).unwrap().contains(word), "{command}");
        }
    }

    #[test]
    fn words_are_told_by_their_pattern() {
        let d = dialect();
        assert_eq!(d.meaning("no data"), Some(Meaning::NoAnswer));
        assert_eq!(d.meaning("BUS INIT: ...ERROR"), Some(Meaning::NoBus));
        assert_eq!(d.meaning("BUS INIT: OK"), None);
        assert_eq!(d.meaning("NO DATA AT ALL"), None);
    }

    #[test]
    fn names_are_told_apart() {
        for (bus, name, words) in Bus::ALL {
            assert_eq!((Bus::from_name(name), bus.name(), bus.words()), (Some(bus), name, words));
        }
        for (meaning, name, words) in Meaning::ALL {
            assert_eq!((Meaning::from_name(name), meaning.name(), meaning.words()), (Some(meaning), name, words));
        }
    }
}
