use super::*;
use crate::judged::Interval;
use crate::score::TopUp;
use crate::track::Raised;

const HOUR: i64 = 3_600_000;

/// Twenty days of a sump whose concentration is always 7 % and read half a point too high, with this interval around the
/// estimate.
fn track(half_width: f64) -> Track {
    let hour = |h: i64| {
        let mut hour = Hour {
            at: Stamp(h * HOUR),
            truth: [None; Judged::COUNT],
            estimate: [None; Judged::COUNT],
            rivals: [[Some(9.0), None, None]; RIVALS.len()],
            left_out: false,
        };
        // In the warm-up it is wrong by ninety points.
        let value = if h <= 72 { 97.0 } else { 7.5 };
        hour.truth[0] = Some(7.0);
        hour.estimate[0] = Some(Interval { value, low90: value - half_width, high90: value + half_width });
        hour.truth[Judged::Evaporation as usize] = Some(0.2);
        hour.estimate[Judged::Evaporation as usize] = Some(Interval { value: 0.3, low90: 0.1, high90: 0.5 });
        hour
    };
    Track { hours: (1..=480).map(hour).collect(), ..Track::new("lathe-1", 380.0, Stamp(0)) }
}

fn told(hour: i64, subject: &str) -> Told {
    Told { at: Stamp(hour * HOUR), subject: subject.to_owned(), state: String::new(), value: None }
}

#[test]
fn the_warm_up_is_not_judged_and_an_interval_can_fail() {
    let concentration = |half_width| {
        let account = Account::of(&track(half_width), false, 400.0);
        account.quantities[0].figures().expect("seventeen days")
    };
    let honest = concentration(0.6);
    assert_eq!((honest.judged, honest.rms, honest.coverage_percent), (17 * 24, 0.5, Some(100.0)));
    assert_eq!(concentration(0.4).coverage_percent, Some(0.0), "half a point off, sure of 0.4");
    let bare = Account::of(&track(0.6), false, 400.0).rivals[0][0].figures().expect("seventeen days");
    assert_eq!((bare.rms, bare.coverage_percent), (2.0, None), "a rival has no interval");
}

#[test]
fn rates_are_judged_by_whole_days() {
    let mut track = track(1.0);
    track.hours[100].left_out = true;
    let account = Account::of(&track, false, 400.0);
    let evaporation = account.quantities[Judged::Evaporation as usize].figures().expect("sixteen days");
    assert_eq!((evaporation.judged, evaporation.missing), (16, 0));
    assert!((evaporation.bias - 0.1).abs() < 1e-9);
    assert_eq!(account.quantities[0].figures().expect("hours").judged, 17 * 24 - 1);
}

#[test]
fn intervals_of_rates_are_judged_by_the_hours_in_which_something_was_lost() {
    let mut track = track(1.0);
    let place = Judged::Evaporation as usize;
    for (i, hour) in track.hours.iter_mut().enumerate() {
        // One hour in four loses more than was told, one nothing at all.
        hour.truth[place] = Some([0.2, 0.6, 0.2, 0.0][i % 4]);
    }
    let evaporation = Account::of(&track, false, 400.0).quantities[place].figures().expect("seventeen days");
    let coverage = evaporation.coverage_percent.expect("intervals");
    assert!((coverage - 200.0 / 3.0).abs() < 1e-9, "{coverage}");
    assert!((evaporation.bias - 0.05).abs() < 1e-9, "a day's mean error is that of its hours");
}

#[test]
fn leaks_and_exchanges_are_told_late_early_or_never() {
    let mut track = track(1.0);
    track.leaks = vec![(Stamp(200 * HOUR), Some(Stamp(250 * HOUR)))];
    track.exchanges = vec![(Stamp(300 * HOUR), Stamp(302 * HOUR)), (Stamp(400 * HOUR), Stamp(401 * HOUR))];
    track.events =
        vec![told(150, "leak"), told(212, "leak"), told(275, "leak"), told(304, "dump"), told(405, "dump")];
    let account = Account::of(&track, false, 400.0);
    assert_eq!(
        (account.leaks.as_slice(), account.false_leaks),
        ([Some(12.0)].as_slice(), 2),
        "before it and after"
    );
    assert_eq!(account.exchanges, (1, 2), "four hours after the second is too late");
    assert_eq!(account.false_exchanges, 1);
}

#[test]
fn a_fill_is_one_though_it_is_told_by_two_records() {
    let mut track = track(1.0);
    track.events = vec![told(150, "fill"), Told { state: "percent".to_owned(), ..told(150, "fill") }];
    assert_eq!(Account::of(&track, false, 400.0).false_exchanges, 1);
}

#[test]
fn a_refill_told_as_a_topup_is_no_false_topup() {
    let at = |hour: i64| Stamp(hour * HOUR);
    let topup = |hour| TopUp { started: at(hour), ended: at(hour), litres: 20.0, percent: Some(4.0) };
    let mut track = track(1.0);
    track.exchanges = vec![(at(300), at(302))];
    track.pours = vec![topup(10), topup(100), topup(200)];
    track.topups = vec![topup(100), topup(150), topup(302)];
    let topups = Account::of(&track, false, 400.0).topups;
    assert_eq!((topups.found, topups.missed, topups.falsely), (1, 1, 1), "the first lies in the warm-up");
}

#[test]
fn an_alarm_is_false_by_the_truth_or_because_nothing_confirms_it_where_all_is_quiet() {
    let alarm = |false_by_truth| Raised { at: Stamp(100 * HOUR), name: "weak".to_owned(), false_by_truth };
    let mut track = track(1.0);
    track.alarms = vec![alarm(Some(true)), alarm(Some(false)), alarm(None)];
    let account = Account::of(&track, false, 400.0);
    assert_eq!((account.alarms, account.false_alarms), (3, 1));
    assert_eq!(account.false_alarms_a_month(), Some(1.5));
    assert_eq!(Account::of(&track, true, 400.0).false_alarms, 2);
}
