//! The tray's machines of holds, reliefs and the vent on traces of [`trial`]'s rig, with the timeline's own strokes.

mod hold;
mod relief;
mod trial;
mod vent;
