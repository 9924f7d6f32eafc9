//! F4: measurements to the state of a sump.
//!
//! [`tank`] turns a level into litres, [`fluid`] a conductivity into a concentration by the fluid's own jar test,
//! [`sump`] puts them together, each estimate with a 90 % interval and a quality that says what it lacks. What a person
//! measured or did comes in as a [`note`]. What follows from a state stands beside it, without state of its own: what to pour
//! and drain ([`mixing`]), when a limit is reached ([`outlook`]), what of a heap of chips is metal ([`chips`]), each advice with its rule
//! and source ([`guidance`]). [`trend`] finds slopes and shifts in series; [`acidity`] judges a fill's pH by them;
//! [`cleanout`] follows a clean-out from draining to the fresh fill and watches what grows back.

pub mod acidity;
pub mod belief;
pub mod chips;
pub mod cleanout;
pub mod coolant;
pub mod fluid;
pub mod gaussian;
pub mod guidance;
pub mod mixing;
pub mod note;
pub mod outlook;
pub mod settings;
pub mod sump;
pub mod tank;
pub mod trend;
