//! Once a week: how well the alarms themselves work, into the journal, so that whoever looks after them tunes what chatters
//! and mends what stands for days.

use std::time::Duration;

use jiff::civil::Weekday;
use jiff::tz::TimeZone;
use sumpwarden_core::alarm::performance::Performance;
use sumpwarden_core::model::Timestamp;
use sumpwarden_core::store::annunciations::activations;
use sumpwarden_core::store::{JournalRecord, RecordKind};
use tokio::sync::watch;

use crate::edge::clock::Clock;
use crate::edge::store::{Commit, Reader, Store, StoreError};

/// Journal records looked through at most.
const RECORDS_MAX: u32 = 200_000;
/// How far before the stretch an alarm that still stands may have come up.
const LOOK_BACK: Duration = Duration::from_hours(24 * 35);
/// How often the calendar is looked at.
const CALENDAR_EVERY: Duration = Duration::from_secs(60);
/// Monday, before the early shift.
const HOUR: i8 = 6;

/// The measures of the alarms over the last `span` before `until`.
pub(super) fn performance(
    reader: &mut Reader,
    until: Timestamp,
    span: Duration,
) -> Result<Performance, StoreError> {
    let from = until.minus(span);
    let mut entries = reader.journal(from.minus(LOOK_BACK), until, RECORDS_MAX)?;
    entries.reverse();
    Ok(Performance::of(&activations(&entries), from, until))
}

/// Writes the week's measures into the journal each Monday at six, until it is told to stop.
pub(super) async fn report(store: Store, clock: Clock, zone: TimeZone, mut stop: watch::Receiver<bool>) {
    const WEEK: Duration = Duration::from_hours(24 * 7);
    let mut before = clock.utc();
    let mut pulse = tokio::time::interval(CALENDAR_EVERY);
    loop {
        tokio::select! {
            _ = pulse.tick() => {}
            _ = stop.wait_for(|stop| *stop) => return,
        }
        crate::faults::pass("weekly-report").await;
        let now = clock.utc();
        let due = is_due(before, now, &zone);
        before = now;
        if !due {
            continue;
        }
        match store.read(move |reader| performance(reader, now, WEEK)).await {
            Ok(week) => {
                store.submit(Commit { journal: vec![record(now, &week)], at_once: true, ..Commit::default() })
            }
            Err(error) => tracing::warn!(%error, "the week's alarms could not be counted"),
        }
    }
}

fn record(at: Timestamp, week: &Performance) -> JournalRecord {
    JournalRecord {
        at,
        kind: RecordKind::Event,
        sump: None,
        subject: "alarm-performance".to_owned(),
        state: "week".to_owned(),
        priority: None,
        value: Some(week.annunciated as f64),
        message: week.line(),
    }
}

/// Whether Monday six o'clock lies between the two, in `zone`. A clock that was set by more than two days skips it.
fn is_due(before: Timestamp, now: Timestamp, zone: &TimeZone) -> bool {
    let local = |at: Timestamp| {
        let at = jiff::Timestamp::from_nanosecond(i128::from(at.as_nanos())).ok()?;
        Some(at.to_zoned_datetime(zone.clone()))
    };
    let (Some(earlier), Some(later)) = (local(before), local(now)) else { return false };
    let close = now.since(before) < Duration::from_hours(48);
    let past_six = |at: &jiff::ZonedDateTime| at.hour() >= HOUR;
    close
        && later.weekday() == Weekday::Monday
        && past_six(&later)
        && (earlier.date() < later.date() || !past_six(&earlier))
        && before < now
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn monday_at_six_comes_once_a_week_in_the_shops_own_time() {
        let zone = TimeZone::get("Europe/Vienna").expect("in the database");
        let mut at = Timestamp::parse("2026-03-01T00:00:00Z").expect("RFC 3339");
        let end = Timestamp::parse("2026-11-30T00:00:00Z").expect("RFC 3339");
        let mut found = Vec::new();
        while at < end {
            let next = at.plus(Duration::from_secs(60));
            if is_due(at, next, &zone) {
                found.push(next.to_string());
            }
            at = next;
        }
        assert_eq!(found.len(), 39, "one a week, changes of the clock included");
        assert!(found.contains(&"2026-03-23T05:00:00Z".to_owned()), "{found:?}");
        assert!(
            found.contains(&"2026-03-30T04:00:00Z".to_owned()),
            "summer time began the day before: {found:?}"
        );
        assert!(found.contains(&"2026-10-26T05:00:00Z".to_owned()), "and ended: {found:?}");
    }

    #[test]
    fn a_clock_that_was_set_by_years_counts_no_week() {
        let zone = TimeZone::UTC;
        let [monday, years_before] = ["2026-03-02T06:30:00Z", "1970-01-01T00:00:00Z"]
            .map(|text| Timestamp::parse(text).expect("RFC 3339"));
        assert!(!is_due(years_before, monday, &zone) && !is_due(monday, years_before, &zone));
    }
}
