//! Reading and decoding ahead of the judge, in a thread of their own.

use crate::capture;
use crate::decode::{Decoder, Item};
use crate::judge::{Judge, Seen};
use crate::record::{Body, Event, LinkId, Record};
use crate::time::Stamp;
use crossbeam_channel::{Receiver, Sender, bounded};
use std::thread;

/// Records a batch: some tens of kilobytes of readings, which stay in a core's own cache.
const RECORDS: usize = 256;
/// Batches that may wait for the judge.
const WAITING: usize = 4;

/// Records in order, decoded.
#[derive(Default)]
struct Batch {
    records: Vec<Decoded>,
    /// Of all the records, in order.
    items: Vec<Item>,
    /// Bytes read so far, and in all.
    progress: (u64, u64),
}

struct Decoded {
    at: Stamp,
    /// How many of the batch's items are of this record.
    items: usize,
    event: Option<(LinkId, Event)>,
}

/// Feeds `judge` with all that `reader` holds, decoded by another thread; the same as one after the other. Gives the
/// reader back, for what it lost.
pub(super) fn feed(
    mut reader: capture::Reader,
    judge: &mut Judge,
    each: &mut dyn FnMut(Seen<'_>),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<capture::Reader, capture::Error> {
    let mut decoder = judge.decoder_apart();
    let (full, filled) = bounded::<Batch>(WAITING);
    let (used, empty) = bounded::<Batch>(WAITING + 2);
    let (reader, decoder, read) = thread::scope(|scope| {
        let ahead = scope.spawn(move || {
            let read = read_ahead(&mut reader, &mut decoder, &full, &empty);
            (reader, decoder, read)
        });
        for mut batch in filled {
            let mut items = batch.items.as_slice();
            for record in batch.records.drain(..) {
                let (own, rest) = items.split_at(record.items);
                items = rest;
                judge.decoded(record.at, own, record.event.as_ref().map(|(link, e)| (*link, e)), each);
            }
            progress(batch.progress.0, batch.progress.1);
            batch.items.clear();
            // A full store of used ones means that there are enough.
            let _ = used.try_send(batch);
        }
        ahead.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    });
    judge.decoder_back(decoder);
    read.map(|()| reader)
}

fn read_ahead(
    reader: &mut capture::Reader,
    decoder: &mut Decoder,
    full: &Sender<Batch>,
    empty: &Receiver<Batch>,
) -> Result<(), capture::Error> {
    let mut record = Record { at: Stamp::ZERO, link: 0, seq: 0, body: Body::Event(Event::Tick) };
    let mut read = Ok(true);
    while matches!(read, Ok(true)) {
        let mut batch = empty.try_recv().unwrap_or_default();
        while batch.records.len() < RECORDS {
            read = reader.next_into(&mut record);
            if !matches!(read, Ok(true)) {
                break;
            }
            let before = batch.items.len();
            decoder.record(&record, &mut batch.items);
            let event = match &record.body {
                Body::Event(event) => Some((record.link, event.clone())),
                _ => None,
            };
            batch.records.push(Decoded { at: record.at, items: batch.items.len() - before, event });
        }
        batch.progress = reader.progress();
        // Nobody takes it only when the judge's thread has ended by a panic.
        if full.send(batch).is_err() {
            break;
        }
    }
    read.map(|_| ())
}
