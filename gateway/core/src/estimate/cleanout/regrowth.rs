//! What grows back after a clean-out: pH at one temperature against the first hours of the fresh fill.
//!
//! An amine buffer loses pH as it warms, more in a day than a sump turns sour in, so every hour is compared as if at 25 °C.
//! What survived a clean-out takes days to weeks to show: it is looked for harder for four days, and for four weeks where
//! something was cut short. It never says what lives there: that takes a dip slide.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::Report;
use crate::estimate::acidity::{WARM_C, ph_at_25};
use crate::estimate::trend::{Confidence, median, theil_sen};

/// How long it is looked for, h.
const WATCH_H: f64 = 4.0 * 24.0;
const WATCH_SHORT_H: f64 = 28.0 * 24.0;

/// Hours after the recharge in which it still mixes.
const MIXES_H: f64 = 2.0;

/// Hours whose median is what the rest is held against, and the least of them.
const FRESH_HOURS: usize = 24;
const FRESH_HOURS_MIN: usize = 6;

/// Hours whose median is the present.
const NOW_HOURS: usize = 12;

/// Fall that speaks for itself, within a day or since the recharge (common practice, no source).
const FALL_PH: f64 = 0.2;

/// Fall that speaks together with a trend of at least so much a day over at least so many days.
const TREND_FALL_PH: f64 = 0.12;
const TREND_PH_DAY: f64 = -0.04;
const TREND_DAYS_MIN: usize = 4;

/// Hours that make a day's median worth having.
const DAY_HOURS_MIN: usize = 6;

/// One hour of the fresh fill.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Hour {
    /// Own hours at its end.
    pub at_h: f64,
    /// Median pH.
    pub ph: f64,
    /// Median temperature, °C, where known.
    pub celsius: Option<f64>,
    /// Whether the pumps ran most of it, where known.
    pub pump: Option<bool>,
    /// `acidity` finds fall, warmth and standing still together.
    pub suspected: bool,
}

/// pH falls after a clean-out.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub struct Found {
    /// Days since the recharge.
    pub days: f64,
    /// How far pH lies under the first hours, at one temperature.
    pub fall: f64,
    /// Part of the hours with a known temperature that suit bacteria.
    pub warm_share: Option<f64>,
    /// Part of the hours with known pumps in which they stood.
    pub still_share: Option<f64>,
}

/// The watch.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(super) struct Watch {
    fresh: Vec<f64>,
    /// The last hours, at 25 °C.
    recent: VecDeque<f64>,
    today: Vec<f64>,
    /// Day of `today`, counted from the recharge.
    #[serde(default)]
    day: u32,
    /// Medians of the days that are over, with their day.
    #[serde(default)]
    day_medians: Vec<(u32, f64)>,
    warm: (u32, u32),
    still: (u32, u32),
    pub(super) found: Option<Found>,
}

/// Until when regrowth is looked for after a clean-out.
pub(super) fn until_h(after: &Report) -> f64 {
    after.ended_h + if after.short_count() > 0 { WATCH_SHORT_H } else { WATCH_H }
}

impl Watch {
    /// Takes the next hour of a fill made at `since_h`; says so once, when pH falls.
    pub(super) fn take(&mut self, hour: &Hour, since_h: f64) -> Option<Found> {
        if self.found.is_some() || hour.at_h < since_h + MIXES_H {
            return None;
        }
        let ph = ph_at_25(hour.ph, hour.celsius);
        self.count(hour);
        if self.fresh.len() < FRESH_HOURS {
            self.fresh.push(ph);
        }
        self.recent.push_back(ph);
        if self.recent.len() > 24 + NOW_HOURS {
            self.recent.pop_front();
        }
        // Half an hour before its end lies within the hour.
        self.turn_to((hour.at_h - 0.5 - since_h).div_euclid(24.0) as u32);
        self.today.push(ph);
        let fall = self.fall(hour.suspected)?;
        let share = |(of, all): (u32, u32)| (all > 0).then(|| f64::from(of) / f64::from(all));
        self.found = Some(Found {
            days: (hour.at_h - since_h) / 24.0,
            fall,
            warm_share: share(self.warm),
            still_share: share(self.still),
        });
        self.found
    }

    /// Ends the day before, if this is another one. A few hours make no day.
    fn turn_to(&mut self, day: u32) {
        if day == self.day {
            return;
        }
        let today = std::mem::take(&mut self.today);
        if today.len() >= DAY_HOURS_MIN {
            self.day_medians.extend(median(&today).map(|median| (self.day, median)));
        }
        self.day = day;
    }

    fn count(&mut self, hour: &Hour) {
        let add = |(of, all): &mut (u32, u32), is: Option<bool>| {
            *of += u32::from(is == Some(true));
            *all += u32::from(is.is_some());
        };
        add(&mut self.warm, hour.celsius.map(|c| (WARM_C.0..=WARM_C.1).contains(&c)));
        add(&mut self.still, hour.pump.map(|runs| !runs));
    }

    /// How far pH has fallen, where that is enough to speak.
    fn fall(&self, suspected: bool) -> Option<f64> {
        if self.fresh.len() < FRESH_HOURS_MIN || self.recent.len() < 2 * NOW_HOURS {
            return None;
        }
        let now = self.median_back(0)?;
        let fall = median(&self.fresh)? - now;
        let in_a_day = self.median_back(24).map_or(0.0, |before| before - now);
        let speaks = fall >= FALL_PH
            || in_a_day >= FALL_PH
            || (fall >= TREND_FALL_PH && (suspected || self.falls_steadily()));
        speaks.then_some(fall.max(in_a_day))
    }

    /// Median of the hours that lie `back` from now.
    fn median_back(&self, back: usize) -> Option<f64> {
        let hours: Vec<f64> = self.recent.iter().rev().skip(back).take(NOW_HOURS).copied().collect();
        (hours.len() == NOW_HOURS).then(|| median(&hours)).flatten()
    }

    fn falls_steadily(&self) -> bool {
        let (times, medians): (Vec<f64>, Vec<f64>) =
            self.day_medians.iter().map(|&(day, median)| (f64::from(day), median)).unzip();
        times.len() >= TREND_DAYS_MIN
            && theil_sen(&times, &medians, Confidence::NINETY)
                .is_ok_and(|line| line.high < 0.0 && line.slope <= TREND_PH_DAY)
    }

    pub(super) fn is_sound(&self) -> bool {
        let medians = self.day_medians.iter().map(|(_, median)| median);
        let mut numbers = self.fresh.iter().chain(&self.recent).chain(&self.today).chain(medians);
        let few = self.fresh.len() <= FRESH_HOURS && self.recent.len() <= 24 + NOW_HOURS;
        let days_max = (WATCH_SHORT_H / 24.0) as usize + 1;
        few && self.today.len() <= 24
            && self.day_medians.len() <= days_max
            && numbers.all(|ph| ph.is_finite())
    }
}
