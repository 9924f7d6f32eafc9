//! Probes on their way through beakers, on a virtual clock.

use super::*;
use crate::model::{DeviceStatus, Reason, Status};
use crate::signal::conductivity::KclStandard;

const DIN: Choice = Choice::Family(BufferFamily::Din19266);

fn line(text: &str) -> Line {
    Line::new(text, 80).expect("a line")
}

fn now(seconds: u64) -> Now {
    let passed = Duration::from_secs(seconds);
    Now {
        uptime: Uptime::default().plus(passed),
        utc: Timestamp::from_millis(1_800_000_000_000).plus(passed),
    }
}

fn setup(before: Calibrated, family: Option<BufferFamily>) -> Setup {
    Setup {
        before,
        family,
        at_reference: false,
        celsius_is_fixed: false,
        is_conductivity: false,
        period: Duration::from_secs(2),
    }
}

fn electrode(family: Option<BufferFamily>) -> Setup {
    let before = Calibrated::Ph(PhCalibration::IDEAL);
    setup(before, family)
}

fn cell(constant_per_cm: f64) -> Setup {
    setup(Calibrated::Cell { constant_per_cm }, None)
}

fn take() -> Take {
    Take { by: line("Kim"), standard: None, celsius: None, even_if_unsteady: false }
}

fn as_it_is() -> Take {
    Take { even_if_unsteady: true, ..take() }
}

/// A session and its clock.
struct Bench {
    session: Session,
    second: u64,
}

impl Bench {
    fn new(setup: Setup, choice: Option<Choice>) -> Self {
        let session = Session::begin(setup, now(0), line("Kim"), choice, None).expect("it can begin");
        Self { session, second: 0 }
    }

    /// The probe gives this for so many seconds, read every two.
    fn show(&mut self, signal: f64, celsius: f64, seconds: u64) -> &mut Self {
        self.sweep(|_| signal, celsius, seconds)
    }

    fn sweep(&mut self, signal: impl Fn(f64) -> f64, celsius: f64, seconds: u64) -> &mut Self {
        for passed in (2..=seconds).step_by(2) {
            let received = now(self.second + passed).uptime;
            self.session.observe(Seen { received, signal: signal(passed as f64), celsius, stands_in: false });
        }
        self.second += seconds;
        self
    }

    fn take(&mut self, take: Take) -> Result<Point, Refusal> {
        let now = now(self.second);
        self.session.take(now, take).cloned()
    }

    /// A steady point.
    fn point(&mut self, signal: f64, celsius: f64) -> Result<Point, Refusal> {
        self.show(signal, celsius, 40).take(take())
    }
}

#[test]
fn a_session_begins_when_it_is_known_whose_buffers_these_are() {
    let begin = |setup, choice| Session::begin(setup, now(0), line("Kim"), choice, None).map(|_| ());
    assert_eq!(begin(electrode(None), None), Err(Refusal::NoFamily), "7.00 and 6.86 look alike");
    assert_eq!(begin(electrode(None), Some(DIN)), Ok(()));
    assert_eq!(begin(electrode(Some(BufferFamily::Technical4710)), None), Ok(()));
    assert_eq!(begin(electrode(None), Some(Choice::Ph(7.02))), Ok(()));
    assert!(matches!(begin(electrode(None), Some(Choice::Label(1413.0))), Err(Refusal::Standard(_, true))));
    assert_eq!(begin(cell(0.5), None), Ok(()), "bottles are far apart");
    assert!(matches!(begin(cell(0.5), Some(DIN)), Err(Refusal::Standard(_, false))));
    let too_hot = Session::begin(cell(0.5), now(0), line("Kim"), None, Some(60.0));
    assert_eq!(too_hot.map(|_| ()), Err(Refusal::Temperature(60.0)));
}

#[test]
fn a_point_is_taken_once_the_signal_is_steady() {
    let mut bench = Bench::new(electrode(None), Some(DIN));
    assert_eq!(bench.take(take()), Err(Refusal::NoSignal(None)));
    bench.show(0.5, 25.0, 20);
    let refused = bench.take(take());
    assert!(matches!(refused, Err(Refusal::NotSteady(Unsteady::Waiting { .. }))), "{refused:?}");
    let point = bench.show(0.5, 25.0, 20).take(take()).expect("half a minute of the same");
    assert!(point.steady);
    assert_eq!((point.standard.value, point.signal), (6.865, 0.5));
    assert!(point.standard.name.starts_with("phosphate"), "{point:?}");
    assert_eq!((point.at, point.by), (now(40).utc, line("Kim")));
}

#[test]
fn drift_waves_and_warming_are_told_apart() {
    let why = |signal: fn(f64) -> f64, celsius: fn(f64) -> f64| {
        let mut bench = Bench::new(electrode(None), Some(DIN));
        for second in (0..=60).step_by(2) {
            let (received, at) = (now(second).uptime, second as f64);
            bench.session.observe(Seen {
                received,
                signal: signal(at),
                celsius: celsius(at),
                stands_in: false,
            });
        }
        bench.session.unsteady()
    };
    let still = |_| 25.0;
    assert_eq!(why(|_| 3.0, still), None);
    assert_eq!(why(|at| 3.0 + 0.9 * at / 60.0, still), None, "0.9 mV a minute");
    assert!(matches!(
        why(|at| 3.0 + 1.2 * at / 60.0, still),
        Some(Unsteady::Drifting { per_min, .. }) if (per_min - 1.2).abs() < 1e-9
    ));
    let waves = why(|at| if (at / 2.0) % 2.0 == 0.0 { 0.0 } else { 1.6 }, still);
    assert!(matches!(waves, Some(Unsteady::Spread { .. })), "{waves:?}");
    assert_eq!(
        why(|at| if (at / 2.0) % 2.0 == 0.0 { 0.0 } else { 1.0 }, still),
        None,
        "a register of whole mV"
    );
    let warms = why(|_| 3.0, |at| 20.0 + at / 60.0 * 1.5);
    assert!(matches!(warms, Some(Unsteady::Warming { by_k }) if (by_k - 0.75).abs() < 0.01), "{warms:?}");
}

#[test]
fn what_is_taken_unsteady_is_marked_and_judged() {
    let mut bench = Bench::new(electrode(None), Some(DIN));
    let point = bench.show(0.0, 25.0, 4).take(as_it_is()).expect("as it is");
    assert!(!point.steady);
    bench.point(-137.0, 25.0).expect("borax");
    let outcome = bench.session.outcome().expect("two points");
    assert_eq!(outcome.judgement.verdict, Verdict::Doubtful);
    assert!(outcome.judgement.in_words().contains("before it was steady"), "{:?}", outcome.judgement);
}

#[test]
fn a_move_to_the_next_buffer_is_steady_only_once_the_first_is_out_of_sight() {
    let mut bench = Bench::new(electrode(None), Some(DIN));
    bench.point(0.0, 25.0).expect("phosphate");
    let moved = bench.show(-137.0, 25.0, 10).take(take());
    assert!(matches!(moved, Err(Refusal::NotSteady(Unsteady::Spread { .. }))), "{moved:?}");
    bench.show(-137.0, 25.0, 30).take(take()).expect("borax");
}

#[test]
fn a_fault_begins_the_wait_anew_and_a_lost_reply_does_not() {
    let silent = Quality::new(Status::BadNoCommunication, DeviceStatus::Failure, Reason::NoReply);
    let broken = Quality::new(Status::BadSensorFailure, DeviceStatus::Failure, Reason::WireBreak);
    let mut bench = Bench::new(electrode(None), Some(DIN));
    bench.show(0.0, 25.0, 40).session.miss(broken);
    assert_eq!(bench.session.unsteady(), Some(Unsteady::NoSignal(broken)));
    let refused = bench.take(as_it_is()).expect_err("nothing to take");
    assert!(refused.to_string().contains("wire break"), "{refused}");
    let waiting = bench.show(0.0, 25.0, 10).take(take());
    assert!(matches!(waiting, Err(Refusal::NotSteady(Unsteady::Waiting { .. }))), "{waiting:?}");
    bench.show(0.0, 25.0, 30).session.miss(silent);
    assert!(matches!(bench.take(as_it_is()), Err(Refusal::NoSignal(Some(_)))), "what it is now nobody knows");
    bench.show(0.0, 25.0, 2).take(take()).expect("one reply was lost");
    bench.second += 60;
    let gap = bench.show(0.0, 25.0, 2).take(take());
    assert!(matches!(gap, Err(Refusal::NotSteady(Unsteady::Waiting { .. }))), "a minute of nothing: {gap:?}");
}

#[test]
fn points_lie_in_different_buffers_and_are_taken_again_in_the_same() {
    let mut bench = Bench::new(electrode(None), Some(DIN));
    bench.point(2.0, 25.0).expect("phosphate");
    let again = bench.point(1.0, 25.0).expect("the same buffer");
    assert_eq!(bench.session.points(), [again], "in place of the first");
    bench.point(-135.0, 25.0).expect("borax");
    let near = bench.point(-178.0, 25.0);
    assert!(matches!(near, Err(Refusal::BuffersTooClose(..))), "carbonate beside borax: {near:?}");
    let cold = bench.point(174.0, 15.0);
    assert_eq!(cold, Err(Refusal::TemperaturesApart(25.0, 15.0)));
    bench.point(176.0, 25.0).expect("phthalate");
    let told = Take { standard: Some(Choice::Ph(12.45)), ..take() };
    let fourth = bench.show(-310.0, 25.0, 40).take(told);
    assert_eq!(fourth, Err(Refusal::TooManyPoints));
    assert_eq!(bench.session.points().len(), 3);
}

#[test]
fn a_liquid_that_is_none_of_the_family_has_to_be_named() {
    let mut bench = Bench::new(electrode(None), Some(DIN));
    let refused = bench.point(-70.0, 25.0).expect_err("pH 8.2 is no buffer");
    assert!(refused.to_string().contains("reads pH 8.18"), "{refused}");
    let named = bench.take(Take { standard: Some(Choice::Ph(8.2)), ..take() }).expect("as told");
    assert_eq!(named.standard, Standard { name: "pH 8.2".to_owned(), value: 8.2 });
    let label = Take { standard: Some(Choice::Ph(6.86)), ..take() };
    let of_table = Bench::new(electrode(None), Some(DIN)).show(0.0, 20.0, 40).take(label).expect("its label");
    assert_eq!(of_table.standard.value, 6.881, "the label is that of 25 °C");
}

#[test]
fn a_worn_electrode_is_known_by_its_first_point() {
    let worn = PhCalibration {
        slope_percent: 91.0,
        slope_alkaline_percent: 91.0,
        zero_ph: 7.35,
        ..PhCalibration::IDEAL
    };
    let mut bench = Bench::new(electrode(Some(BufferFamily::Technical4710)), None);
    let refused = bench.point(worn.mv(10.01, 25.0), 25.0);
    assert!(matches!(refused, Err(Refusal::NoSuchBuffer { .. })), "it reads far too low: {refused:?}");
    bench.point(worn.mv(7.0, 25.0), 25.0).expect("near enough");
    let point = bench.point(worn.mv(10.01, 25.0), 25.0).expect("3.01 pH on from there, 9 % short");
    assert_eq!(point.standard.value, 10.01);
}

#[test]
fn the_temperature_is_that_of_the_thermometer_in_the_beaker_where_somebody_says_so() {
    // The probe's own thermometer hangs in the warm sump.
    let mut bench = Bench::new(electrode(None), Some(DIN));
    let told = Take { celsius: Some(20.0), ..take() };
    let point = bench.show(0.0, 31.0, 40).take(told).expect("20 °C");
    assert_eq!((point.celsius, point.standard.value), (20.0, 6.881));
    let next = bench.point(-134.0, 31.0).expect("what was said goes on");
    assert_eq!((next.celsius, next.standard.value), (20.0, 9.225));
    let mut device = Bench::new(Setup { at_reference: true, ..cell(1.0) }, None);
    let refused = device.show(1413.0, 31.0, 40).take(Take { celsius: Some(20.0), ..take() });
    assert_eq!(refused, Err(Refusal::AtReference));
    let point = device.take(take()).expect("a device that compensates");
    assert_eq!((point.celsius, point.standard.value), (25.0, 1413.0));
}

#[test]
fn a_temperature_nobody_knows_is_asked_for() {
    let mut bench = Bench::new(electrode(None), Some(DIN));
    for second in (0..=40).step_by(2) {
        let received = now(second).uptime;
        bench.session.observe(Seen { received, signal: 0.0, celsius: 22.0, stands_in: true });
    }
    bench.second = 40;
    assert_eq!(bench.take(take()), Err(Refusal::NotSteady(Unsteady::NoTemperature)));
    let point = bench.take(Take { celsius: Some(20.0), ..take() }).expect("said");
    assert!(point.steady && point.standard.value == 6.881, "{point:?}");
}

#[test]
fn two_points_give_the_slope_and_zero_point_reckoned_elsewhere() {
    // Buffers of DIN 19266; efficiency and zero point worked out from them and the Nernst slope by CODATA's constants
    // outside this program: t, mV in phosphate, mV in borax, efficiency in percent, pH at 0 mV.
    for (celsius, phosphate_mv, borax_mv, percent, zero_ph) in [
        (25.0, 8.0, -128.96, 100.0045, 7.000222),
        (20.0, 4.0, -132.0, 99.7477, 6.949941),
        (30.0, 10.0, -115.0, 90.905, 7.03588),
    ] {
        let mut bench = Bench::new(electrode(None), Some(DIN));
        bench.point(phosphate_mv, celsius).expect("phosphate");
        bench.point(borax_mv, celsius).expect("borax");
        let Ok(Outcome { calibrated: Calibrated::Ph(after), .. }) = bench.session.outcome() else {
            panic!("two points")
        };
        assert!((after.slope_percent - percent).abs() < 1e-4, "{celsius} °C: {after:?}");
        assert!((after.zero_ph - zero_ph).abs() < 2e-6, "{celsius} °C: {after:?}");
        assert_eq!(after.temperature_c, celsius);
    }
}

#[test]
fn buffers_of_different_temperature_give_the_same_electrode() {
    let true_one = PhCalibration {
        slope_percent: 96.0,
        slope_alkaline_percent: 96.0,
        zero_ph: 7.1,
        ..PhCalibration::IDEAL
    };
    let mut bench = Bench::new(electrode(None), Some(DIN));
    for (celsius, buffer) in [(21.0, 1), (24.0, 2)] {
        let ph = BufferFamily::Din19266.buffers()[buffer].ph_at(celsius).expect("table");
        bench.point(true_one.mv(ph, celsius), celsius).expect("a buffer");
    }
    let Ok(Outcome { calibrated: Calibrated::Ph(after), .. }) = bench.session.outcome() else {
        panic!("points")
    };
    assert!((after.slope_percent - 96.0).abs() < 0.05, "{after:?}");
    assert!((after.ph(true_one.mv(9.2, 22.0), 22.0) - 9.2).abs() < 0.002, "{after:?}");
}

#[test]
fn a_cell_constant_is_that_of_the_standard_at_its_temperature() {
    // 0.01 mol/kg at 20 °C: 1273.03 µS/cm of salt and 0.99 of water, NIST (Pure Appl. Chem. 73 (2001) 1783).
    let mut bench = Bench::new(cell(0.5), None);
    let told = Take { standard: Some(Choice::Kcl(KclStandard::Molal001)), ..take() };
    bench.show((1273.03 + 0.99) / 0.48, 20.0, 40).take(told).expect("a standard");
    let outcome = bench.session.outcome().expect("one point is enough");
    let Calibrated::Cell { constant_per_cm } = outcome.calibrated else { panic!("{outcome:?}") };
    assert!((constant_per_cm - 0.48).abs() < 1e-6, "{constant_per_cm}");
    assert_eq!(outcome.judgement.verdict, Verdict::Fit, "4 % less: {:?}", outcome.judgement);
    // The bottle of 1413 is recognised, and is 1277 µS/cm at 20 °C.
    let mut bench = Bench::new(cell(0.5), None);
    let point = bench.point(1277.3 / 0.5, 20.0).expect("recognised");
    assert_eq!(point.standard.name, "1413 µS/cm at 25 °C");
    bench.point(2_600.0, 20.0).expect("taken again");
    assert_eq!(bench.session.points().len(), 1);
    let refused = bench.point(9_000.0, 20.0).expect_err("4500 µS/cm is no bottle");
    assert!(refused.to_string().contains("84, 1413, 12880, 111800"), "{refused}");
}

#[test]
fn a_judgement_says_what_to_do() {
    let judged = |slope: f64, zero_ph: f64| {
        let probe = PhCalibration {
            slope_percent: slope,
            slope_alkaline_percent: slope,
            zero_ph,
            ..PhCalibration::IDEAL
        };
        let mut bench = Bench::new(electrode(Some(BufferFamily::Technical4710)), None);
        for label in [7.0, 10.01] {
            bench.show(probe.mv(label, 25.0), 25.0, 40);
            bench.take(Take { standard: Some(Choice::Ph(label)), ..take() }).expect("a point");
        }
        bench.session.outcome().expect("two points").judgement
    };
    assert_eq!(judged(99.0, 7.1), Judgement { verdict: Verdict::Fit, findings: Vec::new() });
    for (slope, zero_ph, verdict, words) in [
        (93.0, 7.0, Verdict::Doubtful, "have a new one ready"),
        (103.0, 7.0, Verdict::Doubtful, "sound is 95 to 102"),
        (89.0, 7.0, Verdict::Unfit, "replace it"),
        (106.0, 7.0, Verdict::Unfit, "take fresh ones"),
        (98.0, 7.7, Verdict::Doubtful, "electrolyte"),
        (98.0, 8.2, Verdict::Unfit, "replace the electrode"),
    ] {
        let judgement = judged(slope, zero_ph);
        assert_eq!(judgement.verdict, verdict, "{slope} {zero_ph}: {judgement:?}");
        assert!(judgement.findings[0].contains(words), "{slope} {zero_ph}: {judgement:?}");
    }
    let mut bench = Bench::new(electrode(None), Some(DIN));
    assert_eq!(bench.session.outcome(), Err(Refusal::NoPoint));
    bench.point(3.0, 25.0).expect("phosphate");
    assert!(bench.session.outcome().expect("one").judgement.in_words().contains("take a second"));
    bench.point(174.0, 25.0).expect("phthalate");
    let words = bench.session.outcome().expect("two").judgement.in_words();
    assert!(words.contains("do not enclose the pH of coolant"), "{words}");
    let mut exchanged = Bench::new(electrode(None), None.or(Some(DIN)));
    exchanged.show(137.0, 25.0, 40).take(Take { standard: Some(Choice::Ph(9.18)), ..take() }).expect("told");
    exchanged.show(0.0, 25.0, 40).take(Take { standard: Some(Choice::Ph(6.86)), ..take() }).expect("told");
    let refused = exchanged.session.outcome().expect_err("no electrode");
    assert!(refused.to_string().contains("must fall by about 58 mV"), "{refused}");
}

#[test]
fn a_cell_that_has_moved_far_is_a_mistake_or_broken() {
    let judged = |signal: f64| {
        let mut bench = Bench::new(cell(0.5), Some(Choice::Label(1413.0)));
        bench.point(signal, 25.0).expect("told");
        bench.session.outcome().expect("one point").judgement
    };
    assert_eq!(judged(1413.0 / 0.51).verdict, Verdict::Fit);
    assert_eq!(judged(1413.0 / 0.55).verdict, Verdict::Doubtful);
    let unfit = judged(1413.0 / 0.7);
    assert_eq!(unfit.verdict, Verdict::Unfit);
    assert!(unfit.findings[0].contains("cell constant 0.7000 1/cm, +40.0 % against 0.5000"), "{unfit:?}");
}

#[test]
fn a_session_lasts_as_long_as_somebody_does_something_and_outlives_a_restart() {
    let mut bench = Bench::new(electrode(None), Some(DIN));
    assert_eq!(bench.session.expires(), now(0).uptime.plus(IDLE_MAX));
    bench.point(0.0, 25.0).expect("phosphate");
    assert_eq!(bench.session.expires(), now(40).uptime.plus(IDLE_MAX), "looking does not count, taking does");
    let kept = serde_json::to_vec(&bench.session.keep(now(100))).expect("JSON");
    let kept: Kept = serde_json::from_slice(&kept).expect("as written");
    let later = now(400);
    let mut resumed = Session::resume(electrode(None), later, kept.clone()).expect("it fits");
    assert_eq!(resumed.points(), bench.session.points());
    assert_eq!((resumed.by(), resumed.begun()), (&line("Kim"), now(0).utc));
    assert_eq!(resumed.expires(), bench.session.expires(), "time went on meanwhile");
    assert!(
        matches!(resumed.take(later, take()), Err(Refusal::NoSignal(None))),
        "the signal is looked at anew"
    );
    assert_eq!(Session::resume(cell(0.5), later, kept), None, "now it is another kind of probe");
}

#[test]
fn what_people_write_of_standards_is_understood_or_refused() {
    for (text, is_ph, choice) in [
        ("din-19266", true, DIN),
        (" 7,00", true, Choice::Ph(7.0)),
        ("pH 9.18", true, Choice::Ph(9.18)),
        ("1413", false, Choice::Label(1413.0)),
        ("1413 µS/cm", false, Choice::Label(1413.0)),
        ("12.88 mS/cm", false, Choice::Label(12_880.0)),
        ("kcl-0.1", false, Choice::Kcl(KclStandard::Molal01)),
    ] {
        assert_eq!(Choice::parse(text, is_ph), Ok(choice), "{text}");
        assert_eq!(Choice::parse(&choice.to_string(), is_ph), Ok(choice), "as it is written");
    }
    for (text, is_ph) in
        [("", true), ("15", true), ("NaN", true), ("seven", true), ("3", false), ("inf", false)]
    {
        let refused = Choice::parse(text, is_ph).expect_err(text);
        assert!(refused.to_string().contains("give "), "{refused}");
    }
}
