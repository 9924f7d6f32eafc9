//! The daemon: edges (sockets, serial ports, the store, the real clock) and their wiring around the pure engine.

pub mod commands;
pub mod config;
pub mod edge;
pub mod faults;
mod forwarding;
mod notifying;
pub mod report;
pub mod stickers;
pub mod supervise;
