//! A scenario as rows, without sockets, and as the file that a replay reads.

use std::collections::VecDeque;
use std::io::{self, Write};
use std::time::Duration;

use super::habits::{Habits, Notebook, is_due};
use super::{Plant, Scenario};
use crate::stamp::Stamp;
use crate::world::Truth;

/// How a history is told.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct HistoryOptions {
    /// Time between two samples of a probe.
    pub every: Duration,
    /// What people write down; `None`: as the scenario's people do.
    pub habits: Option<Habits>,
    /// Truth of every sump this often.
    pub truth_every: Duration,
}

impl Default for HistoryOptions {
    fn default() -> Self {
        Self { every: Duration::from_secs(60), habits: None, truth_every: Duration::from_secs(3600) }
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
        /// `brix`, `hardness_mg_l`, `ph`, `dip_slide_cfu_ml`, `chip_depth_mm`, `topup_l` or `topup_percent`.
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
    notebook: Notebook,
}

impl Scenario {
    /// Its rows from start to end.
    pub fn history(&self, options: HistoryOptions) -> History {
        let habits = options.habits.unwrap_or(self.habits);
        History {
            plant: Plant::new(self),
            scenario: self.clone(),
            options,
            rows: VecDeque::new(),
            told: 0,
            notebook: Notebook::new(habits, self.start, self.seed),
        }
    }

    /// Its rows with the notes its people write: a sample of each probe `every`, truth `truth_every`.
    pub fn history_as_told(&self, every: Duration, truth_every: Duration) -> History {
        self.history(HistoryOptions { every, truth_every, habits: None })
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
        let world = self.plant.world();
        for event in &world.events()[self.told..] {
            self.notebook.hear(event);
        }
        self.told = world.events().len();
        let truth_due = is_due(self.scenario.start, before, at, self.options.truth_every);
        for (place, sump) in world.sumps().iter().enumerate() {
            let looks = self.notebook.is_due(before, at);
            // Truth costs: the ions are settled anew each time.
            if looks || truth_due {
                let truth = world.truth(place);
                if looks {
                    self.notebook.look(before, at, place, sump, &truth);
                }
                if truth_due {
                    self.rows.push_back(Row::Truth { sump: place, truth });
                }
            }
        }
        self.rows.extend(self.notebook.written(at));
    }
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
