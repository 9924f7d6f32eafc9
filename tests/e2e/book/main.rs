//! What is printed and taken out: the log book, the stickers, the exports, each looked at by somebody else's reader.
//!
//! With `SUMPWARDEN_BOOK=DIR` the shop and the pages stay in that directory, to be looked at.

mod export;
mod filled;
mod report;
mod stickers;

use std::process::Output;

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}
