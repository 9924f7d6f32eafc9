use super::*;

fn minute(m: i64) -> Stamp {
    Stamp(m * 60_000)
}

fn topup(from: i64, to: i64, litres: f64, percent: f64) -> TopUp {
    TopUp { started: minute(from), ended: minute(to), litres, percent: Some(percent) }
}

fn within(value: f64, half_width: f64) -> Option<Interval> {
    Some(Interval { value, low90: value - half_width, high90: value + half_width })
}

/// Ten hours, each off by 0.1 more than the one before, from 0.1 to 1.0, with intervals of this half-width.
fn ramp(half_width: f64) -> Figures {
    let mut tally = Tally::default();
    for step in 1..=10 {
        tally.add(5.0, within(5.0 + f64::from(step) / 10.0, half_width), 1.0);
    }
    tally.figures().expect("ten hours")
}

#[test]
fn errors_are_those_worked_out_by_hand() {
    let figures = ramp(1.0);
    // Squares of 0.1 … 1.0 sum to 3.85.
    assert!((figures.rms - 0.385_f64.sqrt()).abs() < 1e-12);
    assert!((figures.bias - 0.55).abs() < 1e-12);
    assert!((figures.p95 - 1.0).abs() < 1e-12);
    assert!((figures.width.expect("intervals") - 2.0).abs() < 1e-12);
    assert_eq!((figures.judged, figures.missing), (10, 0));
}

#[test]
fn an_interval_that_is_too_narrow_does_not_cover() {
    assert_eq!(ramp(0.95).coverage_percent, Some(90.0));
    assert_eq!(ramp(0.15).coverage_percent, Some(10.0), "only the first hour lies within 0.15");
}

#[test]
fn scale_turns_litres_into_percent_of_the_tank() {
    let mut tally = Tally::default();
    tally.add(10.0, within(14.0, 8.0), 100.0 / 400.0);
    tally.add(10.0, None, 100.0 / 400.0);
    let figures = tally.figures().expect("one hour");
    assert_eq!((figures.rms, figures.width, figures.missing), (1.0, Some(4.0), 1));
    assert!(Tally::default().figures().is_none(), "nothing judged is no figure, least of all a good one");
}

#[test]
fn pours_close_together_are_one_topup() {
    let poured = [topup(0, 4, 20.0, 3.0), topup(20, 24, 20.0, 5.0), topup(60, 63, 10.0, 0.0)];
    let topups = as_topups(&poured);
    assert_eq!(topups, [topup(0, 24, 40.0, 4.0), topup(60, 63, 10.0, 0.0)]);
}

#[test]
fn each_topup_is_found_once_by_the_closest() {
    let truth = [topup(0, 10, 40.0, 4.0), topup(300, 310, 20.0, 4.0), topup(900, 910, 20.0, 4.0)];
    let found = [
        topup(5, 70, 44.0, 4.5),     // within 90 minutes, but the next is closer
        topup(5, 15, 42.0, 3.5),     // the first
        topup(295, 400, 19.0, 4.0),  // the second, just in time
        topup(905, 1001, 20.0, 4.0), // 91 minutes after the third: too late
    ];
    let judged = TopUps::of(&truth, &found, |_| true);
    assert_eq!((judged.found, judged.missed, judged.falsely), (2, 1, 2));
    assert_eq!(judged.f1(), Some(4.0 / 7.0));
    assert_eq!(judged.mix_errors, [-0.5, 0.0]);
    assert!((judged.volume_errors[0] - 5.0).abs() < 1e-9 && (judged.volume_errors[1] - 5.0).abs() < 1e-9);
    let later = TopUps::of(&truth, &found, |at| at >= minute(200));
    assert_eq!((later.found, later.missed, later.falsely), (1, 1, 1));
    assert_eq!(TopUps::default().f1(), None);
}

#[test]
fn a_limit_is_crossed_when_the_day_s_median_reaches_it() {
    // One more a hour, with a spike that no median follows.
    let mut hours: Vec<(Stamp, f64)> = (0..100).map(|h| (minute(60 * h), h as f64)).collect();
    hours[30].1 = 900.0;
    // The lower median of 24 hours that end at h is h − 12.
    assert_eq!(crossing(&hours, 60.0), Some(minute(60 * 72)));
    assert_eq!(crossing(&hours, 5.0), None, "over it from the first day on");
    assert_eq!(crossing(&hours, 500.0), None, "never reached");
}

#[test]
fn a_day_that_lacks_an_hour_has_no_mean() {
    let mut hours: Vec<Option<[f64; 1]>> = (0..72).map(|h| Some([f64::from(h / 24)])).collect();
    hours[30] = None;
    assert_eq!(daily_means(&hours), [Some([0.0]), None, Some([2.0])]);
}
