//! F6: what is kept: record shapes, chunk coding, rollups, retention, cursors. No SQL, no path, no HTTP.

pub mod record;
