//! F8: everything that touches the world. Edges never import each other.

pub mod clock;
pub mod modbus;
pub mod mqtt;
pub mod store;
pub mod uplink;
pub mod web;
