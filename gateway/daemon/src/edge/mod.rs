//! F8: everything that touches the world. Edges never import each other; all of them may use
//! [`clock`], the only place that reads one, and [`pulse`], by which a loop shows that it lives.

pub mod clock;
pub mod modbus;
pub mod mqtt;
pub mod notify;
pub mod pulse;
pub mod store;
pub mod uplink;
pub mod web;
