//! The daemon's side of the socket.

use super::protocol::{Ask, RunState, Tell};
use super::{Error, LONGEST_LINE, place};
use crate::link::Stop;
use crate::session::Session;
use crate::units::Shown;
use crate::view::console::Told;
use crate::view::layout::{Health, Look, layout};
use crate::view::trace::Traces;
use clap::ValueEnum;
use std::io;
use std::path::Path;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::UnixStream;
use tokio::net::unix::{OwnedReadHalf, OwnedWriteHalf};
use tokio::sync::Semaphore;

/// Viewers at once.
const VIEWERS: usize = 64;
/// Between two pictures, and two looks for events.
const EVERY: Duration = Duration::from_millis(500);
/// A viewer that takes nothing for so long is dropped.
const PATIENCE: Duration = Duration::from_secs(5);
/// Between two looks whether the runs are over.
const LOOK: Duration = Duration::from_millis(200);

/// A vehicle that is recorded.
pub struct Run {
    /// Its name.
    pub name: String,
    /// What runs, for the first line of the screen.
    pub title: String,
    /// The session.
    pub session: Session,
}

/// Serves the runs at `socket` until all have ended, or `stop` ends them. The runs are given back to be joined.
pub fn serve(runs: Vec<Run>, socket: &Path, stop: &Stop) -> Result<Vec<Run>, (Error, Vec<Run>)> {
    let failed = |source| Error::Socket { path: socket.to_owned(), source };
    let listener = match place::listen(socket) {
        Ok(listener) => listener,
        Err(e) => return Err((e, runs)),
    };
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(e) => return Err((failed(e), runs)),
    };
    let runs = Rc::new(runs);
    let local = tokio::task::LocalSet::new();
    let served: io::Result<()> = local.block_on(&runtime, async {
        let listener = tokio::net::UnixListener::from_std(listener)?;
        let room = Rc::new(Semaphore::new(VIEWERS));
        loop {
            tokio::select! {
                come = listener.accept() => {
                    if let Ok((stream, _)) = come {
                        let (runs, room, stop) = (runs.clone(), room.clone(), stop.clone());
                        tokio::task::spawn_local(async move {
                            // A client that breaks off has nobody to be told.
                            let _ = attend(stream, &runs, &room, &stop).await;
                        });
                    }
                }
                () = tokio::time::sleep(LOOK) => {}
            }
            if stop.stopped() {
                runs.iter().for_each(|run| run.session.stop().stop());
            }
            if runs.iter().all(|run| run.session.is_over()) {
                return Ok(());
            }
        }
    });
    drop(local);
    // Nobody is to find a socket that nobody answers.
    let _ = std::fs::remove_file(socket);
    let runs = Rc::into_inner(runs).unwrap_or_default();
    match served {
        Ok(()) => Ok(runs),
        Err(e) => Err((failed(e), runs)),
    }
}

/// One client, from its first line to its last.
async fn attend(stream: UnixStream, runs: &[Run], room: &Semaphore, stop: &Stop) -> io::Result<()> {
    let peer = stream.peer_cred()?;
    let (read, mut write) = stream.into_split();
    let mine = rustix::process::geteuid().as_raw();
    if peer.uid() != mine && peer.uid() != 0 {
        tracing::warn!(uid = peer.uid(), "another user was refused");
        return tell(&mut write, &error("this daemon belongs to another user")).await;
    }
    let Ok(_seat) = room.try_acquire() else {
        return tell(&mut write, &error("too many look already: close one and try again")).await;
    };
    let mut lines = BufReader::new(read);
    while let Some(line) = next_line(&mut lines).await? {
        let ask = match line {
            Ok(line) => serde_json::from_slice::<Ask>(&line).map_err(|e| format!("that is no question: {e}")),
            Err(why) => Err(why),
        };
        match ask {
            Err(why) => tell(&mut write, &error(&why)).await?,
            Ok(Ask::Runs) => {
                // A recorder paints its picture only while somebody looks.
                runs.iter().for_each(|run| drop(run.session.look()));
                tokio::time::sleep(LOOK).await;
                tell(&mut write, &Tell::Runs { runs: runs.iter().map(state).collect() }).await?;
            }
            Ok(Ask::Stop) => {
                tracing::info!("asked to stop");
                stop.stop();
                tell(&mut write, &Tell::Done).await?;
            }
            Ok(Ask::Mark { run, kind, text }) => {
                let kind = kind.unwrap_or_else(|| "note".to_owned());
                let done = match one(runs, run.as_deref()) {
                    Err(why) => error(&why),
                    Ok(_) if !["note", "repair"].contains(&kind.as_str()) => error("a mark is a note or a repair"),
                    Ok(run) => {
                        run.session.note(&kind, &text);
                        Tell::Done
                    }
                };
                tell(&mut write, &done).await?;
            }
            Ok(Ask::Events { run, units }) => match one(runs, run.as_deref()).and_then(|r| Ok((r, shown(units)?))) {
                Err(why) => tell(&mut write, &error(&why)).await?,
                Ok((run, units)) => return events(&mut write, run, units).await,
            },
            Ok(Ask::Screen { run, width, height, units, colour }) => {
                match one(runs, run.as_deref()).and_then(|r| Ok((r, shown(units)?))) {
                    Err(why) => tell(&mut write, &error(&why)).await?,
                    Ok((run, units)) => {
                        let look = Look { width: width.clamp(20, 400), height: height.clamp(5, 200), units, colour };
                        return screens(&mut write, run, look).await;
                    }
                }
            }
        }
    }
    Ok(())
}

/// The next line without its end; `Err` in words where it is too long, and the rest of it is passed over.
async fn next_line(lines: &mut BufReader<OwnedReadHalf>) -> io::Result<Option<Result<Vec<u8>, String>>> {
    let mut line = Vec::new();
    let n = lines.take(LONGEST_LINE as u64 + 1).read_until(b'\n', &mut line).await?;
    if n == 0 {
        return Ok(None);
    }
    if line.last() == Some(&b'\n') {
        line.pop();
    } else if line.len() > LONGEST_LINE {
        loop {
            let some = lines.fill_buf().await?;
            let end = some.iter().position(|b| *b == b'\n');
            let (n, over) = (end.map_or(some.len(), |i| i + 1), end.is_some() || some.is_empty());
            lines.consume(n);
            if over {
                return Ok(Some(Err(format!("that line is longer than {LONGEST_LINE} bytes"))));
            }
        }
    }
    Ok(Some(Ok(line)))
}

async fn tell(write: &mut OwnedWriteHalf, tell: &Tell) -> io::Result<()> {
    let mut line = serde_json::to_vec(tell)?;
    line.push(b'\n');
    tokio::time::timeout(PATIENCE, write.write_all(&line)).await.map_err(|_| io::ErrorKind::TimedOut)?
}

async fn events(write: &mut OwnedWriteHalf, run: &Run, units: Shown) -> io::Result<()> {
    let mut told = Told::default();
    drop(run.session.look());
    tokio::time::sleep(LOOK).await;
    loop {
        let look = run.session.look();
        for line in told.lines(&look.snapshot, &health(run, &look.health), units) {
            tell(write, &Tell::Event { line }).await?;
        }
        if look.ended {
            return tell(write, &Tell::Ended).await;
        }
        tokio::time::sleep(EVERY).await;
    }
}

async fn screens(write: &mut OwnedWriteHalf, run: &Run, size: Look) -> io::Result<()> {
    let mut traces = Traces::default();
    drop(run.session.look());
    tokio::time::sleep(LOOK).await;
    loop {
        let look = run.session.look();
        traces.take(&look.snapshot);
        let lines = layout(&look.snapshot, &health(run, &look.health), &traces, size);
        tell(write, &Tell::Screen { lines }).await?;
        if look.ended {
            return tell(write, &Tell::Ended).await;
        }
        tokio::time::sleep(EVERY).await;
    }
}

fn health(run: &Run, health: &crate::session::Health) -> Health {
    Health::of(&run.title, &run.session.dir().display().to_string(), health)
}

fn state(run: &Run) -> RunState {
    let look = run.session.look();
    RunState {
        run: run.name.clone(),
        capture: run.session.dir().display().to_string(),
        records: look.health.records,
        bytes: look.health.bytes,
        phase: look.snapshot.phase.name().to_owned(),
        ended: look.ended,
        trouble: look.health.trouble,
    }
}

fn one<'a>(runs: &'a [Run], name: Option<&str>) -> Result<&'a Run, String> {
    let there = || runs.iter().map(|r| r.name.as_str()).collect::<Vec<_>>().join(", ");
    match (name, runs) {
        (None, [run]) => Ok(run),
        (None, _) => Err(format!("name the vehicle: {}", there())),
        (Some(name), _) => {
            runs.iter().find(|r| r.name == name).ok_or_else(|| format!("no vehicle {name:?} is recorded: {}", there()))
        }
    }
}

fn shown(units: Option<String>) -> Result<Shown, String> {
    let Some(name) = units else { return Ok(Shown::default()) };
    Shown::from_str(&name, false).map_err(|_| format!("no units {name:?}"))
}

fn error(why: &str) -> Tell {
    Tell::Error { why: why.to_owned() }
}
