//! Why a sump costs more in a large shop: the same engines fed in two orders.
//!
//! A shop of many sumps is cut into engines of five. Fed a day at a time, one after the other, each finds its own state in the
//! processor's caches; fed a minute at a time in turn, it finds there what the others left. The work is the same to the
//! instruction. Where the second costs what one engine of all the sumps costs, it is memory that costs and nothing
//! that is done more often.

use std::error::Error;
use std::path::Path;

use sumpwarden_core::engine::{Engine, Outbound};
use sumpwarden_core::model::{Measurement, Now};

use crate::alone::{Figures, emptied, named, process_seconds};
use crate::{estimator, month};

/// Sumps of each of the small engines.
const FEW: usize = 5;

/// The readings of one minute of one sump.
type Minute<'a> = &'a [(Now, Measurement)];

/// Processor time a sump-hour, µs, of `sumps` through so many `days`: one engine of five, engines of five in both orders, and one
/// engine of all.
pub(crate) fn measure(directory: &Path, sumps: usize, days: u64) -> Result<Figures, Box<dyn Error>> {
    emptied(directory)?;
    let readings = estimator::readings(days);
    let minutes: Vec<Minute<'_>> = readings.chunk_by(|a, b| a.0 == b.0).collect();
    let day = 24 * 60;
    let cost = |engines: usize, of: usize, at_a_time: usize| -> Result<f64, Box<dyn Error>> {
        let mut shops = (0..engines).map(|_| month::engine(directory, of)).collect::<Result<Vec<_>, _>>()?;
        let began = process_seconds();
        for stretch in minutes.chunks(at_a_time) {
            for engine in &mut shops {
                follow(engine, of, stretch)?;
            }
        }
        let hours = (engines * of) as f64 * minutes.len() as f64 / 60.0;
        Ok(1e6 * (process_seconds() - began) / hours)
    };
    let figures = named([
        ("five_us", cost(1, FEW, day)?),
        ("fives_day_by_day_us", cost(sumps / FEW, FEW, day)?),
        ("fives_minute_by_minute_us", cost(sumps / FEW, FEW, 1)?),
        ("all_us", cost(1, sumps, day)?),
    ]);
    std::fs::remove_dir_all(directory)?;
    Ok(figures)
}

fn follow(engine: &mut Engine, sumps: usize, minutes: &[Minute<'_>]) -> Result<(), Box<dyn Error>> {
    for minute in minutes {
        month::hear(engine, sumps, minute)?;
        engine.drain(&mut Outbound::default());
    }
    Ok(())
}
