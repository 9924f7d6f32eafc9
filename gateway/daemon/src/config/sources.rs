//! Files and environment variables into one layered tree, with the place of every key.
//!
//! Each file is read within limits and parsed by itself, so that a syntax mistake stops only its file and every key has
//! its bytes. The layering is the `config` crate's: main file, fragments in the order of their names, variables. What a
//! key means is not known here, except which tables hold names.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use config::{Config, Map, Value, ValueKind};
use toml::de::{DeTable, DeValue};

use super::nearest::nearest;
use super::report::{Mistake, Place, Report, Shown, Weight};
use super::types::Inherited;

/// Most bytes of one file.
pub const FILE_BYTES_MAX: u64 = 1 << 20;
/// Most bytes of all files together.
pub const ALL_BYTES_MAX: u64 = 8 << 20;
/// Most fragments.
pub const FRAGMENTS_MAX: usize = 256;
/// Most keys and list items of all files together, counted by their separators. A shop of five hundred sumps with ten
/// probes each has about thirty thousand; while it is read, each costs about two kilobytes.
pub const ITEMS_MAX: usize = 50_000;
/// Directory of fragments beside the main file.
pub const FRAGMENTS_DIRECTORY: &str = "conf.d";
/// Largest file in which the parser goes on after its first mistake: every byte can be one, and each costs memory.
const RECOVERY_BYTES_MAX: usize = 128 << 10;
/// Syntax mistakes listed for one file.
const SYNTAX_MISTAKES_MAX: usize = 10;

/// Keys from the root to a value; the place in a list is `#0`, `#1`, …
pub(super) type KeyPath = Vec<String>;

/// `sump.lathe-3.probe.ph`.
pub(super) fn path_text(path: &[String]) -> String {
    let mut text = String::new();
    for part in path {
        match part.strip_prefix('#') {
            Some(index) => text.push_str(&format!("[{index}]")),
            None if text.is_empty() => text.push_str(part),
            None => text.push_str(&format!(".{part}")),
        }
    }
    text
}

/// Whether a key of this name holds a secret (and not the path of a file with one), misspelt or not.
pub(crate) fn is_secret(key: &str) -> bool {
    let key = key.to_ascii_lowercase();
    let named = ["password", "passwd", "token", "secret", "passphrase"].iter().any(|word| key.contains(word));
    (named && !key.ends_with("_file")) || nearest(&key, ["password"]).is_some()
}

/// Where a key and its value stand.
#[derive(Clone, Debug)]
pub(super) struct Spot {
    pub(super) key: Place,
    pub(super) value: Place,
}

/// The tree of all layers with the place of every key.
#[derive(Debug)]
pub(super) struct Layered {
    pub(super) root: Value,
    pub(super) spots: BTreeMap<KeyPath, Spot>,
    pub(super) refused: BTreeSet<KeyPath>,
    pub(super) inherited: Inherited,
    main: PathBuf,
    /// Keys and list items, and bytes, so far.
    pub(super) items: usize,
    pub(super) bytes: u64,
    /// A file could not be read or parsed, so things defined there are missing.
    pub(super) partial: bool,
}

impl Layered {
    pub(super) fn root(&self) -> &Value {
        &self.root
    }

    /// Keys that are already complained of and read by nobody.
    pub(super) fn refused_keys(&self) -> BTreeSet<KeyPath> {
        self.refused.clone()
    }

    pub(super) fn is_variable(&self, path: &[String]) -> bool {
        matches!(self.spots.get(path), Some(Spot { value: Place::Variable(_), .. }))
    }

    /// Place of the value at `path`; of the nearest table above it where the key is not there.
    pub(super) fn value_place(&self, path: &[String]) -> Place {
        match self.spots.get(path) {
            Some(spot) => spot.value.clone(),
            None => self.key_place(&path[..path.len().saturating_sub(1)]),
        }
    }

    /// Place of the key at `path`, or of the nearest table above it.
    pub(super) fn key_place(&self, path: &[String]) -> Place {
        (0..=path.len())
            .rev()
            .find_map(|n| self.spots.get(&path[..n]))
            .map_or_else(|| Place::Path(self.main.clone()), |spot| spot.key.clone())
    }
}

/// Reads the main file at `main` and the fragments beside it, and layers them.
pub(super) fn gather(main: &Path, report: &mut Report) -> Layered {
    let mut files = Files { report, bytes: 0, items: 0, partial: false };
    let mut layers = Vec::new();
    let mut spots = BTreeMap::new();
    for path in std::iter::once(main.to_owned()).chain(files.fragments(main)) {
        if let Some(layer) = files.read(&path) {
            layers.push(layer);
        }
    }
    let (partial, items, bytes) = (files.partial, files.items, files.bytes);
    let mut refused = BTreeSet::new();
    let mut tables = Vec::new();
    for layer in layers {
        refused.extend(layer.refused);
        merge_spots(&mut spots, layer.spots, report);
        tables.push(layer.table);
    }
    let (root, inherited, main) = (build(tables), Inherited::default(), main.to_owned());
    Layered { root, spots, refused, inherited, main, items, bytes, partial }
}

/// Layers the tables with the `config` crate.
pub(super) fn build(tables: Vec<Map<String, Value>>) -> Value {
    let layered = tables
        .into_iter()
        .fold(Config::builder(), |builder, table| builder.add_source(Layer(Mutex::new(table))));
    layered.build().expect("tables in memory cannot fail to be collected").cache
}

/// One parsed file, or the variables, as a source of the `config` crate.
///
/// It is collected once and hands its table over: a copy of it would cost as much memory as everything else.
#[derive(Debug)]
struct Layer(Mutex<Map<String, Value>>);

impl Layer {
    fn table(&self) -> MutexGuard<'_, Map<String, Value>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl config::Source for Layer {
    fn clone_into_box(&self) -> Box<dyn config::Source + Send + Sync> {
        Box::new(Self(Mutex::new(self.table().clone())))
    }

    fn collect(&self) -> Result<Map<String, Value>, config::ConfigError> {
        Ok(std::mem::take(&mut *self.table()))
    }
}

/// Adds the places of one more file; a value that stands in two files is a mistake.
fn merge_spots(
    all: &mut BTreeMap<KeyPath, Spot>,
    more: BTreeMap<KeyPath, (Spot, bool)>,
    report: &mut Report,
) {
    for (path, (spot, table)) in more {
        let item = path.last().is_some_and(|part| part.starts_with('#'));
        match all.get(&path) {
            Some(first) if !table && !item => report.mistakes.push(Mistake {
                place: spot.key.clone(),
                weight: Weight::Mistake,
                what: format!("`{}` is set in two files", path_text(&path)),
                cure: "delete one of them".to_owned(),
                other: Some((first.key.clone(), "first set here".to_owned())),
            }),
            Some(_) => {}
            None => {
                all.insert(path, spot);
            }
        }
    }
}

struct ParsedFile {
    table: Map<String, Value>,
    /// Place of each key, and whether it is a table.
    spots: BTreeMap<KeyPath, (Spot, bool)>,
    refused: BTreeSet<KeyPath>,
}

/// Reading of files within the limits.
struct Files<'r> {
    report: &'r mut Report,
    bytes: u64,
    items: usize,
    partial: bool,
}

impl Files<'_> {
    /// Files named `*.toml` in the directory of fragments, sorted by name.
    fn fragments(&mut self, main: &Path) -> Vec<PathBuf> {
        let directory = main.parent().unwrap_or(Path::new("")).join(FRAGMENTS_DIRECTORY);
        let entries = match std::fs::read_dir(&directory) {
            Ok(entries) => entries,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Vec::new(),
            Err(error) => {
                self.refuse(
                    &directory,
                    format!("cannot be listed: {error}"),
                    "make it a directory this user may read",
                );
                return Vec::new();
            }
        };
        let mut paths: Vec<PathBuf> = entries
            .filter_map(|entry| Some(entry.ok()?.path()))
            .filter(|path| path.extension().is_some_and(|e| e == "toml"))
            .collect();
        paths.sort();
        if paths.len() > FRAGMENTS_MAX {
            let what = format!("holds {} fragments, more than {FRAGMENTS_MAX}", paths.len());
            self.refuse(&directory, what, "put several machines into one fragment");
            paths.truncate(FRAGMENTS_MAX);
        }
        paths
    }

    fn refuse(&mut self, path: &Path, what: impl Into<String>, cure: &str) {
        self.partial = true;
        let place = Place::Path(path.to_owned());
        let mistake =
            Mistake { place, weight: Weight::Mistake, what: what.into(), cure: cure.to_owned(), other: None };
        self.report.mistakes.push(mistake);
    }

    fn read(&mut self, path: &Path) -> Option<ParsedFile> {
        let text = self.read_text(path)?;
        let file = self.report.files.len();
        self.report.files.push(Shown { path: path.to_owned(), text: starred(&text).into() });
        self.parse(file, path, &text)
    }

    /// The text of a file: a regular one, not too large, UTF-8.
    fn read_text(&mut self, path: &Path) -> Option<String> {
        let bytes = match read_bytes(path) {
            Ok(bytes) => bytes,
            Err((what, cure)) => {
                self.refuse(path, what, cure);
                return None;
            }
        };
        self.bytes += bytes.len() as u64;
        if self.bytes > ALL_BYTES_MAX {
            self.refuse(path, "brings all files together over 8 MiB", "split the shop over several gateways");
            return None;
        }
        let text = match String::from_utf8(bytes) {
            Ok(text) => text,
            Err(error) => {
                let at = error.utf8_error().valid_up_to();
                let line = error.as_bytes()[..at].iter().filter(|b| **b == b'\n').count() + 1;
                self.refuse(
                    path,
                    format!("is no UTF-8 text: byte {at}, line {line}"),
                    "save the file as UTF-8",
                );
                return None;
            }
        };
        // Some editors mark UTF-8 by a byte order mark; it is no part of the text.
        let text = match text.strip_prefix('\u{feff}') {
            Some(rest) => rest.to_owned(),
            None => text,
        };
        self.items += text.bytes().filter(|b| matches!(b, b'=' | b',' | b'[' | b'{')).count();
        if self.items > ITEMS_MAX {
            let what = format!("brings all files together over {ITEMS_MAX} keys and list items");
            self.refuse(path, what, "split the shop over several gateways");
            return None;
        }
        Some(text)
    }

    fn parse(&mut self, file: usize, path: &Path, text: &str) -> Option<ParsedFile> {
        let table = match DeTable::parse(text) {
            Ok(table) => table.into_inner(),
            Err(first) => {
                self.note_syntax(file, path, text, first);
                return None;
            }
        };
        let mut walk = Walk {
            file,
            spots: BTreeMap::new(),
            refused: BTreeSet::new(),
            mistakes: &mut self.report.mistakes,
        };
        let table = walk.table(&table, &mut KeyPath::new());
        let Walk { spots, refused, .. } = walk;
        Some(ParsedFile { table, spots, refused })
    }

    fn note_syntax(&mut self, file: usize, path: &Path, text: &str, first: toml::de::Error) {
        self.partial = true;
        let errors = match text.len() {
            0..=RECOVERY_BYTES_MAX => DeTable::parse_recoverable(text).1,
            _ => vec![first],
        };
        let mut lines = BTreeSet::new();
        for error in errors {
            let span = error.span().unwrap_or(0..0);
            let line = text.as_bytes()[..span.start.min(text.len())].iter().filter(|b| **b == b'\n').count();
            // One slip makes the parser stumble over the rest of the line as well.
            if !lines.insert(line) {
                continue;
            }
            if lines.len() > SYNTAX_MISTAKES_MAX {
                break;
            }
            let (what, cure) = syntax_words(error.message(), has_decimal_comma(text, span.start));
            let place = Place::Text { file, start: span.start, end: span.end };
            self.report.mistakes.push(Mistake { place, weight: Weight::Mistake, what, cure, other: None });
        }
        if lines.is_empty() {
            self.refuse(path, "is no TOML", "see the example configuration");
        }
    }
}

/// Bytes of a regular file within the limit, or what is wrong and the cure.
fn read_bytes(path: &Path) -> Result<Vec<u8>, (String, &'static str)> {
    let cannot =
        |error: std::io::Error| (format!("cannot be read: {error}"), "name a file that this user may read");
    // Looked at before it is opened: opening a pipe would wait for its writer.
    if !std::fs::metadata(path).map_err(cannot)?.is_file() {
        return Err(("is no regular file".to_owned(), "name a TOML file"));
    }
    let mut bytes = Vec::new();
    File::open(path).and_then(|f| f.take(FILE_BYTES_MAX + 1).read_to_end(&mut bytes)).map_err(cannot)?;
    if bytes.len() as u64 > FILE_BYTES_MAX {
        return Err(("is larger than 1 MiB".to_owned(), "split it into fragments in conf.d"));
    }
    Ok(bytes)
}

/// Whether a comma between two digits stands at `at`.
fn has_decimal_comma(text: &str, at: usize) -> bool {
    let digit = |at: Option<usize>| at.and_then(|at| text.as_bytes().get(at)).is_some_and(u8::is_ascii_digit);
    text.as_bytes().get(at) == Some(&b',') && digit(at.checked_sub(1)) && digit(at.checked_add(1))
}

/// The parser's words for a syntax mistake, with a cure.
fn syntax_words(message: &str, decimal_comma: bool) -> (String, String) {
    let message = message.trim().replace('\n', ", ");
    let cure = if decimal_comma {
        "a number has a decimal point, as in 7.5"
    } else if message.contains("duplicate key") {
        "a key stands once in its table, and a table has one header"
    } else if message.contains("string") {
        "texts stand in straight double quotes on one line, name = \"text\"; switches are true or false"
    } else if message.contains("recursion") {
        "nothing here is nested that deeply"
    } else if message.contains("array") || message.contains("comma") || message.contains("inline table") {
        "lists look like [1, 2], tables in a line like { a = 1, b = 2 }"
    } else {
        "a line is `key = value`, `[table]` or `# comment`; texts stand in double quotes"
    };
    (format!("not TOML: {message}"), cure.to_owned())
}

/// The text with the values of secret keys starred out, byte for byte, for showing.
fn starred(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut inside: Option<&str> = None;
    for line in text.split_inclusive('\n') {
        let Some(from) = inside.map(|_| 0).or_else(|| secret_start(line)) else {
            out.push_str(line);
            continue;
        };
        for quotes in ["\"\"\"", "'''"] {
            match inside {
                None if line[from..].matches(quotes).count() == 1 => inside = Some(quotes),
                Some(open) if open == quotes && line.contains(quotes) => inside = None,
                _ => {}
            }
        }
        out.push_str(&line[..from]);
        out.extend(
            line[from..].bytes().map(|b| if matches!(b, b'\n' | b'\r') { char::from(b) } else { '*' }),
        );
    }
    out
}

/// Where the value of a secret key starts in this line, if one stands in it, be it in a comment.
fn secret_start(line: &str) -> Option<usize> {
    let is_name = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-');
    line.match_indices('=').find_map(|(at, _)| {
        let key = line[..at].trim_end().trim_end_matches(['"', '\'']);
        let key = key.rsplit(|c| !is_name(c)).next().unwrap_or("");
        is_secret(key).then_some(at + 1)
    })
}

/// Turns a parsed table into the layering library's values and notes where everything stands.
struct Walk<'r> {
    file: usize,
    spots: BTreeMap<KeyPath, (Spot, bool)>,
    refused: BTreeSet<KeyPath>,
    mistakes: &'r mut Vec<Mistake>,
}

impl Walk<'_> {
    fn place(&self, span: Range<usize>) -> Place {
        Place::Text { file: self.file, start: span.start, end: span.end }
    }

    fn table(&mut self, table: &DeTable<'_>, path: &mut KeyPath) -> Map<String, Value> {
        let mut out = Map::new();
        for (key, value) in table.iter() {
            let name = key.get_ref().as_ref();
            let key_place = self.place(key.span());
            if let Err(error) = sumpwarden_core::model::Name::new(name) {
                let what = format!("the key \"{}\" is no name", super::reader::shortened(name));
                self.refuse(key_place, what, error.to_string());
                self.refused.insert([path.as_slice(), &[name.to_owned()]].concat());
                continue;
            }
            path.push(name.to_owned());
            let spot = Spot { key: key_place, value: self.place(value.span()) };
            self.spots.insert(path.clone(), (spot, matches!(value.get_ref(), DeValue::Table(_))));
            let kind = self.value(value.get_ref(), value.span(), path);
            out.insert(name.to_owned(), Value::new(None, kind));
            path.pop();
        }
        out
    }

    fn value(&mut self, value: &DeValue<'_>, span: Range<usize>, path: &mut KeyPath) -> ValueKind {
        match value {
            DeValue::String(text) => ValueKind::String(text.to_string()),
            DeValue::Boolean(on) => ValueKind::Boolean(*on),
            // A date without quotes is read as if it had them.
            DeValue::Datetime(date) => ValueKind::String(date.to_string()),
            DeValue::Integer(number) => {
                let small = i64::from_str_radix(number.as_str(), number.radix()).map(ValueKind::I64);
                let large = || u64::from_str_radix(number.as_str(), number.radix()).map(ValueKind::U64);
                match small.or_else(|_| large()) {
                    Ok(kind) => kind,
                    Err(_) => self.refuse_number(span, path),
                }
            }
            DeValue::Float(number) => match number.as_str().parse::<f64>() {
                Ok(value) if value.is_finite() => ValueKind::Float(value),
                _ => self.refuse_number(span, path),
            },
            DeValue::Array(items) => ValueKind::Array(self.items(items, path)),
            DeValue::Table(table) => ValueKind::Table(self.table(table, path)),
        }
    }

    fn items(&mut self, items: &toml::de::DeArray<'_>, path: &mut KeyPath) -> Vec<Value> {
        let mut out = Vec::new();
        for (index, item) in items.iter().enumerate() {
            path.push(format!("#{index}"));
            let place = self.place(item.span());
            let is_table = matches!(item.get_ref(), DeValue::Table(_));
            self.spots.insert(path.clone(), (Spot { key: place.clone(), value: place }, is_table));
            let kind = self.value(item.get_ref(), item.span(), path);
            out.push(Value::new(None, kind));
            path.pop();
        }
        out
    }

    fn refuse_number(&mut self, span: Range<usize>, path: &[String]) -> ValueKind {
        let named = path.iter().rposition(|part| !part.starts_with('#')).map_or(0, |last| last + 1);
        self.refused.insert(path[..named].to_vec());
        let place = self.place(span);
        self.refuse(
            place,
            format!("the number of `{}` cannot be held", path_text(path)),
            "write a finite number".into(),
        );
        ValueKind::Nil
    }

    fn refuse(&mut self, place: Place, what: String, cure: String) {
        self.mistakes.push(Mistake { place, weight: Weight::Mistake, what, cure, other: None });
    }
}
