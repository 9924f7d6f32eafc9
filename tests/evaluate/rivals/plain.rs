//! An extended Kalman filter as a textbook would write it for a sump: four amounts, fixed loss rates, a conductivity
//! probe whose gain never moves, white noise, every reading taken in as it comes. A rise of level is a top-up of the
//! mix that should have been poured.
//!
//! It is sound and it is not enough: residuals that stay the same for hours make it sure of a wrong answer.
//! Nothing keeps an amount from going below nothing: amounts cut off at zero were tried, and it went astray further.

use sumpwarden_core::estimate::settings::SumpSettings;
use sumpwarden_core::estimate::tank::Tank;
use sumpwarden_sim::Stamp;

/// Litres of liquid, litres of concentrate in it, grams of hardness, litres of chips.
type State = [f64; 4];
const VOLUME: usize = 0;
const CONCENTRATE: usize = 1;
const HARDNESS: usize = 2;
const CHIPS: usize = 3;

/// Losses of a middling lathe, L/h: evaporation while the pump runs and stands, drag-out while it runs; growth of chips
/// (common practice, no source).
const EVAPORATION_L_H: (f64, f64) = (0.6, 0.15);
const DRAGOUT_L_H: f64 = 0.2;
const CHIPS_L_H: f64 = 0.01;
/// Standard deviations a root hour of what the model does not know: L, L of concentrate, g, L.
const DRIFT: State = [0.3, 0.02, 0.1, 0.03];
/// After the pump turns, this long nothing is read from the level, ms.
const SETTLE_MS: i64 = 20 * 60_000;
/// A level this much over the expected one is a top-up, L.
const TOPUP_FROM_L: f64 = 4.0;
/// Standard deviations of a refractometer, points, and of a strip, part of its value (common practice, no source).
const REFRACTOMETER_POINTS: f64 = 0.2;
const STRIP_PART: f64 = 0.06;

#[derive(Debug)]
pub(super) struct PlainFilter {
    known: Known,
    x: State,
    p: [State; 4],
    /// Last moment stepped to; none before the first level and conductivity.
    last: Option<Stamp>,
    level_mm: Option<f64>,
    us_cm: Option<f64>,
    running: bool,
    turned: Stamp,
}

/// What the configuration says.
#[derive(Debug)]
struct Known {
    tank: Tank,
    curve: Vec<(f64, f64)>,
    /// Conductivity of a mg/L of hardness with what comes along with it, uS/cm.
    us_cm_per_mg_l: f64,
    water_mg_l: f64,
    target_percent: f64,
    holdup_l: f64,
    level_sigma_l: f64,
    us_cm_sigma: f64,
}

impl Known {
    fn conductivity(&self, x: &State) -> f64 {
        let percent = percent(x);
        let on_top = hardness(x) - self.water_mg_l * (1.0 - percent / 100.0);
        along(&self.curve, percent) + self.us_cm_per_mg_l * on_top
    }
}

fn percent(x: &State) -> f64 {
    100.0 * x[CONCENTRATE] / x[VOLUME].max(1.0)
}

fn hardness(x: &State) -> f64 {
    1000.0 * x[HARDNESS] / x[VOLUME].max(1.0)
}

/// Straight lines through the points, the outer ones extended.
fn along(curve: &[(f64, f64)], percent: f64) -> f64 {
    let piece = curve[1..curve.len() - 1].partition_point(|(c, _)| *c <= percent);
    let ((c0, k0), (c1, k1)) = (curve[piece], curve[piece + 1]);
    k0 + (percent - c0) * (k1 - k0) / (c1 - c0)
}

impl PlainFilter {
    pub(super) fn new(sump: &SumpSettings, tank: Tank, level_sigma_mm: f64, us_cm_sigma: f64) -> Self {
        let of_water = sump.water.conductivity_us_cm.unwrap_or(2.0 * sump.water.hardness_mg_l);
        let known = Known {
            level_sigma_l: (level_sigma_mm * tank.area_at(sump.fill_mark_mm)).max(0.1),
            tank,
            curve: sump.fluid.conductivity_curve.clone(),
            us_cm_per_mg_l: of_water / sump.water.hardness_mg_l.max(1.0),
            water_mg_l: sump.water.hardness_mg_l,
            target_percent: sump.target_percent,
            holdup_l: sump.holdup_l,
            us_cm_sigma: us_cm_sigma.max(1.0),
        };
        Self {
            known,
            x: [0.0; 4],
            p: [[0.0; 4]; 4],
            last: None,
            level_mm: None,
            us_cm: None,
            running: false,
            turned: Stamp(i64::MIN / 2),
        }
    }

    pub(super) fn level(&mut self, mm: Option<f64>) {
        self.level_mm = mm;
    }

    pub(super) fn conductivity(&mut self, us_cm: Option<f64>) {
        self.us_cm = us_cm;
    }

    pub(super) fn pump(&mut self, at: Stamp, running: Option<f64>) {
        let running = running.map_or(self.running, |value| value != 0.0);
        if running != self.running {
            (self.running, self.turned) = (running, at);
        }
    }

    /// Concentration, hardness, chips.
    pub(super) fn state(&self) -> [Option<f64>; 3] {
        let x = &self.x;
        [percent(x), hardness(x), x[CHIPS]].map(|value| self.last.map(|_| value))
    }

    pub(super) fn step(&mut self, at: Stamp) {
        let (level_mm, us_cm) = (self.level_mm.take(), self.us_cm.take());
        let Some(last) = self.last else {
            if let (Some(level_mm), Some(us_cm)) = (level_mm, us_cm) {
                self.start(level_mm, us_cm);
                self.last = Some(at);
            }
            return;
        };
        self.predict(at.since(last).as_secs_f64() / 3600.0);
        self.last = Some(at);
        if let Some(mm) = level_mm.filter(|_| at.0 - self.turned.0 >= SETTLE_MS) {
            self.take_level(self.known.tank.volume_l(mm));
        }
        if let Some(us_cm) = us_cm {
            let sigma = self.known.us_cm_sigma;
            self.update(us_cm, sigma, Known::conductivity);
        }
    }

    fn start(&mut self, level_mm: f64, us_cm: f64) {
        let held_up = if self.running { self.known.holdup_l } else { 0.0 };
        let volume = (self.known.tank.volume_l(level_mm) + held_up).max(1.0);
        let spread = |percent: f64| percent / 100.0 * volume;
        let of_water = self.known.water_mg_l * volume / 1000.0;
        self.x = [volume, spread(self.known.target_percent), of_water, 0.0];
        for (place, sigma) in [10.0, spread(1.0), 0.15 * of_water, 5.0].into_iter().enumerate() {
            self.p[place][place] = sigma * sigma;
        }
        self.update(us_cm, self.known.us_cm_sigma, Known::conductivity);
    }

    fn predict(&mut self, hours: f64) {
        let (evaporation, dragout, chips) = if self.running {
            (EVAPORATION_L_H.0, DRAGOUT_L_H, CHIPS_L_H)
        } else {
            (EVAPORATION_L_H.1, 0.0, 0.0)
        };
        // Drag-out takes its part of everything; the rest of the transition is the identity.
        let kept = 1.0 - (dragout * hours / self.x[VOLUME].max(1.0)).min(0.5);
        for place in [VOLUME, CONCENTRATE, HARDNESS] {
            self.x[place] *= kept;
        }
        self.x[VOLUME] = (self.x[VOLUME] - evaporation * hours).max(1.0);
        self.x[CHIPS] += chips * hours;
        for (place, sigma) in DRIFT.into_iter().enumerate() {
            self.p[place][place] += sigma * sigma * hours;
        }
    }

    fn take_level(&mut self, litres: f64) {
        let held_up = if self.running { self.known.holdup_l } else { 0.0 };
        let expected = self.x[VOLUME] + self.x[CHIPS] - held_up;
        if litres - expected > TOPUP_FROM_L {
            self.topped_up(litres - expected);
        }
        let sigma = self.known.level_sigma_l;
        self.update(litres, sigma, |_, x| x[VOLUME] + x[CHIPS] - held_up);
    }

    fn topped_up(&mut self, litres: f64) {
        let share = self.known.target_percent / 100.0;
        self.x[VOLUME] += litres;
        self.x[CONCENTRATE] += litres * share;
        self.x[HARDNESS] += litres * (1.0 - share) * self.known.water_mg_l / 1000.0;
        // The mix may be off by three points, the volume by a twentieth.
        for (place, sigma) in [(VOLUME, 0.05 * litres), (CONCENTRATE, 0.03 * litres)] {
            self.p[place][place] += sigma * sigma;
        }
    }

    pub(super) fn reading_percent(&mut self, value: f64) {
        if self.last.is_some() {
            self.update(value, REFRACTOMETER_POINTS, |_, x| percent(x));
        }
    }

    pub(super) fn reading_hardness(&mut self, value: f64) {
        if self.last.is_some() {
            self.update(value, (STRIP_PART * value).max(5.0), |_, x| hardness(x));
        }
    }

    /// One scalar measurement; its slopes by central differences.
    fn update(&mut self, measured: f64, sigma: f64, of: impl Fn(&Known, &State) -> f64) {
        let mut slopes = [0.0; 4];
        for (place, slope) in slopes.iter_mut().enumerate() {
            let step = 1e-4 * self.x[place].abs().max(1.0);
            let (mut more, mut less) = (self.x, self.x);
            more[place] += step;
            less[place] -= step;
            *slope = (of(&self.known, &more) - of(&self.known, &less)) / (2.0 * step);
        }
        let across = self.p.map(|row| row.iter().zip(slopes).map(|(p, slope)| p * slope).sum::<f64>());
        let spread = across.iter().zip(slopes).map(|(a, slope)| a * slope).sum::<f64>() + sigma * sigma;
        let surprise = measured - of(&self.known, &self.x);
        for row in 0..4 {
            let gain = across[row] / spread;
            self.x[row] += gain * surprise;
            for (column, other) in across.iter().enumerate() {
                self.p[row][column] -= gain * other;
            }
        }
        self.x[VOLUME] = self.x[VOLUME].max(1.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_jar_test_reads_back_and_goes_on_past_its_ends() {
        let curve = [(0.0, 500.0), (3.0, 950.0), (8.0, 1600.0)];
        for (percent, us_cm) in [(0.0, 500.0), (3.0, 950.0), (5.5, 1275.0), (8.0, 1600.0), (10.0, 1860.0)] {
            assert!((along(&curve, percent) - us_cm).abs() < 1e-9, "{percent} %");
        }
    }
}
