//! The `[dialect]` table of a profile's text: how text-command adapters are spoken to.

use super::fault::nearest;
use super::read::{Item, Kind, Reader, one_of};
use crate::wire::dialect::{Bus, Dialect, Meaning};
use std::collections::BTreeMap;
use toml::de::DeValue;
use toml::{Table, Value};

const DIALECT: [&str; 11] =
    ["source", "bauds", "prompt", "restart", "setup", "volts", "which_bus", "listen", "lasting", "bus", "says"];
const BUS: [&str; 2] = ["command", "sign"];
/// The slowest and quickest port.
const BAUD: (f64, f64) = (300.0, 4_000_000.0);

/// What one layer says of the dialect.
#[derive(Debug, Clone, Default)]
pub(super) struct DialectPart {
    pub source: Option<String>,
    bauds: Option<Vec<u32>>,
    prompt: Option<u8>,
    restart: Option<String>,
    setup: Option<Vec<String>>,
    volts: Option<String>,
    which_bus: Option<String>,
    listen: Option<String>,
    lasting: Vec<String>,
    buses: BTreeMap<Bus, (String, char)>,
    says: BTreeMap<String, Meaning>,
    /// It is all there is: nothing of the layers below stands.
    whole: bool,
}

impl DialectPart {
    /// One command changed on the command line; nothing for a key that holds more than a text.
    pub(super) fn of_set(key: &str, value: &str) -> Option<DialectPart> {
        let mut part = DialectPart::default();
        *match key {
            "restart" => &mut part.restart,
            "volts" => &mut part.volts,
            "which_bus" => &mut part.which_bus,
            "listen" => &mut part.listen,
            _ => return None,
        } = Some(value.to_owned());
        Some(part)
    }

    /// Lays a later layer over this one.
    pub(super) fn lay(&mut self, over: DialectPart) {
        if over.whole {
            *self = over;
            return;
        }
        self.source = over.source.or(self.source.take());
        self.bauds = over.bauds.or(self.bauds.take());
        self.prompt = over.prompt.or(self.prompt);
        self.restart = over.restart.or(self.restart.take());
        self.setup = over.setup.or(self.setup.take());
        self.volts = over.volts.or(self.volts.take());
        self.which_bus = over.which_bus.or(self.which_bus.take());
        self.listen = over.listen.or(self.listen.take());
        self.buses.extend(over.buses);
        self.says.extend(over.says);
        // A list of what is never sent only grows.
        self.lasting.extend(over.lasting);
        self.lasting.sort();
        self.lasting.dedup();
    }

    /// The dialect, and commands of it that may not be sent, with the reason.
    pub(super) fn finish(self) -> (Dialect, Vec<(String, &'static str)>) {
        let dialect = Dialect {
            bauds: self.bauds.unwrap_or_default(),
            prompt: self.prompt.unwrap_or_default(),
            restart: self.restart.unwrap_or_default(),
            setup: self.setup.unwrap_or_default(),
            volts: self.volts,
            which_bus: self.which_bus,
            listen: self.listen,
            buses: self.buses.into_iter().map(|(bus, (command, sign))| (bus, command, sign)).collect(),
            says: self.says.into_iter().collect(),
            lasting: self.lasting,
        };
        let faulty = dialect.commands().filter_map(|c| Some((c.to_owned(), dialect.fault_of(c)?))).collect();
        (dialect, faulty)
    }
}

/// The dialect as a table that reads back alike.
pub(super) fn to_toml(dialect: &Dialect, source: Option<&String>) -> Table {
    let mut out = Table::new();
    let mut put = |key: &str, value: Option<Value>| value.map(|v| out.insert(key.to_owned(), v));
    put("source", source.cloned().map(Value::from));
    put("bauds", Some(dialect.bauds.iter().map(|b| i64::from(*b)).collect::<Vec<_>>().into()));
    put("prompt", Some(char::from(dialect.prompt).to_string().into()));
    put("restart", Some(dialect.restart.clone().into()));
    put("setup", Some(dialect.setup.clone().into()));
    put("volts", dialect.volts.clone().map(Value::from));
    put("which_bus", dialect.which_bus.clone().map(Value::from));
    put("listen", dialect.listen.clone().map(Value::from));
    put("lasting", Some(dialect.lasting.clone().into()));
    let bus = |(bus, command, sign): &(Bus, String, char)| {
        let row = [("command", command.clone()), ("sign", sign.to_string())];
        (bus.name().to_owned(), Value::from(row.map(|(k, v)| (k.to_owned(), v.into())).into_iter().collect::<Table>()))
    };
    put("bus", Some(dialect.buses.iter().map(bus).collect::<Table>().into()));
    let says = dialect.says.iter().map(|(word, meaning)| (word.clone(), meaning.name().into()));
    put("says", Some(says.collect::<Table>().into()));
    out
}

impl Reader<'_> {
    pub(super) fn dialect(&mut self, item: Item<'_, '_>) {
        let DeValue::Table(table) = item.get_ref() else {
            self.fault(item.span(), "dialect is a table, not a value", "write [dialect]");
            return;
        };
        let mut part = DialectPart { whole: self.kind == Kind::Stored, ..DialectPart::default() };
        for (key, item) in table {
            match key.get_ref().as_ref() {
                "source" => part.source = self.words("dialect.source", item),
                "bauds" => part.bauds = self.bauds(item),
                "prompt" => part.prompt = self.one_character("dialect.prompt", item).and_then(|c| u8::try_from(c).ok()),
                "restart" => part.restart = self.words("dialect.restart", item),
                "setup" => part.setup = Some(self.texts("dialect.setup", item)),
                "volts" => part.volts = self.words("dialect.volts", item),
                "which_bus" => part.which_bus = self.words("dialect.which_bus", item),
                "listen" => part.listen = self.words("dialect.listen", item),
                "lasting" => part.lasting = self.texts("dialect.lasting", item),
                "bus" => self.buses(item, &mut part),
                "says" => self.says(item, &mut part),
                _ => self.unknown_in("[dialect]", key, &DIALECT),
            }
        }
        if self.kind == Kind::BuiltIn && part.source.is_none() {
            self.fault(item.span(), "dialect has no source", "say in `source` where its strings come from");
        }
        self.layer.dialect = Some(part);
    }

    fn texts(&mut self, what: &str, item: Item<'_, '_>) -> Vec<String> {
        let DeValue::Array(rows) = item.get_ref() else {
            self.fault(item.span(), format!("{what} is not a list"), "write it as [\"…\", \"…\"], or [] for none");
            return Vec::new();
        };
        rows.iter().filter_map(|row| self.words(&format!("an entry of {what}"), row)).collect()
    }

    fn bauds(&mut self, item: Item<'_, '_>) -> Option<Vec<u32>> {
        let DeValue::Array(rows) = item.get_ref() else {
            self.fault(item.span(), "dialect.bauds is not a list", "write it as [38400, 115200]");
            return None;
        };
        let all = rows.iter().filter_map(|r| self.number("an entry of dialect.bauds", r, BAUD.0, BAUD.1));
        let all: Vec<u32> = all.map(|b| b as u32).collect();
        if all.is_empty() {
            self.fault(item.span(), "dialect.bauds is empty", "give at least one, such as [38400]");
        }
        Some(all).filter(|a| !a.is_empty())
    }

    fn one_character(&mut self, what: &str, item: Item<'_, '_>) -> Option<char> {
        let text = self.words(what, item)?;
        match (text.chars().next(), text.len()) {
            (Some(c), 1) if c.is_ascii_graphic() => Some(c),
            _ => {
                self.fault(item.span(), format!("{what} is \"{text}\""), "it must be one printable character");
                None
            }
        }
    }

    fn buses(&mut self, item: Item<'_, '_>, part: &mut DialectPart) {
        let DeValue::Table(table) = item.get_ref() else {
            self.fault(item.span(), "dialect.bus is a table, not a value", "write [dialect.bus]");
            return;
        };
        for (key, item) in table {
            let name: &str = key.get_ref();
            let Some(bus) = Bus::from_name(name) else {
                let names = Bus::ALL.map(|b| b.1);
                let right = nearest(name, names.into_iter(), &format!("it must be {}", one_of(&names)));
                self.fault(key.span(), format!("there is no bus \"{name}\""), right);
                continue;
            };
            let (mut command, mut sign) = (None, None);
            if let DeValue::Table(row) = item.get_ref() {
                for (key, item) in row {
                    match key.get_ref().as_ref() {
                        "command" => command = self.words("the command of a bus", item),
                        "sign" => sign = self.one_character("the sign of a bus", item),
                        _ => self.unknown_in("[dialect.bus]", key, &BUS),
                    }
                }
            }
            match (command, sign) {
                (Some(command), Some(sign)) => {
                    part.buses.insert(bus, (command, sign));
                }
                _ => {
                    let right = "write { command = \"…\", sign = \"…\" }";
                    self.fault(item.span(), format!("dialect.bus.{name} lacks its command or sign"), right);
                }
            }
        }
    }

    fn says(&mut self, item: Item<'_, '_>, part: &mut DialectPart) {
        let DeValue::Table(table) = item.get_ref() else {
            self.fault(item.span(), "dialect.says is a table, not a value", "write [dialect.says]");
            return;
        };
        for (key, item) in table {
            let Some(name) = self.words("what a word means", item) else { continue };
            match Meaning::from_name(&name) {
                Some(meaning) => {
                    part.says.insert(key.get_ref().to_string(), meaning);
                }
                None => {
                    let names = Meaning::ALL.map(|m| m.1);
                    let right = nearest(&name, names.into_iter(), &format!("it must be {}", one_of(&names)));
                    self.fault(item.span(), format!("a word cannot mean \"{name}\""), right);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::profile::{Error, Profile, load_builtin};
    use crate::wire::dialect::{Bus, Meaning};

    fn profile(text: &str, sets: &[&str]) -> Result<Profile, Error> {
        let sets: Vec<String> = sets.iter().map(|s| (*s).to_owned()).collect();
        Profile::from_str("van.toml", &format!("extends = \"switch-module\"\n{text}"), &sets)
    }

    fn told(text: &str) -> Vec<String> {
        match profile(text, &[]) {
            Err(Error::Faulty(faults)) => faults.iter().map(ToString::to_string).collect(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn the_built_in_dialect_is_sound_and_has_every_bus_and_meaning() {
        let d = load_builtin("switch-module").unwrap().dialect;
        assert!(d.commands().count() > 10);
        for c in d.commands() {
            assert!(d.fault_of(c).is_none() && d.command(c).is_some(), "{c}");
        }
        assert!(Bus::ALL.iter().all(|b| d.buses.iter().any(|(bus, ..)| *bus == b.0)));
        assert!(Meaning::ALL.iter().all(|m| d.says.iter().any(|(_, meaning)| *meaning == m.0)));
        let meaning = |line| d.meaning(line);
        assert_eq!(meaning("BUS INIT: ...ERROR"), Some(Meaning::NoBus));
        assert_eq!(meaning("BUS INIT: ..."), Some(Meaning::Working));
        assert_eq!(meaning("7E8 03 41 <DATA ERROR"), Some(Meaning::Damaged));
    }

    #[test]
    fn a_profile_changes_what_differs_and_is_kept_so() {
        let text = "[dialect]\nrestart = \"ATWS\"\nbauds = [9600]\nlasting = [\"ATQQ\"]\n\
                    [dialect.says]\n\"HUM\" = \"fault\"\n[dialect.bus]\nj1850_vpw = { command = \"ATTPB\", sign = \"b\" }";
        let (usual, own) = (load_builtin("switch-module").unwrap(), profile(text, &["dialect.volts=ATV"]).unwrap());
        let d = &own.dialect;
        assert_eq!((d.restart.as_str(), d.bauds.as_slice(), d.volts.as_deref()), ("ATWS", &[9600][..], Some("ATV")));
        assert_eq!((&d.setup, d.prompt), (&usual.dialect.setup, usual.dialect.prompt));
        assert_eq!(d.meaning("HUM"), Some(Meaning::Fault));
        assert_eq!(d.says.len(), usual.dialect.says.len() + 1);
        assert!(
            d.buses.contains(&(Bus::J1850Vpw, "ATTPB".to_owned(), 'b')) && d.buses.len() == usual.dialect.buses.len()
        );
        assert!(d.lasting.len() == usual.dialect.lasting.len() + 1);
        let (again, warnings) = Profile::from_table(&own.to_toml(), &[]).unwrap();
        assert_eq!((&again, warnings), (&own, vec![]));
        // One kept before there was a dialect takes the built-in one.
        let mut old = own.to_toml();
        old.remove("dialect");
        assert_eq!(Profile::from_table(&old, &[]).unwrap().0.dialect, usual.dialect);
    }

    #[test]
    fn what_may_not_be_sent_is_refused_whoever_asks_for_it() {
        assert_eq!(
            told("[dialect]\nlasting = []\nsetup = [\"ATE0\", \"at pp 0C SV 23\", \"04\"]"),
            [
                "van.toml: \"at pp 0C SV 23\" is no command for an adapter; it would change what the adapter keeps \
                 without power",
                "van.toml: \"04\" is no command for an adapter; hexadecimal digits alone would go out to the vehicle",
            ]
        );
        let e = profile("", &["dialect.restart=ATPPFFOFF"]).unwrap_err().to_string();
        assert!(e.starts_with("--set dialect.restart=ATPPFFOFF: ") && e.contains("without power"), "{e}");
        let e = profile("", &["dialect.setup=ATZ"]).unwrap_err().to_string();
        assert!(e.contains("dialect.setup"), "{e}");
    }

    #[test]
    fn faults_are_told_with_their_place() {
        assert_eq!(
            told(
                "[dialect]\nprompt = \">>\"\nbauds = []\nvolt = \"X\"\n[dialect.bus]\ncan_11_50 = { command = \"X1\", sign = \"1\" }\n\
                 can_11_500 = \"X2\"\n[dialect.says]\n\"HM\" = \"no_answr\""
            ),
            [
                "van.toml:3:10: dialect.prompt is \">>\"; it must be one printable character",
                "van.toml:4:9: dialect.bauds is empty; give at least one, such as [38400]",
                "van.toml:5:1: there is no \"volt\" in [dialect]; did you mean \"volts\"?",
                "van.toml:7:1: there is no bus \"can_11_50\"; did you mean \"can_11_500\"?",
                "van.toml:8:14: dialect.bus.can_11_500 lacks its command or sign; write { command = \"…\", sign = \"…\" }",
                "van.toml:10:8: a word cannot mean \"no_answr\"; did you mean \"no_answer\"?",
            ]
        );
    }
}
