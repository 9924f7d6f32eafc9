//! Hours of a series to its days.

use jiff::civil::Date;

use super::{Material, Span};
use crate::estimate::settings::EstimateKind;
use crate::model::{Quantity, Reason, Timestamp};
use crate::store::rollup::{Bucket, Values};

/// What a series held in an hour of UTC, or in a part of one.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Hour {
    /// When it began.
    pub start: Timestamp,
    /// What was in it.
    pub bucket: Bucket,
}

/// A series hour by hour, in order.
#[derive(Clone, PartialEq, Debug)]
pub struct Hours {
    /// Name of the probe, or word of the estimate.
    pub of: String,
    /// Whether it is an estimate.
    pub estimated: bool,
    /// What is measured.
    pub quantity: Quantity,
    /// Its values.
    pub values: Vec<Hour>,
    /// Ends of the 90 % interval of an estimate.
    pub ends: [Vec<Hour>; 2],
}

/// A series day by day.
#[derive(Clone, PartialEq, Debug)]
pub struct Series {
    /// Name of the probe, or word of the estimate.
    pub of: String,
    /// Which estimate it is.
    pub estimate: Option<EstimateKind>,
    /// What is measured.
    pub quantity: Quantity,
    /// Every day of the span that has begun.
    pub days: Vec<Day>,
}

/// A day of a series.
#[derive(Clone, PartialEq, Debug)]
pub struct Day {
    /// Which.
    pub date: Date,
    /// Its numbers; none where it has none.
    pub figures: Option<Figures>,
    /// Why there were none, where the gateway knew; empty where nothing came at all.
    pub why: &'static str,
}

/// The numbers of a day.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Figures {
    /// Lowest.
    pub lowest: f64,
    /// Mean of all values.
    pub mean: f64,
    /// Highest.
    pub highest: f64,
    /// Means of the ends of the 90 % interval, of an estimate.
    pub interval: Option<(f64, f64)>,
    /// Hours in which there was a value.
    pub hours: u32,
}

/// The days of a series.
pub(super) fn daily(material: &Material<'_>, span: Span, hours: &Hours) -> Series {
    let days = material.known(span).into_iter().flat_map(Span::days);
    Series {
        of: hours.of.clone(),
        estimate: hours.estimated.then(|| EstimateKind::from_word(&hours.of)).flatten(),
        quantity: hours.quantity,
        days: days.map(|date| day(material, hours, date)).collect(),
    }
}

fn day(material: &Material<'_>, hours: &Hours, date: Date) -> Day {
    let (from, until) = material.calendar.bounds(Span { first: date, last: date });
    let whole = merged(within(&hours.values, from, until));
    let values = whole.and_then(|bucket| bucket.values);
    let end = |end: &[Hour]| merged(within(end, from, until))?.values.map(|values| values.mean());
    let [low, high] = &hours.ends;
    let figures = values.map(|values: Values| Figures {
        lowest: values.min,
        mean: values.mean(),
        highest: values.max,
        interval: end(low).zip(end(high)),
        hours: within(&hours.values, from, until).iter().filter(|hour| hour.bucket.values.is_some()).count()
            as u32,
    });
    let reason = whole.map_or(Reason::None, |bucket| bucket.worst.reason);
    Day { date, figures, why: if figures.is_none() { reason.text() } else { "" } }
}

/// The hours that begin in `from..until`.
pub(super) fn within(hours: &[Hour], from: Timestamp, until: Timestamp) -> &[Hour] {
    let first = hours.partition_point(|hour| hour.start < from);
    let last = hours.partition_point(|hour| hour.start < until);
    &hours[first..last.max(first)]
}

fn merged(hours: &[Hour]) -> Option<Bucket> {
    hours.iter().map(|hour| hour.bucket).reduce(Bucket::merge)
}
