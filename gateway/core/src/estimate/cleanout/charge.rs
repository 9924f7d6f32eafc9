//! What the probes see of one filling of the tank, from the moment it is filled until it is emptied.

use serde::{Deserialize, Serialize};

use super::{Seen, Vessel};

/// How far pH must come down from the cleaner's mark to count as back (common practice, no source).
const BACK_PH: f64 = 0.3;

/// Hours of raised pH on end that are a cleaner, and of usual pH that are none.
const RAISED_H: f64 = 5.0 / 60.0;
const PLAIN_H: f64 = 10.0 / 60.0;

/// Age from which on a level says nothing of the moment, h.
const LEVEL_OLD_H: f64 = 0.25;

/// One filling.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(super) struct Charge {
    /// Filled at, or seen first.
    pub(super) from_h: f64,
    /// pH stood over the cleaner's mark for long enough.
    pub(super) cleaner: bool,
    /// pH stood under it for long enough.
    pub(super) plain: bool,
    /// Pump hours over the mark and under it.
    pub(super) raised_h: f64,
    pub(super) plain_h: f64,
    /// Hours over the mark and under it, pumps unknown.
    pub(super) raised_unpumped_h: f64,
    pub(super) plain_unpumped_h: f64,
    /// Pump hours at a strength under that of a fresh fill, pumps known and unknown.
    pub(super) weak_h: f64,
    pub(super) weak_unpumped_h: f64,
    /// Hours in which the pumps may have run and nothing told the pH.
    pub(super) blind_h: f64,
    /// Since when the conductivity has been that of a fresh fill.
    pub(super) strong_since_h: Option<f64>,
    /// Latest strength by conductivity, percent.
    pub(super) percent: Option<f64>,
    /// Whether the last pH was raised, and for how long on end.
    raised: Option<bool>,
    row_h: f64,
    /// Pump hours among these.
    row_pump_h: f64,
    /// There was a gap in which anything may have happened.
    missed: bool,
    lowest_l: Option<f64>,
    level_at_h: Option<f64>,
}

impl Charge {
    pub(super) fn new(from_h: f64) -> Self {
        Self {
            from_h,
            cleaner: false,
            plain: false,
            raised_h: 0.0,
            plain_h: 0.0,
            raised_unpumped_h: 0.0,
            plain_unpumped_h: 0.0,
            weak_h: 0.0,
            weak_unpumped_h: 0.0,
            blind_h: 0.0,
            strong_since_h: None,
            percent: None,
            raised: None,
            row_h: 0.0,
            row_pump_h: 0.0,
            missed: false,
            lowest_l: None,
            level_at_h: None,
        }
    }

    /// Takes `step_h` that end with `seen`; a cleaner's pH is `mark` or more, a fresh fill `strong_percent` or more.
    pub(super) fn see(&mut self, seen: &Seen, step_h: f64, mark: f64, vessel: &Vessel, strong_percent: f64) {
        if let Some(litres) = seen.litres {
            self.lowest_l = Some(self.lowest_l.map_or(litres, |lowest| lowest.min(litres)));
            self.level_at_h = Some(seen.at_h);
        }
        self.see_ph(seen, step_h, mark);
        if let Some(us_cm) = seen.us_cm {
            let percent = vessel.jar.percent_at(us_cm).percent;
            self.percent = Some(percent);
            let since = self.strong_since_h.unwrap_or(seen.at_h);
            self.strong_since_h = (percent >= strong_percent).then_some(since);
            match seen.pump {
                Some(true) if percent < strong_percent => self.weak_h += step_h,
                None if percent < strong_percent => self.weak_unpumped_h += step_h,
                _ => {}
            }
        }
    }

    fn see_ph(&mut self, seen: &Seen, step_h: f64, mark: f64) {
        let Some(ph) = seen.ph else {
            self.blind_h += if seen.pump == Some(false) { 0.0 } else { step_h };
            return;
        };
        let raised = ph >= mark || (self.raised == Some(true) && ph > mark - BACK_PH);
        let same = self.raised.replace(raised) == Some(raised);
        let pump_h = if seen.pump == Some(true) { step_h } else { 0.0 };
        (self.row_h, self.row_pump_h) =
            if same { (self.row_h + step_h, self.row_pump_h + pump_h) } else { (0.0, 0.0) };
        self.cleaner |= raised && self.row_h >= RAISED_H - 1e-9;
        self.plain |= !raised && self.row_h >= PLAIN_H - 1e-9;
        let hours = match (raised, seen.pump) {
            (true, Some(true)) => &mut self.raised_h,
            (false, Some(true)) => &mut self.plain_h,
            (true, None) => &mut self.raised_unpumped_h,
            (false, None) => &mut self.plain_unpumped_h,
            (_, Some(false)) => return,
        };
        *hours += step_h;
    }

    /// Nothing at all was seen for `hours`, as over a power cut.
    pub(super) fn miss(&mut self, hours: f64) {
        self.blind_h += hours;
        self.row_h = 0.0;
        self.row_pump_h = 0.0;
        self.raised = None;
        self.missed = true;
    }

    /// What has been in the tank since the pH came back.
    pub(super) fn tail(&self, now_h: f64) -> Self {
        let weak_h = if self.strong_since_h.is_none() { self.row_pump_h } else { 0.0 };
        Self {
            plain: self.plain,
            plain_h: self.row_pump_h,
            weak_h,
            strong_since_h: self.strong_since_h,
            percent: self.percent,
            ..Self::new(now_h - self.row_h)
        }
    }

    /// pH stands over the mark now.
    pub(super) fn is_raised(&self) -> bool {
        self.raised == Some(true)
    }

    /// A cleaner that has been in it is out again: the pH came down without the tank being seen empty.
    pub(super) fn came_back(&self) -> bool {
        self.cleaner && self.raised == Some(false) && self.row_h >= PLAIN_H - 1e-9
    }

    /// Whether pH was never read at all.
    pub(super) fn is_blind(&self) -> bool {
        self.raised.is_none() && !self.cleaner && !self.plain
    }

    /// Least content, where the level was still known at `now_h`.
    pub(super) fn lowest_l(&self, now_h: f64) -> Option<f64> {
        self.lowest_l.filter(|_| !self.missed && self.level_at_h.is_some_and(|at| now_h - at <= LEVEL_OLD_H))
    }

    pub(super) fn is_sound(&self) -> bool {
        let hours = [
            self.raised_h,
            self.plain_h,
            self.raised_unpumped_h,
            self.plain_unpumped_h,
            self.weak_h,
            self.weak_unpumped_h,
            self.blind_h,
            self.row_h,
            self.row_pump_h,
        ];
        let numbers = [Some(self.from_h), self.strong_since_h, self.percent, self.lowest_l, self.level_at_h];
        hours.iter().all(|h| h.is_finite() && *h >= 0.0) && numbers.iter().flatten().all(|n| n.is_finite())
    }
}
