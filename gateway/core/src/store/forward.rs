//! What passes between the store and those who forward from it.

use super::cursor::{Cursor, Pending, Stretch};
use super::{Point, SeriesId};
use crate::model::Timestamp;

/// Where a forwarder stands. At rest `stored = forwarded + pending + parked + expired`, where `stored` counts every
/// point that ever became durable and `pending` those held that the list of stretches still owes.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ForwardTotals {
    /// What it owes.
    pub pending: Pending,
    /// First journal record that it owes, by id.
    pub journal_from: i64,
    /// Points acknowledged by the other side.
    pub forwarded: u64,
    /// Points set aside.
    pub parked: u64,
    /// Points dropped before they were forwarded, or before the forwarder began.
    pub expired: u64,
}

/// A line that the other side will never take, and why.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Parked {
    /// Stamp of the point.
    pub at: Timestamp,
    /// The line as it was sent.
    pub line: String,
    /// The server's reason. Untrusted text, cut to a bounded length by the sender.
    pub reason: String,
}

/// What a forwarder reads in one go.
#[derive(Clone, PartialEq, Debug)]
pub struct Read {
    /// Points, oldest commit first.
    pub points: Vec<(SeriesId, Point)>,
    /// Where to go on.
    pub next: Cursor,
    /// Points passed over because their body is damaged.
    pub damaged: u64,
    /// How the points lay when they were read; it changes whenever some are packed.
    pub layout: u64,
}

impl Read {
    /// Reads commits that lie in memory, the first of them number 1, as the store reads its file: at most `max` points of
    /// `stretch`. For whatever stands in for a store.
    pub fn of_commits(commits: &[Vec<(SeriesId, Point)>], stretch: Stretch, max: usize) -> Self {
        let mut read = Self { points: Vec::new(), next: stretch.from, damaged: 0, layout: 0 };
        while read.points.len() < max && read.next.seq < stretch.until.unwrap_or(u64::MAX) {
            let Some(commit) = commits.get(read.next.seq.max(1) as usize - 1) else { break };
            let left = &commit[read.next.position as usize..];
            let taken = left.len().min(max - read.points.len());
            read.points.extend_from_slice(&left[..taken]);
            read.next = if taken == left.len() {
                Cursor::before(read.next.seq + 1)
            } else {
                Cursor { position: read.next.position + taken as u32, ..read.next }
            };
        }
        read
    }
}

/// What a forwarder has done with the points between two places.
#[derive(Clone, PartialEq, Debug)]
pub struct Delivered {
    /// Where the stretch began.
    pub from: Cursor,
    /// Where it begins now.
    pub to: Cursor,
    /// Points taken by the other side.
    pub forwarded: u64,
    /// Points it will never take.
    pub parked: Vec<Parked>,
    /// Points that could not be read.
    pub damaged: u64,
    /// How the points lay when they were read. Where they lie otherwise since, the place may no longer be one between the
    /// same points: then the store does not take the step, and the forwarder reads and sends them again.
    pub layout: u64,
}
