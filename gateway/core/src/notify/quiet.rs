//! Hours in which only what is urgent gets through, on the receiver's own clock.

use jiff::civil::{Time, Weekday};
use jiff::tz::TimeZone;
use jiff::{ToSpan, ZonedDateTime};

use crate::alarm::settings::Priority;
use crate::model::Timestamp;

/// A daily span in one time zone. Where a clock change skips one of its ends, the span begins or ends as much later; where
/// it has one twice, the first counts.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct QuietHours {
    /// Begins so.
    pub from: Time,
    /// Ends so; the next day where that is not after the beginning.
    pub to: Time,
    /// Days on which it begins, Monday first.
    pub weekdays: [bool; 7],
    /// Least priority that still gets through.
    pub through: Priority,
}

impl QuietHours {
    /// End of the quiet hours that `at` lies in; none if it lies in none.
    pub fn until(&self, at: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
        let now =
            jiff::Timestamp::from_nanosecond(i128::from(at.as_nanos())).ok()?.to_zoned_datetime(zone.clone());
        // One that began yesterday or today may reach until now; two days back covers a day of 25 hours.
        (-2..=0)
            .filter_map(|days| self.span(&now, days))
            .find(|(from, to)| (*from..*to).contains(&at))
            .map(|(_, to)| to)
    }

    /// The span that begins `days` from the day of `now`.
    fn span(&self, now: &ZonedDateTime, days: i32) -> Option<(Timestamp, Timestamp)> {
        let begins = now.date().checked_add(days.days()).ok()?;
        if !self.weekdays[usize::try_from(begins.weekday().to_monday_zero_offset()).ok()?] {
            return None;
        }
        let ends = if self.to > self.from { begins } else { begins.tomorrow().ok()? };
        let instant = |date: jiff::civil::Date, time: Time| {
            let there = date.to_datetime(time).to_zoned_datetime(now.time_zone().clone()).ok()?;
            i64::try_from(there.timestamp().as_nanosecond()).ok().map(Timestamp::from_nanos)
        };
        Some((instant(begins, self.from)?, instant(ends, self.to)?))
    }
}

/// The next instant after `at` at which a clock in `zone` shows `time`. None at the end of the calendar.
pub fn next_at(time: Time, at: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
    let now =
        jiff::Timestamp::from_nanosecond(i128::from(at.as_nanos())).ok()?.to_zoned_datetime(zone.clone());
    (0..=2).find_map(|days: i32| {
        let date = now.date().checked_add(days.days()).ok()?;
        let there = date.to_datetime(time).to_zoned_datetime(zone.clone()).ok()?;
        (there.timestamp() > now.timestamp())
            .then(|| i64::try_from(there.timestamp().as_nanosecond()).ok().map(Timestamp::from_nanos))?
    })
}

/// All seven days, or those of `days`.
pub fn weekdays(days: &[Weekday]) -> [bool; 7] {
    let mut all = [days.is_empty(); 7];
    for day in days {
        all[usize::try_from(day.to_monday_zero_offset()).expect("0 to 6")] = true;
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vienna() -> TimeZone {
        TimeZone::get("Europe/Vienna").expect("in the database")
    }

    fn at(text: &str) -> Timestamp {
        Timestamp::parse(text).expect("RFC 3339")
    }

    fn hours(from: (i8, i8), to: (i8, i8)) -> QuietHours {
        let time = |(h, m)| Time::constant(h, m, 0, 0);
        QuietHours { from: time(from), to: time(to), weekdays: [true; 7], through: Priority::High }
    }

    #[test]
    fn a_night_reaches_over_midnight() {
        let quiet = hours((22, 0), (6, 0));
        for (now, until) in [
            ("2026-06-01T21:59:59+02:00", None),
            ("2026-06-01T22:00:00+02:00", Some("2026-06-02T06:00:00+02:00")),
            ("2026-06-02T00:00:00+02:00", Some("2026-06-02T06:00:00+02:00")),
            ("2026-06-02T05:59:59+02:00", Some("2026-06-02T06:00:00+02:00")),
            ("2026-06-02T06:00:00+02:00", None),
        ] {
            assert_eq!(quiet.until(at(now), &vienna()), until.map(at), "{now}");
        }
    }

    #[test]
    fn the_nights_in_which_the_clock_changes_end_on_the_clock() {
        let quiet = hours((22, 0), (6, 0));
        // 2026-03-29: from +01:00 to +02:00 at 02:00, a night of seven hours.
        let (from, to) = (at("2026-03-28T22:00:00+01:00"), at("2026-03-29T06:00:00+02:00"));
        assert_eq!(to.since(from).as_secs(), 7 * 3600);
        assert_eq!(quiet.until(from, &vienna()), Some(to));
        assert_eq!(quiet.until(at("2026-03-29T05:30:00+02:00"), &vienna()), Some(to));
        assert_eq!(quiet.until(to, &vienna()), None);
        // 2026-10-25: back at 03:00, a night of nine.
        let (from, to) = (at("2026-10-24T22:00:00+02:00"), at("2026-10-25T06:00:00+01:00"));
        assert_eq!(to.since(from).as_secs(), 9 * 3600);
        for now in ["2026-10-25T02:30:00+02:00", "2026-10-25T02:30:00+01:00", "2026-10-25T05:59:00+01:00"] {
            assert_eq!(quiet.until(at(now), &vienna()), Some(to), "{now}");
        }
        assert_eq!(quiet.until(to, &vienna()), None);
    }

    #[test]
    fn an_end_that_the_clock_skips_or_has_twice() {
        // 02:30 is skipped on 2026-03-29: as much later, at 03:30.
        let quiet = hours((1, 0), (2, 30));
        assert_eq!(
            quiet.until(at("2026-03-29T03:29:00+02:00"), &vienna()),
            Some(at("2026-03-29T03:30:00+02:00"))
        );
        assert_eq!(quiet.until(at("2026-03-29T03:30:00+02:00"), &vienna()), None);
        // 02:30 is there twice on 2026-10-25: the first ends it.
        assert_eq!(
            quiet.until(at("2026-10-25T01:00:00+02:00"), &vienna()),
            Some(at("2026-10-25T02:30:00+02:00"))
        );
        assert_eq!(quiet.until(at("2026-10-25T02:10:00+01:00"), &vienna()), None);
    }

    #[test]
    fn a_weekday_is_the_one_it_begins_on() {
        let mut quiet = hours((22, 0), (6, 0));
        quiet.weekdays = weekdays(&[Weekday::Friday]);
        // 2026-06-05 is a Friday.
        assert!(quiet.until(at("2026-06-06T05:00:00+02:00"), &vienna()).is_some(), "Friday's night");
        assert!(quiet.until(at("2026-06-06T23:00:00+02:00"), &vienna()).is_none());
        assert!(quiet.until(at("2026-06-05T05:00:00+02:00"), &vienna()).is_none(), "Thursday's night");
        assert_eq!(weekdays(&[]), [true; 7]);
    }

    #[test]
    fn a_daily_time_comes_once_a_day_over_both_clock_changes() {
        for (from, until, days) in [
            ("2026-03-27T12:00:00+01:00", "2026-03-31T12:00:00+02:00", 4),
            ("2026-10-23T12:00:00+02:00", "2026-10-27T12:00:00+01:00", 4),
        ] {
            for (hour, minute) in [(6, 0), (2, 30), (0, 0)] {
                let time = Time::constant(hour, minute, 0, 0);
                let (mut now, until, mut count) = (at(from), at(until), 0);
                while let Some(next) = next_at(time, now, &vienna()).filter(|next| *next < until) {
                    (now, count) = (next, count + 1);
                }
                assert_eq!(count, days, "{hour}:{minute} from {from}");
            }
        }
    }
}
