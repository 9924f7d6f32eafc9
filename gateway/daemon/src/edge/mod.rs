//! F8: everything that touches the world. Edges never import each other; all of them may use
//! [`clock`], the only place that reads one, [`pulse`], by which a loop shows that it lives, [`precedence`], which says what may
//! wait for polls, how small things are written:
//! [`hex`], [`small_file`], [`spreadsheet`], under which name: [`data_files`], and how a secret
//! is read: [`secret_file`].

pub mod clock;
pub mod data_files;
pub mod hex;
pub mod host;
pub mod modbus;
pub mod mqtt;
pub mod notify;
pub mod peer;
pub(crate) mod precedence;
pub mod pulse;
pub mod secret_file;
pub mod small_file;
pub mod spreadsheet;
pub mod store;
pub mod uplink;
pub mod web;
