//! The layered tree into the file shapes, strictly, with every unknown key and every wrong type noted.
//!
//! The tree comes from the layering library, whose own reading of it coerces ("1.7" into 2, "yes" into true) and stops at
//! the first mistake without a line. This reader coerces nothing but the text of an environment variable. A type mistake
//! aborts a pass, as it must; the offending key is then struck out and the pass repeated, so that all are found.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::fmt;

use config::{Value, ValueKind};
use serde::de::{self, DeserializeSeed, Deserializer, Expected, IntoDeserializer, Unexpected, Visitor};
use serde::{Deserialize, forward_to_deserialize_any};

use super::file::{Device, Named, Shop, Sump};
use super::nearest::{did_you_mean, nearest};
use super::sources::{KeyPath, Layered, is_secret, path_text};

/// Unknown keys that are listed.
const UNKNOWN_KEYS_MAX: usize = 1000;
/// Type mistakes after which reading gives up: each costs a pass.
const TYPE_MISTAKES_MAX: usize = 50;

const SECRETS_ELSEWHERE: &str = "secrets do not stand in the file: name a file of mode 0600 that holds it (`password_file`, `token_file`)";

/// A key whose value or name is wrong.
#[derive(Debug)]
pub(super) struct Wrong {
    /// Where; empty until a node it passes through fills it in.
    pub(super) path: KeyPath,
    /// What is wrong.
    pub(super) what: String,
    /// What would be right.
    pub(super) cure: String,
    /// The key is wrong, rather than its value.
    pub(super) key: bool,
    /// The key that was meant, most likely: its absence is no second mistake.
    pub(super) meant: Option<KeyPath>,
}

/// Reads the shop out of the layered tree. The second value holds what is wrong; the first is what could be read without
/// it, or nothing where too much is wrong.
pub(super) fn read(layered: &Layered) -> (Option<Shop>, Vec<Wrong>) {
    read_table(layered, layered.root(), KeyPath::new())
}

/// What is wrong with the form of the tables that others inherit from.
pub(super) fn read_types(layered: &Layered) -> Vec<Wrong> {
    let ValueKind::Table(root) = &layered.root().kind else { return Vec::new() };
    let mut wrong = Vec::new();
    for key in ["device_type", "device"] {
        if let Some(table) = root.get(key) {
            wrong.extend(read_table::<Named<Device>>(layered, table, vec![key.to_owned()]).1);
        }
    }
    if let Some(table) = root.get("sump_type") {
        wrong.extend(read_table::<Named<Sump>>(layered, table, vec!["sump_type".to_owned()]).1);
    }
    wrong
}

/// Reads one table, again and again, each time without what was wrong the time before.
fn read_table<'a, T: Deserialize<'a>>(
    layered: &'a Layered,
    value: &'a Value,
    path: KeyPath,
) -> (Option<T>, Vec<Wrong>) {
    let session =
        Session { layered, struck: RefCell::new(layered.refused_keys()), unknown: RefCell::new(Vec::new()) };
    let mut wrong = Vec::new();
    let read = loop {
        session.unknown.borrow_mut().clear();
        match T::deserialize(Node { value, path: path.clone(), session: &session }) {
            Ok(read) => break Some(read),
            Err(mistake) => {
                let mut strike = mistake.path.clone();
                while strike.last().is_some_and(|part| part.starts_with('#')) {
                    strike.pop();
                }
                let again = strike.len() <= path.len() || !session.struck.borrow_mut().insert(strike);
                wrong.push(mistake);
                if again || wrong.len() >= TYPE_MISTAKES_MAX {
                    break None;
                }
            }
        }
    };
    wrong.extend(session.unknown.into_inner().into_iter().map(|(path, fields)| unknown_key(path, fields)));
    (read, wrong)
}

/// The complaint about a key that none of `fields` is.
fn unknown_key(path: KeyPath, fields: &[&str]) -> Wrong {
    let (key, table) = path.split_last().expect("a key stands below the root");
    let place = if table.is_empty() { "the file".to_owned() } else { format!("`{}`", path_text(table)) };
    // A secret itself is no key of a file.
    let offered: Vec<&str> = fields.iter().copied().filter(|field| !is_secret(field)).collect();
    let cure = match is_secret(key) && fields.iter().any(|field| field.ends_with("_file")) {
        true => SECRETS_ELSEWHERE.to_owned(),
        false => {
            let near = match key.bytes().all(|b| b.is_ascii_digit()) {
                true => "a dot parts keys, a name is written without one, as in `lathe-3`; ".to_owned(),
                false => did_you_mean(key, offered.iter().copied()),
            };
            format!("{near}keys here: {}", offered.join(", "))
        }
    };
    let what = format!("unknown key `{key}` in {place}");
    let meant = nearest(key, fields.iter().copied()).map(|near| [table, &[near.to_owned()]].concat());
    Wrong { path, what, cure, key: true, meant }
}

struct Session<'a> {
    layered: &'a Layered,
    struck: RefCell<BTreeSet<KeyPath>>,
    unknown: RefCell<Vec<(KeyPath, &'static [&'static str])>>,
}

#[derive(Clone)]
struct Node<'a> {
    value: &'a Value,
    path: KeyPath,
    session: &'a Session<'a>,
}

impl<'a> Node<'a> {
    fn below(&self, key: &str, value: &'a Value) -> Self {
        let mut path = self.path.clone();
        path.push(key.to_owned());
        Node { value, path, session: self.session }
    }

    /// The text of a variable: the one place where numbers and switches come as text.
    fn variable_text(&self) -> Option<&'a str> {
        match &self.value.kind {
            ValueKind::String(text) if self.session.layered.is_variable(&self.path) => Some(text),
            _ => None,
        }
    }

    /// Fills in where, and keeps a secret out of the text.
    fn locate(&self, mut wrong: Wrong) -> Wrong {
        if wrong.path.is_empty() {
            wrong.path.clone_from(&self.path);
            if self.path.last().is_some_and(|key| is_secret(key)) {
                "this secret is no text".clone_into(&mut wrong.what);
                SECRETS_ELSEWHERE.clone_into(&mut wrong.cure);
            }
        }
        wrong
    }

    /// Keys of a table that are not struck out, in the order of their names.
    fn entries(&self) -> Option<Vec<(&'a str, &'a Value)>> {
        let ValueKind::Table(table) = &self.value.kind else { return None };
        let struck = self.session.struck.borrow();
        let mut entries: Vec<(&str, &Value)> = table
            .iter()
            .map(|(key, value)| (key.as_str(), value))
            .filter(|(key, _)| {
                struck.is_empty() || {
                    let mut path = self.path.clone();
                    path.push((*key).to_owned());
                    !struck.contains(&path)
                }
            })
            .collect();
        entries.sort_unstable_by_key(|(key, _)| *key);
        Some(entries)
    }

    /// Reads a list, all of it: a visitor of two numbers would take the first two of three.
    fn list<'de, V: Visitor<'de>>(&self, items: &'a [Value], visitor: V) -> Result<V::Value, Wrong> {
        let mut left = Items { node: self, items: items.iter(), index: 0 };
        let read = visitor.visit_seq(&mut left)?;
        match left.items.len() {
            0 => Ok(read),
            more => {
                let what = format!("this list has {} items", items.len());
                Err(de::Error::custom(format!("{what}\nwrite a list of {}", items.len() - more)))
            }
        }
    }

    /// Keeps the key for later: the words for it cost far more than a pass.
    fn note_unknown(&self, key: &str, fields: &'static [&'static str]) {
        let mut unknown = self.session.unknown.borrow_mut();
        if unknown.len() < UNKNOWN_KEYS_MAX {
            let mut path = self.path.clone();
            path.push(key.to_owned());
            unknown.push((path, fields));
        }
    }
}

impl<'de> Deserializer<'de> for Node<'_> {
    type Error = Wrong;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        let read = match &self.value.kind {
            ValueKind::Nil => visitor.visit_unit(),
            ValueKind::Boolean(on) => visitor.visit_bool(*on),
            ValueKind::I64(number) => visitor.visit_i64(*number),
            ValueKind::U64(number) => visitor.visit_u64(*number),
            ValueKind::I128(number) => visitor.visit_i128(*number),
            ValueKind::U128(number) => visitor.visit_u128(*number),
            ValueKind::Float(number) => visitor.visit_f64(*number),
            ValueKind::String(text) => visitor.visit_str(text),
            ValueKind::Array(items) => self.list(items, visitor),
            ValueKind::Table(_) => {
                let entries = self.entries().unwrap_or_default();
                visitor.visit_map(Entries { node: &self, entries: entries.into_iter(), value: None })
            }
        };
        read.map_err(|wrong| self.locate(wrong))
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Wrong> {
        let Some(entries) = self.entries() else { return self.deserialize_any(visitor) };
        let (known, unknown): (Vec<_>, Vec<_>) =
            entries.into_iter().partition(|(key, _)| fields.contains(key));
        for (key, _) in unknown {
            self.note_unknown(key, fields);
        }
        visitor
            .visit_map(Entries { node: &self, entries: known.into_iter(), value: None })
            .map_err(|wrong| self.locate(wrong))
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        visitor: V,
    ) -> Result<V::Value, Wrong> {
        if matches!(self.value.kind, ValueKind::Table(_)) {
            return visitor.visit_newtype_struct(self);
        }
        self.deserialize_bool(visitor)
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Wrong> {
        let ValueKind::String(text) = &self.value.kind else {
            let wrong = de::Error::invalid_type(unexpected(self.value), &OneOf(variants));
            return Err(self.locate(wrong));
        };
        let word: de::value::StrDeserializer<'_, Wrong> = text.as_str().into_deserializer();
        visitor.visit_enum(word).map_err(|wrong| self.locate(wrong))
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        visitor.visit_some(self)
    }

    fn deserialize_bool<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        match self.variable_text().map(str::parse) {
            Some(Ok(on)) => visitor.visit_bool(on).map_err(|wrong| self.locate(wrong)),
            _ => self.deserialize_any(visitor),
        }
    }

    fn deserialize_f64<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        match self.variable_text().map(str::parse::<f64>) {
            Some(Ok(number)) if number.is_finite() => {
                visitor.visit_f64(number).map_err(|wrong| self.locate(wrong))
            }
            _ => self.deserialize_any(visitor),
        }
    }

    fn deserialize_i64<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        match self.variable_text().map(str::parse) {
            Some(Ok(number)) => visitor.visit_i64(number).map_err(|wrong| self.locate(wrong)),
            _ => self.deserialize_any(visitor),
        }
    }

    fn deserialize_u8<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        self.deserialize_i64(visitor)
    }

    fn deserialize_u16<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        self.deserialize_i64(visitor)
    }

    fn deserialize_u32<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        self.deserialize_i64(visitor)
    }

    fn deserialize_u64<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Wrong> {
        self.deserialize_i64(visitor)
    }

    forward_to_deserialize_any! {
        i8 i16 i32 i128 u128 f32 char str string bytes byte_buf unit unit_struct seq tuple tuple_struct map
        identifier ignored_any
    }
}

struct Items<'a, 'n> {
    node: &'n Node<'a>,
    items: std::slice::Iter<'a, Value>,
    index: usize,
}

impl<'de> de::SeqAccess<'de> for Items<'_, '_> {
    type Error = Wrong;

    fn next_element_seed<T: DeserializeSeed<'de>>(&mut self, seed: T) -> Result<Option<T::Value>, Wrong> {
        let Some(value) = self.items.next() else { return Ok(None) };
        let node = self.node.below(&format!("#{}", self.index), value);
        self.index += 1;
        seed.deserialize(node).map(Some)
    }

    fn size_hint(&self) -> Option<usize> {
        Some(self.items.len())
    }
}

struct Entries<'a, 'n> {
    node: &'n Node<'a>,
    entries: std::vec::IntoIter<(&'a str, &'a Value)>,
    value: Option<Node<'a>>,
}

impl<'de> de::MapAccess<'de> for Entries<'_, '_> {
    type Error = Wrong;

    fn next_key_seed<K: DeserializeSeed<'de>>(&mut self, seed: K) -> Result<Option<K::Value>, Wrong> {
        let Some((key, value)) = self.entries.next() else { return Ok(None) };
        self.value = Some(self.node.below(key, value));
        let key: de::value::StrDeserializer<'_, Wrong> = key.into_deserializer();
        seed.deserialize(key).map(Some)
    }

    fn next_value_seed<V: DeserializeSeed<'de>>(&mut self, seed: V) -> Result<V::Value, Wrong> {
        let node = self.value.take().expect("a value is asked for after its key");
        seed.deserialize(node)
    }
}

impl fmt::Display for Wrong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.what, self.cure)
    }
}

impl std::error::Error for Wrong {}

impl de::Error for Wrong {
    /// Readers of texts with a unit give what and cure on two lines.
    fn custom<T: fmt::Display>(text: T) -> Self {
        let text = text.to_string();
        let (what, cure) = text.split_once('\n').unwrap_or((&text, "see the example configuration"));
        Self { path: KeyPath::new(), what: what.to_owned(), cure: cure.to_owned(), key: false, meant: None }
    }

    fn invalid_type(found: Unexpected<'_>, expected: &dyn Expected) -> Self {
        Self::custom(format!("{} does not belong here\nwrite {}", shown(found), plain(&expected.to_string())))
    }

    fn invalid_value(found: Unexpected<'_>, expected: &dyn Expected) -> Self {
        Self::custom(format!("{} is out of range\nwrite {}", shown(found), plain(&expected.to_string())))
    }

    fn invalid_length(count: usize, expected: &dyn Expected) -> Self {
        Self::custom(format!(
            "a list of {count} does not belong here\nwrite {}",
            plain(&expected.to_string())
        ))
    }

    fn unknown_variant(word: &str, expected: &'static [&'static str]) -> Self {
        let near = did_you_mean(word, expected.iter().copied());
        Self::custom(format!("`{word}` is none of the words allowed here\n{near}write {}", OneOf(expected)))
    }
}

/// "`a`, `b` or `c`".
struct OneOf(&'static [&'static str]);

impl fmt::Display for OneOf {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, word) in self.0.iter().enumerate() {
            let before = match i {
                0 => "",
                _ if i + 1 == self.0.len() => " or ",
                _ => ", ",
            };
            write!(f, "{before}\"{word}\"")?;
        }
        Ok(())
    }
}

impl Expected for OneOf {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

fn unexpected(value: &Value) -> Unexpected<'_> {
    match &value.kind {
        ValueKind::Boolean(on) => Unexpected::Bool(*on),
        ValueKind::I64(number) => Unexpected::Signed(*number),
        ValueKind::U64(number) => Unexpected::Unsigned(*number),
        ValueKind::Float(number) => Unexpected::Float(*number),
        ValueKind::String(text) => Unexpected::Str(text),
        ValueKind::Array(_) => Unexpected::Seq,
        ValueKind::Table(_) => Unexpected::Map,
        ValueKind::Nil | ValueKind::I128(_) | ValueKind::U128(_) => Unexpected::Unit,
    }
}

/// What was found, in the user's words.
fn shown(found: Unexpected<'_>) -> String {
    match found {
        Unexpected::Bool(on) => format!("`{on}`"),
        Unexpected::Unsigned(number) => format!("the number `{number}`"),
        Unexpected::Signed(number) => format!("the number `{number}`"),
        Unexpected::Float(number) => format!("the number `{number:?}`"),
        Unexpected::Str(text) => format!("the text \"{}\"", shortened(text)),
        Unexpected::Seq => "a list".to_owned(),
        Unexpected::Map => "a table".to_owned(),
        other => other.to_string(),
    }
}

/// A text short enough for a message.
pub(super) fn shortened(text: &str) -> String {
    const CHARS_MAX: usize = 60;
    let escaped: String = text
        .chars()
        .flat_map(|c| if c.is_control() { c.escape_default().collect() } else { vec![c] })
        .collect();
    match escaped.char_indices().nth(CHARS_MAX) {
        Some((at, _)) => format!("{}…", &escaped[..at]),
        None => escaped,
    }
}

const TABLE: &str = "a table: { key = value }, or its keys under a header in square brackets";

/// What was expected, in the user's words instead of the language's.
fn plain(expected: &str) -> String {
    let words = match expected {
        "u8" => "a whole number from 0 to 255",
        "u16" => "a whole number from 0 to 65535",
        "u32" => "a whole number from 0 to 4294967295",
        "u64" => "a whole number, 0 or more",
        "f64" => "a number without quotes",
        "a string" => "a text in quotes",
        "a boolean" => "true or false",
        "a sequence" => "a list in square brackets",
        "a tuple of size 2" | "tuple of 2 elements" => "a list of two, as in [4, 20]",
        "a map" => TABLE,
        other if other.starts_with("struct ") => TABLE,
        other => other,
    };
    words.to_owned()
}
