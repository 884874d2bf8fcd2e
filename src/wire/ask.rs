//! What may be asked of a controller, and nothing else: there is no request that actuates, clears, writes or keeps a
//! session alive. The last door, [`may_leave`], checks the bytes themselves once more.

/// A question.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Request {
    /// Live data, one to six PIDs (SAE J1979 service 01; several a request on CAN only).
    Live(Vec<u8>),
    /// A PID of the freeze frame (service 02, frame 0).
    Frozen(u8),
    /// Stored trouble codes (service 03).
    Stored,
    /// Results of an on-board monitor (service 06); `0x00`, `0x20`, … ask which there are.
    Monitor(u8),
    /// Trouble codes of this or the last driving cycle (service 07).
    Pending,
    /// Vehicle information by its InfoType (service 09).
    Info(u8),
    /// Permanent trouble codes (service 0A).
    Permanent,
    /// Data by identifier (ISO 14229 service 22), one to three.
    Dids(Vec<u16>),
    /// Trouble codes by status mask (ISO 14229 service 19 02).
    CodesByStatus(u8),
    /// Emission-related trouble codes (ISO 14229 service 19 42; functional group 33, severity mask FF; SAE J1979-2).
    EmissionCodes(u8),
    /// Permanent emission-related trouble codes (ISO 14229 service 19 55, functional group 33; SAE J1979-2).
    EmissionPermanent,
    /// Every record of what stood when a code was stored (ISO 14229 service 19 04, record FF: all): the code's three bytes.
    Snapshots([u8; 3]),
}

/// The services that may be asked: SAE J1979 and ISO 14229.
pub const SERVICES: [u8; 9] = [0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A, 0x19, 0x22];

/// The readings of service 19 that may be asked; others exist that this program has no use for.
const CODE_REPORTS: [u8; 4] = [0x02, 0x04, 0x42, 0x55];

impl Request {
    /// The message, without addressing.
    pub fn bytes(&self) -> Vec<u8> {
        match self {
            Request::Live(pids) => [&[0x01], pids.get(..pids.len().min(6)).unwrap_or_default()].concat(),
            Request::Frozen(pid) => vec![0x02, *pid, 0x00],
            Request::Stored => vec![0x03],
            Request::Monitor(id) => vec![0x06, *id],
            Request::Pending => vec![0x07],
            Request::Info(kind) => vec![0x09, *kind],
            Request::Permanent => vec![0x0A],
            Request::Dids(ids) => [0x22].into_iter().chain(ids.iter().take(3).flat_map(|d| d.to_be_bytes())).collect(),
            Request::CodesByStatus(mask) => vec![0x19, 0x02, *mask],
            Request::EmissionCodes(mask) => vec![0x19, 0x42, 0x33, *mask, 0xFF],
            Request::EmissionPermanent => vec![0x19, 0x55, 0x33],
            Request::Snapshots([a, b, c]) => vec![0x19, 0x04, *a, *b, *c, 0xFF],
        }
    }
}

/// True if a message may leave: its service is on the list, whatever made the bytes.
pub fn may_leave(message: &[u8]) -> bool {
    match message {
        [0x19, 0x04, of @ ..] => of.len() == 4,
        [0x19, report, ..] => CODE_REPORTS.contains(report),
        // The freeze frame's number must be 0, which reads the stored one.
        [0x02, _, frame] => *frame == 0,
        [0x02, ..] => false,
        [service, ..] => SERVICES.contains(service),
        [] => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_changes_a_vehicle_can_leave() {
        // Clear, test of components, and ISO 14229: session, reset, clear, security, control, write, routine, transfer,
        // tester present (service numbers of SAE J1979 and ISO 14229-1, from memory).
        let forbidden =
            [0x04, 0x05, 0x08, 0x10, 0x11, 0x14, 0x23, 0x27, 0x28, 0x2A, 0x2C, 0x2E, 0x2F, 0x31, 0x34, 0x35]
                .into_iter()
                .chain([0x36, 0x37, 0x3D, 0x3E, 0x83, 0x84, 0x85, 0x86, 0x87]);
        for service in forbidden {
            assert!(!may_leave(&[service]) && !may_leave(&[service, 0, 0]), "{service:02X}");
        }
        assert!(!may_leave(&[]));
        assert!(
            !may_leave(&[0x19, 0x04])
                && !may_leave(&[0x19, 0x06, 4, 0x56, 0, 0xFF])
                && !may_leave(&[0x02, 0x0C])
                && !may_leave(&[0x02, 0x0C, 1])
        );
        let open = (0..=u8::MAX).filter(|s| may_leave(&[*s, 0x02, 0x00])).count();
        assert_eq!(open, SERVICES.len());
    }

    #[test]
    fn every_question_may_leave_and_has_its_standard_bytes() {
        let all = [
            (Request::Live(vec![0x0C, 0x0D]), "01 0C 0D"),
            (Request::Frozen(0x02), "02 02 00"),
            (Request::Stored, "03"),
            (Request::Monitor(0x3C), "06 3C"),
            (Request::Pending, "07"),
            (Request::Info(0x02), "09 02"),
            (Request::Permanent, "0A"),
            (Request::Dids(vec![0xF190, 0xF40C]), "22 F1 90 F4 0C"),
            (Request::CodesByStatus(0x0D), "19 02 0D"),
            (Request::EmissionCodes(0x08), "19 42 33 08 FF"),
            (Request::EmissionPermanent, "19 55 33"),
            (Request::Snapshots([0x04, 0x56, 0x00]), "19 04 04 56 00 FF"),
        ];
        for (request, hex) in all {
            let bytes = request.bytes();
            let told: Vec<String> = bytes.iter().map(|b| format!("{b:02X}")).collect();
            assert_eq!(told.join(" "), hex);
            assert!(may_leave(&bytes), "{hex}");
        }
        assert_eq!(Request::Live((1..20).collect()).bytes().len(), 7, "six PIDs at most");
    }
}
