//! Any answer is taken apart or refused; records of any lengths are told apart or not at all.
#![no_main]

use libfuzzer_sys::fuzz_target;
use soakwatch::wire::uds::{Answer, answer, no_words, records, snapshots};

fuzz_target!(|data: &[u8]| match answer(data) {
    Ok(Answer::Data(bytes)) => {
        for lengths in [|id: u16| Some(usize::from(id & 7)), |id: u16| (id & 1 == 0).then_some(usize::from(id >> 8))] {
            if let Some(all) = records(&bytes, lengths) {
                assert_eq!(all.iter().map(|(_, d)| d.len() + 2).sum::<usize>(), bytes.len());
            }
        }
    }
    Ok(Answer::Codes(_, all)) => assert!(all.len() * 4 < data.len()),
    Ok(Answer::Snapshots(_, _, bytes)) => {
        for lengths in [|id: u16| Some(usize::from(id & 7)), |id: u16| (id & 1 == 0).then_some(usize::from(id >> 8))] {
            let told = snapshots(&bytes, lengths).into_iter();
            let each = told.map(|s| 2 + s.values.iter().map(|(_, d)| d.len() + 2).sum::<usize>() + s.unread);
            // A lone last byte begins no record.
            assert!((bytes.len().saturating_sub(1)..=bytes.len()).contains(&each.sum::<usize>()));
        }
    }
    Ok(Answer::No(_, why)) => assert!(!no_words(why).is_empty()),
    Ok(Answer::Later(_)) | Err(_) => {}
});
