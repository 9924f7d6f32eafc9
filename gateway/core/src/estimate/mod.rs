//! F4: measurements to the state of a sump.

pub mod settings;
pub mod tank;
