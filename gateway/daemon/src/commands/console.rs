//! Writing to the terminal. A closed pipe (`sumpwarden check … | head`) is no fault: what cannot be written is dropped.

use std::io::{self, IsTerminal, Write};

/// One line to stdout.
pub fn say(line: &str) {
    let _ = writeln!(io::stdout().lock(), "{line}");
}

/// One line to stderr.
pub fn complain(line: &str) {
    let _ = writeln!(io::stderr().lock(), "{line}");
}

/// Writes over the line that a terminal shows last.
pub fn replace_line(line: &str) {
    let mut out = io::stderr().lock();
    let _ = write!(out, "\r\x1b[K{line}").and_then(|()| out.flush());
}

/// Whether a person reads stdout.
pub fn stdout_is_terminal() -> bool {
    io::stdout().is_terminal()
}

/// Whether a person reads stderr.
pub fn stderr_is_terminal() -> bool {
    io::stderr().is_terminal()
}

/// Makes text from outside safe for one line of a terminal: control characters and bidirectional marks are escaped.
pub fn plain(text: &str) -> String {
    let hides = |c: char| {
        c.is_control()
            || matches!(c, '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
    };
    let mut plain = String::with_capacity(text.len());
    for c in text.chars() {
        if hides(c) { plain.extend(c.escape_unicode()) } else { plain.push(c) }
    }
    plain
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_probe_says_cannot_drive_the_terminal() {
        assert_eq!(plain("Säge 3"), "Säge 3");
        assert_eq!(plain("a\u{1b}[2Jb\nc\u{202e}d"), "a\\u{1b}[2Jb\\u{a}c\\u{202e}d");
    }
}
