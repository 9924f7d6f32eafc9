//! Medians of a window: what waves, foam and single wild readings do not move.

use crate::estimate::trend::{MAD_TO_SIGMA, median_in_place};

/// Values of one window with their times, in the order they came.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Window {
    entries: Vec<(f64, f64)>,
}

/// Most entries a window keeps: an hour of one a second would be no better than one of these. When they are reached every
/// other one goes.
const ENTRIES_MAX: usize = 240;

/// A mean's error times this is a median's, for normal noise.
pub(super) const MEDIANS: f64 = 1.2533;

/// What a window says.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Middle {
    /// Median.
    pub(super) value: f64,
    /// Standard deviation of that median by the scatter of the entries.
    pub(super) deviation: f64,
    /// How many entries there are.
    pub(super) count: usize,
}

/// So few entries do not tell how much they scatter.
const FEW: usize = 5;

impl Middle {
    /// Standard deviation of the median, where each entry has this one by common knowledge: few of them may agree by chance.
    pub(super) fn deviation_of(&self, one: f64) -> f64 {
        let by_number = if self.count < FEW { MEDIANS * one / (self.count as f64).sqrt() } else { 0.0 };
        self.deviation.max(by_number)
    }
}

impl Window {
    pub(super) fn push(&mut self, at_h: f64, value: f64) {
        if self.entries.len() >= ENTRIES_MAX {
            let mut keep = false;
            self.entries.retain(|_| {
                keep = !keep;
                keep
            });
        }
        self.entries.push((at_h, value));
    }

    /// Whether the last entry is so old.
    pub(super) fn is_due(&self, every_h: f64, now_h: f64) -> bool {
        self.entries.last().is_none_or(|entry| now_h - entry.0 >= every_h)
    }

    /// The same, of the last hours only.
    pub(super) fn push_within(&mut self, hours: f64, at_h: f64, value: f64) {
        if self.entries.first().is_some_and(|entry| entry.0 < at_h - 2.0 * hours) {
            self.entries.retain(|entry| entry.0 >= at_h - hours);
        }
        self.push(at_h, value);
    }

    pub(super) fn clear(&mut self) {
        self.entries.clear();
    }

    pub(super) fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Leaves only what came until a moment.
    pub(super) fn keep_until(&mut self, at_h: f64) {
        self.entries.retain(|entry| entry.0 <= at_h);
    }

    /// Median of all entries.
    pub(super) fn middle(&self) -> Option<Middle> {
        in_a_row(self.entries.iter().map(|entry| entry.1), middle)
    }

    /// The entries at or after a moment and before another.
    pub(super) fn of(&self, from_h: f64, to_h: f64) -> Vec<f64> {
        let within = self.entries.iter().filter(|entry| (from_h..to_h).contains(&entry.0));
        within.map(|entry| entry.1).collect()
    }

    /// Median of the entries at or after a moment and before another, if there are at least `least`.
    pub(super) fn middle_of(&self, from_h: f64, to_h: f64, least: usize) -> Option<Middle> {
        let mut values = self.of(from_h, to_h);
        if values.len() < least { None } else { middle(&mut values) }
    }
}

/// So many numbers are put in a row without asking for memory: an hour of one a minute, and a little.
const IN_A_ROW: usize = 72;

/// What is made of some numbers in a row, which may be put in another order.
fn in_a_row<R>(values: impl ExactSizeIterator<Item = f64>, make: impl FnOnce(&mut [f64]) -> R) -> R {
    let mut few = [0.0; IN_A_ROW];
    match few.get_mut(..values.len()) {
        Some(row) => {
            row.iter_mut().zip(values).for_each(|(place, value)| *place = value);
            make(row)
        }
        None => make(&mut values.collect::<Vec<f64>>()),
    }
}

/// Median of some numbers.
pub(super) fn median_of(values: impl ExactSizeIterator<Item = f64>) -> Option<f64> {
    in_a_row(values, median_in_place)
}

/// Median of some numbers and how well it is known; they are put in another order.
pub(super) fn middle(values: &mut [f64]) -> Option<Middle> {
    let value = median_in_place(values)?;
    for entry in values.iter_mut() {
        *entry = (*entry - value).abs();
    }
    let scatter = MAD_TO_SIGMA * median_in_place(values)?;
    let count = values.len();
    Some(Middle { value, deviation: MEDIANS * scatter / (count as f64).sqrt(), count })
}
