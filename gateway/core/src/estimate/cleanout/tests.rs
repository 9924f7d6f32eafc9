//! Clean-outs minute by minute on a tank of 200 L: proper ones, skimped ones, blind ones.

use super::*;

const FULL_L: f64 = 200.0;
const FRESH_PH: f64 = 9.2;
const CLEANER_PH: f64 = 11.8;
const CLEANER_US_CM: f64 = 2600.0;

fn cleanout() -> Cleanout {
    let jar = JarTest::new(&[(0.0, 560.0), (3.0, 1010.0), (5.0, 1290.0), (8.0, 1690.0)]).expect("rising");
    Cleanout::new(Vessel { full_l: FULL_L, target_percent: 7.0, jar }, Figures::default())
}

/// How a clean-out is done.
#[derive(Clone, Copy, Debug)]
struct Way {
    noted: bool,
    /// Content after each pumping out, L.
    drained_l: f64,
    cleaner_out_l: f64,
    rinse_out_l: f64,
    /// Minutes with the pumps on.
    clean_min: u32,
    /// None: no rinse at all.
    rinse_min: Option<u32>,
    recharge_us_cm: f64,
    /// The probes that are dead all the time: level, pH, pump.
    dead: (bool, bool, bool),
}

const PROPER: Way = Way {
    noted: false,
    drained_l: 1.5,
    cleaner_out_l: 1.5,
    rinse_out_l: 1.5,
    clean_min: 120,
    rinse_min: Some(30),
    recharge_us_cm: 1560.0,
    dead: (false, false, false),
};

/// A stretch of minutes over which the content goes to `to_l`.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    minutes: u32,
    to_l: f64,
    ph: f64,
    us_cm: f64,
    pump: bool,
}

fn stretches(way: &Way) -> Vec<Stretch> {
    let at = |minutes, to_l, ph, us_cm, pump| Stretch { minutes, to_l, ph, us_cm, pump };
    let mut all = vec![
        at(60, 190.0, 8.6, 1900.0, true),
        at(5, way.drained_l, 8.6, 1900.0, false),
        at(7, FULL_L, CLEANER_PH, CLEANER_US_CM, false),
        at(way.clean_min, FULL_L - 15.0, CLEANER_PH, CLEANER_US_CM, true),
        at(5, way.cleaner_out_l, CLEANER_PH, CLEANER_US_CM, false),
    ];
    if let Some(minutes) = way.rinse_min {
        all.extend([
            at(7, FULL_L, 9.4, 860.0, false),
            at(minutes, FULL_L - 15.0, 9.4, 860.0, true),
            at(5, way.rinse_out_l, 9.4, 860.0, false),
        ]);
    }
    all.extend([
        at(7, FULL_L, FRESH_PH, way.recharge_us_cm, false),
        at(90, FULL_L - 15.0, FRESH_PH, way.recharge_us_cm, true),
    ]);
    all
}

struct Story {
    cleanout: Cleanout,
    minute: u32,
    litres: f64,
    events: Vec<Event>,
}

impl Story {
    fn new() -> Self {
        Self { cleanout: cleanout(), minute: 0, litres: 190.0, events: Vec::new() }
    }

    fn hours(&self) -> f64 {
        1000.0 + f64::from(self.minute) / 60.0
    }

    fn pass(&mut self, stretch: &Stretch, dead: (bool, bool, bool)) {
        let slope = (stretch.to_l - self.litres) / f64::from(stretch.minutes.max(1));
        for _ in 0..stretch.minutes {
            self.minute += 1;
            self.litres += slope;
            self.cleanout.observe(&Seen {
                at_h: self.hours(),
                litres: (!dead.0).then_some(self.litres),
                ph: (!dead.1).then_some(stretch.ph),
                us_cm: Some(stretch.us_cm),
                pump: (!dead.2).then_some(stretch.pump),
                baseline_ph: Some(FRESH_PH),
            });
        }
        self.cleanout.drain_events(&mut self.events);
    }

    fn play(way: &Way) -> Self {
        let mut story = Self::new();
        for (place, stretch) in stretches(way).iter().enumerate() {
            if place == 1 && way.noted {
                story.cleanout.note(story.hours(), true, Some(FRESH_PH));
            }
            story.pass(stretch, way.dead);
        }
        story
    }

    fn report(&self) -> Report {
        *self.cleanout.last().unwrap_or_else(|| panic!("not over: {:?}", self.cleanout.standing()))
    }

    /// Outcomes as words, short.
    fn words(&self) -> String {
        let letter = |outcome: &Outcome| match outcome {
            Outcome::Open => '.',
            Outcome::Done => 'd',
            Outcome::CutShort(_) => 's',
            Outcome::NotWitnessed => '?',
            Outcome::LeftOut => '-',
        };
        self.report().outcomes.iter().map(letter).collect()
    }

    fn outcome(&self, step: Step) -> String {
        self.report().outcomes[step.slot()].to_string()
    }
}

#[test]
fn what_was_done_and_what_was_cut_short() {
    // Drain, clean, places, pump-out, rinse, pump-out-rinse, recharge.
    let noted = Way { noted: true, ..PROPER };
    for (way, words) in [
        (PROPER, "dd?dddd"),
        (noted, "dd?dddd"),
        (Way { clean_min: 20, ..PROPER }, "ds?dddd"),
        (Way { rinse_min: Some(8), ..PROPER }, "dd?dsdd"),
        (Way { rinse_min: Some(0), ..PROPER }, "dd?dsdd"),
        (Way { rinse_min: None, ..PROPER }, "dd?ds-d"),
        (Way { drained_l: 70.0, ..noted }, "sd?dddd"),
        (Way { cleaner_out_l: 60.0, ..PROPER }, "dd?sddd"),
        (Way { rinse_out_l: 60.0, recharge_us_cm: 1500.0, ..PROPER }, "dd?ddsd"),
        (Way { recharge_us_cm: 2400.0, ..PROPER }, "dd?ddds"),
        (Way { dead: (true, false, false), ..noted }, "?d??d?d"),
        (Way { dead: (false, true, false), ..noted }, "d??d?dd"),
        (Way { dead: (false, false, true), ..PROPER }, "d??d?dd"),
        (Way { dead: (false, false, true), clean_min: 20, ..PROPER }, "ds?d?dd"),
    ] {
        let story = Story::play(&way);
        assert_eq!(story.words(), words, "{way:?}: {:?}", story.report());
        assert_eq!(story.report().ending, Ending::Complete);
        assert_eq!(story.report().by_person, way.noted);
        assert!(!story.cleanout.suppresses() && story.cleanout.watches_until_h().is_some());
    }
}

#[test]
fn a_shortfall_is_named_in_numbers() {
    let story = Story::play(&Way { clean_min: 20, rinse_min: None, ..PROPER });
    assert_eq!(story.outcome(Step::Clean), "cut short: 20 min with the pumps on instead of 120 min");
    assert_eq!(story.outcome(Step::Rinse), "cut short: 0 min with the pumps on instead of 30 min");
    let story = Story::play(&Way { noted: true, drained_l: 70.0, ..PROPER });
    assert_eq!(story.outcome(Step::Drain), "cut short: 70 L stayed in the tank");
    let story = Story::play(&Way { recharge_us_cm: 2400.0, ..PROPER });
    assert!(story.outcome(Step::Recharge).ends_with("instead of 7.0 %"), "{}", story.outcome(Step::Recharge));
}

#[test]
fn it_tells_each_step_once_and_in_order() {
    for way in [PROPER, Way { noted: true, ..PROPER }] {
        let story = Story::play(&way);
        let steps: Vec<Step> = (story.events.iter())
            .filter_map(|event| match event {
                Event::StepDone { step, .. } => Some(*step),
                _ => None,
            })
            .collect();
        assert_eq!(steps, Step::ALL);
        assert_eq!(story.events[0], Event::Begun { by_person: way.noted });
        assert!(matches!(story.events.last(), Some(Event::Over(_))));
    }
}

#[test]
fn the_draining_is_told_when_somebody_says_so_after_it() {
    let mut story = Story::new();
    stretches(&PROPER)[..2].iter().for_each(|stretch| story.pass(stretch, PROPER.dead));
    assert_eq!(story.cleanout.standing(), Standing::Suggested);
    story.cleanout.note(story.hours(), true, Some(FRESH_PH));
    story.cleanout.drain_events(&mut story.events);
    let [Event::Begun { by_person: true }, Event::StepDone { step: Step::Drain, outcome, .. }] =
        story.events[..]
    else {
        panic!("{:?}", story.events);
    };
    assert_eq!(outcome, Outcome::Done);
}

#[test]
fn limits_rest_from_the_cleaner_until_the_recharge_has_settled() {
    let mut story = Story::new();
    let all = stretches(&PROPER);
    let (recharge, before) = all.split_last().expect("stretches");
    before.iter().take(2).for_each(|stretch| story.pass(stretch, PROPER.dead));
    assert!(!story.cleanout.suppresses(), "an emptied sump alone is none");
    assert_eq!(story.cleanout.standing(), Standing::Suggested);
    before.iter().skip(2).for_each(|stretch| story.pass(stretch, PROPER.dead));
    story.pass(&Stretch { minutes: 50, ..*recharge }, PROPER.dead);
    assert!(story.cleanout.suppresses(), "not an hour yet");
    story.pass(&Stretch { minutes: 20, ..*recharge }, PROPER.dead);
    assert!(!story.cleanout.suppresses());
}

#[test]
fn a_dump_and_a_refill_are_no_clean_out() {
    for dead in [PROPER.dead, (false, true, false), (true, true, true)] {
        let mut story = Story::new();
        for _ in 0..2 {
            for stretch in [
                Stretch { minutes: 5, to_l: 1.5, ph: 8.6, us_cm: 1900.0, pump: false },
                Stretch { minutes: 7, to_l: FULL_L, ph: FRESH_PH, us_cm: 1560.0, pump: false },
                Stretch { minutes: 1500, to_l: FULL_L - 15.0, ph: FRESH_PH, us_cm: 1560.0, pump: true },
            ] {
                story.pass(&stretch, dead);
            }
        }
        assert!(story.events.is_empty(), "{:?}", story.events);
        assert_eq!(story.cleanout.standing(), Standing::None);
        assert_eq!(story.cleanout.take_refilled(), dead == PROPER.dead, "another fill, where pH tells");
    }
}

#[test]
fn a_sour_fill_without_a_baseline_makes_no_cleaner_of_fresh_coolant() {
    for baseline_ph in [None, Some(7.6)] {
        let mut cleanout = cleanout();
        let mut events = Vec::new();
        for minute in 0..300 {
            let litres = match minute {
                0..60 => 190.0,
                60..65 => 190.0 - 38.0 * f64::from(minute - 60),
                65 => 1.0,
                _ => 200.0,
            };
            let ph = if minute < 66 { 7.6 } else { 9.3 };
            let at_h = f64::from(minute) / 60.0;
            let litres = Some(litres);
            cleanout.observe(&Seen { at_h, litres, ph: Some(ph), baseline_ph, ..Seen::default() });
        }
        cleanout.drain_events(&mut events);
        assert!(events.is_empty(), "{events:?}");
    }
}

#[test]
fn a_probe_that_dies_in_the_middle_makes_a_step_not_witnessed() {
    // Half of the cleaner's two hours, then half of the rinse.
    let all = stretches(&PROPER);
    for (place, words) in [(3, "d??dddd"), (6, "dd?d?dd")] {
        let mut story = Story::new();
        for (at, stretch) in all.iter().enumerate() {
            let half = Stretch { minutes: stretch.minutes / 2, ..*stretch };
            if at == place {
                story.pass(&half, PROPER.dead);
                story.pass(&half, (false, true, false));
            } else {
                story.pass(stretch, PROPER.dead);
            }
        }
        assert_eq!(story.words(), words, "pH dead in stretch {place}: {:?}", story.report());
    }
}

#[test]
fn a_power_cut_in_any_stretch_is_survived_and_counts_as_not_witnessed() {
    let all = stretches(&Way { noted: true, ..PROPER });
    for cut in 1..all.len() {
        for gap_min in [0, 20] {
            let mut story = Story::new();
            for (at, stretch) in all.iter().enumerate() {
                if at == 1 {
                    story.cleanout.note(story.hours(), true, Some(FRESH_PH));
                }
                if at != cut {
                    story.pass(stretch, PROPER.dead);
                    continue;
                }
                let half =
                    Stretch { minutes: stretch.minutes / 2, to_l: stretch.to_l.max(100.0), ..*stretch };
                story.pass(&half, PROPER.dead);
                let kept = serde_json::to_vec(story.cleanout.saved()).expect("written");
                let saved = serde_json::from_slice(&kept).expect("read");
                story.cleanout = cleanout().continued(saved).expect("sound");
                story.minute += gap_min;
                let rest = stretch.minutes - half.minutes;
                story
                    .pass(&Stretch { minutes: rest.saturating_sub(gap_min).max(4), ..*stretch }, PROPER.dead);
            }
            let words = story.words();
            assert_eq!(story.report().ending, Ending::Complete, "cut in {cut}");
            assert!(!words.contains(['s', '.', '-']), "cut of {gap_min} min in {cut}: {:?}", story.report());
            if gap_min == 0 {
                assert_eq!(words, "dd?dddd", "cut in {cut}");
            }
        }
    }
}

#[test]
fn a_person_may_give_it_up_and_so_does_time() {
    let mut story = Story::new();
    story.cleanout.note(story.hours(), true, None);
    stretches(&PROPER)[..3].iter().for_each(|stretch| story.pass(stretch, PROPER.dead));
    assert!(story.cleanout.suppresses());
    story.cleanout.note(story.hours(), false, None);
    assert_eq!(story.report().ending, Ending::Abandoned);
    assert!(!story.cleanout.suppresses() && story.cleanout.watches_until_h().is_none());

    let mut story = Story::new();
    story.cleanout.note(story.hours(), true, None);
    story.pass(&Stretch { minutes: 1439, ..stretches(&PROPER)[0] }, PROPER.dead);
    assert!(story.cleanout.suppresses(), "not a day yet");
    story.pass(&Stretch { minutes: 2, ..stretches(&PROPER)[0] }, PROPER.dead);
    assert_eq!(story.report().ending, Ending::GivenUp);
    assert_eq!(story.report().outcomes[0], Outcome::Open);
}

#[test]
fn a_second_round_of_cleaner_counts_with_the_first() {
    let mut story = Story::new();
    let all = stretches(&Way { clean_min: 60, ..PROPER });
    let order = [0, 1, 2, 3, 4, 2, 3, 4, 5, 6, 7, 8, 9];
    order.iter().for_each(|&at| story.pass(&all[at], PROPER.dead));
    assert_eq!(story.words(), "dd?dddd", "{:?}", story.report());
}

#[test]
fn nonsense_that_was_kept_is_refused() {
    let mut story = Story::new();
    stretches(&PROPER)[..4].iter().for_each(|stretch| story.pass(stretch, PROPER.dead));
    let mut saved = story.cleanout.saved().clone();
    let Stage::Running(run) = &mut saved.stage else { panic!("running: {:?}", saved.stage) };
    run.begun_h = f64::NAN;
    assert_eq!(cleanout().continued(saved).err(), Some(SavedError));
    assert!(serde_json::from_str::<SavedCleanout>("{\"at_h\":\"noon\"}").is_err());
}

/// Hours after a clean-out at a pH and temperature that depend on the hour.
fn hours_after(way: &Way, days: u32, hour: impl Fn(f64) -> (f64, Option<f64>)) -> (Story, Option<Found>) {
    some_hours_after(way, days, |_| true, hour)
}

/// The same, where only some hours have a reading.
fn some_hours_after(
    way: &Way,
    days: u32,
    read: impl Fn(u32) -> bool,
    hour: impl Fn(f64) -> (f64, Option<f64>),
) -> (Story, Option<Found>) {
    let mut story = Story::play(way);
    story.events.clear();
    let from = story.report().ended_h;
    for number in (1..=24 * days).filter(|number| read(*number)) {
        let at_h = from + f64::from(number);
        let (ph, celsius) = hour(f64::from(number));
        story.cleanout.hour(&Hour { at_h, ph, celsius, pump: Some(false), suspected: false });
        story.cleanout.observe(&Seen { at_h, ..Seen::default() });
        story.cleanout.drain_events(&mut story.events);
    }
    let found = story.events.iter().find_map(|event| match event {
        Event::Regrowth(found) => Some(*found),
        _ => None,
    });
    (story, found)
}

#[test]
fn regrowth_is_told_once_early_and_with_its_cause() {
    let skimped = Way { clean_min: 20, rinse_min: None, ..PROPER };
    let (story, found) = hours_after(&skimped, 12, |hour| (9.2 - 0.04 * hour / 24.0, Some(25.0)));
    let found = found.expect("told");
    assert!((0.12..0.3).contains(&found.fall) && found.days < 7.0, "{found:?}");
    assert_eq!((found.warm_share, found.still_share), (Some(1.0), Some(1.0)));
    assert_eq!(story.events.len(), 1, "once");
    let (_, causes) = story.cleanout.regrowth().expect("told");
    assert_eq!(causes.iter().map(|(step, _)| *step).collect::<Vec<_>>(), [Step::Clean, Step::Rinse]);
    let (_, fast) = hours_after(&PROPER, 4, |hour| (9.2 - 0.3 * hour / 24.0, None));
    assert!(fast.is_some_and(|found| found.days < 2.0), "even after a proper one: {fast:?}");
}

#[test]
fn a_trend_is_one_over_days_and_not_over_readings() {
    let skimped = Way { clean_min: 20, ..PROPER };
    let machine_hours = |number: u32| number % 24 >= 14;
    // 0.03 a day is less than speaks, even where a day has only ten hours; 0.05 is more.
    for (a_day, speaks) in [(0.03, false), (0.05, true)] {
        let falls = |hour: f64| (9.2 - a_day * hour / 24.0, Some(25.0));
        let (_, found) = some_hours_after(&skimped, 6, machine_hours, falls);
        assert_eq!(found.is_some(), speaks, "{a_day} a day: {found:?}");
        assert!(found.is_none_or(|found| found.fall < 0.2), "the fall alone does not speak yet: {found:?}");
    }
}

#[test]
fn warm_days_and_cool_nights_are_no_regrowth() {
    // 10 K between day and night, a warmer second day: an amine buffer follows, and nothing grows.
    let celsius = |hour: f64| 20.0 + hour / 24.0 + if (hour % 24.0) < 12.0 { 5.0 } else { -5.0 };
    let way = Way { clean_min: 20, ..PROPER };
    let (_, found) =
        hours_after(&way, 28, |hour| (9.2 - 0.022 * (celsius(hour) - 20.0), Some(celsius(hour))));
    assert_eq!(found, None);
}

#[test]
fn the_watch_ends_after_four_days_or_four_weeks() {
    let late = |hour: f64| (if hour < 24.0 * 6.0 { 9.2 } else { 8.8 }, Some(25.0));
    assert_eq!(hours_after(&PROPER, 12, late).1, None, "four days after a proper one");
    assert!(hours_after(&Way { clean_min: 20, ..PROPER }, 12, late).1.is_some(), "four weeks after this");
}

#[test]
fn the_sheet_reckons_for_this_tank_and_warns() {
    use crate::estimate::guidance::Caution;
    let sheet = cleanout().sheet();
    assert!((sheet.numbers.cleaner_concentrate_l - 8.0).abs() < 1e-9, "4 % of 200 L");
    assert!((sheet.numbers.rinse_concentrate_l - 4.0).abs() < 1e-9, "2 % of 200 L");
    assert!((sheet.numbers.recharge_concentrate_l - 14.0).abs() < 1e-9, "7 % of 200 L");
    for caution in [
        Caution::LockOut,
        Caution::GlovesAndEyes,
        Caution::DataSheetFirst,
        Caution::NeverMixCleaner,
        Caution::OilyWipes,
        Caution::LicensedWaste,
        Caution::BiocidesByThoseAllowed,
        Caution::Ventilate,
    ] {
        assert!(sheet.cautions.contains(&caution), "{caution:?}");
    }
    assert!(Step::ALL.iter().all(|step| sheet.rules.contains(&step.rule())));
}
