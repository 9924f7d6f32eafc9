//! Answers by the names of their questions, in the order in which they were given, and as a TOML file.
//!
//! A question's name is `shop.name` or, of a sump, `sump.2.fill_mark`; in the file sumps are a list of tables.

use std::collections::BTreeMap;

use toml::{Table, Value};

/// What was answered.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
pub(super) struct Answers(Vec<(String, String)>);

impl Answers {
    /// The answer to `key`.
    pub(super) fn get(&self, key: &str) -> Option<&str> {
        self.0.iter().find(|(name, _)| name == key).map(|(_, text)| text.as_str())
    }

    /// The same, without those that stand for "nothing".
    pub(super) fn some(&self, key: &str) -> Option<&str> {
        self.get(key).filter(|text| *text != super::script::NONE)
    }

    /// Adds an answer; questions are asked once.
    pub(super) fn push(&mut self, key: &str, text: &str) {
        self.0.push((key.to_owned(), text.to_owned()));
    }

    /// Takes the last answer back.
    pub(super) fn pop(&mut self) -> Option<(String, String)> {
        self.0.pop()
    }

    /// Names of the questions that were answered.
    pub(super) fn keys(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(|(key, _)| key.as_str())
    }

    /// As a file, which [`read`] reads.
    pub(super) fn to_toml(&self) -> String {
        let mut root = Table::new();
        let mut sumps: Vec<Table> = Vec::new();
        for (key, text) in &self.0 {
            let value = Value::String(text.clone());
            let mut parts = key.splitn(3, '.');
            match (parts.next(), parts.next(), parts.next()) {
                (Some("sump"), Some(number), Some(rest)) => {
                    let number: usize = number.parse().unwrap_or(1);
                    sumps.resize_with(sumps.len().max(number), Table::new);
                    sumps[number - 1].insert(rest.to_owned(), value);
                }
                (Some(table), Some(rest), _) => {
                    let table = root.entry(table).or_insert_with(|| Value::Table(Table::new()));
                    if let Value::Table(table) = table {
                        table.insert(rest.to_owned(), value);
                    }
                }
                _ => {}
            }
        }
        if !sumps.is_empty() {
            root.insert("sump".to_owned(), Value::Array(sumps.into_iter().map(Value::Table).collect()));
        }
        root.to_string()
    }
}

/// Answers of a file, by the names of their questions.
///
/// # Errors
/// What is wrong with the file.
pub(super) fn read(text: &str) -> Result<BTreeMap<String, String>, String> {
    let root: Table = text.parse().map_err(|error: toml::de::Error| error.to_string())?;
    let mut found = BTreeMap::new();
    for (name, value) in root {
        match (name.as_str(), value) {
            ("sump", Value::Array(sumps)) => {
                for (number, sump) in (1..).zip(sumps) {
                    let Value::Table(sump) = sump else {
                        return Err("`sump` is a list of tables".to_owned());
                    };
                    table(&format!("sump.{number}"), sump, &mut found)?;
                }
            }
            (_, Value::Table(inner)) => table(&name, inner, &mut found)?,
            _ => return Err(format!("`{name}` is no table; write [shop], [[sump]] and so on")),
        }
    }
    Ok(found)
}

fn table(name: &str, table: Table, found: &mut BTreeMap<String, String>) -> Result<(), String> {
    for (key, value) in table {
        let text = match value {
            Value::String(text) => text,
            Value::Integer(number) => number.to_string(),
            Value::Float(number) => number.to_string(),
            Value::Boolean(yes) => if yes { "yes" } else { "no" }.to_owned(),
            _ => return Err(format!("`{name}.{key}` is a text, as it would be typed")),
        };
        found.insert(format!("{name}.{key}"), text);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_is_read_again() {
        let mut answers = Answers::default();
        for (key, text) in [
            ("shop.name", "hall-2"),
            ("sump.1.name", "lathe-3"),
            ("sump.1.probe_ph", "30001 i16 x0.01"),
            ("sump.2.name", "a \"quoted\" one"),
        ] {
            answers.push(key, text);
        }
        let read = read(&answers.to_toml()).unwrap();
        assert_eq!(read.len(), 4);
        assert!(read.iter().all(|(key, text)| answers.get(key) == Some(text)), "{read:?}");
    }

    #[test]
    fn numbers_and_truths_may_stand_there_without_quotes() {
        let read = read("[fluid]\nfactor = 1.4\ntarget = 7\n[mqtt]\ntls = true\n").unwrap();
        assert_eq!(read["fluid.factor"], "1.4");
        assert_eq!(read["fluid.target"], "7");
        assert_eq!(read["mqtt.tls"], "yes");
    }

    #[test]
    fn other_shapes_are_refused_in_words() {
        for text in ["shop = 1", "[shop]\nname = [1]", "sump = [1]", "[shop\n"] {
            assert!(read(text).is_err(), "{text}");
        }
    }
}
