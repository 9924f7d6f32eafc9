//! Hourly medians of pH to a verdict on this fill: how far it has dropped, where it tends to, and what that looks like.
//!
//! A fluid is judged against itself: the baseline is the pH of its first good hours after a fill, by the same probe (a hand
//! meter that reads otherwise would look like a drop). Everything is compared as if at 25 °C, where the temperature is
//! known, and in whole hundredths of pH, so that 8.71 − 7.71 is exactly 1.00 and not a rounding over it. A
//! falling pH in warm coolant that stands still is named as what it most likely is and never diagnosed: that takes a dip
//! slide. How an hour's median comes about, and which probe is to be believed, is not known here.

use std::collections::VecDeque;
use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::model::Timestamp;

use super::guidance::{Advice, Caution, Rule};
use super::trend::{Confidence, MAD_TO_SIGMA, median, median_and_mad, theil_sen};

/// pH in whole hundredths.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub struct Hundredths(i32);

impl Hundredths {
    /// So many hundredths: 871 is pH 8.71.
    pub const fn new(hundredths: i32) -> Self {
        Self(hundredths)
    }

    /// The nearest hundredth of a pH from 0 to 14; `None` for anything else.
    pub fn of_ph(ph: f64) -> Option<Self> {
        (0.0..=14.0).contains(&ph).then(|| Self((ph * 100.0).round() as i32))
    }

    /// As a number with two decimals.
    pub fn ph(self) -> f64 {
        f64::from(self.0) / 100.0
    }

    /// How far this lies under `reference`.
    pub const fn drop_from(self, reference: Self) -> Self {
        Self(reference.0.saturating_sub(self.0))
    }

    /// So much lower.
    const fn less(self, by: Self) -> Self {
        Self(self.0.saturating_sub(by.0))
    }
}

impl fmt::Display for Hundredths {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.2}", self.ph())
    }
}

/// Drop from which on corrective measures are asked for: more than this (DGUV Regel 109-003, annex 3).
pub const CORRECTIVE_OVER: Hundredths = Hundredths(50);

/// Drop from which on the fluid is to be replaced: more than this (company instruction built on BG rule 143).
pub const REPLACE_OVER: Hundredths = Hundredths(100);

/// Temperatures that suit most bacteria and fungi best, °C (DGUV, water circuits).
pub const WARM_C: (f64, f64) = (20.0, 40.0);

/// What an amine buffer loses in pH as it warms, per kelvin: the pKa of ethanolamines falls by 0.02 to 0.03 (handbook
/// values, from memory). Day and night differ by more than a sump turns sour in.
const PH_PER_KELVIN: f64 = -0.025;

/// pH as it would be at 25 °C; as it is where the temperature is not known.
pub fn ph_at_25(ph: f64, celsius: Option<f64>) -> f64 {
    ph - PH_PER_KELVIN * celsius.map_or(0.0, |celsius| celsius - 25.0)
}

/// Hours looked back on for the pattern of fall, warmth and standing still: a weekend (common practice, no source).
const WATCH_HOURS: i64 = 72;

/// Hours of data there must be among them, and of temperature and pump each, to say anything.
const WATCH_HOURS_MIN: usize = 24;

/// Hours at either end of them whose medians are compared.
const END_HOURS: usize = 12;

/// Fall between them that is more than a probe's own wandering (common practice, no source).
const FALL_MIN: Hundredths = Hundredths(15);

/// Falls that must have been seen until it is known how far the pH of a sump wanders, and what is more than that until then
/// (common practice, no source).
const WANDER_DAYS_MIN: usize = 8;
const FALL_UNKNOWN: Hundredths = Hundredths(25);

/// Hours on end without the pump that are more than a night (common practice, no source).
const STILL_HOURS_MIN: i64 = 24;

/// Hours the present pH is the median of.
const NOW_HOURS: usize = 6;

/// Good hours that make a day's median worth having.
const DAY_HOURS_MIN: usize = 6;

/// Days a trend needs.
const TREND_DAYS_MIN: usize = 5;

/// Good hours that make a baseline, where no more came in time.
const BASELINE_HOURS_MIN: usize = 3;

/// Hours after a fill in which it is still fresh.
const FRESH_HOURS: i64 = 7 * 24;

/// Days kept at the most.
const DAYS_MAX: usize = 60;

/// What the verdict is told.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct AciditySettings {
    /// Hours after a fill until it has mixed.
    pub settle_hours: u32,
    /// Good hours after that whose median is the baseline.
    pub baseline_hours: u32,
    /// Days the trend looks back.
    pub trend_days: u32,
}

impl Default for AciditySettings {
    /// Two hours to mix, a day's baseline, a fortnight's trend (common practice, no source).
    fn default() -> Self {
        Self { settle_hours: 2, baseline_hours: 24, trend_days: 14 }
    }
}

/// Why something was not taken.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub enum AcidityError {
    /// No pH.
    #[error("{0} is no pH; it lies from 0 to 14")]
    NotAPh(f64),
    /// Older than what was seen already.
    #[error("the hour of {0} is not later than the last one; hand over each hour once, in order")]
    NotLater(Timestamp),
    /// A setting.
    #[error("{what} is {value}; it lies from {low} to {high}")]
    Setting {
        /// Which.
        what: &'static str,
        /// What it was.
        value: u32,
        /// Least.
        low: u32,
        /// Greatest.
        high: u32,
    },
    /// What was saved is not what this code saves.
    #[error("the saved state of pH does not hang together: {0}; start without it")]
    Saved(&'static str),
}

/// One hour of a sump.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct HourMedian {
    /// Any moment of the hour.
    pub at: Timestamp,
    /// Median pH.
    pub ph: f64,
    /// Median temperature, °C, where known.
    pub temperature_c: Option<f64>,
    /// Whether the pump ran most of the time, where known.
    pub pump_running: Option<bool>,
}

/// What the fill is judged against.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Baseline {
    /// The pH of the first good hours after the fill, as if at 25 °C.
    pub ph: Hundredths,
}

#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
struct Hour {
    /// Hours since 1970.
    hour: i64,
    /// As it would be at 25 °C, so that a warm day is no fall.
    ph: Hundredths,
    warm: Option<bool>,
    running: Option<bool>,
}

#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
struct Day {
    /// Days since 1970, in UTC.
    day: i64,
    ph: Hundredths,
}

/// What is kept over a restart; its size is bounded.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct SavedAcidity {
    /// Hour of the fill.
    filled: Option<i64>,
    baseline: Option<Baseline>,
    /// Good hours of the fresh fill so far; empty once they made a baseline.
    first: Vec<Hundredths>,
    /// The last [`WATCH_HOURS`].
    hours: VecDeque<Hour>,
    /// Medians of the last days that are over.
    days: VecDeque<Day>,
    /// Hours of the day that is not over.
    today: Vec<Hundredths>,
}

impl SavedAcidity {
    /// What the fill is judged against, once that is known.
    pub fn baseline(&self) -> Option<Baseline> {
        self.baseline
    }
}

/// pH of one sump, hour by hour.
#[derive(Clone, PartialEq, Debug)]
pub struct Acidity {
    settings: AciditySettings,
    state: SavedAcidity,
}

const HOUR_NANOS: i64 = 3_600_000_000_000;

fn hour_of(at: Timestamp) -> i64 {
    at.as_nanos().div_euclid(HOUR_NANOS)
}

fn day_of(hour: i64) -> i64 {
    hour.div_euclid(24)
}

/// Median in whole hundredths.
fn median_ph(values: impl Iterator<Item = Hundredths>) -> Option<Hundredths> {
    let values: Vec<f64> = values.map(|ph| f64::from(ph.0)).collect();
    median(&values).map(|middle| Hundredths(middle.round() as i32))
}

impl Acidity {
    /// A sump of which no hour has been seen yet. Without a fill there is no baseline: an old fill's pH is none.
    pub fn new(settings: AciditySettings) -> Result<Self, AcidityError> {
        let within = |what, value, low, high| match (low..=high).contains(&value) {
            true => Ok(()),
            false => Err(AcidityError::Setting { what, value, low, high }),
        };
        within("the time to mix in hours", settings.settle_hours, 0, 48)?;
        within("the number of hours of the baseline", settings.baseline_hours, 1, 96)?;
        within(
            "the number of days of the trend",
            settings.trend_days,
            TREND_DAYS_MIN as u32,
            DAYS_MAX as u32,
        )?;
        Ok(Self { settings, state: SavedAcidity::default() })
    }

    /// Goes on where a run before left off.
    pub fn restored(settings: AciditySettings, saved: SavedAcidity) -> Result<Self, AcidityError> {
        let rising = |mut times: Box<dyn Iterator<Item = i64> + '_>| {
            let mut last = i64::MIN;
            times.all(|time| std::mem::replace(&mut last, time) < time)
        };
        let fresh = Self::new(settings)?;
        if !rising(Box::new(saved.hours.iter().map(|h| h.hour))) {
            return Err(AcidityError::Saved("its hours are not in order"));
        }
        if !rising(Box::new(saved.days.iter().map(|d| d.day))) {
            return Err(AcidityError::Saved("its days are not in order"));
        }
        let (first, today) = (saved.first.len(), saved.today.len());
        if saved.hours.len() > WATCH_HOURS as usize || saved.days.len() > DAYS_MAX || first > 96 || today > 24
        {
            return Err(AcidityError::Saved("there is more of it than is ever kept"));
        }
        // Hours a timestamp can hold; whatever is reckoned with them then cannot overflow.
        let hours_max = i64::MAX / HOUR_NANOS;
        let times = saved.hours.iter().map(|h| h.hour).chain(saved.days.iter().map(|d| d.day));
        if !times.chain(saved.filled).all(|time| (-hours_max..=hours_max).contains(&time)) {
            return Err(AcidityError::Saved("it holds times that no clock shows"));
        }
        let all = saved.hours.iter().map(|h| h.ph).chain(saved.days.iter().map(|d| d.ph));
        let all = all.chain(saved.first.iter().chain(&saved.today).copied());
        if !all.chain(saved.baseline.map(|b| b.ph)).all(|ph| (0..=1400).contains(&ph.0)) {
            return Err(AcidityError::Saved("it holds what is no pH"));
        }
        Ok(Self { state: saved, ..fresh })
    }

    /// What to keep over a restart.
    pub fn saved(&self) -> &SavedAcidity {
        &self.state
    }

    /// The sump was dumped or cleaned out and filled anew: what was known of the old fill says nothing of this one.
    pub fn refilled(&mut self, at: Timestamp) {
        self.state = SavedAcidity { filled: Some(hour_of(at)), ..SavedAcidity::default() };
    }

    /// Takes the next hour. Hours may be missing, but not go back.
    pub fn observe(&mut self, median: &HourMedian) -> Result<(), AcidityError> {
        Hundredths::of_ph(median.ph).ok_or(AcidityError::NotAPh(median.ph))?;
        let celsius = median.temperature_c.filter(|t| t.is_finite());
        let at_25 = ph_at_25(median.ph, celsius);
        let ph = Hundredths::of_ph(at_25).ok_or(AcidityError::NotAPh(at_25))?;
        let hour = hour_of(median.at);
        let before = self.state.hours.back().map(|last| last.hour);
        if before.is_some_and(|last| hour <= last) {
            return Err(AcidityError::NotLater(median.at));
        }
        if let Some(before) = before.filter(|before| day_of(*before) < day_of(hour)) {
            self.close_day(day_of(before));
        }
        let warm = celsius.map(|t| (WARM_C.0..=WARM_C.1).contains(&t));
        self.state.hours.push_back(Hour { hour, ph, warm, running: median.pump_running });
        while self.state.hours.front().is_some_and(|first| first.hour <= hour - WATCH_HOURS) {
            self.state.hours.pop_front();
        }
        self.state.today.push(ph);
        self.learn_baseline(hour, ph);
        Ok(())
    }

    /// Makes a median of the day that is over, if there was enough of it.
    fn close_day(&mut self, day: i64) {
        let today = std::mem::take(&mut self.state.today);
        if today.len() < DAY_HOURS_MIN {
            return;
        }
        let Some(ph) = median_ph(today.into_iter()) else { return };
        self.state.days.push_back(Day { day, ph });
        while self.state.days.len() > DAYS_MAX {
            self.state.days.pop_front();
        }
    }

    fn learn_baseline(&mut self, hour: i64, ph: Hundredths) {
        let Some(filled) = self.state.filled.filter(|_| self.state.baseline.is_none()) else { return };
        let age = hour - filled;
        if age < i64::from(self.settings.settle_hours) {
            return;
        }
        let fresh = age <= FRESH_HOURS;
        if fresh {
            self.state.first.push(ph);
        }
        let wanted = if fresh { self.settings.baseline_hours as usize } else { BASELINE_HOURS_MIN };
        if self.state.first.len() >= wanted {
            let first = std::mem::take(&mut self.state.first);
            self.state.baseline = median_ph(first.into_iter()).map(|ph| Baseline { ph });
        }
    }

    /// What the hours so far say.
    pub fn verdict(&self) -> Advice<Verdict> {
        let now = median_ph(self.state.hours.iter().rev().take(NOW_HOURS).map(|hour| hour.ph));
        let baseline = self.state.baseline;
        let drop = now.zip(baseline).map(|(now, baseline)| now.drop_from(baseline.ph));
        let judgement = drop.map_or(Judgement::NoBaseline, judge);
        let trend = now.and_then(|now| self.trend(now));
        let suspicion = self.suspicion();
        words(Verdict { now, baseline, drop, judgement, trend, suspicion })
    }

    /// The next mark below `now`, and what it is.
    fn next_mark(&self, now: Hundredths) -> Option<(Mark, Hundredths)> {
        let under = |drop: Hundredths| self.state.baseline.map(|b| b.ph.less(drop));
        let marks =
            [(Mark::CorrectiveAction, under(CORRECTIVE_OVER)), (Mark::Replacement, under(REPLACE_OVER))];
        let ahead = marks.into_iter().filter_map(|(mark, ph)| Some((mark, ph.filter(|ph| *ph < now)?)));
        ahead.max_by_key(|(_, ph)| *ph)
    }

    fn trend(&self, now: Hundredths) -> Option<PhTrend> {
        let last_hour = self.state.hours.back()?.hour;
        let today = (self.state.today.len() >= DAY_HOURS_MIN)
            .then(|| median_ph(self.state.today.iter().copied()))
            .flatten()
            .map(|ph| Day { day: day_of(last_hour), ph });
        let first = day_of(last_hour) - i64::from(self.settings.trend_days);
        let days = self.state.days.iter().copied().chain(today).filter(|day| day.day > first);
        // Days count from today, so that the line's value at 0 is today's.
        let (times, values): (Vec<f64>, Vec<f64>) =
            days.map(|day| ((day.day - day_of(last_hour)) as f64, day.ph.ph())).unzip();
        if times.len() < TREND_DAYS_MIN {
            return None;
        }
        let line = theil_sen(&times, &values, Confidence::NINETY).ok()?;
        let away: Vec<f64> = times.iter().zip(&values).map(|(t, v)| v - line.at(*t)).collect();
        let (_, mad) = median_and_mad(&away)?;
        let unsure = Confidence::NINETY.z() * MAD_TO_SIGMA * mad / (times.len() as f64).sqrt();
        let until = self.next_mark(now).map(|(mark, ph)| {
            let way = line.at(0.0) - ph.ph();
            UntilMark {
                mark,
                ph,
                days: days_down(way, line.slope),
                low90: days_down(way - unsure, line.low),
                high90: days_down(way + unsure, line.high),
            }
        });
        Some(PhTrend { per_day: line.slope, low90: line.low, high90: line.high, days: times.len(), until })
    }

    /// How far the pH of this sump goes down within the hours looked back on without anything being the matter: three standard
    /// deviations of what it does, by the daily medians.
    fn usual_wander(&self) -> Hundredths {
        let days = &self.state.days;
        let apart = WATCH_HOURS / 24;
        let falls: Vec<f64> = days
            .iter()
            .filter_map(|late| {
                let early = days.iter().find(|early| early.day == late.day - apart)?;
                Some(f64::from(late.ph.drop_from(early.ph).0))
            })
            .collect();
        let known = median_and_mad(&falls).filter(|_| falls.len() >= WANDER_DAYS_MIN);
        known.map_or(FALL_UNKNOWN, |(_, mad)| Hundredths((3.0 * MAD_TO_SIGMA * mad).round() as i32))
    }

    /// Fall, warmth and standing still within the last hours, where all three are seen.
    fn suspicion(&self) -> Option<Suspicion> {
        let hours = &self.state.hours;
        let known = |of: fn(&Hour) -> Option<bool>| hours.iter().filter_map(of).count();
        let enough = hours.len() >= WATCH_HOURS_MIN.max(2 * END_HOURS)
            && known(|h| h.warm) >= WATCH_HOURS_MIN
            && known(|h| h.running) >= WATCH_HOURS_MIN;
        if !enough {
            return None;
        }
        let before = median_ph(hours.iter().take(END_HOURS).map(|hour| hour.ph))?;
        let after = median_ph(hours.iter().rev().take(END_HOURS).map(|hour| hour.ph))?;
        let fall = after.drop_from(before);
        let warm = hours.iter().filter(|h| h.warm == Some(true)).count();
        let still_hours = longest_still(hours);
        let all = fall >= self.usual_wander().max(FALL_MIN)
            && 2 * warm > known(|h| h.warm)
            && still_hours >= STILL_HOURS_MIN;
        all.then_some(Suspicion { fall, warm_hours: warm, still_hours })
    }
}

/// Longest run of hours on end without the pump; a missing hour ends it.
fn longest_still(hours: &VecDeque<Hour>) -> i64 {
    let (mut longest, mut run, mut last) = (0, 0, None);
    for hour in hours {
        let on = last.is_some_and(|last| hour.hour == last + 1);
        run = match hour.running {
            Some(false) if on => run + 1,
            Some(false) => 1,
            Some(true) | None => 0,
        };
        longest = longest.max(run);
        last = Some(hour.hour);
    }
    longest
}

/// Days to go down `way` at `slope` a day: 0 where it is passed, infinite where it does not go down.
fn days_down(way: f64, slope: f64) -> f64 {
    match (way <= 0.0, slope < 0.0) {
        (true, _) => 0.0,
        (false, true) => way / -slope,
        (false, false) => f64::INFINITY,
    }
}

/// How far the pH has dropped, judged.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Judgement {
    /// Not known how fresh fluid would read.
    NoBaseline,
    /// Within 0.50 of the baseline.
    Fine,
    /// More than 0.50 under it.
    CorrectiveAction,
    /// More than 1.00 under it.
    Replace,
}

/// Judges a drop from the fresh fill. Exactly 0.50 and exactly 1.00 are not over.
pub fn judge(drop: Hundredths) -> Judgement {
    match drop {
        drop if drop > REPLACE_OVER => Judgement::Replace,
        drop if drop > CORRECTIVE_OVER => Judgement::CorrectiveAction,
        _ => Judgement::Fine,
    }
}

/// A pH that asks for something once it is passed.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// 0.50 under the baseline.
    CorrectiveAction,
    /// 1.00 under the baseline.
    Replacement,
}

/// When a mark is reached, in days from the last hour's day; infinite is never.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct UntilMark {
    /// Which.
    pub mark: Mark,
    /// Where it lies.
    pub ph: Hundredths,
    /// By the line.
    pub days: f64,
    /// Lower end of the 90 % interval.
    pub low90: f64,
    /// Upper end of the 90 % interval.
    pub high90: f64,
}

/// Robust trend of the daily medians.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PhTrend {
    /// Change a day.
    pub per_day: f64,
    /// Lower end of its 90 % band.
    pub low90: f64,
    /// Upper end of its 90 % band.
    pub high90: f64,
    /// Days it rests on.
    pub days: usize,
    /// The next mark below, where there is one.
    pub until: Option<UntilMark>,
}

/// What falling pH, warmth and standing still look like together: never a diagnosis.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Suspicion {
    /// How far it fell within the hours looked back on.
    pub fall: Hundredths,
    /// Hours of warmth among them.
    pub warm_hours: usize,
    /// Hours on end without the pump.
    pub still_hours: i64,
}

impl Suspicion {
    /// What it is called.
    pub const fn text(self) -> &'static str {
        Rule::LikelyBiological.text()
    }
}

/// What is known of the pH of a fill.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Verdict {
    /// Median of the last hours, as if at 25 °C.
    pub now: Option<Hundredths>,
    /// What it is judged against.
    pub baseline: Option<Baseline>,
    /// How far it lies under the baseline.
    pub drop: Option<Hundredths>,
    /// That, judged.
    pub judgement: Judgement,
    /// Where it tends to, once there are days enough.
    pub trend: Option<PhTrend>,
    /// Likely biological activity.
    pub suspicion: Option<Suspicion>,
}

/// The verdict with the rules and cautions that belong to it.
fn words(verdict: Verdict) -> Advice<Verdict> {
    let mut rules = match verdict.judgement {
        Judgement::NoBaseline => vec![],
        Judgement::Fine | Judgement::CorrectiveAction => vec![Rule::PhDropAction],
        Judgement::Replace => vec![Rule::PhDropReplace, Rule::PhDropAction],
    };
    let mut cautions = vec![Caution::DataSheetFirst, Caution::CheckByHand];
    if verdict.suspicion.is_some() {
        rules.extend([Rule::LikelyBiological, Rule::WarmthFavours]);
        cautions.push(Caution::NotABacteriaCount);
    }
    if verdict.now.is_some_and(|now| now < PROPERTIES_WORSEN_UNDER) {
        rules.push(Rule::PhLow);
    }
    Advice { numbers: verdict, rules, cautions }
}

/// pH under which properties get worse quickly (chemical-safety database of the German accident insurers).
const PROPERTIES_WORSEN_UNDER: Hundredths = Hundredths(850);

#[cfg(test)]
mod tests;
