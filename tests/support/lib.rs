//! What several tests share.

pub mod vectors;
