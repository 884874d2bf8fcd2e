//! A reading: the channels that were sampled at one moment.

use crate::channel::Channel;
use crate::record::LinkId;
use crate::time::Stamp;

/// The values of one moment. Channels that were not sampled then are absent.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// When it was sampled.
    pub at: Stamp,
    /// By which link.
    pub link: LinkId,
    mask: u32,
    values: [f64; Channel::COUNT],
}

impl Reading {
    /// An empty reading.
    pub fn new(at: Stamp, link: LinkId) -> Reading {
        Reading { at, link, mask: 0, values: [0.0; Channel::COUNT] }
    }

    /// Sets a channel's value.
    pub fn set(&mut self, c: Channel, value: f64) {
        self.mask |= 1 << c as u32;
        self.values[c as usize] = value;
    }

    /// The value, if the channel was sampled.
    pub fn get(&self, c: Channel) -> Option<f64> {
        (self.mask & (1 << c as u32) != 0).then(|| self.values[c as usize])
    }

    /// Takes a channel out (a value that cannot be a reading).
    pub fn unset(&mut self, c: Channel) {
        self.mask &= !(1 << c as u32);
    }

    /// True if nothing was sampled.
    pub fn is_empty(&self) -> bool {
        self.mask == 0
    }

    /// The channels sampled, in order of their numbers.
    pub fn iter(&self) -> impl Iterator<Item = (Channel, f64)> + '_ {
        let mut left = self.mask;
        std::iter::from_fn(move || {
            if left == 0 {
                return None;
            }
            let i = left.trailing_zeros() as usize;
            left &= left - 1;
            Some((Channel::ALL[i], self.values[i]))
        })
    }
}
