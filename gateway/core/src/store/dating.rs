//! Stamps of a clock that is not believed, told from times that came with a message: while it is not, and for a while after,
//! when things come out that were stamped before.
//!
//! A reading whose stamp goes with the moment it was received, by the gateway's own time, was stamped by the gateway. Any other
//! carries the time of whoever sent it, and that holds. Once the clock is believed, what still comes with a stamp of before is
//! put right here: a reading that was on its way, one that waited to be confirmed, an event that was found late.

use std::collections::BTreeSet;
use std::time::Duration;

use super::JournalRecord;
use super::record::RecordKind;
use crate::model::{Now, ProbeIndex, RawReading, Sample, SeriesIndex, Timestamp, Uptime, Zero};

/// So long after the clock was set something may come out that was stamped before: longer than a top-up takes to be told.
const LATE: Duration = Duration::from_hours(6);

/// Times of senders that are known. Full: the earliest is forgotten, and then counts as the gateway's own.
const OWN_TIMES_MAX: usize = 20_000;

/// What is known of a clock that is not, or was not, believed.
#[derive(Clone, Debug)]
pub struct Dating {
    own: Zero,
    since: Timestamp,
    set: Option<Set>,
    sent: BTreeSet<(Timestamp, SeriesIndex)>,
}

/// The clock was set.
#[derive(Clone, Copy, Debug)]
struct Set {
    /// At this moment, on the monotonic clock and by the clock that is believed.
    at: Now,
    right: Zero,
}

impl Dating {
    /// From `now` on a gateway goes by a time of its own.
    pub const fn new(now: Now) -> Self {
        Self { own: Zero::of(now), since: now.utc, set: None, sent: BTreeSet::new() }
    }

    /// Where the gateway's own time has its zero.
    pub const fn own(&self) -> Zero {
        self.own
    }

    /// When that began, in its own time.
    pub const fn since(&self) -> Timestamp {
        self.since
    }

    /// At `uptime` the clock was set; its zero is `right`.
    pub fn set(&mut self, uptime: Uptime, right: Zero) {
        self.set = Some(Set { at: Now { uptime, utc: right.at(uptime) }, right });
    }

    /// Whether nothing comes any more that would have to be told apart.
    pub fn is_over(&self, uptime: Uptime) -> bool {
        self.set.is_some_and(|set| uptime.since(set.at.uptime) > LATE)
    }

    /// Looks at readings as they come in, and puts right what was on its way when the clock was set.
    pub fn readings(&mut self, readings: &mut [RawReading], series_of: impl Fn(ProbeIndex) -> SeriesIndex) {
        for reading in readings {
            let by_us = self.own.stamped(reading.at, reading.received);
            match self.set {
                Some(set) if by_us => reading.at = self.own.moved(reading.at, set.right),
                None if by_us => {}
                Some(set) if set.right.stamped(reading.at, reading.received) => {}
                Some(_) | None => {
                    self.sent.insert((reading.at, series_of(reading.probe)));
                    if self.sent.len() > OWN_TIMES_MAX {
                        self.sent.pop_first();
                    }
                }
            }
        }
    }

    /// Takes those out of `samples` whose time came with them. Once the clock is set all hold, and what was stamped before is
    /// put right.
    pub fn samples(&self, samples: &mut Vec<Sample>) -> Vec<Sample> {
        let sent = |sample: &Sample| self.sent.contains(&(sample.at, sample.series));
        let Some(set) = self.set else { return samples.extract_if(.., |sample| sent(sample)).collect() };
        for sample in samples.iter_mut().filter(|sample| self.is_of_before(set, sample.at) && !sent(sample)) {
            sample.at = self.own.moved(sample.at, set.right);
        }
        Vec::new()
    }

    /// Once the clock is set, puts events right that were found late.
    pub fn records(&self, journal: &mut [JournalRecord]) {
        let Some(set) = self.set else { return };
        let events = journal.iter_mut().filter(|record| record.kind == RecordKind::Event);
        for record in events.filter(|record| self.is_of_before(set, record.at)) {
            record.at = self.own.moved(record.at, set.right);
        }
    }

    /// Whether `at` can only be a stamp of before: the clock that is believed said later from the start.
    fn is_of_before(&self, set: Set, at: Timestamp) -> bool {
        (self.since..=self.own.at(set.at.uptime)).contains(&at) && at < set.at.utc
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use crate::model::{Quality, Raw};

    use super::*;

    const PROBE: ProbeIndex = ProbeIndex(3);
    const SERIES: SeriesIndex = SeriesIndex(7);
    const SECOND: u64 = 1_000_000_000;

    fn series(_: ProbeIndex) -> SeriesIndex {
        SERIES
    }

    fn up(seconds: u64) -> Uptime {
        Uptime::from_nanos(seconds * SECOND + 345_678)
    }

    fn reading(at: Timestamp, received: Uptime) -> RawReading {
        RawReading { probe: PROBE, at, received, raw: Raw::Number(1.0) }
    }

    fn sample(at: Timestamp) -> Sample {
        Sample { series: SERIES, at, raw: Some(1.0), value: Some(1.0), quality: Quality::GOOD }
    }

    /// Through a gateway that stores what it hears at once: the stamps that are kept apart, and those that hold.
    fn through(dating: &mut Dating, mut reading: RawReading) -> (Vec<Timestamp>, Vec<Timestamp>) {
        dating.readings(std::slice::from_mut(&mut reading), series);
        let mut samples = vec![sample(reading.at)];
        let hold = dating.samples(&mut samples);
        let stamps = |samples: &[Sample]| samples.iter().map(|sample| sample.at).collect();
        (stamps(&samples), stamps(&hold))
    }

    proptest! {
        /// Polls and messages around the moment the clock is set, whatever the step: each stamp is right in the end.
        #[test]
        fn every_stamp_is_right_in_the_end(
            behind_s in 0..400_000_u64, set_at in 20..400_u64,
            story in proptest::collection::vec((10..800_u64, 0..3_u8, 0..300_000_u64), 1..60),
        ) {
            let begun = up(10);
            let truth = Zero::from_nanos(1_800_000_000 * SECOND as i64);
            let own_utc = truth.at(begun).minus(Duration::from_secs(behind_s));
            let mut dating = Dating::new(Now { uptime: begun, utc: own_utc });
            let own = dating.own();
            let mut story = story;
            story.sort_unstable();
            let mut held: Vec<(Timestamp, Timestamp)> = Vec::new();
            let mut is_set = false;
            for (second, kind, age_s) in story {
                let received = up(second);
                if second >= set_at && !is_set {
                    dating.set(up(set_at), truth);
                    is_set = true;
                    for (kept, _) in &mut held {
                        *kept = own.moved(*kept, truth);
                    }
                }
                let (zero, right) = (if is_set { truth } else { own }, truth.at(received));
                let (stamp, right) = match kind {
                    0 => (zero.at(received).floor_to_millis(), right),
                    // It was stamped before and is heard of after.
                    1 => (own.at(received).floor_to_millis(), right),
                    _ => {
                        // Half a second apart from ours: nobody can tell two equal stamps of one series apart.
                        let sent = right.minus(Duration::from_millis(5_500 + 1_000 * age_s)).floor_to_millis();
                        (sent, sent)
                    }
                };
                let (apart, hold) = through(&mut dating, reading(stamp, received));
                for at in hold {
                    prop_assert_eq!(at, right);
                }
                for at in apart {
                    if is_set {
                        let off = at.as_nanos().abs_diff(right.as_nanos());
                        prop_assert!(off < 2_000_000, "off by {} ms at {} s, kind {}", off / 1_000_000, second, kind);
                    } else {
                        held.push((at, right));
                    }
                }
            }
            if !is_set {
                held.iter_mut().for_each(|(kept, _)| *kept = own.moved(*kept, truth));
            }
            for (kept, right) in held {
                prop_assert!(kept.as_nanos().abs_diff(right.as_nanos()) < 2_000_000);
            }
        }
    }

    #[test]
    fn what_waited_to_be_confirmed_and_what_was_found_late_is_put_right() {
        let begun = Now { uptime: up(10), utc: Timestamp::from_millis(1_800_000_000_000) };
        let mut dating = Dating::new(begun);
        let kept = dating.own().at(up(50)).floor_to_millis();
        let right = Zero::of(Now { uptime: up(60), utc: Timestamp::from_millis(1_800_600_000_000) });
        dating.set(up(60), right);
        let mut samples = vec![sample(kept), sample(right.at(up(70)))];
        assert!(dating.samples(&mut samples).is_empty());
        assert!(samples[0].at.as_nanos().abs_diff(right.at(up(50)).as_nanos()) < 2_000_000);
        assert_eq!(samples[1].at, right.at(up(70)));
        let event = JournalRecord::event(
            kept,
            &crate::model::Name::new("lathe-1").expect("a name"),
            ("topup", "found"),
            None,
            String::new(),
        );
        let mut journal = [event.clone(), JournalRecord { at: right.at(up(80)), ..event }];
        dating.records(&mut journal);
        assert!(journal[0].at.as_nanos().abs_diff(right.at(up(50)).as_nanos()) < 2_000_000);
        assert_eq!(journal[1].at, right.at(up(80)));
        assert!(!dating.is_over(up(3_600)) && dating.is_over(up(30_000)));
    }
}
