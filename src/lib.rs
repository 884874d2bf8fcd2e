//! # soakwatch
//!
//! Watches the leak tests of a petrol vehicle's fuel-vapour system as they happen, grades each on the spot and
//! keeps the raw record, so that it can be judged again later.
//!
//! ## How the data walks
//!
//! ```text
//!  link ──Record──▶ capture            (appended first, then judged)
//!                      │
//!                      └─Record─▶ decode ─Reading─▶ timeline ─Phase, Edge─▶ grade ─Finding─▶ view
//!                               (wire, profile)    (soak, start, purge,   (a machine a    (console, JSON, CSV)
//!                                                   decay, gaps,           test, a jury)
//!                                                   spoilers)
//! ```
//!
//! It walks one way. [`judge`] drives decode, timeline and grade as one; a live link, a saved capture and the
//! simulator all feed the same judge, and it cannot tell which. The judge does no I/O and reads no clock.
//!
//! ## The rooms, from the ground
//!
//! | floor | rooms |
//! |---|---|
//! | words | [`time`] [`units`] [`channel`] [`record`] [`trade`] |
//! | pure | [`wire`] codecs of lines, frames and messages · [`physics`] gas, orifice, fuel, tank, belief |
//! | kept | [`profile`] limits with sources · [`capture`] append, recover, read |
//! | judge | [`decode`] · [`timeline`] · [`grade`] · [`guide`] · [`judge`] · [`plan`] what a night will tell |
//! | edge | [`sim`] the simulated vehicle, [`poll`] what to ask a vehicle and when to be silent · [`link`] · [`session`] a run |
//! | door | [`view`] console, JSON, CSV · [`daemon`] several runs without a screen, looked at through a socket · [`cli`] one file a command |
//!
//! Arrows point down. The simulator shares nothing with the judge but the words, and on a bus the
//! codecs of [`wire`].

pub mod capture;
pub mod channel;
pub mod cli;
pub mod daemon;
pub mod decode;
pub mod grade;
pub mod guide;
pub mod judge;
pub mod link;
pub mod physics;
pub mod plan;
pub mod poll;
pub mod profile;
pub mod record;
pub mod session;
pub mod sim;
pub mod time;
pub mod timeline;
pub mod trade;
pub mod units;
pub mod view;
pub mod wire;
