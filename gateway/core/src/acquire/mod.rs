//! F2: what to ask next, and which probe an answer belongs to.

pub mod settings;
