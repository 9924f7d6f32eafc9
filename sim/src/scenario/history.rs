//! A scenario as rows, without sockets, and as the file that a replay reads.

use std::collections::VecDeque;
use std::io::{self, Write};
use std::time::Duration;

use super::{Plant, Scenario};
use crate::rng::Rng;
use crate::stamp::Stamp;
use crate::world::{EventKind, Truth};

/// How a history is told.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct HistoryOptions {
    /// Time between two samples of a probe.
    pub every: Duration,
    /// How often somebody reads a refractometer and a hardness strip and writes it down.
    pub manual_every: Option<Duration>,
    /// Somebody writes down every top-up: its strength within this standard deviation, percent, and its litres within 5 %.
    pub topups_known: Option<f64>,
    /// Truth of every sump this often.
    pub truth_every: Duration,
}

impl Default for HistoryOptions {
    fn default() -> Self {
        Self {
            every: Duration::from_secs(60),
            manual_every: None,
            topups_known: None,
            truth_every: Duration::from_secs(3600),
        }
    }
}

/// One row of a history, in time order.
#[derive(Clone, PartialEq, Debug)]
pub enum Row {
    /// A probe delivered a number.
    Sample {
        /// When.
        at: Stamp,
        /// Place of the sump.
        sump: usize,
        /// Place of the probe in [`Scenario::probes`].
        probe: usize,
        /// The number as delivered.
        raw: f64,
    },
    /// Somebody wrote something down.
    Note {
        /// When.
        at: Stamp,
        /// Place of the sump.
        sump: usize,
        /// `brix`, `hardness_mg_l`, `topup_l` or `topup_percent`.
        kind: &'static str,
        /// Value.
        value: f64,
    },
    /// What was true; no part of what a gateway may see.
    Truth {
        /// Place of the sump.
        sump: usize,
        /// All of it.
        truth: Truth,
    },
}

/// A scenario's rows from its start to its end.
#[derive(Debug)]
pub struct History {
    scenario: Scenario,
    options: HistoryOptions,
    plant: Plant,
    rows: VecDeque<Row>,
    /// Events of the world told so far.
    told: usize,
    notes: Rng,
}

/// Standard deviation of a refractometer reading, Brix, and of a hardness strip, part of the value (common practice, no
/// source).
const BRIX_SPREAD: f64 = 0.15;
const STRIP_SPREAD: f64 = 0.06;
/// Manual readings are taken this long after the start of a period: in the morning of its third day.
const MANUAL_AFTER: Duration = Duration::from_secs(2 * 86_400 + 10 * 3600);

impl Scenario {
    /// Its rows from start to end.
    pub fn history(&self, options: HistoryOptions) -> History {
        History {
            plant: Plant::new(self),
            scenario: self.clone(),
            options,
            rows: VecDeque::new(),
            told: 0,
            notes: Rng::of(self.seed, "notes"),
        }
    }
}

impl History {
    /// The shop as it stands at the last row.
    pub fn plant(&self) -> &Plant {
        &self.plant
    }

    fn advance(&mut self) {
        let before = self.plant.world().now();
        self.plant.step(self.options.every);
        let at = self.plant.world().now();
        let samples = self.plant.sample();
        let plans = self.scenario.probes.iter();
        self.rows.extend(plans.zip(samples).enumerate().filter_map(|(probe, (plan, sample))| {
            sample.map(|sample| Row::Sample { at, sump: plan.sump, probe, raw: sample.number })
        }));
        self.tell_topups(at);
        for sump in 0..self.scenario.sumps.len() {
            let truth = self.plant.world().truth(sump);
            if self.options.manual_every.is_some_and(|every| self.is_due(before, at, every, MANUAL_AFTER)) {
                let brix = truth.percent / self.scenario.sumps[sump].fluid.refractometer_factor;
                let brix = brix + BRIX_SPREAD * self.notes.normal();
                let strip = truth.hardness_mg_l * (1.0 + STRIP_SPREAD * self.notes.normal());
                self.rows.push_back(Row::Note { at, sump, kind: "brix", value: tenths(brix) });
                self.rows.push_back(Row::Note { at, sump, kind: "hardness_mg_l", value: tenths(strip) });
            }
            if self.is_due(before, at, self.options.truth_every, Duration::ZERO) {
                self.rows.push_back(Row::Truth { sump, truth });
            }
        }
    }

    /// Whether a multiple of `every`, `after` later, lies after `before` and not after `at`.
    fn is_due(&self, before: Stamp, at: Stamp, every: Duration, after: Duration) -> bool {
        let (origin, every) = (self.scenario.start + after, every.as_millis() as i64);
        (at.0 - origin.0).div_euclid(every) > (before.0 - origin.0).div_euclid(every) && at >= origin
    }

    fn tell_topups(&mut self, at: Stamp) {
        let events = &self.plant.world().events()[self.told..];
        self.told += events.len();
        let Some(spread) = self.options.topups_known else { return };
        for event in events {
            if let EventKind::TopUp { litres, percent, .. } = event.kind {
                let litres = tenths(litres * (1.0 + 0.05 * self.notes.normal()));
                let percent = tenths((percent + spread * self.notes.normal()).max(0.0));
                let sump = event.sump;
                self.rows.push_back(Row::Note { at, sump, kind: "topup_l", value: litres });
                self.rows.push_back(Row::Note { at, sump, kind: "topup_percent", value: percent });
            }
        }
    }
}

fn tenths(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

impl Iterator for History {
    type Item = Row;

    fn next(&mut self) -> Option<Row> {
        while self.rows.is_empty() && self.plant.world().now() + self.options.every <= self.scenario.end() {
            self.advance();
        }
        self.rows.pop_front()
    }
}

/// Writes samples and notes as a replay reads them: `time,source,value`. Returns how many rows.
pub fn write_history(
    scenario: &Scenario,
    rows: impl Iterator<Item = Row>,
    out: &mut impl Write,
) -> io::Result<u64> {
    let sources: Vec<String> = (0..scenario.probes.len()).map(|probe| scenario.source(probe)).collect();
    writeln!(out, "time,source,value")?;
    let mut count = 0;
    for row in rows {
        match row {
            Row::Sample { at, probe, raw, .. } => writeln!(out, "{at},{},{raw}", sources[probe])?,
            Row::Note { at, sump, kind, value } => {
                writeln!(out, "{at},note/{}/{kind},{value}", scenario.sumps[sump].name)?;
            }
            Row::Truth { .. } => continue,
        }
        count += 1;
    }
    Ok(count)
}

/// Writes the truth rows, one column a quantity, named as the gateway's estimates where there is such an estimate.
pub fn write_truths(
    scenario: &Scenario,
    rows: impl Iterator<Item = Row>,
    out: &mut impl Write,
) -> io::Result<u64> {
    writeln!(
        out,
        "time,sump,concentration_percent,hardness_mg_l,liquid_l,chip_solids_l,holdup_l,evaporation_l_h,dragout_l_h,\
         level_mm,conductivity_25_us_cm,ph,temperature_c,pump,leak_l_h,log_cfu_ml"
    )?;
    let mut count = 0;
    for row in rows {
        let Row::Truth { sump, truth: t } = row else { continue };
        write!(out, "{},{}", t.at, scenario.sumps[sump].name)?;
        for value in [
            t.percent,
            t.hardness_mg_l,
            t.liquid_l,
            t.chip_solids_l,
            t.holdup_l,
            t.evaporation_l_h,
            t.dragout_l_h,
            t.level_mm,
            t.conductivity_25_us_cm,
            t.ph,
            t.temperature_c,
            f64::from(u8::from(t.pump)),
            t.leak_l_h,
            t.log_cfu_ml,
        ] {
            write!(out, ",{value:.4}")?;
        }
        writeln!(out)?;
        count += 1;
    }
    Ok(count)
}
