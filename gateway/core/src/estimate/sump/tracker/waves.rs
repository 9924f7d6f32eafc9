//! Whether the pumps run, by how the level trembles: what pours back from the machine makes waves, an idle sump is still.
//!
//! How much either trembles differs from sump to sump and probe to probe, so it is learned: every hour's trembling belongs to
//! the stiller or to the rougher of two sorts of hours, whatever else is believed of the pumps. Where the two are alike (a
//! probe in a stilling well, one that filters) the waves tell nothing.

use super::super::median::Window;
use crate::estimate::trend::median_in_place;

/// How far back the level is looked at, hours, and how far apart readings are at least.
const LATELY_H: f64 = 2.0;
const APART_H: f64 = 20.0 / 3600.0;

/// Readings it takes to learn from an hour, and to tell of a shorter while.
const LEARN_LEAST: usize = 24;
const TELL_LEAST: usize = 6;

/// How much of what is known of its sort of hours another hour replaces at least.
const LEARN_LEAST_PART: f64 = 0.05;

/// Logarithm of the trembling of a while: its standard deviation, times the root of how many readings it has (normal noise, by
/// trial). The middle between rough and still has to be so many of them away from either, and a while this many beyond it.
const SCATTER: f64 = 0.95;
const APART: f64 = 2.5;
const BEYOND: f64 = 1.0;

/// In so many hours of a sort the outermost of them gives way to what is further out.
const OUTERMOST: f64 = 6.0;

/// Less than this is as still as can be, L: a probe that shows whole millimetres may not move at all.
const STILL_L: f64 = 0.05;

/// The level of the last hours, and how it trembles usually.
#[derive(Clone, Debug, Default)]
pub(in crate::estimate::sump) struct Waves {
    lately: Window,
    /// Logarithms of the trembling of still and of rough hours, L, and of how many hours each is the mean.
    usual: Option<[f64; 2]>,
    hours: [f64; 2],
}

impl Waves {
    /// What has been learned, to be kept.
    pub(in crate::estimate::sump) fn numbers(&self) -> [f64; 4] {
        let [still, rough] = self.usual.unwrap_or_default();
        [still, rough, self.hours[0], self.hours[1]]
    }

    /// Goes on with what was kept; with nothing if that is nothing.
    pub(in crate::estimate::sump) fn of_numbers(numbers: &[f64]) -> Self {
        match *numbers {
            [still, rough, few, many] if few.min(many) >= 0.0 && few + many > 0.0 && still <= rough => {
                Self { usual: Some([still, rough]), hours: [few, many], ..Self::default() }
            }
            _ => Self::default(),
        }
    }

    /// The next content, L, with known losses put back.
    pub(super) fn take(&mut self, now_h: f64, litres: f64) {
        if self.lately.is_due(APART_H, now_h) {
            self.lately.push_within(LATELY_H, now_h, litres);
        }
    }

    /// Learns from an hour that has gone by.
    pub(super) fn learn(&mut self, from_h: f64, to_h: f64) {
        let Some((now, _)) = self.trembling(from_h, to_h, LEARN_LEAST) else { return };
        let [still, rough] = *self.usual.get_or_insert([now, now]);
        let sort = usize::from(now - still > rough - now);
        // Until two sorts of hours have been seen the outermost stand for them.
        if self.hours[sort] < OUTERMOST && !(still..=rough).contains(&now) {
            self.hours[sort] = 0.0;
        }
        self.hours[sort] += 1.0;
        let gain = LEARN_LEAST_PART.max(1.0 / self.hours[sort]);
        if let Some(usual) = &mut self.usual {
            usual[sort] += gain * (now - usual[sort]);
        }
    }

    /// Whether so many readings can tell anything in this sump.
    pub(super) fn are_known(&self, readings: f64) -> bool {
        let known =
            |[still, rough]: [f64; 2]| 0.5 * (rough - still) > APART * SCATTER / readings.max(1.0).sqrt();
        self.usual.is_some_and(known)
    }

    /// Whether the pumps have run since a moment; `None` where the waves do not tell.
    pub(super) fn tell(&self, since_h: f64) -> Option<bool> {
        let [still, rough] = self.usual?;
        let (now, readings) = self.trembling(since_h, f64::INFINITY, TELL_LEAST)?;
        let beyond = (now - 0.5 * (rough + still)) * readings.sqrt() / SCATTER;
        (self.are_known(readings) && beyond.abs() > BEYOND).then_some(beyond > 0.0)
    }

    /// Median of the level since a moment, L; none with too few readings.
    pub(super) fn standing(&self, since_h: f64) -> Option<f64> {
        Some(self.lately.middle_of(since_h, f64::INFINITY, TELL_LEAST)?.value)
    }

    /// Where the level stood lowest, L, three readings in a row: where it does while the pumps run, since pauses only raise it.
    /// None with too few readings.
    pub(super) fn low(&self, from_h: f64, to_h: f64) -> Option<f64> {
        let within = self.lately.of(from_h, to_h);
        let middle = |three: &[f64]| median_in_place(&mut [three[0], three[1], three[2]]);
        let lowest = within.windows(3).filter_map(middle).min_by(f64::total_cmp);
        lowest.filter(|_| within.len() >= TELL_LEAST)
    }

    /// Logarithm of how far a reading lies beside the middle of the one before and the one after, L, on average but for the
    /// quarter that lies furthest off, and of how many; none with too few of them. What runs back or is poured in does not show
    /// in it.
    fn trembling(&self, from_h: f64, to_h: f64, least: usize) -> Option<(f64, f64)> {
        let within = self.lately.of(from_h, to_h);
        let beside = |three: &[f64]| (three[1] - 0.5 * (three[0] + three[2])).abs();
        let mut beside: Vec<f64> = within.windows(3).map(beside).collect();
        if beside.len() < least {
            return None;
        }
        beside.sort_unstable_by(f64::total_cmp);
        let count = beside.len() - beside.len() / 4;
        let mean = beside[..count].iter().sum::<f64>() / count as f64;
        Some((libm::log(mean.max(STILL_L)), beside.len() as f64))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Readings of an hour a minute apart that tremble by so much.
    fn hour(waves: &mut Waves, from_h: f64, trembling: f64) {
        for minute in 0..60 {
            let wave = [0.3, -0.9, 1.2, -0.2, 0.7, -1.1, 0.1][minute % 7];
            waves.take(from_h + minute as f64 / 60.0, 250.0 + trembling * wave);
        }
    }

    fn played(hours: &[f64]) -> Waves {
        let mut waves = Waves::default();
        for (at_h, trembling) in (0..).map(f64::from).zip(hours) {
            hour(&mut waves, at_h, *trembling);
            waves.learn(at_h, at_h + 1.0);
        }
        waves
    }

    #[test]
    fn a_sump_that_trembles_as_in_its_rough_hours_runs_and_one_that_is_still_stands() {
        for (last, running) in [(0.3, Some(false)), (0.35, Some(false)), (1.9, Some(true)), (0.8, None)] {
            let mut waves = played(&[2.0, 1.8, 0.3, 2.1, 0.35, 0.3, 2.2]);
            hour(&mut waves, 7.0, last);
            assert_eq!(waves.tell(7.0), running, "{last}");
        }
    }

    #[test]
    fn what_was_learned_is_kept() {
        let waves = played(&[2.0, 1.8, 0.3, 2.1, 0.35, 0.3, 2.2]);
        let mut again = Waves::of_numbers(&waves.numbers());
        assert_eq!(again.numbers(), waves.numbers());
        assert!(!Waves::of_numbers(&Waves::default().numbers()).are_known(60.0));
        hour(&mut again, 7.0, 0.3);
        assert_eq!(again.tell(7.0), Some(false));
    }

    #[test]
    fn where_all_hours_are_alike_waves_tell_nothing() {
        let waves = played(&[1.0, 1.1, 0.9, 1.0, 1.2, 1.0]);
        assert_eq!(waves.tell(5.0), None);
        assert_eq!(Waves::default().tell(0.0), None);
    }
}
