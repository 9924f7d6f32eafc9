//! Stories of one fill, hour by hour.

use super::*;

const START_HOUR: i64 = 24 * 20_000;

fn at(hour: i64) -> Timestamp {
    Timestamp::from_nanos((START_HOUR + hour) * HOUR_NANOS)
}

fn hour(number: i64, ph: f64) -> HourMedian {
    HourMedian { at: at(number), ph, temperature_c: Some(25.0), pump_running: Some(true) }
}

/// A fill at hour 0 that has been read for `hours` at a pH that depends on the hour.
fn filled(hours: i64, ph: impl Fn(i64) -> f64) -> Acidity {
    let mut acidity = Acidity::new(AciditySettings::default()).unwrap();
    acidity.refilled(at(0));
    for number in 0..hours {
        acidity.observe(&hour(number, ph(number))).unwrap();
    }
    acidity
}

#[test]
fn the_baseline_is_the_first_day_after_mixing_and_survives_a_few_wild_hours() {
    let wild = filled(26, |h| if h % 5 == 0 { 6.0 } else { 9.2 });
    let baseline = wild.verdict().numbers.baseline;
    assert_eq!(baseline, Some(Baseline { ph: Hundredths(920) }));
    assert_eq!(filled(25, |_| 9.2).verdict().numbers.judgement, Judgement::NoBaseline, "a day less an hour");
}

#[test]
fn without_a_fill_there_is_no_baseline() {
    let mut acidity = Acidity::new(AciditySettings::default()).unwrap();
    for number in 0..100 {
        acidity.observe(&hour(number, 8.5)).unwrap();
    }
    assert_eq!(acidity.verdict().numbers.judgement, Judgement::NoBaseline);
    let sour = filled(60, |h| if h < 30 { 9.2 } else { 8.5 }).verdict();
    assert_eq!(sour.numbers.drop, Some(Hundredths(70)));
    assert_eq!(sour.numbers.judgement, Judgement::CorrectiveAction);
    assert!(sour.rules.contains(&Rule::PhDropAction));
}

#[test]
fn a_drop_is_judged_at_one_temperature() {
    let warmed = |fall: f64| {
        let mut acidity = filled(30, |_| 9.2);
        for number in 30..60 {
            // 20 K warmer: an amine buffer shows half a pH less for it.
            let ph = 9.2 - 0.5 - fall;
            acidity.observe(&HourMedian { temperature_c: Some(45.0), ..hour(number, ph) }).unwrap();
        }
        acidity.verdict().numbers
    };
    assert_eq!((warmed(0.1).drop, warmed(0.1).judgement), (Some(Hundredths(10)), Judgement::Fine));
    assert_eq!(
        (warmed(0.6).drop, warmed(0.6).judgement),
        (Some(Hundredths(60)), Judgement::CorrectiveAction)
    );
}

#[test]
fn a_probe_that_comes_late_gives_what_it_can_and_one_that_comes_too_late_nothing() {
    let settings = AciditySettings::default();
    let learned = |from: i64| {
        let mut acidity = Acidity::new(settings).unwrap();
        acidity.refilled(at(0));
        for number in from..from + 10 {
            acidity.observe(&hour(number, 9.0)).unwrap();
        }
        acidity.verdict().numbers.baseline.map(|b| b.ph)
    };
    assert_eq!(learned(FRESH_HOURS - 3), Some(Hundredths(900)), "four fresh hours, then old ones");
    assert_eq!(learned(FRESH_HOURS + 1), None);
}

#[test]
fn a_dump_forgets_the_old_fill() {
    let mut acidity = filled(24 * 10, |h| 9.2 - 0.004 * h as f64);
    assert!(acidity.verdict().numbers.trend.is_some());
    acidity.refilled(at(240));
    let fresh = acidity.verdict().numbers;
    assert_eq!((fresh.now, fresh.baseline, fresh.trend), (None, None, None));
}

#[test]
fn a_steady_fall_says_when_the_next_mark_comes() {
    // 0.03 a day from 9.20: 0.50 under the baseline near day 17.
    let fall = |h: i64| 9.2 - 0.03 * (h as f64) / 24.0 + if h % 7 == 0 { 0.02 } else { 0.0 };
    let trend = filled(24 * 12, fall).verdict().numbers.trend.unwrap();
    assert!((trend.per_day + 0.03).abs() < 0.002 && trend.days == 12, "{trend:?}");
    let until = trend.until.unwrap();
    assert_eq!(until.mark, Mark::CorrectiveAction);
    assert!((4.0..7.0).contains(&until.days), "{until:?}");
    assert!(until.low90 <= until.days && until.days <= until.high90 && until.high90 < 10.0, "{until:?}");
}

#[test]
fn a_steady_ph_never_reaches_its_mark() {
    let steady = filled(24 * 12, |h| 9.2 + if h % 48 < 24 { 0.01 } else { -0.01 });
    let until = steady.verdict().numbers.trend.unwrap().until.unwrap();
    assert!(until.high90.is_infinite() && until.low90 > 20.0, "{until:?}");
}

#[test]
fn a_warm_weekend_with_a_fall_is_named_and_any_two_of_the_three_are_not() {
    let weekend = |fall: f64, warm: f64, stands: bool| {
        let mut acidity = filled(48, |_| 9.2);
        for number in 48..48 + 60 {
            let share = (number - 48) as f64 / 60.0;
            let running = Some(!stands || number < 54);
            let median = HourMedian {
                temperature_c: Some(warm),
                pump_running: running,
                ..hour(number, 9.2 - fall * share)
            };
            acidity.observe(&median).unwrap();
        }
        acidity.verdict()
    };
    let named = weekend(0.4, 28.0, true);
    let suspicion = named.numbers.suspicion.expect("all three");
    assert_eq!(suspicion.text(), "likely biological activity; confirm with a dip slide");
    assert!(suspicion.still_hours == 54 && named.cautions.contains(&Caution::NotABacteriaCount));
    assert_eq!(weekend(0.05, 28.0, true).numbers.suspicion, None);
    assert_eq!(weekend(0.4, 15.0, true).numbers.suspicion, None);
    assert_eq!(weekend(0.4, 28.0, false).numbers.suspicion, None);
}

#[test]
fn a_fall_no_larger_than_this_sump_makes_anyway_is_not_named() {
    let weekend = |fall: f64| {
        let wander = |h: i64| 0.05 * libm::sin(std::f64::consts::TAU * h as f64 / 144.0);
        let mut acidity = filled(24 * 21, |h| 9.2 + wander(h));
        for number in 24 * 21..24 * 21 + 60 {
            let share = (number - 24 * 21) as f64 / 60.0;
            let standing = HourMedian { pump_running: Some(false), ..hour(number, 9.2 - fall * share) };
            acidity.observe(&standing).unwrap();
        }
        acidity.verdict().numbers.suspicion
    };
    assert_eq!(weekend(0.25), None);
    assert!(weekend(0.6).is_some());
}

#[test]
fn a_fall_that_the_warmth_explains_is_not_named() {
    let mut acidity = filled(48, |_| 9.2);
    for number in 48..48 + 60 {
        // 0.2 pH over 8 K, as an amine buffer does.
        let warmer_k = 8.0 * (number - 48) as f64 / 60.0;
        let (temperature_c, pump_running) = (Some(30.0 + warmer_k), Some(number < 54));
        acidity
            .observe(&HourMedian { temperature_c, pump_running, ..hour(number, 9.2 - 0.025 * warmer_k) })
            .unwrap();
    }
    assert_eq!(acidity.verdict().numbers.suspicion, None);
}

#[test]
fn what_no_hour_can_be_is_refused_and_changes_nothing() {
    let mut acidity = filled(30, |_| 9.0);
    let before = acidity.clone();
    assert_eq!(acidity.observe(&hour(29, 9.0)), Err(AcidityError::NotLater(at(29))));
    assert!(matches!(acidity.observe(&hour(30, f64::NAN)), Err(AcidityError::NotAPh(_))));
    assert_eq!(acidity, before);
    let settings = AciditySettings { trend_days: 2, ..AciditySettings::default() };
    assert!(matches!(Acidity::new(settings), Err(AcidityError::Setting { low: 5, .. })));
}

#[test]
fn a_restart_changes_no_verdict_and_nonsense_in_the_store_is_refused() {
    let fall = |h: i64| 9.2 - 0.002 * h as f64;
    let mut whole = filled(300, fall);
    let settings = AciditySettings::default();
    let mut again = Acidity::restored(settings, filled(150, fall).saved().clone()).unwrap();
    for number in 150..300 {
        again.observe(&hour(number, fall(number))).unwrap();
    }
    assert_eq!(again, whole);
    whole.state.hours.swap(0, 1);
    assert!(matches!(Acidity::restored(settings, whole.saved().clone()), Err(AcidityError::Saved(_))));
}

#[test]
fn memory_is_bounded_over_years_and_gaps() {
    let mut acidity = filled(0, |_| 9.0);
    for number in (0..24 * 400).filter(|h| h % 11 != 0) {
        acidity.observe(&hour(number, 9.0)).unwrap();
    }
    // Three years later.
    acidity.observe(&hour(24 * 1500, 8.9)).unwrap();
    let SavedAcidity { hours, days, today, first, .. } = acidity.saved();
    assert!(hours.len() == 1 && days.len() <= DAYS_MAX && today.len() <= 24 && first.is_empty());
    assert_eq!(acidity.verdict().numbers.trend, None, "nothing within the last days");
}
