//! Messages from a broker, turned into a number with its unit and time.
//!
//! - [`plain`]: the payload is the number
//! - [`json`]: a number, unit and time by RFC 6901 pointers
//! - [`senml`]: RFC 8428, as JSON and as CBOR
//! - [`topic`]: which topics a filter takes in
//!
//! Everything here is written by a stranger: nesting is bounded, memory stays within a small multiple of the message,
//! and texts in errors are cut and escaped. How long a message may be is the caller's to check before it comes here.
//! What a unit means and whether a time can be believed is decided further on.

pub mod json;
pub mod plain;
pub mod senml;
pub mod topic;

use crate::number::Number;

/// Deepest nesting of arrays, objects and tags that is read.
pub const DEPTH_MAX: usize = 32;

/// Characters of a stranger's text shown in an error.
const EXCERPT_CHARS_MAX: usize = 40;

/// What a message said about one value.
#[derive(Clone, PartialEq, Debug)]
pub struct Reading {
    /// The number, or why there is none.
    pub number: Number,
    /// Its unit as the message names it.
    pub unit: Option<String>,
    /// When it was taken, as the message says.
    pub time: Option<Stamp>,
}

/// A time as a message carries it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Stamp {
    /// Nanoseconds since 1970-01-01T00:00:00Z.
    Nanos(i64),
    /// Text that should be RFC 3339, unchecked.
    Text(String),
}

/// Why a message holds no reading.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum PayloadError {
    /// Zero bytes, or only white space.
    #[error("empty message")]
    Empty,
    /// Text that is no number.
    #[error("{text} is no number: {why}")]
    NotANumber {
        /// Start of it, escaped.
        text: String,
        /// What is wrong.
        why: &'static str,
    },
    /// No valid JSON or CBOR, nested too deeply, a name twice in one object.
    #[error("no valid {format}: {why}")]
    Syntax {
        /// Which format.
        format: &'static str,
        /// What is wrong, and where.
        why: String,
    },
    /// Nothing at the place the configuration names.
    #[error("nothing at {pointer:?}")]
    Missing {
        /// JSON pointer.
        pointer: String,
    },
    /// Something else at the place the configuration names.
    #[error("{found} at {pointer:?} where {expected} belongs")]
    WrongType {
        /// JSON pointer.
        pointer: String,
        /// What was looked for.
        expected: &'static str,
        /// What is there.
        found: &'static str,
    },
    /// A number that is no Unix time.
    #[error("{0} is no Unix time in seconds, milliseconds, microseconds or nanoseconds")]
    Time(String),
    /// SenML that breaks a rule of RFC 8428.
    #[error("SenML record {record}: {why}")]
    Senml {
        /// Which record, counted from 1.
        record: usize,
        /// What is wrong.
        why: String,
    },
}

/// Start of a stranger's text in quotes, with everything unprintable escaped.
fn excerpt(text: &str) -> String {
    match text.char_indices().nth(EXCERPT_CHARS_MAX) {
        Some((end, _)) => format!("{:?}…", &text[..end]),
        None => format!("{text:?}"),
    }
}
