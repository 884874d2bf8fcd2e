//! The door: parse, pick a command, run it.

fn main() {}
