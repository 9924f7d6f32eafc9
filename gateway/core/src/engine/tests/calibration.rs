//! A pH probe taken out of its sump, through buffers, and put back.

use super::*;
use crate::checks::settings::{Country, PlanSettings};
use crate::engine::calibration::{CalibrationFor, Deed, ProbeCalibrationView, Step};
use crate::model::{DeviceStatus, Line as Text};
use crate::signal::calibration::Refusal;
use crate::signal::ph_buffers::BufferFamily;
use crate::signal::settings::{PhCalibration, TemperatureSource};

const PH: ProbeIndex = ProbeIndex(2);

/// The electrode there is: worn, and its zero point off.
const TRUE_ONE: PhCalibration = PhCalibration {
    slope_percent: 96.0,
    slope_alkaline_percent: 96.0,
    knee_ph: 7.0,
    zero_ph: 7.3,
    isopotential_ph: 7.0,
    temperature_c: 25.0,
};

/// The small shop with a pH probe that the configuration calls ideal, its low limit at 8.5 and its instrument alarm.
fn with_ph() -> Settings {
    let mut settings = shop();
    settings.probes.push(ProbeSettings {
        sensor: SensorStage::PhElectrode {
            calibration: PhCalibration::IDEAL,
            temperature: TemperatureSource::Fixed(25.0),
            buffers: Some(BufferFamily::Technical4710),
        },
        period: Duration::from_secs(5),
        ..probe("ph", Quantity::Ph, 1.0, 0.05)
    });
    settings.sumps[0].probes.ph = Some(PH);
    let limit = LimitSettings {
        name: "ph-low".to_owned(),
        subject: Subject::Probe(PH),
        setpoint: 8.5,
        deadband: 0.1,
        ..settings.alarms.limits[0].clone()
    };
    settings.alarms.limits.push(limit);
    settings
        .alarms
        .instruments
        .push(InstrumentSettings { probe: PH, ..settings.alarms.instruments[0].clone() });
    settings.plans = vec![PlanSettings::of(Country::De)];
    settings
}

fn step(deed: Deed) -> Step {
    Step {
        deed,
        by: Text::new("Kim", 80).expect("a line"),
        standard: None,
        celsius: None,
        even_if_unstable: false,
        even_if_unfit: false,
    }
}

struct Bench {
    story: Story,
    second: u64,
}

impl Bench {
    fn new() -> Self {
        let engine = Engine::new(with_ph()).expect("sound settings");
        Self { story: Story { engine, out: Outbound::default() }, second: 0 }
    }

    /// The probe stands in a liquid of this pH for so many seconds.
    fn stand_in(&mut self, ph: f64, seconds: u64) -> &mut Self {
        for _ in 0..seconds / 5 {
            self.second += 5;
            self.story.read(self.second, PH, Raw::Number(TRUE_ONE.mv(ph, 25.0)));
        }
        self
    }

    fn does(&mut self, step: &Step) -> Result<ProbeCalibrationView, CalibrationFor> {
        let view = self.story.engine.calibrate(at(self.second), "lathe-3", "ph", step);
        self.story.engine.drain(&mut self.story.out);
        view
    }

    fn go(&mut self, deed: Deed) -> ProbeCalibrationView {
        self.does(&step(deed)).expect("it can be done")
    }

    fn reads(&self) -> Option<f64> {
        self.story.engine.snapshot().sumps[0].probes[2].value
    }

    fn told(&self) -> Vec<(&str, &str)> {
        let of_people = self.story.out.journal.iter().filter(|r| r.subject == "calibration/ph");
        of_people.map(|r| (r.state.as_str(), r.message.as_str())).collect()
    }

    /// A new engine on `settings`, from what was saved.
    fn restarted(&self, settings: Settings) -> Self {
        let mut engine = Engine::new(settings).expect("sound settings");
        let saved = &self.story.out.saved;
        let kept = |key: &str| saved.iter().rfind(|(k, _)| k == key).map(|(_, bytes)| bytes.clone());
        assert_eq!(engine.restore(at(self.second), kept), Vec::<String>::new());
        let mut out = Outbound::default();
        engine.drain(&mut out);
        Self { story: Story { engine, out }, second: self.second }
    }
}

#[test]
fn a_buffer_raises_no_alarm_and_the_new_calibration_holds_at_once() {
    let mut bench = Bench::new();
    bench.stand_in(9.0, 60);
    let off = bench.reads().expect("good");
    assert!((off - 9.0).abs() > 0.2, "the configuration is wrong by {off}");
    let begun = bench.go(Deed::Begin);
    assert_eq!(begun.current.from, "configuration");
    bench.stand_in(7.0, 40);
    let probe = bench.story.engine.snapshot().sumps[0].probes[2].clone();
    assert_eq!(
        (probe.value, probe.quality.status, probe.quality.device),
        (None, "BadOutOfService", "function check")
    );
    assert_eq!(probe.quality.reason, "being calibrated");
    let sample = bench.story.out.samples.iter().rfind(|sample| sample.series.0 == PH.0).expect("stored");
    assert_eq!((sample.raw, sample.value), (Some(TRUE_ONE.mv(7.0, 25.0)), None), "as it came");
    let session = bench.go(Deed::Take).session.expect("it goes on");
    assert_eq!((session.points.len(), session.points[0].standard.name.as_str()), (1, "7.00 (technical)"));
    bench.stand_in(10.01, 400).go(Deed::Take);
    bench.stand_in(4.0, 400);
    assert!(
        !bench.story.states().iter().any(|(subject, _)| matches!(*subject, "ph-low" | "instrument/ph")),
        "{:?}",
        bench.story.states()
    );
    let finished = bench.go(Deed::Finish);
    assert_eq!((finished.current.from, finished.current.by.as_deref()), ("calibration", Some("Kim")));
    assert_eq!(finished.session, None);
    let electrode = finished.current.calibrated.electrode.expect("an electrode");
    assert!(
        (electrode.slope_percent - 96.0).abs() < 1e-9 && (electrode.zero_ph - 7.3).abs() < 1e-3,
        "{electrode:?}"
    );
    bench.stand_in(9.0, 5);
    assert!((bench.reads().expect("good") - 9.0).abs() < 1e-3, "{:?}", bench.reads());
    let told = bench.told();
    assert_eq!(
        told.iter().map(|(state, _)| *state).collect::<Vec<_>>(),
        ["begun", "point", "point", "finished"]
    );
    let words = told[3].1;
    assert!(
        words.starts_with("slope 96.0 %, zero point pH 7.30") && words.contains("; fit; by Kim; before: "),
        "{words}"
    );
    let plan = &bench.story.engine.snapshot().sumps[0].plan;
    assert_eq!(plan.calibrations[0].due, "1970-04-01", "90 days on");
}

#[test]
fn what_is_known_of_the_fill_is_not_moved_by_a_buffer() {
    // Most of an hour, so that its median would be that of the buffer.
    let run = |calibrates: bool| {
        let mut bench = Bench::new();
        bench.stand_in(9.0, 3_600);
        if calibrates {
            bench.go(Deed::Begin);
            bench.stand_in(4.0, 1_500).go(Deed::Take);
            bench.stand_in(4.0, 1_500).go(Deed::Abandon);
        } else {
            bench.second += 3_000;
        }
        bench.stand_in(9.0, 7_800);
        let kept = bench.story.out.saved.iter().rfind(|(key, _)| key == "acidity/lathe-3");
        let (_, kept) = kept.expect("kept every hour");
        serde_json::from_slice::<serde_json::Value>(kept).expect("JSON")["state"]["acidity"].clone()
    };
    let (calibrated, left_alone) = (run(true), run(false));
    assert!(
        left_alone.to_string().contains("\"ph\":863"),
        "what it is taken for as configured: {left_alone}"
    );
    assert_eq!(calibrated, left_alone);
}

#[test]
fn what_was_answered_outlives_a_restart() {
    let mut bench = Bench::new();
    bench.go(Deed::Begin);
    bench.stand_in(7.0, 40).go(Deed::Take);
    let mut bench = bench.restarted(with_ph());
    bench.stand_in(10.01, 40);
    assert_eq!(bench.reads(), None, "still in a beaker");
    let session = bench.go(Deed::Take).session.expect("it goes on");
    assert_eq!(session.points.len(), 2);
    bench.go(Deed::Finish);
    let mut bench = bench.restarted(with_ph());
    bench.stand_in(9.0, 5);
    assert!((bench.reads().expect("good") - 9.0).abs() < 1e-3);
    let view = bench.story.engine.calibration_view(at(bench.second), "lathe-3", "ph").expect("a probe");
    assert_eq!((view.current.points.len(), view.current.judgement.expect("judged").verdict), (2, "fit"));
}

#[test]
fn a_calibration_of_the_configuration_that_was_changed_since_holds() {
    let mut bench = Bench::new();
    bench.go(Deed::Begin);
    bench.stand_in(7.0, 40).go(Deed::Take);
    bench.stand_in(10.01, 40).go(Deed::Take);
    bench.go(Deed::Finish);
    let mut changed = with_ph();
    let SensorStage::PhElectrode { calibration, .. } = &mut changed.probes[2].sensor else {
        panic!("an electrode")
    };
    calibration.zero_ph = 7.1;
    let mut bench = bench.restarted(changed.clone());
    let told = bench.told();
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].0 == "replaced" && told[0].1.contains("by Kim (slope 96.0 %"), "{told:?}");
    bench.stand_in(9.0, 5);
    let reads = bench.reads().expect("good");
    let SensorStage::PhElectrode { calibration, .. } = &changed.probes[2].sensor else {
        panic!("an electrode")
    };
    assert_eq!(reads, calibration.ph(TRUE_ONE.mv(9.0, 25.0), 25.0));
    let again = bench.restarted(changed);
    assert_eq!(again.told(), [], "it is told once");
}

#[test]
fn a_probe_that_is_forgotten_in_a_beaker_comes_back() {
    let mut bench = Bench::new();
    bench.go(Deed::Begin);
    bench.stand_in(7.0, 40).go(Deed::Take);
    bench.stand_in(7.0, 1_795);
    assert!(bench.told().iter().all(|(state, _)| *state != "expired"));
    bench.stand_in(7.0, 10);
    assert_eq!(bench.told().last().map(|(state, _)| *state), Some("expired"));
    assert!(bench.reads().is_some(), "a value of the sump again, as far as anybody knows");
    assert!(matches!(bench.does(&step(Deed::Take)), Err(CalibrationFor::Refused(Refusal::NotRunning))));
    let after = bench.restarted(with_ph());
    let view = after.story.engine.calibration_view(at(after.second), "lathe-3", "ph").expect("a probe");
    assert_eq!((view.session, view.current.from), (None, "configuration"));
}

#[test]
fn refusals_say_what_would_be_right_and_change_nothing() {
    let mut bench = Bench::new();
    let refused = bench.does(&step(Deed::Finish)).expect_err("nothing runs");
    assert!(refused.to_string().contains("begin first"), "{refused}");
    bench.go(Deed::Begin);
    let refused = bench.does(&step(Deed::Begin)).expect_err("it runs");
    assert!(refused.to_string().contains("Kim has been calibrating"), "{refused}");
    let refused = bench.does(&step(Deed::Finish)).expect_err("no point");
    assert!(refused.to_string().contains("take one"), "{refused}");
    bench.stand_in(7.0, 40).go(Deed::Take);
    bench.second += 5;
    // A stale buffer: pH 10.01 by its label, and 9.6 in truth.
    bench.stand_in(9.6, 40);
    let told = Step { standard: Some("10.01".to_owned()), ..step(Deed::Take) };
    bench.does(&told).expect("as told");
    let refused = bench.does(&step(Deed::Finish)).expect_err("83 %");
    assert!(refused.to_string().contains("slope 82.9 %"), "{refused}");
    let saved = bench.story.out.saved.len();
    let before = bench.told().len();
    bench.does(&step(Deed::Finish)).expect_err("still");
    assert_eq!((bench.told().len(), bench.story.out.saved.len()), (before, saved));
    bench.does(&Step { even_if_unfit: true, ..step(Deed::Finish) }).expect("on somebody's word");
    bench.stand_in(9.0, 5);
    let quality = bench.story.engine.snapshot().sumps[0].probes[2].quality.clone();
    assert_eq!(quality.status, "UncertainSensorCalibration");
    let engine = &mut bench.story.engine;
    let of = |engine: &mut Engine, sump: &str, probe: &str| {
        engine.calibrate(at(9_999), sump, probe, &step(Deed::Begin)).expect_err("not there").to_string()
    };
    assert!(of(engine, "lathe-9", "ph").contains("there is: lathe-3"));
    assert!(of(engine, "lathe-3", "pH").contains("there is: level, conductivity, ph"));
    assert!(of(engine, "lathe-3", "level").contains("calibrate it at the device"));
    assert_eq!(DeviceStatus::FunctionCheck.text(), "function check");
}
