//! Tables of published values, read from the TOML files in `tests/vectors`.
//!
//! A table has a `source`, its `columns` and its `rows`. A table without a source, a missing column or a short row fails
//! the test that asks for it, so a test cannot pass over nothing.

use std::fs;
use std::path::Path;

use toml::{Table, Value};

/// One file of tables.
pub struct Vectors {
    file: Table,
}

/// One row of a table.
pub struct Row<'a> {
    columns: &'a [Value],
    values: &'a [Value],
}

impl Vectors {
    /// Reads `tests/vectors/<name>.toml`.
    pub fn read(name: &str) -> Self {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("vectors").join(name).with_extension("toml");
        let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        Self { file: text.parse().unwrap_or_else(|e| panic!("{}: {e}", path.display())) }
    }

    /// A value that stands alone in a table, such as a list.
    pub fn value(&self, table: &str, key: &str) -> &Value {
        self.table(table).get(key).unwrap_or_else(|| panic!("[{table}] has no {key}"))
    }

    /// The rows of a table; at least one.
    pub fn rows(&self, table: &str) -> impl Iterator<Item = Row<'_>> {
        let columns = self.value(table, "columns").as_array().expect("columns are a list");
        let rows = self.value(table, "rows").as_array().expect("rows are a list");
        assert!(!rows.is_empty(), "[{table}] has no rows");
        rows.iter().map(move |row| {
            let values = row.as_array().expect("a row is a list");
            assert_eq!(values.len(), columns.len(), "[{table}] {values:?}");
            Row { columns, values }
        })
    }

    fn table(&self, name: &str) -> &Table {
        let table =
            self.file.get(name).and_then(Value::as_table).unwrap_or_else(|| panic!("no table [{name}]"));
        assert!(table.contains_key("source"), "[{name}] names no source");
        table
    }
}

impl Row<'_> {
    fn get(&self, column: &str) -> &Value {
        let at = self.columns.iter().position(|c| c.as_str() == Some(column));
        &self.values[at.unwrap_or_else(|| panic!("no column {column:?}"))]
    }

    /// Text of a column.
    pub fn text(&self, column: &str) -> &str {
        self.get(column).as_str().unwrap_or_else(|| panic!("{column} is no text"))
    }

    /// Integer of a column.
    pub fn integer(&self, column: &str) -> i64 {
        self.get(column).as_integer().unwrap_or_else(|| panic!("{column} is no integer"))
    }

    /// Number of a column, written with or without a point.
    pub fn number(&self, column: &str) -> f64 {
        let value = self.get(column);
        value
            .as_float()
            .or(value.as_integer().map(|i| i as f64))
            .unwrap_or_else(|| panic!("{column} is no number"))
    }

    /// Number of a column, where the source has one: −1 stands for none.
    pub fn given(&self, column: &str) -> Option<f64> {
        Some(self.number(column)).filter(|v| *v != -1.0)
    }

    /// Truth value of a column.
    pub fn truth(&self, column: &str) -> bool {
        self.get(column).as_bool().unwrap_or_else(|| panic!("{column} is no truth value"))
    }

    /// List of a column.
    pub fn list(&self, column: &str) -> &[Value] {
        self.get(column).as_array().unwrap_or_else(|| panic!("{column} is no list"))
    }

    /// Bytes of a column, written in hexadecimal with or without spaces.
    pub fn bytes(&self, column: &str) -> Vec<u8> {
        bytes(self.text(column))
    }
}

/// Bytes written in hexadecimal, with or without spaces.
pub fn bytes(hex: &str) -> Vec<u8> {
    let digits: Vec<u32> =
        hex.chars().filter(|c| *c != ' ').map(|c| c.to_digit(16).expect("hexadecimal digit")).collect();
    assert!(digits.len().is_multiple_of(2), "{hex}");
    digits.chunks(2).map(|pair| (pair[0] << 4 | pair[1]) as u8).collect()
}

/// Fails unless `got` is within `tolerance` of `expected`.
#[track_caller]
pub fn assert_near(got: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((got - expected).abs() <= tolerance, "{what}: {got}, expected {expected} ± {tolerance}");
}
