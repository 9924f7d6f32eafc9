//! How late polls start, as a histogram: cheap to keep for every poll, precise to an eighth.

use std::time::Duration;

/// Buckets for each power of two.
const PER_OCTAVE: u64 = 8;
/// Powers of two over the first eight microseconds; the last bucket also takes all that is later, from 33 s on.
const OCTAVES: u64 = 22;
const BUCKETS: usize = (PER_OCTAVE * (OCTAVES + 1)) as usize;

/// Counts of poll starts by how long after the planned instant they came.
///
/// Up to 16 µs a bucket is one microsecond wide, beyond that an eighth of its power of two.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Lateness {
    counts: Vec<u64>,
    sum: Duration,
}

impl Default for Lateness {
    fn default() -> Self {
        Self { counts: vec![0; BUCKETS], sum: Duration::ZERO }
    }
}

impl Lateness {
    /// Counts one start that came `late`.
    pub fn note(&mut self, late: Duration) {
        self.counts[bucket(late)] += 1;
        self.sum = self.sum.saturating_add(late);
    }

    /// Starts counted.
    pub fn count(&self) -> u64 {
        self.counts.iter().sum()
    }

    /// All latenesses together.
    pub fn sum(&self) -> Duration {
        self.sum
    }

    /// Lateness that a share of `quantile` (0 to 1) of the starts does not exceed, rounded up to the end of its bucket;
    /// none if there was no start.
    pub fn quantile(&self, quantile: f64) -> Option<Duration> {
        let wanted = (quantile.clamp(0.0, 1.0) * self.count() as f64).ceil().max(1.0) as u64;
        let mut seen = 0;
        self.buckets().find_map(|(end, count)| {
            seen += count;
            (seen >= wanted).then_some(end)
        })
    }

    /// End of each bucket and starts in it, rising; the ends do not depend on what was counted.
    pub fn buckets(&self) -> impl ExactSizeIterator<Item = (Duration, u64)> {
        self.counts.iter().enumerate().map(|(place, &count)| (end(place as u64), count))
    }
}

fn bucket(late: Duration) -> usize {
    let micros = u64::try_from(late.as_micros()).unwrap_or(u64::MAX);
    let octave = u64::from((micros | (PER_OCTAVE - 1)).ilog2()) + 1 - u64::from(PER_OCTAVE.ilog2());
    let place = if micros < PER_OCTAVE { micros } else { octave * PER_OCTAVE + within(micros, octave) };
    usize::try_from(place).map_or(BUCKETS - 1, |place| place.min(BUCKETS - 1))
}

/// Which eighth of its power of two.
fn within(micros: u64, octave: u64) -> u64 {
    (micros >> (octave - 1)) - PER_OCTAVE
}

/// Where a bucket ends; the next begins there.
fn end(place: u64) -> Duration {
    let (octave, eighth) = (place / PER_OCTAVE, place % PER_OCTAVE + 1);
    Duration::from_micros(match octave {
        0 => eighth,
        octave => (PER_OCTAVE + eighth) << (octave - 1),
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn of(micros: impl IntoIterator<Item = u64>) -> Lateness {
        let mut lateness = Lateness::default();
        micros.into_iter().for_each(|m| lateness.note(Duration::from_micros(m)));
        lateness
    }

    proptest! {
        #[test]
        fn a_quantile_is_too_large_by_an_eighth_at_most(micros in 0u64..30_000_000) {
            let found = of([micros]).quantile(0.5).unwrap().as_micros() as f64;
            let micros = micros as f64;
            prop_assert!(found > micros && found <= (micros * 1.125).max(micros + 1.0), "{micros} gives {found}");
        }

        #[test]
        fn buckets_rise_and_hold_what_they_say(micros in 0u64..40_000_000) {
            let lateness = of([micros]);
            let ends: Vec<_> = lateness.buckets().map(|(end, _)| end).collect();
            prop_assert!(ends.is_sorted_by(|a, b| a < b));
            let place = lateness.buckets().position(|(_, count)| count == 1).unwrap();
            let late = Duration::from_micros(micros);
            prop_assert!(place == BUCKETS - 1 || late < ends[place]);
            prop_assert!(place == 0 || late >= ends[place - 1]);
        }
    }

    #[test]
    fn quantiles_count_starts() {
        let lateness = of((0..1000).map(|i| if i < 990 { 100 } else { 5_000 }));
        let at = |q| lateness.quantile(q).unwrap().as_micros();
        assert_eq!((at(0.5), at(0.99), at(0.991), at(1.0)), (104, 104, 5_120, 5_120));
        assert_eq!(Lateness::default().quantile(0.99), None);
        assert_eq!(of([u64::MAX]).count(), 1);
        assert_eq!(of([3, 4]).sum(), Duration::from_micros(7));
    }
}
