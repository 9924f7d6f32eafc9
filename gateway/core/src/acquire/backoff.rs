//! Waits between attempts to connect: exponential with full jitter, so that many buses behind one switch that comes
//! back do not all knock at the same instant.

use std::time::Duration;

/// The next wait is drawn evenly from nothing to `first · 2ⁿ`, at most `longest`.
#[derive(Clone, Debug)]
pub struct Backoff {
    first: Duration,
    longest: Duration,
    failures: u32,
    random: u64,
}

impl Backoff {
    /// Waits between `first` and `longest`; the same `seed` gives the same waits.
    pub fn new(first: Duration, longest: Duration, seed: u64) -> Self {
        Self { first: first.min(longest), longest, failures: 0, random: seed }
    }

    /// The peer answered: the next wait is a short one again.
    pub fn reset(&mut self) {
        self.failures = 0;
    }

    /// How long to wait before the next attempt.
    pub fn next_wait(&mut self) -> Duration {
        let ceiling = self.first.saturating_mul(1 << self.failures.min(30)).min(self.longest);
        self.failures = self.failures.saturating_add(1);
        // 64 bits of nanoseconds are 584 years.
        let nanos = u64::try_from(ceiling.as_nanos()).unwrap_or(u64::MAX);
        Duration::from_nanos_u128((u128::from(nanos) * u128::from(self.draw())) >> 64)
    }

    /// SplitMix64 (Steele, Lea and Flood 2014): good enough to keep peers apart, and repeatable.
    fn draw(&mut self) -> u64 {
        self.random = self.random.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.random;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_stay_under_the_cap_and_start_over() {
        let (first, longest) = (Duration::from_millis(100), Duration::from_secs(30));
        let mut backoff = Backoff::new(first, longest, 7);
        let waits: Vec<_> = (0..2000).map(|_| backoff.next_wait()).collect();
        assert!(waits[0] <= first);
        assert!(waits.iter().all(|w| *w <= longest));
        let mean = waits[20..].iter().map(Duration::as_secs_f64).sum::<f64>() / 1980.0;
        assert!((mean - 15.0).abs() < 1.0, "full jitter: half the cap on average, got {mean} s");
        backoff.reset();
        assert!(backoff.next_wait() <= first);
        assert_ne!(Backoff::new(first, longest, 1).next_wait(), Backoff::new(first, longest, 2).next_wait());
    }

    #[test]
    fn extremes_do_not_overflow() {
        let mut backoff = Backoff::new(Duration::MAX, Duration::MAX, 1);
        for _ in 0..100 {
            backoff.next_wait();
        }
    }
}
