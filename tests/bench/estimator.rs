//! How many hours of one sump the estimator follows in a second of one core.
//!
//! Level, conductivity, temperature, pH and pump contact come once a minute, as a bus delivers them; a top-up comes every
//! third day, estimates are asked for once an hour. The readings are made up beforehand, so that only the estimator is
//! timed. Beside it stands the bound: the same readings handed over and forgotten.

use std::hint::black_box;

use sumpwarden_core::estimate::settings::SumpAccuracy;
use sumpwarden_core::estimate::sump::Sump;
use sumpwarden_core::model::{Measured, Measurement, Now, Quality, Timestamp};
use sumpwarden_tests::shop::{CONDUCTIVITY, HOLDUP_L, LEVEL, LITRES_PER_MM, PH, PUMP, TEMPERATURE, lathe};

use crate::alone::{Figures, named, process_seconds};

/// A quarter.
const DAYS: u64 = 90;

/// Sump-hours a second, by the fastest of `rounds`.
pub(crate) fn measure(rounds: usize) -> Figures {
    let readings = readings(DAYS);
    let best = |run: &dyn Fn()| {
        let times = (0..rounds).map(|_| {
            let began = process_seconds();
            run();
            process_seconds() - began
        });
        times.fold(f64::INFINITY, f64::min)
    };
    let bound = best(&|| {
        for (now, measurement) in &readings {
            black_box((now, measurement));
        }
    });
    let estimator = best(&|| follow(&readings));
    let hours = (DAYS * 24) as f64;
    named([("sump_hours_per_second", hours / estimator), ("handing_over", hours / bound.max(1e-9))])
}

fn follow(readings: &[(Now, Measurement)]) {
    let mut sump = Sump::new(&lathe(), &SumpAccuracy::default(), 1.0).expect("sound settings");
    let mut events = Vec::new();
    for (i, (now, measurement)) in readings.iter().enumerate() {
        sump.observe(*now, measurement);
        if i % (5 * 60) == 0 {
            let _ = black_box(sump.estimates(*now));
            sump.drain_events(&mut events);
        }
    }
    assert!(events.len() > 20, "the top-ups were found: {}", events.len());
}

/// What the sump holds when somebody has filled it, L.
const FULL_L: f64 = 255.0;

/// A sump that loses 0.25 L/h at rest and 1 L/h at work, and is filled by a third of a hundred litres now and then.
pub(crate) fn readings(days: u64) -> Vec<(Now, Measurement)> {
    let mut all = Vec::new();
    let (mut content, mut thick, mut noise) = (FULL_L, 1600.0, 1_u32);
    for minute in 0..days * 24 * 60 {
        let hour = minute / 60 % 24;
        let running = (6..22).contains(&hour) && minute % 60 < 52;
        let lost = if running { 1.0 } else { 0.25 } / 60.0;
        content -= lost;
        thick += 0.8 * thick * lost / content;
        if minute % 4320 == 700 {
            let poured = FULL_L - content;
            thick -= 0.45 * thick * poured / (content + poured);
            content = FULL_L;
        }
        let mut wave = || {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(noise >> 16) / 65_536.0 - 0.5
        };
        let level = (content - if running { HOLDUP_L } else { 0.0 }) / LITRES_PER_MM + 3.0 * wave();
        let now = Now::simulated(Timestamp::from_millis(i64::try_from(minute).unwrap_or(0) * 60_000));
        for (probe, value) in [
            (PUMP, f64::from(u8::from(running))),
            (LEVEL, level),
            (CONDUCTIVITY, thick + 8.0 * wave()),
            (TEMPERATURE, 24.0 + wave()),
            (PH, 9.1 + 0.02 * wave()),
        ] {
            let measured = Measured::Good(value, Quality::GOOD);
            all.push((
                now,
                Measurement { probe, at: now.utc, received: now.uptime, raw: Some(value), measured },
            ));
        }
    }
    all
}
