//! SenML as CBOR (RFC 8428, section 6).
//!
//! Arrays and maps may be of indefinite length, numbers may be integers, floats, big numbers or decimal fractions
//! (tag 4). Nothing is set aside in memory for a length that the bytes do not bear out.

use ciborium::Value as Item;

use super::super::{DEPTH_MAX, PayloadError, excerpt};
use super::{Content, Fields, Label, Record, must_be_understood, resolve};
use crate::number::Number;

/// RFC 8949, 3.4.4: exponent and mantissa of a decimal fraction.
const TAG_DECIMAL_FRACTION: u64 = 4;
/// RFC 8949, 3.4.3: integers beyond 64 bits; smaller ones come as plain integers.
const TAG_BIG_NUMBERS: [u64; 2] = [2, 3];

/// The records of a pack. `now_nanos` is the time that relative times count from, in nanoseconds since 1970.
pub fn decode_cbor(payload: &[u8], now_nanos: i64) -> Result<Vec<Record>, PayloadError> {
    let mut rest = payload;
    let item: Item = ciborium::de::from_reader_with_recursion_limit(&mut rest, DEPTH_MAX)
        .map_err(|e| syntax(describe(&e, payload.len())))?;
    if !rest.is_empty() {
        return Err(syntax(format!("{} bytes after the pack", rest.len())));
    }
    let pack = match item {
        Item::Array(pack) if !pack.is_empty() => pack,
        Item::Array(_) => return Err(syntax("no record in the pack".to_owned())),
        other => return Err(syntax(format!("{} where an array of records belongs", kind(&other)))),
    };
    let fields = pack.into_iter().enumerate().map(|(index, record)| {
        read_record(record).map_err(|why| PayloadError::Senml { record: index + 1, why })
    });
    resolve(fields.collect::<Result<_, _>>()?, now_nanos)
}

fn syntax(why: String) -> PayloadError {
    PayloadError::Syntax { format: "SenML CBOR", why }
}

fn describe<E>(error: &ciborium::de::Error<E>, length: usize) -> String {
    match error {
        ciborium::de::Error::Io(_) => format!("ends within an item, after {length} bytes"),
        ciborium::de::Error::Syntax(at) => format!("wrong at byte {at}"),
        ciborium::de::Error::Semantic(Some(at), why) => format!("{why} at byte {at}"),
        ciborium::de::Error::Semantic(None, why) => why.clone(),
        ciborium::de::Error::RecursionLimitExceeded => format!("nested deeper than {DEPTH_MAX} levels"),
    }
}

const fn kind(item: &Item) -> &'static str {
    match item {
        Item::Integer(_) | Item::Float(_) => "a number",
        Item::Bytes(_) => "bytes",
        Item::Text(_) => "a string",
        Item::Bool(_) => "a truth value",
        Item::Null => "null",
        Item::Array(_) => "an array",
        Item::Map(_) => "an object",
        _ => "a tagged item",
    }
}

fn read_record(record: Item) -> Result<Fields, String> {
    let Item::Map(members) = record else { return Err(format!("{} where an object belongs", kind(&record))) };
    let mut fields = Fields::default();
    for (key, value) in members {
        match key {
            Item::Integer(key) => {
                if let Some(label) = Label::from_cbor(key.into()) {
                    fields.put(label, read_content(label, value)?)?;
                }
            }
            Item::Text(name) if must_be_understood(&name) => {
                return Err(format!("field {} must be understood and is not known", excerpt(&name)));
            }
            Item::Text(name) => {
                if let Some(label) = Label::from_json(&name) {
                    return Err(format!("field {name:?} is written as the integer {} in CBOR", label.cbor()));
                }
            }
            other => return Err(format!("{} as the label of a field", kind(&other))),
        }
    }
    Ok(fields)
}

fn read_content(label: Label, value: Item) -> Result<Content, String> {
    match value {
        Item::Integer(_) | Item::Float(_) | Item::Tag(..)
            if label == Label::BaseVersion && !value.is_integer() =>
        {
            None
        }
        Item::Integer(value) => Some(Content::Number(number_of_integer(value.into()))),
        Item::Float(value) => Some(Content::Number(Number::from_written(value))),
        Item::Tag(TAG_DECIMAL_FRACTION, parts) => decimal_fraction(&parts).map(Content::Number),
        Item::Tag(tag, bytes) if TAG_BIG_NUMBERS.contains(&tag) && bytes.is_bytes() => {
            Some(Content::Number(Number::TooLarge))
        }
        Item::Text(text) => Some(Content::Text(text)),
        Item::Bool(value) => Some(Content::Boolean(value)),
        Item::Bytes(data) => Some(Content::Data(data)),
        _ => None,
    }
    .ok_or_else(|| format!("field {:?} holds the wrong type", label.json()))
}

fn number_of_integer(value: i128) -> Number {
    i64::try_from(value).map_or(Number::TooLarge, Number::from_signed)
}

/// Through decimal text, which rounds once and rightly.
fn decimal_fraction(parts: &Item) -> Option<Number> {
    let [exponent, mantissa] = parts.as_array()?.as_slice() else { return None };
    let (exponent, mantissa) = (i128::from(exponent.as_integer()?), i128::from(mantissa.as_integer()?));
    let value: f64 = format!("{mantissa}e{exponent}").parse().ok()?;
    Some(if value.is_infinite() { Number::TooLarge } else { Number::from_written(value) })
}

#[cfg(test)]
mod tests {
    use super::super::Value;
    use super::*;

    fn records(pack: &[u8]) -> Result<Vec<Record>, String> {
        decode_cbor(pack, 1_700_000_000_000_000_000).map_err(|e| e.to_string())
    }

    fn value(bytes: &[u8]) -> Option<Value> {
        let pack = [&[0x81, 0xA2, 0x00, 0x61, b'a', 0x02], bytes].concat();
        records(&pack).unwrap()[0].value.clone()
    }

    #[test]
    fn numbers_of_every_form() {
        // Encodings from RFC 8949, appendix A; the decimal fraction 273.15 from its section 3.4.4.
        for (bytes, number) in [
            (&[0x18, 0x64][..], 100.0),
            (&[0x29], -10.0),
            (&[0xF9, 0x3E, 0x00], 1.5),
            (&[0xFA, 0x47, 0xC3, 0x50, 0x00], 100_000.0),
            (&[0xFB, 0x3F, 0xF1, 0x99, 0x99, 0x99, 0x99, 0x99, 0x9A], 1.1),
            (&[0xC4, 0x82, 0x21, 0x19, 0x6A, 0xB3], 273.15),
        ] {
            assert_eq!(value(bytes), Some(Value::Number(Number::Value(number))), "{number}");
        }
        let number = |bytes| value(bytes);
        assert_eq!(number(&[0xF9, 0x7E, 0x00]), Some(Value::Number(Number::NotFinite)));
        assert_eq!(
            number(&[0x1B, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF]),
            Some(Value::Number(Number::TooLarge))
        );
        assert_eq!(
            number(&[0xC4, 0x82, 0x19, 0x03, 0xE8, 0x01]),
            Some(Value::Number(Number::TooLarge)),
            "1e1000"
        );
        assert_eq!(
            number(&[0xC2, 0x49, 1, 0, 0, 0, 0, 0, 0, 0, 0]),
            Some(Value::Number(Number::TooLarge)),
            "2^64"
        );
    }

    #[test]
    fn indefinite_lengths_are_taken() {
        let pack = [0x9F, 0xBF, 0x00, 0x61, b'a', 0x02, 0x01, 0xFF, 0xFF];
        assert_eq!(records(&pack).unwrap().len(), 1);
    }

    #[test]
    fn hostile_lengths_and_nesting_end_in_an_error() {
        let says = |pack: &[u8]| records(pack).unwrap_err();
        assert!(says(&[0x9B, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF]).contains("ends within"));
        assert!(says(&[0x81, 0xBB, 0x7F, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF]).contains("ends within"));
        assert!(
            says(&[0x81, 0xA1, 0x00, 0x7B, 0x7F, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF])
                .contains("ends within")
        );
        assert!(says(&[0x81; 100_000]).contains("deeper than 32"), "{}", says(&[0x81; 100_000]));
        assert!(says(&[0xC1; 100_000]).contains("deeper than 32"), "{}", says(&[0xC1; 100_000]));
        assert!(says(&[0x9F; 100_000]).contains("deeper than 32"));
        assert!(says(&[]).contains("ends within an item, after 0 bytes"));
        assert!(says(&[0x80]).contains("no record"));
        assert!(says(&[0x81, 0xA2, 0x00, 0x61, b'a', 0x02, 0x01, 0x00]).contains("1 bytes after"));
    }

    #[test]
    fn labels_are_integers() {
        let says = |pack: &[u8]| records(pack).unwrap_err();
        let text_label = says(&[0x81, 0xA1, 0x61, b'n', 0x61, b'a']);
        assert!(text_label.contains("\"n\" is written as the integer 0"), "{text_label}");
        assert!(says(&[0x81, 0xA1, 0x62, b'x', b'_', 0x01]).contains("must be understood"));
        assert!(says(&[0x81, 0xA3, 0x00, 0x61, b'a', 0x02, 0x01, 0x02, 0x01]).contains("occurs twice"));
        assert!(says(&[0x81, 0xA1, 0xF4, 0x01]).contains("a truth value as the label"));
        assert!(
            says(&[0x81, 0xA3, 0x00, 0x61, b'a', 0x02, 0x01, 0x20, 0xF9, 0x49, 0x00]).contains("wrong type"),
            "bver 10.0"
        );
        assert_eq!(
            records(&[0x81, 0xA3, 0x00, 0x61, b'a', 0x02, 0x01, 0x18, 0x63, 0x01]).unwrap().len(),
            1,
            "label 99"
        );
    }
}
