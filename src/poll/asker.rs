//! Poller, conversation and proof of the bit rate as one, for links that move CAN frames: frames in, frames out.

use super::{Heard, Poller, Proof, Talk, Told, Wire};
use crate::profile::Profile;
use crate::time::Stamp;
use crate::wire::can_frame::{Frame, Kind};
use std::sync::Arc;

/// Asks over CAN.
pub struct Asker {
    poller: Poller,
    talk: Talk,
    proof: Proof,
    begun: bool,
    asking: bool,
}

impl Asker {
    /// `proof`: how the bit rate comes to be known.
    pub fn new(profile: &Arc<Profile>, proof: Proof) -> Asker {
        let set = &profile.set.bus;
        let talk = Talk::with_flow(set.flow_block as u8, set.flow_pause_ms as u8);
        Asker { poller: Poller::new(profile, Wire::Can), talk, proof, begun: false, asking: false }
    }

    /// The interface was opened again, perhaps at another rate.
    pub fn again(&mut self, proof: Proof) {
        (self.proof, self.begun) = (proof, false);
        self.talk.over();
    }

    /// The bit rate of the bus, where it is known; else the profile's is taken.
    pub fn bitrate(&mut self, bitrate: f64) {
        self.poller.bitrate(bitrate);
    }

    /// What the judge of this capture last said.
    pub fn phase(&mut self, at: Stamp, told: Told) {
        self.poller.phase(at, told);
    }

    /// A frame was heard; not one of this program's own.
    pub fn frame(&mut self, at: Stamp, frame: &Frame) {
        if matches!(frame.kind, Kind::Error(_)) {
            return self.proof.error(at);
        }
        self.proof.frame(at);
        if let Some(heard) = self.talk.frame(at, frame) {
            self.heard(at, heard);
        }
    }

    /// Something else was heard.
    pub fn heard(&mut self, at: Stamp, heard: Heard) {
        self.poller.heard(at, heard);
    }

    /// The next frame to send: record it, then send it. To be called until there is none.
    pub fn due(&mut self, at: Stamp) -> Option<Frame> {
        if !self.proof.proven() {
            return None;
        }
        if !self.begun {
            self.begun = true;
            self.poller.begin(at);
        }
        if let Some(question) = self.poller.due(at) {
            self.asking = true;
            // What Refused has no frame, and the poller hears nothing for it.
            let _ = self.talk.ask(&question);
        } else if self.asking && !self.poller.awaits() {
            self.asking = false;
            self.talk.over();
        }
        self.talk.poll()
    }

    /// When [`Asker::due`] may next have something, if nothing is heard before.
    pub fn wait(&self) -> Option<Stamp> {
        self.begun.then(|| self.poller.wait()).flatten()
    }

    /// The capture is to end.
    pub fn end(&mut self, at: Stamp) {
        self.poller.end(at);
    }

    /// Nothing more will be asked.
    pub fn ended(&self) -> bool {
        !self.begun || self.poller.ended()
    }

    /// Something for the record, in words.
    pub fn news(&mut self) -> Option<String> {
        self.poller.news()
    }

    /// How the bit rate stands.
    pub fn proof(&self) -> &Proof {
        &self.proof
    }

    /// What it does, in words.
    pub fn words(&self) -> String {
        match (self.proof.proven(), self.proof.spoilt, self.proof.begun()) {
            (true, ..) => self.poller.state().to_string(),
            (false, Some(_), _) => "errors on the bus: asks nothing, the bit rate may be wrong".to_owned(),
            (false, None, true) => "listens until the bit rate is proven".to_owned(),
            (false, None, false) => {
                "asks nothing before it has heard traffic, which proves the bit rate. Turn the key \
                                     on; where a gateway keeps the bus silent, name the link with ask=at_once once the \
                                     bit rate is known to be right"
                    .to_owned()
            }
        }
    }
}
