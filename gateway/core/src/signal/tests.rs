//! Stories of one probe or two on a virtual clock.

use super::settings::{
    Accuracy, Compensation, FrozenCheck, InputStage, Line, LoopBands, PhCalibration, SensorStage, SpikeCheck,
};
use super::*;
use crate::model::{Fault, Name, Quantity, Raw, Severity, SumpIndex};

const LEVEL: ProbeIndex = ProbeIndex(0);
const THERMOMETER: ProbeIndex = ProbeIndex(0);
const COMPENSATED: ProbeIndex = ProbeIndex(1);

fn s(seconds: u64) -> Duration {
    Duration::from_secs(seconds)
}

/// A probe read every 10 s, held for a minute, stale after five.
fn probe(name: &str, quantity: Quantity, sensor: SensorStage) -> ProbeSettings {
    ProbeSettings {
        name: Name::new(name).expect("a name"),
        sump: SumpIndex(0),
        quantity,
        input_unit: None,
        input: InputStage::Scaled(Line::IDENTITY),
        sensor,
        range: None,
        accuracy: Accuracy::default(),
        period: s(10),
        hold: s(60),
        stale_after: s(300),
        frozen: None,
        spike: None,
        calibration_due: None,
    }
}

fn level() -> ProbeSettings {
    probe("level", Quantity::Level, SensorStage::Direct)
}

fn thermometer() -> ProbeSettings {
    probe("temperature", Quantity::Temperature, SensorStage::Direct)
}

fn liquid() -> TemperatureSource {
    TemperatureSource::Probe { probe: THERMOMETER, fallback_c: 25.0 }
}

/// The probes under test and a clock that both readings and the lack of them move on.
struct Story {
    signals: Signals,
}

impl Story {
    fn new(probes: &[ProbeSettings]) -> Self {
        Self { signals: Signals::new(probes) }
    }

    fn now(seconds: u64) -> Now {
        Now {
            uptime: Uptime::default().plus(s(seconds)),
            utc: Timestamp::from_millis(1_800_000_000_000).plus(s(seconds)),
        }
    }

    fn read(&mut self, at_s: u64, probe: ProbeIndex, raw: Raw) -> Measured {
        let now = Self::now(at_s);
        let reading = RawReading { probe, at: now.utc, received: now.uptime, raw };
        self.signals.convert(now, &reading).measured
    }

    fn number(&mut self, at_s: u64, probe: ProbeIndex, number: f64) -> Measured {
        self.read(at_s, probe, Raw::Number(number))
    }

    fn fault(&mut self, at_s: u64, probe: ProbeIndex, fault: Fault) -> Quality {
        self.read(at_s, probe, Raw::Fault(fault)).quality()
    }

    fn tick(&mut self, at_s: u64) -> Vec<(Status, Reason)> {
        let mut out = Vec::new();
        self.signals.tick(Self::now(at_s), &mut out);
        out.iter().map(|m| (m.measured.quality().status, m.measured.quality().reason)).collect()
    }
}

#[test]
fn a_scaled_register_is_a_good_value() {
    let input = InputStage::Scaled(Line { scale: 0.01, offset: 0.0 });
    let mut story = Story::new(&[ProbeSettings { input, ..probe("ph", Quantity::Ph, SensorStage::Direct) }]);
    assert_eq!(story.signals.last(LEVEL).current.measured, Measured::Bad(Quality::WAITING));
    let Measured::Good(value, Quality::GOOD) = story.number(0, LEVEL, 871.0) else { panic!("not good") };
    assert!((value - 8.71).abs() < 1e-12);
}

#[test]
fn each_fault_says_what_it_is() {
    use Status as S;
    for (fault, status, reason) in [
        (Fault::NoReply, S::BadNoCommunication, Reason::NoReply),
        (Fault::NotConnected, S::BadNoCommunication, Reason::NotConnected),
        (Fault::BadFrame, S::BadCommunicationError, Reason::BadFrame),
        (Fault::Exception(1), S::BadConfigurationError, Reason::RegisterMap),
        (Fault::Exception(2), S::BadConfigurationError, Reason::RegisterMap),
        (Fault::Exception(3), S::BadConfigurationError, Reason::RegisterMap),
        (Fault::Exception(4), S::BadDeviceFailure, Reason::DeviceFault),
        (Fault::Exception(5), S::BadNoCommunication, Reason::DeviceBusy),
        (Fault::Exception(6), S::BadNoCommunication, Reason::DeviceBusy),
        (Fault::Exception(8), S::BadDeviceFailure, Reason::DeviceFault),
        (Fault::Exception(10), S::BadNoCommunication, Reason::BehindGateway),
        (Fault::Exception(11), S::BadNoCommunication, Reason::BehindGateway),
        (Fault::Exception(99), S::BadDeviceFailure, Reason::DeviceFault),
        (Fault::NoValue, S::BadNoData, Reason::NoValue),
        (Fault::NotFinite, S::BadNoData, Reason::NotFinite),
        (Fault::TooLarge, S::BadOutOfRange, Reason::TooLarge),
        (Fault::WrongUnit, S::BadConfigurationError, Reason::WrongUnit),
        (Fault::Malformed, S::BadCommunicationError, Reason::Malformed),
        (Fault::Oversized, S::BadCommunicationError, Reason::Oversized),
        (Fault::TimeRefused, S::BadCommunicationError, Reason::TimeRefused),
    ] {
        let quality = Story::new(&[level()]).fault(0, LEVEL, fault);
        assert_eq!(
            quality,
            Quality::new(status, DeviceStatus::Failure, reason),
            "{fault:?}, nothing read before"
        );
    }
}

#[test]
fn a_value_is_held_for_its_hold_time_and_no_longer() {
    let mut story = Story::new(&[level()]);
    story.number(0, LEVEL, 300.0);
    let held =
        Quality::new(Status::UncertainNoCommunicationLastUsableValue, DeviceStatus::Failure, Reason::NoReply);
    assert_eq!(story.read(10, LEVEL, Raw::Fault(Fault::NoReply)), Measured::Uncertain(300.0, held));
    assert_eq!(story.read(59, LEVEL, Raw::Fault(Fault::NoReply)), Measured::Uncertain(300.0, held));
    assert_eq!(story.fault(60, LEVEL, Fault::NoReply).status, Status::BadNoCommunication);
    assert_eq!(story.tick(600), [], "the fault has said it already");
    assert_eq!(story.number(610, LEVEL, 301.0), Measured::Good(301.0, Quality::GOOD));
    let last = story.signals.last(LEVEL);
    assert_eq!(last.fault.map(|f| f.quality.reason), Some(Reason::NoReply), "kept beside the value");
}

#[test]
fn without_a_hold_time_nothing_is_held_and_nothing_expires_before_it_is_late() {
    let mut story = Story::new(&[ProbeSettings { hold: Duration::ZERO, ..level() }]);
    story.number(0, LEVEL, 300.0);
    assert_eq!(story.tick(14), [], "the next reading is due at 10 s and late at 15 s");
    assert_eq!(story.fault(14, LEVEL, Fault::NoReply).status, Status::BadNoCommunication);
    story.number(20, LEVEL, 300.0);
    assert_eq!(story.tick(35), [(Status::BadNoCommunication, Reason::NoReply)]);
}

#[test]
fn a_device_that_speaks_against_its_value_ends_the_holding() {
    for fault in [Fault::Exception(2), Fault::Exception(4), Fault::Exception(11), Fault::NoValue] {
        let mut story = Story::new(&[level()]);
        story.number(0, LEVEL, 300.0);
        assert_eq!(story.fault(10, LEVEL, fault).severity(), Severity::Bad, "{fault:?}");
        assert_eq!(story.fault(20, LEVEL, Fault::NoReply).severity(), Severity::Bad, "{fault:?}");
        assert_eq!(story.signals.last(LEVEL).value.map(|v| v.value), Some(300.0), "still known, not used");
    }
}

#[test]
fn silence_is_noticed_once_each() {
    let mut story = Story::new(&[level(), thermometer()]);
    assert_eq!(story.signals.poll_timeout(), Some(Uptime::default()), "wants to know when it began");
    assert_eq!(story.tick(0), []);
    story.number(0, LEVEL, 300.0);
    assert_eq!(story.signals.poll_timeout(), Some(Uptime::default().plus(s(60))));
    assert_eq!(story.tick(59), []);
    assert_eq!(story.tick(60), [(Status::BadNoCommunication, Reason::NoReply)]);
    assert_eq!(story.tick(61), []);
    let stale = (Status::BadNoCommunication, Reason::Stale);
    assert_eq!(story.tick(300), [stale, stale], "the thermometer has never answered at all");
    assert_eq!(story.tick(10_000), []);
    assert_eq!(story.signals.poll_timeout(), None, "nothing more can happen by itself");
    story.number(10_001, LEVEL, 300.0);
    assert_eq!(story.tick(20_000), [stale], "one measurement, though both times have run out");
}

#[test]
fn a_loop_current_is_a_value_or_a_diagnosis() {
    let input = InputStage::Loop {
        to_ma: Line { scale: 0.001, offset: 0.0 },
        bands: LoopBands::default(),
        points: vec![(4.0, 0.0), (20.0, 500.0)],
    };
    let mut story = Story::new(&[ProbeSettings { input, ..level() }]);
    let between = Quality::new(
        Status::UncertainEngineeringUnitsExceeded,
        DeviceStatus::OutOfSpecification,
        Reason::LoopBetween,
    );
    let broken =
        |reason| Measured::Bad(Quality::new(Status::BadSensorFailure, DeviceStatus::Failure, reason));
    assert_eq!(story.number(0, LEVEL, 12_000.0), Measured::Good(250.0, Quality::GOOD));
    assert_eq!(story.number(1, LEVEL, 3_600.0), broken(Reason::WireBreak));
    assert_eq!(story.number(2, LEVEL, 21_000.0), broken(Reason::ShortCircuit));
    assert_eq!(story.number(3, LEVEL, 20_700.0), Measured::Uncertain(515.625, between), "stays at 20.5 mA");
    let Measured::Uncertain(value, quality) = story.number(4, LEVEL, 3_700.0) else {
        panic!("not uncertain")
    };
    assert!((value + 6.25).abs() < 1e-9, "stays at 3.8 mA: {value}");
    assert_eq!(quality, between);
}

#[test]
fn outside_its_range_a_value_is_uncertain() {
    let mut story = Story::new(&[ProbeSettings { range: Some((0.0, 400.0)), ..level() }]);
    assert_eq!(story.number(0, LEVEL, 400.0), Measured::Good(400.0, Quality::GOOD));
    let outside = story.number(1, LEVEL, 400.1);
    assert_eq!(outside.usable(), Some(400.1));
    assert_eq!(outside.quality().status, Status::UncertainEngineeringUnitsExceeded);
    assert_eq!(outside.quality().reason, Reason::OutsideRange);
}

#[test]
fn a_spike_is_no_value_and_a_step_becomes_one() {
    let spike = Some(SpikeCheck { step: 5.0, rate_per_s: 0.1, confirm: 3 });
    let mut story = Story::new(&[ProbeSettings { spike, ..level() }]);
    let got: Vec<_> = [300.0, 380.0, 300.0, 350.0, 350.0, 351.0, 351.0]
        .iter()
        .zip((0..).step_by(10))
        .map(|(mm, at_s)| story.number(at_s, LEVEL, *mm).usable())
        .collect();
    assert_eq!(got, [Some(300.0), None, Some(300.0), None, None, Some(351.0), Some(351.0)]);
    let mut story = Story::new(&[ProbeSettings { spike, ..level() }]);
    story.number(0, LEVEL, 300.0);
    assert_eq!(story.number(10, LEVEL, 380.0).quality().status, Status::BadOutOfRange);
    let held = story.read(20, LEVEL, Raw::Fault(Fault::NoReply));
    assert_eq!(held.usable(), Some(300.0), "the value before the spike is held, not the spike");
}

#[test]
fn a_frozen_value_is_doubted_and_a_gap_clears_it() {
    let frozen = Some(FrozenCheck { window: s(100), least_change: 0.0 });
    let mut story = Story::new(&[ProbeSettings { frozen, ..level() }]);
    let reason = |story: &mut Story, at_s| story.number(at_s, LEVEL, 300.0).quality().reason;
    assert!((0..100).step_by(10).all(|at_s| reason(&mut story, at_s) == Reason::None));
    assert_eq!(reason(&mut story, 100), Reason::Frozen);
    assert_eq!(reason(&mut story, 500), Reason::None, "nobody knows what it did meanwhile");
}

#[test]
fn an_overdue_calibration_asks_for_maintenance_and_keeps_the_value() {
    let due = Story::now(100).utc;
    let mut story =
        Story::new(&[ProbeSettings { calibration_due: Some(due), range: Some((0.0, 400.0)), ..level() }]);
    assert_eq!(story.number(100, LEVEL, 300.0).quality(), Quality::GOOD, "due today is not overdue");
    let overdue = story.number(110, LEVEL, 300.0);
    assert_eq!(overdue.usable(), Some(300.0));
    let expected = Quality::new(
        Status::UncertainSensorNotAccurate,
        DeviceStatus::MaintenanceRequired,
        Reason::CalibrationOverdue,
    );
    assert_eq!(overdue.quality(), expected);
    assert_eq!(story.number(120, LEVEL, 500.0).quality().reason, Reason::OutsideRange, "the worse one shows");
}

fn conductivity(compensation: Compensation) -> ProbeSettings {
    let sensor = SensorStage::Conductivity { cell_constant_per_cm: 0.5, compensation, temperature: liquid() };
    probe("conductivity", Quantity::Conductivity, sensor)
}

#[test]
fn a_compensation_follows_the_other_probe_and_does_without_it() {
    let mut story = Story::new(&[thermometer(), conductivity(Compensation::Linear { alpha_per_k: 0.02 })]);
    let missing = story.number(0, COMPENSATED, 2000.0);
    assert_eq!(missing.usable(), Some(1000.0), "taken as 25 °C");
    assert_eq!(
        (missing.quality().status, missing.quality().reason),
        (Status::UncertainSubNormal, Reason::TemperatureMissing)
    );
    story.number(1, THERMOMETER, 35.0);
    assert_eq!(story.number(2, COMPENSATED, 2400.0), Measured::Good(1000.0, Quality::GOOD));
    story.fault(10, THERMOMETER, Fault::NoReply);
    assert_eq!(story.number(11, COMPENSATED, 2400.0), Measured::Good(1000.0, Quality::GOOD), "held");
    assert_eq!(
        story.number(61, COMPENSATED, 2000.0).quality().reason,
        Reason::TemperatureMissing,
        "held no longer"
    );
    story.number(70, THERMOMETER, 35.0);
    story.fault(71, THERMOMETER, Fault::Exception(4));
    assert_eq!(story.number(72, COMPENSATED, 2000.0).quality().reason, Reason::TemperatureMissing);
}

#[test]
fn a_compensation_is_refused_where_it_is_not_defined() {
    let mut story = Story::new(&[thermometer(), conductivity(Compensation::NaturalWater)]);
    story.number(0, THERMOMETER, 35.9);
    assert_eq!(story.number(1, COMPENSATED, 2000.0).quality(), Quality::GOOD);
    story.number(2, THERMOMETER, 36.0);
    let refused = story.number(3, COMPENSATED, 2000.0);
    assert_eq!((refused.usable(), refused.quality().reason), (None, Reason::CompensationRange));
}

#[test]
fn without_compensation_no_temperature_is_missed() {
    let mut story = Story::new(&[thermometer(), conductivity(Compensation::None)]);
    assert_eq!(story.number(0, COMPENSATED, 2000.0), Measured::Good(1000.0, Quality::GOOD));
}

#[test]
fn an_electrode_out_of_its_limits_says_so() {
    let electrode = |calibration| {
        probe(
            "ph",
            Quantity::Ph,
            SensorStage::PhElectrode {
                calibration,
                temperature: TemperatureSource::Fixed(25.0),
                buffers: None,
            },
        )
    };
    let worn = PhCalibration { slope_percent: 89.0, slope_alkaline_percent: 89.0, ..PhCalibration::IDEAL };
    let mut story = Story::new(&[electrode(worn)]);
    let quality = story.number(0, LEVEL, -100.0).quality();
    assert_eq!(
        (quality.status, quality.reason),
        (Status::UncertainSensorCalibration, Reason::OutOfCalibration)
    );
    let mut story = Story::new(&[electrode(PhCalibration::IDEAL)]);
    assert_eq!(story.number(0, LEVEL, 0.0), Measured::Good(7.0, Quality::GOOD));
    assert_eq!(
        story.number(1, LEVEL, -2000.0).quality().reason,
        Reason::NotConvertible,
        "no liquid is at pH 40"
    );
    let nonsense = PhCalibration { slope_percent: 0.0, slope_alkaline_percent: 0.0, ..PhCalibration::IDEAL };
    let mut story = Story::new(&[electrode(nonsense)]);
    assert_eq!(story.number(0, LEVEL, -100.0).usable(), None);
}

#[test]
fn an_open_thermometer_is_a_fault_of_the_sensor() {
    let sensor = SensorStage::Rtd { r0_ohm: 100.0, lead_ohm: 0.5 };
    let mut story = Story::new(&[probe("temperature", Quantity::Temperature, sensor)]);
    assert_eq!(story.number(0, LEVEL, 100.5), Measured::Good(0.0, Quality::GOOD), "leads taken off");
    for ohm in [0.0, 10_000.0] {
        let quality = story.number(1, LEVEL, ohm).quality();
        assert_eq!((quality.status, quality.reason), (Status::BadSensorFailure, Reason::SensorOpen), "{ohm}");
    }
}

#[test]
fn a_level_comes_from_pressure_gap_and_contact() {
    let water = settings::Density::Water { factor: 1.0, temperature: TemperatureSource::Fixed(20.0) };
    let sensor = SensorStage::Hydrostatic { density: water, mounting_mm: 30.0 };
    let mut story = Story::new(&[ProbeSettings { sensor, ..level() }]);
    let value = story.number(0, LEVEL, 2000.0).usable().expect("a level");
    assert!((value - 234.309_631).abs() < 1e-3, "{value}");
    let boiling = settings::Density::Water { factor: 1.0, temperature: TemperatureSource::Fixed(120.0) };
    let sensor = SensorStage::Hydrostatic { density: boiling, mounting_mm: 0.0 };
    let mut story = Story::new(&[ProbeSettings { sensor, ..level() }]);
    let doubtful = story.number(0, LEVEL, 2000.0);
    assert!(doubtful.usable().is_some());
    assert_eq!(doubtful.quality().reason, Reason::CompensationRange);

    let mut story =
        Story::new(&[ProbeSettings { sensor: SensorStage::Gap { sensor_height_mm: 600.0 }, ..level() }]);
    assert_eq!(story.number(0, LEVEL, 250.0).usable(), Some(350.0));
    assert_eq!(story.number(1, LEVEL, -1.0).quality().reason, Reason::NotConvertible);

    for (inverted, open, closed) in [(false, 0.0, 1.0), (true, 1.0, 0.0)] {
        let mut story =
            Story::new(&[probe("pump", Quantity::PumpRunning, SensorStage::Contact { inverted })]);
        assert_eq!(story.number(0, LEVEL, 0.0).usable(), Some(open));
        assert_eq!(story.number(1, LEVEL, 1.0).usable(), Some(closed));
        assert_eq!(story.number(2, LEVEL, 255.0).usable(), Some(closed));
    }
}

#[test]
fn readings_stamped_alike_or_backwards_divide_nothing_by_zero() {
    let sensor =
        SensorStage::Counter { litres_per_count: 1.0, modulus: Some(65_536.0), litres_per_second_max: 1.0 };
    let spike = Some(SpikeCheck { step: 1e9, rate_per_s: 0.0, confirm: 2 });
    let mut story = Story::new(&[ProbeSettings {
        sensor,
        spike,
        ..probe("makeup", Quantity::FlowTotal, SensorStage::Direct)
    }]);
    let totals: Vec<_> = [(100, 10.0), (100, 15.0), (90, 15.0), (110, 20.0)]
        .iter()
        .map(|(at_s, count)| story.number(*at_s, LEVEL, *count).usable())
        .collect();
    let expected = [Some(0.0), Some(0.0), None, Some(10.0)];
    assert_eq!(totals, expected, "what could not be judged is added by the next reading");
}

#[test]
fn a_correction_of_utc_bends_no_rate() {
    let spike = Some(SpikeCheck { step: 5.0, rate_per_s: 0.1, confirm: 3 });
    let mut story = Story::new(&[ProbeSettings { spike, ..level() }]);
    story.number(0, LEVEL, 300.0);
    let now = Now { utc: Story::now(0).utc.minus(s(3600)), ..Story::now(100) };
    let reading = RawReading { probe: LEVEL, at: now.utc, received: now.uptime, raw: Raw::Number(312.0) };
    assert_eq!(
        story.signals.convert(now, &reading).measured.usable(),
        Some(312.0),
        "100 s have passed, not −3600"
    );
}

#[test]
fn a_new_configuration_goes_on_from_the_old_one() {
    let makeup = |litres_per_count| {
        let sensor = SensorStage::Counter { litres_per_count, modulus: None, litres_per_second_max: 10.0 };
        probe("makeup", Quantity::FlowTotal, sensor)
    };
    let mut story = Story::new(&[makeup(1.0), level()]);
    story.number(0, ProbeIndex(0), 1000.0);
    story.number(10, ProbeIndex(0), 1030.0);
    story.number(10, ProbeIndex(1), 300.0);

    let mut renewed = Story::new(&[level(), makeup(1.0), makeup(2.0), thermometer()]);
    for (probe, namesake) in [(0, 1), (1, 0), (2, 0)] {
        renewed.signals.carry_over(ProbeIndex(probe), &story.signals, ProbeIndex(namesake));
    }
    assert_eq!(
        renewed.read(20, ProbeIndex(0), Raw::Fault(Fault::NoReply)).usable(),
        Some(300.0),
        "held across"
    );
    assert_eq!(renewed.signals.last(ProbeIndex(0)).current.probe, ProbeIndex(0));
    assert_eq!(renewed.number(20, ProbeIndex(1), 1040.0).usable(), Some(40.0), "the total goes on");
    assert_eq!(renewed.number(20, ProbeIndex(2), 1040.0).usable(), Some(0.0), "another meter starts anew");
    assert_eq!(
        renewed.signals.poll_timeout(),
        Some(Uptime::default().plus(s(70))),
        "the level, held since 10 s"
    );
}

#[test]
fn a_number_from_before_the_newest_moves_nothing() {
    let rule = SensorStage::Counter { litres_per_count: 1.0, modulus: None, litres_per_second_max: 10.0 };
    let meter = ProbeIndex(1);
    let mut story = Story::new(&[level(), probe("meter", Quantity::FlowTotal, rule)]);
    story.number(100, LEVEL, 200.0);
    story.number(90, meter, 1000.0);
    story.number(100, meter, 1005.0);
    let before = story.signals.last(LEVEL).current;
    let mut late = |probe, number| {
        let Now { uptime: received, utc: at } = Story::now(80);
        let reading = RawReading { probe, at, received, raw: Raw::Number(number) };
        let measurement = story.signals.convert(Story::now(101), &reading);
        assert!(!story.signals.is_latest(&measurement));
        assert_eq!((measurement.at, measurement.raw), (at, Some(number)));
        measurement.measured
    };
    assert_eq!(late(LEVEL, 90.0), Measured::Good(90.0, Quality::GOOD));
    assert_eq!(late(meter, 990.0).usable(), None, "it looks like a restarted counter");
    assert_eq!(story.signals.last(LEVEL).current, before);
    // Fifteen litres since the meter was first read: the late count is no restart.
    assert_eq!(story.number(110, meter, 1015.0).usable(), Some(15.0));
}

#[test]
fn a_probe_in_a_buffer_gives_no_value_and_comes_back_with_its_new_calibration() {
    let sensor = SensorStage::PhElectrode {
        calibration: PhCalibration::IDEAL,
        temperature: TemperatureSource::Fixed(25.0),
        buffers: None,
    };
    let spike = Some(SpikeCheck { step: 0.2, rate_per_s: 0.001, confirm: 3 });
    let due = Story::now(0).utc;
    let settings = ProbeSettings { spike, calibration_due: Some(due), ..probe("ph", Quantity::Ph, sensor) };
    let mut story = Story::new(&[settings]);
    assert_eq!(story.number(0, LEVEL, -118.0).quality(), Quality::GOOD);
    story.signals.set_being_calibrated(LEVEL, true);
    let quality = story.number(10, LEVEL, 0.0).quality();
    assert_eq!(
        (quality.status, quality.device, quality.reason),
        (Status::BadOutOfService, DeviceStatus::FunctionCheck, Reason::BeingCalibrated)
    );
    assert_eq!(story.number(20, LEVEL, 171.0), Measured::Bad(quality), "no jump is looked for");
    let held = story.fault(30, LEVEL, Fault::NoReply);
    assert_eq!(held.status, Status::BadNoCommunication, "the value from before is not held");
    let earlier = RawReading {
        probe: LEVEL,
        at: Story::now(5).utc,
        received: Story::now(5).uptime,
        raw: Raw::Number(-118.0),
    };
    let late = story.signals.convert(Story::now(31), &earlier);
    assert_eq!(late.measured, Measured::Bad(quality), "whose liquid it was nobody knows");
    let new = PhCalibration { zero_ph: 7.5, ..PhCalibration::IDEAL };
    story.signals.calibrate(LEVEL, &Calibrated::Ph(new), Some(Story::now(1_000).utc));
    story.signals.set_being_calibrated(LEVEL, false);
    let back = story.number(40, LEVEL, -118.0);
    assert_eq!(back.quality(), Quality::GOOD, "no spike, not overdue: {back:?}");
    assert!((back.usable().expect("good") - 9.495).abs() < 0.01, "{back:?}");
    assert_eq!(story.number(1_010, LEVEL, -118.0).quality().reason, Reason::CalibrationOverdue);
}
