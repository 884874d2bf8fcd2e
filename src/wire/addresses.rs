//! Who asks and who answers on CAN: ISO 15765-4, normal 11-bit and normal fixed 29-bit addressing (from memory).

use super::can_frame::Id;

/// To all, 11 bits and 29 bits.
pub const ALL: [Id; 2] = [Id::Standard(0x7DF), Id::Extended(0x18DB_33F1)];

/// True for who answers diagnostic questions: 7E8 to 7EF, and 18DAF1xx.
pub fn answers(id: Id) -> bool {
    match id {
        Id::Standard(id) => (0x7E8..=0x7EF).contains(&id),
        Id::Extended(id) => id & 0xFFFF_FF00 == 0x18DA_F100,
    }
}

/// True for an identifier by which one controller is asked.
pub fn asks_one(id: Id) -> bool {
    match id {
        Id::Standard(id) => (0x7E0..=0x7E7).contains(&id),
        Id::Extended(id) => id & 0xFFFF_00FF == 0x18DA_00F1,
    }
}

/// True for an identifier by which one controller or all are asked.
pub fn asks(id: Id) -> bool {
    asks_one(id) || ALL.contains(&id)
}

/// The identifier by which the controller is asked that answers with this one; nothing for others.
pub fn ask_id(answers_with: Id) -> Option<Id> {
    answers(answers_with).then_some(match answers_with {
        Id::Standard(id) => Id::Standard(id - 8),
        Id::Extended(id) => Id::Extended(0x18DA_00F1 | (id & 0xFF) << 8),
    })
}
