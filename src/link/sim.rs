//! The simulated vehicle as a link.

use super::feed::{Feed, Pace};
use crate::record::Body;
use crate::time::Stamp;

/// Hands over what the simulated adapter sends until its day ends.
pub(super) fn run(player: impl Iterator<Item = (Stamp, Vec<u8>)>, mut feed: Feed, mut pace: Pace) {
    feed.say("playing");
    for (at, bytes) in player {
        if !pace.wait(at, &feed) || !feed.wait(at, Body::Bytes(bytes)) {
            break;
        }
    }
    feed.say("the day is over");
}
