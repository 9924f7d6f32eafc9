//! F0: what goes over the wire, as pure functions on bytes and words.
//!
//! - [`modbus`]: register tables, addresses, limits, exception codes, wire time of a request
//! - [`payload`]: MQTT payloads (plain number, JSON by pointer, SenML JSON and CBOR) and topic filters
//! - [`sparkplug`]: payloads, topics and the session of an edge node of Sparkplug B
//! - [`mod@line`]: the line protocol of time-series databases, strict
//! - [`words`]: 16-bit words to numbers, in every width, sign and order
//! - [`number`]: a number, or why a sound message holds none
//!
//! No socket, no clock, no retry, no scaling; nothing of ours is imported.

pub mod line;
pub mod modbus;
pub mod number;
pub mod payload;
pub mod sparkplug;
pub mod words;
