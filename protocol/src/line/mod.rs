//! The line protocol of time-series databases, strict.
//!
//! What the protocol cannot carry, or what readers are known to take in different ways, is refused instead of written: an
//! unescaped line break in a tag would make two points of one, of which the second may overwrite something.
//! [`parse`](parse::parse) is the strict inverse; it proves the round trip.
//!
//! In names and tag values a comma, an equals sign and a space are escaped by a backslash. A backslash itself cannot be
//! escaped there, so one that ends the text or stands before another backslash or one of the escaped characters is refused.

pub mod parse;
mod series;

pub use series::Series;

use std::fmt::Write as _;

/// Longest measurement and tags together, escaped, that databases take (65535; from memory).
pub const SERIES_BYTES_MAX: usize = 65_535;
/// Longest text of a field, in bytes (64 KiB, from the documentation of the format).
pub const TEXT_BYTES_MAX: usize = 65_536;
/// The ends of 64-bit nanoseconds are taken by databases for signs of their own.
pub const TIMESTAMP_ABS_MAX: i64 = i64::MAX - 1;

/// One point, to be written as one line.
#[derive(Clone, PartialEq, Debug)]
pub struct Line<'a> {
    measurement: &'a str,
    tags: Vec<(&'a str, &'a str)>,
    fields: Vec<(&'a str, FieldValue<'a>)>,
    timestamp: Option<i64>,
}

/// Value of a field.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum FieldValue<'a> {
    /// A double; must be finite.
    Float(f64),
    /// A signed integer, written with the suffix i.
    Integer(i64),
    /// An unsigned integer, written with the suffix u.
    Unsigned(u64),
    /// True or false.
    Boolean(bool),
    /// Text, in double quotes.
    Text(&'a str),
}

/// A part of a line, for errors.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Part {
    /// The measurement.
    Measurement,
    /// Key of a tag.
    TagKey,
    /// Value of a tag.
    TagValue,
    /// Key of a field.
    FieldKey,
    /// Text of a field.
    FieldText,
}

impl std::fmt::Display for Part {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Measurement => "measurement",
            Self::TagKey => "tag key",
            Self::TagValue => "tag value",
            Self::FieldKey => "field key",
            Self::FieldText => "field text",
        })
    }
}

/// Why a point cannot be written.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum LineError {
    /// Nothing where a name or value must stand.
    #[error("empty {0}")]
    Empty(Part),
    /// A line break or another control character.
    #[error("{part} {text:?} holds a line break or another control character")]
    Control {
        /// Where.
        part: Part,
        /// The text.
        text: String,
    },
    /// A backslash that readers would take for an escape.
    #[error("{part} {text:?} has a backslash at its end or before a backslash, comma, equals sign or space")]
    Backslash {
        /// Where.
        part: Part,
        /// The text.
        text: String,
    },
    /// A name that databases keep for themselves.
    #[error(
        "{part} {text:?}: a leading underscore and the name time are the database's own, a leading # makes a comment"
    )]
    Reserved {
        /// Where.
        part: Part,
        /// The text.
        text: String,
    },
    /// A key twice in one point, or as both a tag and a field.
    #[error("key {0:?} occurs twice in one point")]
    Twice(String),
    /// No field.
    #[error("a point without a field")]
    NoField,
    /// NaN or an infinity.
    #[error("field {key:?} is {value}, which the format cannot carry")]
    NotFinite {
        /// Which field.
        key: String,
        /// Its value.
        value: f64,
    },
    /// Longer than databases take.
    #[error("{what} of {bytes} bytes; databases take up to {bytes_max}")]
    TooLong {
        /// What is too long.
        what: &'static str,
        /// How long.
        bytes: usize,
        /// How long it may be.
        bytes_max: usize,
    },
    /// A time at the ends of 64 bits.
    #[error("timestamp {0} is at the end of 64-bit nanoseconds, which databases keep for themselves")]
    Timestamp(i64),
}

impl<'a> Line<'a> {
    /// A point of `measurement`, with nothing in it yet.
    pub fn new(measurement: &'a str) -> Self {
        Self { measurement, tags: Vec::new(), fields: Vec::new(), timestamp: None }
    }

    /// Adds a tag. They are written sorted by key, whatever the order they come in.
    #[must_use]
    pub fn tag(mut self, key: &'a str, value: &'a str) -> Self {
        self.tags.push((key, value));
        self
    }

    /// Adds a field. They are written in the order they come in.
    #[must_use]
    pub fn field(mut self, key: &'a str, value: FieldValue<'a>) -> Self {
        self.fields.push((key, value));
        self
    }

    /// Sets the time, nanoseconds since 1970. Without one the database takes its own.
    #[must_use]
    pub fn timestamp(mut self, nanos: i64) -> Self {
        self.timestamp = Some(nanos);
        self
    }

    /// Appends the line and its line feed to `out`. On an error `out` is as it was.
    pub fn write(mut self, out: &mut String) -> Result<(), LineError> {
        self.tags.sort_unstable();
        self.check()?;
        self.write_series(out)?;
        for (index, (key, value)) in self.fields.iter().enumerate() {
            out.push(if index == 0 { ' ' } else { ',' });
            write_escaped(key, SPECIAL, out);
            out.push('=');
            write_value(*value, out);
        }
        if let Some(nanos) = self.timestamp {
            write!(out, " {nanos}").expect("a String takes everything");
        }
        out.push('\n');
        Ok(())
    }

    /// Appends measurement and tags.
    fn write_series(&self, out: &mut String) -> Result<(), LineError> {
        let start = out.len();
        write_escaped(self.measurement, [',', ' ', ' '], out);
        for (key, value) in &self.tags {
            out.push(',');
            write_escaped(key, SPECIAL, out);
            out.push('=');
            write_escaped(value, SPECIAL, out);
        }
        let bytes = out.len() - start;
        if bytes > SERIES_BYTES_MAX {
            out.truncate(start);
            return Err(LineError::TooLong {
                what: "measurement and tags",
                bytes,
                bytes_max: SERIES_BYTES_MAX,
            });
        }
        Ok(())
    }

    fn check(&self) -> Result<(), LineError> {
        check_name(Part::Measurement, self.measurement)?;
        for (key, value) in &self.tags {
            check_name(Part::TagKey, key)?;
            check_text(Part::TagValue, value)?;
        }
        if self.fields.is_empty() {
            return Err(LineError::NoField);
        }
        for (key, value) in &self.fields {
            check_name(Part::FieldKey, key)?;
            check_value(key, *value)?;
        }
        self.check_keys()?;
        self.timestamp.map_or(Ok(()), check_timestamp)
    }

    /// Points have a handful of keys: comparing each with those after it is the fastest way.
    fn check_keys(&self) -> Result<(), LineError> {
        let tags = self.tags.iter().map(|(key, _)| *key);
        let mut keys = tags.chain(self.fields.iter().map(|(key, _)| *key));
        while let Some(key) = keys.next() {
            if keys.clone().any(|other| other == key) {
                return Err(LineError::Twice(key.to_owned()));
            }
        }
        Ok(())
    }
}

/// What is escaped in keys and tag values; in a measurement the equals sign is not.
const SPECIAL: [char; 3] = [',', ' ', '='];

fn check_name(part: Part, text: &str) -> Result<(), LineError> {
    check_text(part, text)?;
    if text.starts_with(['_', '#']) || part != Part::Measurement && text == "time" {
        return Err(LineError::Reserved { part, text: text.to_owned() });
    }
    Ok(())
}

fn check_text(part: Part, text: &str) -> Result<(), LineError> {
    if text.is_empty() {
        return Err(LineError::Empty(part));
    }
    check_control(part, text)?;
    let mut after_backslash = text.split('\\').skip(1);
    if after_backslash.any(|rest| rest.is_empty() || rest.starts_with(SPECIAL)) {
        return Err(LineError::Backslash { part, text: text.to_owned() });
    }
    Ok(())
}

fn check_control(part: Part, text: &str) -> Result<(), LineError> {
    if text.chars().any(char::is_control) {
        Err(LineError::Control { part, text: text.to_owned() })
    } else {
        Ok(())
    }
}

fn check_timestamp(nanos: i64) -> Result<(), LineError> {
    if nanos.unsigned_abs() > TIMESTAMP_ABS_MAX.unsigned_abs() {
        return Err(LineError::Timestamp(nanos));
    }
    Ok(())
}

fn check_value(key: &str, value: FieldValue<'_>) -> Result<(), LineError> {
    match value {
        FieldValue::Float(value) if !value.is_finite() => {
            Err(LineError::NotFinite { key: key.to_owned(), value })
        }
        FieldValue::Text(text) if text.len() > TEXT_BYTES_MAX => {
            Err(LineError::TooLong { what: "field text", bytes: text.len(), bytes_max: TEXT_BYTES_MAX })
        }
        FieldValue::Text(text) => check_control(Part::FieldText, text),
        _ => Ok(()),
    }
}

fn write_escaped(text: &str, special: [char; 3], out: &mut String) {
    for c in text.chars() {
        if special.contains(&c) {
            out.push('\\');
        }
        out.push(c);
    }
}

/// Rust writes a double with the fewest digits that read back to the same one.
fn write_value(value: FieldValue<'_>, out: &mut String) {
    match value {
        FieldValue::Float(value) => write!(out, "{value:?}"),
        FieldValue::Integer(value) => write!(out, "{value}i"),
        FieldValue::Unsigned(value) => write!(out, "{value}u"),
        FieldValue::Boolean(value) => write!(out, "{value}"),
        FieldValue::Text(text) => {
            out.push('"');
            for c in text.chars() {
                if matches!(c, '"' | '\\') {
                    out.push('\\');
                }
                out.push(c);
            }
            out.push('"');
            Ok(())
        }
    }
    .expect("a String takes everything");
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::parse::{Point, Value, parse};
    use super::*;

    fn one(line: Line<'_>) -> Result<String, LineError> {
        let mut out = String::new();
        line.write(&mut out).map(|()| out)
    }

    #[test]
    fn a_point_is_one_line_with_its_tags_sorted() {
        let line = Line::new("sump")
            .tag("probe", "ph")
            .tag("machine", "lathe 3")
            .field("value", FieldValue::Float(9.12));
        let line = line.field("quality", FieldValue::Text("good")).timestamp(1_700_000_000_000_000_000);
        let expected = "sump,machine=lathe\\ 3,probe=ph value=9.12,quality=\"good\" 1700000000000000000\n";
        assert_eq!(one(line).unwrap(), expected);
    }

    #[test]
    fn what_cannot_be_carried_is_refused_and_leaves_no_trace() {
        let good = || Line::new("m").field("f", FieldValue::Integer(1));
        let mut out = "kept\n".to_owned();
        for (line, why) in [
            (Line::new("m"), "without a field"),
            (Line::new("").field("f", FieldValue::Integer(1)), "empty measurement"),
            (Line::new("#m").field("f", FieldValue::Integer(1)), "comment"),
            (good().tag("k", ""), "empty tag value"),
            (good().tag("", "v"), "empty tag key"),
            (good().tag("k", "a\nb f=1"), "line break"),
            (good().tag("k", "a\u{7f}"), "control"),
            (good().tag("k", "C:\\"), "backslash at its end"),
            (good().tag("k", "a\\,b"), "backslash"),
            (good().tag("k", "a\\\\b"), "backslash"),
            (good().tag("_k", "v"), "underscore"),
            (good().tag("time", "v"), "time"),
            (good().tag("k", "v").tag("k", "w"), "\"k\" occurs twice"),
            (good().tag("f", "v"), "\"f\" occurs twice"),
            (good().field("f", FieldValue::Integer(2)), "\"f\" occurs twice"),
            (good().field("g", FieldValue::Float(f64::NAN)), "NaN"),
            (good().field("g", FieldValue::Float(f64::NEG_INFINITY)), "-inf"),
            (good().field("g", FieldValue::Text("a\rb")), "line break"),
            (good().timestamp(i64::MIN), "timestamp"),
            (good().timestamp(i64::MAX), "timestamp"),
        ] {
            let error = line.write(&mut out).unwrap_err().to_string();
            assert!(error.contains(why), "{why}: {error}");
        }
        let long = "x".repeat(65_536);
        assert!(
            good()
                .tag("k", &long)
                .write(&mut out)
                .unwrap_err()
                .to_string()
                .contains("databases take up to 65535")
        );
        assert!(good().field("g", FieldValue::Text(&long)).write(&mut String::new()).is_ok());
        assert_eq!(out, "kept\n");
        assert!(one(good().tag("k", "C:\\chips").field("g", FieldValue::Text("a\\"))).is_ok());
    }

    fn any_value() -> impl Strategy<Value = Value> {
        prop_oneof![
            any::<u64>().prop_map(|bits| Value::Float(f64::from_bits(bits))),
            any::<i64>().prop_map(Value::Integer),
            any::<u64>().prop_map(Value::Unsigned),
            any::<bool>().prop_map(Value::Boolean),
            any_text().prop_map(Value::Text),
        ]
    }

    /// Arbitrary strings, and often those that the format might stumble over.
    fn any_text() -> impl Strategy<Value = String> {
        prop_oneof!["[a-c,= \\\\\"#_\n]{0,6}", "[a-z]{1,6}", any::<String>()]
    }

    fn any_point() -> impl Strategy<Value = Point> {
        let tags = prop::collection::vec((any_text(), any_text()), 0..4);
        let fields = prop::collection::vec((any_text(), any_value()), 0..4);
        (any_text(), tags, fields, any::<Option<i64>>())
            .prop_map(|(measurement, tags, fields, timestamp)| Point { measurement, tags, fields, timestamp })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2000))]

        #[test]
        fn what_is_written_reads_back_and_nothing_else(points in prop::collection::vec(any_point(), 1..4)) {
            let mut out = String::new();
            let mut expected = Vec::new();
            for mut point in points {
                if point.line().write(&mut out).is_ok() {
                    point.tags.sort();
                    expected.push(point);
                }
            }
            prop_assert_eq!(out.lines().count(), expected.len());
            prop_assert_eq!(parse(&out), Ok(expected));
        }

        #[test]
        fn every_finite_double_reads_back_to_the_bit(bits: u64) {
            let value = f64::from_bits(bits);
            let written = one(Line::new("m").field("f", FieldValue::Float(value)));
            prop_assert_eq!(written.is_ok(), value.is_finite());
            if let Ok(text) = written {
                let Value::Float(found) = parse(&text).unwrap()[0].fields[0].1 else { panic!("no float in {text}") };
                prop_assert_eq!(found.to_bits(), bits);
            }
        }
    }
}
