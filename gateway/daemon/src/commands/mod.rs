//! F9: what the commands do; `main` only reads arguments.

pub mod check;
pub mod console;
pub mod replay;
