//! Line protocol read strictly: one space between the three parts, escapes where the grammar has them, nothing left over.

use super::{FieldValue, Line};
use crate::payload::plain;

/// One point, as read.
#[derive(Clone, PartialEq, Debug)]
pub struct Point {
    /// Measurement.
    pub measurement: String,
    /// Tags, in the order they stand.
    pub tags: Vec<(String, String)>,
    /// Fields, in the order they stand.
    pub fields: Vec<(String, Value)>,
    /// Nanoseconds since 1970, where there is one.
    pub timestamp: Option<i64>,
}

/// Value of a field, as read.
#[derive(Clone, PartialEq, Debug)]
pub enum Value {
    /// A double.
    Float(f64),
    /// Signed, with the suffix i.
    Integer(i64),
    /// Unsigned, with the suffix u.
    Unsigned(u64),
    /// True or false.
    Boolean(bool),
    /// Text.
    Text(String),
}

/// Why a text is no line protocol.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("line {line}, byte {at}: {why}")]
pub struct ParseError {
    /// Counted from 1.
    pub line: usize,
    /// Byte of the line, from 0.
    pub at: usize,
    /// What is wrong.
    pub why: &'static str,
}

impl Point {
    /// The point to be written again.
    pub fn line(&self) -> Line<'_> {
        let mut line = Line::new(&self.measurement);
        line.tags = self.tags.iter().map(|(key, value)| (key.as_str(), value.as_str())).collect();
        line.fields = self.fields.iter().map(|(key, value)| (key.as_str(), value.as_field())).collect();
        line.timestamp = self.timestamp;
        line
    }
}

impl Value {
    fn as_field(&self) -> FieldValue<'_> {
        match self {
            Self::Float(value) => FieldValue::Float(*value),
            Self::Integer(value) => FieldValue::Integer(*value),
            Self::Unsigned(value) => FieldValue::Unsigned(*value),
            Self::Boolean(value) => FieldValue::Boolean(*value),
            Self::Text(text) => FieldValue::Text(text),
        }
    }
}

/// The points in `text`, one a line. Empty lines and those that begin with # are passed over.
pub fn parse(text: &str) -> Result<Vec<Point>, ParseError> {
    let lines = text.split('\n').enumerate().filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    lines
        .map(|(index, line)| {
            let mut reader = Reader { line, at: 0 };
            reader.point().map_err(|why| ParseError { line: index + 1, at: reader.at, why })
        })
        .collect()
}

struct Reader<'a> {
    line: &'a str,
    at: usize,
}

impl Reader<'_> {
    fn peek(&self) -> Option<char> {
        self.line[self.at..].chars().next()
    }

    fn take(&mut self, wanted: char) -> bool {
        let found = self.peek() == Some(wanted);
        if found {
            self.at += wanted.len_utf8();
        }
        found
    }

    fn point(&mut self) -> Result<Point, &'static str> {
        let measurement = self.name(&[',', ' '], "a measurement")?;
        let mut tags = Vec::new();
        while self.take(',') {
            let key = self.name(&[',', ' ', '='], "a tag key")?;
            if !self.take('=') {
                return Err("a tag is key=value");
            }
            tags.push((key, self.name(&[',', ' ', '='], "a tag value")?));
        }
        if !self.take(' ') {
            return Err("one space and a field belong here");
        }
        let mut fields = vec![self.field()?];
        while self.take(',') {
            fields.push(self.field()?);
        }
        let timestamp = if self.take(' ') { Some(self.timestamp()?) } else { None };
        if self.at < self.line.len() {
            Err("the line goes on")
        } else {
            Ok(Point { measurement, tags, fields, timestamp })
        }
    }

    fn field(&mut self) -> Result<(String, Value), &'static str> {
        let key = self.name(&[',', ' ', '='], "a field key")?;
        if !self.take('=') {
            return Err("a field is key=value");
        }
        let value = if self.take('"') { Value::Text(self.quoted()?) } else { self.bare()? };
        Ok((key, value))
    }

    /// Reads up to one of `special` that is not escaped. One of them that may not stand here is left for the caller.
    fn name(&mut self, special: &[char], what: &'static str) -> Result<String, &'static str> {
        let mut name = String::new();
        while let Some(c) = self.peek().filter(|c| !special.contains(c)) {
            if c.is_control() {
                return Err("a control character");
            }
            self.at += c.len_utf8();
            match self.peek() {
                Some(escaped) if c == '\\' && special.contains(&escaped) => {
                    self.at += escaped.len_utf8();
                    name.push(escaped);
                }
                _ => name.push(c),
            }
        }
        if name.is_empty() { Err(what) } else { Ok(name) }
    }

    fn quoted(&mut self) -> Result<String, &'static str> {
        let mut text = String::new();
        while let Some(c) = self.peek() {
            self.at += c.len_utf8();
            match c {
                '"' => return Ok(text),
                '\\' if self.take('"') => text.push('"'),
                '\\' if self.take('\\') => text.push('\\'),
                c if c.is_control() => return Err("a control character"),
                c => text.push(c),
            }
        }
        Err("the closing quote is missing")
    }

    fn word(&mut self) -> &str {
        let rest = &self.line[self.at..];
        let word = &rest[..rest.find([',', ' ']).unwrap_or(rest.len())];
        self.at += word.len();
        word
    }

    fn bare(&mut self) -> Result<Value, &'static str> {
        let word = self.word();
        let integer = |digits: &str| !digits.starts_with('+');
        match word {
            "t" | "T" | "true" | "True" | "TRUE" => return Ok(Value::Boolean(true)),
            "f" | "F" | "false" | "False" | "FALSE" => return Ok(Value::Boolean(false)),
            _ => {}
        }
        if let Some(digits) = word.strip_suffix('i').filter(|digits| integer(digits)) {
            return digits.parse().map(Value::Integer).map_err(|_| "no 64-bit integer");
        }
        if let Some(digits) = word.strip_suffix('u').filter(|digits| integer(digits)) {
            return digits.parse().map(Value::Unsigned).map_err(|_| "no unsigned 64-bit integer");
        }
        let value = word.parse().ok().filter(|value: &f64| plain::is_decimal(word) && value.is_finite());
        value.map(Value::Float).ok_or("no number, truth value or text in quotes")
    }

    fn timestamp(&mut self) -> Result<i64, &'static str> {
        let word = self.word();
        if word.starts_with('+') {
            return Err("no timestamp");
        }
        word.parse().map_err(|_| "no timestamp")
    }
}
