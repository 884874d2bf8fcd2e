//! The simulated vehicle, or the tray, as a link.

use super::feed::{Feed, Pace};
use crate::record::{Body, Event};
use crate::sim::{Play, Said};

/// Hands over what the simulated adapter sends and what the simulated technician notes until the play is over.
pub(super) fn run(play: Play, mut feed: Feed, mut pace: Pace) {
    feed.say("playing");
    let over = if matches!(play, Play::Tray(_)) { "the work on the tray is done" } else { "the day is over" };
    for (at, said) in play {
        let body = match said {
            Said::Bytes(bytes) => Body::Bytes(bytes),
            Said::Note(text) => Body::Event(Event::Note { note_kind: "rig".to_owned(), text }),
        };
        if !pace.wait(at, &feed) || !feed.wait(at, body) {
            break;
        }
    }
    feed.say(over);
}
