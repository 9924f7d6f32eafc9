//! F0: what goes over the wire, as pure functions on bytes and words.
//!
//! - [`modbus`]: register tables, addresses, limits, exception codes, wire time of a request
//! - [`words`]: 16-bit words to numbers, in every width, sign and order
//! - [`number`]: a number, or why a sound message holds none
//!
//! No socket, no clock, no retry, no scaling; nothing of ours is imported.

pub mod modbus;
pub mod number;
pub mod words;
