//! A number, its unit and its time out of a JSON message, by RFC 6901 pointers.
//!
//! - The number may be a JSON number, a number in a string (as [`plain`] takes it), or true and false for 1
//!   and 0. `null` is the sender's "no value".
//! - A name that occurs twice in one object is refused wherever it stands: RFC 8259 leaves open which one counts, and two
//!   readers of the same message would hold two values.
//! - The time may be RFC 3339 text, which is passed on, or Unix time as a number or a number in a string. Its size says
//!   whether it counts seconds, milliseconds, microseconds or nanoseconds. `null` means that the sender does not know it.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;

use serde::de::{DeserializeSeed, Deserializer, Error as _, MapAccess, SeqAccess, Visitor};

use super::{DEPTH_MAX, PayloadError, Reading, Stamp, excerpt, plain};
use crate::number::Number;

/// Where in a JSON message the reading lies.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Fields {
    /// The number.
    pub value: Pointer,
    /// Its time.
    pub time: Option<Pointer>,
    /// Its unit.
    pub unit: Option<Pointer>,
}

/// An RFC 6901 JSON pointer.
#[derive(Clone, PartialEq, Eq, Hash, Debug)]
pub struct Pointer {
    tokens: Vec<String>,
}

/// Why a text is no JSON pointer.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PointerError {
    /// The first character is wrong.
    #[error(
        "{0:?} is no JSON pointer; write /name for a member, /names/0 for an element, nothing for the whole message"
    )]
    Start(String),
    /// A tilde that escapes nothing.
    #[error("{0:?}: in a JSON pointer a tilde is written ~0 and a slash within a name ~1")]
    Escape(String),
    /// Deeper than any message is read.
    #[error("{0:?}: goes deeper than the 32 levels that are read")]
    Depth(String),
}

/// A JSON value. Integers are kept apart from floats so that a time in nanoseconds keeps its digits.
#[derive(Clone, PartialEq, Debug)]
pub(crate) enum Json {
    Null,
    Bool(bool),
    Unsigned(u64),
    Negative(i64),
    Float(f64),
    Text(String),
    Array(Vec<Json>),
    Object(BTreeMap<String, Json>),
}

/// The reading that `payload` holds at the places named.
pub fn decode(payload: &[u8], fields: &Fields) -> Result<Reading, PayloadError> {
    let message = Json::parse(payload)?;
    let number = decode_number(fields.value.find(&message)?, &fields.value)?;
    let time =
        fields.time.as_ref().map(|pointer| decode_time(pointer.find(&message)?, pointer)).transpose()?;
    let unit =
        fields.unit.as_ref().map(|pointer| decode_unit(pointer.find(&message)?, pointer)).transpose()?;
    Ok(Reading { number, unit: unit.flatten(), time: time.flatten() })
}

fn decode_number(value: &Json, pointer: &Pointer) -> Result<Number, PayloadError> {
    match value {
        Json::Null => Ok(Number::NoValue),
        Json::Text(text) => plain::decode_text(text),
        _ => value.number().ok_or_else(|| pointer.wrong_type("a number", value)),
    }
}

fn decode_unit(value: &Json, pointer: &Pointer) -> Result<Option<String>, PayloadError> {
    match value {
        Json::Null => Ok(None),
        Json::Text(unit) => Ok(Some(unit.clone())),
        _ => Err(pointer.wrong_type("a unit", value)),
    }
}

fn decode_time(value: &Json, pointer: &Pointer) -> Result<Option<Stamp>, PayloadError> {
    let nanos = match value {
        Json::Null => return Ok(None),
        Json::Unsigned(count) => unix_nanos_of_integer(*count),
        Json::Float(count) => unix_nanos_of_float(*count),
        Json::Negative(count) => Err(PayloadError::Time(count.to_string())),
        Json::Text(text) if plain::is_decimal(text) => match text.parse() {
            Ok(count) => unix_nanos_of_integer(count),
            Err(_) => unix_nanos_of_float(text.parse().map_err(|_| PayloadError::Time(excerpt(text)))?),
        },
        Json::Text(text) => return Ok(Some(Stamp::Text(text.clone()))),
        Json::Bool(_) | Json::Array(_) | Json::Object(_) => return Err(pointer.wrong_type("a time", value)),
    };
    nanos.map(|nanos| Some(Stamp::Nanos(nanos)))
}

/// Up to here a number counts seconds (to the year 5138), then milliseconds (from 1973 on), and so on by 1000.
const SECONDS_BELOW: u64 = 100_000_000_000;

/// Nanoseconds since 1970 of a count of seconds, milliseconds, microseconds or nanoseconds, told apart by its size.
pub fn unix_nanos_of_integer(count: u64) -> Result<i64, PayloadError> {
    let (mut below, mut factor) = (SECONDS_BELOW, 1_000_000_000);
    while count >= below && factor > 1 {
        below = below.saturating_mul(1000);
        factor /= 1000;
    }
    let nanos = i128::from(count) * factor;
    i64::try_from(nanos).map_err(|_| PayloadError::Time(count.to_string()))
}

/// As [`unix_nanos_of_integer`]; a fraction is rounded to whole microseconds, which is about what a double holds of
/// today's time in seconds.
pub fn unix_nanos_of_float(count: f64) -> Result<i64, PayloadError> {
    if !(count >= 0.0 && count < u64::MAX as f64) {
        return Err(PayloadError::Time(count.to_string()));
    }
    let (mut below, mut micros) = (SECONDS_BELOW as f64, 1e6);
    while count >= below && micros > 1e-3 {
        below *= 1000.0;
        micros /= 1000.0;
    }
    let micros = (count * micros).round();
    (micros as i64).checked_mul(1000).ok_or_else(|| PayloadError::Time(count.to_string()))
}

impl Json {
    /// Reads the whole of `payload` as one JSON text.
    pub(crate) fn parse(payload: &[u8]) -> Result<Self, PayloadError> {
        let mut reader = serde_json::Deserializer::from_slice(payload);
        let parsed = Level(DEPTH_MAX).deserialize(&mut reader).and_then(|json| reader.end().map(|()| json));
        parsed.map_err(|e| PayloadError::Syntax { format: "JSON", why: e.to_string() })
    }

    /// The number it is: true is 1 and false is 0. A string, null and a container are none.
    pub(crate) fn number(&self) -> Option<Number> {
        match *self {
            Self::Bool(value) => Some(Number::Value(f64::from(u8::from(value)))),
            Self::Unsigned(value) => Some(Number::from_unsigned(value)),
            Self::Negative(value) => Some(Number::from_signed(value)),
            Self::Float(value) => Some(Number::from_written(value)),
            Self::Null | Self::Text(_) | Self::Array(_) | Self::Object(_) => None,
        }
    }

    /// What it is, for an error.
    pub(crate) const fn kind(&self) -> &'static str {
        match self {
            Self::Null => "null",
            Self::Bool(_) => "a truth value",
            Self::Unsigned(_) | Self::Negative(_) | Self::Float(_) => "a number",
            Self::Text(_) => "a string",
            Self::Array(_) => "an array",
            Self::Object(_) => "an object",
        }
    }
}

/// Reads one value with this many levels of nesting left.
struct Level(usize);

impl Level {
    fn deeper<E: serde::de::Error>(&self) -> Result<usize, E> {
        self.0.checked_sub(1).ok_or_else(|| E::custom(format_args!("nested deeper than {DEPTH_MAX} levels")))
    }
}

impl<'de> DeserializeSeed<'de> for Level {
    type Value = Json;

    fn deserialize<D: Deserializer<'de>>(self, reader: D) -> Result<Json, D::Error> {
        reader.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Level {
    type Value = Json;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Json, E> {
        Ok(Json::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Json, E> {
        Ok(Json::Bool(value))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Json, E> {
        Ok(Json::Unsigned(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Json, E> {
        Ok(Json::Negative(value))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Json, E> {
        Ok(Json::Float(value))
    }

    fn visit_str<E>(self, value: &str) -> Result<Json, E> {
        Ok(Json::Text(value.to_owned()))
    }

    fn visit_string<E>(self, value: String) -> Result<Json, E> {
        Ok(Json::Text(value))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut elements: A) -> Result<Json, A::Error> {
        let left = self.deeper()?;
        let mut array = Vec::new();
        while let Some(element) = elements.next_element_seed(Level(left))? {
            array.push(element);
        }
        Ok(Json::Array(array))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Json, A::Error> {
        let left = self.deeper()?;
        let mut object = BTreeMap::new();
        while let Some(name) = members.next_key::<String>()? {
            if object.contains_key(&name) {
                return Err(A::Error::custom(format_args!(
                    "the name {} occurs twice in one object",
                    excerpt(&name)
                )));
            }
            let value = members.next_value_seed(Level(left))?;
            object.insert(name, value);
        }
        Ok(Json::Object(object))
    }
}

impl Pointer {
    fn find<'a>(&self, message: &'a Json) -> Result<&'a Json, PayloadError> {
        let found = self.tokens.iter().try_fold(message, |json, token| match json {
            Json::Object(members) => members.get(token),
            Json::Array(elements) => elements.get(array_index(token)?),
            _ => None,
        });
        found.ok_or_else(|| PayloadError::Missing { pointer: self.to_string() })
    }

    fn wrong_type(&self, expected: &'static str, found: &Json) -> PayloadError {
        PayloadError::WrongType { pointer: self.to_string(), expected, found: found.kind() }
    }
}

/// RFC 6901, 4: digits without leading zeros.
fn array_index(token: &str) -> Option<usize> {
    let is_index = token == "0" || !token.starts_with('0') && token.bytes().all(|b| b.is_ascii_digit());
    if is_index { token.parse().ok() } else { None }
}

impl FromStr for Pointer {
    type Err = PointerError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        if text.is_empty() {
            return Ok(Self { tokens: Vec::new() });
        }
        let inner = text.strip_prefix('/').ok_or_else(|| PointerError::Start(text.to_owned()))?;
        let unescape = |token: &str| {
            let is_escaped = token.split('~').skip(1).all(|rest| rest.starts_with(['0', '1']));
            if !is_escaped {
                return Err(PointerError::Escape(text.to_owned()));
            }
            Ok(token.replace("~1", "/").replace("~0", "~"))
        };
        let tokens = inner.split('/').map(unescape).collect::<Result<Vec<_>, _>>()?;
        if tokens.len() > DEPTH_MAX {
            return Err(PointerError::Depth(text.to_owned()));
        }
        Ok(Self { tokens })
    }
}

impl fmt::Display for Pointer {
    /// As it is parsed.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.tokens.iter().try_for_each(|token| {
            let escaped: Cow<'_, str> = if token.contains(['~', '/']) {
                token.replace('~', "~0").replace('/', "~1").into()
            } else {
                token.into()
            };
            write!(f, "/{escaped}")
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn fields(value: &str, time: Option<&str>, unit: Option<&str>) -> Fields {
        let pointer = |text: &str| text.parse().unwrap();
        Fields { value: pointer(value), time: time.map(pointer), unit: unit.map(pointer) }
    }

    fn number(payload: &str, value: &str) -> Result<Number, PayloadError> {
        decode(payload.as_bytes(), &fields(value, None, None)).map(|reading| reading.number)
    }

    #[test]
    fn pointers_of_the_standard() {
        // RFC 6901, section 5: its example document and the values of its pointers.
        let document = r#"{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}"#;
        let values = ["/", "/a~1b", "/c%d", "/e^f", "/g|h", "/i\\j", "/k\"l", "/ ", "/m~0n"];
        for (value, pointer) in values.into_iter().enumerate() {
            assert_eq!(number(document, pointer), Ok(Number::Value(value as f64)), "{pointer}");
            assert_eq!(pointer.parse::<Pointer>().unwrap().to_string(), pointer);
        }
        let message = Json::parse(document.as_bytes()).unwrap();
        assert_eq!("/foo/0".parse::<Pointer>().unwrap().find(&message), Ok(&Json::Text("bar".to_owned())));
        for missing in ["/foo/2", "/foo/-", "/foo/01", "/foo/+1", "/foo/", "/none", "/foo/0/x"] {
            assert_eq!(number(document, missing), Err(PayloadError::Missing { pointer: missing.to_owned() }));
        }
        assert!(number("[]", "/18446744073709551616").is_err());
        assert!(
            "foo".parse::<Pointer>().is_err()
                && "/~".parse::<Pointer>().is_err()
                && "/~2".parse::<Pointer>().is_err()
        );
    }

    #[test]
    fn what_counts_as_a_number() {
        for (payload, expected) in [
            ("8.71", Number::Value(8.71)),
            ("\"8.71\"", Number::Value(8.71)),
            // a reader that multiplies by a power of ten is half a step off here
            ("4101169446939503.5", Number::Value(4_101_169_446_939_503.5)),
            ("true", Number::Value(1.0)),
            ("false", Number::Value(0.0)),
            ("null", Number::NoValue),
            ("\"NaN\"", Number::NotFinite),
            ("9007199254740993", Number::TooLarge),
            ("-9007199254740993", Number::TooLarge),
            ("123456789012345678901234567890", Number::TooLarge),
        ] {
            assert_eq!(number(payload, ""), Ok(expected), "{payload}");
        }
        for wrong in [
            "",
            "1e400",
            "NaN",
            "01",
            "1 2",
            "{\"a\":1,}",
            "\"unavailable\"",
            "{}",
            "[1]",
            "\"\\ud800\"",
            "\"\"",
        ] {
            assert!(number(wrong, "").is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_name_twice_is_refused_wherever_it_stands() {
        let error = number(r#"{"t": 20, "x": {"a": 1, "\u0061": 2}}"#, "/t").unwrap_err().to_string();
        assert!(error.contains("\"a\" occurs twice"), "{error}");
    }

    #[test]
    fn nesting_ends_at_32_levels() {
        let nested = |depth: usize| format!("{}{}", "[".repeat(depth), "]".repeat(depth));
        assert!(Json::parse(nested(32).as_bytes()).is_ok());
        let error = Json::parse(nested(33).as_bytes()).unwrap_err().to_string();
        assert!(error.contains("deeper than 32"), "{error}");
        assert!(Json::parse("[".repeat(1_000_000).as_bytes()).is_err());
    }

    #[test]
    fn times_are_told_apart_by_their_size() {
        let time = |ts: &str| {
            decode(format!(r#"{{"t":1,"ts":{ts}}}"#).as_bytes(), &fields("/t", Some("/ts"), None))
                .map(|r| r.time)
        };
        // 1276020076 s is Tue Jun 8 18:01:16 UTC 2010 (RFC 8428, 5.1.2).
        for ts in [
            "1276020076",
            "1276020076000",
            "1276020076000000",
            "1276020076000000000",
            "\"1276020076\"",
            "1.276020076e9",
        ] {
            assert_eq!(time(ts), Ok(Some(Stamp::Nanos(1_276_020_076_000_000_000))), "{ts}");
        }
        assert_eq!(time("1276020076.001"), Ok(Some(Stamp::Nanos(1_276_020_076_001_000_000))));
        assert_eq!(time("1276020076000000001"), Ok(Some(Stamp::Nanos(1_276_020_076_000_000_001))));
        assert_eq!(
            time("\"2010-06-08T18:01:16Z\""),
            Ok(Some(Stamp::Text("2010-06-08T18:01:16Z".to_owned())))
        );
        assert_eq!(time("null"), Ok(None));
        for wrong in ["-1", "18446744073709551615", "1e19", "1e30", "-1.5", "true", "[]", "\"-5\""] {
            assert!(time(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_unit_comes_along() {
        let message = br#"{"value": 9.1, "unit": "[pH]", "none": null, "odd": 3}"#;
        let unit =
            |pointer| decode(message, &fields("/value", None, Some(pointer))).map(|reading| reading.unit);
        assert_eq!(unit("/unit"), Ok(Some("[pH]".to_owned())));
        assert_eq!(unit("/none"), Ok(None));
        assert_eq!(unit("/odd").unwrap_err().to_string(), "a number at \"/odd\" where a unit belongs");
        assert_eq!(unit("/gone").unwrap_err().to_string(), "nothing at \"/gone\"");
    }

    proptest! {
        #[test]
        fn every_finite_double_up_to_2_to_the_53rd_reads_back(value in -9e15..9e15_f64) {
            prop_assert_eq!(number(&serde_json::to_string(&value).unwrap(), ""), Ok(Number::Value(value)));
        }

        #[test]
        fn pointers_read_back(tokens in prop::collection::vec(".{0,4}", 0..5)) {
            let pointer = Pointer { tokens };
            prop_assert_eq!(pointer.to_string().parse(), Ok(pointer));
        }
    }
}
