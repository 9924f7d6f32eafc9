//! What the page may look up in the store.

use std::collections::BTreeMap;
use std::sync::Arc;

use sumpwarden_core::book::{Calendar, Span};
use sumpwarden_core::engine::Engine;
use sumpwarden_core::model::{Name, Quantity, Timestamp};
use sumpwarden_core::store::rollup::Values;
use sumpwarden_core::store::{JournalEntry, StoredSeries};
use tokio::sync::watch;

use crate::config::Settings;
use crate::edge::clock::Clock;
use crate::edge::store::{Reader, Store, StoreError};
use crate::edge::web::records::{JournalAsked, KnownSumps, Records, Trend, TrendAsked};
use crate::report::{self, ReportError};

/// The sumps that the page knows are those of `engine` from now on.
pub(super) fn show(known: &KnownSumps, engine: &Engine) {
    let names = engine.settings().sumps.iter().map(|sump| sump.name.clone()).collect();
    known.set(names, engine.cleanout_sheets());
}

/// Looks into `store`, on threads that may wait for a disk, for what is kept of the sumps in `known`; a log book is written by
/// the `settings` in force.
pub(super) fn of(store: &Store, known: KnownSumps, settings: watch::Receiver<Arc<Settings>>) -> Records {
    let (for_trends, for_journal, for_book) = (store.clone(), store.clone(), store.clone());
    Records {
        known,
        trends: Arc::new(move |asked| {
            let store = for_trends.clone();
            Box::pin(async move { told(store.read(move |reader| trends(reader, &asked)).await) })
        }),
        journal: Arc::new(move |asked| {
            let store = for_journal.clone();
            Box::pin(async move { told(store.read(move |reader| journal(reader, &asked)).await) })
        }),
        book: Arc::new(move |sump, month| {
            let (store, settings) = (for_book.clone(), Arc::clone(&settings.borrow()));
            Box::pin(async move { book(&store, settings, sump, month).await })
        }),
        utc: || Clock.utc().floor_to_millis(),
    }
}

/// The log book of a month, or what is wrong with what was asked for.
async fn book(
    store: &Store,
    settings: Arc<Settings>,
    sump: Option<Name>,
    month: Option<String>,
) -> Option<Result<String, String>> {
    let now = Clock.utc();
    let this = || Span::month_of(Calendar::new(settings.site.timezone.clone()).day(now));
    let span = match month.as_deref().map_or_else(|| Ok(this()), report::month) {
        Ok(span) => span,
        Err(why) => return Some(Err(why)),
    };
    let asked = report::Asked { sump, span };
    let written =
        store.read(move |reader| match report::report(reader, &settings, &asked, now, &|_, _, _| ()) {
            Ok(book) => Ok(Ok(book.html)),
            Err(ReportError::Store(error)) => Err(error),
            Err(error) => Ok(Err(error.to_string())),
        });
    told(written.await)
}

fn told<T>(found: Result<T, StoreError>) -> Option<T> {
    found.inspect_err(|error| tracing::warn!(%error, "the store could not be read for the page")).ok()
}

fn trends(reader: &mut Reader, asked: &TrendAsked) -> Result<Vec<Trend>, StoreError> {
    let all = reader.series()?;
    let sump = asked.sump.as_str();
    let wanted = |of: &str| asked.of.as_ref().is_none_or(|names| names.iter().any(|name| name == of));
    // A probe whose quantity was changed has two series of one name: the younger one counts.
    let mut series: BTreeMap<(bool, &str), BTreeMap<&str, &StoredSeries>> = BTreeMap::new();
    for stored in &all {
        if let Some(part) = stored.parts().filter(|part| part.sump == sump && wanted(part.of)) {
            series.entry((part.estimated, part.of)).or_default().insert(part.bound, stored);
        }
    }
    let mut found = Vec::with_capacity(series.len());
    for ((estimated, of), bounds) in series {
        let Some(value) = bounds.get("") else { continue };
        let ends = ["low90", "high90"].map(|end| bounds.get(end).copied());
        found.push(Trend {
            of: of.to_owned(),
            estimated,
            quantity: value.quantity.clone(),
            unit: Quantity::from_word(&value.quantity).map(|quantity| quantity.unit().ucum()),
            points: points(reader, asked, value, ends)?,
        });
    }
    Ok(found)
}

/// Means, with lowest and highest around them; where there are `ends`, their means instead.
fn points(
    reader: &mut Reader,
    asked: &TrendAsked,
    value: &StoredSeries,
    [low, high]: [Option<&StoredSeries>; 2],
) -> Result<Vec<(i64, f64, f64, f64)>, StoreError> {
    let mut buckets = |series: &StoredSeries| -> Result<BTreeMap<Timestamp, Values>, StoreError> {
        let trend = reader.trend(series.id, asked.from, asked.until, asked.buckets_max)?;
        Ok(trend.into_iter().filter_map(|point| Some((point.start, point.bucket.values?))).collect())
    };
    let values = buckets(value)?;
    let low = low.map(&mut buckets).transpose()?;
    let high = high.map(&mut buckets).transpose()?;
    let end = |ends: &Option<BTreeMap<Timestamp, Values>>, start| {
        ends.as_ref().and_then(|ends| ends.get(start)).map(Values::mean)
    };
    Ok((values.iter())
        .map(|(start, values)| {
            let low = end(&low, start).unwrap_or(values.min);
            let high = end(&high, start).unwrap_or(values.max);
            (start.as_nanos().div_euclid(1_000_000), values.mean(), low, high)
        })
        .collect())
}

fn journal(reader: &mut Reader, asked: &JournalAsked) -> Result<Vec<JournalEntry>, StoreError> {
    reader.journal_of(asked.sump.as_ref(), asked.from, asked.until, asked.limit)
}
