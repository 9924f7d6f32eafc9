//! Small things a tracker remembers.

use super::super::mixing::Branch;
use super::super::plant::Plant;
use crate::estimate::belief::Interval;
use crate::estimate::gaussian::Innovation;

/// Temperature of the liquid: latest, and mean over a window.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct Warmth {
    pub(super) latest_c: Option<f64>,
    pub(super) sum: f64,
    pub(super) count: f64,
}

/// pH at 25 °C as far as the conductivity needs it: what it was while the fill was young, and what it is, smoothed over an hour.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(in crate::estimate::sump) struct Acidity {
    pub(in crate::estimate::sump) first: Option<f64>,
    pub(super) smooth: Option<(f64, f64)>,
    /// Most that was made so far.
    most: Option<f64>,
}

impl Acidity {
    pub(super) fn take(&mut self, ph: f64, now_h: f64) {
        let smooth = self.smooth.map_or(ph, |(before, at_h)| {
            let hours = (now_h - at_h).max(0.0);
            before + (ph - before) * hours / (hours + PH_H)
        });
        self.smooth = Some((smooth, now_h));
        self.first.get_or_insert(ph);
    }

    /// By how much more acid than ever before was made, where this much was; nothing where it is the first that is heard of it.
    pub(super) fn more_soured(&mut self, soured: f64) -> f64 {
        let most = self.most.unwrap_or(soured);
        self.most = Some(most.max(soured));
        (soured - most).max(0.0)
    }

    /// Acid made since then, over what lowers the pH by one from there. The first bit of it takes most: below its pKa a buffer
    /// has little left.
    pub(super) fn soured(&self) -> f64 {
        let Some((first, (now, _))) = self.first.zip(self.smooth) else { return 0.0 };
        let fallen = (first - now - WANDERS).clamp(0.0, FALLS_AT_MOST);
        (free(first) - free(first - fallen)) / (free(first) - free(first - 1.0))
    }
}

/// What the pH of a sound coolant moves by between day and night, though no acid was made: not all of its temperature is
/// compensated for. If that were acid, the conductivity would teach that acid conducts nothing.
const WANDERS: f64 = 0.06;

/// A pH that has fallen by more is a probe's doing.
const FALLS_AT_MOST: f64 = 3.0;

/// pKa of what buffers a coolant: ethanolamines and borate have 7.8 to 9.7 (CRC Handbook, from memory).
const BUFFER_PKA: f64 = 9.0;

/// Part of a buffer's amine that is free at this pH; the rest has taken up acid (Henderson and Hasselbalch).
fn free(ph: f64) -> f64 {
    1.0 / (1.0 + libm::exp(std::f64::consts::LN_10 * (BUFFER_PKA - ph)))
}

/// Time constant of the smoothing, hours.
pub(super) const PH_H: f64 = 1.0;

/// Mean of the last surprises, in standard deviations: of sound readings it stays near zero, since what was not foreseen of
/// one hour has nothing to do with that of the next.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct Bias(f64);

impl Bias {
    pub(super) fn take(&mut self, innovation: &Innovation) {
        self.0 += BIAS_GAIN * (innovation.normalized().clamp(-4.0, 4.0) - self.0);
    }

    /// Lies so far off that something goes on which the belief does not know of.
    pub(super) fn is_off(self) -> bool {
        self.0.abs() > BIAS_MAX
    }
}

/// Weight of the latest surprise in the mean; and how far the mean may lie off: 2.6 of its own standard deviations.
pub(super) const BIAS_GAIN: f64 = 0.25;

pub(super) const BIAS_MAX: f64 = 1.0;

/// Meter on the make-up line.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct Meter {
    pub(super) total_l: Option<f64>,
    /// Where it stood when the window began.
    pub(super) window_l: Option<f64>,
}

/// When something was last seen, hours.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(in crate::estimate::sump) struct Seen {
    pub(in crate::estimate::sump) level_h: f64,
    pub(in crate::estimate::sump) conductivity_h: f64,
}

/// Pumps as far as anybody knows.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(in crate::estimate::sump) struct Pump {
    pub(super) running: Option<bool>,
    pub(super) turned_h: f64,
    /// Since when the contact says nothing.
    pub(super) lost_h: Option<f64>,
    /// Share of the time they run, over about a week.
    pub(in crate::estimate::sump) duty: f64,
}

impl Pump {
    /// Whether nothing has ever told if they run. Of a contact that has fallen silent it is known how much they did.
    pub(super) fn is_unheard(&self) -> bool {
        self.running.is_none() && self.lost_h.is_none()
    }
}

/// Without a contact the pumps seem to have stopped, and have not if the conductivity falls.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Turn {
    pub(super) at_h: f64,
    /// When they had turned before.
    pub(super) turned_h: f64,
    /// Content with losses and hold-up put back, before, L.
    pub(super) standing_l: f64,
    /// Logarithm of the conductivity of the hour before, what has evaporated put back.
    pub(super) before: f64,
}

/// A step that came just after the pumps stopped: what was poured in or drawn off then, or a hold-up that is believed wrong.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(in crate::estimate::sump) struct WithStop {
    pub(in crate::estimate::sump) at_h: f64,
    /// How much more runs back than is believed, if it is that, L.
    pub(in crate::estimate::sump) more_l: f64,
}

/// What was believed before a top-up that may turn out to be none.
#[derive(Clone, Debug)]
pub(super) struct Unpoured {
    pub(super) at_h: f64,
    pub(super) branches: Vec<Branch>,
}

/// What is expected to go on until the next window.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Flows {
    /// Content lost while running and while idle, L/h.
    pub(super) lost: [f64; 2],
    /// Growth of the logarithm of the conductivity, per hour.
    pub(super) thickening: [f64; 2],
    pub(super) drying: f64,
    pub(super) minerals_l_g: f64,
    /// Of the pumps nothing was ever heard.
    pub(super) unheard: bool,
}

impl Flows {
    /// Of a sump of which nothing is expected yet.
    pub(super) fn of(plant: &Plant) -> Self {
        let minerals_l_g = plant.coolant.waters_a_gram();
        Self { lost: [0.0; 2], thickening: [0.0; 2], drying: 1.0, minerals_l_g, unheard: false }
    }

    /// So many hours of it.
    pub(super) fn interval(&self, running_h: f64, idle_h: f64) -> Interval {
        let Self { drying, minerals_l_g, unheard, .. } = *self;
        Interval { running_h, idle_h, drying, minerals_l_g, unheard }
    }
}

/// How fast a surface dries at this temperature, over that at 24 °C in a hall of 45 % at 21 °C: by the difference of vapour
/// pressures (Magnus's formula).
pub(super) fn drying(celsius: f64) -> f64 {
    let pa = |t: f64| 611.2 * libm::exp(17.62 * t / (243.12 + t));
    let air = 0.45 * pa(21.0);
    ((pa(celsius.clamp(0.0, 80.0)) - air) / (pa(24.0) - air)).clamp(0.2, 5.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn soured(first: f64, now: f64) -> f64 {
        Acidity { first: Some(first), smooth: Some((now, 0.0)), most: None }.soured()
    }

    /// Henderson and Hasselbalch, pKa 9: of an amine at pH 9.2 61 % are free, at 8.7 33 %, at 8.2 14 %, at 7.2 2 %.
    #[test]
    fn the_first_fall_of_the_ph_takes_most_acid() {
        for (fallen, acid) in
            [(0.5, (0.61 - 0.33) / (0.61 - 0.14)), (1.0, 1.0), (2.0, (0.61 - 0.02) / (0.61 - 0.14))]
        {
            let got = soured(9.2, 9.2 - fallen - WANDERS);
            assert!((got - acid).abs() < 0.02, "{fallen}: {got}, by hand {acid}");
        }
    }

    #[test]
    fn day_and_night_and_a_probe_that_drifts_up_are_no_acid() {
        for ph in [9.15, 9.2, 9.25, 10.2] {
            assert_eq!(soured(9.2, ph), 0.0, "{ph}");
        }
        assert_eq!(Acidity::default().soured(), 0.0);
    }

    #[test]
    fn what_was_made_once_is_not_more_again() {
        let mut acidity = Acidity::default();
        let mut more = |ph: f64, hours: f64| {
            acidity.take(ph, hours);
            acidity.more_soured(acidity.soured())
        };
        assert_eq!(more(9.2, 0.0), 0.0);
        assert!(more(8.2, 100.0) > 0.9);
        assert_eq!(more(9.2, 200.0), 0.0);
        assert!(more(8.2, 300.0) < 0.02);
    }
}
