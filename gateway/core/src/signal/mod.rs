//! F3: raw reading to measurement with quality.

pub mod settings;
