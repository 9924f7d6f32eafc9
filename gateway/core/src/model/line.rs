//! A line of text that a person wrote. It stays untrusted: whoever shows it escapes it for where it is shown.

use std::fmt;

use serde::{Deserialize, Serialize};

/// One line of a person's text: something is in it, it is not too long, and nothing in it drives a terminal, breaks a log
/// line or turns the order of what stands around it. Markup and quotes are text like any other.
#[derive(Clone, PartialEq, Eq, Hash, Debug, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Line(Box<str>);

/// Why a text is no [`Line`].
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum LineError {
    /// Nothing but white space.
    #[error("is empty")]
    Empty,
    /// Too long.
    #[error("has {chars} characters")]
    TooLong {
        /// Characters it has.
        chars: usize,
    },
    /// A character that is no text.
    #[error("holds the character U+{:04X}", u32::from(*.0))]
    Character(char),
}

impl Line {
    /// Longest name of a person, in characters.
    pub const NAME_CHARS_MAX: usize = 80;
    /// Longest remark, in characters.
    pub const REMARK_CHARS_MAX: usize = 1000;

    /// Checks `text`, of at most `chars_max` characters, and keeps it without the white space around it.
    ///
    /// # Errors
    /// If it is empty, too long, or holds a control character, a line or paragraph separator, or a mark that embeds,
    /// overrides or isolates the direction of writing (Unicode UAX #9, 2).
    pub fn new(text: &str, chars_max: usize) -> Result<Self, LineError> {
        let text = text.trim();
        if text.is_empty() {
            return Err(LineError::Empty);
        }
        if let Some(c) = text.chars().find(|c| is_no_text(*c)) {
            return Err(LineError::Character(c));
        }
        let chars = text.chars().count();
        if chars > chars_max {
            return Err(LineError::TooLong { chars });
        }
        Ok(Self(text.into()))
    }

    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// Untrusted text on one line: what drives a terminal or turns the direction of writing becomes spaces, and it is cut to so
/// many characters.
pub fn clean(text: &str, chars_max: usize) -> String {
    let plain = |c: char| if is_no_text(c) || matches!(c, '\u{200e}' | '\u{200f}') { ' ' } else { c };
    let mut out: String = text.chars().take(chars_max).map(plain).collect();
    if text.chars().nth(chars_max).is_some() {
        out.pop();
        out.push('…');
    }
    out
}

/// An error with its causes, on one line; the outermost one alone says little.
pub fn error_chain(error: &dyn std::error::Error, chars_max: usize) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(next) = cause {
        let more = next.to_string();
        if !text.contains(&more) {
            text = format!("{text}: {more}");
        }
        cause = next.source();
    }
    clean(text.trim(), chars_max)
}

fn is_no_text(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{2028}' | '\u{2029}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{FEFF}')
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_people_write_is_kept_and_what_is_no_text_is_refused() {
        for text in ["Kim", "Łucja Žák", "<b onclick='x'>\"&", "נעמי \u{200f}", "日本 3%"] {
            assert_eq!(Line::new(text, 80).map(|line| line.to_string()), Ok(text.trim().to_owned()));
        }
        assert_eq!(Line::new("  Kim \n", 3).map(|line| line.to_string()), Ok("Kim".to_owned()));
        for (text, c) in
            [("a\u{1b}[2Jb", '\u{1b}'), ("a\nb", '\n'), ("a\u{202e}b", '\u{202e}'), ("a\0b", '\0')]
        {
            assert_eq!(Line::new(text, 80), Err(LineError::Character(c)));
        }
        assert_eq!(Line::new(" \u{3000} ", 80), Err(LineError::Empty));
        assert_eq!(Line::new(&"ä".repeat(81), 80), Err(LineError::TooLong { chars: 81 }));
        assert_eq!(LineError::Character('\u{202e}').to_string(), "holds the character U+202E");
    }
}
