//! F6: what is kept: record shapes, batch and chunk coding, rollups, retention, cursors. No SQL, no path, no HTTP.
//!
//! A sample goes through three shapes. As a row of a [`batch`] it is durable within a second; as part of a [`chunk`]
//! it is small; in a [`rollup`] bucket it lives on when the rest has been dropped. A [`cursor`] says how far somebody
//! outside has read, [`forwarder`] what it is sent next, and [`retention`] what is dropped first when it gets too much.

pub mod annunciations;
pub mod batch;
pub mod chunk;
pub mod cursor;
pub mod dating;
pub mod forward;
pub mod forwarder;
pub mod lines;
pub mod parcel;
pub mod record;
pub mod retention;
pub mod rollup;
pub mod settings;
pub mod stamp;

pub use record::{
    Bound, JournalEntry, JournalRecord, Point, RecordKind, SeriesId, SeriesKey, SeriesParts, SeriesSource,
    StoredSeries,
};

use crate::model::{DeviceStatus, Name, Quality, Reason, Status};

/// Which box what leaves comes from: tags of every line, so that boxes that write into one database never write one series.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Origin {
    /// Tag `site`.
    pub site: Name,
    /// Tag `box`.
    pub box_name: Name,
}

/// Why a stored body cannot be read.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum DamagedBody {
    /// Shorter than its own header says.
    #[error("cut short")]
    CutShort,
    /// CRC-32 does not match.
    #[error("check sum does not match")]
    CheckSum,
    /// Written by another version.
    #[error("version {0} is not known here")]
    Version(u8),
    /// Right check sum, but the content contradicts itself.
    #[error("content contradicts itself: {0}")]
    Content(&'static str),
}

/// Length of the CRC-32 (IEEE 802.3) at the end of every body.
const CHECK_LEN: usize = 4;

/// Appends the check sum.
fn seal(body: &mut Vec<u8>) {
    let check = crc32fast::hash(body);
    body.extend_from_slice(&check.to_le_bytes());
}

/// The body without its check sum, once that has been found right.
fn unseal(body: &[u8]) -> Result<&[u8], DamagedBody> {
    let (content, check) = body.split_last_chunk::<CHECK_LEN>().ok_or(DamagedBody::CutShort)?;
    if crc32fast::hash(content) == u32::from_le_bytes(*check) {
        Ok(content)
    } else {
        Err(DamagedBody::CheckSum)
    }
}

/// Whether the check sum of a body is right, whatever is in it.
pub fn intact(body: &[u8]) -> bool {
    unseal(body).is_ok()
}

/// The quality of a stored code. One that this version does not know is bad: nobody can say what it allowed.
fn quality_of(packed: u32) -> Quality {
    const UNKNOWN: Quality = Quality::new(Status::Bad, DeviceStatus::Normal, Reason::None);
    Quality::unpack(packed).unwrap_or(UNKNOWN)
}
