//! The pure middle of the gateway: no runtime, no clock, no files.
//!
//! Floors, lowest first; a floor imports lower ones only (`tests/tidy.rs` checks it):
//! [`model`] → [`acquire`] → [`signal`] → [`estimate`] → [`checks`] → [`alarm`] → [`store`] → [`notify`] → [`engine`] →
//! [`book`].

pub mod acquire;
pub mod alarm;
pub mod book;
pub mod checks;
pub mod engine;
pub mod estimate;
pub mod model;
pub mod notify;
pub mod signal;
pub mod store;
