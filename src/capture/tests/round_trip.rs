//! What is written comes back, here and in a second reader that shares no code with this one.

use super::*;
use pcap_parser::pcapng::Block;
use pcap_parser::traits::PcapReaderIterator;
use pcap_parser::{PcapBlockOwned, PcapError, PcapNGReader};
use proptest::prelude::*;

/// CRC-32/ISO-HDLC by another implementation than the one that writes.
fn crc(data: &[u8]) -> u32 {
    crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(data)
}

#[test]
fn the_hash_is_the_catalogue_s_crc_32() {
    // Check value of CRC-32/ISO-HDLC over "123456789": Catalogue of parametrised CRC algorithms, 0xCBF43926.
    assert_eq!(crc(b"123456789"), 0xCBF4_3926);
    assert_eq!(crc32fast::hash(b"123456789"), 0xCBF4_3926);
}

#[test]
fn a_night_comes_back_as_it_was() {
    let mut records = night();
    let file = written(&mut records);
    let (back, losses) = read(&[&file]);
    assert_eq!(back, records);
    assert_eq!(losses, Vec::<String>::new());
    assert!(back.iter().map(|r| r.seq).eq(0..records.len() as u64));
}

#[test]
fn a_folder_comes_back_through_the_file_system() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path().join("a night");
    assert!(!is_capture(&dir));
    let mut writer = Writer::create(&dir, &session()).unwrap();
    let mut records = night();
    for batch in records.chunks_mut(5) {
        writer.append(batch).unwrap();
        writer.sync().unwrap();
    }
    assert!(is_capture(&dir));
    assert_eq!(writer.next_seq(), records.len() as u64);
    let mut reader = Reader::open(&dir).unwrap();
    assert_eq!(*reader.session(), session());
    let back: Vec<_> = reader.by_ref().collect::<Result<_>>().unwrap();
    assert_eq!(back, records);
    assert!(reader.ended() && reader.losses().is_empty());
    let (read, total) = reader.progress();
    assert_eq!((read, total), (writer.bytes(), writer.bytes()));
    let seen = walk(&dir).unwrap();
    assert_eq!(seen, Walk { records: records.len() as u64, bytes: writer.bytes(), bad: 0 });
    // Never overwritten.
    let again = Writer::create(&dir, &session()).err().unwrap().to_string();
    assert!(again.contains("never overwritten"), "{again}");
}

#[test]
fn rolled_files_are_read_in_the_order_of_their_numbers() {
    let dir = tempfile::tempdir().unwrap();
    let mut records = night();
    let file = written(&mut records);
    let blocks = blocks(&file);
    let head = &file[..blocks[0].start];
    session().write(dir.path()).unwrap();
    for (i, part) in blocks.chunks(2).enumerate() {
        let name = if i == 0 { RAW_FILE.to_string() } else { format!("raw.{:04}.pcapng", i + 1) };
        let body = &file[part[0].start..part[part.len() - 1].end];
        std::fs::write(dir.path().join(name), [head, body].concat()).unwrap();
    }
    let mut reader = Reader::open(dir.path()).unwrap();
    assert_eq!(reader.by_ref().collect::<Result<Vec<_>>>().unwrap(), records);
    assert!(reader.losses().is_empty());
    // A whole file that is missing is a gap like any other.
    std::fs::remove_file(dir.path().join("raw.0003.pcapng")).unwrap();
    let mut reader = Reader::open(dir.path()).unwrap();
    let back = reader.by_ref().collect::<Result<Vec<_>>>().unwrap();
    assert_eq!(back.len(), records.len() - 1);
    assert!(matches!(&back[4].body, Body::Event(Event::Gap { count: 2, from_ns: 3_000, to_ns: 10_000, .. })));
    assert!(reader.losses()[0].contains("records 4 to 5 (2) are missing"), "{:?}", reader.losses());
}

#[test]
fn one_record_is_used_again_and_again_without_a_new_buffer() {
    let mut records = night();
    let file = written(&mut records);
    let source = Box::new(io::Cursor::new(file)) as Box<dyn io::Read + Send>;
    let mut reader = reader::Reader::over(session(), [(RAW_FILE.into(), source)].into(), 0);
    let mut at_hand = record(0, 0, Body::Bytes(Vec::with_capacity(4096)));
    let mut seen = 0;
    while reader.next_into(&mut at_hand).unwrap() {
        assert_eq!(at_hand, records[seen]);
        if let Body::Bytes(v) | Body::Can(v) | Body::CanSent(v) = &at_hand.body {
            assert_eq!(v.capacity(), 4096);
        }
        seen += 1;
    }
    assert_eq!(seen, records.len());
    assert!(!reader.next_into(&mut at_hand).unwrap());
}

/// What the second reader makes of a file: interface, stamp and data of each packet, options by code.
type Seen = (u32, u64, Vec<u8>, Vec<(u16, Vec<u8>)>);

fn second_reader(file: &[u8]) -> (Vec<(i32, u8, i64)>, Vec<Seen>) {
    let mut reader = PcapNGReader::new(1 << 20, file).unwrap();
    let (mut interfaces, mut packets) = (Vec::new(), Vec::new());
    loop {
        match reader.next() {
            Ok((n, block)) => {
                match block {
                    PcapBlockOwned::NG(Block::InterfaceDescription(i)) => {
                        interfaces.push((i.linktype.0, i.if_tsresol, i.if_tsoffset));
                    }
                    PcapBlockOwned::NG(Block::EnhancedPacket(p)) => {
                        let stamp = u64::from(p.ts_high) << 32 | u64::from(p.ts_low);
                        let data = p.data[..p.caplen as usize].to_vec();
                        let value = |o: &pcap_parser::PcapNGOption| o.value()[..usize::from(o.len)].to_vec();
                        let options = p.options.iter().map(|o| (o.code.0, value(o))).collect();
                        packets.push((p.if_id, stamp, data, options));
                    }
                    _ => {}
                }
                reader.consume(n);
            }
            Err(PcapError::Eof) => return (interfaces, packets),
            Err(PcapError::Incomplete(_)) => reader.refill().unwrap(),
            Err(e) => panic!("{e:?}"),
        }
    }
}

fn second_reader_agrees(records: &[Record], file: &[u8]) {
    let (interfaces, packets) = second_reader(file);
    // Link types 147, 148 (USER0, USER1) and 227 (SocketCAN): registry of link-layer header types of the pcap
    // formats. 9 = nanoseconds, and the offset in whole seconds: pcapng, options of the interface description.
    let s = 1_769_839_200;
    assert_eq!(interfaces, [(148, 9, s), (147, 9, s), (147, 9, s), (227, 9, s)]);
    assert_eq!(packets.len(), records.len());
    for (record, (interface, stamp, data, options)) in records.iter().zip(&packets) {
        assert_eq!(*stamp as i64, record.at.0);
        match &record.body {
            Body::Bytes(b) => assert_eq!((*interface, b), (u32::from(record.link), data)),
            Body::Can(b) | Body::CanSent(b) => assert_eq!((*interface, b), (3, data)),
            Body::Event(event) => {
                assert_eq!(*interface, 0);
                let json: serde_json::Value = serde_json::from_slice(data).unwrap();
                assert_eq!(json.get("link").map_or(0, |l| l.as_u64().unwrap()), u64::from(record.link));
                assert_eq!(serde_json::from_value::<Event>(json).unwrap(), *event);
            }
        }
        let option = |code| &options.iter().find(|(c, _)| *c == code).unwrap().1;
        // pcapng, options of the enhanced packet block: 2 holds flags, 2 in the lowest two bits is outbound; 3 is the hash, its first octet 2 a CRC-32; 5 the number.
        assert_eq!(option(3)[0], 2);
        assert_eq!(option(3)[1..], crc(data).to_be_bytes());
        assert_eq!(*option(5), record.seq.to_le_bytes());
        let (high, low) = ((*stamp >> 32) as u32, *stamp as u32);
        let sent = matches!(record.body, Body::CanSent(_));
        assert_eq!(options.iter().find(|o| o.0 == 2).map(|o| &o.1[..]), sent.then_some(&[2, 0, 0, 0][..]));
        let more: &[u8] = if sent { &[2] } else { &[] };
        let all =
            [data, &interface.to_le_bytes()[..], &high.to_le_bytes(), &low.to_le_bytes(), option(5), more].concat();
        assert_eq!(*option(0x8001), crc(&all).to_be_bytes());
    }
}

#[test]
fn a_second_reader_agrees_on_every_packet() {
    let mut records = night();
    let file = written(&mut records);
    second_reader_agrees(&records, &file);
}

fn any_event() -> impl Strategy<Value = Event> {
    let text = || any::<String>();
    prop_oneof![
        Just(Event::Tick),
        (any::<i64>(), any::<i64>(), any::<u64>(), text()).prop_map(|(from_ns, to_ns, count, cause)| Event::Gap {
            from_ns,
            to_ns,
            count,
            cause
        }),
        (any::<i64>(), any::<i64>(), any::<i64>()).prop_map(|(boot_ns, mono_ns, real_ns)| Event::Clock(ClockReading {
            boot_ns,
            mono_ns,
            real_ns
        })),
        (text(), text()).prop_map(|(note_kind, text)| Event::Note { note_kind, text }),
        text().prop_map(|detail| Event::LinkUp { detail }),
        text().prop_map(|detail| Event::LinkDown { detail }),
        text().prop_map(|text| Event::Sent { text }),
        text().prop_map(|detail| Event::Asking { detail }),
        text().prop_map(|cause| Event::End { cause }),
    ]
}

fn any_record() -> impl Strategy<Value = Record> {
    let bytes = || prop::collection::vec(any::<u8>(), 0..300);
    let body = prop_oneof![
        (1..=2u16, bytes()).prop_map(|(link, b)| (link, Body::Bytes(b))),
        bytes().prop_map(|b| (2, Body::Can(b))),
        bytes().prop_map(|b| (2, Body::CanSent(b))),
        (0..=2u16, any_event()).prop_map(|(link, e)| (link, Body::Event(e))),
    ];
    // Stamps of faulty input too: negative and as far as they go.
    let stamp = prop_oneof![any::<i64>(), -5..5i64, Just(i64::MIN), Just(i64::MAX)];
    (stamp, body).prop_map(|(at, (link, body))| record(at, link, body))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..Default::default() })]

    #[test]
    fn any_records_come_back_whatever_the_batches(
        mut records in prop::collection::vec(any_record(), 0..30),
        batch in 1..8usize,
    ) {
        let disk = Disk::good();
        let mut writer = Writer::with_sink(disk.clone(), RAW_FILE.into(), &session()).unwrap();
        for part in records.chunks_mut(batch) {
            writer.append(part).unwrap();
        }
        let file = disk.contents();
        prop_assert_eq!(writer.bytes(), file.len() as u64);
        let (back, losses) = read(&[&file]);
        prop_assert_eq!(&back, &records);
        let ended = matches!(records.last(), Some(Record { body: Body::Event(Event::End { .. }), .. }));
        prop_assert_eq!(losses.is_empty(), ended);
        second_reader_agrees(&records, &file);
    }
}
