//! What survives a torn tail and damage in mid-file, and how it is said.

use super::*;
use proptest::prelude::*;
use std::ops::Range;

/// Splits what was read into stored records and gaps the reader made, and holds that each stored record is one
/// of the originals, unchanged and in order.
fn sorted(back: &[Record], originals: &[Record]) -> (Vec<u64>, Vec<Record>) {
    let (stored, gaps): (Vec<_>, Vec<_>) = back.iter().cloned().partition(|r| originals.contains(r));
    for gap in &gaps {
        assert!(matches!(gap.body, Body::Event(Event::Gap { .. })) && gap.link == 0, "{gap:?}");
    }
    assert!(stored.windows(2).all(|w| w[0].seq < w[1].seq));
    (stored.iter().map(|r| r.seq).collect(), gaps)
}

/// Holds that everything but `lost` was read, that its absence is a gap unless it was at the end, and is said.
fn only_these_are_lost(files: &[&[u8]], originals: &[Record], lost: &Range<usize>) {
    let (back, losses) = read(files);
    let (stored, gaps) = sorted(&back, originals);
    let left: Vec<_> = (0..originals.len() as u64).filter(|n| !lost.contains(&(*n as usize))).collect();
    assert_eq!(stored, left, "{losses:?}");
    if lost.is_empty() {
        assert!(gaps.is_empty());
        return;
    }
    assert!(
        losses.iter().any(|l| (l.contains("raw.pcapng") && l.contains(" byte ")) || l.contains("not ended in order")),
        "{losses:?}"
    );
    if lost.end == originals.len() {
        assert!(gaps.is_empty());
        return;
    }
    let from = lost.start.checked_sub(1).map_or(0, |n| originals[n].at.0);
    let to = originals[lost.end].at.0;
    let [Record { at, seq, body: Body::Event(Event::Gap { from_ns, to_ns, count, cause }), .. }] = gaps.as_slice()
    else {
        panic!("{gaps:?}")
    };
    assert_eq!((at.0, *seq), (from, lost.start as u64));
    assert_eq!((*from_ns, *to_ns, *count), (from, to, lost.len() as u64));
    assert!(cause.contains("raw.pcapng") && cause.contains("byte "), "{cause}");
}

#[test]
fn a_file_cut_at_any_byte_gives_everything_before_the_cut() {
    let mut records = night();
    let file = written(&mut records);
    let ends: Vec<_> = blocks(&file).iter().map(|b| b.end).collect();
    for cut in 0..file.len() {
        let (back, losses) = read(&[&file[..cut]]);
        let whole = ends.iter().filter(|end| **end <= cut).count();
        assert_eq!(back, records[..whole], "cut at {cut}");
        assert_eq!(losses.len(), 1, "cut at {cut}: {losses:?}");
        let said = match whole {
            0 => "there is no whole record in it".to_string(),
            n => format!("what came after record {} is not known", n - 1),
        };
        assert!(losses[0].contains(&said), "cut at {cut}: {losses:?}");
        let begun = whole.checked_sub(1).map_or(cut > 0 && !head_ends(&file).contains(&cut), |n| cut > ends[n]);
        assert_eq!(losses[0].starts_with("raw.pcapng at byte "), begun, "cut at {cut}: {losses:?}");
    }
}

/// Where the blocks of the head end.
fn head_ends(file: &[u8]) -> Vec<usize> {
    let (mut at, mut ends) = (0, Vec::new());
    while let Frame::Block(kind, len) = frame(&file[at..]) {
        if kind == PACKET {
            break;
        }
        at += len;
        ends.push(at);
    }
    ends
}

#[test]
fn a_flipped_byte_anywhere_costs_at_most_the_record_it_stands_in() {
    let mut records = night();
    let file = written(&mut records);
    let blocks = blocks(&file);
    for at in 0..file.len() {
        let hit = blocks.iter().position(|b| b.contains(&at));
        for mask in [0x01, 0x80, 0xFF] {
            let mut damaged = file.clone();
            damaged[at] ^= mask;
            let (back, _) = read(&[&damaged]);
            let (stored, _) = sorted(&back, &records);
            // In padding and the like a flip is harmless: then nothing may be lost.
            let lost = match hit {
                Some(n) if !stored.contains(&(n as u64)) => n..n + 1,
                _ => 0..0,
            };
            only_these_are_lost(&[&damaged], &records, &lost);
        }
    }
}

#[test]
fn every_byte_that_carries_meaning_is_guarded() {
    // Interface, stamp, length, data, hash and number of one record: a flip in any of them costs the record.
    let mut records = night();
    let file = written(&mut records);
    let block = blocks(&file)[3].clone();
    let data_len = 36;
    let meaning =
        [8..24, 28..28 + data_len, 28 + data_len + 5..28 + data_len + 9, 28 + data_len + 16..28 + data_len + 24];
    for at in meaning.into_iter().flatten() {
        for bit in 0..8 {
            let mut damaged = file.clone();
            damaged[block.start + at] ^= 1 << bit;
            only_these_are_lost(&[&damaged], &records, &(3..4));
        }
    }
}

#[test]
fn a_lost_sector_of_zeros_costs_what_it_covers() {
    let mut records: Vec<_> =
        (0..200).map(|i| record(i * 1000, 1, Body::Bytes(format!("{i}.000,1\n").into_bytes()))).collect();
    let file = written(&mut records);
    let blocks = blocks(&file);
    for sector in [2048..2560, 4096..8192] {
        let mut damaged = file.clone();
        damaged[sector.clone()].fill(0);
        let hit = |b: &&Range<usize>| b.start < sector.end && b.end > sector.start;
        let first = blocks.iter().position(|b| hit(&b)).unwrap();
        let count = blocks.iter().filter(hit).count();
        only_these_are_lost(&[&damaged], &records, &(first..first + count));
    }
}

#[test]
fn zeros_after_the_end_lose_nothing_and_are_named() {
    let mut records = night();
    let mut file = written(&mut records);
    let len = file.len();
    file.resize(len + 4096, 0);
    let (back, losses) = read(&[&file]);
    assert_eq!(back, records);
    assert_eq!(
        losses,
        [format!(
            "raw.pcapng at byte {len}: no block begins there; the last 4096 bytes were left out, \
             they come after the capture's end"
        )]
    );
}

#[test]
fn a_record_taken_out_is_a_gap() {
    let mut records = night();
    let file = written(&mut records);
    for (n, block) in blocks(&file).into_iter().enumerate() {
        let without = [&file[..block.start], &file[block.end..]].concat();
        only_these_are_lost(&[&without], &records, &(n..n + 1));
    }
}

#[test]
fn a_few_bytes_between_two_blocks_cost_no_record() {
    let mut records = night();
    let file = written(&mut records);
    for block in blocks(&file) {
        for garbage in [[0x00; 12], [0x06; 12], [0xFF; 12], [6, 0, 0, 0, 6, 0, 0, 0, 6, 0, 0, 0]] {
            for n in 1..=12 {
                let damaged = [&file[..block.start], &garbage[..n], &file[block.start..]].concat();
                let (back, losses) = read(&[&damaged]);
                assert_eq!(back, records);
                assert_eq!(losses.len(), 1, "{losses:?}");
                let end = format!("; {n} bytes were left out, no record is missing");
                assert!(losses[0].ends_with(&end), "{losses:?}");
            }
        }
    }
}

#[test]
fn damage_where_the_window_slides_is_like_any_other() {
    // A source that gives odd pieces, so that blocks and damage lie across the edges of the window in every way.
    struct Pieces(io::Cursor<Vec<u8>>, usize);
    impl io::Read for Pieces {
        fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
            self.1 = (self.1 * 7 + 1) % 1009;
            let n = buf.len().min(self.1 + 1);
            io::Read::read(&mut self.0, &mut buf[..n])
        }
    }
    let mut records: Vec<_> =
        (0..3000).map(|i| record(i, 1, Body::Bytes(vec![i as u8; i as usize * 31 % 700]))).collect();
    let file = written(&mut records);
    assert!(file.len() > 4 * (256 << 10));
    let mut damaged = file.clone();
    let hit: Vec<_> = blocks(&file).into_iter().enumerate().skip(5).step_by(37).collect();
    for (_, block) in &hit {
        damaged[block.start + 4] ^= 0xFF;
    }
    let source = Box::new(Pieces(io::Cursor::new(damaged), 1)) as Box<dyn io::Read + Send>;
    let mut reader = reader::Reader::over(session(), [(RAW_FILE.into(), source)].into(), 0);
    let back: Vec<_> = reader.by_ref().collect::<Result<_>>().unwrap();
    let (stored, gaps) = sorted(&back, &records);
    assert_eq!((stored.len(), gaps.len()), (records.len() - hit.len(), hit.len()));
    for ((n, block), loss) in hit.iter().zip(reader.losses()) {
        let expected = format!("raw.pcapng at byte {}: no block begins there; record {n} is missing", block.start);
        assert_eq!(*loss, expected);
    }
}

#[test]
fn a_head_that_is_gone_or_wrong_loses_no_record() {
    let mut records = night();
    let file = written(&mut records);
    let start = blocks(&file)[0].start;
    let (back, losses) = read(&[&file[start..]]);
    assert_eq!((back, losses), (records.clone(), vec![]));
    let mut damaged = file.clone();
    damaged[..start].fill(0xA5);
    let (back, losses) = read(&[&damaged]);
    assert_eq!(back, records);
    assert_eq!(
        losses,
        [format!("raw.pcapng at byte 0: no block begins there; {start} bytes were left out, no record is missing")]
    );
    // Another link type in the first interface.
    let idb = head_ends(&file)[0];
    let mut damaged = file.clone();
    damaged[idb + 8] = 1;
    let (back, losses) = read(&[&damaged]);
    assert_eq!(back, records);
    assert!(losses[0].starts_with(&format!("raw.pcapng at byte {idb}: interface 0 is not described")), "{losses:?}");
}

#[test]
fn blocks_of_other_kinds_are_passed_over() {
    let mut records = night();
    let file = written(&mut records);
    let at = blocks(&file)[4].start;
    // An interface statistics block and one of a kind for local use, by the pcapng block layout.
    let statistics = [5u32, 24, 0, 0, 0, 24].map(u32::to_le_bytes).concat();
    let local = [0x8000_0001u32, 16, 7, 16].map(u32::to_le_bytes).concat();
    let with = [&file[..at], &statistics, &local, &file[at..]].concat();
    assert_eq!(read(&[&with]), (records, vec![]));
}

#[test]
fn records_that_come_twice_are_handed_on_once() {
    let mut records = night();
    let file = written(&mut records);
    let blocks = blocks(&file);
    let again = [&file[..blocks[6].end], &file[blocks[2].start..]].concat();
    let (back, losses) = read(&[&again]);
    assert_eq!(back, records);
    assert!(losses[0].contains("a record is there twice or out of order"), "{losses:?}");
    assert!(losses[0].ends_with("no record is missing"), "{losses:?}");
}

#[test]
fn an_event_of_an_unknown_kind_is_named_and_counted() {
    let mut records = night();
    let mut file = written(&mut records);
    // "tick" becomes "tock", with hash and check made right again.
    let block = blocks(&file)[13].clone();
    let data = block.start + 28..block.start + 28 + br#"{"kind":"tick"}"#.len();
    let o = file[data.clone()].iter().position(|b| *b == b'i').map(|_| data.start + 10).unwrap();
    assert_eq!(&file[data.clone()], br#"{"kind":"tick"}"#);
    file[o] = b'o';
    let crc = crc32fast::hash(&file[data.clone()]);
    let options = data.end.next_multiple_of(4);
    let check = layout::stamp_check(crc, file[block.start + 8..block.start + 20].try_into().unwrap(), 13, false);
    file[options + 5..options + 9].copy_from_slice(&crc.to_be_bytes());
    file[options + 28..options + 32].copy_from_slice(&check.to_be_bytes());
    only_these_are_lost(&[&file], &records, &(13..14));
    let (_, losses) = read(&[&file]);
    assert!(
        losses[0].contains("of a kind that this version does not know, a newer one may; record 13 is missing"),
        "{losses:?}"
    );
}

#[test]
fn a_block_without_the_local_option_is_read_by_its_hash() {
    let mut records = night();
    let mut file = written(&mut records);
    for block in blocks(&file) {
        // The check is the last option before the end mark: code 0x8001 becomes another code for local use.
        let code = block.end - 4 - 4 - 8;
        assert_eq!(file[code..code + 2], [0x01, 0x80]);
        file[code] = 0x77;
    }
    assert_eq!(read(&[&file]), (records, vec![]));
}

/// Found by fuzzing: eight bytes fall out of a block, its end is found in the next of the same length, and what was its
/// check stands where its number was.
#[test]
fn a_number_that_lost_its_check_is_not_believed() {
    let mut records: Vec<_> = (0..6).map(|i| record(i, 2, Body::Can(vec![]))).collect();
    let mut file = written(&mut records);
    let number = blocks(&file)[1].start + 28 + 12 + 4;
    assert_eq!(file[number..number + 8], 1u64.to_le_bytes());
    file.drain(number..number + 8);
    only_these_are_lost(&[&file], &records, &(1..3));
}

#[test]
fn more_damage_than_can_be_listed_is_counted() {
    let mut records: Vec<_> = (0..900).map(|i| record(i, 1, Body::Bytes(vec![b'x'; 8]))).collect();
    let mut file = written(&mut records);
    for block in blocks(&file).iter().step_by(2) {
        file[block.start + 30] ^= 1;
    }
    let (back, losses) = read(&[&file]);
    assert_eq!(sorted(&back, &records).0.len(), 450);
    assert_eq!(losses.len(), 201);
    assert_eq!(losses[200], "251 more losses are not listed");
}

#[test]
fn lengths_that_lie_cost_no_memory() {
    // A block that says it is 16 MiB long, over and over.
    for len in [16u32 << 20, (16 << 20) + 4, u32::MAX - 3, 0, 8] {
        let hostile: Vec<u8> = [6u32.to_le_bytes(), len.to_le_bytes()].concat().repeat(5 << 20);
        let mut window = window::Window::new(RAW_FILE.into(), Box::new(io::Cursor::new(hostile.clone())));
        if let Frame::Needs(n) = frame(&[&hostile[..8]].concat()) {
            assert!(window.holds(n).unwrap());
        }
        assert!(window.capacity() <= 32 << 20);
        let source = Box::new(io::Cursor::new(hostile)) as Box<dyn io::Read + Send>;
        let mut reader = reader::Reader::over(session(), [(RAW_FILE.into(), source)].into(), 0);
        assert!(reader.next().is_none());
        assert_eq!(reader.losses().len(), 1);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..Default::default() })]

    #[test]
    fn whatever_is_put_in_cut_out_or_overwritten_costs_only_what_it_touches(
        at in 0.0..1.0f64,
        cut in 0..200usize,
        garbage in prop::collection::vec(prop_oneof![
            any::<u8>().prop_map(|b| vec![b]),
            // Pieces that look like the beginning of a block.
            (0..200u32).prop_map(|n| [6u32.to_le_bytes(), (n * 4).to_le_bytes()].concat()),
            Just(vec![0x0A, 0x0D, 0x0D, 0x0A, 28, 0, 0, 0, 0x4D, 0x3C, 0x2B, 0x1A]),
        ], 0..60),
    ) {
        let mut records = night();
        let file = written(&mut records);
        let at = (at * file.len() as f64) as usize;
        let to = (at + cut).min(file.len());
        let damaged = [&file[..at], &garbage.concat(), &file[to..]].concat();
        let touched = |b: &Range<usize>| b.start < to.max(at + 1) && b.end > at && (b.start < at || to > at);
        let (back, losses) = read(&[&damaged]);
        let (stored, _) = sorted(&back, &records);
        for (n, block) in blocks(&file).iter().enumerate() {
            prop_assert!(touched(block) || stored.contains(&(n as u64)), "record {} of {:?}", n, losses);
        }
        let lost = records.len() - stored.len();
        prop_assert!(lost == 0 || !losses.is_empty());
    }

    #[test]
    fn bytes_of_any_kind_are_read_without_a_panic(noise in prop::collection::vec(any::<u8>(), 0..2000)) {
        let (back, losses) = read(&[&noise]);
        prop_assert_eq!(back, vec![]);
        prop_assert_eq!(losses.len(), 1);
    }
}
