//! Trouble codes as SAE J2012 (ISO 15031-6) writes them, and what the ones about fuel vapour mean.

use std::fmt;

/// A code: two bytes of SAE J2012, and for ISO 14229 the failure type byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Code {
    word: u16,
    failure: Option<u8>,
}

impl Code {
    /// From its two bytes; all zero is no code.
    pub fn from_word(bytes: [u8; 2]) -> Option<Code> {
        let word = u16::from_be_bytes(bytes);
        (word != 0).then_some(Code { word, failure: None })
    }

    /// From the three bytes of ISO 14229: the code and its failure type.
    pub fn from_three(bytes: [u8; 3]) -> Option<Code> {
        Code::from_word([bytes[0], bytes[1]]).map(|c| Code { failure: Some(bytes[2]).filter(|f| *f != 0), ..c })
    }

    /// What it means, if it is about fuel vapour or about what keeps those tests from running. SAE J2012, from memory.
    pub fn words(self) -> Option<&'static str> {
        MEANINGS.iter().find(|m| m.0 == self.word).map(|m| m.1)
    }

    /// It is about the fuel-vapour system itself.
    pub fn is_vapour(self) -> bool {
        matches!(
            self.word,
            0x0440..=0x0459 | 0x0465..=0x0469 | 0x0496..=0x0499 | 0x2400..=0x2412 | 0x2418..=0x2422 | 0x2450 | 0x2451
        )
    }

    /// The three bytes of ISO 14229.
    pub fn three(self) -> [u8; 3] {
        let [high, low] = self.word.to_be_bytes();
        [high, low, self.failure.unwrap_or(0)]
    }

    /// Its two bytes, without the failure type.
    pub fn word(self) -> u16 {
        self.word
    }

    /// The part of the vehicle that it is about, by its first digits. SAE J2012, from memory.
    pub fn system(self) -> &'static str {
        match self.word {
            0x4000..=0x7FFF => "chassis",
            0x8000..=0xBFFF => "body",
            0xC000.. => "network between controllers",
            0x1000..=0x1FFF | 0x3000..=0x33FF => "powertrain, the maker's own meaning",
            w => match w >> 8 {
                0x00 | 0x01 | 0x20 => "fuel and air metering",
                0x02 | 0x22 => "fuel and air metering, injectors",
                0x03 | 0x23 => "ignition or misfire",
                0x04 | 0x24 => "auxiliary emission controls",
                0x05 | 0x25 => "vehicle speed, idle, auxiliary inputs",
                0x06 | 0x26 => "controller and its outputs",
                0x07..=0x09 | 0x27..=0x29 => "transmission",
                0x0A..=0x0C => "hybrid drive",
                _ => "powertrain",
            },
        }
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let letter = ['P', 'C', 'B', 'U'][usize::from(self.word >> 14)];
        write!(f, "{letter}{:X}{:03X}", (self.word >> 12) & 3, self.word & 0xFFF)?;
        match self.failure {
            Some(failure) => write!(f, "-{failure:02X}"),
            None => Ok(()),
        }
    }
}

const MEANINGS: [(u16, &str); 70] = [
    (0x0070, "ambient air temperature circuit"),
    (0x0071, "ambient air temperature circuit, range"),
    (0x0072, "ambient air temperature circuit low"),
    (0x0073, "ambient air temperature circuit high"),
    (0x0074, "ambient air temperature circuit, at times"),
    (0x0110, "intake air temperature circuit"),
    (0x0111, "intake air temperature, range"),
    (0x0112, "intake air temperature circuit low"),
    (0x0113, "intake air temperature circuit high"),
    (0x0115, "coolant temperature circuit"),
    (0x0116, "coolant temperature, range"),
    (0x0117, "coolant temperature circuit low"),
    (0x0118, "coolant temperature circuit high"),
    (0x0119, "coolant temperature circuit, at times"),
    (0x0128, "coolant stays below the thermostat's temperature"),
    (0x0440, "vapour system malfunction"),
    (0x0441, "vapour system, wrong purge flow"),
    (0x0442, "vapour system, small leak"),
    (0x0443, "purge valve circuit"),
    (0x0444, "purge valve circuit open"),
    (0x0445, "purge valve circuit shorted"),
    (0x0446, "vent control circuit"),
    (0x0447, "vent control circuit open"),
    (0x0448, "vent control circuit shorted"),
    (0x0449, "vent valve circuit"),
    (0x0450, "vapour pressure sensor or switch"),
    (0x0451, "vapour pressure sensor or switch, range"),
    (0x0452, "vapour pressure sensor or switch low"),
    (0x0453, "vapour pressure sensor or switch high"),
    (0x0454, "vapour pressure sensor or switch, at times"),
    (0x0455, "vapour system, large leak"),
    (0x0456, "vapour system, very small leak"),
    (0x0457, "vapour system, leak: cap loose or off"),
    (0x0458, "purge valve circuit low"),
    (0x0459, "purge valve circuit high"),
    (0x0460, "fuel level sensor circuit"),
    (0x0461, "fuel level sensor, range"),
    (0x0462, "fuel level sensor circuit low"),
    (0x0463, "fuel level sensor circuit high"),
    (0x0464, "fuel level sensor circuit, at times"),
    (0x0465, "purge flow sensor circuit"),
    (0x0466, "purge flow sensor, range"),
    (0x0467, "purge flow sensor circuit low"),
    (0x0468, "purge flow sensor circuit high"),
    (0x0469, "purge flow sensor circuit, at times"),
    (0x0496, "vapour system, purge flows when it should not"),
    (0x0497, "vapour system, too little purge flow"),
    (0x0498, "vent control circuit low"),
    (0x0499, "vent control circuit high"),
    (0x2400, "leak detection pump circuit open"),
    (0x2401, "leak detection pump circuit low"),
    (0x2402, "leak detection pump circuit high"),
    (0x2403, "leak detection pump sense circuit open"),
    (0x2404, "leak detection pump sense circuit, range"),
    (0x2405, "leak detection pump sense circuit low"),
    (0x2406, "leak detection pump sense circuit high"),
    (0x2407, "leak detection pump sense circuit, at times"),
    (0x2408, "fuel cap sensor or switch circuit"),
    (0x2409, "fuel cap sensor or switch, range"),
    (0x2410, "fuel cap sensor or switch circuit low"),
    (0x2411, "fuel cap sensor or switch circuit high"),
    (0x2412, "fuel cap sensor or switch circuit, at times"),
    (0x2418, "vapour switching valve circuit open"),
    (0x2419, "vapour switching valve circuit low"),
    (0x2420, "vapour switching valve circuit high"),
    (0x2421, "vent valve stuck open"),
    (0x2422, "vent valve stuck closed"),
    (0x2450, "vapour switching valve, does not follow or stuck open"),
    (0x2451, "vapour switching valve stuck closed"),
    (0x2610, "engine-off timer of the controller"),
];

#[cfg(test)]
mod tests {
    use super::*;

    /// SAE J2012's coding: two bits of letter, two bits of first digit, three hexadecimal digits.
    #[test]
    fn codes_are_written_as_the_standard_has_them() {
        let told = |b| Code::from_word(b).map(|c| c.to_string());
        assert_eq!(told([0x04, 0x42]).as_deref(), Some("P0442"));
        assert_eq!(told([0x26, 0x10]).as_deref(), Some("P2610"));
        assert_eq!(told([0xC1, 0x00]).as_deref(), Some("U0100"));
        assert_eq!(told([0x92, 0x34]).as_deref(), Some("B1234"));
        assert_eq!(told([0x41, 0x23]).as_deref(), Some("C0123"));
        assert_eq!(told([0, 0]), None);
        assert_eq!(Code::from_three([0x04, 0x56, 0x13]).map(|c| c.to_string()).as_deref(), Some("P0456-13"));
        assert_eq!(Code::from_word([0x04, 0x56]).and_then(Code::words), Some("vapour system, very small leak"));
        assert!(MEANINGS.is_sorted_by_key(|m| m.0));
    }
}
