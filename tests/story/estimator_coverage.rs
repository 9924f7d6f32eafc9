//! Whether intervals hold what they promise: a month of many simulated shops through the real engine, judged hour by hour.
//!
//! It plays with the parts of `evaluate` (the same feeding of the engine, the same truth beside it) and asks less: shorter
//! runs, a sample every five minutes, four quantities. What is asked can fail: with intervals a quarter as wide it does, and
//! with intervals twice as wide.

#[allow(dead_code, reason = "evaluate uses the rest")]
#[path = "../evaluate/case.rs"]
mod case;
#[allow(dead_code, reason = "evaluate uses the rest")]
#[path = "../evaluate/forecast.rs"]
mod forecast;
#[allow(dead_code, reason = "evaluate uses the rest")]
#[path = "../evaluate/judged.rs"]
mod judged;
#[allow(dead_code, reason = "evaluate uses the rest")]
#[path = "../evaluate/play/mod.rs"]
mod play;
#[allow(dead_code, reason = "evaluate uses the rest")]
#[path = "../evaluate/pool.rs"]
mod pool;
#[allow(dead_code, reason = "evaluate uses the rest")]
#[path = "../evaluate/rivals/mod.rs"]
mod rivals;
#[allow(dead_code, reason = "evaluate uses the rest")]
#[path = "../evaluate/score/mod.rs"]
mod score;
#[allow(dead_code, reason = "evaluate uses the rest")]
#[path = "../evaluate/track.rs"]
mod track;

use std::sync::LazyLock;
use std::time::Duration;

use sumpwarden_core::estimate::belief::{Belief, SeenConductivity, at};
use sumpwarden_core::estimate::coolant::Coolant;
use sumpwarden_core::estimate::fluid::JarTest;
use sumpwarden_core::estimate::trend::median;
use sumpwarden_sim::rng::Rng;

use case::Case;
use judged::{Hour, Interval, Judged, RIVALS};
use track::Track;

const SCENARIOS: [&str; 5] =
    ["quarter-quiet-lathe", "quarter-hard", "quarter-quiet-mill", "quarter-renewal", "ninety-days"];
const SEEDS: std::ops::RangeInclusive<u64> = 11..=16;
const DAYS: u64 = 30;
const EVERY: Duration = Duration::from_secs(300);

/// An estimator may find its feet for so many hours before it is judged.
const WARM_UP_H: usize = 72;

/// What is judged, and of it: at least 85 % of the hours hold the truth, where 90 % are promised. Thirty months are too few
/// to ask for an upper end: how wide the intervals are bounds them there.
const JUDGED: [Judged; 4] = [Judged::Concentration, Judged::Hardness, Judged::Chips, Judged::Liquid];
const HELD_PERCENT_LEAST: f64 = 85.0;

/// Most that half an interval of each may be in half of the hours: points, mg/L, L, L. An eighth to a third over what is needed.
const HALF_WIDTHS_MAX: [f64; 4] = [0.85, 32.0, 8.5, 11.0];

/// Every shop's month, played once for all tests.
static TRACKS: LazyLock<Vec<(&'static str, Track)>> = LazyLock::new(|| {
    let named = SCENARIOS.iter().flat_map(|name| SEEDS.map(move |seed| (*name, seed)));
    let cases: Vec<Case> = named
        .map(|(name, seed)| Case::new(name, seed, None, EVERY, Some(DAYS)).expect("a known scenario"))
        .collect();
    let played = pool::play_all(&cases, None).unwrap_or_else(|error| panic!("{error}"));
    let of = cases.iter().zip(played).flat_map(|(case, played)| {
        let name = case.scenario.name;
        played.tracks.into_iter().map(move |track| (name, track))
    });
    of.collect()
});

fn hours(track: &Track) -> impl Iterator<Item = &Hour> {
    track.hours.iter().skip(WARM_UP_H).filter(|hour| !hour.left_out)
}

/// An interval drawn together around its value.
fn drawn_together(e: Interval, part: f64) -> Interval {
    let end = |end: f64| e.value + part * (end - e.value);
    Interval { low90: end(e.low90), high90: end(e.high90), ..e }
}

/// Part of the hours whose interval held the truth, %, with intervals of this part of their width; and how many hours.
fn coverage(judged: Judged, part: f64) -> (f64, usize) {
    let place = judged as usize;
    let (mut held, mut all) = (0, 0);
    for hour in TRACKS.iter().flat_map(|(_, track)| hours(track)) {
        let (Some(truth), Some(estimate)) = (hour.truth[place], hour.estimate[place]) else { continue };
        let e = drawn_together(estimate, part);
        held += usize::from((e.low90..=e.high90).contains(&truth));
        all += 1;
    }
    (100.0 * held as f64 / all as f64, all)
}

#[test]
fn intervals_hold_the_truth_as_often_as_they_promise() {
    for judged in JUDGED {
        let (held, all) = coverage(judged, 1.0);
        assert!(all > 15_000, "{}: only {all} hours could be judged", judged.noun());
        assert!(held >= HELD_PERCENT_LEAST, "{}: {held:.1} % of {all} hours", judged.noun());
    }
}

#[test]
fn intervals_a_quarter_as_wide_do_not() {
    for judged in JUDGED {
        let (held, _) = coverage(judged, 0.25);
        assert!(held < HELD_PERCENT_LEAST, "{}: {held:.1} % held even so", judged.noun());
    }
}

/// Median of half the intervals, and of the errors.
fn middle_width_and_error(judged: Judged) -> (f64, f64) {
    let place = judged as usize;
    let of = TRACKS.iter().flat_map(|(_, track)| hours(track));
    let (widths, errors): (Vec<f64>, Vec<f64>) = of
        .filter_map(|hour| hour.estimate[place].zip(hour.truth[place]))
        .map(|(e, truth)| (0.5 * (e.high90 - e.low90), (e.value - truth).abs()))
        .unzip();
    (median(&widths).expect("some hours"), median(&errors).expect("some hours"))
}

#[test]
fn intervals_are_no_wider_than_they_have_to_be() {
    for (judged, most) in JUDGED.into_iter().zip(HALF_WIDTHS_MAX) {
        let (width, error) = middle_width_and_error(judged);
        assert!(width < most, "{}: ± {width:.2} in half of the hours", judged.noun());
        assert!(2.0 * width > most, "{}: ± {width:.2}, so twice as much would pass", judged.noun());
        assert!(width < 7.0 * error, "{}: ± {width:.2} for errors of {error:.2}", judged.noun());
    }
}

/// Errors of an hour: the bare line's, and ours in half widths of our interval.
fn beside_the_bare_line(hour: &Hour) -> Option<(f64, f64)> {
    let place = Judged::Concentration as usize;
    let bare_line = RIVALS.iter().position(|name| *name == "bare line").expect("one of the rivals");
    let (truth, e) = (hour.truth[place]?, hour.estimate[place]?);
    let bare = hour.rivals[bare_line][place]?;
    Some(((bare - truth).abs(), (e.value - truth).abs() / (0.5 * (e.high90 - e.low90))))
}

#[test]
fn where_minerals_build_up_the_bare_line_is_a_point_off_and_the_estimate_within_its_interval() {
    let of = TRACKS.iter().filter(|(name, _)| *name == "quarter-hard");
    let errors: Vec<(f64, f64)> =
        of.flat_map(|(_, track)| hours(track)).filter_map(beside_the_bare_line).collect();
    let off: Vec<f64> = errors.iter().filter(|(bare, _)| *bare > 1.0).map(|(_, ours)| *ours).collect();
    assert!(
        off.len() > errors.len() / 4,
        "the bare line was a point off in {} of {}",
        off.len(),
        errors.len()
    );
    let within = off.iter().filter(|ours| **ours <= 1.0).count();
    assert!(10 * within > 8 * off.len(), "ours was within its interval in {within} of {} of them", off.len());
}

/// A believed sump: liquid, concentrate, minerals, chips, hold-up, gain and bend are unsure, the rest is known.
fn believed() -> ([f64; at::COUNT], [f64; at::COUNT]) {
    let (mut mean, mut deviation) = ([0.0; at::COUNT], [0.0; at::COUNT]);
    for (i, value, unsure) in [
        (at::LIQUID, 250.0, 5.0),
        (at::CONCENTRATE, 17.0, 1.2),
        (at::MINERALS, 400.0, 40.0),
        (at::CHIPS, 20.0, 3.0),
        (at::HOLDUP, 25.0, 3.0),
        (at::GAIN, 0.0, 0.02),
        (at::BEND, 0.0, 0.04),
    ] {
        (mean[i], deviation[i]) = (value, unsure);
    }
    (mean, deviation)
}

/// Mean square of the innovations, in their own deviations, of a level and a conductivity seen in sumps drawn from the very
/// belief; 1 where what is expected of them is right. `said` is the part of the true noise that is admitted.
fn mean_square(said: f64) -> [f64; 2] {
    const DRAWS: usize = 4000;
    let jar = JarTest::new(&[(0.0, 560.0), (3.0, 1010.0), (5.0, 1290.0), (8.0, 1690.0), (12.0, 2190.0)]);
    let coolant = Coolant::new(&jar.expect("rising"), 0.0, None);
    let (mean, deviation) = believed();
    let mut rng = Rng::of(7, "innovations");
    let mut squares = [0.0; 2];
    for _ in 0..DRAWS {
        let truth: [f64; at::COUNT] = std::array::from_fn(|i| mean[i] + deviation[i] * rng.normal());
        let mut belief = Belief::independent(mean, deviation);
        let content = truth[at::LIQUID] + truth[at::CHIPS] - truth[at::HOLDUP] + 4.0 * rng.normal();
        let level = belief.see_content(content, 1.0, 4.0 * said);
        let [liquid, concentrate, minerals] = [at::LIQUID, at::CONCENTRATE, at::MINERALS].map(|i| truth[i]);
        let log = coolant.us_cm(100.0 * concentrate / liquid, minerals / liquid, 0.0).ln();
        let log = log + truth[at::BEND] * (log - coolant.middle()) + truth[at::GAIN] + 0.03 * rng.normal();
        let seen = SeenConductivity { log_us_cm: log, warmer_k: 0.0, soured: 0.0, deviation: 0.03 * said };
        let conductivity = belief.see_conductivity(&coolant, &seen);
        for (sum, innovation) in squares.iter_mut().zip([level, conductivity]) {
            *sum += innovation.normalized() * innovation.normalized();
        }
    }
    squares.map(|sum| sum / DRAWS as f64)
}

#[test]
fn innovations_are_as_large_as_expected() {
    // Of 4000 squares the mean lies within 0.07 of 1, three of its deviations.
    let right = 0.93..=1.07;
    for (what, square) in ["level", "conductivity"].into_iter().zip(mean_square(1.0)) {
        assert!(right.contains(&square), "{what}: {square:.3}");
    }
    for (what, square) in ["level", "conductivity"].into_iter().zip(mean_square(0.5)) {
        assert!(!right.contains(&square), "{what} with half its noise admitted: {square:.3}");
    }
}
