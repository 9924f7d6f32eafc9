//! How many hours of one sump the estimator follows in a second of one core.
//!
//! Level, conductivity, temperature, pH and pump contact come once a minute, as a bus delivers them; a top-up comes every
//! third day, estimates are asked for once an hour. What the probes show is made up beforehand, so that only the estimator is
//! timed; a reading is put together as it is handed over, as conversion does: a quarter of them in a row would have the machine's
//! memory timed as well. Beside it stands the bound: the same readings handed over and forgotten.

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
    let minutes = minutes(DAYS);
    let best = |run: &dyn Fn()| {
        let times = (0..rounds).map(|_| {
            let began = process_seconds();
            run();
            process_seconds() - began
        });
        times.fold(f64::INFINITY, f64::min)
    };
    let bound = best(&|| {
        for (minute, shown) in (0..).zip(&minutes) {
            shown.tell(minute, |now, measurement| {
                black_box((now, measurement));
            });
        }
    });
    let estimator = best(&|| follow(&minutes));
    let hours = (DAYS * 24) as f64;
    named([("sump_hours_per_second", hours / estimator), ("handing_over", hours / bound.max(1e-9))])
}

fn follow(minutes: &[Minute]) {
    let mut sump = Sump::new(&lathe(), &SumpAccuracy::default(), 1.0).expect("sound settings");
    let mut events = Vec::new();
    for (minute, shown) in (0..).zip(minutes) {
        shown.tell(minute, |now, measurement| sump.observe(now, measurement));
        if minute % 60 == 0 {
            let _ = black_box(sump.estimates(at(minute)));
            sump.drain_events(&mut events);
        }
    }
    assert!(events.len() > 20, "the top-ups were found: {}", events.len());
}

/// What the sump holds when somebody has filled it, L.
const FULL_L: f64 = 255.0;

/// What the probes of a sump show in one minute.
struct Minute {
    running: bool,
    level_mm: f64,
    us_cm: f64,
    celsius: f64,
    ph: f64,
}

fn at(minute: u64) -> Now {
    Now::simulated(Timestamp::from_millis(i64::try_from(minute).unwrap_or(0) * 60_000))
}

impl Minute {
    fn tell(&self, minute: u64, mut take: impl FnMut(Now, &Measurement)) {
        let now = at(minute);
        for (probe, value) in [
            (PUMP, f64::from(u8::from(self.running))),
            (LEVEL, self.level_mm),
            (CONDUCTIVITY, self.us_cm),
            (TEMPERATURE, self.celsius),
            (PH, self.ph),
        ] {
            let measured = Measured::Good(value, Quality::GOOD);
            take(now, &Measurement { probe, at: now.utc, received: now.uptime, raw: Some(value), measured });
        }
    }
}

/// The same as readings in a row.
pub(crate) fn readings(days: u64) -> Vec<(Now, Measurement)> {
    let mut all = Vec::new();
    for (minute, shown) in (0..).zip(&minutes(days)) {
        shown.tell(minute, |now, measurement| all.push((now, *measurement)));
    }
    all
}

/// A sump that loses 0.25 L/h at rest and 1 L/h at work, and is filled by a third of a hundred litres now and then.
fn minutes(days: u64) -> Vec<Minute> {
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
        all.push(Minute {
            running,
            level_mm: level,
            us_cm: thick + 8.0 * wave(),
            celsius: 24.0 + wave(),
            ph: 9.1 + 0.02 * wave(),
        });
    }
    all
}
