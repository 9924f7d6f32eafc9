//! SenML as JSON (RFC 8428, section 5).

use super::super::PayloadError;
use super::super::json::Json;
use super::{Content, Fields, Label, Record, must_be_understood, resolve};

/// The records of a pack. `now_nanos` is the time that relative times count from, in nanoseconds since 1970.
pub fn decode_json(payload: &[u8], now_nanos: i64) -> Result<Vec<Record>, PayloadError> {
    let pack = match Json::parse(payload)? {
        Json::Array(pack) if !pack.is_empty() => pack,
        Json::Array(_) => return Err(syntax("no record in the pack".to_owned())),
        other => return Err(syntax(format!("{} where an array of records belongs", other.kind()))),
    };
    let fields = pack.into_iter().enumerate().map(|(index, record)| {
        read_record(record).map_err(|why| PayloadError::Senml { record: index + 1, why })
    });
    resolve(fields.collect::<Result<_, _>>()?, now_nanos)
}

fn syntax(why: String) -> PayloadError {
    PayloadError::Syntax { format: "SenML JSON", why }
}

fn read_record(record: Json) -> Result<Fields, String> {
    let Json::Object(members) = record else {
        return Err(format!("{} where an object belongs", record.kind()));
    };
    let mut fields = Fields::default();
    for (name, value) in members {
        match Label::from_json(&name) {
            Some(label) => fields.put(label, read_content(label, value)?)?,
            None if must_be_understood(&name) => {
                return Err(format!(
                    "field {} must be understood and is not known",
                    super::super::excerpt(&name)
                ));
            }
            None => {}
        }
    }
    Ok(fields)
}

fn read_content(label: Label, value: Json) -> Result<Content, String> {
    match value {
        Json::Text(text) if label == Label::DataValue => decode_base64url(&text)
            .map(Content::Data)
            .ok_or_else(|| "field \"vd\" is no base64url without padding (RFC 4648, section 5)".to_owned()),
        Json::Text(text) => Ok(Content::Text(text)),
        Json::Bool(value) => Ok(Content::Boolean(value)),
        Json::Null | Json::Array(_) | Json::Object(_) => {
            Err(format!("field {:?} holds the wrong type", label.json()))
        }
        Json::Unsigned(_) | Json::Negative(_) | Json::Float(_) => {
            Ok(Content::Number(value.number().expect("all three are numbers")))
        }
    }
}

/// RFC 4648, section 5, without padding; bits left over must be zero.
fn decode_base64url(text: &str) -> Option<Vec<u8>> {
    let sextet = |letter: u8| match letter {
        b'A'..=b'Z' => Some(letter - b'A'),
        b'a'..=b'z' => Some(letter - b'a' + 26),
        b'0'..=b'9' => Some(letter - b'0' + 52),
        b'-' => Some(62),
        b'_' => Some(63),
        _ => None,
    };
    let mut data = Vec::with_capacity(text.len() * 3 / 4);
    let (mut bits, mut count) = (0_u32, 0);
    for letter in text.bytes() {
        bits = bits << 6 | u32::from(sextet(letter)?);
        count += 6;
        if count >= 8 {
            count -= 8;
            data.push((bits >> count) as u8);
            bits &= (1 << count) - 1;
        }
    }
    (bits == 0 && count < 6).then_some(data)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_of_the_standard() {
        // RFC 4648, section 10, padding taken off; the last one is section 5's own two letters (worked by hand).
        for (text, data) in [
            ("", ""),
            ("Zg", "f"),
            ("Zm8", "fo"),
            ("Zm9v", "foo"),
            ("Zm9vYg", "foob"),
            ("Zm9vYmE", "fooba"),
            ("Zm9vYmFy", "foobar"),
        ] {
            assert_eq!(decode_base64url(text), Some(data.as_bytes().to_vec()), "{text}");
        }
        assert_eq!(decode_base64url("-_8"), Some(vec![0xFB, 0xFF]));
        for wrong in ["Z", "Zh", "Zg==", "Zm9v\n", "+/8", "Zm9vY"] {
            assert_eq!(decode_base64url(wrong), None, "{wrong:?}");
        }
    }
}
