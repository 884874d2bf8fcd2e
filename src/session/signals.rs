//! Ctrl-C and its kin as a wish to end in order.

use super::Error;
use crate::link::Stop;
use std::io;
use tokio::signal::unix::{SignalKind, signal};

/// From now on Ctrl-C (SIGINT), SIGTERM and SIGHUP set `stop` instead of ending the program. The last keeps the
/// capture whole when a remote terminal goes away.
pub fn stop_on_signal(stop: Stop) -> Result<(), Error> {
    let fail = |source| Error::System { doing: "hand out signals", source };
    let (ready, heard) = crossbeam_channel::bounded::<io::Result<()>>(1);
    let waiter = move || {
        let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
            Ok(runtime) => runtime,
            Err(e) => return drop(ready.send(Err(e))),
        };
        runtime.block_on(async {
            let kinds = [SignalKind::interrupt(), SignalKind::terminate(), SignalKind::hangup()];
            let [mut int, mut term, mut hup] = match kinds.map(signal) {
                [Ok(int), Ok(term), Ok(hup)] => [int, term, hup],
                [a, b, c] => {
                    let e = [a, b, c].into_iter().find_map(Result::err).unwrap_or_else(|| io::ErrorKind::Other.into());
                    return drop(ready.send(Err(e)));
                }
            };
            drop(ready.send(Ok(())));
            loop {
                tokio::select! {
                    _ = int.recv() => {}
                    _ = term.recv() => {}
                    _ = hup.recv() => {}
                }
                stop.stop();
            }
        });
    };
    std::thread::Builder::new().name("signals".to_owned()).spawn(waiter).map_err(fail)?;
    heard.recv().unwrap_or_else(|e| Err(io::Error::other(e))).map_err(fail)
}
