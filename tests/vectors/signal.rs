//! Conversions against published values, both ways where there are two; and what holds for every reading.

use proptest::prelude::*;
use std::time::Duration;
use sumpwarden_core::model::{
    DeviceStatus, Fault, Measured, Name, Now, ProbeIndex, Quantity, Raw, RawReading, Severity, Status,
    SumpIndex, Timestamp, Uptime,
};
use sumpwarden_core::signal::Signals;
use sumpwarden_core::signal::conductivity::{
    self, F25_PER_F20, KclStandard, alpha_20_per_k, labelled_kcl_us_cm, linear_f25, natural_water_f25,
    reference_25_to_20,
};
use sumpwarden_core::signal::level::{column_mm, pressure_pa, water_density_kg_m3};
use sumpwarden_core::signal::loop_current::{LoopState, classify};
use sumpwarden_core::signal::ph::{BufferReading, calibrate, nernst_slope_mv, slope_percent};
use sumpwarden_core::signal::ph_buffers::{Buffer, BufferFamily};
use sumpwarden_core::signal::rtd::{self, ToleranceClass};
use sumpwarden_core::signal::settings::{
    Accuracy, Compensation, Density, FrozenCheck, InputStage, Line, LoopBands, PhCalibration, ProbeSettings,
    SensorStage, SpikeCheck, TemperatureSource,
};
use sumpwarden_tests::vectors::{Vectors, assert_near};

const PROBE: ProbeIndex = ProbeIndex(0);

fn probe(quantity: Quantity, input: InputStage, sensor: SensorStage) -> ProbeSettings {
    ProbeSettings {
        name: Name::new("probe").expect("a name"),
        sump: SumpIndex(0),
        quantity,
        input_unit: None,
        input,
        sensor,
        range: None,
        accuracy: Accuracy::default(),
        period: Duration::from_secs(10),
        hold: Duration::from_secs(60),
        stale_after: Duration::from_secs(300),
        frozen: None,
        spike: None,
        calibration_due: None,
    }
}

/// One number through a channel of its own.
fn converted(settings: ProbeSettings, number: f64) -> Measured {
    let reading = RawReading {
        probe: PROBE,
        at: Timestamp::default(),
        received: Uptime::default(),
        raw: Raw::Number(number),
    };
    Signals::new(&[settings]).convert(Now::default(), &reading).measured
}

fn good(settings: ProbeSettings, number: f64) -> f64 {
    match converted(settings, number) {
        Measured::Good(value, _) => value,
        other => panic!("{number} gave {other:?}"),
    }
}

const PLAIN: InputStage = InputStage::Scaled(Line::IDENTITY);

mod platinum {
    use super::*;

    fn vectors() -> Vectors {
        Vectors::read("platinum")
    }

    /// Printed to 1e-6 Ohm (Pt100), so half of that is rounding; likewise times ten for Pt1000.
    const OHM: f64 = 0.6e-6;

    #[test]
    fn every_row_both_ways() {
        for row in vectors().rows("resistance") {
            let t = row.number("t_c");
            for (r0_ohm, column) in [(100.0, "pt100_ohm"), (1000.0, "pt1000_ohm")] {
                let (ohm, rounding) = (row.number(column), OHM * r0_ohm / 100.0);
                assert_near(rtd::resistance_ohm(r0_ohm, t), ohm, rounding, &format!("{column} at {t} °C"));
                // 0.37 Ohm/K at least: the printed rounding is 1.6e-6 K.
                let back = rtd::temperature_c(r0_ohm, ohm).expect("within the span");
                assert_near(back, t, 2e-6, &format!("{column} {ohm}"));
                let sensor = SensorStage::Rtd { r0_ohm, lead_ohm: 0.0 };
                assert_near(good(probe(Quantity::Temperature, PLAIN, sensor), ohm), t, 2e-6, column);
            }
            // Printed to eight decimals.
            assert_near(100.0 * rtd::ratio_slope_at(t), row.number("dR_dt_ohm_per_k"), 1e-8, "slope");
        }
    }

    #[test]
    fn temperature_of_a_resistance() {
        for row in vectors().rows("inverse") {
            let got = rtd::temperature_c(100.0, row.number("pt100_ohm")).expect("within the span");
            assert_near(got, row.number("t_c"), 1e-8, "printed to nine decimals");
        }
    }

    #[test]
    fn the_span_ends_where_the_relation_does() {
        for row in vectors().rows("span") {
            let ohm = row.number("pt100_ohm");
            let inward = if row.number("t_c") < 0.0 { 1e-4 } else { -1e-4 };
            assert!(rtd::temperature_c(100.0, ohm + inward).is_some());
            assert!(rtd::temperature_c(100.0, ohm - inward).is_none());
        }
    }

    #[test]
    fn tolerance_classes() {
        use ToleranceClass::{A, Aa, B, C};
        for row in vectors().rows("tolerance") {
            let t = row.number("t_c");
            for (class, column) in [(Aa, "AA_k"), (A, "A_k"), (B, "B_k"), (C, "C_k")] {
                assert_near(class.tolerance_k(t), row.number(column), 1e-9, column);
            }
            for (class, column) in [(A, "A_ohm_pt100"), (B, "B_ohm_pt100")] {
                let ohm = class.tolerance_k(t) * 100.0 * rtd::ratio_slope_at(t);
                assert_near(ohm, row.number(column), 0.6e-4, "printed to four decimals");
            }
        }
        for row in vectors().rows("printed_tolerance") {
            let t = row.number("t_c");
            for (class, kelvin, ohm) in [(A, "classA_k", "classA_ohm"), (B, "classB_k", "classB_ohm")] {
                assert_near(class.tolerance_k(t), row.number(kelvin), 1e-9, kelvin);
                let got = class.tolerance_k(t) * 100.0 * rtd::ratio_slope_at(t);
                assert_near(got, row.number(ohm), 0.006, "printed to two decimals");
            }
        }
    }
}

mod electrode {
    use super::*;

    fn vectors() -> Vectors {
        Vectors::read("ph")
    }

    fn buffer(family: BufferFamily, place: usize) -> Buffer {
        family.buffers()[place]
    }

    #[test]
    fn nernst_slope() {
        for row in vectors().rows("nernst_slope") {
            let got = nernst_slope_mv(row.number("t_c"));
            assert_near(got, row.number("slope_mv_per_ph"), 1e-6, "printed to six decimals");
        }
    }

    #[test]
    fn buffers_of_each_family() {
        let families = [
            (
                BufferFamily::JisZ8802,
                "jis_z_8802",
                ["phthalate", "neutral_phosphate", "borate", "carbonate"].as_slice(),
            ),
            (
                BufferFamily::Din19266,
                "din_19266",
                &["phthalate_0.05m", "phosphate_equimolal_0.025m", "borax_0.01m", "carbonate_0.025m"],
            ),
            (BufferFamily::Technical4710, "technical", &["ph4", "ph7", "ph10"]),
        ];
        for (family, table, columns) in families {
            assert_eq!(family.buffers().len(), columns.len());
            for row in vectors().rows(table) {
                let t = row.number("t_c");
                for (place, column) in columns.iter().enumerate() {
                    let (got, published) = (buffer(family, place).ph_at(t), row.given(column));
                    assert_eq!(got.is_some(), published.is_some(), "{column} at {t} °C");
                    if let (Some(got), Some(published)) = (got, published) {
                        assert_near(got, published, 1e-9, &format!("{column} at {t} °C"));
                    }
                }
            }
        }
    }

    #[test]
    fn families_agree_as_far_as_they_do() {
        // DIN 19266 against the printed two-decimal table: 0.012 at its rows, a little more on the curve between them.
        for t in (0..=350).map(|tenth| f64::from(tenth) / 10.0) {
            let tolerance = if t % 5.0 == 0.0 { 0.012_001 } else { 0.015 };
            for place in 0..4 {
                let din = buffer(BufferFamily::Din19266, place).ph_at(t).expect("0 to 50 °C");
                let jis = buffer(BufferFamily::JisZ8802, place).ph_at(t).expect("0 to 35 °C");
                assert_near(din, jis, tolerance, &format!("buffer {place} at {t} °C"));
            }
        }
        // Phthalate at 25 °C is 4.005, 4.006 or 4.008: families, not mistakes.
        let phthalate = |t| buffer(BufferFamily::Din19266, 0).ph_at(t).expect("0 to 50 °C");
        assert_near(phthalate(25.0), 4.005, 1e-9, "IUPAC and DIN");
        for table in ["phthalate_nbs_1962", "phthalate_1977"] {
            for row in vectors().rows(table).filter(|r| r.number("t_c") <= 50.0) {
                let t = row.number("t_c");
                assert_near(phthalate(t), row.number("ph"), 0.011, &format!("{table} at {t} °C"));
            }
        }
    }

    #[test]
    fn two_point_calibrations() {
        for row in vectors().rows("two_point_calibration") {
            let t = row.number("t_c");
            let reading = |ph, mv| BufferReading { ph: row.number(ph), mv: row.number(mv) };
            let readings = [reading("ph1", "e1_mv"), reading("ph2", "e2_mv")];
            let electrode = calibrate(&readings, t, &PhCalibration::IDEAL).expect("a calibration");
            assert_near(nernst_slope_mv(t), row.number("k_mv"), 1e-6, "slope");
            assert_near(
                electrode.slope_percent,
                row.number("efficiency_pct"),
                0.6e-4,
                "printed to four decimals",
            );
            assert_near(electrode.zero_ph, row.number("zero_ph"), 0.6e-6, "zero point");
            assert_near(electrode.mv(7.0, t), row.number("offset_at_ph7_mv"), 0.6e-6, "offset at pH 7");
            for BufferReading { ph, mv } in readings {
                assert_near(electrode.ph(mv, t), ph, 1e-12, "a buffer reads itself");
            }
            let mut sorted = readings;
            sorted.sort_by(|a, b| a.ph.total_cmp(&b.ph));
            assert_eq!(slope_percent(sorted[0], sorted[1], t), Ok(electrode.slope_percent));
            assert_eq!(electrode.is_within_limits(), row.number("efficiency_pct") >= 90.0);
        }
    }

    #[test]
    fn voltage_to_ph_and_back() {
        for row in vectors().rows("electrode") {
            let slope_percent = row.number("efficiency_pct");
            let zero_ph = row.number("zero_ph");
            let calibration = PhCalibration {
                slope_percent,
                slope_alkaline_percent: slope_percent,
                zero_ph,
                isopotential_ph: zero_ph,
                ..PhCalibration::IDEAL
            };
            let (t, mv, ph) = (row.number("t_c"), row.number("e_mv"), row.number("ph"));
            assert_near(calibration.ph(mv, t), ph, 0.6e-6, "printed to six decimals");
            assert_near(calibration.mv(ph, t), mv, 1e-4, "0.6e-6 pH are 4e-5 mV");
            let sensor = SensorStage::PhElectrode {
                calibration,
                temperature: TemperatureSource::Fixed(t),
                buffers: None,
            };
            assert_near(good(probe(Quantity::Ph, PLAIN, sensor), mv), ph, 0.6e-6, "through the channel");
        }
    }
}

mod conductance {
    use super::*;

    fn vectors() -> Vectors {
        Vectors::read("conductivity")
    }

    #[test]
    fn kcl_standards() {
        use KclStandard::{Molal001, Molal01, Molal1};
        for row in vectors().rows("kcl_molal") {
            let t = row.number("t_c");
            for (standard, column) in [(Molal001, "kcl_0.01m"), (Molal01, "kcl_0.1m"), (Molal1, "kcl_1.0m")] {
                let Some(published) = row.given(column) else { continue };
                let got = standard.salt_us_cm(t).expect("0 to 50 °C");
                // The standards are certified to 0.03 %; 18 °C lies between our rows and tells of the cubic.
                assert_near(got, published, 1e-4 * published, &format!("{column} at {t} °C"));
                let in_air = standard.solution_us_cm(t).expect("0 to 50 °C");
                assert_near(in_air - got, row.number("water_co2_sat"), 0.01, "water");
            }
        }
        assert_eq!(Molal001.salt_us_cm(50.1), None);
    }

    #[test]
    fn another_definition_is_not_a_fault() {
        use KclStandard::{Molal001, Molal01, Molal1};
        // Demal solutions are not molal ones: 0.01 D and 0.1 D differ by up to 0.3 %, 1 D by 2.6 %.
        for row in vectors().rows("kcl_demal") {
            let t = row.number("t_c");
            for (standard, column, percent) in
                [(Molal001, "kcl_0.01D", 0.3), (Molal01, "kcl_0.1D", 0.3), (Molal1, "kcl_1D", 2.6)]
            {
                let got = standard.salt_us_cm(t).expect("0 to 50 °C");
                assert_near(got, row.number(column), percent / 100.0 * got, &format!("{column} at {t} °C"));
            }
        }
        for row in vectors().rows("bottles") {
            let label = row.number("label_us_cm");
            assert_near(
                labelled_kcl_us_cm(label, 25.0).expect("a label"),
                label,
                1e-9 * label,
                "what the bottle says",
            );
        }
    }

    #[test]
    fn natural_waters() {
        for row in vectors().rows("f25") {
            let (t, f25) = (row.number("t_c"), row.number("f25"));
            assert_near(natural_water_f25(t).expect("in the table"), f25, 1e-12, &format!("{t} °C"));
            assert_near(
                f25 / F25_PER_F20,
                row.number("f20_computed"),
                0.6e-4,
                "f20, printed to four decimals",
            );
            if let Some(percent) = row.given("alpha_equivalent_pct_per_k") {
                assert_near(
                    linear_f25(percent / 100.0, t).expect("positive"),
                    f25,
                    0.0005,
                    "printed to 0.001 %/K",
                );
            }
        }
        for row in vectors().rows("f25_tenths") {
            let t = row.number("t_c");
            // Both the whole degrees and the tenths are rounded to 0.001: one digit.
            assert_near(
                natural_water_f25(t).expect("in the table"),
                row.number("f25"),
                0.001,
                &format!("{t} °C"),
            );
        }
        assert_eq!((natural_water_f25(-0.1), natural_water_f25(36.0)), (None, None), "0 to 35.9 °C");
    }

    fn cell(compensation: Compensation, t: f64) -> ProbeSettings {
        let temperature = TemperatureSource::Fixed(t);
        let sensor = SensorStage::Conductivity { cell_constant_per_cm: 1.0, compensation, temperature };
        probe(Quantity::Conductivity, PLAIN, sensor)
    }

    #[test]
    fn linear_compensation() {
        for row in vectors().rows("linear") {
            let (alpha_per_k, t) = (row.number("alpha25_per_k"), row.number("t_c"));
            let got = good(cell(Compensation::Linear { alpha_per_k }, t), row.number("kappa_t"));
            assert_near(got, row.number("kappa25"), 0.6e-6, "printed to six decimals");
        }
    }

    #[test]
    fn another_reference_temperature() {
        for row in vectors().rows("alpha_reference") {
            let (alpha25, alpha20) = (row.number("alpha25"), row.number("alpha20"));
            assert_near(alpha_20_per_k(alpha25), alpha20, 0.6e-8, "printed to eight decimals");
            // The same liquid at 32 °C by either reference.
            let at_20 = reference_25_to_20(1000.0, alpha25);
            let by_25 = 1000.0 * (1.0 + alpha25 * 7.0);
            assert_near(at_20 * (1.0 + alpha_20_per_k(alpha25) * 12.0), by_25, 1e-9, "the line is one");
        }
    }

    #[test]
    fn a_cell_calibrated_in_a_standard_reads_it() {
        let standard = KclStandard::Molal001.solution_us_cm(22.0).expect("0 to 50 °C");
        let cell_constant_per_cm =
            conductivity::cell_constant_per_cm(standard / 0.98, standard).expect("a cell");
        let temperature = TemperatureSource::Fixed(22.0);
        let sensor =
            SensorStage::Conductivity { cell_constant_per_cm, compensation: Compensation::None, temperature };
        assert_near(
            good(probe(Quantity::Conductivity, PLAIN, sensor), standard / 0.98),
            standard,
            1e-9,
            "cell constant 0.98",
        );
    }
}

mod loops {
    use super::*;

    fn vectors() -> Vectors {
        Vectors::read("loop_and_status")
    }

    #[test]
    fn bands_of_ne_43() {
        let (bands, limits) = (LoopBands::default(), vectors());
        let limit = |key| limits.value("ne43_limits", key).as_float().expect("mA");
        assert_eq!(bands.failure_low, limit("failure_low_max_ma"));
        assert_eq!(bands.valid_low, limit("valid_min_ma"));
        assert_eq!(bands.valid_high, limit("valid_max_ma"));
        assert_eq!(bands.failure_high, limit("failure_high_min_ma"));
        for row in vectors().rows("ne43_classification") {
            let ma = row.number("ma");
            let expected = match row.text("class") {
                "failure_low" => LoopState::FailureLow,
                "failure_high" => LoopState::FailureHigh,
                "valid" | "valid_under_range" | "valid_over_range" => LoopState::Valid,
                _ if ma < 4.0 => LoopState::BetweenLow,
                _ => LoopState::BetweenHigh,
            };
            assert_eq!(classify(&bands, ma), expected, "{ma} mA");
        }
        assert_eq!(classify(&bands, 3.7), LoopState::BetweenLow, "neither valid nor a clear failure");
        assert_eq!(classify(&bands, 20.7), LoopState::BetweenHigh, "neither valid nor a clear failure");
    }

    fn current_loop(to_ma: Line, low: f64, high: f64) -> ProbeSettings {
        let points = vec![(4.0, low), (20.0, high)];
        let input = InputStage::Loop { to_ma, bands: LoopBands::default(), points };
        probe(Quantity::Level, input, SensorStage::Direct)
    }

    #[test]
    fn scaling_reaches_into_the_valid_band() {
        for row in vectors().rows("scaling") {
            let settings = current_loop(Line::IDENTITY, row.number("lo"), row.number("hi"));
            let got = good(settings, row.number("ma"));
            assert_near(
                got,
                row.number("value"),
                1e-9,
                &format!("{} mA {}", row.number("ma"), row.text("unit")),
            );
        }
    }

    #[test]
    fn counts_of_analogue_cards() {
        for row in vectors().rows("raw_counts") {
            let (at_4, at_20) = (row.number("count_at_4ma"), row.number("count_at_20ma"));
            let scale = 16.0 / (at_20 - at_4);
            let to_ma = Line { scale, offset: 4.0 - at_4 * scale };
            let got = good(current_loop(to_ma, 4.0, 20.0), row.number("count"));
            assert_near(got, row.number("ma"), 1e-9, row.text("convention"));
        }
    }

    #[test]
    fn device_status_of_ne_107() {
        let status_of = |letter: &str| match letter {
            "F" => DeviceStatus::Failure,
            "C" => DeviceStatus::FunctionCheck,
            "S" => DeviceStatus::OutOfSpecification,
            "M" => DeviceStatus::MaintenanceRequired,
            _ => DeviceStatus::Normal,
        };
        let vectors = vectors();
        let rows: Vec<_> = vectors.rows("ne107").collect();
        for row in rows.iter().filter(|r| r.text("letter") != "-") {
            assert_eq!(status_of(row.text("letter")).text(), row.text("name").to_lowercase());
        }
        let worst_first: Vec<_> = rows.iter().map(|r| status_of(r.text("letter"))).collect();
        assert!(worst_first.windows(2).all(|pair| pair[0] > pair[1]), "F > C > S > M");
    }

    #[test]
    fn status_codes_of_opc_ua() {
        let vectors = vectors();
        let rows: Vec<_> = vectors.rows("opc_ua").collect();
        for status in Status::ALL {
            let row =
                rows.iter().find(|r| r.text("name") == status.text()).unwrap_or_else(|| panic!("{status:?}"));
            assert_eq!(f64::from(status.code()), row.number("decimal"), "{status:?}");
            let severity = match row.text("severity") {
                "Good" => Severity::Good,
                "Uncertain" => Severity::Uncertain,
                _ => Severity::Bad,
            };
            assert_eq!(status.severity(), severity, "{status:?}");
        }
    }
}

mod column {
    use super::*;

    fn vectors() -> Vectors {
        Vectors::read("water_column")
    }

    #[test]
    fn density_of_water() {
        for row in vectors().rows("density") {
            let t = row.number("t_c");
            let got = water_density_kg_m3(t).expect("0 to 100 °C");
            // 18, 22, 37 and 55 °C lie between our rows and tell of the cubic.
            assert_near(got, row.number("density_if97_kg_m3"), 0.001, &format!("IF97 at {t} °C"));
            if let Some(other) = row.given("density_iapws95_kg_m3") {
                assert_near(got, other, 0.016, &format!("the scientific formulation at {t} °C"));
            }
        }
        assert_eq!((water_density_kg_m3(-0.1), water_density_kg_m3(100.1)), (None, None));
    }

    #[test]
    fn pressure_to_height_and_back() {
        for row in vectors().rows("hydrostatic") {
            let (pressure, density) = (row.number("gauge_pressure_pa"), row.number("density_kg_m3"));
            let height = row.number("h_mm");
            assert_near(column_mm(pressure, density), height, 0.6e-6, "printed to six decimals");
            assert_near(pressure_pa(height, density), pressure, 1e-5, "0.6e-6 mm are 6e-6 Pa");
            let sensor = SensorStage::Hydrostatic { density: Density::Fixed(density), mounting_mm: 25.0 };
            let got = good(probe(Quantity::Level, PLAIN, sensor), pressure);
            assert_near(got, height + 25.0, 0.6e-6, "with the membrane 25 mm above the floor");
        }
    }
}

/// Any sensor stage, sensible or not.
fn sensors() -> impl Strategy<Value = SensorStage> {
    let number = prop::num::f64::ANY;
    let temperature = || {
        prop_oneof![
            prop::num::f64::ANY.prop_map(TemperatureSource::Fixed),
            prop::num::f64::ANY
                .prop_map(|fallback_c| TemperatureSource::Probe { probe: ProbeIndex(7), fallback_c }),
        ]
    };
    let compensation = prop_oneof![
        Just(Compensation::None),
        number.prop_map(|alpha_per_k| Compensation::Linear { alpha_per_k }),
        Just(Compensation::NaturalWater),
        prop::collection::vec((number, number), 0..4).prop_map(Compensation::Table),
    ];
    let density = prop_oneof![
        number.prop_map(Density::Fixed),
        (number, temperature()).prop_map(|(factor, temperature)| Density::Water { factor, temperature }),
    ];
    let electrode = (number, number, number, number, temperature()).prop_map(
        |(slope, zero_ph, knee_ph, temperature_c, temperature)| {
            let calibration = PhCalibration {
                slope_percent: slope,
                slope_alkaline_percent: slope,
                knee_ph,
                zero_ph,
                isopotential_ph: 7.0,
                temperature_c,
            };
            SensorStage::PhElectrode { calibration, temperature, buffers: None }
        },
    );
    prop_oneof![
        Just(SensorStage::Direct),
        (number, number).prop_map(|(r0_ohm, lead_ohm)| SensorStage::Rtd { r0_ohm, lead_ohm }),
        electrode,
        (number, compensation, temperature()).prop_map(
            |(cell_constant_per_cm, compensation, temperature)| {
                SensorStage::Conductivity { cell_constant_per_cm, compensation, temperature }
            }
        ),
        (density, number)
            .prop_map(|(density, mounting_mm)| SensorStage::Hydrostatic { density, mounting_mm }),
        number.prop_map(|sensor_height_mm| SensorStage::Gap { sensor_height_mm }),
        (number, prop::option::of(number), number).prop_map(
            |(litres_per_count, modulus, litres_per_second_max)| {
                SensorStage::Counter { litres_per_count, modulus, litres_per_second_max }
            }
        ),
        any::<bool>().prop_map(|inverted| SensorStage::Contact { inverted }),
    ]
}

fn inputs() -> impl Strategy<Value = InputStage> {
    let line = (prop::num::f64::ANY, prop::num::f64::ANY).prop_map(|(scale, offset)| Line { scale, offset });
    let points = prop::collection::vec((prop::num::f64::ANY, prop::num::f64::ANY), 0..4);
    let bands = LoopBands::default();
    prop_oneof![
        line.clone().prop_map(InputStage::Scaled),
        (line, points).prop_map(move |(to_ma, points)| InputStage::Loop { to_ma, bands, points }),
    ]
}

fn raws() -> impl Strategy<Value = Raw> {
    prop_oneof![
        4 => prop::num::f64::ANY.prop_map(Raw::Number),
        4 => (-100.0..4000.0_f64).prop_map(Raw::Number),
        1 => (0..=255_u8).prop_map(|code| Raw::Fault(Fault::Exception(code))),
        1 => Just(Raw::Fault(Fault::NoReply)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn nothing_that_comes_out_is_nan(
        input in inputs(),
        sensor in sensors(),
        readings in prop::collection::vec((raws(), 0..100_000_u64, any::<i64>()), 1..20),
    ) {
        let mut settings = probe(Quantity::Level, input, sensor);
        settings.frozen = Some(FrozenCheck { window: Duration::from_secs(20), least_change: 0.1 });
        settings.spike = Some(SpikeCheck { step: 10.0, rate_per_s: 1.0, confirm: 2 });
        let mut signals = Signals::new(&[settings]);
        let mut out = Vec::new();
        for (raw, uptime_ms, utc) in readings {
            let now = Now { uptime: Uptime::from_nanos(uptime_ms * 1_000_000), utc: Timestamp::from_nanos(utc) };
            let reading = RawReading { probe: PROBE, at: now.utc, received: now.uptime, raw };
            out.push(signals.convert(now, &reading));
            signals.tick(now, &mut out);
        }
        for measurement in out {
            prop_assert!(measurement.raw.is_none_or(f64::is_finite), "{measurement:?}");
            prop_assert!(measurement.measured.usable().is_none_or(f64::is_finite), "{measurement:?}");
            let bad = measurement.measured.quality().severity() == Severity::Bad;
            prop_assert_eq!(bad, measurement.measured.usable().is_none(), "a bad value holds no number");
        }
    }

    #[test]
    fn a_total_never_goes_down(
        modulus in prop::option::of(100.0..70_000.0_f64),
        steps in prop::collection::vec((0.0..70_000.0_f64, 0..1000_u64), 1..60),
    ) {
        let sensor = SensorStage::Counter { litres_per_count: 0.1, modulus, litres_per_second_max: 3.0 };
        let mut signals = Signals::new(&[probe(Quantity::FlowTotal, PLAIN, sensor)]);
        let (mut seconds, mut last) = (0, 0.0);
        for (count, passed) in steps {
            seconds += passed;
            let now = Now::simulated(Timestamp::from_millis(seconds as i64 * 1000));
            let raw = Raw::Number(count.floor());
            let reading = RawReading { probe: PROBE, at: now.utc, received: now.uptime, raw };
            if let Some(total) = signals.convert(now, &reading).measured.usable() {
                prop_assert!(total >= last, "{total} after {last}");
                last = total;
            }
        }
        prop_assert!(last <= 3.0 * seconds as f64 + 60.0 * 0.1, "no more than the line can deliver: {last} L");
    }

    #[test]
    fn a_total_through_roll_overs_is_what_flowed(
        modulus in 1000.0..70_000.0_f64,
        flows in prop::collection::vec(0..300_u32, 2..100),
    ) {
        let modulus = modulus.floor();
        let sensor = SensorStage::Counter { litres_per_count: 0.5, modulus: Some(modulus), litres_per_second_max: 15.0 };
        let mut signals = Signals::new(&[probe(Quantity::FlowTotal, PLAIN, sensor)]);
        let mut counted = 0_u32;
        let mut total = 0.0;
        for (i, flow) in flows.iter().enumerate() {
            counted += if i == 0 { 0 } else { *flow };
            let now = Now::simulated(Timestamp::from_millis(i as i64 * 10_000));
            let raw = Raw::Number(f64::from(counted) % modulus);
            let reading = RawReading { probe: PROBE, at: now.utc, received: now.uptime, raw };
            total = signals.convert(now, &reading).measured.usable().expect("a total");
        }
        prop_assert_eq!(total, 0.5 * f64::from(counted));
    }

    #[test]
    fn platinum_leads_there_and_back(t in -200.0..850.0_f64, r0 in prop_oneof![Just(100.0), Just(1000.0)]) {
        let back = rtd::temperature_c(r0, rtd::resistance_ohm(r0, t)).expect("within the span");
        prop_assert!((back - t).abs() < 1e-8, "{t} {back}");
    }

    #[test]
    fn an_electrode_leads_there_and_back(
        ph in 0.0..14.0_f64,
        t in 0.0..100.0_f64,
        acid in 80.0..110.0_f64,
        alkaline in 80.0..110.0_f64,
        knee_ph in 6.0..8.0_f64,
        zero_ph in 6.0..8.0_f64,
        isopotential_ph in 6.5..7.5_f64,
        temperature_c in 5.0..45.0_f64,
    ) {
        let electrode = PhCalibration {
            slope_percent: acid,
            slope_alkaline_percent: alkaline,
            knee_ph,
            zero_ph,
            isopotential_ph,
            temperature_c,
        };
        prop_assert!((electrode.ph(electrode.mv(ph, t), t) - ph).abs() < 1e-11);
        prop_assert!((electrode.mv(zero_ph, temperature_c)).abs() < 1e-10, "0 mV at the zero point");
    }
}
