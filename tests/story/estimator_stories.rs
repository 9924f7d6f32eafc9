//! What is told of a sump, one thing at a time, in hand-made sequences of a reading a minute.

use sumpwarden_core::estimate::note::NoteKind;
use sumpwarden_core::estimate::settings::{EstimateKind, SumpAccuracy, SumpProbes, SumpSettings};
use sumpwarden_core::estimate::sump::{Estimates, Sump, What};
use sumpwarden_core::model::{DeviceStatus, Quality, Reason, Status};
use sumpwarden_core::signal::settings::Accuracy;
use sumpwarden_tests::shop::{
    Bench, CONDUCTIVITY, FROZEN, HOLDUP_L, LEVEL, LITRES_PER_MM, METER, PH, PUMP, TEMPERATURE, at, estimate,
    half_width, lathe, reading,
};

/// A lathe that has been watched for three days.
fn watched() -> Bench {
    watched_with(&lathe())
}

fn watched_with(settings: &SumpSettings) -> Bench {
    let mut bench = Bench::new(settings, 7.0);
    bench.days(3);
    assert!(bench.events.is_empty(), "nothing has happened: {:?}", bench.events);
    bench
}

/// Pumps that run for ten minutes and stand for twenty.
fn cycling(minute: u64) -> bool {
    minute % 30 < 10
}

/// Top-ups told: litres, percent, deviation of the percent.
fn topups(bench: &Bench) -> Vec<(f64, f64, f64)> {
    let of = |what| match what {
        What::TopUp { litres, percent, deviation } => Some((litres, percent, deviation)),
        _ => None,
    };
    bench.events.iter().filter_map(|event| of(event.what)).collect()
}

/// The one top-up told.
fn only_topup(bench: &Bench) -> (f64, f64, f64) {
    match topups(bench)[..] {
        [one] => one,
        ref other => panic!("one top-up expected: {other:?}, of {:?}", bench.events),
    }
}

fn holds(bench: &Bench, kind: EstimateKind, truth: f64) {
    let e = estimate(&bench.sump, kind);
    assert!((e.low90..=e.high90).contains(&truth), "{kind:?}: truth {truth}, {e:?}");
}

/// What a first look made of too coarse a line, the next one would mend at the cost of what is in the sump.
#[test]
fn a_sump_in_which_nothing_happens_is_believed_the_same_from_the_first_look_on() {
    for (start, strength) in [(4.0, "weak"), (5.5, "usual"), (9.0, "strong")] {
        let mut bench = Bench::new(&lathe(), start);
        let [first, later] = [25, 360].map(|minutes| {
            bench.go_on(minutes, |_| false);
            let of = |kind| estimate(&bench.sump, kind).value;
            (of(EstimateKind::Concentration), of(EstimateKind::Hardness))
        });
        assert!((first.0 - later.0).abs() < 0.1, "{strength}: {} % then {} %", first.0, later.0);
        assert!((first.1 / later.1 - 1.0).abs() < 0.01, "{strength}: {} mg/L then {} mg/L", first.1, later.1);
    }
}

#[test]
fn a_top_up_while_the_pump_cycles_is_found_with_its_litres() {
    let mut bench = watched();
    bench.go_on(300, cycling);
    bench.pour(30.0, 4.0, false, true);
    bench.go_on(420, cycling);
    let (litres, percent, deviation) = only_topup(&bench);
    assert!((litres - 30.0).abs() < 3.0, "{litres} L");
    assert!((percent - 4.0).abs() < 2.0 * deviation.max(0.5), "{percent} ± {deviation} %");
    holds(&bench, EstimateKind::Liquid, bench.liquid_l);
    holds(&bench, EstimateKind::Concentration, bench.percent());
}

/// Pumps that stop raise the level as much, but dilute nothing.
#[test]
fn without_a_contact_a_top_up_as_large_as_the_hold_up_is_told_from_pumps_that_stop() {
    let lathe = lathe();
    let settings =
        SumpSettings { probes: SumpProbes { pump: None, makeup_total: None, ..lathe.probes }, ..lathe };
    for (poured, strength) in [(25.0, 0.0), (25.0, 3.5), (21.0, 3.5), (28.0, 2.0)] {
        let mut bench = watched_with(&settings);
        bench.go_on(600, |minute| minute >= 360);
        bench.pour(poured, strength, false, true);
        bench.go_on(840, |minute| minute < 720);
        bench.days(2);
        let (litres, percent, deviation) = only_topup(&bench);
        assert!((litres - poured).abs() < 5.0, "{litres} of {poured} L");
        assert!(
            (percent - strength).abs() < 2.0 * deviation.max(0.5),
            "{percent} ± {deviation} % of {strength} %"
        );
        holds(&bench, EstimateKind::Liquid, bench.liquid_l);
        holds(&bench, EstimateKind::Concentration, bench.percent());
    }
}

/// Coolant as strong as the sump's dilutes nothing, but an idle sump has no waves.
#[test]
fn without_a_contact_waves_tell_a_top_up_from_pumps_that_stop_and_pauses_are_none() {
    let lathe = lathe();
    let settings =
        SumpSettings { probes: SumpProbes { pump: None, makeup_total: None, ..lathe.probes }, ..lathe };
    // Parts are changed for five minutes, again and again.
    let works = |minute: u64| minute % 25 >= 5;
    for poured in [19.0, 25.0, 31.0] {
        let mut bench = Bench::new(&settings, 7.0);
        bench.idle_waves = 0.2;
        for _ in 0..4 {
            bench.go_on(1440, |minute| (360..1320).contains(&minute) && works(minute));
        }
        bench.go_on(600, |minute| minute >= 360 && works(minute));
        assert_eq!(bench.events, [], "nothing was poured yet");
        bench.pour(poured, bench.percent(), false, true);
        bench.go_on(840, |minute| minute < 720 && works(minute));
        bench.go_on(1440, |minute| (360..1320).contains(&minute) && works(minute));
        let (litres, ..) = only_topup(&bench);
        assert!((litres - poured).abs() < 2.5, "{litres} of {poured} L");
        assert_eq!(bench.events.len(), 1, "{:?}", bench.events);
        holds(&bench, EstimateKind::Liquid, bench.liquid_l);
        holds(&bench, EstimateKind::Concentration, bench.percent());
    }
}

/// A sump whose contact has spoken is none of which nobody ever heard.
#[test]
fn a_contact_that_falls_silent_takes_little_from_what_is_known_of_losses() {
    let mut bench = watched();
    let factor = |bench: &Bench| {
        let told = estimate(&bench.sump, EstimateKind::Evaporation);
        told.high90 / told.value
    };
    let before = factor(&bench);
    bench.silent.push(PUMP);
    let broken = Quality::new(Status::BadNoCommunication, DeviceStatus::Failure, Reason::Stale);
    let now = at(bench.now_s);
    bench.sump.observe(now, &reading(now, PUMP, 0.0, broken));
    bench.days(1);
    let after = factor(&bench);
    assert!(after < 1.5 * before, "times {before:.2}, then {after:.2}");
}

/// What still and running hours look like is not learned anew after a restart.
#[test]
fn without_a_contact_a_restart_forgets_no_waves() {
    let lathe = lathe();
    let settings =
        SumpSettings { probes: SumpProbes { pump: None, makeup_total: None, ..lathe.probes }, ..lathe };
    let mut bench = Bench::new(&settings, 7.0);
    bench.idle_waves = 0.2;
    bench.days(3);
    bench.go_on(600, |minute| minute >= 360);
    let (bytes, _) = bench.kept.clone().expect("something is kept every hour");
    bench.sump = Sump::new(&settings, &SumpAccuracy::default(), 1.0).expect("sound settings");
    assert!(bench.sump.restore(&bytes));
    bench.go_on(60, |_| true);
    bench.pour(24.0, bench.percent(), false, true);
    // Told at once, not only when the pumps stop some day.
    bench.go_on(150, |_| true);
    let (litres, ..) = only_topup(&bench);
    assert!((litres - 24.0).abs() < 2.5 && bench.events.len() == 1, "{:?}", bench.events);
}

/// A partial exchange, or a can drawn off for another machine, with the can that follows at once.
#[test]
fn what_is_drawn_off_just_before_a_top_up_is_told_apart_from_it() {
    let mut bench = watched();
    bench.silent = vec![METER];
    bench.go_on(120, |_| false);
    bench.pump_out(18.0);
    bench.go_on(3, |_| false);
    bench.pour(45.0, 4.0, false, false);
    bench.go_on(600, |minute| minute > 20);
    let (litres, percent, _) = only_topup(&bench);
    assert!((litres - 45.0).abs() < 3.0, "{litres} L");
    assert!((percent - 4.0).abs() < 1.5, "{percent} %");
    let drawn = bench
        .events
        .iter()
        .any(|event| matches!(event.what, What::DrawOff { litres } if (litres - 18.0).abs() < 3.0));
    assert!(drawn, "{:?}", bench.events);
    holds(&bench, EstimateKind::Concentration, bench.percent());
    holds(&bench, EstimateKind::Liquid, bench.liquid_l);
}

/// Believed wrong, it would make a top-up of every stop and something drawn off of every start, for ever.
#[test]
fn a_hold_up_that_was_set_far_too_small_is_found_out_by_the_second_start() {
    let mut bench = Bench::new(&SumpSettings { holdup_l: 2.0, ..lathe() }, 7.0);
    bench.days(6);
    let told = bench.events.len();
    assert!(told <= 3, "a stop and a start or two are misread, no more: {:?}", bench.events);
    bench.days(6);
    assert_eq!(bench.events.len(), told, "{:?}", bench.events);
    bench.go_on(600, |minute| minute >= 360);
    holds(&bench, EstimateKind::Holdup, HOLDUP_L);
    holds(&bench, EstimateKind::Liquid, bench.liquid_l);
    holds(&bench, EstimateKind::Concentration, bench.percent());
}

#[test]
fn a_plain_top_up_is_told_as_nothing_but_water() {
    let mut bench = watched();
    bench.go_on(60, |_| true);
    bench.pour(40.0, 0.0, false, true);
    bench.go_on(300, |_| true);
    let (litres, percent, deviation) = only_topup(&bench);
    assert!((litres - 40.0).abs() < 4.0, "{litres} L");
    assert!(percent < 0.5 && deviation < 1.0, "{percent} ± {deviation} %");
    holds(&bench, EstimateKind::Concentration, bench.percent());
}

#[test]
fn a_dump_and_a_refill_are_told() {
    let mut bench = watched();
    bench.go_on(60, |_| false);
    let before_l = bench.liquid_l;
    bench.pump_out(before_l - 8.0);
    bench.go_on(60, |_| false);
    bench.pour(240.0, 6.0, false, false);
    bench.go_on(40, |_| false);
    bench.go_on(300, |_| true);
    let dumped = bench.events.iter().find_map(|event| match event.what {
        What::Dump { litres } => Some(litres),
        _ => None,
    });
    let filled = bench.events.iter().find_map(|event| match event.what {
        What::Fill { litres, percent, deviation } => Some((litres, percent, deviation)),
        _ => None,
    });
    let dumped = dumped.unwrap_or_else(|| panic!("no dump in {:?}", bench.events));
    assert!((dumped - before_l + 8.0).abs() < 0.1 * before_l, "{dumped} L of {before_l}");
    let (litres, percent, deviation) = filled.unwrap_or_else(|| panic!("no fill in {:?}", bench.events));
    assert!((litres - 240.0).abs() < 24.0, "{litres} L");
    assert!((percent - 6.0).abs() < 2.0 * deviation.max(0.3), "{percent} ± {deviation} %");
    holds(&bench, EstimateKind::Concentration, bench.percent());
    holds(&bench, EstimateKind::Liquid, bench.liquid_l);
}

/// The leak told: L/h, their deviation, and how many hours after `since_s`.
fn leak_told(bench: &Bench, since_s: u64) -> Option<(f64, f64, f64)> {
    bench.events.iter().find_map(|event| match event.what {
        What::Leak { litres_h, deviation } => {
            Some((litres_h, deviation, event.at.as_millis() as f64 / 3.6e6 - since_s as f64 / 3600.0))
        }
        _ => None,
    })
}

/// What is told of a sump that loses so much more from midnight on; the machine works from six.
fn leak_of(litres_h: f64) -> Option<(f64, f64, f64)> {
    let mut bench = watched();
    let since_s = bench.now_s;
    bench.losses_l_h[3] = litres_h;
    bench.days(1);
    leak_told(&bench, since_s)
}

#[test]
fn a_leak_is_told_within_twelve_hours() {
    let (.., hours) = leak_of(1.5).expect("1.5 L/h for a day is told");
    assert!(hours < 12.0, "after {hours} h");
    assert_eq!(leak_of(0.0), None, "and none where none is");
}

#[test]
fn a_leak_is_told_with_its_litres() {
    for truth in [0.75, 1.5, 3.0] {
        let (litres_h, deviation, _) = leak_of(truth).expect("told");
        assert!((litres_h - truth).abs() < 2.0 * deviation, "{truth} L/h told as {litres_h} ± {deviation}");
        assert!(deviation < 0.4 * litres_h, "{litres_h} ± {deviation} L/h says nothing");
    }
}

/// Of a sump that nobody has watched before, nothing is known of how fast it dries.
#[test]
fn a_leak_from_the_first_hours_on_is_not_taken_for_evaporation() {
    for percent in [5.0, 7.0] {
        let mut bench = Bench::new(&lathe(), percent);
        bench.go_on(150, |_| true);
        bench.losses_l_h[3] = 5.0;
        bench.go_on(210, |_| true);
        bench.pour(30.0, 3.8, false, true);
        bench.go_on(120, |_| true);
        for _ in 0..26 {
            bench.go_on(60, |_| false);
            holds(&bench, EstimateKind::Concentration, bench.percent());
        }
        let (litres_h, deviation, _) = leak_told(&bench, 0).expect("told once a day has been seen");
        assert!((litres_h - 5.0).abs() < 2.0 * deviation, "{litres_h} ± {deviation} L/h");
    }
}

/// Whether a loss is told, looked at every ten minutes of two days; what cannot be said yet is left out, and what is said
/// again as well.
fn loss_said(litres_h: f64) -> Vec<bool> {
    let mut bench = watched();
    bench.losses_l_h[3] = litres_h;
    let mut said = Vec::new();
    for ten in 0..2 * 144 {
        bench.go_on(10, |minute| (360..1320).contains(&((10 * ten + minute) % 1440)));
        let leak = bench.sump.latest_look().leak_l_d();
        said.extend(bench.sump.watch_losses(leak).map(|loss| loss.is_some()));
    }
    said.dedup();
    said
}

#[test]
fn a_loss_is_told_once_and_does_not_come_and_go() {
    assert_eq!(loss_said(0.0), [false]);
    for litres_h in [0.4, 1.5] {
        assert_eq!(loss_said(litres_h), [false, true], "{litres_h} L/h");
    }
}

#[test]
fn a_dry_conductivity_probe_does_not_move_the_concentration() {
    let mut bench = watched();
    let before = estimate(&bench.sump, EstimateKind::Concentration).value;
    bench.false_us_cm = Some((3.0, Quality::GOOD));
    bench.go_on(12 * 60, |minute| minute > 360);
    let after = estimate(&bench.sump, EstimateKind::Concentration).value;
    assert!((after - before).abs() < 0.3, "from {before} to {after} %");
    holds(&bench, EstimateKind::Concentration, bench.percent());
    assert!(bench.events.is_empty(), "{:?}", bench.events);
}

#[test]
fn a_frozen_conductivity_does_not_move_the_concentration() {
    let mut bench = watched();
    let stands_at = bench.us_cm();
    bench.false_us_cm = Some((stands_at, FROZEN));
    let width = half_width(&estimate(&bench.sump, EstimateKind::Concentration));
    // Meanwhile it is thinned: a frozen probe that is believed would hold the old concentration and swear to it.
    bench.go_on(400, |_| true);
    bench.pour(30.0, 0.0, false, true);
    bench.days(2);
    holds(&bench, EstimateKind::Concentration, bench.percent());
    let later = half_width(&estimate(&bench.sump, EstimateKind::Concentration));
    assert!(later > 1.2 * width, "it is less sure: ± {width}, then ± {later} %");
    let mut believed = watched();
    believed.false_us_cm = Some((stands_at, Quality::GOOD));
    believed.go_on(400, |_| true);
    believed.pour(30.0, 0.0, false, true);
    believed.days(2);
    let [frozen, believed] = [&bench, &believed]
        .map(|b| (estimate(&b.sump, EstimateKind::Concentration).value - b.percent()).abs());
    assert!(frozen < believed, "{frozen} points off, and {believed} where it is believed");
}

#[test]
fn a_conductivity_that_is_off_after_a_top_up_moves_little() {
    for part in [0.96, 0.93, 0.9, 1.04, 1.07] {
        let mut bench = watched();
        bench.go_on(420, |_| true);
        bench.pour(30.0, 0.0, false, true);
        bench.false_us_cm = Some((part * bench.us_cm(), Quality::GOOD));
        bench.go_on(120, |_| true);
        let value = estimate(&bench.sump, EstimateKind::Concentration).value;
        assert!((value - bench.percent()).abs() < 0.5, "{value} %, {} % in truth, {part}", bench.percent());
        holds(&bench, EstimateKind::Concentration, bench.percent());
        // Nothing thins more than water does, neat concentrate least of all.
        let (_, percent, _) = only_topup(&bench);
        assert!(part > 1.0 || percent < 3.0, "{percent} % told, {part}");
    }
}

/// A watched lathe whose gateway was off for a week while the machine worked on; and its estimates as they were kept.
fn after_a_week_off() -> (Bench, Estimates) {
    let mut bench = watched();
    let (bytes, then) = bench.kept.clone().expect("something is kept every hour");
    bench.sump = Sump::new(&lathe(), &SumpAccuracy::default(), 1.0).expect("sound settings");
    assert!(bench.sump.restore(&bytes));
    bench.silent = vec![LEVEL, CONDUCTIVITY, TEMPERATURE, PH, PUMP, METER];
    bench.days(7);
    bench.silent.clear();
    (bench, then)
}

#[test]
fn after_a_week_off_it_goes_on() {
    let (mut bench, _) = after_a_week_off();
    bench.go_on(300, |_| true);
    assert_eq!(estimate(&bench.sump, EstimateKind::Concentration).quality, Quality::GOOD);
    holds(&bench, EstimateKind::Concentration, bench.percent());
    holds(&bench, EstimateKind::Liquid, bench.liquid_l);
    bench.days(2);
    holds(&bench, EstimateKind::Concentration, bench.percent());
    holds(&bench, EstimateKind::Liquid, bench.liquid_l);
}

/// People fill a sump up whether or not the gateway runs: what evaporated meanwhile left its minerals, and what was poured in
/// brought new ones, but it is not as hard as if all of it had been the sump's own coolant.
#[test]
fn what_was_poured_in_during_a_week_off_is_told_from_its_own_coolant() {
    let mut bench = watched();
    bench.losses_l_h = [0.8, 0.1, 0.2, 0.0];
    for _ in 0..2 {
        bench.days(3);
        bench.pour(50.0, 4.2, false, false);
    }
    bench.go_on(180, |_| true);
    bench.note(NoteKind::ConcentrationPercent, bench.percent());
    bench.note(NoteKind::HardnessMgL, 240.0 * bench.minerals_l / bench.liquid_l);
    bench.silent = vec![LEVEL, CONDUCTIVITY, TEMPERATURE, PH, PUMP, METER];
    for _ in 0..3 {
        bench.days(3);
        bench.pour(50.0, 4.2, false, false);
    }
    bench.silent = vec![METER];
    bench.days(2);
    let hardness_mg_l = 240.0 * bench.minerals_l / bench.liquid_l;
    holds(&bench, EstimateKind::Hardness, hardness_mg_l);
    let told = estimate(&bench.sump, EstimateKind::Hardness).value;
    assert!((told / hardness_mg_l - 1.0).abs() < 0.08, "{told} of {hardness_mg_l} mg/L");
    holds(&bench, EstimateKind::Concentration, bench.percent());
    holds(&bench, EstimateKind::Liquid, bench.liquid_l);
}

#[test]
fn after_a_week_off_it_is_less_sure_until_level_and_conductivity_are_back() {
    let (mut bench, then) = after_a_week_off();
    bench.silent = vec![LEVEL, CONDUCTIVITY];
    bench.go_on(2, |_| false);
    for kind in [EstimateKind::Concentration, EstimateKind::Hardness, EstimateKind::Liquid] {
        let (then, now) = (then[kind.place()].expect("believed"), estimate(&bench.sump, kind));
        assert!(half_width(&now) > 1.05 * half_width(&then), "{kind:?}: {then:?}, after a week {now:?}");
        assert_eq!(now.quality.reason, Reason::FewerSources, "{kind:?}");
        let rises = kind != EstimateKind::Liquid;
        assert!((now.value > then.value) == rises, "{kind:?}: {then:?}, after a week {now:?}");
    }
}

#[test]
fn with_only_level_and_conductivity_it_says_how_unsure_it_is() {
    let probes =
        SumpProbes { level: [Some(LEVEL), None], conductivity: Some(CONDUCTIVITY), ..SumpProbes::default() };
    let mut bench = Bench::new(&SumpSettings { probes, ..lathe() }, 7.0);
    bench.go_on(9, |_| false);
    assert!(bench.sump.latest().iter().all(Result::is_err), "nothing is believed of ten minutes");
    bench.go_on(21, |_| false);
    for (kind, part) in
        [(EstimateKind::Concentration, 0.1), (EstimateKind::Hardness, 0.2), (EstimateKind::Liquid, 0.02)]
    {
        let e = estimate(&bench.sump, kind);
        assert!(half_width(&e) > part * e.value, "{kind:?} after half an hour: {e:?}");
        assert!(half_width(&e) < 10.0 * part * e.value, "{kind:?} after half an hour: {e:?}");
    }
    for _ in 0..2 {
        holds(&bench, EstimateKind::Concentration, bench.percent());
        holds(&bench, EstimateKind::Liquid, bench.liquid_l);
        bench.days(4);
    }
}

#[test]
fn an_estimate_is_no_better_than_what_it_rests_on() {
    let quality = |bench: &Bench, kind| estimate(&bench.sump, kind).quality;
    let overdue = Quality::new(
        Status::UncertainSensorNotAccurate,
        DeviceStatus::MaintenanceRequired,
        Reason::CalibrationOverdue,
    );
    let mut bench = watched();
    bench.false_us_cm = Some((bench.us_cm(), overdue));
    bench.go_on(2, |_| false);
    assert_eq!(quality(&bench, EstimateKind::Concentration), overdue);
    assert_eq!(quality(&bench, EstimateKind::Liquid), Quality::GOOD, "the level is fine");
    bench.false_us_cm = None;
    bench.go_on(2, |_| false);
    assert_eq!(quality(&bench, EstimateKind::Concentration), Quality::GOOD, "and it has been calibrated");
    bench.silent = vec![CONDUCTIVITY];
    bench.go_on(150, |_| false);
    assert_eq!(quality(&bench, EstimateKind::Concentration).reason, Reason::FewerSources);
}

#[test]
fn a_level_beyond_the_tank_and_a_strength_beyond_the_jar_test_are_named() {
    let reason = |bench: &Bench, kind| estimate(&bench.sump, kind).quality.reason;
    let mut strong = Bench::new(&lathe(), 14.0);
    strong.go_on(30, |_| false);
    strong.note(NoteKind::ConcentrationPercent, 14.0);
    strong.go_on(30, |_| false);
    assert_eq!(reason(&strong, EstimateKind::Concentration), Reason::OutsideCurve);
    assert_eq!(reason(&strong, EstimateKind::Liquid), Reason::None);
    let mut bench = watched();
    assert_eq!(reason(&bench, EstimateKind::Concentration), Reason::None);
    // 10 mm over the rim of a tank of 400 mm.
    bench.liquid_l = 410.0 * LITRES_PER_MM;
    bench.go_on(2, |_| false);
    for kind in [EstimateKind::Liquid, EstimateKind::Concentration] {
        assert_eq!(reason(&bench, kind), Reason::OutsideTank, "{kind:?}");
    }
}

/// A lathe read for some days by probes of this accuracy.
fn read_by(accuracy: &SumpAccuracy) -> Bench {
    let mut bench = Bench::new(&lathe(), 7.0);
    bench.sump = Sump::new(&lathe(), accuracy, 1.0).expect("sound settings");
    bench.days(2);
    bench
}

#[test]
fn probes_said_to_be_worse_make_it_less_sure() {
    let ordinary = SumpAccuracy::default();
    let coarse = SumpAccuracy { level_mm: 20.0, ..ordinary };
    let fouling = Accuracy { relative: 0.08, ..ordinary.conductivity };
    let fixed = Accuracy { absolute: 130.0, relative: 0.0 };
    let [plain, coarse, fouling, fixed] = [
        ordinary,
        coarse,
        SumpAccuracy { conductivity: fouling, ..ordinary },
        SumpAccuracy { conductivity: fixed, ..ordinary },
    ]
    .map(|accuracy| read_by(&accuracy).sump);
    let width = |sump: &Sump, kind| half_width(&estimate(sump, kind));
    let wider = |worse: &Sump, kind| width(worse, kind) / width(&plain, kind);
    for (kind, least) in [(EstimateKind::Room, 4.0), (EstimateKind::Liquid, 1.05)] {
        assert!(wider(&coarse, kind) > least, "{kind:?} by {}", wider(&coarse, kind));
    }
    for worse in [&fouling, &fixed] {
        let by = wider(worse, EstimateKind::Concentration);
        assert!(by > 1.25, "by {by}");
    }
}

#[test]
fn a_meter_on_the_make_up_line_tells_litres_better() {
    let unmetered = {
        let settings = lathe();
        SumpSettings { probes: SumpProbes { makeup_total: None, ..settings.probes }, ..settings }
    };
    let off = [lathe(), unmetered].map(|settings| {
        let mut bench = watched_with(&settings);
        for _ in 0..4 {
            bench.go_on(200, |minute| minute % 50 < 20);
            bench.pour(20.0, 4.0, true, false);
            bench.go_on(200, cycling);
            bench.pump_out(20.0);
            bench.go_on(120, |_| true);
        }
        let told = topups(&bench);
        assert!(told.len() >= 3, "{told:?}");
        told.iter().map(|(litres, ..)| (litres - 20.0).abs()).sum::<f64>() / told.len() as f64
    });
    assert!(off[0] < off[1], "off by {} L with a meter, {} L without", off[0], off[1]);
}
