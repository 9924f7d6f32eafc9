//! What is to be thought of a new calibration, in words that say what to do.

use serde::{Deserialize, Serialize};

use super::Point;
use crate::signal::ph::{SLOPE_PERCENT, ZERO_DEVIATION_PH_MAX};
use crate::signal::settings::PhCalibration;

/// Slopes of an electrode that needs no thought, percent (common practice, no source).
pub const SLOPE_SOUND_PERCENT: std::ops::RangeInclusive<f64> = 95.0..=102.0;
/// A zero point this far from the isopotential point needs no thought, pH: about ± 30 mV (common practice, no source).
pub const ZERO_SOUND_PH: f64 = 0.5;
/// Slopes on either side of the middle buffer differ by no more, percent (common practice, no source).
pub const SLOPES_APART_PERCENT: f64 = 5.0;
/// From one calibration to the next a slope moves by no more, percent (common practice, no source).
pub const SLOPE_MOVED_PERCENT: f64 = 5.0;
/// A cell constant that has moved by no more needs no thought, percent (common practice, no source).
pub const CONSTANT_SOUND_PERCENT: f64 = 5.0;
/// A cell constant that has moved by more is a mistake or a broken cell, percent (common practice, no source).
pub const CONSTANT_MOVED_PERCENT: f64 = 20.0;
/// pH of water-mixed coolants in use; two buffers should lie on either side.
const COOLANT_PH: (f64, f64) = (8.5, 9.8);

/// Whether a calibration is fit for use.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It is.
    Fit,
    /// It is, and something is to be done.
    Doubtful,
    /// It is not.
    Unfit,
}

impl Verdict {
    /// Stable word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Fit => "fit",
            Self::Doubtful => "doubtful",
            Self::Unfit => "unfit",
        }
    }
}

/// A verdict and why, each with what to do.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Judgement {
    /// The verdict.
    pub verdict: Verdict,
    /// What was found, the worst first; empty where there is nothing to say.
    pub findings: Vec<String>,
}

impl Judgement {
    fn of(mut found: Vec<(Verdict, String)>) -> Self {
        found.sort_by_key(|(verdict, _)| std::cmp::Reverse(*verdict));
        let verdict = found.first().map_or(Verdict::Fit, |(verdict, _)| *verdict);
        Self { verdict, findings: found.into_iter().map(|(_, words)| words).collect() }
    }

    /// All of it in one line.
    pub fn in_words(&self) -> String {
        match self.findings.is_empty() {
            true => self.verdict.word().to_owned(),
            false => format!("{}: {}", self.verdict.word(), self.findings.join("; ")),
        }
    }
}

/// Of an electrode.
pub(super) fn electrode(after: &PhCalibration, before: &PhCalibration, points: &[Point]) -> Judgement {
    let mut found = unsteady(points);
    let (acid, alkaline) = (after.slope_percent, after.slope_alkaline_percent);
    let has_slope = points.len() > 1;
    let mut slopes = vec![acid];
    slopes.extend((alkaline != acid).then_some(alkaline));
    for slope in slopes {
        found.extend(slope_finding(slope));
    }
    if (acid - alkaline).abs() > SLOPES_APART_PERCENT {
        let apart = format!(
            "slopes {acid:.1} % and {alkaline:.1} % on either side of the middle buffer differ by more than \
             {SLOPES_APART_PERCENT} %: take the points again in fresh buffers"
        );
        found.push((Verdict::Doubtful, apart));
    }
    let mean = |of: &PhCalibration| 0.5 * (of.slope_percent + of.slope_alkaline_percent);
    let (was, is) = (mean(before), mean(after));
    if has_slope && (is - was).abs() > SLOPE_MOVED_PERCENT {
        let moved = format!(
            "slope moved from {was:.1} to {is:.1} % since the calibration before: see that the buffers are fresh and the \
             right ones"
        );
        found.push((Verdict::Doubtful, moved));
    }
    found.extend(zero_finding(after));
    if !has_slope {
        found.push((
            Verdict::Fit,
            format!("one point: the slope of {acid:.1} % is that of before; take a second"),
        ));
    } else if !brackets(points) {
        let words =
            "the buffers do not enclose the pH of coolant, 8.5 to 9.8: take 7 and 10 (or 6.86 and 9.18)";
        found.push((Verdict::Fit, words.to_owned()));
    }
    Judgement::of(found)
}

/// Of a cell.
pub(super) fn cell(after: f64, before: f64, point: &Point) -> Judgement {
    let mut found = unsteady(std::slice::from_ref(point));
    let moved = 100.0 * (after / before - 1.0);
    let words = |cure: &str| {
        format!("cell constant {after:.4} 1/cm, {moved:+.1} % against {before:.4} before: {cure}")
    };
    if moved.abs() > CONSTANT_MOVED_PERCENT {
        let cure =
            "see that the standard is the right one and fresh, and the cell clean, whole and free of bubbles";
        found.push((Verdict::Unfit, words(cure)));
    } else if moved.abs() > CONSTANT_SOUND_PERCENT {
        let cure = "clean the cell and take the point again in fresh standard";
        found.push((Verdict::Doubtful, words(cure)));
    }
    Judgement::of(found)
}

fn unsteady(points: &[Point]) -> Vec<(Verdict, String)> {
    let taken = points.iter().filter(|point| !point.steady);
    taken
        .map(|point| {
            let name = &point.standard.name;
            (Verdict::Doubtful, format!("the point in {name} was taken before it was steady: take it again"))
        })
        .collect()
}

fn slope_finding(slope: f64) -> Option<(Verdict, String)> {
    let (least, most) = (SLOPE_PERCENT.start(), SLOPE_PERCENT.end());
    if slope < *least {
        let cure =
            "clean the electrode as its maker says, take fresh buffers, repeat; if it stays so, replace it";
        Some((Verdict::Unfit, format!("slope {slope:.1} % of Nernst's, at least {least} %: {cure}")))
    } else if slope > *most {
        let cure = "buffers exchanged, stale or at another temperature than said: take fresh ones and repeat";
        Some((Verdict::Unfit, format!("slope {slope:.1} % of Nernst's, at most {most} %: {cure}")))
    } else if SLOPE_SOUND_PERCENT.contains(&slope) {
        None
    } else {
        let cure = "clean the electrode and have a new one ready";
        Some((Verdict::Doubtful, format!("slope {slope:.1} % of Nernst's, sound is 95 to 102 %: {cure}")))
    }
}

fn zero_finding(after: &PhCalibration) -> Option<(Verdict, String)> {
    let off = after.zero_ph - after.isopotential_ph;
    let words = |cure: &str| {
        let (zero, mv) = (after.zero_ph, after.mv(7.0, after.temperature_c));
        format!("zero point pH {zero:.2} ({mv:+.0} mV at pH 7): {cure}")
    };
    if off.abs() > ZERO_DEVIATION_PH_MAX {
        let cure = "the reference is poisoned or dry, or the buffers are exchanged: clean it, renew the electrolyte, repeat; \
                    if it stays so, replace the electrode";
        Some((Verdict::Unfit, words(cure)))
    } else if off.abs() > ZERO_SOUND_PH {
        let cure = "clean the electrode's diaphragm, look after the electrolyte, and have a new one ready";
        Some((Verdict::Doubtful, words(cure)))
    } else {
        None
    }
}

fn brackets(points: &[Point]) -> bool {
    let below = points.iter().any(|point| point.standard.value <= COOLANT_PH.0);
    // 9.18 is as far as most families go.
    let above = points.iter().any(|point| point.standard.value > 8.95);
    below && above
}
