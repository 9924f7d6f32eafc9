//! Top-ups, corrections, waters and exchanges, one by one and whatever they are asked with.

use proptest::prelude::*;

use super::*;

fn mix(litres: f64, percent: f64) -> Mix {
    Mix { litres, percent }
}

#[test]
fn the_outcome_of_a_top_up_names_what_cannot_be() {
    let outcome = |now, target| top_up(now, target).unwrap().numbers;
    assert_eq!(outcome(mix(320.0, 7.0), mix(320.0, 7.0)).outcome, TopUpOutcome::AsItIs);
    let strong = outcome(mix(300.0, 9.5), mix(320.0, 7.0));
    assert_eq!(strong.outcome, TopUpOutcome::StaysTooStrong);
    assert!((strong.reached.percent - (300.0 * 9.5 + 20.0) / 320.0).abs() < 1e-12, "{strong:?}");
    let weak = outcome(mix(310.0, 5.0), mix(320.0, 7.0));
    assert_eq!(weak.outcome, TopUpOutcome::StaysTooWeak);
    assert_eq!(weak.pour.map(|p| p.premix_percent), Some(STRONGEST_PREMIX_PERCENT));
    // Full and too weak: nothing can be poured, but an exchange helps.
    let full = outcome(mix(320.0, 5.0), mix(320.0, 7.0));
    assert_eq!((full.outcome, full.pour), (TopUpOutcome::StaysTooWeak, None));
    assert!(full.drain.is_some_and(|d| (d.waste_l - 25.6).abs() < 1e-9), "{full:?}");
    let over = outcome(mix(330.0, 7.0), mix(320.0, 7.0));
    assert_eq!(over.outcome, TopUpOutcome::TooFull);
    assert!(over.drain.is_some_and(|d| (d.waste_l - 10.0).abs() < 1e-9 && d.refill.litres.abs() < 1e-9));
    // An empty sump is filled with the target itself.
    let empty = outcome(mix(0.0, 0.0), mix(320.0, 7.0));
    assert_eq!(empty.outcome, TopUpOutcome::Reached);
    assert!((empty.pour.unwrap().premix_percent - 7.0).abs() < 1e-12);
}

#[test]
fn corrections_are_refused_where_they_would_make_it_worse() {
    assert!(matches!(add_concentrate(mix(200.0, 8.0), 7.0), Err(MixError::NotTooWeak { .. })));
    assert!(matches!(add_water(mix(200.0, 6.0), 7.0), Err(MixError::NotTooStrong { .. })));
    assert_eq!(add_water(mix(0.0, 6.0), 5.0), Err(MixError::Empty));
    let edge = add_concentrate(mix(100.0, 20.0), 29.9).unwrap().numbers;
    assert!((edge.pour.premix_percent - 30.0).abs() < 1e-12 && edge.pour.litres.is_finite());
}

#[test]
fn a_premix_says_what_it_does_and_how_much_would_do() {
    let numbers = with_premix(mix(260.0, 5.2), Some(320.0), 10.0, 7.0).unwrap().numbers;
    assert!((numbers.filled.expect("a mark").reached.percent - 6.1).abs() < 1e-12);
    assert!(numbers.to_target_l.is_some_and(|l| (l - 156.0).abs() < 1e-9) && numbers.fits() == Some(false));
    assert_eq!(with_premix(mix(260.0, 5.2), Some(320.0), 6.0, 7.0).unwrap().numbers.to_target_l, None);
}

#[test]
fn exchanges_use_room_first_and_name_a_refill_that_is_over_the_limit() {
    let request = ExchangeRequest {
        now_l: 320.0,
        fill_to_l: 320.0,
        now_mg_l: 420.0,
        limit_mg_l: 350.0,
        water_mg_l: 220.0,
        refill_percent: 7.0,
        prices: Prices { waste_per_l: Some(0.4), concentrate_per_l: None },
    };
    let full = exchange(&request).unwrap().numbers;
    let partial = full.partial.unwrap();
    assert_eq!(full.outcome, ExchangeOutcome::Exchange);
    assert!((partial.waste_l - 112.0).abs() < 1e-9 && (partial.after - 350.0).abs() < 1e-9, "{full:?}");
    assert!(
        partial.waste_cost.is_some_and(|c| (c - 44.8).abs() < 1e-9) && partial.concentrate_cost.is_none()
    );
    let roomy = exchange(&ExchangeRequest { now_l: 200.0, ..request }).unwrap().numbers;
    assert_eq!(roomy.outcome, ExchangeOutcome::FillingUpIsEnough);
    assert_eq!(roomy.partial.map(|c| c.waste_l), Some(0.0));
    let hard = exchange(&ExchangeRequest { water_mg_l: 360.0, ..request }).unwrap().numbers;
    assert_eq!((hard.outcome, hard.partial), (ExchangeOutcome::RefillOverLimit, None));
    assert_eq!(hard.full_dump.after, 360.0);
}

#[test]
fn waters_mix_to_the_limit_or_say_that_they_cannot() {
    let blend = |limit| blend_to(220.0, 10.0, limit).unwrap();
    assert_eq!(blend(300.0).soft_share, 0.0);
    assert!((blend(115.0).soft_share - 0.5).abs() < 1e-12);
    assert!(!blend(5.0).enough && blend(5.0).soft_share == 1.0);
    let cautions = |limit| blend_advice((), blend(limit), Rule::MassBalance).cautions;
    assert!(cautions(50.0).contains(&Caution::MayFoam) && cautions(115.0).len() == 1);
    let water = top_up_water(260.0, 320.0, 420.0, 350.0, (220.0, 10.0)).unwrap().numbers;
    assert!((water.after_mg_l - 350.0).abs() < 1e-9 && water.blend.enough, "{water:?}");
    let full = top_up_water(320.0, 320.0, 420.0, 350.0, (220.0, 10.0)).unwrap().numbers;
    assert!(!full.blend.enough && full.after_mg_l == 420.0);
}

#[test]
fn stopped_pumps_are_allowed_for() {
    let outcome = |in_tank| run_back(in_tank, 35.0, 260.0, 336.0).unwrap().numbers;
    assert_eq!(outcome(225.0).outcome, RunBackOutcome::Fits);
    assert_eq!(outcome(226.0).outcome, RunBackOutcome::OverMark);
    assert_eq!((outcome(310.0).outcome, outcome(310.0).spills_l), (RunBackOutcome::RunsOver, 9.0));
    assert!(matches!(run_back(1.0, 1.0, 300.0, 260.0), Err(MixError::BrimUnderMark { .. })));
}

#[test]
fn what_cannot_be_meant_names_the_range() {
    let wrong = top_up(mix(260.0, f64::NAN), mix(320.0, 7.0)).unwrap_err();
    assert_eq!(wrong.to_string(), "the concentration in the sump is NaN %; it lies from 0 to 100 %");
    let strong = top_up(mix(260.0, 5.0), mix(320.0, 40.0)).unwrap_err();
    assert_eq!(strong.to_string(), "the target concentration is 40 %; it lies from 0.1 to 30 %");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is poured and drained, nothing appears or vanishes, and the target is met whenever it says so.
    #[test]
    fn nothing_appears_and_nothing_vanishes(
        now in (0.0..500.0_f64, 0.0..60.0_f64), target in (1.0..500.0_f64, 0.1..=30.0_f64),
    ) {
        let (now, target) = (mix(now.0, now.1), mix(target.0, target.1));
        let plan = top_up(now, target).expect("within range").numbers;
        if let Some(pour) = plan.pour {
            prop_assert!((pour.concentrate_l + pour.water_l - pour.litres).abs() < 1e-9);
            prop_assert!(pour.concentrate_l >= 0.0 && pour.water_l >= 0.0, "{plan:?}");
            prop_assert!((plan.reached.litres - target.litres).abs() < 1e-9);
            let concentrate = now.load() / 100.0 + pour.concentrate_l;
            prop_assert!((plan.reached.load() / 100.0 - concentrate).abs() < 1e-9);
        }
        let met = (plan.reached.percent - target.percent).abs() < 1e-6;
        prop_assert!(plan.outcome != TopUpOutcome::Reached || met, "{plan:?}");
        if let Some(drain) = plan.drain {
            prop_assert!(drain.waste_l >= 0.0 && drain.waste_l <= now.litres + 1e-9, "{plan:?}");
            prop_assert!(drain.refill.litres >= -1e-9, "{plan:?}");
            let after = mix(now.litres - drain.waste_l, now.percent)
                .and(drain.refill.litres, drain.refill.premix_percent);
            prop_assert!((after.litres - target.litres).abs() < 1e-6, "{plan:?}");
            prop_assert!((after.percent - target.percent).abs() < 1e-6, "{plan:?}");
        }
    }

    #[test]
    fn no_input_makes_a_panic_or_a_number_that_is_none(
        a in prop::num::f64::ANY, b in prop::num::f64::ANY, c in prop::num::f64::ANY, d in prop::num::f64::ANY,
    ) {
        if let Ok(advice) = top_up(mix(a, b), mix(c, d)) {
            prop_assert!(advice.numbers.reached.percent.is_finite());
        }
        let request = ExchangeRequest {
            now_l: a, fill_to_l: b, now_mg_l: c, limit_mg_l: d, water_mg_l: 100.0, refill_percent: 7.0,
            prices: Prices::default(),
        };
        if let Ok(advice) = exchange(&request) {
            prop_assert!(advice.numbers.full_dump.after.is_finite());
        }
    }
}

/// More in it than it is to hold, and a refill that is too hard: letting out what is too much is enough.
#[test]
fn a_sump_that_is_too_full_and_under_the_limit_only_has_to_be_drained_to_the_mark() {
    let request = ExchangeRequest {
        now_l: 330.0,
        fill_to_l: 320.0,
        now_mg_l: 300.0,
        limit_mg_l: 350.0,
        water_mg_l: 400.0,
        refill_percent: 7.0,
        prices: Prices::default(),
    };
    let numbers = exchange(&request).unwrap().numbers;
    assert_eq!(numbers.outcome, ExchangeOutcome::FillingUpIsEnough);
    assert_eq!(numbers.partial.map(|c| (c.waste_l, c.refill_l)), Some((10.0, 0.0)));
}

#[test]
fn a_premix_into_an_empty_sump_is_what_is_in_it() {
    let to_target = |now, premix| with_premix(now, Some(320.0), premix, 7.0).unwrap().numbers.to_target_l;
    assert_eq!(to_target(mix(0.0, 0.0), 10.0), None);
    assert_eq!(to_target(mix(0.0, 0.0), 7.0), Some(320.0));
    assert_eq!(to_target(mix(260.0, 7.0), 7.0), Some(0.0), "it is there already");
    assert_eq!(
        with_premix(mix(260.0, 5.2), None, 10.0, 7.0).unwrap().numbers.fits(),
        None,
        "nobody knows the room"
    );
}

#[test]
fn neat_concentrate_and_plain_water_are_never_poured() {
    assert!(matches!(add_concentrate(mix(260.0, 5.2), 30.0), Err(MixError::NoPremix { .. })));
    assert!(matches!(add_water(mix(260.0, 5.2), 1.0), Err(MixError::NoPremix { .. })));
}
