//! Cells for people's spreadsheets, which take a text that begins like a formula for one (OWASP, CSV injection).

use serde_json::Value;

/// A cell as text. What a spreadsheet would take for a formula gets an apostrophe before it; numbers stay numbers.
pub fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) if text.starts_with(['=', '+', '-', '@', '\t', '\r']) => format!("'{text}"),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}
