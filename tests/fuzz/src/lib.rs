//! What each fuzz target does with its bytes. Beside not panicking, every target holds what it read to a rule.

use sumpwarden_core::estimate::note::draft::{Draft, NoteBook};
use sumpwarden_core::model::{Name, Timestamp};
use sumpwarden_protocol::line::{FieldValue, Line, parse};
use sumpwarden_protocol::modbus::{Address, ReadRequest, pdu::Reply, rtu, tcp};
use sumpwarden_protocol::number::{EXACT_INTEGER_MAX, Number};
use sumpwarden_protocol::payload::senml::{self, Record, Value};
use sumpwarden_protocol::payload::{Reading, json, plain, topic};
use sumpwarden_protocol::sparkplug::session::{Heard, Picture, Session, SessionSettings};
use sumpwarden_protocol::sparkplug::topic::{EdgeNode, Id};
use sumpwarden_protocol::sparkplug::{DecodeError, Payload};
use sumpwarden_protocol::words::{Encoding, NumberKind, Order};

/// A target: its name and what it does.
pub type Target = (&'static str, fn(&[u8]));

/// Every target.
pub const TARGETS: [Target; 10] = [
    ("frames", frames),
    ("words", words),
    ("plain", plain),
    ("json", json),
    ("senml_json", senml_json),
    ("senml_cbor", senml_cbor),
    ("topic", topic),
    ("line", line),
    ("note", note),
    ("sparkplug", sparkplug),
];

/// Notes of people: what is taken can be meant and drives no terminal; what is refused is said in few words that do neither.
pub fn note(data: &[u8]) {
    let sump = Name::new("s").expect("a name");
    let book = NoteBook::new(vec![(sump, Vec::new())]);
    let received = Timestamp::from_millis(1_800_000_000_000);
    match Draft::parse(data).and_then(|draft| book.check(&draft, received)) {
        Ok(note) => {
            let (low, high) = note.kind.range();
            assert!((low..=high).contains(&note.value), "{note:?}");
            let by = note.by.expect("nothing is taken without");
            assert!(
                !by.as_str()
                    .chars()
                    .chain(note.text.iter().flat_map(|t| t.as_str().chars()))
                    .any(char::is_control)
            );
        }
        Err(refused) => {
            let said = refused.to_string();
            assert!(said.len() < 2000 && !said.chars().any(char::is_control), "{said}");
        }
    }
}

/// RTU and TCP frames and what they carry: what reads as a frame is written back to the same bytes.
pub fn frames(data: &[u8]) {
    let mut written = Vec::new();
    if let Ok(frame) = rtu::decode(data) {
        rtu::encode(frame.unit_id, frame.pdu, &mut written).expect("it was a frame");
        assert_eq!(written, data);
        pdus(frame.pdu, data);
    }
    if let Ok(Some((frame, taken))) = tcp::decode(data) {
        written.clear();
        tcp::encode(frame.transaction_id, frame.unit_id, frame.pdu, &mut written).expect("it was a frame");
        assert_eq!(written, data[..taken]);
        pdus(frame.pdu, data);
    }
    // check sums keep random bytes out, so what follows them is tried without as well
    if let Some((request, reply)) = data.split_at_checked(5) {
        pdus(request, reply);
    }
}

fn pdus(request: &[u8], reply: &[u8]) {
    let Ok(request) = ReadRequest::decode(request) else { return };
    assert_eq!(ReadRequest::decode(&request.encode()), Ok(request));
    let count = usize::from(request.count());
    match request.decode_reply(reply) {
        Ok(Reply::Registers(registers)) => assert_eq!(registers.iter().count(), count),
        Ok(Reply::Bits(bits)) => assert_eq!(bits.iter().count(), count),
        Ok(Reply::Exception(_)) | Err(_) => {}
    }
}

/// Register words in every encoding, and the names of encodings and addresses: what decodes to a number encodes to words
/// that decode to it again.
pub fn words(data: &[u8]) {
    if let Ok(text) = str::from_utf8(data) {
        round_trip(text.parse::<NumberKind>().ok());
        round_trip(text.parse::<Order>().ok());
        round_trip(text.parse::<Address>().ok());
    }
    let &[kind, order, low, width, ref rest @ ..] = data else { return };
    use NumberKind::*;
    let kind = match kind % 11 {
        0 => Bit,
        1 => U16,
        2 => I16,
        3 => U32,
        4 => I32,
        5 => U64,
        6 => I64,
        7 => F32,
        8 => F64,
        _ => BitField { low, width },
    };
    let order = [Order::Abcd, Order::Cdab, Order::Badc, Order::Dcba][usize::from(order % 4)];
    let words: Vec<u16> =
        rest.chunks(2).map(|pair| pair.iter().fold(0, |word, &b| word << 8 | u16::from(b))).collect();
    // the top bit alone, as makers like it
    let no_value = vec![kind.bits_max() ^ kind.bits_max() >> 1];
    let encoding = Encoding { kind, order, no_value };
    let is_sound = encoding.check().is_ok();
    if let Ok(Number::Value(value)) = encoding.decode(&words) {
        assert!(is_sound && value.is_finite());
        match encoding.encode(value) {
            Ok(again) => assert_eq!(encoding.decode(again.as_slice()), Ok(Number::Value(value))),
            Err(error) => panic!("{value}: {error}"),
        }
    }
}

fn round_trip<T: std::str::FromStr + std::fmt::Display + PartialEq + std::fmt::Debug>(read: Option<T>)
where
    T::Err: std::fmt::Debug,
{
    if let Some(read) = read {
        assert_eq!(read.to_string().parse::<T>().expect("what is shown can be read"), read);
    }
}

fn check_number(number: Number) {
    if let Number::Value(value) = number {
        assert!(value.abs() <= EXACT_INTEGER_MAX as f64, "{value}");
    }
}

/// A payload that is the number.
pub fn plain(data: &[u8]) {
    match plain::decode(data) {
        Ok(number) => check_number(number),
        Err(error) => assert!(error.to_string().len() < 1000),
    }
}

/// JSON: a pointer, a line feed, a message.
pub fn json(data: &[u8]) {
    let cut = data.iter().position(|&b| b == b'\n').unwrap_or(0);
    let (pointer, message) = data.split_at(cut);
    let pointer: json::Pointer = str::from_utf8(pointer)
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or("/v".parse().expect("a pointer"));
    assert_eq!(pointer.to_string().parse(), Ok(pointer.clone()));
    for (time, unit) in [(None, None), (Some(pointer.clone()), None), (None, Some(pointer.clone()))] {
        match json::decode(message, &json::Fields { value: pointer.clone(), time, unit }) {
            Ok(Reading { number, .. }) => check_number(number),
            Err(error) => assert!(!error.to_string().is_empty()),
        }
    }
}

fn check_records(records: &[Record], payload: &[u8]) {
    assert!(records.len() <= payload.len());
    for record in records {
        assert!((1..=senml::NAME_BYTES_MAX).contains(&record.name.len()));
        assert!(record.name.starts_with(|c: char| c.is_ascii_alphanumeric()));
        assert!(record.name.bytes().all(|b| b.is_ascii_alphanumeric() || b"-:./_".contains(&b)));
        assert!(record.value.is_some() || record.sum.is_some());
        if let Some(Value::Number(number)) = record.value {
            check_number(number);
        }
    }
}

const NOW_NANOS: i64 = 1_700_000_000_000_000_000;

/// SenML as JSON.
pub fn senml_json(data: &[u8]) {
    if let Ok(records) = senml::decode_json(data, NOW_NANOS) {
        check_records(&records, data);
    }
}

/// SenML as CBOR.
pub fn senml_cbor(data: &[u8]) {
    if let Ok(records) = senml::decode_cbor(data, NOW_NANOS) {
        check_records(&records, data);
    }
}

/// A topic filter, a line feed, a topic: matched twice, by two ways of doing it.
pub fn topic(data: &[u8]) {
    let Ok(text) = str::from_utf8(data) else { return };
    let (filter, name) = text.split_once('\n').unwrap_or((text, "a/b"));
    let is_name = topic::check_name(name).is_ok();
    if let Ok(filter) = filter.parse::<topic::Filter>() {
        assert_eq!(filter.as_str().parse(), Ok(filter.clone()));
        let own = filter.as_str();
        let own = own.strip_prefix("$share/").and_then(|s| s.split_once('/')).map_or(own, |(_, own)| own);
        let is_hidden = name.starts_with('$') && !own.starts_with('$');
        let expected =
            match_levels(&own.split('/').collect::<Vec<_>>(), &name.split('/').collect::<Vec<_>>());
        if is_name && !(is_hidden && own.starts_with(['+', '#'])) {
            assert_eq!(filter.matches(name), expected, "{filter} {name}");
        }
    }
}

fn match_levels(filter: &[&str], name: &[&str]) -> bool {
    match (filter, name) {
        (["#"], _) | ([], []) => true,
        ([level, filter @ ..], [found, name @ ..]) => {
            (*level == "+" || level == found) && match_levels(filter, name)
        }
        _ => false,
    }
}

/// Line protocol: what reads can be written and reads the same; what is written is one point, the one that was meant.
pub fn line(data: &[u8]) {
    let Ok(text) = str::from_utf8(data) else { return };
    for point in parse::parse(text).unwrap_or_default() {
        let mut written = String::new();
        if point.line().write(&mut written).is_ok() {
            let mut expected = point;
            expected.tags.sort();
            assert_eq!(parse::parse(&written), Ok(vec![expected]));
        }
    }
    let mut parts = text.split('\u{1f}');
    let mut part = || parts.next().unwrap_or("x");
    let (measurement, key, value, field, content) = (part(), part(), part(), part(), part());
    let line = Line::new(measurement).tag(key, value).field(field, FieldValue::Text(content));
    let mut written = "m f=1i\n".to_owned();
    match line.write(&mut written) {
        Ok(()) => {
            let points = parse::parse(&written).expect("what is written can be read");
            assert_eq!(points.len(), 2);
            assert_eq!(points[1].measurement, measurement);
            assert_eq!(points[1].tags, [(key.to_owned(), value.to_owned())]);
            assert_eq!(points[1].fields, [(field.to_owned(), parse::Value::Text(content.to_owned()))]);
        }
        Err(_) => assert_eq!(written, "m f=1i\n"),
    }
}

/// Payloads of Sparkplug B: what reads is written to bytes that read the same; a session takes it for a rebirth or for nothing.
pub fn sparkplug(data: &[u8]) {
    match Payload::decode(data) {
        Ok(payload) => {
            let written = payload.to_bytes();
            match Payload::decode(&written) {
                // By bytes, since a value may be no number.
                Ok(again) => assert_eq!(again.to_bytes(), written),
                Err(error) => assert!(matches!(error, DecodeError::TooLong(_)), "{error}"),
            }
        }
        Err(error) => assert!(error.to_string().len() < 200, "{error}"),
    }
    let id = |text| Id::new(text).expect("a level");
    let edge_node = EdgeNode { group: id("g"), node: id("n") };
    let settings = SessionSettings { edge_node, primary_host: Some(id("h")), deadband: 0.0 };
    let mut session = Session::new(settings, None);
    session.connect(1);
    session.accepted();
    session.heard("spBv1.0/STATE/h", b"{\"online\":true,\"timestamp\":1}", true);
    let picture = Picture { at: 1, node: Vec::new(), devices: Vec::new() };
    assert_eq!(session.tell(&picture).len(), 1);
    let asked = session.heard("spBv1.0/g/NCMD/n", data, false) == Heard::Rebirth;
    assert_eq!(session.tell(&picture).len(), usize::from(asked));
    session.heard("spBv1.0/STATE/h", data, true);
    assert!(session.end(2).is_some());
}
