//! Days as the shop counts them.

use jiff::ToSpan;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

use crate::model::Timestamp;

/// Whole days, both ends inside.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Span {
    /// The first.
    pub first: Date,
    /// The last; not before the first.
    pub last: Date,
}

impl Span {
    /// The days from `first` to `last`; none if that lies before.
    pub fn new(first: Date, last: Date) -> Option<Self> {
        (first <= last).then_some(Self { first, last })
    }

    /// The month that `day` lies in.
    pub fn month_of(day: Date) -> Self {
        Self { first: day.first_of_month(), last: day.last_of_month() }
    }

    /// Its days in order.
    pub fn days(self) -> impl Iterator<Item = Date> {
        self.first.series(1.day()).take_while(move |day| *day <= self.last)
    }

    /// How many they are.
    pub fn len(self) -> usize {
        self.days().count()
    }

    /// Never: a span has a day.
    pub const fn is_empty(self) -> bool {
        false
    }

    /// Whether it is a month from its first day to its last.
    pub fn is_month(self) -> bool {
        self == Self::month_of(self.first)
    }

    /// Its months, the first and the last perhaps not whole.
    pub fn months(self) -> impl Iterator<Item = Self> {
        let month = move |first: Date| Self { first, last: first.last_of_month().min(self.last) };
        std::iter::successors(Some(month(self.first)), move |before| {
            let next = before.last.tomorrow().ok()?;
            (next <= self.last).then(|| month(next))
        })
    }

    /// Whether `day` is one of them.
    pub fn contains(self, day: Date) -> bool {
        (self.first..=self.last).contains(&day)
    }
}

/// The days of a time zone.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Calendar(TimeZone);

impl Calendar {
    /// The calendar on the wall in `zone`.
    pub const fn new(zone: TimeZone) -> Self {
        Self(zone)
    }

    /// Its name: `Europe/Vienna`.
    pub fn name(&self) -> &str {
        self.0.iana_name().unwrap_or("UTC")
    }

    /// Date and time on the wall.
    pub fn wall(&self, at: Timestamp) -> DateTime {
        let at = jiff::Timestamp::from_nanosecond(i128::from(at.as_nanos()));
        self.0.to_datetime(at.expect("64-bit nanoseconds lie inside jiff's years"))
    }

    /// The day of an instant.
    pub fn day(&self, at: Timestamp) -> Date {
        self.wall(at).date()
    }

    /// The first instant of a day; the ends of time for days past them.
    pub fn begin(&self, day: Date) -> Timestamp {
        let far = if day.year() < 1970 { i64::MIN } else { i64::MAX };
        let begin = self.0.to_ambiguous_zoned_datetime(day.at(0, 0, 0, 0)).compatible();
        let nanos = begin.ok().and_then(|begin| i64::try_from(begin.timestamp().as_nanosecond()).ok());
        Timestamp::from_nanos(nanos.unwrap_or(far))
    }

    /// From the first instant of the first day to the first one after the last.
    pub fn bounds(&self, span: Span) -> (Timestamp, Timestamp) {
        let end = span.last.tomorrow().map_or(Timestamp::from_nanos(i64::MAX), |day| self.begin(day));
        (self.begin(span.first), end)
    }

    /// Whether hours of UTC are hours of this zone too, all through these days: hourly figures then fall into days as a
    /// whole.
    pub fn has_whole_hours(&self, span: Span) -> bool {
        span.days().all(|day| self.begin(day).as_nanos() % 3_600_000_000_000 == 0)
    }

    /// What the clock on the wall shows, as if it were in UTC. A clock that is put back shows an hour twice.
    pub(super) fn wall_as_utc(&self, at: Timestamp) -> Timestamp {
        as_utc(self.wall(at))
    }
}

/// Wall time as if it were in UTC.
pub(super) fn as_utc(wall: DateTime) -> Timestamp {
    let at = wall.to_zoned_datetime(TimeZone::UTC).map(|at| at.timestamp().as_nanosecond());
    Timestamp::from_nanos(at.ok().and_then(|at| i64::try_from(at).ok()).unwrap_or(i64::MAX))
}
