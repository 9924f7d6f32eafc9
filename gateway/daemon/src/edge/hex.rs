//! Bytes as text.

use std::fmt::Write;

/// Lower-case hexadecimal.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut out, byte| {
        write!(out, "{byte:02x}").expect("a String takes everything");
        out
    })
}
