//! What is dropped first when it gets too old or too much. Decisions only; nothing is deleted here.
//!
//! Raw points go before rollups and the journal, oldest first, a whole span at a time. Age is counted by the clock, and
//! a clock can be wrong by years: so age alone never drops faster than [`AGE_DROP_SHARE`] allows, and a wrong clock that
//! is put right within days has cost days, not everything.

use std::time::Duration;

use crate::model::{Timestamp, Uptime};

/// How much history age may drop for each unit of time that the gateway runs. In a steady state 1 is needed.
pub const AGE_DROP_SHARE: u32 = 4;

/// Share of the allowance from which people are told.
pub const TOLD_FROM_SHARE: f64 = 0.8;

/// What may be kept.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Allowance {
    /// Longest age of a raw point.
    pub keep_raw: Duration,
    /// Most bytes of the store.
    pub bytes_max: u64,
    /// Fewest bytes left free on the disk.
    pub free_min: u64,
}

/// What is held.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Holding {
    /// Bytes in use by the store.
    pub bytes: u64,
    /// Bytes free on the disk, to this process.
    pub free: u64,
    /// Latest stamp of the oldest span; none if there is no span.
    pub oldest_span_last_at: Option<Timestamp>,
}

/// Why the oldest span goes.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub enum DropReason {
    /// Older than agreed.
    Age,
    /// The store is as large as it may be.
    Size,
    /// The disk is nearly full.
    DiskFloor,
    /// Could not be written while memory for waiting was used up.
    NotWritable,
    /// Damaged on the disk.
    Damaged,
}

impl DropReason {
    /// Every reason.
    pub const ALL: [Self; 5] = [Self::Age, Self::Size, Self::DiskFloor, Self::NotWritable, Self::Damaged];

    /// Stable word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Age => "age",
            Self::Size => "size",
            Self::DiskFloor => "disk_floor",
            Self::NotWritable => "not_writable",
            Self::Damaged => "damaged",
        }
    }
}

/// Keeps age from dropping faster than time passes.
#[derive(Clone, Copy, Debug)]
pub struct AgeBrake {
    since: Uptime,
    dropped: Duration,
}

impl AgeBrake {
    /// Begins to count at `now`.
    pub fn new(now: Uptime) -> Self {
        Self { since: now, dropped: Duration::ZERO }
    }

    /// Whether one more span of `length` may go by age; counts it if so.
    pub fn allows(&mut self, now: Uptime, length: Duration) -> bool {
        let budget = now.since(self.since).saturating_mul(AGE_DROP_SHARE);
        let allowed = self.dropped.saturating_add(length) <= budget;
        if allowed {
            self.dropped = self.dropped.saturating_add(length);
        }
        allowed
    }
}

/// Whether the oldest span has to go, and why. Space counts before age: it does not depend on a clock.
pub fn decide(allowance: &Allowance, holding: &Holding, now: Timestamp) -> Option<DropReason> {
    let oldest = holding.oldest_span_last_at?;
    if holding.bytes > allowance.bytes_max {
        Some(DropReason::Size)
    } else if holding.free < allowance.free_min {
        Some(DropReason::DiskFloor)
    } else if now.since(oldest) > allowance.keep_raw {
        Some(DropReason::Age)
    } else {
        None
    }
}

/// How full the store is: 1.0 is when raw points begin to go for want of space.
pub fn fullness(allowance: &Allowance, holding: &Holding) -> f64 {
    let ours = holding.bytes as f64 / allowance.bytes_max.max(1) as f64;
    // What the disk leaves us: what we hold and what is free above the floor.
    let room = holding.bytes.saturating_add(holding.free.saturating_sub(allowance.free_min));
    let disk =
        if holding.free < allowance.free_min { 1.0 } else { holding.bytes as f64 / room.max(1) as f64 };
    ours.max(disk)
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAY: Duration = Duration::from_secs(86_400);
    const ALLOWANCE: Allowance = Allowance { keep_raw: DAY, bytes_max: 1_000, free_min: 100 };

    fn day(n: i64) -> Timestamp {
        Timestamp::from_millis(n * 86_400_000)
    }

    #[test]
    fn space_goes_before_age_and_nothing_goes_without_need() {
        let holding = Holding { bytes: 1_000, free: 100, oldest_span_last_at: Some(day(10)) };
        let asked = |holding: Holding, now| decide(&ALLOWANCE, &holding, now);
        assert_eq!(asked(holding, day(11)), None);
        assert_eq!(asked(holding, day(12)), Some(DropReason::Age));
        assert_eq!(asked(Holding { free: 99, ..holding }, day(12)), Some(DropReason::DiskFloor));
        assert_eq!(asked(Holding { bytes: 1_001, free: 99, ..holding }, day(12)), Some(DropReason::Size));
        assert_eq!(asked(Holding { bytes: 5_000, oldest_span_last_at: None, ..holding }, day(12)), None);
        assert_eq!(asked(holding, day(0)), None, "a clock in the past makes nothing old");
    }

    #[test]
    fn a_clock_years_ahead_costs_no_more_than_a_few_times_its_own_duration() {
        let start = Uptime::from_nanos(0);
        let mut brake = AgeBrake::new(start);
        let wrong_for = start.plus(DAY);
        let dropped = (0..10_000).filter(|_| brake.allows(wrong_for, Duration::from_secs(600))).count();
        assert_eq!(dropped as u32, AGE_DROP_SHARE * 144);
        assert!(!brake.allows(start, Duration::from_secs(1)));
    }

    #[test]
    fn fullness_is_one_where_dropping_begins() {
        let holding = Holding { bytes: 1_000, free: 1_000_000, oldest_span_last_at: None };
        assert_eq!(fullness(&ALLOWANCE, &holding), 1.0);
        assert_eq!(fullness(&ALLOWANCE, &Holding { bytes: 300, free: 100, ..holding }), 1.0);
        assert_eq!(fullness(&ALLOWANCE, &Holding { bytes: 300, free: 400, ..holding }), 0.5);
        assert_eq!(fullness(&ALLOWANCE, &Holding { bytes: 800, ..holding }), 0.8);
    }
}
