//! Quantiles of a handful of numbers.

use serde::{Deserialize, Serialize};

/// Count, quantiles and greatest.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(crate) struct Quantiles {
    pub(crate) count: usize,
    pub(crate) p50: f64,
    pub(crate) p99: f64,
    pub(crate) p999: f64,
    pub(crate) max: f64,
}

impl Quantiles {
    /// Of `values`; none of none.
    pub(crate) fn of(mut values: Vec<f64>) -> Option<Self> {
        values.sort_by(f64::total_cmp);
        let max = *values.last()?;
        let at = |q: f64| values[((q * values.len() as f64) as usize).min(values.len() - 1)];
        Some(Self { count: values.len(), p50: at(0.5), p99: at(0.99), p999: at(0.999), max })
    }
}

/// The middle one; the lower of the two middle ones.
pub(crate) fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len().checked_sub(1)? / 2).copied()
}
