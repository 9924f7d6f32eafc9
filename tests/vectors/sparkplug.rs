//! Payloads, topics and numbers of Sparkplug B against its specification; the sources stand in the TOML file.

use sumpwarden_protocol::sparkplug::session::{BdSeq, Seq};
use sumpwarden_protocol::sparkplug::topic::{EdgeNode, Id, Verb, state_topic};
use sumpwarden_protocol::sparkplug::{DataType, Metric, Payload, Property, Value};
use sumpwarden_tests::vectors::{Row, Vectors};

const AT: u64 = 1_700_000_000_000;

/// A field of this number with a value of this type, written by hand, and that value as it is read.
fn field(number: i64, kind: &str) -> (Vec<u8>, Value) {
    let tag = |wire_type: i64| {
        // Every number here fits in two bytes of tag.
        let tag = number << 3 | wire_type;
        if tag < 0x80 { vec![tag as u8] } else { vec![tag as u8 | 0x80, (tag >> 7) as u8] }
    };
    let with = |wire_type, rest: &[u8]| [tag(wire_type), rest.to_vec()].concat();
    match kind {
        "uint32" => (with(0, &[7]), Value::Int(7)),
        "uint64" => (with(0, &[7]), Value::Long(7)),
        "bool" => (with(0, &[1]), Value::Boolean(true)),
        "float" => (with(5, &1.5_f32.to_le_bytes()), Value::Float(1.5)),
        "double" => (with(1, &2.5_f64.to_le_bytes()), Value::Double(2.5)),
        "string" | "repeated string" => (with(2, b"\x01t"), Value::Text("t".to_owned())),
        _ => (with(2, b"\x00"), Value::Text(String::new())),
    }
}

fn nested(number: u8, message: &[u8]) -> Vec<u8> {
    [&[number << 3 | 2, message.len() as u8], message].concat()
}

/// What a metric that holds these bytes reads as.
fn metric(message: &[u8]) -> Metric {
    let payload = Payload::decode(&nested(2, message)).expect("a sound metric");
    payload.metrics.into_iter().next().expect("one metric")
}

/// What a payload is that holds this field and no other.
fn expected(row: &Row<'_>, value: Value) -> Payload {
    let mut payload = Payload::default();
    match (row.text("field"), &value) {
        ("timestamp", Value::Long(at)) => payload.timestamp = Some(*at),
        ("seq", Value::Long(seq)) => payload.seq = Some(*seq),
        ("metrics", _) => payload.metrics.push(Metric::default()),
        ("uuid" | "body", _) => {}
        other => panic!("{other:?} is no field of a payload"),
    }
    payload
}

fn check_metric(field: &str, found: &Metric, value: Value) {
    let mut wanted = Metric::default();
    match (field, &value) {
        ("name", Value::Text(name)) => wanted.name = Some(name.clone()),
        ("alias", Value::Long(alias)) => wanted.alias = Some(*alias),
        ("timestamp", Value::Long(at)) => wanted.timestamp = Some(*at),
        ("datatype", Value::Int(code)) => wanted.datatype = Some(*code),
        ("is_historical", _) => wanted.is_historical = true,
        ("is_transient", _) => wanted.is_transient = true,
        ("is_null", _) => wanted.is_null = true,
        // Read over: an edge node has no use for them.
        ("metadata" | "properties" | "bytes_value" | "dataset_value" | "template_value", _) => {}
        (name, _) if name.ends_with("_value") => wanted.value = Some(value),
        other => panic!("{other:?} is no field of a metric"),
    }
    assert_eq!(*found, wanted, "{field}");
}

fn check_property(field: &str, bytes: &[u8], value: Value) {
    let set = [nested(1, b"k"), nested(2, bytes)].concat();
    let found = metric(&nested(9, &set)).properties;
    let mut wanted = Property::default();
    match (field, &value) {
        ("type", Value::Int(code)) => wanted.datatype = Some(*code),
        ("is_null", _) => wanted.is_null = true,
        _ => wanted.value = Some(value),
    }
    assert_eq!(found, [("k".to_owned(), wanted)], "{field}");
}

#[test]
fn every_field_has_the_number_and_the_type_of_the_schema() {
    let mut checked = 0;
    for row in Vectors::read("sparkplug").rows("payload_fields") {
        let (bytes, value) = field(row.integer("number"), row.text("type"));
        match row.text("message") {
            "Payload" => {
                assert_eq!(Payload::decode(&bytes), Ok(expected(&row, value)), "{}", row.text("field"))
            }
            "Metric" => check_metric(row.text("field"), &metric(&bytes), value),
            "MetaData" => assert_eq!(metric(&nested(8, &bytes)).description.as_deref(), Some("t")),
            "PropertySet" => {
                // One without the other does not pair up.
                let set = nested(2, &nested(9, &bytes));
                assert!(Payload::decode(&set).unwrap_err().to_string().contains("properties"));
            }
            "PropertyValue" => check_property(row.text("field"), &bytes, value),
            other => panic!("{other} is checked against nothing"),
        }
        checked += 1;
    }
    assert_eq!(checked, 34);
}

#[test]
fn data_types_have_their_codes() {
    let vectors = Vectors::read("sparkplug");
    let published: Vec<(String, i64)> =
        vectors.rows("datatypes").map(|row| (row.text("name").to_owned(), row.integer("code"))).collect();
    let ours: Vec<(String, i64)> =
        DataType::ALL.iter().map(|kind| (kind.name().to_owned(), i64::from(kind.code()))).collect();
    assert_eq!(ours, published);
}

#[test]
fn topics_are_those_of_the_namespace() {
    let id = |text: &str| Id::new(text).expect("a level");
    let node = EdgeNode { group: id("hall-2"), node: id("box-1") };
    for row in Vectors::read("sparkplug").rows("topics") {
        let verbs =
            [Verb::NBirth, Verb::NDeath, Verb::DBirth, Verb::DDeath, Verb::NData, Verb::DData, Verb::NCmd];
        let verb = verbs.into_iter().find(|verb| verb.word() == row.text("verb")).expect("one of ours");
        let topic = match row.text("device") {
            "" => node.topic(verb),
            device => node.device_topic(verb, &id(device)),
        };
        assert_eq!(topic, row.text("topic"));
    }
    assert_eq!(state_topic(&id("scada-1")), "spBv1.0/STATE/scada-1");
}

#[test]
fn numbers_go_on_after_255_with_0() {
    for row in Vectors::read("sparkplug").rows("seq") {
        let (last, next) = (row.integer("last") as u8, row.integer("next") as u8);
        assert_eq!((Seq(last).next(), BdSeq(last).next()), (Seq(next), BdSeq(next)));
    }
}

/// A metric of these examples.
fn example(name: &str, kind: DataType, value: Value) -> Metric {
    Metric {
        name: Some(name.to_owned()),
        timestamp: Some(AT),
        datatype: Some(kind.code()),
        value: Some(value),
        ..Metric::default()
    }
}

#[test]
fn payloads_are_the_worked_bytes() {
    let bd_seq = || example("bdSeq", DataType::Int64, Value::int64(3));
    let rebirth = || example("Node Control/Rebirth", DataType::Boolean, Value::Boolean(false));
    let of = |metrics, seq| Payload { timestamp: Some(AT), metrics, seq };
    let mut checked = 0;
    for row in Vectors::read("sparkplug").rows("payloads") {
        let payload = match row.text("what") {
            "NDEATH bdSeq=3 (no seq)" => of(vec![bd_seq()], None),
            "NBIRTH seq=0, bdSeq=3, Node Control/Rebirth=false" => of(vec![bd_seq(), rebirth()], Some(0)),
            "NDATA seq=1, ph Double 9.12" => {
                of(vec![example("ph", DataType::Double, Value::Double(9.12))], Some(1))
            }
            "NDATA seq=255, temp Float 25.5" => {
                of(vec![example("temp", DataType::Float, Value::Float(25.5))], Some(255))
            }
            other => panic!("{other} is checked against nothing"),
        };
        assert_eq!(payload.to_bytes(), row.bytes("hex"), "{}", row.text("what"));
        assert_eq!(Payload::decode(&row.bytes("hex")), Ok(payload));
        checked += 1;
    }
    assert_eq!(checked, 4);
}
