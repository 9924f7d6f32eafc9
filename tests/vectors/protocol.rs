//! The protocol crate against published values; the sources stand in the TOML files.

use std::time::Duration;

use sumpwarden_protocol::line::parse::{Point, Value as FieldValue, parse};
use sumpwarden_protocol::modbus::pdu::{self, Reply};
use sumpwarden_protocol::modbus::wire::{self, SerialTiming};
use sumpwarden_protocol::modbus::{self, Address, ExceptionCode, ReadRequest, Table, rtu, tcp};
use sumpwarden_protocol::number::Number;
use sumpwarden_protocol::payload::senml::{self, Record, Value};
use sumpwarden_protocol::payload::topic::Filter;
use sumpwarden_protocol::words::{Encoding, NumberKind};
use sumpwarden_tests::vectors::{Row, Vectors, bytes};

const NOW_NANOS: i64 = 1_800_000_000_000_000_000;

#[test]
fn the_specifications_own_requests_and_replies() {
    let modbus = Vectors::read("modbus");
    let pdu = |what: &str| {
        modbus.rows("pdu_examples").find(|row| row.text("what") == what).expect(what).bytes("pdu_hex")
    };
    let request = |what: &str, table, index, count| {
        let request = ReadRequest::new(Address::new(table, index), count).expect("within the limits");
        assert_eq!(request.encode()[..], pdu(what), "{what}");
        assert_eq!(ReadRequest::decode(&pdu(what)), Ok(request), "{what}");
        request
    };
    let coils = request("FC01 read coils 20..38 request", Table::Coil, 0x13, 19);
    let inputs = request("FC02 read discrete inputs 197..218 request", Table::DiscreteInput, 0xC4, 22);
    let holding = request("FC03 read holding registers 108..110 request", Table::HoldingRegister, 0x6B, 3);
    let input = request("FC04 read input register 9 request", Table::InputRegister, 8, 1);
    let registers = |request: ReadRequest, what: &str| match request.decode_reply(&pdu(what)) {
        Ok(Reply::Registers(registers)) => registers.iter().collect::<Vec<_>>(),
        other => panic!("{what}: {other:?}"),
    };
    assert_eq!(registers(holding, "FC03 response"), [555, 0, 100]);
    assert_eq!(registers(input, "FC04 response"), [10]);
    for (request, what, table) in
        [(coils, "FC01 response", "fc01_bits"), (inputs, "FC02 response", "fc02_bits")]
    {
        let expected = modbus.value(table, "bits").as_array().expect("a list");
        let expected: Vec<bool> = expected.iter().map(|bit| bit.as_integer() == Some(1)).collect();
        let reply = pdu(what);
        let Ok(Reply::Bits(bits)) = request.decode_reply(&reply) else { panic!("{what}") };
        assert_eq!(bits.iter().collect::<Vec<_>>(), expected, "{what}");
        let mut written = Vec::new();
        pdu::encode_bits(request.first().table, &expected, &mut written).expect("fits one reply");
        assert_eq!(written, reply, "{what}");
    }
    for (request, what, code) in [
        (coils, "FC01 exception response", ExceptionCode::IllegalDataAddress),
        (holding, "FC03 exception response (example)", ExceptionCode::IllegalDataAddress),
        (input, "FC04 exception response (busy)", ExceptionCode::ServerDeviceBusy),
    ] {
        assert_eq!(request.decode_reply(&pdu(what)), Ok(Reply::Exception(code)), "{what}");
        assert_eq!(
            pdu::encode_exception(request.first().table.function_code(), code)[..],
            pdu(what),
            "{what}"
        );
    }
}

#[test]
fn rtu_frames_and_their_check_sums() {
    let modbus = Vectors::read("modbus");
    for row in modbus.rows("pdu_examples") {
        let (pdu, frame) = (row.bytes("pdu_hex"), row.bytes("rtu_frame_unit17_hex"));
        let mut written = Vec::new();
        rtu::encode(17, &pdu, &mut written).expect("a PDU of the standard");
        assert_eq!(written, frame, "{}", row.text("what"));
        assert_eq!(rtu::decode(&frame), Ok(rtu::Frame { unit_id: 17, pdu: &pdu }), "{}", row.text("what"));
    }
    for row in modbus.rows("crc") {
        let crc = rtu::crc16(&row.bytes("bytes_hex"));
        assert_eq!(i64::from(crc), row.integer("crc_u16"), "{}", row.text("what"));
        assert_eq!(crc.to_le_bytes()[..], row.bytes("wire_hex"), "{}", row.text("what"));
    }
}

#[test]
fn tcp_frames() {
    for row in Vectors::read("modbus").rows("mbap") {
        let adu = row.bytes("adu_hex");
        let (frame, taken) = tcp::decode(&adu).expect("Modbus").expect("complete");
        assert_eq!(taken, adu.len());
        assert_eq!(i64::from(frame.transaction_id), row.integer("transaction_id"));
        assert_eq!(i64::from(frame.unit_id), row.integer("unit"));
        assert_eq!(frame.pdu.len() as i64 + 1, row.integer("length_field"));
        let mut written = Vec::new();
        tcp::encode(frame.transaction_id, frame.unit_id, frame.pdu, &mut written)
            .expect("a PDU of the standard");
        assert_eq!(written, adu);
    }
}

#[test]
fn limits() {
    for row in Vectors::read("modbus").rows("limits") {
        let found = match row.text("item") {
            "max PDU bytes" => modbus::PDU_BYTES_MAX,
            "max RTU ADU bytes" => modbus::RTU_ADU_BYTES_MAX,
            "max TCP ADU bytes" => modbus::TCP_ADU_BYTES_MAX,
            "FC01 max coils" => Table::Coil.count_max().into(),
            "FC02 max inputs" => Table::DiscreteInput.count_max().into(),
            "FC03 max registers" => Table::HoldingRegister.count_max().into(),
            "FC04 max registers" => Table::InputRegister.count_max().into(),
            "unit address min" => modbus::UNIT_ID_MIN.into(),
            "unit address max" => modbus::UNIT_ID_MAX.into(),
            "broadcast address" => modbus::UNIT_ID_BROADCAST.into(),
            "reserved address from" => usize::from(modbus::UNIT_ID_MAX) + 1,
            "MBAP header bytes" => tcp::HEADER_BYTES,
            "TCP port" => modbus::TCP_PORT.into(),
            other => panic!("{other} is checked against nothing"),
        };
        assert_eq!(found as i64, row.integer("value"), "{}", row.text("item"));
    }
}

#[test]
fn exception_codes() {
    let modbus = Vectors::read("modbus");
    for row in modbus.rows("exception_codes") {
        let code = ExceptionCode::from_code(u8::try_from(row.integer("code")).expect("one byte"));
        assert_eq!(code.name(), row.text("name"));
    }
    assert_eq!(modbus.rows("exception_codes").count(), ExceptionCode::DEFINED.len());
}

/// Within three roundings up to a nanosecond, and the last of the table's six decimals.
fn assert_millis(found: Duration, expected_ms: f64, what: &str) {
    let found_ms = found.as_secs_f64() * 1e3;
    assert!((found_ms - expected_ms).abs() <= 4e-6, "{what}: {found_ms} ms, {expected_ms} ms expected");
}

fn timing(row: &Row<'_>) -> SerialTiming {
    SerialTiming::new(u32::try_from(row.integer("baud")).expect("a rate"), true, 1)
        .expect("a rate of the standard")
}

#[test]
fn characters_and_silent_intervals() {
    for row in Vectors::read("modbus").rows("timing") {
        let line = timing(&row);
        assert_eq!(i64::from(line.bits_per_character()), row.integer("bits_per_char"));
        assert_millis(line.characters(1), row.number("t_char_ms"), "character");
        assert_millis(line.t1_5(), row.number("t1_5_ms"), "t1.5");
        assert_millis(line.t3_5(), row.number("t3_5_ms"), "t3.5");
    }
}

#[test]
fn time_of_a_transaction() {
    for row in Vectors::read("modbus").rows("transaction_time") {
        let line = timing(&row);
        let count = u16::try_from(row.integer("n_registers")).expect("a count");
        let request =
            ReadRequest::new(Address::new(Table::InputRegister, 0), count).expect("within the limits");
        assert_eq!(rtu::REQUEST_BYTES as i64, row.integer("request_bytes"));
        assert_eq!(wire::reply_bytes(request) as i64, row.integer("response_bytes"));
        assert_millis(
            line.characters(rtu::REQUEST_BYTES + wire::reply_bytes(request)),
            row.number("wire_ms"),
            "wire",
        );
        assert_millis(line.transaction(request, Duration::ZERO), row.number("min_total_ms"), "least");
        let slow = line.transaction(request, Duration::from_millis(20));
        assert_millis(slow, row.number("with_20ms_turnaround_ms"), "20 ms");
    }
}

#[test]
fn singles_in_every_order() {
    for row in Vectors::read("modbus").rows("float32_words") {
        for order in ["ABCD", "CDAB", "BADC", "DCBA"] {
            let words: Vec<u16> =
                row.bytes(order).chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
            let order = order.parse().expect("one of the four");
            let encoding = Encoding { kind: NumberKind::F32, order, no_value: Vec::new() };
            let value = row.number("value");
            assert_eq!(encoding.decode(&words), Ok(Number::Value(value)), "{value} {order}");
            assert_eq!(encoding.encode(value).expect("a single").as_slice(), words, "{value} {order}");
        }
        let words =
            [row.integer("word0"), row.integer("word1")].map(|word| u16::try_from(word).expect("16 bits"));
        assert_eq!(Encoding::of(NumberKind::F32).decode(&words), Ok(Number::Value(row.number("value"))));
    }
}

#[test]
fn every_width_in_every_order() {
    for row in Vectors::read("modbus").rows("words") {
        for order in ["ABCD", "CDAB", "BADC", "DCBA"] {
            let kind = row.text("kind").parse().expect("a kind");
            let encoding =
                Encoding { kind, order: order.parse().expect("one of the four"), no_value: Vec::new() };
            let words: Vec<u16> =
                row.bytes(order).chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
            let value = row.number("value");
            assert_eq!(encoding.decode(&words), Ok(Number::Value(value)), "{kind} {value} {order}");
            assert_eq!(encoding.encode(value).expect("fits").as_slice(), words, "{kind} {value} {order}");
        }
    }
}

/// Compares records with the resolved form, which serde_json reads.
fn assert_resolved(found: &[Record], resolved_json: &str) {
    let resolved: serde_json::Value = serde_json::from_str(resolved_json).expect("JSON");
    let resolved = resolved.as_array().expect("an array of records");
    assert_eq!(found.len(), resolved.len(), "{resolved_json}");
    for (record, expected) in found.iter().zip(resolved) {
        assert_eq!(Some(record.name.as_str()), expected["n"].as_str());
        assert_eq!(record.unit.as_deref(), expected["u"].as_str());
        let micros = expected["t"].as_f64().expect("a time") * 1e6;
        assert_eq!(record.time_nanos, micros.round() as i64 * 1000, "{expected}");
        assert_eq!(record.sum.and_then(Number::value), expected["s"].as_f64());
        match &record.value {
            Some(Value::Number(number)) => {
                let (value, expected) =
                    (number.value().expect("finite"), expected["v"].as_f64().expect("a number"));
                assert!((value - expected).abs() <= 1e-12 * expected.abs(), "{value} {expected}");
            }
            Some(Value::Text(text)) => assert_eq!(Some(text.as_str()), expected["vs"].as_str()),
            Some(Value::Boolean(value)) => assert_eq!(Some(*value), expected["vb"].as_bool()),
            Some(Value::Data(data)) => {
                assert_eq!(expected["vd"].as_str(), Some("aGkgCg"), "the only data value there is");
                assert_eq!(data, b"hi \n", "aGkgCg in base64url");
            }
            None => {
                assert!(["v", "vs", "vb", "vd"].iter().all(|key| expected.get(key).is_none()), "{expected}")
            }
        }
    }
}

#[test]
fn senml_packs_resolve_as_published() {
    for row in Vectors::read("payloads").rows("senml_packs") {
        let found = senml::decode_json(row.text("source_json").as_bytes(), NOW_NANOS)
            .expect("a pack of the standard");
        assert_resolved(&found, row.text("resolved_json"));
        let again = senml::decode_json(row.text("resolved_json").as_bytes(), NOW_NANOS)
            .expect("a pack of the standard");
        assert_eq!(again, found, "{}: the resolved form means the same", row.text("id"));
    }
}

#[test]
fn senml_in_cbor_says_the_same() {
    let payloads = Vectors::read("payloads");
    let pack = |key| bytes(payloads.value("senml_cbor", key).as_str().expect("hexadecimal text"));
    let found = senml::decode_cbor(&pack("ex3_hex"), NOW_NANOS).expect("the RFC's own example");
    let row =
        payloads.rows("senml_packs").find(|row| row.text("id") == "ex3").expect("the same example in JSON");
    assert_resolved(&found, row.text("resolved_json"));
    let small = senml::decode_cbor(&pack("small_hex"), NOW_NANOS).expect("one record");
    assert_resolved(&small, r#"[{"n":"s1/t","u":"Cel","t":1700000000,"v":23.5}]"#);
}

/// Writes one record with every base field and each regular field in turn, under the labels of the table.
#[test]
fn senml_labels_mean_the_same_in_both_formats() {
    let payloads = Vectors::read("payloads");
    let label = |name: &str| {
        let row = payloads.rows("senml_labels").find(|row| row.text("name") == name).expect(name);
        (row.text("json").to_owned(), row.integer("cbor"))
    };
    let number = |value: f64| (serde_json::json!(value), ciborium::Value::from(value));
    let text = |value: &str| (serde_json::json!(value), ciborium::Value::from(value));
    let common = [
        ("Base Version", (serde_json::json!(10), ciborium::Value::from(10))),
        ("Base Name", text("base/")),
        ("Base Time", number(1_700_000_000.0)),
        ("Base Unit", text("Cel")),
        ("Base Value", number(20.0)),
        ("Base Sum", number(100.0)),
        ("Name", text("name")),
        ("Time", number(5.0)),
        ("Update Time", number(60.0)),
        ("Value Sum", number(2.5)),
    ];
    let bare = Record {
        name: "base/name".to_owned(),
        unit: Some("Cel".to_owned()),
        value: None,
        sum: Some(Number::Value(102.5)),
        time_nanos: 1_700_000_005_000_000_000,
        update_time_s: Some(60.0),
    };
    let with = |value| Record { value: Some(value), ..bare.clone() };
    for (name, content, expected) in [
        ("Value", number(1.5), with(Value::Number(Number::Value(21.5)))),
        ("String Value", text("x"), with(Value::Text("x".to_owned()))),
        ("Boolean Value", (true.into(), true.into()), with(Value::Boolean(true))),
        ("Data Value", ("_w".into(), ciborium::Value::Bytes(vec![0xFF])), with(Value::Data(vec![0xFF]))),
        ("Unit", text("K"), Record { unit: Some("K".to_owned()), ..bare.clone() }),
    ] {
        let fields: Vec<_> = common.iter().cloned().chain([(name, content)]).collect();
        let json: serde_json::Map<_, _> =
            fields.iter().map(|(n, (json, _))| (label(n).0, json.clone())).collect();
        let json = serde_json::to_vec(&vec![json]).expect("JSON");
        assert_eq!(senml::decode_json(&json, NOW_NANOS), Ok(vec![expected.clone()]), "{name}");
        let map =
            fields.into_iter().map(|(n, (_, cbor))| (ciborium::Value::from(label(n).1), cbor)).collect();
        let mut cbor = Vec::new();
        ciborium::into_writer(&vec![ciborium::Value::Map(map)], &mut cbor).expect("CBOR");
        assert_eq!(senml::decode_cbor(&cbor, NOW_NANOS), Ok(vec![expected]), "{name}");
    }
    assert_eq!(payloads.rows("senml_labels").count(), common.len() + 5, "every label of the table was used");
}

#[test]
fn topic_filters() {
    let payloads = Vectors::read("payloads");
    for row in payloads.rows("mqtt_match") {
        let (filter, topic) = (row.text("filter"), row.text("topic"));
        let filter: Filter = filter.parse().expect("a filter of the standard");
        assert_eq!(filter.matches(topic), row.truth("match"), "{filter} {topic}");
    }
    for row in payloads.rows("mqtt_filter_validity") {
        let filter = row.text("filter");
        assert_eq!(filter.parse::<Filter>().is_ok(), row.truth("valid"), "{filter:?}");
    }
}

fn expected_point(row: &Row<'_>) -> Point {
    let strings = |value: &toml::Value| -> Vec<String> {
        let list = value.as_array().expect("a list").iter();
        list.map(|text| text.as_str().expect("a text").to_owned()).collect()
    };
    let tags = row.list("tags").iter().map(|tag| match &strings(tag)[..] {
        [key, value] => (key.clone(), value.clone()),
        other => panic!("{other:?}"),
    });
    let fields = row.list("fields").iter().map(|field| match &strings(field)[..] {
        [key, kind, value] => (key.clone(), expected_field(kind, value)),
        other => panic!("{other:?}"),
    });
    Point {
        measurement: row.text("measurement").to_owned(),
        tags: tags.collect(),
        fields: fields.collect(),
        timestamp: Some(row.integer("timestamp")).filter(|nanos| *nanos != -1),
    }
}

fn expected_field(kind: &str, value: &str) -> FieldValue {
    match kind {
        "float" => FieldValue::Float(value.parse().expect("a float")),
        "integer" => FieldValue::Integer(value.parse().expect("an integer")),
        "boolean" => FieldValue::Boolean(value.parse().expect("a truth value")),
        "string" => FieldValue::Text(value.to_owned()),
        other => panic!("{other}"),
    }
}

#[test]
fn line_protocol_reads_and_writes_the_examples() {
    let payloads = Vectors::read("payloads");
    for row in payloads.rows("line_protocol_examples") {
        let expected = expected_point(&row);
        assert_eq!(parse(row.text("line")), Ok(vec![expected.clone()]), "{}", row.text("line"));
        let mut written = String::new();
        expected.line().write(&mut written).expect("every example can be written");
        assert_eq!(parse(&written), Ok(vec![expected]), "{written}");
    }
    for line in payloads.value("line_protocol_invalid", "list").as_array().expect("a list") {
        let line = line.as_str().expect("a text");
        assert!(parse(line).is_err(), "{line}");
    }
}
