//! The door: parse, pick a command, run it.

use clap::Parser;
use soakwatch::cli::{self, Command};
use std::process::ExitCode;

fn main() -> ExitCode {
    let ended = match cli::Line::parse().command {
        Command::Watch(watch) => watch.run(),
        Command::Daemon(daemon) => daemon.run(),
        Command::Attach(attach) => attach.run(),
        Command::Mark(mark) => mark.run(),
        Command::Regrade(regrade) => regrade.run(),
        Command::Captures(captures) => captures.run(),
        Command::Plan(plan) => plan.run(),
        Command::Export(export) => export.run(),
        Command::Links(links) => links.run(),
        Command::Play(play) => play.run(),
        Command::Profile(profiles) => profiles.run(),
    };
    cli::exit(ended)
}
