//! F4: measurements to the state of a sump.
//!
//! [`tank`] turns a level into litres, [`fluid`] a conductivity into a concentration by the fluid's own jar test,
//! [`sump`] puts them together, each estimate with a 90 % interval and a quality that says what it lacks. What a person
//! measured or did comes in as a [`note`].

pub mod fluid;
pub mod note;
pub mod settings;
pub mod sump;
pub mod tank;
