//! What a configuration may say, as JSON Schema (draft 2020-12), and what one key of it means.
//!
//! Both come from the file shapes and their docstrings ([`super::file`]), for editors (`check --schema`) and for people (`check --explain`):
//! a docstring says what a key is for, and in sentences of its own from where to where it goes (`From 1 to 9.`) and what it is where
//! nothing is written (`Default 3.`). The schema knows what each key looks like by itself; what keys have to do with each
//! other is known to `checked` alone.

use std::sync::LazyLock;

use schemars::Schema;
use schemars::generate::SchemaSettings;
use schemars::transform::{RecursiveTransform, Transform};
use serde_json::{Value, json};
use sumpwarden_core::model::Name;

use super::file::Shop;
use super::nearest::{did_you_mean, listed};

/// What one key means.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize)]
pub struct Explained {
    /// The key, as it was asked for.
    pub key: String,
    /// What it is for.
    pub meaning: String,
    /// What can stand there.
    pub kind: String,
    /// Words that can stand there, each with its meaning.
    pub words: Vec<(String, String)>,
    /// From where to where it goes, where that is always the same.
    pub range: Option<String>,
    /// What it is where nothing is written.
    pub default: Option<String>,
    /// Keys of a table, each with its meaning.
    pub keys: Vec<(String, String)>,
}

/// Why a key cannot be explained, and what would be right.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct NoSuchKey {
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub cure: String,
}

/// The schema of a configuration.
pub fn schema() -> Value {
    let generator = SchemaSettings::draft2020_12().into_generator();
    let mut schema = generator.into_root_schema_for::<Shop>();
    RecursiveTransform(plain).transform(&mut schema);
    let mut schema = schema.to_value();
    schema["title"] = json!("Configuration of Sumpwarden");
    schema["$id"] = json!(concat!("urn:sumpwarden:configuration:", env!("CARGO_PKG_VERSION")));
    schema
}

/// TOML has no null, unknown keys are mistakes, keys of tables that people name are names, and ranges are checked.
fn plain(schema: &mut Schema) {
    let Some(object) = schema.as_object_mut() else { return };
    object.remove("format");
    object.remove("default");
    // What must be there depends on what else is there, and a type may bring it.
    object.remove("required");
    if let Some(Value::Array(types)) = object.get_mut("type") {
        types.retain(|kind| kind != "null");
        if let [only] = &types[..] {
            let only = only.clone();
            object.insert("type".to_owned(), only);
        }
    }
    if let Some(Value::Array(ways)) = object.get_mut("anyOf") {
        ways.retain(|way| way != &json!({ "type": "null" }));
        if let [Value::Object(only)] = &ways[..] {
            let only = only.clone();
            object.remove("anyOf");
            for (key, value) in only {
                object.entry(key).or_insert(value);
            }
        }
    }
    if object.contains_key("properties") {
        object.insert("additionalProperties".to_owned(), json!(false));
    } else if object.get("additionalProperties").is_some_and(Value::is_object)
        && !object.contains_key("propertyNames")
    {
        object.insert(
            "propertyNames".to_owned(),
            json!({ "pattern": format!("^[A-Za-z0-9_-]{{1,{}}}$", Name::LEN_MAX) }),
        );
    }
    if let Some(Value::String(text)) = object.get_mut("description") {
        *text = text.replace('\n', " ");
        let ends =
            documented(text).range.and_then(|(low, high)| Some((low.parse().ok()?, high.parse().ok()?)));
        let number = object.get("type").is_some_and(|kind| kind == "number" || kind == "integer");
        if let (true, Some((low, high))) = (number, ends) {
            let (low, high): (f64, f64) = (low, high);
            object.insert("minimum".to_owned(), whole(low));
            object.insert("maximum".to_owned(), whole(high));
        }
    }
}

/// A number without a fraction as people write it.
fn whole(value: f64) -> Value {
    if value.fract() == 0.0 { json!(value as i64) } else { json!(value) }
}

/// A docstring in its parts.
struct Documented {
    meaning: String,
    range: Option<(String, String)>,
    default: Option<String>,
}

fn documented(text: &str) -> Documented {
    let mut parts = Documented { meaning: String::new(), range: None, default: None };
    for sentence in text.replace('\n', " ").split_inclusive(". ") {
        let bare = sentence.trim().trim_end_matches('.');
        if let Some(default) = bare.strip_prefix("Default ") {
            parts.default = Some(default.to_owned());
        } else if let Some((low, high)) = bare.strip_prefix("From ").and_then(|ends| ends.split_once(" to "))
        {
            parts.range = Some((low.to_owned(), high.to_owned()));
        } else {
            parts.meaning.push_str(sentence);
        }
    }
    parts.meaning = parts.meaning.trim().to_owned();
    parts
}

/// What a key means: `sump.lathe-3.probe.ph.scale`, or with `*` for names.
pub fn explain(key: &str) -> Result<Explained, NoSuchKey> {
    /// As many keys as are asked for, one schema.
    static SCHEMA: LazyLock<Value> = LazyLock::new(schema);
    let root = &*SCHEMA;
    let mut here = root;
    let mut so_far = String::new();
    for part in key.split(['.', '[']).map(|part| part.trim_end_matches(']')) {
        here = step(root, here, part).ok_or_else(|| no_such(root, here, part, &so_far))?;
        if !so_far.is_empty() {
            so_far.push('.');
        }
        so_far.push_str(part);
    }
    Ok(explained(root, here, key))
}

fn explained(root: &Value, node: &Value, key: &str) -> Explained {
    let ways = ways(root, node);
    let own = node["description"].as_str();
    let text = own.or_else(|| ways.iter().find_map(|way| way["description"].as_str())).unwrap_or_default();
    let Documented { meaning, range, default } = documented(text);
    let mut kinds: Vec<String> = Vec::new();
    for kind in ways.iter().map(|way| kind(root, way)) {
        if !kinds.contains(&kind) {
            kinds.push(kind);
        }
    }
    let keys = ways.iter().filter_map(|way| way["properties"].as_object()).flatten();
    Explained {
        key: key.to_owned(),
        meaning,
        kind: kinds.join(", or "),
        words: ways.iter().flat_map(|way| words(way)).collect(),
        range: range.map(|(low, high)| format!("{low} to {high}")),
        default,
        keys: keys.map(|(key, node)| (key.clone(), first_sentence(root, node))).collect(),
    }
}

fn first_sentence(root: &Value, node: &Value) -> String {
    let own = node["description"].as_str();
    let ways = ways(root, node);
    let text = own.or_else(|| ways.iter().find_map(|way| way["description"].as_str())).unwrap_or_default();
    documented(text).meaning
}

/// What a node stands for: behind references, each of several ways by itself.
fn ways<'s>(root: &'s Value, node: &'s Value) -> Vec<&'s Value> {
    if let Some(name) = node["$ref"].as_str().and_then(|name| name.strip_prefix("#/$defs/")) {
        return ways(root, &root["$defs"][name]);
    }
    match node["anyOf"].as_array() {
        Some(several) => several.iter().flat_map(|way| ways(root, way)).collect(),
        None => vec![node],
    }
}

/// The node below: a key, a name that people give, or an item of a list.
fn step<'s>(root: &'s Value, node: &'s Value, part: &str) -> Option<&'s Value> {
    let ways = ways(root, node);
    let key = ways.iter().find_map(|way| way["properties"].get(part));
    let named = || ways.iter().map(|way| &way["additionalProperties"]).find(|below| below.is_object());
    let is_name = part == "*" || Name::new(part).is_ok();
    let item = || {
        let place = part.parse::<usize>().ok();
        let list = ways.iter().find(|way| way["type"] == "array")?;
        match (place, list["prefixItems"].as_array(), &list["items"]) {
            (Some(place), Some(items), _) => items.get(place),
            (Some(_), None, items) => Some(items),
            (None, _, items) if items.is_object() => step(root, items, part),
            _ => None,
        }
    };
    key.or_else(|| named().filter(|_| is_name)).or_else(item)
}

fn no_such(root: &Value, node: &Value, part: &str, table: &str) -> NoSuchKey {
    let ways = ways(root, node);
    let keys =
        ways.iter().filter_map(|way| way["properties"].as_object()).flatten().map(|(key, _)| key.as_str());
    let keys: Vec<&str> = keys.collect();
    let place = if table.is_empty() { "the configuration".to_owned() } else { format!("`{table}`") };
    let cure = match keys.is_empty() {
        true => format!("ask for {place} itself"),
        false => format!("{}keys there: {}", did_you_mean(part, keys.iter().copied()), keys.join(", ")),
    };
    NoSuchKey { what: format!("there is no key `{part}` in {place}"), cure }
}

/// What can stand at one concrete node.
fn kind(root: &Value, way: &Value) -> String {
    if !words(way).is_empty() {
        return "one of these words in quotes".to_owned();
    }
    let plain = match &way["type"] {
        Value::String(kind) => match kind.as_str() {
            "number" => "a number",
            "integer" => "a whole number",
            "boolean" => "true or false",
            "string" if way.get("pattern").is_none() => "a text in quotes",
            "array" => return list_kind(root, way),
            "object" => "a table",
            _ => way["description"].as_str().unwrap_or("a text in quotes"),
        },
        _ if way.get("const") == Some(&json!(false)) => "false",
        _ => way["description"].as_str().unwrap_or("a value"),
    };
    plain.to_owned()
}

fn list_kind(root: &Value, way: &Value) -> String {
    if let Some(items) = way["prefixItems"].as_array() {
        return format!("a list of {}", items.len());
    }
    let ways = ways(root, &way["items"]);
    let items: Vec<String> = ways.iter().map(|way| kind(root, way)).collect();
    format!("a list, each {}", listed(&items.iter().map(String::as_str).collect::<Vec<_>>()))
}

/// The words that a node allows, with their meanings.
fn words(way: &Value) -> Vec<(String, String)> {
    let word = |word: &Value, meaning: &Value| {
        Some((word.as_str()?.to_owned(), meaning.as_str().unwrap_or_default().to_owned()))
    };
    let of_one = way["oneOf"].as_array().into_iter().flatten();
    let several = of_one.clone().filter_map(|one| word(&one["const"], &one["description"]));
    let together = of_one.chain([way]).filter_map(|one| one["enum"].as_array()).flatten();
    several.chain(together.filter_map(|one| word(one, &Value::Null))).collect()
}

#[cfg(test)]
mod tests;
