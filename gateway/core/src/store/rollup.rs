//! Points of a stretch of time as one bucket: how many, lowest, highest, sum, last, worst quality.
//!
//! Merging is associative and does not mind the order, so a bucket may be built from pieces in any order: from points,
//! from smaller buckets, or from both. (The sum is a floating-point one: its last bits do depend on the order.)

use super::Point;
use crate::model::{Quality, Timestamp};

/// One bucket.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Bucket {
    /// Points in it, with a value or without.
    pub points: u64,
    /// The numbers, unless no point has one.
    pub values: Option<Values>,
    /// Worst quality among the points.
    pub worst: Quality,
}

/// The numbers of a bucket.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Values {
    /// Points with a value.
    pub count: u64,
    /// Lowest.
    pub min: f64,
    /// Highest.
    pub max: f64,
    /// Sum.
    pub sum: f64,
    /// Stamp of the last one.
    pub last_at: Timestamp,
    /// The last one.
    pub last: f64,
}

impl Values {
    /// Arithmetic mean.
    pub fn mean(&self) -> f64 {
        self.sum / self.count as f64
    }

    fn merge(self, other: Self) -> Self {
        let later = if (other.last_at, other.last.to_bits()) > (self.last_at, self.last.to_bits()) {
            other
        } else {
            self
        };
        Self {
            count: self.count + other.count,
            min: self.min.min(other.min),
            max: self.max.max(other.max),
            sum: self.sum + other.sum,
            last_at: later.last_at,
            last: later.last,
        }
    }
}

impl Bucket {
    /// A bucket of one point.
    pub fn of(point: &Point) -> Self {
        let values = point.value.map(|value| Values {
            count: 1,
            min: value,
            max: value,
            sum: value,
            last_at: point.at,
            last: value,
        });
        Self { points: 1, values, worst: point.quality }
    }

    /// Both together.
    pub fn merge(self, other: Self) -> Self {
        let values = match (self.values, other.values) {
            (Some(a), Some(b)) => Some(a.merge(b)),
            (one, none) => one.or(none),
        };
        Self { points: self.points + other.points, values, worst: worse(self.worst, other.worst) }
    }
}

/// The worse of two qualities; among equally bad ones the greater code, so that order does not matter.
fn worse(a: Quality, b: Quality) -> Quality {
    if a == b {
        return a;
    }
    let rank = |q: Quality| (q.severity(), q.device, q.pack());
    if rank(b) > rank(a) { b } else { a }
}

/// Start of the bucket of `width` nanoseconds that holds `at`; buckets are counted from 1970.
pub fn start_of(at: Timestamp, width: u64) -> Timestamp {
    let width = width.clamp(1, i64::MAX as u64) as i64;
    let at = at.as_nanos();
    Timestamp::from_nanos(at.saturating_sub(at.rem_euclid(width)))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::model::{DeviceStatus, Reason, Status};

    fn any_point() -> impl Strategy<Value = Point> {
        // Whole numbers, so that sums are exact and associativity can be asked for to the bit.
        let value = proptest::option::of((-1_000_i32..1_000).prop_map(f64::from));
        let quality = (0..Status::ALL.len(), 0..DeviceStatus::ALL.len(), 0..Reason::ALL.len())
            .prop_map(|(s, d, r)| Quality::new(Status::ALL[s], DeviceStatus::ALL[d], Reason::ALL[r]));
        (0..1_000_i64, value, quality).prop_map(|(at, value, quality)| Point {
            at: Timestamp::from_nanos(at),
            raw: value,
            value,
            quality,
        })
    }

    proptest! {
        #[test]
        fn grouping_and_order_do_not_matter(points in proptest::collection::vec(any_point(), 3..40), cut in 1..3_usize) {
            let buckets: Vec<Bucket> = points.iter().map(Bucket::of).collect();
            let forward = buckets.iter().copied().reduce(Bucket::merge).unwrap();
            let backward = buckets.iter().rev().copied().reduce(Bucket::merge).unwrap();
            prop_assert_eq!(forward, backward);
            let (left, right) = buckets.split_at(cut);
            let halves = left.iter().copied().reduce(Bucket::merge).unwrap()
                .merge(right.iter().copied().reduce(Bucket::merge).unwrap());
            prop_assert_eq!(forward, halves);
        }

        #[test]
        fn a_bucket_says_what_a_list_says(points in proptest::collection::vec(any_point(), 1..40)) {
            let bucket = points.iter().map(Bucket::of).reduce(Bucket::merge).unwrap();
            let values: Vec<f64> = points.iter().filter_map(|p| p.value).collect();
            prop_assert_eq!(bucket.points as usize, points.len());
            prop_assert_eq!(bucket.values.is_some(), !values.is_empty());
            if let Some(found) = bucket.values {
                prop_assert_eq!(found.count as usize, values.len());
                prop_assert_eq!(found.min, values.iter().copied().fold(f64::INFINITY, f64::min));
                prop_assert_eq!(found.max, values.iter().copied().fold(f64::NEG_INFINITY, f64::max));
                prop_assert_eq!(found.mean(), values.iter().sum::<f64>() / values.len() as f64);
            }
            let severest = points.iter().map(|p| p.quality.severity()).max().unwrap();
            prop_assert_eq!(bucket.worst.severity(), severest);
        }
    }

    #[test]
    fn buckets_are_counted_from_1970_on_both_sides() {
        let start = |nanos| start_of(Timestamp::from_nanos(nanos), 60).as_nanos();
        assert_eq!([start(0), start(59), start(60), start(-1), start(-60)], [0, 0, 60, -60, -60]);
        assert_eq!(start_of(Timestamp::from_nanos(5), 0).as_nanos(), 5);
    }
}
