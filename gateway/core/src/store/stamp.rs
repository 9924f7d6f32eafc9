//! One stamp per series: what is stored has never two points of a series at the same nanosecond.
//!
//! In order, the stamp of a point is its own, or one nanosecond after the newest where that is equal (two polls within
//! the clock's grain). Out of order (a publisher's own time; a clock set back) it is kept as it is, unless a point of
//! the series already stands there: then it takes the next free nanosecond. Whether one stands there is looked up in
//! the store, [`AROUND`] to both sides at a time, and what was looked up is remembered until another stretch is needed.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::time::Duration;

use super::SeriesId;
use crate::model::Timestamp;

/// How far around an out-of-order stamp the taken ones are looked up at once.
const AROUND: Duration = Duration::from_secs(30);

/// Series whose looked-up stretches are remembered. Full: all are forgotten and looked up anew.
const REMEMBERED_MAX: usize = 256;

/// Stamps taken so far.
#[derive(Clone, Debug, Default)]
pub struct Stamps {
    newest: HashMap<SeriesId, Timestamp>,
    taken: HashMap<SeriesId, Taken>,
}

/// Every stamp taken in `from..until`.
#[derive(Clone, Debug)]
struct Taken {
    from: Timestamp,
    until: Timestamp,
    stamps: BTreeSet<Timestamp>,
}

impl Stamps {
    /// `series` holds a point at `at`.
    pub fn note(&mut self, series: SeriesId, at: Timestamp) {
        let newest = self.newest.entry(series).or_insert(at);
        *newest = (*newest).max(at);
    }

    /// What `other` knows as well. What was looked up is forgotten: the store is another one.
    pub fn join(&mut self, other: Self) {
        other.newest.into_iter().for_each(|(series, at)| self.note(series, at));
        self.taken.clear();
    }

    /// The stamp under which a point of `series` at `at` is kept. `look_up` gives every stamp that the series holds
    /// in `from..until`.
    pub fn assign(
        &mut self,
        series: SeriesId,
        at: Timestamp,
        look_up: impl FnOnce(Timestamp, Timestamp) -> BTreeSet<Timestamp>,
    ) -> Timestamp {
        match self.newest.get_mut(&series) {
            Some(newest) if at < *newest => self.assign_late(series, at, look_up),
            Some(newest) => {
                let given = if at > *newest { at } else { next(at) };
                *newest = given;
                self.remember(series, given);
                given
            }
            None => {
                self.newest.insert(series, at);
                at
            }
        }
    }

    /// Keeps what was looked up true when a point comes in order.
    fn remember(&mut self, series: SeriesId, given: Timestamp) {
        if !self.taken.is_empty()
            && let Some(taken) = self.taken.get_mut(&series)
            && given < taken.until
        {
            taken.stamps.insert(given);
        }
    }

    fn assign_late(
        &mut self,
        series: SeriesId,
        at: Timestamp,
        look_up: impl FnOnce(Timestamp, Timestamp) -> BTreeSet<Timestamp>,
    ) -> Timestamp {
        // Half of the stretch stays free behind `at`, so that the next free nanosecond lies inside as well.
        let inside = |taken: &Taken| taken.from <= at && at.plus(AROUND / 2) < taken.until;
        if !self.taken.get(&series).is_some_and(inside) {
            if self.taken.len() >= REMEMBERED_MAX {
                self.taken.clear();
            }
            let (from, until) = (at.minus(AROUND), at.plus(AROUND));
            self.taken.insert(series, Taken { from, until, stamps: look_up(from, until) });
        }
        let taken = self.taken.get_mut(&series).expect("known, or put there above");
        let mut given = at;
        while !taken.stamps.insert(given) {
            given = next(given);
        }
        self.note(series, given);
        given
    }
}

/// Times that the points of a series with a number can have been of, in the order the points came: a stamp that was taken
/// has moved its point on by a nanosecond or more, past every other stamp that stands there without a gap.
pub fn times_asked_for(points: &[(Timestamp, Option<f64>)]) -> Vec<Timestamp> {
    let numbered: BTreeMap<Timestamp, bool> = points.iter().map(|(at, raw)| (*at, raw.is_some())).collect();
    let before = |at: Timestamp| at.minus(Duration::from_nanos(1));
    let mut times = Vec::with_capacity(points.len());
    for (at, _) in points.iter().filter(|(_, raw)| raw.is_some()) {
        times.push(*at);
        // No further than to the next number, which speaks for what lies before it.
        let mut earlier = before(*at);
        while numbered.get(&earlier) == Some(&false) {
            times.push(earlier);
            earlier = before(earlier);
        }
    }
    times
}

fn next(at: Timestamp) -> Timestamp {
    at.plus(Duration::from_nanos(1))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn no_stamp_is_given_twice(wishes in proptest::collection::vec((0..3_u32, 0..40_i64), 1..200)) {
            let mut stamps = Stamps::default();
            let mut held: HashMap<SeriesId, BTreeSet<Timestamp>> = HashMap::new();
            for (series, second) in wishes {
                let series = SeriesId(series);
                let wish = Timestamp::from_millis(second * 10_000);
                let there = held.entry(series).or_default();
                let given = stamps.assign(series, wish, |from, until| there.range(from..until).copied().collect());
                prop_assert!(given >= wish && given.since(wish) < Duration::from_micros(1));
                prop_assert!(there.insert(given), "{given} was given before");
            }
        }

        #[test]
        fn the_time_a_number_was_asked_for_is_found_behind_those_that_moved_it_on(
            wishes in proptest::collection::vec((0..6_i64, any::<bool>()), 1..60),
        ) {
            let mut stamps = Stamps::default();
            let mut points: Vec<(Timestamp, Option<f64>)> = Vec::new();
            for (second, number) in &wishes {
                let wish = Timestamp::from_millis(second * 1_000);
                let at = stamps.assign(SeriesId(1), wish, |from, until| {
                    points.iter().map(|(at, _)| *at).filter(|at| (from..until).contains(at)).collect()
                });
                points.push((at, number.then_some(8.5)));
            }
            let times: BTreeSet<Timestamp> = times_asked_for(&points).into_iter().collect();
            let asked: BTreeSet<Timestamp> =
                wishes.iter().filter(|(_, number)| *number).map(|(s, _)| Timestamp::from_millis(s * 1_000)).collect();
            prop_assert!(times.is_superset(&asked), "{asked:?} of {times:?}");
            let whole_seconds: BTreeSet<Timestamp> =
                times.iter().copied().filter(|at| at.as_nanos() % 1_000_000_000 == 0).collect();
            prop_assert_eq!(whole_seconds, asked, "and no second at which only faults were");
        }
    }

    #[test]
    fn out_of_order_is_kept_as_it_is_where_the_place_is_free() {
        let mut stamps = Stamps::default();
        let series = SeriesId(1);
        let at = Timestamp::from_millis;
        assert_eq!(stamps.assign(series, at(100), |_, _| unreachable!()), at(100));
        assert_eq!(stamps.assign(series, at(50), |_, _| [at(100)].into()), at(50));
        assert_eq!(stamps.assign(series, at(50), |_, _| unreachable!()), next(at(50)));
        assert_eq!(stamps.assign(series, at(100), |_, _| unreachable!()), next(at(100)));
    }
}
