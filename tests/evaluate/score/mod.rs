//! From truth and estimate side by side to figures: errors, coverage, matching of events, crossing of a limit.

use sumpwarden_sim::Stamp;

use crate::judged::Interval;

/// Errors of one quantity over many hours, in the unit of its errors.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tally {
    errors: Vec<f64>,
    /// Hours whose interval held the truth.
    inside: usize,
    /// Sum of the widths of the intervals, and how many there were.
    width_sum: f64,
    intervals: usize,
    /// Hours in which there was no estimate.
    missing: usize,
}

/// What a tally comes to.
#[derive(Clone, Copy, PartialEq, Debug, serde::Serialize)]
pub(crate) struct Figures {
    pub(crate) judged: usize,
    pub(crate) missing: usize,
    pub(crate) rms: f64,
    pub(crate) bias: f64,
    /// 95 % of the errors are no larger, whatever their sign.
    pub(crate) p95: f64,
    /// Part of the intervals that hold the truth, %.
    pub(crate) coverage_percent: Option<f64>,
    pub(crate) width: Option<f64>,
}

impl Tally {
    /// An hour: `scale` turns the quantity's own unit into the unit of its errors.
    pub(crate) fn add(&mut self, truth: f64, estimate: Option<Interval>, scale: f64) {
        self.add_bare(truth, estimate.map(|estimate| estimate.value), scale);
        if let Some(estimate) = estimate {
            self.add_interval(truth, estimate, scale);
        }
    }

    /// Whether an interval holds the truth, and nothing of the error.
    pub(crate) fn add_interval(&mut self, truth: f64, estimate: Interval, scale: f64) {
        self.inside += usize::from((estimate.low90..=estimate.high90).contains(&truth));
        self.width_sum += (estimate.high90 - estimate.low90) * scale;
        self.intervals += 1;
    }

    /// An hour of something that gives no interval.
    pub(crate) fn add_bare(&mut self, truth: f64, estimate: Option<f64>, scale: f64) {
        match estimate {
            Some(estimate) => self.errors.push((estimate - truth) * scale),
            None => self.missing += 1,
        }
    }

    pub(crate) fn merge(&mut self, other: &Self) {
        self.errors.extend_from_slice(&other.errors);
        self.inside += other.inside;
        self.width_sum += other.width_sum;
        self.intervals += other.intervals;
        self.missing += other.missing;
    }

    /// None where nothing could be judged.
    pub(crate) fn figures(&self) -> Option<Figures> {
        let sizes: Vec<f64> = self.errors.iter().map(|error| error.abs()).collect();
        let n = self.errors.len() as f64;
        let part = |sum: f64| (self.intervals > 0).then(|| sum / self.intervals as f64);
        Some(Figures {
            judged: self.errors.len(),
            missing: self.missing,
            rms: (self.errors.iter().map(|error| error * error).sum::<f64>() / n).sqrt(),
            bias: self.errors.iter().sum::<f64>() / n,
            p95: quantile(&sizes, 0.95)?,
            coverage_percent: part(100.0 * self.inside as f64),
            width: part(self.width_sum),
        })
    }
}

/// The smallest of `values` that at least this part of them do not exceed; none of none.
pub(crate) fn quantile(values: &[f64], part: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let rank = (part * sorted.len() as f64).ceil() as usize;
    sorted.get(rank.clamp(1, sorted.len().max(1)) - 1).copied()
}

/// A top-up, as it was or as it was found.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct TopUp {
    pub(crate) started: Stamp,
    pub(crate) ended: Stamp,
    pub(crate) litres: f64,
    /// Concentrate in it; none where it was found without saying.
    pub(crate) percent: Option<f64>,
}

/// Pours that follow within this time are one top-up, ms.
const ONE_POUR_MS: i64 = 20 * 60_000;
/// A top-up is found if it is told within this time of its end, ms.
const MATCH_MS: i64 = 90 * 60_000;

/// Pours of one sump, oldest first, as top-ups: those within twenty minutes of each other are one.
pub(crate) fn as_topups(pours: &[TopUp]) -> Vec<TopUp> {
    let mut out: Vec<TopUp> = Vec::new();
    for &pour in pours {
        match out.last_mut().filter(|last| pour.started.0 - last.ended.0 <= ONE_POUR_MS) {
            Some(last) => {
                let litres = last.litres + pour.litres;
                last.percent = last
                    .percent
                    .zip(pour.percent)
                    .map(|(a, b)| (a * last.litres + b * pour.litres) / litres.max(1e-9));
                (last.litres, last.ended) = (litres, pour.ended);
            }
            None => out.push(pour),
        }
    }
    out
}

/// Which true top-up (by place) goes with which found one: the closest pairs first, each at most once.
pub(crate) fn pair(truth: &[TopUp], found: &[TopUp]) -> Vec<(usize, usize)> {
    let mut close: Vec<(i64, usize, usize)> = Vec::new();
    for (t, true_one) in truth.iter().enumerate() {
        for (f, found_one) in found.iter().enumerate() {
            let apart = (found_one.ended.0 - true_one.ended.0).abs();
            if apart <= MATCH_MS {
                close.push((apart, t, f));
            }
        }
    }
    close.sort_unstable();
    let (mut pairs, mut taken) = (Vec::new(), vec![false; found.len()]);
    let mut told = vec![false; truth.len()];
    for (_, t, f) in close {
        if !told[t] && !taken[f] {
            (told[t], taken[f]) = (true, true);
            pairs.push((t, f));
        }
    }
    pairs.sort_unstable();
    pairs
}

/// How well top-ups were found.
#[derive(Clone, Debug, Default)]
pub(crate) struct TopUps {
    pub(crate) found: usize,
    pub(crate) missed: usize,
    pub(crate) falsely: usize,
    /// Errors of volume, % of the true one, whatever their sign.
    pub(crate) volume_errors: Vec<f64>,
    /// Errors of concentration, points.
    pub(crate) mix_errors: Vec<f64>,
}

impl TopUps {
    /// Judges one sump's. A pair counts by its true end, one told for nothing by when it is told; `counts` says which
    /// times count.
    pub(crate) fn of(truth: &[TopUp], found: &[TopUp], counts: impl Fn(Stamp) -> bool) -> Self {
        let pairs = pair(truth, found);
        let mut out = Self::default();
        for &(t, f) in pairs.iter().filter(|(t, _)| counts(truth[*t].ended)) {
            out.found += 1;
            out.volume_errors.push(100.0 * (found[f].litres / truth[t].litres - 1.0).abs());
            let percents = found[f].percent.zip(truth[t].percent);
            out.mix_errors.extend(percents.map(|(found, truth)| found - truth));
        }
        let paired = |place: usize, of: fn(&(usize, usize)) -> usize| pairs.iter().any(|p| of(p) == place);
        out.missed = (0..truth.len()).filter(|&t| counts(truth[t].ended) && !paired(t, |p| p.0)).count();
        out.falsely = (0..found.len()).filter(|&f| counts(found[f].ended) && !paired(f, |p| p.1)).count();
        out
    }

    pub(crate) fn merge(&mut self, other: &Self) {
        self.found += other.found;
        self.missed += other.missed;
        self.falsely += other.falsely;
        self.volume_errors.extend_from_slice(&other.volume_errors);
        self.mix_errors.extend_from_slice(&other.mix_errors);
    }

    /// Harmonic mean of the part found and the part of the told that were there; none where there was nothing to find.
    pub(crate) fn f1(&self) -> Option<f64> {
        let all = 2 * self.found + self.missed + self.falsely;
        (all > 0).then(|| 2.0 * self.found as f64 / all as f64)
    }
}

const HOURS_A_DAY: usize = 24;

/// When the median of the last day's hourly values first reaches `limit` from below.
pub(crate) fn crossing(hours: &[(Stamp, f64)], limit: f64) -> Option<Stamp> {
    let mut medians = hours.windows(HOURS_A_DAY).filter_map(|day| {
        let values: Vec<f64> = day.iter().map(|(_, value)| *value).collect();
        Some((day.last()?.0, quantile(&values, 0.5)?))
    });
    let first = medians.next()?;
    if first.1 >= limit {
        return None;
    }
    medians.find(|(_, median)| *median >= limit).map(|(at, _)| at)
}

/// Means of whole days of 24 hours, counted from the first; a day that lacks an hour is left out.
pub(crate) fn daily_means<const N: usize>(hours: &[Option<[f64; N]>]) -> Vec<Option<[f64; N]>> {
    let mean = |day: &[Option<[f64; N]>]| {
        let mut sum = [0.0; N];
        for hour in day {
            let values = (*hour)?;
            sum.iter_mut().zip(values).for_each(|(sum, value)| *sum += value);
        }
        Some(sum.map(|sum| sum / HOURS_A_DAY as f64))
    };
    hours.chunks_exact(HOURS_A_DAY).map(mean).collect()
}

#[cfg(test)]
mod tests;
