//! What the store and the forwarder are told.

use std::time::Duration;

use super::Origin;
use crate::acquire::settings::Secret;
use crate::model::Name;

/// How much is kept, and how long.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct StoreSettings {
    /// Longest age of raw points. Hourly and daily rollups stay.
    pub keep_raw: Duration,
    /// Longest age of journal records and rollups.
    pub keep_journal: Duration,
    /// Most bytes of the store on the disk.
    pub bytes_max: u64,
    /// Bytes of the disk that are left free for others.
    pub free_min: u64,
    /// Age from which commits are packed into chunks.
    pub compact_after: Duration,
}

impl StoreSettings {
    /// Smallest sensible `bytes_max`, in bytes: below it there is no room to pack while writing.
    pub const BYTES_MIN: u64 = 64 << 20;
}

impl Default for StoreSettings {
    /// 400 days of raw points, five years of journal and rollups, 8 GiB, 1 GiB left free.
    fn default() -> Self {
        const DAY: u64 = 86_400;
        Self {
            keep_raw: Duration::from_secs(400 * DAY),
            keep_journal: Duration::from_secs(5 * 366 * DAY),
            bytes_max: 8 << 30,
            free_min: 1 << 30,
            compact_after: Duration::from_secs(600),
        }
    }
}

/// The shop's time-series database (InfluxDB v2 write API).
#[derive(Clone, PartialEq, Debug)]
pub struct ForwardSettings {
    /// Name in the configuration; the store keeps the cursor under it.
    pub name: Name,
    /// Base URL, `http://` or `https://`.
    pub url: String,
    /// Organisation.
    pub organisation: String,
    /// Bucket.
    pub bucket: String,
    /// API token.
    pub token: Secret,
    /// Tags `site` and `box` of every point.
    pub origin: Origin,
}
